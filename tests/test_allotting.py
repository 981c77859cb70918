"""Told totals shared out: rows hold, nothing is short, and what cannot be is found out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast import allotting
from forecast.allotting import AT_WILL, Moves, Shortfall

# Kinds 0 and 1 wait at 0 and 1, then at 2 and 3; kind 1 may also skip. Node 4 ends, 5 is source.
END, SOURCE, NOWHERE = 4, 5, 6


def moves(come: tuple[int, int], first: int, second: int, will: bool = False) -> Moves:
    """So many of each kind have come; two totals told of their stages."""
    table = [
        (0, SOURCE, 0),
        (1, SOURCE, 1),
        (2, 0, 2),
        (2, 1, 3),
        (3, 2, END),
        (3, 3, END),
        *([(AT_WILL, 0, 2), (AT_WILL, 1, 3)] if will else []),
    ]
    rows, start, end = (np.array(column) for column in zip(*table, strict=True))
    return Moves(
        row=rows,
        start=start,
        end=end,
        also=np.full(len(rows), NOWHERE),
        number=np.array([*come, first, second]),
        given=np.array([True, True, False, False]),
        next_node=np.array([2, 3, END, END, END, SOURCE, NOWHERE]),
        order=(np.array([END]), np.array([2, 3]), np.array([0, 1])),
        endless=(SOURCE, NOWHERE),
    )


def given_of(of: Moves) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    made = np.zeros(len(of.row), dtype=np.int64)
    made[:2] = of.number[:2]
    return made


@given(st.integers(0, 20), st.integers(0, 20), st.data())
@settings(deadline=None, max_examples=200)
def test_rows_hold_and_no_node_is_short(one: int, two: int, data: st.DataObject) -> None:
    first = data.draw(st.integers(0, one + two))
    second = data.draw(st.integers(0, first))
    of = moves((one, two), first, second)
    made = allotting.allot(of, given_of(of), np.random.default_rng(0))
    assert made[2] + made[3] == first
    assert made[4] + made[5] == second
    waits = of.waiting(made)
    assert (waits[:END] >= 0).all()


def test_what_is_left_open_is_multivariate_hypergeometric() -> None:
    """Mean 5 x 8/20 = 2 and variance 5 x .4 x .6 x 15/19, by the textbook formula."""
    of = moves((8, 12), 5, 0)
    rng = np.random.default_rng(1)
    drawn = [int(allotting.allot(of, given_of(of), rng)[2]) for _ in range(4000)]
    variance = 5 * 0.4 * 0.6 * 15 / 19
    assert abs(np.mean(drawn) - 2.0) < 3.3 * (variance / 4000) ** 0.5
    assert abs(np.var(drawn) / variance - 1.0) < 0.1


def test_moves_at_will_bring_what_is_missing() -> None:
    of = moves((5, 5), 0, 7, will=True)
    made = allotting.allot(of, given_of(of), np.random.default_rng(0))
    assert made[4] + made[5] == 7
    assert made[6] + made[7] == 7


def test_what_cannot_be_is_found_out() -> None:
    of = moves((5, 5), 3, 4)
    with pytest.raises(Shortfall):
        allotting.allot(of, given_of(of), np.random.default_rng(0))


def test_the_integer_programme_stays_near_the_wish() -> None:
    of = moves((8, 12), 5, 5)
    wish = np.array([8, 12, 3, 2, 4, 1])
    made = allotting.solve(of, wish, np.ones(6))
    assert np.abs(made - wish).sum() == 2  # one more or less of two moves
    assert made[2] + made[3] == 5
