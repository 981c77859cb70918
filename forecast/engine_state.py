"""The state of the compiled engine: its layout, and how it begins.

Records hold what belongs together (an item, a person, a queue), one after another, so that a step
touches few places in memory. A start in the middle of a project is set in here, by columns: nothing
of it is compiled, and the engine finds its queues as if it had filled them itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.beginning import Start
from forecast.events import COLUMNS, NOBODY, What
from forecast.items import Mould
from forecast.luck import UNLIMITED, Replication
from forecast.reference import shared
from forecast.rules import DONE, NEVER, NO_STAGE, WHOLE, kind_of
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
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

Ints = NDArray[np.int64]

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
    sets = max(min(int(most[Place.TOOL_SET]), room.sets), len(luck.sets_drying))
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
    if luck.start is not None:
        changed |= _found(luck, luck.start, changed)
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


# --- a start in the middle of a project ----------------------------------------------------------


def _found(luck: Replication, start: Start, state: dict[str, Any]) -> dict[str, Any]:
    """What is otherwise where the future begins in the middle of a project.

    Returns:
        Arrays of another length than those of the state; the rest is changed in place.
    """
    items, places, coming = state["items"], state["places"], state["coming"]
    there = start.is_there
    _set_items(luck, start, items)
    returned = {}
    for place, name, heap, holds in (
        (Place.SHELF, "shelf", "shelves", start.shelf),
        (Place.DRYER, "dryer", "dryers", start.dryer),
    ):
        held = np.flatnonzero(there & holds)
        items[name][held] = np.arange(len(held))
        places["in_use"][place] = places["fresh"][place] = len(held)
        # Each comes back, even where the project has fewer by now.
        returned[heap] = np.zeros(max(len(state[heap]), len(held)), dtype=np.int64)
    due = _due_days(luck, start)
    _set_due(state, due)
    _set_queues(luck, start, state, there & (due < 0))
    _set_drying(luck, state)
    found = _rows_found(luck, items, there)
    rows = np.empty((len(found) + len(state["rows"]), len(COLUMNS)), dtype=np.int64)
    rows[: len(found)] = found
    state["clock"]["rows"] = len(found)
    state["clock"]["left"] = np.count_nonzero(start.stage != DONE)
    return {**returned, "coming": coming[start.stage[coming] == NO_STAGE], "rows": rows}


def _set_items(luck: Replication, start: Start, items: NDArray[Any]) -> None:
    """All of an item but its places and its queue."""
    items["stage"] = start.stage
    items["since"] = start.since
    items["passed"] = start.passed
    items["cleaned"] = start.cleaned(luck.applies)
    items["rounds"] = start.rounds
    items["rejections"] = start.rejections
    items["again"] = start.again
    if start.put_back is not None and start.remaining is not None:
        items["put_back"] = start.put_back
        items["remaining"] = start.remaining


def _due_days(luck: Replication, start: Start) -> Ints:
    """(I,) the day at which an item's quarantine or round will be over, -1 where it waits.

    A day that is past, and a quarantine without a day, is over at the first instant.
    """
    quarantined = (start.stage == Stage.QUARANTINE) & start.shelf
    dries = (start.stage == Stage.DRYING) & start.dryer & (start.due_day >= 0)
    day = np.maximum(start.due_day, luck.settings.start // SECONDS_PER_DAY)
    return np.where(quarantined | dries, day, -1)


def _set_due(state: dict[str, Any], days: Ints) -> None:
    """The heap of due days: what is sorted is one."""
    items = np.flatnonzero(days >= 0)
    state["due"][: len(items)] = np.sort(days[items] * len(days) + items)
    state["clock"]["due"] = len(items)


def _set_queues(
    luck: Replication, start: Start, state: dict[str, Any], waits: NDArray[np.bool_]
) -> None:
    """Items that wait, linked in the order of their rank (R10)."""
    items = state["items"]
    stage = start.stage.astype(np.int64)
    for_shelf = waits & (stage == Stage.QUARANTINE)
    for_dryer = waits & (stage == Stage.DRYING) & ~start.dryer
    hands = waits & ~for_shelf & ~for_dryer
    # Nobody can have begun what does not wait for hands.
    items["put_back"][~hands], items["remaining"][~hands] = WHOLE, 0
    unfinished = items["put_back"] != WHOLE
    queue = stage * KINDS + _kinds(luck, stage, items["cleaned"]) + UNFINISHED * unfinished
    queue[for_shelf], queue[for_dryer] = STORE, DAMP
    state["waiting"][:] = np.bincount(stage[hands], minlength=N_STAGES)

    waiting = np.flatnonzero(waits)
    by_rank = (waiting, items["since"][waiting], items["put_back"][waiting], queue[waiting])
    order = waiting[np.lexsort(by_rank)]
    before, after, together = order[:-1], order[1:], np.diff(queue[order]) == 0
    items["next"][order] = items["previous"][order] = NOBODY
    items["next"][before[together]] = after[together]
    items["previous"][after[together]] = before[together]
    heads = order[items["previous"][order] == NOBODY]
    tails = order[items["next"][order] == NOBODY]
    state["queues"]["first"][queue[heads]] = heads
    state["queues"]["last"][queue[tails]] = tails


def _kinds(luck: Replication, stage: Ints, cleaned: NDArray[np.bool_]) -> Ints:
    """(I,) the kind of session that each item needs where it is (R7)."""
    table = [
        [
            kind_of(each, mould, red_rot, is_cleaned, luck.settings.receiving_is_mouldy)
            for mould in Mould
            for red_rot in (False, True)
            for is_cleaned in (False, True)
        ]
        for each in range(N_STAGES)
    ]
    of_item = 4 * luck.mould.astype(np.int64) + 2 * luck.red_rot + cleaned
    return np.asarray(np.array(table, dtype=np.int64)[np.clip(stage, 0, N_STAGES - 1), of_item])


def _set_drying(luck: Replication, state: dict[str, Any]) -> None:
    """Tool sets that are drying; those that are clean first come first."""
    clean_at = luck.sets_drying
    state["set_clean_at"][: len(clean_at)] = clean_at
    state["set_drying"][: len(clean_at)] = np.arange(len(clean_at))
    state["clock"]["drying"] = len(clean_at)
    for name in ("in_use", "fresh"):
        state["places"][name][Place.TOOL_SET] = len(clean_at)


def _rows_found(luck: Replication, items: NDArray[Any], there: NDArray[np.bool_]) -> Ints:
    """What the record says first: item after item, and the tool sets."""
    found = np.flatnonzero(there)
    kinds = [_rows(luck, What.FOUND, items["stage"][found], found, np.full(len(found), NOBODY))]
    for what, place in ((What.ON_SHELF, items["shelf"]), (What.IN_DRYER, items["dryer"])):
        held = found[place[found] != NOBODY]
        kinds.append(_rows(luck, what, items["stage"][held], held, place[held]))
    rows = np.concatenate(kinds)
    rows = rows[np.argsort(rows[:, COLUMNS.index("item")], kind="stable")]
    sets = np.arange(len(luck.sets_drying))
    return np.concatenate([rows, _rows(luck, What.SET_DRIES, Stage.CLEANING, NOBODY, sets)])


def _rows(luck: Replication, what: What, stage: Any, item: Any, place: Ints) -> Ints:
    """Rows of one kind at the start."""
    rows = np.full((len(place), len(COLUMNS)), NOBODY, dtype=np.int64)
    values = {"time": luck.settings.start, "what": what, "stage": stage, "item": item}
    for name, value in (values | {"place": place}).items():
        rows[:, COLUMNS.index(name)] = value
    return rows
