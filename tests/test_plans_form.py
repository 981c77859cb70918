"""The form for staffing plans: what fields say becomes a scenario, or words beside the field."""

from __future__ import annotations

import re
import shutil
import threading
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from forecast import plans_form
from forecast.compare import outset
from forecast.errors import InputError
from forecast.folder import read_project
from forecast.paired import side_by_side
from forecast.plan_draft import NOWHERE, Field, Opened, change_in_words, one_like, read_draft
from forecast.plans_form import PlansForm, _Background, _chart, _Futures
from forecast.project import Project
from forecast.return_form import ReturnForm
from forecast.scenario import ASK_FIRST, SAFETY_KEYS, Add, Remove, Scenario, Set, apply
from forecast.scenario_file import read_scenarios
from forecast.words import long_date

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
MIDDLE = date(2026, 2, 2)  # the first day that is not history, where a record is made up


@pytest.fixture(scope="module")
def project() -> Project:
    return read_project(TINY)


def wrote(opened: Opened, *removed: str, **fields: str) -> Any:
    """What fields say after some were written into: ``team_0_fri`` is a field of the first row."""
    texts = {at: text for at, text in opened.texts.items() if at[1] not in removed}
    for name, text in fields.items():
        group, key, part = name.split("__")
        texts[group, key, part] = text
    return read_draft(opened, texts)


def plain(project: Project, not_before: date | None = None) -> Opened:
    return Opened.of(project, None, not_before)


def only(read: Any) -> Any:
    """The one change of a plan."""
    assert not read.wrong, read.wrong
    (change,) = read.scenario.changes
    return change


# --- from fields to a scenario -------------------------------------------------------------------


def test_fields_that_nobody_touched_say_the_project_as_it_is(project: Project) -> None:
    read = wrote(plain(project))
    assert read.scenario is None
    assert read.project is project


@pytest.mark.parametrize(("field", "text", "change"), [
    ("team__0__fri", "6", Set("person", {"person": "AB", "fri": 6})),
    ("team__0__hourly_cost", "21.5", Set("person", {"person": "AB", "hourly_cost": 21.5})),
    ("team__0__stages", "drying; cleaning", Set("person", {"person": "AB",
                                                           "stages": "drying;cleaning"})),
    ("team__0__end", "2026-03-01", Set("person", {"person": "AB", "end": date(2026, 3, 1)})),
    ("team__1__wed", "0", Set("person", {"person": "CD", "wed": 0}, None, date(2026, 2, 13))),
    ("team__2__wed", "0", Set("person", {"person": "CD", "wed": 0}, date(2026, 2, 16))),
    ("team__1__end", "2026-02-06", Remove("person", {"person": "CD"}, date(2026, 2, 7),
                                          date(2026, 2, 13))),
    ("places__cleaning_benches__number", "2", Set("places.cleaning_benches", {"to": 2})),
    ("places__cleaning_benches__from", "2026-02-02",
     Set("places.cleaning_benches", {"to": 1}, date(2026, 2, 2))),
    ("grant____items_promised", "25", Set("grant.items_promised", {"to": 25})),
    ("grant____end", "2026-04-30", Set("grant.end", {"to": date(2026, 4, 30)})),
])  # fmt: skip
def test_a_field_that_differs_is_a_change(
    project: Project, field: str, text: str, change: Any
) -> None:
    read = wrote(plain(project), **{field: text})
    assert only(read) == change
    assert read.project == apply(project, read.scenario)


def test_a_change_may_hold_for_a_while(project: Project) -> None:
    read = wrote(plain(project), team__0__fri="6", team__0__from="2026-02-02",
                 team__0__until="2026-02-27")  # fmt: skip
    change = only(read)
    assert (change.from_, change.until) == (date(2026, 2, 2), date(2026, 2, 27))


def test_who_is_removed_goes_and_who_has_two_rows_keeps_the_other(project: Project) -> None:
    assert only(wrote(plain(project), "0")) == Remove("person", {"person": "AB"})
    first = only(wrote(plain(project), "1"))
    assert (first.from_, first.until) == (None, date(2026, 2, 13))


def test_one_more_person_is_a_post_with_a_number_of_its_own(project: Project) -> None:
    opened = plain(project)
    texts = {name: text for (_, key, name), text in opened.texts.items() if key == "0"}
    like = one_like(texts, ["AB", "conservator 2"], None)
    assert like["person"] == "conservator 3"
    read = wrote(opened, **{f"team__new__{name}": text for name, text in like.items()})
    change = only(read)
    assert isinstance(change, Add)
    assert read.project.team[-1].person == "conservator 3"
    assert read.project.team[-1].hours == project.team[0].hours
    assert read.project.team[-1].start == project.team[0].start


def test_money_name_and_why_are_the_scenarios_own(project: Project) -> None:
    read = wrote(plain(project), plan____name="Dear", plan____why="To see", plan____once="1200",
                 plan____monthly="30.5")  # fmt: skip
    assert read.scenario == Scenario("Dear", "To see", (), 1200.0, 30.5)
    assert read.project == apply(project, read.scenario)


# --- a plan that was kept ------------------------------------------------------------------------

KEPT = Scenario(
    "Kept",
    "why",
    (
        Add("place", {"place": "cleaning_benches", "number": 1}, None, None, 400.0),
        Add("person", {"person": "post 2", "like": "AB"}),
        Set("exposure.hours_per_day", {"to": 2}),
    ),
    monthly=10.0,
)


def test_a_kept_plan_is_opened_with_what_it_says_and_stays_the_same(project: Project) -> None:
    opened = Opened.of(project, KEPT, None)
    assert opened.texts["places", "cleaning_benches", "number"] == "2"
    assert opened.texts["plan", "", "monthly"] == "10"
    assert read_draft(opened, opened.texts).scenario == KEPT


def test_another_number_takes_the_place_of_the_kept_one_and_its_cost(project: Project) -> None:
    read = wrote(Opened.of(project, KEPT, None), places__cleaning_benches__number="3")
    assert read.scenario.changes[:2] == KEPT.changes[1:]
    assert read.scenario.changes[2] == Set("places.cleaning_benches", {"to": 3}, once=400.0)


def test_the_number_of_the_project_takes_the_kept_change_away(project: Project) -> None:
    read = wrote(Opened.of(project, KEPT, None), places__cleaning_benches__number="1")
    assert read.scenario.changes == KEPT.changes[1:]


def test_a_person_whom_the_plan_brings_leaves_no_trace_when_removed(project: Project) -> None:
    opened = Opened.of(project, KEPT, None)
    mine = next(key for key in opened.keys if opened.texts["team", key, "person"] == "post 2")
    assert wrote(opened, mine).scenario.changes == (KEPT.changes[0], KEPT.changes[2])


# --- what is wrong, beside its field -------------------------------------------------------------


@pytest.mark.parametrize(("field", "text", "said"), [
    ("team__0__fri", "plenty", "Here stands 'plenty'; expected a number from 0 to 24"),
    ("team__0__fri", "25", "expected a number from 0 to 24"),
    ("team__0__fri", "", "Expected a number from 0 to 24. Fill in the number."),
    ("team__0__begins", "9 o'clock", "a time of day"),
    ("team__0__stages", "cleening", "Did you mean cleaning?"),
    ("team__0__stages", "quarantine", "a stage that somebody works at"),
    ("team__0__start", "9/3/2026", "write 2026-03-09 or 2026-09-03"),
    ("team__0__end", "2025-01-01", "first"),
    ("team__0__from", "soon", "a date as year-month-day"),
    ("team__1__end", "2026-02-20", "another row beside this one"),
    ("team__0__until", "2026-02-01", "Nothing is changed on these days"),
    ("places__cleaning_benches__number", "two", "a whole number from 0 to 1,000,000. Write digits"),
    ("places__cleaning_benches__number", "-1", "a whole number"),
    ("places__camera_stations__from", "never", "a date as year-month-day"),
    ("grant____end", "2031-01-01", "a date up to the horizon"),
    ("places__cleaning_benches__number", "", "Fill in the field."),
    ("grant____items_promised", "many", "a whole number"),
    ("grant____items_promised", "2.5", "a whole number"),
    ("grant____end", "", "Fill in the field."),
    ("plan____once", "a lot", "a number from 0"),
])  # fmt: skip
def test_a_wrong_value_is_said_beside_its_own_field(
    project: Project, field: str, text: str, said: str
) -> None:
    read = wrote(plain(project), **{field: text})
    group, key, name = field.split("__")
    assert read.project is None
    assert list(read.wrong) == [(group, key, name)], read.wrong
    assert said in " ".join(read.wrong[group, key, name])


def test_all_that_is_wrong_is_said_at_once(project: Project) -> None:
    read = wrote(plain(project), team__0__fri="x", team__2__mon="y", grant____end="z",
                 places__tool_sets__until="q")  # fmt: skip
    assert set(read.wrong) == {("team", "0", "fri"), ("team", "2", "mon"), ("grant", "", "end"),
                               ("places", "tool_sets", "until")}  # fmt: skip


def test_a_name_that_somebody_has_is_said_beside_the_name(project: Project) -> None:
    opened = plain(project)
    row = {name: text for (_, key, name), text in opened.texts.items() if key == "0"}
    read = wrote(opened, **{f"team__new__{name}": text for name, text in row.items()})
    assert list(read.wrong) == [("team", "new", "person")]


def test_with_a_record_what_lies_behind_cannot_be_changed(project: Project) -> None:
    opened = plain(project, MIDDLE)
    assert "2" in opened.keys
    read = wrote(opened, team__0__fri="6", team__0__from="2026-01-12")
    assert "a date from 2026-02-02 on" in " ".join(read.wrong["team", "0", "from"])
    read = wrote(opened, team__0__start="2026-01-06")
    assert list(read.wrong) == [("team", "0", "start")]
    read = wrote(opened, places__cleaning_benches__number="2")
    assert {each.first_day for each in read.project.place_changes} == {MIDDLE}


def test_rows_that_are_history_have_no_fields(project: Project) -> None:
    opened = plain(project, date(2026, 2, 16))
    assert "1" not in opened.keys
    assert read_draft(opened, opened.texts).scenario is None


def test_a_laxer_value_in_a_kept_plan_is_refused_with_the_sentence(project: Project) -> None:
    laxer = replace_to(KEPT, 8)
    with pytest.raises(InputError, match=re.escape(ASK_FIRST)):
        Opened.of(project, laxer, None)


def replace_to(scenario: Scenario, hours: float) -> Scenario:
    kept = scenario.changes[:2]
    return Scenario(scenario.name, changes=(*kept, Set("exposure.hours_per_day", {"to": hours})))


def test_safety_has_no_field(project: Project) -> None:
    names = {name for _, _, name in plain(project).texts} | {k for _, k, _ in plain(project).texts}
    assert not names & {key.split(".")[1] for key in SAFETY_KEYS}


def test_changes_are_listed_in_words() -> None:
    said = [change_in_words(each) for each in KEPT.changes]
    assert said == ["Add cleaning benches: number 1", "Add post 2: like AB",
                    "Change hours per day: 2"]  # fmt: skip
    end = Set("grant.end", {"to": date(2026, 4, 30)})
    assert change_in_words(end) == "Change the grant's end: 2026-04-30"
    assert change_in_words(Remove("person", {"person": "AB"}, until=MIDDLE)) == (
        "Remove AB: until 2026-02-02"
    )


# --- the form ------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(TINY, tmp_path / "tiny")
    return tmp_path / "tiny"


def form(folder: Path, **options: Any) -> PlansForm:
    made = PlansForm(folder, **{"replications": 40, "first": 20, **options})
    made.background.wait()
    return made


def put(made: PlansForm, at: Field, text: str) -> None:
    """Write into a field."""
    if at[0] == "team":
        row = made.rows[at[1]]
        if not row.cells:
            row.toggle()
        row.cells[at[2]].input.value = text
    else:
        made.cells[at].input.value = text


def beside(made: PlansForm, at: Field) -> str:
    cell = made.rows[at[1]].cells[at[2]] if at[0] == "team" else made.cells[at]
    words: str = cell.said.value
    return words


FRI: Field = ("team", "0", "fri")
NAME: Field = ("plan", "", "name")
BENCHES: Field = ("places", "cleaning_benches", "number")


def test_the_form_begins_with_the_project_as_it_is(folder: Path) -> None:
    made = form(folder)
    assert "As planned, 30 items" in made.sentence.value
    assert "From 40 futures" in made.status.value
    assert 'role="img"' in made.chart.value
    assert "this plan" not in made.chart.value


def test_a_change_is_run_against_the_same_futures(folder: Path) -> None:
    made = form(folder)
    put(made, FRI, "6")
    assert "Changed: choose Run" in made.status.value
    before = made.chart.value
    made.run.click()
    made.background.wait()
    assert "This plan: " in made.sentence.value
    assert "40 futures half are finished" in made.chart.value
    assert made.chart.value != before


def test_what_is_wrong_stands_beside_the_field_and_nothing_is_run(folder: Path) -> None:
    made = form(folder)
    before = made.sentence.value
    put(made, FRI, "plenty")
    assert "plenty" in beside(made, FRI)
    assert 'role="alert"' in beside(made, FRI)
    made.run.click()
    made.background.wait()
    assert "Nothing was run" in made.status.value
    assert made.sentence.value == before
    put(made, FRI, "6")
    assert beside(made, FRI) == ""


def test_what_people_write_is_never_taken_for_a_page(folder: Path) -> None:
    made = form(folder)
    put(made, FRI, "<b>6</b>")
    assert "&lt;b&gt;6" in beside(made, FRI)
    put(made, FRI, "6")
    put(made, NAME, "<script>")
    made.run.click()
    made.background.wait()
    assert "<script>" not in made.sentence.value


def test_a_plan_is_kept_under_its_name_with_the_comments_of_the_file(folder: Path) -> None:
    (folder / "scenarios.toml").write_text("# what we think of\n")
    made = form(folder)
    put(made, FRI, "6")
    made.keep.click()
    assert "a name for the plan" in beside(made, NAME)
    put(made, NAME, "Fridays")
    made.keep.click()
    assert "Kept in scenarios.toml: Fridays." in made.kept_words.value
    assert made.plan.value == "Fridays"
    assert (folder / "scenarios.toml").read_text().startswith("# what we think of\n")
    (kept,) = read_scenarios(folder, read_project(folder)).scenarios
    assert kept.changes == (Set("person", {"person": "AB", "fri": 6}),)


def test_a_name_that_is_taken_is_replaced_only_if_told(folder: Path) -> None:
    made = form(folder)
    for hours in ("6", "5"):
        put(made, FRI, hours)
        put(made, NAME, "Fridays")
        made.keep.click()
    assert "a name that no scenario has yet" in beside(made, NAME)
    made.replace.value = True
    made.keep.click()
    (kept,) = read_scenarios(folder, read_project(folder)).scenarios
    assert kept.changes[-1] == Set("person", {"person": "AB", "fri": 5})


def test_kept_plans_are_compared_in_a_table(folder: Path) -> None:
    made = form(folder)
    put(made, FRI, "6")
    put(made, NAME, "Fridays")
    made.keep.click()
    put(made, BENCHES, "2")
    put(made, NAME, "Fridays and a bench")
    made.keep.click()
    assert list(made.kept) == ["Fridays", "Fridays and a bench"]
    made.compare.click()
    made.background.wait()
    heads = re.findall(r'<th scope="row"[^>]*>(.*?)</th>', made.compared.value)
    assert heads[:3] == ["as planned", "Fridays", "Fridays and a bench"]
    made.kept["Fridays"].value = made.kept["Fridays and a bench"].value = False
    made.compare.click()
    assert "Tick a plan" in made.compare_status.value


def persons(made: PlansForm) -> tuple[str, ...]:
    """Who is there under the plan that the fields say."""
    read = made.check()
    assert read.project is not None
    return read.project.persons


def test_people_are_added_removed_and_put_back(folder: Path) -> None:
    made = form(folder)
    made.rows["0"].like.click()
    (mine,) = [key for key in made.rows if key not in "0123"]
    assert persons(made)[-1] == "conservator 2"
    made.rows[mine].remove.click()
    assert made.check().scenario is None
    made.rows["0"].remove.click()
    assert "AB" not in persons(made)
    assert made.rows["0"].remove.description == "Put AB back"
    made.rows["0"].remove.click()
    assert made.check().scenario is None


def test_a_laxer_value_on_file_is_refused_in_words_and_the_project_is_still_there(
    folder: Path,
) -> None:
    (folder / "scenarios.toml").write_text(
        '[[scenario]]\nname = "Longer days"\n'
        'set = [{what = "exposure.hours_per_day", to = 8}]\n'
    )
    made = form(folder)
    assert ASK_FIRST in made.about.value
    assert [value for _, value in made.plan.options] == [""]
    assert "As planned" in made.sentence.value


def test_safety_and_cautions_are_read_only_text(folder: Path) -> None:
    made = form(folder)
    assert "hours of exposure a day" in made.about.value
    assert "keeping to them does not show that work is safe" in made.about.value


def test_a_folder_that_is_no_project_is_said_in_words(tmp_path: Path, folder: Path) -> None:
    made = form(tmp_path / "nowhere")
    assert "This folder cannot be used yet:" in made.about.value
    assert made.run.disabled
    made.folder.value = str(folder)
    made.open.click()
    made.background.wait()
    assert "As planned" in made.sentence.value
    assert not made.run.disabled


def test_a_date_that_cannot_be_read_is_said_in_words(folder: Path) -> None:
    made = form(folder, as_of="tomorrow")
    assert "as_of: read &#x27;tomorrow&#x27;" in made.about.value


def test_with_a_record_all_plans_start_from_where_everything_is(folder: Path) -> None:
    told = ReturnForm(folder, forecast=False, clock=lambda: datetime(2026, 1, 14, tzinfo=UTC))
    told.sheet("counts").cells[3]["items"].value = "4"
    told.save.click()
    assert "is recorded" in told.said.value
    made = form(folder)
    assert "Known up to 11 January 2026, 1 week on record" in made.about.value
    assert "Changes begin on 12 January 2026 or later" in made.about.value
    assert "As planned, 30 items" in made.sentence.value
    put(made, FRI, "6")
    put(made, ("team", "0", "from"), "2026-01-06")
    assert "expected a date from 2026-01-12 on" in beside(made, ("team", "0", "from"))
    put(made, ("team", "0", "from"), "2026-01-13")
    made.run.click()
    made.background.wait()
    assert "This plan: " in made.sentence.value


# --- in the background ---------------------------------------------------------------------------


def test_what_an_older_run_brings_never_takes_the_place_of_a_newer_one() -> None:
    background, go, seen = _Background(), threading.Event(), []

    def slow(turn: Any) -> None:
        go.wait(10)
        assert not turn.show(lambda: seen.append("older"))

    background.start(slow)
    older = background._thread
    background.start(lambda turn: turn.show(lambda: seen.append("newer")))
    background.wait()
    go.set()
    assert older is not None
    older.join()
    assert seen == ["newer"]


def test_a_change_stops_what_is_on_its_way(folder: Path) -> None:
    made = PlansForm(folder, replications=100_000, first=20)
    put(made, FRI, "6")
    made.background.wait(60)
    assert made.background._thread is not None
    assert not made.background._thread.is_alive()
    assert "Changed" in made.status.value


def test_futures_that_are_there_are_not_simulated_again(
    project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[int, range]] = []

    def counted(projects: Any, indices: range, **options: Any) -> Any:
        asked.append((len(projects), indices))
        return side_by_side(projects, indices, **options)

    monkeypatch.setattr(plans_form, "side_by_side", counted)
    futures = _Futures(outset(project))
    plan = Scenario("One", changes=(Set("person", {"person": "AB", "fri": 6}),))
    again = Scenario("Another name", "and why", plan.changes, 100.0)
    futures.sides([None], 8)
    sides = futures.sides([None, plan], 8)
    futures.sides([None, again], 8)
    assert asked == [(1, range(8)), (1, range(8))]
    more = futures.sides([None, plan], 12)
    assert asked[2:] == [(2, range(8, 12))]
    assert sides is not None
    assert more is not None
    assert list(more[1].taken.finish_day[:8]) == list(sides[1].taken.finish_day)
    whole = side_by_side([apply(project, plan)], range(12), by_day=False)[0]
    assert list(more[1].taken.finish_day) == list(whole.finish_day)


def test_the_chart_counts_futures_by_each_date(project: Project) -> None:
    futures = _Futures(outset(project))
    plan = Scenario("One", changes=(Set("person", {"person": "AB", "fri": 6}),))
    base, changed = futures.sides([None, plan], 12) or []
    half = changed.finish(0.5)
    assert half is not None
    assert f"by {long_date(half)} under this plan" in _chart(changed, base).alternative


def test_nothing_is_said_nowhere_without_a_reason(project: Project) -> None:
    assert NOWHERE not in wrote(plain(project), team__0__fri="x").wrong
