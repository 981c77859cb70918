"""Differences of two plans that met the same luck, with their own intervals, and when to stop.

Replication i of one plan and replication i of the other are one pair. The difference is worked out
within each pair, so that the luck both share cancels (Law, Simulation Modeling and Analysis,
ch. 11). A difference is always the plan less the base; a day number of -1 is later than any date.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from forecast.outcome import NOT_BY_HORIZON, odds_interval, quantile

__all__ = [
    "Better",
    "Interval",
    "Known",
    "OpenInterval",
    "better_share",
    "identical",
    "nothing_shown",
    "odds_difference",
    "paired_t",
    "quantile_difference",
    "runs_needed",
    "until_known",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_RESAMPLES = 1_000
_ROOM = 400_000  # futures resampled at once: a few megabytes


@dataclass(frozen=True)
class Interval:
    """An estimate and the interval that covers the truth in a share ``level`` of all samples."""

    estimate: float
    low: float
    high: float
    level: float = 0.95

    @property
    def half_width(self) -> float:
        """The longer of its two arms: the estimate is known to within this."""
        return max(self.estimate - self.low, self.high - self.estimate)


@dataclass(frozen=True)
class OpenInterval:
    """As :class:`Interval`, of dates, some of which may not be reached by the horizon.

    Attributes:
        estimate: days; None where one of the two dates, or both, is not by the horizon.
        low: days; None: no lower bound is known. high: None: no upper bound is known.
    """

    estimate: float | None
    low: float | None
    high: float | None
    level: float = 0.95


@dataclass(frozen=True)
class Better:
    """In which share of the futures a plan is better than the base; the three add up to 1.

    Attributes:
        better: the plan is better. equal: both come to the same. worse: the base is better.
        low, high: 95 % Monte Carlo interval of ``better`` (Wilson 1927).
    """

    better: float
    equal: float
    worse: float
    low: float
    high: float


@dataclass(frozen=True)
class Known:
    """How :func:`until_known` ended.

    Attributes:
        replications: how many were run. reached: whether everything is known as well as wished.
    """

    replications: int
    reached: bool


# --- intervals ---------------------------------------------------------------------------------


def paired_t(differences: NDArray[Any], level: float = 0.95) -> Interval:
    """Mean of paired differences with Student's interval (Student 1908).

    Args:
        differences: (R,) plan less base, one a replication, any unit.
        level: of confidence.

    Raises:
        ValueError: fewer than two differences tell nothing of their spread.

    >>> found = paired_t(np.array([1.0, 2.0, 3.0]))
    >>> found.estimate, round(found.low, 3), round(found.high, 3)
    (2.0, -0.484, 4.484)
    """
    values = np.asarray(differences, dtype=float)
    n = len(values)
    if n < 2:
        raise ValueError("a mean difference has an interval from two replications on")
    mean = float(values.mean())
    half = _t(n, level) * float(values.std(ddof=1)) / math.sqrt(n)
    return Interval(mean, mean - half, mean + half, level)


def odds_difference(
    plan: NDArray[Any], base: NDArray[Any], level: float = 0.95, *, same: bool = False
) -> Interval:
    """Difference of two odds that were counted in the same replications.

    Square-and-add interval of paired proportions from Wilson's intervals, with the correction of
    the correlation (Newcombe 1998, Statistics in Medicine 17, 2635-2650, method 10). Where no pair
    differs it is narrow, but not of width zero: in more futures some might. There it is as wide
    at least as the exact limits of a share of which nothing was seen (Clopper and Pearson 1934),
    because Newcombe's alone covered 87 % of truths where 1 of 100 pairs differs, 200 pairs.

    Args:
        plan: (R,) whether each replication kept the promise.
        base: (R,) the same of the base.
        level: of confidence.
        same: the two plans do not differ in any replication in anything (:func:`identical` of
            whole outcomes): then the difference is zero, and there is nothing to doubt.

    Raises:
        ValueError: there is no replication, or not as many of one plan as of the other.

    >>> found = odds_difference(np.arange(50) < 46, np.arange(50) < 40)
    >>> round(found.estimate, 2), round(found.low, 3), round(found.high, 3)
    (0.12, 0.02, 0.234)
    """
    ours, theirs = _pairs(np.asarray(plan, dtype=bool), np.asarray(base, dtype=bool))
    if same:
        return Interval(0.0, 0.0, 0.0, level)
    n = len(ours)
    p, q = float(ours.mean()), float(theirs.mean())
    p_low, p_high = _wilson(p, n, level)
    q_low, q_high = _wilson(q, n, level)
    phi = _correlation(ours, theirs)
    down = _square_and_add(p - p_low, q_high - q, phi)
    up = _square_and_add(p_high - p, q - q_low, phi)
    if not (ours != theirs).any():
        unseen = 1.0 - ((1.0 - level) / 2.0) ** (1.0 / n)
        down, up = max(down, unseen), max(up, unseen)
    return Interval(p - q, max(-1.0, p - q - down), min(1.0, p - q + up), level)


def _square_and_add(one: float, other: float, phi: float) -> float:
    return math.sqrt(max(0.0, one * one - 2.0 * phi * one * other + other * other))


def _correlation(ours: Bools, theirs: Bools) -> float:
    """Phi of the fourfold table, with Newcombe's continuity correction if it is positive."""
    n = len(ours)
    both, neither = int((ours & theirs).sum()), int((~ours & ~theirs).sum())
    only_ours, only_theirs = int((ours & ~theirs).sum()), int((~ours & theirs).sum())
    margins = (both + only_ours) * (neither + only_theirs)
    margins *= (both + only_theirs) * (neither + only_ours)
    if not margins:
        return 0.0
    odd = float(both * neither - only_ours * only_theirs)
    return (max(odd - n / 2.0, 0.0) if odd > 0 else odd) / math.sqrt(margins)


def quantile_difference(
    plan: NDArray[Any], base: NDArray[Any], probability: float, level: float = 0.95, seed: int = 0
) -> OpenInterval:
    """Difference of a quantile of two plans' day numbers, such as the median finish.

    The interval is the percentile bootstrap of whole pairs (Efron and Tibshirani 1993, ch. 13),
    its ends rounded outwards to a difference that some resample shows. A resample in which a
    quantile is not by the horizon leaves the side open on which the difference would lie; one in
    which both are not leaves both sides open.

    Args:
        plan: (R,) day numbers; -1 is later than any.
        base: (R,) the same of the base.
        probability: of the quantile (as in :func:`forecast.outcome.quantile`).
        level: of confidence.
        seed: of the resampling.

    Raises:
        ValueError: there is no replication, or not as many of one plan as of the other.

    >>> quantile_difference(np.array([4, 6, 8]), np.array([14, 16, 18]), 0.5)
    OpenInterval(estimate=-10.0, low=-10.0, high=-10.0, level=0.95)
    """
    pair = np.stack(_pairs(np.asarray(plan), np.asarray(base)))
    ours, theirs = (int(quantile(days.astype(np.int64), probability)) for days in pair)
    unknown = NOT_BY_HORIZON in (ours, theirs)
    estimate = None if unknown else float(ours - theirs)
    if unknown and ours == theirs:
        return OpenInterval(None, None, None, level)
    lows, highs = _resampled(_later(pair), probability, seed)
    low = float(np.quantile(lows, (1.0 - level) / 2.0, method="lower"))
    high = float(np.quantile(highs, (1.0 + level) / 2.0, method="higher"))
    return OpenInterval(
        estimate,
        low if math.isfinite(low) else None,
        high if math.isfinite(high) else None,
        level,
    )


def _resampled(pair: Floats, probability: float, seed: int) -> tuple[Floats, Floats]:
    """Differences of the quantile in many resamples: as low, and as high, as they can be."""
    rng = np.random.default_rng(seed)
    n = pair.shape[1]
    at = max(0, math.ceil(probability * n - 1e-9) - 1)
    found, wanted, room = [], _RESAMPLES, max(1, _ROOM // n)
    while wanted > 0:
        drawn = rng.integers(0, n, (min(room, wanted), n))
        found.append(np.partition(pair[:, drawn], at, axis=2)[:, :, at])
        wanted -= len(drawn)
    ours, theirs = np.concatenate(found, axis=1)
    neither = np.isinf(ours) & np.isinf(theirs)
    difference = np.where(neither, 0.0, ours) - np.where(neither, 0.0, theirs)
    return np.where(neither, -math.inf, difference), np.where(neither, math.inf, difference)


def nothing_shown(interval: Interval | OpenInterval) -> bool:
    """Whether the futures show no difference: the interval holds zero, or is open that far.

    An interval that is zero from end to end shows that there is none, and that is also nothing.
    """
    low, high = interval.low, interval.high
    return (low is None or low <= 0.0) and (high is None or high >= 0.0)


def better_share(
    plan: NDArray[Any], base: NDArray[Any], best: Literal["earlier", "less", "more"]
) -> Better:
    """The share of futures in which a plan comes out better than the base.

    Args:
        plan: (R,) what each replication came to.
        base: (R,) the same of the base.
        best: what is better: ``earlier`` (day numbers; -1 is later than any, and two of them are
            equal), ``less`` (as of money) or ``more`` (as of items).

    Raises:
        ValueError: there is no replication, or not as many of one plan as of the other.

    >>> better_share(np.array([5, 9, -1, 7]), np.array([6, 8, -1, -1]), "earlier").better
    0.5
    """
    ours, theirs = _pairs(np.asarray(plan), np.asarray(base))
    if best == "earlier":
        ours, theirs = _later(ours), _later(theirs)
    more, less = float((ours > theirs).mean()), float((ours < theirs).mean())
    better, worse = (more, less) if best == "more" else (less, more)
    return Better(better, float((ours == theirs).mean()), worse, *odds_interval(better, len(ours)))


def identical(plan: NDArray[Any], base: NDArray[Any]) -> bool:
    """Whether two plans came to the same in every replication; not a number equals itself."""
    ours, theirs = np.asarray(plan), np.asarray(base)
    if ours.dtype.kind == "f" and theirs.dtype.kind == "f":
        return bool(np.array_equal(ours, theirs, equal_nan=True))
    return bool(np.array_equal(ours, theirs))


# --- when to stop ------------------------------------------------------------------------------


def runs_needed(differences: NDArray[Any], half_width: float, level: float = 0.95) -> int:
    """How many replications are expected to make the interval of a mean as narrow as wished.

    The smallest n, from as many as there are on, for which Student's half-width with the spread
    seen so far is at most ``half_width`` (Law, Simulation Modeling and Analysis, ch. 9).

    Args:
        differences: (R,) values so far, at least two.
        half_width: wished for, in their unit, above 0.
        level: of confidence.

    >>> runs_needed(np.array([1.0, 2.0, 3.0]), 0.5)
    18
    """
    values = np.asarray(differences, dtype=float)
    spread = float(values.std(ddof=1))
    n = max(len(values), math.floor((_z(level) * spread / half_width) ** 2))
    # The quantile of Student's distribution is larger than the normal one, but not by much.
    while _t(n, level) * spread / math.sqrt(n) > half_width:
        n += 1
    return n


def until_known(
    intervals: Callable[[int], Sequence[Interval]],
    half_width: float | Sequence[float],
    *,
    first: int = 200,
    most: int = 10_000,
) -> Known:
    """Run replications until every interval is as narrow as wished, or a budget is used up.

    A fixed-width sequential interval (Chow and Robbins 1965): look, stop at the first look at which
    the half-width is at most the one wished for. Stopping by what is seen favours samples whose
    spread happens to look small; a first sample of at least 100 or so keeps what is lost in
    coverage below one point (measured in the tests). Between looks the sample grows by what seems
    to be missing, but at least by a quarter and at most to the double, so that there are few looks.

    Args:
        intervals: all differences that are to be known, after so many replications in all.
        half_width: wished for: one for all, or one for each interval.
        first: the first look; also the smallest sample.
        most: the budget, replications.

    Raises:
        ValueError: a first sample of fewer than two, or a budget below it.
    """
    if not 2 <= first <= most:
        raise ValueError("the first look comes after two or more replications, within the budget")
    n = first
    while True:
        found = intervals(n)
        wished = [half_width] * len(found) if isinstance(half_width, float | int) else half_width
        ratio = max(
            (one.half_width / width for one, width in zip(found, wished, strict=True)), default=0.0
        )
        if ratio <= 1.0 or n >= most:
            return Known(n, ratio <= 1.0)
        n = min(most, math.ceil(n * min(2.0, max(1.25, ratio * ratio))))


# --- small things ------------------------------------------------------------------------------


def _pairs(ours: NDArray[Any], theirs: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    if ours.shape != theirs.shape or not len(ours):
        raise ValueError(
            "two plans are compared in the same replications, one at least: "
            f"{len(ours)} and {len(theirs)}"
        )
    return ours, theirs


def _later(days: NDArray[Any]) -> Floats:
    """Day numbers as they compare: not by the horizon is later than any."""
    return np.where(days == NOT_BY_HORIZON, math.inf, days.astype(float))


def _wilson(odds: float, n: int, level: float) -> tuple[float, float]:
    z2 = _z(level) ** 2
    centre, half = odds + z2 / (2 * n), math.sqrt(z2 * (odds * (1 - odds) / n + z2 / (4 * n * n)))
    return max(0.0, (centre - half) / (1 + z2 / n)), min(1.0, (centre + half) / (1 + z2 / n))


def _z(level: float) -> float:
    return float(ndtri((1.0 + level) / 2.0))


def _t(n: int, level: float) -> float:
    return float(stdtrit(n - 1, (1.0 + level) / 2.0))
