"""The decisions of the workflow, on plain numbers: once, for every engine.

Each function answers one question of the trade with integers and arrays only (the subset of
Python that a compiler for numerical code accepts), so that the model to read and any model to run
decide alike. Seconds count from 00:00 of the grant's start; a day is 86,400 seconds, in local
wall-clock time. The tags (R2, R8 ...) name the rules in README.md, whose text stands here too.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "CLEAN",
    "DIRTY",
    "DONE",
    "MOULDY",
    "NEVER",
    "NO_STAGE",
    "WHOLE",
    "choose_stage",
    "exposure_days",
    "item_seconds",
    "kind_of",
    "may_begin",
    "next_stage",
    "rank",
    "room_for_handling",
    "session_overhead",
]

# Kinds of session: items of one kind only, so that clothing and clearing happen once (R7).
MOULDY = 0  # its mould is not none and its cleaning is not finished
DIRTY = 1  # red rot without mould, and its cleaning is not finished
CLEAN = 2

# The engines use plain integers; they equal stages.Stage.
_RECEIVING, _DRYING, _COVERS, _CLEANING, _IMAGING, _CHECKING = 0, 2, 3, 4, 6, 7

DONE = 9  # after the last stage that applies
NO_STAGE = -1
NEVER = 2**62  # later than any second
WHOLE = -NEVER  # in place of the second at which it was put back: the item is not unfinished


def kind_of(stage: int, mould: int, red_rot: bool, cleaned: bool, receiving_is_mouldy: bool) -> int:
    """The kind of session that an item needs at a stage (R7).

    Where cleaning does not apply to a mouldy item it stays mouldy to the end. Receiving is mouldy
    for every item as soon as the survey saw any mould: nobody knows what a box holds before it is
    opened.
    """
    if stage == _RECEIVING and receiving_is_mouldy:
        return MOULDY
    if cleaned:
        return CLEAN
    if mould != 0:
        return MOULDY
    return DIRTY if red_rot else CLEAN


def session_overhead(
    stage: int, kind: int, clothing: int, clear_bench: int, clear_camera: int
) -> tuple[int, int]:
    """Seconds of clothing before and of clearing after the handling in a session (R8).

    Clothing is put on for mouldy items. Cleaning of dirty items ends with clearing the bench;
    covers, and any imaging of dirty items, with clearing the camera station: no station is left
    dirty for the next person. Sessions with clean items have neither.
    """
    before = clothing if kind == MOULDY else 0
    if kind == CLEAN:
        return before, 0
    if stage == _CLEANING:
        return before, clear_bench
    if stage in (_COVERS, _IMAGING):
        return before, clear_camera
    return before, 0


def exposure_days(
    exposed: NDArray[np.bool_], day: int, calendar_week: bool, weekday_of_day_0: int
) -> int:
    """Exposure days that count against the weekly limit on a day, the day itself left out (R2).

    ``exposed`` is indexed by day + 6, so that the six days before day 0 are on record. With
    ``calendar_week`` the days since Monday count, otherwise the six days before.
    """
    since = (day + weekday_of_day_0) % 7 if calendar_week else 6
    count = 0
    for back in range(1, since + 1):
        if exposed[day + 6 - back]:
            count += 1
    return count


def may_begin(
    mouldy: bool,
    trained: bool,
    mould_work: bool,
    exposed_today: bool,
    days_exposed: int,
    days_limit: int,
    now: int,
    rested_at: int,
) -> bool:
    """Whether a person may begin a session of this kind at this moment (R2, R3, R11).

    All need training for the stage. Mouldy items also need somebody who does mould work, whose
    rest from breathing protection is over, and for whom today is already an exposure day or the
    days that count hold fewer than the limit.
    """
    if not trained:
        return False
    if not mouldy:
        return True
    return mould_work and now >= rested_at and (exposed_today or days_exposed < days_limit)


def room_for_handling(
    mouldy: bool, shift_left: int, clothing: int, clearing: int, allowance_left: int, wear: int
) -> int:
    """Seconds that a session could spend handling (R9); may be negative.

    The least of what the shift leaves after clothing and clearing and, with mouldy items, what the
    day's allowance and the wear time (0: no limit) leave after clearing. Clothing is no exposure.
    """
    room = shift_left - clothing - clearing
    if mouldy:
        room = min(room, allowance_left - clearing)
        if wear > 0:
            room = min(room, wear - clearing)
    return room


def rank(put_back: int, since: int, item: int) -> tuple[int, int, int]:
    """What stands first in a stage's queue is least (R10).

    Unfinished items first, the longest since it was put back leading; then the longest waiting at
    the stage; then the item number. ``put_back`` is WHOLE for an item that is not unfinished.
    """
    return (NEVER if put_back == WHOLE else put_back), since, item


def choose_stage(
    due_drying: bool, last_stage: int, preferences: NDArray[np.int8], workable: NDArray[np.bool_]
) -> int:
    """Where an idle person begins (R13), or NO_STAGE.

    Due drying items come before anybody's preferences; then the stage of the person's last session
    of this shift, while it has work that the person may do; then the first stage of the person's
    own list that has. ``preferences`` is filled up with NO_STAGE; ``workable`` tells by stage.
    """
    if due_drying:
        return _DRYING
    if last_stage != NO_STAGE and workable[last_stage]:
        return last_stage
    for stage in preferences:
        if stage == NO_STAGE:
            break
        if workable[stage]:
            return int(stage)
    return NO_STAGE


def next_stage(stage: int, applies: NDArray[np.bool_], rejected: bool) -> int:
    """The stage after one that an item has finished (R11), or DONE.

    A rejected item returns from checking to imaging (R17). Otherwise the next stage that applies.
    """
    if stage == _CHECKING and rejected:
        return _IMAGING
    for later in range(stage + 1, 9):
        if applies[later]:
            return later
    return DONE


def item_seconds(base: float, practice: float, week: float) -> int:
    """An item's seconds, fixed when it is first taken up (R1, R16): half up, at least one.

    ``base`` is the average with the item's own scatter, in seconds; ``practice`` what the team's
    practice makes of it; ``week`` the stage's factor for the calendar week.
    """
    return max(1, math.floor(base * practice * week + 0.5))
