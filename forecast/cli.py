"""The command line: thin, in words, and never a traceback for bad input.

Exit codes: 0 done; 2 the input was wrong, with every problem on standard error; 1 anything else.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from forecast.errors import ForecastError, InputError, Problem
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.outcome import Futures, save
from forecast.project import Project
from forecast.replicate import DEFAULT_REPLICATIONS, DEFAULT_SEED, simulate
from forecast.results import write_draws, write_json
from forecast.starter import write_starter

__all__ = ["main"]

DONE, FAILED, WRONG_INPUT = 0, 1, 2

# Enough to show what a forecast looks like, and done within a minute on two processors.
_DEMO_REPLICATIONS = 60

_DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may not know every letter of somebody's text.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(arguments)
    try:
        options.run(options)
    except InputError as error:
        _print_problems(error)
        return WRONG_INPUT
    except ForecastError as error:
        print(f"This did not work: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("Stopped. Nothing was left half written.", file=sys.stderr)
        return FAILED
    except Exception as error:  # noqa: BLE001  # our own fault: say so, details on request
        print(f"The program failed: {type(error).__name__}: {error}", file=sys.stderr)
        if options.traceback:
            traceback.print_exc()
        else:
            print("Run it again with --traceback for the details.", file=sys.stderr)
        return FAILED
    return DONE


def _started_with() -> str:
    """How to start this program: run.py says so, where it did."""
    return os.environ.get("FORECAST_COMMAND", "forecast")


def _print_problems(error: InputError) -> None:
    count = len(error.problems)
    print(f"{count} {'problem' if count == 1 else 'problems'} in the input:", file=sys.stderr)
    for problem in error.problems:
        print(f"  {problem}", file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=_started_with(),
        description="Forecast when a mould-damaged collection will be digitised, and how many "
        "items can be promised.",
        epilog=" ".join(CAUTIONS[:1]),
    )
    parser.add_argument("--traceback", action="store_true", help="show the details of a failure")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    new = commands.add_parser("new", help="write a commented starting project into a new folder")
    new.add_argument("folder", type=Path, metavar="FOLDER")
    new.set_defaults(run=_new)

    check = commands.add_parser("check", help="read a project folder and name every problem")
    check.add_argument("folder", type=Path, metavar="FOLDER")
    check.set_defaults(run=_check)

    schedule = commands.add_parser("schedule", help="make a schedule forecast of a project folder")
    schedule.add_argument("folder", type=Path, metavar="FOLDER")
    _schedule_options(schedule, DEFAULT_REPLICATIONS)
    schedule.set_defaults(run=_schedule)

    demo = commands.add_parser("demo", help="make a forecast of an invented project")
    demo.add_argument(
        "folder",
        type=Path,
        metavar="FOLDER",
        nargs="?",
        default=Path("demo-project"),
        help="where to put the project (default: demo-project)",
    )
    _schedule_options(demo, _DEMO_REPLICATIONS)
    demo.set_defaults(run=_demo)
    return parser


def _schedule_options(parser: argparse.ArgumentParser, replications: int) -> None:
    parser.add_argument(
        "--as-of",
        metavar="DATE",
        help="know nothing later than this date, like 2026-05-29 (default: the day before the "
        "grant's start)",
    )
    parser.add_argument(
        "--replications",
        metavar="N",
        default=str(replications),
        help=f"how many futures to simulate (default {replications})",
    )
    parser.add_argument(
        "--seed",
        metavar="N",
        default=str(DEFAULT_SEED),
        help=f"start of the luck; the same seed gives the same forecast (default {DEFAULT_SEED})",
    )
    parser.add_argument("--workers", metavar="N", help="processes to use (default: all processors)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write the results as JSON")
    parser.add_argument("--draws", type=Path, metavar="FILE", help="also write every future as CSV")
    parser.add_argument(
        "--audience",
        metavar="WHO",
        default="funder",
        help="funder (default; shows no person) or team (adds each person's exposure)",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="the HTML page (default: reports/schedule_forecast_DATE.html in FOLDER)",
    )


@dataclass(frozen=True)
class _Wanted:
    """The options of a forecast, read."""

    as_of: date | None
    replications: int
    seed: int
    workers: int | None
    audience: str


def _wanted(options: argparse.Namespace) -> tuple[_Wanted | None, list[Problem]]:
    """The options, or every problem with them."""
    problems: list[Problem] = []

    def whole(name: str, least: int) -> int | None:
        text = getattr(options, name)
        if text is None:
            return None
        if text.strip().isdecimal() and len(text) < 19 and int(text) >= least:
            return int(text)
        problems.append(
            Problem(
                f"--{name}",
                "",
                text,
                f"a whole number from {least}",
                "Leave it out for the default.",
            )
        )
        return None

    as_of = None
    if options.as_of is not None:
        try:
            as_of = date.fromisoformat(options.as_of)
        except ValueError:
            problems.append(
                Problem(
                    "--as-of", "", options.as_of, "a date like 2026-05-29", "Write year-month-day."
                )
            )
    replications, seed, workers = whole("replications", 1), whole("seed", 0), whole("workers", 1)
    if options.audience not in ("funder", "team"):
        problems.append(
            Problem("--audience", "", options.audience, "funder or team", "Choose one of them.")
        )
    for name in ("json", "draws", "out"):
        path = getattr(options, name)
        if path is not None and (path.is_dir() or not path.parent.is_dir()):
            problems.append(
                Problem(
                    f"--{name}",
                    "",
                    str(path),
                    "a file in a folder that exists",
                    "Make the folder first, or give another file.",
                )
            )
    if problems or replications is None or seed is None:
        return None, problems
    return _Wanted(as_of, replications, seed, workers, options.audience), problems


def _new(options: argparse.Namespace) -> None:
    files = write_starter(options.folder)
    print(f"Wrote {len(files)} files into {options.folder}.")
    print("Every number in them is assumed: replace what you know, beginning with collection.csv,")
    print("survey.csv and team.csv. Then run")
    print(f'  {_started_with()} check "{options.folder}"')
    print(f'  {_started_with()} schedule "{options.folder}"')
    _print_cautions()


def _check(options: argparse.Namespace) -> None:
    project = read_project(options.folder)
    print(f"{project.title}: {project.total_items} items, {len(project.persons)} people,")
    print(
        f"{project.grant.start.isoformat()} to {project.grant.end.isoformat()}, "
        f"{project.grant.items_promised} items promised. The folder can be read."
    )
    _print_warnings(project)
    if project.defaults_used:
        print("Assumed, because the folder does not say otherwise:")
        for name in project.defaults_used:
            print(f"  {name}")
    _print_cautions()


def _demo(options: argparse.Namespace) -> None:
    folder: Path = options.folder
    if not folder.exists():
        if not _DEMO.is_dir():
            raise ForecastError("the demo project is missing; run this from a full checkout")
        part = folder.with_name(folder.name + ".part")
        shutil.rmtree(part, ignore_errors=True)
        shutil.copytree(_DEMO, part)
        part.rename(folder)
        print(f"An invented project was put into {folder}.")
    _schedule(options)


def _schedule(options: argparse.Namespace) -> None:
    wanted, problems = _wanted(options)
    try:
        project = read_project(options.folder)
    except InputError as error:
        raise InputError([*problems, *error.problems]) from None
    if wanted is None:
        raise InputError(problems)
    _print_warnings(project)
    futures = simulate(project, wanted.as_of, wanted.replications, wanted.seed, wanted.workers)
    page = _write_page(futures, options, wanted)
    if options.json is not None:
        write_json(futures, options.json)
    if options.draws is not None:
        write_draws(futures, options.draws)
    from forecast.schedule_forecast import summary_sentences  # noqa: PLC0415  # as below

    print()
    for sentence in summary_sentences(futures):
        print(sentence)
    _print_cautions()
    print(f"\nThe forecast as a page: {page.resolve()}")


def _write_page(futures: Futures, options: argparse.Namespace, wanted: _Wanted) -> Path:
    """Run the notebook on the futures, and write the page that it makes."""
    # What makes charts and pages takes seconds to load: nobody else should wait for it.
    from forecast.report import make_report, notebook_path  # noqa: PLC0415

    out: Path | None = options.out
    if out is None:
        reports = options.folder / "reports"
        reports.mkdir(exist_ok=True)
        out = reports / f"schedule_forecast_{futures.as_of.isoformat()}.html"
    print("Writing the page ...", file=sys.stderr)
    with tempfile.TemporaryDirectory(prefix="forecast-") as folder:
        stored = Path(folder) / "futures.npz"
        save(futures, stored)
        make_report(
            notebook_path("schedule_forecast"),
            {
                "folder": str(options.folder.resolve()),
                "as_of": futures.as_of.isoformat(),
                "replications": futures.replications,
                "seed": futures.seed,
                "audience": wanted.audience,
                "futures_file": str(stored),
            },
            out,
        )
    return out


def _print_warnings(project: Project) -> None:
    for warning in project.warnings:
        print(f"Warning: {warning}", file=sys.stderr)


def _print_cautions() -> None:
    print("\nPlease mind:")
    for caution in CAUTIONS:
        print(f"  {caution}")
