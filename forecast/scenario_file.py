"""scenarios.toml: the what-ifs of a folder and what a search may try, read, checked and kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeAlias

import tomlkit
from tomlkit.items import Array

from forecast.cells import CellError, Findings, Limits, nearest, parse_choice, shorten
from forecast.errors import InputError, Problem
from forecast.folder import read_project
from forecast.project import Project
from forecast.scenario import (
    AS_PLANNED,
    ASK_FIRST,
    SAFETY_KEYS,
    SCENARIOS_FILE,
    Add,
    Change,
    Remove,
    Scenario,
    Set,
    apply,
    number_of_place,
)
from forecast.sections import Section, dates_of, list_of, number_of, parse_toml, shown
from forecast.sheets import read_bytes
from forecast.stages import PLACE_KEYS

__all__ = [
    "PlaceBounds",
    "PostBounds",
    "Scenarios",
    "Search",
    "keep_scenario",
    "read_plans",
    "read_scenarios",
    "scenarios_from",
]

_MONEY = Limits(0, 1e12)
_CONFIDENCE = Limits(0.5, 0.999)
_FEW = Limits(0, 20, whole=True)
_MANY = Limits(0, 1_000_000, whole=True)
_SHARE_OF_HOURS = Limits(0, 2, above=True)
_KINDS: Mapping[str, type[Set | Add | Remove]] = {"remove": Remove, "add": Add, "set": Set}
_HEADER = "[[scenario]]"
_OF_A_CHANGE = ("what", "from", "until", "once", "monthly")

_Class: TypeAlias = type[Set | Add | Remove]


@dataclass(frozen=True)
class PostBounds:
    """Copies of a person that a search may add.

    Attributes:
        like: the person whose rota they take.
        name: of the post, to which a number is added; "" means the person's role.
        least, most: how many.
        starts: first days to try; none: as the person whose rota it is.
        until: their last day; None: as the person.
        shares: of the person's hours to try; 1 is all of them.
        once, monthly: what each costs beside the wages.
    """

    like: str
    most: int
    least: int = 0
    name: str = ""
    starts: tuple[date, ...] = ()
    until: date | None = None
    shares: tuple[float, ...] = (1.0,)
    once: float = 0.0
    monthly: float = 0.0


@dataclass(frozen=True)
class PlaceBounds:
    """Numbers of a place that a search may try.

    Attributes:
        place: a key of [places].
        least, most, step: least, least + step and so on: how many in all.
        starts: first days to try; none: from the start of all plans.
        once, monthly: what each one costs that the project does not have yet.
    """

    place: str
    least: int
    most: int
    step: int = 1
    starts: tuple[date, ...] = ()
    once: float = 0.0
    monthly: float = 0.0


@dataclass(frozen=True)
class Search:
    """What a search for the cheapest plan may try.

    Attributes:
        confidence: wanted odds of keeping the promise.
        tolerance: money by which the plan found may be dearer than the best; None: not said.
    """

    posts: tuple[PostBounds, ...] = ()
    places: tuple[PlaceBounds, ...] = ()
    confidence: float = 0.9
    tolerance: float | None = None


@dataclass(frozen=True)
class Scenarios:
    """What scenarios.toml says."""

    scenarios: tuple[Scenario, ...] = ()
    search: Search | None = None

    def named(self, name: str) -> Scenario:
        """The scenario of a name.

        Raises:
            InputError: there is none.
        """
        for scenario in self.scenarios:
            if scenario.name == name:
                return scenario
        names = [scenario.name for scenario in self.scenarios]
        expected = "the name of a scenario"
        raise InputError(
            [Problem(SCENARIOS_FILE, "", shorten(name), expected, nearest(name, names))]
        )


def read_plans(folder: Path, not_before: date | None = None) -> tuple[Project, Scenarios]:
    """A project folder with its scenarios.

    Raises:
        InputError: as :func:`forecast.folder.read_project` and :func:`read_scenarios`, and of
            scenarios what can be told without a project, in one go.
    """
    folder = Path(folder)
    try:
        project = read_project(folder)
    except InputError as error:
        findings = Findings()
        path = folder / SCENARIOS_FILE
        data = read_bytes(path, findings) if path.is_file() else None
        if data is not None:
            _all(data, None, None, findings)
        more = [problem for problem in findings.problems if problem not in error.problems]
        raise InputError([*error.problems, *more]) from None
    return project, read_scenarios(folder, project, not_before)


def read_scenarios(folder: Path, project: Project, not_before: date | None = None) -> Scenarios:
    """The scenarios of a folder, each tried on its project.

    Args:
        folder: without ``scenarios.toml`` there are none.
        project: that of the folder.
        not_before: with a record, the first day that is not yet history.

    Raises:
        InputError: every problem of every scenario and of ``[search]``.
    """
    path = Path(folder) / SCENARIOS_FILE
    if not path.exists():
        return Scenarios()
    findings = Findings()
    data = read_bytes(path, findings)
    if data is None:
        raise InputError(findings.problems)
    return scenarios_from(data, project, not_before)


def scenarios_from(data: bytes, project: Project, not_before: date | None = None) -> Scenarios:
    """What the bytes of scenarios.toml say; as :func:`read_scenarios`."""
    findings = Findings()
    found = _all(data, project, not_before, findings)
    if findings.problems:
        raise InputError(findings.problems)
    return found


# --- reading -------------------------------------------------------------------------------------


class _Table(Section):
    """A table whose place is said in words: ``scenario A bench more, add 1, from``."""

    def reject(self, key: str, read: str, expected: str, remedy: str) -> None:
        place = f"{self.name}, {key}" if self.name else key
        self.findings.add(self.file, place, read, expected, remedy)

    def plain(self, known: tuple[str, ...]) -> dict[str, object]:
        """The values under other keys than these."""
        return {key: value for key, value in self._values.items() if key not in known}


def _all(
    data: bytes, project: Project | None, not_before: date | None, findings: Findings
) -> Scenarios:
    """Everything in the file; without a project, only its form is checked."""
    values = parse_toml(SCENARIOS_FILE, data, findings)
    if values is None:
        return Scenarios()
    top = _Table(SCENARIOS_FILE, "", values, findings)
    what = "tables headed [[scenario]]"
    none: list[object] = []
    tables = top.get("scenario", lambda v: list_of(v, what), none, assumed=False)
    search = top.get("search", lambda v: v, None, assumed=False)
    top.close("[[scenario]] or [search]")
    scenarios: list[Scenario] = []
    for number, table in enumerate(tables, 1):
        scenario = _scenario(number, table, findings)
        if scenario is None:
            continue
        if scenario.name in [other.name for other in scenarios]:
            place = f"scenario {shorten(scenario.name)}, name"
            remedy = "Give one of the two another name."
            findings.add(SCENARIOS_FILE, place, scenario.name, "each name once", remedy)
        scenarios.append(scenario)
        if project is not None:
            _try(scenario, project, not_before, findings)
    bounds = None if search is None else _search(search, project, not_before, findings)
    return Scenarios(tuple(scenarios), bounds)


def _try(scenario: Scenario, project: Project, not_before: date | None, findings: Findings) -> None:
    """Note what is wrong with a scenario on a project."""
    try:
        apply(project, scenario, not_before)
    except InputError as error:
        findings.problems += [p for p in error.problems if p not in findings.problems]


def _scenario(number: int, table: object, findings: Findings) -> Scenario | None:
    """One scenario, or None where a problem keeps it from being tried."""
    before = len(findings.problems)
    if not isinstance(table, dict):
        remedy = "Write [[scenario]] on a line of its own and its keys below."
        place = f"scenario {number}"
        findings.add(SCENARIOS_FILE, place, shown(table), "a table headed [[scenario]]", remedy)
        return None
    name = table.get("name")
    said = shorten(name) if isinstance(name, str) and name.strip() else str(number)
    section = _Table(SCENARIOS_FILE, f"scenario {said}", table, findings)
    text = section.text("name", required=True)
    if "name" in table and isinstance(name, str) and not text:
        section.reject("name", "", "a name", "Write what the scenario is called.")
    if text == AS_PLANNED:
        remedy = "Give it another name: this one is the project as it is."
        section.reject("name", text, "another name", remedy)
    scenario = Scenario(
        name=text,
        why=section.text("why"),
        once=section.number("once", _MONEY, 0.0, assumed=False),
        monthly=section.number("monthly", _MONEY, 0.0, assumed=False),
        changes=tuple(_changes(section)),
    )
    section.close("a key of a scenario")
    return scenario if len(findings.problems) == before else None


def _changes(section: _Table) -> Iterator[Change]:
    """All that is removed, added and set, in this order."""
    none: list[object] = []
    what = "a list of changes in braces: [{ what = ... }]"
    for key, kind in _KINDS.items():
        tables = section.get(key, lambda v: list_of(v, what), none, assumed=False)
        for number, table in enumerate(tables, 1):
            change = _change(section, kind, f"{key} {number}", table)
            if change is not None:
                yield change


def _change(section: _Table, kind: _Class, label: str, table: object) -> Change | None:
    """One change; None with the reason noted."""
    if not isinstance(table, dict):
        remedy = "Write it in braces: { what = ..., ... }."
        section.reject(label, shown(table), "a change", remedy)
        return None
    before = len(section.findings.problems)
    change = _Table(SCENARIOS_FILE, f"{section.name}, {label}", table, section.findings)
    what = change.text("what", required=True)
    days = {
        key: change.date(key, date.min, assumed=False) if change.has(key) else None
        for key in ("from", "until")
    }
    money = [change.number(key, _MONEY, 0.0, assumed=False) for key in ("once", "monthly")]
    if len(section.findings.problems) > before:
        return None
    values = {key: _frozen(value) for key, value in change.plain(_OF_A_CHANGE).items()}
    return kind(what, values, days["from"], days["until"], *money)


def _frozen(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


# The bounds of a search


def _search(
    values: object, project: Project | None, not_before: date | None, findings: Findings
) -> Search | None:
    """The section [search]."""
    if not isinstance(values, dict):
        remedy = "Write [search] on a line of its own and its keys below."
        findings.add(SCENARIOS_FILE, "search", shown(values), "a section [search]", remedy)
        return None
    safe = {key for place in SAFETY_KEYS for key in place.split(".")} - {"places"}
    for key in [key for key in values if key in safe]:
        what = "nothing that keeps people safe"
        findings.add(SCENARIOS_FILE, f"search, {key}", key, what, ASK_FIRST)
    section = _Table(
        SCENARIOS_FILE, "search", {k: v for k, v in values.items() if k not in safe}, findings
    )
    tolerance = section.number("tolerance", _MONEY, -1.0, assumed=False)
    search = Search(
        confidence=section.number("confidence", _CONFIDENCE, 0.9, assumed=False),
        tolerance=None if tolerance < 0 else tolerance,
        posts=tuple(_post(table, project, not_before) for table in _bounds(section, "post")),
        places=tuple(_place(table, project, not_before) for table in _bounds(section, "place")),
    )
    section.close("a key of [search]")
    if not search.posts and not search.places and not findings.problems:
        remedy = "Write [[search.post]] or [[search.place]] below, or leave [search] out."
        section.reject("post", "", "something to try", remedy)
    places = [each.place for each in search.places]
    for place in dict.fromkeys(p for p in places if p and places.count(p) > 1):
        section.reject("place", place, "each place once", "Bring the two together.")
    return search


def _bounds(section: _Table, key: str) -> list[_Table]:
    """The tables headed [[search.post]] or [[search.place]]."""
    what = f"tables headed [[search.{key}]]"
    none: list[object] = []
    tables = section.get(key, lambda v: list_of(v, what), none, assumed=False)
    found = []
    for number, table in enumerate(tables, 1):
        if isinstance(table, dict):
            name = f"search, {key} {number}"
            found.append(_Table(SCENARIOS_FILE, name, table, section.findings))
        else:
            section.reject(f"{key} {number}", shown(table), what, "Write the keys below it.")
    return found


def _post(table: _Table, project: Project | None, not_before: date | None) -> PostBounds:
    like = table.text("like", required=True)
    if project is not None and like and like not in project.persons:
        table.reject("like", like, "a person of team.csv", nearest(like, project.persons))
    bounds = PostBounds(
        like=like,
        name=table.text("name"),
        least=int(table.number("least", _FEW, 0, assumed=False)),
        most=table.whole("most", _FEW, 0, required=True),
        starts=_starts(table, project, not_before),
        until=table.date("until", date.max, assumed=False) if table.has("until") else None,
        shares=table.get("shares", _shares, (1.0,), assumed=False),
        once=table.number("once", _MONEY, 0.0, assumed=False),
        monthly=table.number("monthly", _MONEY, 0.0, assumed=False),
    )
    _in_order(table, bounds.least, bounds.most)
    if bounds.until and any(start > bounds.until for start in bounds.starts):
        remedy = "Correct one of the dates."
        table.reject("until", str(bounds.until), "a date on or after every start", remedy)
    table.close("a key of [[search.post]]")
    return bounds


def _shares(value: object) -> tuple[float, ...]:
    what = "shares of the person's hours, such as [0.5, 1]"
    shares = tuple(number_of(part, _SHARE_OF_HOURS) for part in list_of(value, what))
    if not shares or len(set(shares)) < len(shares):
        raise CellError(what, "Write each share once.")
    return shares


def _place(table: _Table, project: Project | None, not_before: date | None) -> PlaceBounds:
    place = table.get("place", _place_key, "", required=True)
    if place and project is not None and number_of_place(project, place) is None:
        remedy = "Leave it out: there is no limit to them in project.toml."
        table.reject("place", place, "a place of which there is a number", remedy)
    bounds = PlaceBounds(
        place=place,
        least=table.whole("least", _MANY, 0, required=True),
        most=table.whole("most", _MANY, 0, required=True),
        step=int(table.number("step", Limits(1, 1_000_000, whole=True), 1, assumed=False)),
        starts=_starts(table, project, not_before),
        once=table.number("once", _MONEY, 0.0, assumed=False),
        monthly=table.number("monthly", _MONEY, 0.0, assumed=False),
    )
    _in_order(table, bounds.least, bounds.most)
    table.close("a key of [[search.place]]")
    return bounds


def _place_key(value: object) -> str:
    """A place; what keeps people safe is none, in whatever words."""
    key = value.strip() if isinstance(value, str) else shown(value)
    what = "a place, as under [places] in project.toml"
    last = key.rsplit(".", maxsplit=1)[-1]
    if any(last == safe.split(".")[-1] for safe in SAFETY_KEYS):
        raise CellError(what, ASK_FIRST)
    return parse_choice(key.removeprefix("places."), PLACE_KEYS, what)


def _starts(table: _Table, project: Project | None, not_before: date | None) -> tuple[date, ...]:
    """First days to try, none of which is history or beyond the horizon."""
    never: tuple[date, ...] = ()
    starts = table.get("starts", dates_of, never, assumed=False)
    for day in starts:
        if not_before is not None and day < not_before:
            remedy = "Take it out: what lies before it has happened."
            table.reject("starts", str(day), f"dates from {not_before} on", remedy)
        elif project is not None and day > project.grant.horizon:
            what = f"dates up to the horizon ({project.grant.horizon})"
            table.reject("starts", str(day), what, "Take it out, or correct the year.")
    return starts


def _in_order(table: _Table, least: int, most: int) -> None:
    if least > most and table.has("most"):
        expected = f"at least the {least} under least"
        table.reject("most", str(most), expected, "Correct one of the two numbers.")


# --- keeping -------------------------------------------------------------------------------------


def keep_scenario(folder: Path, scenario: Scenario, replace: bool = False) -> None:
    """Write a scenario into scenarios.toml; all else in it stays as it is, comments too.

    The file is written under another name first and then renamed: it is whole at every moment.

    Args:
        folder: of the project; the file is made where there is none.
        scenario: at the end of the file, or in place of the one of the same name.
        replace: whether one of the same name may be replaced.

    Raises:
        InputError: the name is blank or taken; or the file cannot be read or written.
    """
    path = Path(folder) / SCENARIOS_FILE
    findings = Findings()
    data = (read_bytes(path, findings) or b"") if path.exists() else b""
    if findings.problems or (data and parse_toml(SCENARIOS_FILE, data, findings) is None):
        raise InputError(findings.problems)
    text = data.decode("utf-8-sig")
    kept = _with(text.replace("\r\n", "\n"), scenario, replace)
    if "\r\n" in text:
        kept = kept.replace("\n", "\r\n")
    mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
    _write(path, mark + kept.encode())


def _write(path: Path, data: bytes) -> None:
    """Write a file that is whole at every moment."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        remedy = "Close it in other programs, or ask for the right to write there."
        raise InputError(
            [Problem(path.name, "", error.strerror or "", "a file that can be written", remedy)]
        ) from None


def _with(text: str, scenario: Scenario, replace: bool) -> str:
    """The file's text with a scenario in it."""
    if scenario.name.strip() in ("", AS_PLANNED):
        raise _refused("", "a name", "Write what the scenario is called.")
    there = tomlkit.parse(text).unwrap().get("scenario", ())
    names = [each.get("name") for each in there]
    found = [n for n, name in enumerate(names) if str(name).strip() == scenario.name.strip()]
    if found and not replace:
        remedy = "Choose another name, or say that it is to be replaced."
        raise _refused(scenario.name, "a name that no scenario has yet", remedy)
    if len(names) != sum(name == "scenario" for _, name in _headers(text)):
        raise _refused("", f"each scenario below a line {_HEADER}", "Write them so, one by one.")
    if found:
        same = there[found[0]] == _plain(scenario)
        return text if same else _replaced(text, found[0], scenario)
    gap = "" if not text else "\n" if text.endswith("\n") else "\n\n"
    return f"{text}{gap}{_HEADER}\n{_written('', {}, scenario)}"


def _refused(read: str, expected: str, remedy: str) -> InputError:
    return InputError([Problem(SCENARIOS_FILE, "name", shorten(read), expected, remedy)])


def _plain(scenario: Scenario) -> dict[str, Any]:
    """A scenario as plain values; what says nothing is left out."""
    values: dict[str, Any] = {"name": scenario.name, "why": scenario.why}
    values |= {"once": scenario.once, "monthly": scenario.monthly}
    for key, kind in _KINDS.items():
        values[key] = [_plain_change(c) for c in scenario.changes if type(c) is kind]
    return {key: _whole(value) for key, value in values.items() if value or key == "name"}


def _plain_change(change: Change) -> dict[str, Any]:
    days = {"from": change.from_, "until": change.until}
    money = {"once": change.once, "monthly": change.monthly}
    more = {key: _whole(value) for key, value in (days | money).items() if value}
    values = {key: _thawed(value) for key, value in change.values.items() if value is not None}
    return {"what": change.what} | values | more


def _thawed(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _whole(value: Any) -> Any:
    """Money without a needless .0."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _list(changes: list[dict[str, Any]], comments: Sequence[str]) -> Array:
    """Changes as a list, one a line, below some comments."""
    array = tomlkit.array()
    for comment in comments:
        array.add_line(comment=comment)
    for change in changes:
        inline = tomlkit.inline_table()
        inline.update(change)
        array.add_line(inline)
    array.add_line(indent="")
    return array


def _replaced(text: str, number: int, scenario: Scenario) -> str:
    """The text with one scenario, counted from 0, written anew where it stands."""
    lines = [f"{line}\n" for line in text.removesuffix("\n").split("\n")]
    heads = list(_headers(text))
    begin = [line for line, name in heads if name == "scenario"][number]
    inside = [(line, name) for line, name in heads if line > begin]
    end = next((n for n, name in inside if not name.startswith("scenario.")), len(lines))
    # Comments above the next header speak of what comes there.
    while end > begin + 1 and lines[end - 1].lstrip().startswith(("#", "\n")):
        end -= 1
    parts = [(n, name) for n, name in inside if n < end]
    comments: dict[str, list[str]] = {}
    for (line, name), (after, _) in pairwise([*parts, (end, "")]):
        key = name.split(".")[1]
        comments.setdefault(key, []).extend(_comments("".join(lines[line:after])))
    body = "".join(lines[begin + 1 : parts[0][0] if parts else end])
    tail = "\n" if lines[end:] and not lines[end].startswith("\n") else ""
    written = _written(body, comments, scenario) + tail
    return "".join(lines[: begin + 1]) + written + "".join(lines[end:])


def _written(body: str, comments: Mapping[str, list[str]], scenario: Scenario) -> str:
    """A scenario's keys, written over those there are, so that the comments between them stay.

    Args:
        body: what stands below the header so far.
        comments: those of tables below it, by key; they come into the lists of changes.
        scenario: what to write.
    """
    document = tomlkit.parse(body)
    values = _plain(scenario)
    for key in ("name", "why", "once", "monthly", *_KINDS):
        old, new = document.get(key), values.get(key)
        remarks = list(comments.get(key, ()))
        if old is not None and old.unwrap() == new:
            continue
        if isinstance(old, Array):
            remarks += _comments(old.as_string())
        if new is not None:
            document[key] = _list(new, remarks) if isinstance(new, list) else new
        elif old is not None:
            document.remove(key)
        if not isinstance(new, list):
            for remark in remarks:
                document.add(tomlkit.comment(remark))
    return tomlkit.dumps(document).rstrip("\n") + "\n"


def _headers(text: str) -> Iterator[tuple[int, str]]:
    """Line and name of each header; one inside a text or a list is none."""
    for line, depth, code in _lines(text):
        if depth == 0 and code.startswith("["):
            yield line, code.strip("[] \t").replace(" ", "").replace('"', "")


def _comments(text: str) -> list[str]:
    """The comments in some TOML, without their marks."""
    lines = text.split("\n")
    return [
        lines[line][len(code) :].lstrip("# \t").rstrip()
        for line, _, code in _lines(text, strip=False)
        if len(code) < len(lines[line])
    ]


def _lines(text: str, strip: bool = True) -> Iterator[tuple[int, int, str]]:
    """Each line's number, how many brackets are open before it, and what stands before a comment.

    Brackets and number signs inside texts do not count.
    """
    depth, quote, begin, number, n = 0, "", 0, 0, 0
    before, mark = 0, -1
    while n <= len(text):
        if n == len(text) or (text[n] == "\n"):
            stop = n if mark < 0 else mark
            if n > begin or n < len(text):
                code = text[begin:stop]
                yield number, before + bool(quote), code.strip() if strip else code
            begin, number, before, mark = n + 1, number + 1, depth, -1
            n += 1
            continue
        if mark < 0:
            n, quote, depth, mark = _letter(text, n, quote, depth)
        n += 1


def _letter(text: str, n: int, quote: str, depth: int) -> tuple[int, str, int, int]:
    """Where a letter ends, the open quotation mark, the open brackets, and a comment's place."""
    letter = text[n]
    if quote:
        if letter == "\\" and quote[0] == '"':
            return n + 1, quote, depth, -1
        if text.startswith(quote, n):
            return n + len(quote) - 1, "", depth, -1
        return n, quote, depth, -1
    if letter in "\"'":
        opened = letter * 3 if text.startswith(letter * 3, n) else letter
        return n + len(opened) - 1, opened, depth, -1
    if letter == "#":
        return n, quote, depth, n
    return n, quote, depth + (letter in "[{") - (letter in "]}"), -1
