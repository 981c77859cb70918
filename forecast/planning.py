"""What all futures of a project share: cells, tables and calendars, worked out once.

A plan is sent to every worker, so it holds the project and what takes long to find. All arrays
that follow from these at once are worked out where they are first asked for, and never sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import cached_property
from hashlib import blake2b
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from forecast import working_time
from forecast.condition import ConditionMix, condition_mix
from forecast.drawing import Tables
from forecast.estimates import Estimate, Quantiles, lognormal_sigma
from forecast.exposure import BreathingProtection, ExposureLimits
from forecast.items import Category, Mould
from forecast.project import Grant, Places, Project, Sessions, TaskTime
from forecast.rules import NO_STAGE
from forecast.stages import N_PLACES, N_STAGES, PRACTISED_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY, seconds_from_hours, seconds_from_minutes

__all__ = [
    "UNLIMITED",
    "Beginning",
    "Begun",
    "Belief",
    "Cell",
    "Drawn",
    "Estimates",
    "Knowledge",
    "Learnt",
    "Loose",
    "Named",
    "Plan",
    "Settings",
    "WorkTable",
    "plan",
]

UNLIMITED = 2**31  # the number of a place that is no limit

_MOST_ITEMS = 2**25  # of a kind: the distinct places of two kinds then differ as floats

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Settings:
    """The numbers of a project that no luck touches. Times in seconds."""

    start: int
    allowance: int
    days_limit: int
    calendar_week: bool
    weekday_of_day_0: int
    wear: int
    rest: int
    clothing: int
    clear_bench: int
    clear_camera: int
    shortest: int
    minimum_days: int
    attention: int
    tool_drying: int
    receiving_is_mouldy: bool


@dataclass(frozen=True)
class Cell:
    """One row of the collection, with what never changes from one replication to the next.

    Items and categories of all cells are numbered through, cell after cell: cell-major.

    Attributes:
        seen: (n,) the category, counted from the cell's first, of each item that was looked at:
            in the order of the categories, or of the items where ``complete``.
        complete: whether every item was looked at.
        mix_name: cells that share evidence share the draw.
    """

    series: str
    material: str
    first_item: int
    items: int
    first_category: int
    seen: NDArray[np.int8]
    complete: bool
    mix_name: tuple[str, ...]


@dataclass(frozen=True)
class Loose:
    """Looked-at items of one material whose series the survey does not tell.

    Attributes:
        seen: (n,) their categories, counted from a cell's first.
        cells: numbers of the cells among whose items they are.
    """

    seen: NDArray[np.int8]
    cells: tuple[int, ...]


@dataclass(frozen=True)
class Estimates:
    """Everything that nobody knows: one draw a name and future.

    Attributes:
        quantiles: the distributions.
        names: of those that are not known, in the order of the distributions.
        number: which of the distributions has a name.
    """

    quantiles: Quantiles
    names: tuple[tuple[str, ...], ...]
    number: dict[tuple[str, ...], int]

    @cached_property
    def streams(self) -> tuple[tuple[str, ...], ...]:
        """The names of their random numbers, in the order of ``names``."""
        return tuple(("estimate", *name) for name in self.names)


@dataclass(frozen=True)
class WorkTable:
    """The row of task_times.csv in force for each category and stage, C categories.

    Attributes:
        row: (C, 9) number of its average among the estimates; that of a known 0 where there is no
            such row.
        sigma: (C, 9) of its lognormal scatter.
    """

    row: Ints
    sigma: Floats


class Named(Protocol):
    """Random numbers of one replication, by name."""

    def __call__(
        self, names: Sequence[tuple[str, ...]], places: NDArray[np.uint64] | None = None, /
    ) -> Floats:
        """(names,) one number a name; or (names, places), those at some places of its stream.

        A place is a number of something that stays what it is, such as a week: what else is asked
        for moves nothing.
        """


class Drawn(Protocol):
    """One draw of what nobody knows. None: as a plan without a belief has it."""

    @property
    def values(self) -> Floats:
        """(E,) of every estimate, by ``Estimates.number``."""

    @property
    def practice(self) -> Floats | None:
        """(9, I + N + 1) factor after n first passes, those on record included."""

    @property
    def week_factor(self) -> Floats | None:
        """(9, W) good and bad weeks; those before the first simulated one are not used."""

    @property
    def share(self) -> Floats | None:
        """(D,) share of rostered hours that reaches the stages."""

    @property
    def mix(self) -> Floats | None:
        """(cells, categories of one) shares among items nobody looked at, added up."""

    @property
    def box_items(self) -> Floats | None:
        """(cells,) items in a box; 0: not in boxes."""

    @property
    def box_concentration(self) -> Floats | None:
        """(cells,) how like the cell's own mix a box's is; 0: items are not alike by box."""


class Belief(Protocol):
    """What the returns on record make of the estimates.

    It reads nothing of a plan's people, places and days off (:attr:`Plan.work_itself`), so that
    plans which differ in nothing else share its draws.
    """

    def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Drawn:
        """One draw; the same names give two beliefs the same numbers."""


class Begun(Protocol):
    """One draw of where everything is. What luck decides otherwise is marked: 1 or 0; -1: luck."""

    @property
    def category(self) -> Ints:
        """(I,) each item's, in the order of work."""

    @property
    def set_aside(self) -> NDArray[np.int8]:
        """(I,) marks."""

    @property
    def not_imaged(self) -> NDArray[np.int8]:
        """(I,) marks."""

    def settled(self, fates: Any) -> tuple[Any, Any]:
        """What is on record, and luck where that says nothing.

        Args:
            fates: :class:`forecast.beginning.Fates`; that module stands below this one.

        Returns:
            :class:`forecast.beginning.Start`, and fates that agree with it.
        """


class Beginning(Protocol):
    """Where everything is on the as-of date, as far as the record knows.

    A draw reads of a plan what :attr:`Plan.behind_it` holds, and nothing of what is still to come
    of people, places and days off: plans which differ in nothing else share its draws.
    """

    @property
    def last_day(self) -> date | None:
        """The Sunday of the last week on record that counts; None where there is none."""

    @property
    def finished_before(self) -> Ints:
        """(9,) first passes on record."""

    def exposure_before(self, plan: Plan) -> Ints:
        """(P, 6) seconds of exposure on the six days before a plan's first."""

    def draw(self, plan: Plan, category: Ints, values: Floats, rng: np.random.Generator) -> Begun:
        """Draw every item's place.

        Args:
            plan: whose first day is the first after the as-of date.
            category: (I,) in the order of work: each item's as survey and mix have it.
            values: (E,) the drawn estimates; NaN but for images an item and days of drying.
            rng: for all that the record leaves open.
        """


@dataclass(frozen=True)
class Knowledge:
    """What is known of a project on its way; None: nothing beyond what the project says."""

    beginning: Beginning | None = None
    belief: Belief | None = None


@dataclass(frozen=True)
class Learnt:
    """One quantity before and after the returns.

    Attributes:
        name: in words a team would use.
        unit: of the quantiles.
        prior, posterior: 5 %, 50 % and 95 % points.
        evidence: weeks, items or days that it rests on.
        still_estimate: share of the first estimates' uncertainty that is left, 0 to 1.
    """

    name: str
    unit: str
    prior: tuple[float, float, float]
    posterior: tuple[float, float, float]
    evidence: float
    still_estimate: float


@dataclass(frozen=True)
class Plan:
    """What all replications of a project share.

    Axes: I items, C categories, P persons, D days from the grant's start to the horizon, W
    calendar weeks (week 0 holds day 0), L lists of preference.

    Attributes:
        mould, red_rot, bound: (C,) as received.
        possible: (C, 9) whether the stage may apply to a category: by its condition (R11), and
            because it is not switched off.
        alpha: (cells, categories of one) of the mix among items that nobody looked at; 0 fills up.
        per_item, per_image: averages by category and stage.
        holidays: days on which nobody is rostered.
        absence_days: a full-time person's working days a year.
        exposure_before: (P, 6) seconds of exposure on the six days before the start.
        finished_before: (9,) first passes on record at the start.
        knowledge: what returns on record say.
        known_from: number of the first day after the as-of date, where the simulation begins
            later than that.
    """

    project: Project
    first_day: int
    settings: Settings
    cells: tuple[Cell, ...]
    loose: tuple[Loose, ...]
    alpha: Floats
    mould: NDArray[np.int8]
    red_rot: Flags
    bound: Flags
    possible: Flags
    per_item: WorkTable
    per_image: WorkTable
    estimates: Estimates
    holidays: frozenset[date]
    absence_days: float
    exposure_before: Ints
    finished_before: Ints
    knowledge: Knowledge | None = None
    known_from: int | None = None

    def __getstate__(self) -> dict[str, Any]:
        # What was worked out at first use stays at home.
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @cached_property
    def practised(self) -> tuple[Stage, ...]:
        """Stages with practice at which there is work."""
        rows = self.per_item.row, self.per_image.row
        return tuple(s for s in PRACTISED_STAGES if any(row[:, s].any() for row in rows))

    @cached_property
    def at_beginning(self) -> Plan:
        """The plan that begins on the day after the as-of date, from which places are known."""
        day = self.known_from
        if day is None or day == self.first_day:
            return self
        settings = replace(self.settings, start=day * SECONDS_PER_DAY)
        return replace(self, first_day=day, settings=settings)

    # --- what luck needs of the plan: equal for two plans, and that luck is the same

    @cached_property
    def cells_alike(self) -> bytes:
        """Of items' own numbers."""
        return _digest(*((c.series, c.material, c.first_item, c.items) for c in self.cells))

    @cached_property
    def mix_alike(self) -> bytes:
        """Of items' conditions."""
        names = [(cell.mix_name, cell.complete) for cell in self.cells]
        loose = [part for each in self.loose for part in (each.seen, each.cells)]
        return _digest(self.cells_alike, *names, self.cell_table, self.seen, self.alpha, *loose)

    @cached_property
    def estimates_alike(self) -> bytes:
        """Of a draw of the estimates."""
        of = self.estimates
        lists = (getattr(of.quantiles, field.name) for field in fields(of.quantiles))
        return _digest(of.names, tuple(of.number.items()), *lists)

    @cached_property
    def items_alike(self) -> bytes:
        """Of items, once their conditions and the estimates are drawn."""
        return _digest(self.cells_alike, *self.tables)

    @cached_property
    def hours_alike(self) -> bytes:
        """Of shifts."""
        rota = self.rota
        return _digest(self.project.persons, self.project.grant.start, rota.hours, rota.begins)

    @cached_property
    def work_itself(self) -> bytes:
        """Of what is believed: the project without its people, places, days off and money."""
        project = self.project
        grant, places = project.grant, project.places
        alone = replace(
            project,
            **_NOTHING,
            grant=Grant("", grant.start, grant.end, grant.horizon, 0),
            places=Places(
                *(0, 0, 0, 0),
                None if places.tool_sets is None else 0,
                places.tool_drying_hours,
            ),
        )
        return _digest(repr(alone), self.first_day, self.known_from, len(self.doublings))

    @cached_property
    def behind_it(self) -> bytes:
        """Of where everything is: the work itself, and people and shelves before the first day."""
        rota, persons, day = self.rota, self.project.persons, self.first_day
        hours, begins = rota.hours[:, :day], rota.begins[:, :day]
        # By name: somebody who comes later changes nothing that lies behind.
        there = sorted((name, n) for n, name in enumerate(persons) if hours[n].any())
        people = [part for name, n in there for part in (name, hours[n], begins[n])]
        shelves = self.capacity[Place.SHELF, max(0, day - 1)]
        return _digest(self.work_itself, int(shelves), *people)

    @cached_property
    def values_of_items(self) -> Ints:
        """Numbers of the estimates that items are drawn with."""
        tables = self.tables
        return np.unique(
            np.concatenate(
                [tables.images_of_cell, tables.item_row.ravel(), tables.image_row.ravel()]
            )
        )

    @cached_property
    def values_behind(self) -> Ints:
        """Numbers of the estimates that say where items are: images, and days of drying."""
        drying = self.per_item.row[:, Stage.DRYING]
        return np.unique(np.concatenate([self.tables.images_of_cell, drying]))

    # --- items: I of them, in the order of work unless told otherwise

    @cached_property
    def order(self) -> Ints:
        """(I,) place in cell-major order of the item that is n-th in the order of work (R4)."""
        order = [
            np.concatenate([self._items_of(n) for n in rows])[_standing(self._counts(rows))]
            for rows in self._series.values()
        ]
        return np.concatenate(order)

    @cached_property
    def cell_of_item(self) -> Ints:
        """(I,) number of the item's cell."""
        numbers = np.arange(len(self.cells))
        return np.repeat(numbers, [cell.items for cell in self.cells])[self.order]

    @cached_property
    def within_cell(self) -> Floats:
        """(I,) how many items of its cell come before the item."""
        first = np.array([cell.first_item for cell in self.cells])
        return np.asarray(self.order - first[self.cell_of_item], dtype=float)

    @property
    def series_of_item(self) -> tuple[str, ...]:
        """The series of each item."""
        return tuple(
            name for name, rows in self._series.items() for name in [name] * sum(self._counts(rows))
        )

    @cached_property
    def arrival(self) -> Ints:
        """(I,) seconds at which the item comes from the store: without a list, the start."""
        days = np.zeros(len(self.order), dtype=np.int64)
        if self.project.deliveries:
            coming = [self._delivery_days(name, rows) for name, rows in self._series.items()]
            days[:] = np.concatenate(coming)
        return np.maximum(days, self.first_day) * SECONDS_PER_DAY

    @cached_property
    def _series(self) -> dict[str, list[int]]:
        """The rows of each series, in the order of work: a series after the other."""
        rows: dict[str, list[int]] = {}
        for number, cell in enumerate(self.cells):
            rows.setdefault(cell.series, []).append(number)
        return rows

    def _items_of(self, number: int) -> Ints:
        cell = self.cells[number]
        return np.arange(cell.first_item, cell.first_item + cell.items)

    @cached_property
    def loose_items(self) -> tuple[Ints, ...]:
        """For each of ``loose`` the items, cell-major, among which they are."""
        return tuple(
            np.concatenate([self._items_of(n) for n in loose.cells]) for loose in self.loose
        )

    @cached_property
    def first_category(self) -> Ints:
        """(I,) the first category of the item's cell, cell-major."""
        first = [cell.first_category for cell in self.cells]
        return np.repeat(np.array(first), [cell.items for cell in self.cells])

    @cached_property
    def cell_major(self) -> tuple[Ints, Ints]:
        """(I,) number of the item's cell, and how many of the cell come before it, cell-major."""
        cell = np.repeat(np.arange(len(self.cells)), [cell.items for cell in self.cells])
        first = np.array([cell.first_item for cell in self.cells], dtype=np.int64)
        return cell, np.arange(len(cell)) - first[cell]

    @cached_property
    def tables(self) -> Tables:
        """What drawing items needs of the plan."""
        numbers = self.estimates.number
        images = [numbers["collection.csv", c.series, c.material] for c in self.cells]
        return Tables(
            order=self.order,
            cell_of_item=self.cell_of_item,
            within_cell=self.within_cell,
            images_of_cell=np.array(images, dtype=np.int64),
            mould=self.mould,
            red_rot=self.red_rot,
            bound=self.bound,
            possible=self.possible,
            item_row=self.per_item.row,
            item_sigma=self.per_item.sigma,
            image_row=self.per_image.row,
            image_sigma=self.per_image.sigma,
        )

    @cached_property
    def cell_table(self) -> Ints:
        """(cells, 6) what :func:`forecast.drawing.conditions` needs of the cells."""
        known = [len(cell.seen) for cell in self.cells]
        before = np.cumsum([0, *known])
        rows = [
            (c.first_item, c.items, c.first_category, before[n], known[n], c.complete)
            for n, c in enumerate(self.cells)
        ]
        return np.array(rows, dtype=np.int64)

    @cached_property
    def seen(self) -> NDArray[np.int8]:
        """Categories of looked-at items, cell after cell."""
        return np.concatenate([cell.seen for cell in self.cells]).astype(np.int8)

    def _counts(self, rows: Sequence[int]) -> list[int]:
        return [self.cells[n].items for n in rows]

    def _delivery_days(self, series: str, rows: Sequence[int]) -> Ints:
        """The day on which each item of a series comes: the first deliveries bring the first."""
        of_series = [d for d in self.project.deliveries if d.series == series]
        of_series.sort(key=lambda delivery: delivery.day)
        days = [self.project.day_number(delivery.day) for delivery in of_series]
        coming = np.repeat(np.array(days, dtype=np.int64), [d.items for d in of_series])
        return coming[: sum(self._counts(rows))]

    # --- people, places and days

    @cached_property
    def rota(self) -> working_time.Rota:
        """Who is rostered when."""
        project = self.project
        return working_time.rota(
            project.team, project.closures, self.holidays, project.grant.start, project.days
        )

    @cached_property
    def rostered(self) -> Flags:
        """(P, D) whether the person is rostered on that day."""
        return np.asarray(self.rota.hours > 0.0)

    @cached_property
    def week_place(self) -> NDArray[np.uint64]:
        """(W,) place of the week in a stage's stream: weeks since Monday, 1 January of year 1."""
        first = (self.project.grant.start.toordinal() - 1) // 7
        return np.arange(first, first + int(self.week_of_day[-1]) + 1, dtype=np.uint64)

    @cached_property
    def preferences(self) -> NDArray[np.int8]:
        """(L, 9) stages by preference, by team row and weekday, filled up with -1."""
        team = self.project.team
        lists = np.full((max(1, 7 * len(team)), N_STAGES), NO_STAGE, dtype=np.int8)
        for number, row in enumerate(team):
            for weekday in range(7):
                first = [
                    p.stage
                    for p in self.project.day_plan
                    if p.person == row.person and p.weekday == weekday and p.stage in row.stages
                ]
                stages = list(dict.fromkeys([*first, *row.stages]))
                lists[7 * number + weekday, : len(stages)] = stages
        return lists

    @cached_property
    def trained(self) -> Flags:
        """(L, 9) stages on each list."""
        return np.asarray((self.preferences[:, :, None] == np.arange(N_STAGES)).any(axis=1))

    @cached_property
    def list_of(self) -> Ints:
        """(P, D) the list in force, -1 outside every row of the team."""
        weekdays = (np.arange(self.project.days) + self.settings.weekday_of_day_0) % 7
        row = self.rota.row
        return np.where(row >= 0, 7 * row + weekdays, -1).astype(np.int64)

    @cached_property
    def mould_work(self) -> Flags:
        """(P, D) assigned to mould work on that day."""
        assigned = [*(row.mould_work for row in self.project.team), False]
        return np.array(assigned, dtype=bool)[self.rota.row]

    @cached_property
    def capacity(self) -> Ints:
        """(5, D) places of each kind; the last day of a range is included (R15)."""
        project = self.project
        numbers = [UNLIMITED if n is None else n for n in project.places.numbers()]
        capacity = np.repeat(np.array(numbers, dtype=np.int64)[:, None], project.days, axis=1)
        for change in project.place_changes:
            first = max(0, project.day_number(change.first_day))
            capacity[change.place, first : max(0, project.day_number(change.last_day) + 1)] = (
                change.number
            )
        assert capacity.shape == (N_PLACES, project.days)
        return capacity

    @cached_property
    def week_of_day(self) -> Ints:
        """(D,) the week of each day."""
        days = np.arange(self.project.days, dtype=np.int64)
        return (days + self.settings.weekday_of_day_0) // 7

    @cached_property
    def month_factor(self) -> Floats:
        """(D,) of drying, by the month of each day."""
        start = np.datetime64(self.project.grant.start, "D")
        months = (start + np.arange(self.project.days)).astype("datetime64[M]").astype(np.int64)
        return np.array(self.project.drying.month_factor, dtype=float)[months % 12]

    # --- tables

    @cached_property
    def doublings(self) -> Floats:
        """(I + N + 1,) log2(1 + n / N0) after n first passes (R16)."""
        most = len(self.order) + int(self.finished_before.max())
        return np.log2(1.0 + np.arange(most + 1) / self.project.time.practice_starts_at)


# Of a project, what neither items nor the record know of.
_NOTHING: dict[str, Any] = {
    "title": "",
    "reference": "",
    "organisation": "",
    "team": (),
    "exposure": ExposureLimits(),
    "breathing": BreathingProtection(),
    "sessions": Sessions(),
    "closures": (),
    "place_changes": (),
    "day_plan": (),
    "pilot": (),
    "supplies": (),
    "budget": (),
    "spend": (),
    "promises": (),
    "record_url_from": "",
    "defaults_used": (),
    "warnings": (),
    "input_sha256": "",
}


def _digest(*parts: Any) -> bytes:
    """A checksum of arrays, and of plain values by how they are written out."""
    found = blake2b(digest_size=16)
    for part in parts:
        if isinstance(part, np.ndarray):
            found.update(f"{part.dtype}{part.shape}".encode())
            found.update(np.ascontiguousarray(part).tobytes())
        else:
            found.update(repr(part).encode())
        found.update(b"\0")
    return found.digest()


def plan(
    project: Project,
    first_day: int = 0,
    knowledge: Knowledge | None = None,
    known_from: int | None = None,
) -> Plan:
    """Work out what no luck touches.

    Args:
        project: what to plan.
        first_day: the first simulated day's number.
        knowledge: what returns on record say of the project.
        known_from: number of the first day after the as-of date; None: the first simulated day.

    Raises:
        InputError: the country, or the part of it, is not known; or the survey names more items
            than there are.
    """
    mixes, loose = condition_mix(project.collection, project.survey)
    cells = _cells(project, mixes)
    categories = [category for mix in mixes for category in mix.categories]
    bound = [
        row.bound
        for row, mix in zip(project.collection, mixes, strict=True)
        for _ in mix.categories
    ]
    work = _WorkRows(project)
    per_item = work.table(categories, per_image=False)
    per_image = work.table(categories, per_image=True)
    most = max(len(mix.alpha) for mix in mixes)
    nothing_yet = Plan(
        project=project,
        first_day=first_day,
        settings=_settings(project, first_day),
        cells=cells,
        loose=tuple(
            _loose(material, counts, cells) for material, counts in loose.items() if sum(counts)
        ),
        alpha=np.array([[*mix.alpha, *[0.0] * (most - len(mix.alpha))] for mix in mixes]),
        mould=np.array([c.mould for c in categories], dtype=np.int8),
        red_rot=np.array([c.red_rot for c in categories], dtype=bool),
        bound=np.array(bound, dtype=bool),
        possible=_possible(project, categories, bound),
        per_item=per_item,
        per_image=per_image,
        estimates=work.estimates(),
        holidays=_holidays(project),
        absence_days=_full_time_days(project),
        exposure_before=np.zeros((len(project.persons), 6), dtype=np.int64),
        finished_before=np.zeros(N_STAGES, dtype=np.int64),
        knowledge=knowledge,
        known_from=known_from,
    )
    beginning = None if knowledge is None else knowledge.beginning
    if beginning is None:
        return nothing_yet
    return replace(
        nothing_yet,
        exposure_before=beginning.exposure_before(nothing_yet),
        finished_before=beginning.finished_before,
    )


def _settings(project: Project, first_day: int) -> Settings:
    """The project's numbers in whole seconds."""
    sessions, exposure = project.sessions, project.exposure
    return Settings(
        start=first_day * SECONDS_PER_DAY,
        allowance=seconds_from_hours(exposure.hours_per_day),
        days_limit=exposure.days_per_week,
        calendar_week=exposure.week == "calendar",
        weekday_of_day_0=project.grant.start.weekday(),
        wear=seconds_from_minutes(project.breathing.wear_minutes),
        rest=seconds_from_minutes(project.breathing.rest_minutes),
        clothing=seconds_from_minutes(sessions.protective_clothing),
        clear_bench=seconds_from_minutes(sessions.clear_bench),
        clear_camera=seconds_from_minutes(sessions.clear_camera),
        shortest=max(1, seconds_from_minutes(sessions.shortest)),
        minimum_days=project.quarantine_days,
        attention=max(1, seconds_from_minutes(project.drying.attention_minutes)),
        tool_drying=seconds_from_hours(project.places.tool_drying_hours),
        receiving_is_mouldy=project.survey_has_mould,
    )


def _cells(project: Project, mixes: Sequence[ConditionMix]) -> tuple[Cell, ...]:
    """The rows of the collection, numbered through."""
    # By what the survey says, not by how many series there are: one more shifts no draw.
    told = {(seen.series, seen.category.material) for seen in project.survey if seen.items}
    cells = []
    first_item = first_category = 0
    for row, mix in zip(project.collection, mixes, strict=True):
        in_order = _in_order(mix.seen)
        alone = (row.series, row.material) in told
        cells.append(
            Cell(
                series=row.series,
                material=row.material,
                first_item=first_item,
                items=row.items,
                first_category=first_category,
                seen=in_order[_standing(mix.seen)] if mix.complete else in_order,
                complete=mix.complete,
                mix_name=(row.series, row.material) if alone else (row.material,),
            )
        )
        first_item += row.items
        first_category += len(mix.categories)
    return tuple(cells)


def _standing(counts: Sequence[int]) -> Ints:
    """Which of some kinds' members stands n-th when each kind is spread evenly (R4).

    The k-th of m of a kind stands at (k - 1/2)/m; ties go by the order of the kinds.

    Args:
        counts: members of each kind.

    Returns:
        (n,) numbers of the members, counted through kind after kind.
    """
    assert max(counts, default=0) <= _MOST_ITEMS
    # A quotient of whole numbers is rounded correctly: equal places are equal floats, and others
    # differ by 1 / (m n) at least, which is more than a rounding error.
    places = [np.arange(1, 2 * n, 2) / n for n in counts if n]
    return np.argsort(np.concatenate([np.zeros(0), *places]), kind="stable")


def _in_order(counts: Sequence[int]) -> NDArray[np.int8]:
    """The categories of looked-at items, category after category."""
    return np.repeat(np.arange(len(counts), dtype=np.int8), counts)


def _loose(material: str, counts: Sequence[int], cells: Sequence[Cell]) -> Loose:
    """Looked-at items of no told series: in series that told none, else in all."""
    of_material = [n for n, cell in enumerate(cells) if cell.material == material]
    among = [n for n in of_material if not len(cells[n].seen)]
    if sum(cells[n].items for n in among) < sum(counts):
        among = of_material
    return Loose(_in_order(counts), tuple(among))


def _possible(project: Project, categories: Sequence[Category], bound: Sequence[bool]) -> Flags:
    """Which stages may apply to which category (R11)."""
    mould = np.array([category.mould for category in categories])
    affected = np.array([category.affected for category in categories], dtype=bool)
    possible = np.ones((len(categories), N_STAGES), dtype=bool)
    possible[:, Stage.QUARANTINE] = mould != Mould.NONE
    possible[:, Stage.DRYING] = mould == Mould.ACTIVE
    possible[:, Stage.COVERS] = affected & np.array(bound, dtype=bool)
    possible[:, list(project.stages_off)] = False
    return possible


class _WorkRows:
    """Looks up rows of task_times.csv, and gathers all that nobody knows."""

    def __init__(self, project: Project) -> None:
        self.project = project
        self.number: dict[tuple[str, ...], int] = {}
        self.all: list[Estimate] = []
        self.found: dict[tuple[Category, bool], tuple[list[int], list[float]]] = {}
        self.add(Estimate.known(0.0))  # without a name: where there is no work
        for row in project.collection:
            images = Estimate(row.images_low, row.images_per_item, row.images_high)
            self.add(images, "collection.csv", row.series, row.material)
        outcomes, time = project.outcomes, project.time
        self.add(outcomes.set_aside, "outcomes.set_aside")
        self.add(outcomes.not_imaged, "outcomes.not_imaged")
        self.add(project.checking.reject_share, "checking.reject_share")
        self.add(project.drying.still_damp, "drying.still_damp")
        self.add(time.delivered_share, "time.delivered_share")
        self.add(time.absence_days_a_year, "time.absence_days_a_year")
        self.add(time.practice, "time.practice")
        self.add(time.week_spread, "time.week_spread")

    def add(self, estimate: Estimate, *name: str) -> int:
        """The number of an estimate; a name that is known already keeps its first."""
        if name not in self.number:
            self.number[name] = len(self.all)
            self.all.append(estimate)
        return self.number[name]

    def table(self, categories: Sequence[Category], *, per_image: bool) -> WorkTable:
        """Rows by category and stage; series share the categories of a material."""
        rows = [self._of(category, per_image) for category in categories]
        return WorkTable(
            np.array([numbers for numbers, _ in rows], dtype=np.int64),
            np.array([sigmas for _, sigmas in rows], dtype=float),
        )

    def _of(self, category: Category, per_image: bool) -> tuple[list[int], list[float]]:
        if (category, per_image) not in self.found:
            rows = [self._applying(stage, category, per_image) for stage in Stage]
            self.found[category, per_image] = (
                [self._number(row) for row in rows],
                [0.0 if row is None else lognormal_sigma(row.scatter) for row in rows],
            )
        return self.found[category, per_image]

    def _applying(self, stage: Stage, category: Category, per_image: bool) -> TaskTime | None:
        """The row for a category, or None where the stage has no work for it."""
        row = self.project.task_time(stage, category, per_image)
        return None if row is None or row.average.is_zero else row

    def _number(self, row: TaskTime | None) -> int:
        return 0 if row is None else self.add(row.average, "task_times.csv", row.name)

    def estimates(self) -> Estimates:
        """All that was added."""
        quantiles = Quantiles.of(self.all)
        names = list(self.number)
        return Estimates(quantiles, tuple(names[n] for n in quantiles.uncertain), self.number)


def _holidays(project: Project) -> frozenset[date]:
    """Days on which nobody is rostered."""
    if not project.observe_public_holidays:
        return frozenset()
    return working_time.public_holidays(
        project.country, project.subdivision, project.grant.start, project.grant.horizon
    )


def _full_time_days(project: Project) -> float:
    """A full-time person's working days a year, from the project's own public holidays."""
    years = range(project.grant.start.year, project.grant.end.year + 1)
    if not project.observe_public_holidays:
        return 261.0
    return working_time.working_days_a_year(project.country, project.subdivision, years)
