"""Two plain rivals: what they say, worked out by hand or from theory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast import rivals
from forecast.outcome import NOT_BY_HORIZON

WEEKLY = st.lists(st.integers(0, 40), max_size=12)


def test_the_average_pace_goes_on_in_whole_items_half_up() -> None:
    # Two a week and a half: 2.5, 5, 7.5, 10 of the nine that are left.
    assert rivals.average_pace([0, 5], 9, 4).tolist() == [[3, 5, 8, 9]]


def test_before_the_first_week_nothing_comes() -> None:
    assert rivals.average_pace([], 9, 3).tolist() == [[0, 0, 0]]
    drawn = rivals.past_weeks([], 9, 3, 2, np.random.default_rng(1))
    assert drawn.tolist() == [[0, 0, 0], [0, 0, 0]]


def test_past_weeks_come_again_each_as_likely_as_any_other() -> None:
    """Sums of k draws from the past: mean k m and variance k s^2, within 4 standard errors."""
    weekly = [0, 2, 3, 11]
    draws = 40_000
    drawn = rivals.past_weeks(weekly, 10**6, 6, draws, np.random.default_rng(7))
    steps = np.diff(drawn, axis=1, prepend=0)
    for value in weekly:
        share = np.mean(steps == value)
        assert abs(share - 0.25) < 4.0 * np.sqrt(0.25 * 0.75 / steps.size)
    mean, variance = np.mean(weekly), np.var(weekly)
    assert abs(drawn[:, -1].mean() - 6 * mean) < 4.0 * np.sqrt(6 * variance / draws)
    assert drawn[:, -1].var() == pytest.approx(6 * variance, rel=0.05)


def test_the_same_generator_gives_the_same_futures() -> None:
    one = rivals.past_weeks([1, 5], 30, 9, 50, np.random.default_rng(3))
    other = rivals.past_weeks([1, 5], 30, 9, 50, np.random.default_rng(3))
    np.testing.assert_array_equal(one, other)


@given(WEEKLY, st.integers(0, 200), st.integers(0, 30))
def test_neither_goes_back_or_beyond_what_is_left(weekly: list[int], left: int, weeks: int) -> None:
    for future in (
        rivals.average_pace(weekly, left, weeks),
        rivals.past_weeks(weekly, left, weeks, 20, np.random.default_rng(5)),
    ):
        assert future.shape[1] == weeks
        assert (np.diff(future, axis=1, prepend=0) >= 0).all()
        assert (future <= left).all()


@given(WEEKLY, st.integers(0, 200), st.integers(1, 30))
def test_the_finish_is_the_first_week_with_nothing_left(
    weekly: list[int], left: int, weeks: int
) -> None:
    future = rivals.past_weeks(weekly, left, weeks, 20, np.random.default_rng(5))
    for week, path in zip(rivals.weeks_to_finish(future, left), future, strict=True):
        if week == NOT_BY_HORIZON:
            assert path[-1] < left
        elif week == 0:
            assert left == 0
        else:
            assert path[week - 1] >= left
            assert week == 1 or path[week - 2] < left
