"""What would help most: one more of each thing that a project can have, and what limits then.

Each lever is a plan of its own that meets the same futures as the project as it is. What keeps
people safe is no lever: only people and places are added, by the scenarios that check that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from forecast.choices import DEFAULT_REPLICATIONS
from forecast.compare import Comparison, Difference, Outset, Side, compare
from forecast.differences import Interval, OpenInterval, nothing_shown
from forecast.paired import Taken
from forecast.progress import Tell
from forecast.project import Project
from forecast.scenario import Scenario, more_of, number_of_place, person_like
from forecast.scenario_file import Search
from forecast.stages import PLACE_KEYS, STAGE_NAMES, Place, Stage
from forecast.words import money, number, plural

__all__ = ["FULL", "Lever", "Levers", "Limit", "candidates", "levers", "limit_of", "per_week"]

FULL = 0.85  # of the time in which a place could be used: above it, the place is what limits

_A_FIFTH = 5
_DAYS_A_WEEK = 7.0

Floats = NDArray[np.float64]

# What a lever adds of each place: one, or a fifth of what there is.
_ONE_MORE = (Place.BENCH, Place.CAMERA, Place.TOOL_SET)
_ONE = {
    Place.BENCH: "another cleaning bench",
    Place.CAMERA: "another camera station",
    Place.TOOL_SET: "another set of tools",
}
_FIFTH = {
    Place.DRYER: "a fifth more drying places",
    Place.SHELF: "a fifth more quarantine shelves",
}
_CALLED = {
    Place.SHELF: "the quarantine shelves",
    Place.DRYER: "the drying places",
    Place.BENCH: "the cleaning benches",
    Place.CAMERA: "the camera stations",
    Place.TOOL_SET: "the tool sets",
}
_PLACES_OF: dict[Stage, tuple[Place, ...]] = {
    Stage.QUARANTINE: (Place.SHELF,),
    Stage.DRYING: (Place.DRYER,),
    Stage.COVERS: (Place.CAMERA,),
    Stage.CLEANING: (Place.BENCH, Place.TOOL_SET),
    Stage.IMAGING: (Place.CAMERA,),
}


@dataclass(frozen=True)
class Limit:
    """Where work piles up, and what for.

    The stage is the one before which most items wait, on average over time and futures: what comes
    in there faster than it goes out. If one of its places is in use for :data:`FULL` or more of
    the time in which somebody trained for it is on shift (shelves, drying places and tool sets:
    around the clock), that place limits. Otherwise there is room, and what is short is the hours
    of people who are trained for the stage, within the limits that keep them safe.

    Attributes:
        stage: None where nothing waits to speak of: less than one item at any stage.
        place: None: people's hours.
        waiting: items before the stage, on average.
        busy: share of the time in which the place is in use; of a stage without a place, or with
            one that is no limit, NaN.
    """

    stage: Stage | None
    place: Place | None
    waiting: float
    busy: float

    @property
    def words(self) -> str:
        """What limits, in words."""
        if self.stage is None:
            return "nothing waits"
        if self.place is None:
            return f"people's hours for {STAGE_NAMES[self.stage]}"
        return _CALLED[self.place]


def limit_of(taken: Taken) -> Limit:
    """What limits a plan; see :class:`Limit` for the definition."""
    waiting = taken.waiting_items.mean(axis=0)
    stages = [stage for stage in Stage if stage not in taken.project.stages_off]
    stage = max(stages, key=lambda each: float(waiting[each]))
    if waiting[stage] < 1.0:
        return Limit(None, None, float(waiting[stage]), math.nan)
    busy = {place: _busy(taken, place) for place in _PLACES_OF.get(stage, ())}
    told = {place: share for place, share in busy.items() if not math.isnan(share)}
    place = max(told, key=lambda each: told[each], default=None)
    share = math.nan if place is None else told[place]
    limits = place if share >= FULL else None
    return Limit(stage, limits, float(waiting[stage]), share)


def _busy(taken: Taken, place: Place) -> float:
    """Share of the time in use, on average; NaN where the place is no limit."""
    shares = taken.place_busy[:, place]
    told = shares[~np.isnan(shares)]
    return float(told.mean()) if len(told) else math.nan


# --- candidates ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Candidate:
    """One more of something.

    Attributes:
        scenario: named as the team calls it.
        outside: the same in words for others: by role, never by a person.
        priced: whether anybody told what it costs.
    """

    scenario: Scenario
    outside: str
    priced: bool


def candidates(start: Outset, search: Search | None = None) -> tuple[Scenario, ...]:
    """Scenarios of one more of each thing that the project can have.

    Args:
        start: where all plans start from; people who are gone by then are no pattern.
        search: the bounds of scenarios.toml, for what a place or a post costs beside wages.
    """
    return tuple(each.scenario for each in _candidates(start, search))


def _candidates(start: Outset, search: Search | None) -> list[_Candidate]:
    return [*_people(start, search), *_places(start.project, search)]


def _people(start: Outset, search: Search | None) -> Iterator[_Candidate]:
    """Somebody like each person who is still to work."""
    project, first = start.project, start.not_before or start.project.grant.start
    posts = {} if search is None else {post.like: post for post in search.posts}
    present = [p for p in project.persons if _hours(project, p, first) > 0.0]
    outside = _by_role(project, present, first)
    for person in present:
        post = posts.get(person)
        once, monthly = (0.0, 0.0) if post is None else (post.once, post.monthly)
        named = person_like(project, person, once=once, monthly=monthly)
        team = f"another {_role(project, person)} (like {person})"
        paid = all(row.hourly_cost is not None for row in project.team if row.person == person)
        yield _Candidate(replace(named, name=team), outside[person], paid)


def _role(project: Project, person: str) -> str:
    return next((row.role for row in project.team if row.person == person), "") or "person"


def _hours(project: Project, person: str, first: date) -> float:
    """A week's rostered hours in the last row of somebody's rota that is not over."""
    rows = [
        row
        for row in project.team
        if row.person == person
        and (row.end is None or row.end >= first)
        and row.start <= project.grant.horizon
        and row.stages
    ]
    return sum(rows[-1].hours) if rows else 0.0


def _by_role(project: Project, people: Sequence[str], first: date) -> dict[str, str]:
    """What others read of each: the role; of several with one role, with the hours of the post."""
    roles = [_role(project, person) for person in people]
    found: dict[str, str] = {}
    for person, role in zip(people, roles, strict=True):
        words = f"another {role}"
        if roles.count(role) > 1:
            words += f", {number(_hours(project, person, first))} hours a week"
        same = sum(words == before.partition(" (")[0] for before in found.values())
        found[person] = f"{words} ({same + 1})" if same else words
    return found


def _places(project: Project, search: Search | None) -> Iterator[_Candidate]:
    """One more, or a fifth more, of each place that is a limit."""
    bounds = {} if search is None else {each.place: each for each in search.places}
    for place, words in (_ONE | _FIFTH).items():
        key = PLACE_KEYS[place]
        there = number_of_place(project, key)
        if there is None:
            continue
        more = 1 if place in _ONE_MORE else math.ceil(there / _A_FIFTH)
        if not more:
            continue
        told = bounds.get(key)
        once, monthly = (0.0, 0.0) if told is None else (told.once, told.monthly)
        scenario = more_of(project, key, more, once=more * once, monthly=more * monthly)
        name = words if place in _ONE_MORE else f"{words} ({number(more)})"
        yield _Candidate(replace(scenario, name=name), name, told is not None)


# --- what they bring -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Lever:
    """What one more of something brings. Weeks gained are above 0 if the work ends earlier.

    Attributes:
        team: what it is, as the team reads it; outside: by role, as others do.
        side: the plan and its futures. difference: against the project as it is.
        half, most: weeks gained at the median of the finish, and at 90 %. None: not by the horizon.
        mean: weeks gained on average; what is not by the horizon counts as on it.
        promise: gain in the odds of the promise.
        money: what the plan costs more, with wages that an earlier finish saves; None: nobody told
            what it costs.
        per_week: money for a week gained on average; None: no gain is shown, or no cost told.
        limit: what limits then.
    """

    team: str
    outside: str
    side: Side
    difference: Difference
    half: OpenInterval
    most: OpenInterval
    mean: Interval
    promise: Interval
    money: Interval | None
    per_week: Interval | None
    limit: Limit

    @property
    def same(self) -> bool:
        """Whether nothing differs in any future."""
        return self.difference.same

    @property
    def shown(self) -> bool:
        """Whether the futures show a gain: of weeks or of the odds, and no loss of weeks."""
        earlier = self.mean.low > 0.0
        likelier = self.promise.low > 0.0 and self.mean.high > 0.0
        return not self.same and (earlier or likelier)

    @property
    def harms(self) -> bool:
        """Whether the futures show that the work ends later: a scheduling anomaly (Graham 1969)."""
        return self.mean.high < 0.0


@dataclass(frozen=True)
class Levers:
    """What would help, the most helpful first.

    Attributes:
        comparison: all plans with their futures.
        levers: by weeks gained on average.
        limit: what limits the project as it is.
    """

    comparison: Comparison
    levers: tuple[Lever, ...]
    limit: Limit

    @property
    def futures(self) -> int:
        """Futures of each plan."""
        return self.comparison.replications

    def table(self, *, team: bool) -> list[dict[str, object]]:
        """A row a lever, in numbers, as sorted. None: not told, or not by the horizon.

        Args:
            team: whether the team reads it; others read roles only.
        """
        return [
            {
                "lever": each.team if team else each.outside,
                "weeks_at_half": each.half.estimate,
                "weeks_at_half_low": each.half.low,
                "weeks_at_half_high": each.half.high,
                "weeks_at_most": each.most.estimate,
                "weeks_at_most_low": each.most.low,
                "weeks_at_most_high": each.most.high,
                "weeks": each.mean.estimate,
                "weeks_low": each.mean.low,
                "weeks_high": each.mean.high,
                "odds": each.promise.estimate,
                "odds_low": each.promise.low,
                "odds_high": each.promise.high,
                **_columns("money", each.money),
                **_columns("money_a_week", each.per_week),
                "limit": each.limit.words,
                "shown": each.shown,
                "same": each.same,
            }
            for each in self.levers
        ]

    def sentences(self, *, team: bool) -> tuple[str, ...]:
        """What it comes to.

        Args:
            team: whether the team reads it; others read roles only.
        """
        found = [f"As it is, what limits is {self.limit.words}."]
        found += [self._gains(each, each.team if team else each.outside) for each in self.levers]
        if not any(each.shown for each in self.levers):
            found.append("One more of a single thing does not help: two together may.")
        return tuple(found)

    def _gains(self, lever: Lever, name: str) -> str:
        name = name[0].upper() + name[1:]
        if lever.same:
            return f"{name} changes nothing at all, in any of {number(self.futures)} futures."
        if lever.harms:
            later = Interval(-lever.mean.estimate, -lever.mean.high, -lever.mean.low)
            why = "more room at one place may draw people from where hours are short"
            return f"{name} does not help: the work ends {_mean(later)} later on average; {why}."
        if not lever.shown:
            return f"{name} makes no difference that {plural(self.futures, 'future')} can show."
        gained = f"{_weeks(lever.half)} at the median and {_weeks(lever.most)} at 90 %"
        if nothing_shown(lever.half) and nothing_shown(lever.most):
            gained = f"{_mean(lever.mean)} on average, which neither the median nor 90 % shows"
        points = number(100.0 * lever.promise.estimate)
        odds = f"the odds of the promise rise by {points} in 100"
        if nothing_shown(lever.promise):
            odds = "no change of the odds of the promise is shown"
        after = f"what limits then is {lever.limit.words}"
        return f"{name} gains {gained}; {odds}; {self._price(lever)}; {after}."

    def _price(self, lever: Lever) -> str:
        currency = self.comparison.start.project.currency
        if lever.money is None:
            return "cost not told"
        if lever.money.estimate <= 0.0:
            saved = money(-lever.money.estimate, currency)
            return f"it saves {saved} in all, because wages end earlier"
        cost = f"it costs {money(lever.money.estimate, currency)} in all"
        if lever.per_week is None:
            return cost
        low, high = number(lever.per_week.low), number(lever.per_week.high)
        week = f"{money(lever.per_week.estimate, currency)} for each week gained on average"
        return f"{cost}, or {week} (95 % interval {low} to {high})"


def _columns(name: str, interval: Interval | None) -> dict[str, float | None]:
    parts = ("", "_low", "_high")
    if interval is None:
        return dict.fromkeys((name + part for part in parts), None)
    values = interval.estimate, interval.low, interval.high
    return {name + part: value for part, value in zip(parts, values, strict=True)}


def _mean(weeks: Interval) -> str:
    """Weeks in words, with the interval."""
    low, high = number(weeks.low, 1), number(weeks.high, 1)
    return f"{number(weeks.estimate, 1)} weeks ({low} to {high})"


def _weeks(gained: OpenInterval) -> str:
    """Weeks in words, with the interval."""
    if gained.estimate is not None and nothing_shown(gained):
        return "nothing that is shown"
    if gained.estimate is None:
        return "a number of weeks that nobody knows (not by the horizon)"
    low = "less" if gained.low is None else number(gained.low, 1)
    high = "more" if gained.high is None else number(gained.high, 1)
    return f"{number(gained.estimate, 1)} weeks ({low} to {high})"


def levers(
    start: Outset,
    search: Search | None = None,
    *,
    replications: int = DEFAULT_REPLICATIONS,
    workers: int | None = None,
    tell: Tell | None = None,
) -> Levers:
    """Try one more of each thing, in the same futures, from the as-of date on.

    Args:
        start: where all plans start from; with a record, with what is believed now.
        search: the bounds of scenarios.toml: what places and posts cost.
        replications: futures of each plan, 2 or more.
        workers: how many work at once; None: as many as the machine has processors.
        tell: is told of progress: futures done, and of how many.

    Raises:
        InputError: as :func:`forecast.compare.compare`.
    """
    tried = _candidates(start, search)
    scenarios = [each.scenario for each in tried]
    comparison = compare(start, scenarios, most=replications, workers=workers, tell=tell)
    found = [
        _lever(each, side, difference, comparison.base)
        for each, side, difference in zip(
            tried, comparison.plans, comparison.differences, strict=True
        )
    ]
    # What changes nothing comes last, and equals stay in the order of the team and the places.
    found.sort(key=lambda each: (each.same, -each.mean.estimate))
    return Levers(comparison, tuple(found), limit_of(comparison.base.taken))


def _lever(candidate: _Candidate, side: Side, difference: Difference, base: Side) -> Lever:
    mean = _gain(difference.finish_days)
    money = difference.money if candidate.priced else None
    week = None
    if money is not None and mean.low > 0.0:
        days = base.finish_or_horizon - side.finish_or_horizon
        week = per_week(side.money - base.money, days / _DAYS_A_WEEK)
    return Lever(
        team=candidate.scenario.name,
        outside=candidate.outside,
        side=side,
        difference=difference,
        half=_open_gain(difference.at_half),
        most=_open_gain(difference.at_most),
        mean=mean,
        promise=difference.promise,
        money=money,
        per_week=week,
        limit=limit_of(side.taken),
    )


def _gain(days: Interval) -> Interval:
    """Days later as weeks earlier."""
    return Interval(
        -days.estimate / _DAYS_A_WEEK,
        -days.high / _DAYS_A_WEEK,
        -days.low / _DAYS_A_WEEK,
        days.level,
    )


def _open_gain(days: OpenInterval) -> OpenInterval:
    def weeks(value: float | None) -> float | None:
        return None if value is None else 0.0 - value / _DAYS_A_WEEK

    return OpenInterval(weeks(days.estimate), weeks(days.high), weeks(days.low), days.level)


def per_week(money: Floats, weeks: Floats, level: float = 0.95) -> Interval | None:
    """Money for a week gained: a ratio of two means of the same futures, with Fieller's interval.

    Fieller (1954), Journal of the Royal Statistical Society B 16, 175-185: both are means of pairs,
    and what they have in common is in it.

    Args:
        money: (R,) what the plan costs more in each future.
        weeks: (R,) gained in each.
        level: of confidence.

    Returns:
        None where the gain may be nothing: then no interval of the ratio has two ends.

    >>> found = per_week(np.array([10.0, 12.0, 11.0]), np.array([2.0, 2.2, 2.1]))
    >>> round(found.estimate, 3) if found else None
    5.238
    """
    n = len(weeks)
    if n < 2:
        return None
    cost, gain = float(money.mean()), float(weeks.mean())
    (v_cost, both), (_, v_gain) = np.cov(money, weeks) / n
    t2 = float(stdtrit(n - 1, (1.0 + level) / 2.0)) ** 2
    a = gain * gain - t2 * float(v_gain)
    if a <= 0.0:
        return None
    b = cost * gain - t2 * float(both)
    c = cost * cost - t2 * float(v_cost)
    half = math.sqrt(max(0.0, b * b - a * c)) / a
    return Interval(cost / gain, b / a - half, b / a + half, level)
