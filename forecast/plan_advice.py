"""What would help most, the cheapest plan, and how much to survey, as sections of a report."""

from __future__ import annotations

import math
import time
from contextlib import nullcontext

import pandas as pd

from forecast import plan_charts, recalibrate
from forecast.blocks import Bullets, Heading, Paragraph, Report, Table
from forecast.differences import Interval
from forecast.levers import Levers, levers
from forecast.progress import Tell, progress
from forecast.schedule_forecast import TEAM
from forecast.search import Found, search, sentences
from forecast.staffing_plans import Plans, cell, section_cautions
from forecast.survey_size import SurveySize, survey_size
from forecast.words import number, odds

__all__ = [
    "SEARCH_SECONDS",
    "by_the_clock",
    "get_levers",
    "get_search",
    "get_survey",
    "search_report",
    "search_sentences",
    "section_levers",
    "section_search",
    "section_survey",
]

SEARCH_SECONDS = 100.0

_HELP_MOST = 3

_LEAST_FOR_SURVEY = 50  # futures
_MOST_OF_LEVERS = 400  # futures of each: a dozen plans or more, and weeks show soon
_WITHOUT_PERSONS = 2  # sentences of a search: what was found, and how sure that is


def get_levers(plans: Plans, *, show_progress: bool = True) -> Levers:
    """Try one more of each thing that the project can have."""
    with progress("One more of each") if show_progress else nullcontext() as tell:
        number_of_futures = min(_MOST_OF_LEVERS, plans.settings.common.replications)
        return levers(plans.start, plans.bounds, replications=number_of_futures, tell=tell)


def get_survey(plans: Plans, *, show_progress: bool = True) -> SurveySize:
    """How the width of the finish would shrink with a further survey."""
    start = plans.start
    futures = recalibrate.forecast(
        start.project,
        plans.history,
        start.as_of,
        max(_LEAST_FOR_SURVEY, plans.settings.common.replications),
        start.seed,
        progress=show_progress,
        standstill=False,
        knowledge=start.knowledge,
    )
    with progress("Surveys", "future") if show_progress else nullcontext() as tell:
        return survey_size(futures, start.knowledge, plans.history, tell=tell)


def get_search(plans: Plans, *, show_progress: bool = True) -> Found | None:
    """Look for the cheapest plan that keeps the promise; None where nobody said what may be tried.

    Raises:
        InputError: the bounds allow more plans than can be tried.
    """
    if plans.bounds is None:
        return None
    with progress("Trying plans", "s") if show_progress else nullcontext() as tell:
        told = None if tell is None else by_the_clock(tell, SEARCH_SECONDS)
        return search(plans.start, plans.bounds, seconds=SEARCH_SECONDS, tell=told)


def by_the_clock(tell: Tell, seconds: float) -> Tell:
    """Progress of something that ends after so many seconds, whatever it has done by then."""
    begun = time.monotonic()

    def told(done: int, of: int) -> None:
        passed = math.ceil(seconds) if done >= of else int(time.monotonic() - begun)
        tell(min(passed, math.ceil(seconds)), math.ceil(seconds))

    return told


def section_levers(found: Levers, audience: str = TEAM) -> Report:
    """What would help most: weeks gained, what they cost, and what limits then."""
    team = audience == TEAM
    rows = found.table(team=team)
    if not rows:
        return Report([])
    currency = found.comparison.start.project.currency
    week = ("weeks_at_half", "weeks_at_most")
    frame = pd.DataFrame(
        [
            {"name": row["lever"]}
            | {
                f"{name}{end}": row[f"{key}{end}"]
                for name, key in zip(("half", "most"), week, strict=True)
                for end in ("", "_low", "_high")
            }
            for row in rows
        ]
    ).astype({f"{name}{end}": float for name in ("half", "most") for end in ("", "_low", "_high")})
    table = Table(
        "One more of each thing, in the same futures; who gains most comes first",
        (
            "One more",
            "Promise kept, of 100",
            f"Cost, {currency}",
            "Cost a week gained",
            "Then limits",
        ),
        tuple(
            (
                str(row["lever"]),
                cell(lever.promise, 100.0, 0),
                "not told" if lever.money is None else cell(lever.money, 1.0, 0),
                "" if lever.per_week is None else number(lever.per_week.estimate),
                lever.limit.words,
            )
            for row, lever in zip(rows, found.levers, strict=True)
        ),
        numeric=(1, 2, 3),
        note="The cost of places stands in [search] of scenarios.toml. Where an earlier finish "
        "saves wages, that is taken off. What limits is where most items wait; a place limits if "
        "it is in use nearly always, else people's hours do.",
    )
    return Report(
        [
            Heading("What would help most"),
            Paragraph(found.sentences(team=team)[0]),
            plan_charts.change_chart(
                frame,
                "levers",
                "Weeks gained by one more of each thing",
                two=True,
                sooner=True,
            ),
            table,
            Bullets(tuple(_worth_saying(found, team))),
        ]
    )


def _worth_saying(found: Levers, team: bool) -> list[str]:
    """The sentences on what helps most and on what does harm; the table has the others."""
    _, *each = found.sentences(team=team)
    said = [
        sentence
        for place, (lever, sentence) in enumerate(zip(found.levers, each, strict=False))
        if lever.harms or place < _HELP_MOST
    ]
    return [*said, *each[len(found.levers) :]]


def section_search(found: Found | None, audience: str = TEAM) -> Report:
    """The cheapest plan that keeps the promise, and the plans that it was chosen from."""
    if found is None:
        return Report([])
    rows = [
        {
            "name": each.scenario.name,
            "odds": each.odds.estimate,
            "cost": each.cost.estimate,
            "state": "chosen"
            if place == found.chosen
            else "dominated"
            if each.dominated
            else "open",
        }
        for place, each in enumerate(found.candidates)
    ]
    currency = found.start.project.currency
    best = sorted(
        (each for each in found.candidates if not each.dominated),
        key=lambda each: each.cost.estimate,
    )
    table = Table(
        "Plans for which no other costs less and keeps the promise as often",
        ("Plan", "Promise kept, of 100", f"Cost, {currency}", "Futures"),
        tuple(
            (
                each.scenario.name,
                _range(each.odds, 100.0),
                number(each.cost.estimate),
                number(each.futures),
            )
            for each in best
        ),
        numeric=(1, 2, 3),
        note="In brackets: the 95 % interval that the number of futures leaves.",
    )
    return Report(
        [
            Heading("The cheapest plan that keeps the promise"),
            *map(Paragraph, search_sentences(found, audience)),
            plan_charts.cost_chart(pd.DataFrame(rows), found.aim.wanted, currency),
            table,
        ]
    )


def search_sentences(found: Found, audience: str = TEAM) -> list[str]:
    """What a search found and how sure that is; for the team also what was assumed of whom."""
    return sentences(found)[: None if audience == TEAM else _WITHOUT_PERSONS]


def search_report(found: Found, audience: str = TEAM) -> Report:
    """A search as a page of its own: what the command line makes."""
    title = found.start.project.title
    heading = Heading(f"The cheapest plan: {title}" if title else "The cheapest plan", 1)
    return Report([heading, *section_search(found, audience), *section_cautions()])


def _range(interval: Interval, scale: float) -> str:
    """An estimate and its interval, where no sign is needed."""
    ends = (interval.estimate, interval.low, interval.high)
    middle, low, high = (number(end * scale) for end in ends)
    return f"{middle} ({low} to {high})"


def section_survey(found: SurveySize) -> Report:
    """How much to survey: what looking at more items would take off the width of the finish."""
    said = [Paragraph(sentence) for sentence in found.sentences()]
    heading = Heading("How much to survey")
    if not found.told or not found.sizes:
        return Report([heading, *said])
    rows = found.table()
    frame = pd.DataFrame(
        {
            "items": [row["further"] for row in rows],
            "weeks": [row["width"] for row in rows],
            "low": [found.width - row["high"] for row in rows],
            "high": [found.width - row["low"] for row in rows],
        }
    )
    table = Table(
        "What a further survey is expected to bring",
        (
            "More items looked at",
            "Weeks that hold 8 in 10 finishes",
            "Odds of the promise after it",
        ),
        tuple(
            (
                number(row["further"]),
                number(row["width"], 1),
                _odds_range(row["odds_low"], row["odds_high"], found.futures),
            )
            for row in rows
        ),
        numeric=(0, 1),
        note="On average over what the survey may find; the odds lie in that range in 8 of 10 "
        "surveys.",
    )
    return Report([heading, *said, plan_charts.survey_chart(frame), table])


def _odds_range(low: float, high: float, futures: int) -> str:
    first, last = (odds(each, futures, exact=True) for each in (low, high))
    return first if first == last else f"{first} to {last}"
