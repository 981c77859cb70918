"""Commands of the week: the return sheet, recording, what was issued and how right it was."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.errors import Problem
from forecast.options import OptionReader, print_cautions
from forecast.project import Project

if TYPE_CHECKING:
    from forecast.issued import Issued
    from forecast.recording import Recorded

# What is imported within a command would cost everybody a second or more who runs another.

__all__ = ["add_record_commands"]

_REPORTS = ("week",)


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

    report = commands.add_parser("report", help="write a report from the record")
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
    _page_option(report, "KIND_report")
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
    _page_option(hindcast, "hindcast")
    hindcast.set_defaults(run=_hindcast)

    track = commands.add_parser(
        "track-record", help="how right the forecasts were that have been issued"
    )
    track.add_argument("folder", type=Path, metavar="FOLDER")
    _page_option(track, "track_record")
    track.set_defaults(run=_track_record)


def _page_option(parser: argparse.ArgumentParser, name: str) -> None:
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help=f"the HTML page (default: reports/{name}_DATE.html in FOLDER)",
    )


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
    read = OptionReader(options)
    week = read.day("week")
    if not options.source.exists():
        read.wrong(
            "FILE-or-DIR",
            str(options.source),
            "a workbook, or a folder of CSV files",
            "Check the path.",
        )
    project = read.project()
    from forecast import export  # noqa: PLC0415  # see above
    from forecast.recording import record_return, returns_in  # noqa: PLC0415  # see above

    if export.is_export(options.source):
        _record_export(options.folder, project, options.source)
        return
    sources = returns_in(options.source)
    for number, source in enumerate(sources, start=1):
        last = number == len(sources)
        recorded = record_return(
            options.folder,
            source,
            week,
            correction=options.correction,
            forecast=last and not options.no_forecast,
            say=_say,
        )
        _show(recorded, source)
    print_cautions()


def _record_export(folder: Path, project: Project, source: Path) -> None:
    from forecast.export import import_export  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above

    with open_record(folder, project, create=True) as record:
        _warn(record.warnings)
        returns = import_export(source, record)
    print(f"Put an export into the record: {returns} returns, with all that was issued.")


def _show(recorded: Recorded, source: Path) -> None:
    """What came of a return: crossings first, then doubts, then the forecast."""
    for crossing in recorded.crossings:
        print(f"A planning limit was crossed: {crossing.sentence}")
    _warn(recorded.warnings)
    week = recorded.week.isoformat()
    if not recorded.changed:
        print(f"{source.name}: the same return of {week} is on record; nothing was changed.")
        return
    kept = " (the earlier figures are kept)" if recorded.corrected else ""
    print(f"{source.name}: the return of {week} is recorded{kept}.")
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
        _warn(record.warnings)
        files = export(record, options.out)
    print(f"Wrote {files} files into {options.out.resolve()}.")
    print("They name people: keep them where the record may be kept.")


def _anonymise(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    before = read.day("before")
    project = read.project()
    assert before is not None
    from forecast.anonymise import anonymise  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=True) as record:
        _warn(record.warnings)
        persons = anonymise(record, before, options.export, done_at=datetime.now(UTC))
    if not persons:
        print(f"Nobody is named in a week that was over before {before.isoformat()}.")
        return
    print(f"{persons} persons became numbers in weeks that were over before {before.isoformat()}.")
    print(f"The export with the names: {options.export.resolve()}. Keep it safe, or delete it.")


# --- reports -------------------------------------------------------------------------------------


def _report(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    kind = read.choice("kind", _REPORTS)
    as_of, audience = read.day("as-of"), read.choice("audience", ("team", "funder"))
    replications, seed = read.whole("replications", 1), read.whole("seed", 0)
    read.file("out")
    project = read.project()
    from forecast.recording import read_history  # noqa: PLC0415  # see above
    from forecast.report import make_report, notebook_path  # noqa: PLC0415  # see above

    last = read_history(options.folder, project, as_of).last_day
    day = as_of or last or project.default_as_of()
    _say("Writing the page ...")
    out = make_report(
        notebook_path(f"{kind}_report"),
        {
            "folder": str(options.folder.resolve()),
            "as_of": day.isoformat(),
            "replications": replications,
            "seed": seed,
            "audience": audience,
        },
        options.out or _in_reports(options.folder, f"{kind}_report", day),
    )
    print(f"The report as a page: {out.resolve()}")
    if audience == "team":
        print("It names people: it is for the team, and not for anybody outside.")
    print_cautions()


def _in_reports(folder: Path, name: str, day: date) -> Path:
    """Where a page goes if nobody says otherwise."""
    reports = folder / "reports"
    reports.mkdir(exist_ok=True)
    return reports / f"{name}_{day.isoformat()}.html"


# --- how right -----------------------------------------------------------------------------------


def _hindcast(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    replications = read.whole("replications", 1)
    read.file("out")
    project = read.project()
    from forecast.recording import hindcasts  # noqa: PLC0415  # see above

    made = hindcasts(options.folder, project, replications, say=_say)
    print(f"{len(made)} hindcasts were made; they are not kept, and never count as issued.")
    _judge(options, project, made, "hindcast")


def _track_record(options: argparse.Namespace) -> None:
    read = OptionReader(options)
    read.file("out")
    _judge(options, read.project(), (), "track_record")


def _judge(
    options: argparse.Namespace, project: Project, made: Sequence[Issued], name: str
) -> None:
    """Score what was issued, and hindcasts beside it, and write the page."""
    from forecast import track_record  # noqa: PLC0415  # see above
    from forecast.record import open_record  # noqa: PLC0415  # see above
    from forecast.recording import issued_forecasts  # noqa: PLC0415  # see above
    from forecast.report import write_page  # noqa: PLC0415  # see above

    with open_record(options.folder, project, create=False) as record:
        history, issued = record.history(), issued_forecasts(record)
    judged = track_record.score([*issued, *made], history, project)
    print(track_record.sentence(judged))
    last = history.last_day or project.default_as_of()
    out = options.out or _in_reports(options.folder, name, last)
    write_page(track_record.report(judged), out)
    print(f"The page: {out.resolve()}")
