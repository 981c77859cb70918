"""Good project folders are read as they are meant, and doubtful ones with a warning."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from forecast.errors import InputError
from forecast.estimates import Estimate
from forecast.exposure import CAUTIONS
from forecast.folder import project_files, project_from_files, read_project
from forecast.items import Mould
from forecast.project import Project
from forecast.stages import Place, Stage
from tests.bad_inputs import Spoil, add, drop, put, section, swap

SCENARIO_DATA = Path(__file__).parent.parent / "scenario_data"
DATA_FILES = (
    "collection.csv",
    "survey.csv",
    "task_times.csv",
    "team.csv",
)


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SCENARIO_DATA / "tiny", tmp_path / "tiny"))


def rewrite(path: Path, change: Callable[[str], str]) -> None:
    path.write_bytes(change(path.read_text(encoding="utf-8")).encode())


def same_but_for_the_checksum(first: Project, second: Project) -> bool:
    return vars(first) | {"input_sha256": ""} == vars(second) | {"input_sha256": ""}


# What is read


def test_the_tiny_project_is_read_as_it_is_meant(tiny: Path) -> None:
    project = read_project(tiny)
    assert project.title == "Thirty invented items"
    assert project.total_items == 30
    assert project.persons == ("AB", "CD", "EF")
    assert project.grant.start == date(2026, 1, 5)
    assert project.quarantine_days == 7
    assert project.places.tool_sets is None
    assert project.warnings == ()
    assert len(project.input_sha256) == 64
    seen = project.survey[2]
    assert (seen.category.mould, seen.category.red_rot, seen.box) == (Mould.ACTIVE, False, "2")
    drying = project.task_times[0]
    assert (drying.stage, drying.material, drying.mould) == (Stage.DRYING, None, Mould.ACTIVE)
    assert drying.average == Estimate(3.0, 5.0, 9.0)
    assert project.task_times[6].per_image


def test_several_rows_of_a_person_follow_one_another(tiny: Path) -> None:
    rows = [row for row in read_project(tiny).team if row.person == "CD"]
    assert [row.end for row in rows] == [date(2026, 2, 13), None]
    assert [row.hours[4] for row in rows] == [0.0, 4.0]
    assert {row.begins for row in rows} == {9 * 3600 + 30 * 60}
    assert rows[0].stages == (Stage.COVERS, Stage.CLEANING, Stage.DRYING, Stage.REBOXING)
    assert rows[0].hourly_cost == 16.0


def test_the_demo_is_read_without_a_warning_and_uses_every_file() -> None:
    project = read_project(SCENARIO_DATA / "demo")
    assert project.warnings == ()
    assert project.total_items == 2500
    assert project.grant.items_promised == 2400
    assert len({row.category.material for row in project.survey}) == 5
    assert 390 <= sum(row.items for row in project.survey) <= 420
    assert len(project.persons) == 6
    assert len({row.person for row in project.team if row.mould_work}) == 4
    assert project.closures
    assert project.place_changes
    assert project.day_plan
    assert project.deliveries
    assert project.supplies
    assert project.spend
    assert project.promises
    assert project.pilot
    away = project.place_changes[0]
    assert (away.place, away.number) == (Place.CAMERA, 0)
    assert sum(line.amount for line in project.budget) == project.grant.award
    assert all(row.source for row in project.task_times)


@pytest.mark.parametrize("name", ["demo", "tiny"])
def test_an_invented_project_says_so_and_shows_every_caution(name: str) -> None:
    text = (SCENARIO_DATA / name / "README.md").read_text(encoding="utf-8")
    assert "invented" in text
    for caution in CAUTIONS:
        assert caution in text


# How it may be written


def test_a_byte_order_mark_changes_nothing(tiny: Path) -> None:
    plain = read_project(tiny)
    for name in ("project.toml", *DATA_FILES):
        (tiny / name).write_bytes(b"\xef\xbb\xbf" + (tiny / name).read_bytes())
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_windows_line_ends_change_nothing(tiny: Path) -> None:
    plain = read_project(tiny)
    for name in ("project.toml", *DATA_FILES):
        (tiny / name).write_bytes((tiny / name).read_bytes().replace(b"\n", b"\r\n"))
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_semicolons_and_decimal_commas_change_nothing(tiny: Path) -> None:
    plain = read_project(tiny)
    for name in ("collection.csv", "survey.csv", "task_times.csv"):
        rewrite(tiny / name, lambda text: text.replace(",", ";").replace(".", ","))
    assert "0,6" in (tiny / "task_times.csv").read_text(encoding="utf-8")
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_a_list_of_stages_in_a_semicolon_file_stands_in_quotes_or_has_commas(tiny: Path) -> None:
    plain = read_project(tiny)

    def with_commas(text: str) -> str:
        return text.replace(";", "+").replace(",", ";").replace("+", ",")

    rewrite(tiny / "team.csv", with_commas)
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_notes_and_blank_rows_are_passed_over(tiny: Path) -> None:
    plain = read_project(tiny)
    for name in DATA_FILES:
        rewrite(tiny / name, lambda text: f'# a note, with "marks,"\n\n{text},,,\n"# another"\n')
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_blank_columns_at_the_right_are_passed_over(tiny: Path) -> None:
    plain = read_project(tiny)
    rewrite(tiny / "survey.csv", lambda text: text.replace("\n", ",,\n"))
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_rows_are_counted_as_a_spreadsheet_counts_them(tiny: Path) -> None:
    rewrite(tiny / "collection.csv", lambda text: "# note\n\n" + text.replace("12,40", "12,x"))
    with pytest.raises(Exception, match="row 4, column images_per_item"):
        read_project(tiny)


def test_files_of_other_kinds_may_lie_in_the_folder(tiny: Path) -> None:
    plain = read_project(tiny)
    for name in (
        "~$plan.xlsx",
        ".~lock.team.csv#",
        ".hidden.csv",
        "notes.md",
        "record.sqlite",
        "page.html",
        "report.pdf",
        "out.json",
        "look.ipynb",
    ):
        (tiny / name).write_bytes(b"\xff")
    (tiny / "narrative").mkdir()
    (tiny / "reports").mkdir()
    assert read_project(tiny) == plain


# Defaults


def test_each_default_that_a_forecast_relies_on_is_told_once(tiny: Path) -> None:
    used = read_project(tiny).defaults_used
    assert len(used) == len(set(used))
    for place in ("drying.still_damp", "time.practice", "team.csv:end", "deliveries.csv:date"):
        assert place in used
    for place in ("exposure.hours_per_day", "grant.horizon", "team.csv:begins", "project.title"):
        assert place not in used


def test_a_default_that_is_left_out_is_filled_and_told(tiny: Path) -> None:
    swap("project.toml", "hours_per_day = 3.0\n", "")(tiny)
    swap("project.toml", "horizon = 2026-12-31\nitems_promised = 30\n", "")(tiny)
    rewrite(tiny / "team.csv", lambda text: text.replace("09:00", ""))
    rewrite(tiny / "task_times.csv", lambda text: text.replace("12,0.3,", "12,,"))
    project = read_project(tiny)
    assert project.exposure.hours_per_day == 3.0
    assert project.grant.horizon == date(2028, 3, 31)
    assert project.grant.items_promised == 30
    assert project.team[0].begins == 9 * 3600
    assert project.task_times[1].scatter == 0.4
    assert set(project.defaults_used) >= {
        "exposure.hours_per_day",
        "grant.horizon",
        "grant.items_promised",
        "team.csv:begins",
        "task_times.csv:scatter",
    }


def test_the_horizon_is_two_years_after_the_last_agreed_end_also_from_a_leap_day(
    tiny: Path,
) -> None:
    swap("project.toml", "horizon = 2026-12-31\n", "")(tiny)
    add("project.toml", "[[grant.change]]\ndate = 2026-03-01\nend = 2028-02-29")(tiny)
    grant = read_project(tiny).grant
    assert grant.horizon == date(2030, 2, 28)
    assert grant.end == date(2026, 3, 31)
    assert grant.end_known_on(date(2026, 3, 1)) == date(2028, 2, 29)


def test_images_are_known_where_no_range_is_given(tiny: Path) -> None:
    row = read_project(tiny).collection[0]
    assert (row.images_low, row.images_per_item, row.images_high) == (40.0, 40.0, 40.0)


def test_no_default_is_told_for_stages_that_the_project_does_not_have(tiny: Path) -> None:
    section("stages", 'off = ["drying", "checking"]')(tiny)
    used = read_project(tiny).defaults_used
    assert not [place for place in used if place.startswith(("drying.", "checking."))]


# Settings that are easily misread


def test_three_equal_numbers_are_known(tiny: Path) -> None:
    section("time", "delivered_share = [1, 1, 1]", "week_spread = [0, 0, 0]")(tiny)
    time = read_project(tiny).time
    assert time.delivered_share.is_known
    assert time.week_spread.is_zero


def test_more_hours_of_exposure_stand_where_somebody_approved_them(tiny: Path) -> None:
    swap("project.toml", "hours_per_day = 3.0", 'hours_per_day = 5\napproved_by = "safety"')(tiny)
    assert read_project(tiny).exposure.hours_per_day == 5.0


def test_a_part_of_a_country_may_be_written_with_the_country(tiny: Path) -> None:
    swap("project.toml", '"ENG"', '"GB-ENG"')(tiny)
    assert read_project(tiny).subdivision == "ENG"


def test_a_country_without_known_holidays_is_fine_where_none_are_observed(tiny: Path) -> None:
    swap("project.toml", 'country = "GB"\nsubdivision = "ENG"',
         'country = "XQ"\nobserve_public_holidays = false')(tiny)  # fmt: skip
    assert read_project(tiny).country == "XQ"


def test_a_shift_past_midnight_is_no_error(tiny: Path) -> None:
    swap("team.csv", "09:00", "20:00")(tiny)
    assert read_project(tiny).team[0].begins == 20 * 3600


def test_money_paid_back_is_a_negative_amount(tiny: Path) -> None:
    put("budget.csv", "line,amount\nStaff,900\n")(tiny)
    put("spend.csv", "date,line,amount,note\n2026-02-02,Staff,-20.5,paid back\n")(tiny)
    assert read_project(tiny).spend[0].amount == -20.5


def test_days_off_of_one_person_need_no_reason(tiny: Path) -> None:
    put("closures.csv", "first_day,last_day,person\n2026-02-02,2026-02-03,AB\n")(tiny)
    assert read_project(tiny).closures[0].person == "AB"


# The checksum


def test_the_checksum_follows_the_files_that_are_read_and_no_others(tiny: Path) -> None:
    before = read_project(tiny).input_sha256
    (tiny / "README.md").write_text("other words", encoding="utf-8")
    assert read_project(tiny).input_sha256 == before
    add("survey.csv", "# a note")(tiny)
    assert read_project(tiny).input_sha256 != before


# Warnings

_NO_MOULD_WORK: Spoil = lambda folder: rewrite(  # noqa: E731  # one more row of a table
    folder / "team.csv", lambda text: text.replace(",yes,", ",no,")
)


def _untrained(stage: str) -> Spoil:
    """Nobody is trained for a stage."""
    return lambda folder: rewrite(
        folder / "team.csv", lambda text: text.replace(f";{stage}", "").replace(f"{stage};", "")
    )


@pytest.mark.parametrize(
    ("spoil", "file", "place", "read"),
    [
        (swap("project.toml", "items_promised = 30", "items_promised = 31"), "project.toml",
         "[grant] items_promised", "31"),
        (put("promises.csv", "series,items,by\nMinute books,13,2026-03-01\n"), "promises.csv",
         "series Minute books", "13"),
        (_NO_MOULD_WORK, "team.csv", "column mould_work", "nobody assigned to mould work"),
        (_untrained("covers"), "team.csv", "column stages", "nobody trained for covers"),
        (_untrained("reboxing"), "team.csv", "column stages", "nobody trained for reboxing"),
        (swap("team.csv", "2026-01-05,,6,6,0,6,0,0,0,09:00,yes", "2026-01-05,,6,6,0,6,0,0,0,"
              "09:00,no"), "", "", ""),
        (swap("project.toml", "camera_stations = 1", "camera_stations = 0"), "project.toml",
         "[places] camera_stations", "0"),
        (swap("project.toml", "quarantine_items = 10", "quarantine_items = 0"), "project.toml",
         "[places] quarantine_items", "0"),
        (put("deliveries.csv", "date,series,items\n2026-01-05,Minute books,12\n"
             "2027-01-12,Loose papers,18\n"), "deliveries.csv", "series Loose papers",
         "2027-01-12"),
    ],
)  # fmt: skip
def test_a_doubtful_project_is_read_with_a_warning(
    tiny: Path, spoil: Spoil, file: str, place: str, read: str
) -> None:
    spoil(tiny)
    found = [(w.file, w.place, w.read) for w in read_project(tiny).warnings]
    assert found == ([(file, place, read)] if file else [])


@pytest.mark.parametrize("stage", ["drying", "covers", "cleaning"])
def test_a_stage_of_mouldy_items_needs_one_person_who_is_both(tiny: Path, stage: str) -> None:
    _untrained(stage)(tiny)
    swap("team.csv", "imaging;checking", f"imaging;{stage};checking")(tiny)
    (warning,) = read_project(tiny).warnings
    assert warning.place == "columns stages and mould_work"
    assert stage in warning.read


def test_receiving_needs_somebody_who_is_both_as_soon_as_it_takes_minutes(tiny: Path) -> None:
    add("task_times.csv", "receiving,,,,item,1,2,3,,")(tiny)
    swap("team.csv", "imaging;checking", "imaging;receiving;checking")(tiny)
    (warning,) = read_project(tiny).warnings
    assert "receiving" in warning.read


def test_items_that_are_never_cleaned_stay_mouldy_at_imaging(tiny: Path) -> None:
    section("stages", 'off = ["cleaning"]')(tiny)
    reads = [warning.read for warning in read_project(tiny).warnings]
    assert "nobody for imaging of items with mould" in reads


def test_a_rota_outside_the_grant_is_warned_of(tiny: Path) -> None:
    rewrite(tiny / "team.csv", lambda text: text.replace("2026-01-05,,", "2026-06-01,,"))
    rewrite(tiny / "team.csv", lambda t: "".join(
        line for line in t.splitlines(keepends=True) if not line.startswith("CD")))  # fmt: skip
    reads = [warning.read for warning in read_project(tiny).warnings]
    assert "nobody's hours inside the grant" in reads


def test_a_place_that_comes_later_is_no_lack(tiny: Path) -> None:
    swap("project.toml", "camera_stations = 1", "camera_stations = 0")(tiny)
    put(
        "places.csv",
        "place,number,first_day,last_day\ncamera_stations,1,2026-02-01,2026-03-31\n",
    )(tiny)
    assert read_project(tiny).warnings == ()


def test_a_session_that_could_never_begin_is_warned_of(tiny: Path) -> None:
    section("breathing_protection", "wear_minutes = 40")(tiny)
    section("sessions", "clear_bench = 25", "clear_camera = 20", "shortest = 20")(tiny)
    (warning,) = read_project(tiny).warnings
    assert warning.place == "[sessions] shortest"
    assert "cleaning" in warning.expected
    assert warning.read == "20 minutes, of which 15 are left"


def test_a_note_that_a_spreadsheet_has_quoted_does_not_hide_the_separator(tiny: Path) -> None:
    plain = read_project(tiny)
    rewrite(tiny / "survey.csv", lambda text: f'"# a; b; c; d; e; f; g"\n{text}')
    assert same_but_for_the_checksum(read_project(tiny), plain)


def test_no_warning_asks_for_a_health_reason_or_a_higher_limit(tiny: Path) -> None:
    _NO_MOULD_WORK(tiny)
    text = " ".join(str(warning) for warning in read_project(tiny).warnings)
    assert not any(word in text for word in ("why", "health", "limit", "hours_per_day"))


def test_optional_files_may_be_missing(tiny: Path) -> None:
    drop("README.md")(tiny)
    project = read_project(tiny)
    assert project.deliveries == ()
    assert project.closures == ()


def test_a_project_is_what_its_files_say(tiny: Path) -> None:
    """What is kept of a folder is enough to read it again, when the folder has changed."""
    folder = tiny
    (folder / "record.sqlite").write_bytes(b"none of the project's files")
    files = project_files(folder)
    assert project_from_files(files) == read_project(folder)
    assert "record.sqlite" not in files
    del files["team.csv"]
    with pytest.raises(InputError, match=r"team\.csv"):
        project_from_files(files)
