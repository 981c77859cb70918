"""Whether forecasts may be believed: the belief's calibration, and the closed loop, as tables.

Everything is measured on invented projects with known truths, so that what comes out says how good
the method is, and not how well one team keeps to its plan.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import date
from functools import partial
from pathlib import Path

from forecast import calibration, closed_loop, recalibrate, replicate
from forecast.belief import Belief
from forecast.closed_loop import Scored
from forecast.history import History
from forecast.outcome import Futures
from forecast.planning import Knowledge
from forecast.project import Project

__all__ = ["forecaster", "ideal", "main"]

_SEED = 1
_BELIEF_RUNS, _TRUTHS = 500, 300
_QUICK_BELIEF_RUNS, _QUICK_TRUTHS = 60, 6
_REPLICATIONS = 100
_MANY_RUNS = 200  # from here on in ten parts, with fewer in five: else the bands say little
_HOURS_OUT = 0.01
_SLOWER = (0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4)
_MOST_AT_BEST = 60
_PARTS = ("hours", "belief", "loop", "best")
_IN_WORDS = {
    "varied": "a project whose plans change from month to month",
    "even": "a project in which nothing that is planned changes",
}


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
    told = history.up_to(as_of).returns
    knowledge = recalibrate.known(project, history, as_of) if told else None
    return replicate.simulate(
        project,
        as_of,
        replications,
        seed,
        workers=1,
        progress=False,
        standstill=False,
        knowledge=knowledge,
    )


def ideal(
    really: Project,
    history: History,
    as_of: date,
    seed: int,
    replications: int = _REPLICATIONS,
) -> Futures:
    """The forecast of somebody who knows all estimates, and learns the mix alone.

    Args:
        really: the project with its estimates known.
        history: returns on record.
        as_of: the date.
        seed: of the futures.
        replications: how many futures.
    """
    knowledge = recalibrate.known(really, history, as_of)
    learnt = knowledge.belief
    assert isinstance(learnt, Belief)
    mix = Belief(as_of, weeks=learnt.weeks, mix=learnt.mix, passes=learnt.passes)
    return replicate.simulate(
        really,
        as_of,
        replications,
        seed,
        workers=1,
        progress=False,
        standstill=False,
        knowledge=Knowledge(knowledge.beginning, mix),
    )


def _say(text: str = "", end: str = "\n") -> None:
    """Print at once: what is measured next takes long."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def _hours() -> list[str]:
    """Clothing and clearing are counted once: hours left where nothing varies."""
    _say("## Hours where nothing varies\n")
    _say("Forecast hours that are left, over true ones; aim: within 1 % on average.\n")
    _say("| done | mean | least | most |\n|---|---|---|---|")
    found = []
    for progress in closed_loop.PROGRESS:
        # What is half done on the very date is luck: several truths, each slower than the last.
        each = [closed_loop.hours_ratio(forecaster, progress, slower=slow) for slow in _SLOWER]
        over = sum(each) / len(each)
        done = f"{100 * progress:.0f} %"
        _say(f"| {done} | {over:.4f} | {min(each):.4f} | {max(each):.4f} |")
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


class _Kept:
    """Scores in a file, a line each: what is in it is not measured again."""

    def __init__(self, path: Path | None, project: str) -> None:
        self.path, self.project = path, project

    def all(self) -> list[Scored]:
        """Of the project."""
        if self.path is None or not self.path.exists():
            return []
        lines = map(json.loads, self.path.read_text(encoding="utf-8").splitlines())
        return [
            Scored(**each | {"crps": tuple(each["crps"])})
            for each in lines
            if each.pop("project") == self.project
        ]

    def add(self, scored: Sequence[Scored]) -> None:
        """Those of a whole truth, at once."""
        if self.path is None:
            return
        lines = [json.dumps({"project": self.project, **asdict(each)}) + "\n" for each in scored]
        with self.path.open("a", encoding="utf-8") as file:
            file.write("".join(lines))


def _loop(
    runs: int, project: str, worlds: Sequence[str], workers: int | None, keep: Path | None
) -> list[str]:
    """Known truths, forecast from their returns; a table as soon as a world is done."""
    _say(f"## The closed loop: {_IN_WORDS[project]}\n")
    kept = _Kept(keep, project)
    found = []
    for world in worlds:
        before = [each for each in kept.all() if each.world == world and each.index < runs]
        scored = before + closed_loop.run(
            closed_loop.PROJECTS[project](),
            forecaster,
            runs,
            seed=_SEED,
            workers=workers,
            worlds=(world,),
            done={(each.world, each.index) for each in before},
            tell=kept.add,
        )
        _say(closed_loop.table(scored))
        found += [f"{project} project, {each}" for each in closed_loop.shortfalls(scored)]
    return found


def _at_best(runs: int, project: str, workers: int | None) -> list[str]:
    """What somebody would reach who knew each truth's own numbers, but not its luck."""
    _say(f"## At best: {_IN_WORDS[project]}, its true estimates known\n")
    scored = closed_loop.run(
        closed_loop.PROJECTS[project](),
        ideal,
        runs,
        seed=_SEED,
        workers=workers,
        worlds=tuple(closed_loop.WORLDS)[:1],
        knowing=True,
    )
    _say(closed_loop.table(scored))
    return []


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
    parser.add_argument(
        "--project",
        choices=tuple(closed_loop.PROJECTS),
        action="append",
        help="of the closed loop; may be given several times",
    )
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="FILE",
        help="add the loop's scores to this file as they come; what is in it is not measured again",
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
    parts: list[tuple[str, Callable[[], list[str]]]] = [
        ("hours", _hours),
        ("belief", partial(_belief, for_belief, asked.workers)),
    ]
    for each in asked.project or closed_loop.PROJECTS:
        parts += [
            ("loop", partial(_loop, for_loop, each, worlds, asked.workers, asked.keep)),
            ("best", partial(_at_best, min(for_loop, _MOST_AT_BEST), each, asked.workers)),
        ]
    begun = time.monotonic()
    found = []
    for name, measure in parts:
        if asked.only is None or name in asked.only:
            found += measure()
    _say(f"In {(time.monotonic() - begun) / 60.0:.0f} minutes. Of the aims ", end="")
    _say("none is missed." if not found else f"{len(found)} are missed:\n")
    for each in found:
        _say(f"- {each}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
