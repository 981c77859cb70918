"""A bad return is told in plain words, all of it at once, and never as a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from forecast.errors import InputError, Problem
from forecast.folder import read_project
from forecast.project import Project
from forecast.return_files import read_return
from tests.bad_returns import BAD_RETURNS, BadReturn

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"


@pytest.fixture(scope="module")
def tiny() -> Project:
    return read_project(TINY)


def problems_of(path: Path, project: Project) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        read_return(path, project)
    return caught.value.problems


@pytest.mark.parametrize("bad", BAD_RETURNS, ids=lambda bad: bad.name)
def test_a_bad_return_is_named_with_its_cell_and_remedy(
    tiny: Project, tmp_path: Path, bad: BadReturn
) -> None:
    problems = problems_of(bad.make(tmp_path), tiny)
    shown = "\n".join(str(problem) for problem in problems)
    told = [
        p
        for p in problems
        if p.file == bad.file and p.place == bad.place and bad.remedy in p.remedy
    ]
    assert told, shown
    assert len(problems) == bad.problems, shown
    for problem in problems:
        assert problem.expected
        assert len(problem.read) <= 60
        assert problem.remedy[0].isupper() or "!" in problem.remedy
        assert problem.remedy.endswith((".", "?"))


def test_the_table_holds_many_kinds_of_bad_return() -> None:
    assert len(BAD_RETURNS) >= 160
    assert len({bad.name for bad in BAD_RETURNS}) == len(BAD_RETURNS)
