"""The workflow simulated in SimPy, whole: the model to read.

People are processes that sleep until their next item or session ends; places are counters. There
is no queue of a library in it, because who comes first is a rule of the trade (``rules.rank``).

Each instant has a fixed order, which SimPy keeps as the priority of events at the same second:
first all that happens at it is applied (ends of items and sessions, by person; tool sets;
deliveries; due dates; shelves; shifts beginning); then the dryer is filled; then people inside a
session take their next item, in the order of team.csv; and only then do idle people choose, in
the same order, round after round until nobody can. Nobody interrupts a session for something
better.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any

import numpy as np
import simpy
from numpy.typing import NDArray

from forecast import rules
from forecast.beginning import Start
from forecast.events import NOBODY, What
from forecast.items import Mould
from forecast.luck import UNLIMITED, Replication
from forecast.rules import CLEAN, DIRTY, MOULDY, NO_STAGE, WHOLE
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY, whole_days

__all__ = ["run"]

# The order of an instant (R13). People come within ENDS and TAKE_NEXT in the order of team.csv.
_ENDS = 1_000_000
_TOOL_SETS = 2_000_000
_DELIVERIES = 2_000_001
_DUE = 2_000_002
_SHELVES = 2_000_003
_SHIFTS = 2_000_004
_FILL_DRYER = 2_000_005
_TAKE_NEXT = 3_000_000
_CHOOSE = 4_000_000
_HORIZON = 5_000_000

Sleep = Generator[simpy.Event, Any, None]

# Covers and imaging need a camera station, cleaning a bench; the rest need no place (R11).
_STATION: dict[int, Place] = {
    Stage.COVERS: Place.CAMERA,
    Stage.CLEANING: Place.BENCH,
    Stage.IMAGING: Place.CAMERA,
}


class _Moment(simpy.Event):
    """A second, and a place in the order of what happens at it."""

    def __init__(self, env: simpy.Environment, second: int, order: int) -> None:
        super().__init__(env)
        self.second = second
        self._ok, self._value = True, None
        # SimPy orders events of one time by `priority`; its own two levels come before ours.
        env.schedule(self, priority=order, delay=second - env.now)  # type: ignore[arg-type]


class _Counter:
    """Places of one kind: a number in use, and the lowest free number first (R13, R15)."""

    def __init__(self) -> None:
        self.in_use = 0
        self._returned: list[int] = []
        self._fresh = 0

    def take(self) -> int:
        self.in_use += 1
        if self._returned:
            return heapq.heappop(self._returned)
        self._fresh += 1
        return self._fresh - 1

    def free(self, number: int) -> None:
        self.in_use -= 1
        heapq.heappush(self._returned, number)


@dataclass
class _Session:
    """One person at one stage, from putting on to having cleared away."""

    person: int
    stage: int
    kind: int
    clothing: int
    clearing: int
    room: int
    item: int
    seconds: int  # of the item in hand, still to do
    station: int = NOBODY
    tool_set: int = NOBODY
    handling_since: int = 0


class _Item:
    """Where an item stands. Everything that a start in the middle of a project sets."""

    __slots__ = (
        "again",
        "cleaned",
        "dryer",
        "passed",
        "put_back",
        "rejections",
        "remaining",
        "rounds",
        "shelf",
        "since",
        "stage",
    )

    def __init__(self, rejections: int) -> None:
        self.stage = NO_STAGE
        self.since = 0  # it waits at its stage
        self.put_back = WHOLE  # when it was put back unfinished
        self.remaining = 0  # seconds left of an unfinished item
        self.cleaned = False
        self.shelf = NOBODY
        self.dryer = NOBODY
        self.rounds = 0  # of drying, behind it
        self.rejections = rejections  # still to come
        self.again = False  # it is imaged again
        self.passed = [False] * N_STAGES  # first passes


def run(luck: Replication) -> NDArray[np.int64]:
    """Simulate one future from its luck.

    Returns:
        The event record, (n, 6) integers: see :mod:`forecast.events`. It ends when the last item
        has left and the last session is over, or at the horizon.
    """
    return _Walkthrough(luck).run()


class _Walkthrough:
    """One future while it happens."""

    def __init__(self, luck: Replication) -> None:
        self.luck, self.settings = luck, luck.settings
        self.env = simpy.Environment(initial_time=luck.settings.start)
        self.now = luck.settings.start
        self.record: list[tuple[int, int, int, int, int, int]] = []
        self.people = len(luck.shift_begin)
        self.days = len(luck.week_of_day)
        self.first_day = luck.settings.start // SECONDS_PER_DAY
        self.day = self.first_day

        self.items = [_Item(rejections) for rejections in luck.rejections.tolist()]
        self.left = len(self.items)
        self.finished = luck.finished_before.tolist()  # first passes of the team, by stage
        self.store: list[tuple[int, int]] = []  # items with mould that wait for a shelf
        self.damp: list[tuple[int, int]] = []  # active items that wait for a drying place
        # Waiting and unfinished items by stage and kind; at drying: items whose round is over.
        self.queues: list[list[list[tuple[int, int, int]]]] = [
            [[], [], []] for _ in range(N_STAGES)
        ]
        self.due: dict[int, list[int]] = {}  # day -> items whose days are over at its 00:00

        self.places = [_Counter() for _ in range(N_PLACES)]
        self.tool_sets_limited = bool((luck.capacity[Place.TOOL_SET] < UNLIMITED).any())
        self.capacity: list[list[int]] = luck.capacity.tolist()
        self.list_of: list[list[int]] = luck.list_of.tolist()
        self.stages_of = [tuple(np.flatnonzero(row).tolist()) for row in luck.trained]

        self.everybody = range(self.people)
        self.called = [self.env.event() for _ in range(self.people)]
        self.in_session = [False] * self.people
        self.shift_end = [-1] * self.people
        self.last_stage = [NO_STAGE] * self.people
        self.rested_at = [self.settings.start] * self.people
        self.exposure = np.zeros((self.people, self.days + 6), dtype=np.int64)
        self.exposure[:, self.first_day : self.first_day + 6] = luck.exposure_before
        self.exposed = self.exposure > 0
        self.drying_session = False
        self.sessions = 0
        self.over = self.env.event()
        self.asked: dict[int, int] = {}
        if luck.start is not None:
            self.find(luck.start)

    # --- time -------------------------------------------------------------------------------

    def run(self) -> NDArray[np.int64]:
        """Let everything happen, and hand over the record."""
        for person in self.everybody:
            self.env.process(self.person(person))
            self.env.process(self.shifts(person))
        self.env.process(self.deliveries())
        self.env.process(self.midnights())
        horizon = max(self.days * SECONDS_PER_DAY, int(self.luck.shift_end.max(initial=0)))
        self.at(max(horizon, self.settings.start), _HORIZON, self.close)
        self.env.run(until=self.over)
        return np.array(self.record, dtype=np.int64).reshape(-1, 6)

    def at(self, second: int, order: int, act: Callable[[], None] | None = None) -> simpy.Event:
        """An event at a second, in its place within that instant."""
        moment = _Moment(self.env, second, order)
        assert moment.callbacks is not None
        moment.callbacks.append(self.tick)
        if act is not None:
            moment.callbacks.append(lambda _: act())
        return moment

    def tick(self, moment: simpy.Event) -> None:
        """Every event that moves the clock comes through here: ask for the time often, cheaply.

        What happens at 00:00 belongs to the date that begins.
        """
        assert isinstance(moment, _Moment)
        self.now = moment.second
        self.day = min(self.now // SECONDS_PER_DAY, self.days - 1)

    def once(self, order: int, act: Callable[[], None]) -> None:
        """Do something later in this instant, once however often it is asked for."""
        if self.asked.get(order) != self.now:
            self.asked[order] = self.now
            self.at(self.now, order, act)

    def stir(self) -> None:
        """Something changed: idle people look for work at the end of this instant.

        Where nobody is idle there is nobody to wake; who becomes idle stirs for themselves.
        """
        if self.asked.get(_CHOOSE) != self.now and any(map(self.is_idle, self.everybody)):
            self.once(_CHOOSE, self.choose)

    def close_if_over(self) -> None:
        """The last item has left and the last session has ended: nothing more can happen."""
        if self.left == 0 and self.sessions == 0:
            self.close()

    def close(self) -> None:
        if not self.over.triggered:
            self.over.succeed()

    def write(
        self,
        what: What,
        stage: int = NO_STAGE,
        item: int = NOBODY,
        person: int = NOBODY,
        place: int = NOBODY,
    ) -> None:
        self.record.append((self.now, what, stage, item, person, place))

    # --- a start in the middle of a project -------------------------------------------------

    def find(self, start: Start) -> None:
        """Put everything where it is when the simulation begins, and say so first."""
        cleaned = start.cleaned(self.luck.applies)
        passed = start.has_passed
        for item, state in enumerate(self.items):
            state.stage = int(start.stage[item])
            state.cleaned = bool(cleaned[item])
            state.passed = passed[item].tolist()
            state.rounds = int(start.rounds[item])
            state.rejections = int(start.rejections[item])
            state.again = bool(start.again[item])
            if state.stage == rules.DONE:
                self.left -= 1
            elif state.stage != NO_STAGE:
                self.find_item(start, item)
        for clean_at in self.luck.sets_drying.tolist():
            number = self.places[Place.TOOL_SET].take()
            self.write(What.SET_DRIES, Stage.CLEANING, place=number)
            self.set_is_clean_at(clean_at, number)
        self.close_if_over()

    def find_item(self, start: Start, item: int) -> None:
        """An item that is at a stage: its places, and what it waits for."""
        state = self.items[item]
        self.write(What.FOUND, state.stage, item)
        if start.shelf[item]:
            state.shelf = self.places[Place.SHELF].take()
            self.write(What.ON_SHELF, state.stage, item, place=state.shelf)
        if start.dryer[item]:
            state.dryer = self.places[Place.DRYER].take()
            self.write(What.IN_DRYER, state.stage, item, place=state.dryer)
        since, due = int(start.since[item]), int(start.due_day[item])
        quarantined = state.stage == Stage.QUARANTINE and state.shelf != NOBODY
        if quarantined or (state.stage == Stage.DRYING and state.dryer != NOBODY and due >= 0):
            # A quarantine without a day is over, as one whose day is past.
            self.due.setdefault(max(due, self.first_day), []).append(item)
        elif state.stage == Stage.QUARANTINE:
            heapq.heappush(self.store, (since, item))
        elif state.stage == Stage.DRYING and state.dryer == NOBODY:
            heapq.heappush(self.damp, (since, item))
        else:
            state.since = since
            if start.put_back is not None and start.remaining is not None:
                state.put_back = int(start.put_back[item])
                state.remaining = int(start.remaining[item])
            heapq.heappush(
                self.queues[state.stage][self.kind(item, state.stage)],
                rules.rank(state.put_back, since, item),
            )

    # --- what the calendar brings -----------------------------------------------------------

    def deliveries(self) -> Sleep:
        """Items come from the store at 00:00 of their date, in the order of work (R4)."""
        arrival = self.luck.arrival
        last = NOBODY
        for item in np.argsort(arrival, kind="stable").tolist():
            if self.items[item].stage != NO_STAGE:
                continue  # it has been there since before the start
            if arrival[item] != last:
                last = int(arrival[item])
                yield self.at(last, _DELIVERIES)
            self.write(What.DELIVERED, item=item)
            self.move_on(item, NO_STAGE)

    def midnights(self) -> Sleep:
        """What waited for days becomes available at 00:00, and places have a new number."""
        for day in range(self.first_day, self.days):
            yield self.at(day * SECONDS_PER_DAY, _DUE)
            for item in sorted(self.due.pop(day, [])):
                if self.items[item].stage == Stage.DRYING:
                    self.round_is_over(item)
                else:
                    self.leave_quarantine(item)
            self.once(_SHELVES, self.fill_shelves)
            self.once(_FILL_DRYER, self.fill_dryer)
            self.stir()

    def shifts(self, person: int) -> Sleep:
        """A person comes to work; a shift ends on its own day (R14)."""
        begins = self.luck.shift_begin[person]
        ends = self.luck.shift_end[person]
        for day in np.flatnonzero(ends > begins).tolist():
            if begins[day] < self.settings.start:
                continue
            yield self.at(int(begins[day]), _SHIFTS)
            self.shift_end[person] = int(ends[day])
            self.last_stage[person] = NO_STAGE
            self.once(_FILL_DRYER, self.fill_dryer)
            self.stir()

    # --- shelves and dryer ------------------------------------------------------------------

    def has_room(self, place: Place) -> bool:
        """Whether a new use may begin: the number in use is below today's number (R15)."""
        return self.places[place].in_use < self.capacity[place][self.day]

    def fill_shelves(self) -> None:
        """Free shelves go to the items that have waited longest for one (R5)."""
        while self.store and self.has_room(Place.SHELF):
            _, item = heapq.heappop(self.store)
            self.items[item].shelf = self.places[Place.SHELF].take()
            self.write(What.SHELF_TAKEN, Stage.QUARANTINE, item, place=self.items[item].shelf)
            # Growing mould is to be dried, not kept; a dormant one waits out its days.
            dries = self.luck.mould[item] == Mould.ACTIVE and self.luck.applies[item, Stage.DRYING]
            if dries or self.settings.minimum_days == 0:
                self.leave_quarantine(item)
            else:
                ready = self.day + self.settings.minimum_days
                self.due.setdefault(ready, []).append(item)

    def leave_quarantine(self, item: int) -> None:
        """The days are over; the item keeps its shelf until its cleaning is finished (R5)."""
        self.write(What.FINISHED, Stage.QUARANTINE, item)
        self.count_first_pass(item, Stage.QUARANTINE)
        self.move_on(item, Stage.QUARANTINE)

    def free_shelf(self, item: int) -> None:
        """The shelf goes to the next at this very second."""
        state = self.items[item]
        if state.shelf != NOBODY:
            self.write(What.SHELF_FREED, Stage.QUARANTINE, item, place=state.shelf)
            self.places[Place.SHELF].free(state.shelf)
            state.shelf = NOBODY
            self.once(_SHELVES, self.fill_shelves)

    def fill_dryer(self) -> None:
        """Free drying places go to active items while somebody can fill them (R6)."""
        if not (self.damp and self.has_room(Place.DRYER) and self.somebody_fills_dryer()):
            return
        while self.damp and self.has_room(Place.DRYER):
            _, item = heapq.heappop(self.damp)
            self.items[item].dryer = self.places[Place.DRYER].take()
            self.begin_round(item)

    def somebody_fills_dryer(self) -> bool:
        """Whether a mould worker who is trained for drying is on shift."""
        return any(
            self.now < self.shift_end[person]
            and bool(self.luck.mould_work[person, self.day])
            and self.is_trained(person, Stage.DRYING)
            for person in self.everybody
        )

    def begin_round(self, item: int) -> None:
        """A round lasts whole days; nights and weekends count; the month it begins in matters."""
        state, luck = self.items[item], self.luck
        self.write(What.ROUND_BEGINS, Stage.DRYING, item, place=state.dryer)
        days = luck.round_days[item, min(state.rounds, luck.round_days.shape[1] - 1)]
        due = self.day + whole_days(float(days * luck.month_factor[self.day]))
        self.due.setdefault(due, []).append(item)

    def round_is_over(self, item: int) -> None:
        """At 00:00 the item begins to wait, in its drying place, for attention (R6)."""
        self.write(What.ROUND_DUE, Stage.DRYING, item, place=self.items[item].dryer)
        self.wait_for_hands(item, Stage.DRYING)

    def after_attention(self, item: int, person: int) -> None:
        """Still damp: another round in the same place at once. Dry: the place is free."""
        state = self.items[item]
        state.rounds += 1
        if state.rounds < self.luck.rounds[item] and not self.luck.set_aside[item]:
            self.begin_round(item)
            return
        self.free_dryer(item)
        self.finish(item, Stage.DRYING, person)

    def free_dryer(self, item: int) -> None:
        state = self.items[item]
        self.write(What.DRYER_FREED, Stage.DRYING, item, place=state.dryer)
        self.places[Place.DRYER].free(state.dryer)
        state.dryer = NOBODY
        self.once(_FILL_DRYER, self.fill_dryer)

    # --- the way of an item -----------------------------------------------------------------

    def move_on(self, item: int, after: int) -> None:
        """A finished item is at its next stage at that very second (R11)."""
        state = self.items[item]
        rejected = after == Stage.CHECKING and state.rejections > 0
        if rejected:
            state.rejections -= 1
            state.again = True
            self.write(What.REJECTED, Stage.CHECKING, item)
        stage = rules.next_stage(after, self.luck.applies[item], rejected)
        if stage == rules.DONE:
            not_imaged = bool(self.luck.not_imaged[item])
            self.leave(item, What.NOT_IMAGED if not_imaged else What.DONE)
            return
        state.stage = stage
        self.write(What.WAITS, stage, item)
        if stage == Stage.QUARANTINE:
            heapq.heappush(self.store, (self.now, item))
            self.once(_SHELVES, self.fill_shelves)
        elif stage == Stage.DRYING:
            heapq.heappush(self.damp, (self.now, item))
            self.once(_FILL_DRYER, self.fill_dryer)
        else:
            self.wait_for_hands(item, stage)

    def wait_for_hands(self, item: int, stage: int) -> None:
        """Into the queue of the item's kind; unfinished seconds belong to an earlier stage."""
        state = self.items[item]
        state.since, state.put_back, state.remaining = self.now, WHOLE, 0
        heapq.heappush(
            self.queues[stage][self.kind(item, stage)], rules.rank(WHOLE, self.now, item)
        )
        self.stir()

    def kind(self, item: int, stage: int) -> int:
        """Mouldy, dirty without mould, or clean, at this stage (R7)."""
        return rules.kind_of(
            stage,
            int(self.luck.mould[item]),
            bool(self.luck.red_rot[item]),
            self.items[item].cleaned,
            self.settings.receiving_is_mouldy,
        )

    def finish(self, item: int, stage: int, person: int) -> None:
        """A stage's work on an item is done."""
        self.write(What.FINISHED, stage, item, person)
        self.count_first_pass(item, stage)
        if stage == Stage.CLEANING:
            self.items[item].cleaned = True
            self.free_shelf(item)
        if self.luck.set_aside[item]:  # wet, stuck, contaminated: found at its first handling
            self.leave(item, What.SET_ASIDE)
        else:
            self.move_on(item, stage)

    def count_first_pass(self, item: int, stage: int) -> None:
        """No item counts twice at a stage: practice grows with first passes only (R16, R17)."""
        if not self.items[item].passed[stage]:
            self.items[item].passed[stage] = True
            self.finished[stage] += 1

    def leave(self, item: int, how: What) -> None:
        """The item is done, or ends otherwise; whatever it held is free."""
        self.free_shelf(item)
        self.items[item].stage = rules.DONE
        self.write(how, item=item)
        self.left -= 1
        self.close_if_over()

    # --- people -----------------------------------------------------------------------------

    def person(self, person: int) -> Sleep:
        """A person sleeps until there is a session to begin, and sees it through."""
        while True:
            session = yield self.called[person]
            self.called[person] = self.env.event()
            yield from self.session(session)

    def session(self, s: _Session) -> Sleep:
        """Clothing, handling one item after another, clearing (R8)."""
        ends = _ENDS + s.person
        if s.clothing:
            yield self.at(self.now + s.clothing, ends)
        s.handling_since = self.now
        stop = self.now + s.room
        if s.kind == MOULDY:
            self.write(What.EXPOSURE_BEGINS, s.stage, person=s.person)
        while s.item != NOBODY:
            spent = min(s.seconds, stop - self.now)
            yield self.at(self.now + spent, ends)
            self.item_ends(s, spent)
            if self.now < stop:
                yield self.at(self.now, _TAKE_NEXT + s.person)
                self.take_next(s)
        if s.clearing:
            self.write(What.CLEARING_BEGINS, s.stage, person=s.person, place=s.station)
            yield self.at(self.now + s.clearing, ends)
        self.end_session(s)

    def item_ends(self, s: _Session, spent: int) -> None:
        """The item in hand is finished, or goes back unfinished as handling stops (R10)."""
        item, s.item = s.item, NOBODY
        if spent < s.seconds:
            state = self.items[item]
            state.put_back, state.remaining = self.now, s.seconds - spent
            self.write(What.PUT_BACK, s.stage, item, s.person)
            heapq.heappush(self.queues[s.stage][s.kind], rules.rank(self.now, state.since, item))
        elif s.stage == Stage.DRYING:
            self.after_attention(item, s.person)
        else:
            self.finish(item, s.stage, s.person)
        self.stir()

    def take_next(self, s: _Session) -> None:
        """Inside a session the next-ranked item of the same kind follows (R7)."""
        if self.queues[s.stage][s.kind]:
            s.item, s.seconds = self.take_up(s.stage, s.kind, s.person)

    def take_up(self, stage: int, kind: int, person: int) -> tuple[int, int]:
        """Take the first item, and its seconds: fixed now, unless it was begun before (R16)."""
        _, _, item = heapq.heappop(self.queues[stage][kind])
        self.write(What.TAKEN, stage, item, person)
        remaining = self.items[item].remaining
        return item, remaining or self.seconds(item, stage)

    def seconds(self, item: int, stage: int) -> int:
        """An item's whole seconds at a stage if it is taken up now."""
        luck = self.luck
        if stage == Stage.DRYING:
            return self.settings.attention
        again = stage == Stage.IMAGING and self.items[item].again
        seconds: int = rules.item_seconds(
            float(luck.again_seconds[item] if again else luck.base_seconds[item, stage]),
            float(luck.practice[stage, self.finished[stage]]),
            float(luck.week_factor[stage, luck.week_of_day[self.day]]),
        )
        return seconds

    def end_session(self, s: _Session) -> None:
        """Exposure is booked, the station is free, the tool set has to dry."""
        if s.kind == MOULDY:
            self.write(What.EXPOSURE_ENDS, s.stage, person=s.person)
            day = self.day_of(s.handling_since) + 6
            self.exposure[s.person, day] += self.now - s.handling_since
            self.exposed[s.person, day] = True
            self.rest(s.person)
        self.write(What.SESSION_ENDS, s.stage, person=s.person, place=s.station)
        if s.station != NOBODY:
            self.places[_STATION[s.stage]].free(s.station)
        if s.tool_set != NOBODY:
            self.dry_tool_set(s.tool_set)
        if s.stage == Stage.DRYING:
            self.drying_session = False
        self.in_session[s.person] = False
        self.sessions -= 1
        self.stir()
        self.close_if_over()

    def day_of(self, second: int) -> int:
        """The day of a session that may end at 24:00 sharp."""
        return min(second // SECONDS_PER_DAY, self.days - 1)

    def rest(self, person: int) -> None:
        """No other mouldy session before the rest is over; other work may fill it (R3)."""
        self.rested_at[person] = self.now + self.settings.rest
        if self.settings.rest:
            self.at(self.rested_at[person], _SHIFTS, self.stir)

    def dry_tool_set(self, number: int) -> None:
        """A used tool set is clean again after its drying time (R12)."""
        if self.settings.tool_drying:
            self.set_is_clean_at(self.now + self.settings.tool_drying, number)
        else:
            self.clean_set(number)

    def set_is_clean_at(self, second: int, number: int) -> None:
        self.at(second, _TOOL_SETS, lambda: self.clean_set(number))

    def clean_set(self, number: int) -> None:
        self.write(What.TOOL_SET_CLEAN, Stage.CLEANING, place=number)
        self.places[Place.TOOL_SET].free(number)
        self.stir()

    # --- choosing ---------------------------------------------------------------------------

    def choose(self) -> None:
        """Idle people choose, in the order of team.csv, until nobody can (R13)."""
        somebody_chose = True
        while somebody_chose:
            somebody_chose = False
            for person in self.everybody:
                if self.is_idle(person) and self.begins(person):
                    somebody_chose = True

    def is_idle(self, person: int) -> bool:
        return not self.in_session[person] and self.now < self.shift_end[person]

    def is_trained(self, person: int, stage: int) -> bool:
        number = self.list_of[person][self.day]
        return number >= 0 and stage in self.stages_of[number]

    def begins(self, person: int) -> bool:
        """Begin a session, if there is one that this person may begin now."""
        number = self.list_of[person][self.day]
        kinds: dict[int, tuple[int, int]] = {}
        for stage in self.stages_of[number] if number >= 0 else ():
            found = self.first_kind(person, stage)
            if found is not None:
                kinds[stage] = found
        if not kinds:
            return False
        workable = np.zeros(N_STAGES, dtype=np.bool_)
        workable[list(kinds)] = True
        due = bool(workable[Stage.DRYING])
        workable[Stage.DRYING] = False
        stage = rules.choose_stage(
            due, self.last_stage[person], self.luck.preferences[number], workable
        )
        if stage == NO_STAGE:
            return False
        self.begin_session(person, stage, *kinds[stage])
        return True

    def first_kind(self, person: int, stage: int) -> tuple[int, int] | None:
        """Kind and room of the session that the stage's first possible item asks for (R7)."""
        mouldy, dirty, clean = self.queues[stage]
        if not (mouldy or dirty or clean) or not self.stage_is_open(stage):
            return None
        queues = ((mouldy, MOULDY), (dirty, DIRTY), (clean, CLEAN))
        for _, kind in sorted((queue[0], kind) for queue, kind in queues if queue):
            room = self.room(person, stage, kind)
            if room >= self.settings.shortest:
                return kind, room
        return None

    def stage_is_open(self, stage: int) -> bool:
        """Whether a place and a tool set are free; one session at a time looks after drying."""
        if stage == Stage.DRYING:
            return not self.drying_session
        if stage == Stage.CLEANING and self.tool_sets_limited and not self.has_room(Place.TOOL_SET):
            return False
        station = _STATION.get(stage)
        return station is None or self.has_room(station)

    def room(self, person: int, stage: int, kind: int) -> int:
        """Seconds of handling that a session could have; 0 where the person may not begin."""
        s, day, mouldy = self.settings, self.day, kind == MOULDY
        exposed = self.exposed[person]
        if not rules.may_begin(
            mouldy,
            True,
            bool(self.luck.mould_work[person, day]),
            bool(exposed[day + 6]),
            rules.exposure_days(exposed, day, s.calendar_week, s.weekday_of_day_0) if mouldy else 0,
            s.days_limit,
            self.now,
            self.rested_at[person],
        ):
            return 0
        clothing, clearing = rules.session_overhead(
            stage, kind, s.clothing, s.clear_bench, s.clear_camera
        )
        return rules.room_for_handling(
            mouldy,
            self.shift_end[person] - self.now,
            clothing,
            clearing,
            s.allowance - int(self.exposure[person, day + 6]),
            s.wear,
        )

    def begin_session(self, person: int, stage: int, kind: int, room: int) -> None:
        """Take station, tool set and first item, and wake the person."""
        s = self.settings
        clothing, clearing = rules.session_overhead(
            stage, kind, s.clothing, s.clear_bench, s.clear_camera
        )
        session = _Session(person, stage, kind, clothing, clearing, room, NOBODY, 0)
        station = _STATION.get(stage)
        if station is not None:
            session.station = self.places[station].take()
        self.write(What.SESSION_BEGINS, stage, person=person, place=session.station)
        if stage == Stage.CLEANING and self.tool_sets_limited:
            session.tool_set = self.places[Place.TOOL_SET].take()
            self.write(What.TOOL_SET_TAKEN, stage, person=person, place=session.tool_set)
        session.item, session.seconds = self.take_up(stage, kind, person)
        self.in_session[person] = True
        self.last_stage[person] = stage
        self.sessions += 1
        self.drying_session = self.drying_session or stage == Stage.DRYING
        self.called[person].succeed(session)
