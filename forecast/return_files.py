"""Weekly returns as files: a workbook or a folder of CSV files to a WeeklyReturn, and back.

The rules of one reading, whichever kind of file it is:

- Blank is not told, and so is a row in which nothing stands but what was printed there beforehand;
  a sheet without told rows is not told.
- A written 0 is none. A row with 0 and nothing else beside the week says that there was none of it
  all week: the sheet is told, and has no rows.
- One return covers one week. The column ``week`` may be blank: then the week is the one that is
  given, or that other rows name, or that all dates of exposure and days lie in.
- Rows add up. So the same thing twice is refused.
- In CSV files, text that begins with = + - @ or # stands behind an apostrophe.
"""

from __future__ import annotations

import csv
import re
import shutil
import unicodedata
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from forecast.cells import (
    CellError,
    Findings,
    Limits,
    guard,
    nearest,
    parse_choice,
    parse_date,
    parse_flag,
    parse_number,
)
from forecast.condition import condition_mix
from forecast.errors import InputError, Problem
from forecast.items import MOULD_NAMES, Category, Mould
from forecast.project import Project
from forecast.sheets import Row, read_bytes, read_rows
from forecast.stages import HANDLED_STAGES, STAGE_NAMES, Stage
from forecast.weekly import (
    AWAY,
    ENDINGS,
    SHEETS,
    Count,
    DryingBatch,
    ExposureDay,
    Hours,
    Note,
    Received,
    WeeklyReturn,
    WorkedDay,
)
from forecast.workbooks import read_workbook

__all__ = ["GUIDE", "none_row", "possible_stages", "read_return", "week_problem", "write_return"]

T = TypeVar("T")

GUIDE = "guide"  # a sheet that explains the others

_REQUIRED: dict[str, tuple[str, ...]] = {
    "counts": ("stage", "items"),
    "hours": ("stage", "hours"),
    "exposure": ("date", "person", "hours"),
    "days": ("date", "person", "stage", "hours"),
    "drying": ("batch", "put_in", "items"),
    "received": ("items",),
    "notes": ("note",),
}
_COLUMNS = {
    name: (_REQUIRED[name], tuple(c for c in columns if c not in _REQUIRED[name]))
    for name, columns in SHEETS.items()
}

# Columns that are printed beforehand: where nothing else is filled in, the row says nothing.
_PRINTED: dict[str, tuple[str, ...]] = {
    "counts": ("week", "stage", "material"),
    "hours": ("week", "person", "stage"),
    "exposure": ("date", "person"),
    "days": ("date", "person"),
    "drying": (),
    "received": ("week",),
    "notes": ("week",),
}

# The column whose 0, with nothing else but the week in its row, says: none of it all week.
_NONE = {
    "counts": "items",
    "hours": "hours",
    "exposure": "hours",
    "days": "hours",
    "drying": "items",
    "received": "items",
    "notes": "note",
}

# What one row of a sheet speaks of.
_KEYS: dict[str, tuple[str, ...]] = {
    "counts": ("stage", "material", "mould", "red_rot", "outcome"),
    "hours": ("person", "stage"),
    "exposure": ("date", "person"),
    "days": ("date", "person", "stage"),
    "drying": ("batch",),
    "received": ("series", "box", "material", "mould", "red_rot"),
    "notes": ("stage", "note"),
}

_DAY_HOURS = Limits(0, 24)
_WEEK_HOURS = 168
_SLACK = 1e-6  # hours: sums of decimal fractions are not exact
_IMAGES = Limits(0, 10_000_000, whole=True)
_SESSIONS = Limits(0, 1_000, whole=True)
_MOST_ROWS = 2_000
_LONGEST_NAME, _LONGEST_NOTE = 60, 2_000  # characters
_QUARANTINE = "Nobody works at quarantine: items wait there on a shelf. Choose another stage."


# --- what is asked for --------------------------------------------------------------------------


def read_return(path: Path, project: Project, week: date | None = None) -> WeeklyReturn:
    """Read the return of one week.

    Args:
        path: a workbook (.xlsx) with sheets named as in :data:`forecast.weekly.SHEETS`, or a folder
            of CSV files of those names. Sheets may be missing.
        project: whose stages, materials, series and conditions may be told of. Persons are looked
            at for their form only: who was ever in the team is known to the record.
        week: the Monday; None: as the rows say.

    Returns:
        What was told, rows in the order of the file.

    Raises:
        InputError: something cannot be understood or contradicts something else. It holds every
            problem of every sheet in their order, each with its cell (``counts!D7``) or its row
            and column.
    """
    path, findings = Path(path), Findings()
    reader = _Reader(path.name or str(path), project, findings)
    found = reader.read(_sheets(path, findings), week)
    if found is None:
        raise InputError(sorted(dict.fromkeys(findings.problems), key=_order))
    return found


def write_return(told: WeeklyReturn, folder: Path) -> tuple[Path, ...]:
    """Write a return as CSV files that :func:`read_return` reads to an equal one.

    All files appear at once: they are written into a folder beside it, which is then renamed.

    Args:
        told: the return. A sheet that was told and has no rows gets a row that says none.
        folder: new or empty.

    Returns:
        The files, one for each sheet that was told; ``notes.csv`` also where only it can say
        which week it is.

    Raises:
        InputError: the folder holds something, or cannot be written to.
    """
    folder = Path(folder)
    part = folder.with_name(folder.name + ".part")
    tables = _tables(told)
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            remedy = "Choose the name of a new folder."
            problem = Problem(folder.name, "", "", "a new or empty folder", remedy)
            raise InputError([problem])
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        for name, rows in tables.items():
            _write_table(part / f"{name}.csv", SHEETS[name], rows)
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        remedy = "Choose another place, or make room or ask for the right to write there."
        expected = "a folder that can be written to"
        problem = Problem(folder.name, "", error.strerror or "", expected, remedy)
        raise InputError([problem]) from None
    return tuple(folder / f"{name}.csv" for name in tables)


def possible_stages(project: Project) -> dict[Category, frozenset[Stage]]:
    """The stages that items of each condition may pass, for every condition of the project.

    Drying is for growing mould, quarantine for any mould, covers for bound and dirty items (R11).
    A stage that is off is nobody's; one without minutes is still possible.
    """
    mixes, _ = condition_mix(project.collection, project.survey)
    bound = {row.material for row in project.collection if row.bound}
    categories = dict.fromkeys(category for mix in mixes for category in mix.categories)
    return {category: _stages_of(category, project, bound) for category in categories}


def week_problem(week: date, project: Project) -> Problem | None:
    """What is wrong with a week that is asked for, or None."""
    shown = week.isoformat()
    if week.weekday() != 0:
        remedy = f"Give the Monday of the week that is meant, such as {_monday(week).isoformat()}."
        return Problem("--week", "", shown, "a Monday", remedy)
    first, last = _monday(project.grant.start), project.grant.horizon
    if not first <= week <= last:
        remedy = "Correct the week, or the dates under [grant] in project.toml."
        return Problem("--week", "", shown, f"a week from {first} to {last}", remedy)
    return None


def _stages_of(category: Category, project: Project, bound: Collection[str]) -> frozenset[Stage]:
    needs = {
        Stage.QUARANTINE: category.mould is not Mould.NONE,
        Stage.DRYING: category.mould is Mould.ACTIVE,
        Stage.COVERS: category.affected and category.material in bound,
    }
    return frozenset(s for s in Stage if needs.get(s, True) and s not in project.stages_off)


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _order(problem: Problem) -> tuple[int, int]:
    """Problems stand by sheet and row: the file's own first, unknown sheets last."""
    sheet, mark, cell = problem.place.rpartition("!")
    sheet = sheet if mark else problem.file.removesuffix(".csv")
    row = re.search(r"\d+", cell)
    number = int(row.group()) if row else 0
    if sheet in SHEETS:
        return [*SHEETS].index(sheet) + 1, number
    return len(SHEETS) + 1 if mark or problem.file.endswith(".csv") else 0, number


# --- files --------------------------------------------------------------------------------------


def _sheets(path: Path, findings: Findings) -> dict[str, list[Row]]:
    """The rows of every sheet that is there."""
    wanted = "a workbook (.xlsx) or a folder of CSV files"
    name = path.name or str(path)
    try:
        if path.is_dir():
            return _csv_sheets(path, findings)
        if path.suffix.lower() == ".csv":
            findings.add(name, "", "one CSV file", wanted, "Give the folder that it lies in.")
        elif path.exists():
            return read_workbook(path, _COLUMNS, findings, ignored=(GUIDE,))
        else:
            remedy = "Check the path; `forecast sheet` makes an empty one."
            findings.add(name, "", "", wanted, remedy)
    except (OSError, ValueError) as error:
        findings.add(name, "", str(error), wanted, "Check the path, and the right to read it.")
    return {}


def _csv_sheets(folder: Path, findings: Findings) -> dict[str, list[Row]]:
    """The CSV files of a folder; other files may lie beside them."""
    names = sorted(p.name for p in folder.iterdir() if not p.name.startswith((".", "~$")))
    known = [f"{name}.csv" for name in SHEETS]
    for name in names:
        if name.lower().endswith(".csv") and name not in (*known, f"{GUIDE}.csv"):
            free = [each for each in known if each not in names]
            remedy = f"{nearest(name, free)} Rename the file, or move it out of the folder."
            findings.add(name, "", "", "one of the files of a return", remedy)
    sheets = {}
    for sheet, file in zip(SHEETS, known, strict=True):
        data = read_bytes(folder / file, findings) if file in names else None
        if data is not None:
            sheets[sheet] = read_rows(file, data, *_COLUMNS[sheet], findings, guarded=True)
    if not any(name in known for name in names):
        remedy = "Give the folder that holds counts.csv and the other files of the return."
        findings.add(folder.name or str(folder), "", "", f"one of {', '.join(known)}", remedy)
    return sheets


def none_row(sheet: str, week: date) -> dict[str, str]:
    """The row of a sheet that says that there was none of it all week."""
    own = {"week": week.isoformat(), _NONE[sheet]: "0"}
    return {column: own.get(column, "") for column in SHEETS[sheet]}


def _tables(told: WeeklyReturn) -> dict[str, list[dict[str, str]]]:
    """Rows of each sheet that was told, with a row for none, and the week somewhere."""
    week = told.week.isoformat()
    tables: dict[str, list[dict[str, str]]] = {}
    for name in SHEETS:
        if name in told.told:
            tables[name] = told.table(name) or [none_row(name, told.week)]
    if not any("week" in SHEETS[name] for name in tables):
        tables["notes"] = [{"week": week, "stage": "", "note": ""}]
    return tables


def _write_table(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([guard(row[column]) for column in columns] for row in rows)


# --- rows ---------------------------------------------------------------------------------------


class _Reader:
    """Rows of all sheets to one return; what is wrong with them is noted."""

    def __init__(self, name: str, project: Project, findings: Findings) -> None:
        self.name, self.project, self.findings = name, project, findings
        self.week: date | None = None

    def read(self, sheets: Mapping[str, Sequence[Row]], week: date | None) -> WeeklyReturn | None:
        """The return, or None where something is wrong."""
        sheets = {name: self._enough(name, table) for name, table in sheets.items()}
        self.week = self._the_week(sheets, week)
        told: dict[str, tuple[Any, ...]] = {}
        rows: dict[str, list[Row]] = {}
        for name, all_rows in sheets.items():
            rows[name] = [row for row in all_rows if _is_told(name, row)]
            none = [row for row in rows[name] if _is_none(name, row)]
            if none and len(rows[name]) > 1:
                remedy = "Delete it, or the others: alone it says that there was none all week."
                none[0].reject("", "no row of 0 beside other rows", remedy, "0")
            real = [row for row in rows[name] if row not in none]
            read = [(row, self._builders[name](row)) for row in real]
            _once(name, real)
            if rows[name]:
                told[name] = tuple(built for row, built in read if row.good)
        self._check_sums(rows)
        _check_either(rows)
        self._check_something(told)
        if self.findings.problems or self.week is None:
            return None
        return WeeklyReturn(self.week, frozenset(told), **told)

    def _enough(self, sheet: str, rows: Sequence[Row]) -> Sequence[Row]:
        """No more rows than a week can have."""
        if len(rows) > _MOST_ROWS:
            remedy = "Delete the rows that are not of this week, and those that say nothing."
            rows[_MOST_ROWS].reject("", f"at most {_MOST_ROWS:,} rows in {sheet}", remedy, "")
        return rows[:_MOST_ROWS]

    # --- the week

    def _the_week(self, sheets: Mapping[str, Sequence[Row]], week: date | None) -> date | None:
        """The Monday that the return is of, with every row of another week noted."""
        if week is not None and (problem := week_problem(week, self.project)):
            self.findings.problems.append(problem)
            week = _monday(week)
        stated = [(row, day) for row in _all_rows(sheets) if (day := _stated_week(row))]
        if week is None and stated:
            week = Counter(day for _, day in stated).most_common(1)[0][0]
            if problem := week_problem(week, self.project):
                first = next(row for row, day in stated if day == week)
                first.reject("week", problem.expected, problem.remedy)
        for row, day in stated:
            if day != week:
                remedy = "One return covers one week: correct the week, or move the row."
                row.reject("week", f"the week of this return, {week}", remedy)
        return week or self._week_of_dates(sheets)

    def _week_of_dates(self, sheets: Mapping[str, Sequence[Row]]) -> date | None:
        """The week that all dates lie in, where no row names it."""
        mondays = set()
        for name in ("exposure", "days"):
            for row in sheets.get(name, ()):
                try:
                    mondays.add(_monday(parse_date(row.cell("date"))))
                except CellError:
                    continue
        week = mondays.pop() if len(mondays) == 1 else None
        if week is None:
            if any(sheets.values()):
                remedy = "Write its Monday into the column week, or give it with --week."
                self.findings.add(self.name, "", "", "the week that is told of", remedy)
        elif problem := week_problem(week, self.project):
            shown = f"dates from {week}"
            self.findings.add(self.name, "", shown, problem.expected, problem.remedy)
        return week

    def _day(self, row: Row, column: str) -> date:
        """A date in the week."""
        day = row.day(column)
        if row.good and self.week is not None and _monday(day) != self.week:
            last = self.week + timedelta(days=6)
            remedy = "One return covers one week: correct the date, or move the row."
            row.reject(column, f"a date of this week, {self.week} to {last}", remedy)
        return day

    # --- cells

    def _stage(self, row: Row) -> Stage:
        """A stage of the project."""
        text = row.choice("stage", STAGE_NAMES, "the name of a stage")
        stage = Stage(STAGE_NAMES.index(text)) if text else Stage.CLEANING
        self._check_on(row, stage)
        return stage

    def _work(self, row: Row) -> Stage | None:
        """A stage that somebody works at, or None for away."""
        nothing: Stage | None = None
        stage = row.read("stage", _parse_work, nothing)
        if stage is not None:
            self._check_on(row, stage)
        return stage

    def _check_on(self, row: Row, stage: Stage) -> None:
        if row.good and stage in self.project.stages_off:
            remedy = (
                "It is off under [stages] in project.toml: correct the stage, or take it out there."
            )
            row.reject("stage", "a stage of this project", remedy)

    def _condition(self, row: Row) -> tuple[str | None, Mould | None, bool | None]:
        """Material, mould and red rot, each of which may be blank."""
        materials = self._materials
        what = "a material of collection.csv, or blank for not told"
        material = row.optional_choice("material", materials, what)
        what = "none, inactive, active, or blank for not told"
        mould = row.optional_choice("mould", MOULD_NAMES, what)
        unknown: bool | None = None
        red_rot = row.read("red_rot", parse_flag, unknown, optional=True)
        told = material, None if mould is None else Mould(MOULD_NAMES.index(mould)), red_rot
        if row.good and not self._matching(*told):
            remedy = (
                "Correct it. If it was really found, add it to survey.csv first: then the "
                "forecast knows of it."
            )
            row.reject("red_rot", f"no red rot: {material} is not bound, or never had it", remedy)
        return told

    @cached_property
    def _possible(self) -> dict[Category, frozenset[Stage]]:
        return possible_stages(self.project)

    @cached_property
    def _materials(self) -> Collection[str]:
        return dict.fromkeys(row.material for row in self.project.collection)

    @cached_property
    def _held(self) -> dict[str, list[str]]:
        """Materials of each series."""
        held: dict[str, list[str]] = {}
        for row in self.project.collection:
            held.setdefault(row.series, []).append(row.material)
        return held

    def _matching(
        self, material: str | None, mould: Mould | None, red_rot: bool | None
    ) -> list[Category]:
        """Conditions that a row may speak of."""
        return [
            category
            for category in self._possible
            if material in (None, category.material)
            and mould in (None, category.mould)
            and red_rot in (None, category.red_rot)
        ]

    # --- one row of each sheet

    @cached_property
    def _builders(self) -> dict[str, Callable[[Row], Any]]:
        return {
            "counts": self._count,
            "hours": self._hours,
            "exposure": self._exposure,
            "days": self._worked_day,
            "drying": self._drying,
            "received": self._received,
            "notes": self._note,
        }

    def _count(self, row: Row) -> Count:
        stage = self._stage(row)
        condition = self._condition(row)
        items = _maybe(row, "items", Limits(0, self.project.total_items, whole=True))
        images = _maybe(row, "images", _IMAGES)
        rejected = _maybe(row, "rejected", Limits(0, self.project.total_items, whole=True))
        outcome = row.optional_choice("outcome", ENDINGS, "one of " + ", ".join(ENDINGS)) or ""
        if row.good:
            self._check_count(row, stage, condition)
            if items is None and (outcome or (images is None and rejected is None)):
                remedy = "Fill in the number, or empty the row."
                row.reject("items", "a number of items", remedy)
            if images and stage is not Stage.IMAGING:
                remedy = "Write them into a row of imaging."
                row.reject("images", "images at imaging only", remedy)
            if rejected and stage is not Stage.CHECKING:
                remedy = "Write them into a row of checking."
                row.reject("rejected", "rejected items at checking only", remedy)
        return Count(stage, *condition, items, images, rejected, outcome)

    def _check_count(
        self, row: Row, stage: Stage, condition: tuple[str | None, Mould | None, bool | None]
    ) -> None:
        """Refuse what cannot have passed the stage."""
        if not any(stage in self._possible[c] for c in self._matching(*condition)):
            remedy = (
                "Correct the stage or the condition: only growing mould is dried, only mouldy items"
                " are in quarantine, only bound and dirty ones have their covers photographed."
            )
            row.reject("stage", "a stage that items in this condition pass", remedy)

    def _hours(self, row: Row) -> Hours:
        person = _name(row, "person", optional=True)
        people = 1 if person else max(1, len(self.project.persons))
        stage = self._work(row)
        hours = row.number_in("hours", Limits(0, _WEEK_HOURS * people))
        sessions = _maybe(row, "sessions", _SESSIONS)
        if row.good and sessions and stage is None:
            remedy = "Empty the cell: hours away have no sessions."
            row.reject("sessions", "no sessions beside away", remedy)
        return Hours(person, stage, hours, sessions)

    def _exposure(self, row: Row) -> ExposureDay:
        hours = row.number_in("hours", _DAY_HOURS)
        return ExposureDay(self._day(row, "date"), _name(row, "person"), hours)

    def _worked_day(self, row: Row) -> WorkedDay:
        day, person = self._day(row, "date"), _name(row, "person")
        stage, hours = self._work(row), row.number_in("hours", _DAY_HOURS)
        mould = row.number_in("mould_hours", _DAY_HOURS, -1.0)
        if row.good and mould > hours + _SLACK:
            remedy = "They are part of the hours: correct one of the two."
            row.reject("mould_hours", f"at most the {hours:g} hours of the row", remedy)
        if row.good and mould > 0 and stage is None:
            remedy = "Empty the cell: hours away are no exposure."
            row.reject("mould_hours", "no exposure beside away", remedy)
        return WorkedDay(day, person, stage, hours, None if mould < 0 else mould)

    def _drying(self, row: Row) -> DryingBatch:
        batch, put_in = _name(row, "batch"), row.day("put_in")
        taken_out = row.optional_day("taken_out")
        items = row.whole("items", low=1, high=self.project.total_items)
        still_damp = _maybe(row, "still_damp", Limits(0, self.project.total_items, whole=True))
        if row.good:
            self._check_dates(row, put_in, taken_out)
        if row.good and still_damp is not None and taken_out is None:
            remedy = "Fill in the day on which they were taken out and looked at."
            row.reject("taken_out", "a date beside still_damp", remedy)
        if row.good and still_damp is not None and still_damp > items:
            remedy = "They are some of the items: correct one of the two."
            row.reject("still_damp", f"at most the {items} items of the batch", remedy)
        return DryingBatch(batch, put_in, items, taken_out, still_damp)

    def _check_dates(self, row: Row, put_in: date, taken_out: date | None) -> None:
        """Refuse dates that this week's return cannot tell of."""
        if self.week is None:
            return
        last = self.week + timedelta(days=6)
        if put_in > last:
            remedy = "Correct the date, or tell of the batch in the week that it was put in."
            row.reject("put_in", f"a date up to the end of this week, {last}", remedy)
        elif taken_out is not None and taken_out < put_in:
            remedy = "Correct one of the dates."
            row.reject("taken_out", f"a date on or after put_in ({put_in})", remedy)
        elif taken_out is not None:
            self._day(row, "taken_out")

    def _received(self, row: Row) -> Received:
        series = row.optional_choice("series", self._held, "a series of collection.csv")
        box = _name(row, "box", optional=True) or None
        condition = self._condition(row)
        held = self._held.get(series or "", [])
        if row.good and series and condition[0] and condition[0] not in held:
            row.reject("material", f"a material that {series} holds", nearest(condition[0], held))
        items = row.whole("items", high=self.project.total_items)
        return Received(series, box, *condition, items)

    def _note(self, row: Row) -> Note:
        nothing: Stage | None = None
        stage = row.read("stage", _parse_any_stage, nothing, optional=True)
        return Note(stage, _note_text(row))

    # --- all rows

    def _check_sums(self, rows: Mapping[str, Sequence[Row]]) -> None:
        """Refuse more hours of one person than a week or a day has, and hours told twice."""
        names = [*STAGE_NAMES, AWAY]
        team = {
            stage: row
            for row in rows.get("hours", ())
            if not row.cell("person") and (stage := row.cell("stage")) in names
        }
        for row in rows.get("hours", ()):
            if row.cell("person") and (other := team.get(row.cell("stage"))):
                remedy = f"{_at(other)} tells those of the whole team: delete one or the other."
                row.reject("person", "hours at a stage told once", remedy)
        _check_most(rows.get("hours", ()), ("person",), _WEEK_HOURS, "a week")
        _check_most(rows.get("days", ()), ("date", "person"), 24, "a day")

    def _check_something(self, told: Mapping[str, Sequence[Any]]) -> None:
        """Refuse a return that tells nothing; batches printed beforehand are nothing new."""
        old = all(
            batch.taken_out is None and self.week is not None and batch.put_in < self.week
            for batch in told.get("drying", ())
        )
        new = told.keys() - ({"drying"} if told.get("drying") and old else set())
        if not new and not self.findings.problems:
            remedy = "Write one total for each stage into counts, 0 where there was none."
            self.findings.add(self.name, "", "", "at least one number", remedy)


# --- helpers ------------------------------------------------------------------------------------


def _all_rows(sheets: Mapping[str, Sequence[Row]]) -> list[Row]:
    return [row for rows in sheets.values() for row in rows]


def _stated_week(row: Row) -> date | None:
    """The Monday in a row's week, if there is one; what is no Monday is noted."""
    nothing: date | None = None
    day = row.read("week", parse_date, nothing, optional=True)
    if day is not None and day.weekday() != 0:
        remedy = f"Write {_monday(day)} if that week is meant."
        row.reject("week", "the Monday of a week", remedy)
        return None
    return day


def _is_told(sheet: str, row: Row) -> bool:
    """Whether anything was filled in."""
    return any(row.cell(column) for column in SHEETS[sheet] if column not in _PRINTED[sheet])


def _is_none(sheet: str, row: Row) -> bool:
    """Whether the row says that there was none of it all week."""
    rest = (column for column in SHEETS[sheet] if column not in (_NONE[sheet], "week"))
    if any(row.cell(column) for column in rest):
        return False
    try:
        return parse_number(row.cell(_NONE[sheet]), Limits(0, 0)) == 0
    except CellError:
        return False


def _at(row: Row) -> str:
    """The place of another row, at the beginning of a sentence."""
    place = row.place()
    return place[0].upper() + place[1:] if place.startswith("row") else place


def _once(sheet: str, rows: Iterable[Row]) -> None:
    """Refuse a row that speaks of the same as an earlier one."""
    seen: dict[tuple[str, ...], Row] = {}
    key = _KEYS[sheet]
    for row in rows:
        found = tuple(
            row.cell(column).casefold() if column == "red_rot" else row.cell(column)
            for column in key
        )
        first = seen.setdefault(found, row)
        if first is not row and any(found):
            remedy = f"{_at(first)} says it already: delete one of the two, or add them up."
            shown = ", ".join(cell for cell in found if cell)
            row.reject("", f"each combination of {', '.join(key)} once", remedy, shown)


def _check_most(rows: Iterable[Row], key: Sequence[str], most: float, what: str) -> None:
    """Refuse more hours of a person than there are."""
    totals: dict[tuple[str, ...], float] = {}
    for row in rows:
        if not row.good or not row.cell("person"):
            continue
        found = tuple(row.cell(column) for column in key)
        before = totals.get(found, 0.0)
        totals[found] = before + row.number_in("hours", Limits())
        if before <= most + _SLACK < totals[found]:  # told once, not in each row that follows
            remedy = "Correct the hours: they are those of one person."
            total = f"{totals[found]:g} hours in all"
            row.reject("hours", f"at most {most:g} hours {what}, away included", remedy, total)


def _check_either(rows: Mapping[str, Sequence[Row]]) -> None:
    """The day grid stands in for hours and exposure: refuse it beside them."""
    others = [name for name in ("hours", "exposure") if rows.get(name)]
    if others and rows.get("days"):
        remedy = "Tell one or the other: the day grid stands in for both of them."
        expected = f"no day grid beside {' and '.join(others)}"
        rows["days"][0].reject("", expected, remedy, "")


def _maybe(row: Row, column: str, limits: Limits) -> int | None:
    """A whole number or nothing."""
    value = row.number_in(column, limits, -1.0)
    return None if value < 0 else int(value)


def _parse_work(text: str) -> Stage | None:
    if text == "quarantine":
        raise CellError("a stage that somebody works at", _QUARANTINE)
    names = [*(STAGE_NAMES[stage] for stage in HANDLED_STAGES), AWAY]
    name = parse_choice(text, names, "the name of a stage, or away")
    return None if name == AWAY else Stage(STAGE_NAMES.index(name))


def _parse_any_stage(text: str) -> Stage | None:
    return Stage(STAGE_NAMES.index(parse_choice(text, STAGE_NAMES, "the name of a stage")))


def _name(row: Row, column: str, optional: bool = False) -> str:
    """The name of a person, box or batch."""
    return row.read(column, lambda text: _parse_text(text, _LONGEST_NAME), "", optional)


def _note_text(row: Row) -> str:
    """A note, as one paragraph."""
    return row.read("note", lambda text: _parse_text(" ".join(text.split()), _LONGEST_NOTE), "")


def _parse_text(text: str, longest: int) -> str:
    if not text:
        raise CellError("some text", "Fill in the cell.")
    if len(text) > longest:
        raise CellError(f"at most {longest:,} characters", "Shorten the text.")
    if any(unicodedata.category(letter) in ("Cc", "Cs") for letter in text):
        raise CellError("letters, digits and signs in one line", "Write the text again by hand.")
    return text

