"""Commands of the week: the return sheet, recording, what was issued and how right it was."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.errors import ForecastError, InputError, Problem
from forecast.options import OptionReader, add_output, outs, print_cautions, print_outs
from forecast.project import Project
from forecast.words import joined, plural

if TYPE_CHECKING:
    from forecast.issued import Issued
    from forecast.record import Record
    from forecast.recording import Recorded

# What is imported within a command would cost everybody a second or more who runs another.

__all__ = ["add_record_commands"]

_REPORTS = {"week": "week_report", "plans": "staffing_plans"}  # kinds and their notebooks
_FROM_THE_RECORD = ("week",)
_ONLY_OF: dict[str, dict[str, bool]] = {
    "plans": {"form": False}
}  # parameters of one notebook alone


def add_record_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add them to the menu."""
    sheet = commands.add_parser("sheet", help="write the workbook for one week's return")
    sheet.add_argument("folder", type=Path, metavar="FOLDER")
    sheet.add_argument("out", type=Path, metavar="OUT.xlsx", help="the new workbook")
    sheet.add_argument("--week", metavar="DATE", required=True, help="the week's Monday")
    sheet.set_defaults(run=_sheet)

    record = commands.add_parser(
        "record",
        help="record a week's return and issue a forecast",
        description="Record a week's return, or several from a folder, and issue a forecast with "
        "the last. The same return twice changes nothing. An export goes into an empty record.",
    )
    record.add_argument("folder", type=Path, metavar="FOLDER")
    record.add_argument("source", type=Path, metavar="FILE-or-DIR", help="a workbook, or CSV files")
    record.add_argument("--week", metavar="DATE", help="the week's Monday, if the rows do not tell")
    record.add_argument(
        "--correction",
        action="store_true",
        help="take the place of what is on record of that week, which is kept",
    )
    record.add_argument(
        "--no-forecast", action="store_true", help="keep the return and issue no forecast"
    )
    record.set_defaults(run=_record)

    export = commands.add_parser("export", help="write everything on record as plain files")
    export.add_argument("folder", type=Path, metavar="FOLDER")
    export.add_argument("out", type=Path, metavar="DIR", help="a new folder")
    export.set_defaults(run=_export)

    anonymise = commands.add_parser(
        "anonymise", help="replace persons on record by numbers, after an export"
    )
    anonymise.add_argument("folder", type=Path, metavar="FOLDER")
    anonymise.add_argument(
        "--before", metavar="DATE", required=True, help="weeks that were over before this date"
    )
    anonymise.add_argument(
        "--export",
        type=Path,
        metavar="DIR",
        required=True,
        help="a new folder for the export, which still has the names: keep it safe, or delete it",
    )
    anonymise.set_defaults(run=_anonymise)

    report = commands.add_parser("report", help="write a report")
    report.add_argument("folder", type=Path, metavar="FOLDER")
    report.add_argument("kind", metavar="KIND", help=f"which: {' or '.join(_REPORTS)}")
    report.add_argument(
        "--as-of", metavar="DATE", help="know nothing later (default: the last recorded Sunday)"
    )
    report.add_argument(
        "--audience", metavar="WHO", default="team", help="team (default) or funder"
    )
    report.add_argument("--replications", metavar="N", default=str(DEFAULT_REPLICATIONS))
    report.add_argument("--seed", metavar="N", default=str(DEFAULT_SEED))
    add_output(report, "NOTEBOOK")
    report.set_defaults(run=_report)

    hindcast = commands.add_parser(
        "hindcast",
        help="make the forecasts that would have been made at past weeks, and see how right "
        "they would have been",
    )
    hindcast.add_argument("folder", type=Path, metavar="FOLDER")
    hindcast.add_argument(
        "--replications", metavar="N", default="200", help="futures of each (default 200)"
    )
    add_output(hindcast, "hindcast")
    hindcast.set_defaults(run=_hindcast)

    track = commands.add_parser(
        "track-record", help="how right the forecasts were that have been issued"
    )
    track.add_argument("folder", type=Path, metavar="FOLDER")
    add_output(track, "track_record")
    track.set_defaults(run=_track_record)


def _say(words: str) -> None:
    print(words, file=sys.stderr)


def _warn(problems: tuple[Problem, ...]) -> None:
    for problem in problems:
        _say(f"Warning: {problem}")


# --- sheet and record ----------------------------------------------------------------------------


def _sheet(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    week = read.day("week")
    project = read.project()
    assert week is not None
    from forecast.recording import read_history  # noqa: PLC0415  # see above
    from forecast.return_sheet import write_sheet  # noqa: PLC0415  # see above

    path = write_sheet(project, week, options.out, read_history(options.folder, project))
    print(f"The sheet for the week of {week.isoformat()}: {path.resolve()}")
    print("The smallest valid return is one total for each stage. Blank means not told.")
    print_cautions()


def _record(options: argparse.Namespace) -> None:
    from forecast import export  # noqa: PLC0415  # see above

    read = OptionReader(options)
    week = read.day("week")
    is_export = export.is_export(options.source)
    sources = () if is_export else _sources(read, options.source)
    if options.week is not None and len(sources) > 1:
        several = "Record the one folder or workbook of that week."
        read.wrong("week", options.week, f"no week: there are {len(sources)} returns", several)
    if is_export:
        _refuse_with_an_export(read, options)
    project = read.project()
    if is_export:
        _record_export(options.folder, project, options.source)
    else:
        _record_all(options, sources, week)
    print_cautions()


def _sources(read: OptionReader, source: Path) -> tuple[Path, ...]:
    """The returns in a file or folder; the reader keeps what is wrong with it."""
    from forecast.recording import returns_in  # noqa: PLC0415  # see above

    if not source.exists():
        expected = "a workbook, or a folder of CSV files"
        read.wrong("FILE-or-DIR", str(source), expected, "Check the path.")
        return ()
    try:
        return returns_in(source)
    except InputError as error:
        read.problems += error.problems
        return ()


def _refuse_with_an_export(read: OptionReader, options: argparse.Namespace) -> None:
    """An export goes into an empty record as it is."""
    told = {
        "week": options.week,
        "correction": options.correction and "given",
        "no-forecast": options.no_forecast and "given",
    }
    for name, value in told.items():
        if value:
            remedy = "Leave it out: an export goes into an empty record as it is."
            read.wrong(name, value, "a return, and no export", remedy)


def _record_all(options: argparse.Namespace, sources: Sequence[Path], week: date | None) -> None:
    """Record one return after the other; what was recorded before a refused one stays."""
    from forecast.recording import record_return  # noqa: PLC0415  # see above

    done: list[str] = []
    for source in sources:
        try:
            recorded = record_return(
                options.folder,
                source,
                week,
                correction=options.correction,
                forecast=source == sources[-1] and not options.no_forecast,
                say=_say,
            )
        except ForecastError:
            if done:
                _say(f"Recorded before this, and kept: {joined(done)}.")
            raise
        if recorded.changed:
            done.append(source.name)
        _show(recorded, source)


def _record_export(folder: Path, project: Project, source: Path) -> None:
    from forecast.export import import_export  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above

    with open_record(folder, project, create=True) as record:
        _warn(record.warnings)
        returns = import_export(source, record)
    put = plural(returns, "return")
    print(f"Put an export into the record: {put}, with all forecasts that were issued.")


def _show(recorded: Recorded, source: Path) -> None:
    """What came of a return: crossings first, then doubts, then the forecast."""
    for crossing in recorded.crossings:
        print(f"A planning limit was crossed: {crossing.sentence}", flush=True)
    _warn(recorded.warnings)
    week = recorded.week.isoformat()
    if not recorded.changed:
        print(f"{source.name}: the same return of {week} is on record; nothing was changed.")
        return
    kept = " in the place of the earlier one, which is kept" if recorded.corrected else ""
    print(f"{source.name}: the return of {week} is recorded{kept}.", flush=True)
    if recorded.issued is not None:
        from forecast.week_report import issued_sentences  # noqa: PLC0415  # see above

        print()
        for sentence in issued_sentences(recorded.issued):
            print(sentence)


# --- export and anonymise ------------------------------------------------------------------------


def _export(options: argparse.Namespace) -> None:
    project = OptionReader(options).project()
    from forecast.export import export  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=False) as record:
        _refuse_if_empty(record)
        _warn(record.warnings)
        files = export(record, options.out)
    print(f"Wrote {plural(files, 'file')} into {options.out.resolve()}.")
    print("They name people: keep them where the record may be kept.")


def _refuse_if_empty(record: Record, as_of: date | None = None) -> None:
    """What looks at a record needs one.

    Raises:
        InputError: there is no return on record, or none up to the as-of date.
    """
    if record.history(as_of).returns:
        return
    up_to = f" up to {as_of.isoformat()}" if as_of and record.history().returns else ""
    remedy = "`forecast sheet` writes the sheet for a week, `forecast record` records it."
    raise InputError(
        [Problem(record.name, "", f"no return{up_to}", "at least one week on record", remedy)]
    )


def _anonymise(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    before = read.day("before")
    project = read.project()
    assert before is not None
    from forecast.anonymise import anonymise  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=False) as record:
        _refuse_if_empty(record)
    with open_record(options.folder, project, create=True) as record:
        _warn(record.warnings)
        persons = anonymise(record, before, options.export, done_at=datetime.now(UTC))
    over = f"weeks that were over before {before.isoformat()}"
    if not persons:
        print(f"Nobody is named in {over}: nothing was changed, and nothing exported.")
        return
    became = "person became a number" if persons == 1 else "persons became numbers"
    print(f"{persons} {became} in {over}.")
    print(f"The export with the names: {options.export.resolve()}. Keep it safe, or delete it.")


# --- reports -------------------------------------------------------------------------------------


def _report(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    kind = read.choice("KIND", tuple(_REPORTS))
    as_of, audience = read.day("as-of"), read.choice("audience", ("team", "funder"))
    replications, seed = read.whole("replications", 1), read.whole("seed", 0)
    formats = read.formats()
    project = read.project()
    from forecast.formats import make_reports  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above
    from forecast.report import notebook_path  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=False) as record:
        if kind in _FROM_THE_RECORD:
            _refuse_if_empty(record, as_of)
        day = as_of or record.history().last_day or project.default_as_of()
    _say("Writing the report ...")
    written = make_reports(
        notebook_path(_REPORTS[kind]),
        {
            "folder": str(options.folder.resolve()),
            "as_of": day.isoformat(),
            "replications": replications,
            "seed": seed,
            "audience": audience,
        }
        | _ONLY_OF.get(kind, {}),
        outs(options, formats, _REPORTS[kind], day),
    )
    print_outs("The report", written)
    if audience == "team":
        print("It names people: it is for the team, and not for anybody outside.")
    print_cautions()


# --- how right -----------------------------------------------------------------------------------


def _hindcast(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    replications, formats = read.whole("replications", 1), read.formats()
    project = read.project()
    from forecast.record import open_record  # noqa: PLC0415  # see above
    from forecast.recording import hindcasts  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=False) as record:
        _refuse_if_empty(record)
    made = hindcasts(options.folder, project, replications, say=_say)
    print("Hindcasts are not kept, and never counted among the issued forecasts.")
    _judge(options, project, made, "hindcast", formats)


def _track_record(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    formats = read.formats()
    _judge(options, read.project(), (), "track_record", formats)


def _judge(
    options: argparse.Namespace,
    project: Project,
    made: Sequence[Issued],
    name: str,
    formats: Sequence[str],
) -> None:
    """Score what was issued, and hindcasts beside it, and write the report."""
    from forecast import track_record  # noqa: PLC0415  # see above
    from forecast.formats import write_report  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above
    from forecast.recording import issued_forecasts  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=False) as record:
        _refuse_if_empty(record)
        history, issued = record.history(), issued_forecasts(record)
    judged = track_record.score([*issued, *made], history, project)
    if any(len(horizon.forecast) for horizon in judged.hindcast):
        print(f"Hindcasts: {track_record.sentence(replace(judged, issued=judged.hindcast))}")
        print(f"Issued: {track_record.sentence(judged)}")
    else:
        print(track_record.sentence(judged))
    last = history.last_day or project.default_as_of()
    written = write_report(track_record.report(judged), outs(options, formats, name, last))
    print_outs("The track record", written)
