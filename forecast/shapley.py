"""A change shared out among its causes, so that the shares add up (Shapley 1953).

The worth of a set of causes is what the forecast would say if these had changed and the others had
not. A cause's share is its mean effect over all orders in which the causes could have come in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import factorial

import numpy as np
from numpy.typing import NDArray

__all__ = ["Shares", "shapley_values", "shares_with_error"]

Floats = NDArray[np.float64]

_RESAMPLES = 400


@dataclass(frozen=True)
class Shares:
    """A change, shared out among n causes.

    Attributes:
        total: the whole change; the shares add up to it.
        shares: (n,).
        low, high: (n,) 90 % interval of each share's Monte Carlo error.
    """

    total: float
    shares: Floats
    low: Floats
    high: Floats


def shapley_values(worth: Floats) -> Floats:
    """Share out a change among n causes.

    Args:
        worth: (2^n, ...) the figure when the causes of subset S have changed; bit i of the
            place says whether cause i is in S.

    Returns:
        (n, ...) shares; their sum is ``worth[-1] - worth[0]``.

    Raises:
        ValueError: the number of subsets is no power of 2.

    >>> shapley_values(np.array([0.0, 4.0, 10.0, 20.0])).tolist()  # alone 4 and 10, together 20
    [7.0, 13.0]
    """
    n = len(worth).bit_length() - 1
    if len(worth) != 1 << n:
        raise ValueError(f"a set of causes has a power of 2 of subsets, not {len(worth)}")
    subsets = np.arange(1 << n)
    sizes = np.array([int(s).bit_count() for s in subsets])
    weights = np.array([factorial(k) * factorial(n - k - 1) for k in range(n)]) / factorial(n)
    shares = np.zeros((n, *worth.shape[1:]))
    for cause in range(n):
        without = subsets[(subsets >> cause) & 1 == 0]
        gains = worth[without | (1 << cause)] - worth[without]
        shares[cause] = np.tensordot(weights[sizes[without]], gains, axes=1)
    return shares


def shares_with_error(
    draws: NDArray[np.generic], figure: Callable[[NDArray[np.generic]], Floats], seed: int
) -> Shares:
    """Share out the change of a figure of many futures, with its Monte Carlo error.

    The futures are resampled whole (the same ones for every subset, for they met the same luck), a
    bootstrap of paired runs (Efron and Tibshirani 1993).

    Args:
        draws: (2^n, R) what each of R futures came to, for each subset of changed causes.
        figure: (2^n, R) -> (2^n,), such as the median along the last axis.
        seed: of the resampling.
    """
    worth = figure(draws)
    shares = shapley_values(worth)
    rng = np.random.default_rng(seed)
    futures = draws.shape[1]
    resampled = np.stack(
        [
            shapley_values(figure(draws[:, rng.integers(0, futures, futures)]))
            for _ in range(_RESAMPLES)
        ]
    )
    low, high = np.quantile(resampled, (0.05, 0.95), axis=0)
    return Shares(float(worth[-1] - worth[0]), shares, low, high)
