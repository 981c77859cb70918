"""The command line: exit codes, every problem at once, a summary in words, and no traceback."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from forecast import cli, diary, luck
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.outcome import NOT_BY_HORIZON
from forecast.replicate import one_record
from forecast.results import QUANTILES
from forecast.return_files import write_return
from forecast.stages import STAGE_NAMES
from forecast.weekly import WeeklyReturn
from tests.bad_inputs import BAD_INPUTS, BadInput

_ROOT = Path(__file__).resolve().parent.parent
_TINY = _ROOT / "scenario_data" / "tiny"
_KEYS = (
    "schema",
    "project",
    "as_of",
    "replications",
    "seed",
    "horizon",
    "warnings",
    "assumed",
    "finish",
    "promise",
    "items_by_grant_end",
    "weekly",
    "places",
    "waiting",
    "exposure",
    "input_sha256",
)
_FEW = ["--replications", "8", "--workers", "1"]


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    folder = tmp_path / "a tiny project"
    shutil.copytree(_TINY, folder)
    return folder


def _process(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "forecast", *arguments],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )


def test_a_forecast_ends_with_the_summary_the_cautions_and_the_path_of_the_page(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results, draws = tmp_path / "out.json", tmp_path / "draws.csv"
    code = cli.main(["schedule", str(tiny), *_FEW, "--json", str(results), "--draws", str(draws)])
    said = capsys.readouterr().out
    assert code == 0
    assert "The promise is 30 items by 31 March 2026." in said
    for caution in CAUTIONS:
        assert caution in said
    page = Path(said.strip().splitlines()[-1].removeprefix("The forecast as a page: "))
    assert page.is_file()
    assert page.parent == (tiny / "reports").resolve()
    _check_contract(json.loads(results.read_text(encoding="utf-8")))
    _check_draws(draws)


def _check_contract(result: dict[str, object]) -> None:
    """The keys that other tools rely on."""
    for key in _KEYS:
        assert key in result, key
    assert (result["schema"], result["replications"], result["seed"]) == (1, 8, 1)
    finish, promise = result["finish"], result["promise"]
    assert isinstance(finish, dict)
    assert isinstance(promise, dict)
    assert {"by_grant_end", "not_by_horizon", "dates"} <= finish.keys()
    assert list(finish["dates"]) == [str(q) for q in QUANTILES]
    assert len(QUANTILES) == 11
    assert list(promise["table"][0]) == ["date", "0.5", "0.8", "0.9", "0.95"]


def _check_draws(path: Path) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["replication", "finish", "week", "stage", "items"]
    assert {row["replication"] for row in rows} == {str(n) for n in range(8)}
    assert {row["stage"] for row in rows} == set(STAGE_NAMES)
    by_stage: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        by_stage.setdefault((row["replication"], row["stage"]), []).append(int(row["items"]))
    assert all(items == sorted(items) for items in by_stage.values())  # cumulative


def test_nobody_does_mould_work_is_a_warning_in_words_and_ends_well(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    team = tiny / "team.csv"
    lines = team.read_text(encoding="utf-8").splitlines()
    column = (
        next(line for line in lines if line.startswith("person")).split(",").index("mould_work")
    )
    changed = []
    for line in lines:
        cells = line.split(",")
        if len(cells) > column and cells[column] == "yes":
            cells[column] = "no"
        changed.append(",".join(cells))
    team.write_text("\n".join(changed) + "\n", encoding="utf-8")
    results = tmp_path / "out.json"
    code = cli.main(["schedule", str(tiny), *_FEW, "--json", str(results)])
    captured = capsys.readouterr()
    assert code == 0
    assert "mould" in captured.err
    assert "not by the horizon" in captured.out
    told = json.loads(results.read_text(encoding="utf-8"))
    assert told["finish"]["not_by_horizon"] == 1.0
    assert told["finish"]["dates"]["0.5"] is None
    assert told["warnings"]
    assert NOT_BY_HORIZON not in told["items_by_grant_end"].values()


def test_all_wrong_options_and_files_are_named_in_one_go(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tiny / "team.csv").unlink()
    code = cli.main(
        [
            "schedule",
            str(tiny),
            "--as-of=03/09/2026",
            "--replications=none",
            "--seed=-1",
            "--workers=0",
            "--audience=press",
            "--model=fast",
            f"--json={tmp_path / 'nowhere' / 'out.json'}",
        ]
    )
    said = capsys.readouterr().err
    assert code == 2
    options = ("as-of", "replications", "seed", "workers", "audience", "model", "json")
    for option in options:
        assert f"--{option}: " in said
    assert "team.csv" in said
    assert "Traceback" not in said


def test_either_model_writes_the_same_results(tiny: Path, tmp_path: Path) -> None:
    def written(model: str) -> bytes:
        file = tmp_path / f"{model}.json"
        page = tmp_path / f"{model}.html"
        options = [*_FEW, "--model", model, "--json", str(file), "--out", str(page)]
        assert cli.main(["schedule", str(tiny), *options]) == 0
        return file.read_bytes()

    assert written("compiled") == written("readable")


@pytest.mark.parametrize("model", ["compiled", "readable"])
def test_an_items_way_is_told_with_who_for_the_team(
    model: str, tiny: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--replication", "3", "--item", "0", "--item", "29", "--model", model]
    assert cli.main(["trace", str(tiny), *options]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Item 0 (1 of 30 in the order of work): ")
    assert "\nItem 29 (30 of 30 in the order of work): " in said
    assert said.count(" is delivered\n") == 2
    assert "for the team" in said
    assert all(caution in said for caution in CAUTIONS)


def test_a_trace_is_of_the_future_that_the_forecast_saw(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from forecast.replicate import simulate

    futures = simulate(read_project(tiny), None, 4, 5, 1, progress=False, standstill=False)
    items = [option for item in range(30) for option in ("--item", str(item))]
    assert cli.main(["trace", str(tiny), "--replication", "3", "--seed", "5", *items]) == 0
    told = capsys.readouterr().out.splitlines()
    last = max(line.split()[1] for line in told if line.endswith(" is done"))
    assert last == str(futures.date_of(int(futures.finish_day[3])))


def test_a_forecast_goes_on_from_the_record_where_there_is_one(
    tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results = tmp_path / "out.json"

    def made(*options: str) -> tuple[str, dict[str, object], str]:
        given = [*_FEW, "--json", str(results), "--out", str(tmp_path / "page.html"), *options]
        assert cli.main(["schedule", str(tiny), *given]) == 0
        page = (tmp_path / "page.html").read_text(encoding="utf-8")
        return capsys.readouterr().out, json.loads(results.read_text(encoding="utf-8")), page

    before = made()
    for ret in _returns(tiny):
        write_return(ret, tmp_path / ret.week.isoformat())
        source = str(tmp_path / ret.week.isoformat())
        assert cli.main(["record", str(tiny), source, "--no-forecast"]) == 0
    capsys.readouterr()
    said, told_, page = made()
    assert told_["as_of"] == "2026-01-18", "the Sunday of the last recorded week"
    record = told_["record"]
    assert isinstance(record, dict)
    assert (record["weeks"], record["last_week"]) == (2, "2026-01-12")
    knows = "The forecast knows the returns of 2 weeks, the last of them of the week of 12 January"
    change = "No forecast covers a change of the work that has not happened yet."
    for text in (said, page):
        assert knows in text
        assert change in text
    # What was known before the first return counts is what was known then.
    earlier = made("--as-of", "2026-01-04")
    assert earlier[1:] == before[1:]
    assert knows not in earlier[0]
    assert change not in earlier[2]
    items = [option for item in range(30) for option in ("--item", str(item))]
    assert cli.main(["trace", str(tiny), "--replication", "0", *items]) == 0
    told = capsys.readouterr().out
    days = re.findall(r"\b2026-\d\d-\d\d\b", told)
    assert min(days) == "2026-01-19", "the trace begins where the forecast does"
    assert " is at " in told


def _returns(folder: Path) -> tuple[WeeklyReturn, ...]:
    """Two weeks of a future of the project."""
    project = read_project(folder)
    plan = luck.plan(project)
    drawn, rows = one_record(plan, 7, 2)
    return diary.returns(plan, drawn, rows, project.grant.start + timedelta(weeks=2, days=-1))


def test_who_a_trace_is_for_stands_in_its_help(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["trace", "--help"])
    said = " ".join(capsys.readouterr().out.split())
    assert "names the people who handle the item: it is for the team" in said


def test_items_and_futures_that_do_not_exist_are_named_in_one_go(
    tiny: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--replication=-1", "--item=30", "--item=two", "--item=0", "--as-of=tomorrow"]
    assert cli.main(["trace", str(tiny), *options]) == 2
    said = capsys.readouterr().err
    assert said.startswith("4 problems in the input:")
    assert "--replication: read '-1'; expected a whole number from 0. " in said
    assert "--item: read '30'; expected a whole number from 0 to 29. " in said
    assert "--item: read 'two'; expected a whole number from 0. " in said
    assert "--as-of: read 'tomorrow'" in said


def test_a_cluster_that_is_not_there_is_a_wrong_input(
    tiny: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert cli.main(["schedule", str(tiny), *_FEW, "--dask", "local"]) == 2
    assert "--dask: read 'local'; expected the extra package distributed" in capsys.readouterr().err


def test_only_what_simulates_waits_for_a_compiler_and_for_charts(tmp_path: Path) -> None:
    script = f"""
import sys
from forecast import cli
assert cli.main(["new", {str(tmp_path / "new")!r}]) == 0
assert cli.main(["check", {str(_TINY)!r}]) == 0
print("loaded:", *sorted(sys.modules.keys() & {{"numba", "simpy", "altair", "distributed"}}))
"""
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=_ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1].split() == ["loaded:"]


def test_check_names_what_is_assumed(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(tiny)]) == 0
    said = capsys.readouterr().out
    assert "30 items" in said
    assert "Assumed" in said
    assert CAUTIONS[0] in said


def test_a_new_project_can_be_checked_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "my project"
    assert cli.main(["new", str(folder)]) == 0
    assert CAUTIONS[0] in capsys.readouterr().out
    assert cli.main(["check", str(folder)]) == 0
    assert cli.main(["new", str(folder)]) == 2  # nothing that stands there is overwritten
    assert "Traceback" not in capsys.readouterr().err


def test_the_demo_puts_its_project_where_it_is_told_and_leaves_the_original_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted((_ROOT / "scenario_data" / "demo").iterdir())
    folder = tmp_path / "demo here"
    assert cli.main(["demo", str(folder), "--replications", "2", "--workers", "1"]) == 0
    assert (folder / "team.csv").is_file()
    assert list((folder / "reports").glob("*.html"))
    assert sorted((_ROOT / "scenario_data" / "demo").iterdir()) == before
    assert "invented" in capsys.readouterr().out


@pytest.mark.parametrize(
    "bad", BAD_INPUTS[:: max(1, len(BAD_INPUTS) // 5)][:5], ids=lambda bad: bad.name
)
def test_bad_input_in_a_real_process_gives_exit_2_the_place_and_a_remedy(
    bad: BadInput, tiny: Path
) -> None:
    bad.spoil(tiny)
    done = _process("schedule", str(tiny), *_FEW)
    assert done.returncode == 2, done.stderr
    assert bad.file in done.stderr
    assert bad.remedy in done.stderr
    assert "Traceback" not in done.stderr + done.stdout


def test_a_fault_of_the_program_is_exit_1_and_offers_its_details(
    tiny: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(_: Path) -> None:
        raise ZeroDivisionError("by design")

    monkeypatch.setattr("forecast.scenario_file.read_plans", fails)
    assert cli.main(["check", str(tiny)]) == 1
    said = capsys.readouterr().err
    assert "--traceback" in said
    assert "Traceback (most" not in said
    assert cli.main(["--traceback", "check", str(tiny)]) == 1
    assert "Traceback (most" in capsys.readouterr().err
