"""What charts are made of: their look, their axes, and from a chart to a figure as SVG.

Every chart has one width, so that its text has one size everywhere; a title that says what it
shows, units on its axes and words for those who do not see it. Nothing is told by colour alone.
The SVG is the same on every run, refers to nothing outside itself, and can stand beside others on
a page.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from datetime import date
from html import escape
from typing import Any, Literal

import altair as alt
import pandas as pd
import vl_convert

from forecast.blocks import FULL_WIDTH, Figure
from forecast.words import MONTHS

__all__ = [
    "BLUE",
    "FUTURES_KEY",
    "HEIGHT",
    "INK",
    "INNER",
    "MUTED",
    "OCHRE",
    "OUTER",
    "PALETTE",
    "RULE",
    "SHOWN",
    "SMALL_HEIGHT",
    "TEAL",
    "TEXT",
    "WIDTH",
    "WINE",
    "Align",
    "Layers",
    "Mark",
    "Spec",
    "colour_key",
    "date_axis",
    "fan",
    "figure",
    "grid",
    "level",
    "moment",
    "number_axis",
    "one_row",
    "peak_of",
    "pixels",
    "sized",
    "small_fans",
    "words_at",
]

WIDTH = FULL_WIDTH
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


def figure(
    key: str, chart: Any, frame: pd.DataFrame, title: str, alternative: str, caption: str = ""
) -> Figure:
    """Draw a chart of a table. Its layers know the table by name only."""
    spec = chart.to_dict(validate=False)
    # Handed over last: a chart copies all its data whenever something is added to it.
    rows = _rows(frame)
    spec.setdefault("datasets", {})[SHOWN] = rows
    spec["config"] = _CONFIG
    svg = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    return Figure(
        key=f"figure-{key}",
        title=title,
        alternative=alternative,
        svg=_tidy_svg(svg, f"chart-{key}", title, alternative),
        caption=caption,
        columns=tuple(str(name) for name in frame.columns),
        rows=tuple(tuple(_cell(value) for value in row.values()) for row in rows),
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


def _cell(value: Any) -> str | float | None:
    """A value as a cell of a table: text, a number, or None where there is none."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, (str, int, float)) else str(value)


def pixels(channel: Any, at: float | str) -> Any:
    """A place counted in pixels from the plot's upper left corner, not in data."""
    return channel(at)


def peak_of(frame: pd.DataFrame, column: str) -> Any:
    """The first row with the largest value in a column."""
    return frame.iloc[int(frame[column].astype(float).to_numpy().argmax())]


def one_row(**values: Any) -> alt.InlineData:
    """A table of one row."""
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


def date_axis(
    first: date,
    last: date,
    title: str | None,
    at_most: int = 12,
    ticks_to: date | None = None,
    field: str = "day",
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
        f"{field}:T",
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


def number_axis(field: str, title: str | None, top: float, ticks: int = 5) -> alt.Y:
    """A number axis from 0, with whole numbers and thousands separators."""
    ticks = max(1, min(ticks, int(top)))
    return alt.Y(
        f"{field}:Q",
        scale=alt.Scale(domain=[0, top], nice=True),
        axis=alt.Axis(title=title, format=",d", tickCount=ticks, tickMinStep=1, domain=False),
    )


def fan(x: alt.X, y_title: str | None, top: float, ticks: int = 5, only: str = "true") -> Layers:
    """Two bands with thin edges and the middle line, of the rows that ``only`` is true for."""
    base = alt.Chart(alt.NamedData(SHOWN)).transform_filter(only).encode(x=x)

    def band(low: str, high: str, fill: str) -> Mark:
        return base.mark_area(color=fill, opacity=1.0).encode(
            y=number_axis(low, y_title, top, ticks), y2=alt.Y2(f"{high}:Q")
        )

    def line(field: str, width: float) -> Mark:
        return base.mark_line(color=BLUE, strokeWidth=width).encode(
            y=number_axis(field, y_title, top, ticks)
        )

    return [
        band("low", "high", OUTER),
        band("lower", "upper", INNER),
        line("low", 0.6),
        line("high", 0.6),
        line("middle", 2.0),
    ]


def words_at(words: str, x: float, y: float, weight: Literal["normal", "bold"] = "normal") -> Mark:
    """Words that begin at a place in pixels from the corner of the plot."""
    mark = alt.Chart(one_row(words=words)).mark_text(
        align="left", baseline="middle", fontSize=TEXT, fontWeight=weight, color=INK
    )
    return mark.encode(text="words:N", x=pixels(alt.XValue, x), y=pixels(alt.YValue, y))


def colour_key(*parts: str, limit: str = "") -> Layers:
    """What bands and lines mean, in a row above the plot."""
    y, x = -16.0, 0.0
    layers: Layers = []
    one = one_row(key=1)

    def segment(at: float, color: str, width: float, dash: Sequence[float]) -> Mark:
        rule = alt.Chart(one).mark_rule(color=color, strokeWidth=width, strokeDash=list(dash))
        return rule.encode(
            x=pixels(alt.XValue, x),
            x2=pixels(alt.X2Value, x + 20),
            y=pixels(alt.YValue, at),
            y2=pixels(alt.Y2Value, at),
        )

    for part, fill in zip(parts, (OUTER, INNER, ""), strict=False):
        if fill:
            box = alt.Chart(one).mark_rect(color=fill, stroke=BLUE, strokeWidth=0.6)
            layers.append(
                box.encode(
                    x=pixels(alt.XValue, x),
                    x2=pixels(alt.X2Value, x + 20),
                    y=pixels(alt.YValue, y - 5),
                    y2=pixels(alt.Y2Value, y + 5),
                )
            )
        else:
            layers.append(segment(y, BLUE, 2.0, (1, 0)))
        layers.append(words_at(part, x + 26, y))
        x += 26 + 5.3 * len(part) + 18
    if limit:
        layers += [segment(y, WINE, 1.6, (6, 3)), words_at(limit, x + 26, y)]
    return layers


FUTURES_KEY = ("9 in 10 futures", "half of the futures", "middle future")


def level(value: float, color: str, dash: Sequence[float]) -> Mark:
    """A line right across the plot."""
    rule = alt.Chart(one_row(level=value)).mark_rule(
        color=color, strokeWidth=1.6, strokeDash=list(dash)
    )
    return rule.encode(y=alt.Y("level:Q"))


def moment(
    day: date, words: str, x: alt.X, at: float | None = None, align: Align = "right"
) -> Layers:
    """A line from top to bottom at a date, with its words beside it (``at`` None: low down)."""
    y = pixels(alt.YValue, "height" if at is None else at)
    base = alt.Chart(one_row(day=day.isoformat(), words=words)).encode(x=x)
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


def sized(chart: Any, height: float = HEIGHT, top: float = 28) -> Any:
    """The chart at the one common width; ``top`` is room for the key."""
    padding: Any = {"left": 2, "right": 14, "top": top, "bottom": 2}
    return chart.properties(
        width=WIDTH,
        height=height + top,
        padding=padding,
        autosize=alt.AutoSizeParams(type="fit", contains="padding"),
    )


def grid(charts: Sequence[Any], columns: int = 3) -> Any:
    """Small charts side by side, in reading order, as wide together as one chart."""
    padding: Any = {"left": 2, "right": 10, "top": 4, "bottom": 2}
    # Plots line up whatever their numbers need, so the gaps must hold the axes.
    return alt.concat(
        *charts, columns=columns, bounds="flush", spacing={"row": 72, "column": 58}
    ).properties(padding=padding)


def small_fans(frame: pd.DataFrame, by: str, y_title: str, limit: float | None = None) -> Any:
    """A small chart for each value of a column, each with its own scale of numbers."""
    first, last = frame["day"].min(), frame["day"].max()
    charts: list[Any] = []
    for name, part in frame.groupby(by, sort=False):
        top = max(1.0, float(part["high"].max()), limit or 0.0)
        only = f"datum.{by} === {json.dumps(name)}"
        layers = fan(date_axis(first, last, None, 4), y_title, top, 3, only)
        if limit is not None:
            layers.append(level(limit, WINE, (6, 3)))
        words = str(name)[:1].upper() + str(name)[1:]
        # Drawn, because a chart's own title moves with the numbers on its axis.
        chart = alt.layer(*layers, words_at(words, 0, -16, weight="bold"))
        charts.append(chart.properties(width=150, height=SMALL_HEIGHT))
    return grid(charts)
