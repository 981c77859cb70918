"""A report as a Word document: real headings, captions, repeating header rows, alternative text.

The same content makes the same bytes. Charts stand in it as pictures, since not every program that
opens such a document draws vectors.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from itertools import count
from typing import Any

import docx
import vl_convert
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt, RGBColor

from forecast import __version__
from forecast.blocks import (
    CLOSING,
    Block,
    Bullets,
    Facts,
    Figure,
    Heading,
    Note,
    PageBreak,
    Paragraph,
    Report,
    Summary,
    Table,
)
from forecast.written import same_archive

__all__ = ["word"]

_FONT = "Arial"
_INK, _MUTED, _HEAD = (RGBColor.from_string(c) for c in ("1E2528", "55606A", "16335B"))
_RULE, _DARK, _PALE = "C9CDD1", "1E2528", "F3F5F7"
_TEXT_WIDTH = 166.0  # mm: A4 less two margins of 22
_SHARPNESS = 2.5  # pixels of a picture to each of the chart
_SIZES = {1: 20, 2: 13, 3: 10}

Document = Any  # what the package calls so is a function; its elements have no types of use
Element = Any


def word(report: Report) -> bytes:
    """A report as a Word document."""
    document = docx.Document()
    _set_page(document)
    _set_styles(document)
    _set_properties(document, report.title or "Report")
    numbers = count(1)
    blocks = [block for block in report if not isinstance(block, Summary)]
    for n, block in enumerate(blocks):
        _WRITERS[type(block)](document, block, numbers)
        if _leads_on(blocks, n):
            document.paragraphs[-1].paragraph_format.keep_with_next = True
    _paragraph(document, CLOSING, "Remark").paragraph_format.space_before = Pt(22)
    made = io.BytesIO()
    document.save(made)
    return same_archive(made.getvalue())


def _leads_on(blocks: list[Block], n: int) -> bool:
    """Whether a sentence below a heading belongs to the figure or table that follows."""
    return (
        0 < n < len(blocks) - 1
        and isinstance(blocks[n], Paragraph)
        and isinstance(blocks[n - 1], Heading)
        and isinstance(blocks[n + 1], (Figure, Table))
    )


# --- the document ------------------------------------------------------------------------------


def _set_page(document: Document) -> None:
    """A4 with our margins, and the number of the page below."""
    section = document.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.top_margin, section.bottom_margin = Mm(24), Mm(22)
    section.left_margin = section.right_margin = Mm(22)
    section.header_distance = section.footer_distance = Mm(11)
    foot = section.footer.paragraphs[0]
    foot.style = document.styles["Footer"]
    foot.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    foot.add_run("page ")
    _field(foot, "PAGE")
    foot.add_run(" of ")
    _field(foot, "NUMPAGES")


def _field(paragraph: Element, name: str) -> None:
    """Something that the program which opens the document works out."""
    field = _element("w:fldSimple", instr=name)
    run = _element("w:r")
    shown = _element("w:t")
    shown.text = "1"
    run.append(shown)
    field.append(run)
    paragraph._p.append(field)  # noqa: SLF001  # the package has no name for fields


def _set_styles(document: Document) -> None:
    """Our fonts, sizes and colours in the styles, so that a user can change them in one place."""
    styles = document.styles
    _font(styles["Normal"], 10, _INK)
    _space(styles["Normal"], 0, 6)
    styles["Normal"].paragraph_format.line_spacing = 1.15
    language = _element("w:lang", val="en-GB", eastAsia="en-GB", bidi="ar-SA")
    properties = styles["Normal"].element.get_or_add_rPr()
    properties.append(language)
    for level, size in _SIZES.items():
        style = styles[f"Heading {level}"]
        _font(style, size, _HEAD, bold=True)
        _space(style, {1: 0, 2: 20, 3: 12}[level], {1: 12, 2: 6, 3: 4}[level])
    _font(styles["Caption"], 10, _INK, bold=True)
    _space(styles["Caption"], 10, 4)
    styles["Caption"].paragraph_format.keep_with_next = True
    _font(styles["Footer"], 8, _MUTED)
    _font(styles["List Bullet"], 10, _INK)
    _space(styles["List Bullet"], 0, 3)
    for name, size, color in (("Lead", 12, _INK), ("Remark", 9, _MUTED), ("Fact", 10, _INK)):
        style = styles.add_style(name, 1)
        style.base_style = styles["Normal"]
        _font(style, size, color)
    for name, size in (("Cell", 9), ("Cell head", 9)):
        style = styles.add_style(name, 1)
        style.base_style = styles["Normal"]
        _font(style, size, _INK if name == "Cell" else _MUTED)
        _space(style, 2, 2)
        style.paragraph_format.line_spacing = 1.0
    _space(styles["Remark"], 4, 8)
    fact = styles["Fact"].paragraph_format
    fact.tab_stops.add_tab_stop(Mm(_TEXT_WIDTH / 2))
    fact.left_indent, fact.first_line_indent = Mm(_TEXT_WIDTH / 2), Mm(-_TEXT_WIDTH / 2)
    _space(styles["Fact"], 0, 3)
    _lines(styles["Fact"].element.get_or_add_pPr(), "w:pBdr", bottom=_RULE, between=_RULE)


def _font(style: Element, size: float, color: RGBColor, *, bold: bool = False) -> None:
    style.font.name, style.font.size = _FONT, Pt(size)
    style.font.color.rgb, style.font.bold, style.font.italic = color, bold, False
    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for theme in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
        fonts.attrib.pop(qn(f"w:{theme}"), None)
    for letters in ("eastAsia", "cs"):
        fonts.set(qn(f"w:{letters}"), _FONT)


def _space(style: Element, before: float, after: float) -> None:
    style.paragraph_format.space_before = Pt(before)
    style.paragraph_format.space_after = Pt(after)


def _set_properties(document: Document, title: str) -> None:
    """What the document says of itself. No time: the same content makes the same bytes."""
    properties = document.core_properties
    properties.title = title[:255]
    properties.author = properties.last_modified_by = f"forecast {__version__}"
    properties.comments, properties.language = "", "en-GB"
    properties.revision = 1


# --- the blocks --------------------------------------------------------------------------------


def _paragraph(document: Document, words: str, style: str = "") -> Element:
    return _styled(document.add_paragraph(words), style)


def _styled(paragraph: Element, style: str) -> Element:
    """The paragraph in a style. By the style's id: looking its name up costs most of the time."""
    if style:
        paragraph._p.style = style.replace(" ", "")  # noqa: SLF001  # as above
    return paragraph


def _heading(document: Document, block: Heading, _: count[int]) -> None:
    _paragraph(document, block.words, f"Heading {block.level}")


def _words(document: Document, block: Paragraph, _: count[int]) -> None:
    _paragraph(document, block.words, "Lead" if block.lead else "")


def _bullets(document: Document, block: Bullets, _: count[int]) -> None:
    for item in block.items:
        _paragraph(document, item, "List Bullet")


def _facts(document: Document, block: Facts, _: count[int]) -> None:
    for label, value in block.pairs:
        paragraph = _paragraph(document, "", "Fact")
        paragraph.add_run(label).font.color.rgb = _MUTED
        paragraph.add_run("\t" + value)
    if block.pairs:
        document.paragraphs[-1].paragraph_format.space_after = Pt(10)


def _figure(document: Document, block: Figure, numbers: count[int]) -> None:
    _paragraph(document, block.title, "Caption")
    picture = vl_convert.svg_to_png(block.svg, scale=_SHARPNESS)
    paragraph = _paragraph(document, "")
    paragraph.paragraph_format.keep_with_next = bool(block.caption)
    shape = paragraph.add_run().add_picture(
        io.BytesIO(picture), width=Mm(_TEXT_WIDTH * block.share)
    )
    told = shape._inline.docPr  # noqa: SLF001  # the package has no name for alternative text
    told.set("descr", block.alternative)
    told.set("name", f"Figure {next(numbers)}")
    if block.caption:
        _paragraph(document, block.caption, "Remark")


def _table(document: Document, block: Table, _: count[int]) -> None:
    _paragraph(document, block.caption, "Caption")
    table = document.add_table(rows=1 + len(block.rows), cols=len(block.columns))
    table.autofit = False
    table.alignment = WD_TABLE_ALIGNMENT.LEFT
    properties = table._tbl.tblPr  # noqa: SLF001  # the package has no name for what follows
    look = properties.find(qn("w:tblLook"))
    if look is not None:
        properties.remove(look)
    room = _element("w:tblCellMar")
    room.append(_element("w:left", w="0", type="dxa"))  # the first column begins where text does
    room.append(_element("w:right", w="140", type="dxa"))
    headed = {"firstRow": "1", "firstColumn": "1", "noHBand": "1", "noVBand": "1"}
    for part in (
        room,
        _element("w:tblLook", val="06A0", **headed),
        _element("w:tblCaption", val=block.caption),
    ):
        properties.append(part)
    whole = sum(block.widths)
    widths = [Mm(_TEXT_WIDTH * width / whole) for width in block.widths]
    for column, width in zip(table.columns, widths, strict=True):
        column.width = width
    rows = list(table.rows)  # looked up once: each look-up counts all rows again
    for place, (row, words) in enumerate(zip(rows, (block.columns, *block.rows), strict=True)):
        _row(row, words, block, widths, head=place == 0, last=place == len(block.rows))
    if block.note:
        _paragraph(document, block.note, "Remark")
    else:
        _paragraph(document, "", "Cell")  # or two tables would become one


def _row(
    row: Element, words: tuple[str, ...], table: Table, widths: list[Any], *, head: bool, last: bool
) -> None:
    """One row; the head is repeated on each page, and no row is torn unless it must be."""
    properties = row._tr.get_or_add_trPr()  # noqa: SLF001  # as above
    if max(map(len, words), default=0) < 500:
        properties.append(_element("w:cantSplit"))
    if head and sum(map(len, words)) < 400:  # one that fills a page would leave no room for rows
        properties.append(_element("w:tblHeader"))
    for n, (cell, text) in enumerate(zip(row.cells, words, strict=True)):
        cell.width = widths[n]
        paragraph = _styled(cell.paragraphs[0], "Cell head" if head else "Cell")
        paragraph.add_run(text)
        if n in table.numeric:
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        paragraph.paragraph_format.keep_with_next = head or (table.short and not last)
        _lines(cell._tc.get_or_add_tcPr(), "w:tcBorders", bottom=_DARK if head else _RULE)  # noqa: SLF001


def _note(document: Document, block: Note, _: count[int]) -> None:
    label = _paragraph(document, "")
    label.add_run(block.label).bold = True
    label.paragraph_format.keep_with_next = True
    paragraphs = [label, *(_paragraph(document, item, "List Bullet") for item in block.items)]
    for paragraph in paragraphs:
        properties = paragraph._p.get_or_add_pPr()  # noqa: SLF001  # as above
        _lines(properties, "w:pBdr", top=_RULE, left=_RULE, bottom=_RULE, right=_RULE)
        _insert(properties, _element("w:shd", val="clear", color="auto", fill=_PALE))


def _page_break(document: Document, _: PageBreak, __: count[int]) -> None:
    document.add_page_break()


_WRITERS: dict[type[Block], Callable[[Document, Any, count[int]], None]] = {
    Heading: _heading,
    Paragraph: _words,
    Bullets: _bullets,
    Facts: _facts,
    Figure: _figure,
    Table: _table,
    Note: _note,
    PageBreak: _page_break,
}


# --- XML that the package has no names for --------------------------------------------------------


def _element(name: str, **values: str) -> Element:
    """An element with values in the namespace of word processing."""
    element = OxmlElement(name)
    for key, value in values.items():
        element.set(qn(f"w:{key}"), value)
    return element


def _lines(properties: Element, kind: str, **colors: str) -> None:
    """Thin lines at sides, in the order that the format wants them."""
    borders = _element(kind)
    for side, color in colors.items():
        borders.append(_element(f"w:{side}", val="single", sz="4", space="2", color=color))
    _insert(properties, borders)


# Of a paragraph's properties what stands before lines and shades: the format fixes the order.
_BEFORE = ("pStyle", "keepNext", "keepLines", "pageBreakBefore", "framePr", "widowControl", "numPr")


def _insert(properties: Element, element: Element) -> None:
    """Put lines, then a shade, at their place among a paragraph's or a cell's properties."""
    before = (*_BEFORE, "suppressLineNumbers", "pBdr", "tcW", "gridSpan", "vMerge", "tcBorders")
    names = {qn(f"w:{name}") for name in before}
    place = sum(child.tag in names for child in properties)
    properties.insert(place, element)
