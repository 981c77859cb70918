"""The workflow compiled to machine code: the model to run.

The same rules as in :mod:`forecast.walkthrough`, and the same record to the last row. What
differs is how time passes: instead of processes that sleep there is one loop over the instants at
which anything happens, and instead of heaps of Python objects there are queues that are links from
item to item. An item joins a queue at its end, because time only grows; so each step costs the same
in a project of five hundred items and in one of a hundred thousand.

Functions take ``s``, the whole state, and change it in place. The order of an instant is that of
the readable model: read :func:`_instant` beside its list of priorities.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import rules, units
from forecast.compiled import entry, part
from forecast.engine_state import (
    CLEARING,
    DAMP,
    DRESSING,
    HANDLING,
    IDLE,
    KINDS,
    LOOKING,
    MANY,
    OVER,
    STORE,
    TOO_MANY_ROWS,
    TOO_MANY_SETS,
    UNFINISHED,
    Room,
    new_state,
    state_of,
)
from forecast.events import NOBODY, What
from forecast.items import Mould
from forecast.luck import Replication
from forecast.reference import addresses
from forecast.rules import CLEAN, DONE, MOULDY, NEVER, NO_STAGE, WHOLE
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.tally import Tally, absorb, new_tally
from forecast.units import SECONDS_PER_DAY

__all__ = ["record", "run"]

_State = Any  # the fields of engine_state, as the compiler sees them

# The decisions, as the readable model takes them.
_kind_of = part(rules.kind_of)
_session_overhead = part(rules.session_overhead)
_exposure_days = part(rules.exposure_days)
_may_begin = part(rules.may_begin)
_room_for_handling = part(rules.room_for_handling)
_rank = part(rules.rank)
_choose_stage = part(rules.choose_stage)
_next_stage = part(rules.next_stage)
_item_seconds = part(rules.item_seconds)
_whole_days = part(units.whole_days)

# Plain numbers: to the compiler a member of an enumeration is an object of its own kind.
_QUARANTINE, _DRYING, _COVERS = int(Stage.QUARANTINE), int(Stage.DRYING), int(Stage.COVERS)
_CLEANING, _IMAGING, _CHECKING = int(Stage.CLEANING), int(Stage.IMAGING), int(Stage.CHECKING)
_SHELF, _DRYER, _BENCH = int(Place.SHELF), int(Place.DRYER), int(Place.BENCH)
_CAMERA, _TOOL_SET = int(Place.CAMERA), int(Place.TOOL_SET)
_ACTIVE = int(Mould.ACTIVE)
_DELIVERED, _WAITS, _TAKEN = int(What.DELIVERED), int(What.WAITS), int(What.TAKEN)
_SHELF_TAKEN, _SHELF_FREED = int(What.SHELF_TAKEN), int(What.SHELF_FREED)
_ROUND_BEGINS, _ROUND_DUE = int(What.ROUND_BEGINS), int(What.ROUND_DUE)
_DRYER_FREED, _REJECTED = int(What.DRYER_FREED), int(What.REJECTED)
_SESSION_BEGINS, _SESSION_ENDS = int(What.SESSION_BEGINS), int(What.SESSION_ENDS)
_EXPOSURE_BEGINS, _EXPOSURE_ENDS = int(What.EXPOSURE_BEGINS), int(What.EXPOSURE_ENDS)
_PUT_BACK, _FINISHED = int(What.PUT_BACK), int(What.FINISHED)
_CLEARING_BEGINS = int(What.CLEARING_BEGINS)
_TOOL_SET_TAKEN, _TOOL_SET_CLEAN = int(What.TOOL_SET_TAKEN), int(What.TOOL_SET_CLEAN)
_DONE, _SET_ASIDE, _NOT_IMAGED = int(What.DONE), int(What.SET_ASIDE), int(What.NOT_IMAGED)

# --- small things ------------------------------------------------------------------------------


@part
def _push(heap: NDArray[np.int64], size: int, value: int) -> None:
    """Put a value into a binary heap that holds ``size`` values."""
    at = size
    while at > 0:
        parent = (at - 1) >> 1
        if heap[parent] <= value:
            break
        heap[at] = heap[parent]
        at = parent
    heap[at] = value


@part
def _pop(heap: NDArray[np.int64], size: int) -> int:
    """Take the least value out of a binary heap that holds ``size`` values."""
    least = heap[0]
    value = heap[size - 1]
    end = size - 1
    at = 0
    while True:
        child = 2 * at + 1
        if child >= end:
            break
        if child + 1 < end and heap[child + 1] < heap[child]:
            child += 1
        if heap[child] >= value:
            break
        heap[at] = heap[child]
        at = child
    heap[at] = value
    return least


@part
def _write(s: _State, what: int, stage: int, item: int, person: int, place: int) -> None:
    """One row of the record."""
    clock = s.clock[0]
    n = clock.rows
    if n == len(s.rows):
        clock.status = TOO_MANY_ROWS
        return
    row = s.rows[n]
    row[0] = clock.now
    row[1] = what
    row[2] = stage
    row[3] = item
    row[4] = person
    row[5] = place
    clock.rows = n + 1


@part
def _has_room(s: _State, place: int) -> bool:
    """Whether a new use may begin: the number in use is below today's number (R15)."""
    return s.places[place].in_use < s.places[place].today


@part
def _take_place(s: _State, place: int, returned: NDArray[np.int64]) -> int:
    """The lowest free number (R13)."""
    here = s.places[place]
    here.in_use += 1
    if here.returned > 0:
        number = _pop(returned, here.returned)
        here.returned -= 1
        return number
    here.fresh += 1
    return here.fresh - 1


@part
def _free_place(s: _State, place: int, returned: NDArray[np.int64], number: int) -> None:
    here = s.places[place]
    here.in_use -= 1
    if here.returned == len(returned):
        s.clock[0].status = TOO_MANY_SETS
        return
    _push(returned, here.returned, number)
    here.returned += 1


@part
def _comes_before(s: _State, item: int, other: int) -> bool:
    """Whether an item ranks before another of the same stage (R10)."""
    a, b = s.items[item], s.items[other]
    return _rank(a.put_back, a.since, item) < _rank(b.put_back, b.since, other)


@part
def _join(s: _State, queue: int, item: int) -> None:
    """Into a queue by rank. Time only grows, so only what came at this very second is passed."""
    here = s.queues[queue]
    before = here.last
    while before != NOBODY and _comes_before(s, item, before):
        before = s.items[before].previous
    after = here.first if before == NOBODY else s.items[before].next
    s.items[item].previous = before
    s.items[item].next = after
    if before == NOBODY:
        here.first = item
    else:
        s.items[before].next = item
    if after == NOBODY:
        here.last = item
    else:
        s.items[after].previous = item


@part
def _leave_queue(s: _State, queue: int) -> int:
    """The first of a queue."""
    here = s.queues[queue]
    item = here.first
    after = s.items[item].next
    here.first = after
    if after == NOBODY:
        here.last = NOBODY
    else:
        s.items[after].previous = NOBODY
    return item


# --- shelves and dryer -------------------------------------------------------------------------


@part
def _is_due_in(s: _State, item: int, days: int) -> None:
    """Something waits for 00:00 of a later day."""
    clock = s.clock[0]
    _push(s.due, clock.due, (clock.day + days) * len(s.items) + item)
    clock.due += 1


@part
def _fill_shelves(s: _State) -> None:
    """Free shelves go to the items that have waited longest for one (R5)."""
    while s.queues[STORE].first != NOBODY and _has_room(s, _SHELF):
        item = _leave_queue(s, STORE)
        shelf = _take_place(s, _SHELF, s.shelves)
        s.items[item].shelf = shelf
        _write(s, _SHELF_TAKEN, _QUARANTINE, item, NOBODY, shelf)
        # Growing mould is to be dried, not kept; a dormant one waits out its days.
        dries = s.mould[item] == _ACTIVE and s.applies[item, _DRYING]
        if dries or s.minimum_days == 0:
            _leave_quarantine(s, item)
        else:
            _is_due_in(s, item, s.minimum_days)


@part
def _leave_quarantine(s: _State, item: int) -> None:
    """The days are over; the item keeps its shelf until its cleaning is finished (R5)."""
    _write(s, _FINISHED, _QUARANTINE, item, NOBODY, NOBODY)
    _count_first_pass(s, item, _QUARANTINE)
    _move_on(s, item, _QUARANTINE)


@part
def _free_shelf(s: _State, item: int) -> None:
    """The shelf goes to the next at this very second."""
    shelf = s.items[item].shelf
    if shelf != NOBODY:
        _write(s, _SHELF_FREED, _QUARANTINE, item, NOBODY, shelf)
        _free_place(s, _SHELF, s.shelves, shelf)
        s.items[item].shelf = NOBODY
        s.clock[0].fill_shelves = True


@part
def _fill_dryer(s: _State) -> None:
    """Free drying places go to active items while somebody can fill them (R6)."""
    if s.queues[DAMP].first == NOBODY or not _has_room(s, _DRYER) or not _somebody_fills(s):
        return
    while s.queues[DAMP].first != NOBODY and _has_room(s, _DRYER):
        item = _leave_queue(s, DAMP)
        s.items[item].dryer = _take_place(s, _DRYER, s.dryers)
        _begin_round(s, item)


@part
def _somebody_fills(s: _State) -> bool:
    """Whether a mould worker who is trained for drying is on shift."""
    clock = s.clock[0]
    for person in range(len(s.people)):
        if clock.now < s.people[person].shift_end and s.mould_work[person, clock.day]:
            number = s.list_of[person, clock.day]
            if number >= 0 and s.trained[number, _DRYING]:
                return True
    return False


@part
def _begin_round(s: _State, item: int) -> None:
    """A round lasts whole days; nights and weekends count; the month it begins in matters."""
    state = s.items[item]
    _write(s, _ROUND_BEGINS, _DRYING, item, NOBODY, state.dryer)
    days = s.round_days[item, min(state.rounds, s.round_days.shape[1] - 1)]
    _is_due_in(s, item, _whole_days(days * s.month_factor[s.clock[0].day]))


@part
def _after_attention(s: _State, item: int, person: int) -> None:
    """Still damp: another round in the same place at once. Dry: the place is free."""
    state = s.items[item]
    state.rounds += 1
    if state.rounds < s.rounds[item] and not s.set_aside[item]:
        _begin_round(s, item)
        return
    _write(s, _DRYER_FREED, _DRYING, item, NOBODY, state.dryer)
    _free_place(s, _DRYER, s.dryers, state.dryer)
    state.dryer = NOBODY
    s.clock[0].fill_dryer = True
    _finish(s, item, _DRYING, person)


# --- the way of an item ------------------------------------------------------------------------


@part
def _move_on(s: _State, item: int, after: int) -> None:
    """A finished item is at its next stage at that very second (R11)."""
    state = s.items[item]
    rejected = after == _CHECKING and state.rejections > 0
    if rejected:
        state.rejections -= 1
        state.again = True
        _write(s, _REJECTED, _CHECKING, item, NOBODY, NOBODY)
    stage = _next_stage(after, s.applies[item], rejected)
    if stage == DONE:
        _leave(s, item, _NOT_IMAGED if s.not_imaged[item] else _DONE)
        return
    state.stage = stage
    _write(s, _WAITS, stage, item, NOBODY, NOBODY)
    _begin_to_wait(s, item)
    if stage == _QUARANTINE:
        _join(s, STORE, item)
        s.clock[0].fill_shelves = True
    elif stage == _DRYING:
        _join(s, DAMP, item)
        s.clock[0].fill_dryer = True
    else:
        _wait_for_hands(s, item, stage)


@part
def _begin_to_wait(s: _State, item: int) -> None:
    """Whole again: unfinished seconds belong to an earlier stage, or an earlier round."""
    state = s.items[item]
    state.since = s.clock[0].now
    state.put_back = WHOLE
    state.remaining = 0


@part
def _wait_for_hands(s: _State, item: int, stage: int) -> None:
    """Into the queue of the item's kind (R7)."""
    kind = _kind_of(
        stage,
        s.mould[item],
        s.red_rot[item],
        s.items[item].cleaned,
        s.receiving_is_mouldy,
    )
    _join(s, stage * KINDS + kind, item)
    s.waiting[stage] += 1
    s.clock[0].stirred = True


@part
def _finish(s: _State, item: int, stage: int, person: int) -> None:
    """A stage's work on an item is done."""
    _write(s, _FINISHED, stage, item, person, NOBODY)
    _count_first_pass(s, item, stage)
    if stage == _CLEANING:
        s.items[item].cleaned = True
        _free_shelf(s, item)
    if s.set_aside[item]:  # wet, stuck, contaminated: found at its first handling
        _leave(s, item, _SET_ASIDE)
    else:
        _move_on(s, item, stage)


@part
def _count_first_pass(s: _State, item: int, stage: int) -> None:
    """No item counts twice at a stage: practice grows with first passes only (R16, R17)."""
    passed = s.items[item].passed
    if not (passed >> stage) & 1:
        s.items[item].passed = passed | (1 << stage)
        s.finished[stage] += 1


@part
def _leave(s: _State, item: int, how: int) -> None:
    """The item is done, or ends otherwise; whatever it held is free."""
    _free_shelf(s, item)
    s.items[item].stage = DONE
    _write(s, how, NO_STAGE, item, NOBODY, NOBODY)
    s.clock[0].left -= 1


# --- people ------------------------------------------------------------------------------------


@part
def _something_ends(s: _State, person: int) -> None:
    """Clothing, the item in hand or clearing is over (R8)."""
    me = s.people[person]
    if me.doing == DRESSING:
        _begin_handling(s, person)
    elif me.doing == HANDLING:
        _item_ends(s, person)
        if s.clock[0].now < me.stop:
            me.doing = LOOKING
            me.ends = NEVER
        else:
            _stop_handling(s, person)
    else:
        _end_session(s, person)


@part
def _begin_handling(s: _State, person: int) -> None:
    """Dressed, with the first item in hand."""
    me = s.people[person]
    now = s.clock[0].now
    me.handling_since = now
    me.stop = now + me.room
    if me.kind == MOULDY:
        _write(s, _EXPOSURE_BEGINS, me.stage, NOBODY, person, NOBODY)
    _handle(s, person)


@part
def _handle(s: _State, person: int) -> None:
    """The item in hand, until it is finished or handling stops (R9)."""
    me = s.people[person]
    now = s.clock[0].now
    me.doing = HANDLING
    me.spent = min(me.seconds, me.stop - now)
    me.ends = now + me.spent


@part
def _item_ends(s: _State, person: int) -> None:
    """The item in hand is finished, or goes back unfinished as handling stops (R10)."""
    me = s.people[person]
    item = me.item
    stage = me.stage
    me.item = NOBODY
    if me.spent < me.seconds:
        state = s.items[item]
        state.put_back = s.clock[0].now
        state.remaining = me.seconds - me.spent
        _write(s, _PUT_BACK, stage, item, person, NOBODY)
        _join(s, UNFINISHED + stage * KINDS + me.kind, item)
        s.waiting[stage] += 1
    elif stage == _DRYING:
        _after_attention(s, item, person)
    else:
        _finish(s, item, stage, person)
    s.clock[0].stirred = True


@part
def _take_next(s: _State, person: int) -> None:
    """Inside a session the next-ranked item of the same kind follows (R7)."""
    me = s.people[person]
    queue = me.stage * KINDS + me.kind
    waits = s.queues[queue].first != NOBODY
    if waits or s.queues[UNFINISHED + queue].first != NOBODY:
        _take_up(s, person)
        _handle(s, person)
    else:
        _stop_handling(s, person)


@part
def _take_up(s: _State, person: int) -> None:
    """Take the first item, and its seconds: fixed now, unless it was begun before (R16)."""
    me = s.people[person]
    stage = me.stage
    queue = stage * KINDS + me.kind
    unfinished = s.queues[UNFINISHED + queue].first != NOBODY
    item = _leave_queue(s, UNFINISHED + queue if unfinished else queue)
    s.waiting[stage] -= 1
    _write(s, _TAKEN, stage, item, person, NOBODY)
    me.item = item
    remaining = s.items[item].remaining
    me.seconds = remaining if remaining > 0 else _seconds(s, item, stage)


@part
def _seconds(s: _State, item: int, stage: int) -> int:
    """An item's whole seconds at a stage if it is taken up now."""
    if stage == _DRYING:
        return s.attention
    again = stage == _IMAGING and s.items[item].again
    base = s.again_seconds[item] if again else s.base_seconds[item, stage]
    week = s.week_of_day[s.clock[0].day]
    return _item_seconds(base, s.practice[stage, s.finished[stage]], s.week_factor[stage, week])


@part
def _stop_handling(s: _State, person: int) -> None:
    """Clear, or end where there is nothing to clear."""
    me = s.people[person]
    if me.clearing > 0:
        _write(s, _CLEARING_BEGINS, me.stage, NOBODY, person, me.station)
        me.doing = CLEARING
        me.ends = s.clock[0].now + me.clearing
    else:
        _end_session(s, person)


@part
def _end_session(s: _State, person: int) -> None:
    """Exposure is booked, the station is free, the tool set has to dry."""
    clock, me = s.clock[0], s.people[person]
    stage = me.stage
    if me.kind == MOULDY:
        _write(s, _EXPOSURE_ENDS, stage, NOBODY, person, NOBODY)
        day = min(me.handling_since // SECONDS_PER_DAY, len(s.week_of_day) - 1) + 6
        s.exposure[person, day] += clock.now - me.handling_since
        s.exposed[person, day] = True
        me.rested_at = clock.now + s.rest
        clock.soon = min(clock.soon, me.rested_at) if s.rest > 0 else clock.soon
    _write(s, _SESSION_ENDS, stage, NOBODY, person, me.station)
    if stage == _CLEANING:
        _free_place(s, _BENCH, s.benches, me.station)
    elif stage in (_COVERS, _IMAGING):
        _free_place(s, _CAMERA, s.cameras, me.station)
    elif stage == _DRYING:
        clock.drying_session = False
    if me.tool_set != NOBODY:
        _dry_tool_set(s, me.tool_set)
    me.doing = IDLE
    me.ends = NEVER
    clock.sessions -= 1
    clock.stirred = True


@part
def _dry_tool_set(s: _State, number: int) -> None:
    """A used tool set is clean again after its drying time (R12)."""
    clock = s.clock[0]
    if s.tool_drying == 0:
        _write(s, _TOOL_SET_CLEAN, _CLEANING, NOBODY, NOBODY, number)
        _free_place(s, _TOOL_SET, s.sets, number)
        return
    if clock.drying == len(s.set_drying):
        clock.status = TOO_MANY_SETS
        return
    at = (clock.drying_from + clock.drying) % len(s.set_drying)
    s.set_drying[at] = number
    s.set_clean_at[at] = clock.now + s.tool_drying
    clock.drying += 1
    clock.soon = min(clock.soon, s.set_clean_at[at])


@part
def _clean_tool_sets(s: _State) -> None:
    """Sets that are clean from now on: they dry equally long, so the first used comes first."""
    clock = s.clock[0]
    while clock.drying > 0 and s.set_clean_at[clock.drying_from] == clock.now:
        number = s.set_drying[clock.drying_from]
        clock.drying_from = (clock.drying_from + 1) % len(s.set_drying)
        clock.drying -= 1
        _write(s, _TOOL_SET_CLEAN, _CLEANING, NOBODY, NOBODY, number)
        _free_place(s, _TOOL_SET, s.sets, number)
        clock.stirred = True


# --- choosing ----------------------------------------------------------------------------------


@part
def _choose(s: _State) -> None:
    """Idle people choose, in the order of team.csv, until nobody can (R13)."""
    clock = s.clock[0]
    clock.begun = 0
    somebody_chose = True
    while somebody_chose:
        somebody_chose = False
        for person in range(len(s.people)):
            me = s.people[person]
            if me.doing == IDLE and clock.now < me.shift_end and _begins(s, person):
                somebody_chose = True
    # Who needs no clothing has the first item in hand at once, after everybody has chosen.
    for number in range(clock.begun):
        person = s.begun[number]
        if s.people[person].clothing == 0:
            _begin_handling(s, person)


@part
def _begins(s: _State, person: int) -> bool:
    """Begin a session, if there is one that this person may begin now."""
    number = s.list_of[person, s.clock[0].day]
    if number < 0:
        return False
    found = False
    for stage in range(N_STAGES):
        s.workable[stage] = (
            s.waiting[stage] > 0
            and s.trained[number, stage]
            and _stage_is_open(s, stage)
            and _first_kind(s, person, stage)
        )
        found |= s.workable[stage]
    if not found:
        return False
    due = s.workable[_DRYING]
    s.workable[_DRYING] = False
    stage = _choose_stage(due, s.people[person].last_stage, s.preferences[number], s.workable)
    if stage == NO_STAGE:
        return False
    _begin_session(s, person, stage, s.kind_at[stage], s.room_at[stage])
    return True


@part
def _stage_is_open(s: _State, stage: int) -> bool:
    """Whether a place and a tool set are free; one session at a time looks after drying."""
    if stage == _CLEANING:
        return _has_room(s, _BENCH) and (not s.clock[0].sets_limited or _has_room(s, _TOOL_SET))
    if stage in (_COVERS, _IMAGING):
        return _has_room(s, _CAMERA)
    return stage != _DRYING or not s.clock[0].drying_session


@part
def _first(s: _State, stage: int, kind: int) -> int:
    """What stands first among the items of a kind at a stage."""
    unfinished = s.queues[UNFINISHED + stage * KINDS + kind].first
    return unfinished if unfinished != NOBODY else s.queues[stage * KINDS + kind].first


@part
def _first_kind(s: _State, person: int, stage: int) -> bool:
    """Note kind and room of the session that the stage's first possible item asks for (R7)."""
    tried = 0
    for _ in range(KINDS):
        first, kind = NOBODY, CLEAN
        for each in range(KINDS):
            item = _first(s, stage, each)
            if item == NOBODY or (tried >> each) & 1:
                continue
            if first == NOBODY or _comes_before(s, item, first):
                first, kind = item, each
        if first == NOBODY:
            return False
        room = _room(s, person, stage, kind)
        if room >= s.shortest:
            s.kind_at[stage] = kind
            s.room_at[stage] = room
            return True
        tried |= 1 << kind
    return False


@part
def _room(s: _State, person: int, stage: int, kind: int) -> int:
    """Seconds of handling that a session could have; 0 where the person may not begin."""
    clock, me = s.clock[0], s.people[person]
    mouldy = kind == MOULDY
    if not _may_begin(
        mouldy,
        True,
        s.mould_work[person, clock.day],
        s.exposed[person, clock.day + 6],
        me.exposed_days,
        s.days_limit,
        clock.now,
        me.rested_at,
    ):
        return 0
    clothing, clearing = _session_overhead(
        stage, kind, s.clothing, s.clear_bench, s.clear_camera
    )
    return _room_for_handling(
        mouldy,
        me.shift_end - clock.now,
        clothing,
        clearing,
        s.allowance - s.exposure[person, clock.day + 6],
        s.wear,
    )


@part
def _begin_session(s: _State, person: int, stage: int, kind: int, room: int) -> None:
    """Take station, tool set and first item."""
    clock, me = s.clock[0], s.people[person]
    me.clothing, me.clearing = _session_overhead(
        stage, kind, s.clothing, s.clear_bench, s.clear_camera
    )
    me.stage = stage
    me.kind = kind
    me.room = room
    me.last_stage = stage
    me.station = NOBODY
    me.tool_set = NOBODY
    if stage == _CLEANING:
        me.station = _take_place(s, _BENCH, s.benches)
    elif stage in (_COVERS, _IMAGING):
        me.station = _take_place(s, _CAMERA, s.cameras)
    _write(s, _SESSION_BEGINS, stage, NOBODY, person, me.station)
    if stage == _CLEANING and clock.sets_limited:
        me.tool_set = _take_place(s, _TOOL_SET, s.sets)
        _write(s, _TOOL_SET_TAKEN, stage, NOBODY, person, me.tool_set)
    _take_up(s, person)
    me.doing = DRESSING
    me.ends = clock.now + me.clothing
    s.begun[clock.begun] = person
    clock.begun += 1
    clock.sessions += 1
    if stage == _DRYING:
        clock.drying_session = True


# --- time --------------------------------------------------------------------------------------


@part
def _deliver(s: _State) -> None:
    """Items come from the store at 00:00 of their date, in the order of work (R4)."""
    clock = s.clock[0]
    while clock.coming < len(s.coming) and s.arrival[s.coming[clock.coming]] == clock.now:
        item = s.coming[clock.coming]
        clock.coming += 1
        _write(s, _DELIVERED, NO_STAGE, item, NOBODY, NOBODY)
        _move_on(s, item, NO_STAGE)


@part
def _midnight(s: _State) -> None:
    """What waited for days becomes available at 00:00, and places have a new number."""
    clock = s.clock[0]
    for place in range(N_PLACES):
        s.places[place].today = s.capacity[place, clock.day]
    for person in range(len(s.people)):
        me = s.people[person]
        begin = s.shift_begin[person, clock.day]
        me.arrives = begin if s.shift_end[person, clock.day] > begin else NEVER
        me.exposed_days = _exposure_days(
            s.exposed[person],
            clock.day,
            s.calendar_week,
            s.weekday_of_day_0,
        )
    items = len(s.items)
    while clock.due > 0 and s.due[0] < (clock.day + 1) * items:
        item = _pop(s.due, clock.due) % items
        clock.due -= 1
        if s.items[item].stage == _DRYING:
            # The item begins to wait, in its drying place, for attention (R6).
            _write(s, _ROUND_DUE, _DRYING, item, NOBODY, s.items[item].dryer)
            _begin_to_wait(s, item)
            _wait_for_hands(s, item, _DRYING)
        else:
            _leave_quarantine(s, item)
    clock.fill_shelves = True
    clock.fill_dryer = True
    clock.stirred = True
    day = clock.now // SECONDS_PER_DAY + 1
    clock.midnight = day * SECONDS_PER_DAY if day < len(s.week_of_day) else NEVER


@part
def _arrive(s: _State) -> None:
    """People come to work (R14), or have rested (R3)."""
    clock = s.clock[0]
    for person in range(len(s.people)):
        me = s.people[person]
        if me.arrives == clock.now:
            me.arrives = NEVER
            me.shift_end = s.shift_end[person, clock.day]
            me.last_stage = NO_STAGE
            clock.fill_dryer = True
            clock.stirred = True
        if me.rested_at == clock.now:
            clock.stirred = True


@part
def _next_of_the_calendar(s: _State) -> int:
    """The next second at which something happens that is nobody's end."""
    clock = s.clock[0]
    soon = clock.midnight
    if clock.coming < len(s.coming):
        soon = min(soon, s.arrival[s.coming[clock.coming]])
    if clock.drying > 0:
        soon = min(soon, s.set_clean_at[clock.drying_from])
    for person in range(len(s.people)):
        me = s.people[person]
        soon = min(soon, me.arrives)
        if me.rested_at > clock.now:
            soon = min(soon, me.rested_at)
    return soon


@part
def _is_over(s: _State) -> bool:
    """The last item has left and the last session has ended: nothing more can happen."""
    return s.clock[0].left == 0 and s.clock[0].sessions == 0


@part
def _instant(s: _State, of_calendar: bool) -> None:
    """All that happens at one second, in the order of R13."""
    clock = s.clock[0]
    somebody_looks = _things_end(s)
    # Once all is over, a tool set that is clean now would still be heard of.
    if of_calendar and not _is_over(s):
        _clean_tool_sets(s)
        _deliver(s)
        if clock.now == clock.midnight:
            _midnight(s)
    if clock.fill_shelves:
        clock.fill_shelves = False
        _fill_shelves(s)
    if of_calendar:
        _arrive(s)
    if clock.fill_dryer:
        clock.fill_dryer = False
        _fill_dryer(s)
    if somebody_looks:
        _look_for_more(s)
    if clock.stirred:
        clock.stirred = False
        _choose(s)


@part
def _things_end(s: _State) -> bool:
    """Ends of items and sessions, by person; whether somebody looks for the next item."""
    somebody_looks = False
    for person in range(len(s.people)):
        if s.people[person].ends == s.clock[0].now:
            _something_ends(s, person)
            somebody_looks |= s.people[person].doing == LOOKING
    return somebody_looks


@part
def _look_for_more(s: _State) -> None:
    """People inside a session take their next item, in the order of team.csv."""
    for person in range(len(s.people)):
        if s.people[person].doing == LOOKING:
            _take_next(s, person)


@entry
def _happen(table: NDArray[np.int64], tally: Tally, keep: bool) -> int:
    """Let everything happen, until all is over or to the horizon; how it ended.

    Rows are added up whenever there are many, and at the end, unless all are to be kept.
    """
    s = state_of(table)
    clock = s.clock[0]
    days = len(s.week_of_day)
    while clock.status == OVER:
        now = clock.soon
        for person in range(len(s.people)):
            now = min(now, s.people[person].ends)
        if now > clock.horizon:
            break
        of_calendar = now == clock.soon
        clock.now = now
        clock.day = min(now // SECONDS_PER_DAY, days - 1)
        _instant(s, of_calendar)
        if of_calendar:
            clock.soon = _next_of_the_calendar(s)
        if clock.rows >= MANY and not keep:
            absorb(tally, s.rows, clock.rows)
            clock.rows = 0
        if _is_over(s):
            break
    if not keep:
        absorb(tally, s.rows, clock.rows)
    return clock.status


# --- from Python -------------------------------------------------------------------------------


def run(luck: Replication, start_within_days: int, counts_as_done: Sequence[str]) -> Tally:
    """Simulate one future from its luck, and add up its record as it is written.

    Args:
        luck: arrays of the types that :func:`forecast.luck.replication` makes.
        start_within_days: as :func:`forecast.tally.new_tally` takes it.
        counts_as_done: likewise.
    """
    room = Room.of(luck)
    while True:
        tally = new_tally(luck, start_within_days, counts_as_done)
        state = new_state(luck, room)
        if _happen(addresses(state), tally, False) == OVER:
            return tally
        room = room.doubled()


def record(luck: Replication) -> NDArray[np.int64]:
    """Simulate one future from its luck, and keep its record.

    Returns:
        The event record, (n, 6) integers: see :mod:`forecast.events`. The same rows as those of
        :func:`forecast.walkthrough.run`.
    """
    room, tally = Room.of(luck).for_all_rows(luck), new_tally(luck, 0, ())
    while True:
        state = new_state(luck, room)
        if _happen(addresses(state), tally, True) == OVER:
            return np.array(state["rows"][: int(state["clock"][0]["rows"])])
        room = room.doubled()
