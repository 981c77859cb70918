"""The pace: minutes by stage, practice, good and bad weeks and steps, learnt from the returns.

For a stage and a stretch of weeks with handling minutes H, items n of each row of task_times.csv
and N first passes before its middle,

    log H = log sum n m(z) - b L(N) + level + drift + step + week + noise

m(z) are the rows' averages at their standard-normal coordinates (rows of a stage err together), b
and L practice (R16), *level* what lies outside the three numbers of the estimates, *drift* a slow
walk, *step* at most one lasting change, *week* a heavy-tailed factor with mean 1. Practice and the
week-to-week spread are the project's own estimates, one for all stages, and are integrated over a
grid, as are the walk's size and the step's week; the rest is Gaussian after linearising log sum
n m(z) at its most probable point, so that it is integrated exactly (Gauss-Newton and Laplace;
Rue, Martino and Chopin 2009).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import compress, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.special import betaincinv, ndtr
from scipy.stats import t as student

from forecast.estimates import Quantiles
from forecast.evidence import Block
from forecast.planning import Plan
from forecast.singles import WIDER
from forecast.stages import PRACTISED_STAGES, Stage

__all__ = [
    "EXCESS",
    "IN_HAND",
    "IN_HAND_LEFT",
    "NU",
    "SCALE",
    "STAGE_CORRELATION",
    "STEP",
    "PaceBelief",
    "PaceDraw",
    "Shape",
    "StageEvidence",
    "doublings",
    "learn_pace",
    "log_mean_week",
    "shapes",
    "walk_sizes",
    "week_shock",
]

PRACTICE: tuple[str, ...] = ("time.practice",)
SPREAD: tuple[str, ...] = ("time.week_spread",)

STAGE_CORRELATION = 0.3  # of the errors of a stage's estimates, as far as there is evidence
EXCESS = 0.10  # sd of a stage's log level outside the three numbers
NU = 5.0  # degrees of freedom of good and bad weeks
SCALE = 0.85  # of t_5 beside the sd of the normal that fits the same weeks best
MOST_SHOCK = 6.0  # a week's t is cut there
STEP = 0.25  # sd of the logarithm of a step
STEP_CHANCE = 0.004  # of a step, each week
FIRST_STEP = 4  # stretches before the first that may begin with a step
MOST_LEVEL_SHIFT = 0.3

_WALK_TOLD = (0.99, 0.010)  # of drift: what is left of it after a week; median weekly sd
_WALK_UNTOLD = (0.85, 0.07)  # where conditions are not told: the mix of the weeks
_WALK_LOG_SD = 0.8
_WALK_POINTS = (-2.0, -4.0 / 3.0, -2.0 / 3.0, 0.0, 2.0 / 3.0, 4.0 / 3.0, 2.0)
_LOOSE = np.array([0.06])  # weekly sd of a level that may move, for weighing weeks
_NO_PRACTICE = 0.08  # prior weight of nobody getting faster
_SATURATES_AT = ((1_000.0, 0.15), (4_000.0, 0.20), (math.inf, 0.65))
_STARTS = ((1.0 / 3.0, 0.20), (1.0, 0.60), (3.0, 0.20))
_MOST_Z = 3.5  # a coordinate's place of linearising
_LEAST_WEIGHT = 1e-4
_LEAST_COMPONENT = 3e-3

# Work done on items that are left unfinished at a week's end, in whole items for each person: mean,
# variance, and how alike they are a week later. Limits end work at cleaning, wherever it stands;
# elsewhere an item is finished. From weeks of simulated teams.
IN_HAND = {
    stage: (1.0, 0.6) if stage is Stage.CLEANING else (0.1, 0.05) for stage in PRACTISED_STAGES
}
IN_HAND_LEFT = 0.85

_WIDEN = 0.3  # variance of log sigma, times observations, that fixed weights hide
_WILDER = 1.04  # weeks look so much wilder with fixed weights than they are; from calibration

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Of a stage's noise: inverse covariances, their determinants' logarithms, what means of 1 add to
# residuals, the walks' weights, and sums of the inverses from each diagonal place on.
_Prepared = tuple[Floats, Floats, Floats, Floats, Floats]


def _log_sum(logs: Floats, axis: int | tuple[int, ...] | None = None) -> Floats:
    """Log of the sum of exponentials."""
    most = logs.max(axis=axis, keepdims=True)
    total: Floats = np.log(np.exp(logs - most).sum(axis=axis, keepdims=True)) + most
    return np.asarray(total.squeeze(axis=axis))


def doublings(passes: Floats, starts_at: float, most: float = math.inf) -> Floats:
    """How often practice has doubled after some first passes: log2(1 + N / N0), N up to a most.

    With the factor p a doubling, minutes are p ** doublings of what they were: with N0 = 1 and
    N = n - 1 the unit learning curve of Crawford.

    >>> round(float(0.8 ** doublings(np.array(9.0), 1.0)), 4)
    0.4765
    """
    return np.asarray(np.log2(1.0 + np.minimum(passes, most) / starts_at))


@dataclass(frozen=True)
class Shape:
    """One shape of the practice curve; ``scale`` makes shapes agree where half is done."""

    starts_at: float
    most: float
    scale: float
    weight: float

    def of(self, passes: Floats) -> Floats:
        """Doublings of practice after some first passes."""
        if self.scale == 0.0:
            return np.zeros_like(passes)
        return np.asarray(self.scale * doublings(passes, self.starts_at, self.most))


def shapes(starts_at: float, items: int) -> tuple[Shape, ...]:
    """The shapes that practice may have: the project's own first, and that of no practice last."""
    half = np.array(items / 2.0)
    own = float(doublings(half, starts_at))
    found = []
    for factor, weight in sorted(_STARTS, key=lambda each: -each[1]):
        for most, of_most in sorted(_SATURATES_AT, key=lambda each: -each[0]):
            reached = float(doublings(half, factor * starts_at, most))
            weighs = (1.0 - _NO_PRACTICE) * weight * of_most
            found.append(Shape(factor * starts_at, most, own / reached, weighs))
    return (*found, Shape(starts_at, math.inf, 0.0, _NO_PRACTICE))


def week_shock(z: Floats, sigma: float) -> Floats:
    """Logarithms of good and bad weeks' factors with mean 1, from standard normals."""
    heavy = np.interp(z, _NORMAL_AT, _HEAVY_AT)
    return np.asarray(SCALE * sigma * heavy - log_mean_week(np.array([sigma]))[0])


# Student's quantiles at those of normals, read off a table: a future asks for a thousand.
_NORMAL_AT = np.linspace(-6.0, 6.0, 2_401)
_HEAVY_AT = np.clip(student.ppf(ndtr(_NORMAL_AT), NU), -MOST_SHOCK, MOST_SHOCK)

_T_AT = np.linspace(-MOST_SHOCK, MOST_SHOCK, 601)
_T_WEIGHT = np.diff(np.concatenate([[0.0], student.cdf((_T_AT[1:] + _T_AT[:-1]) / 2.0, NU), [1.0]]))


def log_mean_week(sigma: Floats) -> Floats:
    """(n,) log of the mean of exp(0.85 sigma t), t cut at 6: what makes the factor's mean 1."""
    return np.asarray(np.log(np.exp(SCALE * sigma[:, None] * _T_AT) @ _T_WEIGHT))


@dataclass(frozen=True)
class StageEvidence:
    """The stretches of one stage. T stretches, R rows of task_times.csv that it uses.

    Attributes:
        rows: (R,) numbers of the rows among the estimates.
        counts: (T, R) items or images of each.
        weeks: (T,) middle, in weeks since Monday, 1 January of year 1.
        log_minutes: (T,) of handling.
        before: (T,) first passes before the middle.
        covariance: (T, T) of the logarithm, apart from the weeks' own.
        part: (T,) one over the number of weeks.
        told: whether conditions were told.
    """

    stage: Stage
    rows: Ints
    counts: Floats
    weeks: Floats
    log_minutes: Floats
    before: Floats
    covariance: Floats
    part: Floats
    told: bool

    @property
    def variance(self) -> Floats:
        """(T,) of the logarithm, apart from the weeks' own."""
        return np.diagonal(self.covariance)

    @classmethod
    def of(cls, plan: Plan, stage: Stage, blocks: Sequence[Block]) -> StageEvidence:
        """Lay a stage's stretches out."""
        per_item, per_image = plan.per_item.row[:, stage], plan.per_image.row[:, stage]
        rows = np.setdiff1d(np.concatenate([per_item, per_image]), [0])
        of_item = (per_item[:, None] == rows).astype(float)
        of_image = (per_image[:, None] == rows).astype(float)
        told = sum(block.told for block in blocks)
        return cls(
            stage=stage,
            rows=rows,
            counts=np.array([b.items @ of_item + b.images @ of_image for b in blocks]),
            weeks=np.array([block.week for block in blocks]),
            log_minutes=np.log([block.minutes for block in blocks]) - _left_in_hand(stage, blocks),
            before=np.array([block.before for block in blocks]),
            covariance=_covariance(stage, blocks),
            part=np.array([1.0 / block.weeks for block in blocks]),
            told=2 * told >= len(blocks),
        )

    @property
    def walk(self) -> tuple[float, float]:
        """What is left of the drift after a week, and the median of its weekly sd."""
        return _WALK_TOLD if self.told else _WALK_UNTOLD


def _covariance(stage: Stage, blocks: Sequence[Block]) -> Floats:
    """(T, T) of the logarithm of minutes, apart from the weeks' own.

    What was done to an item that is left unfinished is in the hours of one stretch, and the item
    among those of another: u at the end less u at the beginning, so that it does not add up.
    """
    items = np.array([float(block.items.sum()) for block in blocks])
    people = np.array([block.people for block in blocks], dtype=float)
    own = np.array([block.variance for block in blocks]) - people / (6.0 * items**2)
    half = np.array([block.weeks / 2.0 for block in blocks])
    weeks = np.array([block.week for block in blocks])
    at = np.concatenate([weeks + half, weeks - half])
    there = np.concatenate([people, np.where(_first_ever(blocks), 0.0, people)])
    of_time = IN_HAND_LEFT ** np.abs(at[:, None] - at)
    unfinished = IN_HAND[stage][1] * np.sqrt(np.outer(there, there)) * of_time
    size = len(items)
    difference = np.hstack([np.eye(size), -np.eye(size)]) / items[:, None]
    return np.asarray(np.diag(own) + difference @ unfinished @ difference.T)


def _left_in_hand(stage: Stage, blocks: Sequence[Block]) -> Floats:
    """(T,) logarithms of what is in hand after a stretch but was not before it."""
    more = [
        IN_HAND[stage][0] * block.people / float(block.items.sum()) if first else 0.0
        for block, first in zip(blocks, _first_ever(blocks), strict=True)
    ]
    return np.log1p(more)


def _first_ever(blocks: Sequence[Block]) -> list[bool]:
    """Whether nobody had worked at the stage before."""
    return [b.people > 0 and 2.0 * b.before <= float(b.items.sum()) for b in blocks]


def walk_sizes(median: float) -> tuple[Floats, Floats]:
    """Weekly sds of the drift on a grid, and their prior weights."""
    points = np.array(_WALK_POINTS)
    weights: Floats = np.exp(-(points**2) / 2.0)
    return np.asarray(median * np.exp(_WALK_LOG_SD * points)), weights / weights.sum()


class _Rows:
    """Averages of some rows at their coordinates."""

    def __init__(self, quantiles: Quantiles, rows: Ints) -> None:
        place = {int(number): n for n, number in enumerate(quantiles.uncertain)}
        self.known = quantiles.known[rows]
        self.unknown = np.array([n for n, r in enumerate(rows) if int(r) in place], dtype=np.int64)
        own = np.array([place[int(rows[n])] for n in self.unknown], dtype=np.int64)
        self.beta = quantiles.beta[:, own]
        self.most = quantiles.most[own]

    @classmethod
    def joined(cls, rows: Sequence[_Rows]) -> _Rows:
        """Of several stages, one after the other."""
        joined = cls.__new__(cls)
        first = np.cumsum([0, *(len(each.known) for each in rows)])[:-1]
        joined.known = np.concatenate([each.known for each in rows])
        joined.unknown = np.concatenate(
            [each.unknown + n for each, n in zip(rows, first, strict=True)]
        )
        joined.beta = np.concatenate([each.beta for each in rows], axis=1)
        joined.most = np.concatenate([each.most for each in rows])
        return joined

    def at(self, z: Floats) -> Floats:
        """(R,) averages."""
        values = self.known.copy()
        minimum, width, alpha, beta = self.beta
        uncut = minimum + width * betaincinv(alpha, beta, np.maximum(ndtr(z), 1e-100))
        values[self.unknown] = np.minimum(np.maximum(uncut, 1e-9), self.most)
        return values

    def slope(self, z: Floats) -> Floats:
        """(K,) derivatives of those that are not known."""
        step = 1e-4
        return np.asarray((self.at(z + step) - self.at(z - step))[self.unknown] / (2.0 * step))

    def logs(self, counts: Floats, z: Floats) -> tuple[Floats, Floats]:
        """(T,) log minutes of some counts, and their (T, K) derivatives."""
        minutes = counts @ self.at(z)
        slopes = counts[:, self.unknown] * self.slope(z) / minutes[:, None]
        return np.log(minutes), np.asarray(slopes)


@dataclass(frozen=True)
class _Linear:
    """log sum n m(z) of a stage near one point, for one shape of practice.

    ``jacobian`` (T, K + 1) has the level outside the three numbers last; ``residual`` (T,) is what
    jacobian, practice, drift, step and weeks have to make.
    """

    z: Floats
    jacobian: Floats
    residual: Floats
    reference: float
    reference_slope: Floats


class _Stage:
    """What does not change while a stage is fitted. K rows are not known."""

    def __init__(self, evidence: StageEvidence, quantiles: Quantiles) -> None:
        self.evidence = evidence
        self.rows = _Rows(quantiles, evidence.rows)
        self.size = len(self.rows.unknown)
        self.weights = np.ones(len(evidence.weeks))
        rho, median = evidence.walk
        self.rho = rho
        self.walks, self.walk_weights = walk_sizes(median)
        gaps = np.abs(evidence.weeks[:, None] - evidence.weeks)
        self.decay = rho**gaps
        self.variances = self.walks**2 / (1.0 - rho**2)
        covariance = np.full((self.size + 1, self.size + 1), 0.0)
        covariance[: self.size, : self.size] = STAGE_CORRELATION * WIDER**2
        covariance[np.diag_indices(self.size)] = WIDER**2
        covariance[-1, -1] = EXCESS**2
        self.prior = covariance
        self.precision = np.linalg.inv(covariance)

    @property
    def recent(self) -> Floats:
        """(1, R) what was worked on lately."""
        counts: Floats = self.evidence.counts[-8:].sum(axis=0, keepdims=True)
        return counts

    def linear(self, z: Floats) -> _Linear:
        """Linearise at a point."""
        logs, slopes = self.rows.logs(self.evidence.counts, z)
        # Scatter has mean 1, so that the logarithm of a mean of items lies below 0.
        residual = self.evidence.log_minutes - logs + slopes @ z + self.evidence.variance / 2.0
        reference, slope = self.rows.logs(self.recent, z)
        jacobian = np.column_stack([slopes, np.ones(len(logs))])
        return _Linear(z, jacobian, residual + EXCESS**2 / 2.0, float(reference[0]), slope[0])

    def noise(self, sigma: Floats, walks: Floats) -> Floats:
        """(S, Q, T, T) covariance of weeks, noise and drift."""
        weeks = (_WILDER * SCALE * sigma[:, None]) ** 2 * self.evidence.part / self.weights
        own = weeks[:, None, :, None] * np.eye(weeks.shape[1]) + self.evidence.covariance
        drift = (walks**2 / (1.0 - self.rho**2))[:, None, None] * self.decay
        return np.asarray(own + drift[None])

    def shift(self, sigma: Floats, walks: Floats) -> Floats:
        """(S, Q, T) what factors with mean 1 add to the residual."""
        weeks = log_mean_week(sigma)[:, None] * self.evidence.part
        drift = walks**2 / (1.0 - self.rho**2) / 2.0
        return np.asarray(weeks[:, None, :] + drift[None, :, None])


@dataclass(frozen=True)
class _Quadratics:
    """A stage's log evidence as quadratics in the practice exponent b, for one shape.

    Arrays (S, Q) and, for a step at one of the I places, (S, Q, I).
    """

    base: Floats
    rr: Floats
    rl: Floats
    ll: Floats
    hh: Floats
    hr: Floats
    hl: Floats
    log_prior: Floats

    def at(self, b: Floats) -> Floats:
        """(B, S, Q, 1 + I) log evidence, prior of walk and step included; first: no step."""
        b = b[:, None, None]
        plain = self.base - 0.5 * (self.rr + 2.0 * b * self.rl + b**2 * self.ll)
        h = self.hr + b[..., None] * self.hl
        inverse = 1.0 / STEP**2
        gain = 0.5 * h**2 / (self.hh + inverse) - 0.5 * np.log1p(self.hh / inverse)
        both = np.concatenate([plain[..., None], plain[..., None] + gain], axis=-1)
        return np.asarray(both + self.log_prior)


def _step_places(stage: _Stage) -> Ints:
    return np.arange(FIRST_STEP, len(stage.evidence.weeks))


def _log_prior(stage: _Stage, walk_weights: Floats) -> Floats:
    """(Q, 1 + I) of walk and step."""
    weeks = stage.evidence.weeks
    chances = STEP_CHANCE * np.array([b - a for a, b in pairwise(weeks)])[FIRST_STEP - 1 :]
    chances = np.minimum(chances, 0.02)
    steps = np.log(np.concatenate([[1.0 - chances.sum()], chances]))
    return np.asarray(np.log(walk_weights)[:, None] + steps)


def _quadratics(
    stage: _Stage,
    linear: _Linear,
    practice: Floats,
    inverse: Floats,
    log_det: Floats,
    shift: Floats,
    walk_weights: Floats,
    corner: Floats,
) -> _Quadratics:
    """Integrate coordinates and level out.

    Args:
        stage: with T stretches.
        linear: near the most probable point.
        practice: (T,) L(N) in natural logarithms.
        inverse: (S, Q, T, T) of the noise's covariance.
        log_det: (S, Q) of the covariance.
        shift: (S, Q, T) added to the residual.
        walk_weights: (Q,) prior.
        corner: (S, Q, T) sums of ``inverse`` from each diagonal place on.
    """
    grid = inverse.shape[:2]
    jacobian = np.broadcast_to(linear.jacobian, (*grid, *linear.jacobian.shape))
    right = np.stack([linear.residual + shift, np.broadcast_to(practice, shift.shape)], axis=-1)
    columns = np.concatenate([jacobian, right], axis=-1)
    solved = inverse @ columns
    gram = columns.swapaxes(-1, -2) @ solved
    size = linear.jacobian.shape[1]
    precision = stage.precision + gram[..., :size, :size]
    gain = np.linalg.solve(precision, gram[..., :size, size:])
    reduced = gram[..., size:, size:] - gram[..., size:, :size] @ gain
    places = _step_places(stage)
    # A step's column is 1 from its place on: sums from the end.
    to_end = np.flip(np.flip(solved, -2).cumsum(axis=-2), -2)[..., places, :]
    h_j = to_end[..., :size]
    h_other = to_end[..., size:] - h_j @ gain
    hh = corner[..., places] - (
        h_j * np.linalg.solve(precision, h_j.swapaxes(-1, -2)).swapaxes(-1, -2)
    ).sum(-1)
    det = np.linalg.slogdet(precision)[1] + np.linalg.slogdet(stage.prior)[1]
    return _Quadratics(
        base=-0.5 * (log_det + det),
        rr=reduced[..., 0, 0],
        rl=reduced[..., 0, 1],
        ll=reduced[..., 1, 1],
        hh=np.maximum(hh, 0.0),
        hr=h_other[..., 0],
        hl=h_other[..., 1],
        log_prior=_log_prior(stage, walk_weights),
    )


@dataclass(frozen=True)
class _Components:
    """What a stage may be like at one shape and spread: Gaussians of (z, level, drift).

    Attributes:
        mean: (M, K + 2) at b = 0, and ``slope`` its derivative by b.
        root: (M, K + 2, K + 2) symmetric roots of the covariances.
        weight: (M, 3) log weight as a quadratic in b.
        walk: (M,) weekly sd of the drift.
    """

    mean: Floats
    slope: Floats
    root: Floats
    weight: Floats
    walk: Floats


@dataclass(frozen=True)
class _StageBelief:
    """What is kept of a stage."""

    stage: Stage
    names: tuple[tuple[str, ...], ...]
    rows: _Rows
    recent: Floats
    rho: float
    last_week: float
    weeks: int
    linear: tuple[_Linear, ...]
    components: dict[tuple[int, int], _Components]


@dataclass(frozen=True)
class PaceDraw:
    """One draw of all that :func:`learn_pace` learns.

    Attributes:
        z: coordinate of each estimate's name.
        shape: of practice; ``sigma`` of the weeks.
        level: log factor of each stage that stays, and ``drift`` that of the last week on record.
        walk: weekly sd and what is left after a week, by stage.
        last_week: of each stage's evidence.
    """

    z: dict[tuple[str, ...], float]
    shape: Shape
    sigma: float
    level: dict[Stage, float]
    drift: dict[Stage, float]
    walk: dict[Stage, tuple[float, float]]
    last_week: dict[Stage, float]


@dataclass(frozen=True)
class PaceBelief:
    """The posterior of the pace. B points of practice, S of the spread.

    Attributes:
        log_weight: (shapes, B, S) normalised.
        practice_z, spread_z: (B,) and (S,) coordinates of the two estimates on the grid.
        practice_name, spread_name: their names.
    """

    shapes: tuple[Shape, ...]
    practice_z: Floats
    spread_z: Floats
    log_weight: Floats
    stages: tuple[_StageBelief, ...]
    quantiles: Quantiles
    practice_row: _Rows
    spread_row: _Rows

    @cached_property
    def _weight(self) -> Floats:
        return np.asarray(np.exp(self.log_weight))

    @cached_property
    def names(self) -> tuple[tuple[str, ...], ...]:
        """Names of the normals that a draw asks for."""
        own = [("estimate", *name) for stage in self.stages for name in stage.names]
        extra = [(what, s.stage.name) for s in self.stages for what in ("level", "drift")]
        return (("estimate", *PRACTICE), ("estimate", *SPREAD), *own, *extra)

    @cached_property
    def uniform_names(self) -> tuple[tuple[str, ...], ...]:
        """Names of the uniforms that a draw asks for."""
        return (("practice-shape",), *(("component", s.stage.name) for s in self.stages))

    def drawn(self, normals: Floats, uniforms: Floats) -> PaceDraw:
        """One draw.

        Args:
            normals: standard normals of ``names``, in their order.
            uniforms: of ``uniform_names``.
        """
        of_shape, of_practice, of_spread = self._sums
        shape = _place(of_shape, uniforms[0])
        practice = _between(self.practice_z, of_practice[shape], normals[0])
        at_b = int(np.abs(self.practice_z - practice).argmin())
        if of_practice[shape, at_b] <= 0.0:
            at_b = int(of_practice[shape].argmax())
        spread = _between(self.spread_z, self._weight[shape, at_b], normals[1])
        near = np.where(of_spread[shape] > 0.0, np.abs(self.spread_z - spread), 99.0)
        at_s = int(near.argmin())
        drawn: list[Floats] = []
        level: dict[Stage, float] = {}
        drift: dict[Stage, float] = {}
        walk: dict[Stage, tuple[float, float]] = {}
        b = _exponent(self.practice_row, practice)
        rows = 2
        extra = 2 + sum(len(stage.names) for stage in self.stages)
        for n, stage in enumerate(self.stages):
            k = len(stage.names)
            own = np.concatenate([normals[rows : rows + k], normals[extra : extra + 2]])
            rows, extra = rows + k, extra + 2
            x, size = _component(stage.components[shape, at_s], b, own, uniforms[1 + n])
            drawn.append(x[:k])
            level[stage.stage] = float(x[k])
            drift[stage.stage] = float(x[k + 1])
            walk[stage.stage] = size, stage.rho
        of_rows = np.concatenate(drawn)
        for each, more in zip(level, self._straight[shape](of_rows), strict=True):
            level[each] += more
        names = (name for stage in self.stages for name in stage.names)
        return PaceDraw(
            z={
                PRACTICE: practice,
                SPREAD: spread,
                **dict(zip(names, of_rows.tolist(), strict=True)),
            },
            shape=self.shapes[shape],
            sigma=float(self.spread_row.at(np.array([spread]))[0]),
            level=level,
            drift=drift,
            walk=walk,
            last_week={stage.stage: stage.last_week for stage in self.stages},
        )

    @cached_property
    def _sums(self) -> tuple[Floats, Floats, Floats]:
        """Weights by shape, by shape and practice, and by shape and spread."""
        weight = self._weight
        return weight.sum(axis=(1, 2)), weight.sum(axis=2), weight.sum(axis=1)

    @cached_property
    def _straight(self) -> tuple[_Straight, ...]:
        """Of each shape."""
        return tuple(_Straight(self.stages, shape) for shape in range(len(self.shapes)))


class _Straight:
    """What brings draws back to the fitted level, of all stages: linearised draws are biased."""

    def __init__(self, stages: Sequence[_StageBelief], shape: int) -> None:
        linear = [stage.linear[shape] for stage in stages]
        self.rows = _Rows.joined([stage.rows for stage in stages])
        self.recent = block_diag(*(stage.recent for stage in stages))
        self.slope = block_diag(*(each.reference_slope[None] for each in linear))
        middle = self.slope @ np.concatenate([each.z for each in linear])
        self.level = np.array([each.reference for each in linear]) - middle

    def __call__(self, z: Floats) -> list[float]:
        """What to add to each stage's level at coordinates of all rows that are not known."""
        shift = self.level + self.slope @ z - np.log(self.recent @ self.rows.at(z))
        found: list[float] = np.clip(shift, -MOST_LEVEL_SHIFT, MOST_LEVEL_SHIFT).tolist()
        return found


def _place(weights: Floats, uniform: float) -> int:
    """The place of a uniform among some weights."""
    sums = weights.cumsum()
    return min(int(np.searchsorted(sums, uniform * sums[-1], side="right")), len(weights) - 1)


def _between(points: Floats, weights: Floats, normal: float) -> float:
    """The point at a normal's probability, cells between the grid's points filled evenly."""
    if len(points) == 1:
        return float(points[0])
    middle = (points[1:] + points[:-1]) / 2.0
    edges = np.concatenate([[2 * points[0] - middle[0]], middle, [2 * points[-1] - middle[-1]]])
    sums = np.concatenate([[0.0], weights.cumsum()])
    if sums[-1] <= 0.0:
        return normal
    probability = float(ndtr(normal)) * sums[-1]
    return float(np.interp(probability, sums, edges))


def _component(
    components: _Components, b: float, normals: Floats, uniform: float
) -> tuple[Floats, float]:
    """Coordinates, level and drift of one Gaussian, and the drift's size."""
    logs = components.weight @ np.array([1.0, b, b * b])
    chosen = _place(np.exp(logs - logs.max()), uniform)
    mean = components.mean[chosen] + b * components.slope[chosen]
    return mean + components.root[chosen] @ normals, float(components.walk[chosen])


def _exponent(row: _Rows, z: float) -> float:
    """The exponent a doubling, in natural logarithms: minus the log of practice's factor."""
    value = row.at(np.array([z])[: len(row.unknown)])[0]
    return -math.log(max(1e-6, float(value)))


# --- fitting


def learn_pace(
    plan: Plan, blocks: Iterable[tuple[Stage, Sequence[Block]]], *, roughly: bool = False
) -> PaceBelief | None:
    """The posterior of the pace, or None where the returns say nothing about it.

    Args:
        plan: of the project.
        blocks: of stages with practice.
        roughly: take the practice curve to be of the project's own shape, in a fraction of the
            time: the present pace is much the same.
    """
    quantiles = plan.estimates.quantiles
    stages = []
    for stage, of_stage in blocks:
        if not of_stage:
            continue
        evidence = StageEvidence.of(plan, stage, of_stage)
        stages.append(_Stage(evidence, quantiles))
    if not stages:
        return None
    names = {number: name for name, number in plan.estimates.number.items()}
    return _Fitting(plan, stages, roughly=roughly).belief(names)


class _Fitting:
    """One fit from scratch."""

    def __init__(self, plan: Plan, stages: Sequence[_Stage], *, roughly: bool) -> None:
        self.plan = plan
        self.stages = stages
        number = plan.estimates.number
        quantiles = plan.estimates.quantiles
        self.practice = _Rows(quantiles, np.array([number[PRACTICE]]))
        self.spread = _Rows(quantiles, np.array([number[SPREAD]]))
        self.shapes = shapes(plan.project.time.practice_starts_at, plan.project.total_items)
        if roughly:
            self.shapes = self.shapes[:1]
        noise = self._usual_noise(self._weigh())
        self.linear = [self._most_probable(shape, noise) for shape in self.shapes]

    def sigmas(self, z: Floats) -> Floats:
        """(S,) week-to-week spreads at coordinates."""
        if not len(self.spread.unknown):
            return np.maximum(self.spread.known, 1e-3)
        return np.array([max(1e-3, float(self.spread.at(np.array([each]))[0])) for each in z])

    def exponents(self, z: Floats) -> Floats:
        """(B,) b at coordinates of practice."""
        return np.array([_exponent(self.practice, float(each)) for each in z])

    def _weigh(self) -> float:
        """Choose the spread that predicts each week best from the others; weigh weeks by it.

        A week of Student's t is a normal one of unknown variance; its weight is what the week lets
        one expect of one over it (Lange, Little and Taylor 1989). Residuals are those against a
        level that may move, so that a recent step is no outlier.
        """
        points = np.linspace(-2.5, 2.5, 21) if len(self.spread.unknown) else np.zeros(1)
        sigma = self.sigmas(points)
        score = -(points**2) / 2.0
        straight = self._most_probable(
            self.shapes[0], self._usual_noise(float(np.median(sigma)))
        )
        residuals = []
        for stage, (linear, b) in zip(self.stages, straight, strict=True):
            covariance = self._loose(stage, linear, stage.noise(sigma / SCALE, _LOOSE)[:, 0])
            inverse = np.linalg.inv(covariance)
            residual = linear.residual + b * self._practice(stage, self.shapes[0])
            residuals.append(residual + stage.shift(sigma, np.array([0.0]))[:, 0])
            precision = np.diagonal(inverse, axis1=-2, axis2=-1)
            alone = np.einsum("stu,su->st", inverse, residuals[-1]) / np.sqrt(precision)
            density = student.logpdf(alone / SCALE, NU) + 0.5 * np.log(precision)
            score = score + density.sum(axis=1)
        best = int(score.argmax())
        usual = sigma[best : best + 1]
        for stage, (linear, _), residual in zip(self.stages, straight, residuals, strict=True):
            of_week = SCALE**2 * usual[0] ** 2 * stage.evidence.part
            own, inverse = of_week, np.zeros((1, len(of_week), len(of_week)))
            for _ in range(6):
                own = of_week / stage.weights
                inverse = np.linalg.inv(self._loose(stage, linear, stage.noise(usual, _LOOSE)[0]))
                expected = own * (inverse[0] @ residual[best])
                square = expected**2 + own - own**2 * np.diagonal(inverse[0])
                stage.weights = (NU + 1.0) / (NU + square / of_week)
            # Where the rest of the noise hides what a week was like, weights are all but 1, and
            # what varies is the variance of Student's distribution, tails and all.
            told = own * np.diagonal(inverse[0])
            stage.weights *= told + (1.0 - told) * (NU - 2.0) / NU
        return float(usual[0])

    @staticmethod
    def _loose(stage: _Stage, linear: _Linear, noise: Floats) -> Floats:
        """Covariance of residuals, coordinates included."""
        return np.asarray(noise + linear.jacobian @ stage.prior @ linear.jacobian.T)

    @staticmethod
    def _practice(stage: _Stage, shape: Shape) -> Floats:
        return shape.of(stage.evidence.before)

    def _usual_noise(self, sigma: float) -> list[tuple[Floats, Floats]]:
        """Of each stage at one spread and the usual walk: (T, T) inverse covariance, (T,) shift."""
        spread, found = np.array([sigma]), []
        for stage in self.stages:
            walk = np.array([np.median(stage.walks)])
            inverse = np.asarray(np.linalg.inv(stage.noise(spread, walk)[0, 0]), dtype=float)
            found.append((inverse, stage.shift(spread, walk)[0, 0]))
        return found

    def _most_probable(
        self, shape: Shape, noise: Sequence[tuple[Floats, Floats]]
    ) -> list[tuple[_Linear, float]]:
        """Gauss-Newton over all stages at once: where to linearise, and the practice there."""
        at = [np.zeros(stage.size) for stage in self.stages]
        practice = 0.0
        known = not len(self.practice.unknown) or shape.scale == 0.0
        linear = [stage.linear(z) for stage, z in zip(self.stages, at, strict=True)]
        for _ in range(5):
            b = _exponent(self.practice, practice)
            rate = (_exponent(self.practice, practice + 1e-4) - b) / 1e-4
            information, pull = 1.0 / WIDER**2, -practice / WIDER**2
            gains = []
            for stage, own, (inverse, shift) in zip(self.stages, linear, noise, strict=True):
                curve = self._practice(stage, shape)
                columns = np.column_stack(
                    [own.jacobian, own.residual + shift + b * curve, curve]
                )
                # Coordinates and level integrated out: Woodbury's identity.
                gram, size = columns.T @ (inverse @ columns), stage.size + 1
                precision = stage.precision + gram[:size, :size]
                gain = np.linalg.solve(precision, gram[:size, size:])
                reduced = gram[size:, size:] - gram[size:, :size] @ gain
                information += rate**2 * float(reduced[1, 1])
                pull -= rate * float(reduced[1, 0])
                gains.append(gain)
            if not known:
                step = pull / information
                practice = min(max(practice + min(max(step, -1.0), 1.0), -3.0), 3.0)
            b_new = _exponent(self.practice, practice)
            for n, (gain, own) in enumerate(zip(gains, linear, strict=True)):
                wanted = gain @ np.array([1.0, b_new - b])
                move = np.clip(wanted[:-1] - own.z, -1.0, 1.0)
                at[n] = np.clip(own.z + move, -_MOST_Z, _MOST_Z)
            linear = [stage.linear(z) for stage, z in zip(self.stages, at, strict=True)]
        b = _exponent(self.practice, practice)
        return [(own, b) for own in linear]

    def _prepared(self, spread_z: Floats, *, coarse: bool) -> list[_Prepared]:
        """Inverse covariances of each stage, their determinants, shifts and walks' weights."""
        sigma = self.sigmas(spread_z)
        prepared: list[_Prepared] = []
        for stage in self.stages:
            keep = slice(1, None, 2) if coarse else slice(None)
            walks, weights = stage.walks[keep], stage.walk_weights[keep]
            covariance = stage.noise(sigma, walks)
            log_det = np.asarray(np.linalg.slogdet(covariance)[1], dtype=float)
            shift = stage.shift(sigma, walks)
            inverse = np.asarray(np.linalg.inv(covariance), dtype=float)
            both = np.flip(np.flip(inverse, (-2, -1)).cumsum(axis=-1).cumsum(axis=-2), (-2, -1))
            corner = np.diagonal(both, axis1=-2, axis2=-1).copy()
            prepared.append((inverse, log_det, shift, weights / weights.sum(), corner))
        return prepared

    def _evidence(
        self, practice_z: Floats, spread_z: Floats, prepared: Sequence[_Prepared]
    ) -> tuple[Floats, list[list[_Quadratics]]]:
        """(shapes, B, S) log posterior on a grid, not normalised; what it is made of."""
        b = self.exponents(practice_z)
        prior = -((practice_z[:, None] / WIDER) ** 2) / 2.0 - spread_z**2 / 2.0
        total = np.array([math.log(shape.weight) for shape in self.shapes])[:, None, None] + prior
        parts: list[list[_Quadratics]] = []
        for k, shape in enumerate(self.shapes):
            of_shape = []
            for n, (stage, ready) in enumerate(zip(self.stages, prepared, strict=True)):
                curve = self._practice(stage, shape)
                each = _quadratics(stage, self.linear[k][n][0], curve, *ready)
                total[k] += _log_sum(each.at(b), axis=(-2, -1))
                of_shape.append(each)
            parts.append(of_shape)
        return total, parts

    def _grids(self) -> tuple[Floats, Floats]:
        """Points of practice and of the spread where the posterior is."""
        practice = WIDER * np.linspace(-3.2, 3.2, 33) if len(self.practice.unknown) else np.zeros(1)
        spread = np.linspace(-3.0, 3.0, 9) if len(self.spread.unknown) else np.zeros(1)
        total, _ = self._evidence(practice, spread, self._prepared(spread, coarse=True))
        weight = np.exp(total - total.max())
        of_shape = weight.sum(axis=(1, 2))
        likely = of_shape >= _LEAST_WEIGHT * of_shape.sum()
        self.shapes = tuple(compress(self.shapes, likely))
        self.linear = list(compress(self.linear, likely))
        return (
            _finer(practice, weight.sum(axis=(0, 2)), 33),
            _finer(spread, weight.sum(axis=(0, 1)), 9),
        )

    def belief(self, names: dict[int, tuple[str, ...]]) -> PaceBelief:
        """The posterior, ready to be drawn from."""
        practice_z, spread_z = self._grids()
        prepared = self._prepared(spread_z, coarse=False)
        total, parts = self._evidence(practice_z, spread_z, prepared)
        total = self._widened(total, spread_z)
        weight = np.exp(total - _log_sum(total))
        pairs = weight.sum(axis=1)
        weight *= (pairs >= _LEAST_WEIGHT)[:, None, :]
        weight /= weight.sum()
        b = self.exponents(practice_z)
        with np.errstate(divide="ignore"):
            log_weight = np.log(weight)
        found = []
        for n, stage in enumerate(self.stages):
            components = {}
            for k, s in zip(*np.nonzero(pairs >= _LEAST_WEIGHT), strict=True):
                usual = b[int(weight[k, :, s].argmax())]
                components[int(k), int(s)] = _components(
                    stage,
                    self.linear[k][n][0],
                    self._practice(stage, self.shapes[k]),
                    parts[k][n],
                    int(s),
                    float(usual),
                    prepared[n][0][s],
                    prepared[n][2][s],
                )
            rows = stage.evidence.rows[stage.rows.unknown]
            found.append(
                _StageBelief(
                    stage=stage.evidence.stage,
                    names=tuple(names[int(number)] for number in rows),
                    rows=stage.rows,
                    recent=stage.recent,
                    rho=stage.rho,
                    last_week=float(stage.evidence.weeks[-1]),
                    weeks=round(
                        float((1.0 / stage.evidence.part)[stage.evidence.before > 0.0].sum())
                    ),
                    linear=tuple(each[n][0] for each in self.linear),
                    components=components,
                )
            )
        return PaceBelief(
            shapes=self.shapes,
            practice_z=practice_z,
            spread_z=spread_z,
            log_weight=log_weight,
            stages=tuple(found),
            quantiles=self.plan.estimates.quantiles,
            practice_row=self.practice,
            spread_row=self.spread,
        )

    def _widened(self, total: Floats, spread_z: Floats) -> Floats:
        """Fixed weights make the spread look better known than it is: blur its logarithm."""
        if len(spread_z) == 1:
            return total
        logs = np.log(self.sigmas(spread_z))
        stretches = sum(len(stage.evidence.weeks) for stage in self.stages)
        distance = (logs[:, None] - logs) ** 2 / (_WIDEN / stretches)
        # Of each column as much as of every other: a kernel that keeps its weight.
        kernel = np.exp(-distance / 2.0) * np.gradient(logs)[:, None]
        kernel /= kernel.sum(axis=0, keepdims=True)
        with np.errstate(divide="ignore"):
            return np.asarray(
                _log_sum(total[..., None, :] + np.log(np.maximum(kernel, 1e-300)), axis=-1)
            )


def _finer(points: Floats, weight: Floats, number: int) -> Floats:
    """A grid over the part of another that has weight."""
    if len(points) == 1:
        return points
    weight = weight / weight.sum()
    at = np.flatnonzero(weight > 1e-5)
    first, last = max(0, at[0] - 1), min(len(points) - 1, at[-1] + 1)
    low, high = points[first], points[last]
    if at[0] == at[-1]:
        low, high = (points[first] + points[at[0]]) / 2.0, (points[last] + points[at[0]]) / 2.0
    return np.linspace(low, high, number)


def _components(
    stage: _Stage,
    linear: _Linear,
    practice: Floats,
    quadratics: _Quadratics,
    s: int,
    usual: float,
    inverse: Floats,
    shift: Floats,
) -> _Components:
    """Gaussians of (z, level that stays, drift of the last week) at one shape and spread.

    Args:
        stage: with T stretches.
        linear: of the shape.
        practice: (T,) L(N).
        quadratics: of the shape.
        s: which spread.
        usual: b at which components are weighed to leave the slight ones out.
        inverse: (Q, T, T) of the noise.
        shift: (Q, T) added to the residual.
    """
    logs = quadratics.at(np.array([usual]))[0, s]
    weights = np.exp(logs - _log_sum(logs))
    chosen = np.argwhere(weights >= min(_LEAST_COMPONENT, float(weights.max())))
    q, step = chosen.T
    mean, slope, root = _gaussians(stage, linear, practice, step, q, inverse, shift)
    return _Components(
        mean=mean,
        slope=slope,
        root=root,
        weight=np.array([_weight_of(quadratics, s, int(q), int(i)) for q, i in chosen]),
        walk=stage.walks[q],
    )


def _weight_of(quadratics: _Quadratics, s: int, q: int, i: int) -> tuple[float, float, float]:
    """Log weight of a component as a quadratic in b."""
    each = quadratics
    constant = each.base[s, q] - 0.5 * each.rr[s, q] + each.log_prior[q, i]
    first, second = -each.rl[s, q], -0.5 * each.ll[s, q]
    if i:
        inverse = 1.0 / STEP**2
        hh, hr, hl = (array[s, q, i - 1] for array in (each.hh, each.hr, each.hl))
        constant += 0.5 * hr**2 / (hh + inverse) - 0.5 * math.log1p(hh / inverse)
        first += hr * hl / (hh + inverse)
        second += 0.5 * hl**2 / (hh + inverse)
    return float(constant), float(first), float(second)


def _gaussians(
    stage: _Stage,
    linear: _Linear,
    practice: Floats,
    step: Ints,
    q: Ints,
    inverse: Floats,
    shift: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Means at b = 0, their slopes by b, and roots of M Gaussians.

    Args:
        stage: with T stretches.
        linear: of the shape.
        practice: (T,) L(N).
        step: (M,) number of the step's place; 0: no step.
        q: (M,) which walk.
        inverse: (Q, T, T) of the noise.
        shift: (Q, T) added to the residual.
    """
    size = linear.jacobian.shape[1]
    stretches, many = len(practice), len(q)
    begin = np.concatenate([[stretches], _step_places(stage)])[step]
    column = (np.arange(stretches) >= begin[:, None]).astype(float)
    design = np.empty((many, stretches, size + 1))
    design[..., :size] = linear.jacobian
    design[..., size] = column
    precision = np.zeros((size + 1, size + 1))
    precision[:size, :size] = stage.precision
    precision[size, size] = 1.0 / STEP**2
    solved = inverse[q]
    last = stage.variances[q, None] * stage.decay[-1]
    with_last = (last[:, None, :] @ solved)[:, 0]
    weighted = design.swapaxes(-1, -2) @ solved
    covariance = np.linalg.inv(precision + weighted @ design)
    right = np.stack([linear.residual + shift[q], np.broadcast_to(practice, last.shape)], axis=-1)
    means = covariance @ (weighted @ right)
    of_last = with_last[:, None, :] @ design
    of_drift = with_last[:, None, :] @ right - of_last @ means
    across = -(of_last @ covariance)[:, 0]
    left = stage.variances[q] - (with_last * last).sum(axis=-1)
    joint = np.empty((many, size + 2, size + 2))
    joint[:, :-1, :-1] = covariance
    joint[:, -1, :-1] = joint[:, :-1, -1] = across
    joint[:, -1, -1] = left - (across[:, None, :] @ of_last.swapaxes(-1, -2))[:, 0, 0]
    # Level and step are one from now on; a step that there is not is none.
    gather = np.zeros((many, size + 1, size + 2))
    gather[:, np.arange(size), np.arange(size)] = 1.0
    gather[:, size - 1, size] = step > 0
    gather[:, size, -1] = 1.0
    joint = gather @ joint @ gather.swapaxes(-1, -2)
    means = gather @ np.concatenate([means, of_drift], axis=-2)
    # What makes level's and drift's factors have mean 1 before anything is known.
    means[:, size - 1, 0] -= EXCESS**2 / 2.0
    means[:, size, 0] -= stage.variances[q] / 2.0
    values, vectors = np.linalg.eigh(joint)
    roots = np.sqrt(np.maximum(values, 0.0))[:, None, :]
    return means[..., 0], means[..., 1], (vectors * roots) @ vectors.swapaxes(-1, -2)
