"""Options of a command, read as text, with every problem noted before anything is done."""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Mapping, Sequence
from datetime import date
from difflib import get_close_matches
from pathlib import Path

from forecast.errors import InputError, Problem
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.formats import FORMATS, missing, named
from forecast.project import Project

__all__ = [
    "FROM_0",
    "OptionReader",
    "add_output",
    "outs",
    "print_cautions",
    "print_outs",
    "started_with",
]

FROM_0 = "Futures and items are counted from 0."
# How a report in a format is called.
_CALLED = {
    "html": "a page",
    "pdf": "a PDF",
    "word": "a Word document",
    "xlsx": "a workbook of its tables",
}


def add_output(parser: argparse.ArgumentParser, name: str) -> None:
    """The options that say in which formats a report is written, and where."""
    parser.add_argument(
        "--formats",
        metavar="LIST",
        default="html",
        help=f"which files, with commas between: {','.join(FORMATS)} (default html). xlsx holds "
        "the tables, also those behind the charts",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE-or-DIR",
        help=f"the file, or for several formats a folder (default: reports/{name}_DATE in FOLDER)",
    )


def outs(
    options: argparse.Namespace, formats: Sequence[str], name: str, day: date
) -> dict[str, Path]:
    """The file of each format that is wanted; the folder for them is made.

    Raises:
        InputError: it cannot be made.
    """
    if options.out is not None and len(formats) == 1:
        return {formats[0]: options.out}
    folder = options.out or options.folder / "reports"
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        remedy = "Give a file elsewhere with --out, or ask for the right to write there."
        expected = "a folder that can be made"
        raise InputError(
            [Problem(folder.name, "", error.strerror or "", expected, remedy)]
        ) from None
    return named(folder, f"{name}_{day.isoformat()}", formats)


def print_outs(what: str, written: Mapping[str, Path]) -> None:
    """Where a report is, a line for each format."""
    for each, out in written.items():
        print(f"{what} as {_CALLED[each]}: {out.resolve()}")


def started_with() -> str:
    """How to start this program: run.py says so, where it did."""
    return os.environ.get("FORECAST_COMMAND", "forecast")


def print_cautions() -> None:
    """What to mind before anybody works with mould."""
    print("\nPlease mind:")
    for caution in CAUTIONS:
        print(f"  {caution}")


class OptionReader:
    """Reads options as text, and collects every problem with them."""

    def __init__(self, options: argparse.Namespace) -> None:
        self._options = options
        self.problems: list[Problem] = []

    def wrong(self, name: str, read: str, expected: str, remedy: str) -> None:
        """Note a problem with an option, or with what stands in the place of a WORD."""
        shown = name if name[:1].isupper() else f"--{name}"
        self.problems.append(Problem(shown, "", read, expected, remedy))

    def number(
        self, name: str, text: str, least: int, remedy: str = "Leave it out for the default."
    ) -> int:
        """A whole number of at least so much, below 10**18; where it is none, the least."""
        if text.strip().isdecimal() and len(text) < 19 and int(text) >= least:
            return int(text)
        self.wrong(name, text, f"a whole number from {least}", remedy)
        return least

    def whole(self, name: str, least: int) -> int:
        """The same of an option that has a default."""
        return self.number(name, getattr(self._options, name), least)

    def share(self, name: str, least: float, most: float) -> float:
        """A number from one to another; where it is none, the least."""
        text = getattr(self._options, name)
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if least <= value <= most:
            return value
        self.wrong(name, text, f"a number from {least:g} to {most:g}", "Write it like 0.9.")
        return least

    def day(self, name: str) -> date | None:
        """A date, or None where the option was left out."""
        text = getattr(self._options, name.replace("-", "_"))
        try:
            return None if text is None else date.fromisoformat(text)
        except ValueError:
            self.wrong(name, text, "a date like 2026-05-29", "Write year-month-day.")
            return None

    def choice(self, name: str, choices: Sequence[str]) -> str:
        """One of some words."""
        text: str = getattr(self._options, name.lower())
        if text not in choices:
            self.wrong(name, text, " or ".join(choices), "Choose one of them.")
        return text

    def file(self, name: str) -> None:
        """A file that can be written, if it was asked for."""
        path = getattr(self._options, name)
        if path is not None and (path.is_dir() or not path.parent.is_dir()):
            self.wrong(
                name,
                str(path),
                "a file in a folder that exists",
                "Make the folder first, or give another file.",
            )

    def formats(self) -> tuple[str, ...]:
        """The formats that are wanted; with them, whether they can go where they shall go."""
        asked = [each.strip() for each in self._options.formats.lower().split(",") if each.strip()]
        wanted = tuple(dict.fromkeys(each for each in asked if each in FORMATS))
        for each in asked:
            if each not in FORMATS:
                nearest = get_close_matches(each, FORMATS, n=1, cutoff=0.0)[0]
                self.wrong("formats", each, f"some of {', '.join(FORMATS)}", f"Write {nearest}.")
        if not asked:
            self.wrong("formats", "", f"some of {', '.join(FORMATS)}", "Write html.")
        self.problems += missing(wanted)
        if len(asked) > 1:
            self._folder("out")
        else:
            self.file("out")
            self._ending(wanted)
        return wanted

    def _folder(self, name: str) -> None:
        """A folder that is there or can be made, if it was asked for."""
        path = getattr(self._options, name)
        if path is not None and (path.is_file() or not path.parent.is_dir()):
            self.wrong(
                name,
                str(path),
                "a folder, since there are several formats",
                "Give a folder, or one format.",
            )

    def _ending(self, wanted: Sequence[str]) -> None:
        """A file's name that says what is in it, or nothing; never something else."""
        path = self._options.out
        if path is None or not wanted:
            return
        ending = FORMATS[wanted[0]]
        others = set(FORMATS.values()) - {ending}
        if path.suffix.lower() in others or (wanted[0] != "html" and path.suffix.lower() != ending):
            remedy = f"Write {path.with_suffix(ending).name}, or choose another of --formats."
            self.wrong("out", str(path), f"a name that ends in {ending}", remedy)

    def project(self, items: Sequence[int] = ()) -> Project:
        """The project, once all options were read; the items must be some of its own.

        Raises:
            InputError: every problem of the options and of the folder, in one go.
        """
        try:
            project = read_project(self._options.folder)
        except InputError as error:
            raise InputError([*self.problems, *error.problems]) from None
        last = project.total_items - 1
        for item in sorted({item for item in items if item > last}):
            self.wrong("item", str(item), f"a whole number from 0 to {last}", FROM_0)
        if self.problems:
            raise InputError(self.problems)
        return project
