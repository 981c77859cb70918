"""Charts of plans side by side: when they finish, what they change, what they cost."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import altair as alt
import pandas as pd

from forecast.blocks import Figure
from forecast.chart_parts import (
    BLUE,
    INK,
    INNER,
    MUTED,
    OCHRE,
    SHOWN,
    TEXT,
    WINE,
    Layers,
    Mark,
    date_axis,
    figure,
    moment,
    one_row,
    sized,
)
from forecast.units import half_up
from forecast.words import joined, long_date, never, number, plural

__all__ = ["change_chart", "cost_chart", "finishes_chart", "survey_chart"]

_ROW = 34  # pixels for each plan


def _names(frame: pd.DataFrame, limit: int = 230) -> alt.Y:
    """Names on the left, in the order of the table."""
    axis = alt.Axis(title=None, labelLimit=limit, labelColor=INK, ticks=False, domain=False)
    return alt.Y("name:N", sort=list(frame["name"]), axis=axis)


def _signed(weeks: float) -> str:
    """Weeks to one decimal, with a sign that is not told by colour."""
    tenths = half_up(abs(weeks) * 10)
    return f"{'+' if weeks > 0 else '-' if tenths else ''}{tenths / 10:.1f}"


# --- when each plan finishes ---------------------------------------------------------------------


def finishes_chart(frame: pd.DataFrame, grant_end: date, horizon: date) -> Figure:
    """When each plan finishes: the middle future and the range that holds 8 in 10.

    Args:
        frame: ``name``, ``low``, ``middle``, ``high`` (dates: 10, 50 and 90 % of the finish, or
            None: not by the horizon), in the order in which plans are shown.
        grant_end: of the project as it is.
        horizon: the last day that is simulated.
    """
    known = [day for name in ("low", "middle", "high") for day in frame[name] if day is not None]
    first = min([*known, grant_end]) - timedelta(days=14)
    last = min(horizon, max([*known, grant_end]) + timedelta(days=21))
    x, begins, ends = (
        date_axis(first, last, "the last item is finished", 9, field=field)
        for field in ("day", "begins", "ends")
    )
    drawn = frame.assign(
        begins=[day or last for day in frame["low"]],
        ends=[day or last for day in frame["high"]],
        later=["or later" if day is None else "" for day in frame["high"]],
        day=frame["middle"],
    )
    base = alt.Chart(alt.NamedData(SHOWN)).encode(y=_names(frame))
    span = base.mark_rule(color=INNER, strokeWidth=9).encode(x=begins, x2=alt.X2("ends:T"))
    dots = base.transform_filter("datum.day != null").mark_point(
        filled=True, size=90, color=BLUE, opacity=1
    )
    later = base.mark_text(align="right", dx=-4, dy=-11, fontSize=TEXT, color=INK).encode(
        x=ends, text="later:N"
    )
    chart = alt.layer(
        span, dots.encode(x=x), later, *moment(grant_end, "grant's end", x, -8, "left")
    )
    said = []
    for row in frame.to_dict("records"):
        middle, high = (
            never(horizon) if day is None else long_date(day)
            for day in (row["middle"], row["high"])
        )
        said.append(f"{row['name']} {middle} (9 in 10 by {high})")
    return figure(
        "finishes",
        sized(chart, _ROW * len(frame) + 30, 20),
        drawn,
        "When the last item is finished under each plan, and the grant's end",
        f"In the middle future: {'; '.join(said)}. The grant ends on {long_date(grant_end)}.",
        "The dot is the middle future; the bar holds 8 in 10 futures.",
    )


# --- what each plan changes ----------------------------------------------------------------------

_SERIES: dict[str, tuple[str, str]] = {"half": ("circle", BLUE), "most": ("diamond", OCHRE)}


def change_chart(
    frame: pd.DataFrame, key: str, title: str, *, two: bool = False, sooner: bool = False
) -> Figure:
    """By how many weeks each plan moves the finish, with intervals, as dots in a sorted table.

    Args:
        frame: ``name``; ``half``, ``half_low``, ``half_high`` and, if ``two``, ``most``,
            ``most_low``, ``most_high`` (weeks; not a number where open).
        key: the figure's own name.
        title: says what it shows.
        two: also show the date that 9 in 10 futures reach.
        sooner: weeks gained, right is sooner; else weeks later.
    """
    ends = [name for name in ("half", "most") if two or name == "half"]
    every = [f"{end}{part}" for end in ends for part in ("", "_low", "_high")]
    reach = max(0.5, float(frame[every].abs().max().max())) * 1.1
    scale = alt.Scale(domain=[-reach, reach], nice=True)
    where = "weeks sooner (left of 0: later)" if sooner else "weeks (left of 0: sooner)"
    axis = alt.Axis(
        title=where,
        tickCount=7,
        labelExpr="datum.value > 0 ? '+' + datum.label : datum.label",
    )
    base = alt.Chart(alt.NamedData(SHOWN)).encode(y=_names(frame))
    layers: Layers = [_zero(scale, axis)]
    for place, end in enumerate(ends):
        layers += _dots(base, end, scale, axis, (place - (len(ends) - 1) / 2) * 11)
    words = [
        f"{row['name']} {_signed(row['half'])} (95 %: {_signed(row['half_low'])} to "
        f"{_signed(row['half_high'])})"
        for row in frame.to_dict("records")
        if not pd.isna(row["half"])
    ]
    second = " The diamond is the date that 9 in 10 futures reach." if two else ""
    direction = "sooner" if sooner else "later"
    return figure(
        key,
        sized(alt.layer(*layers), _ROW * len(frame) + 20, 6),
        frame,
        title,
        f"Weeks {direction}, at the middle future: {'; '.join(words) or 'none can be told'}.",
        f"The round dot is the middle future.{second} A line is the 95 % interval that the "
        "simulation's own error leaves; where it crosses the upright line, there may be no "
        "difference at all.",
    )


def _zero(scale: alt.Scale, axis: alt.Axis) -> Mark:
    rule = alt.Chart(one_row(weeks=0)).mark_rule(color=MUTED, strokeWidth=1)
    return rule.encode(x=alt.X("weeks:Q", scale=scale, axis=axis))


def _dots(base: Any, end: str, scale: alt.Scale, axis: alt.Axis, dy: float) -> Layers:
    """Dots and their intervals of one of the two dates."""
    shape, colour = _SERIES[end]
    told = base.transform_filter(f"isValid(datum.{end})")
    shift = {"yOffset": dy}
    span = told.mark_rule(color=colour, strokeWidth=1.6, **shift).encode(
        x=alt.X(f"{end}_low:Q", scale=scale, axis=axis), x2=alt.X2(f"{end}_high:Q")
    )
    dots = told.mark_point(filled=True, shape=shape, size=80, color=colour, opacity=1, **shift)
    return [span, dots.encode(x=alt.X(f"{end}:Q", scale=scale, axis=axis))]


# --- cost against odds ---------------------------------------------------------------------------


def cost_chart(frame: pd.DataFrame, wanted: float, currency: str) -> Figure:
    """Candidate plans: what they add to the cost against the odds that the promise is kept.

    Args:
        frame: ``name``, ``odds`` (0 to 1), ``cost``, ``state`` (``dominated``, ``open`` or
            ``chosen``).
        wanted: odds that are wanted, 0 to 1.
        currency: ISO 4217.
    """
    drawn = frame.assign(percent=100.0 * frame["odds"])
    x = alt.X(
        "percent:Q",
        scale=alt.Scale(domain=[0, 100]),
        axis=alt.Axis(title="futures of 100 that keep the promise", tickCount=10, grid=False),
    )
    axis = alt.Axis(title=f"cost, {currency}", format=",d", tickCount=6)
    y = alt.Y("cost:Q", scale=alt.Scale(zero=False, nice=True), axis=axis)
    base = alt.Chart(alt.NamedData(SHOWN)).encode(x=x, y=y)

    def points(state: str, shape: str, colour: str, size: float, filled: bool = True) -> Mark:
        return base.transform_filter(f"datum.state === '{state}'").mark_point(
            shape=shape, color=colour, size=size, filled=filled, opacity=1, strokeWidth=1.2
        )

    line = alt.Chart(one_row(percent=100.0 * wanted)).mark_rule(
        color=WINE, strokeWidth=1.6, strokeDash=[6, 3]
    )
    chart = alt.layer(
        points("dominated", "circle", MUTED, 14),
        points("open", "circle", BLUE, 40),
        points("chosen", "diamond", OCHRE, 190),
        line.encode(x=x),
    )
    chosen = drawn[drawn["state"] == "chosen"]
    said = "None of them was chosen."
    if len(chosen):
        one = chosen.iloc[0]
        said = (
            f"The chosen one, {one['name']}, costs {number(one['cost'])} {currency} and keeps the "
            f"promise in {number(one['percent'])} of 100 futures."
        )
    worse = int((drawn["state"] == "dominated").sum())
    return figure(
        "cost-against-odds",
        sized(chart, 300, 8),
        drawn,
        "What candidate plans cost, and in how many futures they keep the promise",
        f"{plural(len(drawn), 'plan')}; for {number(worse)} of them another one costs less and "
        f"keeps the promise at least as often. {said}",
        "Each dot is a plan. Small and grey: another plan costs less and keeps the promise at "
        "least as often. Large and dark: none does. The diamond is the chosen plan, the broken "
        "line the odds that are wanted.",
    )


# --- how much to survey --------------------------------------------------------------------------


def survey_chart(frame: pd.DataFrame) -> Figure:
    """How the width of the finish shrinks with the size of the survey.

    Args:
        frame: ``items`` (more items looked at), ``weeks``, ``low``, ``high`` (mean width of the
            range that holds 8 in 10, and its 95 % interval).
    """
    x = alt.X(
        "items:Q",
        axis=alt.Axis(title="more items looked at", format=",d", tickCount=8, grid=False),
    )
    top = max(1.0, float(frame["high"].max()) * 1.1)
    scale = alt.Scale(domain=[0, top], nice=True)
    axis = alt.Axis(title="weeks that hold 8 in 10 finishes", tickCount=5, domain=False)
    base = alt.Chart(alt.NamedData(SHOWN)).encode(x=x)
    span = base.mark_rule(color=BLUE, strokeWidth=1.6).encode(
        y=alt.Y("low:Q", scale=scale, axis=axis), y2=alt.Y2("high:Q")
    )
    y = alt.Y("weeks:Q", scale=scale, axis=axis)
    line = base.mark_line(color=INNER, strokeWidth=1.6).encode(y=y)
    dots = base.mark_point(filled=True, size=80, color=BLUE, opacity=1).encode(y=y)
    said = [
        f"{number(row['items'])} more: {number(row['weeks'], 1)} weeks"
        for row in frame.to_dict("records")
    ]
    return figure(
        "survey",
        sized(alt.layer(line, span, dots), 200, 8),
        frame,
        "How much less uncertain the finish becomes when more items are looked at",
        f"Weeks that hold 8 in 10 finishes: {_listed(said)}.",
        "The dot is the average over surveys that may come out so or so; a line is its 95 % "
        "interval.",
    )


def _listed(words: Sequence[str]) -> str:
    return joined(list(words))
