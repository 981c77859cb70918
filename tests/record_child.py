"""A process that records, for tests that kill it or let two of them record at once.

    record_child kill FOLDER-or-"" VARIABLE-or-""     reads lines "FOLDER WEEK": a fork records it
    record_child many FOLDER VARIABLE FIRST STEP N    records N weeks from FIRST on, by STEP
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event

from tests.record_cases import add, opened


def say(word: str) -> None:
    """At once, so that a killed process has said it."""
    os.write(1, (word + "\n").encode())


def mark_statements() -> None:
    """Say when a transaction has begun, after each statement, and when all is to become final."""

    def after(_: Any, __: Any, statement: str, *___: Any) -> None:
        begins = statement.startswith(("BEGIN IMMEDIATE", "LOCK TABLE"))
        say("begun" if begins else statement[:20].replace("\n", " "))

    event.listen(Engine, "after_cursor_execute", after)
    event.listen(Engine, "commit", lambda _: say("committing"))


def one(folder: Path, variable: str, week: int) -> None:
    """Open the record (or begin it, for a negative week) and record one return."""
    if week < 0:
        say(f"start {os.getpid()}")
        mark_statements()
        opened(folder, variable)
        return
    with opened(folder, variable) as record:
        mark_statements()
        say(f"start {os.getpid()}")
        began = time.perf_counter()
        add(record, week)
        say("committed")
        say(f"{1000 * (time.perf_counter() - began):.0f} ms")


def forks(variable: str) -> None:
    """One fork for each line that is read: starting Python anew takes a hundred times as long."""
    for line in sys.stdin:
        folder, week = line.rsplit(maxsplit=1)
        pid = os.fork()
        if pid == 0:
            try:
                one(Path(folder), variable, int(week))
            finally:
                os._exit(0)
        os.waitpid(pid, 0)
        say("gone")


def many(folder: Path, variable: str, first: int, step: int, number: int) -> None:
    """Record many returns; wait for a line before, so that two begin together."""
    with opened(folder, variable) as record:
        say("ready")
        sys.stdin.readline()
        for week in range(first, first + step * number, step):
            add(record, week, also=None)
    say("done")


if __name__ == "__main__":
    what, place, named, *rest = sys.argv[1:]
    if what == "kill":
        forks(named)
    else:
        many(Path(place), named, *map(int, rest))
