"""Commands of what-ifs: what they say, what they write, and no traceback for bad input."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from forecast import cli, recording
from forecast.exposure import CAUTIONS
from forecast.return_files import write_return
from tests.test_recording import TINY, told

Run = Callable[..., tuple[int, str, str]]

SCENARIOS = """
[[scenario]]
name = "Another pair of hands"
why = "What would one more person do?"
once = 500
add = [{ what = "person", like = "QX", person = "post 2" }]

[[scenario]]
name = "The same again"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "a project"
    shutil.copytree(TINY, made)
    first = (made / "team.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    (made / "scenarios.toml").write_text(SCENARIOS.replace("QX", first), encoding="utf-8")
    return made


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def runs(*arguments: object) -> tuple[int, str, str]:
        code = cli.main([str(each) for each in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return runs


def test_compare_says_a_sentence_a_plan_and_writes_a_page_and_json(
    folder: Path, run: Run, tmp_path: Path
) -> None:
    out = tmp_path / "results.json"
    code, said, _ = run("compare", folder, "--replications", 20, "--json", out)
    assert code == 0
    lines = said.splitlines()
    assert any(line.startswith("As planned, ") for line in lines)
    assert any(line.startswith("Another pair of hands: ") for line in lines)
    assert "The same again: Nothing differs in any of the 20 futures. It costs the same." in lines
    assert all(caution in said for caution in CAUTIONS)
    page = folder / "reports" / "staffing_plans_2026-01-04.html"
    assert "What can be promised under each plan" in page.read_text(encoding="utf-8")
    summary = json.loads(out.read_text(encoding="utf-8"))
    assert [plan["name"] for plan in summary["plans"]] == [
        "Another pair of hands",
        "The same again",
    ]
    assert sorted(path.name for path in folder.iterdir() if path.suffix == ".sqlite") == []


def test_compare_takes_some_of_the_scenarios(folder: Path, run: Run, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    asked = ("--scenario", "The same again", "--replications", 8, "--out", page)
    code, said, _ = run("compare", folder, *asked)
    assert code == 0
    assert "Another pair of hands" not in said
    assert "Another pair of hands" not in page.read_text(encoding="utf-8")


def test_a_name_that_no_scenario_has_is_told_with_those_that_there_are(
    folder: Path, run: Run
) -> None:
    code, _, complaint = run("compare", folder, "--scenario", "Another pair of hand")
    assert code == 2
    assert "Another pair of hands; The same again" in complaint


def test_all_options_that_are_wrong_are_told_in_one_go(folder: Path, run: Run) -> None:
    wrong = ("--replications", "1", "--seed", "-3", "--as-of", "soon", "--audience", "all")
    code, _, complaint = run("compare", folder, *wrong)
    assert code == 2
    for option in ("--replications", "--seed", "--as-of", "--audience"):
        assert option in complaint


def test_a_laxer_limit_in_a_scenario_is_refused_with_whom_to_ask(folder: Path, run: Run) -> None:
    laxer = '[[scenario]]\nname = "More"\nset = [{ what = "exposure.hours_per_day", to = 3.5 }]\n'
    (folder / "scenarios.toml").write_text(laxer, encoding="utf-8")
    code, _, complaint = run("compare", folder, "--replications", 8)
    assert code == 2
    assert "Change project.toml, and say who approved it" in complaint


def test_with_a_record_plans_start_after_it_and_what_lies_before_is_refused(
    folder: Path, run: Run, tmp_path: Path
) -> None:
    source = tmp_path / "return"
    write_return(told()[0], source)
    recording.record_return(folder, source, forecast=False)
    code, said, _ = run("compare", folder, "--replications", 10)
    assert code == 0
    assert "The same again: Nothing differs" in said
    page = folder / "reports" / "staffing_plans_2026-01-11.html"
    assert "from 12 January 2026 on" in page.read_text(encoding="utf-8")
    early = '[[scenario]]\nname = "E"\n'
    early += (
        'add = [{ what = "place", place = "camera_stations", number = 1, from = 2026-01-07 }]\n'
    )
    (folder / "scenarios.toml").write_text(early, encoding="utf-8")
    code, _, complaint = run("compare", folder, "--replications", 10)
    assert code == 2
    assert "scenario E" in complaint


def test_the_report_of_plans_needs_no_record(folder: Path, run: Run) -> None:
    code, said, _ = run("report", folder, "plans", "--replications", 20)
    assert code == 0
    assert "staffing_plans_2026-01-04.html" in said


SEARCH = """
[search]
confidence = 0.6

[[search.post]]
like = "QX"
most = 1

[[search.place]]
place = "camera_stations"
least = 1
most = 2
once = 4000
"""


def test_search_says_which_plan_and_how_sure_that_is(
    folder: Path, run: Run, tmp_path: Path
) -> None:
    first = (folder / "team.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    with (folder / "scenarios.toml").open("a", encoding="utf-8") as file:
        file.write(SEARCH.replace("QX", first))
    out = tmp_path / "found.json"
    code, said, _ = run("search", folder, "--seconds", 20, "--json", out)
    assert code == 0
    assert "4 plans" in said
    assert all(caution in said for caution in CAUTIONS)
    assert json.loads(out.read_text(encoding="utf-8"))
    page = folder / "reports" / "search_2026-01-04.html"
    assert "The cheapest plan that keeps the promise" in page.read_text(encoding="utf-8")


def test_search_without_bounds_says_what_to_write(folder: Path, run: Run) -> None:
    code, _, complaint = run("search", folder)
    assert code == 2
    assert "expected a section [search]" in complaint


def test_a_confidence_that_is_none_is_refused_with_the_other_problems(
    folder: Path, run: Run
) -> None:
    code, _, complaint = run("search", folder, "--confidence", "90", "--seconds", "0")
    assert code == 2
    assert "a number from 0.5 to 0.999" in complaint
    assert "--seconds" in complaint
