"""Where a future begins when work is under way: every item's place, drawn where nobody told.

The record knows numbers by stage and, where it was told, by category; a future needs items. What
is on record holds in every draw, and only what it is silent about is left to luck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Start"]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Start:
    """Everything that has happened before a future begins, as an engine reads it.

    Axes: I items in the order of work, D days from the grant's start to the horizon, W calendar
    weeks (week 0 holds day 0), K tool sets that are drying. An item that somebody had in hand
    counts as whole.

    Attributes:
        stage: (I,) where the item is; NO_STAGE: still to come, at its arrival; DONE: it had left.
        since: (I,) seconds since when it waits there; may be before the start, or negative.
        passed: (I,) first passes on record, a bit a stage. An item is cleaned if it has passed
            cleaning, or is beyond it.
        shelf, dryer: (I,) whether it has a quarantine shelf, or a drying place. At quarantine
            without a shelf it waits in the store for one; at drying without a place, for that.
        due_day: (I,) the day at whose 00:00 its quarantine or its round is over; -1: none. In a
            drying place and none: the round is over, and it waits for attention.
        rounds: (I,) drying rounds behind it; rejections: (I,) checks that rejected it.
        again: (I,) whether it is at imaging again, rejected.
        tool_sets_clean_at: (K,) seconds at which sets that are drying are clean.
        ended: (I,) of items that had left: 0 done, 1 set aside, 2 not imaged, 3 withdrawn or not
            found; -1 of all others.
        done_by_day: (D,) items that counted as done by the end of each day; after the last day
            on record no more.
        weekly_items: (W, 9) first passes by the end of each week, likewise.
        images, reimaged: made at first passes, and made again.
    """

    stage: NDArray[np.int8]
    since: Ints
    passed: NDArray[np.int16]
    shelf: Flags
    dryer: Flags
    due_day: Ints
    rounds: Ints
    rejections: Ints
    again: Flags
    tool_sets_clean_at: Ints
    ended: NDArray[np.int8]
    done_by_day: Ints
    weekly_items: Ints
    images: int
    reimaged: int
