"""A change shared out among its causes."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from forecast.shapley import shapley_values, shares_with_error


def by_definition(worth: np.ndarray) -> np.ndarray:
    """The mean effect over all orders, written out."""
    n = len(worth).bit_length() - 1
    orders = list(permutations(range(n)))
    shares = np.zeros(n)
    for order in orders:
        changed = 0
        for cause in order:
            shares[cause] += worth[changed | (1 << cause)] - worth[changed]
            changed |= 1 << cause
    return shares / len(orders)


WORTHS = st.integers(1, 4).flatmap(
    lambda n: hnp.arrays(np.float64, 1 << n, elements=st.floats(-1e3, 1e3))
)


@given(WORTHS)
def test_a_share_is_the_mean_effect_over_all_orders(worth: np.ndarray) -> None:
    np.testing.assert_allclose(shapley_values(worth), by_definition(worth), atol=1e-6)


@given(WORTHS)
def test_the_shares_add_up(worth: np.ndarray) -> None:
    assert shapley_values(worth).sum() == pytest.approx(worth[-1] - worth[0], abs=1e-6)


def test_the_glove_game() -> None:
    """Two left gloves and a right one, a pair is worth 1: 1/6, 1/6, 2/3 (Shapley 1953; [mem])."""
    worth = np.array([0.0, 0, 0, 0, 0, 1, 1, 1])  # bit 2 is the right glove
    np.testing.assert_allclose(shapley_values(worth), [1 / 6, 1 / 6, 2 / 3])


def test_a_cause_without_effect_gets_nothing() -> None:
    worth = np.array([3.0, 3.0, 8.0, 8.0])
    np.testing.assert_allclose(shapley_values(worth), [0.0, 5.0])


def test_subsets_are_complete() -> None:
    with pytest.raises(ValueError, match="power of 2"):
        shapley_values(np.zeros(6))


def test_the_error_covers_the_truth_and_shrinks_with_the_futures() -> None:
    """Effects of 10 and 4 on the mean of noisy futures."""

    def shares(futures: int, seed: int) -> tuple[bool, float]:
        rng = np.random.default_rng(seed)
        draws = np.array([[0.0], [10], [4], [14]]) + rng.normal(0, 3, (4, futures))
        found = shares_with_error(draws, lambda d: d.mean(axis=1), seed)
        assert found.shares.sum() == pytest.approx(found.total)
        return bool(found.low[0] <= 10 <= found.high[0]), float(found.high[0] - found.low[0])

    few, many = [[shares(n, seed) for seed in range(40)] for n in (50, 800)]
    assert 29 <= sum(covered for covered, _ in few) <= 40  # 90 %: 99.8 % binomial range of 40
    assert np.mean([w for _, w in many]) < np.mean([w for _, w in few]) / 3.5
