"""What a new project begins with is readable, plausible and marked as assumed."""

from __future__ import annotations

from pathlib import Path

import pytest

from forecast.errors import InputError
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.starter import write_starter


def test_the_starter_is_read_back_without_problem_or_warning(tmp_path: Path) -> None:
    write_starter(tmp_path / "mine")
    project = read_project(tmp_path / "mine")
    assert project.warnings == ()
    assert 500 <= project.total_items <= 1_000
    assert project.survey_has_mould
    assert len(project.persons) == 3


def test_the_files_that_were_written_are_named(tmp_path: Path) -> None:
    written = write_starter(tmp_path / "a" / "new")
    assert sorted(written) == sorted((tmp_path / "a" / "new").iterdir())
    assert {path.name for path in written} >= {"project.toml", "collection.csv", "README.md"}


def test_every_number_is_marked_as_assumed(tmp_path: Path) -> None:
    for path in write_starter(tmp_path / "mine"):
        assert "assumed" in path.read_text(encoding="utf-8").casefold(), path.name


def test_its_minutes_name_no_other_source_than_an_assumption(tmp_path: Path) -> None:
    write_starter(tmp_path / "mine")
    for row in read_project(tmp_path / "mine").task_times:
        assert row.average.is_zero or row.source == "assumed - please replace"


def test_its_readme_shows_every_caution(tmp_path: Path) -> None:
    write_starter(tmp_path / "mine")
    text = (tmp_path / "mine" / "README.md").read_text(encoding="utf-8")
    for caution in CAUTIONS:
        assert caution in text
    assert "{" not in text


def test_its_readme_names_the_columns_of_every_further_file(tmp_path: Path) -> None:
    from forecast.rows import COLUMNS

    write_starter(tmp_path / "mine")
    text = (tmp_path / "mine" / "README.md").read_text(encoding="utf-8")
    for name, (required, optional) in COLUMNS.items():
        assert name in text
        if not (tmp_path / "mine" / name).exists():
            line = next(line for line in text.splitlines() if line.startswith(f"| {name}"))
            shown = line.split("`")[1].split(",")
            assert sorted(shown) == sorted((*required, *optional))


def test_line_ends_are_the_same_on_every_system(tmp_path: Path) -> None:
    for path in write_starter(tmp_path / "mine"):
        assert b"\r" not in path.read_bytes()


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    (tmp_path / ".hidden").touch()
    assert write_starter(tmp_path)


def test_a_folder_with_files_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "team.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="new or empty folder"):
        write_starter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["team.csv"]


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="Choose another name"):
        write_starter(tmp_path / "file")


def test_a_place_that_cannot_be_written_to_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(InputError, match="ask for the right to write there"):
        write_starter(tmp_path / "mine")
