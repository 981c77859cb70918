"""Weekly returns as files: read as they were meant, and written without loss."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from forecast.cells import guard, unguard
from forecast.errors import InputError
from forecast.folder import read_project
from forecast.items import Category, Mould
from forecast.project import Project
from forecast.return_files import possible_stages, read_return, write_return
from forecast.stages import HANDLED_STAGES, Stage
from forecast.weekly import (
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
from tests.bad_returns import WEEK, as_book, as_folder, good_tables, put

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
PROJECT = read_project(TINY)

GOOD = WeeklyReturn(
    WEEK,
    frozenset(SHEETS) - {"days"},
    counts=(
        Count(Stage.CLEANING, "volume", Mould.ACTIVE, False, 3),
        Count(Stage.IMAGING, "volume", items=4, images=160),
        Count(Stage.CHECKING, items=1, rejected=0),
        Count(Stage.CLEANING, "folder", Mould.INACTIVE, False, 1, outcome="set-aside"),
    ),
    hours=(
        Hours("AB", Stage.CLEANING, 5.5, 2),
        Hours("", Stage.IMAGING, 7.0),
        Hours("AB", None, 6.0),
    ),
    exposure=(ExposureDay(WEEK, "AB", 2.5), ExposureDay(date(2026, 1, 13), "CD", 1.0)),
    drying=(
        DryingBatch("b1", date(2026, 1, 6), 2, date(2026, 1, 14), 1),
        DryingBatch("b2", date(2026, 1, 14), 1),
    ),
    received=(
        Received("Minute books", "2", "volume", Mould.ACTIVE, False, 1),
        Received(None, None, None, None, None, 2),
    ),
    notes=(Note(None, "New lamps"), Note(Stage.IMAGING, "Camera repaired")),
)


def problems_of(path: Path, week: date | None = None, project: Project = PROJECT) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_return(path, project, week)
    return [str(problem) for problem in caught.value.problems]


def csv_of(folder: Path, **files: str) -> Path:
    """A folder of CSV files."""
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


# --- what is understood -------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [as_book, as_folder])
def test_a_return_is_read_as_it_was_meant(
    tmp_path: Path, kind: Callable[[Any, Path], Path]
) -> None:
    path = kind(good_tables(), tmp_path)
    assert read_return(path, PROJECT) == GOOD
    assert read_return(path, PROJECT, WEEK) == GOOD


def test_the_smallest_return_is_one_total_for_each_stage(tmp_path: Path) -> None:
    csv_of(tmp_path, counts="stage,items\ncleaning,3\nimaging,0\n")
    told = read_return(tmp_path, PROJECT, WEEK)
    assert told.counts == (Count(Stage.CLEANING, items=3), Count(Stage.IMAGING, items=0))
    assert told.told == {"counts"}


def test_quarantine_has_counts_although_nobody_works_there(tmp_path: Path) -> None:
    csv_of(tmp_path, counts="week,stage,items\n2026-01-12,quarantine,3\n")
    assert read_return(tmp_path, PROJECT).counts == (Count(Stage.QUARANTINE, items=3),)


def test_a_file_from_a_spreadsheet_with_decimal_commas_is_understood(tmp_path: Path) -> None:
    csv_of(tmp_path, hours="\ufeffweek;person;stage;hours\n2026-01-12;AB;imaging;2,5\n;;;\n")
    assert read_return(tmp_path, PROJECT).hours == (Hours("AB", Stage.IMAGING, 2.5),)


def test_the_week_is_the_one_that_dates_lie_in_where_no_row_names_it(tmp_path: Path) -> None:
    csv_of(tmp_path, exposure="date,person,hours\n2026-01-14,AB,1\n2026-01-18,AB,1\n")
    assert read_return(tmp_path, PROJECT).week == WEEK


def test_blank_is_not_told_and_a_row_that_is_only_0_is_none(tmp_path: Path) -> None:
    csv_of(
        tmp_path,
        counts="week,stage,items\n2026-01-12,cleaning,\n",
        hours="week,stage,hours\n",
        exposure="date,person,hours\n,,0\n",
        drying="batch,put_in,items\n,,0\n",
        received="week,items\n2026-01-12,0\n",
        notes="week,note\n2026-01-12,0\n",
    )
    told = read_return(tmp_path, PROJECT)
    assert told == WeeklyReturn(WEEK, frozenset({"exposure", "drying", "received", "notes"}))


def test_batches_printed_beforehand_alone_tell_nothing(tmp_path: Path) -> None:
    csv_of(tmp_path, drying="batch,put_in,taken_out,items\nb1,2026-01-06,,2\n")
    assert "at least one number" in problems_of(tmp_path, WEEK)[0]
    csv_of(tmp_path, counts="stage,items\ncleaning,1\n")
    assert read_return(tmp_path, PROJECT, WEEK).drying == (
        DryingBatch("b1", date(2026, 1, 6), 2),
    )


def test_a_batch_named_like_a_comment_is_a_batch(tmp_path: Path) -> None:
    csv_of(
        tmp_path,
        drying="# Batches, as on the door\nbatch,put_in,items\n#3,2026-01-13,2\n# later,,\n",
        notes='week,note\n2026-01-12,"Lamps\n# new ones"\n',
    )
    told = read_return(tmp_path, PROJECT)
    assert told.drying == (DryingBatch("#3", date(2026, 1, 13), 2),)
    assert told.notes == (Note(None, "Lamps # new ones"),)


def test_cells_may_hold_text_where_it_can_be_read_in_one_way_only(tmp_path: Path) -> None:
    tables = good_tables()
    put("counts!F2", "3")(tables)
    put("hours!D2", "5.5")(tables)
    put("counts!A2", "2026-01-12")(tables)
    put("exposure!A2", datetime.fromisoformat("2026-01-12"))(tables)
    put("received!C2", 2)(tables)
    assert read_return(as_book(tables, tmp_path), PROJECT) == GOOD


def test_columns_may_stand_in_any_order_and_be_left_out(tmp_path: Path) -> None:
    csv_of(tmp_path, counts="items,week,stage\n3,2026-01-12,cleaning\n")
    assert read_return(tmp_path, PROJECT).counts == (Count(Stage.CLEANING, items=3),)


def test_what_is_blank_far_away_or_hidden_changes_nothing(tmp_path: Path) -> None:
    path = as_book(good_tables(), tmp_path)
    book = load_workbook(path)
    book.create_sheet("lists").append(["cleaning"])
    book["lists"].sheet_state = "hidden"
    book.create_sheet("guide").append(["1", "Read me"])
    book.create_sheet("Sheet2")
    for cell in ("A1048576", "XFD5", "F900"):
        book["counts"][cell].number_format = "0.00"
    book["counts"]["B800"].value = "   "
    book["counts"].row_dimensions[3].hidden = True
    book.save(path)
    assert read_return(path, PROJECT) == GOOD


def test_other_files_may_lie_in_the_folder(tmp_path: Path) -> None:
    folder = as_folder(good_tables(), tmp_path)
    for name in ("~$counts.csv", ".hidden.csv", "photo.jpg", "guide.csv"):
        (folder / name).write_bytes(b"\xff\xd8")
    assert read_return(folder, PROJECT) == GOOD


# --- what is refused ----------------------------------------------------------------------------


def test_all_problems_come_in_one_go_by_sheet_and_row(tmp_path: Path) -> None:
    tables = good_tables()
    for place, value in {
        "notes!C3": None, "counts!F4": -1, "counts!A2": date(2026, 1, 19), "counts!B3": "scan",
        "exposure!C2": 30, "hours!D2": "many",
    }.items():  # fmt: skip
        put(place, value)(tables)
    tables["extra"] = [["a"]]
    with pytest.raises(InputError) as caught:
        read_return(as_book(tables, tmp_path), PROJECT)
    assert [problem.place for problem in caught.value.problems] == [
        "counts!A2", "counts!B3", "counts!F4", "hours!D2", "exposure!C2", "notes!C3", "extra!A1",
    ]  # fmt: skip


def test_a_cell_with_a_formula_is_told_once(tmp_path: Path) -> None:
    path = as_book(good_tables(), tmp_path)
    book = load_workbook(path)
    for cell in ("A2", "B2", "C2", "F2", "I5"):
        book["counts"][cell] = "=1"
    book.save(path)
    assert [line.partition(":")[0] for line in problems_of(path)] == [
        f"return.xlsx, counts!{cell}" for cell in ("A2", "B2", "C2", "F2", "I5")
    ]


def test_a_stage_that_is_off_is_refused_with_the_place_to_put_it_on(tmp_path: Path) -> None:
    project = replace(PROJECT, stages_off=frozenset({Stage.CHECKING}))
    (problem,) = problems_of(as_book(good_tables(), tmp_path), project=project)
    assert "counts!B4" in problem
    assert "[stages] in project.toml" in problem


@pytest.mark.parametrize(
    ("week", "words"),
    [
        (date(2026, 1, 14), "Give the Monday of the week that is meant, such as 2026-01-12"),
        (date(2025, 12, 29), "expected a week from 2026-01-05 to 2026-12-31"),
        (date(2027, 1, 4), "expected a week from 2026-01-05 to 2026-12-31"),
    ],
)
def test_a_week_that_is_none_of_the_project_is_refused(
    tmp_path: Path, week: date, words: str
) -> None:
    csv_of(tmp_path, counts="stage,items\ncleaning,3\n")
    (problem,) = problems_of(tmp_path, week)
    assert problem.startswith("--week")
    assert words in problem


def test_a_week_of_another_year_is_refused_where_rows_name_it(tmp_path: Path) -> None:
    csv_of(tmp_path, counts="week,stage,items\n2025-01-13,cleaning,3\n")
    (problem,) = problems_of(tmp_path)
    assert problem.startswith("counts.csv, row 2, column week")


def test_another_weeks_sheet_is_refused_row_by_row(tmp_path: Path) -> None:
    problems = problems_of(as_book(good_tables(), tmp_path), WEEK + timedelta(days=7))
    assert "counts!A2" in problems[0]
    assert all("One return covers one week" in line for line in problems)


def test_a_file_that_cannot_be_read_is_an_input_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = as_book(good_tables(), tmp_path)

    def locked(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", locked)
    assert "close it in the spreadsheet" in problems_of(path)[0]


def test_a_path_that_no_system_has_is_an_input_error() -> None:
    assert problems_of(Path("a\0b.xlsx"))


CELLS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**18), 10**18),
    st.floats(),
    st.dates(date(1950, 1, 1), date(2250, 1, 1)),
    st.times(),
    st.timedeltas(timedelta(0), timedelta(days=300)),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=12),
    st.sampled_from(["=A1", "'=1", "0", "away", "quarantine", "1e9", "NaN", "volume", "#", "yes"]),
)
PLACES = st.sampled_from(
    [
        f"{name}!{chr(ord('A') + column)}{row}"
        for name, table in good_tables().items()
        for column in range(len(table[0]) + 1)
        for row in range(1, 6)
    ]
)


@settings(max_examples=30, deadline=None)
@given(st.dictionaries(PLACES, CELLS, min_size=1, max_size=6), st.sampled_from([None, WEEK]))
def test_whatever_stands_in_the_cells_there_is_a_return_or_an_input_error(
    cells: dict[str, Any], week: date | None
) -> None:
    tables = good_tables()
    for place, value in cells.items():
        put(place, value)(tables)
    for kind in (as_book, as_folder):
        with TemporaryDirectory() as folder:
            try:
                told = read_return(kind(tables, Path(folder)), PROJECT, week)
            except InputError:
                continue
            assert told.week == WEEK or week is None
            assert told.digest


# --- written and read again ---------------------------------------------------------------------

CATEGORIES = list(possible_stages(PROJECT))


def _clean(text: str) -> str:
    """Text as every file of a project has it."""
    return unicodedata.normalize("NFC", text).strip()


LETTERS = st.characters(codec="utf-8", exclude_categories=("Cc", "Cs"))
NAMES = st.one_of(
    st.text(LETTERS, min_size=1, max_size=12),
    st.text("=+-@#'\"ab,; ", min_size=1, max_size=6),
).map(_clean)
NAMES = NAMES.filter(lambda text: 0 < len(text) <= 60)
NOTES = NAMES.map(lambda text: " ".join(text.split())).filter(lambda text: text not in ("", "0"))
DAYS = st.integers(0, 6).map(lambda n: WEEK + timedelta(days=n))
NUMBERS = st.none() | st.integers(0, 30)
HOURS = st.floats(0, 3)


@st.composite
def counts(draw: Any) -> Count:
    category: Category = draw(st.sampled_from(CATEGORIES))
    stages = sorted(possible_stages(PROJECT)[category])
    stage = draw(st.sampled_from(stages))
    material, mould, red_rot = (
        draw(st.sampled_from([None, value]))
        for value in (category.material, category.mould, category.red_rot)
    )
    items = draw(NUMBERS)
    images = draw(NUMBERS) if stage is Stage.IMAGING else None
    rejected = draw(NUMBERS) if stage is Stage.CHECKING else None
    if images is None and rejected is None and items is None:
        items = 1
    outcome = draw(st.sampled_from(["", *ENDINGS])) if items is not None else ""
    return Count(stage, material, mould, red_rot, items, images, rejected, outcome)


@st.composite
def batches(draw: Any) -> DryingBatch:
    items = draw(st.integers(1, 30))
    put_in = WEEK + timedelta(days=draw(st.integers(-6, 6)))
    taken_out = draw(st.none() | DAYS.filter(lambda day: day >= put_in))
    damp = None if taken_out is None else draw(st.none() | st.integers(0, items))
    return DryingBatch(draw(NAMES), put_in, items, taken_out, damp)


WORK = st.none() | st.sampled_from(HANDLED_STAGES)


@st.composite
def hours(draw: Any) -> Hours:
    stage = draw(WORK)
    sessions = None if stage is None else draw(NUMBERS)
    return Hours(draw(NAMES), stage, draw(HOURS), sessions)


@st.composite
def worked_days(draw: Any) -> WorkedDay:
    stage, worked = draw(WORK), draw(HOURS)
    mould = None if stage is None else draw(st.none() | st.floats(0, 1).map(lambda s: s * worked))
    return WorkedDay(draw(DAYS), draw(NAMES), stage, worked, mould)


@st.composite
def received(draw: Any) -> Received:
    row = draw(st.sampled_from(PROJECT.collection))
    mould = draw(st.none() | st.sampled_from(Mould))
    return Received(
        draw(st.sampled_from([None, row.series])),
        draw(st.none() | NAMES),
        draw(st.sampled_from([None, row.material])),
        mould,
        draw(st.sampled_from([None, False])),
        draw(st.integers(1, 30)),
    )


def several(rows: st.SearchStrategy[Any], *key: str) -> st.SearchStrategy[Any]:
    """Some rows that speak of different things."""
    return st.lists(
        rows,
        max_size=4,
        unique_by=lambda row: tuple(getattr(row, name) for name in key),
    ).map(tuple)


@st.composite
def returns(draw: Any) -> WeeklyReturn:
    rows: dict[str, Any] = {
        "counts": draw(several(counts(), "stage", "material", "mould", "red_rot", "outcome")),
        "drying": draw(several(batches(), "batch")),
        "received": draw(
            several(received(), "series", "box", "material", "mould", "red_rot")
        ),
        "notes": draw(
            several(st.builds(Note, st.none() | st.sampled_from(Stage), NOTES), "stage", "note")
        ),
    }
    if draw(st.booleans()):
        rows["days"] = draw(several(worked_days(), "day", "person", "stage"))
    else:
        rows["hours"] = draw(several(hours(), "person", "stage"))
        exposure = st.builds(ExposureDay, DAYS, NAMES, HOURS)
        rows["exposure"] = draw(several(exposure, "day", "person"))
    told = draw(st.sets(st.sampled_from(sorted(rows)), min_size=1)) | {"notes"}
    return WeeklyReturn(WEEK, frozenset(told), **{name: rows[name] for name in sorted(told)})


@settings(max_examples=100, deadline=None)
@given(returns())
def test_what_is_written_is_read_again_without_loss(told: WeeklyReturn) -> None:
    with TemporaryDirectory() as folder:
        target = Path(folder) / "week"
        files = write_return(told, target)
        assert sorted(target.iterdir()) == sorted(files)
        again = read_return(target, PROJECT)
    assert again == told
    assert again.digest == told.digest


@pytest.mark.parametrize("sheet", sorted(SHEETS))
def test_a_sheet_that_was_told_to_be_none_is_so_again(tmp_path: Path, sheet: str) -> None:
    told = WeeklyReturn(WEEK, frozenset({sheet}))
    write_return(told, tmp_path / "week")
    assert read_return(tmp_path / "week", PROJECT) == told


@given(st.text("=+-@#'ab", max_size=5))
def test_guarded_text_is_no_formula_and_comes_back(text: str) -> None:
    assert not guard(text).startswith(("=", "+", "-", "@", "#"))
    assert unguard(guard(text)) == text


def test_a_folder_that_holds_something_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "counts.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="Choose the name of a new folder"):
        write_return(GOOD, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["counts.csv"]


def test_a_return_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "rename", lambda *_: os.open(tmp_path / "nowhere" / "x", 0))
    with pytest.raises(InputError, match="a folder that can be written to"):
        write_return(GOOD, tmp_path / "week")
    assert not list(tmp_path.iterdir())
    monkeypatch.undo()
    (tmp_path / "empty").mkdir()
    write_return(GOOD, tmp_path / "empty")
    assert read_return(tmp_path / "empty", PROJECT) == GOOD


# --- what may pass a stage ----------------------------------------------------------------------


def test_only_growing_mould_is_dried_and_only_bound_dirty_items_have_covers() -> None:
    stages = possible_stages(PROJECT)
    dried = [category for category, possible in stages.items() if Stage.DRYING in possible]
    assert {category.mould for category in dried} == {Mould.ACTIVE}
    covers = [category for category, possible in stages.items() if Stage.COVERS in possible]
    assert {category.material for category in covers} == {"volume"}
    assert all(category.affected for category in covers)
    off = replace(PROJECT, stages_off=frozenset({Stage.IMAGING}))
    assert not any(Stage.IMAGING in possible for possible in possible_stages(off).values())
