"""A table of bad returns: how each differs from a good one, and what is said about it."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.utils import coordinate_to_tuple
from openpyxl.worksheet.formula import ArrayFormula

from forecast.weekly import SHEETS

__all__ = ["BAD_RETURNS", "WEEK", "BadReturn", "as_book", "as_folder", "good_tables", "put"]

WEEK = date(2026, 1, 12)

Tables = dict[str, list[list[Any]]]  # the names of the columns are the first row
Edit = Callable[[Tables], None]


@dataclass(frozen=True)
class BadReturn:
    """One bad return, and the one problem (or ``problems``) that it gives."""

    name: str
    make: Callable[[Path], Path]
    file: str
    place: str
    remedy: str
    problems: int = 1


# --- a good return ------------------------------------------------------------------------------


def good_tables() -> Tables:
    """A return of the tiny project in which nothing is wrong."""
    rows: dict[str, list[list[Any]]] = {
        "counts": [
            [WEEK, "cleaning", "volume", "active", "no", 3, None, None, None],
            [WEEK, "imaging", "volume", None, None, 4, 160, None, None],
            [WEEK, "checking", None, None, None, 1, None, 0, None],
            [WEEK, "cleaning", "folder", "inactive", "no", 1, None, None, "set-aside"],
        ],
        "hours": [
            [WEEK, "AB", "cleaning", 5.5, 2],
            [WEEK, None, "imaging", 7, None],
            [WEEK, "AB", "away", 6, None],
        ],
        "exposure": [[date(2026, 1, 12), "AB", 2.5], [date(2026, 1, 13), "CD", 1]],
        "drying": [
            ["b1", date(2026, 1, 6), date(2026, 1, 14), 2, 1],
            ["b2", date(2026, 1, 14), None, 1, None],
        ],
        "received": [
            [WEEK, "Minute books", "2", "volume", "active", "no", 1],
            [WEEK, None, None, None, None, None, 2],
        ],
        "notes": [[WEEK, None, "New lamps"], [WEEK, "imaging", "Camera repaired"]],
    }
    return {name: [[*SHEETS[name]], *table] for name, table in rows.items()}


def book_of(tables: Tables) -> Workbook:
    """Tables as a workbook, text as text."""
    book = Workbook()
    book.remove(book.worksheets[0])
    for name, rows in tables.items():
        sheet = book.create_sheet(name)
        for number, row in enumerate(rows, 1):
            for column, value in enumerate(row, 1):
                cell = sheet.cell(number, column)
                cell.value = value
                if isinstance(value, str):
                    cell.data_type = "s"
    return book


def as_book(tables: Tables, folder: Path) -> Path:
    """Tables as a workbook in a folder."""
    path = folder / "return.xlsx"
    book_of(tables).save(path)
    return path


def as_folder(tables: Tables, folder: Path) -> Path:
    """Tables as CSV files in a new folder."""
    target = folder / "return"
    target.mkdir()
    for name, rows in tables.items():
        with (target / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(["" if c is None else c for c in row] for row in rows)
    return target


# --- ways to spoil it ---------------------------------------------------------------------------


def put(place: str, value: Any) -> Edit:
    """Another value in a cell; a row or column that is missing is added."""
    sheet, _, cell = place.partition("!")
    row, column = coordinate_to_tuple(cell)

    def edit(tables: Tables) -> None:
        table = tables.setdefault(sheet, [[*SHEETS[sheet]]])
        while len(table) < row:
            table.append([None] * len(table[0]))
        for each in table:
            each.extend([None] * (column - len(each)))
        table[row - 1][column - 1] = value

    return edit


def add(sheet: str, *rows: list[Any]) -> Edit:
    """More rows."""
    header = [*SHEETS.get(sheet, ("red", "blue"))]
    return lambda tables: tables.setdefault(sheet, [header]).extend([list(row) for row in rows])


def only(sheet: str, *rows: list[Any]) -> Edit:
    """One sheet, and nothing else."""

    def edit(tables: Tables) -> None:
        tables.clear()
        add(sheet, *rows)(tables)

    return edit


def days(*rows: list[Any]) -> Edit:
    """The day grid in the place of hours and exposure."""

    def edit(tables: Tables) -> None:
        del tables["hours"], tables["exposure"]
        add("days", *rows)(tables)

    return edit


def rename(old: str, new: str) -> Edit:
    """Another name for a sheet."""
    return lambda tables: tables.update({new: tables.pop(old)})


def both(*edits: Edit) -> Edit:
    """One after another."""

    def edit(tables: Tables) -> None:
        for each in edits:
            each(tables)

    return edit


def edited(edit: Edit) -> Tables:
    """A good return after an edit."""
    tables = deepcopy(good_tables())
    edit(tables)
    return tables


def _tables(edit: Edit, kind: Callable[[Tables, Path], Path]) -> Callable[[Path], Path]:
    return lambda folder: kind(edited(edit), folder)


# Name, edit, sheet!cell (sheet!row where the row as such is wrong), part of the remedy.
_CELLS: tuple[tuple[str, Edit, str, str], ...] = (
    # The week
    ("a week that begins on a Tuesday", put("counts!A2", date(2026, 1, 13)), "counts!A2",
     "Write 2026-01-12"),
    ("another week", put("notes!A3", date(2026, 1, 19)), "notes!A3", "One return covers one week"),
    ("a week in words", put("hours!A2", "this week"), "hours!A2", "like 2026-03-09"),
    ("a week that may be two days", put("hours!A2", "03/09/2026"), "hours!A2",
     "write 2026-09-03 or 2026-03-09"),
    ("a week with the day first", put("received!A2", "12.01.2026"), "received!A2",
     "may be two different days"),
    # counts
    ("an unknown stage", put("counts!B2", "cleaned"), "counts!B2", "Did you mean cleaning?"),
    ("no stage", put("counts!B2", None), "counts!B2", "Fill in the cell"),
    ("away among the counts", put("counts!B4", "away"), "counts!B4", "Choose one of: receiving"),
    ("an unknown material", put("counts!C2", "volumes"), "counts!C2", "Did you mean volume?"),
    ("unknown mould", put("counts!D2", "dormant"), "counts!D2", "none, inactive, active"),
    ("unknown red rot", put("counts!E2", "some"), "counts!E2", "Write yes or no"),
    ("red rot on what is not bound", put("counts!E5", "yes"), "counts!E5", "survey.csv"),
    ("drying of dormant mould", put("counts!B5", "drying"), "counts!B5", "only growing mould"),
    ("covers of what is not bound", put("counts!B5", "covers"), "counts!B5", "only bound"),
    ("items in words", put("counts!F2", "three"), "counts!F2", "Write digits only"),
    ("half an item", put("counts!F2", 2.5), "counts!F2", "Correct the number"),
    ("negative items", put("counts!F2", -3), "counts!F2", "Correct the number"),
    ("1e9 items", put("counts!F2", 1e9), "counts!F2", "Correct the number"),
    ("more items than the collection has", put("counts!F2", 31), "counts!F2", "Correct"),
    ("items with a unit", put("counts!F2", "3 items"), "counts!F2", "without units"),
    ("items with a mark between thousands", put("counts!G3", "1,600"), "counts!G3", "full stop"),
    ("NaN items", put("counts!F2", "nan"), "counts!F2", "digits only"),
    ("an outcome without items", put("counts!F5", None), "counts!F5", "Fill in the number"),
    ("a condition without items", put("counts!F2", None), "counts!F2", "empty the row"),
    ("images at cleaning", put("counts!G2", 12), "counts!G2", "row of imaging"),
    ("rejected items at imaging", put("counts!H3", 1), "counts!H3", "row of checking"),
    ("negative images", put("counts!G3", -1), "counts!G3", "Correct the number"),
    ("1e9 images", put("counts!G3", 1e9), "counts!G3", "Correct the number"),
    ("half a rejected item", put("counts!H4", 0.5), "counts!H4", "Correct the number"),
    ("an unknown outcome", put("counts!I5", "set aside"), "counts!I5", "Did you mean set-aside?"),
    ("done is no outcome", put("counts!I5", "done"), "counts!I5", "withdrawn"),
    ("the same count twice", add("counts", [WEEK, "imaging", "volume", None, None, 1, None, None,
     None]), "counts!6", "says it already"),
    ("none beside some", add("counts", [WEEK, None, None, None, None, 0, None, None, None]),
     "counts!6", "alone it says"),
    # hours
    ("hours at quarantine", put("hours!C2", "quarantine"), "hours!C2", "Nobody works"),
    ("hours at an unknown stage", put("hours!C2", "abscence"), "hours!C2", "Choose one of"),
    ("hours at a misspelt stage", put("hours!C3", "imagging"), "hours!C3", "mean imaging?"),
    ("negative hours", put("hours!D2", -5.5), "hours!D2", "Correct the number"),
    ("more hours than a week has", put("hours!D2", 169), "hours!D2", "Correct the number"),
    ("more hours than a week has, in two rows", put("hours!D4", 163), "hours!D4", "one person"),
    ("more hours than a team's week has", put("hours!D3", 505), "hours!D3", "Correct the number"),
    ("no hours", both(put("hours!D2", None), put("hours!E2", 1)), "hours!D2", "Fill in"),
    ("hours as a time", put("hours!D2", "5:30"), "hours!D2", "digits only"),
    ("half a session", put("hours!E2", 1.5), "hours!E2", "Correct the number"),
    ("sessions away", put("hours!E4", 1), "hours!E4", "no sessions"),
    ("the same hours twice", add("hours", [WEEK, "AB", "cleaning", 1, None]), "hours!5",
     "says it already"),
    ("hours of a person and of the team", add("hours", [WEEK, "EF", "imaging", 1, None]),
     "hours!B5", "those of the whole team"),
    ("a person with a novel for a name", put("hours!B2", "A" * 61), "hours!B2", "Shorten"),
    ("a person in two lines", put("hours!B2", "A\nB"), "hours!B2", "by hand"),
    # exposure
    ("exposure of nobody", put("exposure!B2", None), "exposure!B2", "Fill in the cell"),
    ("exposure on no day", put("exposure!A2", None), "exposure!A2", "like 2026-03-09"),
    ("exposure before the week", put("exposure!A2", date(2026, 1, 11)), "exposure!A2",
     "move the row"),
    ("exposure after the week", put("exposure!A2", date(2026, 1, 19)), "exposure!A2",
     "move the row"),
    ("a date as text, day first", put("exposure!A2", "31/01/2026"), "exposure!A2",
     "Write 2026-01-31"),
    ("a day that does not exist", put("exposure!A2", "2026-02-30"), "exposure!A2", "day or the m"),
    ("30 hours in a day", put("exposure!C2", 30), "exposure!C2", "Correct the number"),
    ("the same exposure twice", add("exposure", [date(2026, 1, 13), "CD", 1]), "exposure!4",
     "says it already"),
    # days
    ("the day grid beside hours and exposure", add("days", [WEEK, "AB", "cleaning", 3, 1]),
     "days!2", "one or the other"),
    ("a day of 25 hours", days([WEEK, "AB", "cleaning", 25, 1]), "days!D2", "Correct"),
    ("a day of 25 hours in two rows", days([WEEK, "AB", "cleaning", 20, 1],
     [WEEK, "AB", "away", 5, None]), "days!D3", "one person"),
    ("more mould hours than hours", days([WEEK, "AB", "cleaning", 2, 2.5]), "days!E2",
     "part of the hours"),
    ("mould hours away", days([WEEK, "AB", "away", 2, 1]), "days!E2", "no exposure"),
    ("a day without a stage", days([WEEK, "AB", None, 2, 1]), "days!C2", "Fill in"),
    ("a stage without hours", days([WEEK, "AB", "cleaning", None, None]), "days!D2", "Fill in"),
    ("a day of another week", days([date(2026, 1, 20), "AB", "cleaning", 2, 1]), "days!A2",
     "move the row"),
    ("the same day and stage twice", days([WEEK, "AB", "cleaning", 2, 1],
     [WEEK, "AB", "cleaning", 3, 1]), "days!3", "says it already"),
    # drying
    ("a batch without a name", put("drying!A2", None), "drying!A2", "Fill in"),
    ("a batch put in next week", put("drying!B3", date(2026, 1, 19)), "drying!B3",
     "in the week that it was put in"),
    ("a batch taken out before it was put in", put("drying!C2", date(2026, 1, 5)), "drying!C2",
     "one of the dates"),
    ("a batch taken out last week", put("drying!C2", date(2026, 1, 9)), "drying!C2", "move the"),
    ("a batch taken out next week", put("drying!C2", date(2026, 1, 20)), "drying!C2", "move the"),
    ("a batch of nothing", put("drying!D2", 0), "drying!D2", "Correct the number"),
    ("a batch without items", put("drying!D2", None), "drying!D2", "Fill in the number"),
    ("more still damp than there were", put("drying!E2", 3), "drying!E2", "some of the items"),
    ("still damp and still in", put("drying!E3", 1), "drying!C3", "Fill in the day"),
    ("a batch twice", add("drying", ["b2", date(2026, 1, 13), None, 2, None]), "drying!4",
     "says it already"),
    # received
    ("an unknown series", put("received!B2", "Minute book"), "received!B2", "Minute books?"),
    ("a material that the series does not hold", put("received!D2", "folder"), "received!D2",
     "Choose one of: volume"),
    ("a box without items", put("received!G2", None), "received!G2", "Fill in the number"),
    ("negative items received", put("received!G2", -1), "received!G2", "Correct the number"),
    ("the same box twice", add("received", [WEEK, "Minute books", "2", "volume", "active", "no",
     4]), "received!4", "says it already"),
    # notes
    ("a stage without a note", put("notes!C3", None), "notes!C3", "Fill in"),
    ("a note of an unknown stage", put("notes!B3", "scanning"), "notes!B3", "Did you mean"),
    ("a note without an end", put("notes!C2", "lamp " * 500), "notes!C2", "Shorten"),
    ("the same note twice", add("notes", [WEEK, None, "New lamps"]), "notes!4", "says it already"),
    # Columns
    ("an unknown column", put("counts!F1", "item"), "counts!F1", "Did you mean items?"),
    ("a column twice", put("counts!H1", "images"), "counts!H1", "Delete the second"),
    ("more rows than a week has", add("notes", *([WEEK, None, str(n)] for n in range(1, 2_000))),
     "notes!2002", "Delete the rows"),
    ("a value without a column", put("counts!J3", "stray"), "counts!J3", "Name the column"),
)

_SHEETS: tuple[tuple[str, Edit, str, str], ...] = (
    ("a renamed sheet", rename("hours", "hour"), "hour", "Did you mean hours?"),
    ("a sheet with a capital letter", rename("counts", "Counts"), "Counts", "mean counts?"),
    ("a sheet that nobody knows", add("colours", ["a", "b"]), "colours", "Choose one of"),
)


def _table_cases() -> Iterator[BadReturn]:
    """Each edit twice: as a workbook and as CSV files."""
    for name, edit, place, remedy in _CELLS:
        sheet, _, cell = place.partition("!")
        row = int(re.sub(r"\D", "", cell))
        # A column that is not known is missing as well, and a value too many breaks a CSV row.
        faults = 2 if name == "an unknown column" else 1
        yield BadReturn(
            f"{name}, workbook",
            _tables(edit, as_book),
            "return.xlsx",
            place if not cell.isdecimal() else f"{sheet}!A{row}",
            remedy,
            faults,
        )
        if name == "a value without a column":
            continue
        column = "" if cell.isdecimal() else _header(edit, sheet, cell)
        yield BadReturn(
            f"{name}, CSV",
            _tables(edit, as_folder),
            f"{sheet}.csv",
            f"row {row}, column {column}" if column else f"row {row}",
            remedy,
            faults,
        )
    for name, edit, sheet, remedy in _SHEETS:
        book, folder = _tables(edit, as_book), _tables(edit, as_folder)
        yield BadReturn(f"{name}, workbook", book, "return.xlsx", f"{sheet}!A1", remedy)
        in_folder = remedy.replace("?", ".csv?")
        yield BadReturn(f"{name}, CSV", folder, f"{sheet}.csv", "", in_folder)


def _header(edit: Edit, sheet: str, cell: str) -> str:
    _, column = coordinate_to_tuple(cell)
    return str(edited(edit)[sheet][0][column - 1])


# --- workbooks only -----------------------------------------------------------------------------


def _book_with(place: str, value: Any) -> Callable[[Path], Path]:
    """A good workbook with a value of any type in a cell."""
    sheet, _, cell = place.partition("!")

    def make(folder: Path) -> Path:
        book = book_of(good_tables())
        book[sheet][cell].number_format = "General"
        book[sheet][cell].value = value
        path = folder / "return.xlsx"
        book.save(path)
        return path

    return make


def _merged(folder: Path) -> Path:
    book = book_of(good_tables())
    book["counts"].merge_cells("B2:B3")
    book.save(folder / "return.xlsx")
    return folder / "return.xlsx"


def _error_value(folder: Path) -> Path:
    book = book_of(good_tables())
    book["counts"]["F2"].value = "#REF!"
    book["counts"]["F2"].data_type = "e"
    book.save(folder / "return.xlsx")
    return folder / "return.xlsx"


_VALUES: tuple[tuple[str, str, Any, str], ...] = (
    ("a formula", "counts!F2", "=1+2", "Write the number"),
    ("a formula for a date", "exposure!A2", "=DATE(2026,1,12)", "Write the number"),
    ("an array formula", "counts!F2", ArrayFormula("F2", "=SUM(G2:G3)"), "Write the number"),
    ("TRUE as a formula", "counts!E2", "=TRUE()", "Write the number, date or word"),
    ("TRUE", "counts!E2", True, "Write yes or no"),
    ("TRUE for a number", "counts!F2", True, "the number itself"),
    ("a date for a number", "counts!F2", date(2026, 3, 1), "digits only"),
    ("a time of day for hours", "hours!D2", time(5, 30), "7.5 for seven hours and a half"),
    ("a duration for hours", "hours!D2", timedelta(hours=5, minutes=30), "7.5 for seven"),
    ("a date with a time of day", "exposure!A2", datetime.fromisoformat("2026-01-12T09:30"),
     "2026-01-12"),
    ("a number for a date", "exposure!A2", 46_034, "like 2026-03-09"),
    ("a number for a stage", "counts!B2", 5, "Choose one of"),
)


# --- files --------------------------------------------------------------------------------------


def _parts(folder: Path, change: Callable[[dict[str, bytes]], None], name: str) -> Path:
    """A good workbook, some of whose parts are changed."""
    path = as_book(good_tables(), folder)
    with zipfile.ZipFile(path) as book:
        parts = {each: book.read(each) for each in book.namelist()}
    change(parts)
    target = folder / name
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as book:
        for each, data in parts.items():
            book.writestr(each, data)
    return target


def _with_part(
    part: str, data: bytes, name: str = "return.xlsx"
) -> Callable[[Path], Path]:
    return lambda folder: _parts(folder, lambda parts: parts.update({part: data}), name)


def _without(part: str) -> Callable[[Path], Path]:
    return lambda folder: _parts(folder, lambda parts: void(parts.pop(part)), "return.xlsx")


def void(_: object) -> None:
    """Let an expression stand for a statement."""


_LAUGHS = (
    '<?xml version="1.0"{}?><!DOCTYPE a [<!ENTITY b "ha">'
    + "".join(f'<!ENTITY b{n} "{"&b;" * 9}">' for n in range(9))
    + "]><sst>&b8;</sst>"
)


def _bytes(data: bytes, name: str = "return.xlsx") -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        (folder / name).write_bytes(data)
        return folder / name

    return make


def _truncated(folder: Path) -> Path:
    path = as_book(good_tables(), folder)
    path.write_bytes(path.read_bytes()[:-200])
    return path


def _flipped(folder: Path) -> Path:
    """A byte in the middle of the packed data is another one."""
    path = as_book(good_tables(), folder)
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as book:
        start = book.getinfo("xl/worksheets/sheet1.xml").header_offset + 100
    data[start] ^= 0xFF
    path.write_bytes(bytes(data))
    return path


def _locked(folder: Path) -> Path:
    """The parts of a workbook, each marked as encrypted."""
    path = as_book(good_tables(), folder)
    data = path.read_bytes()
    central = re.compile(rb"(PK\x01\x02.{4})\x00\x00", re.DOTALL)
    path.write_bytes(central.sub(lambda found: found[1] + b"\x01\x00", data))
    return path


def _many_parts(folder: Path) -> Path:
    more = {f"xl/media/{n}.bin": b"" for n in range(1_001)}
    return _parts(folder, lambda parts: parts.update(more), "return.xlsx")


def _missing(folder: Path) -> Path:
    return folder / "return.xlsx"


def _empty_folder(folder: Path) -> Path:
    (folder / "return").mkdir()
    return folder / "return"


def _csv_file(folder: Path) -> Path:
    return as_folder(good_tables(), folder) / "counts.csv"


def _csv(name: str, data: bytes) -> Callable[[Path], Path]:
    """A good folder, one of whose files is written anew."""

    def make(folder: Path) -> Path:
        target = as_folder(good_tables(), folder)
        (target / name).write_bytes(data)
        return target

    return make


_NOTHING = only("counts", [WEEK, "cleaning", None, None, None, None, None, None, None])
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)
_ZIP_BOMB = bytes(51_000_000)
_SHEET_1 = "xl/worksheets/sheet1.xml"
_VBA = "xl/vbaProject.bin"

_FILES: tuple[BadReturn, ...] = (
    BadReturn("no such file", _missing, "return.xlsx", "", "Check the path"),
    BadReturn("an empty folder", _empty_folder, "return", "", "holds counts.csv"),
    BadReturn("one CSV file", _csv_file, "counts.csv", "", "the folder that it lies in"),
    BadReturn("an empty file", _bytes(b""), "return.xlsx", "", "Save it as .xlsx"),
    BadReturn("text under a workbook's name", _bytes(b"week,stage\n"), "return.xlsx", "",
              "Save it as .xlsx"),
    BadReturn("the beginning of a workbook", _bytes(b"PK\x03\x04rest"), "return.xlsx", "",
              "Save it again"),
    BadReturn("a truncated workbook", _truncated, "return.xlsx", "", "copy it anew"),
    BadReturn("a damaged workbook", _flipped, "return.xlsx", "", "copy it anew"),
    BadReturn("a workbook without its first sheet", _without(_SHEET_1), "return.xlsx", "",
              "copy it anew"),
    BadReturn("a sheet that is no XML", _with_part(_SHEET_1, b"<worksheet><"), "return.xlsx", "",
              "copy it anew"),
    BadReturn("a sheet of another kind of XML", _with_part(_SHEET_1, b"<html/>"), "return.xlsx",
              "", "copy it anew"),
    BadReturn("a password", _bytes(_OLE + "EncryptedPackage".encode("utf-16-le")), "return.xlsx",
              "", "save it without one"),
    BadReturn("parts that are encrypted", _locked, "return.xlsx", "", "save it without one"),
    BadReturn("an old workbook", _bytes(_OLE), "return.xlsx", "", "save it as .xlsx"),
    BadReturn("macros", _with_part(_VBA, b"code"), "return.xlsx", "", "Save it as .xlsx"),
    BadReturn("macros by name", _with_part("docProps/more.xml", b"<a/>", "return.xlsm"),
              "return.xlsm", "", "Save it as .xlsx"),
    BadReturn("a zip bomb", _with_part("xl/media/image1.png", _ZIP_BOMB), "return.xlsx", "",
              "Copy the filled rows"),
    BadReturn("a zip bomb in a sheet", _with_part(_SHEET_1, _ZIP_BOMB[:6_000_000]), "return.xlsx",
              "", "Copy the filled rows"),
    BadReturn("a thousand parts", _many_parts, "return.xlsx", "", "Copy the filled rows"),
    BadReturn("entities that multiply", _with_part("xl/sharedStrings.xml",
              _LAUGHS.format("").encode()), "return.xlsx", "", "Copy the filled rows"),
    BadReturn("entities in UTF-16", _with_part("xl/sharedStrings.xml", _LAUGHS.format(
              ' encoding="UTF-16"').encode("utf-16")), "return.xlsx", "", "Copy the filled rows"),
    BadReturn("another kind of zip", _without("xl/workbook.xml"), "return.xlsx", "",
              "save it as .xlsx"),
    BadReturn("merged cells", _merged, "return.xlsx", "counts!B2:B3", "Take the merging apart", 2),
    BadReturn("an error in a cell", _error_value, "return.xlsx", "counts!F2", "itself"),
    BadReturn("nothing filled in, workbook", _tables(_NOTHING, as_book), "return.xlsx", "",
              "one total for each stage"),
    BadReturn("nothing filled in, CSV", _tables(_NOTHING, as_folder), "return", "",
              "one total for each stage"),
    BadReturn("names of columns only", _tables(only("counts"), as_folder), "return", "",
              "one total for each stage"),
    BadReturn("no week, CSV", _tables(only("counts", [None, "cleaning", None, None, None, 3, None,
              None, None]), as_folder), "return", "", "--week"),
    BadReturn("names of columns only, workbook", _tables(only("drying"), as_book), "return.xlsx",
              "", "one total"),
    BadReturn("bytes in Latin-1", _csv("notes.csv", "week,note\n,Fête\n".encode("latin-1")),
              "notes.csv", "row 2", "CSV (UTF-8)"),
    BadReturn("bytes in UTF-16", _csv("notes.csv", "week,note\n,Fête\n".encode("utf-16")),
              "notes.csv", "", "CSV (UTF-8)"),
    BadReturn("a workbook under a CSV name", _csv("notes.csv", b"PK\x03\x04rest"), "notes.csv", "",
              "as CSV"),
    BadReturn("tabs", _csv("exposure.csv", b"date\tperson\thours\n2026-01-12\tAB\t1\n"),
              "exposure.csv", "", "as CSV"),
    BadReturn("a decimal comma between commas", _csv("exposure.csv", b"date,person,hours\n"
              b'2026-01-12,AB,"2,5"\n'), "exposure.csv", "row 2, column hours", "full stop"),
    BadReturn("a row too short", _csv("exposure.csv", b"date,person,hours\n2026-01-12,AB\n"),
              "exposure.csv", "row 2", "Complete the row"),
    BadReturn("a missing column, CSV", _csv("exposure.csv", b"date,person\n2026-01-12,AB\n"),
              "exposure.csv", "row 1", "Add the column hours"),
    BadReturn("a quotation mark that never ends", _csv("notes.csv", b'week,note\n,"lamps\n'),
              "notes.csv", "row 2", "Close the quotation mark"),
)  # fmt: skip

BAD_RETURNS: tuple[BadReturn, ...] = (
    *_table_cases(),
    *(
        BadReturn(f"{name}, in {place}", _book_with(place, value), "return.xlsx", place, remedy)
        for name, place, value, remedy in _VALUES
    ),
    *_FILES,
)
