"""What the returns add up to: what has finished, ended, come and dried so far, as it was told.

Nothing is simulated or guessed here. What does not add up is kept as a problem and put right
nowhere. A week that is missing since the first person began, or one whose sheet was not told,
makes sums into lower bounds from then on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from forecast.condition import condition_mix
from forecast.errors import Problem
from forecast.history import History
from forecast.items import MOULD_NAMES, Category, Mould
from forecast.project import Project
from forecast.stages import N_STAGES, STAGE_NAMES, Stage
from forecast.weekly import Count, DryingBatch, WeeklyReturn

__all__ = [
    "Ended",
    "Excess",
    "Finished",
    "Kind",
    "Ledger",
    "Told",
    "batches",
    "excesses",
    "kinds",
    "of",
]

# Material, mould and red rot; None is not told.
Told = tuple[str | None, Mould | None, bool | None]
Finished = tuple[Stage, str | None, Mould | None, bool | None]
Ended = tuple[str, Stage, str | None, Mould | None, bool | None]
Arrived = tuple[str | None, str | None, str | None, Mould | None, bool | None]

_GONE = ("withdrawn", "not-found")  # left without having finished the stage
_NOTHING: Told = (None, None, None)
_WEEK = timedelta(weeks=1)

# How a sentence says that items have finished a stage.
_FINISHED = (
    "received",
    "out of quarantine",
    "dried",
    "done at covers",
    "cleaned",
    "described",
    "imaged",
    "checked",
    "reboxed",
)


@dataclass(frozen=True)
class Ledger:
    """Sums over all returns up to a date.

    Attributes:
        weeks: Mondays on record, in order.
        finished: first passes by stage and category. Set-aside items have finished the stage at
            which they left, and items that were not imaged every stage but imaging and checking.
            Where no counts tell of drying, what came dry out of batches stands here.
        ended: items that ended otherwise, by outcome, stage and category.
        received: items by series, box and category.
        drying: batches that are still in; dried: those that are out again.
        rejected, images: by stage and material.
        items_without_images: imaged items in rows that do not tell the number of images.
        weekly: each week on record with the cumulative first passes at its end, by stage.
        weekly_rejected, weekly_received: items of each week on record.
        complete: by stage, whether its sums are all there is: it was told, and no week is missing.
        exposure: hours by date and person; exposure_told: weeks that told of exposure.
        cleaned: hours at cleaning by date and person, where the day grid tells them.
        found: what does not add up.
    """

    weeks: tuple[date, ...]
    finished: Mapping[Finished, int]
    ended: Mapping[Ended, int]
    received: Mapping[Arrived, int]
    drying: tuple[DryingBatch, ...]
    dried: tuple[DryingBatch, ...]
    rejected: Mapping[tuple[Stage, str | None], int]
    images: Mapping[tuple[Stage, str | None], int]
    items_without_images: int
    weekly: tuple[tuple[date, tuple[int, ...]], ...]
    weekly_rejected: tuple[int, ...]
    weekly_received: tuple[int, ...]
    complete: tuple[bool, ...]
    exposure: Mapping[tuple[date, str], float]
    exposure_told: frozenset[date]
    cleaned: Mapping[tuple[date, str], float]
    found: tuple[Problem, ...] = ()

    def problems(self) -> tuple[Problem, ...]:
        """What does not add up: reported, never repaired."""
        return self.found

    @property
    def first_passes(self) -> tuple[int, ...]:
        """First passes on record, by stage."""
        return self.weekly[-1][1] if self.weekly else (0,) * N_STAGES

    @property
    def last_day(self) -> date | None:
        """The Sunday of the last week on record."""
        return self.weeks[-1] + timedelta(days=6) if self.weeks else None


def of(project: Project, history: History) -> Ledger:
    """Add up what is on record.

    Args:
        project: whose record it is.
        history: the returns that count.
    """
    sums = _Sums(project)
    for each in history.returns:
        sums.add(each)
    still_in, dried, strays = batches(history)
    last = history.returns[-1].week if history.returns else None
    found = [*strays, *(excess.problem() for excess in excesses(project, history, last))]
    return Ledger(
        weeks=tuple(each.week for each in history.returns),
        finished=dict(sums.finished),
        ended=dict(sums.ended),
        received=dict(sums.received),
        drying=still_in,
        dried=dried,
        rejected=dict(sums.rejected),
        images=dict(sums.images),
        items_without_images=sums.items_without_images,
        weekly=tuple(sums.weekly),
        weekly_rejected=tuple(sums.weekly_rejected),
        weekly_received=tuple(sums.weekly_received),
        complete=sums.telling.complete(),
        exposure=dict(sums.exposure),
        exposure_told=frozenset(sums.exposure_told),
        cleaned=dict(sums.cleaned),
        found=tuple(found),
    )


# --- sums ----------------------------------------------------------------------------------------


def _told(row: Count) -> Told:
    return row.material, row.mould, row.red_rot


def _has_passed(row: Count) -> bool:
    """Whether the items of a row have finished its stage."""
    if row.outcome == "not-imaged":
        return row.stage not in (Stage.IMAGING, Stage.CHECKING)
    return row.outcome not in _GONE


def _counts(told: WeeklyReturn) -> Iterable[Count]:
    """The rows of a return, and one for what came dry out of batches if no row tells of drying."""
    yield from told.counts
    if any(row.stage is Stage.DRYING and row.items is not None for row in told.counts):
        return
    dry = sum(row.items - (row.still_damp or 0) for row in told.drying if row.taken_out)
    if dry:
        yield Count(Stage.DRYING, mould=Mould.ACTIVE, items=dry)


class _Sums:
    """Sums that grow return by return."""

    def __init__(self, project: Project) -> None:
        self.telling = _Telling(project)
        self.finished: Counter[Finished] = Counter()
        self.ended: Counter[Ended] = Counter()
        self.received: Counter[Arrived] = Counter()
        self.rejected: Counter[tuple[Stage, str | None]] = Counter()
        self.images: Counter[tuple[Stage, str | None]] = Counter()
        self.items_without_images = 0
        self.by_stage = [0] * N_STAGES
        self.weekly: list[tuple[date, tuple[int, ...]]] = []
        self.weekly_rejected: list[int] = []
        self.weekly_received: list[int] = []
        self.exposure: Counter[tuple[date, str]] = Counter()
        self.exposure_told: set[date] = set()
        self.cleaned: Counter[tuple[date, str]] = Counter()

    def add(self, told: WeeklyReturn) -> None:
        self.telling.add(told)
        rejected = 0
        for row in _counts(told):
            self.count(row)
            rejected += row.rejected or 0
        self.weekly.append((told.week, tuple(self.by_stage)))
        self.weekly_rejected.append(rejected)
        self.weekly_received.append(sum(come.items for come in told.received))
        for come in told.received:
            key = come.series, come.box, come.material, come.mould, come.red_rot
            self.received[key] += come.items
        for exposed in told.exposed:
            self.exposure[exposed.day, exposed.person] += exposed.hours  # type: ignore[assignment]
        if told.told & {"exposure", "days"}:
            self.exposure_told.add(told.week)
        for line in told.days:
            if line.stage is Stage.CLEANING:
                self.cleaned[line.day, line.person] += line.hours  # type: ignore[assignment]

    def count(self, row: Count) -> None:
        items = row.items or 0
        if items and _has_passed(row):
            self.finished[row.stage, *_told(row)] += items
            self.by_stage[row.stage] += items
        if items and row.outcome:
            self.ended[row.outcome, row.stage, *_told(row)] += items
        if row.rejected:
            self.rejected[row.stage, row.material] += row.rejected
        if row.images:
            self.images[row.stage, row.material] += row.images
        if row.stage is Stage.IMAGING and row.images is None and _has_passed(row):
            self.items_without_images += items


class _Telling:
    """Whether sums are all there is, return by return."""

    def __init__(self, project: Project) -> None:
        began = min((row.start for row in project.team), default=project.grant.start)
        began = max(began, project.grant.start)
        self.expected = began - timedelta(days=began.weekday())  # the next week to be told
        self.gap = False
        self.any = False
        self.counted = self.dried = True
        self.stages: set[Stage] = set()

    def add(self, told: WeeklyReturn) -> None:
        self.gap = self.gap or told.week > self.expected
        self.expected = told.week + _WEEK
        self.any = True
        self.counted = self.counted and "counts" in told.told
        self.dried = self.dried and bool(told.told & {"counts", "drying"})
        self.stages |= {row.stage for row in _counts(told) if row.items is not None}

    def complete(self) -> tuple[bool, ...]:
        """By stage; one that no row ever told of is not told, whatever sheets there were."""
        return tuple(
            not self.gap
            and (not self.any or stage in self.stages)
            and (self.dried if stage is Stage.DRYING else self.counted)
            for stage in Stage
        )


def batches(
    history: History,
) -> tuple[tuple[DryingBatch, ...], tuple[DryingBatch, ...], tuple[Problem, ...]]:
    """Batches that are in, those that are out, and what is wrong with those that came out.

    A batch that went in and came out in one week needs one row only. Where the week in which it
    went in tells nothing of drying, nobody can know.
    """
    tells = {each.week for each in history.returns if "drying" in each.told}
    still_in: dict[tuple[str, date], DryingBatch] = {}
    dried, strays = [], []
    for each in history.returns:
        still_in |= {(r.batch, r.put_in): r for r in each.drying if r.taken_out is None}
        for row in each.drying:
            if row.taken_out is None:
                continue
            put_in = still_in.pop((row.batch, row.put_in), None)
            week = row.put_in - timedelta(days=row.put_in.weekday())
            if put_in is None and week != each.week and week in tells:
                strays.append(_stray(each.week, row, "a batch that was put in on that day"))
            if put_in is not None and put_in.items != row.items:
                strays.append(_stray(each.week, row, f"the {put_in.items} items that were put in"))
            dried.append(row)
    return tuple(still_in.values()), tuple(dried), tuple(strays)


def _stray(week: date, batch: DryingBatch, expected: str) -> Problem:
    return Problem(
        f"return of {week.isoformat()}",
        f"drying, batch {batch.batch}",
        f"{batch.items} items, put in on {batch.put_in.isoformat()}, taken out",
        expected,
        "Write batch, put_in and items as they stand in the return of the week it was put in.",
    )


# --- kinds of items, and their ways --------------------------------------------------------------


@dataclass(frozen=True)
class Kind:
    """Items that go the same way: a category, bound or not.

    Attributes:
        cells: rows of the collection that may hold such items, counted from 0.
        route: (9,) whether the stage applies, leaving aside that few items are checked.
        may_skip: (9,) whether the stage may not apply to some of them, having no images.
        surveyed_out: every item was looked at, and none was such.
    """

    category: Category
    bound: bool
    cells: tuple[int, ...]
    route: tuple[bool, ...]
    may_skip: tuple[bool, ...]
    surveyed_out: bool

    def fits(self, told: Told) -> bool:
        """Whether a row that tells so much may mean such items."""
        material, mould, red_rot = told
        return (
            material in (None, self.category.material)
            and mould in (None, self.category.mould)
            and red_rot in (None, self.category.red_rot)
        )


def kinds(project: Project) -> tuple[Kind, ...]:
    """All kinds of items that a project may have."""
    mixes, _ = condition_mix(project.collection, project.survey)
    cells: dict[tuple[Category, bool], list[int]] = {}
    possible: set[tuple[Category, bool]] = set()
    for number, (row, mix) in enumerate(zip(project.collection, mixes, strict=True)):
        for category, seen in zip(mix.categories, mix.seen, strict=True):
            cells.setdefault((category, row.bound), []).append(number)
            if seen or not mix.complete:
                possible.add((category, row.bound))
    return tuple(
        _kind(project, category, bound, tuple(numbers), (category, bound) not in possible)
        for (category, bound), numbers in cells.items()
    )


def _kind(
    project: Project, category: Category, bound: bool, cells: tuple[int, ...], surveyed_out: bool
) -> Kind:
    few = min(project.collection[n].images_low for n in cells) < 1.0
    route, may_skip = [], []
    for stage in Stage:
        item = project.task_time(stage, category, per_image=False)
        image = project.task_time(stage, category, per_image=True)
        an_item = stage is Stage.QUARANTINE or (item is not None and not item.average.is_zero)
        an_image = image is not None and not image.average.is_zero
        applies = _is_possible(project, stage, category, bound) and (an_item or an_image)
        route.append(applies)
        may_skip.append(applies and not an_item and few)
    return Kind(category, bound, cells, tuple(route), tuple(may_skip), surveyed_out)


def _is_possible(project: Project, stage: Stage, category: Category, bound: bool) -> bool:
    """Whether a stage may apply, by condition and because it is on (R11)."""
    if stage in project.stages_off:
        return False
    if stage is Stage.QUARANTINE:
        return category.mould is not Mould.NONE
    if stage is Stage.DRYING:
        return category.mould is Mould.ACTIVE
    return stage is not Stage.COVERS or (bound and category.affected)


# --- more than could have been -------------------------------------------------------------------


@dataclass(frozen=True)
class Excess:
    """More items told of than there could be, by the end of a week.

    Attributes:
        where: sheet and what in it.
        against: what it is held against.
        counted: what was told; at_most: what could be.
        said, expected, remedy: of the problem.
    """

    week: date
    where: tuple[str, str]
    against: str
    counted: int
    at_most: int
    said: str
    expected: str
    remedy: str

    @property
    def name(self) -> tuple[tuple[str, str], str]:
        """What it is about, the same in every week."""
        return self.where, self.against

    @property
    def by(self) -> int:
        """How many items too many."""
        return self.counted - self.at_most

    def problem(self) -> Problem:
        """As a problem of the return of its week."""
        sheet, what = self.where
        return Problem(
            f"return of {self.week.isoformat()}",
            f"{sheet}, {what}",
            self.said,
            self.expected,
            self.remedy,
        )


def excesses(project: Project, history: History, first: date | None = None) -> list[Excess]:
    """Where more was told than could have been, at the end of each week from ``first`` on.

    Only necessary conditions are looked at, so that nothing possible is ever found here: an
    untold category may be any, and an earlier stage with a week that was not told bounds nothing.

    Args:
        project: whose record it is.
        history: the returns that count.
        first: a Monday; None looks at every week.
    """
    bounds, telling = _Bounds(project), _Telling(project)
    found: list[Excess] = []
    for each in history.returns:
        bounds.add(each)
        telling.add(each)
        if first is None or each.week >= first:
            found.extend(bounds.excesses(each.week, telling.complete()))
    return found


class _Bounds:
    """What may have come to a stage, and what was told to have finished it."""

    def __init__(self, project: Project) -> None:
        self.project = project
        self.kinds = kinds(project)
        # By stage: what was told, and whether it was not imaged, left, or went on.
        self.on: list[Counter[Told]] = [Counter() for _ in Stage]
        self.unimaged: list[Counter[Told]] = [Counter() for _ in Stage]
        self.left: list[Counter[Told]] = [Counter() for _ in Stage]
        self.gone: Counter[Told] = Counter()
        self.received: Counter[tuple[str | None, str | None]] = Counter()
        self.named: set[tuple[Mould | None, bool | None]] = set()
        self._fitting: dict[Told, frozenset[int]] = {}

    def add(self, told: WeeklyReturn) -> None:
        for row in _counts(told):
            if row.items:
                self.count(row, row.items)
        for come in told.received:
            self.received[come.series, come.material] += come.items
            self.name((come.material, come.mould, come.red_rot))

    def count(self, row: Count, items: int) -> None:
        key = _told(row)
        self.name(key)
        if row.outcome in _GONE:
            self.gone[key] += items
        elif row.outcome == "set-aside":
            self.left[row.stage][key] += items
        elif row.outcome == "not-imaged":
            self.unimaged[row.stage][key] += items
        else:
            self.on[row.stage][key] += items

    def name(self, key: Told) -> None:
        """A condition that was told of is possible, whatever the survey saw."""
        if key[1:] not in self.named:
            self.named.add((key[1], key[2]))
            self._fitting.clear()

    def fitting(self, told: Told) -> frozenset[int]:
        """Kinds that a row with this category may mean."""
        if told not in self._fitting:
            self._fitting[told] = frozenset(
                n
                for n, kind in enumerate(self.kinds)
                if kind.fits(told) and (not kind.surveyed_out or self.is_named(kind.category))
            )
        return self._fitting[told]

    def is_named(self, category: Category) -> bool:
        return any(
            (mould is not None or red_rot is not None)
            and mould in (None, category.mould)
            and red_rot in (None, category.red_rot)
            for mould, red_rot in self.named
        )

    # --- what could have been

    def excesses(self, week: date, complete: Sequence[bool]) -> Iterable[Excess]:
        yield from self.received_too_many(week)
        for stage in Stage:
            tables = (self.on[stage], self.unimaged[stage], self.left[stage])
            asked = dict.fromkeys(key for table in tables for key in table)
            for told in dict.fromkeys([*asked, *([_NOTHING] if asked else [])]):
                yield from self.at_stage(week, stage, told, complete)
        yield from self.ended_too_many(week)

    def at_stage(
        self, week: date, stage: Stage, told: Told, complete: Sequence[bool]
    ) -> Iterable[Excess]:
        """Items of a category that finished a stage, against each stage that they had to pass."""
        inside = self.fitting(told)
        going = frozenset(n for n in inside if self.kinds[n].route[stage])
        counted = self.certainly(stage, inside) if inside else self.exactly(stage, told)
        can = self.arrived(week, going)
        if counted > can:
            come = f"{can} had come by then" if going else "the project has none that go there"
            yield _too_many(week, stage, told, "the store", (counted, can), come)
        imaged = self.certainly(stage, inside, unimaged=False)
        for earlier in list(Stage)[:stage]:
            if not going or not complete[earlier] or not self.had_to_pass(going, earlier):
                continue
            number, came = counted, self.possibly(earlier, going)
            if earlier in (Stage.IMAGING, Stage.CHECKING):
                # What is not imaged passes these by, wherever in the way that was told.
                number, came = imaged, came + sum(self.unimaged_before(stage))
            if number > came:
                name = STAGE_NAMES[earlier]
                out = f"{came} had come out of {name}"
                yield _too_many(week, stage, told, name, (number, came), out)

    def exactly(self, stage: Stage, told: Told) -> int:
        """Items that a stage's rows of this very category told of."""
        return sum(t[stage][told] for t in (self.on, self.unimaged, self.left))

    def certainly(self, stage: Stage, inside: frozenset[int], unimaged: bool = True) -> int:
        """Items that were told to have finished a stage and can be of these kinds only."""
        tables = [self.on[stage], self.left[stage]]
        if unimaged and stage not in (Stage.IMAGING, Stage.CHECKING):
            tables.append(self.unimaged[stage])
        return sum(
            number
            for table in tables
            for key, number in table.items()
            if self.fitting(key) and self.fitting(key) <= inside
        )

    def possibly(self, stage: Stage, going: frozenset[int]) -> int:
        """Items that were told to have finished a stage and gone on, and may be of these kinds."""
        tables = [self.on[stage]]
        if stage not in (Stage.IMAGING, Stage.CHECKING):
            tables.append(self.unimaged[stage])
        return sum(
            number
            for table in tables
            for key, number in table.items()
            if self.fitting(key) & going
        )

    def unimaged_before(self, stage: Stage) -> Iterable[int]:
        """Items that were told, before they came to a stage, not to be imaged."""
        return (sum(self.unimaged[earlier].values()) for earlier in list(Stage)[:stage])

    def had_to_pass(self, going: frozenset[int], earlier: Stage) -> bool:
        """Whether none of these kinds has a way around an earlier stage."""
        if earlier is Stage.CHECKING and self.project.checking.share_checked < 1.0:
            return False
        return all(
            self.kinds[n].route[earlier] and not self.kinds[n].may_skip[earlier] for n in going
        )

    def arrived(self, week: date, going: frozenset[int]) -> int:
        """Items of these kinds that may have come by the end of a week."""
        last = week + timedelta(days=6)
        cells = {cell for n in going for cell in self.kinds[n].cells}
        rows = self.project.collection
        total = 0
        for series in dict.fromkeys(row.series for row in rows):
            mine = sum(rows[n].items for n in cells if rows[n].series == series)
            total += min(mine, self.come(series, last))
        untold = sum(number for (of, _), number in self.received.items() if of is None)
        return min(total + untold, sum(rows[n].items for n in cells))

    def come(self, series: str, last: date) -> int:
        """Items of a series that have come: by the list, or more if more were received."""
        if not self.project.deliveries:
            return self.project.total_items
        listed = sum(
            each.items
            for each in self.project.deliveries
            if each.series == series and each.day <= last
        )
        received = sum(number for (of, _), number in self.received.items() if of == series)
        return max(listed, received)

    def received_too_many(self, week: date) -> Iterable[Excess]:
        rows = self.project.collection
        asked = {
            pair: None
            for of, material in self.received
            for pair in ((of, material), (of, None), (None, material), (None, None))
        }
        for series, material in asked:
            counted = sum(
                number
                for (of, made), number in self.received.items()
                if series in (None, of) and material in (None, made)
            )
            exist = sum(
                row.items
                for row in rows
                if series in (None, row.series) and material in (None, row.material)
            )
            if counted > exist:
                what = " ".join(
                    [material or "items", *([f"of series {series}"] if series else [])]
                )
                yield Excess(
                    week,
                    ("received", what),
                    "collection",
                    counted,
                    exist,
                    f"{counted} received so far",
                    f"at most the {exist} that collection.csv lists",
                    "Correct the number here, or the collection if there are more than it says.",
                )

    def ended_too_many(self, week: date) -> Iterable[Excess]:
        """Items that left, each once, against all that exist."""
        tables = [*self.left, self.gone]
        left: Counter[Told] = Counter()
        for table in tables:
            left.update(table)
        left.update(self.unimaged[Stage.REBOXING])
        done = self.on[Stage.REBOXING]
        if not left:
            return
        for material in dict.fromkeys([None, *(key[0] for key in left)]):
            inside = self.fitting((material, None, None))
            counted = sum(
                number
                for table in (left, done)
                for key, number in table.items()
                if self.fitting(key) <= inside
            )
            cells = {cell for n in inside for cell in self.kinds[n].cells}
            exist = sum(self.project.collection[n].items for n in cells)
            if counted > exist:
                yield Excess(
                    week,
                    ("counts", f"outcome, {material or 'all items'}"),
                    "collection",
                    counted,
                    exist,
                    f"{counted} done or ended otherwise so far",
                    f"at most the {exist} that collection.csv lists",
                    "Correct the numbers: an item ends once.",
                )


def _category(told: Told) -> str:
    """A category as far as it was told."""
    material, mould, red_rot = told
    words = [material] if material is not None else []
    if mould is not None:
        words.append(f"mould {MOULD_NAMES[mould]}")
    if red_rot is not None:
        words.append("red rot" if red_rot else "no red rot")
    return ", ".join(words)


def _too_many(
    week: date, stage: Stage, told: Told, against: str, numbers: tuple[int, int], because: str
) -> Excess:
    category, (counted, at_most) = _category(told), numbers
    of = f" ({category})" if category else ""
    return Excess(
        week,
        ("counts", ", ".join([STAGE_NAMES[stage], *([category] if category else [])])),
        against,
        counted,
        at_most,
        f"{counted}{of} were {_FINISHED[stage]} when {because}",
        f"at most {at_most}",
        "Correct the number here, or the return or the list in which the earlier ones are missing.",
    )
