"""A report as a PDF: tagged, PDF/UA-1 by the writer's own check, the same bytes every time.

The template ``templates/report.typ`` reads the content as data, so nothing that people wrote is
ever taken for markup. Fonts come with the packages, not from the machine, so that a report looks
the same everywhere; only where somebody wrote letters that those lack is the machine asked for
more, and letters that it lacks too are told by number.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import typst

from forecast.blocks import CLOSING, Figure, Report, Summary, Table
from forecast.errors import ReportError

__all__ = ["pdf"]

_TEMPLATE = Path(__file__).resolve().parent / "templates" / "report.typ"
_FAMILY = "Source Sans Pro"
_OWN = (_FAMILY, "DejaVu Sans Mono")  # the second has many signs, and comes with the compiler
_FONT_FILES = ("SourceSansPro-Regular.ttf", "SourceSansPro-Semibold.ttf", "SourceSansPro-Bold.ttf")
# The lists of families that our charts name.
_CHART_FONTS = re.compile(r'font-family="[^"]*"')
_NO_GLYPH = re.compile(r'the text `"(.*?)"` could not be displayed', re.DOTALL)
_CODED = re.compile(r"\\u\{([0-9a-f]+)\}")
_LONG_WORD = re.compile(r"\S{31,}")
_MAY_BREAK = "\u200b"


def pdf(report: Report) -> bytes:
    """A report as a PDF.

    Raises:
        ReportError: a figure has no alternative text, or the compiler refuses for another reason.
    """
    silent = [figure.title for figure in report.of(Figure) if not figure.alternative.strip()]
    if silent:
        raise ReportError(
            f"no PDF is made: {silent[0]!r} has no alternative text, and those who do not see it "
            "would not learn what it shows"
        )
    content = json.dumps(_content(report), ensure_ascii=False)
    with _fonts() as fonts:
        return _with_all_letters(content, fonts)


def _with_all_letters(content: str, fonts: str) -> bytes:
    """Compiled with our fonts, else with the machine's besides, else with letters by number."""
    machine = False
    while True:
        try:
            return _compiled(content, fonts, machine=machine)
        except typst.TypstError as error:
            lacking = _letters(error.diagnostic)
            told = _told_by_number(content, lacking) if machine else content
            if not lacking or (machine and told == content):
                raise ReportError(f"no PDF is made: {error.message}") from None
            machine, content = True, told


def _letters(diagnostic: str) -> set[str]:
    """The letters that no font has, as the compiler lists them; unusual ones stand there coded."""
    found = "".join(_NO_GLYPH.findall(diagnostic))
    coded = {chr(int(number, 16)) for number in _CODED.findall(found)}
    # Beside a sign that is lacking may stand a plain one, which is not.
    return {letter for letter in coded | set(_CODED.sub("", found)) if not letter.isascii()}


def _compiled(content: str, fonts: str, *, machine: bool) -> bytes:
    """What the compiler makes of the template and the content."""
    # The package's types know no files in memory.
    sources: Any = {"main": _TEMPLATE.read_bytes(), "report.json": content.encode()}
    made: bytes = typst.compile(
        sources,
        format="pdf",
        font_paths=[fonts],
        ignore_system_fonts=not machine,
        pdf_standards="ua-1",
        timestamp=0,
    )
    return made


@contextmanager
def _fonts() -> Iterator[str]:
    """A folder with the files of our font that are used, and no other form of it.

    The package holds each face in two forms; which of them a compiler takes would be chance.

    Raises:
        ReportError: its package is missing.
    """
    found = find_spec("font_source_sans_pro")
    if found is None or found.origin is None:
        raise ReportError("a PDF needs the package font-source-sans-pro")
    with tempfile.TemporaryDirectory(prefix="forecast-") as folder:
        for name in _FONT_FILES:
            shutil.copyfile(Path(found.origin).parent / "files" / name, Path(folder) / name)
        yield folder


def _content(report: Report) -> dict[str, Any]:
    """The report as the template reads it."""
    return {
        "title": report.title or "Report",
        "fonts": _OWN,
        "closing": CLOSING,
        "blocks": [_breakable(_block(block)) for block in report if not isinstance(block, Summary)],
    }


def _block(block: Any) -> Mapping[str, Any]:
    """A block as plain values, with what paper needs besides."""
    plain: dict[str, Any] = block.as_json()
    if isinstance(block, Table):
        return plain | {"widths": block.widths, "short": block.short}
    if isinstance(block, Figure):
        svg = _CHART_FONTS.sub(f'font-family="{_FAMILY}"', block.svg)
        del plain["rows"], plain["columns"]
        return plain | {"svg": svg, "share": block.share}
    return plain


def _breakable(value: Any, name: str = "") -> Any:
    """Long words with places where a line may end: nothing runs off the paper."""
    if isinstance(value, dict):
        return {key: _breakable(part, key) for key, part in value.items()}
    if isinstance(value, list):
        return [_breakable(part) for part in value]
    if isinstance(value, str) and name not in ("svg", "alternative", "kind"):
        return _LONG_WORD.sub(_with_places, value.replace("\t", " "))
    return value


def _with_places(word: re.Match[str]) -> str:
    return _MAY_BREAK.join(word[0][n : n + 12] for n in range(0, len(word[0]), 12))


def _told_by_number(content: str, lacking: Iterable[str]) -> str:
    """The content without letters that no font has."""
    numbers = {ord(letter): f"[U+{ord(letter):04X}]" for letter in lacking}
    return content.translate(numbers)
