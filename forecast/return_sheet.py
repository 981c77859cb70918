"""The return sheet: a workbook to fill in for one week, on screen or on paper.

It offers the stages, materials and conditions that the project has, with drop-downs, bounds and
prompts. What is printed there beforehand says nothing by itself: whoever fills in one total for
each stage has made a valid return. What is filled in is read by :mod:`forecast.return_files`,
which believes none of the bounds.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.formatting.rule import Rule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from forecast.errors import InputError, Problem
from forecast.exposure import CAUTIONS
from forecast.history import NOTHING_YET, History
from forecast.items import MOULD_NAMES, Category
from forecast.people import TeamRow, persons
from forecast.project import Project
from forecast.return_files import GUIDE, possible_stages, week_problem
from forecast.stages import HANDLED_STAGES, STAGE_NAMES, Stage
from forecast.weekly import AWAY, ENDINGS, SHEETS, DryingBatch

__all__ = ["Grid", "grids", "guide_lines", "write_sheet"]

# A row of a sheet: a remark, or what is printed beforehand by column.
PrintedRow = str | dict[str, Any]

_LISTS = "lists"
_FONT = "Arial"
_FIRST_ROW = 3  # below the remark and the names of the columns
_ROW_HEIGHT, _NOTE_HEIGHT = 18.0, 36.0  # points: room for handwriting
_WIDTHS = {  # characters
    "week": 12, "date": 12, "put_in": 12, "taken_out": 12,
    "stage": 15, "material": 20, "mould": 12, "red_rot": 10, "outcome": 16,
    "items": 12, "images": 12, "rejected": 12, "hours": 12, "sessions": 12, "mould_hours": 14,
    "person": 22, "batch": 22, "series": 30, "box": 16, "still_damp": 14, "note": 95,
}  # fmt: skip
_DATES = ("week", "date", "put_in", "taken_out")
_NUMBERS = ("items", "images", "rejected", "hours", "sessions", "mould_hours", "still_damp")
_NAMES = ("person", "batch", "box", "note")  # kept as they are typed: 007, 3/4
_INK, _MUTED, _RULE, _PRINTED, _DOUBT = "1E2528", "55606A", "C9CDD1", "EEF1F3", "F6D9A8"
_LONGEST_TITLE = 80


# --- what is asked for --------------------------------------------------------------------------


def write_sheet(project: Project, week: date, path: Path, past: History = NOTHING_YET) -> Path:
    """Write the workbook for one week's return. The same input gives the same bytes.

    Args:
        project: whose stages, materials, conditions and people of that week are offered.
        week: the Monday.
        path: a new file, ending in ``.xlsx``.
        past: what is on record; batches that were still drying at the end of the week before
            are printed in the sheet ``drying``.

    Returns:
        The file.

    Raises:
        InputError: the week is no Monday of the project, or the file exists already, or cannot be
            written.
    """
    path = Path(path)
    problem = week_problem(week, project) or _unfit(path)
    if problem:
        raise InputError([problem])
    data = _same_bytes(_book(_Week(project, week, past)), week)
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        remedy = "Choose another place, or make room or ask for the right to write there."
        expected = "a file that can be written"
        problem = Problem(path.name, "", error.strerror or "", expected, remedy)
        raise InputError([problem]) from None
    return path


def guide_lines(project: Project, week: date) -> tuple[str, ...]:
    """The ten lines of the sheet ``guide``."""
    limits = project.exposure
    days = "in any seven days" if limits.week == "any-7-days" else "from Monday to Sunday"
    return (
        (
            f"This return is of the week from Monday {week} to Sunday "
            f"{week + timedelta(days=6)}. The smallest valid one is one total for each "
            "stage in counts; everything else may stay blank."
        ),
        (
            "Blank means not told; a written 0 means none. A row with 0 and nothing else beside "
            "the week says: none of it all week. A sheet without filled rows is not told."
        ),
        (
            "counts: items that finished the stage for the first time. Items that are imaged again"
            " are not counted again, their images are. Rows add up: write a stage's items once, "
            "as a total or by material and condition. outcome: only for items that ended here."
        ),
        (
            "hours: at the stage, with clothing and clearing; away = rostered hours that were not "
            "worked, without a reason. exposure: hours of handling and clearing mouldy items. "
            "days, date by date, stands in for both: fill in either days, or hours and exposure."
        ),
        (
            "drying: a batch when it is put in (taken_out blank), and once more, complete, when it"
            " is taken out; still_damp of them go into another round, as a new batch. received: "
            "items as found when boxes were opened. notes: what changed."
        ),
        (
            "Plain values only: 7.5 and not 7:30; dates like 2026-03-09; no formulas, merged cells"
            " or macros. Planning limits for each person: "
            f"{limits.hours_per_day:g} hours of exposure a day, on {limits.days_per_week} days "
            f"{days}. Write the hours as worked, also where a limit was crossed."
        ),
        *CAUTIONS[:-1],
        f"{CAUTIONS[-1]} Nobody is asked about it here.",
    )


def _unfit(path: Path) -> Problem | None:
    """Why nothing is written there."""
    if path.suffix.lower() != ".xlsx":
        remedy = "Give the file a name that ends in .xlsx."
        return Problem(path.name, "", "", "a workbook (.xlsx)", remedy)
    if path.exists():
        remedy = "Choose another name: what is filled in there would be lost."
        return Problem(path.name, "", "", "a name that is not taken", remedy)
    return None


@dataclass(frozen=True)
class Grid:
    """A sheet of one week as it is offered, for a form as well as for a workbook.

    Attributes:
        remark: what the sheet is for.
        blocks: rows by the remark above them ("" where there is none); a row is what is printed
            there beforehand, by column.
        choices: what may be chosen in a column, as text; columns that are not here take any.
        prompts: what a column takes, in words.
    """

    remark: str
    blocks: tuple[tuple[str, tuple[Mapping[str, str], ...]], ...]
    choices: Mapping[str, tuple[str, ...]]
    prompts: Mapping[str, str]


def grids(project: Project, week: date, past: History = NOTHING_YET) -> dict[str, Grid]:
    """Every sheet of a week's return, with what the project has.

    Arguments and errors as :func:`write_sheet`, without the file.
    """
    problem = week_problem(week, project)
    if problem:
        raise InputError([problem])
    here = _Week(project, week, past)
    return {name: _grid(here, name) for name in SHEETS}


def _grid(here: _Week, sheet: str) -> Grid:
    blocks: list[tuple[str, list[Mapping[str, str]]]] = []
    for row in _ROWS[sheet](here):
        if isinstance(row, str):
            blocks.append((row.removeprefix("# ").rstrip(":"), []))
            continue
        if not blocks:
            blocks.append(("", []))
        blocks[-1][1].append({column: str(value) for column, value in row.items()})
    rules = _rules(here, sheet)
    return Grid(
        _REMARKS[sheet],
        tuple((remark, tuple(rows)) for remark, rows in blocks),
        {
            column: tuple(str(each) for each in here.lists[rule.choices])
            for column, rule in rules.items()
            if rule.choices
        },
        {column: rule.prompt for column, rule in rules.items()},
    )


# --- what the project has -----------------------------------------------------------------------


class _Week:
    """What a sheet of one week offers."""

    def __init__(self, project: Project, week: date, past: History) -> None:
        self.project, self.week, self.past = project, week, past
        self.days = [week + timedelta(days=n) for n in range(7)]

    @cached_property
    def stages_of(self) -> dict[str, list[Stage]]:
        """Stages that take time, for each material."""
        found: dict[str, set[Stage]] = {}
        for category, stages in possible_stages(self.project).items():
            here = {stage for stage in stages if self._takes_time(stage, category)}
            found.setdefault(category.material, set()).update(here)
        return {material: sorted(stages) for material, stages in found.items()}

    def _takes_time(self, stage: Stage, category: Category) -> bool:
        """Whether there is work at a stage; quarantine is waiting and needs none."""
        rows = [self.project.task_time(stage, category, per_image=each) for each in (False, True)]
        return stage is Stage.QUARANTINE or any(row and not row.average.is_zero for row in rows)

    @cached_property
    def stages(self) -> list[Stage]:
        """Stages of the project, in their order."""
        return sorted({stage for stages in self.stages_of.values() for stage in stages})

    @cached_property
    def work(self) -> list[Stage]:
        """Stages that somebody works at."""
        return [stage for stage in self.stages if stage in HANDLED_STAGES]

    @cached_property
    def team(self) -> list[TeamRow]:
        """Rows of the rota that are in force on some day of the week."""
        return [row for row in self.project.team if any(row.covers(day) for day in self.days)]

    def rostered(self, day: date) -> list[TeamRow]:
        """Who has hours on a day and is not known to be off."""
        off = {c.person for c in self.project.closures if c.first_day <= day <= c.last_day}
        return [
            row
            for row in self.team
            if row.covers(day)
            and row.hours[day.weekday()]
            and not off & {None, row.person}
        ]

    @cached_property
    def still_drying(self) -> list[DryingBatch]:
        """Batches that were put in before the week and are not on record as taken out."""
        earlier = (each for each in self.past.returns if each.week < self.week)
        latest = {batch.batch: batch for each in earlier for batch in each.drying}
        return [batch for batch in latest.values() if batch.taken_out is None]

    @cached_property
    def lists(self) -> dict[str, list[Any]]:
        """What the drop-downs offer."""
        conditions = possible_stages(self.project)
        red_rot = dict.fromkeys("yes" if c.red_rot else "no" for c in conditions)
        return {
            "week": [self.week],
            "date": self.days,
            "stage": [STAGE_NAMES[stage] for stage in self.stages],
            "work": [*(STAGE_NAMES[stage] for stage in self.work), AWAY],
            "material": [*self.stages_of],
            "mould": [*MOULD_NAMES],
            "red_rot": sorted(red_rot),
            "outcome": [*ENDINGS],
            "person": [*persons(self.team)],
            "series": [*dict.fromkeys(row.series for row in self.project.collection)],
        }


# --- rows that are printed beforehand -----------------------------------------------------------


def _blank(number: int) -> list[PrintedRow]:
    return [{} for _ in range(number)]


def _counts(here: _Week) -> list[PrintedRow]:
    totals = [{"stage": STAGE_NAMES[stage]} for stage in here.stages]
    by_material = [
        {"stage": STAGE_NAMES[stage], "material": material}
        for stage in here.stages
        for material, stages in here.stages_of.items()
        if stage in stages
    ]
    return [
        "# One total for each stage:",
        *totals,
        "# Or, instead of a stage's total, its items by material (rows add up):",
        *by_material,
        "# By condition, or items that ended here (outcome):",
        *_blank(12),
    ]


def _hours(here: _Week) -> list[PrintedRow]:
    work = [*(STAGE_NAMES[stage] for stage in here.work), AWAY]
    by_person = []
    for row in here.team:
        stages = [STAGE_NAMES[stage] for stage in row.stages if stage in here.work]
        by_person += [{"person": row.person, "stage": stage} for stage in (*stages, AWAY)]
    once = [dict(pair) for pair in dict.fromkeys(tuple(each.items()) for each in by_person)]
    return [
        "# Of the whole team:",
        *({"stage": stage} for stage in work),
        "# Or, instead of a stage's total, of each person:",
        *once,
        *_blank(8),
    ]


def _exposure(here: _Week) -> list[PrintedRow]:
    rows = [
        {"date": day, "person": row.person}
        for day in here.days
        for row in here.rostered(day)
        if row.mould_work
    ]
    return [*rows, *_blank(10)]


def _days(here: _Week) -> list[PrintedRow]:
    rows = [{"date": d, "person": row.person} for d in here.days for row in here.rostered(d)]
    return [*rows, *_blank(18)]


def _drying(here: _Week) -> list[PrintedRow]:
    if not here.still_drying:
        return _blank(20)
    old = [
        {"batch": batch.batch, "put_in": batch.put_in, "items": batch.items}
        for batch in here.still_drying
    ]
    return [
        "# Still drying when the week began; fill in the day if taken out this week:",
        *old,
        "# Put in this week:",
        *_blank(14),
    ]


_ROWS: dict[str, Callable[[_Week], list[PrintedRow]]] = {
    "counts": _counts,
    "hours": _hours,
    "exposure": _exposure,
    "days": _days,
    "drying": _drying,
    "received": lambda _: _blank(24),
    "notes": lambda _: _blank(10),
}

_REMARKS = {
    "counts": "items that finished the stage for the first time in this week. "
    "Blank = not told, 0 = none.",
    "hours": "hours at the stage, clothing and clearing included. Leave this sheet blank where days"
    " is filled in.",
    "exposure": "hours of handling and clearing mouldy items. Leave this sheet blank where days is "
    "filled in.",
    "days": "stands in for hours and exposure. A person may have several rows a day, one for each "
    "stage.",
    "drying": "batches that were put in or taken out in this week. Days, not hours.",
    "received": "items as they were found when boxes were opened in this week.",
    "notes": "what changed: a tool, a broken camera, a way of working. It stays with the team; "
    "nothing about anybody's health.",
}


# --- what a column takes ------------------------------------------------------------------------


@dataclass(frozen=True)
class _Rule:
    """What may be typed into a column, and what a spreadsheet says about it.

    ``choices`` names a list; otherwise ``kind`` is whole, decimal or date, from ``low`` to
    ``high``; or "" for any text.
    """

    prompt: str
    choices: str = ""
    kind: Literal["", "whole", "decimal", "date"] = ""
    low: float = 0.0
    high: float = 0.0
    strict: bool = True


def _rules(here: _Week, sheet: str) -> dict[str, _Rule]:
    """The rules of a sheet's columns."""
    most = here.project.total_items
    people = 7 * 24 * max(1, len(here.project.persons)) if sheet == "hours" else 24
    first, last = _serial(here.week), _serial(here.days[-1])
    work = sheet in ("hours", "days")
    items = "Number of items. Blank: not told; 0: none."
    rules = {
        "week": _Rule("The Monday of the week, as printed.", "week"),
        "date": _Rule("A day of the week, such as 2026-03-09.", "date"),
        "stage": _Rule(
            "A stage, or away for rostered hours that were not worked." if work else "A stage.",
            "work" if work else "stage",
        ),
        "material": _Rule("Blank: not told.", "material"),
        "mould": _Rule("As received: none, inactive (dry powder) or active (growing). "
                       "Blank: not told.", "mould"),
        "red_rot": _Rule("yes or no. Blank: not told.", "red_rot"),
        "outcome": _Rule("Only for items that ended here. Blank: on their way, or done.",
                         "outcome"),
        "person": _Rule("Initials or a post, as in team.csv."
                        + (" Blank: the whole team." if sheet == "hours" else ""),
                        "person", strict=False),
        "series": _Rule("Blank: not told.", "series"),
        "items": _Rule(items, kind="whole", high=most),
        "images": _Rule("Images made this week, those made again included. At imaging only.",
                        kind="whole", high=10_000_000),
        "rejected": _Rule("Items that checking sent back. At checking only.",
                          kind="whole", high=most),
        "hours": _Rule("Hours as a number: 7.5. Blank: not told; 0: none.",
                       kind="decimal", high=people),
        "mould_hours": _Rule("Of these hours: handling and clearing of mouldy items.",
                             kind="decimal", high=24),
        "sessions": _Rule("Number of sessions, if known.", kind="whole", high=1_000),
        "put_in": _Rule("The day on which the batch was put in, such as 2026-03-09.",
                        kind="date", low=_serial(here.project.grant.start), high=last),
        "taken_out": _Rule("The day on which it was taken out. Blank: still drying.",
                           kind="date", low=first, high=last),
        "still_damp": _Rule("Number of its items that go into another round, as a new batch.",
                            kind="whole", high=most),
        "batch": _Rule("A name of your own, once for each batch."),
        "box": _Rule("The box's number or name. Blank: not told."),
        "note": _Rule("What changed, and on which day."),
    }  # fmt: skip
    return {column: rules[column] for column in SHEETS[sheet]}


# --- the workbook -------------------------------------------------------------------------------


def _book(here: _Week) -> Workbook:
    book = Workbook()
    guide = book.active
    assert isinstance(guide, Worksheet)
    _write_guide(guide, here)
    places = _write_lists(book, here)
    for name in SHEETS:
        _write_rows(book.create_sheet(name), here, places)
    book.move_sheet(_LISTS, len(SHEETS))
    for sheet in book.worksheets:
        _set_up_page(sheet, here)
    return book


def _put(sheet: Worksheet, row: int, column: int, value: Any) -> Any:
    """Write a cell; text stays text, whatever it begins with."""
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = ILLEGAL_CHARACTERS_RE.sub("", value)
        cell.data_type = "s"
    else:
        cell.value = value
    cell.font = Font(_FONT, 10, color=_INK)
    return cell


def _write_guide(sheet: Worksheet, here: _Week) -> None:
    sheet.title = GUIDE
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 5, 125
    title = f"Weekly return: {here.project.title[:_LONGEST_TITLE]}"
    _put(sheet, 1, 1, title).font = Font(_FONT, 13, bold=True, color=_INK)
    for number, line in enumerate(guide_lines(here.project, here.week), 1):
        row = number + 2
        _put(sheet, row, 1, number).alignment = Alignment(vertical="top", horizontal="left")
        _put(sheet, row, 2, line).alignment = Alignment(vertical="top", wrap_text=True)
        # A spreadsheet need not work out the height of a row by itself.
        sheet.row_dimensions[row].height = 14.0 * math.ceil(len(line) / 125) + 6.0


def _write_lists(book: Workbook, here: _Week) -> dict[str, str]:
    """The hidden lists; where each stands, as a validation names it."""
    sheet = book.create_sheet(_LISTS)
    sheet.sheet_state = "hidden"
    places = {}
    for column, (name, values) in enumerate(here.lists.items(), 1):
        _put(sheet, 1, column, name)
        for row, value in enumerate(values, 2):
            _put(sheet, row, column, value)
            if isinstance(value, date):
                sheet.cell(row, column).number_format = "yyyy-mm-dd"
        letter = get_column_letter(column)
        if values:
            places[name] = f"{_LISTS}!${letter}$2:${letter}${len(values) + 1}"
    return places


def _write_rows(sheet: Worksheet, here: _Week, places: dict[str, str]) -> None:
    name = sheet.title
    columns = SHEETS[name]
    remark = _put(sheet, 1, 1, f"# {name}, week of Monday {here.week}: {_REMARKS[name]}")
    remark.font = Font(_FONT, 10, color=_MUTED)
    rule = Side(style="thin", color=_RULE)
    for at, column in enumerate(columns, 1):
        cell = _put(sheet, 2, at, column)
        cell.font = Font(_FONT, 10, bold=True, color=_INK)
        cell.border = Border(bottom=Side(style="medium", color=_INK))
        sheet.column_dimensions[get_column_letter(at)].width = _WIDTHS[column]
    rows = _ROWS[name](here)
    for number, row in enumerate(rows, _FIRST_ROW):
        sheet.row_dimensions[number].height = _NOTE_HEIGHT if name == "notes" else _ROW_HEIGHT
        if isinstance(row, str):
            cell = _put(sheet, number, 1, row)
            cell.font = Font(_FONT, 10, bold=True, color=_MUTED)
            cell.alignment = Alignment(vertical="bottom")
            continue
        printed = {"week": here.week, **row}
        for at, column in enumerate(columns, 1):
            cell = _put(sheet, number, at, printed.get(column))
            cell.border = Border(left=rule, right=rule, top=rule, bottom=rule)
            side = None if column in _NUMBERS else "left"
            cell.alignment = Alignment(side, "center", wrap_text=column == "note")
            if column in _DATES:
                cell.number_format = "yyyy-mm-dd"
            elif column in _NAMES:
                cell.number_format = "@"
            if column in printed or _does_not_apply(column, printed):
                cell.fill = PatternFill("solid", fgColor=_PRINTED)
    _validate(sheet, _rules(here, name), places, len(rows))
    if name in ("counts", "hours"):
        _mark_told_twice(sheet, rows, "items" if name == "counts" else "hours")


def _does_not_apply(column: str, printed: Mapping[str, Any]) -> bool:
    """Whether nothing is to be written there, since it is told at another stage."""
    only_at = {"images": STAGE_NAMES[Stage.IMAGING], "rejected": STAGE_NAMES[Stage.CHECKING]}
    return column in only_at and printed.get("stage", only_at[column]) != only_at[column]


def _serial(day: date) -> int:
    """A date as spreadsheets count it."""
    return (day - date(1899, 12, 30)).days


def _validate(
    sheet: Worksheet, rules: dict[str, _Rule], places: dict[str, str], rows: int
) -> None:
    """Drop-downs, bounds and prompts of each column."""
    last = _FIRST_ROW + rows - 1
    for column, rule in rules.items():
        checked = _validation(rule, places)
        checked.promptTitle, checked.prompt = column, rule.prompt
        checked.showInputMessage = True
        letter = get_column_letter([*rules].index(column) + 1)
        checked.add(f"{letter}{_FIRST_ROW}:{letter}{last}")
        sheet.add_data_validation(checked)


def _validation(rule: _Rule, places: dict[str, str]) -> DataValidation:
    if rule.choices and rule.choices in places:
        checked = DataValidation("list", places[rule.choices], allow_blank=True)
        checked.error = "Choose from the list, or leave the cell blank."
    elif rule.kind:
        checked = DataValidation(
            rule.kind, f"{rule.low:g}", f"{rule.high:.0f}", allow_blank=True, operator="between"
        )
        checked.error = f"{rule.prompt} At most {rule.high:,.0f}."
        if rule.kind == "date":
            checked.formula1 = f"{rule.low:.0f}"
            checked.error = "A date such as 2026-03-09 that belongs to this week's return."
    else:
        return DataValidation()
    if not rule.strict:
        checked.error = "Nobody of that name is in the rota of this week. Keep it?"
    checked.showErrorMessage = True
    checked.errorStyle = "stop" if rule.strict else "warning"
    return checked


def _mark_told_twice(sheet: Worksheet, rows: Sequence[PrintedRow], column: str) -> None:
    """Colour a total that is filled in beside rows of the same stage."""
    columns = SHEETS[sheet.title]
    remarks = [n for n, row in enumerate(rows, _FIRST_ROW) if isinstance(row, str)]
    first, rest, last = remarks[0] + 1, remarks[1] + 1, _FIRST_ROW + len(rows) - 1
    stage, number, detail = (
        get_column_letter(columns.index(name) + 1)
        for name in ("stage", column, "material" if column == "items" else "person")
    )
    same = f"(${stage}${rest}:${stage}${last}=${stage}{first})"
    told = f'(${number}${rest}:${number}${last}<>"")'
    of_part = f'(${detail}${rest}:${detail}${last}<>"")'
    doubt = Rule(
        "expression",
        dxf=DifferentialStyle(fill=PatternFill("solid", bgColor=_DOUBT, fgColor=_DOUBT)),
        formula=[f'AND(${number}{first}<>"",SUMPRODUCT({same}*{told}*{of_part})>0)'],
    )
    sheet.conditional_formatting.add(f"{number}{first}:{number}{remarks[1] - 1}", doubt)


def _set_up_page(sheet: Worksheet, here: _Week) -> None:
    """Landscape A4, as wide as the page, names of the columns on each."""
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    margins = sheet.page_margins  # inches
    margins.left = margins.right = 0.5
    margins.top, margins.bottom, margins.header, margins.footer = 0.75, 0.6, 0.35, 0.3
    title = ILLEGAL_CHARACTERS_RE.sub("", here.project.title[:_LONGEST_TITLE]).replace("&", "&&")
    _write_edge(sheet.oddHeader, title, f"Week of {here.week}")
    _write_edge(sheet.oddFooter, "Filled in by:", f"{sheet.title}, page &P of &N")
    if sheet.title in SHEETS:
        sheet.freeze_panes = f"A{_FIRST_ROW}"
        sheet.print_title_rows = f"1:{_FIRST_ROW - 1}"


def _write_edge(edge: HeaderFooterItem | None, left: str, right: str) -> None:
    assert edge is not None
    for part, text in ((edge.left, left), (edge.right, right)):
        assert part is not None
        part.text = text


def _same_bytes(book: Workbook, week: date) -> bytes:
    """A workbook as a file, without the time at which it was written."""
    moment = datetime(week.year, week.month, week.day)  # noqa: DTZ001  # no clock is asked
    book.properties.creator = "forecast"
    book.properties.title = f"Weekly return, {week.isoformat()}"
    book.properties.created = moment
    written = io.BytesIO()
    book.save(written)
    same = io.BytesIO()
    with zipfile.ZipFile(written) as parts, zipfile.ZipFile(same, "w") as target:
        for name in _in_order(parts.namelist()):
            data = parts.read(name)
            if name == "docProps/core.xml":
                saved = rb"(<dcterms:modified[^>]*>)[^<]*"
                data = re.sub(saved, rb"\g<1>" + moment.isoformat().encode() + b"Z", data)
            part = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            part.compress_type = zipfile.ZIP_DEFLATED
            part.external_attr = 0o600 << 16
            target.writestr(part, data)
    return same.getvalue()


def _in_order(names: Iterable[str]) -> list[str]:
    """The list of contents first: some programs look for it there."""
    return sorted(names, key=lambda name: (name != "[Content_Types].xml", name))
