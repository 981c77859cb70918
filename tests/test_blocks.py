"""Content blocks go through JSON unchanged and read as safe, ordered HTML."""

from __future__ import annotations

import json

import pytest

from forecast.blocks import (
    MIME_TYPE,
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

EVERY_KIND = Report(
    [
        Heading("A report", 1),
        Paragraph("First <words> & more.", lead=True),
        Heading("A part"),
        Bullets(("one", "two")),
        Facts((("Items", "2,400"), ("Grant", "R&D"))),
        Figure("figure-x", "A chart", "It rises.", "<svg></svg>", "Below it."),
        Table("Numbers", ("Day", "Items"), (("Monday", "3"), ("Tuesday", "4")), (1,), "A note."),
        PageBreak(),
        Note("Look", ("at this",)),
    ]
)


def test_a_report_comes_back_from_json_unchanged() -> None:
    assert Report.from_json(json.loads(json.dumps(EVERY_KIND.as_json()))) == EVERY_KIND


def test_an_unknown_block_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="no such block: 'video'"):
        Report.from_json([{"kind": "video"}])


def test_text_from_people_is_escaped() -> None:
    html = EVERY_KIND.html()
    assert "First &lt;words&gt; &amp; more." in html
    assert "<words>" not in html


def test_a_table_has_a_caption_and_every_head_says_what_it_heads() -> None:
    html = EVERY_KIND.of(Table)[0].html()
    assert "<caption>Numbers</caption>" in html
    assert '<th scope="col">Day</th><th scope="col" class="number">Items</th>' in html
    assert '<th scope="row">Monday</th><td class="number">3</td>' in html
    assert html.count("<th ") == 4


def test_an_uneven_table_is_refused() -> None:
    with pytest.raises(ValueError, match="a row with 1 cells"):
        Table("Numbers", ("Day", "Items"), (("Monday",),))


def test_a_notebook_gets_content_html_and_words_without_its_own_headings() -> None:
    bundle = EVERY_KIND._repr_mimebundle_()
    assert bundle[MIME_TYPE] == EVERY_KIND.as_json()
    assert "<h1" not in bundle["text/html"]
    assert "<h2" not in bundle["text/html"]
    assert "A chart. It rises." in bundle["text/plain"]


def test_reports_add_up_and_know_their_title() -> None:
    whole = Report([Paragraph("Before.")]) + EVERY_KIND
    assert len(whole) == len(EVERY_KIND) + 1
    assert whole.title == "A report"
    assert Report().title == ""
    assert whole[0] == Paragraph("Before.")


def test_a_page_break_is_on_paper_only() -> None:
    assert PageBreak().text() == ""
    assert Report([Paragraph("One."), PageBreak(), Paragraph("Two.")]).text() == "One.\n\nTwo."
    assert 'class="page-break"' in EVERY_KIND.html()


@pytest.mark.parametrize(
    ("hidden", "told"),
    [
        ("a\x00b", "a[U+0000]b"),
        ("12 \u202egnp", "12 [U+202E]gnp"),
        ("\u2067x\u2069", "[U+2067]x[U+2069]"),
        ("half \ud83d", "half [U+D83D]"),
        ("\U000e0041", "[U+E0041]"),
        ("line\nand\ttab", "line\nand\ttab"),
        ("שלום é 漢 🎉", "שלום é 漢 🎉"),
    ],
)
def test_what_hides_or_turns_text_round_is_told_by_its_number(hidden: str, told: str) -> None:
    assert Paragraph(hidden).words == told
    assert Facts(((hidden, "x"),)).pairs == ((told, "x"),)
    assert Table("T", ("a",), ((hidden,),)).rows == ((told,),)


def test_a_chart_keeps_its_table_and_knows_how_wide_it_was_drawn() -> None:
    svg = '<svg height="9" width="313.5"></svg>'
    figure = Figure("figure-x", "F", "A.", svg, "", ("day", "n"), (("Monday", 3), ("\x07", None)))
    assert figure.share == 0.5
    assert Figure("figure-x", "F", "A.", "<svg></svg>").share == 1.0
    assert figure.rows == (("Monday", 3), ("[U+0007]", None))
    assert Report.from_json(json.loads(json.dumps(Report([figure]).as_json())))[0] == figure


def test_columns_share_the_paper_by_what_is_in_them() -> None:
    table = Table("T", ("Day", "Items", "Remark"), (("Monday", "3", "word " * 30),), (1,))
    assert table.widths == (6, 6, 44)
    assert table.short
    assert not Table("T", ("a",), (("x",),) * 9).short
    assert not Table("T", ("a",), (("x" * 2_000,),)).short


def test_a_summary_goes_through_json_and_leaves_no_trace_on_a_page() -> None:
    summary = Summary((("items", 3), ("finish", None), ("title", "x")))
    report = EVERY_KIND + Report([summary])
    assert Report.from_json(json.loads(json.dumps(report.as_json()))) == report
    assert report.html() == EVERY_KIND.html()
    assert report.text() == EVERY_KIND.text()
