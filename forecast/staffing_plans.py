"""Staffing plans: plans side by side as the content of a report, a public function a section.

The notebook's cells, the form and the command line call the same functions. Nothing in a report for
a funder names a person of the team.
"""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from math import nan
from typing import Any

import pandas as pd

from forecast import plan_charts
from forecast.blocks import Block, Bullets, Facts, Heading, Note, Paragraph, Report, Table
from forecast.compare import (
    MOSTLY,
    Comparison,
    Difference,
    Outset,
    Precision,
    Side,
    compare,
    outset,
    promise_days,
)
from forecast.differences import Interval, OpenInterval, nothing_shown
from forecast.errors import InputError, Problem
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.history import NOTHING_YET, History
from forecast.outcome import quantile
from forecast.progress import progress
from forecast.record import open_record
from forecast.results import PROMISE_LEVELS
from forecast.scenario import Scenario
from forecast.scenario_file import Search, read_scenarios
from forecast.schedule_forecast import TEAM, Settings, check_settings
from forecast.words import (
    IF_TEAM_STAYS,
    long_date,
    money,
    never,
    number,
    odds,
    plural,
    reached_date,
)

__all__ = [
    "PlanSettings",
    "Plans",
    "base_sentence",
    "cell",
    "check_plan_settings",
    "chosen_scenarios",
    "get_plans",
    "plan_sentence",
    "plans_report",
    "section_cautions",
    "section_changes",
    "section_plans",
    "section_promises",
    "section_summary",
    "sentences",
]

_DAYS_A_WEEK = 7.0
_SEPARATOR = ";"

# --- what a run is asked for ---------------------------------------------------------------------


@dataclass(frozen=True)
class PlanSettings:
    """The parameters of one run, checked.

    Attributes:
        common: folder, as-of date, futures (the budget of each plan), seed and audience.
        scenarios: names of the plans to compare; none: all of scenarios.toml.
    """

    common: Settings
    scenarios: tuple[str, ...] = ()


def check_plan_settings(*, scenarios: str = "", **parameters: Any) -> PlanSettings:
    """The settings of a run from plain values, as a notebook or a command line has them.

    Args:
        scenarios: names, separated by semicolons; nothing: all.
        parameters: as :func:`forecast.schedule_forecast.check_settings`.

    Raises:
        InputError: names that do not exist, or values that cannot be understood: all in one go.
    """
    problems: list[Problem] = []
    names: tuple[str, ...] = ()
    if isinstance(scenarios, str):
        names = tuple(part.strip() for part in scenarios.split(_SEPARATOR) if part.strip())
    else:
        expected = "names of scenarios, separated by semicolons"
        problems.append(
            Problem("parameters", "scenarios", str(scenarios), expected, "Write them in quotes.")
        )
    try:
        common = check_settings(**parameters)
    except InputError as error:
        raise InputError([*error.problems, *problems]) from None
    if problems:
        raise InputError(problems)
    return PlanSettings(common, names)


def chosen_scenarios(
    scenarios: tuple[Scenario, ...], names: tuple[str, ...]
) -> tuple[Scenario, ...]:
    """The scenarios of these names, in their order; all of them where no name is given.

    Raises:
        InputError: names that no scenario has, all in one go.
    """
    known = {scenario.name: scenario for scenario in scenarios}
    problems = [
        Problem(
            "scenarios.toml",
            "",
            name,
            f"the name of a scenario: {'; '.join(known) or 'there is none yet'}",
            "Write the name as it stands there.",
        )
        for name in names
        if name not in known
    ]
    if problems:
        raise InputError(problems)
    return tuple(known[name] for name in dict.fromkeys(names)) if names else scenarios


@dataclass(frozen=True)
class Plans:
    """What all sections are made from.

    Attributes:
        settings: what was asked for.
        start: where all plans start from. comparison: of the scenarios.
        history: returns on record.
        bounds: what a search may try; None: nobody has said.
    """

    settings: PlanSettings
    start: Outset
    comparison: Comparison
    history: History = NOTHING_YET
    bounds: Search | None = None


def get_plans(
    settings: PlanSettings, *, workers: int | None = None, show_progress: bool = True
) -> Plans:
    """Read the project, its scenarios and its record, and compare.

    Args:
        settings: what is asked for.
        workers: how many work at once; None: as many as the machine has processors.
        show_progress: a bar on standard error.

    Raises:
        InputError: the folder, its scenarios or its record cannot be used.
    """
    common = settings.common
    project = read_project(common.folder)
    with open_record(common.folder, project, create=False) as record:
        history = record.history()
    start = outset(project, history, common.as_of, common.seed)
    told = read_scenarios(common.folder, project, start.not_before)
    chosen = chosen_scenarios(told.scenarios, settings.scenarios)
    with progress("Plans") if show_progress else nullcontext() as tell:
        comparison = compare(
            start,
            chosen,
            most=common.replications,
            precision=Precision(),
            workers=workers,
            tell=tell,
        )
    return Plans(settings, start, comparison, history, told.search)


# --- words ---------------------------------------------------------------------------------------


def _weeks(days: float) -> str:
    """Days as weeks, to one decimal, without a sign."""
    return f"{number(abs(days) / _DAYS_A_WEEK, 1)} weeks"


def _odds(side: Side, share: float) -> str:
    return odds(share, len(side.keeps))


def base_sentence(base: Side) -> str:
    """The project as it is, in a sentence."""
    grant = base.project.grant
    half, most = base.finish(0.5), base.finish(MOSTLY)
    middle, late = (reached_date(day, base.grant_end, grant.horizon) for day in (half, most))
    rest = f"9 in 10 futures are finished by {late}"
    if most is None:
        rest = f"more than 1 in 10 futures are finished {late}"
    return (
        f"As planned, {plural(grant.items_promised, 'item')} are done by "
        f"{long_date(base.grant_end)} in {_odds(base, float(base.keeps.mean()))} futures. The "
        f"middle finish date is {middle}; {rest}."
    )


def plan_sentence(plan: Side, base: Side, found: Difference) -> str:
    """One plan against the project as it is, in a few plain sentences."""
    futures, currency = len(plan.keeps), plan.project.currency
    if found.same:
        said = f"Nothing differs in any of the {number(futures)} futures."
    elif found.nothing_shown:
        said = (
            f"No difference that {number(futures)} futures can show, neither in the finish nor in "
            "the odds of the promise."
        )
    else:
        said = f"{_promise_change(plan, base, found)} {_finish_change(plan, found)}"
    return f"{plan.name}: {said} {_money_change(found, currency)}"


def _promise_change(plan: Side, base: Side, found: Difference) -> str:
    grant = plan.project.grant
    kept = _odds(plan, float(plan.keeps.mean()))
    before = _odds(base, float(base.keeps.mean()))
    what = ""
    if (
        grant.items_promised != base.project.grant.items_promised
        or plan.grant_end != base.grant_end
    ):
        what = f" of {plural(grant.items_promised, 'item')} by {long_date(plan.grant_end)}"
    if nothing_shown(found.promise):
        return f"The promise{what} is kept in {kept} futures, about as often as planned."
    return f"The promise{what} is kept in {kept} futures ({before} as planned)."


def _finish_change(plan: Side, found: Difference) -> str:
    half, change = plan.finish(0.5), found.at_half
    horizon = plan.project.grant.horizon
    if half is None:
        return f"The middle finish date is {never(horizon)}."
    where = reached_date(half, plan.grant_end, horizon)
    if change.estimate is None:
        return f"The middle finish date is {where}; as planned, it is {never(horizon)}."
    if nothing_shown(change):
        return f"The middle finish date, {where}, does not differ by more than chance."
    way = "earlier" if change.estimate < 0 else "later"
    return f"The middle finish date is {_weeks(change.estimate)} {way} ({_span(change)}), {where}."


def _span(change: OpenInterval) -> str:
    """The interval of a change in weeks, the nearer end first."""
    if change.low is None or change.high is None:
        return "how exactly is open"
    near, far = sorted((change.low, change.high), key=abs)
    if near * far < 0:
        return f"95 %: from {_weeks(near)} the other way to {_weeks(far)}"
    first, last = (number(abs(end) / _DAYS_A_WEEK, 1) for end in (near, far))
    return f"95 %: {first} to {last}"


def _money_change(found: Difference, currency: str) -> str:
    mean = found.money.estimate
    if round(mean) == 0:
        return "It costs the same."
    return f"On average it costs {money(abs(mean), currency)} {'more' if mean > 0 else 'less'}."


def sentences(comparison: Comparison) -> list[str]:
    """The project as it is, each plan, and how well the differences are known."""
    plans = zip(comparison.plans, comparison.differences, strict=True)
    return [
        base_sentence(comparison.base),
        *(plan_sentence(plan, comparison.base, found) for plan, found in plans),
        _known(comparison),
    ]


def _known(comparison: Comparison) -> str:
    """How well the differences are known, and whether that was what was asked for."""
    wished, futures = comparison.precision, number(comparison.replications)
    aim = (
        f"{number(wished.days, 1)} days of the mean finish and {number(100 * wished.odds)} "
        "futures of 100 that keep the promise"
    )
    if comparison.reached:
        return f"After {futures} futures of each plan, all differences are known to within {aim}."
    return (
        f"{futures} futures of each plan were simulated; not all differences are known to within "
        f"{aim}. More futures would make the ranges narrower."
    )


# --- the sections, in the report's order ---------------------------------------------------------


def section_summary(plans: Plans) -> Report:
    """The title, and in plain sentences what a hurried reader must know."""
    start, found = plans.start, plans.comparison
    project = start.project
    base, *rest = sentences(found)
    *each, known = rest
    pairs = (
        ("Project", project.title),
        ("Known up to", long_date(start.as_of)),
        ("Weeks on record", number(start.weeks_on_record)),
        ("Plans compared", number(len(found.plans))),
        ("Simulated futures of each", f"{number(found.replications)} (seed {start.seed})"),
    )
    title = f"Staffing plans: {project.title}" if project.title else "Staffing plans"
    return Report(
        [
            Heading(title, 1),
            Paragraph(base, lead=True),
            Bullets(tuple(each)) if each else Paragraph(_NO_PLANS),
            Paragraph(known),
            Facts(pairs),
            Paragraph(
                "All plans meet the same items, illnesses and rejects, future by future, so that "
                "what differs between them is the plan. Dates after the grant's end hold "
                f"{IF_TEAM_STAYS}."
            ),
        ]
    )


_NO_PLANS = (
    "There is no other plan yet: write one into scenarios.toml, or make one in the form of "
    "notebooks/staffing_plans.ipynb."
)


def _dates(side: Side) -> dict[str, date | None]:
    return {"low": side.finish(0.1), "middle": side.finish(0.5), "high": side.finish(0.9)}


def _told(day: date | None) -> str:
    """A date of a table, where there is no room for many words."""
    return "not by the horizon" if day is None else long_date(day)


def section_plans(plans: Plans, audience: str = TEAM) -> Report:
    """All plans side by side: finish, odds, items, cost and exposure in total."""
    found = plans.comparison
    currency = plans.start.project.currency
    rows = [
        (
            side.name,
            odds(float(side.keeps.mean()), found.replications, exact=True),
            odds(float(side.finishes.mean()), found.replications, exact=True),
            _told(side.finish(0.5)),
            _told(side.finish(MOSTLY)),
            number(int(quantile(side.taken.done_by_end, 0.5))),
            number(float(side.money.mean())),
            number(float(side.taken.exposure_hours.mean())),
        )
        for side in found.sides
    ]
    columns = (
        "Plan",
        "Promise kept",
        "All done by the grant's end",
        "Middle finish",
        "9 in 10 by",
        "Items by the end, middle",
        f"Cost, {currency}",
        "Exposure, hours",
    )
    frame = pd.DataFrame(
        [{"name": side.name, **_dates(side)} for side in found.sides], dtype=object
    )
    base = found.base
    since = long_date(base.project.date_of(base.taken.first_day))
    blocks: list[Block] = [
        Heading("Plans side by side"),
        plan_charts.finishes_chart(frame, base.grant_end, base.project.grant.horizon),
        Table(
            "Every plan in the same futures",
            columns,
            tuple(rows),
            numeric=(5, 6, 7),
            note=f"Cost: people's rostered hours from {since} on at their rates, and what the "
            "plan itself costs; means over the futures. Public holidays, closures and absence are "
            "paid. Exposure: everybody's together from then to the finish; it is what the work "
            "takes, and no limit was changed.",
        ),
    ]
    return Report([*blocks, *_assumed(found, audience)])


def _assumed(found: Comparison, audience: str) -> list[Block]:
    """What the costs assume; for outsiders without persons."""
    told = list(found.base.costs.assumed)
    for plan in found.plans:
        told += [
            f"{plan.name}: {sentence}"
            for sentence in plan.costs.assumed
            if sentence not in found.base.costs.assumed
        ]
    if not told:
        return []
    if audience != TEAM:
        return [Paragraph("Costs assume that whoever has no last day is paid to the finish.")]
    return [Note("What the costs assume:", tuple(told))]


def _in_weeks(interval: Interval | OpenInterval) -> tuple[float, float, float]:
    """Days as weeks; an open end is not a number."""
    ends = (interval.estimate, interval.low, interval.high)
    estimate, low, high = (nan if end is None else end / _DAYS_A_WEEK for end in ends)
    return estimate, low, high


def cell(interval: Interval | OpenInterval, scale: float = 1.0, decimals: int = 1) -> str:
    """An estimate and its interval, signed."""

    def signed(value: float | None) -> str:
        if value is None:
            return "open"
        words = number(abs(value) * scale, decimals)
        zero = number(0.0, decimals)
        return words if words == zero else f"{'+' if value > 0 else '-'}{words}"

    return f"{signed(interval.estimate)} ({signed(interval.low)} to {signed(interval.high)})"


def section_changes(plans: Plans) -> Report:
    """What each plan changes, with the interval of each difference."""
    found = plans.comparison
    if not found.plans:
        return Report([])
    return Report(
        [
            Heading("What each plan changes"),
            Paragraph(
                "Each difference is an estimate too. In brackets stands its 95 % interval: another "
                "run with other luck would give a value in it in 95 of 100 cases. Where it holds "
                "0, the futures show no difference."
            ),
            plan_charts.change_chart(
                _moves(found), "changes", "By how many weeks each plan moves the finish", two=True
            ),
            _pace_table(found),
            _means_table(found),
        ]
    )


def _changed(found: Comparison) -> list[tuple[str, Difference]]:
    names = [plan.name for plan in found.plans]
    return list(zip(names, found.differences, strict=True))


def _moves(found: Comparison) -> pd.DataFrame:
    """By how many weeks each plan moves the finish; who finishes soonest comes first."""
    rows = []
    for name, change in _changed(found):
        half, low, high = _in_weeks(change.at_half)
        most, most_low, most_high = _in_weeks(change.at_most)
        rows.append(
            {"name": name, "half": half, "half_low": low, "half_high": high}
            | {"most": most, "most_low": most_low, "most_high": most_high}
        )
    return pd.DataFrame(rows).sort_values("half", kind="stable", na_position="last")


def _pace_table(found: Comparison) -> Table:
    week = 1.0 / _DAYS_A_WEEK
    rows = [
        (
            name,
            cell(change.at_half, week),
            cell(change.at_most, week),
            cell(change.promise, 100.0, 0),
            odds(change.earlier.better, found.replications, exact=True),
        )
        for name, change in _changed(found)
    ]
    return Table(
        "The finish and the promise: each plan less the project as planned",
        ("Plan", "Middle, weeks", "9 in 10, weeks", "Promise kept, of 100", "Earlier in"),
        tuple(rows),
        (1, 2, 3),
    )


def _means_table(found: Comparison) -> Table:
    rows = [
        (
            name,
            cell(change.items, 1.0, 0),
            cell(change.money, 1.0, 0),
            cell(change.exposure, 1.0, 0),
        )
        for name, change in _changed(found)
    ]
    currency = found.base.project.currency
    return Table(
        "On average: each plan less the project as planned",
        ("Plan", "Items by the grant's end", f"Cost, {currency}", "Exposure, hours"),
        tuple(rows),
        (1, 2, 3),
    )


def section_promises(plans: Plans) -> Report:
    """What can be promised under each plan, side by side."""
    found = plans.comparison
    first = found.base.project.date_of(found.base.taken.first_day)
    blocks: list[Block] = [
        Heading("What can be promised under each plan"),
        Paragraph(
            "Items that are done by a date, or more, in so many futures. The further to the right, "
            "the surer."
        ),
    ]
    shares = tuple(f"{odds(share)} futures" for share in PROMISE_LEVELS)
    days = promise_days(found.base, first)
    for day in days:
        at_end = day == days[-1]
        rows = tuple(
            (
                side.name,
                *(number(side.safe(share, None if at_end else day)) for share in PROMISE_LEVELS),
            )
            for side in found.sides
        )
        caption = f"Items done by {long_date(day)}" + (", the grant's end" if at_end else "")
        blocks.append(Table(caption, ("Plan", *shares), rows, numeric=(1, 2, 3, 4)))
    return Report(blocks)


def section_cautions() -> Report:
    """The one fixed text about safety, and what no plan offers."""
    return Report(
        [
            Heading("Cautions"),
            Paragraph(
                "No plan changes a limit of exposure, breathing protection, quarantine, clothing, "
                "clearing or drying to something laxer: these are never a way to gain time."
            ),
            Note("Before anybody works with mould", CAUTIONS),
        ]
    )


def plans_report(plans: Plans, audience: str = TEAM) -> Report:
    """The comparison as content blocks: what the command line makes a page of."""
    sections = [
        section_summary(plans),
        section_plans(plans, audience),
        section_changes(plans),
        section_promises(plans),
        section_cautions(),
    ]
    return Report(block for section in sections for block in section)
