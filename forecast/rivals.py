"""Two plain rivals, which any forecast must beat to be worth its trouble.

Both know the items done in each week so far, and nothing else: no stages, no calendar, no
condition of what is still to come.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from forecast.outcome import NOT_BY_HORIZON

__all__ = ["average_pace", "past_weeks", "weeks_to_finish"]

Ints = NDArray[np.int64]


def average_pace(weekly: Sequence[int] | Ints, left: int, weeks: int) -> Ints:
    """The average pace so far, carried on: one future.

    Args:
        weekly: (n,) items done in each week so far; n may be 0, which is a pace of 0.
        left: items that are still to do.
        weeks: how many weeks to look ahead.

    Returns:
        (1, weeks) items done from now to the end of each week, in whole items, half up, at most
        ``left``.

    >>> average_pace([3, 4], 12, 4).tolist()
    [[4, 7, 11, 12]]
    """
    so_far = np.asarray(weekly, dtype=np.int64)
    done, past = int(so_far.sum()), max(1, len(so_far))
    # Whole numbers, so that half an item is half an item: (2 done k + past) / (2 past), down.
    ahead = (2 * done * np.arange(1, weeks + 1, dtype=np.int64) + past) // (2 * past)
    return np.asarray(np.minimum(ahead, left)[None, :])


def past_weeks(
    weekly: Sequence[int] | Ints, left: int, weeks: int, draws: int, lucky: np.random.Generator
) -> Ints:
    """Past weeks drawn again with replacement, each as likely as any other, as the weeks to come.

    Args:
        weekly: (n,) items done in each week so far; n may be 0, and then nothing comes.
        left: items that are still to do.
        weeks: how many weeks to look ahead.
        draws: how many futures.
        lucky: the random numbers.

    Returns:
        (draws, weeks) items done from now to the end of each week, at most ``left``.
    """
    so_far = np.asarray(weekly, dtype=np.int64)
    if not len(so_far):
        return np.zeros((draws, weeks), dtype=np.int64)
    come = so_far[lucky.integers(len(so_far), size=(draws, weeks))]
    return np.asarray(np.minimum(come.cumsum(axis=1), left))


def weeks_to_finish(future: Ints, left: int) -> Ints:
    """In which week ahead nothing is left any more.

    Args:
        future: (R, weeks) items done from now to the end of each week.
        left: items that are still to do.

    Returns:
        (R,) 1 is the first week ahead, 0 means that nothing is left now, and NOT_BY_HORIZON that
        something is left after the last of the weeks.

    >>> weeks_to_finish(np.array([[2, 5, 6], [1, 2, 3]]), 5).tolist()
    [2, -1]
    """
    if left <= 0:
        return np.zeros(len(future), dtype=np.int64)
    after = (future < left).sum(axis=1)  # weeks that end with something left
    return np.where(after < future.shape[1], after + 1, NOT_BY_HORIZON).astype(np.int64)
