"""Charts: tables of futures -> figures as SVG. The only module that knows Altair.

Every chart has one width, so that its text has one size everywhere; a title that says what it
shows, units on its axes and words for those who do not see it. Nothing is told by colour alone.
The SVG is the same on every run, refers to nothing outside itself, and can stand beside others on
a page.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import date, timedelta
from html import escape
from typing import Any, Literal

import altair as alt
import pandas as pd
import vl_convert

from forecast.blocks import Figure
from forecast.units import half_up
from forecast.words import (
    IF_TEAM_STAYS,
    MONTHS,
    joined,
    long_date,
    month_year,
    never,
    number,
    plural,
    range_of_dates,
    range_of_numbers,
)

__all__ = [
    "PALETTE",
    "WIDTH",
    "delivery_chart",
    "exposure_chart",
    "finish_chart",
    "late_drying_chart",
    "person_exposure_chart",
    "place_chart",
    "track_record_chart",
    "waiting_chart",
    "weekly_chart",
    "why_chart",
]

WIDTH = 627  # CSS pixels: 166 mm, the text width of an A4 page with 22 mm margins
HEIGHT = 210
SMALL_HEIGHT = 84

INK = "#1E2528"
MUTED = "#55606A"
RULE = "#C9CDD1"
BLUE = "#16335B"
TEAL = "#17928C"
OCHRE = "#C8702A"
WINE = "#611A14"
# What lines, points and texts are drawn in: each stands out from white by 3 to 1 or more.
PALETTE: dict[str, str] = {
    "ink": INK,
    "muted": MUTED,
    "blue": BLUE,
    "teal": TEAL,
    "ochre": OCHRE,
    "wine": WINE,
    "violet": "#9D6CD2",
}
# The bands are pale, so each has a thin edge in a colour of the palette.
OUTER = "#D3DCE8"
INNER = "#9FB3CE"

FONT = "Liberation Sans"  # for measuring: as wide as Arial, and the converter brings it along
FONT_STACK = "Arial, 'Liberation Sans', Helvetica, sans-serif"
TEXT = 12

SHOWN = "shown"  # the name under which a chart's own table is handed to its layers

Spec = dict[str, Any]
Align = Literal["left", "right"]
Mark = Any  # Altair's own types say Any as soon as a mark is encoded
Layers = list[Mark]  # flat: a chart of charts copies them all at every level


# --- from a chart to a figure ------------------------------------------------------------------


_AXIS: Spec = {
    "labelColor": MUTED,
    "titleColor": MUTED,
    "labelFontSize": TEXT,
    "titleFontSize": TEXT,
    "titleFontWeight": "normal",
    "domainColor": RULE,
    "tickColor": RULE,
    "gridColor": "#E8EAEC",
    "labelPadding": 4,
    "titlePadding": 8,
}
_CONFIG: Spec = {
    "font": FONT,
    "background": "#FFFFFF",
    "view": {"stroke": None},
    "axis": _AXIS,
}


def _tidy_svg(svg: str, key: str, title: str, alternative: str) -> str:
    """An SVG that names itself, has ids of its own and says nothing else to a screen reader."""
    svg = re.sub(r'\s(?:role|aria-[a-z]+|class|tabindex)="[^"]*"', "", svg)
    ids = list(dict.fromkeys(re.findall(r'\sid="([^"]+)"', svg)))
    for place, name in enumerate(ids):
        # Names given by the converter are counted up over a process; ours only over a chart.
        mine = f"{key}-{place}"
        svg = svg.replace(f'id="{name}"', f'id="{mine}"').replace(f"url(#{name})", f"url(#{mine})")
    svg = svg.replace(f'font-family="{FONT}"', f'font-family="{FONT_STACK}"')
    names = (
        f'<title id="{key}-title">{escape(title)}</title>'
        f'<desc id="{key}-desc">{escape(alternative)}</desc>'
    )
    labelled = f'role="img" aria-labelledby="{key}-title {key}-desc"'
    return re.sub(r"<svg([^>]*)>", rf"<svg \1 {labelled}>{names}".replace("  ", " "), svg, count=1)


def _figure(
    key: str, chart: Any, frame: pd.DataFrame, title: str, alternative: str, caption: str = ""
) -> Figure:
    """Draw a chart of a table. Its layers know the table by name only."""
    spec = chart.to_dict(validate=False)
    # Handed over last: a chart copies all its data whenever something is added to it.
    spec.setdefault("datasets", {})[SHOWN] = _rows(frame)
    spec["config"] = _CONFIG
    svg = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    return Figure(
        key=f"figure-{key}",
        title=title,
        alternative=alternative,
        svg=_tidy_svg(svg, f"chart-{key}", title, alternative),
        caption=caption,
    )


# --- parts that charts are made of -------------------------------------------------------------


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as plain values; a date becomes the start of its day, told without a time zone."""

    def plain(value: Any) -> Any:
        if isinstance(value, date):
            return value.isoformat()
        return value.item() if hasattr(value, "item") else value

    return [
        {str(name): plain(value) for name, value in row.items()} for row in frame.to_dict("records")
    ]


def _pixels(channel: Any, at: float | str) -> Any:
    """A place counted in pixels from the plot's upper left corner, not in data."""
    return channel(at)


def _peak(frame: pd.DataFrame, column: str) -> Any:
    """The first row with the largest value in a column."""
    return frame.iloc[int(frame[column].astype(float).to_numpy().argmax())]


def _one(**values: Any) -> alt.InlineData:
    return alt.InlineData(values=[values])


def _month_starts(first: date, last: date, at_most: int) -> list[date]:
    """First days of months between two dates: of every month, or of each second, third, ..."""
    step = 1
    while True:
        months = [
            date(year, month, 1)
            for year in range(first.year, last.year + 1)
            for month in range(1, 13, step)
            if first <= date(year, month, 1) <= last
        ]
        if len(months) <= at_most or step == 12:
            return months
        step = {1: 2, 2: 3, 3: 6, 6: 12}[step]


def _date_axis(
    first: date, last: date, title: str | None, at_most: int = 12, ticks_to: date | None = None
) -> alt.X:
    """A time axis in months, the year under the first month and wherever a year begins."""
    ticks = _month_starts(first, ticks_to or last, at_most)
    years = [t.isoformat() for n, t in enumerate(ticks) if n == 0 or t.year > ticks[n - 1].year]
    short = [m[:3] for m in MONTHS]
    label = (
        f"[{short}[utcmonth(datum.value)], "
        f"indexof({years}, utcFormat(datum.value, '%Y-%m-%d')) >= 0 "
        "? utcFormat(datum.value, '%Y') : '']"
    )
    return alt.X(
        "day:T",
        scale=alt.Scale(type="utc", domain=[first.isoformat(), last.isoformat()], nice=False),
        axis=alt.Axis(
            title=title,
            values=[t.isoformat() for t in ticks],
            labelExpr=label,
            grid=False,
            labelFlush=False,
            labelOverlap=False,
        ),
    )


def _number_axis(field: str, title: str | None, top: float, ticks: int = 5) -> alt.Y:
    """A number axis from 0, with whole numbers and thousands separators."""
    ticks = max(1, min(ticks, int(top)))
    return alt.Y(
        f"{field}:Q",
        scale=alt.Scale(domain=[0, top], nice=True),
        axis=alt.Axis(title=title, format=",d", tickCount=ticks, tickMinStep=1, domain=False),
    )


def _fan(x: alt.X, y_title: str | None, top: float, ticks: int = 5, only: str = "true") -> Layers:
    """Two bands with thin edges and the middle line, of the rows that ``only`` is true for."""
    base = alt.Chart(alt.NamedData(SHOWN)).transform_filter(only).encode(x=x)

    def band(low: str, high: str, fill: str) -> Mark:
        return base.mark_area(color=fill, opacity=1.0).encode(
            y=_number_axis(low, y_title, top, ticks), y2=alt.Y2(f"{high}:Q")
        )

    def line(field: str, width: float) -> Mark:
        return base.mark_line(color=BLUE, strokeWidth=width).encode(
            y=_number_axis(field, y_title, top, ticks)
        )

    return [
        band("low", "high", OUTER),
        band("lower", "upper", INNER),
        line("low", 0.6),
        line("high", 0.6),
        line("middle", 2.0),
    ]


def _text(words: str, x: float, y: float, weight: Literal["normal", "bold"] = "normal") -> Mark:
    """Words that begin at a place in pixels from the corner of the plot."""
    mark = alt.Chart(_one(words=words)).mark_text(
        align="left", baseline="middle", fontSize=TEXT, fontWeight=weight, color=INK
    )
    return mark.encode(text="words:N", x=_pixels(alt.XValue, x), y=_pixels(alt.YValue, y))


def _key(*parts: str, limit: str = "") -> Layers:
    """What bands and lines mean, in a row above the plot."""
    y, x = -16.0, 0.0
    layers: Layers = []
    one = _one(key=1)

    def segment(at: float, color: str, width: float, dash: Sequence[float]) -> Mark:
        rule = alt.Chart(one).mark_rule(color=color, strokeWidth=width, strokeDash=list(dash))
        return rule.encode(
            x=_pixels(alt.XValue, x),
            x2=_pixels(alt.X2Value, x + 20),
            y=_pixels(alt.YValue, at),
            y2=_pixels(alt.Y2Value, at),
        )

    for part, fill in zip(parts, (OUTER, INNER, ""), strict=False):
        if fill:
            box = alt.Chart(one).mark_rect(color=fill, stroke=BLUE, strokeWidth=0.6)
            layers.append(
                box.encode(
                    x=_pixels(alt.XValue, x),
                    x2=_pixels(alt.X2Value, x + 20),
                    y=_pixels(alt.YValue, y - 5),
                    y2=_pixels(alt.Y2Value, y + 5),
                )
            )
        else:
            layers.append(segment(y, BLUE, 2.0, (1, 0)))
        layers.append(_text(part, x + 26, y))
        x += 26 + 5.3 * len(part) + 18
    if limit:
        layers += [segment(y, WINE, 1.6, (6, 3)), _text(limit, x + 26, y)]
    return layers


FUTURES_KEY = ("9 in 10 futures", "half of the futures", "middle future")


def _level(value: float, color: str, dash: Sequence[float]) -> Mark:
    """A line right across the plot."""
    rule = alt.Chart(_one(level=value)).mark_rule(
        color=color, strokeWidth=1.6, strokeDash=list(dash)
    )
    return rule.encode(y=alt.Y("level:Q"))


def _moment(
    day: date, words: str, x: alt.X, at: float | None = None, align: Align = "right"
) -> Layers:
    """A line from top to bottom at a date, with its words beside it (``at`` None: low down)."""
    y = _pixels(alt.YValue, "height" if at is None else at)
    base = alt.Chart(_one(day=day.isoformat(), words=words)).encode(x=x)
    mark = base.mark_text(
        align=align,
        baseline="middle",
        dx=5 if align == "left" else -5,
        dy=-10 if at is None else 0,
        fontSize=TEXT,
        color=INK,
    )
    rule = base.mark_rule(color=INK, strokeWidth=1.2, strokeDash=[2, 2])
    return [rule, mark.encode(text="words:N", y=y)]


def _sized(chart: Any, height: float = HEIGHT, top: float = 28) -> Any:
    """The chart at the one common width; ``top`` is room for the key."""
    padding: Any = {"left": 2, "right": 14, "top": top, "bottom": 2}
    return chart.properties(
        width=WIDTH,
        height=height + top,
        padding=padding,
        autosize=alt.AutoSizeParams(type="fit", contains="padding"),
    )


def _grid(charts: Sequence[Any], columns: int = 3) -> Any:
    """Small charts side by side, in reading order, as wide together as one chart."""
    padding: Any = {"left": 2, "right": 10, "top": 4, "bottom": 2}
    # Plots line up whatever their numbers need, so the gaps must hold the axes.
    return alt.concat(
        *charts, columns=columns, bounds="flush", spacing={"row": 72, "column": 58}
    ).properties(padding=padding)


def _small_fans(frame: pd.DataFrame, by: str, y_title: str, limit: float | None = None) -> Any:
    """A small chart for each value of a column, each with its own scale of numbers."""
    first, last = frame["day"].min(), frame["day"].max()
    charts: list[Any] = []
    for name, part in frame.groupby(by, sort=False):
        top = max(1.0, float(part["high"].max()), limit or 0.0)
        only = f"datum.{by} === {json.dumps(name)}"
        layers = _fan(_date_axis(first, last, None, 4), y_title, top, 3, only)
        if limit is not None:
            layers.append(_level(limit, WINE, (6, 3)))
        words = str(name)[:1].upper() + str(name)[1:]
        # Drawn, because a chart's own title moves with the numbers on its axis.
        chart = alt.layer(*layers, _text(words, 0, -16, weight="bold"))
        charts.append(chart.properties(width=150, height=SMALL_HEIGHT))
    return _grid(charts)


# --- the charts --------------------------------------------------------------------------------


def delivery_chart(frame: pd.DataFrame, promised: int, grant_end: date) -> Figure:
    """Items done since the grant's start, the promise and the grant's end.

    Args:
        frame: as :func:`forecast.tables.delivery` makes it.
        promised: items promised.
        grant_end: the grant's end in force.
    """
    first, last = frame["day"].iloc[0], frame["day"].iloc[-1]
    top = max(promised * 1.08, float(frame["high"].max()))
    x = _date_axis(first, max(last, grant_end), "end of the week")
    within = frame[frame["day"] <= grant_end]
    said = ""
    if len(within) > 1:
        at_end = within.iloc[-1]
        said = (
            f"At the end of the last whole week of the grant it stands at "
            f"{number(at_end['middle'])}, and 9 in 10 futures lie from "
            f"{range_of_numbers(at_end['low'], at_end['high'])} items. "
        )
    chart = alt.layer(
        *_fan(x, "items done since the grant's start", top),
        _level(promised, WINE, (6, 3)),
        *(_moment(grant_end, f"grant's end, {long_date(grant_end)}", x) if len(within) else []),
        *_key(*FUTURES_KEY, limit=f"the promise, {plural(promised, 'item')}"),
    )
    return _figure(
        "delivery",
        _sized(chart, 240),
        frame,
        "Items done, week by week, with the promise and the grant's end",
        f"The middle future begins with {plural(int(frame['middle'].iloc[0]), 'item')} on "
        f"{long_date(first)} and comes to {number(frame['middle'].iloc[-1])} by "
        f"{long_date(last)}. {said}"
        f"The promise is {plural(promised, 'item')} by {long_date(grant_end)}.",
    )


def weekly_chart(frame: pd.DataFrame, grant_end: date) -> Figure:
    """Items that are done in each week; ``frame`` as :func:`forecast.tables.weekly_done`."""
    frame = frame.rename(columns={"week": "day"})
    first, last = frame["day"].iloc[0], frame["day"].iloc[-1]
    top = max(1.0, float(frame["high"].max()) * 1.05)
    x = _date_axis(first, max(last, grant_end), "week beginning")
    chart = alt.layer(
        *_fan(x, "items done in the week", top),
        *(_moment(grant_end, "grant's end", x, 8) if first <= grant_end else []),
        *_key(*FUTURES_KEY),
    )
    busiest = _peak(frame, "middle")
    return _figure(
        "weekly",
        _sized(chart, 180),
        frame,
        "Items done in a week, and how far the futures differ",
        f"In the middle future the most items, {number(busiest['middle'])}, are done in the week "
        f"of {long_date(busiest['day'])}; in 9 in 10 futures that week brings "
        f"{range_of_numbers(busiest['low'], busiest['high'])}.",
    )


def waiting_chart(frame: pd.DataFrame) -> Figure:
    """Items waiting, a small chart a stage; ``frame`` as :func:`forecast.tables.waiting`.

    Stages at which hardly anything ever waits are named below instead of drawn.
    """
    peaks = frame.astype({"high": float}).groupby("stage", sort=False)["high"].max()
    empty = [str(stage) for stage, peak in peaks.items() if peak < 1]
    drawn = frame[~frame["stage"].isin(empty)] if len(empty) < len(peaks) else frame
    words = []
    for stage, part in drawn.groupby("stage", sort=False):
        peak = _peak(part, "middle")
        words.append(f"{stage} {number(peak['middle'])} ({month_year(peak['day'])})")
    never_waits = f" Hardly anything ever waits at {joined(empty)}." if empty else ""
    return _figure(
        "waiting",
        _small_fans(drawn, "stage", "items"),
        drawn,
        "Items that wait at each stage at the end of the week",
        f"The most that wait at once in the middle future: {joined(words)}.{never_waits}",
        "The line is the middle future, the darker band half of the futures, the paler band 9 in "
        f"10. Each small chart has its own scale of items.{never_waits}",
    )


def late_drying_chart(frame: pd.DataFrame, within_days: int) -> Figure:
    """Active items that wait too long; ``frame`` as :func:`forecast.tables.late_drying`."""
    first, last = frame["day"].iloc[0], frame["day"].iloc[-1]
    top = max(1.0, float(frame["high"].max()) * 1.05)
    chart = alt.layer(
        *_fan(_date_axis(first, last, "end of the week"), "items waiting too long", top),
        *_key(*FUTURES_KEY),
    )
    worst = _peak(frame, "high")
    return _figure(
        "late-drying",
        _sized(chart, 160),
        frame,
        f"Items with growing mould that have waited more than {plural(within_days, 'day')} "
        "to be dried",
        f"In 95 of 100 futures at most {plural(int(worst['high']), 'item')} at the end of any "
        f"week; the week that ends on {long_date(worst['day'])} is the fullest.",
    )


def place_chart(frame: pd.DataFrame) -> Figure:
    """Use of places; ``frame`` as :func:`forecast.tables.place_use`."""
    shares = frame.assign(
        name=[f"{row.place} ({row.number})" for row in frame.itertuples()],
        low=frame["low"] * 100,
        middle=frame["middle"] * 100,
        high=frame["high"] * 100,
        label=[f"{value * 100:.0f} %" for value in frame["middle"]],
    )
    order = list(shares["name"])
    base = alt.Chart(alt.NamedData(SHOWN)).encode(
        y=alt.Y("name:N", sort=order, axis=alt.Axis(title=None, domain=False, ticks=False))
    )

    def x(field: str) -> alt.X:
        return alt.X(
            f"{field}:Q",
            scale=alt.Scale(domain=[0, 100], nice=False),
            axis=alt.Axis(title="share of its open time in use, %", values=[0, 25, 50, 75, 100]),
        )

    chart = alt.layer(
        base.mark_rule(color=INNER, strokeWidth=6).encode(x=x("low"), x2="high:Q"),
        base.mark_point(color=BLUE, filled=True, size=80, opacity=1).encode(x=x("middle")),
        base.mark_text(dy=-13, fontSize=TEXT, color=INK).encode(x=x("middle"), text="label:N"),
    )
    words = [f"{row.name} {row.label}" for row in shares.itertuples(index=False)]
    return _figure(
        "places",
        _sized(chart, 44 * len(shares) + 40, 8),
        shares,
        "How much of its open time each place is in use",
        f"In the middle future: {joined(words)}.",
        "The point is the middle future, the bar 9 in 10 futures. A number in brackets says how "
        "many there are. Open time is when somebody trained for the place is on shift; for "
        "shelves and drying, day and night.",
    )


_DOTS: dict[str, tuple[str, str]] = {
    "by the grant's end": ("circle", BLUE),
    "later": ("diamond", OCHRE),
    "not by the horizon": ("cross", WINE),
}
_APART = 4  # columns of the block in which dots without a date stand


def _placed(dots: pd.DataFrame, begins: date, step: timedelta) -> pd.DataFrame:
    """The dots with a place for those that have no date: in a block of their own, row by row."""
    rows, lost = [], 0
    for row in dots.to_dict("records"):
        if row["day"] is None or pd.isna(row["day"]):
            day, height = begins + step * (lost % _APART + 1), lost // _APART + 1
            lost += 1
        else:
            day, height = row["day"], row["height"]
        rows.append({"day": day, "height": height, "when": row["when"]})
    return pd.DataFrame(rows)


def _points(x: alt.X, drawn: pd.DataFrame) -> Mark:
    """Dots that differ in shape and in colour, with a key."""
    names = [name for name in _DOTS if name in set(drawn["when"])]
    shapes = [_DOTS[name][0] for name in names]
    colours = [_DOTS[name][1] for name in names]
    top = float(drawn["height"].max()) + 2.4
    legend = alt.Legend(title=None, orient="top", labelColor=INK, labelFontSize=TEXT, symbolSize=90)
    return (
        alt.Chart(alt.NamedData(SHOWN))
        .mark_point(filled=True, size=105, opacity=1)
        .encode(
            x=x,
            y=alt.Y("height:Q", scale=alt.Scale(domain=[0, top], nice=False), axis=None),
            shape=alt.Shape("when:N", scale=alt.Scale(domain=names, range=shapes), legend=legend),
            color=alt.Color("when:N", scale=alt.Scale(domain=names, range=colours)),
        )
    )


def finish_chart(dots: pd.DataFrame, grant_end: date, horizon: date) -> Figure:
    """Twenty equally likely dates of the last item; ``dots`` as ``tables.finish_dots``."""
    lost = int((dots["when"] == "not by the horizon").sum())
    within = int((dots["when"] == "by the grant's end").sum())
    days = [day for day in [*dots["day"], grant_end] if day is not None and not pd.isna(day)]
    margin = timedelta(days=max(5, (max(days) - min(days)).days // 16))
    first, last = min(days) - margin, max(days) + margin
    step = max(timedelta(days=1), (last - first) / 24)
    right = last + step * (_APART + 1) if lost else last
    x = _date_axis(first, right, "date of the last item's end", ticks_to=last)
    drawn = _placed(dots, last, step)
    layers = [_points(x, drawn), *_moment(grant_end, "grant's end", x, 8, "left")]
    if lost:
        gap = alt.Chart(_one(day=last.isoformat())).mark_rule(color=MUTED, strokeWidth=1)
        layers.append(gap.encode(x=x))
    dates = list(dots["date"])
    apart = f" {lost} stand apart: {never(horizon)}." if lost else ""
    return _figure(
        "finish",
        _sized(alt.layer(*layers), 95 + 15 * int(drawn["height"].max()), 4),
        drawn,
        f"{len(dots)} equally likely dates on which the last item is finished",
        f"{within} of {len(dots)} dots lie at or before the grant's end, {long_date(grant_end)}."
        f"{apart} The dots run {range_of_dates(dates[0], dates[-1], horizon)}.",
        f"Each dot stands for 1 in {len(dots)} futures. Beyond the grant's end: {IF_TEAM_STAYS}."
        + (f" Crosses right of the line stand at no date: {never(horizon)}." if lost else ""),
    )


def exposure_chart(frame: pd.DataFrame) -> Figure:
    """The team's exposure; ``frame`` as :func:`forecast.tables.exposure_in_total`."""
    frame = frame.rename(columns={"week": "day"})
    first, last = frame["day"].iloc[0], frame["day"].iloc[-1]
    top = max(1.0, float(frame["limit"].max()), float(frame["high"].max())) * 1.05
    x = _date_axis(first, last, "week beginning")
    limit = alt.Chart(alt.NamedData(SHOWN)).mark_line(
        color=WINE, strokeWidth=1.6, strokeDash=[6, 3], interpolate="step-after"
    )
    chart = alt.layer(
        *_fan(x, "hours of exposure in the week", top),
        limit.encode(x=x, y=_number_axis("limit", "hours of exposure in the week", top)),
        *_key(*FUTURES_KEY, limit="planning limit, all together"),
    )
    peak = float(frame["high"].max())
    return _figure(
        "exposure",
        _sized(chart, 180),
        frame,
        "The team's exposure to mould in each week, all people together, and the planning limit",
        f"In 95 of 100 futures the team's exposure is at most {number(peak, 1)} hours in any "
        f"week; the planning limit for all together is "
        f"{range_of_numbers(frame['limit'].min(), frame['limit'].max(), 1)} hours.",
    )


def person_exposure_chart(frame: pd.DataFrame) -> Figure:
    """Each person's exposure; ``frame`` as ``tables.exposure_by_person``. For the team only."""
    frame = frame.rename(columns={"week": "day"})
    limit = float(frame["limit"].max())
    words = [
        f"{person} {number(float(part['middle'].max()), 1)}"
        for person, part in frame.groupby("person", sort=False)
    ]
    return _figure(
        "person-exposure",
        _small_fans(frame, "person", "hours", limit),
        frame,
        "Each person's exposure to mould in a week, and the planning limit",
        f"Most hours in any week of the middle future: {joined(words)}. "
        f"The limit is {number(limit, 1)} hours in a week.",
        "The line is the middle future, the darker band half of the futures, the paler band 9 in "
        "10, the broken line the planning limit.",
    )


_CAME: dict[bool, tuple[str, str]] = {True: ("circle", INK), False: ("diamond", OCHRE)}


def _held_against(part: pd.DataFrame, first: date, last: date) -> Layers:
    """What came as dots, over the two ranges of each forecast."""
    name, unit = part["panel"].iloc[0], str(part["unit"].iloc[0])
    top = max(1.0, float(part["high"].max()), float(part["actual"].max()))
    # As wide as there is room for, so that the bars of many weeks still stand apart.
    width = max(1.2, min(7.0, 75.0 * 7.0 / (last - first).days))
    base = (
        alt.Chart(alt.NamedData(SHOWN))
        .transform_filter(f"datum.panel === {json.dumps(name)}")
        .encode(x=_date_axis(first, last, None, 4))
    )

    def bar(low: str, high: str, colour: str, stroke: float) -> Mark:
        rule = base.mark_rule(color=colour, strokeWidth=stroke)
        return rule.encode(y=_number_axis(low, unit, top, 3), y2=alt.Y2(f"{high}:Q"))

    def came(held: bool) -> Mark:
        shape, colour = _CAME[held]
        points = base.transform_filter(f"datum.held === {json.dumps(held)}").mark_point(
            shape=shape, color=colour, filled=True, size=max(14.0, 4.0 * width), opacity=1
        )
        return points.encode(y=_number_axis("actual", unit, top, 3))

    words = f"{str(name)[:1].upper()}{str(name)[1:]}"
    return [
        bar("low", "high", BLUE, min(1.0, width / 2)),
        bar("lower", "upper", INNER, width),
        came(True),
        came(False),
        _text(words, 0, -16, weight="bold"),
    ]


def track_record_chart(frame: pd.DataFrame, *, hindcast: bool = False) -> Figure:
    """What came against what was forecast, a small chart for each distance.

    Args:
        frame: as :func:`forecast.track_record.dots` makes it, at least one row.
        hindcast: whether the forecasts were made afterwards.
    """
    # From a month's first day, so that even a few weeks have a date on their axis.
    first = frame["day"].min().replace(day=1)
    last = frame["day"].max() + timedelta(days=7)
    small, words = [], []
    for name, part in frame.groupby("panel", sort=False):
        chart = alt.layer(*_held_against(part, first, last))
        small.append(chart.properties(width=150, height=SMALL_HEIGHT))
        words.append(f"{name} {number(int(part['held'].sum()))} of {number(len(part))}")
    what = "hindcasts" if hindcast else "forecasts"
    return _figure(
        "track-record-hindcast" if hindcast else "track-record",
        _grid(small),
        frame,
        f"What came since each of the {what}, against the ranges that were forecast"
        if not hindcast
        else "What came since each week, against the ranges of forecasts made afterwards",
        f"Of the 8-in-10 ranges of the {what} these held what came: {joined(words)}. "
        f"The {what} were made from {long_date(frame['day'].min())} to "
        f"{long_date(frame['day'].max())}.",
        "Across: the day after which the forecast was made. Upwards: items done since that day, "
        "or weeks from it to the finish. The thin line is the 8-in-10 range, the broad bar the "
        "5-in-10 range. A round dot is what came inside the 8-in-10 range, a diamond what came "
        "outside it. Each small chart has its own scale.",
    )


def _by_days(days: float) -> str:
    """A move in whole days and its direction."""
    whole = half_up(abs(days))
    return f"{plural(whole, 'day')} {'later' if days > 0 else 'earlier'}" if whole else "no day"


def why_chart(frame: pd.DataFrame, before: date) -> Figure:
    """What moved the middle finish date, by cause.

    Args:
        frame: ``cause``, ``days`` (above 0 is later), ``low`` and ``high`` (90 % interval of the
            simulation's own error), in the order in which they are shown.
        before: the as-of date of the earlier forecast.
    """
    causes = list(frame["cause"])
    reach = max(1.0, *(float(frame[name].abs().max()) for name in ("days", "low", "high"))) * 1.1
    x = alt.X(
        "days:Q",
        scale=alt.Scale(domain=[-reach, reach], nice=True),
        axis=alt.Axis(
            title="days by which it moved the middle finish date (right: later)",
            tickCount=7,
            labelExpr="datum.value > 0 ? '+' + datum.label : datum.label",
        ),
    )
    y = alt.Y("cause:N", sort=causes, axis=alt.Axis(title=None, labelLimit=220, labelColor=INK))
    base = alt.Chart(alt.NamedData(SHOWN))
    zero = alt.Chart(_one(days=0)).mark_rule(color=MUTED, strokeWidth=1).encode(x=x)
    span = base.mark_rule(color=BLUE, strokeWidth=1.6).encode(
        x=alt.X("low:Q", scale=alt.Scale(domain=[-reach, reach], nice=True)), x2="high:Q", y=y
    )
    dots = base.mark_point(filled=True, size=80, color=BLUE, opacity=1).encode(x=x, y=y)
    words = [
        f"{str(cause).lower()} {_by_days(float(days))}"
        for cause, days in zip(causes, frame["days"].tolist(), strict=True)
    ]
    return _figure(
        "why",
        _sized(alt.layer(zero, span, dots), 28 * len(frame), 4),
        frame,
        f"What moved the middle finish date since the forecast of {long_date(before)}",
        f"By cause: {joined(words)}.",
        "The dots add up to the whole change. A line is the 90 % interval that the simulation's "
        "own error leaves; where it crosses the upright line, the share may be nothing.",
    )
