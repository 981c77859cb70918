"""What a record leaves open: kinds of items, where they may wait, and who may have been meant.

Worked out once for a plan and a ledger, for all draws: told numbers as rows of moves
(:mod:`forecast.allotting`), what is known of each item, and the places that items may have.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import allotting
from forecast.allotting import AT_WILL, LAST_RESORT, Moves, Shortfall
from forecast.errors import Problem
from forecast.items import Category, Mould
from forecast.ledger import Kind, Ledger, Told, kinds
from forecast.planning import Plan
from forecast.rules import DONE, NO_STAGE
from forecast.stages import N_STAGES, STAGE_NAMES, Stage
from forecast.units import SECONDS_PER_DAY, SECONDS_PER_HOUR

__all__ = ["AFTER_ALL", "HERE", "IN_DRYER", "WIDTH", "Columns", "Frame", "Ways"]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# --- nodes and moves -----------------------------------------------------------------------------
#
# A class is a kind of items, or the same kind once it was told that they will not be imaged. Each
# has a row of nodes: where it may wait, by stage, and a few more.

AFTER_ALL, IN_DRYER, _CHECKABLE, _STORE, HERE = 9, 10, 11, 12, 13
WIDTH = 14

_LEFT = ("set-aside", "withdrawn", "not-found")
_ENDED = {"set-aside": 1, "withdrawn": 3, "not-found": 3}


@dataclass
class _Row:
    """A told number, and who may have been meant."""

    number: int
    moves: list[tuple[int, int, int]]
    stage: Stage | None = None
    left: str = ""
    said: str = ""
    in_dryer: bool = False


@dataclass(frozen=True)
class _Group:
    """Items of which equally much is known: material and binding, what was found, come or not."""

    material: str
    bound: bool
    mould: Mould | None
    red_rot: bool | None
    come: bool

    def may_be(self, kind: Kind) -> bool:
        return kind.bound == self.bound and kind.fits((self.material, self.mould, self.red_rot))


class Ways:
    """Kinds, and the order of their nodes."""

    def __init__(self, plan: Plan) -> None:
        self.kinds = kinds(plan.project)
        self.number = len(self.kinds)
        self.all_checked = plan.project.checking.share_checked >= 1.0
        self.sink = 2 * self.number * WIDTH
        self.source, self.nowhere = self.sink + 1, self.sink + 2
        full = np.array([kind.route for kind in self.kinds], dtype=bool).reshape(-1, N_STAGES)
        self.checked = full[:, Stage.CHECKING].copy()
        route = np.concatenate([full, full])
        route[self.number :, [Stage.IMAGING, Stage.CHECKING]] = False
        if not self.all_checked:
            # Few are checked: the way leads past it, and who was is found out afterwards.
            route[:, Stage.CHECKING] = False
        self.route = route
        self.next = np.full((len(route), N_STAGES + 1), AFTER_ALL, dtype=np.int64)
        for stage in range(N_STAGES - 1, -1, -1):  # next[:, s]: the first stage from s on
            self.next[:, stage] = np.where(route[:, stage], stage, self.next[:, stage + 1])
        # Beyond which stage an item may have been checked; -1: as soon as it has come.
        self.before_check = np.array(
            [
                max((s for s in range(Stage.CHECKING) if row[s]), default=NO_STAGE)
                for row in route[: self.number]
            ],
            dtype=np.int64,
        )

    def node(self, of: int, at: int) -> int:
        """The number of a class's node."""
        return of * WIDTH + at

    def after(self, of: int, stage: int) -> int:
        """The node after a stage."""
        return self.node(of, int(self.next[of, stage + 1]))

    def at_or_after(self, of: int, stage: int) -> int:
        """The place of the first stage from one on that applies."""
        return int(self.next[of, stage])

    def also(self, of: int, stage: int) -> int:
        """Where it counts as well that an item has finished a stage: it may have been checked."""
        some = of < self.number and self.checked[of] and not self.all_checked
        if some and self.before_check[of] == stage:
            return self.node(of, _CHECKABLE)
        return self.nowhere

    def order(self) -> tuple[Ints, ...]:
        """Nodes from the last to the first."""
        first = np.arange(2 * self.number) * WIDTH
        ends = np.concatenate([first + AFTER_ALL, first + IN_DRYER, first + _CHECKABLE])
        stages = [first + stage for stage in range(N_STAGES - 1, -1, -1)]
        return (ends, *stages, first + HERE, first + _STORE)

    def next_node(self) -> Ints:
        """(N,) the node after each."""
        after = np.arange(self.nowhere + 1)
        for of in range(2 * self.number):
            for stage in range(N_STAGES):
                after[self.node(of, stage)] = self.after(of, stage)
            after[self.node(of, _STORE)] = after[self.node(of, HERE)] = self.after(of, NO_STAGE)
        return after


class Frame:
    """What all draws of one plan and ledger share."""

    def __init__(self, plan: Plan, ledger: Ledger) -> None:
        self.plan, self.ledger = plan, ledger
        self.ways = Ways(plan)
        self.may_exist = [self._may_exist(kind) for kind in self.ways.kinds]
        self.problems: list[Problem] = []
        self.lenient = [not complete for complete in ledger.complete]
        self.rows = [row for row in self._told() if self._can_be(row)]
        self.moves = self._all_moves()
        self._make_sure()

    def _may_exist(self, kind: Kind) -> bool:
        """What a complete survey did not see is not there, unless somebody told of it since."""
        keys: list[tuple[Any, ...]] = [
            *self.ledger.finished,
            *self.ledger.ended,
            *self.ledger.received,
        ]
        told: set[Told] = {(key[-3], key[-2], key[-1]) for key in keys}
        conditions = [key for key in told if key[1:] != (None, None)]
        return not kind.surveyed_out or any(kind.fits(key) for key in conditions)

    # --- what was told

    def _told(self) -> Iterable[_Row]:
        for told, number in self.opened[2].items():
            moves = [self._goes_in(n) for n, kind in enumerate(self.ways.kinds) if kind.fits(told)]
            yield _Row(number, moves, said="received")
        for stage in Stage:
            yield from self._passed(stage)
            yield from self._left(stage)
            yield from self._not_imaged(stage)
            if stage is Stage.DRYING:
                yield self._in_dryer()

    def _passed(self, stage: Stage) -> Iterable[_Row]:
        ended = self.ledger.ended
        for (at, *key), items in sorted(self.ledger.finished.items(), key=_by_detail):
            if at is not stage:
                continue
            told: Told = (key[0], key[1], key[2])  # type: ignore[assignment]
            number = items - ended.get(("set-aside", stage, *told), 0)
            if stage not in (Stage.IMAGING, Stage.CHECKING):
                number -= ended.get(("not-imaged", stage, *told), 0)
            moves = [
                (self.ways.node(of, stage), self.ways.after(of, stage), self.ways.also(of, stage))
                for of in self._classes(told)
                if self.ways.route[of, stage]
            ]
            if stage is Stage.CHECKING and not self.ways.all_checked:
                moves = [
                    (self.ways.node(of, _CHECKABLE), self.ways.sink, self.ways.nowhere)
                    for of in self._classes(told)
                    if of < self.ways.number and self.ways.checked[of]
                ]
            yield _Row(number, moves, stage, said=f"finished {STAGE_NAMES[stage]}")

    def _left(self, stage: Stage) -> Iterable[_Row]:
        for (outcome, at, *key), number in self.ledger.ended.items():
            if at is stage and outcome in _LEFT:
                told: Told = (key[0], key[1], key[2])  # type: ignore[assignment]
                mine = list(self._classes(told))
                there = [of for of in mine if self.ways.route[of, stage]]
                if outcome == "set-aside" and there:
                    mine = there  # it was handled there
                moves = [
                    (self.ways.node(of, place), self.ways.sink, self.ways.nowhere)
                    for of in mine
                    if (place := self.ways.at_or_after(of, stage)) < AFTER_ALL
                ]
                yield _Row(number, moves, stage, outcome, f"{outcome} at {STAGE_NAMES[stage]}")

    def _not_imaged(self, stage: Stage) -> Iterable[_Row]:
        """Items that go on as such; told at reboxing, they had been waiting to be imaged."""
        ways = self.ways
        for (outcome, at, *key), number in self.ledger.ended.items():
            if at is not stage or outcome != "not-imaged":
                continue
            told: Told = (key[0], key[1], key[2])  # type: ignore[assignment]
            moves = []
            for of in self._classes(told):
                other = of if of >= ways.number else of + ways.number
                before = min(stage, Stage.IMAGING) if of < ways.number else stage
                place = ways.at_or_after(of, before)
                if place < AFTER_ALL and (stage >= Stage.IMAGING or ways.route[of, stage]):
                    moves.append((ways.node(of, place), ways.after(other, stage), ways.nowhere))
            yield _Row(number, moves, stage, said=f"not imaged at {STAGE_NAMES[stage]}")

    def _in_dryer(self) -> _Row:
        number = sum(batch.items for batch in self.ledger.drying)
        moves = [
            (self.ways.node(of, Stage.DRYING), self.ways.node(of, IN_DRYER), self.ways.nowhere)
            for of in range(self.ways.number)
            if self.ways.route[of, Stage.DRYING]
        ]
        return _Row(number, moves, Stage.DRYING, said="in drying places", in_dryer=True)

    def _classes(self, told: Told) -> Iterable[int]:
        """Classes that may be meant."""
        mine = [n for n, kind in enumerate(self.ways.kinds) if kind.fits(told)]
        if self._goes_on_unimaged:
            return [*mine, *(n + self.ways.number for n in mine)]
        return mine

    @cached_property
    def _goes_on_unimaged(self) -> bool:
        """Whether it was told of an item, before it left, that it will not be imaged."""
        stages = [s for outcome, s, *_ in self.ledger.ended if outcome == "not-imaged"]
        after = self.ways.next[self.ways.number :]
        return any((after[:, stage + 1] < AFTER_ALL).any() for stage in stages)

    def _can_be(self, row: _Row) -> bool:
        """Whether a row has anybody to mean; if not, that is said."""
        if row.number > 0 and not row.moves:
            self.problems.append(
                _ignored(row.number, row, "items that go to that stage in this project")
            )
        return row.number > 0 and bool(row.moves)

    def _goes_in(self, kind: int) -> tuple[int, int, int]:
        """From being here to the first stage."""
        ways = self.ways
        return ways.node(kind, HERE), ways.after(kind, NO_STAGE), ways.also(kind, NO_STAGE)

    # --- items

    @cached_property
    def raw_arrival(self) -> Ints:
        """(I,) seconds at which the item was to come, before the first day too."""
        return replace(self.plan, first_day=0).arrival

    @cached_property
    def opened(self) -> tuple[Ints, list[tuple[Mould | None, bool | None]], dict[Told, int]]:
        """What was found when boxes were opened.

        Boxes are opened in the order of work: what was found in a series belongs to its first
        items that nobody has opened. Where series or material leave it open whose items they
        are, it is only known that so many are here.

        Returns:
            (I,) which of the findings an item has, -1: nobody opened it; the findings; and how
            many are known to be somewhere.
        """
        plan, rows = self.plan, self.plan.project.collection
        series = np.array(plan.series_of_item, dtype=object)
        material = np.array([cell.material for cell in plan.cells], dtype=object)
        material = material[plan.cell_of_item]
        which = np.full(len(series), -1, dtype=np.int64)
        findings: dict[tuple[Mould | None, bool | None], int] = {}
        somewhere: dict[Told, int] = {}
        for (of, _, made, mould, red_rot), items in sorted(
            self.ledger.received.items(), key=lambda row: (row[0][0] is None, row[0][2] is None)
        ):
            free = which < 0
            if of is not None:
                free &= series == of
            if made is not None:
                free &= material == made
            mine = np.flatnonzero(free)[:items]
            where = [row for row in rows if made == row.material and of in (None, row.series)]
            found = (mould, red_rot)
            if len(where) != 1 and found != (None, None):
                told = (made, *found)
                somewhere[told] = somewhere.get(told, 0) + items
            which[mine] = findings.setdefault(
                found if len(where) == 1 else (None, None), len(findings)
            )
            if len(mine) < items:
                self.problems.append(
                    _ignored(items - len(mine), None, "as many items as the collection has")
                )
        return which, list(findings), somewhere

    @cached_property
    def come(self) -> Flags:
        """(I,) whether an item has come from the store."""
        return (self.raw_arrival < self.plan.settings.start) | (self.opened[0] >= 0)

    @cached_property
    def groups(self) -> tuple[Ints, list[_Group]]:
        """(I,) each item's group, and the groups."""
        plan, (which, findings, _) = self.plan, self.opened
        bound = [row.bound for row in plan.project.collection]
        # The last is for -1: nobody knows.
        found: list[tuple[Mould | None, bool | None]] = [*findings, (None, None)]
        keys = np.stack([plan.cell_of_item, which, self.come.astype(np.int64)], axis=1)
        different, back = np.unique(keys, axis=0, return_inverse=True)
        numbers: dict[_Group, int] = {}
        of_key = []
        for cell, finding, come in different.tolist():
            mould, red_rot = found[finding]
            material = plan.cells[cell].material
            group = _Group(material, bound[cell], mould, red_rot, bool(come))
            if not any(group.may_be(kind) for kind in self.ways.kinds):
                # Red rot where neither binding nor survey lets one expect any.
                group = replace(group, red_rot=None)
                self.problems.append(_unexpected(group.material))
            of_key.append(numbers.setdefault(group, len(numbers)))
        return np.array(of_key, dtype=np.int64)[back.reshape(-1)], list(numbers)

    @cached_property
    def kind_of_category(self) -> Ints:
        """(C,) the kind of each category."""
        number = {(kind.category, kind.bound): n for n, kind in enumerate(self.ways.kinds)}
        return np.array(
            [number[category, bound] for _, category, bound in self._categories], dtype=np.int64
        )

    @cached_property
    def _categories(self) -> list[tuple[int, Category, bool]]:
        """Cell, category and binding of each category."""
        plan, found = self.plan, []
        starts = [cell.first_category for cell in plan.cells[1:]] + [len(plan.mould)]
        for n, (cell, end) in enumerate(zip(plan.cells, starts, strict=True)):
            bound = plan.project.collection[n].bound
            found += [
                (n, Category(cell.material, Mould(plan.mould[c]), bool(plan.red_rot[c])), bound)
                for c in range(cell.first_category, end)
            ]
        return found

    @cached_property
    def category_of(self) -> Ints:
        """(cells, kinds) the category of a kind in a cell, -1: it has none."""
        table = np.full((len(self.plan.cells), self.ways.number), -1, dtype=np.int64)
        for c, (cell, _, _) in enumerate(self._categories):
            table[cell, self.kind_of_category[c]] = c
        return table

    @cached_property
    def as_found(self) -> Ints:
        """(groups, C) a category with what was found in its place; itself where nothing was."""
        table = np.tile(np.arange(len(self._categories)), (len(self.groups[1]), 1))
        number = {(cell, category): c for c, (cell, category, _) in enumerate(self._categories)}
        for g, group in enumerate(self.groups[1]):
            for c, (cell, category, _) in enumerate(self._categories):
                mould = category.mould if group.mould is None else group.mould
                red_rot = category.red_rot if group.red_rot is None else group.red_rot
                known = number.get((cell, Category(category.material, mould, red_rot)))
                table[g, c] = c if known is None else known
        return table

    # --- moves

    def _all_moves(self) -> Moves:
        ways, groups = self.ways, self.groups[1]
        sizes = np.bincount(self.groups[0], minlength=len(groups))
        rows: list[tuple[int, tuple[int, int, int]]] = []
        for g, group in enumerate(groups):
            for kind in (
                n for n, k in enumerate(ways.kinds) if group.may_be(k) and self.may_exist[n]
            ):
                here, place, also = self._goes_in(kind)
                if not group.come:
                    place, also = ways.node(kind, _STORE), ways.nowhere
                elif self.opened[2] and (group.mould, group.red_rot) == (None, None):
                    place, also = here, ways.nowhere
                rows.append((g, (ways.source, place, also)))
        first_told = len(groups)
        for n, row in enumerate(self.rows):
            rows += [(first_told + n, move) for move in row.moves]
        rows += [(AT_WILL, move) for move in self._at_will(self.lenient)]
        rows += [
            (LAST_RESORT, (ways.node(kind, _STORE), *self._goes_in(kind)[1:]))
            for kind in range(ways.number)
        ]
        if self.opened[2]:
            rows += [(AT_WILL, self._goes_in(kind)) for kind in range(ways.number)]
        table = np.array([move for _, move in rows], dtype=np.int64).reshape(-1, 3)
        number = [*sizes.tolist(), *(row.number for row in self.rows)]
        return Moves(
            row=np.array([row for row, _ in rows], dtype=np.int64),
            start=table[:, 0],
            end=table[:, 1],
            also=table[:, 2],
            number=np.array(number, dtype=np.int64),
            given=np.arange(len(number)) < first_told,
            next_node=ways.next_node(),
            order=ways.order(),
            endless=(ways.sink, ways.source, ways.nowhere),
        )

    def _at_will(self, lenient: Sequence[bool]) -> list[tuple[int, int, int]]:
        """Passes that nobody told of, where not all was told or an item may have no images."""
        ways = self.ways
        return [
            (ways.node(of, stage), ways.after(of, stage), ways.also(of, stage))
            for of in range(2 * ways.number)
            for stage in Stage
            if ways.route[of, stage]
            and (lenient[stage] or ways.kinds[of % ways.number].may_skip[stage])
        ]

    @cached_property
    def group_moves(self) -> Ints:
        """(groups, kinds) the move of a group's items of a kind, -1: there is none."""
        table = np.full((len(self.groups[1]), self.ways.number), -1, dtype=np.int64)
        of = self.moves.end // WIDTH
        mine = np.flatnonzero((self.moves.row >= 0) & (self.moves.row < len(table)))
        table[self.moves.row[mine], of[mine]] = mine
        return table

    def _make_sure(self) -> None:
        """See to it that there is a solution; if there is none, say what had to be left out."""
        try:
            allotting.solve(
                self.moves, np.zeros(len(self.moves.row), np.int64), np.ones(len(self.moves.row))
            )
        except Shortfall:
            self._relax()

    def _relax(self) -> None:
        """Take what is beyond a stage to have passed it, and leave out what cannot have been.

        As little as possible of both.
        """
        moves = self.moves
        passes = self._at_will([True] * N_STAGES)
        told = np.flatnonzero(~moves.given)
        more = np.array(passes, dtype=np.int64).reshape(-1, 3)
        nobody = np.full(len(told), self.ways.source)
        nowhere = np.full(len(told), self.ways.nowhere)
        loose = replace(
            moves,
            row=np.concatenate([moves.row, np.full(len(more), AT_WILL), told]),
            start=np.concatenate([moves.start, more[:, 0], nobody]),
            end=np.concatenate([moves.end, more[:, 1], nowhere]),
            also=np.concatenate([moves.also, more[:, 2], nowhere]),
        )
        size = len(moves.row)
        price = np.ones(len(loose.row)) * 1e-3
        price[size : size + len(more)] = 1.0
        # A batch that came out in a week that is missing seems to be in still.
        in_dryer = [self.rows[row - len(self.groups[1])].in_dryer for row in told.tolist()]
        price[size + len(more) :] = np.where(in_dryer, 10.0, 100.0)
        made = allotting.solve(loose, np.zeros(len(loose.row), np.int64), price)
        implied, dropped = made[size : size + len(more)], made[size + len(more) :]
        for stage in Stage:
            missing = int(implied[more[:, 0] % WIDTH == stage].sum())
            if missing and not self.lenient[stage]:
                self.lenient[stage] = True
                self.problems.append(_implied(stage, missing))
        for row, number in zip(told.tolist(), dropped.tolist(), strict=True):
            if number:
                of = self.rows[row - len(self.groups[1])]
                self.problems.append(_ignored(number, of, "no more than can have been"))
                of.number -= number
        self.rows = [row for row in self.rows if row.number > 0]
        self.moves = self._all_moves()
        self.__dict__.pop("group_moves", None)

    @cached_property
    def checks(self) -> Ints:
        """Moves of items that were checked."""
        at = self.moves.start
        return np.flatnonzero((at < self.ways.sink) & (at % WIDTH == _CHECKABLE))

    # --- the calendar, and where items stand

    @cached_property
    def columns(self) -> Columns:
        """Places that items of a kind may have, the furthest first."""
        return Columns(self.ways, self.rows, self.moves)

    @cached_property
    def week_ends(self) -> Ints:
        """(weeks on record,) seconds of each Sunday's 24:00."""
        project = self.plan.project
        days = [project.day_number(week) + 7 for week in self.ledger.weeks]
        return np.array(days, dtype=np.int64) * SECONDS_PER_DAY

    @cached_property
    def cumulative(self) -> Ints:
        """(weeks on record, 9) first passes."""
        table = [passes for _, passes in self.ledger.weekly]
        return np.array(table, dtype=np.int64).reshape(-1, N_STAGES)

    @cached_property
    def passed_before(self) -> Ints:
        """(weeks on record + 1, 9) first passes before each week, and of all."""
        return np.concatenate([np.zeros((1, N_STAGES), dtype=np.int64), self.cumulative])

    def week_of_pass(self, stage: Ints, rank: Ints) -> Ints:
        """The week on record, counted from 0, of a stage's first passes; the last for later ones.

        Args:
            stage: (n,) of which stage each is.
            rank: (n,) how many of the stage come before it; no more than there are items.
        """
        weeks = len(self.cumulative)
        # All stages in one sorted list, each beyond the one before it.
        apart = 1 + max(int(self.cumulative.max()), len(self.raw_arrival))
        every = (self.cumulative + np.arange(N_STAGES) * apart).T.reshape(-1)
        found = every.searchsorted(rank + stage * apart, side="right") - stage * weeks
        return np.asarray(np.minimum(found, weeks - 1))

    @cached_property
    def arrival(self) -> Ints:
        """(I,) since when an item is here: as listed, but not before its box was opened."""
        here = self.raw_arrival.copy()
        opened = np.flatnonzero(self.opened[0] >= 0)
        if len(opened):
            so_far = np.cumsum(self.ledger.weekly_received)
            week = np.searchsorted(so_far, np.arange(len(opened)), side="right")
            monday = self.week_ends[np.minimum(week, len(so_far) - 1)] - 7 * SECONDS_PER_DAY
            here[opened] = np.maximum(here[opened], monday)
        return np.minimum(here, np.where(self.come, self.plan.settings.start, here))

    @cached_property
    def standing(self) -> Ints:
        """(I,) what stands first: 0 opened, 1 here, 2 to come."""
        return np.where(self.opened[0] >= 0, 0, np.where(self.come, 1, 2))

    @cached_property
    def put_in(self) -> Ints:
        """Day numbers on which the items that are drying were put in, the earliest first."""
        batches = sorted(self.ledger.drying, key=lambda batch: batch.put_in)
        days = [self.plan.project.day_number(batch.put_in) for batch in batches]
        return np.repeat(np.array(days, dtype=np.int64), [batch.items for batch in batches])

    @cached_property
    def tool_sets_clean_at(self) -> Ints:
        """Seconds at which sets that are drying are clean: those that the day grid tells of.

        One a person and day with cleaning in it, from the end of that person's shift.
        """
        plan = self.plan
        if plan.project.places.tool_sets is None:
            return np.zeros(0, dtype=np.int64)
        clean = []
        for (day, person), hours in self.ledger.cleaned.items():
            number = plan.project.day_number(day)
            known = person in plan.project.persons and 0 <= number < plan.project.days
            if hours <= 0.0 or not known:
                continue
            p = plan.project.persons.index(person)
            shift = float(plan.rota.hours[p, number]) * SECONDS_PER_HOUR
            end = number * SECONDS_PER_DAY + int(plan.rota.begins[p, number]) + math.ceil(shift)
            clean.append(min(end, (number + 1) * SECONDS_PER_DAY) + plan.settings.tool_drying)
        return np.array(sorted(at for at in clean if at > plan.settings.start), dtype=np.int64)

    @cached_property
    def told_weekly(self) -> Ints:
        """(W, 9) cumulative first passes by calendar week, as they were told."""
        plan, table = self.plan, np.zeros((int(self.plan.week_of_day[-1]) + 1, N_STAGES), np.int64)
        for (week, _), passes in zip(self.ledger.weekly, self.cumulative, strict=True):
            table[self._week_number(plan.project.day_number(week)) :] = passes
        return table

    def _week_number(self, day: int) -> int:
        return max(0, (day + self.plan.settings.weekday_of_day_0) // 7)

    @cached_property
    def last_week(self) -> int:
        """The calendar week after which nothing is on record."""
        if not self.ledger.weeks:
            return 0
        return self._week_number(self.plan.project.day_number(self.ledger.weeks[-1]))


class Columns:
    """Places that items of a kind may have, K of them, the furthest first.

    Attributes:
        place: (K,) column of the class's nodes; -1: it had left.
        other: (K,) whether it was told that the item will not be imaged.
        stage, ended: (K,) as in :class:`Start`.
        passed: (kinds, K) bits; checkable: (kinds, K) whether it may have been checked.
        left_move, left_at: moves of items that left, and their place in (kinds, K), flat.
    """

    def __init__(self, ways: Ways, rows: Sequence[_Row], moves: Moves) -> None:
        left = [n for n, row in enumerate(rows) if row.left]
        found: list[tuple[int, int, int]] = [(-1, v, n) for n in left for v in (0, 1)]
        found += [(AFTER_ALL, v, -1) for v in (0, 1)]
        for stage in range(N_STAGES - 1, -1, -1):
            if stage == Stage.DRYING:
                found.append((IN_DRYER, 0, -1))
            found += [(stage, v, -1) for v in (0, 1)]
        found.append((_STORE, 0, -1))
        self.place = np.array([place for place, _, _ in found], dtype=np.int64)
        self.other = np.array([v for _, v, _ in found], dtype=bool)
        self.stage = np.array([self._stage(place) for place in self.place], dtype=np.int8)
        self.ended = np.array(
            [
                _ENDED[rows[n].left] if place < 0 else (2 * v if place == AFTER_ALL else -1)
                for place, v, n in found
            ],
            dtype=np.int8,
        )
        shape = (ways.number, len(found))
        self.passed = np.zeros(shape, dtype=np.int16)
        self.checkable = np.zeros(shape, dtype=bool)
        for kind in range(ways.number):
            for k, (place, v, n) in enumerate(found):
                of = kind + v * ways.number
                passed = self._passed(ways, of, place, rows[n] if place < 0 else None)
                self.passed[kind, k] = passed
                self.checkable[kind, k] = self._checkable(ways, of, passed, place, rows, n)
        self._left_moves(ways, left, rows, moves)

    @staticmethod
    def _stage(place: int) -> int:
        if place in (AFTER_ALL, -1):
            return DONE
        return {IN_DRYER: int(Stage.DRYING), _STORE: NO_STAGE}.get(place, place)

    @staticmethod
    def _passed(ways: Ways, of: int, place: int, row: _Row | None) -> int:
        """Bits of the stages behind an item."""
        until = int(Stage.DRYING) if place == IN_DRYER else place
        own = NO_STAGE
        if row is not None:
            assert row.stage is not None
            until = ways.at_or_after(of, row.stage)
            own = int(row.stage) if row.left == "set-aside" and until == row.stage else NO_STAGE
        if place == _STORE:
            return 0
        return sum(1 << s for s in range(N_STAGES) if ways.route[of, s] and (s < until or s == own))

    @staticmethod
    def _checkable(
        ways: Ways, of: int, passed: int, place: int, rows: Sequence[_Row], n: int
    ) -> bool:
        kind = of % ways.number
        if ways.all_checked or not ways.checked[kind] or place == _STORE:
            return False
        before = int(ways.before_check[kind])
        if before == NO_STAGE:
            return True
        aside_there = place < 0 and rows[n].left == "set-aside" and rows[n].stage == before
        return bool(passed >> before & 1) and not aside_there

    def _left_moves(
        self, ways: Ways, left: Sequence[int], rows: Sequence[_Row], moves: Moves
    ) -> None:
        first = len(moves.number) - len(rows)
        mine, at = [], []
        for column, n in enumerate(left):
            for move in np.flatnonzero(moves.row == first + n).tolist():
                of = int(moves.start[move]) // WIDTH
                kind, v = of % ways.number, of // ways.number
                mine.append(move)
                at.append(kind * len(self.place) + 2 * column + v)
        self.left_move = np.array(mine, dtype=np.int64)
        self.left_at = np.array(at, dtype=np.int64)


# --- problems ------------------------------------------------------------------------------------


def _by_detail(row: tuple[tuple[Any, ...], int]) -> int:
    """Rows that tell most come first: what they leave is for the others."""
    return sum(part is None for part in row[0])


def _ignored(number: int, row: _Row | None, expected: str) -> Problem:
    what = row.said if row is not None else "received"
    return Problem(
        "the record",
        what,
        f"{number} items",
        expected,
        "They were left out of this forecast. Correct the return, or the project's files.",
    )


def _implied(stage: Stage, number: int) -> Problem:
    return Problem(
        "the record",
        f"finished {STAGE_NAMES[stage]}",
        f"{number} items fewer than finished the stages after it",
        "every item that is further to have passed it",
        "They were taken to have passed it. Correct the return in which they are missing.",
    )


def _unexpected(material: str) -> Problem:
    return Problem(
        "the record",
        f"received, {material}",
        "red rot",
        "a condition that survey.csv has for it",
        "Taken as without red rot. Add what was found to survey.csv.",
    )
