"""The week report: limits first, the week against its forecast, and the next week on one page."""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from forecast import week_report as report
from forecast.attribution import Cause, Why
from forecast.blocks import Facts, Figure, Heading, Note, PageBreak, Report, Table
from forecast.errors import InputError
from forecast.items import Mould
from forecast.people import TeamRow
from forecast.planning import Learnt
from forecast.recording import record_return
from forecast.report import collect_report, notebook_path, run_notebook, write_page
from forecast.return_files import write_return
from forecast.schedule_forecast import check_settings
from forecast.stages import N_STAGES, Stage
from forecast.week_report import Week, get_week, week_report
from forecast.weekly import Count, DryingBatch, ExposureDay, Hours, Received, WeeklyReturn
from forecast.weekly import Note as Told
from tests.test_page import CHROMIUM, FLAGS

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
FIRST = date(2026, 1, 5)
SECOND, FOURTH = FIRST + timedelta(weeks=1), FIRST + timedelta(weeks=3)
PERSONS = re.compile(r"\b(AB|CD|EF)\b")


def _returns() -> list[WeeklyReturn]:
    """Three weeks of the small project; nobody told of the third. In the first, AB had too much."""
    sheets = frozenset(("counts", "hours", "exposure", "drying", "received"))
    return [
        WeeklyReturn(
            FIRST,
            sheets,
            counts=(
                Count(Stage.CLEANING, "folder", Mould.NONE, False, 6),
                Count(Stage.IMAGING, "folder", Mould.NONE, False, 5, 75),
                Count(Stage.CHECKING, "folder", Mould.NONE, False, 5),
                Count(Stage.REBOXING, "folder", Mould.NONE, False, 4),
            ),
            hours=(Hours("AB", Stage.DRYING, 3.5, 1), Hours("EF", Stage.IMAGING, 1.5, 2)),
            exposure=(ExposureDay(FIRST, "AB", 3.5),),
            drying=(),
            received=(Received("Loose papers", "3", "folder", Mould.NONE, False, 6),),
        ),
        WeeklyReturn(
            SECOND,
            sheets,
            counts=(
                Count(Stage.QUARANTINE, "folder", Mould.INACTIVE, False, 3),
                Count(Stage.QUARANTINE, "volume", Mould.ACTIVE, False, 1),
                Count(Stage.CLEANING, "folder", Mould.INACTIVE, False, 2),
                Count(Stage.IMAGING, "folder", Mould.NONE, False, 1, 15),
                Count(Stage.REBOXING, "folder", Mould.NONE, False, 1),
            ),
            hours=(Hours("CD", Stage.CLEANING, 2.0, 1), Hours("EF", Stage.IMAGING, 0.5, 1)),
            exposure=(
                ExposureDay(SECOND, "CD", 1.0),
                ExposureDay(SECOND + timedelta(days=1), "AB", 2.0),
                ExposureDay(SECOND + timedelta(days=1), "CD", 0.5),
            ),
            drying=(DryingBatch("one", SECOND + timedelta(days=3), 1),),
            received=(Received("Loose papers", "3", "folder", Mould.INACTIVE, False, 3),),
        ),
        WeeklyReturn(
            FOURTH,
            frozenset(("notes",)),
            notes=(Told(None, "AB and CD were at a course."),),
        ),
    ]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small project with a record of three weeks, of which two issued a forecast."""
    folder = tmp_path_factory.mktemp("week") / "tiny"
    shutil.copytree(TINY, folder)
    for number, told in enumerate(_returns()):
        source = folder.parent / told.week.isoformat()
        write_return(told, source)
        record_return(
            folder,
            source,
            told.week,
            forecast=number < 2,
            now=datetime(2026, 1, 12, 9, tzinfo=UTC) + timedelta(weeks=number),
            replications=40,
            why_replications=20,
        )
    return folder


def _week(folder: Path, as_of: str = "2026-01-18", audience: str = "team") -> Week:
    settings = check_settings(
        folder=str(folder), as_of=as_of, replications=40, seed=1, audience=audience
    )
    return get_week(settings, progress=False)


@pytest.fixture(scope="module")
def first(folder: Path) -> Week:
    return _week(folder, "2026-01-11")


@pytest.fixture(scope="module")
def second(folder: Path) -> Week:
    return _week(folder)


@pytest.fixture(scope="module")
def fourth(folder: Path) -> Week:
    return _week(folder, "2026-02-01")


def _rows(section: Report, table: int = 0) -> dict[str, tuple[str, ...]]:
    """A table's rows by their first cells."""
    return {row[0]: row[1:] for row in section.of(Table)[table].rows}


# --- what is shown, and to whom ------------------------------------------------------------------


def test_a_crossed_limit_stands_before_everything_but_the_title(first: Week) -> None:
    blocks = list(week_report(first))
    assert isinstance(blocks[0], Heading)
    assert isinstance(blocks[2], Note)
    assert "limit was crossed" in blocks[2].label
    assert "AB" in blocks[2].items[0]
    assert "health and safety" in blocks[2].items[0]


def test_without_a_crossed_limit_nothing_is_said_of_one(second: Week) -> None:
    assert list(report.section_crossings(second)) == []


@pytest.mark.parametrize("name", ["first", "second", "fourth"])
def test_a_funder_sees_no_person_and_no_crossing(
    name: str, request: pytest.FixtureRequest
) -> None:
    week = request.getfixturevalue(name)
    shown = str(week_report(replace(week, audience="funder")).as_json())
    assert not PERSONS.search(shown)
    assert "crossed" not in shown
    assert "course" not in shown
    assert PERSONS.search(str(week_report(week).as_json()))


def test_the_first_week_has_no_forecast_to_be_held_against(first: Week) -> None:
    assert "No forecast was issued before" in report.section_this_week(first).text()


def test_a_week_stands_beside_what_was_forecast_for_it(second: Week) -> None:
    rows = _rows(report.section_this_week(second))
    in_week, by_end, middle, eight, where = rows["Imaging"]
    assert (in_week, by_end) == ("1", "6")
    foretold = next(
        each["items"]
        for each in second.issued[0].summary["weekly"]
        if (each["week"], each["stage"]) == ("2026-01-12", "imaging")
    )
    assert middle == str(int(foretold["0.5"]))
    low, high = int(foretold["0.1"]), int(foretold["0.9"])
    assert eight == (f"{low} to {high}" if low < high else str(low))
    assert where == ("below" if low > 6 else "above" if high < 6 else "within")


def test_a_week_without_counts_is_held_against_nothing(fourth: Week) -> None:
    assert "Items were not told" in report.section_this_week(fourth).text()


def test_what_a_missing_week_did_is_said_to_be_missing(fourth: Week) -> None:
    told = replace(fourth.told, told=fourth.told.told | {"counts"})
    note = report.section_this_week(replace(fourth, told=told)).of(Table)[0].note
    assert "What was done in the week of 19 January 2026 was not told." in note


def test_weeks_without_a_return_are_named(second: Week, fourth: Week) -> None:
    facts = dict(report.section_summary(fourth).of(Facts)[0].pairs)
    assert facts["Weeks without a return"] == "week of 19 January 2026"
    assert "Weeks without a return" not in dict(report.section_summary(second).of(Facts)[0].pairs)


def test_what_is_done_counts_up_to_the_week(second: Week) -> None:
    facts = dict(report.section_summary(second).of(Facts)[0].pairs)
    assert facts["Items done so far"] == "5 of 30 promised"
    assert facts["Weeks on record"] == "2"


def test_how_much_rests_on_first_estimates_is_said(second: Week) -> None:
    mostly = sum(each.still_estimate > 0.5 for each in second.learnt)
    said = report.section_summary(second).text()
    assert f"{mostly} still rest mostly on the first estimates" in said
    assert "a change of the work that has not happened yet" in said


def test_the_causes_add_up_to_the_change(second: Week) -> None:
    assert second.own is not None
    why = Why.from_json(second.own.why)
    section = report.section_why(second)
    rows = _rows(section)
    parts = [float(row[0].replace("+", "")) for name, row in rows.items() if name != "All together"]
    assert sum(parts) == pytest.approx(float(rows["All together"][0].replace("+", "")), abs=0.3)
    assert sum(parts) == pytest.approx(why.days, abs=0.3)
    assert len(section.of(Figure)) == 1


def test_a_week_whose_forecast_explains_nothing_says_so(fourth: Week) -> None:
    assert fourth.own is None
    assert "No forecast with an explanation" in report.section_why(fourth).text()


def test_the_largest_cause_stands_first(second: Week) -> None:
    assert second.own is not None
    why = Why.from_json(second.own.why)
    causes = (Cause("progress made", 1.0, 0.0, 2.0, 0.0, 0.0, 0.0),
              Cause("hours delivered", -30.0, -40.0, -20.0, 0.1, 0.0, 0.2))  # fmt: skip
    own = replace(second.own, why=replace(why, causes=causes).to_json())
    rows = [*_rows(report.section_why(replace(second, issued=(own,))))]
    assert rows == ["Hours delivered", "Progress made", "All together"]


# --- what was learnt -----------------------------------------------------------------------------


def _learnt(name: str, unit: str = "share", *, now: float = 0.7) -> Learnt:
    return Learnt(name, unit, (0.6, 0.75, 0.85), (now - 0.05, now, now + 0.05), 9.0, 0.4)


MINUTES = "minutes an item at the present practice"


@pytest.mark.parametrize(
    ("name", "unit", "words", "shown_unit"),
    [
        ("cleaning/volume/any/any/item", MINUTES, "Cleaning a volume", "minutes"),
        (
            "cleaning/volume/none/yes/item",
            MINUTES,
            "Cleaning a volume with red rot and no mould",
            "minutes",
        ),
        ("imaging/any/any/any/image", "minutes an image", "Imaging an item, each image", "minutes"),
        ("imaging/album/active/no/item", MINUTES,
         "Imaging an album with growing mould and no red rot", "minutes"),
        ("cleaning/map/none/no/item", MINUTES, "Cleaning a map without red rot or mould",
         "minutes"),
        ("covers/a/b/any/any/item", MINUTES, "Covers of an a/b", "minutes"),
        ("drying/any/active/any/item", "days a round", "Drying an item with growing mould",
         "days a round"),
        ("time.delivered_share", "share", "Delivered share of rostered hours", "%"),
        ("time.absence_days_a_year", "days a year", "Absence, working full time", "days a year"),
        ("images: Letters, deeds, folder", "images an item", "Images of a folder of Letters, deeds",
         "images an item"),
    ],
)  # fmt: skip
def test_a_figure_is_called_as_a_team_would_call_it(
    second: Week, name: str, unit: str, words: str, shown_unit: str
) -> None:
    section = report.section_learnt(replace(second, learnt=(_learnt(name, unit),)))
    assert section.of(Table)[0].rows[0][:2] == (words, shown_unit)


def test_every_name_of_a_real_belief_becomes_words(second: Week) -> None:
    assert second.learnt
    names = [row[0] for row in report.section_learnt(second).of(Table)[0].rows]
    assert not [name for name in names if re.search(r"[/_.]|any", name)]


def test_shares_are_shown_in_hundredths_and_minutes_as_they_are(second: Week) -> None:
    learnt = (_learnt("time.delivered_share"), _learnt("cleaning/any/any/any/item", MINUTES))
    rows = _rows(report.section_learnt(replace(second, learnt=learnt)))
    assert rows["Delivered share of rostered hours"][1:3] == ("75 (60 to 85)", "70 (65 to 75)")
    assert rows["Cleaning an item"][1:3] == ("0.75 (0.60 to 0.85)", "0.70 (0.65 to 0.75)")


def test_what_moved_far_is_said_and_what_did_not_is_not(second: Week) -> None:
    learnt = (_learnt("time.delivered_share", now=0.6), _learnt("drying.still_damp", now=0.74))
    said = report.section_learnt(replace(second, learnt=learnt)).text().split("\n\n")[1]
    assert "Delivered share of rostered hours: now 60 %, first thought 75." in said
    assert "damp" not in said


def test_before_anything_is_learnt_it_says_so(second: Week) -> None:
    none = replace(second, learnt=())
    assert "nothing of the estimates yet" in report.section_learnt(none).text()
    assert "It rests on the first estimates." in report.section_summary(none).text()


# --- where items wait, and exposure --------------------------------------------------------------


def test_an_item_in_drying_is_in_its_place_and_does_not_wait(second: Week) -> None:
    rows = _rows(report.section_waiting(second))
    assert rows["Drying, in a place"] == ("1", "1")
    assert "Drying, waiting for a place or for attention" not in rows
    # Eight were cleaned, and six of them imaged.
    assert rows["Imaging"] == ("2", "2")


def test_what_is_told_to_be_at_a_stage_waits_there_in_every_future(second: Week) -> None:
    waiting, in_place = second.coming.waiting, second.coming.in_place
    assert (waiting[:, Stage.IMAGING] == 2).all()
    # Six were imaged and five reboxed; which of them are checked is luck.
    assert (waiting[:, [Stage.CHECKING, Stage.REBOXING]].sum(axis=1) == 1).all()
    assert (in_place[:, Stage.DRYING] == 1).all()
    assert not in_place[:, Stage.IMAGING].any()


def test_where_nothing_waits_it_says_so(second: Week) -> None:
    none = np.zeros_like(second.coming.waiting)
    idle = replace(second, coming=replace(second.coming, waiting=none, in_place=none))
    assert "Nothing waits at any stage." in report.section_waiting(idle).text()


def test_exposure_stands_in_the_order_of_names_beside_the_limits(second: Week) -> None:
    table = report.section_exposure(second).of(Table)[0]
    assert table.rows == (("AB", "2.0", "2.0", "1"), ("CD", "1.5", "1.0", "2"))
    assert "3 hours a day, on 3 days in any seven days" in table.note
    assert "does not show that work is safe" in table.note


def test_untold_exposure_is_not_none(fourth: Week) -> None:
    assert "Exposure was not told" in report.section_exposure(fourth).text()


def test_the_track_record_is_one_sentence(second: Week) -> None:
    assert "too few to judge" in report.section_track_record(second).text()


# --- the next week -------------------------------------------------------------------------------


def test_the_next_week_begins_and_ends_a_sheet_of_paper(second: Week) -> None:
    section = report.section_next_week(second)
    assert isinstance(section[0], PageBreak)
    assert isinstance(section[-1], PageBreak)
    assert section.of(Heading)[0].words == "The week of 19 January 2026, on one page"


def test_hours_of_posts_add_up_to_those_of_a_stage(second: Week) -> None:
    middle = second.coming.hours.mean(axis=0)
    rows = _rows(report.section_next_week(second))
    assert float(rows["All stages"][-1]) == pytest.approx(middle.sum(), abs=0.05)
    for name, cells in rows.items():
        posts = sum(float(cell) for cell in cells[1:-1])
        assert posts == pytest.approx(float(cells[-1]), abs=0.2), name


def test_a_funder_sees_roles_in_the_place_of_persons(second: Week) -> None:
    section = report.section_next_week(replace(second, audience="funder"))
    assert len(section.of(Table)) == 1
    assert set(section.of(Table)[0].columns) <= {
        "Stage", "Items", "Conservator", "Assistant", "Photographer", "All hours",
    }  # fmt: skip


def test_limits_leave_no_mould_hours_to_who_has_used_up_the_days(second: Week) -> None:
    rows = _rows(report.section_next_week(second), 1)
    # AB works Monday, Tuesday and Thursday; EF does no mould work.
    assert set(rows) == {"AB", "CD"}
    assert max(float(cell) for cell in rows["AB"][:-1] if cell != "none") == 3.0


def test_a_week_without_work_says_so(second: Week) -> None:
    coming = replace(
        second.coming,
        items=np.zeros_like(second.coming.items),
        hours=np.zeros_like(second.coming.hours),
    )
    section = report.section_next_week(replace(second, coming=coming))
    assert "No work is expected in that week." in section.text()


def _crowd(second: Week, persons: int) -> Week:
    """As many people, all at work at every stage, with the longest words that are likely."""
    every_day = (6.0,) * 7
    team = tuple(
        TeamRow(f"P{n:02d}", f"conservation assistant {n % 6}", FIRST, None, every_day, 32_400,
                True, tuple(Stage))
        for n in range(persons)
    )  # fmt: skip
    coming = replace(
        second.coming,
        hours=np.full((2, persons, N_STAGES), 12.5),
        items=np.tile([[1000], [1999]], (1, N_STAGES)),
    )
    return replace(second, project=replace(second.project, team=team), coming=coming)


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine")
@pytest.mark.parametrize(
    ("persons", "audience"), [(3, "team"), (7, "team"), (16, "team"), (16, "funder")]
)
def test_the_next_week_fits_one_sheet_of_paper(
    second: Week, tmp_path: Path, persons: int, audience: str
) -> None:
    from playwright.sync_api import sync_playwright
    from pypdf import PdfReader

    week = replace(_crowd(second, persons) if persons > 3 else second, audience=audience)
    page_file = write_page(week_report(week), tmp_path / "week.html")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page()
        page.goto(page_file.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280
        page.pdf(path=tmp_path / "week.pdf", prefer_css_page_size=True)
        browser.close()
    sheets = [sheet.extract_text() for sheet in PdfReader(tmp_path / "week.pdf").pages]
    texts = [re.sub(r"page \d+ of \d+", "", sheet).strip() for sheet in sheets]
    (at,) = [n for n, text in enumerate(texts) if "Items to expect (8 in 10)" in text]
    assert texts[at].startswith("The week of 19 January 2026, on one page")
    assert ("occupational health come first" in texts[at]) == (audience == "team")
    assert texts[at + 1].startswith("Cautions")
    assert at + 2 == len(texts)


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine")
@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_fits_the_window_and_breaks_no_accessibility_rule(
    first: Week, second: Week, tmp_path: Path, width: int
) -> None:
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for week in (first, second):
            page_file = write_page(week_report(week), tmp_path / "week.html")
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto(page_file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            page.close()
        browser.close()


# --- the notebook --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("as_of", "audience", "crossed"),
    [("2026-01-11", "team", True), ("2026-01-11", "funder", False), ("", "team", False)],
)
def test_the_notebook_shows_what_the_functions_say(
    folder: Path, as_of: str, audience: str, crossed: bool
) -> None:
    parameters = {
        "folder": str(folder), "as_of": as_of, "replications": 40, "audience": audience,
    }  # fmt: skip
    shown = collect_report(run_notebook(notebook_path("week_report"), parameters))
    assert shown == week_report(_week(folder, as_of, audience))
    assert bool([n for n in shown.of(Note) if "crossed" in n.label]) == crossed
    levels = [heading.level for heading in shown.of(Heading)]
    assert levels[0] == 1
    assert set(levels[1:]) == {2}


def _refused(parameters: dict[str, object]) -> Sequence[str]:
    with pytest.raises(InputError) as refused:
        run_notebook(notebook_path("week_report"), parameters)
    return [str(problem) for problem in refused.value.problems]


def test_wrong_parameters_are_named_all_in_one_go(folder: Path) -> None:
    wrong = {"folder": str(folder), "as_of": "18.01.2026", "replications": 0, "audience": "press"}
    said = _refused(wrong)
    assert [line.split(":")[0] for line in said] == [
        "parameters, as_of", "parameters, replications", "parameters, audience",
    ]  # fmt: skip
    assert "expected funder or team" in said[2]


def test_a_record_without_a_return_is_refused_in_words(folder: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    shutil.copytree(TINY, bare)
    (said,) = _refused({"folder": str(bare)})
    assert "no return" in said
    assert "forecast record" in said
    (said,) = _refused({"folder": str(folder), "as_of": "2026-01-07"})
    assert "no return up to 2026-01-07" in said
    assert not (bare / "record.sqlite").exists()
