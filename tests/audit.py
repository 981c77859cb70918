"""An independent auditor: replays an event record against its luck, and says what is wrong.

It calls no engine and none of the decision functions: it restates the rules' arithmetic, so that
an engine and the auditor can only agree by both being right (or by both being wrong alike).
Wherever several rows share a second, all that is due is looked at after the last of them.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from inspect import signature

import numpy as np
from numpy.typing import NDArray

from forecast.beginning import Start
from forecast.events import What
from forecast.luck import UNLIMITED, Replication
from forecast.stages import Place, Stage

__all__ = ["HARD_CASES", "Findings", "Line", "audit"]

_DAY = 86_400
_COLUMNS = {"stage": 0, "item": 1, "person": 2, "place": 3}  # of a row, after time and what
_NONE = -1
_MOULDY, _DIRTY, _CLEAN = "mouldy", "dirty without mould", "clean"


class Line(StrEnum):
    """What must always hold."""

    ITEMS = "no item is lost or made twice"
    ONE_STAGE = "nobody is at two stages at once"
    SHIFT = "nobody works outside the shift"
    LIMITS = "nobody is above a limit"
    TRAINED = "nobody works without training, or mould work where needed"
    PLACES = "no new use of a place above its number, and no place used twice at once"
    CLEARING = "between a dirty session and the next clean item the clearing is on record"
    STAGES = "items pass their stages in order, rejected ones from imaging on"
    KINDS = "a session handles items of one kind"
    RANK = "whoever is first in rank is taken first"
    CHOICE = "people begin where the rules send them, due drying first"
    SECONDS = "an item takes the seconds that its luck says"
    DAYS = "what waits for days comes at its date, neither before nor after"
    INSTANT = "all that happens at an instant is applied before anybody chooses"
    IDLE = "nobody idles beside work that they may begin"


# What random projects have to reach before their silence means anything.
HARD_CASES = (
    "full quarantine",
    "full dryer",
    "red rot with mould",
    "allowance used up to the second",
    "tool sets out",
    "rejects",
    "any-7-days binding",
    "wear time binding",
    "a place reduced under use",
    "nobody free",
)


@dataclass
class Findings:
    """Violations in words, by line; and how often the hard cases were reached."""

    violations: dict[Line, list[str]] = field(default_factory=lambda: defaultdict(list))
    reached: Counter[str] = field(default_factory=Counter)

    def __str__(self) -> str:
        return "\n".join(
            f"{line.value}: {words}" for line, found in self.violations.items() for words in found
        )


@dataclass
class _Item:
    """Where an item stands, as the record tells it."""

    where: str = "in the store"
    stage: int = _NONE
    next: str = ""  # while it moves on: the number of a stage, or how it leaves
    since: int = 0
    put_back: int | None = None
    remaining: int | None = None  # seconds at this stage, once they are fixed
    due: int = 0  # when its days on the shelf or in the dryer are over
    cleaned: bool = False
    shelf: int = _NONE
    dryer: int = _NONE
    rounds: int = 0
    rejections: int = 0
    again: bool = False
    person: int = _NONE
    passed: set[int] = field(default_factory=set)


@dataclass
class _Session:
    """What one person does, from putting on to having cleared away."""

    stage: int
    begin: int
    place: int
    tool_set: int = _NONE
    kind: str = ""  # told by the first item
    clearing: int = 0
    stop: int = 0
    limit: str = ""
    item: int = _NONE
    in_hand_since: int = 0
    exposed_since: int | None = None
    exposed_until: int | None = None
    clearing_since: int | None = None


_FOUND = {What.FOUND, What.ON_SHELF, What.IN_DRYER, What.SET_DRIES}
_ENDS_OF_ITEMS = {What.DONE: "done", What.SET_ASIDE: "set aside", What.NOT_IMAGED: "not imaged"}
_STATION = {Stage.COVERS: Place.CAMERA, Stage.IMAGING: Place.CAMERA, Stage.CLEANING: Place.BENCH}
_WHILE_CHOOSING = {What.SESSION_BEGINS, What.TOOL_SET_TAKEN, What.TAKEN, What.EXPOSURE_BEGINS}
_WHILE_TAKING = {
    What.TAKEN,
    What.CLEARING_BEGINS,
    What.EXPOSURE_ENDS,
    What.SESSION_ENDS,
    What.TOOL_SET_CLEAN,
}


def audit(rows: NDArray[np.int64], luck: Replication) -> Findings:
    """Replay a record from its first row to the horizon, or to the last item's end."""
    return _Audit(luck).replay([tuple(int(v) for v in row) for row in rows])


class _Book:
    """What the auditor knows at any moment, and the rules' arithmetic on it."""

    def __init__(self, luck: Replication) -> None:
        self.luck, self.s = luck, luck.settings
        self.findings = Findings()
        self.people, self.days = len(luck.shift_begin), len(luck.week_of_day)
        self.set_clock(luck.settings.start)
        self.begin: list[list[int]] = luck.shift_begin.tolist()
        self.end: list[list[int]] = luck.shift_end.tolist()
        self.does_mould: list[list[bool]] = luck.mould_work.tolist()
        self.list_of: list[list[int]] = luck.list_of.tolist()
        self.preferences: list[list[int]] = luck.preferences.tolist()
        self.trained: list[list[bool]] = luck.trained.tolist()
        self.capacity: list[list[int]] = luck.capacity.tolist()
        self.arrival: list[int] = luck.arrival.tolist()
        self.mould: list[int] = luck.mould.tolist()
        self.red_rot: list[bool] = luck.red_rot.tolist()
        self.applies: list[list[bool]] = luck.applies.tolist()
        self.items = [_Item(rejections=n) for n in luck.rejections.tolist()]
        self.queue: dict[tuple[int, str], set[int]] = defaultdict(set)
        self.for_shelf: set[int] = set()
        self.damp: set[int] = set()
        self.sessions: dict[int, _Session] = {}
        self.last: dict[int, tuple[int, int]] = {}  # day and stage of the last session
        self.used: dict[int, set[int]] = {place: set() for place in Place}
        self.wet_sets: dict[int, int] = {}  # tool set -> when it is clean again
        self.uncleared: set[tuple[int, int]] = set()  # place and number
        self.finished: list[int] = luck.finished_before.tolist()
        self.rested_at = [-(10**12)] * self.people
        first = luck.settings.start // _DAY
        self.exposure = [
            defaultdict(int, {first - 6 + n: int(luck.exposure_before[p, n]) for n in range(6)})
            for p in range(self.people)
        ]
        self.limited_sets = any(n < UNLIMITED for n in self.capacity[Place.TOOL_SET])
        self.sets_to_find: list[int] = []  # when they are clean
        if luck.start is not None:
            self.begin_with(luck.start)

    def begin_with(self, start: Start) -> None:
        """What is behind everything; where it is, the record has to tell first."""
        for number, item in enumerate(self.items):
            stage, passed = int(start.stage[number]), int(start.passed[number])
            item.where = {_NONE: "in the store", len(Stage): "left"}.get(stage, "to be found")
            item.passed = {int(each) for each in Stage if passed & 2**each}
            beyond = stage > Stage.CLEANING and self.applies[number][Stage.CLEANING]
            item.cleaned = Stage.CLEANING in item.passed or beyond
            item.rounds = int(start.rounds[number]) + bool(start.dryer[number])
            item.rejections = int(start.rejections[number])
            item.again = bool(start.again[number])
        if self.limited_sets:
            clean_at = sorted(start.tool_sets_clean_at.tolist())
            self.sets_to_find = [second for second in clean_at if second >= self.now]

    # --- words ------------------------------------------------------------------------------

    def wrong(self, line: Line, words: str) -> None:
        day, second = divmod(self.now, _DAY)
        clock = f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"
        self.findings.violations[line].append(f"day {day} {clock} ({self.now}): {words}")

    def check(self, holds: bool, line: Line, words: str) -> None:
        if not holds:
            self.wrong(line, words)

    # --- the calendar -----------------------------------------------------------------------

    def set_clock(self, now: int) -> None:
        self.now = now
        self.day = min(now // _DAY, self.days - 1)

    def on_shift(self, person: int) -> bool:
        return self.begin[person][self.day] <= self.now < self.end[person][self.day]

    def is_trained(self, person: int, stage: int) -> bool:
        row = self.list_of[person][self.day]
        return row >= 0 and self.trained[row][stage]

    def room_at(self, place: int) -> bool:
        return len(self.used[place]) < self.capacity[place][self.day]

    def lowest_free(self, place: int) -> int:
        return next(n for n in range(len(self.used[place]) + 1) if n not in self.used[place])

    def exposed_days(self, person: int) -> int:
        """Days that count against the weekly limit, today left out."""
        back = (self.day + self.s.weekday_of_day_0) % 7 if self.s.calendar_week else 6
        return sum(self.exposure[person][self.day - n] > 0 for n in range(1, back + 1))

    # --- items ------------------------------------------------------------------------------

    def kind(self, item: int, stage: int) -> str:
        state = self.items[item]
        if stage == Stage.RECEIVING and self.s.receiving_is_mouldy:
            return _MOULDY
        if state.cleaned or not (self.mould[item] or self.red_rot[item]):
            return _CLEAN
        return _MOULDY if self.mould[item] else _DIRTY

    def rank(self, item: int) -> tuple[float, int, int]:
        state = self.items[item]
        return math.inf if state.put_back is None else state.put_back, state.since, item

    def first(self, items: set[int]) -> int:
        """The first in rank; -1 when there is none."""
        return min(items, key=self.rank, default=_NONE)

    def seconds(self, item: int, stage: int) -> int:
        """Whole seconds of an item that is taken up now: half up, at least one."""
        luck, state = self.luck, self.items[item]
        if stage == Stage.DRYING:
            return int(self.s.attention)
        again = stage == Stage.IMAGING and state.again
        base = float(luck.again_seconds[item] if again else luck.base_seconds[item, stage])
        practice = float(luck.practice[stage, self.finished[stage]])
        week = float(luck.week_factor[stage, luck.week_of_day[self.day]])
        return max(1, math.floor(base * practice * week + 0.5))

    def after(self, item: int, stage: int) -> str:
        """Where an item goes that has finished a stage (-1: that was delivered)."""
        handled = stage not in (_NONE, Stage.QUARANTINE)
        if handled and self.luck.set_aside[item]:
            return "set aside"
        for later in range(stage + 1, len(Stage)):
            if self.applies[item][later]:
                return str(later)
        return "not imaged" if self.luck.not_imaged[item] else "done"

    # --- sessions ---------------------------------------------------------------------------

    def overhead(self, stage: int, kind: str) -> tuple[int, int]:
        """Clothing before and clearing after the handling."""
        clearing = 0
        if kind != _CLEAN and stage == Stage.CLEANING:
            clearing = self.s.clear_bench
        if kind != _CLEAN and stage in (Stage.COVERS, Stage.IMAGING):
            clearing = self.s.clear_camera
        return self.s.clothing if kind == _MOULDY else 0, clearing

    def limits(self, person: int, stage: int, kind: str) -> dict[str, int]:
        """Seconds of handling that each limit leaves to a session that begins now."""
        clothing, clearing = self.overhead(stage, kind)
        left = {"shift": self.end[person][self.day] - self.now - clothing - clearing}
        if kind == _MOULDY:
            left["allowance"] = self.s.allowance - self.exposure[person][self.day] - clearing
            if self.s.wear:
                left["wear"] = self.s.wear - clearing
        return left

    def hindrances(self, person: int, stage: int, kind: str) -> set[str]:
        """All that keeps a person from beginning a session of this kind now."""
        limits = self.limits(person, stage, kind).items()
        found = {limit for limit, seconds in limits if seconds < max(1, self.s.shortest)}
        if not self.is_trained(person, stage):
            found.add("training")
        if kind == _MOULDY:
            found |= self.hindrances_of_mould(person)
        place = _STATION.get(Stage(stage))
        if place is not None and not self.room_at(place):
            found.add("place")
        if stage == Stage.CLEANING and self.limited_sets and not self.room_at(Place.TOOL_SET):
            found.add("tool set")
        if stage == Stage.DRYING and any(s.stage == stage for s in self.sessions.values()):
            found.add("one drying session at a time")
        return found

    def hindrances_of_mould(self, person: int) -> set[str]:
        """What keeps a person from any exposure now."""
        found = set()
        if not self.does_mould[person][self.day]:
            found.add("mould work")
        today = self.exposure[person][self.day] > 0
        if not today and self.exposed_days(person) >= self.s.days_limit:
            found.add("days")
        if self.now < self.rested_at[person]:
            found.add("rest")
        return found

    def work(self, person: int, stage: int) -> tuple[str, int] | None:
        """Kind and first item of the session that a person could begin at a stage now."""
        heads = [(self.first(self.queue[stage, k]), k) for k in (_MOULDY, _DIRTY, _CLEAN)]
        for item, kind in sorted(
            (head for head in heads if head[0] != _NONE), key=lambda head: self.rank(head[0])
        ):
            if not self.hindrances(person, stage, kind):
                return kind, item
        return None

    def choice(self, person: int) -> tuple[int, str, int] | None:
        """Stage, kind and first item of the session that an idle person has to begin now."""
        row = self.list_of[person][self.day]
        if row < 0 or not self.on_shift(person) or person in self.sessions:
            return None
        day, stage = self.last.get(person, (_NONE, _NONE))
        order = [int(Stage.DRYING), *([stage] if day == self.day else []), *self.preferences[row]]
        for wanted in order:
            found = self.work(person, wanted) if wanted >= 0 else None
            if found is not None:
                return wanted, *found
        return None

    def somebody_fills_the_dryer(self) -> bool:
        return any(
            self.on_shift(p) and self.does_mould[p][self.day] and self.is_trained(p, Stage.DRYING)
            for p in range(self.people)
        )


class _Rows(_Book):
    """One handler for each kind of row."""

    # --- what is found when the future begins -----------------------------------------------

    def found(self, item: int, stage: int) -> None:
        start, state = self.luck.start, self.items[item]
        if start is None or state.where != "to be found" or stage != start.stage[item]:
            self.wrong(Line.ITEMS, f"item {item}, {state.where}, is found at {stage}")
            return
        later = any(each.where == "to be found" for each in self.items[:item])
        self.check(not later, Line.INSTANT, f"item {item} is found out of its turn")
        state.stage, state.since = stage, int(start.since[item])
        if start.put_back is not None and start.remaining is not None and start.remaining[item]:
            state.put_back = int(start.put_back[item])
            state.remaining = int(start.remaining[item])
        day = int(start.due_day[item])
        in_quarantine = stage == Stage.QUARANTINE and start.shelf[item]
        if in_quarantine or (stage == Stage.DRYING and start.dryer[item] and day >= 0):
            state.where = "on its shelf" if in_quarantine else "in the dryer"
            state.due = max(self.now, day * _DAY)
            return
        state.where = "waiting"
        if stage == Stage.QUARANTINE:
            self.for_shelf.add(item)
        elif stage == Stage.DRYING and not start.dryer[item]:
            self.damp.add(item)
        else:
            self.queue[stage, self.kind(item, stage)].add(item)

    def on_shelf(self, item: int, place: int) -> None:
        start, state = self.luck.start, self.items[item]
        right = start is not None and bool(start.shelf[item]) and state.shelf == _NONE
        self.check(right, Line.PLACES, f"item {item} is found on a shelf")
        self.found_in(Place.SHELF, place)
        state.shelf = place

    def in_dryer(self, item: int, place: int) -> None:
        start, state = self.luck.start, self.items[item]
        right = start is not None and bool(start.dryer[item]) and state.dryer == _NONE
        self.check(right, Line.PLACES, f"item {item} is found in the dryer")
        self.found_in(Place.DRYER, place)
        state.dryer = place

    def set_dries(self, place: int) -> None:
        if not self.sets_to_find:
            self.wrong(Line.PLACES, f"tool set {place} is found drying")
            return
        self.found_in(Place.TOOL_SET, place)
        self.wet_sets[place] = self.sets_to_find.pop(0)

    def found_in(self, place: Place, number: int) -> None:
        """There may be more than the date allows; the lowest free number all the same."""
        lowest = self.lowest_free(place)
        self.check(number == lowest, Line.PLACES, f"{place.name.lower()} {number}, not {lowest}")
        self.used[place].add(number)

    def all_is_found(self) -> None:
        """Before anything happens."""
        start = self.luck.start
        for number, item in enumerate(self.items):
            if item.where == "to be found":
                self.wrong(Line.ITEMS, f"item {number} was not found")
            elif start is not None and item.where != "left":
                right = bool(start.shelf[number]) == (item.shelf != _NONE)
                right &= bool(start.dryer[number]) == (item.dryer != _NONE)
                self.check(right, Line.PLACES, f"a place of item {number} was not found")
        self.check(not self.sets_to_find, Line.PLACES, "a tool set was not found drying")

    # --- what happens -----------------------------------------------------------------------

    def delivered(self, item: int) -> None:
        state = self.items[item]
        self.check(state.where == "in the store", Line.ITEMS, f"item {item} is delivered again")
        self.check(self.now == self.arrival[item], Line.DAYS, f"item {item} comes on another date")
        state.where, state.next = "moving", self.after(item, _NONE)

    def waits(self, item: int, stage: int) -> None:
        state = self.items[item]
        self.check(state.where == "moving", Line.ITEMS, f"item {item}, {state.where}, waits")
        self.check(
            state.next == str(stage), Line.STAGES, f"item {item} waits at {stage}, not {state.next}"
        )
        state.where, state.stage = "waiting", stage
        state.since, state.put_back, state.remaining = self.now, None, None
        if stage == Stage.QUARANTINE:
            self.for_shelf.add(item)
        elif stage == Stage.DRYING:
            self.damp.add(item)
        else:
            self.queue[stage, self.kind(item, stage)].add(item)

    def shelf_taken(self, item: int, place: int) -> None:
        state = self.items[item]
        self.check(item in self.for_shelf, Line.STAGES, f"item {item} waits for no shelf")
        self.check(
            item == self.first(self.for_shelf), Line.RANK, f"item {item} takes a shelf out of turn"
        )
        self.take_place(Place.SHELF, place)
        self.for_shelf.discard(item)
        state.where, state.shelf = "on its shelf", place
        dries = self.mould[item] == 2 and self.applies[item][Stage.DRYING]
        days = 0 if dries else self.s.minimum_days
        state.due = (self.now // _DAY + days) * _DAY if days else self.now

    def shelf_freed(self, item: int, place: int) -> None:
        state = self.items[item]
        self.check(state.shelf == place, Line.PLACES, f"item {item} was not on shelf {place}")
        over = state.cleaned or (state.where == "moving" and not state.next.isdigit())
        self.check(over, Line.PLACES, f"item {item} leaves its shelf before its cleaning is done")
        self.used[Place.SHELF].discard(place)
        state.shelf = _NONE

    def round_begins(self, item: int, place: int) -> None:
        state = self.items[item]
        if state.where == "in hand":
            self.check(state.dryer == place, Line.PLACES, f"item {item} changes its drying place")
            self.out_of_hand(item, state.person)
        else:
            self.into_the_dryer(item, place)
        luck = self.luck
        days = float(luck.round_days[item, min(state.rounds, luck.round_days.shape[1] - 1)])
        days *= float(luck.month_factor[self.day])
        state.where = "in the dryer"
        state.due = (self.now // _DAY + max(1, math.ceil(days - 1e-9))) * _DAY
        state.rounds += 1

    def into_the_dryer(self, item: int, place: int) -> None:
        state = self.items[item]
        self.check(item in self.damp, Line.STAGES, f"item {item} waits for no drying place")
        self.check(
            item == self.first(self.damp), Line.RANK, f"item {item} is dried out of its turn"
        )
        self.check(
            self.somebody_fills_the_dryer(), Line.TRAINED, "nobody on shift can fill the dryer"
        )
        self.take_place(Place.DRYER, place)
        self.damp.discard(item)
        state.dryer = place

    def round_due(self, item: int) -> None:
        state = self.items[item]
        self.check(
            state.where == "in the dryer" and state.due == self.now,
            Line.DAYS,
            f"item {item} is called due at the wrong time",
        )
        state.where, state.stage = "waiting", Stage.DRYING
        state.since, state.put_back, state.remaining = self.now, None, None
        self.queue[Stage.DRYING, self.kind(item, Stage.DRYING)].add(item)

    def dryer_freed(self, item: int, place: int) -> None:
        state = self.items[item]
        behind = 0 if self.luck.start is None else int(self.luck.start.rounds[item])
        right = max(self.luck.rounds[item], behind + 1)
        enough = state.rounds == right or bool(self.luck.set_aside[item])
        self.check(enough, Line.STAGES, f"item {item} leaves the dryer after {state.rounds} rounds")
        self.check(state.dryer == place, Line.PLACES, f"item {item} was not in place {place}")
        self.used[Place.DRYER].discard(place)
        state.dryer = _NONE

    def take_place(self, place: Place, number: int) -> None:
        """A new use begins only below the date's number, with the lowest free number."""
        name = place.name.lower()
        self.check(self.room_at(place), Line.PLACES, f"one {name} more than the date allows")
        self.check(
            number == self.lowest_free(place),
            Line.PLACES,
            f"{name} {number} is taken where {self.lowest_free(place)} is the lowest free",
        )
        self.used[place].add(number)

    def session_begins(self, person: int, stage: int, place: int) -> None:
        self.check(person not in self.sessions, Line.ONE_STAGE, f"person {person} is at work")
        self.check(self.on_shift(person), Line.SHIFT, f"person {person} begins outside the shift")
        self.check(
            self.is_trained(person, stage), Line.TRAINED, f"person {person}, untrained for {stage}"
        )
        wanted = self.choice(person)
        self.check(
            wanted is not None and wanted[0] == stage,
            Line.CHOICE,
            f"person {person} begins at {stage}, where the rules say {wanted}",
        )
        for earlier in range(person):
            self.check(
                self.choice(earlier) is None, Line.CHOICE, f"{person} chooses before {earlier}"
            )
        station = _STATION.get(Stage(stage))
        if station is not None:
            self.take_place(station, place)
        self.sessions[person] = _Session(stage, self.now, place)
        self.last[person] = (self.day, stage)

    def tool_set_taken(self, person: int, place: int) -> None:
        session = self.sessions.get(person)
        self.take_place(Place.TOOL_SET, place)
        if session is None or session.stage != Stage.CLEANING:
            self.wrong(Line.PLACES, f"person {person} takes a tool set without cleaning")
        else:
            session.tool_set = place

    def tool_set_clean(self, place: int) -> None:
        self.check(
            self.wet_sets.pop(place, None) == self.now,
            Line.DAYS,
            f"tool set {place} is clean at the wrong time",
        )
        self.used[Place.TOOL_SET].discard(place)

    def taken(self, person: int, item: int, stage: int) -> None:
        state, session = self.items[item], self.sessions.get(person)
        if session is None or session.stage != stage:
            self.wrong(Line.ONE_STAGE, f"person {person} takes item {item} without a session")
            return
        kind = self.kind(item, stage)
        queue = self.queue[stage, kind]
        self.check(item in queue, Line.ITEMS, f"item {item}, {state.where}, is taken at {stage}")
        self.check(
            item == self.first(queue),
            Line.RANK,
            f"item {item} is taken at {stage} before {self.first(queue)}",
        )
        queue.discard(item)
        self.check(session.item == _NONE, Line.ONE_STAGE, f"person {person} holds two items")
        if not session.kind:
            self.begin_handling(session, person, item, kind)
        elif session.clearing_since is not None or self.now >= session.stop:
            self.wrong(Line.LIMITS, f"person {person} takes item {item} after handling stopped")
        self.check(session.kind == kind, Line.KINDS, f"a {kind} item in a {session.kind} session")
        shelf = not state.cleaned and self.mould[item] and self.applies[item][Stage.QUARANTINE]
        if shelf and stage > Stage.QUARANTINE:
            self.check(state.shelf != _NONE, Line.PLACES, f"mouldy item {item} has no shelf")
        if state.remaining is None:
            state.remaining = self.seconds(item, stage)
        state.where, state.person, session.item = "in hand", person, item

    def begin_handling(self, session: _Session, person: int, item: int, kind: str) -> None:
        """The first item tells the kind of the session, and so its clothing, clearing and stop."""
        stage = session.stage
        clothing, session.clearing = self.overhead(stage, kind)
        limits = self.limits(person, stage, kind)
        session.limit = min(limits, key=lambda limit: limits[limit])
        room = limits[session.limit]
        self.check(room >= max(1, self.s.shortest), Line.LIMITS, f"only {room} s of handling")
        session.kind = kind
        session.in_hand_since = self.now + clothing
        session.stop = session.in_hand_since + room
        if kind == _MOULDY:
            self.may_be_exposed(person)
            if self.red_rot[item] and self.mould[item]:
                self.findings.reached["red rot with mould"] += 1
        if stage == Stage.CLEANING and self.limited_sets:
            self.check(session.tool_set != _NONE, Line.PLACES, "cleaning without a tool set")
        station = _STATION.get(Stage(stage))
        if station is not None:
            self.check(
                (station, session.place) not in self.uncleared,
                Line.CLEARING,
                f"{station.name.lower()} {session.place} was left dirty",
            )
            if kind != _CLEAN and session.clearing:
                self.uncleared.add((station, session.place))

    def may_be_exposed(self, person: int) -> None:
        self.check(
            self.does_mould[person][self.day], Line.TRAINED, f"person {person} does no mould work"
        )
        self.check(
            self.now >= self.rested_at[person], Line.LIMITS, f"person {person} has not rested"
        )
        today = self.exposure[person][self.day] > 0
        self.check(
            today or self.exposed_days(person) < self.s.days_limit,
            Line.LIMITS,
            f"person {person} begins one exposure day too many",
        )

    def exposure_begins(self, person: int) -> None:
        session = self.sessions.get(person)
        if session is None or session.kind != _MOULDY:
            self.wrong(Line.LIMITS, f"person {person} is exposed without a mouldy session")
            return
        self.check(
            self.now == session.begin + self.s.clothing,
            Line.LIMITS,
            f"person {person}'s exposure begins at the wrong time",
        )
        session.exposed_since = self.now

    def exposure_ends(self, person: int) -> None:
        session = self.sessions.get(person)
        if session is None or session.exposed_since is None:
            self.wrong(Line.LIMITS, f"person {person}'s exposure ends before it began")
            return
        session.exposed_until = self.now
        length = self.now - session.exposed_since
        day = session.exposed_since // _DAY
        self.exposure[person][day] += length
        total = self.exposure[person][day]
        self.check(
            total <= self.s.allowance, Line.LIMITS, f"person {person} is exposed for {total} s"
        )
        if self.s.wear:
            self.check(
                length <= self.s.wear, Line.LIMITS, f"person {person} wears a mask for {length} s"
            )
        if total == self.s.allowance:
            self.findings.reached["allowance used up to the second"] += 1
        self.rested_at[person] = self.now + self.s.rest

    def out_of_hand(self, item: int, person: int, unfinished: bool = False) -> None:
        """The item in a person's hand has had its time: all of it, or up to the stop."""
        state, session = self.items[item], self.sessions.get(person)
        if session is None or session.item != item or state.remaining is None:
            self.wrong(Line.ITEMS, f"item {item} was not in the hand of person {person}")
            return
        worked = self.now - session.in_hand_since
        if unfinished:
            right = 0 < worked < state.remaining and self.now == session.stop
        else:
            right = worked == state.remaining and self.now <= session.stop
        line = Line.LIMITS if self.now > session.stop else Line.SECONDS
        self.check(
            right,
            line,
            f"item {item} was {worked} s in hand with {state.remaining} s to do "
            f"and {session.stop - session.in_hand_since} s to the stop",
        )
        state.remaining -= worked
        session.item, session.in_hand_since, state.person = _NONE, self.now, _NONE

    def put_back(self, person: int, item: int, stage: int) -> None:
        state = self.items[item]
        self.out_of_hand(item, person, unfinished=True)
        state.where, state.put_back = "waiting", self.now
        self.queue[stage, self.kind(item, stage)].add(item)
        self.findings.reached["put back unfinished"] += 1

    def is_finished(self, person: int, item: int, stage: int) -> None:
        state = self.items[item]
        self.check(
            state.stage == stage, Line.STAGES, f"item {item} finishes {stage}, not {state.stage}"
        )
        if stage == Stage.QUARANTINE:
            right = state.where == "on its shelf" and state.due == self.now
            self.check(right, Line.DAYS, f"item {item} leaves quarantine at the wrong time")
        else:
            self.out_of_hand(item, person)
        repeats = state.again and stage in (Stage.IMAGING, Stage.CHECKING)
        if stage in state.passed:
            self.check(repeats, Line.ITEMS, f"item {item} finishes {stage} twice")
        else:
            state.passed.add(stage)
            self.finished[stage] += 1
        if stage == Stage.CLEANING:
            state.cleaned = True
        state.where, state.next = "moving", self.after(item, stage)
        if stage == Stage.CHECKING and state.rejections > 0 and state.next != "set aside":
            state.next = "rejected"

    def rejected(self, item: int) -> None:
        state = self.items[item]
        right = state.where == "moving" and state.next == "rejected"
        right &= self.applies[item][Stage.IMAGING]
        self.check(right, Line.STAGES, f"item {item} is rejected against its luck")
        state.rejections, state.again = state.rejections - 1, True
        state.next = str(int(Stage.IMAGING))
        self.findings.reached["rejects"] += 1

    def left(self, item: int, how: str) -> None:
        state = self.items[item]
        self.check(state.where == "moving", Line.ITEMS, f"item {item}, {state.where}, is {how}")
        self.check(state.next == how, Line.STAGES, f"item {item} is {how}, not {state.next}")
        self.check(state.shelf == _NONE, Line.PLACES, f"item {item} is still on a shelf")
        self.check(state.dryer == _NONE, Line.PLACES, f"item {item} is still in the dryer")
        state.where = "left"
        self.findings.reached[how] += 1

    def stopped(self, person: int, session: _Session) -> None:
        """Handling may end before its limit only when nothing of its kind is left."""
        self.check(session.item == _NONE, Line.ITEMS, f"person {person} stops, item in hand")
        if self.now < session.stop and self.queue[session.stage, session.kind]:
            self.wrong(Line.IDLE, f"person {person} stops at {session.stage} beside work")
        if self.now == session.stop and session.limit == "wear":
            self.findings.reached["wear time binding"] += 1

    def clearing_begins(self, person: int, place: int) -> None:
        session = self.sessions.get(person)
        if session is None or not session.clearing:
            self.wrong(Line.CLEARING, f"person {person} has nothing to clear")
            return
        self.check(place == session.place, Line.CLEARING, f"person {person} clears another place")
        self.stopped(person, session)
        session.clearing_since = self.now

    def session_ends(self, person: int, place: int) -> None:
        session = self.sessions.pop(person, None)
        if session is None:
            self.wrong(Line.ONE_STAGE, f"person {person} ends what was not begun")
            return
        self.check(place == session.place, Line.PLACES, f"person {person} leaves another place")
        self.check(
            self.now <= self.end[person][session.begin // _DAY],
            Line.SHIFT,
            f"person {person} works beyond the shift",
        )
        self.check(
            (session.exposed_until == self.now) == (session.kind == _MOULDY),
            Line.LIMITS,
            f"person {person}'s exposure was not booked",
        )
        station = _STATION.get(Stage(session.stage))
        if not session.clearing:
            self.stopped(person, session)
        elif session.clearing_since is None or self.now - session.clearing_since < session.clearing:
            self.wrong(Line.CLEARING, f"person {person} leaves without {session.clearing} s of it")
        else:
            self.check(
                self.now - session.clearing_since == session.clearing,
                Line.SECONDS,
                f"person {person} clears for too long",
            )
            if station is not None:
                self.uncleared.discard((station, session.place))
        if station is not None:
            self.used[station].discard(session.place)
        if session.tool_set != _NONE:
            self.wet_sets[session.tool_set] = self.now + self.s.tool_drying


class _Audit(_Rows):
    """Row by row, and at every instant that can matter."""

    def __init__(self, luck: Replication) -> None:
        super().__init__(luck)
        midnights = range(self.s.start, self.days * _DAY, _DAY)
        begins = luck.shift_begin[luck.shift_end > luck.shift_begin]
        self.moments = sorted({*midnights, *begins[begins >= self.s.start].tolist()})
        self.phase = 0
        handlers: dict[What, Callable[..., None]] = {
            What.DELIVERED: self.delivered,
            What.WAITS: self.waits,
            What.SHELF_TAKEN: self.shelf_taken,
            What.SHELF_FREED: self.shelf_freed,
            What.ROUND_BEGINS: self.round_begins,
            What.ROUND_DUE: self.round_due,
            What.DRYER_FREED: self.dryer_freed,
            What.SESSION_BEGINS: self.session_begins,
            What.TAKEN: self.taken,
            What.EXPOSURE_BEGINS: self.exposure_begins,
            What.PUT_BACK: self.put_back,
            What.FINISHED: self.is_finished,
            What.REJECTED: self.rejected,
            What.CLEARING_BEGINS: self.clearing_begins,
            What.EXPOSURE_ENDS: self.exposure_ends,
            What.SESSION_ENDS: self.session_ends,
            What.TOOL_SET_TAKEN: self.tool_set_taken,
            What.TOOL_SET_CLEAN: self.tool_set_clean,
            What.FOUND: self.found,
            What.ON_SHELF: self.on_shelf,
            What.IN_DRYER: self.in_dryer,
            What.SET_DRIES: self.set_dries,
        }
        # Each handler asks for the columns that it needs by the names of its arguments.
        self.handlers = {what: (h, tuple(signature(h).parameters)) for what, h in handlers.items()}

    def replay(self, rows: list[tuple[int, ...]]) -> Findings:
        """Go through the record, and through what should have been in it."""
        finding = True
        for row in rows:
            if finding and (row[1] not in _FOUND or row[0] != self.s.start):
                finding = False
                self.all_is_found()
            self.check(finding or row[1] not in _FOUND, Line.INSTANT, "found after the start")
            if row[0] != self.now:
                self.pass_time(row[0])
            self.in_order(What(row[1]), row[4])
            self.row(What(row[1]), *row[2:])
            if row[1] == What.SESSION_ENDS:
                for later in (self.s.rest, self.s.tool_drying):
                    heapq.heappush(self.moments, row[0] + later)
        if finding:
            self.all_is_found()
        self.pass_time(self.days * _DAY)
        self.look_around()
        for person in self.sessions:
            self.wrong(Line.ITEMS, f"person {person} is still at work at the horizon")
        return self.findings

    def pass_time(self, until: int) -> None:
        """Look around at the end of this instant, and of every other before the next row."""
        if until < self.now:
            self.wrong(Line.INSTANT, f"time runs back to {until}")
            return
        self.look_around()
        while self.moments and self.moments[0] < until:
            moment = heapq.heappop(self.moments)
            if moment > self.now:
                self.set_clock(moment)
                self.look_around()
        self.set_clock(until)
        self.phase = 0

    def in_order(self, what: What, person: int) -> None:
        """Ends, tool sets, deliveries, due dates, shelves, dryer; then takers; then choosers."""
        if what is What.SESSION_BEGINS:
            self.check(
                self.phase < 1_000 + person, Line.INSTANT, f"person {person} chooses too late"
            )
            self.phase = 1_000 + person
        elif self.phase >= 1_000:
            self.check(what in _WHILE_CHOOSING, Line.INSTANT, f"{what.name} after a choice")
        elif what is What.TAKEN:
            self.check(self.phase <= 1 + person, Line.INSTANT, f"person {person} takes too late")
            self.phase = 1 + person
        elif self.phase:
            self.check(what in _WHILE_TAKING, Line.INSTANT, f"{what.name} after a next item")

    def row(self, what: What, *columns: int) -> None:
        if what in _ENDS_OF_ITEMS:
            self.left(columns[1], _ENDS_OF_ITEMS[what])
            return
        handler, wanted = self.handlers[what]
        handler(*(columns[_COLUMNS[name]] for name in wanted))

    def look_around(self) -> None:
        """After all rows of a second: is anything left undone that could be done now?"""
        if not self.sessions and all(item.where == "left" for item in self.items):
            return
        self.nothing_overdue()
        self.nothing_left_empty()
        self.hands_are_full()
        self.count_hard_cases()
        if self.now >= self.days * _DAY:
            return
        for person in range(self.people):
            wanted = self.choice(person)
            if wanted is not None:
                self.wrong(Line.IDLE, f"person {person} could begin {wanted}")

    def nothing_overdue(self) -> None:
        beyond = self.now >= self.days * _DAY
        for n, item in enumerate(self.items):
            if item.where == "moving":
                self.wrong(Line.ITEMS, f"item {n} is lost on its way")
            if item.shelf != _NONE and item.cleaned:
                self.wrong(Line.PLACES, f"item {n} is clean and keeps its shelf")
            if beyond:
                continue
            if item.where == "in the store" and self.arrival[n] <= self.now:
                self.wrong(Line.DAYS, f"item {n} was not delivered")
            if item.where in ("on its shelf", "in the dryer") and item.due <= self.now:
                self.wrong(Line.DAYS, f"the days of item {n} are over")
        for number, due in self.wet_sets.items():
            self.check(due > self.now or beyond, Line.DAYS, f"tool set {number} is clean by now")

    def nothing_left_empty(self) -> None:
        if self.for_shelf:
            self.check(not self.room_at(Place.SHELF), Line.IDLE, "a shelf stands empty")
        if self.damp and self.room_at(Place.DRYER):
            self.check(not self.somebody_fills_the_dryer(), Line.IDLE, "a drying place is empty")

    def hands_are_full(self) -> None:
        for person, session in self.sessions.items():
            busy = session.item != _NONE or session.clearing_since is not None
            self.check(busy, Line.IDLE, f"person {person} stands at {session.stage} with nothing")
            mouldy = session.kind == _MOULDY and self.now >= session.begin + self.s.clothing
            if mouldy:
                self.check(
                    session.exposed_since is not None,
                    Line.LIMITS,
                    f"person {person}'s exposure is not on record",
                )

    # --- what was reached -------------------------------------------------------------------

    def count_hard_cases(self) -> None:
        reached = self.findings.reached
        reached["full quarantine"] += bool(self.for_shelf and not self.room_at(Place.SHELF))
        reached["full dryer"] += bool(self.damp and not self.room_at(Place.DRYER))
        if self.now % _DAY == 0:
            yesterday = max(0, self.day - 1)
            for place, numbers in zip(Place, self.capacity, strict=True):
                fewer = numbers[self.day] < numbers[yesterday]
                under_use = len(self.used[place]) > numbers[self.day]
                reached["a place reduced under use"] += fewer and under_use
        present = [p for p in range(self.people) if self.on_shift(p)]
        idle = [p for p in present if p not in self.sessions]
        if present and not idle:
            reached["nobody free"] += any(self.could_be_done(p) for p in present)
        for person in idle:
            for (stage, kind), items in self.queue.items():
                if items:
                    self.count_binding(self.hindrances(person, stage, kind))

    def could_be_done(self, person: int) -> bool:
        """Whether work waits that only the person's own session keeps from being done."""
        return any(
            items and not self.hindrances(person, stage, kind)
            for (stage, kind), items in list(self.queue.items())
        )

    def count_binding(self, found: set[str]) -> None:
        """One thing alone keeps an idle person from work that waits."""
        reached = self.findings.reached
        if found == {"days"}:
            week = "calendar week" if self.s.calendar_week else "any-7-days"
            reached[f"{week} binding"] += 1
        elif found == {"tool set"}:
            reached["tool sets out"] += 1
        elif len(found) == 1:
            reached[f"only the {next(iter(found))} keeps somebody from work"] += 1
