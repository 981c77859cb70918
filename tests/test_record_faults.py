"""Whatever goes wrong while a return is recorded: it is on record whole, or nothing changed."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

from forecast.errors import ForecastError
from forecast.record import RECORD_FILE, Added, Contents, Record
from tests.record_cases import (
    Child,
    Kills,
    a_return,
    add,
    contents,
    fails_at,
    fails_at_the_end,
    kill_at,
    no_syncing,
    number_of_statements,
    opened,
)

if sys.platform == "win32":
    pytest.skip("kills, forks and limits as Unix has them", allow_module_level=True)


def correct(record: Record) -> Added:
    """The piece of work that is disturbed: a correction, with a forecast."""
    return add(record, 1, cleaned=33, correction=True)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of two weeks, with forecasts."""
    folder = tmp_path_factory.mktemp("before")
    with opened(folder) as record:
        add(record, 0)
        add(record, 1)
    return folder / RECORD_FILE


@pytest.fixture(scope="module")
def expected(before: Path, tmp_path_factory: pytest.TempPathFactory) -> Contents:
    """What is on record after the piece of work."""
    folder = tmp_path_factory.mktemp("after")
    shutil.copy(before, folder)
    with opened(folder) as record:
        correct(record)
        return record.contents()


@pytest.fixture
def folder(before: Path, tmp_path: Path) -> Path:
    """A folder with a record of two weeks."""
    shutil.copy(before, tmp_path)
    return tmp_path


def sound(folder: Path) -> None:
    with closing(sqlite3.connect(folder / RECORD_FILE)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


# Faults inside the program


def test_a_fault_before_or_after_any_statement_changes_nothing_and_can_be_repeated(
    folder: Path,
    before: Path,
    expected: Contents,
    tmp_path_factory: pytest.TempPathFactory,
    record_property: Callable[[str, object], None],
) -> None:
    whole = before.read_bytes()
    scratch = tmp_path_factory.mktemp("scratch")
    shutil.copy(before, scratch)
    with no_syncing(), opened(scratch) as record:
        statements = number_of_statements(record, correct)
    with no_syncing(), opened(folder) as record:
        kept = []  # what a notebook keeps of its errors must hold no lock
        for when in ("before", "after"):
            for at in range(1, statements + 1):
                kept.append(fails_at(record, correct, when, at))
                assert (folder / RECORD_FILE).read_bytes() == whole, (when, at)
        assert correct(record).changed
        assert record.contents() == expected
    sound(folder)
    assert statements >= 25
    record_property("Faults raised around statements of recording", 2 * statements)


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_fault_at_the_very_end_leaves_all_or_nothing(
    folder: Path, expected: Contents, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    old = contents(folder)
    with opened(folder) as record:
        fails_at_the_end(record, correct, when, monkeypatch)
        assert record.contents() == (old if when == "before" else expected)
        correct(record)  # says the same as what is on record, if it is
        assert record.contents() == expected


# A process that is killed


def test_forty_killed_processes_lose_nothing_and_leave_nothing_half(
    folder: Path,
    before: Path,
    tmp_path_factory: pytest.TempPathFactory,
    record_property: Callable[[str, object], None],
) -> None:
    old = contents(folder)
    child = Child("kill", "", "")
    try:
        target = tmp_path_factory.mktemp("whole")
        shutil.copy(before, target)
        words = kill_at(child, f"{target} 2", None)
        new = contents(target)
        commit = words.index("committing")
        kills, journals = Kills(), 0
        for n in range(40):
            target = tmp_path_factory.mktemp(f"kill{n}")
            shutil.copy(before, target)
            # 30 over all of its statements, 10 from the beginning of its end on.
            marker, pause = (commit * n // 30, 0.0) if n < 30 else (commit, (n - 30) ** 2 / 1000)
            said = kill_at(child, f"{target} 2", marker, pause)
            journals += (target / f"{RECORD_FILE}-journal").exists()
            with opened(target) as record:
                now = record.contents()
                assert now in (old, new), said
                recorded = now == new
                assert recorded or "committed" not in said
                kills.count(said, recorded)
                assert add(record, 2).changed != recorded
                assert record.contents() == new
            sound(target)
    finally:
        assert child.close() == 0
    assert kills.between >= 20, kills
    record_property(
        "Processes killed while they recorded",
        f"{kills}, in a window of {words[-1]}; {journals} left a journal",
    )


def test_a_process_that_is_killed_while_it_begins_a_record_leaves_a_whole_one_or_none(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    child = Child("kill", "", "")
    try:
        words = kill_at(child, f"{tmp_path_factory.mktemp('whole')} -1", None)
        assert len(words) > 20
        for n in range(8):
            target = tmp_path_factory.mktemp(f"begin{n}")
            kill_at(child, f"{target} -1", (len(words) - 1) * n // 7)
            with opened(target) as record:
                add(record, 0)
            assert [each.ret for each in contents(target).versions] == [a_return(0)]
    finally:
        child.close()


# Two at once


def test_two_processes_record_two_hundred_weeks_each_at_once(tmp_path: Path) -> None:
    children = [Child("many", tmp_path, "", first, 2, 200) for first in (0, 1)]
    assert [child.hear() for child in children] == ["ready", "ready"]
    for child in children:
        child.say("go")
    assert [child.hear() for child in children] == ["done", "done"]
    assert [child.close() for child in children] == [0, 0]
    with opened(tmp_path) as record:
        assert record.history().returns == tuple(map(a_return, range(400)))
        versions = record.versions()
    numbers = [each.number for each in versions]
    assert numbers == list(range(1, 401))
    turns = sum(a.week > b.week for a, b in pairwise(versions))
    assert turns > 0, "they did not work at once"
    sound(tmp_path)


@contextmanager
def held(folder: Path, how: str) -> Iterator[None]:
    """Somebody else is in the middle of something."""
    with closing(sqlite3.connect(folder / RECORD_FILE, isolation_level=None)) as connection:
        connection.execute(how)
        yield
        connection.execute("ROLLBACK")


def test_while_somebody_else_writes_it_can_be_read_and_not_written(
    folder: Path, expected: Contents
) -> None:
    old = contents(folder)
    with opened(folder, wait_seconds=0.1) as record:
        with held(folder, "BEGIN IMMEDIATE"):
            with pytest.raises(ForecastError, match=r"writing to it\. Nothing was rec"):
                correct(record)
            assert record.contents() == old
        correct(record)
        assert record.contents() == expected


def test_a_record_that_is_wholly_locked_is_told_in_words(folder: Path) -> None:
    with held(folder, "BEGIN EXCLUSIVE"):
        with pytest.raises(ForecastError, match="somebody else is writing to it"):
            opened(folder, wait_seconds=0.1)
        with pytest.raises(ForecastError, match="somebody else is writing to it"):
            opened(folder, create=False, wait_seconds=0.1)


# Drives


@contextmanager
def no_more_than(pages_more: int) -> Iterator[None]:
    """A database that may not become longer by more than some pages."""

    def connect(connection: Any, _: Any) -> None:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages + pages_more}").close()

    event.listen(Engine, "connect", connect)
    try:
        yield
    finally:
        event.remove(Engine, "connect", connect)


def big_inputs() -> dict[str, bytes]:
    return {"survey.csv": b"x" * 200_000}


@pytest.mark.parametrize("pages_more", [0, 1, 10])
def test_a_full_drive_changes_nothing(folder: Path, pages_more: int) -> None:
    old = contents(folder)
    with opened(folder) as record:
        with (
            no_more_than(pages_more),
            pytest.raises(ForecastError, match=r"no room left on the drive\. Nothing was recorded"),
        ):
            add(record, 2, inputs=big_inputs())
        assert record.contents() == old
        assert add(record, 2, inputs=big_inputs()).changed
    sound(folder)


@contextmanager
def files_no_longer_than(size: int) -> Iterator[None]:
    """Writing beyond it fails, as on a drive that has run full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("share", [0.01, 0.5, 1.0])
def test_a_drive_that_takes_no_more_bytes_changes_nothing(folder: Path, share: float) -> None:
    old = contents(folder)
    size = (folder / RECORD_FILE).stat().st_size
    with opened(folder) as record:
        with (
            files_no_longer_than(int(share * size)),
            pytest.raises(ForecastError, match="no room left"),
        ):
            add(record, 2, inputs=big_inputs())
        assert record.contents() == old
        assert add(record, 2, inputs=big_inputs()).changed
    sound(folder)


def test_a_full_drive_gets_no_half_record(tmp_path: Path) -> None:
    with files_no_longer_than(20_000), pytest.raises(ForecastError, match="no room left"):
        opened(tmp_path)
    assert list(tmp_path.iterdir()) == []


@contextmanager
def nobody_in_particular() -> Iterator[None]:
    """Without the rights of an administrator, whom no permission stops."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def read_only(before: Path) -> Iterator[Path]:
    """A folder with a record that others may read and nobody may write."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(before, folder)
        (folder / RECORD_FILE).chmod(0o444)
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)


def test_a_record_in_a_read_only_folder_can_be_read(read_only: Path) -> None:
    old = contents(read_only)
    with nobody_in_particular():
        assert contents(read_only) == old
        with opened(read_only) as record:
            with pytest.raises(ForecastError, match=r"cannot be (written|opened)\. Nothing"):
                correct(record)
            assert record.contents() == old
    assert [path.name for path in read_only.iterdir()] == [RECORD_FILE]


def test_a_writable_record_in_a_read_only_folder_is_left_as_it_is(read_only: Path) -> None:
    (read_only / RECORD_FILE).chmod(0o666)
    old = contents(read_only)
    with nobody_in_particular(), opened(read_only) as record:
        with pytest.raises(ForecastError, match=r"cannot be (written|opened)\. Nothing"):
            correct(record)
        assert record.contents() == old


def test_no_record_is_begun_in_a_read_only_folder(read_only: Path) -> None:
    (read_only / RECORD_FILE).unlink()
    with nobody_in_particular(), pytest.raises(ForecastError, match=r"cannot be (written|opened)"):
        opened(read_only)
    assert list(read_only.iterdir()) == []
