"""What we now think: the estimates, updated by every return up to an as-of date.

Refitted from scratch each time. Every estimate keeps its name and its standard-normal coordinate
z, so that a draw of the belief and one of the plain forecast meet the same normals, and two
beliefs differ by what was learnt between them and not by luck. What the returns say nothing of
stays as the project has it: without any return a draw is the plain forecast's own.

A future draws everything once, from one joint draw: minutes that go together stay together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date, timedelta
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtr, ndtri

from forecast.estimates import Estimate
from forecast.evidence import Block, Composition, blocks, pilot_blocks, week_number
from forecast.history import History
from forecast.mix import MixBelief, learn_mix
from forecast.pace import PRACTICE, SPREAD, PaceBelief, PaceDraw, Shape, learn_pace, week_shock
from forecast.planning import Learnt, Named, Plan
from forecast.singles import (
    Delivered,
    DryingTime,
    OneNumber,
    absence,
    delivered,
    drying,
    logit_of,
    share,
    share_of,
)
from forecast.stages import N_STAGES, PRACTISED_STAGES, Stage
from forecast.weekly import Count, DryingBatch, WeeklyReturn

__all__ = ["Belief", "Drawn", "Learning", "Learnt", "Named", "learn"]

_KNOT = 8  # weeks between the points of a drift to come
_IMAGES_ERROR = 0.03  # of a week's images beside the average, as a share
_SERIES_ERROR = 0.10  # the same where it is not told of which series the items were
_SUMMARY_DRAWS = 400

DELIVERED = ("time.delivered_share",)
ABSENCE = ("time.absence_days_a_year",)
_SHARES = (
    ("checking.reject_share",),
    ("drying.still_damp",),
    ("outcomes.set_aside",),
    ("outcomes.not_imaged",),
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Name = tuple[str, ...]
OneEach = Callable[[Sequence[Name]], Floats]  # a number a name, of one replication


@dataclass(frozen=True)
class Drawn:
    """One draw of what nobody knows. None: as the plan's own luck has it.

    Attributes:
        values: (E,) of every estimate, by ``plan.estimates.number``.
        practice: (9, N) factor after n first passes, those on record included.
        week_factor: (9, W) with mean 1 before anything is known, from the first simulated week
            on; 1 before it.
        share: (D,) delivered share.
        mix: (cells, categories of one) shares among items nobody looked at, added up.
        box_items: (cells,) items in a box; 0: items are not alike.
        box_concentration: (cells,) of a box's own mix around the cell's; 0: none.
    """

    values: Floats
    practice: Floats | None = None
    week_factor: Floats | None = None
    share: Floats | None = None
    mix: Floats | None = None
    box_items: Floats | None = None
    box_concentration: Floats | None = None


@dataclass(frozen=True)
class _ImagesBelief:
    """Average images an item: a Gaussian of the coordinates of some estimates."""

    names: tuple[Name, ...]
    mean: Floats
    root: Floats
    items: float


@dataclass(frozen=True)
class Belief:
    """The posterior. What is None or missing stays as the plan has it.

    Attributes:
        as_of: returns up to it are in.
        weeks: how many returns are in.
        numbers: estimates that were learnt one by one, by name.
        away_told: whether absence was told apart from time that never reached the stages.
        passes: first passes on record, by stage.
    """

    as_of: date
    weeks: int = 0
    pace: PaceBelief | None = None
    mix: MixBelief | None = None
    images: _ImagesBelief | None = None
    delivered: Delivered | None = None
    numbers: Mapping[Name, OneNumber] = field(default_factory=dict)
    away_told: bool = False
    passes: tuple[float, ...] = (0.0,) * N_STAGES

    def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Drawn:
        """One draw of what nobody knows.

        Args:
            plan: of the project; it may differ from that which was learnt with.
            normals: gives one standard normal a name.
            uniforms: gives one uniform a name.
        """
        z, pace = self.coordinates(plan, normals, uniforms)
        values = self.values(plan, z)
        return Drawn(
            values=values,
            practice=None if pace is None else _practice(plan, pace, values),
            week_factor=None if pace is None else _week_factor(plan, pace, normals),
            share=self._share(plan, values, normals, uniforms),
            **self.conditions(plan, uniforms),
        )

    def coordinates(
        self, plan: Plan, normals: OneEach, uniforms: OneEach
    ) -> tuple[Floats, PaceDraw | None]:
        """(U,) one draw of the estimates' coordinates, and what else it makes of the pace.

        Arguments as :meth:`drawn`.
        """
        names = plan.estimates.names
        z = np.array(normals(plan.estimates.streams), dtype=float)
        place = {name: n for n, name in enumerate(names)}
        for name, number in self.numbers.items():
            if name in place:
                z[place[name]] = number.at(z[place[name]])
        pace = None
        if self.pace is not None:
            pace = self.pace.drawn(normals(self.pace.names), uniforms(self.pace.uniform_names))
            for name, own in pace.z.items():
                if name in place:
                    z[place[name]] = own
        if self.images is not None:
            luck = normals([("estimate", *name) for name in self.images.names])
            own_z = self.images.mean + self.images.root @ luck
            for name, own in zip(self.images.names, own_z.tolist(), strict=True):
                if name in place:
                    z[place[name]] = own
        return z, pace

    def values(self, plan: Plan, z: Floats) -> Floats:
        """(E,) of every estimate at (U,) coordinates."""
        uniforms: Floats = np.asarray(ndtr(z))
        values = plan.estimates.quantiles.at(uniforms)
        number = plan.estimates.number
        if self.delivered is not None and not self.away_told:
            # Only the product is known: more absence, less time lost otherwise.
            usual = _present(plan, plan.project.time.absence_days_a_year.quantile(0.5))
            own = _present(plan, float(values[number[ABSENCE]]))
            values[number[DELIVERED]] = min(1.0, values[number[DELIVERED]] * usual / own)
        return values

    def _share(self, plan: Plan, values: Floats, normals: Named, uniforms: Named) -> Floats | None:
        if self.delivered is None:
            return None
        first = int(plan.week_of_day[min(plan.first_day, len(plan.week_of_day) - 1)])
        weeks = plan.week_place[first:].astype(float)
        luck = normals([("share", "week")], plan.week_place[first:])[0]
        level = logit_of(float(values[plan.estimates.number[DELIVERED]]))
        of_week = self.delivered.deviations(
            level,
            weeks,
            float(uniforms([("share",)])[0]),
            np.concatenate([normals([("share", "now")]), luck]),
        )
        by_week = np.concatenate([np.zeros(first), of_week]) + level
        return share_of(by_week[plan.week_of_day])

    def conditions(self, plan: Plan, uniforms: Named) -> dict[str, Floats]:
        """One draw of the mix, and how alike neighbours are, as fields of :class:`Drawn`."""
        if self.mix is None:
            return {}
        alpha, common = self._alpha(plan, self.mix)
        categories = np.arange(alpha.shape[1], dtype=np.uint64)
        names = [("mix", cell.series, cell.material) for cell in plan.cells]
        shared = [("common mix", *cell.mix_name) for cell in plan.cells]
        z = ndtri(uniforms(shared, categories)) * np.sqrt(common)[:, None]
        z = z + ndtri(uniforms(names, categories)) * np.sqrt(1.0 - common)[:, None]
        luck = np.asarray(ndtr(z))
        there = alpha > 0.0
        gammas = np.zeros(alpha.shape)
        gammas[there] = gammaincinv(alpha[there], luck[there])
        sums = gammas.cumsum(axis=1)
        cells = np.ones(len(plan.cells))
        return {
            "mix": np.asarray(sums / sums[:, -1:]),
            "box_items": cells * self.mix.box_items,
            "box_concentration": cells * self.mix.concentration,
        }

    def _alpha(self, plan: Plan, mix: MixBelief) -> tuple[Floats, Floats]:
        """Dirichlet parameters of cells, and what is common, worked out once for a plan."""
        of, found = self.__dict__.get("_alpha_of", (None, None))
        if of is not plan or found is None:
            found = mix.alpha_of(plan)
            object.__setattr__(self, "_alpha_of", (plan, found))
        alpha, common = found
        return alpha, common

    def __getstate__(self) -> dict[str, Any]:
        # What was worked out for a plan stays at home.
        return {each.name: getattr(self, each.name) for each in fields(self)}

    # --- in words

    def learnt(self, plan: Plan) -> tuple[Learnt, ...]:
        """Each quantity that the returns speak of, before and after."""
        rng = np.random.default_rng(20_260_105)
        plain = Belief(self.as_of, passes=self.passes)
        table = [
            (_Quantities(plan, plain, self).draw(rng), _Quantities(plan, self, self).draw(rng))
            for _ in range(_SUMMARY_DRAWS)
        ]
        found = []
        for n, (name, unit, evidence) in enumerate(_Quantities(plan, self, self).labels):
            before = np.array([row[0][n] for row in table])
            after = np.array([row[1][n] for row in table])
            prior, posterior = _points(before), _points(after)
            width = prior[2] - prior[0]
            left = min(1.0, (posterior[2] - posterior[0]) / width) if width > 0.0 else 0.0
            found.append(Learnt(name, unit, prior, posterior, evidence, left))
        return tuple(found)


def _points(values: Floats) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95)).tolist()
    return low, middle, high


class _Quantities:
    """What :meth:`Belief.learnt` tells of one belief; ``shown`` decides which quantities."""

    def __init__(self, plan: Plan, belief: Belief, shown: Belief) -> None:
        self.plan = plan
        self.belief = belief
        self.shown = shown

    @cached_property
    def _rows(self) -> list[tuple[Stage, Name, float]]:
        pace = self.shown.pace
        if pace is None:
            return []
        return [(s.stage, name, s.weeks) for s in pace.stages for name in s.names]

    @cached_property
    def labels(self) -> list[tuple[str, str, float]]:
        """Name, unit and evidence of each."""
        found = []
        for _, name, weeks in self._rows:
            _, _, per = name[-1].rpartition("/")
            found.append((name[-1], f"minutes an {per} at the present practice", float(weeks)))
        if self.shown.pace is not None:
            weeks = float(max((s.weeks for s in self.shown.pace.stages), default=0))
            found += [
                (PRACTICE[0], "factor a doubling", weeks),
                (SPREAD[0], "spread of weeks", weeks),
            ]
        singles = dict(self.shown.numbers)
        found += [(name[-1], _unit(name), n.observations) for name, n in singles.items()]
        if self.shown.images is not None:
            found += [
                (f"images: {name[1]}, {name[2]}", "images an item", self.shown.images.items)
                for name in self.shown.images.names
            ]
        return found

    def draw(self, rng: np.random.Generator) -> list[float]:
        """One value of each."""
        luck: dict[Name, float] = {}

        def normals(names: Sequence[Name]) -> Floats:
            return np.array([luck.setdefault(n, float(rng.standard_normal())) for n in names])

        def uniforms(names: Sequence[Name]) -> Floats:
            return np.asarray(ndtr(normals([("uniform", *name) for name in names])))

        z, pace = self.belief.coordinates(self.plan, normals, uniforms)
        values = self.belief.values(self.plan, z)
        number = self.plan.estimates.number
        plain = math.log(max(1e-6, float(values[number[PRACTICE]])))
        starts_at = self.plan.project.time.practice_starts_at
        found = []
        for stage, name, _ in self._rows:
            passed = np.array(self.shown.passes[stage])
            if pace is None:
                factor = math.exp(plain * math.log2(1.0 + float(passed) / starts_at))
            else:
                factor = math.exp(plain * float(pace.shape.of(passed)) + pace.level[stage])
                factor *= math.exp(pace.drift[stage])
            found.append(float(values[number[name]]) * factor)
        if self.shown.pace is not None:
            found += [float(values[number[name]]) for name in (PRACTICE, SPREAD)]
        found += [float(values[number[name]]) for name in self.shown.numbers]
        if self.shown.images is not None:
            found += [float(values[number[name]]) for name in self.shown.images.names]
        return found


def _unit(name: Name) -> str:
    if name == ABSENCE:
        return "days a year"
    return "days a round" if name[0] == "task_times.csv" else "share"


# --- a future's tables


def _practice(plan: Plan, pace: PaceDraw, values: Floats) -> Floats:
    """(9, N) factor after n first passes (R16)."""
    per_doubling = math.log(max(1e-6, float(values[plan.estimates.number[PRACTICE]])))
    doublings = _doublings(pace.shape, len(plan.doublings))
    table = np.ones((N_STAGES, len(doublings)))
    table[list(PRACTISED_STAGES)] = np.exp(per_doubling * doublings)
    return table


@lru_cache(maxsize=64)
def _doublings(shape: Shape, passes: int) -> Floats:
    """(passes,) doublings of practice after 0, 1, ... first passes."""
    return shape.of(np.arange(passes, dtype=float))


def _week_factor(plan: Plan, pace: PaceDraw, normals: Named) -> Floats:
    """(9, W) good and bad weeks, level and drift of each stage."""
    first = int(plan.week_of_day[min(plan.first_day, len(plan.week_of_day) - 1)])
    weeks = plan.week_place[first:].astype(float)
    stages = list(plan.practised)
    luck = normals([("week", stage.name) for stage in stages], plan.week_place[first:])
    shocks = week_shock(luck, pace.sigma)
    factors = np.ones((N_STAGES, len(plan.week_place)))
    factors[stages, first:] = np.exp(shocks)
    learnt = [stage for stage in stages if stage in pace.level]
    level = np.array([pace.level[stage] for stage in learnt])
    factors[learnt, first:] *= np.exp(level[:, None] + _drifts(pace, learnt, weeks, normals))
    return factors


def _drifts(pace: PaceDraw, stages: Sequence[Stage], weeks: Floats, normals: Named) -> Floats:
    """(stages, W) walks from the last week on record on, drawn at some weeks, straight between."""
    size, left = np.array([pace.walk[stage] for stage in stages]).T
    variance = size**2 / (1.0 - left**2)
    before = np.array([pace.last_week[stage] for stage in stages])
    first = math.floor(before.min() / _KNOT) + 1
    knots = np.arange(first, math.ceil(weeks[-1] / _KNOT) + 2) * _KNOT
    luck = normals([("drift", stage.name) for stage in stages], knots.astype(np.uint64))
    middle = -variance / 2.0  # so that the factor's mean is 1
    # Knots before a stage's own last week do not move it.
    at = np.maximum(before[:, None], np.concatenate([[-np.inf], knots]))
    kept = left[:, None] ** np.diff(at)
    moved = np.sqrt(variance[:, None] * (1.0 - kept**2)) * luck
    walk = np.empty(at.shape)
    walk[:, 0] = now = np.array([pace.drift[stage] for stage in stages]) - middle
    for n in range(len(knots)):
        walk[:, n + 1] = now = kept[:, n] * now + moved[:, n]
    own: Floats = np.array([np.interp(weeks, *line) for line in zip(at, walk, strict=True)])
    return np.asarray(own + middle[:, None])


def _present(plan: Plan, days: float) -> float:
    """Share of rostered days without absence."""
    return max(0.05, 1.0 - days / plan.absence_days)


# --- learning


def learn(
    plan: Plan,
    history: History,
    as_of: date,
    *,
    busy: Mapping[date, float] | None = None,
    sessions_an_hour: Mapping[Stage, float] | None = None,
    shows: tuple[float, float] = (0.75, 1.0),
) -> Belief:
    """What the returns up to a date let one believe.

    Args:
        plan: of the project.
        history: all returns; those that do not count on the date are left out (R19).
        as_of: the date.
        busy: share of their shifts that people spend in sessions, by Monday; the rest they wait
            for work. A week that is missing says nothing about the delivered share. None: 1
            throughout, so that waiting passes for time that never reached the stages.
        sessions_an_hour: of logged time at a stage, for returns that do not tell sessions; None:
            as limits and shifts make them.
        shows: as of :func:`forecast.singles.delivered`.
    """
    return Learning(plan, history, as_of).belief(busy, sessions_an_hour, shows)


class Learning:
    """What returns up to a date say, whatever is assumed of waiting and of sessions.

    Args:
        plan, history, as_of: as of :func:`learn`.
    """

    def __init__(self, plan: Plan, history: History, as_of: date) -> None:
        self.plan, self.as_of = plan, as_of
        self.known = history.up_to(as_of)

    @cached_property
    def _mix(self) -> MixBelief | None:
        return learn_mix(self.plan, self.known)

    @cached_property
    def _composition(self) -> Composition:
        return Composition(self.plan, None if self._mix is None else self._mix.alpha)

    @cached_property
    def _images(self) -> _ImagesBelief | None:
        return _learn_images(self.plan, self._composition, self.known)

    @cached_property
    def _numbers(self) -> dict[Name, OneNumber]:
        """Shares and days of drying."""
        of = self.plan, self._composition, self.known
        return _learn_shares(*of) | _learn_drying(*of)

    @cached_property
    def _values(self) -> Floats:
        """(E,) of the estimates in the middle, with the images that were learnt."""
        plan, images = self.plan, self._images
        middle = np.zeros(len(plan.estimates.names))
        if images is not None:
            place = {name: n for n, name in enumerate(plan.estimates.names)}
            for name, z in zip(images.names, images.mean.tolist(), strict=True):
                middle[place[name]] = z
        return plan.estimates.quantiles.at(np.asarray(ndtr(middle)))

    def belief(
        self,
        busy: Mapping[date, float] | None = None,
        sessions_an_hour: Mapping[Stage, float] | None = None,
        shows: tuple[float, float] = (0.75, 1.0),
        *,
        roughly: bool = False,
    ) -> Belief:
        """What the returns let one believe.

        Args:
            busy: as of :func:`learn`.
            sessions_an_hour: likewise.
            shows: as of :func:`forecast.singles.delivered`.
            roughly: as of :func:`forecast.pace.learn_pace`.
        """
        plan, known = self.plan, self.known
        if not known.returns:
            return Belief(self.as_of)
        away_told = any(row.stage is None for told in known.returns for row in told.worked)
        numbers = dict(self._numbers)
        time = _Time(plan, known, away_told, busy)
        if away_told:
            of_absence = time.absence()
            if of_absence is not None:
                numbers[ABSENCE] = of_absence
        of_delivered = time.delivered(shows)
        if of_delivered is not None:
            numbers[DELIVERED] = of_delivered.number
        return Belief(
            as_of=self.as_of,
            weeks=len(known.returns),
            pace=learn_pace(plan, self._stretches(sessions_an_hour or {}), roughly=roughly),
            mix=self._mix,
            images=self._images,
            delivered=of_delivered,
            numbers=numbers,
            away_told=away_told,
            passes=_passes(known),
        )

    def _stretches(
        self, sessions: Mapping[Stage, float]
    ) -> Iterable[tuple[Stage, Sequence[Block]]]:
        """Stretches of weeks of each stage with practice."""
        composition, values = self._composition, self._values
        of_category = values[self.plan.tables.images_of_cell][composition.cell]
        for stage in self.plan.practised:
            own = blocks(composition, self.known, stage, values, of_category, sessions.get(stage))
            # Timed items alone are no return: without one the plain forecast stays as it is.
            before = pilot_blocks(composition, stage, values, of_category) if own else ()
            yield stage, (*before, *own)


def _passes(history: History) -> tuple[float, ...]:
    """First passes on record, by stage."""
    total = [0.0] * N_STAGES
    for told in history.returns:
        for row in told.counts:
            if row.outcome not in ("withdrawn", "not-found"):
                total[row.stage] += row.items or 0
    return tuple(total)


def _items_at(told: WeeklyReturn, stage: Stage) -> int | None:
    """First passes of a stage in a week; None: not told."""
    rows = [row for row in told.counts if row.stage is stage and row.items is not None]
    return sum(row.items or 0 for row in rows) if rows else None


def _ended(told: WeeklyReturn, outcome: str) -> int:
    return sum(row.items or 0 for row in told.counts if row.outcome == outcome)


# --- shares


def _learn_shares(plan: Plan, composition: Composition, history: History) -> dict[Name, OneNumber]:
    """Rejects, items still damp, set aside and not imaged."""
    quick: dict[Name, list[tuple[int, int]]] = {name: [] for name in _SHARES}
    first = dict.fromkeys(Stage, 0.0)
    for told in history.returns:
        checked = _items_at(told, Stage.CHECKING)
        if checked is not None:
            rejected = sum(row.rejected or 0 for row in told.counts)
            quick["checking.reject_share",].append((rejected, checked + rejected))
        damp = [row for row in told.drying if row.taken_out and row.still_damp is not None]
        quick["drying.still_damp",].append(
            (sum(row.still_damp or 0 for row in damp), sum(row.items for row in damp))
        )
        imaged = _items_at(told, Stage.IMAGING)
        not_imaged = _ended(told, "not-imaged")
        if imaged is not None:
            quick["outcomes.not_imaged",].append((not_imaged, imaged + not_imaged))
        handled = 0.0
        for row in told.counts:
            if row.items and row.outcome not in ("withdrawn", "not-found"):
                items = composition.of(row, first[row.stage])
                handled += float(items[composition.first_handled == row.stage].sum())
                first[row.stage] += row.items
        quick["outcomes.set_aside",].append((_ended(told, "set-aside"), round(handled)))
    found = {}
    quantities = plan.project
    estimates: dict[Name, Estimate] = {
        ("checking.reject_share",): quantities.checking.reject_share,
        ("drying.still_damp",): quantities.drying.still_damp,
        ("outcomes.set_aside",): quantities.outcomes.set_aside,
        ("outcomes.not_imaged",): quantities.outcomes.not_imaged,
    }
    for name, weeks in quick.items():
        number = share(estimates[name], [k for k, _ in weeks], [n for _, n in weeks])
        if number is not None:
            found[name] = number
    return found


# --- drying


def _learn_drying(plan: Plan, composition: Composition, history: History) -> dict[Name, OneNumber]:
    """Days of drying, by row of task_times.csv."""
    rows = np.setdiff1d(plan.per_item.row[:, Stage.DRYING], [0])
    times = _drying_times(plan, composition, history, rows)
    if not times or not len(rows):
        return {}
    names = {number: name for name, number in plan.estimates.number.items()}
    sigmas = []
    estimates = []
    for number in rows.tolist():
        at = np.flatnonzero(plan.per_item.row[:, Stage.DRYING] == number)[0]
        sigmas.append(float(plan.per_item.sigma[at, Stage.DRYING]))
        row = next(t for t in plan.project.task_times if names[number][-1] == t.name)
        estimates.append(row.average)
    found = drying(estimates, sigmas, times)
    return {
        names[number]: own
        for number, own in zip(rows.tolist(), found, strict=True)
        if own is not None
    }


def _drying_times(
    plan: Plan, composition: Composition, history: History, rows: Ints
) -> list[DryingTime]:
    """How long each batch took; those that still dry took longer than until the last return."""
    batches, still_in = _batches(history)
    attended = _attended(plan, history)
    found = []
    before = 0.0
    for batch in sorted(batches.values(), key=lambda each: (each.put_in, each.batch)):
        if batch.items <= 0:
            continue
        items = composition.of(Count(Stage.DRYING, items=batch.items), before)
        before += batch.items
        of_row = tuple(
            float(items[plan.per_item.row[:, Stage.DRYING] == number].sum())
            for number in rows.tolist()
        )
        factor = plan.project.drying.month_factor[batch.put_in.month - 1]
        if batch.taken_out is not None:
            day = plan.project.day_number(batch.taken_out)
            at_most = float((batch.taken_out - batch.put_in).days)
        else:
            day, at_most = plan.project.day_number(still_in[batch.batch]) + 1, math.inf
        looked = day - 1
        while 0 <= looked < len(attended) and not attended[looked]:
            looked -= 1
        more = max(0, looked - plan.project.day_number(batch.put_in))
        if at_most <= more or at_most == 0.0:
            continue  # a slip of the pen
        found.append(DryingTime(more / factor, at_most / factor, float(batch.items), of_row))
    return found


def _batches(history: History) -> tuple[dict[str, DryingBatch], dict[str, date]]:
    """Batches by name, and until when those that are not out are known to dry."""
    batches: dict[str, DryingBatch] = {}
    still_in: dict[str, date] = {}  # until when a batch is known to dry
    for told in history.returns:
        for row in told.drying:
            known = batches.get(row.batch)
            if known is None or known.taken_out is None or row.taken_out is not None:
                batches[row.batch] = row
            if row.taken_out is None:
                still_in[row.batch] = told.last_day
        # A batch may have come out in a week that nobody told of, and its row be lost.
        if "drying" in told.told:
            for name, day in still_in.items():
                if day == told.week - timedelta(days=1):
                    still_in[name] = told.last_day
    return batches, still_in


def _attended(plan: Plan, history: History) -> NDArray[np.bool_]:
    """(D,) days on which what was due came out of drying.

    Due items come before everything else (R6), so a day with exposure of somebody who is trained
    for drying is one, and a day without is none: limits may forbid mould work on days of the rota.
    Where exposure is not told, the days of the rota stand for them.
    """
    able = plan.trained[np.maximum(plan.list_of, 0), Stage.DRYING] & (plan.list_of >= 0)
    able &= plan.mould_work & (plan.rota.hours > 0.0)
    attended = np.asarray(able.any(axis=0))
    persons = {person: number for number, person in enumerate(plan.project.persons)}
    for told in history.returns:
        first = plan.project.day_number(told.week)
        if not told.told_exposure() or first < 0:
            continue
        attended[first : first + 7] = False
        for row in told.exposed:
            day, person = plan.project.day_number(row.day), persons.get(row.person)
            if row.hours > 0.0 and 0 <= day < len(attended):
                attended[day] |= person is None or bool(able[person, day])
    return attended


# --- time that reaches the stages


class _Time:
    """Rostered, logged and away hours, by week."""

    def __init__(
        self,
        plan: Plan,
        history: History,
        away_told: bool,
        busy: Mapping[date, float] | None,
    ) -> None:
        self.plan = plan
        self.away_told = away_told
        self.rows: list[tuple[int, float, float, float, float, float]] = []
        hours = plan.rota.hours
        for told in history.returns:
            first = plan.project.day_number(told.week)
            days = slice(max(0, first), max(0, first + 7))
            rostered = float(hours[:, days].sum())
            shifts = float((hours[:, days] > 0.0).sum())
            logged = sum(row.hours for row in told.worked if row.stage is not None)
            away = sum(row.hours for row in told.worked if row.stage is None)
            part = 1.0 if busy is None else busy.get(told.week, 0.0)
            if told.told_hours() and rostered > 0.0:
                week = week_number(told.week)
                self.rows.append((week, rostered, shifts, float(logged), float(away), part))

    def absence(self) -> OneNumber | None:
        """Days of absence a year."""
        time = self.plan.project.time
        shifts = sum(row[2] for row in self.rows)
        days = sum(row[4] * row[2] / row[1] for row in self.rows)
        return absence(
            time.absence_days_a_year,
            days,
            shifts,
            self.plan.absence_days,
            time.absence_spell_days,
        )

    def delivered(self, shows: tuple[float, float] = (0.75, 1.0)) -> Delivered | None:
        """The delivered share, absence apart where it was told."""
        time = self.plan.project.time
        part = time.absence_days_a_year.quantile(0.5) / self.plan.absence_days
        # Of the estimate, not of the week: else weeks of little work would weigh more.
        lost = 1.0 - min(0.95, time.delivered_share.quantile(0.5))
        weeks: list[int] = []
        shares: list[float] = []
        variances: list[float] = []
        idle: list[float] = []
        for week, rostered, shifts, logged, away, busy in self.rows:
            there = rostered - away if self.away_told else rostered
            if there <= 0.0 or busy <= 0.05 or logged <= 0.0:
                continue
            ratio = min(logged / there / busy, 0.99)
            weeks.append(week)
            shares.append(ratio)
            days = part * (2.0 * time.absence_spell_days - 1.0) / shifts
            own = 0.0 if self.away_told else days / (max(0.05, 1.0 - part) * lost) ** 2
            variances.append(own)
            idle.append((1.0 - min(1.0, busy)) / busy / lost)
        factor = 1.0 if self.away_told else 1.0 - part
        return delivered(time.delivered_share, weeks, shares, factor, variances, idle, shows)


# --- images


def _learn_images(plan: Plan, composition: Composition, history: History) -> _ImagesBelief | None:
    """Average images an item of each series and material, by Gauss-Newton."""
    design, made, variance = _image_counts(plan, composition, history)
    place = {int(number): n for n, number in enumerate(plan.estimates.quantiles.uncertain)}
    cells = [
        n
        for n, number in enumerate(plan.tables.images_of_cell.tolist())
        if number in place and len(design) and design[:, n].any()
    ]
    if not cells:
        return None
    unknown = np.array([place[int(plan.tables.images_of_cell[n])] for n in cells])
    z = np.zeros(len(plan.estimates.names))
    posterior: Floats = np.identity(len(cells))
    for _ in range(8):
        average = _averages(plan, z)
        slope = (_averages(plan, z + 1e-4) - _averages(plan, z - 1e-4))[cells] / 2e-4
        jacobian = design[:, cells] * slope
        residual = made - design @ average + jacobian @ z[unknown]
        weighted = jacobian.T / variance
        posterior[:] = np.linalg.inv(np.eye(len(cells)) + weighted @ jacobian)
        z[unknown] = np.clip(posterior @ weighted @ residual, -4.0, 4.0)
    values, vectors = np.linalg.eigh(posterior)
    names = plan.estimates.names
    return _ImagesBelief(
        names=tuple(names[n] for n in unknown),
        mean=z[unknown],
        root=(vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T,
        items=float(design.sum()),
    )


def _averages(plan: Plan, z: Floats) -> Floats:
    """(cells,) images an item at coordinates."""
    uniforms: Floats = np.asarray(ndtr(z))
    return np.asarray(plan.estimates.quantiles.at(uniforms)[plan.tables.images_of_cell])


def _image_counts(
    plan: Plan, composition: Composition, history: History
) -> tuple[Floats, Floats, Floats]:
    """(n, cells) items, (n,) images made of them and its variance: a line a row, or a week."""
    lines, made = [], []
    before = 0.0
    again = plan.project.checking.reimaged_share
    for told in history.returns:
        rows = [row for row in told.counts if row.stage is Stage.IMAGING]
        whole = [row.images for row in rows if row.images is not None]
        if any(row.images is not None and row.items for row in rows):
            whole = []
        items = sum(row.items or 0 for row in rows)
        rejected = sum(row.rejected or 0 for row in told.counts)
        more = 1.0 + again * rejected / items if items else 1.0
        together = np.zeros(len(plan.cells))
        for row in rows:
            if not row.items:
                continue
            of_cell = np.zeros(len(plan.cells))
            np.add.at(of_cell, composition.cell, composition.of(row, before))
            before += row.items
            together += of_cell
            if row.images is not None and not whole:
                lines.append(of_cell * more)
                made.append(float(row.images))
        if whole and items:
            lines.append(together * more)
            made.append(float(sum(whole)))
    design: Floats = np.zeros((len(lines), len(plan.cells)))
    design[:] = lines or 0.0
    several = (design > 0.05 * np.maximum(design.sum(axis=1, keepdims=True), 1e-9)).sum(axis=1) > 1
    error = np.where(several, _SERIES_ERROR, _IMAGES_ERROR)
    total = np.array(made)
    return design, total, (error * total) ** 2 + 1.0
