"""Luck by name: everything random about one future, drawn as arrays before it runs.

Two kinds of uncertainty are kept apart. *What nobody knows* (the mix of conditions, averages,
practice, delivered share, shares) is drawn once a replication, from the current belief. *What
varies anyway* (each item's minutes, drying rounds, checks; absences; good and bad weeks) is drawn
for each item, person and date, or stage and week.

Every stream of numbers is keyed by the hash of its name, never by its position or by the order of
events: two plans meet the same items, illnesses and rejects, more of a resource changes no item's
own luck, and another person, series or row shifts nobody else's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from forecast import working_time
from forecast.condition import ConditionMix, condition_mix
from forecast.estimates import Estimate, lognormal_sigma
from forecast.items import Category, Mould
from forecast.project import Project, TaskTime
from forecast.rules import NO_STAGE
from forecast.stages import HANDLED_STAGES, N_PLACES, N_STAGES, PRACTISED_STAGES, Stage
from forecast.units import SECONDS_PER_DAY, seconds_from_hours, seconds_from_minutes

__all__ = ["UNLIMITED", "Plan", "Replication", "Settings", "plan", "replication", "stream"]

UNLIMITED = 2**31  # the number of a place that is no limit

_MOST_ROUNDS = 32  # of scatter drawn for one item; a later round repeats the last
_MOST_REJECTIONS = 10**6  # a share of 1 rejects for ever

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@lru_cache(maxsize=65_536)
def _key(names: tuple[str, ...]) -> tuple[int, ...]:
    """Four words below 2**32 that a name hashes to."""
    digest = blake2b("\0".join(names).encode(), digest_size=16).digest()
    return tuple(int.from_bytes(digest[at : at + 4], "little") for at in range(0, 16, 4))


def stream(seed: int, index: int, *names: str) -> np.random.Generator:
    """The random numbers of one name in one replication.

    NumPy's SeedSequence with an explicit spawn key (O'Neill's seeding), so that streams are
    independent and none depends on which others were asked for.
    """
    sequence = np.random.SeedSequence(seed, spawn_key=(index, *_key(names)))
    return np.random.Generator(np.random.PCG64(sequence))


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
class Replication:
    """One future's luck and tables: all that an engine reads.

    Axes: I items in the order of work, P persons in the order of team.csv, D days from the grant's
    start to the horizon, W calendar weeks (week 0 holds day 0), L lists of preference.

    Attributes:
        settings: numbers that no luck touches.
        arrival: (I,) seconds at which the item comes from the store.
        mould, red_rot, bound, images: (I,) as received.
        applies: (I, 9) whether the stage applies to the item.
        base_seconds: (I, 9) average x own scatter, before practice and week.
        again_seconds: (I,) the same for imaging a rejected item again.
        again_images: (I,) images that are made again each time.
        rejections: (I,) how many checks in a row reject the item.
        rounds: (I,) drying rounds until it is dry.
        round_days: (I, K) days of its k-th round before the month's factor; the last repeats.
        set_aside, not_imaged: (I,) items that end otherwise; ``applies`` already leaves out what a
            not-imaged item skips.
        practice: (9, I + N + 1) factor after that many first passes of the team at the stage.
        finished_before: (9,) first passes on record at the start.
        week_factor: (9, W); week_of_day: (D,); month_factor: (D,).
        shift_begin, shift_end: (P, D) seconds since the grant's start; equal: no shift.
        mould_work: (P, D) assigned to mould work on that day.
        list_of: (P, D) index of the list of preference in force, -1 outside every row.
        preferences: (L, 9) stages by preference, filled up with -1; trained: (L, 9).
        capacity: (5, D) places of each kind; UNLIMITED is no limit.
        exposure_before: (P, 6) seconds of exposure on the six days before the start.
        delivered_share: (D,) share of rostered hours that reaches the stages.
    """

    settings: Settings
    arrival: Ints
    mould: NDArray[np.int8]
    red_rot: Flags
    bound: Flags
    images: Ints
    applies: Flags
    base_seconds: Floats
    again_seconds: Floats
    again_images: Ints
    rejections: Ints
    rounds: Ints
    round_days: Floats
    set_aside: Flags
    not_imaged: Flags
    practice: Floats
    finished_before: Ints
    week_factor: Floats
    week_of_day: Ints
    month_factor: Floats
    shift_begin: Ints
    shift_end: Ints
    mould_work: Flags
    list_of: Ints
    preferences: NDArray[np.int8]
    trained: Flags
    capacity: Ints
    exposure_before: Ints
    delivered_share: Floats


@dataclass(frozen=True)
class _Cell:
    """One row of the collection, with what never changes from one replication to the next."""

    series: str
    material: str
    items: int
    bound: bool
    images: Estimate
    mix: ConditionMix
    fixed: Ints | None  # category of each item where all were looked at
    first_category: int  # the cell's first category in Plan.categories
    mix_name: tuple[str, ...]  # cells that share evidence share the draw


@dataclass(frozen=True)
class Plan:
    """What all replications of a project share, worked out once."""

    project: Project
    first_day: int
    settings: Settings
    cells: tuple[_Cell, ...]
    loose: dict[str, tuple[int, ...]]
    categories: tuple[Category, ...]
    minutes: tuple[tuple[tuple[TaskTime | None, TaskTime | None], ...], ...]
    order: Ints  # (I,) position in cell-major order of the item that is n-th in the order of work
    arrival: Ints
    rota: working_time.Rota
    absence_days: float
    list_of: Ints
    mould_work: Flags
    preferences: NDArray[np.int8]
    trained: Flags
    capacity: Ints
    week_of_day: Ints
    month_factor: Floats
    exposure_before: Ints
    finished_before: Ints

    @property
    def series_of_item(self) -> tuple[str, ...]:
        """The series of each item in the order of work."""
        names = [cell.series for cell in self.cells for _ in range(cell.items)]
        return tuple(names[at] for at in self.order)


def plan(project: Project, first_day: int = 0) -> Plan:
    """Work out what no luck touches. ``first_day`` is the first simulated day's number."""
    mixes, loose = condition_mix(project.collection, project.survey)
    categories: list[Category] = []
    cells = []
    for row, mix in zip(project.collection, mixes, strict=True):
        # By what the survey says, not by how many series there are: one more shifts no draw.
        shared = not any(
            seen.items and seen.series == row.series and seen.category.material == row.material
            for seen in project.survey
        )
        cells.append(
            _Cell(
                series=row.series,
                material=row.material,
                items=row.items,
                bound=row.bound,
                images=Estimate(row.images_low, row.images_per_item, row.images_high),
                mix=mix,
                fixed=_evenly_mixed(mix.seen) if mix.complete else None,
                first_category=len(categories),
                mix_name=(row.material,) if shared else (row.series, row.material),
            )
        )
        categories.extend(mix.categories)
    order = _order_of_work(project)
    holidays = (
        working_time.public_holidays(
            project.country, project.subdivision, project.grant.start, project.grant.horizon
        )
        if project.observe_public_holidays
        else frozenset()
    )
    rota = working_time.rota(
        project.team, project.closures, holidays, project.grant.start, project.days
    )
    lists, list_of, mould_work = _preferences(project, rota)
    weekday = project.grant.start.weekday()
    days = np.arange(project.days)
    months = np.array([project.date_of(int(day)).month for day in days])
    return Plan(
        project=project,
        first_day=first_day,
        settings=_settings(project, first_day),
        cells=tuple(cells),
        loose=loose,
        categories=tuple(categories),
        minutes=tuple(
            tuple((_applying(project, s, c, False), _applying(project, s, c, True)) for s in Stage)
            for c in categories
        ),
        order=order,
        arrival=np.maximum(_delivery_day(project, order), first_day) * SECONDS_PER_DAY,
        rota=rota,
        absence_days=_full_time_days(project),
        list_of=list_of,
        mould_work=mould_work,
        preferences=lists,
        trained=np.array([[s in row for s in range(N_STAGES)] for row in lists], dtype=bool),
        capacity=_capacity(project),
        week_of_day=((days + weekday) // 7).astype(np.int64),
        month_factor=np.array(project.drying.month_factor, dtype=float)[months - 1],
        exposure_before=np.zeros((len(project.persons), 6), dtype=np.int64),
        finished_before=np.zeros(N_STAGES, dtype=np.int64),
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


def _applying(
    project: Project, stage: Stage, category: Category, per_image: bool
) -> TaskTime | None:
    """The row of task_times.csv for a category, or None where the stage has no work for it."""
    row = project.task_time(stage, category, per_image)
    return None if row is None or row.average.is_zero else row


def _evenly_mixed(counts: Sequence[int]) -> Ints:
    """Which kind stands n-th when each kind is spread evenly (R4).

    The k-th of m of a kind stands at (k - 1/2)/m; ties go by the order of the kinds.
    """
    # Compared as whole numbers over a common denominator: (2k - 1)/m floats tie by accident.
    common = math.lcm(*(n for n in counts if n)) if any(counts) else 1
    places = [
        ((2 * k - 1) * (common // n), kind)
        for kind, n in enumerate(counts)
        for k in range(1, n + 1)
    ]
    return np.array([kind for _, kind in sorted(places)], dtype=np.int64)


def _order_of_work(project: Project) -> Ints:
    """For the n-th item in the order of work its place in cell-major order (R4)."""
    first = np.concatenate([[0], np.cumsum([row.items for row in project.collection])])
    order: list[int] = []
    for series in dict.fromkeys(row.series for row in project.collection):
        rows = [n for n, row in enumerate(project.collection) if row.series == series]
        kinds = _evenly_mixed([project.collection[n].items for n in rows])
        taken = dict.fromkeys(rows, 0)
        for kind in kinds:
            row_number = rows[int(kind)]
            order.append(int(first[row_number]) + taken[row_number])
            taken[row_number] += 1
    return np.array(order, dtype=np.int64)


def _delivery_day(project: Project, order: Ints) -> Ints:
    """The day number on which each item comes from the store: without a list, the first."""
    days = np.zeros(len(order), dtype=np.int64)
    if not project.deliveries:
        return days
    in_series = [row.series for row in project.collection for _ in range(row.items)]
    coming = {
        series: [
            project.day_number(delivery.day)
            for delivery in sorted(project.deliveries, key=lambda d: d.day)
            if delivery.series == series
            for _ in range(delivery.items)
        ]
        for series in dict.fromkeys(in_series)
    }
    taken = dict.fromkeys(coming, 0)
    for n, at in enumerate(order):
        series = in_series[int(at)]
        days[n] = coming[series][taken[series]]
        taken[series] += 1
    return days


def _full_time_days(project: Project) -> float:
    """A full-time person's working days a year, from the project's own public holidays."""
    years = range(project.grant.start.year, project.grant.end.year + 1)
    if not project.observe_public_holidays:
        return 261.0
    return working_time.working_days_a_year(project.country, project.subdivision, years)


def _preferences(project: Project, rota: working_time.Rota) -> tuple[NDArray[np.int8], Ints, Flags]:
    """Lists of preference by team row and weekday, and which is in force for whom and when."""
    lists = np.full((max(1, 7 * len(project.team)), N_STAGES), NO_STAGE, dtype=np.int8)
    for number, row in enumerate(project.team):
        for weekday in range(7):
            first = [
                p.stage
                for p in project.day_plan
                if p.person == row.person and p.weekday == weekday and p.stage in row.stages
            ]
            stages = list(dict.fromkeys([*first, *row.stages]))
            lists[7 * number + weekday, : len(stages)] = stages
    weekdays = (np.arange(project.days) + project.grant.start.weekday()) % 7
    list_of = np.where(rota.row >= 0, 7 * rota.row + weekdays, -1).astype(np.int64)
    does_mould = np.array([row.mould_work for row in project.team] + [False], dtype=bool)
    return lists, list_of, does_mould[rota.row]


def _capacity(project: Project) -> Ints:
    """Places of each kind on each day; the last day of a range is included (R15)."""
    numbers = [UNLIMITED if n is None else n for n in project.places.numbers()]
    capacity = np.repeat(np.array(numbers, dtype=np.int64)[:, None], project.days, axis=1)
    for change in project.place_changes:
        first = max(0, project.day_number(change.first_day))
        capacity[change.place, first : max(0, project.day_number(change.last_day) + 1)] = (
            change.number
        )
    assert capacity.shape == (N_PLACES, project.days)
    return capacity


class _Draws:
    """One replication's draws, by name."""

    def __init__(self, plan: Plan, seed: int, index: int) -> None:
        self.plan, self.seed, self.index = plan, seed, index

    def stream(self, *names: str) -> np.random.Generator:
        return stream(self.seed, self.index, *names)

    def estimate(self, estimate: Estimate, *names: str) -> float:
        """One draw of something nobody knows: a row's uniform hangs on the row's name."""
        if estimate.is_known:
            return estimate.low
        return estimate.quantile(float(self.stream("estimate", *names).random()))

    def by_item(self, draw: Callable[[np.random.Generator, int], Floats], *names: str) -> Floats:
        """Numbers for every item, in cell-major order, from a stream for each cell."""
        return np.concatenate(
            [
                draw(self.stream(*names, cell.series, cell.material), cell.items)
                for cell in self.plan.cells
            ]
        )

    def uniforms(self, *names: str) -> Floats:
        return self.by_item(lambda generator, items: generator.random(items), *names)

    def normals(self, *names: str) -> Floats:
        return self.by_item(lambda generator, items: generator.standard_normal(items), *names)


def _conditions(draws: _Draws) -> Ints:
    """Each item's category as a number in Plan.categories, in cell-major order.

    Looked-at items are known: in a cell they are those whose own number is smallest. The rest get
    their category from the cell's shares by their own luck.
    """
    cells = draws.plan.cells
    positions = [draws.stream("looked-at", c.series, c.material).random(c.items) for c in cells]
    known = [np.full(cell.items, -1, dtype=np.int64) for cell in cells]
    for cell, position, category in zip(cells, positions, known, strict=True):
        if cell.fixed is not None:
            category[:] = cell.fixed
        else:
            _fill(category, position, cell.mix.seen)
    for material, counts in draws.plan.loose.items():
        if sum(counts):
            _place_loose(draws.plan, material, counts, positions, known)
    for cell, category in zip(cells, known, strict=True):
        unknown = category < 0
        if unknown.any():
            alpha = np.array(cell.mix.alpha)
            gammas = gammaincinv(alpha, draws.stream("mix", *cell.mix_name).random(len(alpha)))
            shares = np.cumsum(gammas) / np.sum(gammas)
            luck = draws.stream("condition", cell.series, cell.material).random(cell.items)
            found = np.minimum(np.searchsorted(shares, luck, side="right"), len(alpha) - 1)
            category[unknown] = found[unknown]
    return np.concatenate([k + c.first_category for k, c in zip(known, cells, strict=True)])


def _fill(category: Ints, position: Floats, counts: Sequence[int]) -> None:
    """Give the items with the smallest positions the looked-at categories."""
    seen = np.repeat(np.arange(len(counts)), counts)
    category[np.argsort(position, kind="stable")[: len(seen)]] = seen


def _place_loose(
    plan: Plan,
    material: str,
    counts: Sequence[int],
    positions: Sequence[Floats],
    known: Sequence[Ints],
) -> None:
    """Spread looked-at items of no told series over series that told none (else over all)."""
    of_material = [n for n, cell in enumerate(plan.cells) if cell.material == material]
    untold = [n for n in of_material if plan.cells[n].mix.looked_at == 0]
    if sum(plan.cells[n].items for n in untold) < sum(counts):
        untold = of_material
    free = [
        (positions[n][j], n, j) for n in untold for j in range(len(known[n])) if known[n][j] < 0
    ]
    seen = np.repeat(np.arange(len(counts)), counts)
    for (_, n, j), category in zip(sorted(free), seen, strict=False):
        known[n][j] = category


def _images(draws: _Draws) -> Ints:
    """Images of each item: whole numbers that add up to the average."""
    parts = []
    for cell in draws.plan.cells:
        average = draws.estimate(cell.images, "collection.csv", cell.series, cell.material)
        sums = np.floor(np.arange(cell.items + 1) * average + 0.5).astype(np.int64)
        parts.append(np.diff(sums))
    return np.concatenate(parts)


def _times_in_a_row(luck: Floats, share: float, most: int) -> Ints:
    """How often something with this share happens in a row: the number of k with u < share^k."""
    if share <= 0.0:
        return np.zeros(len(luck), dtype=np.int64)
    if share >= 1.0:
        return np.full(len(luck), most, dtype=np.int64)
    with np.errstate(divide="ignore"):
        times = np.ceil(np.log(luck) / math.log(share)) - 1.0
    return np.clip(times, 0, most).astype(np.int64)


def _scattered(average: Floats, sigma: Floats, z: Floats) -> Floats:
    """An average with lognormal scatter of mean 1."""
    return np.asarray(average * np.exp(sigma * z - sigma * sigma / 2.0))


@dataclass(frozen=True)
class _Averages:
    """Drawn averages by category: minutes (days at drying) an item and an image, and sigmas."""

    item: Floats  # (C, 9)
    image: Floats
    item_sigma: Floats
    image_sigma: Floats


def _averages(draws: _Draws) -> _Averages:
    """One draw a row of task_times.csv, laid out by category and stage."""
    drawn: dict[str, float] = {}
    shape = (len(draws.plan.categories), N_STAGES)
    tables = _Averages(np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape))
    for c, by_stage in enumerate(draws.plan.minutes):
        for s, rows in enumerate(by_stage):
            for row, average, sigma in zip(
                rows,
                (tables.item, tables.image),
                (tables.item_sigma, tables.image_sigma),
                strict=True,
            ):
                if row is None:
                    continue
                if row.name not in drawn:
                    drawn[row.name] = draws.estimate(row.average, "task_times.csv", row.name)
                average[c, s] = drawn[row.name]
                sigma[c, s] = lognormal_sigma(row.scatter)
    return tables


def _by_date(draws: _Draws, first: date, days: int, *names: str) -> list[Floats]:
    """Two uniforms for every date, from a stream for each calendar year.

    So a date's luck hangs on the date, not on how far it is from the grant's start.
    """
    parts: list[Floats] = []
    day, left = first, days
    while left > 0:
        start = day.timetuple().tm_yday - 1
        length = min(left, (date(day.year, 12, 31) - day).days + 1)
        parts.append(draws.stream(*names, str(day.year)).random((366, 2))[start : start + length])
        day, left = day + timedelta(days=length), left - length
    both = np.concatenate(parts)
    return [both[:, 0], both[:, 1]]


def _shifts(draws: _Draws, share: Floats) -> tuple[Ints, Ints]:
    """Shifts after absence and the delivered share."""
    project, rota = draws.plan.project, draws.plan.rota
    time = project.time
    yearly = draws.estimate(time.absence_days_a_year, "time.absence_days_a_year")
    chance = working_time.absence_probability(
        yearly, time.absence_spell_days, draws.plan.absence_days
    )
    absent = np.zeros(rota.hours.shape, dtype=bool)
    if chance > 0.0:
        for p, person in enumerate(project.persons):
            begins, length = _by_date(draws, project.grant.start, project.days, "absence", person)
            absent[p] = working_time.absences(
                rota.hours[p] > 0.0, begins, length, chance, time.absence_spell_days
            )
    return working_time.shifts(rota, absent, share)


def _week_factors(draws: _Draws) -> Floats:
    """Good and bad weeks at each stage: lognormal with mean 1, keyed by stage and Monday."""
    plan, project = draws.plan, draws.plan.project
    sigma = draws.estimate(project.time.week_spread, "time.week_spread")
    weeks = int(plan.week_of_day[-1]) + 1
    factors = np.ones((N_STAGES, weeks))
    if sigma == 0.0:
        return factors
    monday = project.grant.start - timedelta(days=project.grant.start.weekday())
    calendar = [(monday + timedelta(weeks=w)).isocalendar() for w in range(weeks)]
    years = sorted({week.year for week in calendar})
    for stage in PRACTISED_STAGES:
        by_year = {
            year: draws.stream("week", stage.name, str(year)).standard_normal(54) for year in years
        }
        z = np.array([by_year[week.year][week.week] for week in calendar])
        factors[stage] = np.exp(sigma * z - sigma * sigma / 2.0)
    return factors


def _practice(draws: _Draws, most: int) -> Floats:
    """The factor (1 + N/N0)^-b after N first passes; b from the minutes' factor a doubling."""
    time = draws.plan.project.time
    doubling = max(1e-6, draws.estimate(time.practice, "time.practice"))
    exponent = -math.log2(doubling)
    factor = (1.0 + np.arange(most + 1) / time.practice_starts_at) ** -exponent
    table = np.ones((N_STAGES, most + 1))
    table[list(PRACTISED_STAGES)] = factor
    return table


def replication(plan: Plan, seed: int, index: int) -> Replication:
    """Draw one future.

    Args:
        plan: what all futures of the project share.
        seed: the forecast's seed, 0 or more.
        index: the replication's number; the same number meets the same luck under every plan.
    """
    draws = _Draws(plan, seed, index)
    project, order = plan.project, plan.order
    category = _conditions(draws)
    images = _images(draws)
    averages = _averages(draws)
    mould = np.array([c.mould for c in plan.categories], dtype=np.int8)[category]
    red_rot = np.array([c.red_rot for c in plan.categories], dtype=bool)[category]
    bound = np.repeat([cell.bound for cell in plan.cells], [cell.items for cell in plan.cells])
    outcomes = project.outcomes
    set_aside = draws.uniforms("set-aside") < draws.estimate(
        outcomes.set_aside, "outcomes.set_aside"
    )
    not_imaged = ~set_aside & (
        draws.uniforms("not-imaged") < draws.estimate(outcomes.not_imaged, "outcomes.not_imaged")
    )
    checked = draws.uniforms("checked") < project.checking.share_checked
    rejections = _times_in_a_row(
        draws.uniforms("rejected"),
        draws.estimate(project.checking.reject_share, "checking.reject_share"),
        _MOST_REJECTIONS,
    )
    rounds = 1 + _times_in_a_row(
        draws.uniforms("still-damp"),
        draws.estimate(project.drying.still_damp, "drying.still_damp"),
        project.days,
    )
    again_images = np.ceil(project.checking.reimaged_share * images - 1e-9).astype(np.int64)

    with_images = (averages.image > 0.0)[category] & (images > 0)[:, None]
    work = (averages.item > 0.0)[category] | with_images
    applies = _applies(plan, work, mould, red_rot, bound)
    applies[:, Stage.IMAGING] &= ~not_imaged
    applies[:, Stage.CHECKING] &= ~not_imaged & checked
    rejections[~applies[:, Stage.IMAGING]] = 0  # nothing that could be made again

    base = np.zeros((len(category), N_STAGES))
    again = np.zeros(len(category))
    for stage in PRACTISED_STAGES:
        z = draws.normals("scatter", stage.name)
        item = _scattered(averages.item[category, stage], averages.item_sigma[category, stage], z)
        image = _scattered(
            averages.image[category, stage], averages.image_sigma[category, stage], z
        )
        base[:, stage] = 60.0 * (item + images * image)
        if stage is Stage.IMAGING:
            again = 60.0 * (item + again_images * image)

    share = np.full(
        project.days, draws.estimate(project.time.delivered_share, "time.delivered_share")
    )
    shift_begin, shift_end = _shifts(draws, share)
    total = len(order)
    return Replication(
        settings=plan.settings,
        arrival=plan.arrival,
        mould=mould[order],
        red_rot=red_rot[order],
        bound=bound[order],
        images=images[order],
        applies=applies[order],
        base_seconds=base[order],
        again_seconds=again[order],
        again_images=again_images[order],
        rejections=rejections[order],
        rounds=rounds[order],
        round_days=_round_days(draws, averages, category, rounds, applies)[order],
        set_aside=set_aside[order],
        not_imaged=not_imaged[order],
        practice=_practice(draws, total + int(plan.finished_before.max())),
        finished_before=plan.finished_before,
        week_factor=_week_factors(draws),
        week_of_day=plan.week_of_day,
        month_factor=plan.month_factor,
        shift_begin=shift_begin,
        shift_end=shift_end,
        mould_work=plan.mould_work,
        list_of=plan.list_of,
        preferences=plan.preferences,
        trained=plan.trained,
        capacity=plan.capacity,
        exposure_before=plan.exposure_before,
        delivered_share=share,
    )


def _applies(
    plan: Plan, work: Flags, mould: NDArray[np.int8], red_rot: Flags, bound: Flags
) -> Flags:
    """Which stages apply to which item (R11), before anything ends otherwise."""
    applies = np.zeros_like(work)
    for stage in HANDLED_STAGES:
        applies[:, stage] = work[:, stage]
    applies[:, Stage.QUARANTINE] = mould != Mould.NONE
    applies[:, Stage.DRYING] &= mould == Mould.ACTIVE
    applies[:, Stage.COVERS] &= bound & ((mould != Mould.NONE) | red_rot)
    applies[:, list(plan.project.stages_off)] = False
    return applies


def _round_days(
    draws: _Draws, averages: _Averages, category: Ints, rounds: Ints, applies: Flags
) -> Floats:
    """Days of each round before the month's factor, (I, K) in cell-major order."""
    drying = applies[:, Stage.DRYING]
    most = min(_MOST_ROUNDS, int(rounds[drying].max(initial=1)))
    average = averages.item[category, Stage.DRYING]
    sigma = averages.item_sigma[category, Stage.DRYING]
    if not sigma[drying].any():
        return np.repeat(average[:, None], most, axis=1)
    return np.stack(
        [
            _scattered(average, sigma, draws.normals("drying", str(number)))
            for number in range(most)
        ],
        axis=1,
    )
