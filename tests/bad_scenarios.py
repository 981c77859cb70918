"""A table of bad scenarios for the demo: what is written, and what is said about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from forecast.scenario import ASK_FIRST

__all__ = ["BAD_SCENARIOS", "TODAY", "BadScenario"]

TODAY = date(2026, 6, 1)  # the first day that is not yet history, for those that are tried with it


@dataclass(frozen=True)
class BadScenario:
    """A whole file, and the one problem (or ``problems``) that it gives."""

    name: str
    text: str
    place: str
    remedy: str
    problems: int = 1
    not_before: date | None = None


def one(*lines: str) -> str:
    """A file with one scenario, S."""
    return "\n".join(("[[scenario]]", 'name = "S"', *lines)) + "\n"


def change(verb: str, *changes: str) -> str:
    """A file with one scenario, S, of some changes of a kind."""
    listed = ",\n".join(f"  {{ {each} }}" for each in changes)
    return one(f"{verb} = [\n{listed}\n]")


def searching(*lines: str) -> str:
    """A file with bounds only."""
    return "\n".join(("[search]", *lines)) + "\n"


S = "scenario S"
_BENCHES = 'what = "places.cleaning_benches"'
_PERSON = 'what = "person", person = "AB"'
_NEW = 'what = "person", person = "X"'
_CLOSED = 'what = "closure", first_day = 2026-09-01'
_LOT = 'what = "delivery", series = "Quay ledgers"'
_BENCH = 'what = "place", place = "cleaning_benches", number = 1'
_POST = '[[search.post]]\nlike = "CD"\n'
_PLACE = '[[search.place]]\nplace = "cleaning_benches"\n'

_FORM = (
    ("no TOML", "[[scenario]\n", "line 1", "Correct the line"),
    ("another section", one() + "[extra]\na = 1\n", "extra", "Choose one of"),
    ("scenario as a section", '[scenario]\nname = "S"\n', "scenario", "square brackets"),
    ("scenarios that are no tables", "scenario = [1]\n", "scenario 1", "Write [[scenario]]"),
    ("no name", '[[scenario]]\nwhy = "x"\n', "scenario 1, name", "Write a line name"),
    ("a blank name", '[[scenario]]\nname = " "\n', "scenario 1, name", "what the scenario is"),
    ("a name that is a number", "[[scenario]]\nname = 3\n", "scenario 1, name", "double quotes"),
    (
        "the name of the base",
        '[[scenario]]\nname = "as planned"\n',
        "scenario as p",
        "another name",
    ),
    ("the same name twice", one() + one(), f"{S}, name", "another name"),
    ("a slip in a key", one('wy = "x"'), f"{S}, wy", "Did you mean why?"),
    ("a cost in words", one('once = "much"'), f"{S}, once", "without quotes"),
    ("a cost below nothing", one("monthly = -3"), f"{S}, monthly", "Correct the number"),
    ("changes that are no list", one("set = 3"), f"{S}, set", "square brackets"),
    ("a change that is no table", one("set = [3]"), f"{S}, set 1", "in braces"),
    ("a change without what", change("set", "to = 3"), f"{S}, set 1, what", "Write a line what"),
    (
        "a change's cost in words",
        change("add", f'{_BENCH}, once = "x"'),
        f"{S}, add 1, once",
        "num",
    ),
    (
        "from that is no date",
        change("set", f"{_BENCHES}, to = 3, from = 3"),
        f"{S}, set 1, fr",
        "2026",
    ),
    (
        "from in another order",
        change("set", f'{_BENCHES}, to = 3, from = "1/9/26"'),
        f"{S}, set 1",
        "",
    ),
)

_NUMBERS = (
    (
        "a slip in a place",
        'what = "places.cleaning_bench", to = 3',
        "what",
        "places.cleaning_benches?",
    ),
    ("an unknown section", 'what = "place.benches", to = 3', "what", "Did you mean"),
    ("a word for a place", 'what = "benches", to = 3', "what", "."),
    ("no number", _BENCHES, "to", "Write to = ..."),
    ("a number in words", f'{_BENCHES}, to = "three"', "to", "without quotes"),
    ("half a bench", f"{_BENCHES}, to = 2.5", "to", "Correct the number"),
    ("benches below none", f"{_BENCHES}, to = -1", "to", "Correct the number"),
    ("a value that is none", f"{_BENCHES}, to = 3, number = 4", "number", "Choose one of: to"),
    ("the grant's start", 'what = "grant.start", to = 2026-02-02', "what", "over the same days"),
    ("the horizon", 'what = "grant.horizon", to = 2030-01-01', "what", "over the same days"),
    ("the title", 'what = "project.title", to = "x"', "what", "the same in all plans"),
    ("the funder", 'what = "grant.funder", to = "x"', "what", "the same in all plans"),
    ("the database", 'what = "record.url_from", to = "X"', "what", "the same in all plans"),
    (
        "an end beyond the horizon",
        'what = "grant.end", to = 2031-01-01',
        "to",
        "later horizon into",
    ),
    ("an end before the start", 'what = "grant.end", to = 2025-01-01', "to", "Correct one of the"),
    ("an end that is no date", 'what = "grant.end", to = 3', "to", "2026-03-09"),
    ("nothing promised", 'what = "grant.items_promised", to = 0', "to", "Correct the number"),
    ("two numbers of three", 'what = "drying.still_damp", to = [0.1, 0.2]', "to", "smallest first"),
    ("three in disorder", 'what = "time.practice", to = [0.9, 0.8, 1]', "to", "smallest first"),
    ("eleven months", 'what = "drying.month_factor", to = [1, 1]', "to", "twelve numbers"),
    ("a stage that is none", 'what = "stages.off", to = ["imagin"]', "to", "Did you mean imaging?"),
    (
        "from beside a number",
        'what = "time.practice_starts_at", to = 9, from = 2026-09-01',
        "from",
        "whole plan",
    ),
    ("a closure to be set", 'what = "closure", to = 3', "what", "Add or remove a closure"),
    (
        "until before from",
        f"{_BENCHES}, to = 3, from = 2026-09-02, until = 2026-09-01",
        "until",
        "Correct",
    ),
    (
        "from beyond the horizon",
        f"{_BENCHES}, to = 3, from = 2031-09-02",
        "from",
        "Correct the date",
    ),
)

_SAFETY = (
    ("more exposure a day", "exposure.hours_per_day", "3.5"),
    ("more days of exposure", "exposure.days_per_week", "4"),
    ("days counted by the calendar", "exposure.week", '"calendar"'),
    ("a longer time in a mask", "breathing_protection.wear_minutes", "180"),
    ("a mask without limit", "breathing_protection.wear_minutes", "0"),
    ("a shorter rest", "breathing_protection.rest_minutes", "20"),
    ("a shorter quarantine", "quarantine.minimum_days", "7"),
    ("no clothing", "sessions.protective_clothing", "0"),
    ("a bench hardly cleared", "sessions.clear_bench", "24"),
    ("a camera hardly cleared", "sessions.clear_camera", "0"),
    ("tools that are still wet", "places.tool_drying_hours", "12"),
    ("less attention in drying", "drying.attention_minutes", "14.5"),
    ("a late report of what waits", "drying.start_within_days", "90"),
    ("no quarantine", "stages.off", '["quarantine"]'),
    ("no drying", "stages.off", '["checking", "drying"]'),
    ("no cleaning", "stages.off", '["cleaning"]'),
    ("no receiving", "stages.off", '["receiving"]'),
)

_PEOPLE = (
    ("nobody said", "set", 'what = "person", fri = 6', "person", "Write person"),
    (
        "somebody unknown",
        "set",
        'what = "person", person = "AX", fri = 6',
        "person",
        "Choose one of",
    ),
    ("nothing about a person", "set", _PERSON, "", "fri = 6"),
    ("hours in words", "set", f'{_PERSON}, fri = "six"', "fri", "digits only"),
    ("hours beyond a day", "set", f"{_PERSON}, fri = 25", "fri", "Correct the number"),
    ("a time that is none", "set", f'{_PERSON}, begins = "9am"', "begins", "such as 09:00"),
    (
        "a reason for mould work",
        "set",
        f'{_PERSON}, mould_work = "ill"',
        "mould_work",
        "a reason does",
    ),
    ("a reason beside a person", "set", f'{_PERSON}, fri = 6, reason = "x"', "reason", "private"),
    (
        "a stage nobody knows",
        "set",
        f'{_PERSON}, stages = ["cleanin"]',
        "stages",
        "Did you mean cleaning",
    ),
    ("a stage twice", "set", f'{_PERSON}, stages = ["covers", "covers"]', "stages", "Delete"),
    (
        "a stage of dayplan.csv lost",
        "set",
        'what = "person", person = "CD", stages = ["cleaning"]',
        ": dayplan",
        "Choose",
    ),
    (
        "days without the person",
        "set",
        'what = "person", person = "KL", fri = 6, from = 2027-06-01',
        "from",
        "add somebody",
    ),
    (
        "an end beside from",
        "set",
        f"{_PERSON}, end = 2026-09-01, from = 2026-08-01",
        "end",
        "Leave out from",
    ),
    ("a last day that is no date", "set", f'{_PERSON}, end = "soon"', "end", "2026-03-09"),
    (
        "a last day before the first",
        "set",
        f"{_PERSON}, end = 2025-09-01",
        "end",
        "remove the person",
    ),
    (
        "a start after the end",
        "set",
        'what = "person", person = "KL", start = 2027-09-01',
        "start",
        "remove the",
    ),
    ("a line of no budget", "set", f'{_PERSON}, line = "Stuff"', "line", "Staff"),
    (
        "a name that is taken",
        "add",
        'what = "person", person = "AB", like = "CD"',
        "person",
        "another name",
    ),
    ("like nobody", "add", f'{_NEW}, like = "ZZ"', "like", "Choose one of"),
    ("like somebody gone", "add", f'{_NEW}, like = "KL", from = 2027-06-01', "from", "until = ..."),
    ("no trade", "add", f"{_NEW}, mon = 6, mould_work = false", "stages", "semicolons"),
    ("an unknown weekday", "add", f'{_NEW}, like = "AB", fry = 6', "fry", "Did you mean fri?"),
    (
        "somebody unknown goes",
        "remove",
        'what = "person", person = "ZZ"',
        "person",
        "Choose one of",
    ),
    (
        "somebody goes who is gone",
        "remove",
        'what = "person", person = "KL", from = 2028-01-01',
        "from",
        "correct the",
    ),
)

_REST = (
    (
        "an unknown thing more",
        "add",
        'what = "persons", person = "X"',
        "what",
        "Did you mean person?",
    ),
    ("an unknown thing less", "remove", 'what = "supply"', "what", "Choose one of"),
    (
        "a place less",
        "remove",
        'what = "place", place = "cleaning_benches"',
        "what",
        "smaller number",
    ),
    (
        "an unknown place more",
        "add",
        'what = "place", place = "benches", number = 1',
        "place",
        "cleaning_benches?",
    ),
    (
        "none more",
        "add",
        'what = "place", place = "cleaning_benches", number = 0',
        "number",
        "Correct the number",
    ),
    (
        "a place without number",
        "add",
        'what = "place", place = "cleaning_benches"',
        "number",
        "Write number",
    ),
    (
        "tool drying as a place",
        "add",
        'what = "place", place = "tool_drying_hours", number = 1',
        "place",
        ASK_FIRST,
    ),
    ("a closure without end", "add", _CLOSED, "last_day", "Write last_day"),
    (
        "a closure that ends first",
        "add",
        f"{_CLOSED}, last_day = 2026-08-01",
        "last_day",
        "Correct one",
    ),
    (
        "a closure with a private reason",
        "add",
        f'{_CLOSED}, last_day = 2026-09-02, person = "AB", reason = "x"',
        "reason",
        "private",
    ),
    (
        "a closure of nobody",
        "add",
        f'{_CLOSED}, last_day = 2026-09-02, person = "ZZ"',
        "person",
        "Choose one of",
    ),
    (
        "a closure with from",
        "add",
        f"{_CLOSED}, last_day = 2026-09-02, from = 2026-09-01",
        "from",
        "first_day and",
    ),
    ("a closure that is none", "remove", _CLOSED, "first_day", "2026-"),
    ("a delivery without items", "add", f"{_LOT}, date = 2026-09-01", "items", "Write items"),
    (
        "a delivery too many",
        "add",
        f"{_LOT}, date = 2026-09-01, items = 5",
        ": deliveries.csv",
        "Correct the items",
    ),
    ("a delivery that is none", "remove", f"{_LOT}, date = 2026-09-01", "date", "2026-"),
    (
        "a delivery with until",
        "remove",
        f"{_LOT}, date = 2026-05-11, until = 2026-09-01",
        "until",
        "has a date",
    ),
    (
        "a plan for no weekday",
        "add",
        'what = "dayplan", person = "AB", weekday = "friday", stage = "covers"',
        "weekday",
        "fri",
    ),
    (
        "a plan for an untrained stage",
        "add",
        'what = "dayplan", person = "AB", weekday = "fri", stage = "imaging"',
        "stage",
        "training",
    ),
    (
        "no such plan",
        "remove",
        'what = "dayplan", person = "CD", weekday = "mon"',
        "weekday",
        "Choose one of",
    ),
)

_HISTORY = (
    ("a bench in the past", "add", f"{_BENCH}, from = 2026-03-02", "from", "has happened"),
    (
        "a person in the past",
        "add",
        f'{_NEW}, like = "AB", from = 2026-03-02',
        "from",
        "has happened",
    ),
    (
        "hours that are over",
        "set",
        f"{_PERSON}, fri = 6, until = 2026-05-29",
        "until",
        "has happened",
    ),
    ("a start in the past", "set", f"{_PERSON}, start = 2026-03-02", "start", "has happened"),
    (
        "another start of who is there",
        "set",
        f"{_PERSON}, start = 2026-07-06",
        "start",
        "begun already",
    ),
    ("an end in the past", "set", f"{_PERSON}, end = 2026-05-01", "end", "has happened"),
    (
        "a closure that is over",
        "add",
        'what = "closure", first_day = 2026-05-04, last_day = 2026-05-05',
        "first_day",
        "has happened",
    ),
    (
        "a delivery in the past",
        "add",
        f"{_LOT}, date = 2026-05-04, items = 5",
        "date",
        "has happened",
    ),
    ("a delivery that has come", "remove", f"{_LOT}, date = 2026-05-11", "date", "has happened"),
    (
        "a closure gone by",
        "remove",
        'what = "closure", first_day = 2026-04-07',
        "first_day",
        "no such closure",
    ),
)

_SEARCH = (
    (
        "a search for nothing",
        searching("confidence = 0.9"),
        "search, post",
        "Write [[search.post]]",
    ),
    ("a search that is none", "search = 3\n", "search", "Write [search]"),
    (
        "certainty",
        searching("confidence = 1.0", _POST + "most = 2"),
        "search, confidence",
        "Correct",
    ),
    (
        "a slip in the search",
        searching("tolerence = 5", _POST + "most = 2"),
        "search, tol",
        "tolerance?",
    ),
    (
        "exposure as a bound",
        searching(_POST + "most = 2", "[search.exposure]"),
        "search, exposure",
        ASK_FIRST,
    ),
    (
        "quarantine as a bound",
        searching("quarantine = 7", _POST + "most = 2"),
        "search, quarantine",
        ASK_FIRST,
    ),
    (
        "tool drying to search",
        searching('[[search.place]]\nplace = "tool_drying_hours"\nleast = 1\nmost = 2'),
        "search, place 1, place",
        ASK_FIRST,
    ),
    (
        "attention to search",
        searching('[[search.place]]\nplace = "drying.attention_minutes"\nleast = 1\nmost = 2'),
        "search, place 1, place",
        ASK_FIRST,
    ),
    (
        "a post like nobody",
        searching('[[search.post]]\nlike = "ZZ"\nmost = 2'),
        "search, post 1, like",
        "Choose one of",
    ),
    ("a post without most", searching(_POST), "search, post 1, most", "Write a line most"),
    (
        "fewer than the least",
        searching(_POST + "least = 3\nmost = 2"),
        "search, post 1, most",
        "Correct one",
    ),
    (
        "starts in disorder",
        searching(_POST + "most = 2\nstarts = [2026-09-01, 2026-08-01]"),
        "search, post 1, starts",
        "in order",
    ),
    (
        "a start beyond the horizon",
        searching(_POST + "most = 2\nstarts = [2031-09-01]"),
        "search, post 1, starts",
        "year",
    ),
    (
        "until before a start",
        searching(_POST + "most = 2\nstarts = [2026-09-01]\nuntil = 2026-08-01"),
        "search, post 1, until",
        "Correct one",
    ),
    (
        "no hours",
        searching(_POST + "most = 2\nshares = [0]"),
        "search, post 1, shares",
        "Correct the number",
    ),
    (
        "an unknown key of a post",
        searching(_POST + "most = 2\nhours_per_day = 2"),
        "search, post 1, hours",
        "Choose one of",
    ),
    (
        "an unknown place",
        searching('[[search.place]]\nplace = "bench"\nleast = 1\nmost = 2'),
        "search, place 1, place",
        ".",
    ),
    (
        "a place without least",
        searching(_PLACE + "most = 2"),
        "search, place 1, least",
        "Write a line least",
    ),
    (
        "a place searched twice",
        searching(*[_PLACE + "least = 1\nmost = 2"] * 2),
        "search, place",
        "Bring the two",
    ),
    ("posts that are no tables", searching("post = [1]"), "search, post 1", "Write the keys"),
)


def _dotted(label: str, place: str) -> str:
    """Where a problem of a change is told."""
    if place.startswith(":"):
        return f"{S}{place}"
    return f"{S}, {label}, {place}" if place else f"{S}, {label}"


BAD_SCENARIOS = (
    *(BadScenario(*row) for row in _FORM),
    *(
        BadScenario(name, change("set", text), f"{S}, set 1, {place}", remedy)
        for name, text, place, remedy in _NUMBERS
    ),
    BadScenario(
        "a number twice",
        change("set", *['what = "time.practice_starts_at", to = 9'] * 2),
        f"{S}, set 2, what",
        "Delete one",
    ),
    BadScenario(
        "a place twice",
        change("set", f"{_BENCHES}, to = 3", f"{_BENCHES}, to = 4, from = 2026-09-01"),
        f"{S}, set 2",
        "do not overlap",
    ),
    *(
        BadScenario(
            name, change("set", f'what = "{what}", to = {to}'), f"{S}, set 1, to", ASK_FIRST
        )
        for name, what, to in _SAFETY
    ),
    BadScenario(
        "somebody who approves",
        change("set", 'what = "exposure.approved_by", to = "x"'),
        f"{S}, set 1, what",
        ASK_FIRST,
    ),
    BadScenario(
        "all kinds of faults at once",
        change("set", _BENCHES, 'what = "quarantine.minimum_days", to = 1')
        + 'add = [{ what = "person", person = "X", like = "ZZ" }]\n'
        + one().replace('"S"', '"T"')
        + "extra = 1\n"
        + searching("confidence = 2", _POST + "most = 2"),
        f"{S}, set 2, to",
        ASK_FIRST,
        problems=5,
    ),
    *(
        BadScenario(name, change(verb, text), _dotted(f"{verb} 1", place), remedy)
        for name, verb, text, place, remedy in (*_PEOPLE, *_REST)
    ),
    *(
        BadScenario(name, change(verb, text), _dotted(f"{verb} 1", place), remedy, 1, TODAY)
        for name, verb, text, place, remedy in _HISTORY
    ),
    *(BadScenario(*row) for row in _SEARCH),
    BadScenario(
        "a search of the past",
        searching(_POST + "most = 2\nstarts = [2026-03-02]"),
        "search, post 1, starts",
        "has happened",
        1,
        TODAY,
    ),
)
