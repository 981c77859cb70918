"""Why the date moved: the change since the last forecast, shared out among its causes.

Each cause can be the old one or the new one; every mixture is simulated again with the same luck.
Both beliefs are drawn from the same normals, so that futures differ by what was learnt and by
nothing else. The shares are Shapley values: they add up to the whole change.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from forecast import belief
from forecast.history import History
from forecast.outcome import NOT_BY_HORIZON
from forecast.planning import Belief, Drawn, Knowledge, Named, Plan
from forecast.project import Project
from forecast.shapley import Shares, shares_with_error
from forecast.units import half_up
from forecast.words import joined, long_date, odds, plural, range_of_numbers

__all__ = ["CAUSES", "Cause", "Mixture", "Simulated", "State", "Why", "explain"]

PROGRESS, MINUTES, HOURS, CONDITION, DRYING, PLAN = range(6)
CAUSES: tuple[str, ...] = (
    "progress made",
    "minutes an item",
    "hours delivered",
    "condition found",
    "drying and rejects",
    "changes of the plan",
)
_PLAN_ITSELF = (PROGRESS, PLAN)  # causes that are not a matter of belief

_LEAST_DAYS = 2.0  # a smaller share is not worth a sentence
_LEAST_ODDS = 0.02

_MOST_KEPT = 64  # draws of a belief: more than there are workers

# Which cause an estimate belongs to: by the first word of its name, and by stage for task times.
_CAUSE_OF: tuple[tuple[str, int], ...] = (
    ("time.delivered_share", HOURS),
    ("time.absence", HOURS),
    ("time.", MINUTES),
    ("drying.", DRYING),
    ("checking.", DRYING),
    ("outcomes.", DRYING),
    ("collection.csv", CONDITION),
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class State:
    """What was known at one moment: the plan, the returns on file, and the as-of date."""

    project: Project
    history: History
    as_of: date


@dataclass(frozen=True)
class Mixture:
    """What to simulate where some causes are the old ones and some the new."""

    project: Project
    as_of: date
    knowledge: Knowledge


class Simulated(Protocol):
    """Futures of a mixture: R of them, D days."""

    @property
    def project(self) -> Project:
        """What was simulated."""

    @property
    def finish_day(self) -> NDArray[np.int32]:
        """(R,) day number of the last item's end, -1: not by the horizon."""

    @property
    def done_by_day(self) -> NDArray[np.int32] | None:
        """(R, D) items that count as done; not None here."""


@dataclass(frozen=True)
class Cause:
    """One cause's share, with the 90 % interval of its Monte Carlo error.

    Attributes:
        name: one of CAUSES.
        days: by which it moved the median finish; above 0 is later.
        odds: by which it changed the odds of keeping the promise by the grant's end.
    """

    name: str
    days: float
    days_low: float
    days_high: float
    odds: float
    odds_low: float
    odds_high: float


@dataclass(frozen=True)
class Why:
    """The change between two forecasts. The causes add up to it.

    Attributes:
        before, after: as-of dates of the two.
        finish_before, finish_after: median finish; None: not by the horizon, which then stands
            for it in the days.
        replications: simulated for each mixture of causes.
    """

    before: date
    after: date
    finish_before: date | None
    finish_after: date | None
    odds_before: float
    odds_after: float
    replications: int
    causes: tuple[Cause, ...]

    @property
    def days(self) -> float:
        """The whole change of the median finish in days; above 0 is later."""
        return sum(cause.days for cause in self.causes)

    @property
    def odds(self) -> float:
        """The whole change of the odds of keeping the promise."""
        return sum(cause.odds for cause in self.causes)

    def to_json(self) -> str:
        """As JSON text, for the record."""
        values = asdict(self)
        for name in ("before", "after", "finish_before", "finish_after"):
            values[name] = values[name] and values[name].isoformat()
        return json.dumps(values)

    @classmethod
    def from_json(cls, text: str) -> Why:
        """Read :meth:`to_json` back."""
        values = json.loads(text)
        for name in ("before", "after", "finish_before", "finish_after"):
            values[name] = values[name] and date.fromisoformat(values[name])
        values["causes"] = tuple(Cause(**each) for each in values["causes"])
        return cls(**values)

    def sentences(self) -> tuple[str, ...]:
        """The change in words, and a sentence for each cause that matters, the largest first."""
        return (self._in_all(), *(_sentence(cause) for cause in self.that_matter()))

    def that_matter(self) -> tuple[Cause, ...]:
        """Causes whose share is not small, and not only an error of the simulation."""
        ordered = sorted(self.causes, key=lambda cause: (-abs(cause.days), -abs(cause.odds)))
        return tuple(cause for cause in ordered if _matters(cause))

    def _in_all(self) -> str:
        moved = _moved(self.days)
        date_ = f"the middle finish date {f'moved {moved}' if moved else 'has hardly moved'}"
        if None in (self.finish_before, self.finish_after):
            date_ += ", counting what is not finished by the horizon as finished on its next day"
        before, after = (odds(o, self.replications) for o in (self.odds_before, self.odds_after))
        went = f"went from {before} to {after}" if before != after else f"are {after} as before"
        return (
            f"Since the forecast as of {long_date(self.before)}, {date_}, and the odds of the "
            f"promise {went}."
        )


def _moved(days: float) -> str:
    """By how much, and which way; "" where it rounds to no day."""
    whole = half_up(abs(days))
    return f"{plural(whole, 'day')} {'later' if days > 0 else 'earlier'}" if whole else ""


def _matters(cause: Cause) -> bool:
    days = abs(cause.days) >= _LEAST_DAYS and cause.days_low * cause.days_high > 0.0
    share = abs(cause.odds) >= _LEAST_ODDS and cause.odds_low * cause.odds_high > 0.0
    return days or share


_BECAUSE = {
    PROGRESS: "What was done since then, against what was expected,",
    MINUTES: "The minutes that items take",
    HOURS: "The hours that reach the work",
    CONDITION: "The condition in which items were found",
    DRYING: "Drying, rejected images and items that end otherwise",
    PLAN: "Changes of the plan",
}


def _sentence(cause: Cause) -> str:
    moved, points = _moved(cause.days), half_up(100 * abs(cause.odds))
    parts = []
    if moved:
        sure = cause.days_low * cause.days_high > 0
        low, high = sorted((abs(cause.days_low), abs(cause.days_high)))
        around = f" ({range_of_numbers(low, high)} with other luck)" if sure else ""
        parts.append(f"moved it {moved}{around}")
    if points:
        better = "better" if cause.odds > 0 else "worse"
        parts.append(f"made the odds {plural(points, 'point')} in 100 {better}")
    return f"{_BECAUSE[CAUSES.index(cause.name)]} {joined(parts)}."


# --- mixtures of old and new ---------------------------------------------------------------------


@dataclass(frozen=True)
class _Once:
    """A belief whose draws for one plan are kept: several mixtures need the same ones."""

    of: Belief
    _kept: dict[float, Drawn] = field(default_factory=dict)

    def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Drawn:
        """The draw of a replication, which is known by one of its numbers."""
        which = float(uniforms([("attribution",)])[0])
        drawn = self._kept.get(which)
        if drawn is None:
            # All mixtures meet a future one after the other: of those before it none is needed.
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            self._kept[which] = drawn = self.of.drawn(plan, normals, uniforms)
        return drawn


@dataclass(frozen=True)
class _Mixed:
    """A belief that takes some causes from the new one and the rest from the old."""

    before: _Once
    after: _Once
    changed: frozenset[int]

    def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Drawn:
        """One draw: both are drawn from the same numbers."""
        old = self.before.drawn(plan, normals, uniforms)
        if self.changed <= set(_PLAN_ITSELF):
            return old
        new = self.after.drawn(plan, normals, uniforms)

        def of(cause: int, name: str) -> Floats | None:
            chosen: Floats | None = getattr(new if cause in self.changed else old, name)
            return chosen

        values = old.values.copy()
        taken = _numbers_of(self.changed, tuple(plan.estimates.number.items()))
        values[taken] = new.values[taken]
        return belief.Drawn(
            values=values,
            practice=of(MINUTES, "practice"),
            week_factor=of(MINUTES, "week_factor"),
            share=of(HOURS, "share"),
            mix=of(CONDITION, "mix"),
            box_items=of(CONDITION, "box_items"),
            box_concentration=of(CONDITION, "box_concentration"),
        )


@lru_cache(maxsize=128)
def _numbers_of(
    changed: frozenset[int], estimates: tuple[tuple[tuple[str, ...], int], ...]
) -> Ints:
    """The numbers of the estimates that belong to some causes."""
    mine = [number for name, number in estimates if _cause_of(name) in changed]
    return np.array(mine, dtype=np.int64)


def _cause_of(name: tuple[str, ...]) -> int:
    """The cause that an estimate belongs to; minutes, unless something else is known of it."""
    if name[:1] == ("task_times.csv",):
        return DRYING if name[1].startswith("drying/") else MINUTES
    first = name[0] if name else ""
    return next((cause for start, cause in _CAUSE_OF if first.startswith(start)), MINUTES)


def explain(
    before: State,
    after: State,
    knowledge: Callable[[Project, History, date], Knowledge],
    simulate: Callable[[Sequence[Mixture]], Sequence[Simulated]],
) -> Why:
    """Share out the change between two states.

    Args:
        before: what was known when the last forecast was issued.
        after: what is known now.
        knowledge: from a project and its returns up to a date to where everything is and what
            is believed.
        simulate: futures of each mixture, of all as many and with the same seed.

    Raises:
        InputError: the new plan cannot be read together with what was on record before.
    """
    known = _Known(before, after, knowledge)
    subsets = known.subsets()
    every = simulate([known.mixture(changed) for changed in subsets])
    dates = np.array([_finish_dates(futures, known.beyond) for futures in every])
    keeps = np.array(
        [
            _keeps(futures, known.grant_end(changed))
            for changed, futures in zip(subsets, every, strict=True)
        ]
    )
    moved = shares_with_error(dates, _medians, seed=1)
    likelier = shares_with_error(keeps, lambda drawn: drawn.mean(axis=1), seed=2)
    return Why(
        before=before.as_of,
        after=after.as_of,
        finish_before=_date(dates[:1], known.beyond),
        finish_after=_date(dates[-1:], known.beyond),
        odds_before=float(keeps[0].mean()),
        odds_after=float(keeps[-1].mean()),
        replications=dates.shape[1],
        causes=_causes(known.causes, moved, likelier),
    )


class _Known:
    """Both states, and every mixture of them."""

    def __init__(
        self,
        before: State,
        after: State,
        knowledge: Callable[[Project, History, date], Knowledge],
    ) -> None:
        self.before, self.after = before, after
        same = _same_plan(before, after)
        self.causes = tuple(range(PLAN if same else PLAN + 1))
        self._of: Mapping[tuple[bool, bool], Knowledge] = {
            (plan, record): knowledge(
                (after if plan else before).project, state.history, state.as_of
            )
            for plan in ((False,) if same else (False, True))
            for record, state in ((False, before), (True, after))
        }
        self._once: dict[tuple[bool, bool, bool], _Once] = {}
        horizons = (before.project.grant.horizon, after.project.grant.horizon)
        self.beyond = max(horizons).toordinal() + 1

    def subsets(self) -> list[frozenset[int]]:
        """Each set of changed causes: bit n of its place is the n-th cause."""
        return [
            frozenset(cause for n, cause in enumerate(self.causes) if number >> n & 1)
            for number in range(1 << len(self.causes))
        ]

    def mixture(self, changed: frozenset[int]) -> Mixture:
        """The state from which to simulate, and what is known in it."""
        plan, progress = PLAN in changed, PROGRESS in changed
        beginning = self._of[plan, progress].beginning
        old, new = (self._belief(plan, progress, new) for new in (False, True))
        return Mixture(
            (self.after if plan else self.before).project,
            (self.after if progress else self.before).as_of,
            Knowledge(beginning, _Mixed(old, new, changed)),
        )

    def _belief(self, plan: bool, progress: bool, new: bool) -> _Once:
        """The old or the new belief, which all mixtures of one plan and date draw together."""
        key = plan, progress, new
        if key not in self._once:
            self._once[key] = _Once(_some(self._of[plan, new].belief))
        return self._once[key]

    def grant_end(self, changed: frozenset[int]) -> date:
        """The grant's end is part of the plan, as it was agreed when the forecast was made."""
        state = self.after if PLAN in changed else self.before
        return state.project.grant.end_known_on(state.as_of)


def _some(believed: Belief | None) -> Belief:
    if believed is None:
        raise ValueError("without a belief there is nothing to be learnt")
    return believed


def _same_plan(before: State, after: State) -> bool:
    """Whether both plans say the same, whatever words stand in their files."""
    old, new = (replace(each.project, input_sha256="") for each in (before, after))
    ends = {each.project.grant.end_known_on(each.as_of) for each in (before, after)}
    return old == new and len(ends) == 1


def _finish_dates(futures: Simulated, beyond: int) -> Ints:
    """(R,) ordinal dates; what is not finished by the horizon stands on the day after it."""
    start = futures.project.grant.start.toordinal()
    days = futures.finish_day.astype(np.int64)
    return np.where(days == NOT_BY_HORIZON, beyond, days + start)


def _keeps(futures: Simulated, end: date) -> Floats:
    """(R,) 1 where a future keeps the promise by the grant's end, 0 where it does not."""
    project = futures.project
    day = min(project.day_number(end), project.days - 1)
    assert futures.done_by_day is not None, "every day is needed"
    return np.asarray(futures.done_by_day[:, day] >= project.grant.items_promised, dtype=float)


def _medians(dates: NDArray[np.generic]) -> Floats:
    return np.asarray(np.median(dates.astype(float), axis=1))


def _date(dates: Ints, beyond: int) -> date | None:
    middle = int(_medians(dates)[0])
    return None if middle >= beyond else date.fromordinal(middle)


def _causes(which: tuple[int, ...], moved: Shares, likelier: Shares) -> tuple[Cause, ...]:
    return tuple(
        Cause(
            CAUSES[cause],
            *(float(part[n]) for part in (moved.shares, moved.low, moved.high)),
            *(float(part[n]) for part in (likelier.shares, likelier.low, likelier.high)),
        )
        for n, cause in enumerate(which)
    )
