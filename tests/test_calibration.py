"""Whether the belief is as sure as it may be, and the script that measures how far to trust it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from forecast import calibrate, calibration, closed_loop
from forecast.calibration import QUANTITIES, Ranks, belief_calibration, bounds
from forecast.closed_loop import Scored
from forecast.history import History
from forecast.project import Project


def test_bands_are_those_of_the_binomial() -> None:
    # Talts et al. 2018: 1,000 runs in 20 bins, 37 to 64 with 95 % and 33 to 69 with 99 %.
    assert bounds(1_000, 20, 1, level=0.95) == (37, 64)
    assert bounds(1_000, 20, 1, level=0.99) == (33, 69)
    assert bounds(1_000, 20, 160)[0] < 33


def test_bands_hold_even_ranks_nearly_always() -> None:
    rng = np.random.default_rng(1)
    found = [
        Ranks(rng.integers(0, 100, (60, len(QUANTITIES)))).outside(5) != [] for _ in range(1_000)
    ]
    # 10 expected if the bands were exact; they are whole numbers, and so wider.
    assert sum(found) <= 20


def _ranks(widened: float, moved: float = 0.0, runs: int = 500) -> Ranks:
    """Normal truths among normal draws that are wider, or lie elsewhere."""
    rng = np.random.default_rng(2)
    truths: NDArray[np.float64] = rng.standard_normal((runs, len(QUANTITIES), 1))
    draws = moved + widened * rng.standard_normal((runs, len(QUANTITIES), 99))
    return Ranks((draws < truths).sum(axis=-1))


@pytest.mark.parametrize(("widened", "moved"), [(0.7, 0.0), (1.5, 0.0), (1.0, 0.4)])
def test_a_belief_that_is_too_sure_too_vague_or_off_is_found_out(
    widened: float, moved: float
) -> None:
    assert _ranks(1.0).outside(10) == []
    assert {quantity for quantity, _, _ in _ranks(widened, moved).outside(10)} == set(QUANTITIES)


def test_the_table_shows_every_count_the_bands_and_the_verdict() -> None:
    ranks = _ranks(1.0, runs=100)
    shown = ranks.table(5)
    lines = shown.splitlines()
    assert len({line.count("|") for line in lines[: 2 + len(QUANTITIES)]}) == 1
    for name, own, line in zip(QUANTITIES, ranks.counts(5), lines[2:], strict=False):
        assert line.split("|")[1:-1] == [f" {name} ", *(f" {count} " for count in own)]
        assert own.sum() == 100
    assert lines[-1].endswith("simultaneous 99 % bands 7 to 36: all inside")
    assert _ranks(3.0, runs=100).table(5).endswith(" outside")


def test_truths_from_the_prior_rank_evenly_among_draws_of_the_belief() -> None:
    """Simulation-based calibration, as far as half a minute allows; calibrate does more."""
    found = belief_calibration(60, seed=2, weeks=20)
    assert found.ranks.shape == (60, len(QUANTITIES))
    assert not found.outside(5), found.table(5)
    np.testing.assert_array_equal(belief_calibration(2, seed=2, weeks=20).ranks, found.ranks[:2])


# The script


def test_the_forecaster_learns_from_what_is_on_record() -> None:
    project, truth = closed_loop.without_variation()
    day = truth.as_of(0.1)
    told = calibrate.forecaster(project, History.of(truth.returns), day, 1, 4)
    silent = calibrate.forecaster(project, History.of(()), day, 1, 4)
    assert told.done_by_day[:, project.day_number(day)].tolist() == [truth.done_by(day)] * 4
    assert silent.replications == told.replications == 4
    # Each took 1.2 times as long as planned.
    assert told.finish_day.mean() > silent.finish_day.mean()


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> dict[Any, Any]:
    """What was asked to be measured; nothing is, and all comes out badly."""
    asked: dict[Any, Any] = {}

    def belief(runs: int, *_: object, **__: object) -> Ranks:
        asked["belief"] = runs
        return _ranks(3.0, runs=runs)

    def loop(
        project: Project,
        _: object,
        runs: int,
        *,
        worlds: tuple[str],
        knowing: bool = False,
        done: Collection[tuple[str, int]] = (),
        tell: Callable[[Sequence[Scored]], None] | None = None,
        **__: object,
    ) -> list[Scored]:
        (world,) = worlds
        kind = "even" if project == closed_loop.made_up_project() else "varied"
        which = ("best", kind) if knowing else (kind, world)
        asked[which] = runs - len(done)
        scored = [
            Scored(world, n, 0.25, "finish", 0.99, (2.0, 1.0, 3.0))
            for n in range(runs)
            if (world, n) not in done
        ]
        if tell is not None:
            for each in scored:
                tell([each])
        return scored

    monkeypatch.setattr(calibration, "belief_calibration", belief)
    monkeypatch.setattr(closed_loop, "run", loop)
    monkeypatch.setattr(closed_loop, "hours_ratio", lambda *_, slower: 1.02 + (slower - 1.1) / 30)
    return asked


def test_everything_is_measured_and_what_falls_short_is_listed(
    measured: dict[Any, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert calibrate.main([]) == 0
    worlds = {(kind, world): 300 for kind in closed_loop.PROJECTS for world in closed_loop.WORLDS}
    best = {("best", kind): 60 for kind in closed_loop.PROJECTS}
    assert measured == {"belief": 500} | worlds | best
    shown = capsys.readouterr().out
    assert shown.count("| 75 % | 1.0200 | 1.0100 | 1.0300 |") == 1
    for world in closed_loop.WORLDS:
        assert shown.count(f"**{world}** (300 truths)") == 2
    assert "- nothing varies, 10 % done: hours 1.0200 of the true ones" in shown
    assert "- belief, practice: " in shown
    assert "- varied project, as assumed, pooled: 80 % ranges held 0.0 %, not 76 to 84 %" in shown
    assert "- even project, boxes in long runs, 25 % done, finish: 80 % ranges held 0 %" in shown


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--runs", "9", "--only", "belief"], {"belief": 9}),
        (
            ["--quick", "--only", "loop", "--world", "as assumed"],
            {("varied", "as assumed"): 6, ("even", "as assumed"): 6},
        ),
        (
            ["--runs", "7", "--only", "loop", "--project", "even", "--world", "misbooked hours"],
            {("even", "misbooked hours"): 7},
        ),
        (["--runs", "70", "--only", "best", "--project", "varied"], {("best", "varied"): 60}),
    ],
)
def test_less_may_be_measured(
    measured: dict[Any, Any], arguments: list[str], expected: dict[Any, Any]
) -> None:
    calibrate.main(arguments)
    assert measured == expected


def test_what_was_kept_is_not_measured_again(
    measured: dict[Any, Any], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    kept = tmp_path / "scores.jsonl"
    asked = ["--only", "loop", "--world", "as assumed", "--keep", str(kept)]
    calibrate.main([*asked, "--project", "varied", "--runs", "3"])
    assert len(kept.read_text(encoding="utf-8").splitlines()) == 3
    # Another project and world's scores are no help.
    calibrate.main([*asked, "--project", "even", "--runs", "2"])
    assert measured == {("varied", "as assumed"): 3, ("even", "as assumed"): 2}
    capsys.readouterr()
    calibrate.main([*asked, "--project", "varied", "--runs", "5"])
    assert measured["varied", "as assumed"] == 2
    assert "**as assumed** (5 truths)" in capsys.readouterr().out
    calibrate.main([*asked, "--project", "varied", "--runs", "4"])
    assert measured["varied", "as assumed"] == 0
    assert "**as assumed** (4 truths)" in capsys.readouterr().out


def test_no_runs_are_no_measurement(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        calibrate.main(["--runs", "0"])
    assert ended.value.code == 2
    assert "0 is not 1 or more" in capsys.readouterr().err
