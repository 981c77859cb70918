"""Recording a return: checked, kept and forecast from, all of it or nothing."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from forecast import __version__, anonymise, diary, export, luck, recalibrate, recording
from forecast.attribution import Why
from forecast.choices import DEFAULT_SEED
from forecast.errors import ForecastError, InputError
from forecast.folder import project_from_files, read_project
from forecast.history import History
from forecast.outcome import Futures
from forecast.project import Project
from forecast.record import Entry, Record, open_record
from forecast.recording import Recorded, read_history, record_return
from forecast.replicate import one_record
from forecast.results import write_json
from forecast.return_files import write_return
from forecast.weekly import ExposureDay, WeeklyReturn

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
FEW = 8


@lru_cache
def told() -> tuple[WeeklyReturn, ...]:
    """All three weeks of one future of the small project."""
    project = read_project(TINY)
    plan = luck.plan(project)
    drawn, rows = one_record(plan, 7, 2)
    return diary.returns(plan, drawn, rows, project.grant.start + timedelta(weeks=5, days=-1))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "project"
    shutil.copytree(TINY, made)
    return made


def written(tmp_path: Path, ret: WeeklyReturn, name: str = "") -> Path:
    path = tmp_path / (name or f"return {ret.week.isoformat()}")
    write_return(ret, path)
    return path


def moment(ret: WeeklyReturn) -> datetime:
    """The Monday after its week."""
    return datetime(ret.week.year, ret.week.month, ret.week.day, 9, tzinfo=UTC) + timedelta(weeks=1)


def record(folder: Path, source: Path, ret: WeeklyReturn, **options: object) -> Recorded:
    given: dict[str, object] = {"replications": FEW, "why_replications": 0, "now": moment(ret)}
    return record_return(folder, source, **(given | options))  # type: ignore[arg-type]


def recorded(folder: Path, tmp_path: Path, weeks: int, *, forecast: bool = False) -> None:
    for ret in told()[:weeks]:
        record(folder, written(tmp_path, ret), ret, forecast=forecast)


def opened(folder: Path, *, create: bool = False) -> Record:
    return open_record(folder, read_project(folder), create=create)


# --- what is kept


def test_a_return_is_kept_with_a_forecast_of_everything_that_it_was_made_from(
    folder: Path, tmp_path: Path
) -> None:
    first, second = told()[:2]
    record(folder, written(tmp_path, first), first, forecast=False)
    got = record(folder, written(tmp_path, second), second, why_replications=4)
    assert (got.week, got.changed, got.corrected) == (second.week, True, False)
    with opened(folder) as stored:
        assert stored.history().returns == (first, second)
        (filed,) = stored.issued()
        (issued,) = recording.issued_forecasts(stored)
    assert got.issued is not None
    assert issued.draws.to_bytes() == got.issued.draws.to_bytes() == filed.draws
    assert replace(issued, draws=got.issued.draws) == got.issued
    assert (filed.week, filed.as_of, filed.issued_at) == (
        second.week,
        second.last_day,
        moment(second),
    )
    assert (filed.seed, filed.replications, filed.version) == (DEFAULT_SEED, FEW, __version__)
    project = project_from_files(filed.inputs.files)
    assert project == read_project(folder)
    assert filed.input_sha256 == project.input_sha256 == filed.inputs.checksum
    assert filed.known == (1, 2)
    assert issued.returns == (first.digest, second.digest)
    assert issued.draws.finish.shape == (FEW,)
    again = recalibrate.forecast(project, History((first, second)), None, FEW, progress=False)
    np.testing.assert_array_equal(issued.draws.finish, again.finish_day)
    why = got.why
    assert why is not None
    assert (why.before, why.after) == (project.default_as_of(), second.last_day)
    assert Why.from_json(filed.why) == why


def test_the_same_return_twice_changes_nothing_and_nobody_waits_for_a_forecast(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (first,) = told()[:1]
    source = written(tmp_path, first)
    record(folder, source, first)
    before = (folder / "record.sqlite").read_bytes()

    def never(*_: object, **__: object) -> Futures:
        raise AssertionError("a forecast was made")

    monkeypatch.setattr(recalibrate, "forecast", never)
    monkeypatch.setattr(recalibrate, "known", never)
    for correction in (False, True):
        got = record(folder, source, first, correction=correction)
        assert (got.changed, got.corrected, got.issued) == (False, False, None)
    assert (folder / "record.sqlite").read_bytes() == before


def test_a_correction_keeps_what_it_corrects_with_when(folder: Path, tmp_path: Path) -> None:
    recorded(folder, tmp_path, 2)
    (first, second) = told()[:2]
    right = replace(first, hours=tuple(replace(row, hours=row.hours + 0.25) for row in first.hours))
    source = written(tmp_path, right, "right")
    with pytest.raises(InputError, match="--correction"):
        record(folder, source, second)
    got = record(folder, source, second, correction=True)
    assert (got.changed, got.corrected) == (True, True)
    with opened(folder) as stored:
        assert stored.history().returns == (right, second)
        kept, corrects = stored.versions(first.week)
        assert (kept.ret, kept.recorded_at) == (first, moment(first))
        assert (corrects.ret, corrects.correction) == (right, True)
        assert corrects.recorded_at == moment(second)
        assert stored.history(known_at=moment(first)).returns == (first,)
        (filed,) = stored.issued()
    assert filed.known == (3, 2), "the forecast knows what is right"
    assert filed.as_of == second.last_day


def test_a_correction_of_a_week_that_is_not_on_record_is_refused(
    folder: Path, tmp_path: Path
) -> None:
    first = told()[0]
    with pytest.raises(InputError, match="without --correction"):
        record(folder, written(tmp_path, first), first, correction=True)
    assert not read_history(folder, read_project(folder)).returns


def test_a_crossed_limit_is_recorded_as_worked(folder: Path, tmp_path: Path) -> None:
    first = told()[0]
    long = ExposureDay(first.week, "AB", 3.5)
    others = [row for row in first.exposure if (row.day, row.person) != (long.day, long.person)]
    crossed = replace(first, exposure=(long, *others))
    got = record(folder, written(tmp_path, crossed), first, forecast=False)
    assert [(c.person, c.days[0], c.hours) for c in got.crossings if len(c.days) == 1] == [
        ("AB", first.week, 3.5)
    ]
    with opened(folder) as stored:
        (version,) = stored.versions()
    assert version.crossings == got.crossings
    assert version.ret == crossed


def test_a_return_that_cannot_have_been_is_refused_whole(folder: Path, tmp_path: Path) -> None:
    first = told()[0]
    many = replace(first, counts=tuple(replace(row, items=999) for row in first.counts))
    with pytest.raises(InputError) as refused:
        record(folder, written(tmp_path, many), first)
    assert len(refused.value.problems) >= 1
    assert not read_history(folder, read_project(folder)).returns


# --- what goes wrong


@pytest.mark.parametrize("what", ["on purpose", "by a fault"])
def test_without_a_forecast_the_return_is_kept_with_a_warning(
    what: str, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = ForecastError("no room for it") if what == "on purpose" else KeyError("x")

    def fails(*_: object, **__: object) -> Futures:
        raise error

    monkeypatch.setattr(recalibrate, "forecast", fails)
    first = told()[0]
    got = record(folder, written(tmp_path, first), first)
    assert got.changed
    assert got.issued is None
    (warning,) = [each for each in got.warnings if each.file == "forecast"]
    assert warning.read == ("no room for it" if what == "on purpose" else "KeyError: 'x'")
    with opened(folder) as stored:
        (version,) = stored.versions()
        assert stored.issued() == ()
    assert version.ret == first
    assert warning in version.warnings


def test_without_an_explanation_the_forecast_is_issued_all_the_same(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> Why:
        raise ForecastError("the plan cannot be read with the old returns")

    monkeypatch.setattr(recording, "explain", fails)
    first = told()[0]
    got = record(folder, written(tmp_path, first), first, why_replications=4)
    assert got.issued is not None
    assert got.why is None
    assert [w.read for w in got.warnings if w.file == "why the date moved"] == [
        "the plan cannot be read with the old returns"
    ]


def test_who_records_meanwhile_is_told_of_and_nothing_is_half_recorded(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = told()[:2]
    sources = [written(tmp_path, each) for each in (first, second)]
    real = recalibrate.forecast

    def slow(*given: object, **named: object) -> Futures:
        # While one waits for the forecast, somebody else records the week before.
        with monkeypatch.context() as other:
            other.setattr(recalibrate, "forecast", real)
            record(folder, sources[0], first, forecast=False)
        return real(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(recalibrate, "forecast", slow)
    with pytest.raises(ForecastError, match="somebody recorded another return"):
        record(folder, sources[1], second)
    with opened(folder) as stored:
        assert stored.history().returns == (first,)
        assert stored.issued() == ()


def test_a_fault_while_the_forecast_is_filed_leaves_nothing_of_the_return(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(folder, tmp_path, 1)
    with opened(folder) as stored:
        before = stored.contents()
    real = Entry.issue

    def issues_and_fails(self: Entry, *given: object) -> int:
        real(self, *given)  # type: ignore[arg-type]
        raise OSError("the disk is full")

    second = told()[1]
    source = written(tmp_path, second)
    with monkeypatch.context() as faulty:
        faulty.setattr(Entry, "issue", issues_and_fails)
        with pytest.raises(OSError, match="disk is full"):
            record(folder, source, second)
    with opened(folder) as stored:
        assert stored.contents() == before
    assert record(folder, source, second).changed, "and it can be recorded after"


# --- returns in a file or a folder


def test_the_returns_of_a_folder_are_found_in_the_order_of_their_names(tmp_path: Path) -> None:
    for name, ret in zip(("b", "a", "c"), told(), strict=False):
        written(tmp_path, ret, name)
    (tmp_path / "d.xlsx").write_bytes(b"")
    (tmp_path / "~$d.xlsx").write_bytes(b"")
    (tmp_path / ".hidden.xlsx").write_bytes(b"")
    (tmp_path / "README.md").write_text("", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    assert [path.name for path in recording.returns_in(tmp_path)] == ["a", "b", "c", "d.xlsx"]
    assert recording.returns_in(tmp_path / "a") == (tmp_path / "a",)
    assert recording.returns_in(tmp_path / "d.xlsx") == (tmp_path / "d.xlsx",)
    with pytest.raises(InputError, match="a folder without a return"):
        recording.returns_in(tmp_path / "empty")


# --- the same forecast from an export and without names


def as_json(folder: Path, tmp_path: Path) -> bytes:
    project = read_project(folder)
    futures = recalibrate.forecast(
        project, read_history(folder, project), None, 20, 3, progress=False
    )
    out = tmp_path / "out.json"
    write_json(futures, out)
    return out.read_bytes()


def test_an_export_in_an_empty_record_gives_a_byte_identical_forecast(
    folder: Path, tmp_path: Path
) -> None:
    recorded(folder, tmp_path, 2)
    other = tmp_path / "other"
    shutil.copytree(TINY, other)
    assert as_json(folder, tmp_path) != as_json(other, tmp_path), "the record matters"
    with opened(folder) as stored:
        export.export(stored, tmp_path / "exported")
    with opened(other, create=True) as stored:
        export.import_export(tmp_path / "exported", stored)
    assert as_json(folder, tmp_path) == as_json(other, tmp_path)


def test_the_exported_returns_recorded_one_by_one_give_it_too(
    folder: Path, tmp_path: Path
) -> None:
    recorded(folder, tmp_path, 2)
    with opened(folder) as stored:
        export.export(stored, tmp_path / "exported")
    other = tmp_path / "other"
    shutil.copytree(TINY, other)
    for source, ret in zip(
        recording.returns_in(tmp_path / "exported" / "returns"), told(), strict=False
    ):
        record(other, source, ret, forecast=False)
    assert as_json(folder, tmp_path) == as_json(other, tmp_path)


def test_a_record_without_names_gives_a_byte_identical_forecast(
    folder: Path, tmp_path: Path
) -> None:
    recorded(folder, tmp_path, 2)
    before = as_json(folder, tmp_path)
    with opened(folder, create=True) as stored:
        persons = anonymise.anonymise(
            stored, told()[1].week, tmp_path / "named", done_at=moment(told()[1])
        )
        names = {name for each in stored.history().returns[:-1] for name in each.persons}
    assert persons == 3
    assert names == {"person 1", "person 2", "person 3"}
    assert as_json(folder, tmp_path) == before


# --- hindcasts


@pytest.fixture
def corrected(folder: Path, tmp_path: Path) -> Path:
    recorded(folder, tmp_path, 3)
    first = told()[0]
    right = replace(first, hours=tuple(replace(row, hours=row.hours * 2) for row in first.hours))
    record(
        folder, written(tmp_path, right, "right"), told()[-1], correction=True, forecast=False
    )
    return folder


def test_a_hindcast_knows_what_was_on_file_then_and_nothing_is_kept(corrected: Path) -> None:
    before = (corrected / "record.sqlite").read_bytes()
    made = recording.hindcasts(corrected, read_project(corrected), FEW)
    assert [each.week for each in made] == [each.week for each in told()[:3]]
    digests = [each.digest for each in told()[:3]]
    assert [list(each.returns) for each in made] == [digests[:n] for n in (1, 2, 3)]
    assert all(each.hindcast for each in made)
    assert (corrected / "record.sqlite").read_bytes() == before


def test_a_plan_that_cannot_be_read_any_more_is_todays(folder: Path) -> None:
    project: Project = read_project(folder)
    assert recording._as_it_was(project, {"team.csv": b"?"}) is project
    assert recording._as_it_was(project, {}) is project
    assert date(2026, 1, 5) == project.grant.start
