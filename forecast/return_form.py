"""The weekly return as a form in JupyterLab: the sheets to fill in, and what came of saving them.

The only module that knows ipywidgets. What is filled in is written as CSV files and recorded like
any other return, so that every check and every message is the same.
"""

from __future__ import annotations

import csv
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from forecast.cells import guard, unguard
from forecast.errors import ForecastError, InputError, Problem
from forecast.folder import read_project
from forecast.history import NOTHING_YET, History
from forecast.project import Project
from forecast.record import Version, open_record
from forecast.recording import Recorded, record_return
from forecast.return_files import write_return
from forecast.return_sheet import Grid, grids
from forecast.stages import STAGE_NAMES, Stage
from forecast.week_report import issued_sentences
from forecast.weekly import SHEETS, WeeklyReturn
from forecast.words import joined, long_date, number

__all__ = ["ReturnForm"]

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_DATES = ("week", "date", "put_in", "taken_out")
_WIDE = {"note": "40em", "series": "16em", "person": "9em", "material": "9em", "date": "13em"}
_TITLES = {"mould_hours": "of which mould", "red_rot": "red rot", "still_damp": "still damp",
           "put_in": "put in", "taken_out": "taken out"}  # fmt: skip
_ONLY_AT = {
    "images": STAGE_NAMES[Stage.IMAGING],
    "rejected": STAGE_NAMES[Stage.CHECKING],
}
_CELL = 'style="text-align: left; padding: 0.2em 1.5em 0.2em 0"'

_BLANK_ROWS = 3  # to begin with, where nothing is printed

Row = dict[str, str]


def _in_words(day: date) -> str:
    """A day in words: 9/3 or 3/9 would be two different days."""
    return f"{_WEEKDAYS[day.weekday()]} {long_date(day)}"


# --- one sheet -----------------------------------------------------------------------------------


class _Sheet:
    """One sheet as a grid of cells; rows of further blocks come when they are asked for."""

    def __init__(self, name: str, grid: Grid, week: date, told: Sequence[Row] | None) -> None:
        self.name, self.grid, self.week = name, grid, week
        self.columns = [column for column in SHEETS[name] if column != "week"]
        self.cells: list[dict[str, Any]] = []
        self.rows = widgets.VBox([self._head()])
        later = list(grid.blocks)
        if told is None:
            first = later.pop(0)[1]
            for row in [row for row in first if row] or first[:_BLANK_ROWS]:
                self.add(row)
        else:
            later = [block for block in later if any(block[1])]
            for row in told:
                self.add({}, row)
        self.adders = [self._adder(remark, rows) for remark, rows in later if any(rows)]
        self.one_more = widgets.Button(description="One more row", icon="plus")
        self.one_more.on_click(lambda _: self.add({}))
        remark = widgets.HTML(f"<p>{escape(grid.remark[:1].upper() + grid.remark[1:])}</p>")
        buttons = widgets.HBox([self.one_more, *self.adders])
        buttons.layout.flex_flow = "row wrap"
        self.box = widgets.VBox([remark, self.rows, buttons])

    def _head(self) -> Any:
        names = [_TITLES.get(column, column) for column in self.columns]
        heads = [widgets.HTML(f"<b>{escape(name)}</b>") for name in names]
        for column, head in zip(self.columns, heads, strict=True):
            head.layout.width = _WIDE.get(column, "7em")
        return widgets.HBox([_number_of(""), *heads])

    def _adder(self, remark: str, rows: Sequence[Mapping[str, str]]) -> Any:
        """A button that shows the rows of another block."""
        button = widgets.Button(description=remark, icon="plus", layout={"width": "auto"})

        def show(_: Any) -> None:
            button.layout.display = "none"
            for row in rows:
                if row:
                    self.add(row)

        button.on_click(show)
        return button

    def add(self, printed: Mapping[str, str], filled: Mapping[str, str] | None = None) -> None:
        """Add a row: with what is printed there, or as it was told before."""
        cells = {
            column: self._cell(column, printed.get(column), (filled or {}).get(column, ""))
            for column in self.columns
        }
        for column, stage in _ONLY_AT.items():
            if column in cells and printed.get("stage", stage) != stage:
                cells[column].disabled = True
        self.cells.append(cells)
        row = widgets.HBox([_number_of(str(len(self.cells))), *cells.values()])
        self.rows.children = (*self.rows.children, row)

    def _cell(self, column: str, printed: str | None, filled: str) -> Any:
        layout = {"width": _WIDE.get(column, "7em")}
        tooltip = f"{_TITLES.get(column, column)}: {self.grid.prompts[column]}"
        choices = list(self.grid.choices.get(column, ()))
        if column in ("put_in", "taken_out"):
            choices = [(self.week + timedelta(days=n)).isoformat() for n in range(7)]
        if not choices:
            value = filled if printed is None else printed
            return widgets.Text(value=value, layout=layout, tooltip=tooltip)
        value = filled if printed is None else printed
        offered = ["", *choices] if printed is None else [printed]
        if value not in offered:
            offered.append(value)  # somebody who has left, or a batch put in earlier
        words = [(_shown(column, each), each) for each in offered]
        return widgets.Dropdown(options=words, value=value, layout=layout, tooltip=tooltip)

    def table(self) -> list[Row]:
        """What stands in the cells, row by row."""
        return [
            {column: str(cell.value).strip() for column, cell in row.items()} for row in self.cells
        ]


def _number_of(text: str) -> Any:
    return widgets.HTML(f"<small>{text}</small>", layout={"width": "2em"})


def _shown(column: str, value: str) -> str:
    """A choice as people read it."""
    if value and column in _DATES:
        day = date.fromisoformat(value)
        return f"{_WEEKDAYS[day.weekday()][:3]} {long_date(day)}"
    return value


# --- the form ------------------------------------------------------------------------------------


class ReturnForm:
    """A form for one week's return. ``box`` is what a notebook shows.

    Args:
        folder: the project folder that is opened at first.
        forecast: whether to issue a forecast with the return.
        clock: the moment, with its zone; None: by the clock of the computer.
        replications: futures of the forecast; None: as many as ever.
    """

    def __init__(
        self,
        folder: str | Path,
        *,
        forecast: bool = True,
        clock: Callable[[], datetime] | None = None,
        replications: int | None = None,
    ) -> None:
        self.forecast, self.replications = forecast, replications
        self.clock = clock or (lambda: datetime.now(UTC))
        self.project: Project | None = None
        self.history: History = NOTHING_YET
        self.versions: tuple[Version, ...] = ()
        self.sheets: dict[str, _Sheet] = {}
        self._grids: dict[str, Grid] = {}
        self._filling = False
        style = {"description_width": "7em"}
        self.folder = widgets.Text(
            value=str(folder), description="Folder", style=style, layout={"width": "36em"}
        )
        self.open = widgets.Button(description="Open", icon="folder-open")
        self.week = widgets.Dropdown(
            description="Week", options=[], style=style, layout={"width": "36em"}
        )
        self.correction = widgets.Checkbox(
            description="Correct a week that is on record (the earlier figures are kept)",
            indent=False,
            layout={"width": "36em"},
        )
        self.save = widgets.Button(
            description="Save the return", button_style="primary", icon="check"
        )
        self.said = widgets.HTML()
        self.tabs = widgets.Tab()
        self.on_record = widgets.HTML()
        self.open.on_click(lambda _: self._open())
        self.save.on_click(lambda _: self._save())
        self.correction.observe(lambda _: self._offer_weeks(), "value")
        self.week.observe(lambda _: self._offer_sheets(), "value")
        self.tabs.observe(lambda _: self._build(), "selected_index")
        self.box = widgets.VBox(
            [
                widgets.HBox([self.folder, self.open]),
                self.week,
                self.correction,
                self.tabs,
                self.save,
                self.said,
                self.on_record,
            ]
        )
        self._open()

    # --- what there is

    def _open(self) -> None:
        """Read the project and its record, and offer its weeks."""
        self.said.value = ""
        try:
            self._read()
        except ForecastError as error:
            self.project, self.history, self.versions = None, NOTHING_YET, ()
            self.said.value = _told("This folder cannot be used yet:", _sentences(error))
        self._offer_weeks()

    def _read(self) -> None:
        folder = Path(self.folder.value.strip())
        project = read_project(folder)
        with open_record(folder, project, create=False) as record:
            self.history, self.versions = record.history(), record.versions()
        self.project = project

    def _offer_weeks(self) -> None:
        weeks = self._weeks()
        self.on_record.value = _list_of(self.versions) if self.project else ""
        self._filling = True
        self.week.options = [(f"Week of {_in_words(week)}", week) for week in weeks]
        self.week.value = self._likely(weeks)
        self._filling = False
        self._offer_sheets()

    def _weeks(self) -> list[date]:
        """Mondays that may be told of: those without a return, or those to be corrected."""
        if self.project is None:
            return []
        told = {each.week for each in self.history.returns}
        if self.correction.value:
            return sorted(told)
        grant = self.project.grant
        first = grant.start - timedelta(days=grant.start.weekday())
        last = min(self.clock().date(), grant.horizon)
        weeks = [first + timedelta(weeks=n) for n in range((last - first).days // 7 + 1)]
        return [week for week in weeks if week not in told]

    def _likely(self, weeks: Sequence[date]) -> date | None:
        """The week after the last on record, or the last of those that are offered."""
        last = self.history.last_day
        later = [week for week in weeks if last is None or week > last]
        return next(iter(later), weeks[-1] if weeks else None)

    def _offer_sheets(self) -> None:
        """Empty sheets for the chosen week, or what is on record of it."""
        if self._filling:
            return
        self.sheets = {}
        week: date | None = self.week.value
        self.save.disabled = week is None
        self._grids = {}
        if self.project is not None and week is not None:
            self._grids = grids(self.project, week, self.history)
        self.tabs.children = [widgets.VBox() for _ in self._grids]
        self.tabs.titles = tuple(self._grids)
        self.tabs.selected_index = 0 if self._grids else None
        self._build()

    def _build(self) -> None:
        """Make the cells of the sheet that is looked at; all at once would take a while."""
        at = self.tabs.selected_index
        if at is None or at >= len(self._grids):
            return
        self.sheet([*self._grids][at])

    def sheet(self, name: str) -> _Sheet:
        """The cells of a sheet; they are made when they are first asked for."""
        if name not in self.sheets:
            week: date = self.week.value
            told = self._told_before(week).get(name) if self.correction.value else None
            self.sheets[name] = _Sheet(name, self._grids[name], week, told)
            at = [*self._grids].index(name)
            self.tabs.children[at].children = (self.sheets[name].box,)
        return self.sheets[name]

    def _told_before(self, week: date) -> dict[str, list[Row]]:
        """The rows that are on record of a week, as files have them."""
        ret = next((each for each in self.history.returns if each.week == week), None)
        return {} if ret is None else _rows_of(ret)

    # --- saving

    def _save(self) -> None:
        """Record what is filled in, and say what came of it."""
        self.save.disabled = True
        try:
            recorded = self._record()
        except ForecastError as error:
            self.said.value = _told("Nothing was recorded:", _sentences(error))
        else:
            words = _what_came(recorded)
            self.correction.value = False
            self._open()
            self.said.value = words
        finally:
            self.save.disabled = self.week.value is None

    def _record(self) -> Recorded:
        week: date = self.week.value
        if self.correction.value:
            for name in self._told_before(week):
                self.sheet(name)  # one that nobody has looked at stays as it is
        more: dict[str, int] = {}
        if self.replications is not None:
            more = {"replications": self.replications, "why_replications": self.replications}
        with tempfile.TemporaryDirectory(prefix="forecast-") as place:
            source = Path(place) / f"the form of {week.isoformat()}"
            source.mkdir()
            for name, sheet in self.sheets.items():
                _write(source / f"{name}.csv", name, sheet.table())
            return record_return(
                Path(self.folder.value.strip()),
                source,
                week,
                correction=self.correction.value,
                forecast=self.forecast,
                now=self.clock(),
                say=self._say,
                **more,
            )

    def _say(self, words: str) -> None:
        self.said.value = f"<p>{escape(words)}</p>"


# --- files ---------------------------------------------------------------------------------------


def _write(path: Path, sheet: str, rows: Sequence[Row]) -> None:
    """Write a sheet; row n of the form is row n + 1 of the file, below the names of the columns."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(SHEETS[sheet])
        writer.writerows([guard(row.get(column, "")) for column in SHEETS[sheet]] for row in rows)


def _rows_of(ret: WeeklyReturn) -> dict[str, list[Row]]:
    """A return's rows, with a row that says none where a sheet was told and has none."""
    with tempfile.TemporaryDirectory(prefix="forecast-") as place:
        found = {}
        for path in write_return(ret, Path(place) / "return"):
            with path.open(encoding="utf-8", newline="") as file:
                rows = [
                    {column: unguard(text) for column, text in row.items()}
                    for row in csv.DictReader(file)
                ]
            if path.stem in ret.told:
                found[path.stem] = rows
    return found


# --- words ---------------------------------------------------------------------------------------


def _sentences(error: ForecastError) -> list[str]:
    if not isinstance(error, InputError):
        return [str(error)]
    return [str(_as_in_the_form(problem)) for problem in error.problems]


def _as_in_the_form(problem: Problem) -> Problem:
    """A problem of a file of the form, by its sheet and with the form's own numbers of rows."""
    sheet = problem.file.removesuffix(".csv")
    if sheet == problem.file or sheet not in SHEETS:
        return problem
    words = {
        field.name: _earlier_row(getattr(problem, field.name))
        for field in fields(problem)
        if field.name not in ("file", "read")
    }
    return replace(problem, file=sheet, **words)


def _earlier_row(text: str) -> str:
    return re.sub(r"\b([Rr]ow )(\d+)", lambda found: f"{found[1]}{int(found[2]) - 1}", text)


def _told(head: str, sentences: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f'<div role="status"><p><b>{escape(head)}</b></p><ul>{items}</ul></div>'


def _what_came(recorded: Recorded) -> str:
    """Crossings first, then doubts, then what was recorded and what is forecast."""
    week = _in_words(recorded.week)
    parts = []
    if recorded.crossings:
        parts.append(
            _told("A planning limit was crossed:", [each.sentence for each in recorded.crossings])
        )
    if recorded.warnings:
        doubts = [str(_as_in_the_form(each)) for each in recorded.warnings]
        parts.append(_told("Recorded, but look at this:", doubts))
    if not recorded.changed:
        said = f"The same return of the week of {week} is on record; nothing was changed."
        return "".join([*parts, _told(said, [])])
    kept = " The earlier figures are kept." if recorded.corrected else ""
    forecast = issued_sentences(recorded.issued) if recorded.issued is not None else []
    parts.append(_told(f"The return of the week of {week} is recorded.{kept}", forecast))
    return "".join(parts)


def _list_of(versions: Sequence[Version]) -> str:
    """What is on record, the latest week first."""
    if not versions:
        return "<p>No week is on record yet.</p>"
    latest = {version.week: version for version in versions}
    times = {week: sum(v.week == week for v in versions) for week in latest}
    heads = ("Week of", "Sheets told", "Recorded on", "Corrections")
    rows = [
        (
            long_date(week),
            joined([name for name in SHEETS if name in latest[week].ret.told]),
            long_date(latest[week].recorded_at.date()),
            number(times[week] - 1),
        )
        for week in sorted(latest, reverse=True)
    ]
    head = "".join(f"<th {_CELL}>{escape(words)}</th>" for words in heads)
    body = "".join(
        f"<tr>{''.join(f'<td {_CELL}>{escape(words)}</td>' for words in row)}</tr>" for row in rows
    )
    return (
        f"<p><b>On record</b></p><table><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )
