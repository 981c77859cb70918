"""Commands of what-ifs: plans side by side, and the cheapest plan that keeps the promise."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.options import OptionReader, in_reports, print_cautions

if TYPE_CHECKING:
    from forecast.staffing_plans import PlanSettings

# What is imported within a command would cost everybody a second or more who runs another.

__all__ = ["add_plan_commands"]


def add_plan_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add them to the menu."""
    compare = commands.add_parser(
        "compare",
        help="compare the scenarios of scenarios.toml with the project as it is",
        description="Compare plans: each scenario of scenarios.toml against the project as it is, "
        "all in the same simulated futures. With a record, all start from where everything is.",
    )
    _common(compare)
    compare.add_argument(
        "--scenario",
        metavar="NAME",
        action="append",
        help="this scenario; may be given more than once (default: all)",
    )
    compare.add_argument("--json", type=Path, metavar="FILE", help="also write results as JSON")
    compare.add_argument(
        "--audience",
        metavar="WHO",
        default="team",
        help="team (default) or funder (names nobody of the team)",
    )
    compare.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="the HTML page (default: reports/staffing_plans_DATE.html in FOLDER)",
    )
    compare.set_defaults(run=_compare)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument(
        "--as-of",
        metavar="DATE",
        help="know nothing later than this date (default: the Sunday of the last week on record; "
        "without a record, the day before the grant's start)",
    )
    parser.add_argument(
        "--replications",
        metavar="N",
        default=str(DEFAULT_REPLICATIONS),
        help=f"at most so many futures of each plan (default {DEFAULT_REPLICATIONS})",
    )
    parser.add_argument("--seed", metavar="N", default=str(DEFAULT_SEED))
    parser.add_argument(
        "--workers", metavar="N", help="how many work at once (default: all processors)"
    )


def _settings(options: argparse.Namespace, read: OptionReader) -> PlanSettings:
    """The options, read; every problem of theirs and of the folder comes in one go."""
    as_of, audience = read.day("as-of"), read.choice("audience", ("team", "funder"))
    replications, seed = read.whole("replications", 2), read.whole("seed", 0)
    for name in ("json", "out"):
        read.file(name)
    project = read.project()
    for warning in project.warnings:
        print(f"Warning: {warning}", file=sys.stderr)
    from forecast.schedule_forecast import Settings  # noqa: PLC0415  # see above
    from forecast.staffing_plans import PlanSettings  # noqa: PLC0415  # see above

    common = Settings(options.folder, as_of, replications, seed, audience)
    return PlanSettings(common, tuple(options.scenario or ()))


def _compare(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    workers = None if options.workers is None else read.whole("workers", 1)
    settings = _settings(options, read)
    from forecast.compare import write_json  # noqa: PLC0415  # see above
    from forecast.report import write_page  # noqa: PLC0415  # see above
    from forecast.staffing_plans import (  # noqa: PLC0415  # see above
        get_plans,
        plans_report,
        sentences,
    )

    plans = get_plans(settings, workers=workers)
    out = options.out or in_reports(options.folder, "staffing_plans", plans.start.as_of)
    audience = settings.common.audience
    write_page(plans_report(plans, audience), out)
    if options.json is not None:
        write_json(plans.comparison, options.json)
    print()
    for sentence in sentences(plans.comparison):
        print(sentence)
    print_cautions()
    print(f"\nThe plans side by side as a page: {out.resolve()}")
