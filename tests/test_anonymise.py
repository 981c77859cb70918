"""Names out of the record: consistently, without a trace, and without changing a number."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from forecast.anonymise import anonymise
from forecast.errors import ForecastError, InputError
from forecast.export import export, import_export
from forecast.folder import read_project
from forecast.history import History
from forecast.record import RECORD_FILE, Entry, Record
from forecast.weekly import WeeklyReturn
from tests.record_cases import (
    CROSSINGS,
    MONDAY,
    NOW,
    WARNINGS,
    a_forecast,
    a_return,
    add,
    no_syncing,
    opened,
    tiny_files,
)

NAMES = ("Zarathustra", "O'Brien", "Ann-Marie", "Persephone", "Ann")
BEFORE = MONDAY + timedelta(weeks=2)
LATER = NOW + timedelta(days=400)


def named(text: str) -> str:
    """With names that occur nowhere else."""
    for short, name in zip(("AB", "CD", "EF"), NAMES[:3], strict=True):
        text = re.sub(rf"\b{short}\b", name, text)
    return text


def files() -> dict[str, bytes]:
    """A project whose people have names, in every place where a name can stand."""
    found = {name: named(data.decode()).encode() for name, data in tiny_files().items()}
    found["team.csv"] += b'# Ann-Marie came "after Ann\n'
    found["closures.csv"] = (
        b"\xef\xbb\xbffirst_day;last_day;person;reason\r\n"
        b"2026-02-02;2026-02-03;Zarathustra;\r\n2026-02-05;2026-02-05;;Ann's day\r\n"
    )
    found["dayplan.csv"] = b"person,weekday,stage\nO'Brien,tue,cleaning\n"
    found["scenarios.toml"] = (  # the last of the names is nowhere else
        b'# what if Ann had help?\n[[scenario]]\nname = "Help for Ann-Marie"\n'
        b'add = [{ what = "person", person = "Persephone", like = "Zarathustra" }]\n'
        b'[[search.post]]\nlike = "O\'Brien"\nmost = 1\n'
    )
    found["project.toml"] += (
        b'# asked by Ann\n[[grant.change]]\ndate = 2026-02-01\nend = 2026-04-30\n'
        b'agreed_by = "Zarathustra and others"\n'
    )
    return found


def renamed(ret: WeeklyReturn) -> WeeklyReturn:
    """With names instead of initials."""
    return replace(
        ret,
        hours=tuple(replace(row, person=named(row.person)) for row in ret.hours),
        exposure=tuple(replace(row, person=named(row.person)) for row in ret.exposure),
        notes=tuple(replace(row, note=named(row.note)) for row in ret.notes),
    )


def with_names(record: Record, week: int, cleaned: int = 30, *, correction: bool = False) -> None:
    """Record a week of people who have names."""

    def issue(entry: Entry) -> object:
        filed = a_forecast(week, b"")
        filed = replace(filed, results=named(filed.results), why=named(filed.why))
        return entry.issue(filed, entry.history().up_to(filed.as_of))

    (doubt,) = WARNINGS
    crossed = [replace(c, person=NAMES[0], sentence=named(c.sentence)) for c in CROSSINGS]
    record.add(
        renamed(a_return(week, cleaned)),
        inputs=files(),
        recorded_at=NOW,
        correction=correction,
        reason="O'Brien asked",
        warnings=[replace(doubt, read=named(doubt.read), remedy=named(doubt.remedy))],
        crossings=crossed,
        also=issue,
    )


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with no_syncing(), opened(tmp_path) as made:
        for week in range(4):
            with_names(made, week)
        with_names(made, 0, cleaned=31, correction=True)
        yield made


def totals(history: History) -> list[object]:
    """Everything but who it was."""
    found: list[object] = []
    for ret in history.returns:
        hours: dict[object, float] = {}
        for row in ret.worked:
            hours[row.stage] = hours.get(row.stage, 0.0) + row.hours
        exposed = sorted((row.day, row.hours) for row in ret.exposed)
        found.append((ret.week, ret.counts, ret.drying, ret.received, hours, exposed))
    return found


def test_names_before_the_date_become_numbers_and_later_ones_stay(
    record: Record, tmp_path: Path
) -> None:
    before = record.contents()
    assert anonymise(record, BEFORE, tmp_path / "out", done_at=LATER) == 4
    after = record.contents()
    for old, new in zip(before.versions, after.versions, strict=True):
        if old.week >= BEFORE:
            assert new == old
            continue
        text = repr(new)
        assert not [name for name in NAMES[:4] if name in text], text
        assert set(new.ret.persons) == {w.person for w in new.ret.hours if w.person}
        assert all(re.fullmatch(r"person [1-4]", name) for name in new.ret.persons)
    for old_f, new_f in zip(before.forecasts, after.forecasts, strict=True):
        assert (old_f == new_f) == (old_f.week >= BEFORE)
        assert old_f.week >= BEFORE or not [name for name in NAMES[:4] if name in repr(new_f)]


def test_a_person_is_the_same_number_everywhere(record: Record, tmp_path: Path) -> None:
    anonymise(record, BEFORE, tmp_path / "out", done_at=LATER)
    found = [v for v in record.versions() if v.week < BEFORE]
    first = {version.ret.hours[0].person for version in found}
    assert len(first) == 1
    (number,) = first
    for version in found:
        assert version.ret.exposure[0].person == number
        assert {crossing.person for crossing in version.crossings} == {number}
        assert version.crossings[0].sentence == f"{number}: 3.25 hours on 2026-01-05."
        assert version.ret.notes[0].note.startswith(f"{number}, the lamp failed")
        assert version.inputs.persons[0] == number
        assert f"2026-02-02;2026-02-03;{number};" in version.inputs.files["closures.csv"].decode()
        assert f'"{number} and others"' in version.inputs.files["project.toml"].decode()
    for filed in record.issued():
        if filed.week < BEFORE:
            assert json.loads(filed.results)["exposure"][number] == {"hours_a_week": 8.6}


def test_no_number_and_no_date_changes(record: Record, tmp_path: Path) -> None:
    before, crossed = totals(record.history()), [v.crossings for v in record.versions()]
    results = [json.loads(filed.results) for filed in record.issued()]
    anonymise(record, BEFORE, tmp_path / "out", done_at=LATER)
    assert totals(record.history()) == before
    for old, new in zip(crossed, (v.crossings for v in record.versions()), strict=True):
        assert [(c.days, c.hours, c.limit) for c in new] == [
            (c.days, c.hours, c.limit) for c in old
        ]
    for old_r, filed in zip(results, record.issued(), strict=True):
        new_r = json.loads(filed.results)
        assert list(new_r["exposure"].values()) == list(old_r["exposure"].values())


def test_stored_inputs_are_still_a_project(record: Record, tmp_path: Path) -> None:
    anonymise(record, BEFORE, tmp_path / "out", done_at=LATER)
    folder = tmp_path / "then"
    folder.mkdir()
    for name, content in record.versions()[0].inputs.files.items():
        (folder / name).write_bytes(content)
    project = read_project(folder)
    assert all(re.fullmatch(r"person \d", name) for name in project.persons)
    assert project.closures[0].person == project.persons[0]
    assert project.day_plan[0].person == project.persons[1]
    assert project.grant.changes[0].agreed_by == f"{project.persons[0]} and others"


def test_the_file_holds_no_trace_of_a_name(tmp_path: Path) -> None:
    folder = tmp_path / "only"
    folder.mkdir()
    with no_syncing(), opened(folder) as only:
        with_names(only, 0)
        with_names(only, 1)
        add(only, 9, also=None)  # others, whose names may stay
        assert b"Zarathustra" in (folder / RECORD_FILE).read_bytes()
        anonymise(only, BEFORE, tmp_path / "out", done_at=LATER)
    content = (folder / RECORD_FILE).read_bytes()
    assert [name for name in NAMES[:4] if name.encode() in content] == []


def test_the_export_with_the_names_comes_first(record: Record, tmp_path: Path) -> None:
    before = record.contents()
    anonymise(record, BEFORE, tmp_path / "out", done_at=LATER)
    folder = tmp_path / "back"
    folder.mkdir()
    with opened(folder) as back:
        import_export(tmp_path / "out", back)
        assert back.contents() == before


def test_without_an_export_nothing_changes(record: Record, tmp_path: Path) -> None:
    before = record.contents()
    with pytest.raises(InputError, match="a folder to be made"):
        anonymise(record, BEFORE, tmp_path, done_at=LATER)
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ForecastError, match="cannot be written"):
        anonymise(record, BEFORE, tmp_path / "file" / "out", done_at=LATER)
    assert record.contents() == before


def test_an_anonymised_record_can_be_exported_and_recorded(record: Record, tmp_path: Path) -> None:
    anonymise(record, BEFORE, tmp_path / "out", done_at=LATER)
    export(record, tmp_path / "again")
    (tmp_path / "new").mkdir()
    with opened(tmp_path / "new") as new:
        import_export(tmp_path / "again", new)
        assert new.contents() == record.contents()
        (done,) = new.contents().anonymised
    assert (done.done_at, done.before, done.persons) == (LATER, BEFORE, 4)


def test_a_second_time_numbers_go_on_and_nobody_gets_two(record: Record, tmp_path: Path) -> None:
    anonymise(record, BEFORE, tmp_path / "out", done_at=LATER)
    first = record.contents()
    assert anonymise(record, BEFORE, tmp_path / "again", done_at=LATER) == 0
    assert record.contents() == first
    assert not (tmp_path / "again").exists()
    assert anonymise(record, BEFORE + timedelta(weeks=1), tmp_path / "2", done_at=LATER) == 4
    persons = {name for v in record.versions() if v.week == BEFORE for name in v.ret.persons}
    assert persons < {f"person {number}" for number in range(5, 9)}
    assert record.versions()[0] == first.versions[0]


def test_whole_weeks_only(record: Record, tmp_path: Path) -> None:
    before = record.versions()
    anonymise(record, date(2026, 1, 18), tmp_path / "out", done_at=LATER)  # a Sunday
    changed = [a.week for a, b in zip(before, record.versions(), strict=True) if a != b]
    assert set(changed) == {MONDAY}


def test_the_last_week_keeps_its_names(record: Record, tmp_path: Path) -> None:
    before = record.contents()
    with pytest.raises(InputError, match=r"leaves the last week.*Give 2026-01-26 or an earlier"):
        anonymise(record, MONDAY + timedelta(weeks=4), tmp_path / "out", done_at=LATER)
    assert record.contents() == before
    assert anonymise(record, date(2026, 1, 26), tmp_path / "out", done_at=LATER) == 4


def test_a_reader_cannot_anonymise(record: Record, tmp_path: Path) -> None:
    with (
        opened(tmp_path, create=False) as reading,
        pytest.raises(ForecastError, match="for reading only"),
    ):
        anonymise(reading, BEFORE, tmp_path / "out", done_at=LATER)
