"""Estimates that the returns speak of one by one: shares, absence, delivered time, drying days.

Each keeps its standard-normal coordinate z, where the estimate is x = Q(Phi(z)); its prior is
N(0, 1) without evidence, and somewhat wider with it (:data:`WIDER`). The posterior stands on a grid
of z, exact but for the grid, and a draw is the point at the probability of a normal of that name.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, expit, gammaln, log_ndtr, logit, logsumexp, ndtr

from forecast.estimates import Estimate, Quantiles

__all__ = [
    "WIDER",
    "Delivered",
    "DryingTime",
    "OneNumber",
    "absence",
    "delivered",
    "drying",
    "log_censored_lognormal",
    "logit_of",
    "share",
    "share_kinds",
    "share_of",
]

# Three numbers are mostly too narrow: as soon as there is evidence, what they estimate is believed
# to err so much more than they say.
WIDER = 1.25

_GRID = np.linspace(-5.0, 5.0, 401)
_LOG_PRIOR = -((_GRID / WIDER) ** 2) / 2.0

# Weekly overdispersion of a share: correlation of two items of one week, and prior weights.
_WEEKS_OWN = ((0.0, 0.5), (0.02, 0.3), (0.08, 0.2))

# Weekly delivered share: AR(1) on the logit. The sd of its level, and what is left after a week.
_SHARE_SDS = (0.0, 0.05, 0.12, 0.25, 0.5)
_SHARE_LEFT = (0.0, 0.5, 0.8, 0.95)
_SHARE_NOISE = 0.03  # of a week's hours as they are written down, on the logit

# How far the simulated share of waiting time is out, as a share of it: throughout, and for some
# weeks; from futures of the demo against the mean of others.
_IDLE_ALWAYS = 0.12
_IDLE_OF_WEEK = 0.4
_IDLE_LEFT = 0.7  # of a week's error in the next

_BATCH_CORRELATION = 0.10  # of items that were put in and taken out together

Floats = NDArray[np.float64]
LogLikelihood = Callable[[Floats], Floats]


@dataclass(frozen=True)
class OneNumber:
    """The posterior of one coordinate on a grid. ``observations`` is how much it rests on."""

    grid: Floats
    below: Floats
    observations: float

    @classmethod
    def of(cls, log_density: Floats, observations: float, grid: Floats = _GRID) -> OneNumber:
        """From the log posterior density, up to a constant, at the grid's points."""
        weight = np.exp(log_density - log_density.max())
        cells = (weight[1:] + weight[:-1]) / 2.0 * np.diff(grid)
        below = np.concatenate([[0.0], cells.cumsum()])
        return cls(grid, below / below[-1], observations)

    def at(self, normal: float) -> float:
        """The coordinate at the probability of a standard normal."""
        return float(np.interp(float(ndtr(normal)), self.below, self.grid))


def _values(estimate: Estimate, grid: Floats) -> Floats:
    """The estimate's values at coordinates; of one that is known, itself."""
    if estimate.is_known:
        return np.full(len(grid), estimate.likely)
    one = Quantiles.of([estimate] * len(grid))
    uniforms: NDArray[np.float64] = np.asarray(ndtr(grid))
    return one.at(uniforms)


def _posterior(estimate: Estimate, log_likelihood: LogLikelihood, observations: float) -> OneNumber:
    values = _values(estimate, _GRID)
    return OneNumber.of(log_likelihood(values) + _LOG_PRIOR, observations)


def share(estimate: Estimate, happened: Sequence[int], among: Sequence[int]) -> OneNumber | None:
    """A share from how often something happened, week by week.

    Beta-binomial, so that good and bad weeks do not pass for knowledge; their correlation is
    averaged over by the evidence.

    Args:
        estimate: of the share.
        happened: how often, each week.
        among: how often it could have.
    """
    k, n = np.array(happened, dtype=float), np.array(among, dtype=float)
    n = np.maximum(n, k)
    if estimate.is_known or n.sum() == 0.0:
        return None

    def log_likelihood(x: Floats) -> Floats:
        x = np.clip(x, 1e-9, 1.0 - 1e-9)[:, None]
        parts = []
        for correlation, weight in _WEEKS_OWN:
            if correlation == 0.0:
                each = k * np.log(x) + (n - k) * np.log1p(-x)
            else:
                size = 1.0 / correlation - 1.0
                a, b = x * size, (1.0 - x) * size
                each = betaln(a + k, b + n - k) - betaln(a, b)
            parts.append(each.sum(axis=1) + math.log(weight))
        return np.asarray(logsumexp(np.array(parts), axis=0))

    return _posterior(estimate, log_likelihood, float(n.sum()))


def absence(
    estimate: Estimate, away_days: float, rostered_days: float, year: float, spell: float
) -> OneNumber | None:
    """Days of absence a year from the days that people were away.

    Spells of a geometric length begin at random, so days are overdispersed by 2 L - 1: a negative
    binomial with that mean and variance.

    Args:
        estimate: days a year.
        away_days: days away of all persons.
        rostered_days: days that they were rostered.
        year: working days a year.
        spell: average length of a spell in days.
    """
    if estimate.is_known or rostered_days <= 0.0:
        return None
    inflation = 2.0 * spell - 1.0

    def log_likelihood(x: Floats) -> Floats:
        mean = np.maximum(x / year * rostered_days, 1e-9)
        if inflation <= 1.0:
            return np.asarray(away_days * np.log(mean) - mean)
        size = mean / (inflation - 1.0)
        return np.asarray(gammaln(away_days + size) - gammaln(size) - size * math.log(inflation))

    return _posterior(estimate, log_likelihood, rostered_days)


# --- delivered share


@dataclass(frozen=True)
class Delivered:
    """The delivered share: its coordinate, and how weeks differ (AR(1) on the logit).

    Attributes:
        number: of the estimate's coordinate, whatever the weeks are like.
        weight: (M,) of each pair of ``sd`` and ``left``; ``last`` (M,) and ``last_slope`` the mean
            of the last week's deviation, as a line in the logit of the share; ``last_sd`` its sd.
        last_week: number of the last week with hours.
    """

    number: OneNumber
    weight: Floats
    sd: Floats
    left: Floats
    last: Floats
    last_slope: Floats
    last_sd: Floats
    last_week: int

    def deviations(self, z_logit: float, weeks: Floats, uniform: float, normals: Floats) -> Floats:
        """(W,) deviations of weeks to come on the logit.

        Args:
            z_logit: logit of the share drawn.
            weeks: (W,) numbers of weeks, rising, after the last on record.
            uniform: chooses how weeks differ.
            normals: (W + 1,) the first for the last week on record.
        """
        sums = self.weight.cumsum()
        m = min(int(np.searchsorted(sums, uniform * sums[-1], side="right")), len(sums) - 1)
        sd, left = self.sd[m], self.left[m]
        now = self.last[m] + self.last_slope[m] * z_logit + self.last_sd[m] * normals[0]
        at = np.maximum(np.concatenate([[self.last_week], weeks]), float(self.last_week))
        kept = left ** np.diff(at)
        moved = sd * np.sqrt(1.0 - kept**2) * normals[1:]
        out = []
        for of_now, more in zip(kept.tolist(), moved.tolist(), strict=True):
            now = of_now * now + more
            out.append(now)
        return np.array(out)


def delivered(
    estimate: Estimate,
    weeks: Sequence[int],
    shares: Sequence[float],
    factor: float,
    variance: Sequence[float],
    idle: Sequence[float],
    shows: tuple[float, float] = (0.75, 1.0),
) -> Delivered | None:
    """The delivered share from weekly shares of rostered hours at the stages.

    Args:
        estimate: of the share.
        weeks: numbers of the weeks, rising.
        shares: logged hours / rostered hours, each week.
        factor: what the share is multiplied with to be such a share: 1 - absence, where absence
            was not told apart.
        variance: of the logit of each, from absence.
        idle: what waiting for work, as simulated, has moved the logit of each by.
        shows: the share at which waiting was simulated, and how much of a change of the share shows
            in the hours that are worked: 1 where nobody waits or all wait for each other, 0 where
            limits alone say how long people work.
    """
    if estimate.is_known or not weeks:
        return None
    values = np.clip(_values(estimate, _GRID) * factor, 1e-3, 1.0 - 1e-3)
    at, felt = logit_of(shows[0] * factor), shows[1]
    level: Floats = np.asarray(at + felt * (logit(values) - at))
    observed: Floats = np.asarray(logit(np.clip(np.array(shares), 0.01, 0.99)))
    number = np.array(weeks, dtype=float)
    gaps = np.abs(number[:, None] - number)
    waiting = np.outer(idle, idle)
    noise = np.diag(np.array(variance) + _SHARE_NOISE**2) + _IDLE_ALWAYS**2 * waiting
    noise += _IDLE_OF_WEEK**2 * waiting * _IDLE_LEFT**gaps
    ones = np.ones(len(number))
    logs, kept = [], []
    for sd, left in share_kinds():
        own = sd**2 * left**gaps
        seen = felt**2 * own + noise
        inverse = np.linalg.inv(seen)
        log_det = np.linalg.slogdet(seen)[1]
        oo, oy, yy = ones @ inverse @ ones, ones @ inverse @ observed, observed @ inverse @ observed
        logs.append(-0.5 * (log_det + yy - 2.0 * level * oy + level**2 * oo))
        last = felt * own[-1] @ inverse
        left_over = max(0.0, sd**2 - felt * float(last @ own[-1]))
        # The mean in the logit of the share itself, whatever shows of it.
        middle = float(last @ observed) - (1.0 - felt) * at * float(last @ ones)
        slope = -felt * float(last @ ones)
        kept.append((sd, left, middle, slope, math.sqrt(left_over)))
    both = np.array(logs) + _LOG_PRIOR
    table = np.array(kept)
    return Delivered(
        number=OneNumber.of(logsumexp(both, axis=0), float(len(weeks))),
        weight=np.exp(logsumexp(both, axis=1) - logsumexp(both)),
        sd=table[:, 0],
        left=table[:, 1],
        last=table[:, 2],
        last_slope=table[:, 3],
        last_sd=table[:, 4],
        last_week=int(weeks[-1]),
    )


def share_kinds() -> list[tuple[float, float]]:
    """How weeks may differ; without any difference it does not matter what is left of it."""
    return [
        (sd, left)
        for sd, left in product(_SHARE_SDS, _SHARE_LEFT)
        if sd > 0.0 or left == _SHARE_LEFT[0]
    ]


def logit_of(value: float) -> float:
    """The logit of a share, kept off 0 and 1."""
    return float(logit(min(max(value, 1e-6), 1.0 - 1e-6)))


def share_of(logits: Floats) -> Floats:
    """Shares of logits."""
    return np.asarray(expit(logits))


# --- drying


@dataclass(frozen=True)
class DryingTime:
    """How long a batch's items took, as far as the return tells.

    Attributes:
        more_than, at_most: days before the month's factor; ``at_most`` is infinite while they dry.
        items: of the batch.
        shares: of each drying row among such items.
    """

    more_than: float
    at_most: float
    items: float
    shares: tuple[float, ...]


def log_censored_lognormal(more_than: Floats, at_most: Floats, mu: Floats, sigma: float) -> Floats:
    """Log probability that a lognormal lies between two values; the second may be infinite.

    Args:
        more_than: (n,), 0 or more.
        at_most: (n,), above ``more_than``.
        mu: (m, 1) or a number, of the logarithm.
        sigma: of the logarithm.

    Returns:
        (m, n).
    """
    with np.errstate(divide="ignore"):
        low = (np.log(more_than) - mu) / sigma
        high = (np.log(at_most) - mu) / sigma
    # In the upper tail by the mirror image, where the difference keeps its digits.
    swap = low > 0.0
    low, high = np.where(swap, -high, low), np.where(swap, -low, high)
    upper, lower = log_ndtr(high), log_ndtr(low)
    with np.errstate(divide="ignore"):
        return np.asarray(upper + np.log1p(-np.exp(np.minimum(lower - upper, -1e-16))))


def drying(
    estimates: Sequence[Estimate], sigmas: Sequence[float], times: Sequence[DryingTime]
) -> list[OneNumber | None]:
    """Days of drying by row of task_times.csv, with batches that still dry as censored.

    Batches tell no material: which row one belongs to is weighed by what the rows so far make
    of it (three rounds of expectation and maximisation are enough: the weights hardly move).

    Args:
        estimates: average days, of each row.
        sigmas: of items' lognormal scatter.
        times: of the batches.
    """
    if not times:
        return [None] * len(estimates)
    low = np.array([each.more_than for each in times])
    high = np.array([each.at_most for each in times])
    items = np.array([each.items for each in times])
    items = items / (1.0 + _BATCH_CORRELATION * (items - 1.0))
    shares = np.array([each.shares for each in times])
    logs = [
        _drying_logs(estimate, sigma, low, high)
        for estimate, sigma in zip(estimates, sigmas, strict=True)
    ]
    belongs = shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-300)
    found: list[OneNumber | None] = [None] * len(estimates)
    for _ in range(4):
        expected = []
        for n, own in enumerate(logs):
            weight = items * belongs[:, n]
            density = own @ weight + _LOG_PRIOR
            posterior = np.exp(density - logsumexp(density))
            expected.append(posterior @ own)
            if weight.sum() > 0.0 and not estimates[n].is_known:
                found[n] = OneNumber.of(density, float(weight.sum()))
        with np.errstate(divide="ignore"):
            total = np.log(shares) + np.array(expected).T
        belongs = np.exp(total - logsumexp(total, axis=1, keepdims=True))
    return found


def _drying_logs(estimate: Estimate, sigma: float, low: Floats, high: Floats) -> Floats:
    """(grid, batches) log likelihood of one item's days."""
    own = max(sigma, 0.02)
    days = np.maximum(_values(estimate, _GRID), 1e-6)[:, None]
    return np.maximum(log_censored_lognormal(low, high, np.log(days) - own * own / 2.0, own), -60.0)
