"""The demo's returns: made by the script beside them, told as a real team would, and recordable."""

from __future__ import annotations

import sys
from datetime import date, timedelta
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from forecast import luck, return_checks, return_files
from forecast.folder import read_project
from forecast.history import History
from forecast.items import Mould
from forecast.project import Project
from forecast.stages import Stage
from forecast.weekly import WeeklyReturn

DATA = Path(__file__).resolve().parent.parent / "scenario_data"
STORED = DATA / "demo_returns"


def _script() -> ModuleType:
    """The script as a module; it is no part of the package."""
    spec = spec_from_file_location("make_demo_returns", DATA / "make_demo_returns.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module  # where its dataclasses look for their types
    spec.loader.exec_module(module)
    return module


script = _script()


@pytest.fixture(scope="module")
def project() -> Project:
    return read_project(DATA / "demo")


def _files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*.csv"))
    }


def _stored(folder: Path, project: Project) -> list[WeeklyReturn]:
    weeks = sorted(path for path in folder.iterdir() if path.name.startswith("20"))
    return [return_files.read_return(week, project) for week in weeks]


def test_the_stored_files_are_those_that_the_script_makes(project: Project, tmp_path: Path) -> None:
    script.write(script.written(project), tmp_path)
    made, stored = _files(tmp_path), _files(STORED)
    assert made.keys() == stored.keys()
    for name, content in made.items():
        assert content == stored[name].replace(b"\r\n", b"\n"), name


def test_writing_again_leaves_no_old_week_and_nothing_else_changed(
    project: Project, tmp_path: Path
) -> None:
    (tmp_path / "2026-12-07").mkdir()
    (tmp_path / "README.md").write_text("stays", encoding="utf-8")
    what = script.Written(tuple(_stored(STORED, project)[:1]), ())
    for _ in range(2):
        script.write(what, tmp_path)
        assert sorted(path.name for path in tmp_path.iterdir()) == ["2026-01-05", "README.md"]


def test_every_return_can_be_recorded_in_its_turn_and_one_shows_a_crossing(
    project: Project,
) -> None:
    on_record = History()
    crossings = []
    for told in [*_stored(STORED, project), *_stored(STORED / script.CORRECTIONS, project)]:
        today = told.last_day + timedelta(days=1)
        checked = return_checks.check(project, on_record, told, project.persons, today)
        assert checked.errors == ()
        crossings += [(told.week, each.hours) for each in checked.crossings]
        on_record = History.of([*on_record.returns, told])
    assert crossings == [(script.CROSSED, 3.25)]
    assert on_record.gaps == (script.MISSING,)
    assert on_record.last_day == project.grant.start + timedelta(weeks=script.WEEKS, days=-1)


def test_the_weeks_are_as_special_as_the_readme_says(project: Project) -> None:
    weeks = {told.week: told for told in _stored(STORED, project)}
    totals = weeks[script.TOTALS_ONLY]
    assert totals.told == {"counts"}
    assert {row.material for row in totals.counts} == {None}
    assert "days" in weeks[script.DAY_GRID].told
    assert not weeks[script.DAY_GRID].told & {"hours", "exposure"}
    assert [row.note for row in weeks[script.NOTED].notes] == [script.NOTE]
    (right,) = _stored(STORED / script.CORRECTIONS, project)
    wrong = weeks[right.week]

    def imaged(told: WeeklyReturn) -> int:
        return sum(row.items or 0 for row in told.counts if row.stage is Stage.IMAGING)

    assert right.week == script.CORRECTED
    assert imaged(wrong) - imaged(right) == script.SLIP
    readme = (STORED / "README.md").read_text(encoding="utf-8")
    assert "invented" in readme.splitlines()[0]
    special = (
        script.MISSING,
        script.CORRECTED,
        script.TOTALS_ONLY,
        script.NOTED,
        script.DAY_GRID,
        script.CROSSED,
    )
    for day in special:
        assert f"\n| {day.isoformat()} |" in readme


def test_the_truth_differs_from_the_plan_as_the_readme_says(project: Project) -> None:
    really = script.truth(project)
    assert really.time.delivered_share.likely == 0.70
    planned = {row.name: row.average.likely for row in project.task_times}
    for row in really.task_times:
        assert row.average.is_known
        ratio = row.average.likely / planned[row.name] if planned[row.name] else 1.0
        slower = row.stage is Stage.CLEANING and row.material == "volume"
        dryer = row.stage is Stage.DRYING and row.material is None
        assert ratio == pytest.approx(1.2 if slower else 9.0 / 7.0 if dryer else 1.0), row.name
    share = {
        which: luck.replication(plan, 5, 0).mould == Mould.ACTIVE
        for which, plan in (
            ("plan", luck.plan(project)),
            ("truth", script.truth_plan(project)),
        )
    }
    plan = luck.plan(project)
    first = [n for n, c in enumerate(plan.cells) if (c.series, c.material) == (FIRST, "volume")]
    mine = np.isin(plan.cell_of_item, first)
    assert share["truth"][mine].mean() > 1.5 * share["plan"][mine].mean()
    np.testing.assert_array_equal(share["truth"][~mine], share["plan"][~mine])


FIRST = script.FIRST_SERIES


def test_no_return_is_told_of_a_day_that_lies_ahead(project: Project) -> None:
    last = date(2026, 5, 24)
    for told in _stored(STORED, project):
        days = [
            *(row.day for row in told.exposure),
            *(row.day for row in told.days),
            *(row.taken_out or row.put_in for row in told.drying),
        ]
        assert all(told.week <= day <= min(told.last_day, last) for day in days)
