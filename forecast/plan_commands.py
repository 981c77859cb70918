"""Commands of what-ifs: plans side by side, and the cheapest plan that keeps the promise."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.errors import InputError, Problem
from forecast.options import OptionReader, add_output, outs, print_cautions, print_outs
from forecast.project import Project

# What is imported within a command would cost everybody a second or more who runs another.

__all__ = ["add_plan_commands"]

_SECONDS = 100  # of a search


def add_plan_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add them to the menu."""
    compare = commands.add_parser(
        "compare",
        help="compare the scenarios of scenarios.toml with the project as it is",
        description="Compare plans: each scenario of scenarios.toml against the project as it is, "
        "all in the same simulated futures. With a record, all start from where everything is.",
    )
    _common(compare, "staffing_plans")
    compare.add_argument(
        "--scenario",
        metavar="NAME",
        action="append",
        help="this scenario; may be given more than once (default: all)",
    )
    compare.add_argument(
        "--replications",
        metavar="N",
        default=str(DEFAULT_REPLICATIONS),
        help=f"at most so many futures of each plan (default {DEFAULT_REPLICATIONS})",
    )
    compare.set_defaults(run=_compare)

    search = commands.add_parser(
        "search",
        help="the cheapest plan that keeps the promise, within [search] of scenarios.toml",
        description="Try all plans within the bounds of [search] in scenarios.toml, and find the "
        "cheapest that keeps the promise by the grant's end as often as wanted. It takes up to two "
        "minutes. Only people and places are tried, never what keeps people safe.",
    )
    _common(search, "search")
    search.add_argument(
        "--confidence",
        metavar="P",
        help="wanted odds of the promise, like 0.9 (default: that of [search], else 0.9)",
    )
    search.add_argument(
        "--seconds",
        metavar="N",
        default=str(_SECONDS),
        help=f"end after about so long with what is known then (default {_SECONDS})",
    )
    search.set_defaults(run=_search)


def _common(parser: argparse.ArgumentParser, name: str) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument(
        "--as-of",
        metavar="DATE",
        help="know nothing later than this date (default: the Sunday of the last week on record; "
        "without a record, the day before the grant's start)",
    )
    parser.add_argument("--seed", metavar="N", default=str(DEFAULT_SEED))
    parser.add_argument(
        "--workers", metavar="N", help="how many work at once (default: all processors)"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write results as JSON")
    parser.add_argument(
        "--audience",
        metavar="WHO",
        default="team",
        help="team (default) or funder (names nobody of the team)",
    )
    add_output(parser, name)


@dataclass(frozen=True)
class _Wanted:
    """The options that both commands share, read."""

    project: Project
    as_of: date | None
    audience: str
    seed: int
    workers: int | None
    formats: tuple[str, ...]


def _wanted(options: argparse.Namespace, read: OptionReader) -> _Wanted:
    """The options, read; every problem of theirs and of the folder comes in one go."""
    as_of, audience = read.day("as-of"), read.choice("audience", ("team", "funder"))
    seed = read.whole("seed", 0)
    workers = None if options.workers is None else read.whole("workers", 1)
    read.file("json")
    formats = read.formats()
    project = read.project()
    for warning in project.warnings:
        print(f"Warning: {warning}", file=sys.stderr)
    return _Wanted(project, as_of, audience, seed, workers, formats)


def _compare(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    replications = read.whole("replications", 2)
    wanted = _wanted(options, read)
    from forecast.compare import write_json  # noqa: PLC0415  # see above
    from forecast.formats import write_report  # noqa: PLC0415  # see above
    from forecast.schedule_forecast import Settings  # noqa: PLC0415  # see above
    from forecast.staffing_plans import (  # noqa: PLC0415  # see above
        PlanSettings,
        get_plans,
        plans_report,
        sentences,
    )

    common = Settings(options.folder, wanted.as_of, replications, wanted.seed, wanted.audience)
    settings = PlanSettings(common, tuple(options.scenario or ()))
    plans = get_plans(settings, workers=wanted.workers)
    written = write_report(
        plans_report(plans, wanted.audience),
        outs(options, wanted.formats, "staffing_plans", plans.start.as_of),
    )
    if options.json is not None:
        write_json(plans.comparison, options.json)
    print()
    for sentence in sentences(plans.comparison):
        print(sentence)
    print_cautions()
    print()
    print_outs("The plans side by side", written)


def _search(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    confidence = None if options.confidence is None else read.share("confidence", 0.5, 0.999)
    seconds = read.whole("seconds", 1)
    wanted = _wanted(options, read)
    from forecast.compare import outset  # noqa: PLC0415  # see above
    from forecast.formats import write_report  # noqa: PLC0415  # see above
    from forecast.plan_advice import (  # noqa: PLC0415  # see above
        by_the_clock,
        search_report,
        search_sentences,
    )
    from forecast.progress import progress  # noqa: PLC0415  # see above
    from forecast.recording import read_history  # noqa: PLC0415  # see above
    from forecast.results import write_values  # noqa: PLC0415  # see above
    from forecast.scenario_file import read_scenarios  # noqa: PLC0415  # see above
    from forecast.search import search, summary  # noqa: PLC0415  # see above

    history = read_history(options.folder, wanted.project)
    start = outset(wanted.project, history, wanted.as_of, wanted.seed)
    bounds = read_scenarios(options.folder, wanted.project, start.not_before).search
    if bounds is None:
        remedy = "Say there which posts and places may be tried; README.md shows how."
        raise InputError([Problem("scenarios.toml", "", "", "a section [search]", remedy)])
    with progress("Trying plans", "s") as tell:
        found = search(
            start,
            bounds,
            confidence=confidence,
            seconds=float(seconds),
            workers=wanted.workers,
            tell=by_the_clock(tell, seconds),
        )
    written = write_report(
        search_report(found, wanted.audience), outs(options, wanted.formats, "search", start.as_of)
    )
    if options.json is not None:
        write_values(summary(found), options.json)
    print()
    for sentence in search_sentences(found, wanted.audience):
        print(sentence)
    print_cautions()
    print()
    print_outs("The plans that were tried", written)
