"""scenarios.toml: read with every problem named, and kept without losing a comment."""

from __future__ import annotations

import shutil
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.errors import InputError
from forecast.folder import read_project
from forecast.people import TeamRow
from forecast.scenario import Add, Remove, Scenario, Set, apply, more_of, person_like
from forecast.scenario_file import (
    PlaceBounds,
    PostBounds,
    Scenarios,
    Search,
    keep_scenario,
    read_plans,
    read_scenarios,
    scenarios_from,
)
from tests.bad_scenarios import BAD_SCENARIOS, TODAY, BadScenario

DATA = Path(__file__).resolve().parent.parent / "scenario_data"
DEMO = read_project(DATA / "demo")

COMMENTED = """\
# On top.
[[scenario]]
name = "First # not a comment"   # beside the name
why = "because"
# above the list
set = [
  # inside "it"
  { what = "places.cleaning_benches", to = 3 }, # behind
]

# About the second.
[[scenario]]  # at the header
name = "Second"
[[scenario.add]]  # at a part
what = "place"
place = "cleaning_benches" # in a part
number = 1

# About the search.
[search]
confidence = 0.8
[[search.place]]
place = "cleaning_benches" # in the search
least = 1
most = 2
# At the end.
"""


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DATA / "demo", tmp_path / "demo"))


def told(text: str, not_before: date | None = None) -> Scenarios:
    return scenarios_from(text.encode(), DEMO, not_before)


# --- bad files -----------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", BAD_SCENARIOS, ids=lambda bad: bad.name)
def test_a_bad_scenario_is_named_with_its_place_and_remedy(bad: BadScenario) -> None:
    with pytest.raises(InputError) as caught:
        told(bad.text, bad.not_before)
    problems = caught.value.problems
    text = "\n".join(str(problem) for problem in problems)
    assert any(p.place.startswith(bad.place) and bad.remedy in p.remedy for p in problems), text
    assert len(problems) == bad.problems, text
    for problem in problems:
        assert problem.file == "scenarios.toml"
        assert problem.expected
        assert len(problem.read) <= 60
        assert problem.remedy[0].isupper()
        assert problem.remedy.endswith((".", "?"))


def test_the_table_is_long_and_names_each_fault_once() -> None:
    assert len(BAD_SCENARIOS) >= 60
    assert len({bad.name for bad in BAD_SCENARIOS}) == len(BAD_SCENARIOS)


@pytest.mark.parametrize("bad", [bad for bad in BAD_SCENARIOS if bad.not_before])
def test_what_is_wrong_only_because_it_has_happened_is_right_before(bad: BadScenario) -> None:
    try:
        told(bad.text)
    except InputError as error:
        assert "deliveries.csv" in str(error)  # noqa: PT017  # a lot less is one too few


def test_problems_of_the_project_and_of_its_scenarios_come_in_one_go(demo: Path) -> None:
    text = (demo / "team.csv").read_text(encoding="utf-8").replace("09:30", "9am")
    (demo / "team.csv").write_text(text, encoding="utf-8")
    (demo / "scenarios.toml").write_text("[[scenario]]\nname = 3\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_plans(demo)
    assert [problem.file for problem in caught.value.problems] == ["team.csv", "scenarios.toml"]


def test_a_file_that_is_no_toml_is_told_once(demo: Path) -> None:
    (demo / "scenarios.toml").write_text("name = \n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_plans(demo)
    assert len(caught.value.problems) == 1
    with pytest.raises(InputError):
        read_scenarios(demo, DEMO)


# --- good files ----------------------------------------------------------------------------------


def test_without_the_file_there_are_no_scenarios(demo: Path) -> None:
    (demo / "scenarios.toml").unlink()
    assert read_scenarios(demo, DEMO) == Scenarios()
    assert told("# nothing yet\n") == Scenarios()


def test_changes_are_read_as_they_are_made_in_python() -> None:
    found = told(
        """
        [[scenario]]
        name = "Ünïcode, \\"quoted\\""
        why = "x"
        once = 100
        monthly = 2.5
        set = [
          { what = "person", person = "AB", fri = 6, stages = ["cleaning"], from = 2026-09-07 },
        ]
        add = [
          { what = "place", place = "drying_items", number = 4, once = 9, until = "2026-12-31" },
        ]
        [[scenario.remove]]
        what = "closure"
        first_day = 2026-04-07
        """
    )
    values = {"person": "AB", "fri": 6, "stages": ("cleaning",)}
    place = {"place": "drying_items", "number": 4}
    assert found.scenarios == (
        Scenario(
            'Ünïcode, "quoted"',
            "x",
            (
                Remove("closure", {"first_day": date(2026, 4, 7)}),
                Add("place", place, None, date(2026, 12, 31), 9.0),
                Set("person", values, date(2026, 9, 7)),
            ),
            100.0,
            2.5,
        ),
    )
    assert found.named('Ünïcode, "quoted"') is found.scenarios[0]
    with pytest.raises(InputError, match="Did you mean"):
        found.named('Unïcode, "quoted"')


def test_what_a_search_may_try_is_read() -> None:
    found = told(
        """
        [search]
        confidence = 0.95
        tolerance = 300
        [[search.post]]
        like = "CD"
        name = "assistant"
        least = 1
        most = 3
        starts = [2026-09-07, 2026-10-05]
        until = 2027-06-30
        shares = [0.5, 1]
        once = 5
        monthly = 6
        [[search.place]]
        place = "drying_items"
        least = 48
        most = 96
        step = 12
        once = 7
        """
    )
    starts = (date(2026, 9, 7), date(2026, 10, 5))
    last = date(2027, 6, 30)
    assert found.search == Search(
        (PostBounds("CD", 3, 1, "assistant", starts, last, (0.5, 1.0), 5.0, 6.0),),
        (PlaceBounds("drying_items", 48, 96, 12, (), 7.0),),
        0.95,
        300.0,
    )
    assert told('[search]\n[[search.post]]\nlike = "AB"\nmost = 1\n').search == Search(
        (PostBounds("AB", 1),)
    )


def test_the_demo_has_five_scenarios_with_and_without_its_record(demo: Path) -> None:
    project, found = read_plans(demo)
    assert len(found.scenarios) == 5
    assert found.search is not None
    assert found.search.confidence == 0.9
    assert read_plans(demo, TODAY)[1] == found
    for scenario in found.scenarios:
        assert scenario.why
        assert apply(project, scenario) != project
        assert apply(project, scenario).warnings == project.warnings
    text = (demo / "scenarios.toml").read_text(encoding="utf-8")
    assert "made up" in text.splitlines()[0]


# --- keeping -------------------------------------------------------------------------------------

SECOND = Scenario(
    "Second",
    'quoted "why" # here',
    (
        Remove("person", {"person": "KL"}, date(2026, 9, 7)),
        Add("place", {"place": "drying_items", "number": 4}, None, date(2026, 12, 31), 9.5, 2.0),
        Set("person", {"person": "AB", "fri": 6.5, "stages": ("cleaning", "covers")}),
        Set("places.cleaning_benches", {"to": 4}),
    ),
    once=12.0,
)


def test_what_is_kept_is_read_again_as_it_was(demo: Path) -> None:
    (demo / "scenarios.toml").unlink()
    keep_scenario(demo, SECOND)
    keep_scenario(demo, more_of(DEMO, "camera_stations", 1, date(2026, 9, 7), once=5.0))
    keep_scenario(demo, person_like(DEMO, "AB", from_=date(2026, 9, 7), thu=0))
    found = read_scenarios(demo, DEMO).scenarios
    assert found[0] == SECOND
    assert [scenario.name for scenario in found[1:]] == [
        "1 more camera stations",
        "One more conservator like AB",
    ]
    assert not list(demo.glob(".*"))


@pytest.mark.parametrize("name", ["First # not a comment", "Second", "Third"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_no_comment_is_lost_and_nothing_else_moves(
    demo: Path, name: str, newline: str, mark: bytes
) -> None:
    path = demo / "scenarios.toml"
    path.write_bytes(mark + COMMENTED.replace("\n", newline).encode())
    before = read_scenarios(demo, DEMO)
    kept = Scenario(name, SECOND.why, SECOND.changes, SECOND.once)
    keep_scenario(demo, kept, replace=True)
    data = path.read_bytes()
    assert data.startswith(mark)
    text = data.decode("utf-8-sig")
    assert text.count("\n") == text.count(newline)
    for comment in (line.split("# ")[-1] for line in COMMENTED.splitlines() if "# " in line):
        assert text.count(f"# {comment}") == 1, comment
    lines = text.splitlines()
    assert "# About the second." in lines[: lines.index("[[scenario]]  # at the header")]
    assert lines[lines.index("[search]") - 1] == "# About the search."
    found = read_scenarios(demo, DEMO)
    assert found.search == before.search
    assert found.named(name) == kept
    others = [scenario for scenario in found.scenarios if scenario.name != name]
    assert others == [scenario for scenario in before.scenarios if scenario.name != name]


def test_keeping_the_same_again_changes_no_byte(demo: Path) -> None:
    path = demo / "scenarios.toml"
    path.write_text(COMMENTED, encoding="utf-8", newline="\n")
    first = read_scenarios(demo, DEMO).scenarios[0]
    keep_scenario(demo, first, replace=True)
    assert path.read_text(encoding="utf-8") == COMMENTED


def test_the_demos_file_takes_each_of_its_scenarios_back_unchanged(demo: Path) -> None:
    before = (demo / "scenarios.toml").read_bytes()
    for scenario in read_scenarios(demo, DEMO).scenarios:
        keep_scenario(demo, scenario, replace=True)
    assert (demo / "scenarios.toml").read_bytes() == before


_NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(
    lambda text: text.strip() == text
)


@given(st.lists(_NAMES, min_size=1, max_size=4, unique=True), st.text(), st.data())
@settings(max_examples=60, deadline=None)
def test_any_name_and_why_come_back(
    tmp_path_factory: pytest.TempPathFactory, names: list[str], why: str, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("kept")
    why = why.encode("utf-8", "ignore").decode().strip()
    for name in names:
        keep_scenario(folder, Scenario(name))
    chosen = data.draw(st.sampled_from(names))
    keep_scenario(folder, Scenario(chosen, why, SECOND.changes), replace=True)
    values = tomllib.loads((folder / "scenarios.toml").read_text(encoding="utf-8"))
    assert [each["name"] for each in values["scenario"]] == names
    assert values["scenario"][names.index(chosen)].get("why", "") == why


@pytest.mark.parametrize("name", ["", "  ", "as planned"])
def test_a_scenario_needs_a_name_of_its_own(demo: Path, name: str) -> None:
    before = (demo / "scenarios.toml").read_bytes()
    with pytest.raises(InputError, match="a name"):
        keep_scenario(demo, Scenario(name))
    assert (demo / "scenarios.toml").read_bytes() == before


def test_a_name_that_is_there_is_kept_unless_it_is_said(demo: Path) -> None:
    with pytest.raises(InputError) as caught:
        keep_scenario(demo, Scenario("Fridays off"))
    assert "say that it is to be replaced" in caught.value.problems[0].remedy


def test_a_file_that_cannot_be_read_is_not_written_over(demo: Path) -> None:
    (demo / "scenarios.toml").write_text("name = \n", encoding="utf-8")
    with pytest.raises(InputError):
        keep_scenario(demo, SECOND)
    assert (demo / "scenarios.toml").read_text(encoding="utf-8") == "name = \n"


def test_scenarios_in_one_list_are_left_alone(demo: Path) -> None:
    (demo / "scenarios.toml").write_text('scenario = [{ name = "A" }]\n', encoding="utf-8")
    assert len(read_scenarios(demo, DEMO).scenarios) == 1
    with pytest.raises(InputError, match="one by one"):
        keep_scenario(demo, SECOND)


def test_a_disk_that_is_full_leaves_the_file_as_it_was(
    demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    before = (demo / "scenarios.toml").read_bytes()
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputError, match="No space left"):
        keep_scenario(demo, SECOND)
    assert (demo / "scenarios.toml").read_bytes() == before
    assert not list(demo.glob(".*"))


def test_a_kept_scenario_is_no_change_of_the_plan(demo: Path) -> None:
    before = read_project(demo)
    keep_scenario(demo, SECOND)
    after = read_project(demo)
    assert before.input_sha256 != after.input_sha256
    assert vars(before) | {"input_sha256": ""} == vars(after) | {"input_sha256": ""}
    rows: tuple[TeamRow, ...] = after.team
    assert rows == before.team


def test_the_examples_of_the_guide_can_be_used_on_the_demo() -> None:
    guide = (DATA.parent / "README.md").read_text(encoding="utf-8")
    section = guide.split("### Scenarios\n")[1].split("\n## ")[0]
    examples = [line[4:] for line in section.splitlines() if line.startswith("    ")]
    found = told("\n".join(examples))
    assert len(found.scenarios) == 1
    assert len(found.scenarios[0].changes) == 5
    assert found.search is not None
    assert (len(found.search.posts), len(found.search.places)) == (1, 1)
