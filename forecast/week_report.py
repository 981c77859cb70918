"""The week report: what a week brought, what was learnt, why the date moved, and the next week.

A public function a section, as in :mod:`forecast.schedule_forecast`. It is for the team: it names
people where they are told of their own hours, and shows crossed limits before anything else. For
a funder it leaves out everything about persons.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast import charts, ledger, recalibrate, track_record
from forecast.attribution import Why
from forecast.belief import Learnt
from forecast.blocks import Block, Facts, Heading, Note, Paragraph, Report, Table
from forecast.errors import InputError, Problem
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.history import History
from forecast.issued import Issued
from forecast.next_week import NextWeek, mould_hours_left, next_week
from forecast.outcome import Futures, quantile
from forecast.planning import Knowledge
from forecast.project import Project
from forecast.record import open_record
from forecast.recording import issued_forecasts
from forecast.replicate import simulate
from forecast.return_checks import Crossing, crossings
from forecast.schedule_forecast import TEAM, Settings, summary_sentences
from forecast.stages import STAGE_NAMES, Stage
from forecast.weekly import WeeklyReturn
from forecast.words import hours, long_date, number, odds, plural, range_of_numbers

__all__ = [
    "Week",
    "get_week",
    "issued_sentences",
    "section_cautions",
    "section_crossings",
    "section_exposure",
    "section_learnt",
    "section_next_week",
    "section_summary",
    "section_this_week",
    "section_track_record",
    "section_waiting",
    "section_why",
    "week_report",
]

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MOSTLY = 0.5  # of the first estimates' uncertainty: above it, a figure mostly rests on them


@dataclass(frozen=True)
class Week:
    """Everything that the report of a week rests on.

    Attributes:
        history: returns up to the as-of date.
        told: the return of the week.
        issued: forecasts on file, in the order in which they were issued.
        futures: the forecast from the as-of date.
        knowledge: what is believed, and where everything is.
        coming: what the futures do in the next week.
        learnt: figures that the returns speak of, before and after.
    """

    project: Project
    history: History
    told: WeeklyReturn
    issued: tuple[Issued, ...]
    futures: Futures
    knowledge: Knowledge
    coming: NextWeek
    learnt: tuple[Learnt, ...]
    audience: str

    @property
    def own(self) -> Issued | None:
        """The forecast that was issued with the week's return."""
        return next((each for each in self.issued if each.week == self.told.week), None)

    @property
    def earlier(self) -> Issued | None:
        """The last forecast that was issued before it, and that foretold the week."""
        before = [each for each in self.issued if each.week < self.told.week]
        return before[-1] if before else None

    @property
    def crossings(self) -> tuple[Crossing, ...]:
        """Planning limits that the week's return shows crossed."""
        return crossings(self.project, self.history, self.told.week)


def get_week(settings: Settings, *, progress: bool = True) -> Week:
    """Read the project and its record, and look at the last week up to the as-of date.

    Raises:
        InputError: the project or its record cannot be used, or there is no return yet.
    """
    project = read_project(settings.folder)
    with open_record(settings.folder, project, create=False) as record:
        history, issued = record.history(settings.as_of), issued_forecasts(record)
    if not history.returns:
        raise InputError([_no_return(settings)])
    as_of = settings.as_of or recalibrate.default_as_of(project, history)
    knowledge = recalibrate.known(project, history, as_of)
    futures = simulate(
        project,
        as_of,
        settings.replications,
        settings.seed,
        progress=progress,
        knowledge=knowledge,
    )
    first_day = project.day_number(futures.first_day)
    monday = futures.first_day - timedelta(days=futures.first_day.weekday())
    coming = next_week(
        project, knowledge, first_day, monday, min(200, settings.replications), settings.seed
    )
    return Week(
        project,
        history,
        history.returns[-1],
        tuple(each for each in issued if each.as_of <= as_of),
        futures,
        knowledge,
        coming,
        recalibrate.in_words(project, knowledge),
        settings.audience,
    )


def _no_return(settings: Settings) -> Problem:
    upto = f" up to {settings.as_of.isoformat()}" if settings.as_of else ""
    return Problem(
        "record.sqlite",
        "",
        f"no return{upto}",
        "at least one recorded week",
        "Record one: `forecast sheet` writes the sheet, `forecast record` takes it.",
    )


# --- sections ------------------------------------------------------------------------------------


def issued_sentences(issued: Issued) -> list[str]:
    """What a forecast on file says, and why the date moved, in words."""
    promise = issued.summary["promise"]
    kept = odds(promise["by_grant_end"], issued.replications)
    items = plural(promise["items"], "item")
    known = f"Forecast as of {long_date(issued.as_of)}"
    said = [f"{known}: the promise of {items} by the grant's end is kept in {kept} futures."]
    middle, most = (issued.finish_date(share) for share in (0.5, 0.9))
    if middle is not None:
        late = f", and 9 in 10 by {long_date(most)}" if most is not None else ""
        said.append(f"Half of the futures are finished by {long_date(middle)}{late}.")
    if issued.why:
        said += Why.from_json(issued.why).sentences()
    return said


def section_crossings(week: Week) -> Report:
    """Crossed planning limits, before anything else; nothing for a funder."""
    if week.audience != TEAM or not week.crossings:
        return Report([])
    return Report(
        [
            Heading("A planning limit was crossed"),
            Note(
                "Recorded as worked", tuple(crossing.sentence for crossing in week.crossings)
            ),
        ]
    )


def section_summary(week: Week) -> Report:
    """The title, where the project stands, and the forecast in short."""
    project, told = week.project, week.told
    done = _done(week)
    sentences = summary_sentences(week.futures)
    pairs = [
        ("Project", project.title),
        ("Week", f"{long_date(told.week)} to {long_date(told.last_day)}"),
        ("Weeks on record", number(len(week.history.returns))),
        ("Items done so far", f"{number(done)} of {number(project.grant.items_promised)} promised"),
    ]
    if week.history.gaps:
        pairs.append(("Weeks without a return", number(len(week.history.gaps))))
    return Report(
        [
            Heading(f"Week report: {project.title}", 1),
            *(Paragraph(said, lead=said == sentences[0]) for said in sentences),
            Facts(tuple(pairs)),
            Paragraph(_rests_on(week)),
        ]
    )


def _done(week: Week) -> int:
    return track_record.on_record(week.history, week.project).done_by(week.told.week)


def _rests_on(week: Week) -> str:
    """How much still rests on first estimates, and what no forecast can cover."""
    mostly = sum(each.still_estimate > _MOSTLY for each in week.learnt)
    spoken_of = plural(len(week.learnt), "figure")
    share = f"Of {spoken_of} that the returns speak of, {number(mostly)} still rest mostly on "
    share = f"{share}the first estimates." if week.learnt else "It rests on the first estimates."
    return f"{share} No forecast covers a change of the work that has not happened yet."


def section_this_week(week: Week) -> Report:
    """Items at each stage by the end of the week, against the last forecast before it."""
    heading = Heading("This week against the forecast")
    if week.earlier is None:
        return Report([heading, Paragraph("No forecast was issued before this week.")])
    passes = ledger.of(week.project, week.history).first_passes
    rows = []
    for each in week.earlier.summary["weekly"]:
        if each["week"] != week.told.week.isoformat():
            continue
        low, middle, high = (int(each["items"][q]) for q in ("0.1", "0.5", "0.9"))
        came = passes[STAGE_NAMES.index(each["stage"])]
        where = "below" if came < low else "above" if came > high else "within"
        rows.append(
            (
                each["stage"].capitalize(),
                number(came),
                number(middle),
                range_of_numbers(low, high),
                where,
            )
        )
    if not rows:
        said = "The last forecast before this week told nothing of it."
        return Report([heading, Paragraph(said)])
    table = Table(
        "Items that had finished each stage by the end of the week",
        ("Stage", "On record", "Middle of the forecast", "8 in 10", "Against it"),
        tuple(rows),
        numeric=(1, 2, 3),
        note=f"The forecast was made after the week of {long_date(week.earlier.week)}. About 2 of "
        "10 figures should lie outside their range.",
    )
    return Report([heading, table])


def section_learnt(week: Week) -> Report:
    """What the returns have taught, prior against posterior."""
    heading, learnt = Heading("What was learnt so far"), week.learnt
    if not learnt:
        return Report([heading, Paragraph("The returns say nothing of the estimates yet.")])
    rows = [
        (e.name, e.unit, _three(e.prior), _three(e.posterior), _left(e.still_estimate))
        for e in learnt
    ]
    table = Table(
        "Estimates before the first return, and now",
        ("What", "Unit", "First estimate (9 in 10)", "Now (9 in 10)", "Still first estimate"),
        tuple(rows),
        numeric=(4,),
        note="Minutes are averages of a team that starts, without clothing and clearing. The last "
        "column is how much of the first uncertainty is left.",
    )
    mostly = sum(each.still_estimate > _MOSTLY for each in learnt)
    said = (
        "Most figures still rest on the first estimates."
        if mostly > len(learnt) / 2
        else "Most figures rest on the returns by now."
    )
    return Report([heading, Paragraph(said), table])


def _three(values: Sequence[float]) -> str:
    low, middle, high = values
    decimals = 0 if middle >= 20 else 1 if middle >= 2 else 2
    return (
        f"{number(middle, decimals)} ({number(low, decimals)} to {number(high, decimals)})"
    )


def _left(share: float) -> str:
    return f"{round(100 * share)} %"


def section_waiting(week: Week) -> Report:
    """Where items wait at the end of the week: the middle of the futures' first moment."""
    futures = week.futures
    at = next(n for n, monday in enumerate(futures.weeks) if monday == week.told.week)
    rows = []
    for stage in Stage:
        counts = futures.weekly_waiting[:, at, stage]
        if not futures.weekly_waiting[:, :, stage].any():
            continue
        low, middle, high = (int(quantile(counts, q)) for q in (0.1, 0.5, 0.9))
        rows.append((stage.name.capitalize(), number(middle), range_of_numbers(low, high)))
    heading = Heading("Where items wait")
    if not rows:
        return Report([heading, Paragraph("Nothing waits at any stage.")])
    table = Table(
        "Items that wait at each stage at the end of the week",
        ("Stage", "Items", "8 in 10"),
        tuple(rows),
        numeric=(1, 2),
        note="From the record; where it does not tell conditions, they were drawn, and the range "
        "says how much hangs on it.",
    )
    return Report([heading, table])


def section_why(week: Week) -> Report:
    """Why the date moved since the last issued forecast."""
    heading = Heading("Why the date moved")
    own = week.own
    if own is None or not own.why:
        said = "No forecast with an explanation was issued with this week's return."
        return Report([heading, Paragraph(said)])
    why = Why.from_json(own.why)
    ordered = sorted(why.causes, key=lambda cause: -abs(cause.days))
    frame = pd.DataFrame(
        [
            {"cause": c.name.capitalize(), "days": c.days, "low": c.days_low, "high": c.days_high}
            for c in ordered
        ]
    )
    rows = tuple(
        (
            cause.name.capitalize(),
            _signed(cause.days),
            f"{_signed(cause.days_low)} to {_signed(cause.days_high)}",
            _signed(100 * cause.odds),
        )
        for cause in ordered
    )
    points = _signed(100 * sum(cause.odds for cause in ordered))
    table = Table(
        "The change of the middle finish date and of the odds of the promise, by cause",
        ("Cause", "Days (+ later)", "90 % interval", "Odds, points in 100"),
        (*rows, ("All together", _signed(why.days), "", points)),
        numeric=(1, 2, 3),
        note=f"From {number(why.replications)} futures for each mixture of old and new.",
    )
    sentences = [Paragraph(sentence) for sentence in why.sentences()]
    return Report([heading, *sentences, charts.why_chart(frame, why.before), table])


def _signed(value: float) -> str:
    whole = number(abs(value), 1)
    return whole if whole == "0.0" else f"{'+' if value > 0 else '-'}{whole}"


def section_exposure(week: Week) -> Report:
    """Each person's exposure in the week against the planning limits; for the team only."""
    if week.audience != TEAM:
        return Report([])
    heading = Heading("Exposure in the week")
    days: dict[str, dict[date, float]] = {}
    for row in week.told.exposed:
        mine = days.setdefault(row.person, {})
        mine[row.day] = mine.get(row.day, 0.0) + row.hours
    if not week.told.told_exposure():
        return Report([heading, Paragraph("Exposure was not told for this week.")])
    rows = tuple(
        (
            person or "the team",
            number(sum(of.values()), 1),
            number(max(of.values(), default=0.0), 1),
            number(sum(h > 0 for h in of.values())),
        )
        for person, of in days.items()
    )
    limits = week.project.exposure
    table = Table(
        "Hours with mouldy items, as recorded",
        ("Person", "Hours in the week", "Longest day", "Days"),
        rows,
        numeric=(1, 2, 3),
        note=f"Planning limits: {hours(limits.hours_per_day)} a day on "
        f"{plural(limits.days_per_week, 'day')} a week. Keeping to them does not show that work "
        "is safe.",
    )
    return Report([heading, table])


def section_track_record(week: Week) -> Report:
    """One sentence about how right earlier forecasts were."""
    judged = track_record.score(week.issued, week.history, week.project)
    return Report(
        [Heading("How right earlier forecasts were"), Paragraph(track_record.sentence(judged))]
    )


# --- the next week on one page -------------------------------------------------------------------


def section_next_week(week: Week) -> Report:
    """What to expect in the next week, on one page to be printed."""
    coming = week.coming
    monday = coming.monday
    blocks: list[Block] = [
        Heading(f"The week of {long_date(monday)}, on one page"),
        Paragraph("Ranges hold 8 in 10 futures. They are expectations, not targets."),
        Facts(
            (
                ("To call from the store, for quarantine shelves", _eight(coming.called)),
                ("Items with growing mould that must start to dry", _eight(coming.to_dry)),
            )
        ),
        _items_table(coming),
        _hours_table(week),
    ]
    if week.audience == TEAM:
        blocks += [_mould_table(week)]
    return Report(blocks)


def _eight(values: NDArray[Any]) -> str:
    low, high = (int(quantile(values, q)) for q in (0.1, 0.9))
    return range_of_numbers(low, high)


def _items_table(coming: NextWeek) -> Table:
    rows = tuple(
        (
            stage.name.capitalize(),
            number(int(quantile(coming.items[:, stage], 0.5))),
            _eight(coming.items[:, stage]),
        )
        for stage in Stage
        if coming.items[:, stage].any()
    )
    return Table(
        "Items to expect at each stage", ("Stage", "Middle", "8 in 10"), rows, numeric=(1, 2)
    )


def _hours_table(week: Week) -> Table:
    """Hours by stage and post, the mean of the futures. A post is a role, not a person."""
    middle = week.coming.hours.mean(axis=0)
    posts: dict[str, NDArray[np.float64]] = {}
    for number_, person in enumerate(week.project.persons):
        name = person if week.audience == TEAM else _role(week.project, person)
        posts[name] = posts.get(name, np.zeros(len(Stage))) + middle[number_]
    stages = [stage for stage in Stage if middle[:, stage].any()]
    rows = tuple(
        (
            name,
            *(number(float(of[stage]), 1) for stage in stages),
            number(float(of.sum()), 1),
        )
        for name, of in posts.items()
        if of.any()
    )
    columns = ("Post", *(stage.name.capitalize() for stage in stages), "All")
    return Table(
        "Hours by post and stage, on average over the futures",
        columns,
        rows,
        numeric=tuple(range(1, len(columns))),
        note="Clothing and clearing included.",
    )


def _role(project: Project, person: str) -> str:
    return next(row.role for row in project.team if row.person == person)


def _mould_table(week: Week) -> Table:
    left = mould_hours_left(week.project, week.history, week.coming.monday)
    open_days = [n for n in range(7) if any(each.hours[n] for each in left)]
    rows = tuple(
        (
            each.person,
            *(number(each.hours[n], 1) if each.hours[n] else "none" for n in open_days),
            number(each.days),
        )
        for each in left
    )
    return Table(
        "Hours of mould work that the planning limits leave on each day",
        ("Person", *(f"{_DAYS[n]}" for n in open_days), "Days at most"),
        rows,
        numeric=tuple(range(1, len(open_days) + 2)),
        note="Planning limits, before anything is worked in that week; local rules and "
        "occupational health come first.",
    )


def section_cautions() -> Report:
    """The one fixed text about safety."""
    return Report([Heading("Cautions"), Note("Before anybody works with mould", CAUTIONS)])


def week_report(week: Week) -> Report:
    """The whole week report as content blocks."""
    sections = [
        section_summary(week),
        section_crossings(week),
        section_this_week(week),
        section_why(week),
        section_learnt(week),
        section_waiting(week),
        section_exposure(week),
        section_track_record(week),
        section_next_week(week),
        section_cautions(),
    ]
    return Report(block for section in sections for block in section)
