"""Every chart says what it shows, in colours that can be told apart, and the same on every run."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from datetime import date, timedelta
from functools import lru_cache

import pandas as pd
import pytest

from forecast import chart_parts, charts, plan_charts, tables
from forecast.blocks import Figure
from tests.made_up import futures

SVG = "{http://www.w3.org/2000/svg}"
KEYS = (
    "delivery",
    "weekly",
    "waiting",
    "late-drying",
    "places",
    "finish",
    "exposure",
    "person-exposure",
    "track-record",
    "why",
    "plan-against-base",
    "finishes",
    "changes",
    "cost-against-odds",
    "survey",
)
# A person reads the units where the numbers stand.
AXES = {
    "delivery": ["items done since the grant's start", "end of the week"],
    "weekly": ["items done in the week", "week beginning"],
    "waiting": ["items", "Cleaning"],
    "late-drying": ["items waiting too long", "end of the week"],
    "places": ["share of its open time in use, %"],
    "finish": ["date of the last item's end"],
    "exposure": ["hours of exposure in the week", "week beginning"],
    "person-exposure": ["hours", "QX", "VZ"],
    "track-record": ["items", "weeks", "1 week later", "The finish"],
    "why": ["days by which it moved the middle finish date (right: later)", "Minutes an item"],
    "plan-against-base": ["futures of 100 that are finished", "this plan", "as planned"],
    "finishes": ["the last item is finished", "A second bench", "grant's end"],
    "changes": ["weeks (left of 0: sooner)", "A second bench"],
    "cost-against-odds": ["futures of 100 that keep the promise", "cost, GBP"],
    "survey": ["more items looked at", "weeks that hold 8 in 10 finishes"],
}


@lru_cache
def figures(never: int = 20) -> dict[str, Figure]:
    made = futures(200, never)
    grant = made.project.grant
    drawn = [
        charts.delivery_chart(tables.delivery(made), grant.items_promised, made.grant_end),
        charts.weekly_chart(tables.weekly_done(made), made.grant_end),
        charts.waiting_chart(tables.waiting(made)),
        charts.late_drying_chart(tables.late_drying(made), 2),
        charts.place_chart(tables.place_use(made)),
        charts.finish_chart(tables.finish_dots(made), made.grant_end, grant.horizon),
        charts.exposure_chart(tables.exposure_in_total(made)),
        charts.person_exposure_chart(tables.exposure_by_person(made)),
        charts.track_record_chart(held_against()),
        charts.why_chart(causes(), date(2026, 5, 17)),
        against_base(),
        plan_charts.finishes_chart(finishes(), date(2027, 6, 30), date(2028, 12, 31)),
        plan_charts.change_chart(moves(), "changes", "What plans change", two=True),
        plan_charts.cost_chart(candidates(), 0.9, "GBP"),
        plan_charts.survey_chart(surveys()),
    ]
    return {figure.key.removeprefix("figure-"): figure for figure in drawn}


def held_against() -> pd.DataFrame:
    """What came against ranges of 2 to 12: inside in every week but the second."""
    return pd.DataFrame(
        {
            "panel": panel,
            "unit": unit,
            "day": date(2026, 3, 8) + timedelta(weeks=n),
            "low": 2,
            "lower": 5,
            "upper": 9,
            "high": 12,
            "actual": 14 if n == 1 else 7,
            "held": n != 1,
        }
        for panel, unit in (
            ("1 week later", "items"),
            ("4 weeks later", "items"),
            ("the finish", "weeks"),
        )
        for n in range(6)
    )


def causes() -> pd.DataFrame:
    """What moved a date: the minutes most, the longest name last and by nothing."""
    return pd.DataFrame(
        {
            "cause": ["Minutes an item", "Hours delivered", "Changes of the plan"],
            "days": [-13.1, 1.2, 0.3],
            "low": [-21.4, -3.2, 0.0],
            "high": [-8.1, 5.5, 0.6],
        }
    )


def finishes() -> pd.DataFrame:
    """A plan that is sooner, and one that may never come to an end."""
    return pd.DataFrame(
        {
            "name": ["as planned", "A second bench", "Nobody stays"],
            "low": [date(2027, 5, 3), date(2027, 3, 1), date(2027, 8, 2)],
            "middle": [date(2027, 7, 5), date(2027, 4, 12), None],
            "high": [date(2027, 10, 4), date(2027, 6, 7), None],
        },
        dtype=object,
    )


def moves() -> pd.DataFrame:
    """One that is sooner, and one of which one date is open."""
    return pd.DataFrame(
        {
            "name": ["A second bench", "Fewer hours"],
            "half": [-7.3, 2.1],
            "half_low": [-8.0, -0.4],
            "half_high": [-6.5, 4.0],
            "most": [-9.0, math.nan],
            "most_low": [-11.0, math.nan],
            "most_high": [-7.2, math.nan],
        }
    )


def candidates() -> pd.DataFrame:
    """Four plans, of which one is worse in both and one was chosen."""
    return pd.DataFrame(
        {
            "name": ["A", "B", "C", "D"],
            "odds": [0.62, 0.55, 0.93, 0.97],
            "cost": [150_000.0, 160_000.0, 171_000.0, 190_000.0],
            "state": ["open", "dominated", "chosen", "open"],
        }
    )


def surveys() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "items": [0, 50, 100, 200],
            "weeks": [21.0, 18.5, 17.2, 16.4],
            "low": [20.1, 17.4, 16.3, 15.6],
            "high": [21.9, 19.6, 18.1, 17.2],
        }
    )


def finished_by() -> pd.DataFrame:
    """Half are finished in week 6 under a plan, in week 9 as planned."""
    return pd.DataFrame(
        {
            "day": [date(2027, 1, 4) + timedelta(weeks=n) for n in range(30)],
            "plan": [min(100.0, 8.5 * n) for n in range(30)],
            "base": [min(97.0, 5.6 * n) for n in range(30)],
        }
    )


def against_base(later: date | None = date(2027, 3, 8)) -> Figure:
    middles = (date(2027, 2, 15), later)
    horizon = date(2028, 12, 31)
    return charts.plan_against_base(finished_by(), middles, date(2027, 4, 30), horizon, 200)


def words_in(figure: Figure) -> list[str]:
    return [text.text or "" for text in ET.fromstring(figure.svg).iter(f"{SVG}text")]


def luminance(colour: str) -> float:
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2: (lighter + 0.05) / (darker + 0.05)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_of_black_on_white_is_known() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


@pytest.mark.parametrize("name", sorted(chart_parts.PALETTE))
def test_a_colour_stands_out_from_white(name: str) -> None:
    # WCAG 2.2: 3 to 1 for graphics (1.4.11), 4.5 to 1 for text (1.4.3).
    least = 4.5 if name in {"ink", "muted"} else 3.0
    assert contrast(chart_parts.PALETTE[name], "#FFFFFF") >= least


@pytest.mark.parametrize("key", KEYS)
def test_lines_and_points_are_drawn_in_the_palette(key: str) -> None:
    found = re.findall(r'(?:stroke|fill)="(#[0-9A-Fa-f]{6})"', figures()[key].svg)
    pale = {"#FFFFFF", "#C9CDD1", "#E8EAEC", "#D3DCE8", "#9FB3CE"}  # page, rules, grid, bands
    assert {colour.upper() for colour in found} <= pale | set(chart_parts.PALETTE.values())


@pytest.mark.parametrize("key", KEYS)
def test_a_chart_has_a_title_and_words_for_those_who_do_not_see_it(key: str) -> None:
    figure = figures()[key]
    root = ET.fromstring(figure.svg)
    assert root.get("role") == "img"
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert title.text == figure.title
    assert desc.text == figure.alternative
    assert root.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
    assert len(figure.alternative) > 60
    assert re.search(r"\d", figure.alternative)


@pytest.mark.parametrize("key", KEYS)
def test_the_axes_carry_their_units(key: str) -> None:
    words = words_in(figures()[key])
    for axis in AXES[key]:
        assert axis in words


@pytest.mark.parametrize("key", KEYS)
def test_a_chart_loads_nothing_and_says_nothing_twice_to_a_screen_reader(key: str) -> None:
    svg = figures()[key].svg
    assert not re.search(r"(?:href|src)=|@import|<script|<image|url\((?!#)", svg)
    assert svg.count("role=") == 1


@pytest.mark.parametrize("key", KEYS)
def test_all_charts_are_of_one_width(key: str) -> None:
    width = float(ET.fromstring(figures()[key].svg).get("width", "0"))
    few = key == "person-exposure"  # two small charts, each as wide as elsewhere
    assert width <= chart_parts.WIDTH
    assert few or width > chart_parts.WIDTH - 15


def test_the_same_tables_give_the_same_bytes() -> None:
    first = {key: figure.svg for key, figure in figures().items()}
    figures.cache_clear()
    assert {key: figure.svg for key, figure in figures().items()} == first


def test_ids_are_unique_on_a_page_of_all_charts() -> None:
    ids = re.findall(r'\sid="([^"]+)"', " ".join(f.svg for f in figures().values()))
    assert len(ids) == len(set(ids)) > 0


def test_a_finish_that_never_comes_stands_apart_and_is_said() -> None:
    figure = figures(20)["finish"]
    assert "2 stand apart: not by the horizon (31 December 2028)" in figure.alternative
    assert "not by the horizon" in words_in(figure)
    assert "not by the horizon" not in words_in(figures(0)["finish"])


def test_dots_differ_in_shape_as_well_as_in_colour() -> None:
    shapes = [shape for shape, _ in charts._DOTS.values()]
    assert len(set(shapes)) == len(shapes)


def test_stages_at_which_nothing_waits_are_named_instead_of_drawn() -> None:
    figure = figures()["waiting"]
    assert "Covers" not in words_in(figure)
    assert "Hardly anything ever waits at covers, checking and reboxing." in figure.caption


def test_what_came_outside_the_range_has_a_shape_and_is_counted() -> None:
    frame = held_against()
    figure = charts.track_record_chart(frame)
    assert "1 week later 5 of 6, 4 weeks later 5 of 6 and the finish 5 of 6" in figure.alternative
    assert charts._CAME[True][0] != charts._CAME[False][0]
    colour = charts._CAME[False][1]
    missed, none_missed = figure.svg, charts.track_record_chart(frame[frame["held"]]).svg
    assert missed.count(f'fill="{colour}"') == 3
    assert colour not in none_missed


def test_forecasts_made_afterwards_have_a_chart_of_their_own() -> None:
    figure = charts.track_record_chart(held_against(), hindcast=True)
    assert figure.key != charts.track_record_chart(held_against()).key
    assert "made afterwards" in figure.title
    assert "hindcasts" in figure.alternative


def test_even_a_single_forecast_stands_at_a_date() -> None:
    assert ">Mar<" in charts.track_record_chart(held_against().iloc[:1]).svg


def test_what_moved_the_date_is_said_by_cause_in_whole_days() -> None:
    figure = figures()["why"]
    said = "minutes an item 13 days earlier, hours delivered 1 day later and changes of the plan no"
    assert said in figure.alternative
    assert figure.title.endswith("since the forecast of 17 May 2026")


def test_causes_stand_in_the_order_given_whole_and_with_both_directions_on_the_axis() -> None:
    words = words_in(figures()["why"])
    names = [word for word in words if word in set(causes()["cause"])]
    assert names == list(causes()["cause"])
    assert "+20" in words
    assert "\u221220" in words


def test_a_cause_has_a_dot_and_the_length_of_its_interval() -> None:
    figure = figures()["why"]
    wider = charts.why_chart(causes().assign(low=[-30.0, -3.2, 0.0]), date(2026, 5, 17))
    assert figure.svg != wider.svg
    dots = re.findall(rf'fill="{chart_parts.BLUE}"', figure.svg)
    assert len(dots) == 3


def test_a_date_that_nothing_moved_has_a_chart_as_well() -> None:
    still = causes().assign(days=0.0, low=0.0, high=0.0)
    assert "no day" in charts.why_chart(still, date(2026, 5, 17)).alternative


def test_a_plan_is_told_from_the_base_in_words_and_by_more_than_colour() -> None:
    figure = against_base()
    assert figure.alternative == (
        "Of 200 futures half are finished by 15 February 2027 under this plan and by 8 March 2027 "
        "as planned. By the grant's end, 30 April 2027, it is 100 of 100 under this plan and "
        "90 of 100 as planned."
    )
    assert "stroke-dasharray" in figure.svg
    never = against_base(None).alternative
    assert "and not by the horizon (31 December 2028) as planned" in never


def test_the_project_as_it_is_may_stand_alone() -> None:
    middles = (date(2027, 3, 8), date(2027, 3, 8))
    alone = charts.plan_against_base(
        finished_by().drop(columns="plan"), middles, date(2027, 4, 30), date(2028, 12, 31), 200
    )
    assert "this plan" not in words_in(alone)
    assert "under this plan" not in alone.alternative
    assert "90 of 100 as planned" in alone.alternative
