"""The cheapest plan that keeps the promise: plans from the bounds of ``[search]``, and one of them.

Every combination of what may be tried is a plan: a scenario, a project, futures that meet the same
luck as those of all other plans, and what they cost. Which plan to take, and how sure that is, says
:mod:`forecast.selection`. Only people and places are tried; what keeps people safe is not searched.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.compare import Outset
from forecast.costs import Costs, costs
from forecast.differences import Interval, paired_t
from forecast.errors import InputError, Problem
from forecast.outcome import odds_interval
from forecast.paired import side_by_side
from forecast.people import TeamRow
from forecast.progress import Tell
from forecast.project import Project
from forecast.rows import WEEKDAYS
from forecast.scenario import (
    AS_PLANNED,
    SCENARIOS_FILE,
    Change,
    Scenario,
    Set,
    more_of,
    number_of_place,
    person_like,
)
from forecast.scenario_file import PlaceBounds, PostBounds, Search
from forecast.selection import Aim, Selected, select
from forecast.words import long_date, money, number, odds, plural

__all__ = [
    "MOST_PLANS",
    "Candidate",
    "Found",
    "candidates",
    "dominated",
    "search",
    "sentences",
    "summary",
]

MOST_PLANS = 3_000
_MANY_PLANS = 400  # from here on, each gets a shorter first sample
_A_PENNY = 0.01  # a tolerance of nothing is one of the smallest sum that can be paid
_TOGETHER = 200  # plans simulated between two messages on how far it is

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Candidate:
    """One plan and what its futures came to.

    Attributes:
        scenario: what is changed; its name says it in words.
        odds: of keeping the promise by the grant's end, with their 95 % Monte Carlo interval.
        cost: mean, from the first simulated day on, with its interval.
        futures: how many were simulated. Most plans get few, because they cannot be the one.
        dominated: another plan costs less and keeps the promise at least as often, or costs no
            more and keeps it more often, as far as the futures show.
    """

    scenario: Scenario
    odds: Interval
    cost: Interval
    futures: int
    dominated: bool


@dataclass(frozen=True)
class Found:
    """What a search has found.

    Attributes:
        start: where all plans start from.
        aim: what was looked for.
        candidates: all plans that were tried.
        chosen: place of the plan found among them; None: none keeps the promise so often.
        confidence: that the plan found has odds of at least ``aim.wanted - aim.zone``, and that no
            plan with the wanted odds costs less by more than ``within``; without one, that no plan
            has the wanted odds. A lower bound (:class:`forecast.selection.Selected`).
        proved: the search ended by itself, not for want of time.
        within: money.
        futures: of all plans together.
        assumed: sentences on what is paid to whom.
    """

    start: Outset
    aim: Aim
    candidates: tuple[Candidate, ...]
    chosen: int | None
    confidence: float
    proved: bool
    within: float
    futures: int
    assumed: tuple[str, ...]

    @property
    def plan(self) -> Candidate | None:
        """The plan found."""
        return None if self.chosen is None else self.candidates[self.chosen]

    @property
    def likeliest(self) -> Candidate:
        """The plan that keeps the promise most often, the cheapest of several."""
        return max(self.candidates, key=lambda each: (each.odds.estimate, -each.cost.estimate))


# --- the plans ---------------------------------------------------------------------------------


def candidates(
    project: Project, bounds: Search, not_before: date | None = None
) -> tuple[Scenario, ...]:
    """Every plan within the bounds of a search, as scenarios named by what they change.

    Copies of one person begin on the same day with the same hours.

    Args:
        project: as it is.
        bounds: what may be tried.
        not_before: with a record, the first day that is not yet history.

    Raises:
        InputError: there are more than :data:`MOST_PLANS`.
    """
    taken = set(project.persons)
    choices: list[list[Scenario]] = []
    for post in bounds.posts:
        names = _names(project, post, taken)
        choices.append(list(_of_post(project, post, names, not_before)))
    choices += [list(_of_place(project, place)) for place in bounds.places]
    plans = math.prod(map(len, choices))
    if plans > MOST_PLANS:
        expected = f"at most {number(MOST_PLANS)} plans"
        remedy = "Try fewer starts, shares or numbers."
        read = f"{number(plans)} combinations"
        raise InputError([Problem(SCENARIOS_FILE, "search", read, expected, remedy)])
    return tuple(_together(parts) for parts in product(*choices))


def _together(parts: Sequence[Scenario]) -> Scenario:
    changing = [part for part in parts if part.changes]
    changes: tuple[Change, ...] = tuple(change for part in changing for change in part.changes)
    return Scenario("; ".join(part.name for part in changing) or AS_PLANNED, changes=changes)


_NOTHING = Scenario("")


def _names(project: Project, post: PostBounds, taken: set[str]) -> list[str]:
    """What the added people are called: a post and a number that nobody has."""
    names: list[str] = []
    called, at = _called(project, post), 2
    while len(names) < post.most:
        name = f"{called} {at}"
        if name not in taken:
            names.append(name)
            taken.add(name)
        at += 1
    return names


def _called(project: Project, post: PostBounds) -> str:
    role = next((row.role for row in project.team if row.person == post.like), "")
    return post.name or role or post.like


def _of_post(
    project: Project, post: PostBounds, names: Sequence[str], not_before: date | None
) -> Iterator[Scenario]:
    """So many more people, from a day on, with a share of the hours."""
    for many in range(post.least, post.most + 1):
        if not many:
            yield _NOTHING
            continue
        for start, share in product(post.starts or (None,), post.shares):
            changes: list[Change] = []
            for name in names[:many]:
                changes += _hire(project, post, name, start, share, not_before)
            words = f"{many} more {_called(project, post)}{'s' if many > 1 else ''}"
            words += f" from {long_date(start)}" if start else ""
            words += f" at {number(share * 100)} % of the hours" if share != 1.0 else ""
            yield Scenario(words, changes=tuple(changes))


def _hire(
    project: Project,
    post: PostBounds,
    name: str,
    start: date | None,
    share: float,
    not_before: date | None,
) -> list[Change]:
    """One more person; with a share of the hours, in each row of the rota that is copied."""
    costs_of = {"once": post.once, "monthly": post.monthly}
    hired = person_like(project, post.like, name, start, post.until, **costs_of).changes
    first, last = max(start or date.min, not_before or date.min), post.until or date.max
    rows = [row for row in project.team if row.person == post.like]
    rows = [row for row in rows if row.start <= last and (row.end or date.max) >= first] or rows
    if share == 1.0:
        return list(hired)
    if len({row.hours for row in rows}) == 1:
        own = _hours(rows[0], share)
        return list(
            person_like(project, post.like, name, start, post.until, **costs_of, **own).changes
        )
    parts: list[Change] = [
        Set("person", {"person": name, **_hours(row, share)}, max(row.start, first), row.end)
        for row in rows
    ]
    return [*hired, *parts]


def _hours(row: TeamRow, share: float) -> dict[str, Any]:
    return {day: round(h * share, 4) for day, h in zip(WEEKDAYS, row.hours, strict=True)}


def _of_place(project: Project, bounds: PlaceBounds) -> Iterator[Scenario]:
    """So many of a place in all, from a day on."""
    there = number_of_place(project, bounds.place)
    what = bounds.place.replace("_", " ")
    for many in range(bounds.least, bounds.most + 1, bounds.step):
        if there is None or many == there:
            yield _NOTHING
            continue
        for start in bounds.starts or (None,):
            words = f"{number(many)} {what}" + (f" from {long_date(start)}" if start else "")
            if many < there:
                fewer = Set(f"places.{bounds.place}", {"to": many}, start)
                yield Scenario(words, changes=(fewer,))
                continue
            more = many - there
            once, monthly = more * bounds.once, more * bounds.monthly
            added = more_of(project, bounds.place, more, start, once=once, monthly=monthly)
            yield replace(added, name=words)


# --- the search --------------------------------------------------------------------------------


def search(
    start: Outset,
    bounds: Search,
    *,
    confidence: float | None = None,
    zone: float = 0.02,
    seconds: float | None = 100.0,
    most: int = 100_000,
    workers: int | None = None,
    tell: Tell | None = None,
    stop: Callable[[], bool] | None = None,
) -> Found:
    """Find the cheapest plan within the bounds that keeps the promise as often as wanted.

    The same seed and the same number of futures give the same answer. With a limit of time, how
    many futures there are depends on the computer.

    Args:
        start: where all plans start from.
        bounds: what may be tried; also the confidence, unless it is given here, and how much
            dearer than the best plan the one found may be (1 % of its cost where it is not said).
        confidence: wanted odds of keeping the promise by the grant's end.
        zone: odds that are lower by this are as good.
        seconds: end after about so long, but not before each plan had its first futures; None: no
            limit.
        most: futures of all plans together, at most.
        workers: threads; None: as many as the machine has processors.
        tell: is told, from the calling thread, how many futures are done, and of how many at most.
        stop: is asked now and then whether to end now.

    Raises:
        InputError: there are too many plans, or one does not fit the project.
        ValueError: the wanted odds do not lie between the zone and 1.
    """
    began = time.monotonic()
    scenarios = candidates(start.project, bounds, start.not_before)
    aim = Aim(
        wanted=bounds.confidence if confidence is None else confidence,
        zone=zone,
        money=None if bounds.tolerance is None else max(bounds.tolerance, _A_PENNY),
        first=10 if len(scenarios) > _MANY_PLANS else 20,
    )
    world = _World(start, scenarios, workers, tell, max(most, len(scenarios) * aim.first))

    def ended() -> bool:
        late = seconds is not None and time.monotonic() - began > seconds
        return late or (stop is not None and stop())

    selected = select(world.sample, len(scenarios), aim, most=most, stop=ended)
    return _found(start, aim, world, selected)


class _World:
    """The plans, their futures as they are asked for, and what these came to."""

    def __init__(
        self,
        start: Outset,
        scenarios: Sequence[Scenario],
        workers: int | None,
        tell: Tell | None,
        most: int,
    ) -> None:
        self.start, self.scenarios = start, scenarios
        self._workers, self._tell, self._most = workers, tell, most
        self.projects = _all_planned(start, scenarios)
        self.costs: dict[int, Costs] = {}
        self.money: list[list[Floats]] = [[] for _ in scenarios]
        self._done = 0

    def sample(self, plans: Sequence[int], start: int, stop: int) -> tuple[Bools, Floats]:
        """(plans, n) whether each future keeps the promise, and what it costs."""
        kept, money = [], []
        for at in range(0, len(plans), _TOGETHER):
            some = plans[at : at + _TOGETHER]
            takens = side_by_side(
                [self.projects[plan] for plan in some],
                range(start, stop),
                as_of=self.start.as_of,
                seed=self.start.seed,
                knowledge=self.start.knowledge,
                workers=self._workers,
                by_day=False,
                tell=self._progress,
            )
            self._done += len(some) * (stop - start)
            for plan, taken in zip(some, takens, strict=True):
                if plan not in self.costs:
                    self.costs[plan] = costs(
                        self.projects[plan], self.scenarios[plan], taken.first_day
                    )
                kept.append(taken.done_by_end >= self.projects[plan].grant.items_promised)
                money.append(self.costs[plan].at(taken.finish_day))
                self.money[plan].append(money[-1])
        return np.array(kept), np.array(money)

    def _progress(self, done: int, _: int) -> None:
        if self._tell is not None:
            self._tell(self._done + done, self._most)


def _all_planned(start: Outset, scenarios: Sequence[Scenario]) -> list[Project]:
    """The project under each scenario; all that is wrong in one go, each problem once."""
    projects, problems = [], []
    for scenario in scenarios:
        try:
            projects.append(start.planned(scenario))
        except InputError as error:
            problems += [each for each in error.problems if each not in problems]
    if problems:
        raise InputError(problems)
    return projects


def _found(start: Outset, aim: Aim, world: _World, selected: Selected) -> Found:
    inferior = dominated(selected.odds, selected.cost)
    found = []
    for plan, scenario in enumerate(world.scenarios):
        share, n = float(selected.odds[plan]), int(selected.replications[plan])
        half = paired_t(np.concatenate(world.money[plan])).half_width
        cost = float(selected.cost[plan])
        found.append(
            Candidate(
                scenario,
                Interval(share, *odds_interval(share, n)),
                Interval(cost, cost - half, cost + half),
                n,
                bool(inferior[plan]),
            )
        )
    assumed = dict.fromkeys(text for each in world.costs.values() for text in each.assumed)
    if selected.chosen is not None:
        assumed = dict.fromkeys(world.costs[selected.chosen].assumed)
    return Found(
        start,
        aim,
        tuple(found),
        selected.chosen,
        selected.confidence,
        selected.proved,
        selected.within,
        selected.total,
        tuple(assumed),
    )


def dominated(shares: Floats, cost: Floats) -> Bools:
    """(k,) whether another plan is better in odds or in cost, and in neither worse.

    >>> dominated(np.array([0.5, 0.9, 0.8]), np.array([10.0, 20.0, 30.0])).tolist()
    [False, False, True]
    """
    no_worse = (shares[None] >= shares[:, None]) & (cost[None] <= cost[:, None])
    better = (shares[None] > shares[:, None]) | (cost[None] < cost[:, None])
    return np.asarray((no_worse & better).any(axis=1))


# --- in words and for programs -----------------------------------------------------------------


def sentences(found: Found) -> list[str]:
    """What was found, how sure it is, and what was assumed, in plain sentences."""
    wanted = odds(found.aim.wanted, exact=True)
    tried = plural(len(found.candidates), "plan")
    if found.plan is None:
        best = found.likeliest
        said = (
            f"None of the {tried} that were tried keeps the promise in {wanted} futures. The one "
            f"that keeps it most often does so in {_odds(best)}: {best.scenario.name}."
        )
    else:
        said = (
            f"Of {tried}, the cheapest that keeps the promise in {wanted} futures is: "
            f"{found.plan.scenario.name}. It keeps it in {_odds(found.plan)} and costs "
            f"{_money(found.plan.cost.estimate, found)} on average."
        )
    return [said, _how_sure(found), *found.assumed]


def _how_sure(found: Found) -> str:
    futures = f"{plural(found.futures, 'future')} of all plans together"
    wanted = odds(found.aim.wanted, exact=True)
    if found.confidence < 0.5:
        return (
            f"That is a guess: {futures} are too few to tell the plans apart. Let the search run "
            "longer, or let it try fewer plans."
        )
    sure = f"By {futures}, it can be said with a confidence of {odds(found.confidence, exact=True)}"
    if found.plan is None:
        return f"{sure} that none of them does."
    least = odds(found.aim.wanted - found.aim.zone, exact=True)
    return (
        f"{sure} that it keeps the promise in at least {least} futures, and that no plan that "
        f"keeps it in {wanted} is cheaper by more than {_money(found.within, found)}."
    )


def _odds(plan: Candidate) -> str:
    low, high = (round(100 * end) for end in (plan.odds.low, plan.odds.high))
    return f"{odds(plan.odds.estimate, plan.futures)} futures ({low} to {high} in 100)"


def _money(amount: float, found: Found) -> str:
    return money(amount, found.start.project.currency)


def summary(found: Found) -> dict[str, Any]:
    """What was found, for programs: odds from 0 to 1, money in ``currency``."""
    return {
        "as_of": found.start.as_of.isoformat(),
        "seed": found.start.seed,
        "weeks_on_record": found.start.weeks_on_record,
        "currency": found.start.project.currency,
        "wanted_odds": found.aim.wanted,
        "indifference_zone": found.aim.zone,
        "futures": found.futures,
        "chosen": None if found.plan is None else found.plan.scenario.name,
        "confidence": round(found.confidence, 6),
        "proved": found.proved,
        "within": None if math.isnan(found.within) else round(found.within, 2),
        "plans": [_plan(each) for each in found.candidates],
        "assumed": list(found.assumed),
    }


def _plan(plan: Candidate) -> dict[str, Any]:
    return {
        "name": plan.scenario.name,
        "futures": plan.futures,
        "odds": round(plan.odds.estimate, 6),
        "odds_95": [round(plan.odds.low, 6), round(plan.odds.high, 6)],
        "cost": round(plan.cost.estimate, 2),
        "cost_95": [round(plan.cost.low, 2), round(plan.cost.high, 2)],
        "dominated": plan.dominated,
    }
