"""The week report: what a week brought, what was learnt, why the date moved, and the next week.

A public function a section, as in :mod:`forecast.schedule_forecast`. It is for the team: it names
people where they are told of their own hours, and shows crossed limits before anything else. For
a funder it leaves out everything about persons.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast import charts, ledger, recalibrate, track_record
from forecast.attribution import Why
from forecast.belief import Learnt
from forecast.blocks import Block, Facts, Heading, Note, PageBreak, Paragraph, Report, Table
from forecast.errors import InputError, Problem
from forecast.exposure import ANY_SEVEN_DAYS, CALENDAR_WEEK, CAUTIONS
from forecast.folder import read_project
from forecast.history import History
from forecast.issued import Issued
from forecast.next_week import NextWeek, mould_hours_left, next_week
from forecast.outcome import Futures, mostly_first_estimates, quantile
from forecast.planning import Knowledge
from forecast.project import Project
from forecast.record import open_record
from forecast.recording import issued_forecasts
from forecast.replicate import simulate
from forecast.return_checks import Crossing, crossings
from forecast.schedule_forecast import (
    NOT_YET_HAPPENED,
    TEAM,
    Settings,
    first_estimates_sentence,
    summary_sentences,
)
from forecast.stages import STAGE_NAMES, Stage
from forecast.weekly import WeeklyReturn
from forecast.words import joined, long_date, number, odds, plural, range_of_numbers

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
    "section_title",
    "section_track_record",
    "section_waiting",
    "section_why",
    "week_report",
]

_DAYS_OF = {ANY_SEVEN_DAYS: "in any seven days", CALENDAR_WEEK: "from Monday to Sunday"}
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MOVED = 0.2  # of the first range: a middle that moved further is named in a sentence
_WIDEST = 7  # posts beside each other on a page; a larger team is shown by role


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


def section_title(week: Week) -> Report:
    """Which project and which week it is."""
    told, title = week.told, week.project.title
    return Report(
        [
            Heading(f"Week report: {title}" if title else "Week report", 1),
            Paragraph(f"Monday {long_date(told.week)} to Sunday {long_date(told.last_day)}."),
        ]
    )


def section_crossings(week: Week) -> Report:
    """Crossed planning limits, before anything else; nothing for a funder."""
    if week.audience != TEAM or not week.crossings:
        return Report([])
    limits = len(week.crossings)
    crossed = "A planning limit was crossed" if limits == 1 else "Planning limits were crossed"
    return Report([Note(crossed, tuple(crossing.sentence for crossing in week.crossings))])


def section_summary(week: Week) -> Report:
    """The forecast in short, and what it rests on."""
    project, history = week.project, week.history
    sentences = summary_sentences(week.futures)
    promised = number(project.grant.items_promised)
    pairs = [
        ("Known up to", long_date(week.futures.as_of)),
        ("Weeks on record", number(len(history.returns))),
        ("Weeks without a return", _gaps(history.gaps)),
        ("Items done so far", f"{number(_done(week))} of {promised} promised"),
    ]
    return Report(
        [
            *(Paragraph(said, lead=said == sentences[0]) for said in sentences),
            Facts(tuple((label, value) for label, value in pairs if value)),
            Paragraph(_rests_on(week)),
        ]
    )


def _gaps(weeks: Sequence[date]) -> str:
    """Mondays of weeks that nobody told of; many are only counted."""
    if len(weeks) > 3:
        return number(len(weeks))
    return joined([f"week of {long_date(week)}" for week in weeks])


def _done(week: Week) -> int:
    return track_record.on_record(week.history, week.project).done_by(week.told.week)


def _rests_on(week: Week) -> str:
    """How much still rests on first estimates, and what no forecast can cover."""
    if not week.learnt:
        return f"It rests on the first estimates. {NOT_YET_HAPPENED}"
    return f"{first_estimates_sentence(week.learnt)} {NOT_YET_HAPPENED}"


def section_this_week(week: Week) -> Report:
    """Items at each stage by the end of the week, against the last forecast before it."""
    heading = Heading("This week against the forecast")
    if week.earlier is None:
        return Report([heading, Paragraph("No forecast was issued before this week.")])
    if "counts" not in week.told.told:
        return Report([heading, Paragraph("Items were not told for this week.")])
    rows = _against(week, week.earlier)
    if not rows:
        said = "The last forecast before this week told nothing of it."
        return Report([heading, Paragraph(said)])
    since = [gap for gap in week.history.gaps if week.earlier.week < gap < week.told.week]
    lost = f" What was done in the {_gaps(since)} was not told." if since else ""
    table = Table(
        "Items that had finished each stage by the end of the week",
        ("Stage", "In the week", "By its end", "Forecast (middle)", "8 in 10", "On record"),
        rows,
        numeric=(1, 2, 3, 4),
        note=f"The forecast was made after the week of {long_date(week.earlier.week)}. About 2 of "
        f"10 figures should lie outside their range.{lost}",
    )
    return Report([heading, table])


def _against(week: Week, earlier: Issued) -> tuple[tuple[str, ...], ...]:
    """What came at each stage beside what was forecast."""
    sums = ledger.of(week.project, week.history)
    passes = sums.first_passes
    before = next((of for monday, of in reversed(sums.weekly) if monday < week.told.week), None)
    rows = []
    for each in earlier.summary["weekly"]:
        if each["week"] != week.told.week.isoformat():
            continue
        stage = STAGE_NAMES.index(each["stage"])
        low, middle, high = (int(each["items"][q]) for q in ("0.1", "0.5", "0.9"))
        came = passes[stage]
        where = "below" if came < low else "above" if came > high else "within"
        rows.append(
            (
                each["stage"].capitalize(),
                number(came - (before[stage] if before else 0)),
                number(came),
                number(middle),
                range_of_numbers(low, high),
                where,
            )
        )
    return tuple(rows)


def section_learnt(week: Week) -> Report:
    """What the returns have taught, prior against posterior."""
    heading, learnt = Heading("What was learnt so far"), week.learnt
    if not learnt:
        return Report([heading, Paragraph("The returns say nothing of the estimates yet.")])
    rows = [
        (_what(e), _unit(e), _three(e, e.prior), _three(e, e.posterior), _left(e.still_estimate))
        for e in learnt
    ]
    table = Table(
        "Estimates before the first return, and now",
        ("What", "Unit", "First (9 in 10)", "Now (9 in 10)", "Still first"),
        tuple(rows),
        numeric=(2, 3, 4),
        note="Minutes are of the work itself, without clothing and clearing, at the practice that "
        "the team has by now. Still first: how much of the first estimate's uncertainty is left.",
    )
    mostly = mostly_first_estimates(learnt)
    said = (
        "Most figures still rest on the first estimates."
        if mostly > len(learnt) / 2
        else "Most figures rest on the returns by now."
    )
    return Report([heading, Paragraph(" ".join([said, *_most_moved(learnt)])), table])


def _most_moved(learnt: Sequence[Learnt]) -> list[str]:
    """A sentence for each of the three figures that moved furthest from their first estimate."""
    moves = []
    for each in learnt:
        width = each.prior[2] - each.prior[0]
        by = abs(each.posterior[1] - each.prior[1])
        if width > 0.0 and by > _MOVED * width:
            moves.append((by / width, each))
    moves.sort(key=lambda move: -move[0])
    return [
        f"{_what(each)}: now {_value(each, each.posterior[1])} {_unit(each)}, first thought "
        f"{_value(each, each.prior[1])}."
        for _, each in moves[:3]
    ]


# What an estimate is called, and its unit where it is shown in hundredths.
_WORDS: Mapping[str, tuple[str, str]] = {
    "time.practice": ("Minutes left after twice the practice", "%"),
    "time.week_spread": ("Spread of good and bad weeks", "%"),
    "time.delivered_share": ("Delivered share of rostered hours", "%"),
    "time.absence_days_a_year": ("Absence, working full time", ""),
    "checking.reject_share": ("Items rejected at checking", "%"),
    "drying.still_damp": ("Items still damp after a round of drying", "%"),
    "outcomes.set_aside": ("Items set aside", "%"),
    "outcomes.not_imaged": ("Items not imaged", "%"),
}
_MOULD = {"none": "mould", "inactive": "inactive mould", "active": "growing mould"}


def _what(learnt: Learnt) -> str:
    """The quantity, as a team would say it."""
    name = learnt.name
    if name in _WORDS:
        return _WORDS[name][0]
    if name.startswith("images: "):
        series, _, material = name.removeprefix("images: ").rpartition(", ")
        return f"Images of {_one(material)} of {series}"
    stage, _, rest = name.partition("/")
    if rest.count("/") < 3:
        return name
    material, mould, red_rot, per = rest.rsplit("/", 3)
    of = "of " if stage == STAGE_NAMES[Stage.COVERS] else ""
    item = _one("item" if material == "any" else material)
    condition = _condition(mould, red_rot)
    image = ", each image" if per == "image" else ""
    return f"{stage.capitalize()} {of}{item}{condition}{image}"


def _one(noun: str) -> str:
    return f"{'an' if noun[:1].lower() in 'aeiou' else 'a'} {noun}"


def _condition(mould: str, red_rot: str) -> str:
    """What a row is limited to, behind its noun; empty where it is for all.

    >>> _condition("none", "yes"), _condition("active", "any"), _condition("none", "no")
    (' with red rot and no mould', ' with growing mould', ' without red rot or mould')
    """
    told = [("red rot", red_rot == "yes")] if red_rot != "any" else []
    told += [(_MOULD[mould], mould != "none")] if mould in _MOULD else []
    there = [word for word, has in told if has]
    absent = [word for word, has in told if not has]
    if not there:
        return f" without {' or '.join(absent)}" if absent else ""
    return f" with {joined([*there, *(f'no {word}' for word in absent)])}"


def _unit(learnt: Learnt) -> str:
    of_words = _WORDS.get(learnt.name, ("", ""))[1]
    return of_words or ("minutes" if learnt.unit.startswith("minutes") else learnt.unit)


def _three(learnt: Learnt, values: Sequence[float]) -> str:
    low, middle, high = (_value(learnt, value) for value in values)
    return f"{middle} ({low} to {high})"


def _value(learnt: Learnt, value: float) -> str:
    """A value with as many decimals as its first estimate bears; shares in hundredths."""
    scale = 100.0 if _WORDS.get(learnt.name, ("", ""))[1] else 1.0
    middle = scale * learnt.prior[1]
    return number(scale * value, 0 if middle >= 20 else 1 if middle >= 1 else 2)


def _left(share: float) -> str:
    return f"{round(100 * share)} %"


def section_waiting(week: Week) -> Report:
    """Where items are when the week is over: those that wait, and those that rest in a place."""
    coming = week.coming
    rows = []
    for stage in Stage:
        wait = _PLACES.get(stage, ("", ""))[0]
        for name, counts in (
            (f"{stage.name.capitalize()}{wait}", coming.waiting),
            (_PLACES.get(stage, ("", ""))[1], coming.in_place),
        ):
            here = counts[:, stage]
            if here.any():
                rows.append((name, number(int(quantile(here, 0.5))), _eight(here)))
    heading = Heading("Where items wait")
    if not rows:
        return Report([heading, Paragraph("Nothing waits at any stage.")])
    table = Table(
        f"Items at each stage at the end of {long_date(week.futures.as_of)}",
        ("Stage", "Items", "8 in 10"),
        tuple(rows),
        numeric=(1, 2),
        note="From the record; where it does not tell conditions, they were drawn, and the range "
        "says how much hangs on it.",
    )
    return Report([heading, table])


# At two stages items wait for a place, and then rest in it.
_PLACES: Mapping[Stage, tuple[str, str]] = {
    Stage.QUARANTINE: (", waiting for a shelf", "Quarantine, on a shelf"),
    Stage.DRYING: (", waiting for a place or for attention", "Drying, in a place"),
}


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
    if not week.told.told_exposure():
        return Report([heading, Paragraph("Exposure was not told for this week.")])
    days: dict[str, dict[date, float]] = {}
    for row in week.told.exposed:
        mine = days.setdefault(row.person, {})
        mine[row.day] = mine.get(row.day, 0.0) + row.hours
    if not days:
        return Report([heading, Paragraph("Nobody handled mouldy items in this week.")])
    rows = tuple(
        (
            person or "the team",
            number(sum(of.values()), 1),
            number(max(of.values()), 1),
            number(sum(h > 0 for h in of.values())),
        )
        for person, of in sorted(days.items())
    )
    limits = week.project.exposure
    table = Table(
        "Hours with mouldy items, as recorded",
        ("Person", "Hours in the week", "Longest day", "Days"),
        rows,
        numeric=(1, 2, 3),
        note=f"Planning limits: {limits.hours_per_day:g} hours a day, on "
        f"{plural(limits.days_per_week, 'day')} {_DAYS_OF[limits.week_rule]}. Keeping to them "
        "does not show that work is safe.",
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
    blocks: list[Block] = [
        PageBreak(),
        Heading(f"The week of {long_date(coming.monday)}, on one page"),
        Paragraph(
            "Ranges hold 8 in 10 futures, hours are averages over them. They are expectations, "
            "not targets."
        ),
        Facts(
            (
                ("Items to call from the store, for quarantine shelves", _eight(coming.called)),
                ("Items with growing mould that must start to dry", _eight(coming.to_dry)),
            )
        ),
        _work_table(week),
    ]
    if week.audience == TEAM:
        blocks += [_mould_table(week)]
    return Report([*blocks, PageBreak()])


def _eight(values: NDArray[Any]) -> str:
    low, high = (int(quantile(values, q)) for q in (0.1, 0.9))
    return range_of_numbers(low, high)


def _work_table(week: Week) -> Block:
    """Items to expect, and hours by stage and post, the mean of the futures."""
    coming = week.coming
    posts = _hours_by_post(week)
    stages = [s for s in Stage if coming.items[:, s].any() or coming.hours[:, :, s].any()]
    if not stages:
        return Paragraph("No work is expected in that week.")
    rows = [
        (
            stage.name.capitalize(),
            _eight(coming.items[:, stage]),
            *(_hours(of[stage]) for of in posts.values()),
            _hours(sum(of[stage] for of in posts.values())),
        )
        for stage in stages
    ]
    totals = [of.sum() for of in posts.values()]
    rows.append(("All stages", "", *(_hours(of) for of in totals), _hours(sum(totals))))
    columns = ("Stage", "Items", *posts, "All hours")
    return Table(
        "Items to expect (8 in 10), and hours at each stage by post",
        columns,
        tuple(rows),
        numeric=tuple(range(1, len(columns))),
        note="Hours are at the stage, clothing and clearing included.",
    )


def _hours(value: float) -> str:
    shown = number(float(value), 1)
    return "0" if shown == "0.0" else shown


def _hours_by_post(week: Week) -> dict[str, NDArray[np.float64]]:
    """(9,) mean hours of each post that has any: of persons, or of roles for anybody else.

    A team that is too large for one page is shown by role as well.
    """
    middle = week.coming.hours.mean(axis=0)
    persons = week.project.persons
    by_person = week.audience == TEAM and len(persons) <= _WIDEST
    posts: dict[str, NDArray[np.float64]] = {}
    for number_, person in enumerate(persons):
        if middle[number_].any():
            name = person if by_person else _role(week.project, person)
            posts[name] = posts.get(name, np.zeros(len(Stage))) + middle[number_]
    return posts


def _role(project: Project, person: str) -> str:
    role = next(row.role for row in project.team if row.person == person)
    return role.capitalize() if role else "Other posts"


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
        section_title(week),
        section_crossings(week),
        section_summary(week),
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
