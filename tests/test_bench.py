"""The bench: what it computes and prints. No test looks at how long anything takes."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from forecast import bench, luck, tally
from forecast.events import What
from forecast.folder import read_project
from forecast.items import Category
from forecast.project import Project

ROOT = Path(__file__).parents[1]

COST = bench._Cost(
    luck=0.002,
    loop=0.006,
    adding=0.001,
    totals=0.001,
    items=5_000,
    ended=5_000,
    events=100_000,
    services=20_000,
)
READABLE = replace(COST, loop=0.599)


@pytest.fixture(scope="module")
def demo() -> Project:
    return read_project(ROOT / "scenario_data" / "demo")


# Projects of all sizes


@pytest.mark.parametrize(("items", "futures"), [(50, 1), (50, 12), (400, 3)])
def test_all_items_of_a_scaled_project_end_before_its_horizon(
    demo: Project, items: int, futures: int
) -> None:
    project = bench._scaled(demo, items, futures)
    assert project.total_items == pytest.approx(items, abs=len(demo.collection))
    ends = []
    for index in range(futures):
        drawn = luck.replication(luck.plan(project), 1, index)
        finished, end = tally.end_of(bench._run(project, drawn))
        assert finished
        ends.append(end // 86_400)
    # Not much later either: luck is drawn for each day.
    assert project.days == max(ends) + 90


def test_a_scaled_project_has_the_same_team_and_places(demo: Project) -> None:
    project = bench._scaled(demo, 60)
    assert (project.team, project.places) == (demo.team, demo.places)
    assert (project.task_times, project.grant.start) == (demo.task_times, demo.grant.start)


@pytest.mark.parametrize("items", [250, 1_000])
def test_a_scaled_survey_keeps_its_mix(demo: Project, items: int) -> None:
    def looked_at(project: Project) -> dict[Category, int]:
        found = dict.fromkeys((row.category for row in demo.survey), 0)
        for row in project.survey:
            found[row.category] += row.items
        return found

    # Half as many as the share; of each condition that was seen, at least one.
    wanted = {
        category: max(1, round(number * items / demo.total_items / 2))
        for category, number in looked_at(demo).items()
    }
    assert looked_at(bench._scaled(demo, items)) == wanted


def test_a_horizon_too_early_for_all_items_is_moved(demo: Project) -> None:
    small = bench._scaled(demo, 60)
    early = replace(small, grant=replace(small.grant, horizon=small.grant.start))
    assert early.days == 1
    assert bench._until_all_end(early, 1) == small


# One replication, part by part


def test_the_parts_of_a_replication_add_up() -> None:
    assert COST.reduction == pytest.approx(0.002)
    assert COST.replication == pytest.approx(0.010)
    assert COST.event == pytest.approx(70e-9)
    assert COST.service == pytest.approx(350e-9)
    assert COST.item == pytest.approx(2e-6)


def test_a_future_counts_what_its_record_holds_for_both_models(demo: Project) -> None:
    future = bench._Future(bench._scaled(demo, 40))
    future.turn()
    assert future.readable() is None
    future.readable_turn()
    compiled, readable = future.compiled(), future.readable()
    assert readable is not None
    what = future.rows[:, 1].tolist()
    ends = sum(what.count(end) for end in (What.DONE, What.SET_ASIDE, What.NOT_IMAGED))
    for cost in (compiled, readable):
        assert cost.items == cost.ended == ends == future.project.total_items
        assert cost.events == len(what)
        assert cost.services == what.count(What.TAKEN)
    run, adding = future.times["run"], future.times["adding"]
    assert compiled.loop + compiled.adding == pytest.approx(run)
    assert readable.loop == future.times["walk"]
    assert compiled.adding == readable.adding == adding


def test_the_least_time_of_a_part_counts(
    demo: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    future = bench._Future(bench._scaled(demo, 40))
    for seconds in (3.0, 1.0, 2.0):
        monkeypatch.setattr(bench, "_timed", lambda act, s=seconds: (s, act()))
        assert future.measure("luck", lambda: "drawn") == "drawn"
    assert future.times == {"luck": 1.0}


def test_models_that_write_different_records_are_not_compared(demo: Project) -> None:
    future = bench._Future(bench._scaled(demo, 40))
    future.rows = future.rows[:-1]
    with pytest.raises(AssertionError, match="different records"):
        future.readable_turn()


def test_the_readable_model_is_left_out_where_it_would_take_too_long(
    demo: Project, capsys: pytest.CaptureFixture[str]
) -> None:
    futures = [bench._Future(bench._scaled(demo, items)) for items in (40, 80)]
    rows = [len(future.rows) for future in futures]
    futures[0].times["walk"] = bench._PATIENCE
    assert bench._readable_once(futures) == [pytest.approx(bench._PATIENCE * rows[1] / rows[0])]
    assert "walk" not in futures[1].times
    futures[0].times["walk"] = 1e-3
    assert bench._readable_once(futures) == []
    assert futures[1].times["walk"] > 0
    assert "readable model at" in capsys.readouterr().err


# Outside yardsticks


def test_each_customer_of_a_tandem_is_served_at_each_station(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bench, "_timed", lambda act: (60.0, act()))
    assert bench._simpy_tandem(10) == pytest.approx(60 / 30)
    pytest.importorskip("ciw", reason="Ciw is in the developers' lock only")
    found = bench._ciw_tandem(10)
    assert found is not None
    assert 60 / 36 <= found <= 60 / 30  # it may let a few more in before it ends


def test_without_ciw_that_yardstick_is_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "ciw", None)
    assert bench._ciw_tandem(10) is None


# Ratios and tables


def test_ratios_say_how_many_times_faster_the_compiled_engine_is() -> None:
    small = replace(COST, items=500, loop=0.001)
    figures = bench._against_the_readable([small, COST], [READABLE])
    assert [figure.value for figure in figures] == pytest.approx([0.599 / 0.006, 0.603 / 0.010])
    assert [figure.at_least for figure in figures] == [60, None]


def test_yardsticks_are_told_in_services_of_the_engine() -> None:
    with_ciw = bench._against_the_yardsticks(COST, 35e-6, 70e-6)
    assert [figure.value for figure in with_ciw] == pytest.approx([35, 70, 0.35, 100, 200])
    without = bench._against_the_yardsticks(COST, 35e-6, None)
    assert [figure.value for figure in without] == pytest.approx([35, 0.35, 100])


def test_the_cost_of_an_item_is_compared_with_5_000_items() -> None:
    large = replace(COST, items=100_000, loop=20 * 0.006, luck=0.056)
    whole, loops = bench._level([replace(COST, items=500), COST, large])
    assert whole.value == pytest.approx((0.056 + 0.12 + 0.002) / 20 / 0.010)
    assert loops.value == pytest.approx(1.0)
    assert "100,000 items / at 5,000" in whole.what


@pytest.mark.parametrize(
    ("figure", "ending"),
    [
        (bench._Figure("ratio", 60, at_least=60), "60         aim: at least 60, met"),
        (bench._Figure("ratio", 59.9, at_least=60), "aim: at least 60, not met in this run"),
        (bench._Figure("time", 3.999, "s", at_most=4), "4.00 s       aim: at most 4, met"),
        (bench._Figure("time", 4.01, "s", at_most=4), "aim: at most 4, not met in this run"),
        (bench._Figure("speed-up", 1.987), "1.99"),
        (bench._Figure("many", 1234.4, "ns"), "1,234 ns"),
    ],
)
def test_an_aim_is_printed_beside_its_figure(figure: bench._Figure, ending: str) -> None:
    assert figure.line().startswith(f"  {figure.what} ")
    assert figure.line().endswith(ending)


def test_columns_of_a_table_stand_below_each_other() -> None:
    lines = bench._table(("model", "items"), [("compiled", "500"), ("readable", "100,000")])
    assert lines == ["  model       items", "  compiled      500", "  readable  100,000"]


def test_a_row_names_every_part_in_its_unit() -> None:
    row = dict(zip(bench._HEAD, bench._row("compiled", COST), strict=True))
    assert row == {
        "model": "compiled",
        "items": "5,000",
        "ended": "5,000",
        "events": "100,000",
        "luck ms": "2.00",
        "loop ms": "6.00",
        "reduction ms": "2.00",
        "replication ms": "10.00",
        "ns an event": "70",
        "us an item": "2.00",
    }


# Plans side by side


def test_six_plans_are_compared_and_each_has_more_of_something(demo: Project) -> None:
    plans = bench._plans(demo)
    assert len(plans) == 6
    assert all(plan != demo for plan in plans[1:])
    assert [len(plan.persons) - len(demo.persons) for plan in plans] == [0, 0, 0, 0, 1, 1]


def test_plans_are_run_together_and_each_alone(
    demo: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran = []
    monkeypatch.setattr(bench, "_simulate", lambda plan, *_, **__: ran.append(plan))
    times = iter([5.0, *[1.0] * 6, 4.0, *[2.0, 1.0, 1.0, 1.0, 1.0, 1.0]])
    monkeypatch.setattr(bench, "_timed", lambda act: (next(times), act()))
    assert bench._compared(bench._scaled(demo, 40), None, 1, 2) == (4.0, 6.0, 1.0)
    assert len(ran) == 12


def test_ratios_of_plans_are_of_times_in_one_run() -> None:
    figures = bench._plan_figures((4.0, 6.0, 1.0), (5.0, 12.0, 2.0))
    assert [figure.value for figure in figures] == [1.5, 2.4, 2.0]


# Memory, in a process of its own


def test_memory_of_a_thousand_futures_is_reckoned_from_what_each_adds() -> None:
    found = {"peaks": [100_000_000, 110_000_000], "days": 1_200, "on_the_way": 0}
    assert bench._memory_rows({500: found}) == [
        ("500", "1,200", "0", "100.0", "110.0", "0.5", "595.0")
    ]


def test_memory_is_measured_over_more_and_more_futures_that_all_end() -> None:
    found = bench._memory(40, 1, 3)
    assert found["on_the_way"] == 0
    if found["peaks"] != [None, None]:
        assert 10e6 < found["peaks"][0] <= found["peaks"][1]


def test_a_child_says_what_it_found_on_its_last_line() -> None:
    command = [sys.executable, "-m", "forecast.bench", "--child", "memory", "40", "1"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout.splitlines()[-1])["on_the_way"] == 0


def test_help_names_the_thorough_run_and_not_the_children(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as ended:
        bench.main(["--help"])
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert "--thorough" in shown
    assert "--child" not in shown
