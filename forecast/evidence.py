"""What the returns tell, in a plan's own terms: handling minutes beside the items they made.

Logged hours hold clothing and clearing, which the simulation adds by itself, so they are taken out
here. Where a return leaves a condition blank, the items are shared out as the order of work lets
one expect.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from forecast import rules
from forecast.history import History
from forecast.planning import Plan
from forecast.stages import HANDLED_STAGES, N_STAGES, Stage
from forecast.units import SECONDS_PER_HOUR
from forecast.weekly import Count, WeeklyReturn

__all__ = ["Block", "Composition", "Passes", "blocks", "passes", "pilot_blocks", "week_number"]

# A stretch of weeks is one observation as soon as items' own scatter no longer rules it.
_ENOUGH_ITEMS = 0.05
_MOST_WEEKS = 8

_PILOT_BEFORE = 8  # weeks before the start: a trial, not the project's own routine

_WINDOW = 0.15  # how far the order of work may be out, as a share of the items so far ...
_LEAST_WINDOW = 30  # ... and in items
_SESSION_FILL = 0.8  # sessions end before their limit, for want of work or to change the stage
_OVERHEAD_ERROR = 0.3  # of overhead whose sessions are not told, as a share
_MOST_OVERHEAD = 0.8  # of the logged time

# Somebody had these in hand; what was withdrawn or not found was never handled.
_HANDLED = ("", "set-aside", "not-imaged")

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def week_number(monday: date) -> int:
    """Weeks since Monday, 1 January of year 1, as a plan's ``week_place``."""
    return (monday.toordinal() - 1) // 7


class Composition:
    """Which categories pass a stage, as far as the order of work tells. C categories of a plan."""

    def __init__(self, plan: Plan, shares: Floats | None = None) -> None:
        """``shares`` (cells, categories of one) are expected; None: those of the survey."""
        self.plan = plan
        firsts = [cell.first_category for cell in plan.cells]
        sizes = np.diff([*firsts, len(plan.mould)])
        self.cell = np.repeat(np.arange(len(plan.cells)), sizes)
        self.material = np.array([plan.cells[n].material for n in self.cell])
        expected = plan.alpha if shares is None else shares
        expected = expected / expected.sum(axis=1, keepdims=True)
        within = np.arange(len(self.cell)) - np.array(firsts)[self.cell]
        self.share = np.asarray(expected[self.cell, within], dtype=float)

    @cached_property
    def applies(self) -> Flags:
        """(C, 9) whether a stage has work for a category."""
        work = (self.plan.per_item.row != 0) | (self.plan.per_image.row != 0)
        work[:, Stage.QUARANTINE] = True
        return np.asarray(work & self.plan.possible)

    @cached_property
    def kind(self) -> Ints:
        """(C, 9) kind of session (R7) of a category at each stage."""
        plan = self.plan
        kinds = np.zeros((len(plan.mould), N_STAGES), dtype=np.int64)
        for c, (mould, rot) in enumerate(zip(plan.mould, plan.red_rot, strict=True)):
            for stage in Stage:
                cleaned = stage > Stage.CLEANING and bool(self.applies[c, Stage.CLEANING])
                kinds[c, stage] = rules.kind_of(
                    int(stage), int(mould), bool(rot), cleaned, plan.settings.receiving_is_mouldy
                )
        return kinds

    @cached_property
    def first_handled(self) -> Ints:
        """(C,) the stage at which a category is first in somebody's hands."""
        handled = list(HANDLED_STAGES)
        first = self.applies[:, handled].argmax(axis=1)
        return np.asarray(np.array(handled, dtype=np.int64)[first])

    @cached_property
    def _so_far(self) -> Floats:
        """(I + 1, cells) items of each cell among the first in the order of work."""
        cells = np.zeros((len(self.plan.order) + 1, len(self.plan.cells)))
        cells[np.arange(1, len(cells)), self.plan.cell_of_item] = 1.0
        return np.asarray(cells.cumsum(axis=0))

    @cached_property
    def _passed(self) -> Floats:
        """(9, I + 1) first passes of a stage that the first items in the order of work make."""
        chance = np.zeros((len(self.plan.cells), N_STAGES))
        np.add.at(chance, self.cell, self.share[:, None] * self.applies)
        chance[:, Stage.CHECKING] *= self.plan.project.checking.share_checked
        return np.ascontiguousarray((self._so_far @ chance).T)

    def _cells_between(self, stage: Stage, first: float, last: float) -> Floats:
        """(cells,) items of each cell that pass a stage between two numbers of first passes."""
        passed = self._passed[stage]
        room = max(_LEAST_WINDOW, _WINDOW * last)
        begin = int(np.searchsorted(passed, first - room))
        end = int(np.searchsorted(passed, last + room))
        begin, end = min(begin, len(passed) - 2), min(max(end, begin + 1), len(passed) - 1)
        return np.asarray(self._so_far[end] - self._so_far[begin])

    @cached_property
    def _fits(self) -> dict[tuple[Stage, str | None, int | None, bool | None], Flags]:
        return {}

    def fits(self, row: Count) -> Flags:
        """(C,) the categories that a row may speak of."""
        key = row.stage, row.material, row.mould, row.red_rot
        if key not in self._fits:
            fits = self.applies[:, row.stage].copy()
            if row.mould is not None:
                fits &= self.plan.mould == row.mould
            if row.red_rot is not None:
                fits &= self.plan.red_rot == row.red_rot
            if row.material is not None:
                fits &= self.material == row.material
            self._fits[key] = fits
        return self._fits[key]

    def of(self, row: Count, first: float) -> Floats:
        """(C,) a row's items by category, those with blanks as expected; 0 where none can be.

        Args:
            row: of a return's counts, with items.
            first: first passes of the stage before them.
        """
        items = float(row.items or 0)
        share = self.share * self.fits(row)
        cells = self._cells_between(row.stage, first, first + items)
        near = share * cells[self.cell]
        if not near.any():  # out of the expected order: wherever there are such items
            near = share * np.array([cell.items for cell in self.plan.cells])[self.cell]
        total = near.sum()
        return np.asarray(near * (items / total) if total > 0.0 else np.zeros(len(near)))


@dataclass(frozen=True)
class Passes:
    """One week's first passes of a stage.

    Attributes:
        week: see :func:`week_number`.
        items, images: (C,) by category; images made again included.
        again: items that were handled once more because checking sent them back.
        told: whether every row named what decides its minutes.
        before: first passes of the stage before the week.
    """

    week: int
    items: Floats
    images: Floats
    again: float
    told: bool
    before: float


@dataclass(frozen=True)
class Block:
    """Handling minutes at a stage over one week, or over several with few items.

    Attributes:
        week: the middle, see :func:`week_number`.
        minutes: handling; clothing and clearing are taken out.
        items, images: (C,) by category; what was handled again is among them.
        before: first passes of the stage before its middle.
        variance: of the logarithm of the minutes, from items' own scatter, from what was in hand
            at either end, and from overhead that nobody told.
        weeks: how many.
        told: whether conditions were told.
        people: how many of them may have left an item unfinished at its end; the next block, where
            one follows at once, has that work in its items.
    """

    week: float
    minutes: float
    items: Floats
    images: Floats
    before: float
    variance: float
    weeks: int
    told: bool
    people: int = 0


def _rejected(told: WeeklyReturn) -> float:
    return float(sum(row.rejected or 0 for row in told.counts))


def _told_enough(composition: Composition, row: Count) -> bool:
    """Whether all categories that a row may speak of take the same minutes."""
    fits = composition.fits(row)
    tables = composition.plan.per_item, composition.plan.per_image
    return all(len(np.unique(table.row[fits, row.stage])) <= 1 for table in tables)


def passes(
    composition: Composition, history: History, stage: Stage, images: Floats
) -> Iterator[Passes]:
    """First passes of a stage, a week at a time, where a return tells them.

    Args:
        composition: of the plan.
        history: returns that count.
        stage: one with practice.
        images: (C,) average images an item.
    """
    before = 0.0
    for told in history.returns:
        rows = [
            row
            for row in told.counts
            if row.stage is stage and row.items is not None and row.outcome in _HANDLED
        ]
        if not rows:
            continue
        items = np.zeros(len(composition.cell))
        done = before
        for row in rows:
            items += composition.of(row, done)
            done += row.items or 0
        again = _rejected(told) if stage in (Stage.IMAGING, Stage.CHECKING) else 0.0
        made = _images(composition, told, stage, items, images, again)
        exact = all(_told_enough(composition, row) for row in rows if row.items)
        total = items.sum()
        if total > 0.0:
            items = items * (1.0 + again / total)
        yield Passes(week_number(told.week), items, made, again, exact, before)
        before = done


def _images(
    composition: Composition,
    told: WeeklyReturn,
    stage: Stage,
    items: Floats,
    images: Floats,
    again: float,
) -> Floats:
    """(C,) images handled, as told at imaging, else as many as such items have on average."""
    made = items * images
    expected = made.sum()
    rows = [row for row in told.counts if row.stage is stage]
    known = [row.images for row in rows if row.images is not None]
    silent = [row for row in rows if row.images is None and row.items]
    alone = any(row.images is not None and row.items is None for row in rows)
    if stage is Stage.IMAGING and known and (alone or not silent) and expected > 0.0:
        return np.asarray(made * (sum(known) / expected))
    total = items.sum()
    if again and total > 0.0:
        part = composition.plan.project.checking.reimaged_share if stage is Stage.IMAGING else 1.0
        made = made * (1.0 + part * again / total)
    return np.asarray(made)


@dataclass
class _Pending:
    """A block that is not complete yet."""

    minutes: float = 0.0
    items: Floats | None = None
    images: Floats | None = None
    weeks: list[int] = field(default_factory=list)
    before: float | None = None
    overhead: float = 0.0
    people: int = 1
    told: bool = True


def blocks(
    composition: Composition,
    history: History,
    stage: Stage,
    values: Floats,
    images: Floats,
    sessions_an_hour: float | None = None,
) -> tuple[Block, ...]:
    """What the returns tell of the pace at a stage.

    Weeks whose hours are not told give nothing but their items; hours without a finished item
    go to the next week that has one.

    Args:
        composition: of the plan.
        history: returns that count.
        stage: one with practice.
        values: (E,) of every estimate, to weigh scatter and overhead with.
        images: (C,) average images an item.
        sessions_an_hour: of logged time, where a return does not tell sessions; None: as many as
            limits and shifts ask for.
    """
    by_week = {each.week: each for each in passes(composition, history, stage, images)}
    complete: list[Block] = []
    pending = _Pending()
    for told in history.returns:
        rows = [row for row in told.worked if row.stage is stage]
        if not rows or "counts" not in told.told:
            continue  # one without the other says nothing about the pace
        week = by_week.get(week_number(told.week))
        _add(pending, composition, told, stage, week, values, sessions_an_hour)
        variance = _variance(composition.plan, stage, pending, values)
        if variance <= _ENOUGH_ITEMS or len(pending.weeks) >= _MOST_WEEKS:
            if math.isfinite(variance):
                complete.append(_block(pending, variance))
            pending = _Pending()
    variance = _variance(composition.plan, stage, pending, values)
    if math.isfinite(variance):
        complete.append(_block(pending, variance))
    return tuple(complete)


def _add(
    pending: _Pending,
    composition: Composition,
    told: WeeklyReturn,
    stage: Stage,
    week: Passes | None,
    values: Floats,
    sessions_an_hour: float | None,
) -> None:
    """One more week's hours and items."""
    rows = [row for row in told.worked if row.stage is stage]
    hours = sum(row.hours for row in rows)
    empty = np.zeros(len(composition.cell))
    items, made = (empty, empty) if week is None else (week.items, week.images)
    minutes, known = _overhead(composition, told, stage, items, made, values, sessions_an_hour)
    minutes = min(minutes, _MOST_OVERHEAD * 60.0 * hours)
    pending.minutes += 60.0 * hours - minutes
    pending.overhead += 0.0 if known else minutes
    pending.items = items if pending.items is None else pending.items + items
    pending.images = made if pending.images is None else pending.images + made
    pending.weeks.append(week_number(told.week))
    pending.people = max(pending.people, len({row.person for row in rows}))
    if week is not None:
        pending.before = week.before if pending.before is None else pending.before
        pending.told &= week.told


def _of_items(plan: Plan, stage: Stage, items: Floats, images: Floats, values: Floats) -> Floats:
    """(C,) minutes before practice."""
    per_item, per_image = plan.per_item.row[:, stage], plan.per_image.row[:, stage]
    return np.asarray(items * values[per_item] + images * values[per_image])


def _variance(plan: Plan, stage: Stage, pending: _Pending, values: Floats) -> float:
    """Of the logarithm of a block's minutes, without the weeks' own; infinite without items."""
    if pending.items is None or pending.images is None or pending.minutes <= 0.0:
        return math.inf
    items, images = pending.items, pending.images
    minutes = _of_items(plan, stage, items, images, values)
    total = float(minutes.sum())
    if total <= 0.0:
        return math.inf
    of_item = items * values[plan.per_item.row[:, stage]]
    spread = of_item * plan.per_item.sigma[:, stage]
    spread += (minutes - of_item) * plan.per_image.sigma[:, stage]
    at = items > 0.0
    own = float((spread[at] ** 2 / items[at]).sum() / total**2)
    overhead = (_OVERHEAD_ERROR * pending.overhead / pending.minutes) ** 2
    return own + _in_hand(pending) + overhead


def _in_hand(pending: _Pending) -> float:
    """What a part of an item for each person at either end adds to the variance."""
    assert pending.items is not None
    return pending.people / (6.0 * float(pending.items.sum()) ** 2)


def _block(pending: _Pending, variance: float) -> Block:
    assert pending.items is not None
    assert pending.images is not None
    assert pending.before is not None
    return Block(
        week=float(np.mean(pending.weeks)),
        minutes=pending.minutes,
        items=pending.items,
        images=pending.images,
        before=pending.before + float(pending.items.sum()) / 2.0,
        variance=variance,
        weeks=len(pending.weeks),
        told=pending.told,
        people=pending.people,
    )


def pilot_blocks(
    composition: Composition, stage: Stage, values: Floats, images: Floats
) -> tuple[Block, ...]:
    """Items that were timed before the start, a stretch for each condition that was told.

    Nobody was practised then, and what was timed is handling alone.

    Args:
        composition: of the plan.
        stage: one with practice.
        values: (E,) of every estimate, to weigh scatter with.
        images: (C,) average images an item.
    """
    plan = composition.plan
    timed: dict[Count, list[float]] = {}
    for row in plan.project.pilot:
        if row.stage is stage:
            key = Count(stage, row.material, row.mould, row.red_rot)
            timed.setdefault(key, []).append(row.minutes)
    found = []
    for key, minutes in timed.items():
        items = composition.of(replace(key, items=len(minutes)), 0.0)
        pending = _Pending(sum(minutes), items, items * images)
        variance = _variance(plan, stage, pending, values) - _in_hand(pending)
        if math.isfinite(variance):
            found.append(
                Block(
                    week=float(week_number(plan.project.grant.start) - _PILOT_BEFORE),
                    minutes=pending.minutes,
                    items=items,
                    images=items * images,
                    before=0.0,
                    variance=variance,
                    weeks=1,
                    told=_told_enough(composition, key),
                )
            )
    return tuple(found)


# --- clothing and clearing


def _overhead(
    composition: Composition,
    told: WeeklyReturn,
    stage: Stage,
    items: Floats,
    images: Floats,
    values: Floats,
    sessions_an_hour: float | None,
) -> tuple[float, bool]:
    """Minutes of clothing and clearing in a week's hours, and whether sessions were told."""
    plan = composition.plan
    settings = plan.settings
    minutes = _of_items(plan, stage, items, images, values)
    if minutes.sum() <= 0.0:
        minutes = composition.share * composition.applies[:, stage]
    of_kind = np.bincount(composition.kind[:, stage], minutes, minlength=3)
    of_kind = of_kind / max(of_kind.sum(), 1e-300)
    each = np.array(
        [
            sum(
                rules.session_overhead(
                    int(stage),
                    kind,
                    settings.clothing,
                    settings.clear_bench,
                    settings.clear_camera,
                )
            )
            / 60.0
            for kind in (rules.MOULDY, rules.DIRTY, rules.CLEAN)
        ]
    )
    rows = [row for row in told.worked if row.stage is stage]
    hours = sum(row.hours for row in rows)
    if all(row.sessions is not None for row in rows if row.hours):
        return float(sum(row.sessions or 0 for row in rows) * (of_kind @ each)), True
    if sessions_an_hour is not None:
        return float(hours * sessions_an_hour * (of_kind @ each)), False
    sessions = 60.0 * hours * of_kind / _session_minutes(plan, _SESSION_FILL)
    if told.told_exposure():
        least = 60.0 * hours * of_kind[0] / _session_minutes(plan, 1.0)[0]
        sessions[0] = max(least, _exposure_days(composition, told, stage, of_kind[0]))
    return float(sessions @ each), False


def _session_minutes(plan: Plan, fill: float) -> Floats:
    """(3,) minutes of a session of each kind, clothing included, as limits and shifts make it."""
    settings = plan.settings
    hours = plan.rota.hours
    share = plan.project.time.delivered_share.likely
    shift = float(hours[hours > 0.0].mean()) * SECONDS_PER_HOUR * share if hours.any() else 14_400.0
    exposed = min(settings.allowance, settings.wear or settings.allowance)
    mouldy = min(shift, settings.clothing + exposed)
    return np.maximum(np.array([mouldy, shift, shift]) * fill, settings.shortest) / 60.0


def _exposure_days(
    composition: Composition, told: WeeklyReturn, stage: Stage, mouldy: float
) -> float:
    """Days of exposure of each person, shared among the mouldy stages by hours."""
    settings = composition.plan.settings
    longest = min(settings.allowance, settings.wear or settings.allowance) / SECONDS_PER_HOUR
    days = sum(
        max(1, math.ceil(row.hours / max(longest, 1e-9) - 1e-9))
        for row in told.exposed
        if row.hours > 0.0
    )
    here = there = 0.0
    for row in told.worked:
        if row.stage is None or row.stage is Stage.DRYING:
            continue
        part = mouldy if row.stage is stage else _mouldy_part(composition, row.stage)
        there += row.hours * part
        here += row.hours * part if row.stage is stage else 0.0
    return days * here / there if there > 0.0 else 0.0


def _mouldy_part(composition: Composition, stage: Stage) -> float:
    """Expected share of a stage's items that are mouldy there."""
    share = composition.share * composition.applies[:, stage]
    total = share.sum()
    if total <= 0.0:
        return 0.0
    return float(share[composition.kind[:, stage] == rules.MOULDY].sum() / total)
