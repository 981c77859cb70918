"""The schedule forecast: futures -> the content of a report, a public function a section.

The notebook's cells and the command line call the same functions. Nothing in a report for a funder
names a person: names and initials stand only where the team is told about itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from forecast import charts, tables
from forecast.blocks import Block, Bullets, Facts, Heading, Note, Paragraph, Report, Summary, Table
from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.errors import InputError, Problem
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.outcome import (
    OUTCOME_NAMES,
    Futures,
    finish_odds,
    load,
    mostly_first_estimates,
    promise_odds,
    quantile,
    reached,
)
from forecast.planning import Learnt
from forecast.recalibrate import forecast
from forecast.record import open_record
from forecast.words import (
    IF_TEAM_STAYS,
    hours,
    joined,
    long_date,
    never,
    number,
    odds,
    plural,
    range_of_numbers,
    reached_date,
)

__all__ = [
    "AUDIENCES",
    "LEFT_OUT",
    "NOT_YET_HAPPENED",
    "Settings",
    "check_settings",
    "first_estimates_sentence",
    "get_futures",
    "rests_on_sentences",
    "schedule_report",
    "section_assumptions",
    "section_cautions",
    "section_delivery",
    "section_drying",
    "section_exposure",
    "section_finish",
    "section_left_out",
    "section_places",
    "section_promise",
    "section_rests_on",
    "section_summary",
    "section_waiting",
    "section_warnings",
    "section_weekly",
    "summary_sentences",
]

FUNDER = "funder"
TEAM = "team"
AUDIENCES: tuple[str, ...] = (FUNDER, TEAM)

NOT_YET_HAPPENED = "No forecast covers a change of the work that has not happened yet."

LEFT_OUT: tuple[str, ...] = (
    "Power cuts.",
    "Mould that grows again while items wait.",
    "The daily turning of items during drying.",
    "Work that needs two people at one item.",
    "Differences in speed between people.",
    "Transport.",
    "Work on the images after they are made and checked.",
)


# --- what a run is asked for -------------------------------------------------------------------


@dataclass(frozen=True)
class Settings:
    """The parameters of one run, checked.

    Attributes:
        folder: the project folder.
        as_of: the forecast knows nothing later; None: the documented default.
        replications: how many futures are simulated.
        seed: the same seed gives the same futures.
        audience: ``funder`` (no person appears) or ``team``.
        futures_file: futures that were simulated before and saved; None: simulate now.
    """

    folder: Path
    as_of: date | None = None
    replications: int = DEFAULT_REPLICATIONS
    seed: int = DEFAULT_SEED
    audience: str = FUNDER
    futures_file: Path | None = None


_EXPECTED: dict[str, tuple[type, str, str]] = {
    "folder": (str, "the path of a project folder", 'Write it in quotes, like "my-project".'),
    "as_of": (
        str,
        "a date such as 2026-05-29, or nothing",
        "Write year, month and day, in quotes.",
    ),
    "replications": (int, "a whole number from 1 on", "Write a number such as 1000."),
    "seed": (int, "a whole number from 0 on", "Write a number such as 1."),
    "audience": (str, "funder or team", 'Write "funder" or "team".'),
    "futures_file": (str, "the path of saved futures, or nothing", 'Write "" to simulate now.'),
}


def _parameter_problem(name: str, value: Any) -> Problem | None:
    """What is wrong with one parameter, or None."""
    if name not in _EXPECTED:
        near = get_close_matches(name, _EXPECTED, n=1, cutoff=0.0)
        known = ", ".join(_EXPECTED)
        return Problem("parameters", name, str(value), f"one of {known}", f"Write {near[0]}.")
    kind, expected, remedy = _EXPECTED[name]
    good = isinstance(value, kind) and not isinstance(value, bool)
    if good and name == "folder":
        good = bool(value.strip())
    if good and name == "audience":
        good = value in AUDIENCES
    if good and name in {"replications", "seed"}:
        good = value >= (1 if name == "replications" else 0)
    if good and name == "as_of" and value:
        good = _iso_date(value) is not None
    return None if good else Problem("parameters", name, str(value), expected, remedy)


def _iso_date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def check_settings(**parameters: Any) -> Settings:
    """The settings of a run from plain values, as a notebook or a command line has them.

    Raises:
        InputError: names that do not exist, or values that cannot be understood: all in one go.

    >>> check_settings(folder="tiny", as_of="2026-05-29").as_of
    datetime.date(2026, 5, 29)
    """
    if "folder" not in parameters:
        parameters = {"folder": "", **parameters}
    found = [_parameter_problem(name, value) for name, value in parameters.items()]
    problems = [problem for problem in found if problem is not None]
    if problems:
        raise InputError(problems)
    texts = {"folder": "", "as_of": "", "futures_file": ""} | parameters
    return Settings(
        folder=Path(texts.pop("folder")),
        as_of=_iso_date(texts.pop("as_of")),
        futures_file=Path(path) if (path := texts.pop("futures_file")) else None,
        **texts,
    )


def get_futures(settings: Settings, *, progress: bool = True) -> Futures:
    """Read the project and its record and simulate, or load what was simulated before.

    Raises:
        InputError: the project folder or its record cannot be used, or the saved futures are of
            other inputs.
    """
    project = read_project(settings.folder)
    if settings.futures_file is not None:
        return load(settings.futures_file, project)
    with open_record(settings.folder, project, create=False) as record:
        history = record.history()
    return forecast(
        project, history, settings.as_of, settings.replications, settings.seed, progress=progress
    )


# --- the sections, in the report's order -------------------------------------------------------


def _odds(share: float, futures: Futures) -> str:
    return odds(share, futures.replications)


def _promise_sentence(futures: Futures) -> str:
    grant = futures.project.grant
    return (
        f"The promise is {plural(grant.items_promised, 'item')} by "
        f"{long_date(futures.grant_end)}. It is kept in {_odds(promise_odds(futures), futures)} "
        "of the futures that were simulated from this plan."
    )


def _finish_sentences(futures: Futures) -> str:
    horizon = futures.project.grant.horizon
    share = _odds(finish_odds(futures), futures)
    all_done = f"The whole collection is finished by then in {share} of them"
    half, most = (futures.date_of(int(quantile(futures.finish_day, q))) for q in (0.5, 0.9))
    if half is None:
        return f"{all_done}. In half of the futures or more the finish is {never(horizon)}."
    stays = f"{IF_TEAM_STAYS}, " if half > futures.grant_end else ""
    said = f"{all_done}; {stays}half of the futures are finished by {long_date(half)}"
    if most is None:
        return f"{said}, and more than 1 in 10 {never(horizon)}."
    between = (
        f", and {IF_TEAM_STAYS}, 9 in 10" if half <= futures.grant_end < most else " and 9 in 10"
    )
    return f"{said}{between} by {long_date(most)}."


def _safe_promise(futures: Futures) -> str:
    """What could be promised without much risk, beside what is promised."""
    day = min(futures.end_day, futures.project.days - 1)
    safe = int(reached(futures.done_by_day[:, day], 0.9)) if day >= 0 else 0
    promised = futures.project.grant.items_promised
    known = f"At least {plural(safe, 'item')} are done by the grant's end in 9 in 10 futures"
    if safe >= promised:
        return f"{known}: the promise and more." if safe > promised else f"{known}: the promise."
    return f"{known}: {number(promised - safe)} fewer than promised."


def _standstill(futures: Futures) -> str:
    """The first date from which the grant's end can no longer be met, if that was worked out."""
    if futures.no_longer_from is None:
        return ""
    end = long_date(futures.grant_end)
    if futures.no_longer_from <= futures.first_day:
        return f"Even if work goes on at once, the promise can hardly be met by {end} any more."
    return (
        f"If all work stopped and began again only on {long_date(futures.no_longer_from)} or "
        f"later, the promise could hardly be met by {end} any more."
    )


def summary_sentences(futures: Futures) -> list[str]:
    """The forecast in a few plain sentences."""
    said = [
        _promise_sentence(futures),
        _finish_sentences(futures),
        _safe_promise(futures),
        _standstill(futures),
    ]
    return [sentence for sentence in said if sentence]


def section_summary(futures: Futures) -> Report:
    """The title, and in plain sentences what a hurried reader must know."""
    project, grant = futures.project, futures.project.grant
    done = tables.done_at_start(futures)
    pairs = [
        ("Project", project.title),
        ("Organisation", project.organisation),
        ("Grant", " ".join(part for part in (grant.funder, project.reference) if part)),
        ("Grant period", f"{long_date(grant.start)} to {long_date(futures.grant_end)}"),
        ("Known up to", long_date(futures.as_of)),
        ("Collection", plural(project.total_items, "item")),
        ("Done so far", plural(done, "item")),
        ("Promised", plural(grant.items_promised, "item")),
        ("Simulated futures", f"{number(futures.replications)} (seed {futures.seed})"),
    ]
    title = f"Schedule forecast: {project.title}" if project.title else "Schedule forecast"
    blocks: list[Block] = [
        Heading(title, 1),
        Paragraph(_promise_sentence(futures), lead=True),
        Paragraph(_finish_sentences(futures)),
        Paragraph(_safe_promise(futures)),
        Facts(tuple((label, value) for label, value in pairs if value)),
        Paragraph(
            "A future is one run of the plan with its own luck: how many items turn out to have "
            "mould, how long each takes, who is away. Where it says 8 in 10, that happened in 8 "
            f"of every 10 such runs. Dates after the grant's end hold {IF_TEAM_STAYS}."
        ),
    ]
    if project.warnings:
        count = plural(len(project.warnings), "warning")
        blocks.insert(4, Paragraph(f"The plan raises {count}: see Warnings below."))
    return Report([*blocks, _in_one_row(futures)])


def _in_one_row(futures: Futures) -> Summary:
    """The forecast under names that are the same in every project."""
    project, grant = futures.project, futures.project.grant
    last = min(futures.end_day, project.days - 1)

    def finish(share: float) -> str | None:
        day = futures.date_of(int(quantile(futures.finish_day, share)))
        return None if day is None else day.isoformat()

    return Summary(
        (
            ("kind", "schedule_forecast"),
            ("project", project.title),
            ("organisation", project.organisation or None),
            ("funder", grant.funder or None),
            ("reference", project.reference or None),
            ("as_of", futures.as_of.isoformat()),
            ("grant_start", grant.start.isoformat()),
            ("grant_end", futures.grant_end.isoformat()),
            ("items", project.total_items),
            ("items_done", tables.done_at_start(futures)),
            ("items_promised", grant.items_promised),
            ("promise_odds", round(promise_odds(futures), 6)),
            ("finish_by_grant_end_odds", round(finish_odds(futures), 6)),
            ("finish_5_in_10", finish(0.5)),
            ("finish_8_in_10", finish(0.8)),
            ("finish_9_in_10", finish(0.9)),
            ("items_by_grant_end_9_in_10", int(reached(futures.done_by_day[:, last], 0.9))),
            ("replications", futures.replications),
            ("seed", futures.seed),
            ("inputs_sha256", project.input_sha256),
        )
    )


def section_delivery(futures: Futures) -> Report:
    """Items done since the grant's start, with the promise and the grant's end."""
    frame = tables.delivery(futures)
    promised = futures.project.grant.items_promised
    return Report(
        [
            Heading("Items done over the whole project"),
            Paragraph(
                "The line is the middle future: half of the futures run above it, half below. "
                "The wider the bands, the less is known."
            ),
            charts.delivery_chart(frame, promised, futures.grant_end),
        ]
    )


def section_weekly(futures: Futures) -> Report:
    """Items done in each week."""
    frame = tables.weekly_done(futures)
    return Report(
        [
            Heading("Items done in each week"),
            Paragraph(
                "Weeks differ: people are away, places close, items with mould wait in "
                "quarantine before they come through together."
            ),
            charts.weekly_chart(frame, futures.grant_end),
        ]
    )


def section_waiting(futures: Futures) -> Report:
    """Items that wait, a small chart for each stage."""
    frame = tables.waiting(futures)
    blocks: list[Block] = [Heading("Items that wait")]
    if frame.empty:
        return Report([*blocks, Paragraph("Nothing waits at any stage.")])
    blocks.append(
        Paragraph("Where many items wait for long, that stage sets the pace of the whole project.")
    )
    return Report([*blocks, charts.waiting_chart(frame)])


def section_drying(futures: Futures) -> Report:
    """Active items that wait too long to be dried."""
    within = futures.project.drying.start_within_days
    heading = Heading("Items with growing mould that wait too long to be dried")
    limit = f"An item with growing mould should begin to dry within {plural(within, 'day')}."
    share = float((futures.late_drying > 0).mean())
    if not share:
        return Report([heading, Paragraph(f"{limit} In none of the futures does one wait longer.")])
    low, high = (int(quantile(futures.late_drying, q)) for q in (0.05, 0.95))
    said = (
        f"{limit} Some wait longer in {_odds(share, futures)} of the futures: in all "
        f"{range_of_numbers(low, high)} items in 9 in 10 futures."
    )
    chart = charts.late_drying_chart(tables.late_drying(futures), within)
    return Report([heading, Paragraph(said), chart])


def section_places(futures: Futures) -> Report:
    """How much of their open time shelves, dryer, benches, cameras and tool sets are in use."""
    frame = tables.place_use(futures)
    heading = Heading("Use of places")
    if frame.empty:
        return Report([heading, Paragraph("No place is a limit in this plan.")])
    said = "A place that is nearly always in use holds up the work before it."
    return Report([heading, Paragraph(said), charts.place_chart(frame)])


def section_finish(futures: Futures) -> Report:
    """The finish as twenty equally likely dates, and how sure the simulation itself is."""
    grant = futures.project.grant
    dots = tables.finish_dots(futures)
    rows = []
    for row in tables.monte_carlo_error(futures).to_dict("records"):
        words = [
            odds(cell, futures.replications, exact=True)
            if isinstance(cell, float)
            else reached_date(cell, futures.grant_end, grant.horizon)
            for cell in (row["value"], row["low"], row["high"])
        ]
        rows.append((str(row["figure"]), *words))
    error = Table(
        f"How exact {number(futures.replications)} futures can be",
        ("Figure", "Value", "At least", "At most"),
        tuple(rows),
        note="Another run with other luck would give a value between the last two columns in 95 "
        "of 100 cases. More futures make the range narrower.",
    )
    said = (
        "Each dot is as likely as every other. Count the dots before a date to see how sure it is."
    )
    return Report(
        [
            Heading("When the last item is finished"),
            Paragraph(said),
            charts.finish_chart(dots, futures.grant_end, grant.horizon),
            error,
        ]
    )


def section_promise(futures: Futures) -> Report:
    """What can be promised by each month's end, and until when the grant's end can be met."""
    rows = [
        tuple(long_date(cell) if isinstance(cell, date) else number(cell) for cell in row.values())
        for row in tables.promises(futures).to_dict("records")
    ]
    rows[-1] = (f"{rows[-1][0]} (grant's end)", *rows[-1][1:])
    shares = tuple(f"{odds(share)} futures" for share in tables.PROMISE_SHARES)
    blocks: list[Block] = [
        Heading("What can be promised"),
        Paragraph(
            "The further to the right, the surer. A number in the column "
            f"“{shares[2]}” was reached or passed in 9 of every 10 futures."
        ),
        Table(
            "Items done by a date, or more, in so many futures",
            ("By the end of", *shares),
            tuple(rows),
            numeric=(1, 2, 3, 4),
        ),
    ]
    if standstill := _standstill(futures):
        blocks.append(Paragraph(standstill))
    if ended := _ended_otherwise(futures):
        blocks.append(Paragraph(ended))
    return Report(blocks)


def _ended_otherwise(futures: Futures) -> str:
    """Items that do not come out as images, in the middle future; empty where there are none."""
    counts = [int(quantile(futures.outcomes[:, n], 0.5)) for n in range(len(OUTCOME_NAMES))]
    words = {"set-aside": "set aside for a specialist", "not-imaged": "too fragile to be imaged"}
    counted = futures.project.outcomes.counts_as_done
    said = [
        f"{plural(counts[n], 'item')} {words[name]}"
        f" ({'counted' if name in counted else 'not counted'} as done)"
        for n, name in enumerate(OUTCOME_NAMES)
        if name in words and counts[n]
    ]
    return f"The middle future has {joined(said)}." if said else ""


_LIMITS_SAID = (
    "The limits are planning defaults. Keeping to them does not show that work is safe, and they "
    "are never a way to gain time."
)


def _one_person_said(summary: tables.ExposureSummary) -> str:
    kept = (
        summary.largest_day_seconds <= summary.limit_day_seconds
        and summary.largest_days_a_week <= summary.limit_days_a_week
    )
    every = "In every simulated future, exposure stays" if kept else "Exposure does not always stay"
    return (
        f"{every} within the planning limit of "
        f"{hours(summary.limit_day_seconds)} a day on at most "
        f"{plural(summary.limit_days_a_week, 'day')} a week."
    )


def section_exposure(futures: Futures, audience: str = FUNDER) -> Report:
    """The team's exposure against the limits; a chart of each person only for the team."""
    summary = tables.exposure_summary(futures)
    heading = Heading("Exposure to mould")
    if not summary.people:
        return Report([heading, Paragraph("Nobody is assigned to mould work in this plan.")])
    if summary.people == 1 and audience != TEAM:
        # What one person alone takes on is that person's, even without a name.
        return Report([heading, Paragraph(_LIMITS_SAID), Paragraph(_one_person_said(summary))])
    limits = futures.project.exposure
    low, middle, high = summary.week_hours
    pairs = [
        ("People assigned to mould work", number(summary.people)),
        ("Planning limit for a person in a day", hours(summary.limit_day_seconds)),
        ("Longest day of anybody in any future", hours(summary.largest_day_seconds)),
        (
            "Planning limit for a person in a week",
            f"{plural(limits.days_per_week, 'day')} with exposure"
            + (" (Monday to Sunday)" if limits.week == "calendar" else " in any seven days"),
        ),
        (
            "Most exposure days of anybody in a calendar week",
            plural(summary.largest_days_a_week, "day"),
        ),
        (
            "All together in a week with exposure",
            f"{number(middle, 1)} hours (9 in 10 futures: {range_of_numbers(low, high, 1)})",
        ),
    ]
    blocks: list[Block] = [
        heading,
        Paragraph(_LIMITS_SAID),
        Facts(tuple(pairs)),
        charts.exposure_chart(tables.exposure_in_total(futures)),
    ]
    if audience == TEAM:
        blocks.append(charts.person_exposure_chart(tables.exposure_by_person(futures)))
    return Report(blocks)


def _pairs(frame: pd.DataFrame) -> tuple[tuple[str, str], ...]:
    return tuple((str(row.about), str(row.value)) for row in frame.itertuples(index=False))


def rests_on_sentences(futures: Futures) -> list[str]:
    """How much still rests on the first estimates, in words; nothing where there is no record."""
    if not futures.weeks_on_record or futures.last_week is None:
        return []
    weeks, last = plural(futures.weeks_on_record, "week"), long_date(futures.last_week)
    mostly = [first_estimates_sentence(futures.learnt)] if futures.learnt else []
    return [
        f"The forecast knows the returns of {weeks}, the last of them of the week of {last}.",
        " ".join([*mostly, "What they do not speak of rests on the first estimates."]),
        NOT_YET_HAPPENED,
    ]


def first_estimates_sentence(learnt: Sequence[Learnt]) -> str:
    """How many of the figures that the returns speak of still rest on the first estimates.

    Args:
        learnt: at least one figure.
    """
    mostly, figures = mostly_first_estimates(learnt), plural(len(learnt), "figure")
    how_many = number(mostly) if mostly else "none"
    rest = "rests" if mostly == 1 else "rest"
    return (
        f"Of {figures} that the returns speak of, {how_many} still {rest} mostly on the first "
        "estimates."
    )


def section_rests_on(futures: Futures) -> Report:
    """How much still rests on the first estimates; nothing where there is no record."""
    said = rests_on_sentences(futures)
    if not said:
        return Report([])
    return Report([Heading("How much rests on first estimates"), *map(Paragraph, said)])


def section_assumptions(futures: Futures, audience: str = FUNDER) -> Report:
    """What the forecast rests on, where each value came from, and which are defaults."""
    frame = tables.assumptions(futures.project, with_persons=audience == TEAM)
    timed = frame["source"].str.startswith("task_times.csv")
    stated, defaults = frame[~timed & ~frame["default"]], frame[frame["default"]]
    times = tuple(
        (str(row.about), str(row.value), str(row.source).removeprefix("task_times.csv: "))
        for row in frame[timed].itertuples(index=False)
    )
    blocks: list[Block] = [
        Heading("What the forecast assumes"),
        Paragraph(
            "Where a range stands in brackets, nobody knows the value exactly yet: it is thought "
            "to lie in the range with 9 in 10, and most likely near the value before it."
        ),
    ]
    if len(defaults):
        caption = "Documented defaults, used because the project does not say otherwise"
        blocks.append(Table(caption, ("Assumption", "Default"), _pairs(defaults)))
    blocks += [
        Table(
            "Times that the work takes, from task_times.csv",
            ("Stage and items", "Average of a team that starts", "Source"),
            times,
        ),
        Table(
            "Stated for this project, in project.toml and survey.csv",
            ("Assumption", "Value"),
            _pairs(stated),
            note=f"Checksum of the inputs: {futures.project.input_sha256[:12] or 'not known'}.",
        ),
    ]
    return Report(blocks)


def section_warnings(futures: Futures, audience: str = FUNDER) -> Report:
    """Doubts about the plan that do not stop a forecast."""
    texts = tables.warning_texts(futures.project, with_persons=audience == TEAM)
    said: Block = Paragraph("The plan raises no warning.")
    if texts:
        said = Note("The plan is possible, but look at this first:", tuple(texts))
    return Report([Heading("Warnings"), said])


def section_left_out() -> Report:
    """What the model does not represent."""
    return Report(
        [
            Heading("What the model leaves out"),
            Paragraph(
                "The simulation knows nothing of the following. Most of it costs time when it "
                "happens."
            ),
            Bullets(LEFT_OUT),
        ]
    )


def section_cautions() -> Report:
    """The one fixed text about safety."""
    return Report([Heading("Cautions"), Note("Before anybody works with mould", CAUTIONS)])


def schedule_report(futures: Futures, audience: str = FUNDER) -> Report:
    """The whole schedule forecast as content blocks.

    Raises:
        InputError: there is no such audience.
    """
    problem = _parameter_problem("audience", audience)
    if problem is not None:
        raise InputError([problem])
    sections = [
        section_summary(futures),
        section_delivery(futures),
        section_weekly(futures),
        section_waiting(futures),
        section_drying(futures),
        section_places(futures),
        section_finish(futures),
        section_promise(futures),
        section_exposure(futures, audience),
        section_rests_on(futures),
        section_assumptions(futures, audience),
        section_warnings(futures, audience),
        section_left_out(),
        section_cautions(),
    ]
    return Report(block for section in sections for block in section)
