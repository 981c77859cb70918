"""Returns to record, and what is done to a record while it is written: for a file and a server."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

from forecast.errors import Problem
from forecast.folder import read_project
from forecast.items import Mould
from forecast.project import Project
from forecast.record import Added, Contents, Entry, Filed, Record, open_record
from forecast.return_checks import Crossing
from forecast.stages import Stage
from forecast.weekly import (
    Count,
    DryingBatch,
    ExposureDay,
    Hours,
    Note,
    Received,
    WeeklyReturn,
)

ROOT = Path(__file__).parent.parent
TINY = ROOT / "scenario_data" / "tiny"
VARIABLE = "RECORD_OF_A_TEST"
MONDAY = date(2026, 1, 5)
NOW = datetime(2026, 1, 12, 9, 30, 0, 123456, tzinfo=UTC)


@lru_cache
def project(variable: str = "") -> Project:
    """The small project, whose record is a file, or the database of a variable."""
    return replace(read_project(TINY), record_url_from=variable)


@lru_cache
def tiny_files() -> dict[str, bytes]:
    """The small project's files by name."""
    return {p.name: p.read_bytes() for p in TINY.iterdir() if p.suffix in (".csv", ".toml")}


def a_return(week: int, cleaned: int = 30) -> WeeklyReturn:
    """The return of the week so many weeks after the first; something in every sheet but days."""
    monday = MONDAY + timedelta(weeks=week)
    return WeeklyReturn(
        monday,
        frozenset(("counts", "hours", "exposure", "drying", "received", "notes")),
        counts=(
            Count(Stage.CLEANING, "volume", Mould.INACTIVE, False, cleaned),
            Count(Stage.IMAGING, items=12, images=1200, rejected=1),
            Count(Stage.CHECKING, "folder", None, None, 1, outcome="withdrawn"),
        ),
        hours=(
            Hours("AB", Stage.CLEANING, 12.1, 3),
            Hours("CD", None, 7.5),
            Hours("", Stage.IMAGING, 0.1 + 0.2),
        ),
        exposure=(ExposureDay(monday, "AB", 3.25), ExposureDay(monday, "CD", 0.0)),
        drying=(DryingBatch(f"B{week}", monday, 4), DryingBatch("old", monday, 3, monday, 1)),
        received=(Received("letters", "box 1", None, Mould.ACTIVE, None, 9),),
        notes=(Note(Stage.IMAGING, "AB, the lamp failed;\nCD\u2019s spare is in \u201cuse\u201d"),),
    )


WARNINGS = (Problem("hours", "row 2", "AB 45", "hours within the rota", "Check what AB did."),)
CROSSINGS = (
    Crossing("AB", (MONDAY,), 3.25, "3 hours a day", "AB: 3.25 hours on 2026-01-05."),
    Crossing("AB", (MONDAY, MONDAY + timedelta(days=2)), 6.0, "1 day in 7", "AB: two days."),
)


def a_forecast(week: int, draws: bytes = b"draws") -> Filed:
    """What is filed with the return of a week."""
    monday = MONDAY + timedelta(weeks=week)
    return Filed(
        monday,
        monday + timedelta(days=6),
        NOW + timedelta(weeks=week),
        7,
        200,
        "0.1.0",
        project().input_sha256,
        '{"exposure": {"AB": {"hours_a_week": 8.6}, "CD": {}}, "warnings": ["Train CD."]}',
        draws,
        '{"sentences": ["CD was away."]}',
    )


def issuing(week: int, draws: bytes = b"draws") -> Callable[[Entry], object]:
    """Issues a forecast with the return of a week."""

    def also(entry: Entry) -> object:
        filed = a_forecast(week, draws)
        return entry.issue(filed, entry.history().up_to(filed.as_of))

    return also


def add(record: Record, week: int, cleaned: int = 30, **options: Any) -> Added:
    """Record the return of a week with all that can belong to it."""
    given: dict[str, Any] = {
        "inputs": tiny_files(),
        "recorded_at": NOW + timedelta(weeks=week),
        "warnings": WARNINGS,
        "crossings": CROSSINGS,
        "also": issuing(week),
    }
    return record.add(a_return(week, cleaned), **(given | options))


def opened(folder: Path, variable: str = "", **options: Any) -> Record:
    """The record of the small project, for writing."""
    return open_record(folder, project(variable), **({"create": True} | options))


@contextmanager
def no_syncing() -> Iterator[None]:
    """Files that need not outlast a power cut: for tests that are not about that."""

    def connect(connection: Any, _: Any) -> None:
        if isinstance(connection, sqlite3.Connection):
            connection.execute("PRAGMA synchronous = OFF").close()

    event.listen(Engine, "connect", connect)
    try:
        yield
    finally:
        event.remove(Engine, "connect", connect)


# Faults


class Fault(Exception):  # noqa: N818  # it stands for anything that may go wrong
    """Raised where nothing of the kind is expected."""


@contextmanager
def statements(act: Callable[[str, int], None]) -> Iterator[None]:
    """Call ``act("before", n)`` and ``act("after", n)`` around the n-th statement from here on."""
    count = 0

    def before(*_: Any) -> None:
        nonlocal count
        count += 1
        act("before", count)

    def after(*_: Any) -> None:
        act("after", count)

    event.listen(Engine, "before_cursor_execute", before)
    event.listen(Engine, "after_cursor_execute", after)
    try:
        yield
    finally:
        event.remove(Engine, "before_cursor_execute", before)
        event.remove(Engine, "after_cursor_execute", after)


def number_of_statements(record: Record, work: Callable[[Record], object]) -> int:
    """How many statements a piece of work is made of."""
    last = 0

    def act(_: str, number: int) -> None:
        nonlocal last
        last = number

    with statements(act):
        work(record)
    return last


def fails_at(
    record: Record, work: Callable[[Record], object], when: str, at: int
) -> BaseException:
    """Do a piece of work and raise before or after its n-th statement; what was raised."""

    def act(now: str, number: int) -> None:
        if (now, number) == (when, at):
            # What somebody's Ctrl-C raises is no Exception, and must not slip through.
            raise KeyboardInterrupt if at % 2 else Fault

    with pytest.raises((Fault, KeyboardInterrupt)) as caught, statements(act):
        work(record)
    return caught.value


def fails_at_the_end(
    record: Record, work: Callable[[Record], object], when: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Do a piece of work and raise just before or just after it is made final."""
    dialect = record._database.engine.dialect
    final = dialect.do_commit

    def do_commit(connection: Any) -> None:
        if when == "before":
            raise Fault
        final(connection)
        raise Fault

    with monkeypatch.context() as patch:
        patch.setattr(dialect, "do_commit", do_commit)
        with pytest.raises(Fault):
            work(record)


# Processes that are killed, and processes at once


class Child:
    """A process of tests.record_child; ``forked`` ones are as fast to start as a function."""

    def __init__(self, *arguments: object) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.record_child", *map(str, arguments)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def say(self, line: str) -> None:
        """Hand the child a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def hear(self) -> str:
        """The next line that it says."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the child died"
        return line.strip()

    def close(self) -> int:
        """Let it end, and wait."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        code = self.process.wait(60)
        self.process.stdout.close()
        return code


def kill_at(child: Child, job: str, marker: int | None, pause: float = 0.0) -> list[str]:
    """Let the child's fork do a job, and kill it once it has said so many words.

    The fork goes on while its words are read: how far it gets is not known beforehand, and how
    busy the machine is does not matter much.

    Args:
        child: it forks for each job.
        job: for tests.record_child.
        marker: the number of the word, 0 the first; None: let it finish.
        pause: seconds to wait then.

    Returns:
        All that it said until its end.
    """
    from os import kill
    from signal import SIGKILL

    child.say(job)
    said: list[str] = []
    pid = 0
    while (line := child.hear()) != "gone":
        said.append(line)
        if line.startswith("start"):
            pid = int(line.split()[1])
        if marker == len(said) - 1:
            time.sleep(pause)
            with suppress(ProcessLookupError):  # it was faster
                kill(pid, SIGKILL)
    return said


@dataclass
class Kills:
    """When processes were killed, to be shown."""

    before: int = 0
    between: int = 0  # begin and commit
    recorded: int = 0

    def count(self, said: list[str], recorded: bool) -> None:
        """One more."""
        self.recorded += recorded
        self.between += not recorded and "begun" in said
        self.before += not recorded and "begun" not in said


def contents(folder: Path, variable: str = "") -> Contents:
    """All that is on record."""
    with opened(folder, variable, create=False) as record:
        return record.contents()
