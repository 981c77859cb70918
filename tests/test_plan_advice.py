"""What would help, the cheapest plan and how much to survey, in words, tables and charts."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from forecast import plan_advice as advice
from forecast.blocks import Bullets, Figure, Heading, Paragraph, Table
from forecast.compare import compare, outset
from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.items import Category, CollectionRow, Mould
from forecast.levers import Levers
from forecast.project import Project, WorkingTime
from forecast.scenario_file import PlaceBounds, PostBounds, Search
from forecast.schedule_forecast import Settings
from forecast.search import Found
from forecast.staffing_plans import Plans, PlanSettings
from forecast.survey_size import SurveySize
from tests.small_projects import Lot, day, per_item, person, share, small_project

FUNDER, TEAM = "funder", "team"
INITIALS = "QX"


def project() -> Project:
    """Cleaning of 200 items, of which nobody knows how many have mould, by one conservator."""
    time = WorkingTime(
        delivered_share=share(0.8),
        absence_days_a_year=Estimate(5.0, 10.0, 30.0),
        practice=share(1.0),
        week_spread=Estimate(0.1, 0.2, 0.4),
    )
    row = replace(person(INITIALS, "cleaning;reboxing"), hourly_cost=20.0, role="conservator")
    tasks = [
        per_item("cleaning", 60.0, mould=Mould.INACTIVE),
        per_item("cleaning", 5.0),
        per_item("reboxing", 20.0),
    ]
    made = small_project([Lot(1)], tasks, [row], time=time, title="Boxes")
    grant = replace(made.grant, end=day(75), horizon=day(400), items_promised=200)
    return replace(
        made,
        grant=grant,
        collection=(CollectionRow("S0", "volume", 200, 10.0, False, 10.0, 10.0),),
        survey=tuple(
            SurveyRow(Category("volume", mould, red_rot=False), 5)
            for mould in (Mould.NONE, Mould.INACTIVE)
        ),
    )


BOUNDS = Search(
    posts=(PostBounds(INITIALS, most=2, once=300.0),),
    places=(PlaceBounds("cleaning_benches", 2, 3, once=900.0),),
    confidence=0.9,
    tolerance=200.0,
)


@lru_cache
def plans() -> Plans:
    start = outset(project())
    settings = PlanSettings(Settings(Path("boxes"), replications=80))
    return Plans(settings, start, compare(start, [], most=4), bounds=BOUNDS)


@lru_cache
def levers() -> Levers:
    return advice.get_levers(plans(), show_progress=False)


@lru_cache
def found() -> Found:
    searched = advice.get_search(plans(), show_progress=False)
    assert searched is not None
    return searched


@lru_cache
def survey() -> SurveySize:
    return advice.get_survey(plans(), show_progress=False)


def test_what_helps_most_comes_first_in_chart_and_table() -> None:
    section = advice.section_levers(levers())
    (figure,), (table,) = section.of(Figure), section.of(Table)
    assert table.rows[0][0] == f"another conservator (like {INITIALS})"
    assert figure.alternative.startswith(
        f"Weeks sooner, at the middle future: another conservator (like {INITIALS}) +"
    )
    assert table.rows[0][4]  # what limits then
    (said,) = section.of(Bullets)
    assert said.items[0].startswith(f"Another conservator (like {INITIALS}) gains ")
    assert len(said.items) >= 3


def test_a_place_without_a_price_says_so_and_one_with_a_price_costs_it() -> None:
    (table,) = advice.section_levers(levers()).of(Table)
    costs = {row[0]: row[2] for row in table.rows}
    assert costs["another camera station"] == "not told"
    assert costs["another cleaning bench"] == "+900 (+900 to +900)"


def test_outsiders_read_roles_only() -> None:
    words = advice.section_levers(levers(), FUNDER).text()
    words += advice.section_search(found(), FUNDER).text()
    assert INITIALS not in words
    assert INITIALS in advice.section_levers(levers(), TEAM).text()


def test_the_cheapest_plan_is_said_first_and_stands_in_the_chart_and_the_table() -> None:
    section = advice.section_search(found())
    plan = found().plan
    assert plan is not None
    first = section.of(Paragraph)[0].words
    assert f"Of {len(found().candidates)} plans, the cheapest that keeps the promise" in first
    assert plan.scenario.name in first
    assert plan.scenario.name in section.of(Figure)[0].alternative
    (table,) = section.of(Table)
    assert plan.scenario.name in [row[0] for row in table.rows]
    costs = [float(row[2].replace(",", "")) for row in table.rows]
    assert costs == sorted(costs)


def test_without_bounds_nothing_is_searched_and_nothing_shown() -> None:
    nothing = advice.get_search(replace(plans(), bounds=None), show_progress=False)
    assert nothing is None
    assert advice.section_search(nothing).text() == ""


def test_a_search_is_a_page_of_its_own_with_the_cautions() -> None:
    report = advice.search_report(found(), TEAM)
    assert [block.words for block in report.of(Heading)] == [
        "The cheapest plan: Boxes",
        "The cheapest plan that keeps the promise",
        "Cautions",
    ]


def test_a_larger_survey_leaves_a_narrower_range() -> None:
    section = advice.section_survey(survey())
    (figure,), (table,) = section.of(Figure), section.of(Table)
    widths = [float(row[1]) for row in table.rows]
    assert table.rows[0][0] == "0"
    assert widths[-1] < widths[0]
    assert "190 more" in figure.alternative
    assert any("10 of 200 items have been looked at" in p.words for p in section.of(Paragraph))


def test_where_all_was_looked_at_there_is_no_chart() -> None:
    seen = tuple(replace(row, items=100) for row in project().survey)
    start = outset(replace(project(), survey=seen))
    whole = advice.get_survey(replace(plans(), start=start), show_progress=False)
    section = advice.section_survey(whole)
    assert not section.of(Figure)
    assert "a further survey can bring nothing" in section.text()
