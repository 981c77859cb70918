"""Plans in words, tables and charts, from invented projects."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from functools import lru_cache
from html import escape
from pathlib import Path

import pytest

from forecast import staffing_plans
from forecast.blocks import Bullets, Figure, Heading, Note, Table
from forecast.compare import Comparison, Precision, compare, difference, outset
from forecast.errors import InputError
from forecast.estimates import Estimate
from forecast.project import WorkingTime
from forecast.scenario import Scenario, Set, more_of, person_like
from forecast.schedule_forecast import Settings
from forecast.staffing_plans import (
    Plans,
    PlanSettings,
    check_plan_settings,
    chosen_scenarios,
    get_plans,
    plan_sentence,
    plans_report,
    section_changes,
    section_plans,
    section_promises,
    sentences,
)
from forecast.words import money
from tests.small_projects import Lot, day, per_item, person, share, small_project

FUNDER, TEAM = "funder", "team"
INITIALS = "QX"


@lru_cache
def compared() -> Comparison:
    """120 items to box; a second person, a camera that nobody needs, or fewer items promised."""
    time = WorkingTime(
        delivered_share=share(0.8),
        absence_days_a_year=Estimate(5.0, 10.0, 30.0),
        practice=share(1.0),
        week_spread=Estimate(0.1, 0.2, 0.4),
    )
    row = replace(person(INITIALS, "reboxing"), hourly_cost=20.0, role="conservator")
    project = small_project([Lot(120)], [per_item("reboxing", 60.0)], [row], time=time)
    grant = replace(
        project.grant,
        end=day(24),
        horizon=day(200),
        items_promised=120,
        reports_due=(day(10), day(150)),
    )
    project = replace(project, grant=grant, title="Boxes")
    scenarios = [
        replace(person_like(project, INITIALS), name="Two to box"),
        replace(more_of(project, "camera_stations", once=9000.0), name="A second camera"),
        Scenario("The same again"),
        Scenario("Half", changes=(Set("grant.items_promised", {"to": 60}),)),
    ]
    return compare(outset(project), scenarios, most=120)


def plans() -> Plans:
    settings = PlanSettings(Settings(Path("boxes")))
    return Plans(settings, compared().start, compared())


def test_each_plan_has_its_sentence_and_an_honest_one_if_nothing_is_shown() -> None:
    base, better, camera, same, half, known = sentences(compared())
    assert base.startswith("As planned, 120 items are done by 29 January 2026 in ")
    assert re.search(
        r"^Two to box: The promise is kept in over 99 in 100 futures \(.* as planned\)\. The "
        r"middle finish date is \d\.\d weeks earlier \(95 %: \d\.\d to \d\.\d\), \d+ January ",
        better,
    )
    assert camera.startswith("A second camera: No difference that 120 futures can show")
    assert camera.endswith("On average it costs 9,000 GBP more.")
    assert same == ("The same again: Nothing differs in any of the 120 futures. It costs the same.")
    assert "The promise of 60 items by 29 January 2026 is kept in over 99 in 100 futures" in half
    assert known.startswith(("120 futures of each plan were simulated", "After 120 futures"))


def test_a_later_finish_is_called_later() -> None:
    """The base and the better plan change places."""
    base, better = compared().base, compared().plans[0]
    words = plan_sentence(base, better, difference(base, better))
    assert re.search(r"is \d\.\d weeks later \(95 %: \d\.\d to \d\.\d\)", words)


def test_money_is_said_to_the_unit_with_its_currency() -> None:
    assert money(12300.4, "GBP") == "12,300 GBP"
    assert money(-12300.4, "EUR") == "-12,300 EUR"
    assert money(-0.3, "EUR") == "0 EUR"


def test_the_report_has_every_section_once_and_its_charts_have_words() -> None:
    report = plans_report(plans())
    headings = [block.words for block in report.of(Heading)]
    assert headings == [
        "Staffing plans: Boxes",
        "Plans side by side",
        "What each plan changes",
        "What can be promised under each plan",
        "Cautions",
    ]
    for figure in report.of(Figure):
        assert "Two to box" in figure.alternative
        assert escape(figure.title) in figure.svg
    assert len(report.of(Figure)) == 2


def test_every_plan_stands_in_every_table() -> None:
    for section in (section_plans(plans()), section_promises(plans())):
        for table in section.of(Table):
            names = [row[0] for row in table.rows]
            assert names == ["as planned", *(plan.name for plan in compared().plans)]


def test_a_date_for_a_promise_lies_before_the_grants_end_or_is_it() -> None:
    captions = [table.caption for table in section_promises(plans()).of(Table)]
    assert captions == [
        "Items done by 15 January 2026",
        "Items done by 29 January 2026, the grant's end",
    ]


def test_differences_stand_with_their_intervals_and_zero_is_zero() -> None:
    pace, means = section_changes(plans()).of(Table)
    rows = {row[0]: row[1:] for row in pace.rows}
    assert rows["The same again"][:3] == ("0.0 (0.0 to 0.0)", "0.0 (0.0 to 0.0)", "0 (0 to 0)")
    assert re.fullmatch(r"-\d\.\d \(-\d\.\d to -\d\.\d\)", rows["Two to box"][0])
    costs = {row[0]: row[2] for row in means.rows}
    assert costs["A second camera"] == "+9,000 (+9,000 to +9,000)"


def test_a_funder_reads_no_initials() -> None:
    words = plans_report(plans(), FUNDER).text()
    assert INITIALS not in words
    assert INITIALS in plans_report(plans(), TEAM).text()


def test_what_costs_assume_is_said_once_for_all_plans() -> None:
    (note,) = section_plans(plans(), TEAM).of(Note)
    assert len([each for each in note.items if each.endswith(f": {INITIALS}.")]) == 1
    assert any(each.startswith("Two to box: ") for each in note.items)


def test_without_any_other_plan_it_says_how_to_make_one() -> None:
    alone = compare(compared().start, [], most=10)
    report = plans_report(Plans(plans().settings, alone.start, alone))
    assert "There is no other plan yet" in report.text()
    assert not report.of(Bullets)
    assert "What each plan changes" not in report.text()


def test_how_well_the_differences_are_known_is_said() -> None:
    loose = compare(compared().start, [Scenario("A")], most=200, precision=Precision(90.0, 0.9))
    assert sentences(loose)[-1].startswith("After 200 futures of each plan, all differences are ")


def test_parameters_are_checked_all_at_once() -> None:
    with pytest.raises(InputError) as refused:
        check_plan_settings(folder="", replications="many", scenarios=3)  # type: ignore[arg-type]
    assert len(refused.value.problems) == 3
    good = check_plan_settings(folder="x", scenarios=" A ; B;")
    assert good.scenarios == ("A", "B")


def test_names_that_no_scenario_has_are_told_with_those_that_there_are() -> None:
    known = (Scenario("A"), Scenario("B"))
    assert chosen_scenarios(known, ()) == known
    assert chosen_scenarios(known, ("B", "A", "B")) == (known[1], known[0])
    with pytest.raises(InputError, match="the name of a scenario: A; B") as refused:
        chosen_scenarios(known, ("C", "D", "A"))
    assert len(refused.value.problems) == 2


def test_a_folder_without_scenarios_is_compared_with_nothing(tmp_path: Path) -> None:
    tiny = Path(__file__).parent.parent / "scenario_data" / "tiny"
    folder = tmp_path / "tiny"
    shutil.copytree(tiny, folder)
    before = sorted(path.name for path in folder.iterdir())
    found = get_plans(check_plan_settings(folder=str(folder), replications=10))
    assert found.comparison.plans == ()
    assert sorted(path.name for path in folder.iterdir()) == before  # comparing writes nothing


def test_nothing_that_it_says_offers_a_limit() -> None:
    words = staffing_plans.plans_report(plans()).text()
    assert "never a way to gain time" in words
    assert not re.search(r"(raise|higher|longer) (the )?(exposure )?limit", words)
