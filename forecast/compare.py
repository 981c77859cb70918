"""Plans side by side: each scenario against the project as it is, with the same luck.

All plans meet the same items, illnesses and rejects, replication by replication. The difference
between two plans is an estimate too: it stands with its own interval, and where a thousand futures
cannot show any, that is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import recalibrate
from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.costs import Costs, costs
from forecast.differences import (
    Better,
    Interval,
    OpenInterval,
    better_share,
    identical,
    nothing_shown,
    odds_difference,
    paired_t,
    quantile_difference,
    until_known,
)
from forecast.errors import InputError, Problem
from forecast.history import History
from forecast.outcome import NOT_BY_HORIZON, odds_interval, quantile, reached
from forecast.paired import Taken, side_by_side
from forecast.planning import Knowledge
from forecast.progress import Tell
from forecast.project import Project
from forecast.results import PROMISE_LEVELS, QUANTILES, write_values
from forecast.scenario import AS_PLANNED, Scenario, apply

__all__ = [
    "MOSTLY",
    "Comparison",
    "Difference",
    "Outset",
    "Precision",
    "Side",
    "compare",
    "difference",
    "outset",
    "promise_days",
    "side_of",
    "summary",
    "write_json",
]

MOSTLY = 0.9  # the other quantile of the finish that is compared, beside the median
_FIRST = 200  # futures before the first look at how well the differences are known

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


# --- from where all plans start ------------------------------------------------------------------


@dataclass(frozen=True)
class Outset:
    """Where all plans start from.

    Attributes:
        project: as it is.
        as_of: nothing later is known.
        knowledge: what the returns on record say up to then; None: there are none.
        weeks_on_record: how many returns count.
        seed: of all futures.
    """

    project: Project
    as_of: date
    knowledge: Knowledge | None = None
    weeks_on_record: int = 0
    seed: int = DEFAULT_SEED

    @property
    def not_before(self) -> date | None:
        """The first day that a plan can change: with a record, what lies behind stays as it is."""
        if not self.weeks_on_record:
            return None
        return max(self.as_of + timedelta(days=1), self.project.grant.start)

    def planned(self, scenario: Scenario | None) -> Project:
        """The project under a scenario; None: as it is.

        Raises:
            InputError: the scenario does not fit the project, or changes what lies behind.
        """
        if scenario is None:
            return self.project
        return apply(self.project, scenario, self.not_before)


def outset(
    project: Project,
    history: History | None = None,
    as_of: date | None = None,
    seed: int = DEFAULT_SEED,
) -> Outset:
    """Where all plans of a project start from: its beginning, or what is on record.

    Args:
        project: as it is.
        history: all returns; later ones than the as-of date are left out.
        as_of: default as :func:`forecast.recalibrate.default_as_of`.
        seed: of all futures.

    Raises:
        InputError: the returns contradict the project.
    """
    told = history or History(())
    day = recalibrate.default_as_of(project, told) if as_of is None else as_of
    weeks = len(told.up_to(day).returns)
    knowledge = recalibrate.known(project, told, day) if weeks else None
    return Outset(project, day, knowledge, weeks, seed)


# --- one plan ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Side:
    """One plan and what its futures came to. R futures, D days from the grant's start.

    Attributes:
        name: the scenario's, or :data:`forecast.scenario.AS_PLANNED`.
        scenario: None for the project as it is.
        taken: its futures.
        costs: what people and the scenario cost from the first simulated day on.
    """

    name: str
    scenario: Scenario | None
    taken: Taken
    costs: Costs

    @property
    def project(self) -> Project:
        """The project under this plan."""
        return self.taken.project

    @property
    def grant_end(self) -> date:
        """The grant's end under this plan."""
        return self.project.date_of(self.taken.end_day)

    @cached_property
    def money(self) -> Floats:
        """(R,) cost from the first simulated day on, in the project's currency."""
        return self.costs.at(self.taken.finish_day)

    @cached_property
    def finish_or_horizon(self) -> Floats:
        """(R,) day number of the finish; the horizon's where it is not reached by then."""
        days = self.taken.finish_day
        return np.where(days == NOT_BY_HORIZON, self.project.days, days).astype(float)

    @cached_property
    def keeps(self) -> Bools:
        """(R,) whether the promised items are done by the grant's end."""
        return np.asarray(self.taken.done_by_end >= self.project.grant.items_promised)

    @cached_property
    def finishes(self) -> Bools:
        """(R,) whether the last item has left by the grant's end."""
        days = self.taken.finish_day
        return np.asarray((days != NOT_BY_HORIZON) & (days <= self.taken.end_day))

    def finish(self, probability: float) -> date | None:
        """A quantile of the finish; None: not by the horizon."""
        day = int(quantile(self.taken.finish_day, probability))
        return None if day == NOT_BY_HORIZON else self.project.date_of(day)

    def safe(self, probability: float, by: date | None = None) -> int:
        """Items that are done by a date, or more, in this share of the futures.

        Args:
            probability: above 0, at most 1.
            by: a date from the grant's start on; None: the grant's end.
        """
        done = self.taken.done_by_end
        if by is not None:
            assert self.taken.done_by_day is not None
            column = min(max(0, self.project.day_number(by)), self.project.days - 1)
            done = self.taken.done_by_day[:, column]
        return int(reached(done, probability))


def side_of(scenario: Scenario | None, taken: Taken) -> Side:
    """A plan with its futures and its costs.

    Args:
        scenario: None for the project as it is.
        taken: its futures.
    """
    name = AS_PLANNED if scenario is None else scenario.name
    return Side(name, scenario, taken, costs(taken.project, scenario, taken.first_day))


# --- two plans -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Difference:
    """A plan less the project as it is; 95 % intervals of the simulation's own error.

    Attributes:
        finish_days: of the mean finish, where a finish that is not by the horizon counts as on it.
        at_half, at_most: of the finish's median, and of its 90 % quantile, in days.
        promise, finish: of the odds that the promise is kept, and that all is done, by the grant's
            end.
        items: of the items done by the grant's end.
        money: of the cost, in the project's currency.
        exposure: of everybody's exposure together up to the finish, in hours.
        earlier: in which share of the futures the plan finishes earlier.
        same: nothing differs in any of the futures.
    """

    finish_days: Interval
    at_half: OpenInterval
    at_most: OpenInterval
    promise: Interval
    finish: Interval
    items: Interval
    money: Interval
    exposure: Interval
    earlier: Better
    same: bool

    @property
    def nothing_shown(self) -> bool:
        """Whether the futures show neither another finish nor other odds of the promise."""
        return nothing_shown(self.finish_days) and nothing_shown(self.promise)


def difference(plan: Side, base: Side) -> Difference:
    """What a plan changes, worked out within each replication.

    Args:
        plan: of the same replications as the base, two at least.
        base: the project as it is.
    """
    ours, theirs = plan.taken, base.taken
    pairs: tuple[tuple[NDArray[Any], NDArray[Any]], ...] = (
        (ours.finish_day, theirs.finish_day),
        (ours.done_by_end, theirs.done_by_end),
        (ours.exposure_hours, theirs.exposure_hours),
        (plan.money, base.money),
        (plan.keeps, base.keeps),
        (plan.finishes, base.finishes),
    )
    same = all(identical(mine, other) for mine, other in pairs)
    return Difference(
        finish_days=paired_t(plan.finish_or_horizon - base.finish_or_horizon),
        at_half=quantile_difference(ours.finish_day, theirs.finish_day, 0.5),
        at_most=quantile_difference(ours.finish_day, theirs.finish_day, MOSTLY),
        promise=odds_difference(plan.keeps, base.keeps, same=same),
        finish=odds_difference(plan.finishes, base.finishes, same=same),
        items=paired_t(ours.done_by_end.astype(float) - theirs.done_by_end),
        money=paired_t(plan.money - base.money),
        exposure=paired_t(ours.exposure_hours - theirs.exposure_hours),
        earlier=better_share(ours.finish_day, theirs.finish_day, "earlier"),
        same=same,
    )


# --- all plans -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Precision:
    """To within what each difference is to be known, with 95 % confidence.

    Attributes:
        days: of the mean finish. odds: of keeping the promise by the grant's end.
    """

    days: float = 2.0
    odds: float = 0.02


@dataclass(frozen=True)
class Comparison:
    """Plans against the project as it is.

    Attributes:
        start: where all plans start from.
        base: the project as it is. plans: in the order of scenarios.toml.
        differences: of each plan, in the same order.
        precision: asked for. reached: whether all differences are known so well.
    """

    start: Outset
    base: Side
    plans: tuple[Side, ...]
    differences: tuple[Difference, ...]
    precision: Precision
    reached: bool

    @property
    def replications(self) -> int:
        """Futures of each plan."""
        return len(self.base.taken.finish_day)

    @property
    def sides(self) -> tuple[Side, ...]:
        """The project as it is, and all plans."""
        return (self.base, *self.plans)


class _Growing:
    """Futures of all plans, more of them when they are asked for."""

    def __init__(
        self,
        start: Outset,
        scenarios: Sequence[Scenario],
        most: int,
        workers: int | None,
        tell: Tell | None,
    ) -> None:
        self.start, self.scenarios, self._most = start, (None, *scenarios), most
        self._projects = _all_planned(start, scenarios)
        self._taken: list[Taken] = []
        self._workers, self._tell = workers, tell

    def sides(self, number: int) -> tuple[Side, ...]:
        """All plans after so many futures of each."""
        before = len(self._taken[0].finish_day) if self._taken else 0
        if number > before:
            more = side_by_side(
                self._projects,
                range(before, number),
                as_of=self.start.as_of,
                seed=self.start.seed,
                knowledge=self.start.knowledge,
                workers=self._workers,
                tell=self._told(before, number),
            )
            pairs = zip(self._taken, more, strict=True)
            self._taken = [old.joined(new) for old, new in pairs] if self._taken else more
        return tuple(
            side_of(scenario, taken)
            for scenario, taken in zip(self.scenarios, self._taken, strict=True)
        )

    def _told(self, before: int, number: int) -> Tell | None:
        """Progress of all that may still come, not of one step."""
        tell, plans = self._tell, len(self._projects)
        if tell is None:
            return None
        return lambda done, of: tell(
            round((before + (number - before) * done / max(1, of)) * plans), self._most * plans
        )


def _all_planned(start: Outset, scenarios: Iterable[Scenario]) -> list[Project]:
    """The project as it is and under each scenario.

    Raises:
        InputError: every problem of every scenario, in one go.
    """
    planned: list[Project] = [start.project]
    problems: list[Problem] = []
    for scenario in scenarios:
        try:
            planned.append(start.planned(scenario))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return planned


def compare(
    start: Outset,
    scenarios: Sequence[Scenario],
    *,
    most: int = DEFAULT_REPLICATIONS,
    precision: Precision | None = None,
    workers: int | None = None,
    tell: Tell | None = None,
) -> Comparison:
    """Compare plans with the project as it is.

    After 200 futures of each plan, and then again and again, it looks how well each plan's
    difference is known, and goes on until that is enough or the budget is used up: a fixed-width
    sequential interval (Chow and Robbins 1965) for each difference.

    Args:
        start: where all plans start from.
        scenarios: the plans; all are simulated in the same futures.
        most: the budget: futures of each plan, 2 or more.
        precision: to within what a difference is to be known. None: all of the budget is used.
        workers: how many work at once; None: as many as the machine has processors.
        tell: is told of progress: futures done, and most that may be needed.

    Raises:
        InputError: scenarios that do not fit the project, all of them in one go.
    """
    if most < 2:
        expected = "2 or more futures"
        raise InputError([Problem("replications", "", str(most), expected, "Ask for more.")])
    growing = _Growing(start, scenarios, most, workers, tell)
    wished = precision or Precision()

    def intervals(number: int) -> list[Interval]:
        base, *plans = growing.sides(number)
        found = [difference(plan, base) for plan in plans]
        return [each for plan in found for each in (plan.finish_days, plan.promise)]

    widths = [wished.days, wished.odds] * len(scenarios)
    first = most if precision is None or not scenarios else min(_FIRST, most)
    known = until_known(intervals, widths, first=first, most=most)
    base, *plans = growing.sides(known.replications)
    found = tuple(difference(plan, base) for plan in plans)
    return Comparison(start, base, tuple(plans), found, wished, known.reached)


# --- as plain values -----------------------------------------------------------------------------


def promise_days(base: Side, first_day: date) -> tuple[date, ...]:
    """Dates for which a promise may be asked: when reports are due, and the grant's end."""
    due = [day for day in base.project.grant.reports_due if first_day <= day < base.grant_end]
    return (*due, base.grant_end)


def summary(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain values, under the names that other tools rely on (README)."""
    start = comparison.start
    return {
        "schema": 1,
        "project": start.project.title,
        "as_of": start.as_of.isoformat(),
        "weeks_on_record": start.weeks_on_record,
        "replications": comparison.replications,
        "seed": start.seed,
        "currency": start.project.currency,
        "precision": {
            "days": comparison.precision.days,
            "odds": comparison.precision.odds,
            "reached": comparison.reached,
        },
        "base": _side(comparison.base),
        "plans": [
            {**_side(plan), "difference": _difference(found)}
            for plan, found in zip(comparison.plans, comparison.differences, strict=True)
        ],
        "input_sha256": start.project.input_sha256,
    }


def write_json(comparison: Comparison, path: Path) -> None:
    """Write :func:`summary`; the same futures give the same bytes."""
    write_values(summary(comparison), path)


def _side(side: Side) -> dict[str, Any]:
    n = len(side.keeps)
    return {
        "name": side.name,
        "why": side.scenario.why if side.scenario else "",
        "grant_end": side.grant_end.isoformat(),
        "items_promised": side.project.grant.items_promised,
        "promise": _odds(float(side.keeps.mean()), n),
        "finish_by_grant_end": _odds(float(side.finishes.mean()), n),
        "finish": {
            str(q): None if (day := side.finish(q)) is None else day.isoformat() for q in QUANTILES
        },
        "items_by_grant_end": {str(q): side.safe(q) for q in PROMISE_LEVELS},
        "cost": {
            "mean": round(float(side.money.mean()), 2),
            **{str(q): round(float(quantile(side.money, q)), 2) for q in (0.05, 0.5, 0.95)},
        },
        "exposure_hours": round(float(side.taken.exposure_hours.mean()), 3),
        "assumed": list(side.costs.assumed),
        "warnings": [str(warning) for warning in side.project.warnings],
    }


def _odds(odds: float, replications: int) -> dict[str, Any]:
    low, high = odds_interval(odds, replications)
    return {"odds": round(odds, 6), "interval": [round(low, 6), round(high, 6)]}


def _difference(found: Difference) -> dict[str, Any]:
    return {
        "same_in_every_future": found.same,
        "finish_days": _interval(found.finish_days),
        "finish_days_at": {"0.5": _interval(found.at_half), str(MOSTLY): _interval(found.at_most)},
        "promise": _interval(found.promise),
        "finish_by_grant_end": _interval(found.finish),
        "items_by_grant_end": _interval(found.items),
        "cost": _interval(found.money),
        "exposure_hours": _interval(found.exposure),
        "earlier": {
            "earlier": round(found.earlier.better, 6),
            "same_day": round(found.earlier.equal, 6),
            "later": round(found.earlier.worse, 6),
        },
    }


def _interval(found: Interval | OpenInterval) -> dict[str, Any]:
    def told(value: float | None) -> float | None:
        return None if value is None else round(value, 6)

    return {"estimate": told(found.estimate), "interval": [told(found.low), told(found.high)]}
