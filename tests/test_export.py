"""The record as plain files: all of it, and back into an empty record with the same result."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import export as exporting
from forecast.errors import ForecastError, InputError
from forecast.export import export, import_export, is_export
from forecast.folder import read_project
from forecast.issued import Draws
from forecast.record import RECORD_FILE, Record
from forecast.weekly import WeeklyReturn
from tests.record_cases import MONDAY, NOW, add, contents, issuing, no_syncing, opened, tiny_files
from tests.test_record import weekly_returns

DRAWS = Draws(
    MONDAY,
    (MONDAY, MONDAY + timedelta(weeks=1)),
    np.array([30, -1, 0]),
    np.array([[1, 5], [0, 2], [3, 3]]),
)


@pytest.fixture(autouse=True)
def _quickly() -> Iterator[None]:
    with no_syncing():
        yield


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a record of some weeks, and its export in ``out``."""
    folder = tmp_path_factory.mktemp("exported")
    with no_syncing(), opened(folder) as record:
        stored = DRAWS.to_bytes()
        add(record, 0, also=issuing(0, stored))
        add(record, 2, also=None)
        changed = {**tiny_files(), "narrative/why.md": b"as it was\r\n"}
        later = NOW + timedelta(weeks=5)
        add(
            record,
            0,
            cleaned=31,
            correction=True,
            recorded_at=later,
            inputs=changed,
            reason='said "twice", by CD',
            also=issuing(0, stored),
        )
        export(record, folder / "out")
    return folder


@pytest.fixture
def out(exported: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(exported / "out", tmp_path / "out"))


def filled(folder: Path, out: Path) -> Record:
    folder.mkdir()
    record = opened(folder)
    import_export(out, record)
    return record


def test_an_export_makes_the_same_record_again(exported: Path, tmp_path: Path) -> None:
    old = contents(exported)
    with filled(tmp_path / "new", exported / "out") as record:
        assert record.contents() == old
        with opened(exported) as first:
            assert record.history() == first.history()
            assert record.persons_ever() == first.persons_ever()
            assert record.history(known_at=NOW) == first.history(known_at=NOW)
        digests = [each.ret.digest for each in record.versions()]
    assert digests == [each.ret.digest for each in old.versions]


def test_an_export_of_the_new_record_has_the_same_bytes(exported: Path, tmp_path: Path) -> None:
    with filled(tmp_path / "new", exported / "out") as record:
        export(record, tmp_path / "again")
    for path in (exported / "out").rglob("*"):
        if path.is_file():
            other = tmp_path / "again" / path.relative_to(exported / "out")
            assert other.read_bytes() == path.read_bytes(), path


def test_every_version_lies_in_the_order_of_recording(out: Path) -> None:
    folders = sorted(path.name for path in (out / "returns").iterdir())
    assert folders == ["0001 2026-01-05", "0002 2026-01-19", "0003 2026-01-05"]
    with (out / "returns.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["correction"] for row in rows] == ["no", "no", "yes"]
    assert rows[2]["recorded_at"] == "2026-02-16T09:30:00.123456+00:00"
    assert rows[2]["reason"] == 'said "twice", by CD'


def test_sheets_have_the_columns_that_a_team_writes(out: Path) -> None:
    path = out / "returns" / "0001 2026-01-05" / "counts.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "week,stage,material,mould,red_rot,items,images,rejected,outcome"
    assert lines[1] == "2026-01-05,cleaning,volume,inactive,no,30,,,"


def test_stored_inputs_are_a_project_folder(out: Path) -> None:
    shutil.rmtree(out / "inputs" / "0002" / "narrative")
    assert read_project(out / "inputs" / "0001") == read_project(out / "inputs" / "0002")


def test_draws_are_a_table(out: Path) -> None:
    lines = (out / "forecasts" / "0001 2026-01-05" / "draws.csv").read_text().splitlines()
    assert lines == [
        "replication,finish,2026-01-05,2026-01-12",
        "0,2026-02-04,1,5",
        "1,,0,2",
        "2,2026-01-05,3,3",
    ]


def test_an_export_is_told_from_a_return(out: Path) -> None:
    assert is_export(out)
    assert not is_export(out / "returns" / "0001 2026-01-05")
    assert not is_export(out / "nowhere")


def test_a_folder_that_is_there_is_never_written_into(exported: Path, tmp_path: Path) -> None:
    with opened(exported) as record, pytest.raises(InputError, match="a folder to be made"):
        export(record, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_half_written_export_has_no_name(
    exported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = 0

    def fsync(_: int) -> None:
        nonlocal written
        written += 1
        if written == 9:
            raise OSError(28, "No space left on device")

    with opened(exported) as record, monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        with pytest.raises(ForecastError, match="cannot be written"):
            export(record, tmp_path / "out")
        assert list(tmp_path.iterdir()) == []

        def die(_: int) -> None:
            raise KeyboardInterrupt

        patch.setattr(os, "fsync", die)
        with pytest.raises(KeyboardInterrupt):
            export(record, tmp_path / "out")
        assert not (tmp_path / "out").exists()
        patch.setattr(os, "fsync", lambda _: None)
        export(record, tmp_path / "out")  # over what a killed one left
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_missing_and_changed_files_are_all_told_and_nothing_is_recorded(
    out: Path, tmp_path: Path
) -> None:
    (out / "forecasts.csv").unlink()
    changed = out / "returns" / "0002 2026-01-19" / "hours.csv"
    changed.write_bytes(changed.read_bytes().replace(b"12.1", b"99"))
    with opened(tmp_path) as record:
        with pytest.raises(InputError) as caught:
            import_export(out, record)
        told = [problem.file for problem in caught.value.problems]
        assert sorted(told) == ["forecasts.csv", "returns/0002 2026-01-19/hours.csv"]
        assert record.versions() == ()


def test_the_list_of_files_leads_nowhere_else(out: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x", encoding="utf-8")
    with (out / "files.csv").open("a", encoding="utf-8") as file:
        file.write("../secret,1,0\r\n")
    with opened(tmp_path) as record, pytest.raises(InputError) as caught:
        import_export(out, record)
    assert caught.value.problems[0].file == "files.csv"


def test_an_export_of_a_later_form_is_refused(exported: Path, tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(exporting, "FORMAT", "2")
        with opened(exported) as record:
            export(record, tmp_path / "out")
    with opened(tmp_path) as record, pytest.raises(InputError, match="format 2"):
        import_export(tmp_path / "out", record)


def test_a_record_that_is_not_empty_is_not_filled(exported: Path, tmp_path: Path) -> None:
    with opened(tmp_path) as record:
        add(record, 9)
        before = record.contents()
        with pytest.raises(InputError, match="an empty record"):
            import_export(exported / "out", record)
        assert record.contents() == before


def test_an_empty_record_is_exported_too(tmp_path: Path) -> None:
    with opened(tmp_path) as record:
        export(record, tmp_path / "out")
        import_export(tmp_path / "out", record)
        assert record.versions() == ()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", RECORD_FILE]


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(ret=st.integers(0, 3).flatmap(lambda n: weekly_returns(MONDAY + timedelta(weeks=n))))
def test_any_return_comes_back_from_its_files(
    tmp_path_factory: pytest.TempPathFactory, ret: WeeklyReturn
) -> None:
    folder = tmp_path_factory.mktemp("any")
    with opened(folder) as record:
        record.add(ret, inputs={}, recorded_at=NOW)
        export(record, folder / "out")
    with filled(folder / "new", folder / "out") as record:
        assert record.history().returns == (ret,)
        assert record.history(as_of=date(2099, 1, 1)).returns[0].digest == ret.digest
