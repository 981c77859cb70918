"""A project: everything that its folder says, frozen and cross-checked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from forecast.condition import SurveyRow
from forecast.errors import Problem
from forecast.estimates import Estimate
from forecast.exposure import BreathingProtection, ExposureLimits
from forecast.items import Category, CollectionRow, Delivery, Mould
from forecast.people import Closure, DayPlan, TeamRow, persons
from forecast.stages import N_PLACES, STAGE_NAMES, Place, Stage

__all__ = [
    "BudgetLine",
    "Checking",
    "Drying",
    "Grant",
    "GrantChange",
    "Outcomes",
    "PartPromise",
    "PilotRow",
    "PlaceChange",
    "Places",
    "Project",
    "Sessions",
    "Spend",
    "Supply",
    "TaskTime",
    "WorkingTime",
]


@dataclass(frozen=True)
class GrantChange:
    """An end that was agreed anew on a date."""

    day: date
    end: date
    agreed_by: str = ""


@dataclass(frozen=True)
class Grant:
    """The promise and its dates. ``award`` is in the project's currency."""

    funder: str
    start: date
    end: date
    horizon: date
    items_promised: int
    award: float | None = None
    images_promised: int | None = None
    reports_due: tuple[date, ...] = ()
    changes: tuple[GrantChange, ...] = ()

    def end_known_on(self, day: date) -> date:
        """The grant's end as agreed on a day: a later change is not known yet."""
        agreed = [change for change in self.changes if change.day <= day]
        return max(agreed, key=lambda change: change.day).end if agreed else self.end


@dataclass(frozen=True)
class Places:
    """How many there are of each place; ``tool_sets`` None means that they are no limit."""

    quarantine_items: int
    drying_items: int
    cleaning_benches: int
    camera_stations: int
    tool_sets: int | None = None
    tool_drying_hours: float = 24.0

    def numbers(self) -> tuple[int | None, ...]:
        """The numbers in the order of :class:`~forecast.stages.Place`."""
        numbers = (
            self.quarantine_items,
            self.drying_items,
            self.cleaning_benches,
            self.camera_stations,
            self.tool_sets,
        )
        assert len(numbers) == N_PLACES
        return numbers


@dataclass(frozen=True)
class PlaceChange:
    """Another number of a place for a while, both days included."""

    place: Place
    number: int
    first_day: date
    last_day: date


@dataclass(frozen=True)
class Sessions:
    """What surrounds the handling in a session. Minutes."""

    protective_clothing: float = 10.0
    clear_bench: float = 25.0
    clear_camera: float = 20.0
    shortest: float = 20.0


@dataclass(frozen=True)
class Drying:
    """Rounds of drying. ``month_factor`` begins with January; 1.5 is half as long again."""

    attention_minutes: float = 15.0
    still_damp: Estimate = Estimate(0.02, 0.08, 0.20, at_most_one=True)
    start_within_days: int = 2
    month_factor: tuple[float, ...] = (1.0,) * 12


@dataclass(frozen=True)
class Checking:
    """Checking of images. Shares of items, and of an item's images that are made again."""

    share_checked: float = 0.10
    reject_share: Estimate = Estimate(0.01, 0.03, 0.08, at_most_one=True)
    reimaged_share: float = 0.25


@dataclass(frozen=True)
class Outcomes:
    """Items that end otherwise. ``counts_as_done`` says what the promise counts."""

    set_aside: Estimate = Estimate(0.0, 0.0, 0.0, at_most_one=True)
    not_imaged: Estimate = Estimate(0.0, 0.0, 0.0, at_most_one=True)
    counts_as_done: tuple[str, ...] = ("done",)


@dataclass(frozen=True)
class WorkingTime:
    """How much of the rostered time reaches the stages, and what practice and weeks do to pace."""

    delivered_share: Estimate = Estimate(0.60, 0.75, 0.85, at_most_one=True)
    absence_days_a_year: Estimate = Estimate(3.0, 6.0, 15.0)
    absence_spell_days: float = 2.5
    practice: Estimate = Estimate(0.88, 0.94, 1.0, at_most_one=True)
    practice_starts_at: float = 100.0
    week_spread: Estimate = Estimate(0.05, 0.12, 0.30)


@dataclass(frozen=True)
class TaskTime:
    """Average minutes (days at drying) of a team that starts; None matches anything."""

    stage: Stage
    material: str | None
    mould: Mould | None
    red_rot: bool | None
    per_image: bool
    average: Estimate
    scatter: float = 0.4
    source: str = ""

    @property
    def specificity(self) -> tuple[bool, bool, bool]:
        """The most specific row wins: material before mould before red rot."""
        return self.material is not None, self.mould is not None, self.red_rot is not None

    @property
    def name(self) -> str:
        """A name that stays the same when other rows come and go: its luck hangs on it."""
        mould = "any" if self.mould is None else self.mould.name.lower()
        red_rot = "any" if self.red_rot is None else ("yes" if self.red_rot else "no")
        per = "image" if self.per_image else "item"
        return f"{STAGE_NAMES[self.stage]}/{self.material or 'any'}/{mould}/{red_rot}/{per}"

    def matches(self, category: Category) -> bool:
        """Whether the row speaks of a category."""
        return (
            self.material in (None, category.material)
            and self.mould in (None, category.mould)
            and self.red_rot in (None, category.red_rot)
        )


@dataclass(frozen=True)
class PilotRow:
    """One timed item. Blank conditions are None."""

    stage: Stage
    material: str | None
    mould: Mould | None
    red_rot: bool | None
    minutes: float


@dataclass(frozen=True)
class Supply:
    """Something that is used up: ``amount`` (in ``unit``) per session, item, box or drying-item."""

    supply: str
    unit: str
    per: str
    stage: Stage | None
    amount: float
    in_stock: float
    pack: float
    lead_time_days: int
    unit_cost: float
    line: str = ""


@dataclass(frozen=True)
class BudgetLine:
    """One line of the award."""

    line: str
    amount: float


@dataclass(frozen=True)
class Spend:
    """Money spent or committed."""

    day: date
    line: str
    amount: float
    note: str = ""
    status: str = "spent"


@dataclass(frozen=True)
class PartPromise:
    """What was agreed in parts. ``material`` None: all of the series."""

    series: str
    material: str | None
    items: int
    images: int | None
    by: date


@dataclass(frozen=True)
class Project:
    """One whole project. Everything else is computed from it.

    ``defaults_used`` names every documented default that the folder relies on, as a dotted place
    (``drying.still_damp``) or ``file:column``; a forecast lists them under "assumed".
    ``warnings`` are doubts that do not stop a forecast.
    ``input_sha256`` is the checksum of the files that were read, for the reports.
    """

    title: str
    grant: Grant
    places: Places
    collection: tuple[CollectionRow, ...]
    survey: tuple[SurveyRow, ...]
    task_times: tuple[TaskTime, ...]
    team: tuple[TeamRow, ...]
    reference: str = ""
    organisation: str = ""
    currency: str = "GBP"
    country: str = "GB"
    subdivision: str | None = None
    observe_public_holidays: bool = True
    exposure: ExposureLimits = ExposureLimits()
    breathing: BreathingProtection = BreathingProtection()
    sessions: Sessions = Sessions()
    quarantine_days: int = 0
    drying: Drying = Drying()
    checking: Checking = Checking()
    outcomes: Outcomes = Outcomes()
    time: WorkingTime = WorkingTime()
    stages_off: frozenset[Stage] = frozenset()
    closures: tuple[Closure, ...] = ()
    place_changes: tuple[PlaceChange, ...] = ()
    day_plan: tuple[DayPlan, ...] = ()
    deliveries: tuple[Delivery, ...] = ()
    pilot: tuple[PilotRow, ...] = ()
    supplies: tuple[Supply, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    spend: tuple[Spend, ...] = ()
    promises: tuple[PartPromise, ...] = ()
    record_url_from: str = ""
    defaults_used: tuple[str, ...] = ()
    warnings: tuple[Problem, ...] = ()
    input_sha256: str = ""

    @cached_property
    def persons(self) -> tuple[str, ...]:
        """Each person once, in the order of team.csv."""
        return persons(self.team)

    @cached_property
    def total_items(self) -> int:
        """Items in the collection."""
        return sum(row.items for row in self.collection)

    @cached_property
    def survey_has_mould(self) -> bool:
        """Whether any looked-at item had mould: then all receiving is exposure."""
        return any(row.items and row.category.mould is not Mould.NONE for row in self.survey)

    @property
    def days(self) -> int:
        """Days from the grant's start to the horizon, both included."""
        return (self.grant.horizon - self.grant.start).days + 1

    def day_number(self, day: date) -> int:
        """Days since the grant's start (0 is the start)."""
        return (day - self.grant.start).days

    def date_of(self, day_number: int) -> date:
        """The date of a day number."""
        return self.grant.start + timedelta(days=int(day_number))

    def default_as_of(self) -> date:
        """Without a record: the day before the grant's start. Never today."""
        return self.grant.start - timedelta(days=1)

    def task_time(self, stage: Stage, category: Category, per_image: bool) -> TaskTime | None:
        """The most specific row for a stage and category, or None."""
        rows = [
            row
            for row in self.task_times
            if row.stage is stage and row.per_image == per_image and row.matches(category)
        ]
        return max(rows, key=lambda row: row.specificity, default=None)
