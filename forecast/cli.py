"""The command line: thin, in words, and never a traceback for bad input.

Exit codes: 0 done; 2 the input was wrong, with every problem on standard error; 1 anything else.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import traceback
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.choices import DEFAULT_MODEL, DEFAULT_REPLICATIONS, DEFAULT_SEED, MODELS
from forecast.errors import ForecastError, InputError
from forecast.exposure import CAUTIONS
from forecast.options import (
    FROM_0,
    OptionReader,
    add_output,
    outs,
    print_cautions,
    print_outs,
    started_with,
)
from forecast.plan_commands import add_plan_commands
from forecast.project import Project
from forecast.record_commands import add_record_commands
from forecast.starter import write_starter

if TYPE_CHECKING:
    from forecast.outcome import Futures

# What simulates loads a compiler, and what makes pages loads charts: a second or more, for which
# nobody who only checks a folder should wait. So they are imported where they are used.

__all__ = ["main"]

DONE, FAILED, WRONG_INPUT = 0, 1, 2

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


def _print_problems(error: InputError) -> None:
    count = len(error.problems)
    print(f"{count} {'problem' if count == 1 else 'problems'} in the input:", file=sys.stderr)
    for problem in error.problems:
        print(f"  {problem}", file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=started_with(),
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
    _schedule_options(schedule)
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
    _schedule_options(demo)
    demo.set_defaults(run=_demo)

    add_record_commands(commands)
    add_plan_commands(commands)

    trace = commands.add_parser(
        "trace",
        help="tell an item's way through one future, in words; for the team only",
        description="Tell an item's way through one future, in words. It names the people who "
        "handle the item: it is for the team, and not to be passed on to anybody outside.",
    )
    trace.add_argument("folder", type=Path, metavar="FOLDER")
    _trace_options(trace)
    trace.set_defaults(run=_trace)
    return parser


def _common_options(parser: argparse.ArgumentParser) -> None:
    """Options of everything that simulates."""
    parser.add_argument(
        "--as-of",
        metavar="DATE",
        help="know nothing later than this date, like 2026-05-29 (default: the Sunday of the last "
        "week on record; without a record, the day before the grant's start)",
    )
    parser.add_argument(
        "--seed",
        metavar="N",
        default=str(DEFAULT_SEED),
        help=f"start of the luck; the same seed gives the same forecast (default {DEFAULT_SEED})",
    )
    parser.add_argument(
        "--model",
        metavar="WHICH",
        default=DEFAULT_MODEL,
        help=f"{' or '.join(MODELS)}: they give the same, the first much faster "
        f"(default {DEFAULT_MODEL})",
    )


def _trace_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--replication",
        metavar="N",
        required=True,
        help="number of the future, from 0, as --draws of a forecast has it",
    )
    parser.add_argument(
        "--item",
        metavar="N",
        action="append",
        required=True,
        help="number of the item in the order of work, from 0; may be given more than once",
    )
    _common_options(parser)


def _schedule_options(parser: argparse.ArgumentParser) -> None:
    _common_options(parser)
    parser.add_argument(
        "--replications",
        metavar="N",
        default=str(DEFAULT_REPLICATIONS),
        help=f"how many futures to simulate (default {DEFAULT_REPLICATIONS})",
    )
    parser.add_argument(
        "--workers", metavar="N", help="how many work at once (default: all processors)"
    )
    parser.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="simulate on a Dask cluster: the address of its scheduler, like tcp://10.0.0.5:8786, "
        "or local for one of processes on this machine (needs the extra dask)",
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write the results as JSON")
    parser.add_argument("--draws", type=Path, metavar="FILE", help="also write every future as CSV")
    parser.add_argument(
        "--audience",
        metavar="WHO",
        default="funder",
        help="funder (default; shows no person) or team (adds each person's exposure)",
    )
    add_output(parser, "schedule_forecast")


@dataclass(frozen=True)
class _Wanted:
    """The options of a forecast, read."""

    as_of: date | None
    replications: int
    seed: int
    workers: int | None
    model: str
    audience: str
    formats: tuple[str, ...]


def _wanted(read: OptionReader, options: argparse.Namespace) -> _Wanted:
    """The options of a forecast; the reader keeps what is wrong with them."""
    wanted = _Wanted(
        read.day("as-of"),
        read.whole("replications", 1),
        read.whole("seed", 0),
        None if options.workers is None else read.whole("workers", 1),
        read.choice("model", MODELS),
        read.choice("audience", ("funder", "team")),
        read.formats(),
    )
    for name in ("json", "draws"):
        read.file(name)
    return wanted


def _new(options: argparse.Namespace) -> None:
    files = write_starter(options.folder)
    print(f"Wrote {len(files)} files into {options.folder}.")
    print("Every number in them is assumed: replace what you know, beginning with collection.csv,")
    print("survey.csv and team.csv. Then run")
    print(f'  {started_with()} check "{options.folder}"')
    print(f'  {started_with()} schedule "{options.folder}"')
    print_cautions()


def _check(options: argparse.Namespace) -> None:
    from forecast.scenario_file import read_plans  # noqa: PLC0415  # see above

    project, plans = read_plans(options.folder)
    print(f"{project.title}: {project.total_items} items, {len(project.persons)} people,")
    print(
        f"{project.grant.start.isoformat()} to {project.grant.end.isoformat()}, "
        f"{project.grant.items_promised} items promised. The folder can be read."
    )
    if plans.scenarios:
        names = "; ".join(scenario.name for scenario in plans.scenarios)
        print(f"Scenarios, which can be used as well: {names}.")
    _print_warnings(project)
    if project.defaults_used:
        print("Assumed, because the folder does not say otherwise:")
        for name in project.defaults_used:
            print(f"  {name}")
    print_cautions()


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
    print("\nWhat next? The scenarios that lie in the folder, against the plan as it is:")
    print(f'  {started_with()} compare "{folder}"')


def _schedule(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    wanted = _wanted(read, options)
    project = read.project()
    from forecast.results import write_draws, write_json  # noqa: PLC0415  # see above

    _print_warnings(project)
    futures = _futures(project, wanted, options)
    written = _write_report(futures, options, wanted)
    if options.json is not None:
        write_json(futures, options.json)
    if options.draws is not None:
        write_draws(futures, options.draws)
    from forecast.schedule_forecast import (  # noqa: PLC0415  # see above
        rests_on_sentences,
        summary_sentences,
    )

    print()
    for sentence in [*summary_sentences(futures), *rests_on_sentences(futures)]:
        print(sentence)
    print_cautions()
    print()
    print_outs("The forecast", written)


def _futures(project: Project, wanted: _Wanted, options: argparse.Namespace) -> Futures:
    """Simulate from what is on record, on this machine or on a cluster."""
    from forecast.clusters import dask_executor  # noqa: PLC0415  # see above
    from forecast.recalibrate import forecast  # noqa: PLC0415  # see above
    from forecast.recording import read_history  # noqa: PLC0415  # see above

    history = read_history(options.folder, project)
    cluster = nullcontext() if options.dask is None else dask_executor(options.dask, wanted.workers)
    with cluster as executor:
        return forecast(
            project,
            history,
            wanted.as_of,
            wanted.replications,
            wanted.seed,
            wanted.workers,
            executor,
            model=wanted.model,
        )


def _trace(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    as_of, seed, model = read.day("as-of"), read.whole("seed", 0), read.choice("model", MODELS)
    replication = read.number("replication", options.replication, 0, FROM_0)
    items = [read.number("item", text, 0, FROM_0) for text in options.item]
    project = read.project(items)
    from forecast.recalibrate import one_future  # noqa: PLC0415  # see above
    from forecast.recording import read_history  # noqa: PLC0415  # see above
    from forecast.trace import tale  # noqa: PLC0415  # see above

    _print_warnings(project)
    history = read_history(options.folder, project)
    plan, drawn, rows = one_future(project, history, as_of, seed, replication, model)
    for item in items:
        print("\n".join(tale(plan, drawn, rows, item)))
        print()
    print("This names people: it is for the team, and not for anybody outside.")
    print_cautions()


def _write_report(
    futures: Futures, options: argparse.Namespace, wanted: _Wanted
) -> dict[str, Path]:
    """Run the notebook on the futures, and write what it shows in the wanted formats."""
    from forecast.formats import make_reports  # noqa: PLC0415  # see above
    from forecast.outcome import save  # noqa: PLC0415  # see above
    from forecast.report import notebook_path  # noqa: PLC0415  # see above

    places = outs(options, wanted.formats, "schedule_forecast", futures.as_of)
    print("Writing the report ...", file=sys.stderr)
    with tempfile.TemporaryDirectory(prefix="forecast-") as folder:
        stored = Path(folder) / "futures.npz"
        save(futures, stored)
        return make_reports(
            notebook_path("schedule_forecast"),
            {
                "folder": str(options.folder.resolve()),
                "as_of": futures.as_of.isoformat(),
                "replications": futures.replications,
                "seed": futures.seed,
                "audience": wanted.audience,
                "futures_file": str(stored),
            },
            places,
        )


def _print_warnings(project: Project) -> None:
    for warning in project.warnings:
        print(f"Warning: {warning}", file=sys.stderr)
