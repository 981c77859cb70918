"""Three numbers about something nobody knows yet, and the distribution that they stand for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betaincinv

__all__ = ["Estimate", "Quantiles", "lognormal_sigma"]

_LAMBDA = 4.0  # weight of the mode in PERT
_TINY = 1e-100  # far below any draw: SciPy's inverse fails for even smaller probabilities


def _shape(mode: float) -> tuple[float, float]:
    """The two beta shapes whose mode on the unit interval is ``mode``, in PERT's family."""
    return 1.0 + _LAMBDA * mode, 1.0 + _LAMBDA * (1.0 - mode)


def _position_of_mode(mode: float) -> float:
    """Where the mode lies between the 5 % and the 95 % point (0 at the first, 1 at the other)."""
    alpha, beta = _shape(mode)
    low = float(betaincinv(alpha, beta, 0.05))
    high = float(betaincinv(alpha, beta, 0.95))
    return (mode - low) / (high - low)


@lru_cache(maxsize=4096)
def _fit(low: float, likely: float, high: float) -> tuple[float, float, float, float]:
    """Minimum, width and the two shapes of the fitted beta."""
    wanted = (likely - low) / (high - low)
    # The mode's position rises with the mode, from below 0 to above 1: one root.
    mode = float(brentq(lambda m: _position_of_mode(m) - wanted, 1e-12, 1.0 - 1e-12, xtol=1e-14))
    alpha, beta = _shape(mode)
    unit_low = float(betaincinv(alpha, beta, 0.05))
    unit_high = float(betaincinv(alpha, beta, 0.95))
    width = (high - low) / (unit_high - unit_low)
    return low - width * unit_low, width, alpha, beta


@dataclass(frozen=True)
class Estimate:
    """A low, likely and high estimate: 90 % likely to lie between low and high.

    The distribution is the four-parameter beta of PERT shape (lambda 4; Malcolm et al. 1959, as
    generalised by Vose) whose mode is ``likely`` and whose 5 % and 95 % points are ``low`` and
    ``high``. Minimum and maximum are not given, so they are solved for numerically. Draws are cut
    at 0, and at 1 where ``at_most_one`` says that the quantity is a share.

    >>> round(Estimate(2.0, 5.0, 20.0).quantile(0.05), 6)
    2.0
    """

    low: float
    likely: float
    high: float
    at_most_one: bool = False

    def __post_init__(self) -> None:
        if not (0.0 <= self.low <= self.likely <= self.high) or not math.isfinite(self.high):
            raise ValueError(
                f"an estimate needs 0 <= low <= likely <= high, not "
                f"{self.low}, {self.likely}, {self.high}"
            )

    @classmethod
    def known(cls, value: float) -> Estimate:
        """Something that is known: three equal numbers."""
        return cls(value, value, value)

    @property
    def is_known(self) -> bool:
        """Whether nothing is uncertain about it."""
        return self.low == self.high

    @property
    def is_zero(self) -> bool:
        """Whether it says that something does not apply."""
        return self.high == 0.0

    @cached_property
    def beta(self) -> tuple[float, float, float, float]:
        """Minimum, width, alpha and beta of the distribution (for a known value: width 0)."""
        if self.is_known:
            return self.low, 0.0, 1.0, 1.0
        return _fit(self.low, self.likely, self.high)

    def quantile(self, probability: float) -> float:
        """The value below which the quantity lies with this probability, cut at 0 (and 1)."""
        if self.is_known:
            return self.low
        minimum, width, alpha, beta = self.beta
        asked = probability if probability >= _TINY else 0.0
        value = max(0.0, minimum + width * float(betaincinv(alpha, beta, asked)))
        return min(1.0, value) if self.at_most_one else value


@dataclass(frozen=True)
class Quantiles:
    """Several estimates laid out as arrays, so that all their quantiles are worked out at once.

    Attributes:
        known: (N,) the value of each, where it is known; 0 where it is not.
        uncertain: (U,) which of the N are not known.
        beta: (4, U) minimum, width, alpha and beta of these.
        most: (U,) 1 where the quantity is a share, infinity elsewhere.
    """

    known: NDArray[np.float64]
    uncertain: NDArray[np.int64]
    beta: NDArray[np.float64]
    most: NDArray[np.float64]

    @classmethod
    def of(cls, estimates: Sequence[Estimate]) -> Quantiles:
        """Lay estimates out, in their order."""
        uncertain = [n for n, each in enumerate(estimates) if not each.is_known]
        shapes = [estimates[n].beta for n in uncertain]
        shares = [estimates[n].at_most_one for n in uncertain]
        return cls(
            known=np.array([each.low if each.is_known else 0.0 for each in estimates], dtype=float),
            uncertain=np.array(uncertain, dtype=np.int64),
            beta=np.array(shapes, dtype=float).reshape(-1, 4).T,
            most=np.where(np.array(shares, dtype=bool), 1.0, math.inf),
        )

    def at(self, probabilities: NDArray[np.float64]) -> NDArray[np.float64]:
        """What :meth:`Estimate.quantile` gives for each.

        Args:
            probabilities: (U,) one for each estimate that is not known, in their order.

        Returns:
            (N,) a value of each estimate.
        """
        minimum, width, alpha, beta = self.beta
        values = self.known.copy()
        asked = np.where(probabilities >= _TINY, probabilities, 0.0)
        uncut = minimum + width * betaincinv(alpha, beta, asked)
        values[self.uncertain] = np.minimum(np.maximum(uncut, 0.0), self.most)
        return values


def lognormal_sigma(coefficient_of_variation: float) -> float:
    """The sigma of a lognormal that has this coefficient of variation.

    >>> lognormal_sigma(0.0)
    0.0
    """
    return math.sqrt(math.log1p(coefficient_of_variation**2))
