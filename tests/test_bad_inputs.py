"""Bad input is told in plain words, all of it at once, and never as a traceback."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from forecast.errors import InputError, Problem
from forecast.folder import read_project
from tests.bad_inputs import BAD_INPUTS, BadInput, add, put, swap

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    return Path(shutil.copytree(TINY, tmp_path / "tiny"))


def problems_of(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        read_project(folder)
    return caught.value.problems


@pytest.mark.parametrize("bad", BAD_INPUTS, ids=lambda bad: bad.name)
def test_a_bad_input_is_named_with_its_file_place_and_remedy(tiny: Path, bad: BadInput) -> None:
    bad.spoil(tiny)
    problems = problems_of(tiny)
    told = [
        p
        for p in problems
        if p.file == bad.file and p.place.startswith(bad.place) and bad.remedy in p.remedy
    ]
    assert told, "\n".join(str(problem) for problem in problems)
    assert len(problems) == bad.problems, "\n".join(str(problem) for problem in problems)


@pytest.mark.parametrize("bad", BAD_INPUTS, ids=lambda bad: bad.name)
def test_every_problem_is_a_short_whole_sentence(tiny: Path, bad: BadInput) -> None:
    bad.spoil(tiny)
    for problem in problems_of(tiny):
        assert problem.file
        assert problem.expected
        assert len(problem.read) <= 60
        assert problem.remedy[0].isupper()
        assert problem.remedy.endswith((".", "?"))


def test_the_table_holds_every_kind_of_file_and_many_rows() -> None:
    assert len(BAD_INPUTS) >= 70
    assert len({bad.name for bad in BAD_INPUTS}) == len(BAD_INPUTS)


def test_all_problems_of_all_files_come_in_one_go_in_the_order_of_the_files(tiny: Path) -> None:
    swap("team.csv", "09:00", "9am")(tiny)
    swap("team.csv", "10:00,no", "10:00,perhaps")(tiny)
    swap("project.toml", "end = 2026-03-31", "end = 2025-03-31")(tiny)
    swap("collection.csv", "40,yes", "40,maybe")(tiny)
    add("survey.csv", "Nowhere,1,folder,none,no,1")(tiny)
    put("extra.csv", "a,b\n")(tiny)
    found = [(problem.file, problem.place) for problem in problems_of(tiny)]
    assert found == [
        ("project.toml", "[grant] end"),
        ("collection.csv", "row 2, column bound"),
        ("survey.csv", "row 7, column series"),
        ("team.csv", "row 2, column begins"),
        ("team.csv", "row 5, column mould_work"),
        ("extra.csv", ""),
    ]


def test_bytes_that_are_no_utf_8_do_not_hide_what_else_is_wrong(tiny: Path) -> None:
    data = (tiny / "team.csv").read_bytes().replace(b"conservator", b"pr\xe9pos\xe9")
    (tiny / "team.csv").write_bytes(data.replace(b"09:00", b"9am"))
    places = [problem.place for problem in problems_of(tiny)]
    assert places == ["row 2", "row 2, column begins"]


def test_a_file_that_a_spreadsheet_holds_is_named(
    tiny: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = Path.read_bytes

    def locked(path: Path) -> bytes:
        if path.name == "team.csv":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", locked)
    (problem,) = problems_of(tiny)
    assert problem.file == "team.csv"
    assert "close it in the spreadsheet" in problem.remedy


@pytest.mark.parametrize(
    ("name", "content", "expected", "remedy"),
    [
        ("nowhere", None, "a project folder", "forecast new"),
        ("plan.xlsx", b"PK\x03\x04", "a folder of plain files", "CSV files into a folder"),
        ("team.csv", b"person\n", "a folder of plain files", "the folder that the file lies in"),
    ],
)
def test_what_is_no_folder_is_refused_with_what_to_give_instead(
    tmp_path: Path, name: str, content: bytes | None, expected: str, remedy: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    (problem,) = problems_of(tmp_path / name)
    assert problem.file == name
    assert problem.expected == expected
    assert remedy in problem.remedy


def test_an_empty_folder_lacks_the_five_files_that_every_project_has(tmp_path: Path) -> None:
    assert [problem.file for problem in problems_of(tmp_path)] == [
        "project.toml",
        "collection.csv",
        "survey.csv",
        "task_times.csv",
        "team.csv",
    ]


def test_no_remedy_ever_suggests_a_higher_limit(tiny: Path) -> None:
    swap("project.toml", "hours_per_day = 3.0", "hours_per_day = 6")(tiny)
    swap("project.toml", "days_per_week = 3", "days_per_week = 5")(tiny)
    for problem in problems_of(tiny):
        assert "or less" in problem.remedy
        assert not any(word in problem.remedy for word in ("raise", "increase", "allow more"))


@pytest.mark.parametrize("secret", ['"db://me:secret@host/x"', "db://me:secret@host/x"])
def test_the_address_of_a_database_is_never_repeated(tiny: Path, secret: str) -> None:
    add("project.toml", f"[record]\nurl_from = {secret}")(tiny)
    assert "secret" not in "".join(str(problem) for problem in problems_of(tiny))


def test_a_reason_about_a_person_is_never_repeated(tiny: Path) -> None:
    put(
        "closures.csv",
        "first_day,last_day,person,reason\n2026-02-02,2026-02-03,AB,private matter\n",
    )(tiny)
    swap("team.csv", "10:00,no", "10:00,private matter")(tiny)
    text = "\n".join(str(problem) for problem in problems_of(tiny))
    assert "private matter" not in text
    assert "(not shown)" in text
