"""The content of a report as a list of frozen blocks, which every writer only renders.

The same list becomes a page, a printed document or the output of a notebook's cell. A block goes
through JSON unchanged, so that an executed notebook carries its content with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from html import escape
from typing import Any, ClassVar

from forecast import __version__

__all__ = [
    "CLOSING",
    "FULL_WIDTH",
    "MIME_TYPE",
    "Block",
    "Bullets",
    "Facts",
    "Figure",
    "Heading",
    "Note",
    "PageBreak",
    "Paragraph",
    "Report",
    "Summary",
    "Table",
    "anchor",
    "visible",
]

MIME_TYPE = "application/vnd.forecast.block+json"
LEAD = ' class="lead"'
FULL_WIDTH = 627  # CSS pixels: 166 mm, the text width of an A4 page with 22 mm margins
_COLUMN = re.compile(r"[a-z][a-z0-9_]*")
_DRAWN = re.compile(r'<svg[^>]*?\swidth="([0-9.]+)"')
SHORT = 8  # rows of a table that a printed page need not break
LITTLE = 1_500  # characters of such a table
# Below every report, in every format.
CLOSING = (
    f"A forecast from simulated futures, not a promise by itself. Made with forecast {__version__}."
)

# Characters that no file may hold (XML knows no other control characters than tab and line end),
# those that nobody sees or that mean something else on each machine, and those that change the
# direction of what follows: a figure after one could read backwards.
_HIDDEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
    "\ufeff\ufff9-\ufffb\ufffe\uffff\ud800-\uf8ff\U000e0000-\U000e007f\U000f0000-\U0010ffff]"
)


def visible(text: str) -> str:
    r"""Text whose hidden characters are told by number, so that it is the same in every format.

    >>> visible("a\x07b")
    'a[U+0007]b'
    """
    return _HIDDEN.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)


def anchor(text: str) -> str:
    """A name for links, made of a heading's words.

    >>> anchor("When the last item is finished")
    'when-the-last-item-is-finished'
    """
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


@dataclass(frozen=True)
class Block:
    """One piece of content. Subclasses say what it holds and how it reads as HTML and text."""

    kind: ClassVar[str] = ""

    def __post_init__(self) -> None:
        for field in fields(self):
            object.__setattr__(self, field.name, _all_visible(getattr(self, field.name)))

    def as_json(self) -> dict[str, Any]:
        """The block as plain JSON values, with its kind."""
        return {"kind": self.kind, **_plain(asdict(self))}

    def html(self) -> str:
        """The block as HTML that needs nothing from outside."""
        return self._html()

    def text(self) -> str:
        """The block as plain text: what a reader gets who sees no HTML."""
        return self._text()

    def _html(self) -> str:
        raise NotImplementedError

    def _text(self) -> str:
        raise NotImplementedError


@dataclass(frozen=True)
class Heading(Block):
    """A heading; level 1 is the title of the whole report."""

    words: str
    level: int = 2
    kind: ClassVar[str] = "heading"

    @property
    def anchor(self) -> str:
        """Where a link to this heading goes."""
        return anchor(self.words)

    def _html(self) -> str:
        return f'<h{self.level} id="{self.anchor}">{escape(self.words)}</h{self.level}>'

    def _text(self) -> str:
        return self.words


@dataclass(frozen=True)
class Paragraph(Block):
    """Some sentences; ``lead`` marks those that a hurried reader should see first."""

    words: str
    lead: bool = False
    kind: ClassVar[str] = "paragraph"

    def _html(self) -> str:
        return f"<p{LEAD if self.lead else ''}>{escape(self.words)}</p>"

    def _text(self) -> str:
        return self.words


@dataclass(frozen=True)
class Bullets(Block):
    """A list of sentences."""

    items: tuple[str, ...]
    kind: ClassVar[str] = "bullets"

    def _html(self) -> str:
        return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in self.items) + "</ul>"

    def _text(self) -> str:
        return "\n".join(f"- {item}" for item in self.items)


@dataclass(frozen=True)
class Facts(Block):
    """Labels and their values, in pairs."""

    pairs: tuple[tuple[str, str], ...]
    kind: ClassVar[str] = "facts"

    def _html(self) -> str:
        rows = "".join(
            f"<div><dt>{escape(label)}</dt><dd>{escape(value)}</dd></div>"
            for label, value in self.pairs
        )
        return f'<dl class="facts">{rows}</dl>'

    def _text(self) -> str:
        return "\n".join(f"{label}: {value}" for label, value in self.pairs)


@dataclass(frozen=True)
class Figure(Block):
    """A chart. ``alternative`` says in words what it shows, for those who do not see it.

    ``columns`` and ``rows`` are the table that was drawn; a page does not show them.
    """

    key: str
    title: str
    alternative: str
    svg: str
    caption: str = ""
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str | float | None, ...], ...] = ()
    kind: ClassVar[str] = "figure"

    @property
    def share(self) -> float:
        """How much of the width of a page's text the chart was drawn for, from 0 to 1."""
        drawn = _DRAWN.search(self.svg)
        return 1.0 if drawn is None else min(1.0, float(drawn[1]) / FULL_WIDTH)

    def _html(self) -> str:
        below = f'<p class="note">{escape(self.caption)}</p>' if self.caption else ""
        return (
            f'<figure id="{escape(self.key)}"><figcaption>{escape(self.title)}</figcaption>'
            f'<div class="chart">{self.svg}</div>{below}</figure>'
        )

    def _text(self) -> str:
        return f"{self.title}. {self.alternative}"


@dataclass(frozen=True)
class Table(Block):
    """A table. The first column names the row; ``numeric`` lists the columns aligned right."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    note: str = ""
    kind: ClassVar[str] = "table"

    def __post_init__(self) -> None:
        super().__post_init__()
        uneven = [row for row in self.rows if len(row) != len(self.columns)]
        if uneven:
            raise ValueError(f"table {self.caption!r}: a row with {len(uneven[0])} cells")

    @property
    def short(self) -> bool:
        """Whether a printed page need not break it."""
        letters = sum(len(cell) for row in self.rows for cell in row)
        return len(self.rows) <= SHORT and letters <= LITTLE

    @property
    def widths(self) -> tuple[int, ...]:
        """How wide the columns are beside each other on paper, in letters.

        A number is never broken; words are, so that a column of sentences leaves room for others.
        """
        return tuple(
            max(
                6,
                *(min(len(word), 24) for word in name.split()),
                *(min(len(row[n]), 24 if n in self.numeric else 44) for row in self.rows),
            )
            for n, name in enumerate(self.columns)
        )

    def _cell(self, column: int, words: str, head: str = "") -> str:
        number = ' class="number"' if column in self.numeric else ""
        if head:
            return f'<th scope="{head}"{number}>{escape(words)}</th>'
        return f"<td{number}>{escape(words)}</td>"

    def _html(self) -> str:
        head = "".join(self._cell(n, words, "col") for n, words in enumerate(self.columns))
        body = "".join(
            "<tr>"
            + "".join(self._cell(n, words, "row" if n == 0 else "") for n, words in enumerate(row))
            + "</tr>"
            for row in self.rows
        )
        below = f'<p class="note">{escape(self.note)}</p>' if self.note else ""
        short = " short" if self.short else ""
        # A wide table scrolls in its own frame, which the keyboard must be able to reach.
        return (
            f'<div class="table{short}" role="region" tabindex="0" '
            f'aria-label="{escape(self.caption)}">'
            f"<table><caption>{escape(self.caption)}</caption><thead><tr>{head}</tr></thead>"
            f"<tbody>{body}</tbody></table></div>{below}"
        )

    def _text(self) -> str:
        lines = [self.caption, " | ".join(self.columns)]
        return "\n".join(lines + [" | ".join(row) for row in self.rows])


@dataclass(frozen=True)
class Note(Block):
    """Something that stands apart: a warning about this project, or a caution about the work."""

    label: str
    items: tuple[str, ...]
    kind: ClassVar[str] = "note"

    def _html(self) -> str:
        items = "".join(f"<li>{escape(item)}</li>" for item in self.items)
        label = escape(self.label)
        return f'<div class="apart"><p class="label">{label}</p><ul>{items}</ul></div>'

    def _text(self) -> str:
        return "\n".join([self.label, *(f"- {item}" for item in self.items)])


@dataclass(frozen=True)
class PageBreak(Block):
    """What follows begins on a new sheet of paper; on a screen nothing is seen of it."""

    kind: ClassVar[str] = "page-break"

    def _html(self) -> str:
        return '<div class="page-break"></div>'

    def _text(self) -> str:
        return ""


@dataclass(frozen=True)
class Summary(Block):
    """The report in one row: values under names that are the same in every project.

    No page shows it. It is the first sheet of the tables' workbook, so that rows of many projects
    can stand below each other. A value that is not known is None, and keeps its name.
    """

    values: tuple[tuple[str, str | float | None], ...]
    kind: ClassVar[str] = "summary"

    def __post_init__(self) -> None:
        super().__post_init__()
        wrong = [name for name, _ in self.values if not _COLUMN.fullmatch(name)]
        if wrong:
            raise ValueError(f"no name for a column: {wrong[0]!r}; write it like items_promised")

    def _html(self) -> str:
        return ""

    def _text(self) -> str:
        return ""


_KINDS: Mapping[str, type[Block]] = {
    kind.kind: kind
    for kind in (Heading, Paragraph, Bullets, Facts, Figure, Table, Note, PageBreak, Summary)
}


def _all_visible(value: Any) -> Any:
    """The same with every text in it made visible."""
    if isinstance(value, str):
        return visible(value)
    return tuple(_all_visible(part) for part in value) if isinstance(value, tuple) else value


def _plain(value: Any) -> Any:
    """Tuples as lists, all the way down: what JSON would make of them."""
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    return value


def _frozen(value: Any) -> Any:
    """Lists as tuples, all the way down."""
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


def _block(stored: Mapping[str, Any]) -> Block:
    """The block of a JSON object."""
    fields = dict(stored)
    kind = _KINDS.get(fields.pop("kind", ""))
    if kind is None:
        raise ValueError(f"no such block: {stored.get('kind')!r}; known are {', '.join(_KINDS)}")
    return kind(**{name: _frozen(value) for name, value in fields.items()})


class Report(Sequence[Block]):
    r"""A list of blocks that shows itself in a notebook and adds up to a whole report.

    >>> (Report([Heading("One")]) + Report([Paragraph("Two.")])).text()
    'One\n\nTwo.'
    """

    def __init__(self, blocks: Iterable[Block] = ()) -> None:
        self.blocks: tuple[Block, ...] = tuple(blocks)

    def __len__(self) -> int:
        return len(self.blocks)

    def __iter__(self) -> Iterator[Block]:
        return iter(self.blocks)

    def __getitem__(self, index: Any) -> Any:
        return self.blocks[index]

    def __add__(self, other: Report) -> Report:
        return Report((*self.blocks, *other.blocks))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Report) and self.blocks == other.blocks

    def __hash__(self) -> int:
        return hash(self.blocks)

    @property
    def title(self) -> str:
        """The words of the heading of level 1; empty where there is none."""
        titles = [b.words for b in self.blocks if isinstance(b, Heading) and b.level == 1]
        return titles[0] if titles else ""

    def of(self, kind: type[Block]) -> list[Any]:
        """The blocks of one kind, in order."""
        return [block for block in self.blocks if isinstance(block, kind)]

    def as_json(self) -> list[dict[str, Any]]:
        """All blocks as plain JSON values."""
        return [block.as_json() for block in self.blocks]

    @classmethod
    def from_json(cls, stored: Iterable[Mapping[str, Any]]) -> Report:
        """The report of what :meth:`as_json` gave.

        Raises:
            ValueError: a block is of no known kind.
        """
        return cls(_block(one) for one in stored)

    def html(self) -> str:
        """All blocks as HTML, without a page around them."""
        return "\n".join(html for block in self.blocks if (html := block.html()))

    def text(self) -> str:
        """All blocks as plain text."""
        return "\n\n".join(text for block in self.blocks if (text := block.text()))

    def _below_heading(self) -> Report:
        # A notebook has its own headings above its cells: theirs would stand there twice.
        return Report(b for b in self.blocks if not (isinstance(b, Heading) and b.level < 3))

    def _repr_html_(self) -> str:
        return self._below_heading().html()

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        return {
            MIME_TYPE: self.as_json(),
            "text/html": self._repr_html_(),
            "text/plain": self._below_heading().text(),
        }
