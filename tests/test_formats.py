"""One content in four formats: the same words, nothing but text from people, the same bytes."""

from __future__ import annotations

import argparse
import io
import os
import re
import shutil
import subprocess
import sys
import zipfile
from dataclasses import replace
from datetime import date
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import docx
import pytest
from docx.oxml.ns import qn
from openpyxl import load_workbook
from pypdf import PdfReader

from forecast import formats
from forecast.annex import annex, one_row
from forecast.blocks import (
    CLOSING,
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
    visible,
)
from forecast.errors import ReportError
from forecast.formats import FORMATS, make_reports, missing, named, write_report
from forecast.options import OptionReader, outs
from forecast.pdf import pdf
from forecast.report import page
from forecast.schedule_forecast import schedule_report
from forecast.word import word
from forecast.written import write_whole
from tests.extracted import (
    alternatives_of_html,
    alternatives_of_pdf,
    alternatives_of_word,
    cells,
    elements,
    kinds,
    squeezed,
    words_of_html,
    words_of_pdf,
    words_of_word,
)
from tests.made_up import futures, project
from tests.test_report import notebook

SOFFICE = shutil.which("soffice") or shutil.which("libreoffice")
WRITER = SOFFICE is not None and any(Path("/usr/lib").glob("libreoffice/program/libswlo.so"))


def svg(words: str = "", alternative: str = "It rises.", width: int = 627) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="60" '
        f'viewBox="0 0 {width} 60"><title>A chart</title><desc>{alternative}</desc>'
        f'<rect x="5" y="5" width="80" height="30" fill="#17928C"/>'
        f'<text x="5" y="50" font-family="Arial" font-size="12">{words}</text></svg>'
    )


EVERY_KIND = Report(
    [
        Heading("A report of every kind", 1),
        Paragraph("The promise is 600 items. It is kept in 9 in 10 futures.", lead=True),
        Facts((("Items promised", "2,400"), ("Grant", "R&D <1>"), ("Cost", "1,234.50"))),
        Paragraph("What a future is."),
        Heading("A part"),
        Paragraph("Below this stands a chart."),
        Figure(
            "figure-x",
            "A chart of items",
            "It rises.",
            svg(),
            "Below the chart.",
            ("day", "items", "who"),
            (("2026-01-04", 3, "a"), ("2026-01-11", 4.5, None)),
        ),
        Heading("A smaller part", 3),
        Bullets(("one thing", "another thing: 12 %")),
        Table(
            "Numbers by day",
            ("Day", "Items", "Remark"),
            (("Monday", "1,234", "1,234 of them"), ("Tuesday", "\u221212.5", "=1+1")),
            (1,),
            "A note below.",
        ),
        Table("Without a note", ("Only",), (("cell",),)),
        PageBreak(),
        Heading("The end"),
        Note("Look at this", ("first caution", "second caution")),
    ]
)

HOSTILE = {
    "html": "<b>bold</b> & <i>it</i> &amp; &#60;",
    "script": "<script>alert(1)</script>",
    "handler": '"><img src=x onerror=alert(1)>',
    "end of a script": "</script></style></svg></title>",
    "comment": "<!-- gone --> ]]> <![CDATA[x]]>",
    "link": "javascript:alert(1) https://example.org/?a=1&b=2",
    "markdown": "# Head **bold** _it_ [a](b) `code` | a | b |",
    "markdown list": "- one\n- two\n1. three",
    "typst call": '#panic() #image("x.png") #eval("1") #sys.inputs',
    "typst markup": "= Head *b* _i_ $x^2$ <label> @ref // c /* d */ \\ ~ --- ... 'q' \"q\"",
    "typst end": '"] } ) #set page(width: 1cm)',
    "template": "{{ 7 * 7 }} {% for x in y %} {# c #} ${x} %(a)s {0} <%= 1 %>",
    "formula": "=1+1",
    "formula of a program": "=cmd|' /C calc'!A0",
    "plus": "+1+1",
    "minus": "-2+3",
    "at": "@SUM(A1)",
    "link formula": '=HYPERLINK("http://x","y")',
    "error value": "#N/A",
    "tab formula": "\t=1+1",
    "json": '{"kind": "heading", "words": "x"}',
    "field": "{ PAGE } MERGEFIELD \\* w:t </w:t><w:br/>",
    "backslashes": "C:\\temp\\new \\u0041 \\x41 \\n",
    "long word": "x" * 10_000,
    "long text": "many words " * 900,
    "emoji": "done 🎉 by 👩‍🔬 in 🇫🇷",
    "keycap": "1\ufe0f\u20e3 of 2",
    "control": "a\x00b\x07c\x1bd\x7fe",
    "surrogate": "half \ud83d of one",
    "override": "12 \u202egnp.exe\u202c 34",
    "isolate": "\u2067abc\u2069 56",
    "mark": "\u200f12 \u200e34",
    "line ends": "one\r\ntwo\rthree\u2028four",
    "combining": "Z\u0351\u036da\u0315lgo",
    "not a letter": "\ue000 \ufffe \U000e0041",
}


def hostile_report(text: str) -> Report:
    """The same text wherever people's words may stand."""
    return Report(
        [
            Heading(f"Title {text}", 1),
            Paragraph(text),
            Heading(f"Head {text}"),
            Bullets((text,)),
            Facts(((text, text),)),
            Figure("figure-x", text, f"It rises. {text}", svg(), text, (text,), ((text,),)),
            Table(text, (text, "b"), ((text, text),), (1,), text),
            Note(text, (text,)),
        ]
    )


@lru_cache
def made(report: Report) -> dict[str, bytes]:
    return {
        "html": page(report).encode(),
        "pdf": pdf(report),
        "word": word(report),
        "xlsx": annex(report),
    }


# The same words


def test_every_format_has_the_same_words_in_the_same_order() -> None:
    written = made(EVERY_KIND)
    words = words_of_html(written["html"])
    assert words[:5] == ["A", "report", "of", "every", "kind"]
    assert " ".join(words).endswith(CLOSING)
    assert words_of_word(written["word"]) == words
    assert words_of_pdf(written["pdf"]) == words


def test_a_real_report_says_the_same_in_every_format() -> None:
    report = schedule_report(futures(200, 20), "team")
    written = made(report)
    words = words_of_html(written["html"])
    assert len(words) > 800
    assert words_of_word(written["word"]) == words
    # In the PDF what is written in charts is text as well, so that it can be searched.
    text = squeezed("".join(words_of_pdf(written["pdf"])))
    for block in report:
        assert [each for each in _strings(block) if squeezed(each) not in text] == []


def _strings(block: Any) -> list[str]:
    """The words of a block as paper has them."""
    found: list[str] = []
    if isinstance(block, Summary):
        return found

    def collect(value: Any) -> None:
        if isinstance(value, str):
            found.append(value)
        elif isinstance(value, list):
            for each in value:
                collect(each)

    for name, value in block.as_json().items():
        if name not in ("kind", "svg", "key", "alternative", "level", "numeric", "lead") and not (
            isinstance(block, Figure) and name in ("columns", "rows")
        ):
            collect(value)
    return found


def test_each_chart_says_the_same_to_those_who_do_not_see_it() -> None:
    report = schedule_report(futures(200, 20), "team")
    told = [figure.alternative for figure in report.of(Figure)]
    assert len(told) >= 7
    written = made(report)
    assert alternatives_of_html(written["html"]) == told
    assert alternatives_of_pdf(written["pdf"]) == told
    assert alternatives_of_word(written["word"]) == told


def test_the_same_content_makes_the_same_bytes() -> None:
    again = Report.from_json(EVERY_KIND.as_json())
    assert {"pdf": pdf(again), "word": word(again), "xlsx": annex(again)} == {
        name: data for name, data in made(EVERY_KIND).items() if name != "html"
    }


def test_another_process_at_another_time_makes_the_same_bytes(tmp_path: Path) -> None:
    command = (
        "from tests.test_formats import EVERY_KIND, write_report, named; from pathlib import Path;"
        "write_report(EVERY_KIND, named(Path('.'), 'x', ['pdf', 'word', 'xlsx']))"
    )
    root = str(Path(__file__).parents[1])
    environment = os.environ | {"PYTHONPATH": root, "TZ": "Asia/Tokyo", "PYTHONHASHSEED": "7"}
    subprocess.run([sys.executable, "-c", command], cwd=tmp_path, env=environment, check=True)
    for name in ("pdf", "word", "xlsx"):
        assert (tmp_path / f"x{FORMATS[name]}").read_bytes() == made(EVERY_KIND)[name], name


# Words from people


def squeezed_visible(text: str) -> str:
    return squeezed(visible(text))


@pytest.mark.parametrize("name", HOSTILE)
def test_whatever_people_write_is_text_in_every_format(name: str) -> None:
    text = HOSTILE[name]
    report = hostile_report(text)
    written = made(report)
    expected = squeezed_visible(text)
    times = sum(squeezed(each).count(expected) for block in report for each in _strings(block))
    assert times >= 15
    assert squeezed("".join(words_of_html(written["html"]))).count(expected) == times
    assert squeezed("".join(words_of_word(written["word"]))).count(expected) == times
    told = squeezed("".join(words_of_pdf(written["pdf"])))
    if expected.isascii():
        assert told.count(expected) == times
    else:  # which letters have a font, and how they are set, differs from machine to machine
        plain = re.findall(r"[a-zA-Z0-9]+", expected)
        assert [each for each in plain if told.count(each) < times] == []
    assert alternatives_of_word(written["word"])[0].endswith(visible(text))


@pytest.mark.parametrize("name", HOSTILE)
def test_nothing_that_people_write_is_a_formula(name: str) -> None:
    book = load_workbook(io.BytesIO(made(hostile_report(HOSTILE[name]))["xlsx"]))
    kinds = {c.data_type for sheet in book.worksheets for row in sheet.iter_rows() for c in row}
    assert kinds <= {"s", "n", "inlineStr"}
    texts = [
        str(c.value or "") for sheet in book.worksheets for row in sheet.iter_rows() for c in row
    ]
    assert squeezed_visible(HOSTILE[name]) in [squeezed(text) for text in texts]


def test_a_hostile_page_has_no_element_but_its_own() -> None:
    elements_of: dict[str, set[str]] = {}
    for name in ("typst end", *HOSTILE):
        html = made(hostile_report(HOSTILE[name]))["html"].decode()
        elements_of[name] = kinds(html)
    assert all(found == elements_of["typst end"] for found in elements_of.values())
    assert "script" not in elements_of["typst end"]
    assert kinds("<p onclick='x'><br>") == {"p", "p onclick", "br"}  # that it would be seen


def test_a_long_word_stays_on_the_paper() -> None:
    report = Report([Heading("T", 1), Paragraph("x" * 500), Table("T", ("a",), (("y" * 500,),))])
    (only,) = PdfReader(io.BytesIO(pdf(report))).pages
    lines = [line.strip() for line in only.extract_text().splitlines()]
    of_words = [line for line in lines if re.fullmatch(r"[x\u200b]+|[y\u200b]+", line)]
    # 166 mm hold fewer than 120 of these letters.
    assert len(of_words) >= 10
    assert max(len(line.replace("\u200b", "")) for line in of_words) < 120


def test_letters_that_no_font_has_are_told_by_number_and_change_nothing_else() -> None:
    report = Report([Heading("A title", 1), Paragraph("rare \U00013080 sign, 1\ufe0f\u20e3 of 12")])
    text = " ".join(words_of_pdf(pdf(report)))
    assert "sign, 1" in text
    assert "of 12" in text


# PDF


def test_the_pdf_says_that_it_is_accessible_and_in_which_language() -> None:
    root: Any = PdfReader(io.BytesIO(made(EVERY_KIND)["pdf"])).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-GB"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    about = root["/Metadata"].get_data().decode()
    assert "<pdfuaid:part>1</pdfuaid:part>" in about
    assert "A report of every kind" in about


def test_the_pdf_is_tagged_as_what_it_is() -> None:
    kinds = [str(each["/S"]) for each in elements(made(EVERY_KIND)["pdf"])]
    heads = [int(kind[2:]) for kind in kinds if re.fullmatch(r"/H\d", kind)]
    assert heads == [1, 2, 3, 2]
    assert all(after - before <= 1 for before, after in pairwise(heads))
    assert kinds.count("/Table") == 2
    assert kinds.count("/TH") == 4
    assert kinds.count("/TD") == 7
    assert kinds.count("/Caption") == 3
    assert kinds.count("/Figure") == 1
    assert kinds.count("/L") == 3
    assert kinds.count("/LI") == 7


def test_heads_of_a_table_say_that_they_head_columns() -> None:
    for each in elements(made(EVERY_KIND)["pdf"]):
        if each["/S"] == "/TH":
            assert "/Column" in [a["/Scope"] for a in each["/A"] if "/Scope" in a]


@pytest.mark.parametrize("alternative", ["", "  "])
def test_a_chart_without_words_for_it_makes_no_pdf(alternative: str) -> None:
    silent = Report([Heading("A title", 1), Figure("figure-x", "A chart", alternative, svg())])
    with pytest.raises(ReportError, match="'A chart' has no alternative text"):
        pdf(silent)


def test_the_compiler_itself_refuses_a_chart_without_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    silent = Report([Heading("A title", 1), Figure("figure-x", "A chart", "", svg())])
    monkeypatch.setattr(Report, "of", lambda self, kind: [])
    with pytest.raises(ReportError, match="missing alt text"):
        pdf(silent)


def long_table(rows: int = 200) -> Report:
    many = tuple((f"row {n}", f"{n:,}", "some words about it") for n in range(1, rows + 1))
    return Report([Heading("Long", 1), Table("Many rows", ("Name", "Count", "Remark"), many, (1,))])


def test_a_long_table_breaks_over_pages_and_repeats_its_head() -> None:
    pages = PdfReader(io.BytesIO(pdf(long_table()))).pages
    texts = [" ".join(each.extract_text().split()) for each in pages]
    with_rows = [text for text in texts if re.search(r"\brow \d+", text)]
    assert len(with_rows) >= 3
    assert all("Name Count Remark" in text for text in with_rows)
    assert [int(n) for text in texts for n in re.findall(r"\brow (\d+)", text)] == list(
        range(1, 201)
    )


def test_each_page_has_its_number() -> None:
    pages = PdfReader(io.BytesIO(pdf(long_table()))).pages
    for n, each in enumerate(pages, 1):
        assert f"page {n} of {len(pages)}" in each.extract_text()


def test_charts_are_drawn_as_lines_in_the_pdf_and_their_words_can_be_found() -> None:
    report = Report([Heading("T", 1), Figure("figure-x", "A chart", "It rises.", svg("ticks"))])
    (only,) = PdfReader(io.BytesIO(pdf(report))).pages
    assert "ticks" in only.extract_text()
    assert list(only.images) == []


def test_the_fonts_come_with_the_program() -> None:
    first: Any = PdfReader(io.BytesIO(made(EVERY_KIND)["pdf"])).pages[0]
    names = {str(font.get_object()["/BaseFont"]) for font in first["/Resources"]["/Font"].values()}
    assert names
    assert all("SourceSansPro" in name for name in names)


# Word


def opened(data: bytes) -> Any:
    return docx.Document(io.BytesIO(data))


def test_word_knows_headings_captions_and_the_heads_of_tables() -> None:
    document = opened(made(EVERY_KIND)["word"])
    styles = [(p.style.name, p.text) for p in document.paragraphs]
    assert [name for name, _ in styles if name.startswith("Heading")] == [
        "Heading 1",
        "Heading 2",
        "Heading 3",
        "Heading 2",
    ]
    assert [text for name, text in styles if name == "Caption"] == [
        "A chart of items",
        "Numbers by day",
        "Without a note",
    ]
    assert [text for name, text in styles if name == "List Bullet"][:2] == [
        "one thing",
        "another thing: 12 %",
    ]
    for table in document.tables:
        heads = [row._tr.trPr.find(qn("w:tblHeader")) is not None for row in table.rows]
        assert heads == [True, *[False] * (len(heads) - 1)]
    assert document.core_properties.title == "A report of every kind"
    assert document.core_properties.language == "en-GB"


def test_a_word_document_and_a_workbook_hold_no_time() -> None:
    for name in ("word", "xlsx"):
        with zipfile.ZipFile(io.BytesIO(made(EVERY_KIND)[name])) as archive:
            assert {each.date_time for each in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
            about = archive.read("docProps/core.xml").decode()
            assert "created" not in about
            assert "modified" not in about


@pytest.fixture(scope="module")
def by_libreoffice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two Word documents and a workbook as LibreOffice shows them."""
    if not WRITER or SOFFICE is None:
        pytest.skip("there is no LibreOffice with Writer on this machine")
    folder = tmp_path_factory.mktemp("office")
    for name, report in {"every": EVERY_KIND, "long": long_table()}.items():
        (folder / f"{name}.docx").write_bytes(word(report))
    command = [
        SOFFICE,
        f"-env:UserInstallation={(folder / 'home').as_uri()}",
        "--headless",
        *("--convert-to", "pdf", "--outdir", str(folder)),
        *map(str, sorted(folder.glob("*.docx"))),
    ]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return folder


def test_libreoffice_shows_the_words_of_the_document(by_libreoffice: Path) -> None:
    shown = squeezed("".join(words_of_pdf((by_libreoffice / "every.pdf").read_bytes())))
    for block in EVERY_KIND:
        for each in _strings(block):
            assert squeezed(each) in shown


def test_libreoffice_repeats_the_head_of_a_long_table_and_numbers_pages(
    by_libreoffice: Path,
) -> None:
    pages = PdfReader(io.BytesIO((by_libreoffice / "long.pdf").read_bytes())).pages
    assert len(pages) >= 3
    for n, each in enumerate(pages, 1):
        text = " ".join(each.extract_text().split())
        assert f"page {n} of {len(pages)}" in text
        assert ("Name Count Remark" in text) == bool(re.search(r"\brow \d", text))


# The order in which the format wants what stands within; Word refuses what is out of order.
ORDERS = {
    "pPr": "pStyle keepNext keepLines pageBreakBefore widowControl numPr suppressLineNumbers pBdr "
    "shd tabs suppressAutoHyphens spacing ind contextualSpacing mirrorIndents jc outlineLvl rPr",
    "pBdr": "top left bottom right between bar",
    "rPr": "rStyle rFonts b bCs i iCs caps smallCaps strike color spacing w kern position sz szCs "
    "highlight u effect bdr shd vertAlign rtl cs em lang",
    "tblPr": "tblStyle tblpPr tblOverlap bidiVisual tblStyleRowBandSize tblStyleColBandSize tblW "
    "jc tblCellSpacing tblInd tblBorders shd tblLayout tblCellMar tblLook tblCaption",
    "tcPr": "cnfStyle tcW gridSpan hMerge vMerge tcBorders shd noWrap tcMar vAlign",
}


def test_a_word_document_keeps_the_order_that_its_format_wants() -> None:
    seen = set()
    document = opened(made(EVERY_KIND)["word"])
    for element in (*document.element.iter(), *document.styles.element.iter()):
        name = element.tag.rpartition("}")[2]
        if name in ORDERS:
            seen.add(name)
            order = ORDERS[name].split()
            places = [order.index(child.tag.rpartition("}")[2]) for child in element]
            assert places == sorted(places), name
    assert seen == set(ORDERS)


# The workbook


def test_the_first_sheet_is_one_row_under_stable_names() -> None:
    sheets = cells(made(EVERY_KIND)["xlsx"])
    assert list(sheets) == [
        "summary",
        "contents",
        "01 x",
        "02 Numbers by day",
        "03 Without a note",
    ]
    names, values = sheets["summary"]
    assert names == ("report", "made_with", "items_promised", "grant", "cost")
    assert values[0] == "A report of every kind"
    assert values[2:] == (2400, "R&D <1>", 1234.5)


def test_every_table_and_the_table_behind_every_chart_has_a_sheet() -> None:
    report = schedule_report(futures(200, 20), "funder")
    sheets = cells(made(report)["xlsx"])
    listed = sheets["contents"][1:]
    assert [row[0] for row in listed] == list(sheets)[2:]
    shown = [block for block in report if isinstance(block, (Figure, Table))]
    assert [row[2] for row in listed] == [
        block.title if isinstance(block, Figure) else block.caption for block in shown
    ]
    for (name, _, _, rows), block in zip(listed, shown, strict=True):
        assert sheets[name][0] == block.columns
        assert len(block.rows) == rows > 0


def test_numbers_are_numbers_and_text_stays_text() -> None:
    sheets = cells(made(EVERY_KIND)["xlsx"])
    assert sheets["02 Numbers by day"][1:3] == [
        ("Monday", 1234, "1,234 of them"),
        ("Tuesday", -12.5, "=1+1"),
    ]
    assert sheets["01 x"][:3] == [
        ("day", "items", "who"),
        ("2026-01-04", 3, "a"),
        ("2026-01-11", 4.5, None),
    ]


def test_a_summary_takes_the_place_of_the_facts_and_is_seen_nowhere_else() -> None:
    told = Summary((("project", "=x"), ("finish", None), ("odds", 0.9)))
    report = EVERY_KIND + Report([told])
    names, values = cells(annex(report))["summary"]
    assert names == ("report", "made_with", "project", "finish", "odds")
    assert values[2:] == ("=x", None, 0.9)
    written = made(report)
    for name in ("html", "pdf", "word"):
        assert written[name] == made(EVERY_KIND)[name]
    assert one_row(EVERY_KIND)["items_promised"] == 2400
    with pytest.raises(ValueError, match="no name for a column: 'Items done'"):
        Summary((("Items done", 1),))


def test_rows_of_two_projects_stack_whatever_is_known_of_them() -> None:
    first, second = futures(200, 20), futures(200, 200)  # in the second nothing ever finishes
    second = replace(second, project=replace(second.project, organisation="Somewhere"))
    rows = [cells(annex(schedule_report(each)))["summary"] for each in (first, second)]
    assert rows[0][0] == rows[1][0]
    row = dict(zip(*rows[0], strict=True))
    assert row["items_promised"] == 600
    assert 0 < row["promise_odds"] < 1
    assert row["finish_5_in_10"] == "2026-12-20"
    assert dict(zip(*rows[1], strict=True))["finish_5_in_10"] is None


@pytest.mark.parametrize("person", project().persons)
def test_a_funder_meets_no_person_in_any_format(person: str) -> None:
    written = made(schedule_report(futures(200, 20), "funder"))
    pages = [words_of_html(written["html"]), words_of_pdf(written["pdf"])]
    pages += [words_of_word(written["word"]), str(cells(written["xlsx"])).split()]
    for words in pages:
        assert len(words) > 500
        assert not re.search(rf"\b{person}\b", " ".join(words))


# All files or none


def test_files_appear_in_every_wanted_format(tmp_path: Path) -> None:
    written = write_report(EVERY_KIND, named(tmp_path, "report", list(FORMATS)))
    assert {path.name for path in tmp_path.iterdir()} == {
        "report.html",
        "report.pdf",
        "report.docx",
        "report.xlsx",
    }
    assert {name: path.read_bytes() for name, path in written.items()} == made(EVERY_KIND)


def test_a_writer_that_fails_leaves_no_file_of_any_format(tmp_path: Path) -> None:
    silent = Report([Heading("A title", 1), Figure("figure-x", "A chart", "", svg())])
    with pytest.raises(ReportError, match="no alternative text"):
        write_report(silent, named(tmp_path, "report", list(FORMATS)))
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_is_full_leaves_no_file_and_what_was_there_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "report.html").write_text("before", encoding="utf-8")
    written: list[str] = []
    real = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        written.append(self.name)
        if len(written) == 3:
            real(self, data[:10])
            raise OSError(28, "No space left on device")
        return real(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(ReportError, match=r"cannot write .*report.docx: No space left on device"):
        write_report(EVERY_KIND, named(tmp_path, "report", list(FORMATS)))
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == "before"


def test_a_place_that_is_taken_by_a_folder_is_told_before_anything_is_replaced(
    tmp_path: Path,
) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "a").write_bytes(b"before")
    with pytest.raises(ReportError, match=r"cannot write .*b: b is a folder"):
        write_whole({tmp_path / "a": b"after", tmp_path / "b": b"x"})
    assert (tmp_path / "a").read_bytes() == b"before"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]


@pytest.mark.parametrize("name", ["pdf", "word", "xlsx"])
def test_a_missing_package_is_told_with_what_to_do(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(formats, "find_spec", lambda module: None)
    (problem, *_) = missing([name])
    assert str(problem).startswith(f"--formats: read '{name}'; expected the package ")
    assert "python -m pip install " in problem.remedy
    with pytest.raises(ReportError, match="python -m pip install"):
        write_report(EVERY_KIND, named(tmp_path, "report", ["html", name]))
    assert list(tmp_path.iterdir()) == []
    assert missing(["html"]) == []


def test_there_is_no_fifth_format() -> None:
    with pytest.raises(ReportError, match="no such format: 'odt'; known are html, pdf, word, xlsx"):
        write_report(EVERY_KIND, {"odt": Path("x.odt")})


# What the command line is told


def read(folder: Path, asked: str, out: Path | None = None) -> tuple[tuple[str, ...], list[str]]:
    options = argparse.Namespace(folder=folder, formats=asked, out=out)
    reader = OptionReader(options)
    return reader.formats(), [str(problem) for problem in reader.problems]


def test_formats_are_read_in_any_spelling_and_each_once(tmp_path: Path) -> None:
    assert read(tmp_path, "html") == (("html",), [])
    assert read(tmp_path, " PDF, word,pdf,, xlsx ") == (("pdf", "word", "xlsx"), [])


@pytest.mark.parametrize(
    ("asked", "out", "said"),
    [
        ("pfd", None, "--formats: read 'pfd'; expected some of html, pdf, word, xlsx. Write pdf."),
        ("", None, "--formats: expected some of html, pdf, word, xlsx. Write html."),
        ("pdf", "x.html", "expected a name that ends in .pdf. Write x.pdf, or choose another"),
        ("html", "x.docx", "expected a name that ends in .html. Write x.html, or choose another"),
        ("word", "x", "expected a name that ends in .docx. Write x.docx, or choose another"),
        ("html", "no/x.html", "expected a file in a folder that exists."),
        ("html,pdf", "file", "expected a folder, since there are several formats."),
        ("html,pdf", "no/folder", "expected a folder, since there are several formats."),
    ],
)
def test_what_cannot_be_written_is_refused_before_anything_is_simulated(
    asked: str, out: str | None, said: str, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("taken", encoding="utf-8")
    _, problems = read(tmp_path, asked, None if out is None else tmp_path / out)
    (only,) = problems
    assert said in only


def test_a_page_may_have_any_name_as_before(tmp_path: Path) -> None:
    assert read(tmp_path, "html", tmp_path / "page.htm")[1] == []
    assert read(tmp_path, "html", tmp_path / "page")[1] == []
    assert read(tmp_path, "word", tmp_path / "REPORT.DOCX")[1] == []


def test_where_reports_go(tmp_path: Path) -> None:
    day = date(2026, 5, 31)
    options = argparse.Namespace(folder=tmp_path, out=None)
    assert outs(options, ("html", "pdf"), "week_report", day) == {
        "html": tmp_path / "reports" / "week_report_2026-05-31.html",
        "pdf": tmp_path / "reports" / "week_report_2026-05-31.pdf",
    }
    options = argparse.Namespace(folder=tmp_path, out=tmp_path / "new")
    assert outs(options, ("pdf",), "week_report", day) == {"pdf": tmp_path / "new"}
    assert not (tmp_path / "new").exists()
    assert outs(options, ("pdf", "word"), "x", day)["word"] == tmp_path / "new/x_2026-05-31.docx"
    assert (tmp_path / "new").is_dir()


def test_a_notebook_is_run_once_for_all_formats(tmp_path: Path) -> None:
    told = tmp_path / "runs.txt"
    source = notebook(
        tmp_path,
        f"with open({str(told)!r}, 'a') as file: print('run', file=file)",
        "from forecast.blocks import Heading, Paragraph, Report",
        "Report([Heading('From a notebook', 1), Paragraph(f'It says {name}.')])",
    )
    (tmp_path / "out").mkdir()
    made_of = make_reports(source, {"name": "hello"}, named(tmp_path / "out", "x", list(FORMATS)))
    assert told.read_text(encoding="utf-8").split() == ["run"]
    assert "hello." in words_of_word(made_of["word"].read_bytes())
    assert "hello." in words_of_pdf(made_of["pdf"].read_bytes())
    assert "hello." in words_of_html(made_of["html"].read_bytes())
    assert len(list((tmp_path / "out").iterdir())) == 4


def test_a_notebook_that_fails_leaves_no_file_of_any_format(tmp_path: Path) -> None:
    failing = notebook(tmp_path, "raise RuntimeError('the well is dry')")
    (tmp_path / "out").mkdir()
    with pytest.raises(ReportError, match="the well is dry"):
        make_reports(failing, {"name": "x"}, named(tmp_path / "out", "x", list(FORMATS)))
    assert list((tmp_path / "out").iterdir()) == []
