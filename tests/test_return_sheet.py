"""The return sheet: what it offers, and that a filled one is read as it was meant."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook

from forecast.errors import InputError
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.history import History
from forecast.items import Mould
from forecast.people import Closure
from forecast.project import Project
from forecast.return_files import read_return
from forecast.return_sheet import guide_lines, write_sheet
from forecast.stages import Stage
from forecast.weekly import (
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

DATA = Path(__file__).parent.parent / "scenario_data"
TINY, DEMO = read_project(DATA / "tiny"), read_project(DATA / "demo")
WEEK = date(2026, 1, 12)
PAST = History.of(
    [
        WeeklyReturn(
            date(2026, 1, 5),
            frozenset({"drying"}),
            drying=(
                DryingBatch("=b1", date(2026, 1, 6), 2),
                DryingBatch("b2", date(2026, 1, 7), 1),
            ),
        )
    ]
)
needs_office = pytest.mark.skipif(
    shutil.which("soffice") is None, reason="needs LibreOffice on this machine"
)


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return write_sheet(TINY, WEEK, tmp_path / "sheet.xlsx", PAST)


def fill(path: Path, *filled: tuple[str, dict[str, Any], dict[str, Any]]) -> None:
    """Fill in rows of sheets: the first row that has these printed values, or is blank."""
    book = load_workbook(path)
    for name, printed, values in filled:
        fill_row(book, name, printed, values)
    book.save(path)


def fill_row(book: Workbook, name: str, printed: dict[str, Any], values: dict[str, Any]) -> None:
    table = book[name]
    columns = {column: at for at, column in enumerate(SHEETS[name], 1)}
    for row in range(3, table.max_row + 1):
        cells = {c: table.cell(row, at).value for c, at in columns.items()}
        has = {c: v.date() if isinstance(v, datetime) else v for c, v in cells.items()}
        has = {c: v for c, v in has.items() if v is not None and c != "week"}
        remark = str(table.cell(row, 1).value or "").startswith("#")
        if has == printed and not remark:
            for column, value in values.items():
                table.cell(row, columns[column]).value = value
            return
    raise AssertionError(f"{name} has no row with {printed} and nothing else")


TUESDAY = WEEK + timedelta(days=1)
FILLED: tuple[tuple[str, dict[str, Any], dict[str, Any]], ...] = (
    ("counts", {"stage": "cleaning"}, {"items": 3}),
    ("counts", {"stage": "imaging"}, {"items": 2, "images": 90}),
    ("counts", {"stage": "checking", "material": "folder"}, {"items": 0, "rejected": 1}),
    ("counts", {}, {"stage": "cleaning", "material": "volume", "mould": "active",
                    "red_rot": "yes", "items": 1, "outcome": "set-aside"}),
    ("hours", {"stage": "imaging"}, {"hours": 7.25}),
    ("hours", {"person": "AB", "stage": "cleaning"}, {"hours": 9.5, "sessions": 4}),
    ("hours", {"person": "AB", "stage": "away"}, {"hours": 6}),
    ("exposure", {"date": TUESDAY, "person": "CD"}, {"hours": 2.75}),
    ("drying", {"batch": "=b1", "put_in": date(2026, 1, 6), "items": 2},
     {"taken_out": date(2026, 1, 15), "still_damp": 1}),
    ("drying", {}, {"batch": "3/4", "put_in": date(2026, 1, 15), "items": 1}),
    ("received", {}, {"series": "Minute books", "box": "007", "material": "volume", "items": 5}),
    ("notes", {}, {"stage": "imaging", "note": "Lamps changed on Tuesday"}),
)  # fmt: skip

MEANT = WeeklyReturn(
    WEEK,
    frozenset(SHEETS) - {"days"},
    counts=(
        Count(Stage.CLEANING, items=3),
        Count(Stage.IMAGING, items=2, images=90),
        Count(Stage.CHECKING, "folder", items=0, rejected=1),
        Count(Stage.CLEANING, "volume", Mould.ACTIVE, True, 1, outcome="set-aside"),
    ),
    hours=(
        Hours("", Stage.IMAGING, 7.25),
        Hours("AB", Stage.CLEANING, 9.5, 4),
        Hours("AB", None, 6.0),
    ),
    exposure=(ExposureDay(TUESDAY, "CD", 2.75),),
    drying=(
        DryingBatch("=b1", date(2026, 1, 6), 2, date(2026, 1, 15), 1),
        DryingBatch("b2", date(2026, 1, 7), 1),
        DryingBatch("3/4", date(2026, 1, 15), 1),
    ),
    received=(Received("Minute books", "007", "volume", None, None, 5),),
    notes=(Note(Stage.IMAGING, "Lamps changed on Tuesday"),),
)


# --- filled in ----------------------------------------------------------------------------------


def test_a_filled_sheet_is_read_as_it_was_meant(sheet: Path) -> None:
    fill(sheet, *FILLED)
    assert read_return(sheet, TINY) == MEANT
    assert read_return(sheet, TINY, WEEK).digest == MEANT.digest


def converted(path: Path, kind: str) -> Path:
    """A file as LibreOffice saves it."""
    target = path.parent / "out"
    profile = (path.parent / "profile").as_uri()
    subprocess.run(
        ["soffice", f"-env:UserInstallation={profile}", "--headless", "--convert-to", kind,
         "--outdir", str(target), str(path)],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    return target / f"{path.stem}.{kind}"


@needs_office
def test_a_sheet_that_another_program_has_saved_is_read_as_it_was_meant(sheet: Path) -> None:
    fill(sheet, *FILLED)
    saved = converted(sheet, "xlsx")
    assert saved.read_bytes() != sheet.read_bytes()
    assert read_return(saved, TINY) == MEANT
    checks = load_workbook(saved)["counts"].data_validations.dataValidation
    assert any(check.type == "list" for check in checks), "the drop-downs are still there"


@needs_office
def test_on_paper_it_is_landscape_a4_one_page_wide(sheet: Path) -> None:
    from pypdf import PdfReader

    pages = PdfReader(converted(sheet, "pdf")).pages
    assert {(round(float(p.mediabox.width)), round(float(p.mediabox.height))) for p in pages} == {
        (842, 595)
    }
    texts = [page.extract_text() for page in pages]
    for name, columns in SHEETS.items():
        with_sheet = [text for text in texts if f"{name}, page" in text]
        assert with_sheet, name
        for text in with_sheet:  # the names of the columns, on each page
            assert all(column in text for column in columns), name


def test_one_total_for_each_stage_is_enough(sheet: Path) -> None:
    book = load_workbook(sheet)
    rows = [row for row in book["counts"].iter_rows(min_row=4) if row[1].value]
    totals = rows[: [row[1].value for row in rows].index("reboxing") + 1]
    assert all(row[2].value is None for row in totals)
    for row in totals:
        row[5].value = 2
    book.save(sheet)
    told = read_return(sheet, TINY)
    assert [count.stage for count in told.counts] == [
        Stage.QUARANTINE, Stage.DRYING, Stage.COVERS, Stage.CLEANING, Stage.IMAGING,
        Stage.CHECKING, Stage.REBOXING,
    ]  # fmt: skip
    assert told.told == {"counts", "drying"}


def test_the_day_grid_stands_in_for_hours_and_exposure(sheet: Path) -> None:
    fill(
        sheet,
        (
            "days",
            {"date": WEEK, "person": "AB"},
            {"stage": "cleaning", "hours": 4, "mould_hours": 2},
        ),
        ("days", {}, {"date": WEEK, "person": "AB", "stage": "away", "hours": 2}),
    )
    told = read_return(sheet, TINY)
    assert told.days == (
        WorkedDay(WEEK, "AB", Stage.CLEANING, 4.0, 2.0),
        WorkedDay(WEEK, "AB", None, 2.0),
    )
    assert told.worked == (Hours("AB", Stage.CLEANING, 4.0), Hours("AB", None, 2.0))


@pytest.mark.parametrize("past", [History(), PAST], ids=["nothing drying", "batches drying"])
def test_a_sheet_that_nobody_filled_in_is_no_return(tmp_path: Path, past: History) -> None:
    path = write_sheet(TINY, WEEK, tmp_path / "sheet.xlsx", past)
    with pytest.raises(InputError, match=r"(?s)at least one number.*one total for each stage"):
        read_return(path, TINY)


# --- what it offers -----------------------------------------------------------------------------


def lists_of(path: Path) -> dict[str, list[Any]]:
    """What the drop-downs offer."""
    columns = load_workbook(path)["lists"].iter_cols(values_only=True)
    return {str(first): [v for v in values if v is not None] for first, *values in columns}


def test_it_offers_what_the_project_has_and_no_more(sheet: Path) -> None:
    lists = lists_of(sheet)
    assert lists["stage"] == [
        "quarantine", "drying", "covers", "cleaning", "imaging", "checking", "reboxing",
    ]  # fmt: skip
    assert lists["work"] == [*lists["stage"][1:], "away"]
    assert lists["material"] == ["volume", "folder"]
    assert lists["red_rot"] == ["no", "yes"]
    assert lists["series"] == ["Minute books", "Loose papers"]
    assert lists["person"] == ["AB", "CD", "EF"]
    assert [day.date() for day in lists["date"]] == [WEEK + timedelta(days=n) for n in range(7)]


def test_stages_that_are_off_and_conditions_that_cannot_be_are_left_out(tmp_path: Path) -> None:
    folders = tuple(row for row in TINY.collection if not row.bound)
    seen = tuple(row for row in TINY.survey if row.category.material == "folder")
    project = replace(
        TINY, collection=folders, survey=seen, stages_off=frozenset({Stage.CHECKING})
    )
    lists = lists_of(write_sheet(project, WEEK, tmp_path / "sheet.xlsx"))
    assert lists["stage"] == ["quarantine", "drying", "cleaning", "imaging", "reboxing"]
    assert lists["red_rot"] == ["no"]


def test_only_people_of_that_week_are_offered(tmp_path: Path) -> None:
    lists = lists_of(write_sheet(DEMO, date(2026, 1, 12), tmp_path / "january.xlsx"))
    assert lists["person"] == ["AB", "CD", "EF", "GH"]
    lists = lists_of(write_sheet(DEMO, date(2026, 4, 13), tmp_path / "april.xlsx"))
    assert lists["person"] == ["AB", "CD", "EF", "GH", "IJ", "KL"]


def test_exposure_is_asked_of_those_who_do_mould_work_on_days_that_they_have(
    tmp_path: Path,
) -> None:
    off = Closure(TUESDAY, TUESDAY, "CD")
    path = write_sheet(replace(TINY, closures=(off,)), WEEK, tmp_path / "sheet.xlsx")
    rows = load_workbook(path)["exposure"].iter_rows(min_row=3, max_col=2, values_only=True)
    printed = [(day.date(), person) for day, person in rows if day]  # type: ignore[union-attr]
    at = [WEEK + timedelta(days=n) for n in range(7)]
    assert printed == [
        (at[0], "AB"), (at[1], "AB"), (at[2], "CD"), (at[3], "AB"), (at[3], "CD"),
    ]  # fmt: skip


def test_batches_that_are_still_drying_are_printed(tmp_path: Path) -> None:
    later = WeeklyReturn(
        WEEK,
        frozenset({"drying"}),
        drying=(DryingBatch("b2", date(2026, 1, 7), 1, date(2026, 1, 13), 0),),
    )
    past = History.of([*PAST.returns, later])

    def batches(week: date) -> list[Any]:
        path = write_sheet(TINY, week, tmp_path / f"{week}.xlsx", past)
        cells = load_workbook(path)["drying"].iter_rows(min_row=3, max_col=2, values_only=True)
        return [batch for batch, put_in in cells if put_in]

    assert batches(date(2026, 1, 5)) == []
    assert batches(WEEK) == ["=b1", "b2"]
    assert batches(WEEK + timedelta(days=7)) == ["=b1"]


def test_every_column_has_a_prompt_and_whatever_can_have_bounds_has_them(sheet: Path) -> None:
    book = load_workbook(sheet)
    for name, columns in SHEETS.items():
        checks = book[name].data_validations.dataValidation
        assert [check.promptTitle for check in checks] == [*columns]
        for check in checks:
            assert check.prompt
            assert len(check.prompt) <= 255
            assert len(check.error or "") <= 225
            free = check.promptTitle in ("batch", "box", "note")
            assert bool(check.showErrorMessage) is not free, (name, check.promptTitle)
        assert book[name].freeze_panes == "A3"
        assert book[name].print_title_rows == "$1:$2"


def test_text_stays_text_and_names_stay_as_they_are_typed(sheet: Path) -> None:
    drying = load_workbook(sheet)["drying"]
    assert drying["A4"].value == "=b1"
    assert drying["A4"].data_type == "s"
    assert drying["A4"].number_format == "@"


def test_no_cell_holds_a_formula(sheet: Path) -> None:
    cells = [c for table in load_workbook(sheet) for row in table.iter_rows() for c in row]
    assert len(cells) > 500
    assert not [cell.coordinate for cell in cells if cell.data_type == "f"]


def test_the_guide_has_ten_lines_with_every_caution_and_the_limits() -> None:
    lines = guide_lines(TINY, WEEK)
    assert len(lines) == 10
    text = "\n".join(lines)
    assert all(caution in text for caution in CAUTIONS)
    assert "Planning limits for each person: 3 hours of exposure a day, on 3 days in any" in text
    assert "Write the hours as worked, also where a limit was crossed" in text
    for name in SHEETS:
        assert f"{name}:" in text or f"{name}," in text, name


# --- the file -----------------------------------------------------------------------------------


def test_the_same_week_gives_the_same_bytes(tmp_path: Path) -> None:
    one, two = (write_sheet(DEMO, WEEK, tmp_path / f"{n}.xlsx").read_bytes() for n in "ab")
    assert one == two


def taken(path: Path) -> Path:
    path.write_text("filled in", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("week", "place", "words"),
    [
        (date(2026, 1, 13), lambda path: path, "such as 2026-01-12"),
        (date(2025, 1, 13), lambda path: path, "expected a week from 2026-01-05"),
        (WEEK, taken, "what is filled in there would be lost"),
        (WEEK, lambda path: path.with_suffix(".csv"), "ends in .xlsx"),
        (WEEK, lambda path: path.parent / "nowhere" / path.name, "Choose another place"),
    ],
)
def test_what_cannot_be_written_is_said(
    tmp_path: Path, week: date, place: Callable[[Path], Path], words: str
) -> None:
    path = place(tmp_path / "sheet.xlsx")
    before = path.read_bytes() if path.exists() else None
    with pytest.raises(InputError, match=words):
        write_sheet(TINY, week, path)
    assert (path.read_bytes() if path.exists() else None) == before
    assert not list(tmp_path.glob("*.part"))


def test_strange_names_do_no_harm(tmp_path: Path) -> None:
    project: Project = replace(
        TINY,
        title="=1+1 & " + "long " * 60 + "\x07",
        collection=tuple(replace(row, series=f"=+{row.series}") for row in TINY.collection),
        survey=(),
    )
    path = write_sheet(project, WEEK, tmp_path / "sheet.xlsx")
    assert lists_of(path)["series"] == ["=+Minute books", "=+Loose papers"]
    fill(path, ("received", {}, {"series": "=+Minute books", "items": 1}))
    with pytest.raises(InputError, match=r"received!B3.*a plain value, not a formula"):
        read_return(path, project)
