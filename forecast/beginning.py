"""Where a future begins when work is under way: every item's place, drawn where nobody told.

The record knows numbers by stage and, where it was told, by category; a future needs items. What
is on record holds in every draw, and only what it is silent about is left to luck. So a draw has
two halves: told numbers are shared out among kinds of items (:mod:`forecast.allotting`), and then
items of a kind take the places in the order of work, the first of them being furthest ahead.

Not on record, and taken to be so: whoever finished first is furthest ahead; items that checking
rejected in the last week wait to be imaged again, and those before do so no longer; a drying item
that is still in was put in for its first round, and where there are no items for all batches that
seem to be in, the oldest came out in a week that is missing; a stage that was not told, or that
has weeks that were not told, has been passed by what is known to be beyond it, and by nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from forecast import allotting
from forecast.errors import Problem
from forecast.ledger import Ledger
from forecast.planning import Plan
from forecast.rules import DONE, NO_STAGE
from forecast.stages import N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY, seconds_from_hours, whole_days
from forecast.ways import AFTER_ALL, HERE, IN_DRYER, WIDTH, Frame

__all__ = ["Beginning", "Begun", "Fates", "Start", "of"]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Marks = NDArray[np.int8]

FREE = -1  # in marks: luck decides

_BITS = np.array([1 << stage for stage in range(N_STAGES)], dtype=np.int16)  # of Start.passed

_MOST_FRAMES = 32  # that are kept
_WORKING_DAYS = 5.0  # of a week, from Monday on


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
        rounds: (I,) drying rounds behind it; rejections: (I,) checks that will still reject it.
        again: (I,) whether it is at imaging again, rejected.
        tool_sets_clean_at: (K,) seconds at which sets that are drying are clean.
        ended: (I,) of items that had left: 0 done, 1 set aside, 2 not imaged, 3 withdrawn or not
            found; -1 of all others.
        done_by_day: (D,) items that counted as done by the end of each day; after the last day
            on record no more.
        weekly_items: (W, 9) first passes by the end of each week, likewise.
        images, reimaged: made at first passes, and made again.
        put_back: (I,) seconds since when an unfinished item is back in its queue, WHOLE where it is
            not unfinished; remaining: (I,) its seconds still to do, else 0. No return tells of
            them; None: every item counts as whole.
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
    put_back: Ints | None = None
    remaining: Ints | None = None

    # Plans side by side begin from one start: what follows from it is worked out once.

    @cached_property
    def is_there(self) -> Flags:
        """(I,) whether the item is at a stage: it has come, and has not left."""
        return np.asarray((self.stage != NO_STAGE) & (self.stage != DONE))

    @cached_property
    def has_passed(self) -> Flags:
        """(I, 9) first passes on record."""
        return np.asarray((self.passed[:, None] & _BITS) != 0)

    def cleaned(self, applies: Flags) -> Flags:
        """(I,) whether the item is clean by cleaning.

        Args:
            applies: (I, 9) stages that apply to the items: what cleaning does not apply to is
                beyond it and not cleaned.
        """
        beyond = (self.stage > Stage.CLEANING) & applies[:, Stage.CLEANING]
        return np.asarray(((self.passed & _BITS[Stage.CLEANING]) != 0) | beyond)


@dataclass(frozen=True)
class Fates:
    """What items' own luck has in store for them, as in :class:`forecast.luck.Replication`.

    Attributes:
        applies: (I, 9); set_aside, not_imaged: (I,); rejections: (I,) still to come.
    """

    applies: Flags
    set_aside: Flags
    not_imaged: Flags
    rejections: Ints


@dataclass(frozen=True)
class Begun:
    """One draw of where everything is.

    Luck draws its items for ``category``, and ``settled`` brings both together.

    Attributes:
        category: (I,) each item's category.
        start: where items are, as far as the record tells; without rejections to come.
        applies, set_aside, not_imaged: (I, 9) and (I,) what the record says of an item: 1 or 0;
            -1: luck decides.
        after_imaging: (I,) where the item goes if it is not imaged.
    """

    category: Ints
    start: Start
    applies: Marks
    set_aside: Marks
    not_imaged: Marks
    after_imaging: Ints

    def settled(self, fates: Fates) -> tuple[Start, Fates]:
        """What is on record, and luck where it says nothing.

        An item that waits to be imaged and turns out too fragile has gone on already: nobody has
        to tell of it before it leaves.
        """
        spared = (self.start.stage == Stage.IMAGING) & (self.not_imaged == FREE) & fates.not_imaged
        not_imaged = _marked(fates.not_imaged, self.not_imaged)
        applies = _marked(fates.applies, self.applies)
        applies[spared, Stage.IMAGING] = False
        applies[not_imaged, Stage.IMAGING] = applies[not_imaged, Stage.CHECKING] = False
        behind = (self.start.passed >> int(Stage.CHECKING) & 1 > 0) & ~self.start.again
        rejections = np.where(behind | not_imaged, 0, fates.rejections)
        start = replace(
            self.start,
            stage=np.where(spared, self.after_imaging, self.start.stage).astype(np.int8),
            rejections=rejections,
        )
        set_aside = _marked(fates.set_aside, self.set_aside)
        return start, Fates(applies, set_aside, not_imaged, rejections)


def _marked(luck: Flags, marks: Marks) -> Flags:
    """What luck says, unless it is marked."""
    return np.where(marks == FREE, luck, marks == 1)


@dataclass(frozen=True)
class Beginning:
    """Where everything is, as far as it is on record.

    Attributes:
        ledger: what the returns add up to.
        problems: what does not add up, and what was done about it; never in silence.
    """

    ledger: Ledger
    problems: tuple[Problem, ...] = ()

    def __getstate__(self) -> dict[str, Any]:
        # What was worked out for a plan stays at home.
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @property
    def last_day(self) -> date | None:
        """The Sunday of the last week on record; None where there is none."""
        weeks = self.ledger.weeks
        return weeks[-1] + timedelta(days=6) if weeks else None

    @property
    def finished_before(self) -> Ints:
        """(9,) first passes on record."""
        return np.array(self.ledger.first_passes, dtype=np.int64)

    def exposure_before(self, plan: Plan) -> Ints:
        """(P, 6) seconds of exposure on the six days before the first simulated day."""
        first = plan.project.date_of(plan.first_day)
        days = [first - timedelta(days=back) for back in range(6, 0, -1)]
        return np.array(
            [
                [seconds_from_hours(self.ledger.exposure.get((day, person), 0.0)) for day in days]
                for person in plan.project.persons
            ],
            dtype=np.int64,
        ).reshape(-1, 6)

    def draw(
        self,
        plan: Plan,
        category: Ints,
        values: Floats,
        rng: np.random.Generator,
    ) -> Begun:
        """Draw every item's place.

        Args:
            plan: whose first day is the first after the as-of date.
            category: (I,) what each item would be if nobody had opened anything: what was looked
                at, and luck by the believed mix for the rest. It stays so for unopened items.
            values: (E,) the drawn estimates; NaN but for images an item and days of drying.
            rng: for all that the record leaves open.
        """
        return _Draw(self._frame(plan), category, values, rng).begun()

    def _frame(self, plan: Plan) -> Frame:
        known = self._frames
        frame = known.get(plan.behind_it)
        if frame is None:
            if len(known) >= _MOST_FRAMES:
                known.clear()
            known[plan.behind_it] = frame = Frame(plan, self.ledger)
        return frame

    @cached_property
    def _frames(self) -> dict[bytes, Frame]:
        """What was worked out, by what it needs of a plan: plans side by side take turns."""
        return {}


def of(plan: Plan, ledger: Ledger) -> Beginning:
    """Where everything is at the end of the day before a plan's first.

    Args:
        plan: of the project, whose first day is the first after the as-of date.
        ledger: the sums of all returns that count on that date.
    """
    frame = Frame(plan, ledger)
    found = Beginning(ledger, (*ledger.problems(), *frame.problems))
    found._frames[plan.behind_it] = frame  # noqa: SLF001  # made here
    return found


# --- one draw ------------------------------------------------------------------------------------


class _Draw:
    """Where everything is in one future."""

    def __init__(
        self, frame: Frame, category: Ints, values: Floats, rng: np.random.Generator
    ) -> None:
        self.frame, self.plan, self.ways = frame, frame.plan, frame.ways
        self.values, self.rng = values, rng
        self.items = len(category)
        self.category = frame.as_found[frame.groups[0], category]
        self.kind = frame.kind_of_category[self.category]
        self.first_day = self.plan.first_day
        self.start = self.plan.settings.start

    def begun(self) -> Begun:
        self.place_all(self.allotted())
        self.check_some()
        self.image_again()
        self.wait_since()
        self.shelve()
        self.dry()
        return Begun(self.category, self.at_start(), *self.marks())

    # --- numbers

    def allotted(self) -> Ints:
        """How often each move was made."""
        frame, moves = self.frame, self.frame.moves
        group, table = frame.groups[0], frame.group_moves
        given = np.bincount(group * self.ways.number + self.kind, minlength=table.size)
        made = np.zeros(len(moves.row), dtype=np.int64)
        possible = table.reshape(-1) >= 0
        made[table.reshape(-1)[possible]] = given[possible]
        found = allotting.allot(moves, made, self.rng)
        self.become(given, np.where(table >= 0, found[table], 0).reshape(-1))
        return found

    def become(self, have: Ints, wanted: Ints) -> None:
        """Let some items be of another kind: the last of their group in the order of work.

        Args:
            have: (groups x kinds,) how many there are.
            wanted: likewise; each group's add up to as many.
        """
        group, number = self.frame.groups[0], self.ways.number
        changed = (have != wanted).reshape(-1, number).any(axis=1)
        if not changed.any():
            return
        mine = np.flatnonzero(changed[group])
        of = group[mine] * number + self.kind[mine]
        # The first so many of each kind stay; the others take the places that are left.
        order = np.argsort(of, kind="stable")
        have = np.bincount(of, minlength=len(wanted))
        rank = np.empty(len(mine), dtype=np.int64)
        rank[order] = np.arange(len(mine)) - (np.cumsum(have) - have)[of[order]]
        free = mine[rank >= wanted[of]]
        free = free[np.argsort(group[free], kind="stable")]
        more = np.where(changed.repeat(number), np.maximum(wanted - have, 0), 0)
        of_group, missing = np.divmod(np.repeat(np.arange(len(wanted)), more), number)
        self.kind[free] = missing[np.argsort(of_group + self.rng.random(len(missing)))]
        self.category[free] = self.frame.category_of[
            self.plan.cell_of_item[free], self.kind[free]
        ]

    def place_all(self, made: Ints) -> None:
        """Items of each kind take its places, in the order of work."""
        columns, ways = self.frame.columns, self.ways
        waits = self.frame.moves.waiting(made)[: ways.sink].reshape(2, ways.number, WIDTH)
        waits[0, np.arange(ways.number), ways.next[: ways.number, 0]] += waits[0, :, HERE]
        numbers = np.zeros((ways.number, len(columns.place)), dtype=np.int64)
        there = columns.place >= 0
        numbers[:, there] = waits[columns.other.astype(np.int64), :, columns.place][there].T
        np.add.at(numbers.reshape(-1), columns.left_at, made[columns.left_move])
        # Of short numbers NumPy sorts by their digits, in a fraction of the time.
        standing = (self.kind * 3 + self.frame.standing).astype(np.uint16)
        order = np.argsort(standing, kind="stable")
        column = np.empty(self.items, dtype=np.int64)
        column[order] = np.repeat(
            np.tile(np.arange(len(columns.place)), ways.number), numbers.reshape(-1)
        )
        self.stage = columns.stage[column]
        self.ended = columns.ended[column]
        self.other = columns.other[column]
        self.passed = columns.passed[self.kind, column]
        self.checkable = columns.checkable[self.kind, column]
        self.dryer = columns.place[column] == IN_DRYER
        self.again = np.zeros(self.items, dtype=bool)
        self.made = made

    def has_passed(self, stage: Stage) -> Flags:
        return np.asarray(self.passed >> int(stage) & 1, dtype=bool)

    def passes(self) -> Ints:
        """(9,) items that have passed each stage."""
        return np.bincount(self.passed, minlength=len(_PASSED)) @ _PASSED

    # --- checking

    def after_check(self) -> Flags:
        """(I,) items that wait at, or are done with, what comes after checking."""
        ends = self.ways.next[self.kind, Stage.CHECKING + 1] == AFTER_ALL
        done = (self.stage == DONE) & (self.ended == 0) & ends
        return np.asarray((self.stage == Stage.REBOXING) | done)

    def check_some(self) -> None:
        """Who was checked, and who of those that were imaged is still to be."""
        self.checked_now = np.zeros(self.items, dtype=bool)
        may = np.flatnonzero(self.checkable)
        if not len(may):
            return
        from_pool = self.frame.checks
        number = np.zeros(self.ways.number, dtype=np.int64)
        np.add.at(number, self.frame.moves.start[from_pool] // WIDTH, self.made[from_pool])
        kind = self.kind[may]
        order = np.argsort(kind + self.rng.random(len(may)))
        size = np.bincount(kind, minlength=self.ways.number)
        rank = np.arange(len(may)) - (np.cumsum(size) - size)[kind[order]]
        was = may[order[rank < number[kind[order]]]]
        self.passed[was] |= np.int16(1 << Stage.CHECKING)
        to_check = int(self.rng.binomial(len(may), self.plan.project.checking.share_checked))
        waits = np.flatnonzero(
            self.checkable & self.after_check() & ~self.has_passed(Stage.CHECKING) & ~self.other
        )
        still = min(max(0, to_check - len(was)), len(waits))
        now = self.rng.permutation(waits)[:still]
        self.stage[now], self.ended[now] = Stage.CHECKING, -1
        self.checked_now[now] = True

    def image_again(self) -> None:
        """Items that were rejected in the last week on record wait to be imaged again."""
        rejected = self.frame.ledger.weekly_rejected
        if not rejected or not rejected[-1]:
            return
        among = np.flatnonzero(
            self.after_check() & self.has_passed(Stage.CHECKING) & self.has_passed(Stage.IMAGING)
        )
        back = self.rng.permutation(among)[: rejected[-1]]
        self.stage[back], self.ended[back], self.again[back] = Stage.IMAGING, -1, True

    # --- since when

    def wait_since(self) -> None:
        """First in, first out: who is furthest was first, and finished in the week told of."""
        frame = self.frame
        self.since = np.minimum(frame.arrival, np.where(self.stage == NO_STAGE, 2**62, self.start))
        self.in_week = self.since.copy()
        if not len(frame.week_ends):
            return
        self.last = _HIGHEST[self.passed]
        order = np.argsort((self.last * 2 + (self.ended < 0)).astype(np.int8), kind="stable")
        bounds = np.searchsorted(self.last[order], np.arange(N_STAGES + 1))
        # Those whose last stage is the same stand together: of all that passed it, the last ones.
        mine = order[bounds[0] :]
        stage = self.last[mine]
        rank = np.arange(bounds[0], self.items) + (self.passes() - bounds[1:])[stage]
        week = frame.week_of_pass(stage, rank)
        ended = frame.week_ends[week]
        # Days of quarantine count from the day, not from the Sunday of the week: the week's first
        # passes are spread over its working days.
        before, after = frame.passed_before[week, stage], frame.passed_before[week + 1, stage]
        part = (rank + 0.5 - before) / np.maximum(after - before, 1)
        within = ended - (7.0 - _WORKING_DAYS * part.clip(0.0, 1.0)) * SECONDS_PER_DAY
        within = np.maximum(self.since[mine], within.astype(np.int64))
        self.in_week[mine] = np.minimum(within, self.start)
        self.since[mine] = np.minimum(np.maximum(self.since[mine], ended), self.start)
        self.since[self.again] = min(int(frame.week_ends[-1]), self.start)

    # --- shelves

    def shelve(self) -> None:
        """Shelves are held up to cleaning; free ones go to those that have waited longest."""
        self.due = np.full(self.items, -1, dtype=np.int64)
        here = (self.stage >= 0) & (self.stage < DONE)
        quarantined = self.has_passed(Stage.QUARANTINE)
        cleaned = self.has_passed(Stage.CLEANING)
        self.shelf = here & quarantined & ~cleaned
        waits = np.flatnonzero(self.stage == Stage.QUARANTINE)
        if not len(waits):
            return
        held = int(np.count_nonzero(self.shelf))
        freed = int(np.count_nonzero(quarantined)) - held
        number = int(self.plan.capacity[Place.SHELF, max(0, self.first_day - 1)])
        waits = waits[np.argsort(self.since[waits], kind="stable")][: max(0, number - held)]
        self.shelf[waits] = True
        before = freed + held + np.arange(len(waits)) + 1 - number  # shelves that had to be freed
        entry = np.maximum(self.in_week[waits], self.freed_at(before, freed)) // SECONDS_PER_DAY
        dries = self.ways.route[self.kind[waits], Stage.DRYING]
        due = entry + np.where(dries, 0, self.plan.settings.minimum_days)
        self.due[waits] = np.maximum(due, self.first_day)
        if self.frame.lenient[Stage.QUARANTINE]:
            self.leave_quarantine(waits, due)

    def freed_at(self, wanted: Ints, freed: int) -> Ints:
        """Seconds at which so many shelves had been freed: the week's Monday, as cleaning went."""
        ends = self.frame.week_ends
        if not len(ends) or freed == 0:
            return np.zeros(len(wanted), dtype=np.int64)
        cleaned = self.frame.cumulative[:, Stage.CLEANING]
        so_far = cleaned * (freed / max(1, int(cleaned[-1])))
        week = np.minimum(so_far.searchsorted(wanted - 0.5), len(ends) - 1)
        return np.where(wanted > 0, ends[week] - 7 * SECONDS_PER_DAY, 0)

    def leave_quarantine(self, waits: Ints, due: Ints) -> None:
        """Whose days are over is at the next stage by itself, where nobody tells of quarantine."""
        after = self.ways.next[self.kind[waits], Stage.QUARANTINE + 1]
        over = (due <= self.first_day) & (after < AFTER_ALL)
        gone, due, after = waits[over], due[over], after[over]
        self.stage[gone], self.due[gone] = after, -1
        self.passed[gone] |= np.int16(1 << Stage.QUARANTINE)
        since = np.maximum(self.since[gone], due * SECONDS_PER_DAY)
        self.since[gone] = np.minimum(since, self.start)

    # --- drying

    def dry(self) -> None:
        """The days that a round has lasted are known, and it lasts longer than that."""
        at = np.flatnonzero(self.dryer)
        if not len(at):
            return
        plan, put_in = self.plan, self.frame.put_in[-len(at) :]
        row = plan.per_item.row[self.category[at], Stage.DRYING]
        sigma = plan.per_item.sigma[self.category[at], Stage.DRYING]
        level = self.values[row] * np.exp(sigma * sigma / -2.0)
        level *= plan.month_factor[np.clip(put_in, 0, plan.project.days - 1)]
        # Due at the first 00:00 that lies behind as many days, so not yet after one day less.
        lasted = np.maximum(self.first_day - put_in - 1, 0).astype(float)
        days = _longer_than(lasted, level, sigma, self.rng.random(len(at)))
        whole = np.array([whole_days(each) for each in days.tolist()], dtype=np.int64)
        self.due[at] = np.where(days > lasted, put_in + whole, -1)
        self.due[at[self.due[at] < self.first_day]] = -1

    # --- the whole

    def at_start(self) -> Start:
        frame = self.frame
        weekly = frame.told_weekly.copy()
        weekly[frame.last_week :] = np.maximum(weekly[frame.last_week], self.passes())
        images, reimaged = self.images()
        return Start(
            stage=self.stage,
            since=self.since,
            passed=self.passed,
            shelf=self.shelf,
            dryer=self.dryer,
            due_day=self.due,
            rounds=np.zeros(self.items, dtype=np.int64),
            rejections=np.zeros(self.items, dtype=np.int64),
            again=self.again,
            tool_sets_clean_at=frame.tool_sets_clean_at,
            ended=self.ended,
            done_by_day=self.done_by_day(),
            weekly_items=weekly,
            images=images,
            reimaged=reimaged,
        )

    def done_by_day(self) -> Ints:
        """(D,) done by the end of each day: on the Sunday of the week that tells of it."""
        project = self.plan.project
        counts = [{"done": 0, "not-imaged": 2}[how] for how in project.outcomes.counts_as_done]
        done = self.since[np.isin(self.ended, counts)]
        day = np.clip((done - 1) // SECONDS_PER_DAY, 0, max(0, self.first_day - 1))
        return np.bincount(day, minlength=project.days).cumsum()

    def images(self) -> tuple[int, int]:
        """Images on record: told, or the average of what was imaged where they were not."""
        ledger, plan = self.frame.ledger, self.plan
        imaged = self.has_passed(Stage.IMAGING)
        if not imaged.any():
            return 0, 0
        average = float(self.values[plan.tables.images_of_cell][plan.cell_of_item[imaged]].mean())
        again = max(0, sum(ledger.weekly_rejected) - int(np.count_nonzero(self.again)))
        told = sum(n for (stage, _), n in ledger.images.items() if stage is Stage.IMAGING)
        each = math.ceil(plan.project.checking.reimaged_share * average - 1e-9)
        reimaged = min(again * each, told) if told else again * each
        untold = round(average * ledger.items_without_images)
        return max(0, told - reimaged if told else 0) + untold, reimaged

    def marks(self) -> tuple[Marks, Marks, Marks, Ints]:
        """What an item's own luck may no longer decide, and where it goes if not imaged."""
        passed_imaging = self.has_passed(Stage.IMAGING)
        after = self.ways.next[self.kind + self.ways.number, Stage.IMAGING + 1]
        applies = np.full((self.items, N_STAGES), FREE, dtype=np.int8)
        if self.ways.all_checked:
            applies[passed_imaging & self.ways.checked[self.kind], Stage.CHECKING] = 1
        else:
            applies[self.checkable, Stage.CHECKING] = 0
            applies[self.has_passed(Stage.CHECKING) | self.checked_now, Stage.CHECKING] = 1
        at = np.flatnonzero((self.stage >= 0) & (self.stage < DONE))
        applies[at, self.stage[at]] = 1
        left = self.ended >= 0
        set_aside = np.full(self.items, FREE, dtype=np.int8)
        set_aside[left | ((self.passed & _HANDLED) > 0)] = 0
        set_aside[self.ended == 1] = 1
        not_imaged = np.full(self.items, FREE, dtype=np.int8)
        # Nobody leaves untold: where nothing comes after imaging, it is imaged.
        stays = (self.stage == Stage.IMAGING) & (self.again | (after == AFTER_ALL))
        not_imaged[left | passed_imaging | stays] = 0
        not_imaged[self.other] = 1
        return applies, set_aside, not_imaged, after


_HANDLED = np.int16(sum(1 << stage for stage in Stage if stage is not Stage.QUARANTINE))
_PASSED = np.arange(1 << N_STAGES)[:, None] >> np.arange(N_STAGES) & 1  # by what has been passed
_HIGHEST = np.array([number.bit_length() - 1 for number in range(1 << N_STAGES)], dtype=np.int64)


def _longer_than(lasted: Floats, level: Floats, sigma: Floats, luck: Floats) -> Floats:
    """Lognormal days, given that they are more than some; ``lasted`` itself where none can be.

    By inversion of the upper tail, which stays exact far out.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0.0, np.log(lasted / level) / sigma, -np.inf)
        beyond: Any = ndtr(-z) * np.maximum(luck, 2.0**-54)
        days = np.where(sigma > 0.0, level * np.exp(-sigma * ndtri(beyond)), level)
    return np.where(np.isfinite(days) & (days > lasted), days, lasted)
