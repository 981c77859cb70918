"""The form for a weekly return: it offers, reads, checks and records as the workbook does."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from forecast.folder import read_project
from forecast.history import History
from forecast.items import Mould
from forecast.recording import read_history
from forecast.return_form import ReturnForm
from forecast.return_sheet import grids
from forecast.stages import Stage
from forecast.weekly import SHEETS, WeeklyReturn

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
NOW = datetime(2026, 1, 21, 9, tzinfo=UTC)  # a Wednesday
WEEKS = [date(2026, 1, 5), date(2026, 1, 12), date(2026, 1, 19)]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "tiny"
    shutil.copytree(TINY, folder)
    return folder


def form(folder: Path, **options: Any) -> ReturnForm:
    return ReturnForm(folder, **{"forecast": False, "clock": lambda: NOW, **options})


def fill(made: ReturnForm, sheet: str, row: int, **cells: str) -> None:
    """Write into cells; rows count from 1, as the form shows them."""
    while len(made.sheet(sheet).cells) < row:
        made.sheet(sheet).one_more.click()
    for column, value in cells.items():
        made.sheet(sheet).cells[row - 1][column].value = value


def row_of(made: ReturnForm, sheet: str, **printed: str) -> int:
    """The row in which something is printed."""
    return 1 + next(
        n
        for n, row in enumerate(made.sheet(sheet).table())
        if printed.items() <= row.items()
    )


def recorded(folder: Path) -> History:
    return read_history(folder, read_project(folder))


def smallest(made: ReturnForm) -> None:
    """One total: four items were cleaned."""
    fill(made, "counts", row_of(made, "counts", stage="cleaning"), items="4")


# --- what is offered -----------------------------------------------------------------------------


def test_every_week_up_to_now_is_offered_in_words(folder: Path) -> None:
    made = form(folder)
    assert made.week.options == (
        ("Week of Monday 5 January 2026", WEEKS[0]),
        ("Week of Monday 12 January 2026", WEEKS[1]),
        ("Week of Monday 19 January 2026", WEEKS[2]),
    )
    assert made.week.value == WEEKS[0]
    assert "No week is on record yet" in made.on_record.value


def test_every_sheet_is_there_and_none_offers_what_the_project_has_not(folder: Path) -> None:
    made = form(folder)
    assert made.tabs.titles == tuple(SHEETS)
    counts = made.sheet("counts")
    stages = [row["stage"] for row in counts.table()]
    assert stages == ["quarantine", "drying", "covers", "cleaning", "imaging", "checking",
                      "reboxing"]  # fmt: skip
    counts.one_more.click()
    offered = {column: cell.options for column, cell in counts.cells[-1].items()
               if hasattr(cell, "options")}  # fmt: skip
    assert [value for _, value in offered["material"]] == ["", "volume", "folder"]
    assert "receiving" not in [value for _, value in offered["stage"]]
    people = made.sheet("exposure").cells[0]["person"].options
    assert [value for _, value in people] == ["AB"]


def test_images_are_asked_for_at_imaging_only(folder: Path) -> None:
    counts = form(folder).sheet("counts")
    counts.one_more.click()
    open_ = [row["stage"].value for row in counts.cells if not row["images"].disabled]
    assert open_ == ["imaging", ""]
    assert [r["stage"].value for r in counts.cells if not r["rejected"].disabled] == [
        "checking", "",
    ]  # fmt: skip


def test_dates_are_chosen_in_words(folder: Path) -> None:
    made = form(folder)
    fill(made, "drying", 1)
    words = [shown for shown, _ in made.sheet("drying").cells[0]["put_in"].options]
    assert words[:2] == ["", "Mon 5 January 2026"]


def test_a_further_block_of_rows_comes_when_it_is_asked_for(folder: Path) -> None:
    counts = form(folder).sheet("counts")
    before = len(counts.cells)
    (by_material,) = counts.adders
    assert "by material" in by_material.description
    by_material.click()
    added = counts.table()[before:]
    assert {row["material"] for row in added} == {"volume", "folder"}
    assert by_material.layout.display == "none"


def test_no_more_blank_rows_stand_there_than_are_needed(folder: Path) -> None:
    made = form(folder)
    blank = {sheet: sum(not any(row.values()) for row in made.sheet(sheet).table())
             for sheet in SHEETS}  # fmt: skip
    assert blank == {"counts": 0, "hours": 0, "exposure": 0, "days": 0, "drying": 3,
                     "received": 3, "notes": 3}  # fmt: skip


def test_batches_that_are_still_drying_are_printed(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "drying", 1, batch="b1", put_in="2026-01-06", items="1")
    made.save.click()
    assert made.sheet("drying").table() == [
        {"batch": "b1", "put_in": "2026-01-06", "taken_out": "", "items": "1", "still_damp": ""}
    ]
    (put_in,) = made.sheet("drying").cells[0]["put_in"].options
    assert put_in == ("Tue 6 January 2026", "2026-01-06")


def test_the_form_and_the_workbook_offer_the_same(folder: Path) -> None:
    project = read_project(folder)
    grid = grids(project, WEEKS[0])["hours"]
    made = form(folder).sheet("hours")
    for adder in made.adders:
        adder.click()
    printed = [row for _, rows in grid.blocks for row in rows if row]
    filled = [{c: v for c, v in row.items() if v} for row in made.table()]
    assert filled == printed


# --- saving --------------------------------------------------------------------------------------


def test_one_number_is_a_return(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    made.save.click()
    assert "The return of the week of Monday 5 January 2026 is recorded." in made.said.value
    (told,) = recorded(folder).returns
    assert told.told == {"counts"}
    assert [(row.stage, row.items) for row in told.counts] == [(Stage.CLEANING, 4)]


def test_after_saving_the_next_week_is_offered_and_the_record_listed(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    made.save.click()
    assert [week for _, week in made.week.options] == WEEKS[1:]
    assert made.week.value == WEEKS[1]
    assert "5 January 2026" in made.on_record.value
    assert "counts" in made.on_record.value
    assert made.sheet("counts").table()[3]["items"] == ""


def test_every_sheet_is_read_as_files_are(folder: Path, tmp_path: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "counts", 20, stage="imaging", material="folder", mould="none", red_rot="no",
         items="3", images="45")
    fill(made, "hours", 30, person="CD", stage="away", hours="2.5")
    fill(made, "exposure", 1, hours="0")
    fill(made, "drying", 1, batch="#1", put_in="2026-01-06", items="1")
    fill(made, "received", 1, series="Loose papers", box="007", material="folder", items="5")
    fill(made, "notes", 1, note='=the lamp failed, "twice"')  # fmt: skip
    made.save.click()
    assert "is recorded" in made.said.value, made.said.value
    (told,) = recorded(folder).returns
    assert told.told == {"counts", "hours", "exposure", "drying", "received", "notes"}
    assert told.counts[1].mould is Mould.NONE
    assert (told.hours[0].person, told.hours[0].stage, told.hours[0].hours) == ("CD", None, 2.5)
    assert told.exposure[0].hours == 0.0
    assert told.drying[0].batch == "#1"
    assert told.received[0].box == "007"
    assert told.notes[0].note == '=the lamp failed, "twice"'


def test_an_empty_form_tells_nothing_and_says_so(folder: Path) -> None:
    made = form(folder)
    made.save.click()
    assert "Nothing was recorded:" in made.said.value
    assert "one total for each stage" in made.said.value
    assert not recorded(folder).returns


def test_every_problem_is_said_with_the_rows_of_the_form(folder: Path) -> None:
    made = form(folder)
    fill(made, "counts", 4, items="many")
    fill(made, "counts", 20, stage="cleaning", material="folder")
    fill(made, "hours", 2, hours="7:30")
    made.save.click()
    assert "counts, row 4, column items: read &#x27;many&#x27;" in made.said.value
    assert "hours, row 2, column hours" in made.said.value
    assert ".csv" not in made.said.value
    assert not recorded(folder).returns
    # What was typed is still there.
    assert made.sheet("counts").table()[3]["items"] == "many"


def test_a_row_that_says_the_same_twice_is_named_by_both_its_rows(folder: Path) -> None:
    made = form(folder)
    fill(made, "counts", 4, items="1")
    fill(made, "counts", 8, stage="cleaning", items="2")
    made.save.click()
    assert "counts, row 8" in made.said.value
    assert "Row 4 says it already" in made.said.value


def test_what_cannot_have_been_is_refused_as_from_a_file(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "counts", row_of(made, "counts", stage="imaging"), items="9")
    made.save.click()
    assert "9 were imaged when 4 had come out of cleaning" in made.said.value


def test_a_crossed_limit_is_recorded_and_said_first(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "exposure", 1, hours="4.5")
    made.save.click()
    said = made.said.value
    assert said.index("A planning limit was crossed") < said.index("is recorded")
    assert "AB" in said
    assert recorded(folder).returns[0].exposure[0].hours == 4.5


def test_a_week_that_is_not_over_is_recorded_with_a_doubt(folder: Path) -> None:
    made = form(folder)
    made.week.value = WEEKS[2]
    smallest(made)
    made.save.click()
    assert "Recorded, but look at this:" in made.said.value
    assert "a week that is over" in made.said.value
    assert recorded(folder).returns[0].week == WEEKS[2]


def test_what_people_write_is_never_taken_for_a_page(folder: Path) -> None:
    made = form(folder)
    fill(made, "counts", 4, items="<script>alert(1)</script>")
    made.save.click()
    assert "<script>" not in made.said.value
    assert "&lt;script&gt;" in made.said.value


# --- corrections ---------------------------------------------------------------------------------


def test_a_correction_begins_with_what_is_on_record(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "exposure", 1, hours="2")
    made.save.click()
    before = recorded(folder).returns[0]
    made.correction.value = True
    assert [week for _, week in made.week.options] == WEEKS[:1]
    assert made.sheet("counts").table()[0] | {"items": "4"} == made.sheet("counts").table()[0]
    fill(made, "counts", 1, items="5")
    made.save.click()  # the sheet exposure was never looked at
    assert "The earlier figures are kept." in made.said.value
    (after,) = recorded(folder).returns
    assert after.counts[0].items == 5
    assert after.exposure == before.exposure
    assert not made.correction.value
    assert ">1</td>" in made.on_record.value


def test_a_correction_without_a_change_changes_nothing(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "exposure", 1, hours="0")
    made.save.click()
    made.correction.value = True
    made.save.click()
    assert "nothing was changed" in made.said.value


def test_every_row_of_a_return_comes_back_for_a_correction(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    fill(made, "hours", 30, person="AB", stage="cleaning", hours="7.25", sessions="3")
    fill(made, "received", 1, box="=2", items="5")
    made.save.click()
    told: WeeklyReturn = recorded(folder).returns[0]
    made.correction.value = True
    for sheet in told.told:
        rows = [{c: v for c, v in row.items() if c != "week"} for row in told.table(sheet)]
        assert made.sheet(sheet).table() == rows


# --- what can go wrong around it -----------------------------------------------------------------


def test_a_folder_that_is_no_project_is_said_in_words(tmp_path: Path) -> None:
    made = form(tmp_path / "nowhere")
    assert "This folder cannot be used yet:" in made.said.value
    assert made.week.options == ()
    assert made.save.disabled
    made.save.click()
    assert made.sheets == {}


def test_another_folder_can_be_opened(folder: Path, tmp_path: Path) -> None:
    made = form(tmp_path / "nowhere")
    made.folder.value = f" {folder} "
    made.open.click()
    assert made.said.value == ""
    assert len(made.week.options) == 3
    assert not made.save.disabled


def test_before_the_grant_there_is_no_week_to_tell_of(folder: Path) -> None:
    made = form(folder, clock=lambda: datetime(2025, 12, 30, tzinfo=UTC))
    assert made.week.options == ()
    assert made.save.disabled


def test_another_week_begins_with_empty_sheets(folder: Path) -> None:
    made = form(folder)
    smallest(made)
    made.week.value = WEEKS[1]
    assert all(row["items"] == "" for row in made.sheet("counts").table())
    assert made.sheet("exposure").table()[0]["date"] == "2026-01-12"


def test_a_forecast_is_issued_with_the_return_and_said(folder: Path) -> None:
    made = form(folder, forecast=True, replications=20)
    smallest(made)
    made.save.click()
    assert "Forecast as of 11 January 2026" in made.said.value


def test_the_files_of_the_form_are_gone_afterwards(folder: Path, tmp_path: Path) -> None:
    before = sorted(path.name for path in folder.iterdir())
    made = form(folder)
    smallest(made)
    made.save.click()
    after = {path.name for path in folder.iterdir()} - set(before)
    assert after == {"record.sqlite"}
