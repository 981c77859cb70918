"""Whether forecasts may be believed: the belief's calibration, and the closed loop, as tables.

Everything is measured on invented projects with known truths, so that what comes out says how good
the method is, and not how well one team keeps to its plan.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from datetime import date
from functools import partial

from forecast import calibration, closed_loop, recalibrate
from forecast.history import History
from forecast.outcome import Futures
from forecast.project import Project

__all__ = ["forecaster", "main"]

_SEED = 1
_BELIEF_RUNS, _TRUTHS = 500, 300
_QUICK_BELIEF_RUNS, _QUICK_TRUTHS = 60, 6
_REPLICATIONS = 200
_MANY_RUNS = 200  # from here on in ten parts, with fewer in five: else the bands say little
_HOURS_OUT = 0.01
_PARTS = ("hours", "belief", "loop")


def forecaster(
    project: Project,
    history: History,
    as_of: date,
    seed: int,
    replications: int = _REPLICATIONS,
) -> Futures:
    """The forecast that a team gets from its record, in this process alone.

    Args:
        project: as planned.
        history: returns on record.
        as_of: the date.
        seed: of the futures.
        replications: how many futures.
    """
    return recalibrate.forecast(
        project,
        history,
        as_of,
        replications,
        seed,
        workers=1,
        progress=False,
        standstill=False,
    )


def _say(text: str = "", end: str = "\n") -> None:
    """Print at once: what is measured next takes long."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def _hours() -> list[str]:
    """Clothing and clearing are counted once: hours left where nothing varies."""
    _say("## Hours where nothing varies\n")
    _say("Forecast hours that are left, over true ones; aim: within 1 %.\n")
    _say("| done | forecast over truth |\n|---|---|")
    found = []
    for progress in closed_loop.PROGRESS:
        over = closed_loop.hours_ratio(forecaster, progress)
        done = f"{100 * progress:.0f} %"
        _say(f"| {done} | {over:.4f} |")
        if abs(over - 1.0) > _HOURS_OUT:
            found.append(f"nothing varies, {done} done: hours {over:.4f} of the true ones")
    _say()
    return found


def _belief(runs: int, workers: int | None) -> list[str]:
    """Truths from the prior rank evenly among draws of the belief."""
    _say("## The belief\n")
    ranks = calibration.belief_calibration(runs, _SEED, workers=workers, progress=True)
    bins = 10 if runs >= _MANY_RUNS else 5
    _say(ranks.table(bins) + "\n")
    return [
        f"belief, {quantity}: {count} truths in part {number + 1} of {bins}"
        for quantity, number, count in ranks.outside(bins)
    ]


def _loop(runs: int, worlds: Sequence[str], workers: int | None) -> list[str]:
    """Known truths, forecast from their returns; a table as soon as a world is done."""
    _say("## The closed loop\n")
    project = closed_loop.made_up_project()
    found = []
    for world in worlds:
        scored = closed_loop.run(
            project, forecaster, runs, seed=_SEED, workers=workers, worlds=(world,)
        )
        _say(closed_loop.table(scored))
        found += closed_loop.shortfalls(scored)
    return found


def _arguments(given: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="calibrate", description=__doc__)
    parser.add_argument(
        "--runs",
        type=_positive,
        metavar="N",
        help=f"truths of each kind (usually {_BELIEF_RUNS} for the belief, {_TRUTHS} for the loop)",
    )
    parser.add_argument(
        "--quick",
        action="store_true",
        help=f"{_QUICK_BELIEF_RUNS} truths for the belief and {_QUICK_TRUTHS} for the loop: "
        "minutes, and little power to find anything",
    )
    parser.add_argument(
        "--only", choices=_PARTS, action="append", help="this part; may be given several times"
    )
    parser.add_argument(
        "--world",
        choices=tuple(closed_loop.WORLDS),
        action="append",
        help="of the closed loop; may be given several times",
    )
    parser.add_argument("--workers", type=_positive, metavar="N", help="processes")
    return parser.parse_args(given)


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not 1 or more")
    return number


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print, and say what falls short of the aims; nothing that comes out is a failure.

    Args:
        arguments: of the command line, without the program's name; None: those it was started with.
    """
    asked = _arguments(arguments)
    usual = (_QUICK_BELIEF_RUNS, _QUICK_TRUTHS) if asked.quick else (_BELIEF_RUNS, _TRUTHS)
    for_belief, for_loop = (asked.runs or number for number in usual)
    worlds = tuple(asked.world or closed_loop.WORLDS)
    parts: dict[str, Callable[[], list[str]]] = {
        "hours": _hours,
        "belief": partial(_belief, for_belief, asked.workers),
        "loop": partial(_loop, for_loop, worlds, asked.workers),
    }
    begun = time.monotonic()
    found = []
    for name, measure in parts.items():
        if asked.only is None or name in asked.only:
            found += measure()
    _say(f"In {(time.monotonic() - begun) / 60.0:.0f} minutes. Of the aims ", end="")
    _say("none is missed." if not found else f"{len(found)} are missed:\n")
    for each in found:
        _say(f"- {each}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
