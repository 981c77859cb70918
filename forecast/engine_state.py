"""The state of the compiled engine: its layout, and how it begins.

Records hold what belongs together (an item, a person, a queue), one after another, so that a step
touches few places in memory. Whatever a start in the middle of a project would set is in here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.events import COLUMNS, NOBODY
from forecast.luck import UNLIMITED, Replication
from forecast.reference import shared
from forecast.rules import NEVER, NO_STAGE, WHOLE
from forecast.stages import N_PLACES, N_STAGES, Place
from forecast.units import SECONDS_PER_DAY

__all__ = [
    "CLEARING",
    "DAMP",
    "DRESSING",
    "HANDLING",
    "IDLE",
    "KINDS",
    "LOOKING",
    "MANY",
    "OVER",
    "STORE",
    "TOO_MANY_ROWS",
    "TOO_MANY_SETS",
    "UNFINISHED",
    "Room",
    "new_state",
    "state_of",
]

KINDS = 3
# Queues: those that wait, then those that are unfinished, by stage and kind; and two more.
UNFINISHED = N_STAGES * KINDS
STORE = 2 * N_STAGES * KINDS  # items with mould that wait for a shelf
DAMP = STORE + 1  # active items that wait for a drying place
QUEUES = DAMP + 1

# What a person is about.
IDLE, DRESSING, HANDLING, LOOKING, CLEARING = range(5)

MANY = 4_096  # rows of the record that are added up at a time
SETS = 64  # tool sets at first, where some day has no limit

# How a run ended.
OVER, TOO_MANY_ROWS, TOO_MANY_SETS = range(3)

# Patterns of arrays: type and number of axes.
_INTS, _INTS_BY = np.zeros(1, np.int64), np.zeros((1, 1), np.int64)
_FLOATS, _FLOATS_BY = np.zeros(1), np.zeros((1, 1))
_FLAGS, _FLAGS_BY = np.zeros(1, np.bool_), np.zeros((1, 1), np.bool_)
_BYTES, _BYTES_BY = np.zeros(1, np.int8), np.zeros((1, 1), np.int8)

_ITEM = np.dtype(
    [
        ("since", np.int64),  # it waits at its stage
        ("put_back", np.int64),  # when it was put back unfinished
        ("remaining", np.int64),  # seconds left of an unfinished item
        ("next", np.int32),  # in its queue
        ("previous", np.int32),
        ("shelf", np.int32),
        ("dryer", np.int32),
        ("rounds", np.int32),  # of drying, behind it
        ("rejections", np.int32),  # still to come
        ("passed", np.int16),  # first passes, a bit a stage
        ("stage", np.int8),
        ("cleaned", np.bool_),
        ("again", np.bool_),  # it is imaged again
    ],
    align=True,
)
_PERSON = np.dtype(
    [
        ("ends", np.int64),  # when the next thing ends for this person; NEVER when idle
        ("arrives", np.int64),  # when today's shift begins, if that is still to come
        ("shift_end", np.int64),
        ("rested_at", np.int64),
        ("stop", np.int64),  # handling stops
        ("handling_since", np.int64),
        ("seconds", np.int64),  # of the item in hand, still to do
        ("spent", np.int64),  # of them, until `ends`
        ("room", np.int64),
        ("clothing", np.int64),
        ("clearing", np.int64),
        ("exposed_days", np.int64),  # that count against today's limit
        ("item", np.int64),
        ("station", np.int64),
        ("tool_set", np.int64),
        ("doing", np.int8),
        ("stage", np.int8),
        ("kind", np.int8),
        ("last_stage", np.int8),
    ],
    align=True,
)
_CLOCK = np.dtype(
    [
        ("now", np.int64),
        ("day", np.int64),
        ("horizon", np.int64),  # nothing happens later
        ("midnight", np.int64),  # the next one
        ("soon", np.int64),  # the next thing that is nobody's end, or earlier
        ("coming", np.int64),  # items that were delivered
        ("left", np.int64),  # items that have not left
        ("sessions", np.int64),
        ("rows", np.int64),  # of the record, since they were added up
        ("due", np.int64),  # size of the heap of due days
        ("drying_from", np.int64),  # first and number of tool sets that dry
        ("drying", np.int64),
        ("begun", np.int64),  # sessions begun at this instant
        ("status", np.int64),
        ("sets_limited", np.bool_),
        ("drying_session", np.bool_),
        ("fill_shelves", np.bool_),  # asked for at this instant
        ("fill_dryer", np.bool_),
        ("stirred", np.bool_),
    ],
    align=True,
)
_PLACE = np.dtype(
    [("in_use", np.int64), ("fresh", np.int64), ("returned", np.int64), ("today", np.int64)],
    align=True,
)
_QUEUE = np.dtype([("first", np.int32), ("last", np.int32)])


# What compiled functions share, by name. Luck and tables, which are read ...
_READ: dict[str, Any] = {
    "allowance": int,
    "days_limit": int,
    "calendar_week": bool,
    "weekday_of_day_0": int,
    "wear": int,
    "rest": int,
    "clothing": int,
    "clear_bench": int,
    "clear_camera": int,
    "shortest": int,
    "minimum_days": int,
    "attention": int,
    "tool_drying": int,
    "receiving_is_mouldy": bool,
    "arrival": _INTS,
    "mould": _BYTES,
    "red_rot": _FLAGS,
    "applies": _FLAGS_BY,
    "base_seconds": _FLOATS_BY,
    "again_seconds": _FLOATS,
    "rounds": _INTS,
    "round_days": _FLOATS_BY,
    "set_aside": _FLAGS,
    "not_imaged": _FLAGS,
    "practice": _FLOATS_BY,
    "week_factor": _FLOATS_BY,
    "week_of_day": _INTS,
    "month_factor": _FLOATS,
    "shift_begin": _INTS_BY,
    "shift_end": _INTS_BY,
    "mould_work": _FLAGS_BY,
    "list_of": _INTS_BY,
    "preferences": _BYTES_BY,
    "trained": _FLAGS_BY,
    "capacity": _INTS_BY,
}
# ... and what changes while a future happens.
_CHANGED: dict[str, Any] = {
    "coming": _INTS,  # items by arrival
    "clock": np.zeros(1, _CLOCK),
    "items": np.zeros(1, _ITEM),
    "people": np.zeros(1, _PERSON),
    "places": np.zeros(1, _PLACE),
    "queues": np.zeros(1, _QUEUE),
    "waiting": _INTS,  # (9,) items in the stage's queues
    "finished": _INTS,  # (9,) first passes of the team
    "exposure": _INTS_BY,  # (P, D + 6) seconds
    "exposed": _FLAGS_BY,  # (P, D + 6)
    "workable": _FLAGS,  # (9,) to choose from
    "kind_at": _INTS,  # (9,) and what a session there would be
    "room_at": _INTS,
    "begun": _INTS,  # (P,) who began a session at this instant, in order
    "due": _INTS,  # heap of day x items + item
    "shelves": _INTS,  # heaps of numbers that came back
    "dryers": _INTS,
    "benches": _INTS,
    "cameras": _INTS,
    "sets": _INTS,
    "set_clean_at": _INTS,  # ring of the sets that dry
    "set_drying": _INTS,
    "rows": _INTS_BY,
}
state_of = shared(_READ | _CHANGED)


@dataclass(frozen=True)
class Room:
    """Room for rows and for tool sets, which has no bound that is known beforehand.

    Where it was too little, the future is run again: nothing in it is random.
    """

    rows: int
    sets: int

    @classmethod
    def of(cls, luck: Replication) -> Room:
        """Room for the rows of a busy instant, in which every item may move."""
        return cls(MANY + 12 * len(luck.arrival) + 16 * len(luck.shift_begin), SETS)

    def for_all_rows(self, luck: Replication) -> Room:
        """Room for a whole record, nearly always."""
        return Room(self.rows + 32 * len(luck.arrival), self.sets)

    def doubled(self) -> Room:
        """Twice as much of both."""
        return Room(2 * self.rows, 2 * self.sets)


def new_state(luck: Replication, room: Room) -> dict[str, Any]:
    """Everything in _READ and _CHANGED, before anything has happened."""
    settings = luck.settings
    people, days = luck.shift_begin.shape
    items = len(luck.arrival)
    first_day = settings.start // SECONDS_PER_DAY
    exposure = np.zeros((people, days + 6), dtype=np.int64)
    exposure[:, first_day : first_day + 6] = luck.exposure_before
    most = luck.capacity.max(axis=1, initial=0)
    limited = luck.capacity.min(axis=1, initial=UNLIMITED) < UNLIMITED
    sets = min(int(most[Place.TOOL_SET]), room.sets)
    known = {name: getattr(luck, name, None) for name in _READ} | vars(settings)
    changed = {
        "coming": np.argsort(luck.arrival, kind="stable"),
        "clock": _clock(luck, bool(limited[Place.TOOL_SET])),
        "items": _items(luck),
        "people": _people(people, settings.start),
        "places": np.zeros(N_PLACES, dtype=_PLACE),
        "queues": np.full(QUEUES, NOBODY, dtype=np.int32).repeat(2).view(_QUEUE),
        "waiting": np.zeros(N_STAGES, dtype=np.int64),
        "finished": luck.finished_before.copy(),
        "exposure": exposure,
        "exposed": exposure > 0,
        "workable": np.zeros(N_STAGES, dtype=np.bool_),
        "kind_at": np.zeros(N_STAGES, dtype=np.int64),
        "room_at": np.zeros(N_STAGES, dtype=np.int64),
        "begun": np.zeros(people, dtype=np.int64),
        "due": np.zeros(items, dtype=np.int64),
        "shelves": np.zeros(min(int(most[Place.SHELF]), items), dtype=np.int64),
        "dryers": np.zeros(min(int(most[Place.DRYER]), items), dtype=np.int64),
        "benches": np.zeros(people, dtype=np.int64),
        "cameras": np.zeros(people, dtype=np.int64),
        "sets": np.zeros(sets, dtype=np.int64),
        "set_clean_at": np.zeros(sets, dtype=np.int64),
        "set_drying": np.zeros(sets, dtype=np.int64),
        "rows": np.empty((room.rows, len(COLUMNS)), dtype=np.int64),
    }
    return {name: known[name] for name in _READ} | {name: changed[name] for name in _CHANGED}


def _clock(luck: Replication, sets_limited: bool) -> NDArray[Any]:
    clock = np.zeros(1, dtype=_CLOCK)
    clock["now"] = clock["midnight"] = clock["soon"] = luck.settings.start
    end = len(luck.week_of_day) * SECONDS_PER_DAY
    clock["horizon"] = max(end, luck.settings.start, luck.shift_end.max(initial=0))
    clock["left"] = len(luck.arrival)
    clock["sets_limited"] = sets_limited
    return clock


def _items(luck: Replication) -> NDArray[Any]:
    items = np.zeros(len(luck.arrival), dtype=_ITEM)
    items["put_back"] = WHOLE
    items["rejections"] = luck.rejections
    items["stage"] = NO_STAGE
    items["shelf"] = items["dryer"] = NOBODY
    return items


def _people(people: int, start: int) -> NDArray[Any]:
    everybody = np.zeros(people, dtype=_PERSON)
    everybody["ends"] = everybody["arrives"] = NEVER
    everybody["shift_end"] = -1
    everybody["rested_at"] = start
    everybody["item"] = everybody["station"] = everybody["tool_set"] = NOBODY
    everybody["last_stage"] = NO_STAGE
    return everybody
