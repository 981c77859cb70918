"""Staffing plans as a form in JupyterLab: make a plan, run it, read what follows, and keep it.

What is filled in becomes a scenario, so that every check and every message is the same as for a
file. Futures are simulated in the background; whatever an older run still brings is thrown away.
Safety values are shown and have no field.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import numpy as np
import pandas as pd

from forecast import charts, recalibrate
from forecast.blocks import Heading, Report
from forecast.cells import CellError, parse_date
from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.compare import (
    MOSTLY,
    Comparison,
    Outset,
    Precision,
    Side,
    difference,
    outset,
    side_of,
)
from forecast.errors import ForecastError, InputError, Problem
from forecast.exposure import ANY_SEVEN_DAYS, CAUTIONS
from forecast.folder import read_project
from forecast.history import History
from forecast.outcome import NOT_BY_HORIZON
from forecast.paired import Taken, side_by_side
from forecast.plan_draft import (
    NOWHERE,
    TEAM_FIELDS,
    Field,
    Opened,
    Read,
    change_in_words,
    one_like,
    read_draft,
)
from forecast.progress import Tell
from forecast.project import Project
from forecast.record import open_record
from forecast.scenario import Scenario
from forecast.scenario_file import keep_scenario, read_scenarios
from forecast.schedule_forecast import Settings
from forecast.staffing_plans import (
    Plans,
    PlanSettings,
    base_sentence,
    plan_sentence,
    section_changes,
    section_plans,
)
from forecast.stages import PLACE_KEYS
from forecast.words import long_date, never, number, plural, reached_date

__all__ = ["PlansForm"]

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_COLUMNS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_PLACE_NAMES = {
    "quarantine_items": "Quarantine items",
    "drying_items": "Drying items",
    "cleaning_benches": "Cleaning benches",
    "camera_stations": "Camera stations",
    "tool_sets": "Tool sets",
}
assert tuple(_PLACE_NAMES) == PLACE_KEYS

# The fields of a person: what stands above each, and how wide it is.
_FIRST_LINE = {
    "person": ("Person or post", "12em"),
    "role": ("Role", "12em"),
    "start": ("First day", "7.5em"),
    "end": ("Last day", "7.5em"),
    "begins": ("Begins at", "5.5em"),
    "mould_work": ("Mould work", "6.5em"),
    "hourly_cost": ("Cost an hour", "7.5em"),
}
_SECOND_LINE = {
    **{column: (day, "3.6em") for column, day in zip(_COLUMNS, _WEEKDAYS, strict=True)},
    "stages": ("Stages, best liked first", "24em"),
}
_WHEN = {
    "from": ("Changes hold from", "11em"),
    "until": ("Changes hold until", "11em"),
}
_WIDE = {"width": "44em"}
_HINTS = {"end": "to the finish", "from": "the start", "until": "for good"}

_STYLE = """<style>
.plans-form h2 { font-size: 1.15em; font-weight: bold; margin: 0.9em 0 0.2em; }
.plans-form p { line-height: 1.45; margin: 0.3em 0; max-width: 60em; }
.plans-form li { line-height: 1.35; }
.plans-form .wrong { color: #8B1A10; font-weight: bold; line-height: 1.35; white-space: normal; }
.plans-form .lead { font-weight: bold; }
.plans-form .note, .plans-form .label { color: #55606A; }
.plans-form .person { align-items: center; column-gap: 0.2em; margin-bottom: 0.15em; }
.plans-form .person { flex-flow: row wrap; }
.plans-form .person .widget-html { flex: 1 1 28em; min-width: 0; }
.plans-form .person span { display: block; line-height: 1.3; white-space: normal; }
.plans-form .of-fields { row-gap: 0.2em; column-gap: 0.6em; padding-left: 1em; }
.plans-form .field { flex-direction: column; align-items: stretch; height: auto; }
.plans-form .field > label { width: auto; max-width: none; text-align: left; height: auto;
  line-height: 1.5; }
.plans-form .field > input, .plans-form .field > select { flex: 0 0 auto; height: 28px; }
.plans-form .faulty input, .plans-form .faulty select { border: 2px solid #8B1A10 !important; }
.plans-form table { border-collapse: collapse; }
.plans-form caption { text-align: left; font-weight: bold; padding: 0.3em 0; }
.plans-form th, .plans-form td { padding: 0.25em 0.9em 0.25em 0; border-bottom: 1px solid #C9CDD1;
  text-align: left; vertical-align: top; line-height: 1.3; }
.plans-form .number { text-align: right; }
.plans-form .table { overflow-x: auto; max-width: 100%; }
.plans-form figure { margin: 0.6em 0; }
.plans-form figcaption { font-weight: bold; line-height: 1.5; }
.plans-form .chart { background: #FFFFFF; }
.plans-form .chart svg { max-width: 100%; height: auto; }
.plans-form summary { cursor: pointer; }
</style>"""

Stop = Callable[[], bool]


# --- work in the background ----------------------------------------------------------------------


class _Turn:
    """One piece of work; it may show what it found for as long as no newer one has begun."""

    def __init__(self, background: _Background, number: int) -> None:
        self._background, self._number = background, number

    def over(self) -> bool:
        """Whether a newer piece of work has begun, or this one was cancelled."""
        return self._background.number != self._number

    def show(self, change: Callable[[], None]) -> bool:
        """Change the page, unless this turn is over; says whether it was changed."""
        # Nobody may begin something newer between the question and the change.
        with self._background.lock:
            if self.over():
                return False
            change()
            return True


class _Background:
    """Work in a thread of its own, one piece at a time that counts: the newest."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.number = 0
        self._thread: threading.Thread | None = None

    def start(self, work: Callable[[_Turn], object]) -> None:
        """Begin something; whatever was begun before is over."""
        with self.lock:
            self.number += 1
            turn = _Turn(self, self.number)
            self._thread = threading.Thread(target=work, args=(turn,), daemon=True)
            self._thread.start()

    def cancel(self) -> None:
        """What was begun is over."""
        with self.lock:
            self.number += 1

    def wait(self, seconds: float | None = None) -> None:
        """Wait for what was begun last."""
        if self._thread is not None:
            self._thread.join(seconds)


class _Futures:
    """Futures of plans, kept by what they change; more are added to those that are there."""

    _MOST = 60  # plans that are kept; some 200 kB each

    def __init__(self, start: Outset) -> None:
        self.start = start
        self._taken: dict[Any, Taken] = {}
        self._lock = threading.Lock()

    def sides(
        self,
        scenarios: Sequence[Scenario | None],
        number: int,
        tell: Tell | None = None,
        stop: Stop | None = None,
    ) -> list[Side] | None:
        """Plans after so many futures of each; None: it was stopped before."""
        asked = {_changes(scenario): scenario for scenario in scenarios}
        while lacking := [each for each in asked if self._have(each) < number]:
            # Those with as many are simulated together: what they share is drawn once.
            have = self._have(lacking[0])
            together = {each: asked[each] for each in lacking if self._have(each) == have}
            self._add(have, number, together, tell, stop)
            if stop is not None and stop():
                return None
        found = [self._taken[_changes(each)].first(number) for each in scenarios]
        self._forget()
        pairs = zip(scenarios, found, strict=True)
        return [side_of(scenario, taken) for scenario, taken in pairs]

    def _have(self, changes: Any) -> int:
        return self._taken[changes].replications if changes in self._taken else 0

    def _add(
        self,
        have: int,
        number: int,
        asked: Mapping[Any, Scenario | None],
        tell: Tell | None,
        stop: Stop | None,
    ) -> None:
        """Simulate more; what was done before it was stopped is kept."""
        more = side_by_side(
            [self.start.planned(scenario) for scenario in asked.values()],
            range(have, number),
            as_of=self.start.as_of,
            seed=self.start.seed,
            knowledge=self.start.knowledge,
            by_day=False,
            tell=tell,
            stop=stop,
        )
        with self._lock:
            for changes, taken in zip(asked, more, strict=True):
                # Somebody who was stopped may have added some of the same meanwhile.
                if taken.replications and self._have(changes) == have:
                    before = self._taken.get(changes)
                    self._taken[changes] = taken if before is None else before.joined(taken)

    def _forget(self) -> None:
        """What was asked for longest ago goes first, but never the project as it is."""
        while len(self._taken) > self._MOST:
            del self._taken[next(each for each in self._taken if each)]


def _changes(scenario: Scenario | None) -> Any:
    """What makes a plan's futures what they are: neither its name nor its money."""
    return () if scenario is None else scenario.changes


# --- fields --------------------------------------------------------------------------------------


class _Cell:
    """A field with its name above it, and below it what is wrong with it."""

    def __init__(
        self,
        label: str,
        value: str,
        width: str,
        changed: Callable[[], None],
        choices: Sequence[str] = (),
        hint: str = "",
    ) -> None:
        kept: dict[str, Any] = {"description": label, "layout": {"width": width}}
        if choices:
            options = list(dict.fromkeys([*choices, value]))
            self.input = widgets.Dropdown(options=options, value=value, **kept)
        else:
            self.input = widgets.Text(
                value=value, placeholder=hint, continuous_update=False, **kept
            )
        self.input.add_class("field")
        self.input.observe(lambda _: changed(), "value")
        self.said = widgets.HTML(layout={"max_width": "26em"})
        self.box = widgets.VBox([self.input, self.said], layout={"overflow": "visible"})

    @property
    def value(self) -> str:
        """What stands in the field."""
        return str(self.input.value).strip()

    def say(self, sentences: Sequence[str]) -> None:
        """Say beside the field what is wrong with it; nothing: all is well."""
        said = _wrong(sentences)
        if said == self.said.value:
            return
        self.said.value = said
        (self.input.add_class if sentences else self.input.remove_class)("faulty")


def _wrong(sentences: Sequence[str]) -> str:
    if not sentences:
        return ""
    return f'<div class="wrong" role="alert">{escape(" ".join(sentences))}</div>'


class _PersonRow:
    """A person's row: a line in words and, once they are asked for, its fields."""

    def __init__(
        self,
        form: PlansForm,
        key: str,
        texts: Mapping[str, str],
        *,
        added: bool = False,
        which: int = 0,
    ) -> None:
        self.key, self.added, self.removed = key, added, False
        self._which = f" ({which})" if which else ""
        self.cells: dict[str, _Cell] = {}
        self._texts, self._form = dict(texts), form
        # Without icons: what draws them would be part of the names that are read aloud.
        self.change, self.like, self.remove = (
            widgets.Button(layout={"width": "auto", "flex": "0 0 auto"}) for _ in range(3)
        )
        self.words, self.said, self.fields = widgets.HTML(), widgets.HTML(), widgets.VBox()
        self.change.on_click(lambda _: self.toggle())
        self.like.on_click(lambda _: form.add_like(self.key))
        self.remove.on_click(lambda _: form.remove(self.key))
        line = widgets.HBox([self.change, self.like, self.remove, self.words])
        line.add_class("person")
        self.box = widgets.VBox([line, self.said, self.fields])
        self.tell()
        if added:
            self.toggle()

    def tell(self) -> None:
        """Say in words what stands in the fields."""
        texts = self.texts()
        name = (texts["person"] or "this person") + self._which
        self.change.description = f"Change {name}"
        self.like.description = f"One more like {name}"
        self.remove.description = f"Put {name} back" if self.removed else f"Remove {name}"
        self.change.disabled = self.removed
        words = "not in this plan" if self.removed else _person_in_words(texts)
        self.words.value = f"<span>{escape(words)}</span>"

    def texts(self) -> dict[str, str]:
        """What stands in the fields, by their names."""
        return self._texts | {name: cell.value for name, cell in self.cells.items()}

    def toggle(self) -> None:
        """Show the fields, or put them away."""
        if not self.cells:
            self._build()
        else:
            hidden = self.fields.layout.display == "none"
            self.fields.layout.display = None if hidden else "none"

    def _build(self) -> None:
        lines = [_FIRST_LINE, _SECOND_LINE] + ([] if self.added else [_WHEN])
        for line in lines:
            for name, (label, width) in line.items():
                self.cells[name] = _Cell(
                    label,
                    self._texts.get(name, ""),
                    width,
                    self._changed,
                    ("yes", "no") if name == "mould_work" else (),
                    _HINTS.get(name, ""),
                )
        # Whoever there is keeps their name: the plan finds them by it.
        self.cells["person"].input.disabled = not self.added
        self.fields.children = [_line([self.cells[name].box for name in line]) for line in lines]

    def _changed(self) -> None:
        self.tell()
        self._form.changed()

    def say(self, wrong: Mapping[str, Sequence[str]]) -> None:
        """Say what is wrong with fields, and (under no name) with the row as a whole."""
        if any(wrong.get(name) for name in TEAM_FIELDS):
            if not self.cells:
                self._build()
            self.fields.layout.display = None
        for name, cell in self.cells.items():
            cell.say(wrong.get(name, ()))
        rest = [words for name, some in wrong.items() if name not in self.cells for words in some]
        self.said.value = _wrong(rest)


def _line(boxes: Sequence[Any]) -> Any:
    line = widgets.HBox(boxes, layout={"flex_flow": "row wrap"})
    line.add_class("of-fields")
    return line


def _person_in_words(texts: Mapping[str, str]) -> str:
    """A row of the rota as people say it."""
    days = [day for column, day in zip(_COLUMNS, _WEEKDAYS, strict=True) if _some(texts[column])]
    week = sum(_some(texts[column]) for column in _COLUMNS)
    until = f" to {texts['end']}" if texts["end"] else ""
    mould = "mould work" if texts["mould_work"] == "yes" else "no mould work"
    hours = f"{number(week, 1).removesuffix('.0')} h a week ({', '.join(days)})"
    return f"{texts['role']}; from {texts['start']}{until}; {hours}; {mould}; {texts['stages']}"


def _some(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


# --- the form ------------------------------------------------------------------------------------


class PlansForm:
    """A form for staffing plans. ``box`` is what a notebook shows.

    Args:
        folder: the project folder that is opened at first.
        as_of: know nothing later than this date, as text; "": the last Sunday on record.
        seed: of all futures.
        replications: futures that a plan is refined to.
        first: futures after which something is shown.
    """

    def __init__(
        self,
        folder: str | Path,
        *,
        as_of: str = "",
        seed: int = DEFAULT_SEED,
        replications: int = DEFAULT_REPLICATIONS,
        first: int = 200,
    ) -> None:
        self.as_of, self.seed = as_of, seed
        self.looks = tuple(dict.fromkeys((min(first, replications), replications)))
        self.scenarios: dict[str, Scenario] = {}
        self.rows: dict[str, _PersonRow] = {}
        self.cells: dict[Field, _Cell] = {}
        self.kept: dict[str, Any] = {}
        self.background = _Background()
        self._session: _Session | None = None
        self._opened: Opened | None = None
        self._filling = False
        self._added = 0
        self._acting = threading.RLock()
        self._make()
        self.folder.value = str(folder)
        self._open()

    # --- what is seen

    def _act(self, act: Callable[[], None], _: Any) -> None:
        """Do one thing after the other: a notebook may handle two events at once."""
        with self._acting:
            act()

    def _make(self) -> None:
        """All that stays; what hangs on the project is made when it is opened."""
        style, wide = {"description_width": "5em"}, _WIDE
        self.folder = widgets.Text(
            description="Folder", style=style, layout=wide, continuous_update=False
        )
        self.open = widgets.Button(description="Open")
        self.about = widgets.HTML()
        self.plan = widgets.Dropdown(description="Plan", options=[], style=style, layout=wide)
        self.says = widgets.HTML()
        self.people = widgets.VBox()
        self.places = widgets.VBox()
        self.numbers = widgets.VBox()
        self.run = widgets.Button(description="Run", button_style="primary")
        self.keep = widgets.Button(description="Keep")
        self.replace = widgets.Checkbox(
            description="Replace the kept plan of that name", indent=False
        )
        self.progress = widgets.IntProgress(
            min=0, max=1, description="Futures", style=style, layout=wide
        )
        self.status, self.nowhere, self.kept_words = (widgets.HTML() for _ in range(3))
        self.sentence = widgets.HTML()
        self.chart = widgets.HTML()
        self.choices = widgets.VBox()
        self.compare = widgets.Button(description="Compare")
        self.compare_status, self.compared = widgets.HTML(), widgets.HTML()
        for button, act in (
            (self.open, self._open),
            (self.run, self._run),
            (self.keep, self._keep),
            (self.compare, self._compare),
        ):
            button.on_click(partial(self._act, act))
        self.plan.observe(partial(self._act, self._choose), "value")
        self.box = widgets.VBox(
            [
                widgets.HTML(_STYLE),
                widgets.HBox([self.folder, self.open]),
                self.about,
                self.plan,
                self.says,
                self.people,
                self.places,
                self.numbers,
                self.nowhere,
                widgets.HBox([self.run, self.keep, self.replace]),
                self.kept_words,
                self.progress,
                self.status,
                self.sentence,
                self.chart,
                self.choices,
                widgets.HBox([self.compare, self.compare_status]),
                self.compared,
            ]
        )
        self.box.add_class("plans-form")

    # --- opening a project

    def _open(self) -> None:
        """Read the project, its record and its plans."""
        self.background.cancel()
        for shown in (self.about, self.says, self.nowhere, self.kept_words, self.status,
                      self.sentence, self.chart, self.compare_status, self.compared):  # fmt: skip
            shown.value = ""
        self._session = None
        self.scenarios = {}
        try:
            self._session = _Session.of(Path(self.folder.value.strip()), self.as_of, self.seed)
        except ForecastError as error:
            self.about.value = _told("This folder cannot be used yet:", _sentences(error))
        for each in (self.run, self.keep, self.compare):
            each.disabled = self._session is None
        self._reread("")

    def _reread(self, name: str) -> None:
        """Read the plans that are kept, and open one of them."""
        said = ""
        if self._session is not None:
            try:
                self.scenarios = self._session.scenarios()
            except ForecastError as error:
                self.scenarios = {}
                said = _told("No plan of scenarios.toml can be used yet:", _sentences(error))
            self.about.value = _about(self._session.start) + said
        self._filling = True
        self.plan.options = [("As planned, without any change", ""), *(
            (each, each) for each in self.scenarios
        )]  # fmt: skip
        self.plan.value = name if name in self.scenarios else ""
        self._filling = False
        self._offer_kept()
        self._choose()

    def _offer_kept(self) -> None:
        ticked = {name: box.value for name, box in self.kept.items()}
        self.kept = {
            name: widgets.Checkbox(
                value=ticked.get(name, True), description=name, indent=False, layout=_WIDE
            )
            for name in self.scenarios
        }
        head = _head("Kept plans side by side")
        none = widgets.HTML("<p>No plan is kept yet.</p>")
        self.choices.children = [head, *(self.kept.values() or [none])]
        self.compare.disabled = not self.kept

    def _choose(self) -> None:
        """Open the chosen plan: fill the fields with it, and simulate it."""
        if self._filling:
            return
        self.rows, self.cells, self._opened = {}, {}, None
        if self._session is None:
            self.people.children = self.places.children = self.numbers.children = ()
            return
        start = self._session.start
        scenario = self.scenarios.get(self.plan.value)
        self._opened = Opened.of(start.project, scenario, start.not_before)
        self.says.value = _says(scenario)
        self._fill(self._opened)
        self._run()

    def _fill(self, opened: Opened) -> None:
        """Fields for all that a plan says."""
        texts = opened.texts
        names = [texts["team", key, "person"] for key in opened.keys]
        for key in opened.keys:
            row = {name: texts["team", key, name] for name in TEAM_FIELDS}
            several = names.count(row["person"]) > 1
            which = sum(each.texts()["person"] == row["person"] for each in self.rows.values()) + 1
            self.rows[key] = _PersonRow(self, key, row, which=which if several else 0)
        self._show_people()
        for place, name in _PLACE_NAMES.items():
            for part, label, width, hint in (
                ("number", name, "10em", "no limit"),
                ("from", "From", "8em", "the start"),
                ("until", "Until", "8em", "for good"),
            ):
                self._cell(("places", place, part), label, width, texts, hint)
        groups = [
            _line([self.cells["places", place, part].box for part in ("number", "from", "until")])
            for place in _PLACE_NAMES
        ]
        changes = _place_changes(opened.base)
        self.places.children = [_head("Places"), _line(groups), *changes]
        currency = opened.base.currency
        for at, label, width in (
            (("grant", "", "items_promised"), "Items promised", "9em"),
            (("grant", "", "end"), "Grant's end", "9em"),
            (("plan", "", "once"), f"Cost once, {currency}", "11em"),
            (("plan", "", "monthly"), f"Cost a month, {currency}", "11em"),
            (("plan", "", "name"), "Name of the plan", "22em"),
            (("plan", "", "why"), "Why", "44em"),
        ):
            self._cell(at, label, width, texts, "")
        rest = [cell.box for (group, _, _), cell in self.cells.items() if group != "places"]
        self.numbers.children = [
            _head("Promise, cost and name"), _line(rest[:4]), _line(rest[4:]),
        ]  # fmt: skip

    def _cell(
        self, at: Field, label: str, width: str, texts: Mapping[Field, str], hint: str
    ) -> None:
        self.cells[at] = _Cell(label, texts[at], width, self.changed, (), hint)

    # --- people

    def _show_people(self) -> None:
        self.people.children = [_head("People"), *(row.box for row in self.rows.values())]

    def add_like(self, key: str) -> None:
        """One more person, with the fields of another."""
        assert self._opened is not None
        names = [row.texts()["person"] for row in self.rows.values()]
        names += self._opened.project.persons
        texts = one_like(self.rows[key].texts(), names, self._opened.not_before)
        self._added += 1
        mine = f"new {self._added}"
        self.rows[mine] = _PersonRow(self, mine, texts, added=True)
        self._show_people()
        self.changed()

    def remove(self, key: str) -> None:
        """Take somebody out of the plan, or put them back."""
        row = self.rows[key]
        if row.added:
            del self.rows[key]
            self._show_people()
        else:
            row.removed = not row.removed
            row.fields.layout.display = "none"
            row.tell()
        self.changed()

    # --- what the fields say

    def texts(self) -> dict[Field, str]:
        """What stands in all fields."""
        found = {at: cell.value for at, cell in self.cells.items()}
        for key, row in self.rows.items():
            if not row.removed:
                found |= {("team", key, name): text for name, text in row.texts().items()}
        return found

    def changed(self) -> None:
        """A field was changed: what is simulated is of yesterday, and the fields are looked at."""
        if self._filling:
            return
        with self._acting:
            self._changed()

    def _changed(self) -> None:
        self.background.cancel()
        self.progress.value = 0
        read = self.check()
        words = "Changed: choose Run to see what follows."
        if read.wrong:
            words = "Changed, and something is wrong: see the words beside the fields."
        self._status(words)

    def check(self) -> Read:
        """Read all fields, and say beside each what is wrong with it."""
        assert self._opened is not None
        read = read_draft(self._opened, self.texts())
        self._say(read.wrong)
        return read

    def _say(self, wrong: Mapping[Field, Sequence[str]]) -> None:
        for at, cell in self.cells.items():
            cell.say(wrong.get(at, ()))
        for key, row in self.rows.items():
            row.say({name: some for (group, of, name), some in wrong.items()
                     if (group, of) == ("team", key)})  # fmt: skip
        self.nowhere.value = _wrong(wrong.get(NOWHERE, ()))

    def _status(self, words: str) -> None:
        self.status.value = _as_status(words)

    # --- running

    def _run(self) -> None:
        """Simulate what the fields say, first roughly and then better."""
        if self._opened is None or self._session is None:
            return
        read = self.check()
        if read.project is None:
            self.background.cancel()
            self._status("Nothing was run: see the words beside the fields.")
            return
        session, scenario = self._session, read.scenario
        self.background.start(lambda turn: self._simulate(turn, session, scenario))

    def _simulate(self, turn: _Turn, session: _Session, scenario: Scenario | None) -> None:
        """In the background: the plan and the project as it is."""
        self._look(turn, session, (None, scenario), self.status, self._show)

    def _look(
        self,
        turn: _Turn,
        session: _Session,
        scenarios: Sequence[Scenario | None],
        status: Any,
        show: Callable[[Sequence[Side]], None],
    ) -> None:
        """Simulate ever more futures of some plans, and show what they come to."""

        def say(words: str) -> None:
            turn.show(lambda: setattr(status, "value", _as_status(words)))

        try:
            futures = session.futures(say)
            for wanted in self.looks:
                sides = futures.sides(scenarios, wanted, self._tell(turn, wanted, say), turn.over)
                if sides is None or not turn.show(partial(show, sides)):
                    return
                say(self._so_far(wanted))
        except ForecastError as error:
            said = _told("This cannot be simulated:", _sentences(error))
            turn.show(lambda: setattr(status, "value", said))
        except Exception as error:  # noqa: BLE001  # in a thread nobody else would hear of it
            say(f"Something went wrong: {type(error).__name__}: {error}")

    def _so_far(self, futures: int) -> str:
        if futures == self.looks[-1]:
            return f"From {plural(futures, 'future')} of each plan."
        last = number(self.looks[-1])
        return f"From {plural(futures, 'future')} of each plan; {last} are on their way ..."

    def _tell(self, turn: _Turn, wanted: int, say: Callable[[str], None]) -> Tell:
        """Progress: in words at first, and as a bar."""

        def tell(done: int, of: int) -> None:
            turn.show(lambda: self._advance(done, of))
            if not done and wanted == self.looks[0]:
                say(f"Simulating {plural(wanted, 'future')} of each plan ...")

        return tell

    def _advance(self, done: int, of: int) -> None:
        self.progress.max, self.progress.value = max(1, of), done

    def _show(self, sides: Sequence[Side]) -> None:
        """The sentence and the chart of a plan against the project as it is."""
        base, plan = sides[0], sides[-1]
        if plan.scenario is None:
            lead, more = base_sentence(base), ""
        else:
            lead = plan_sentence(plan, base, difference(plan, base))
            more = f"<p>{escape(_ends(plan))}</p><p>{escape(base_sentence(base))}</p>"
        self.sentence.value = f'<p class="lead">{escape(lead)}</p>{more}'
        self.chart.value = _chart(plan, base).html()

    # --- keeping and comparing

    def _keep(self) -> None:
        """Write the plan into scenarios.toml under its name."""
        assert self._session is not None
        read, name = self.check(), self.cells["plan", "", "name"]
        if read.project is None:
            self._status("Nothing was kept: see the words beside the fields.")
            return
        if not name.value:
            name.say(["Expected a name for the plan. Write one, such as: A bench more."])
            self._status("Nothing was kept: the plan has no name yet.")
            return
        if read.scenario is None:
            self._status("Nothing was kept: this plan changes nothing.")
            return
        try:
            keep_scenario(self._session.folder, read.scenario, replace=self.replace.value)
        except InputError as error:
            name.say(_sentences(error))
            self._status("Nothing was kept: see the words beside the name.")
            return
        except ForecastError as error:
            self._status(f"Nothing was kept: {error}")
            return
        self.replace.value = False
        self._reread(read.scenario.name)
        self.kept_words.value = _as_status(f"Kept in scenarios.toml: {read.scenario.name}.")

    def _compare(self) -> None:
        """Simulate the ticked plans, and show them side by side."""
        assert self._session is not None
        session = self._session
        ticked = [self.scenarios[name] for name, box in self.kept.items() if box.value]
        if not ticked:
            self.compare_status.value = _as_status("Tick a plan or more first.")
            return
        show = partial(self._show_all, session)
        self.background.start(
            lambda turn: self._look(turn, session, (None, *ticked), self.compare_status, show)
        )

    def _show_all(self, session: _Session, sides: Sequence[Side]) -> None:
        base, plans = sides[0], tuple(sides[1:])
        changes = tuple(difference(plan, base) for plan in plans)
        found = Comparison(session.start, base, plans, changes, Precision(), reached=False)
        settings = PlanSettings(Settings(session.folder))
        whole = Plans(settings, session.start, found)
        blocks = [*section_plans(whole), *section_changes(whole)]
        self.compared.value = Report(b for b in blocks if not isinstance(b, Heading)).html()


class _Session:
    """A project that was opened, and where all its plans start from."""

    def __init__(self, folder: Path, start: Outset, history: History) -> None:
        self.folder, self.start, self._history = folder, start, history
        self._lock = threading.Lock()
        self._futures: _Futures | None = None

    @classmethod
    def of(cls, folder: Path, as_of: str, seed: int) -> _Session:
        """Read a project and its record.

        Raises:
            InputError: one of them cannot be used.
        """
        project = read_project(folder)
        with open_record(folder, project, create=False) as record:
            history = record.history()
        day = _as_of(as_of) or recalibrate.default_as_of(project, history)
        weeks = len(history.up_to(day).returns)
        # What the returns say takes a while to work out: not before the form is seen.
        return cls(folder, Outset(project, day, None, weeks, seed), history)

    def scenarios(self) -> dict[str, Scenario]:
        """The plans that are kept, by name.

        Raises:
            InputError: one of them cannot be used.
        """
        read = read_scenarios(self.folder, self.start.project, self.start.not_before)
        return {each.name: each for each in read.scenarios}

    def futures(self, say: Callable[[str], object]) -> _Futures:
        """Where futures are kept; at first what the record says is worked out.

        Raises:
            InputError: the returns contradict the project.
        """
        with self._lock:
            if self._futures is None:
                start = self.start
                if start.weeks_on_record:
                    say("Working out what the record says: up to a minute, once ...")
                    start = outset(start.project, self._history, start.as_of, start.seed)
                self._futures = _Futures(start)
            return self._futures


def _as_of(text: str) -> date | None:
    """A date, or None for the default."""
    try:
        return parse_date(text.strip()) if text.strip() else None
    except CellError as misread:
        said = Problem("parameters", "as_of", text, misread.expected, misread.remedy)
        raise InputError([said]) from None


# --- words and pictures --------------------------------------------------------------------------


def _head(words: str) -> Any:
    return widgets.HTML(f"<h2>{escape(words)}</h2>")


def _sentences(error: ForecastError) -> list[str]:
    if isinstance(error, InputError):
        return [str(problem) for problem in error.problems]
    return [str(error)]


def _as_status(words: str) -> str:
    return f'<p role="status">{escape(words)}</p>'


def _told(head: str, sentences: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f'<div role="status"><p class="wrong">{escape(head)}</p><ul>{items}</ul></div>'


_BRIEFLY = (
    "The limits are planning defaults: keeping to them does not show that work is safe. No plan "
    "makes them laxer."
)


def _about(start: Outset) -> str:
    """What the plans are of, what no plan changes, and the cautions."""
    project = start.project
    known = f"All plans start from the project's beginning, {long_date(project.grant.start)}."
    if start.not_before is not None:
        known = (
            f"Known up to {long_date(start.as_of)}, {plural(start.weeks_on_record, 'week')} on "
            f"record: all plans start from there. Changes begin on "
            f"{long_date(start.not_before)} or later."
        )
    cautions = "".join(f"<li>{escape(each)}</li>" for each in CAUTIONS)
    return (
        f"<p><b>{escape(project.title)}</b> {escape(known)}</p><p>{_BRIEFLY}</p>"
        f"<details><summary>Safety: the same in all plans, and no field here</summary>"
        f"<p>{escape(_safety(project))}</p><ul>{cautions}</ul></details>"
    )


def _safety(project: Project) -> str:
    """The safety values in words."""
    limits, breathing, sessions = project.exposure, project.breathing, project.sessions
    week = "in any seven days" if limits.week_rule == ANY_SEVEN_DAYS else "from Monday to Sunday"
    wear = (
        f"a mask is worn for at most {breathing.wear_minutes:g} minutes at a time, with "
        f"{breathing.rest_minutes:g} minutes of rest"
        if breathing.wear_minutes
        else "no limit to wearing a mask is given"
    )
    return (
        f"As project.toml says: at most {limits.hours_per_day:g} hours of exposure a day and "
        f"{plural(limits.days_per_week, 'day')} with exposure {week}; {wear}; "
        f"{plural(project.quarantine_days, 'day')} of quarantine; "
        f"{sessions.protective_clothing:g} minutes for clothing, {sessions.clear_bench:g} and "
        f"{sessions.clear_camera:g} to clear a bench and a camera; "
        f"{project.places.tool_drying_hours:g} hours for tools to dry; "
        f"{project.drying.attention_minutes:g} minutes of attention in drying. To change one of "
        "them, change project.toml, and say who approved it."
    )


def _says(scenario: Scenario | None) -> str:
    """What a kept plan changes."""
    if scenario is None:
        return ""
    changes = "".join(f"<li>{escape(change_in_words(each))}</li>" for each in scenario.changes)
    return f"<p>{escape(scenario.why)}</p><ul>{changes}</ul>"


def _place_changes(project: Project) -> list[Any]:
    """The numbers of places that are other for a while, by places.csv."""
    told = [
        f"{_PLACE_NAMES[PLACE_KEYS[each.place]].lower()} {each.number} from "
        f"{long_date(each.first_day)} to {long_date(each.last_day)}"
        for each in project.place_changes
    ]
    if not told:
        return []
    words = f"In places.csv, whatever stands here: {'; '.join(told)}."
    return [widgets.HTML(f'<p class="note">{escape(words)}</p>')]


def _ends(plan: Side) -> str:
    """When a plan is finished, in half of the futures and in 9 of 10."""
    horizon = plan.project.grant.horizon
    half, most = plan.finish(0.5), plan.finish(MOSTLY)
    middle = f"the middle finish date is {reached_date(half, plan.grant_end, horizon)}"
    if most is None:
        return f"Under this plan {middle}; more than 1 in 10 futures are finished {never(horizon)}."
    by = reached_date(most, plan.grant_end, horizon)
    return f"Under this plan {middle}; 9 in 10 futures are finished by {by}."


def _chart(plan: Side, base: Side) -> Any:
    """The share of futures that are finished by each day, under both."""
    project = base.project
    ours, theirs = plan.taken.finish_day, base.taken.finish_day
    known = np.concatenate([ours[ours != NOT_BY_HORIZON], theirs[theirs != NOT_BY_HORIZON]])
    end = plan.taken.end_day
    first = max(0, int(known.min(initial=end)) - 14)
    last = min(project.days - 1, int(known.max(initial=end)) + 14)
    days = np.arange(first, last + 1, max(1, (last - first) // 250))
    frame = pd.DataFrame(
        {
            "day": [project.date_of(int(day)) for day in days],
            "plan": _finished_by(ours, days),
            "base": _finished_by(theirs, days),
        }
    )
    if plan.scenario is None:
        frame = frame.drop(columns="plan")
    return charts.plan_against_base(
        frame,
        (plan.finish(0.5), base.finish(0.5)),
        plan.grant_end,
        project.grant.horizon,
        len(ours),
    )


def _finished_by(finish: Any, days: Any) -> Any:
    """Futures of 100 that are finished by each of some days."""
    known = np.sort(finish[finish != NOT_BY_HORIZON])
    return 100.0 * np.searchsorted(known, days, side="right") / len(finish)
