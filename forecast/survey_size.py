"""How much to survey: how the width of the finish shrinks as more items are looked at.

Preposterior analysis (Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961): nobody
knows what a further survey would find, but the forecast says what it may find. So in each future a
survey of that future's own items is drawn, what it lets one believe of the rest is worked out as
the forecast does, and the widths that are left are averaged.

The straight way (:func:`simulated_again`) runs a forecast inside each hypothetical survey. The way
that is used (:func:`survey_size`) needs no run at all beside the forecast's own futures: regression
of the outcome on what the survey tells (Strong, Oakley and Brennan 2014, Medical Decision Making
34, 311-326). What is explained is what looking could tell beforehand; what is left is the width.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from forecast import luck, replicate
from forecast.belief import Belief
from forecast.condition import SurveyRow, sample_size
from forecast.differences import Interval, nothing_shown, paired_t
from forecast.history import NOTHING_YET, History
from forecast.items import Category, Mould
from forecast.luck import Knowledge, Plan
from forecast.mix import MixBelief, learn_mix
from forecast.outcome import NOT_BY_HORIZON, Futures, quantile
from forecast.progress import Tell
from forecast.project import Project
from forecast.rules import DONE, NO_STAGE
from forecast.stages import Stage
from forecast.words import joined, number, odds, plural

__all__ = [
    "DEFAULT_SIZES",
    "Classical",
    "Size",
    "SurveySize",
    "simulated_again",
    "survey_size",
]

DEFAULT_SIZES = (50, 100, 200, 400)

_FOLDS = 10
_GROUPS = 40
_CENTRAL = (0.1, 0.9)  # the 80 % range
_MARGIN = 0.05
_DAYS_A_WEEK = 7.0
_LEAST_FUTURES = 50
_SEED = 20_260_105

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Classical:
    """The textbook's sample, which knows of shares only, and nothing of dates.

    Attributes:
        of: a material; empty for the whole collection.
        items: that there are. looked_at: so far. wanted: for a share to within 5 points at 95 %
            (Cochran 1977, with the finite population correction).
    """

    of: str
    items: int
    looked_at: int
    wanted: int


@dataclass(frozen=True)
class Size:
    """What one size of further survey is expected to bring. Widths in weeks.

    Attributes:
        further: items looked at beyond those so far.
        width: of the 80 % range of the finish, on average over what the survey may find.
        narrower: than without a further survey, with its 95 % Monte Carlo interval.
        odds: between which the odds of the promise would lie afterwards, in 8 of 10 surveys.
    """

    further: int
    width: float
    narrower: Interval
    odds: tuple[float, float]


@dataclass(frozen=True)
class SurveySize:
    """How the width of the finish shrinks with the size of the survey.

    Attributes:
        items: of the collection. looked_at: so far. open_items: that could still be looked at:
            neither looked at nor, with a record, received.
        futures: hypothetical surveys of each size. not_by_horizon: share of them that do not
            finish by the horizon; from 1 in 10 on, the range has no end, and no width is told.
        width: of the 80 % range as it is, weeks. odds: of the promise as they are.
        sizes: the smallest first; the last is all.
        items_an_hour: that one person looks at; None: not told. hours_a_day: that one person may
            look: what the exposure limit allows where mould is about.
        day: what one person's next day of looking is expected to bring; None: not told.
        classical: of the whole collection first, then of each material.
    """

    items: int
    looked_at: int
    open_items: int
    futures: int
    not_by_horizon: float
    width: float
    odds: float
    sizes: tuple[Size, ...]
    items_an_hour: float | None
    hours_a_day: float
    day: Size | None
    classical: tuple[Classical, ...]
    recorded: bool = False

    @property
    def told(self) -> bool:
        """Whether the range has two ends, so that it has a width."""
        return self.not_by_horizon <= 1.0 - _CENTRAL[1]

    def table(self) -> list[dict[str, float]]:
        """A row a size, in numbers; widths are NaN where the range has no end."""
        now = {"further": 0, "width": self.width, "narrower": 0.0, "low": 0.0, "high": 0.0}
        rows = [now | {"odds_low": self.odds, "odds_high": self.odds}]
        rows += [
            {
                "further": each.further,
                "width": each.width,
                "narrower": each.narrower.estimate,
                "low": each.narrower.low,
                "high": each.narrower.high,
                "odds_low": each.odds[0],
                "odds_high": each.odds[1],
            }
            for each in self.sizes
        ]
        if not self.told:
            widths = dict.fromkeys(("width", "narrower", "low", "high"), math.nan)
            rows = [row | widths for row in rows]
        return rows

    def sentences(self) -> tuple[str, ...]:
        """What it comes to, for a team that decides whether another day of looking pays."""
        return (*self._so_far(), *self._widths(), *self._a_day(), *self._odds(), self._textbook())

    def _so_far(self) -> list[str]:
        seen = f"{number(self.looked_at)} of {plural(self.items, 'item')} have been looked at"
        if not self.open_items:
            what = "neither looked at nor received" if self.recorded else "not looked at"
            return [f"{seen}; none is left that was {what}: a further survey can bring nothing."]
        where = " and have not been received" if self.recorded else ""
        return [f"{seen}; {number(self.open_items)} have not{where}."]

    def _widths(self) -> list[str]:
        if not self.told:
            why = "More than 1 in 10 futures do not finish by the horizon"
            range_ = "the range of the finish has no end"
            return [f"{why}: {range_}, so nobody can say by how much a survey would narrow it."]
        now = f"The 80 % range of the finish is {_weeks(self.width)} wide"
        if not self.sizes:
            return [f"{now}."]
        *some, everything = self.sizes
        parts = [f"after {number(each.further)} more {_gain(each.narrower)}" for each in some[-1:]]
        found = f"; {parts[0]}, on average over what may be found" if parts else ""
        looked = f"Even if all {number(everything.further)} were looked at"
        left = f"{_weeks(everything.width)} would be left ({_gain(everything.narrower)})"
        rest = "the rest is pace, hours and luck, of which no survey tells"
        return [f"{now}{found}.", f"{looked}, {left}: {rest}."]

    def _a_day(self) -> list[str]:
        if self.day is None or self.items_an_hour is None or not self.told:
            return []
        told = (
            f"One person's next day of looking ({number(self.hours_a_day, 1)} hours at "
            f"{number(self.items_an_hour)} items an hour: {plural(self.day.further, 'item')})"
        )
        if nothing_shown(self.day.narrower):
            return [f"{told} narrows the range by nothing that {self._surveys} can show."]
        return [f"{told} narrows the range by {_by(self.day.narrower)}."]

    @property
    def _surveys(self) -> str:
        return f"{number(self.futures)} made-up surveys"

    def _odds(self) -> list[str]:
        if not self.sizes:
            return []
        size = self.sizes[-2] if len(self.sizes) > 1 else self.sizes[-1]
        low, high = (odds(each, self.futures, exact=True) for each in size.odds)
        after = f"at about {low}" if low == high else f"between {low} and {high}"
        now = odds(self.odds, self.futures, exact=True)
        further = number(size.further)
        told = f"after {further} more they would lie {after} in 8 of 10 surveys"
        return [f"The odds of the promise are {now}; {told}."]

    def _textbook(self) -> str:
        whole, *materials = self.classical
        each = [f"{m.of} {number(m.wanted)} ({number(m.looked_at)})" for m in materials]
        return (
            "For comparison, a random sample that tells a share to within 5 points at 95 % has "
            f"{plural(whole.wanted, 'item')} of the whole ({number(whole.looked_at)} looked at); "
            f"of each material: {joined(each)}. It knows nothing of dates."
        )


def _weeks(weeks: float) -> str:
    return f"{number(weeks, 1)} weeks"


def _by(narrower: Interval) -> str:
    if narrower.estimate < 0.05:
        return "less than 0.1 weeks"
    low, high = number(narrower.low, 1), number(narrower.high, 1)
    return f"{_weeks(narrower.estimate)} (95 % interval {low} to {high})"


def _gain(narrower: Interval) -> str:
    return "no shrinking shown" if nothing_shown(narrower) else f"narrower by {_by(narrower)}"


# --- what a survey could look at -----------------------------------------------------------------


@dataclass(frozen=True)
class _Open:
    """Items that nobody has looked at, in each future. N futures, cells, K categories of one.

    Attributes:
        items: (cells,) how many there are.
        counts: (N, cells, K) of each category, in each future.
        rows: (cells, K, F) what an item of a category adds to each feature: minutes by stage,
            and whether it has mould, active mould, or red rot.
        pool: (cells,) number of the evidence that the cell shares; alone: (cells,) whether it
            shares none.
        controls: (N, C) what else moved the future: pace at each stage, time on shift, practice,
            good and bad weeks. No survey tells of them; with them beside it, the effect of the
            conditions is seen more clearly.
    """

    plan: Plan
    items: Ints
    counts: Ints
    rows: Floats
    pool: Ints
    alone: Flags
    controls: Floats

    @cached_property
    def total(self) -> int:
        return int(self.items.sum())

    def sample(self, size: int) -> Ints:
        """(cells,) how many to look at: in proportion, from everywhere."""
        if size >= self.total:
            return self.items
        # Whole numbers whose sums are right: steps of what is rounded cumulatively.
        ends = np.floor(self.items.cumsum() * (size / self.total) + 0.5).astype(np.int64)
        return np.minimum(np.diff(ends, prepend=0), self.items)


def _open(plan: Plan, seed: int, futures: int, until: int, tell: Tell | None) -> _Open:
    """Draw each future's items again, as the forecast drew them, and count what is open.

    Weeks and shifts count as controls up to day number ``until``.
    """
    cells, width = plan.alpha.shape
    number_of, within = _numbers(plan)
    everyone = np.arange(len(number_of))
    looked_at = _looked_at(plan)
    counts = np.zeros((futures, cells, width), dtype=np.int64)
    items = np.array([cell.items for cell in plan.cells])
    whole = items.copy()
    rows, controls = _rows(plan), []
    for index in range(futures):
        drawn = luck.replication(plan, seed, index)
        category = within[everyone, drawn.mould, drawn.red_rot.astype(np.int64)]
        there = _not_received(plan, drawn)
        place = number_of[there] * width + category[there]
        counts[index] = np.bincount(place, minlength=cells * width).reshape(cells, width)
        minutes = rows[number_of, category, : len(Stage)].sum(axis=0)
        controls.append(_controls(plan, drawn, minutes, until))
        if tell is not None:
            tell(index + 1, futures)
    items = counts[0].sum(axis=1)
    # Of looked-at items that are partly received, as many are open as of all.
    known = looked_at * (items / np.maximum(whole, 1))[:, None]
    left = np.maximum(counts - np.floor(known + 0.5).astype(np.int64), 0)
    names = {cell.mix_name: n for n, cell in enumerate(plan.cells)}
    pool = np.array([names[cell.mix_name] for cell in plan.cells])
    room = np.maximum(items - np.floor(known.sum(axis=1) + 0.5).astype(np.int64), 0)
    return _Open(
        plan,
        np.minimum(room, left.sum(axis=2).min(axis=0)),
        left,
        rows,
        pool,
        np.array([_own_evidence(plan, n) for n in range(cells)]),
        np.array(controls),
    )


def _own_evidence(plan: Plan, n: int) -> bool:
    """Whether the survey has placed items of a cell, or could place them nowhere else."""
    material = plan.cells[n].material
    only = sum(cell.material == material for cell in plan.cells) == 1
    return only or plan.cells[n].mix_name != (material,)


def _controls(plan: Plan, drawn: luck.Replication, minutes: Floats, until: int) -> list[float]:
    """What else moved a future; 0 where it says nothing."""
    days = slice(plan.first_day, max(until, plan.first_day + 1))
    weeks = np.unique(plan.week_of_day[days])
    work = drawn.base_seconds.sum(axis=0)
    found = []
    for stage in plan.practised:
        there = work[stage] > 0.0 and minutes[stage] > 0.0
        found += [
            float(np.log(work[stage] / minutes[stage])) if there else 0.0,
            float(np.log(drawn.week_factor[stage, weeks].mean())),
            float(np.log(drawn.practice[stage, len(drawn.mould) // 2])),
        ]
    on_shift = (drawn.shift_end - drawn.shift_begin)[:, days].sum()
    return [*found, float(np.log(max(1, on_shift))), float(drawn.rejections.sum())]


def _numbers(plan: Plan) -> tuple[Ints, Ints]:
    """(I,) each item's cell, in the order of work; (cells, 3, 2) place of a condition in it."""
    within = np.zeros((len(plan.cells), len(Mould), 2), dtype=np.int64)
    for n, cell in enumerate(plan.cells):
        for k in range(int((plan.alpha[n] > 0.0).sum())):
            at = cell.first_category + k
            within[n, plan.mould[at], int(plan.red_rot[at])] = k
    cells = plan.cell_of_item
    return cells, within[cells]


def _not_received(plan: Plan, drawn: luck.Replication) -> Flags:
    """(I,) items that somebody could still go and look at."""
    start = drawn.start
    if start is None:
        return np.ones(len(drawn.mould), dtype=bool)
    if plan.project.deliveries:
        return np.asarray(start.stage == NO_STAGE)
    # Without a list of deliveries all are here: those count that nobody has opened or worked on.
    opened = _opened(plan)
    untouched = (start.passed & ~(1 << int(Stage.QUARANTINE))) == 0
    waits = untouched & (start.stage != DONE) & ~start.dryer
    return np.asarray(waits & (plan.within_cell >= opened[plan.cell_of_item]))


def _opened(plan: Plan) -> Floats:
    """(cells,) received items whose condition is on record: the first in the order of work."""
    mix = _mix(plan.knowledge)
    return np.zeros(len(plan.cells)) if mix is None else mix.opened


def _looked_at(plan: Plan) -> Floats:
    """(cells, K) looked-at items; those of no told series in proportion to the cells' items."""
    cells, width = plan.alpha.shape
    found = np.zeros((cells, width))
    for n, cell in enumerate(plan.cells):
        found[n] = np.bincount(cell.seen, minlength=width)
    for loose in plan.loose:
        seen = np.bincount(loose.seen, minlength=width)
        room = np.array([plan.cells[n].items for n in loose.cells], dtype=float)
        # Whole items, so that none is lost: steps of what is rounded cumulatively.
        ends = np.floor(np.outer((room / room.sum()).cumsum(), seen) + 0.5)
        found[list(loose.cells)] += np.diff(ends, axis=0, prepend=0.0)
    return found


def _rows(plan: Plan) -> Floats:
    """(cells, K, F) what an item of a category adds to each feature."""
    middle = plan.estimates.quantiles.at(np.full(len(plan.estimates.names), 0.5))
    table = np.zeros((*plan.alpha.shape, len(Stage) + 3))
    for n, cell in enumerate(plan.cells):
        width = int((plan.alpha[n] > 0.0).sum())
        of = slice(cell.first_category, cell.first_category + width)
        images = float(middle[plan.tables.images_of_cell[n]])
        minutes = middle[plan.per_item.row[of]] + images * middle[plan.per_image.row[of]]
        mould = plan.mould[of]
        marks = mould != Mould.NONE, mould == Mould.ACTIVE, plan.red_rot[of]
        table[n, :width] = np.column_stack([minutes * plan.possible[of], *marks])
    return table


def _alpha(plan: Plan) -> Floats:
    """(cells, K) what is believed of the mix among items nobody looked at (Dirichlet)."""
    mix = _mix(plan.knowledge)
    return plan.alpha if mix is None else mix.alpha_of(plan)[0]


def _mix(knowledge: Knowledge | None) -> MixBelief | None:
    """What was learnt of the mix; None: nothing."""
    belief = None if knowledge is None else knowledge.belief
    return belief.mix if isinstance(belief, Belief) else None


def _with(project: Project, plan: Plan, found: NDArray[np.int64], alone: Flags) -> Project:
    """The project after a further survey that found (cells, K) items by category.

    Where a cell's evidence is its own (``alone``), the series is told, as before.
    """
    rows = [
        SurveyRow(
            Category(
                cell.material,
                Mould(int(plan.mould[cell.first_category + k])),
                bool(plan.red_rot[cell.first_category + k]),
            ),
            int(found[n, k]),
            cell.series if alone[n] else None,
        )
        for n, cell in enumerate(plan.cells)
        for k in np.flatnonzero(found[n]).tolist()
    ]
    return replace(project, survey=(*project.survey, *rows))


def _learnt(project: Project, knowledge: Knowledge | None, history: History) -> Knowledge | None:
    """What is believed once more was looked at: of the mix; all else stays."""
    if knowledge is None or not isinstance(knowledge.belief, Belief) or _mix(knowledge) is None:
        return knowledge
    mix = learn_mix(luck.plan(project), history.up_to(knowledge.belief.as_of))
    return replace(knowledge, belief=replace(knowledge.belief, mix=mix))


# --- what a survey of some size would tell -------------------------------------------------------


class _Hypothetical:
    """Surveys of growing size of each future's own items; the smaller is part of the larger."""

    def __init__(self, of: _Open, sizes: Sequence[int], seed: int) -> None:
        self.of = of
        self.sizes = sizes
        rng = np.random.default_rng([_SEED, seed])
        left = of.counts.copy()
        found = np.zeros_like(left)
        self.found: list[Ints] = []
        taken = np.zeros(len(of.items), dtype=np.int64)
        for size in sizes:
            wanted = np.maximum(of.sample(size), taken)
            for n, more in enumerate((wanted - taken).tolist()):
                if more:
                    new = np.array([_some(rng, row, more) for row in left[:, n]])
                    left[:, n] -= new
                    found[:, n] += new
            taken = wanted
            self.found.append(found.copy())

    def expected(self, place: int, weight: Floats) -> Floats:
        """(N, F) what is expected of all open items, once the survey of a size is known.

        Args:
            place: of the size.
            weight: (cells,) what a looked-at item adds to the evidence of the cell.
        """
        of, found = self.of, self.found[place]
        looked_at = found.sum(axis=2)
        alpha = _alpha(of.plan)
        together = np.stack([found[:, of.pool == pool].sum(axis=1) for pool in of.pool], axis=1)
        evidence = alpha + weight[:, None] * together
        share = evidence / evidence.sum(axis=2, keepdims=True)
        rest = of.items - looked_at
        believed = found + rest[:, :, None] * share
        return np.asarray(np.einsum("nck,ckf->nf", believed, of.rows))


def _some(rng: np.random.Generator, counts: Ints, number: int) -> Ints:
    """Some of the items, without putting any back."""
    return rng.multivariate_hypergeometric(counts, min(number, int(counts.sum())))


def _weight(of: _Open, found: Ints, knowledge: Knowledge | None, history: History) -> Floats:
    """(cells,) what a looked-at item adds to a cell's evidence, in the forecast's own model.

    One survey of the size is learnt from as it would be if it had been made. Boxes, and what was
    received since, may make an item worth less than one.
    """
    plan = of.plan
    project = _with(plan.project, plan, found, of.alone)
    after = luck.plan(project, plan.first_day, _learnt(project, knowledge, history))
    more = _alpha(after).sum(axis=1) - _alpha(plan).sum(axis=1)
    pooled = np.array([found[of.pool == pool].sum() for pool in of.pool])
    return np.where(pooled > 0, np.maximum(more, 0.0) / np.maximum(pooled, 1), 0.0)


# --- regression ----------------------------------------------------------------------------------


class _Explained:
    """How much the conditions of open items explain of an outcome, by least squares.

    Slopes are those of the other nine tenths of the futures (cross-fitting), so that what is
    explained by accident counts neither for the survey nor against it.
    """

    def __init__(self, outcomes: Floats, truth: Floats, controls: Floats) -> None:
        self.outcomes = outcomes
        middle, self.spread = truth.mean(axis=0), truth.std(axis=0)
        self.varies = self.spread > 1e-9 * np.maximum(1.0, np.abs(middle))
        beside = controls[:, controls.std(axis=0) > 1e-9]
        beside = (beside - beside.mean(axis=0)) / beside.std(axis=0)
        ones = np.ones((len(truth), 1))
        self.features = int(self.varies.sum())
        self.design = np.hstack([self._scaled(truth - middle), beside, ones])
        futures = np.arange(len(truth))
        self.fold = futures % _FOLDS
        self.groups = min(_GROUPS, len(truth) // _FOLDS)
        self.group = futures // _FOLDS % self.groups
        whole = np.hstack([self.design, outcomes])
        # Sums of products of each fold and group: what is left out is taken off.
        self.sums = np.zeros((_FOLDS, self.groups, self.design.shape[1], whole.shape[1]))
        for f in range(_FOLDS):
            for g in range(self.groups):
                mine = (self.fold == f) & (self.group == g)
                self.sums[f, g] = self.design[mine].T @ whole[mine]

    def _scaled(self, features: Floats) -> Floats:
        return np.asarray(features[:, self.varies] / self.spread[self.varies])

    def slopes(self, without: int | None = None) -> Floats:
        """(folds, columns, outcomes), perhaps without one group of the futures."""
        sums = self.sums if without is None else np.delete(self.sums, without, axis=1)
        of_fold = sums.sum(axis=1)
        others = of_fold.sum(axis=0) - of_fold
        columns = self.design.shape[1]
        inverse = np.linalg.pinv(others[:, :, :columns], rcond=1e-10, hermitian=True)
        return np.asarray(inverse @ others[:, :, columns:])

    def told(self, moved: Floats, slopes: Floats) -> Floats:
        """(N, outcomes) by how much a survey moves what is expected of each outcome.

        Args:
            moved: (N, F) by how much it moves what is expected of each feature.
            slopes: as of :meth:`slopes`.
        """
        of_future = slopes[self.fold, : self.features]
        return np.asarray(np.einsum("nv,nvo->no", self._scaled(moved), of_future))

    def share(self, moved: Floats, without: int | None = None) -> float:
        """Which share of the first outcome's variance a survey would take away.

        The covariance of what the survey tells and the outcome, from which the rest of what is
        known about the future was taken out. It may fall below zero by accident, as it must if it
        is to be right on average.
        """
        slopes = self.slopes(without)
        among = np.ones(len(self.fold), bool) if without is None else self.group != without
        beside = np.einsum(
            "nv,nv->n", self.design[:, self.features :], slopes[self.fold, self.features :, 0]
        )
        told = self.told(moved, slopes)[among, 0]
        left = (self.outcomes[:, 0] - beside)[among]
        spread = float(self.outcomes[among, 0].var())
        if spread <= 0.0:
            return 0.0
        return float(np.mean((told - told.mean()) * (left - left.mean()))) / spread


def _narrower(explained: _Explained, moved: Floats, width: float) -> Interval:
    """By how much the range is narrower: it shrinks as the standard deviation does.

    The interval is a grouped jackknife's (Efron and Tibshirani 1993, ch. 11), of the regression
    and the hypothetical surveys together.
    """

    def weeks(without: int | None = None) -> float:
        return width * (1.0 - math.sqrt(max(0.0, 1.0 - explained.share(moved, without))))

    groups, estimate = explained.groups, weeks()
    others = np.array([weeks(group) for group in range(groups)])
    error = math.sqrt((groups - 1) / groups * float(((others - others.mean()) ** 2).sum()))
    half = float(stdtrit(groups - 1, 0.975)) * error
    return Interval(estimate, estimate - half, estimate + half)


def _width(days: Floats) -> float:
    """Of the 80 % range, weeks."""
    low, high = (float(quantile(days, each)) for each in _CENTRAL)
    return (high - low) / _DAYS_A_WEEK


def survey_size(
    futures: Futures,
    knowledge: Knowledge | None = None,
    history: History = NOTHING_YET,
    *,
    sizes: Sequence[int] = DEFAULT_SIZES,
    items_an_hour: float | None = None,
    hours_a_day: float | None = None,
    tell: Tell | None = None,
) -> SurveySize:
    """How the width of the finish shrinks with the size of a further survey.

    Each future's items are drawn again, as the forecast drew them (some 3 ms a future for 2,500
    items; nothing is simulated). From each, one survey of every size is taken at random from the
    items that nobody has looked at, in proportion from every series and material. The share of a
    category among the rest is then believed as the forecast would believe it, and a linear
    regression of the finish on the work that this makes one expect says how much of the spread the
    survey would take away. It is linear: what a survey tells about when the work ends is in
    proportion to the work it finds; and the range shrinks as the standard deviation does.
    :func:`simulated_again` does without both, at a hundred times the cost. The tests compare the
    two; where the conditions are nearly all that is uncertain, the regression takes off up to a
    tenth more than that.

    Args:
        futures: a forecast, of some hundred futures at least.
        knowledge: that it was made with: then only what has not been received is looked at.
        history: the returns that the knowledge rests on.
        sizes: numbers of further items; those that are more than there are are left out, and all
            of them is always added.
        items_an_hour: that one person looks at; None: not told.
        hours_a_day: that one person looks; None: what the exposure limit allows in a day.
        tell: is told (done, of) while items are drawn.

    Raises:
        ValueError: a size, a number of items or of hours is not above 0, or there are fewer than
            50 futures.
    """
    _check(futures, sizes, items_an_hour, hours_a_day)
    project = futures.project
    plan = luck.plan(project, project.day_number(futures.first_day), knowledge)
    days = _outcomes(futures)
    until = min(int(np.median(days[:, 0])), project.days)
    of = _open(plan, futures.seed, futures.replications, until, tell)
    allowed = project.exposure.hours_per_day if hours_a_day is None else hours_a_day
    a_day = None if items_an_hour is None else max(1, round(items_an_hour * allowed))
    # One day is asked for beside the sizes that are shown.
    shown = sorted({size for size in sizes if size < of.total} | {of.total} - {0})
    asked = sorted({*shown, *([] if a_day is None else [min(a_day, of.total)])} - {0})
    found = dict(zip(asked, _sizes(of, asked, days, futures, knowledge, history), strict=True))
    seen = sum(row.items for row in project.survey)
    return SurveySize(
        items=project.total_items,
        looked_at=seen,
        open_items=of.total,
        futures=futures.replications,
        not_by_horizon=float(np.mean(futures.finish_day == NOT_BY_HORIZON)),
        width=_width(days[:, 0]),
        odds=float(np.mean(days[:, 1] <= futures.end_day)),
        sizes=tuple(found[size] for size in shown),
        items_an_hour=items_an_hour,
        hours_a_day=allowed,
        day=None if a_day is None or not of.total else found[min(a_day, of.total)],
        classical=_classical(project),
        recorded=knowledge is not None and knowledge.beginning is not None,
    )


def _check(
    futures: Futures,
    sizes: Sequence[int],
    items_an_hour: float | None,
    hours_a_day: float | None,
) -> None:
    given = [*sizes, *(each for each in (items_an_hour, hours_a_day) if each is not None)]
    if any(each <= 0 for each in given):
        raise ValueError("sizes of a survey, items an hour and hours a day are above 0")
    if futures.replications < _LEAST_FUTURES:
        raise ValueError(f"the size of a survey is judged from {_LEAST_FUTURES} futures or more")


def _outcomes(futures: Futures) -> Floats:
    """(N, 2) day of the finish and of the promise; what is not by the horizon is the day after."""
    days = futures.project.days
    finish = np.where(futures.finish_day == NOT_BY_HORIZON, days, futures.finish_day)
    kept = futures.done_by_day >= futures.project.grant.items_promised
    promise = np.where(kept.any(axis=1), kept.argmax(axis=1), days)
    return np.column_stack([finish, promise]).astype(float)


def _sizes(
    of: _Open,
    sizes: Sequence[int],
    days: Floats,
    futures: Futures,
    knowledge: Knowledge | None,
    history: History,
) -> list[Size]:
    """What each size is expected to bring."""
    surveys = _Hypothetical(of, sizes, futures.seed)
    truth = np.einsum("nck,ckf->nf", of.counts.astype(float), of.rows)
    explained = _Explained(days, truth, of.controls)
    prior = _expected_before(of)
    moved = []
    for place in range(len(sizes)):
        weight = _weight(of, surveys.found[place][0], knowledge, history)
        moved.append(surveys.expected(place, weight) - prior)
    slopes, now = explained.slopes(), _width(days[:, 0])
    found = []
    for size, each in zip(sizes, moved, strict=True):
        narrower = _narrower(explained, each, now)
        told = explained.told(each, slopes)[:, 1]
        odds_after = _odds_after(days[:, 1], told, futures)
        found.append(Size(size, now - narrower.estimate, narrower, odds_after))
    return found


def _expected_before(of: _Open) -> Floats:
    """(F,) what is expected of all open items before anybody looks."""
    alpha = _alpha(of.plan)
    share = alpha / alpha.sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("ck,ckf->f", of.items[:, None] * share, of.rows))


def _odds_after(promise: Floats, told: Floats, futures: Futures) -> tuple[float, float]:
    """Between which the odds of the promise lie in 8 of 10 surveys, once it is known."""
    left = np.sort(promise - told)
    after = np.searchsorted(left, futures.end_day - told, side="right") / len(left)
    low, high = (float(quantile(after, each)) for each in _CENTRAL)
    return low, high


def _classical(project: Project) -> tuple[Classical, ...]:
    """The textbook's sample of the whole, and of each material."""
    found = []
    for material in ("", *dict.fromkeys(row.material for row in project.collection)):
        items = sum(r.items for r in project.collection if material in ("", r.material))
        seen = sum(r.items for r in project.survey if material in ("", r.category.material))
        if items:
            found.append(Classical(material, items, seen, sample_size(_MARGIN, items)))
    return tuple(found)


# --- the straight way ----------------------------------------------------------------------------


def simulated_again(
    futures: Futures,
    further: int,
    knowledge: Knowledge | None = None,
    history: History = NOTHING_YET,
    *,
    surveys: int = 30,
    each: int = 200,
    workers: int | None = None,
    tell: Tell | None = None,
) -> Interval:
    """By how many weeks the 80 % range is narrower after a survey, by a forecast in each survey.

    Two loops: outside, hypothetical surveys from what is believed; inside, the forecast that
    learns from one of them, against the forecast without it, with the same luck. The interval is
    Student's, over surveys. Each costs two forecasts of ``each`` futures; to see a difference of
    one part in twenty, hundreds of surveys are needed.

    Args:
        futures: the forecast; its project, as-of date and seed are used.
        further: items looked at beyond those so far; all, if there are not as many.
        knowledge: as of :func:`survey_size`.
        history: likewise.
        surveys: hypothetical surveys, two or more.
        each: futures in each.
        workers: as of :func:`forecast.replicate.simulate`.
        tell: is told (surveys done, of).
    """
    project = futures.project
    plan = luck.plan(project, project.day_number(futures.first_day), knowledge)
    of = _open(plan, futures.seed, surveys, plan.first_day, None)
    found = _Hypothetical(of, [min(further, of.total)], futures.seed).found[0]
    narrower = []
    for n in range(surveys):
        if further >= of.total and plan.knowledge is None:
            looked = replace(project, survey=_all_seen(of, found[n]))
        else:
            looked = _with(project, plan, found[n], of.alone)
        widths = [
            _width(
                _outcomes(
                    replicate.simulate(
                        told,
                        futures.as_of,
                        each,
                        futures.seed + 1 + n,
                        workers,
                        progress=False,
                        standstill=False,
                        knowledge=known,
                    )
                )[:, 0]
            )
            for told, known in (
                (project, knowledge),
                (looked, _learnt(looked, knowledge, history)),
            )
        ]
        narrower.append(widths[0] - widths[1])
        if tell is not None:
            tell(n + 1, surveys)
    return paired_t(np.array(narrower))


def _all_seen(of: _Open, found: Ints) -> tuple[SurveyRow, ...]:
    """A survey of everything: each series told, so that nothing is left to luck."""
    known = np.floor(_looked_at(of.plan) + 0.5).astype(np.int64)
    everywhere = np.ones_like(of.alone)
    return _with(replace(of.plan.project, survey=()), of.plan, found + known, everywhere).survey
