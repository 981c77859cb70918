"""Ranking and selection: the cheapest plan whose odds of keeping the promise are high enough.

Pure statistics: plans are numbers, and a function simulates some of them on some replications, the
same luck for all (common random numbers by the replication's number).

*Method.* Constrained selection with an indifference zone on the constraint (Andradottir and Kim
2010, Naval Research Logistics 57; Batur and Kim 2010, ACM TOMACS 20), fully sequential: all plans
get a first sample, and then only those that can still change the answer go on: the incumbent
(cheapest plan that looks good enough) and whatever is cheaper and not ruled out. Those procedures
test batch means as if normal. Whether a promise is kept is a yes or no, so each plan is given the
sequential probability ratio test instead (Wald 1945), its alternatives mixed so that plans far
from the limit are decided early. The ratio is a nonnegative martingale under the border of what it
tests, so that its error is bounded at all looks together and for any way of choosing who goes on
(Ville 1939): no normal approximation, no correction for looking often. Where costs are random,
plans that are accepted and close in cost get the sample sizes of the two-stage procedure of
Dudewicz and Dalal (1975).

*What is guaranteed* when it ends by itself: with probability at least 1 - ``error`` (Bonferroni
over the plans), the chosen plan's odds are at least ``wanted - zone``, and no plan with odds of
``wanted`` or more is cheaper by more than the tolerance. The part of it that is about random costs
holds for normal costs and independent plans; common random numbers make it conservative.

*What is said* when the budget ends it before: the posterior probability of just that, bounded from
below by Bonferroni over the plans (the approximate probability of correct selection of Chen, Lin,
Yucesan and Chick 2000), with Jeffreys' prior for odds and Student's t for paired costs. Over many
different sets of plans it is right at least as often as it says. Over many runs of one set that is
hard (odds just at the limit) it is rarely wrong where it says to be sure: wrong *and* at least
95 % sure in no more than about 5 % of the runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betainc, betaincc, logsumexp, stdtr, stdtrit

__all__ = [
    "Aim",
    "Sampler",
    "Selected",
    "select",
    "two_stage_h",
    "two_stage_sizes",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# (plans, start, stop) -> kept (plans, stop - start) bool, cost (plans, stop - start) money.
Sampler = Callable[[Sequence[int], int, int], tuple[NDArray[Any], NDArray[Any]]]

_GROWTH = 1.5  # of the sample of a plan that goes on
_NEARLY_ALL = 0.9  # of the doubt
_AT_ONCE = 2_000  # simulated between two looks at the clock
# Alternatives of the mixed test: half the weight lies on the other border of the zone.
_WEIGHTS = np.log([0.5, 0.125, 0.125, 0.125, 0.125])
_BELOW = np.array([1.0, 0.95, 0.85, 0.6, 0.2])  # of the zone's lower border
_ABOVE = np.array([0.0, 0.3, 0.6, 0.9, 0.99])  # of the way from the wanted odds to certainty


@dataclass(frozen=True)
class Aim:
    """What is looked for.

    Attributes:
        wanted: odds of keeping the promise that a plan must have, above ``zone`` and below 1.
        zone: indifference zone: odds of ``wanted - zone`` are as good.
        tolerance: share of its cost by which the chosen plan may be dearer than the best, above 0.
        money: the same in money, above 0; it counts if it is given.
        error: how often the procedure may be wrong when it ends by itself.
        first: replications that every plan gets; at least 10.

    Raises:
        ValueError: one of these is out of its range.
    """

    wanted: float = 0.9
    zone: float = 0.02
    tolerance: float = 0.01
    money: float | None = None
    error: float = 0.05
    first: int = 20

    def __post_init__(self) -> None:
        if not 0.0 < self.zone < self.wanted < 1.0:
            raise ValueError("the wanted odds lie below 1, and above their indifference zone")
        if min(self.tolerance, self.money or 1.0) <= 0.0:
            raise ValueError("a tolerance lies above 0")
        if not 0.0 < self.error < 1.0 or self.first < 10:
            raise ValueError("the error lies between 0 and 1, and a first sample has 10 at least")

    def within(self, cost: float) -> float:
        """Money by which a plan of this cost may be dearer than the best."""
        return self.tolerance * cost if self.money is None else self.money


@dataclass(frozen=True)
class Selected:
    """What was found among k plans.

    Attributes:
        chosen: the plan; None where none looks good enough.
        confidence: that the chosen plan's odds are at least ``wanted - zone`` and that no plan with
            the wanted odds costs less than it by more than ``within``; without a chosen one, that
            no plan has the wanted odds. A lower bound; 0 where nothing can be said.
        proved: the procedure ended by itself, so that ``1 - error`` is guaranteed.
        within: money; nan without a chosen plan.
        odds: (k,) share of a plan's replications that kept the promise.
        cost: (k,) mean cost, money.
        replications: (k,) how many each plan got.
        accepted: (k,) shown to have at least ``wanted - zone``. ruled_out: (k,) shown to have less
            than ``wanted``. Most plans are neither, for it does not matter.
    """

    chosen: int | None
    confidence: float
    proved: bool
    within: float
    odds: Floats
    cost: Floats
    replications: Ints
    accepted: Bools
    ruled_out: Bools

    @property
    def total(self) -> int:
        """Replications of all plans together."""
        return int(self.replications.sum())


def select(
    sample: Sampler,
    plans: int,
    aim: Aim | None = None,
    *,
    most: int = 100_000,
    stop: Callable[[], bool] | None = None,
    tell: Callable[[int], None] | None = None,
) -> Selected:
    """Find the cheapest plan with the wanted odds; it can be ended at any time.

    Args:
        sample: simulates some plans on replications ``start`` to ``stop``, last excluded, and gives
            (plans, n) whether each kept the promise and what it cost.
        plans: k, how many there are.
        aim: what is looked for.
        most: the budget: replications of all plans together. The first sample is always taken,
            unless ``stop`` says otherwise.
        stop: asked between simulations; true ends it.
        tell: told how many replications are done, for progress.

    Raises:
        ValueError: there is no plan.
    """
    if plans < 1:
        raise ValueError("there is no plan to choose from")
    so_far = _Sample(sample, plans, aim or Aim(), stop, tell)
    ended = not so_far.advance(range(plans), so_far.aim.first)
    while not ended:
        so_far.judge()
        going_on = so_far.open_questions()
        if not len(going_on):
            break
        ended = not _next_round(so_far, going_on, most)
    so_far.judge()
    return so_far.found(proved=not ended)


def _next_round(so_far: _Sample, going_on: Ints, most: int) -> bool:
    """Give more to the plans that make the answer doubtful; whether there was enough left to give.

    Those go first that are likeliest to change the answer, as in optimal computing budget
    allocation: the fewest that together make up nearly all of the doubt.
    """
    doubt = so_far.doubt()[going_on]
    order = np.argsort(-doubt, kind="stable")
    behind = doubt[order].cumsum() - doubt[order]  # what those before it make up
    served = going_on[order[behind <= _NEARLY_ALL * doubt.sum()]]
    targets = np.ceil(so_far.n * _GROWTH).astype(np.int64)
    spent = (targets - so_far.n)[served].cumsum()
    affordable = served[spent <= most - int(so_far.n.sum())]
    for target in np.unique(targets[affordable]).tolist():
        if not so_far.advance(np.sort(affordable[targets[affordable] == target]).tolist(), target):
            return False
    return len(affordable) == len(served)


class _Sample:
    """What has been simulated of each plan, and what it shows."""

    def __init__(
        self,
        sample: Sampler,
        plans: int,
        aim: Aim,
        stop: Callable[[], bool] | None,
        tell: Callable[[int], None] | None,
    ) -> None:
        self.aim = aim
        self._sample, self._stop, self._tell = sample, stop, tell
        self.n = np.zeros(plans, dtype=np.int64)
        self.kept = np.zeros(plans, dtype=np.int64)
        self._costs = np.zeros((plans, 2 * aim.first))
        self.accepted = np.zeros(plans, dtype=bool)
        self.ruled_out = np.zeros(plans, dtype=bool)
        self.cost = np.zeros(plans)

    # --- simulating ---

    def advance(self, plans: Sequence[int], target: int) -> bool:
        """Bring plans to so many replications; false: told to stop before they are."""
        for start in np.unique(self.n[list(plans)]).tolist():
            alike = [plan for plan in plans if self.n[plan] == start]
            for first, last in _pieces(int(start), target, len(alike)):
                if self._stop is not None and self._stop() and self.n.min():
                    return False
                kept, cost = self._sample(alike, first, last)
                self.n[alike] += last - first
                self.kept[alike] += np.asarray(kept, dtype=bool).sum(axis=1)
                while last > self._costs.shape[1]:
                    self._costs = np.concatenate([self._costs, np.zeros_like(self._costs)], axis=1)
                self._costs[alike, first:last] = cost
                if self._tell is not None:
                    self._tell(int(self.n.sum()))
        return True

    def _alike(self) -> Iterator[tuple[Ints, int]]:
        """Plans with the same number of replications, and that number."""
        for n in np.unique(self.n).tolist():
            yield np.flatnonzero(self.n == n), int(n)

    # --- judging ---

    def judge(self) -> None:
        """Update costs and decisions; a decision once made stands."""
        self.cost = self._adjusted_costs()
        threshold = math.log(len(self.n) / (self.aim.error / (2 if self._random_costs else 1)))
        border = self.aim.wanted - self.aim.zone
        rising = self.aim.wanted + (1.0 - self.aim.wanted) * _ABOVE
        self.ruled_out |= ~self.accepted & (
            self._evidence(self.aim.wanted, border * _BELOW) >= threshold
        )
        self.accepted |= ~self.ruled_out & (self._evidence(border, rising) >= threshold)

    def _evidence(self, odds: float, alternatives: Floats) -> Floats:
        """(k,) logarithm of the mixed likelihood ratio against ``odds``."""
        kept, lost = self.kept[:, None], (self.n - self.kept)[:, None]
        ratio = kept * np.log(alternatives / odds)
        ratio = ratio + lost * np.log((1.0 - alternatives) / (1.0 - odds))
        return np.asarray(logsumexp(ratio + _WEIGHTS, axis=1))

    @property
    def _random_costs(self) -> bool:
        return any(bool(np.ptp(self._costs[rows, :n], axis=1).any()) for rows, n in self._alike())

    def _adjusted_costs(self) -> Floats:
        """(k,) mean costs, corrected for the luck of a short sample.

        The plan with the most replications is the control variate (Lavenberg and Welch 1981): what
        its first n replications have more than all of its own, the other's had as well.
        """
        longest = int(np.argmax(self.n))
        control = self._costs[longest, : self.n[longest]]
        means = np.zeros(len(self.n))
        for rows, n in self._alike():
            costs, part = self._costs[rows, :n], control[:n] - control[:n].mean()
            spread = float(part @ part)
            slopes = costs @ part / spread if spread > 0.0 else 0.0
            means[rows] = costs.mean(axis=1) + slopes * (control.mean() - control[:n].mean())
        return means

    def incumbent(self) -> int | None:
        """The cheapest plan that is accepted, or looks it; of equal cost the likelier."""
        looks_it = self.odds >= self.aim.wanted - self.aim.zone / 2.0
        good = np.flatnonzero(self.accepted | (looks_it & ~self.ruled_out))
        if not len(good):
            return None
        return int(good[np.lexsort((good, -self.odds[good], self.cost[good]))[0]])

    @property
    def odds(self) -> Floats:
        """(k,) shares that kept the promise."""
        return np.asarray(self.kept / self.n, dtype=np.float64)

    def open_questions(self) -> Ints:
        """The plans that can still change the answer, and so go on."""
        best = self.incumbent()
        if best is None:
            return np.flatnonzero(~self.ruled_out)
        cheaper = self._may_be_cheaper(best) > self.aim.error / (2.0 * len(self.n))
        undecided = ~self.accepted & ~self.ruled_out
        unsure = cheaper & undecided
        unsure[best] = undecided[best]
        rivals = cheaper & self.accepted
        if rivals.any():
            rivals[best] = True
            unsure |= rivals & (self.n < self._wanted_for_costs(np.flatnonzero(rivals)))
        return np.flatnonzero(unsure)

    def _wanted_for_costs(self, rivals: Ints) -> Ints:
        """(k,) replications with which the rivals' costs are known well enough."""
        wanted = np.zeros(len(self.n), dtype=np.int64)
        zone = self.aim.within(float(self.cost[rivals].min()))
        if len(rivals) > 1 and zone > 0.0:
            h = two_stage_h(len(rivals), self.aim.first, 1.0 - self.aim.error / 2.0)
            spread = self._costs[rivals, : self.aim.first].var(axis=1, ddof=1)
            wanted[rivals] = two_stage_sizes(spread, self.aim.first, zone, h)
        return wanted

    def _may_be_cheaper(self, best: int) -> Floats:
        """(k,) probability that a plan costs less than the best one by more than the tolerance."""
        within = self.aim.within(float(self.cost[best]))
        chance = np.zeros(len(self.n))
        for rows, count in self._alike():
            n = min(count, int(self.n[best]))
            difference = self._costs[rows, :n] - self._costs[best, :n] + within
            mean, error = difference.mean(axis=1), difference.std(axis=1, ddof=1) / math.sqrt(n)
            # Rounding of equal costs is no difference.
            certain = error <= 1e-12 * abs(self.cost[best])
            t = np.divide(mean, error, out=np.zeros(len(rows)), where=~certain)
            chance[rows] = np.where(certain, mean < 0.0, stdtr(n - 1, -t))
        return chance

    # --- saying ---

    def doubt(self) -> Floats:
        """(k,) what each plan adds to the probability that the present answer is wrong.

        Whether a plan has the odds and whether it is cheaper may depend on each other, so the
        smaller of the two probabilities bounds that both are so.
        """
        kept, lost = self.kept + 0.5, self.n - self.kept + 0.5
        good = np.asarray(betaincc(kept, lost, self.aim.wanted), dtype=np.float64)
        best = self.incumbent()
        if best is None:
            return good
        doubt = np.minimum(good, self._may_be_cheaper(best))
        doubt[best] = betainc(kept[best], lost[best], self.aim.wanted - self.aim.zone)
        return np.asarray(doubt, dtype=np.float64)

    def found(self, *, proved: bool) -> Selected:
        """The answer as it stands."""
        best = self.incumbent()
        confidence = max(0.0, 1.0 - float(self.doubt().sum()))
        return Selected(
            chosen=best,
            confidence=max(confidence, 1.0 - self.aim.error) if proved else confidence,
            proved=proved,
            within=math.nan if best is None else self.aim.within(float(self.cost[best])),
            odds=self.odds,
            cost=self.cost,
            replications=self.n.copy(),
            accepted=self.accepted.copy(),
            ruled_out=self.ruled_out.copy(),
        )


def _pieces(start: int, target: int, plans: int) -> list[tuple[int, int]]:
    """A range of replications in pieces that are soon simulated."""
    step = max(10, _AT_ONCE // plans)
    return [(at, min(at + step, target)) for at in range(start, target, step)]


# --- the two-stage procedure -------------------------------------------------------------------


@lru_cache(maxsize=256)  # asked for at each look, for few numbers of plans
def two_stage_h(plans: int, first: int, probability: float) -> float:
    """Dudewicz and Dalal's constant.

    h solves E[F(T + h)^(k-1)] = P*, T and F Student's with ``first`` - 1 degrees of freedom
    (Dudewicz and Dalal 1975, Sankhya B 37; tables in Law, Simulation Modeling and Analysis).

    Args:
        plans: k, at least 2.
        first: replications in the first stage, at least 2.
        probability: P* of selecting the best, above 1/k.

    >>> round(two_stage_h(5, 20, 0.90), 3)
    2.747
    """
    nodes, weights = np.polynomial.legendre.leggauss(200)
    t = stdtrit(first - 1, (nodes + 1.0) / 2.0)

    def short_of(h: float) -> float:
        return float(weights @ stdtr(first - 1, t + h) ** (plans - 1)) / 2.0 - probability

    return float(brentq(short_of, 0.0, 100.0))


def two_stage_sizes(variances: Floats, first: int, zone: float, h: float) -> Ints:
    """Replications of each plan in both stages together, so that the best mean is selected.

    N = max(n0 + 1, ceil(h^2 s^2 / d*^2)) (Dudewicz and Dalal 1975).

    Args:
        variances: (k,) of the first stage.
        first: n0, replications in the first stage.
        zone: d*, the smallest difference that matters, in the square root of the variances' unit.
        h: the constant, of :func:`two_stage_h`.

    >>> two_stage_sizes(np.array([14.52, 7.96, 9.45, 8.25, 6.20]), 20, 1.0, 2.747).tolist()
    [110, 61, 72, 63, 47]
    """
    sizes = np.ceil((h / zone) ** 2 * np.asarray(variances, dtype=float)).astype(np.int64)
    return np.maximum(first + 1, sizes)
