"""Charts: tables of futures -> figures as SVG."""

from __future__ import annotations

import json
from datetime import date, timedelta

import altair as alt
import pandas as pd

from forecast.blocks import Figure
from forecast.chart_parts import (
    BLUE,
    FUTURES_KEY,
    INK,
    INNER,
    MUTED,
    OCHRE,
    SHOWN,
    SMALL_HEIGHT,
    TEXT,
    WINE,
    Layers,
    Mark,
    colour_key,
    date_axis,
    fan,
    figure,
    grid,
    level,
    moment,
    number_axis,
    one_row,
    peak_of,
    pixels,
    sized,
    small_fans,
    words_at,
)
from forecast.units import half_up
from forecast.words import (
    IF_TEAM_STAYS,
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
    "delivery_chart",
    "exposure_chart",
    "finish_chart",
    "late_drying_chart",
    "person_exposure_chart",
    "place_chart",
    "plan_against_base",
    "track_record_chart",
    "waiting_chart",
    "weekly_chart",
    "why_chart",
]


def delivery_chart(frame: pd.DataFrame, promised: int, grant_end: date) -> Figure:
    """Items done since the grant's start, the promise and the grant's end.

    Args:
        frame: as :func:`forecast.tables.delivery` makes it.
        promised: items promised.
        grant_end: the grant's end in force.
    """
    first, last = frame["day"].iloc[0], frame["day"].iloc[-1]
    top = max(promised * 1.08, float(frame["high"].max()))
    x = date_axis(first, max(last, grant_end), "end of the week")
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
        *fan(x, "items done since the grant's start", top),
        level(promised, WINE, (6, 3)),
        *(moment(grant_end, f"grant's end, {long_date(grant_end)}", x) if len(within) else []),
        *colour_key(*FUTURES_KEY, limit=f"the promise, {plural(promised, 'item')}"),
    )
    return figure(
        "delivery",
        sized(chart, 240),
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
    x = date_axis(first, max(last, grant_end), "week beginning")
    chart = alt.layer(
        *fan(x, "items done in the week", top),
        *(moment(grant_end, "grant's end", x, 8) if first <= grant_end else []),
        *colour_key(*FUTURES_KEY),
    )
    busiest = peak_of(frame, "middle")
    return figure(
        "weekly",
        sized(chart, 180),
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
        peak = peak_of(part, "middle")
        words.append(f"{stage} {number(peak['middle'])} ({month_year(peak['day'])})")
    never_waits = f" Hardly anything ever waits at {joined(empty)}." if empty else ""
    return figure(
        "waiting",
        small_fans(drawn, "stage", "items"),
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
        *fan(date_axis(first, last, "end of the week"), "items waiting too long", top),
        *colour_key(*FUTURES_KEY),
    )
    worst = peak_of(frame, "high")
    return figure(
        "late-drying",
        sized(chart, 160),
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
    return figure(
        "places",
        sized(chart, 44 * len(shares) + 40, 8),
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
    x = date_axis(first, right, "date of the last item's end", ticks_to=last)
    drawn = _placed(dots, last, step)
    layers = [_points(x, drawn), *moment(grant_end, "grant's end", x, 8, "left")]
    if lost:
        gap = alt.Chart(one_row(day=last.isoformat())).mark_rule(color=MUTED, strokeWidth=1)
        layers.append(gap.encode(x=x))
    dates = list(dots["date"])
    apart = f" {lost} stand apart: {never(horizon)}." if lost else ""
    return figure(
        "finish",
        sized(alt.layer(*layers), 95 + 15 * int(drawn["height"].max()), 4),
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
    x = date_axis(first, last, "week beginning")
    limit = alt.Chart(alt.NamedData(SHOWN)).mark_line(
        color=WINE, strokeWidth=1.6, strokeDash=[6, 3], interpolate="step-after"
    )
    chart = alt.layer(
        *fan(x, "hours of exposure in the week", top),
        limit.encode(x=x, y=number_axis("limit", "hours of exposure in the week", top)),
        *colour_key(*FUTURES_KEY, limit="planning limit, all together"),
    )
    peak = float(frame["high"].max())
    return figure(
        "exposure",
        sized(chart, 180),
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
    return figure(
        "person-exposure",
        small_fans(frame, "person", "hours", limit),
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
        .encode(x=date_axis(first, last, None, 4))
    )

    def bar(low: str, high: str, colour: str, stroke: float) -> Mark:
        rule = base.mark_rule(color=colour, strokeWidth=stroke)
        return rule.encode(y=number_axis(low, unit, top, 3), y2=alt.Y2(f"{high}:Q"))

    def came(held: bool) -> Mark:
        shape, colour = _CAME[held]
        points = base.transform_filter(f"datum.held === {json.dumps(held)}").mark_point(
            shape=shape, color=colour, filled=True, size=max(14.0, 4.0 * width), opacity=1
        )
        return points.encode(y=number_axis("actual", unit, top, 3))

    words = f"{str(name)[:1].upper()}{str(name)[1:]}"
    return [
        bar("low", "high", BLUE, min(1.0, width / 2)),
        bar("lower", "upper", INNER, width),
        came(True),
        came(False),
        words_at(words, 0, -16, weight="bold"),
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
    return figure(
        "track-record-hindcast" if hindcast else "track-record",
        grid(small),
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
    zero = alt.Chart(one_row(days=0)).mark_rule(color=MUTED, strokeWidth=1).encode(x=x)
    span = base.mark_rule(color=BLUE, strokeWidth=1.6).encode(
        x=alt.X("low:Q", scale=alt.Scale(domain=[-reach, reach], nice=True)), x2="high:Q", y=y
    )
    dots = base.mark_point(filled=True, size=80, color=BLUE, opacity=1).encode(x=x, y=y)
    words = [
        f"{str(cause).lower()} {_by_days(float(days))}"
        for cause, days in zip(causes, frame["days"].tolist(), strict=True)
    ]
    return figure(
        "why",
        sized(alt.layer(zero, span, dots), 28 * len(frame), 4),
        frame,
        f"What moved the middle finish date since the forecast of {long_date(before)}",
        f"By cause: {joined(words)}.",
        "The dots add up to the whole change. A line is the 90 % interval that the simulation's "
        "own error leaves; where it crosses the upright line, the share may be nothing.",
    )


# --- a plan against the project as it is ---------------------------------------------------------


# How each plan is drawn, in the key and in sentences.
_LINES: dict[str, tuple[str, str, tuple[int, int], str]] = {
    "plan": ("this plan", BLUE, (1, 0), "under this plan"),
    "base": ("as planned", OCHRE, (5, 3), "as planned"),
}


def plan_against_base(
    frame: pd.DataFrame,
    middles: tuple[date | None, date | None],
    grant_end: date,
    horizon: date,
    futures: int,
) -> Figure:
    """How many futures are finished by each date, under a plan and as planned.

    Args:
        frame: ``day`` (rising dates), ``plan`` and ``base`` (futures of 100 finished by then);
            without ``plan``, of the project as it is alone.
        middles: the date by which half of the futures are finished; of the plan, and as planned;
            None: not by the horizon.
        grant_end: under the plan.
        horizon: the last day that is simulated.
        futures: how many were simulated of each.
    """
    first, last = frame["day"].iloc[0], frame["day"].iloc[-1]
    x = date_axis(first, last, "date", 10)
    names = [name for name in _LINES if name in frame]
    layers: Layers = []
    for place, name in enumerate(names):
        words, colour, dash, _ = _LINES[name]
        layers += [_finished(name, colour, dash, x), *_line_key(110.0 * place, words, colour, dash)]
    if first <= grant_end <= last:
        layers += moment(grant_end, "grant's end", x)
    ends = [
        f"{_by(day, horizon)} {_LINES[name][3]}"
        for name, day in zip(_LINES, middles, strict=True)
        if name in names
    ]
    at_end = frame[frame["day"] <= grant_end]
    said = ""
    if len(at_end):
        row = at_end.iloc[-1]
        shares = [f"{number(row[name])} of 100 {_LINES[name][3]}" for name in names]
        said = f" By the grant's end, {long_date(grant_end)}, it is {joined(shares)}."
    return figure(
        "plan-against-base",
        sized(alt.layer(*layers), 200),
        frame,
        "Futures that are finished by each date",
        f"Of {number(futures)} futures half are finished {joined(ends)}.{said}",
    )


def _by(day: date | None, horizon: date) -> str:
    return never(horizon) if day is None else f"by {long_date(day)}"


def _finished(column: str, colour: str, dash: tuple[int, int], x: alt.X) -> Mark:
    """One plan's line, which steps up whenever a future is finished."""
    line = alt.Chart(alt.NamedData(SHOWN)).mark_line(
        color=colour, strokeWidth=2, strokeDash=list(dash), interpolate="step-after"
    )
    return line.encode(x=x, y=number_axis(column, "futures of 100 that are finished", 100.0))


def _line_key(x: float, words: str, colour: str, dash: tuple[int, int]) -> Layers:
    """What a line means, above the plot."""
    rule = alt.Chart(one_row(key=1)).mark_rule(color=colour, strokeWidth=2, strokeDash=list(dash))
    drawn = rule.encode(
        x=pixels(alt.XValue, x),
        x2=pixels(alt.X2Value, x + 24),
        y=pixels(alt.YValue, -16.0),
        y2=pixels(alt.Y2Value, -16.0),
    )
    return [drawn, words_at(words, x + 30, -16.0)]
