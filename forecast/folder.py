"""A project folder, read: all its files to one Project, or all their problems in one error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

from forecast.cells import Findings, nearest
from forecast.crosschecks import contradictions, doubts
from forecast.errors import InputError, Problem
from forecast.project import Project
from forecast.rows import COLUMNS, read_tables
from forecast.sections import parse_toml
from forecast.settings import PROJECT_FILE, read_settings
from forecast.sheets import Row, read_bytes, read_rows
from forecast.stages import Stage

__all__ = ["SCENARIOS_FILE", "project_files", "project_from_files", "read_project"]

SCENARIOS_FILE = "scenarios.toml"
_FILES = (PROJECT_FILE, *COLUMNS, SCENARIOS_FILE)
_REQUIRED = (PROJECT_FILE, "collection.csv", "survey.csv", "task_times.csv", "team.csv")


def read_project(folder: Path) -> Project:
    """Read a project folder.

    Args:
        folder: holds ``project.toml`` and the CSV files. Text files, notebooks, reports, the
            record and hidden files may lie beside them; a CSV or TOML file of another name is a
            mistake.

    Returns:
        The project, with ``warnings``, ``defaults_used`` and ``input_sha256`` filled.

    Raises:
        InputError: something cannot be understood or contradicts something else; it holds every
            problem of every file, in the order of the files.
    """
    findings = Findings()
    return _project(_contents(Path(folder), findings), findings)


def project_from_files(contents: Mapping[str, bytes]) -> Project:
    """A project from its files' bytes by name, as :func:`project_files` gives them.

    Raises:
        InputError: as :func:`read_project`.
    """
    findings = Findings()
    for name in _REQUIRED:
        if name not in contents:
            findings.add(name, "", "", "this file in the folder", "Save it there.")
    return _project(contents, findings)


def project_files(folder: Path) -> dict[str, bytes]:
    """The bytes of the project's files by name; nothing else in the folder is read.

    Raises:
        InputError: the folder cannot be read.
    """
    findings = Findings()
    contents = _contents(Path(folder), findings)
    if findings.problems:
        raise InputError(findings.problems)
    return contents


def _project(contents: Mapping[str, bytes], findings: Findings) -> Project:
    """The project that some files say, or all their problems."""
    settings = None
    if PROJECT_FILE in contents:
        settings = read_settings(contents[PROJECT_FILE], findings)
    if SCENARIOS_FILE in contents:
        # A forecast uses none of it, and a record's old files must stay readable: what it says is
        # read where scenarios are.
        parse_toml(SCENARIOS_FILE, contents[SCENARIOS_FILE], findings)
    tables = read_tables(_sheets(contents, findings), findings)
    off = settings.stages_off if settings else frozenset[Stage]()
    contradictions(tables, settings.grant if settings else None, off, findings)
    if findings.problems or settings is None:
        raise InputError(sorted(findings.problems, key=_file_order))
    project = Project(**vars(settings), **vars(tables), input_sha256=_checksum(contents))
    if not project.grant.items_promised:
        promised = replace(project.grant, items_promised=project.total_items)
        project = replace(project, grant=promised)
    return replace(
        project,
        warnings=doubts(project),
        defaults_used=_relevant(findings.defaults, project),
    )


def _file_order(problem: Problem) -> int:
    return _FILES.index(problem.file) if problem.file in _FILES else len(_FILES)


def _contents(folder: Path, findings: Findings) -> dict[str, bytes]:
    """The bytes of the project's files by name; what is missing or unknown is noted.

    Raises:
        InputError: there is no folder to read.
    """
    names = _file_names(folder)
    for name in names:
        if name.lower().endswith((".csv", ".toml")) and name not in _FILES:
            absent = [file for file in _FILES if file not in names]
            findings.add(
                name,
                "",
                "",
                "one of the files of a project",
                f"{nearest(name, absent)} Rename the file, or move it out of the folder.",
            )
    contents = {}
    for name in _FILES:
        if name in names or name in _REQUIRED:
            data = read_bytes(folder / name, findings)
            if data is not None:
                contents[name] = data
    return contents


def _file_names(folder: Path) -> list[str]:
    """Names in the folder, without hidden files and the lock files of open spreadsheets."""
    fault = ("", "a project folder", "Check the path; `forecast new FOLDER` makes a new one.")
    if folder.is_file():
        fault = ("a file", "a folder of plain files", "Give the folder that the file lies in.")
        if folder.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".ods"):
            remedy = "Write the sheets as CSV files into a folder and give that folder."
            fault = ("a workbook", "a folder of plain files", remedy)
    elif folder.is_dir():
        try:
            found = sorted(path.name for path in folder.iterdir())
            return [name for name in found if not name.startswith((".", "~$"))]
        except OSError:
            fault = ("", "a folder that can be opened", "Ask for the right to read it.")
    raise InputError([Problem(folder.name or str(folder), "", *fault)])


def _sheets(contents: Mapping[str, bytes], findings: Findings) -> dict[str, list[Row]]:
    """The rows of each CSV file that is there."""
    sheets = {}
    for name, (required, optional) in COLUMNS.items():
        if name not in contents:
            continue
        sheets[name] = read_rows(name, contents[name], required, optional, findings)
        if not sheets[name] and name in _REQUIRED and not findings.faulty(name):
            findings.add(
                name, "", "no rows", "at least one row below the names of the columns", "Add one."
            )
    return sheets


def _checksum(contents: Mapping[str, bytes]) -> str:
    """SHA-256 over the names and bytes of the files, in the order of their names."""
    total = sha256()
    for name in sorted(contents):
        # Lengths keep the end of one file from passing for the beginning of the next.
        total.update(f"{name}\0{len(contents[name])}\0".encode())
        total.update(contents[name])
    return total.hexdigest()


def _relevant(defaults: list[str], project: Project) -> tuple[str, ...]:
    """The defaults that a forecast of this project relies on."""
    used = {row.stage for row in project.task_times if not row.average.is_zero}
    idle = [
        f"{stage.name.lower()}."
        for stage in (Stage.DRYING, Stage.CHECKING)
        if stage in project.stages_off or stage not in used
    ]
    if project.places.tool_sets is None:
        idle.append("places.tool_drying_hours")
    return tuple(place for place in defaults if not place.startswith(tuple(idle)))
