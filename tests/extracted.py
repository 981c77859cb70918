"""What a reader of each format gets: a report's words, in order, without numbers of pages."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import docx
from openpyxl import load_workbook
from pypdf import PdfReader

__all__ = [
    "alternatives_of_html",
    "alternatives_of_pdf",
    "alternatives_of_word",
    "cells",
    "elements",
    "kinds",
    "squeezed",
    "words_of_html",
    "words_of_pdf",
    "words_of_word",
]

_PAGE = re.compile(r"page \d+ of \d+")
_VOID = {"meta", "link", "br", "hr", "img", "input"}


def squeezed(text: str) -> str:
    """Text without spaces and places where a line may end, which each format sets by itself."""
    return re.sub(r"[\s\u200b]+", "", text)


class _Words(HTMLParser):
    """Text of a page but for its head, its links within itself, and charts."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.alternatives: list[str] = []
        self._left_out = 0
        self._in: list[str] = []
        self.kinds: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.kinds |= {tag, *(f"{tag} {name}" for name, _ in attrs)}
        if tag in _VOID:
            return
        self._in.append(tag)
        skips = tag in ("head", "nav", "svg", "style", "script")
        self._left_out += skips or ("class", "skip") in attrs or self._left_out > 0
        self.parts.append(" ")

    def handle_endtag(self, tag: str) -> None:
        self._in.pop()
        self._left_out -= self._left_out > 0
        self.parts.append(" ")

    def handle_data(self, data: str) -> None:
        if self._in and self._in[-1] == "desc":
            self.alternatives.append(data)
        if not self._left_out:
            self.parts.append(data)


def _read(html: str) -> _Words:
    read = _Words()
    read.feed(html)
    read.close()
    return read


def kinds(html: str) -> set[str]:
    """Each kind of element in a page, and each kind of attribute of it."""
    return _read(html).kinds


def words_of_html(html: bytes) -> list[str]:
    """Words of a page, without contents and without what is written in charts."""
    return "".join(_read(html.decode()).parts).split()


def alternatives_of_html(html: bytes) -> list[str]:
    """What each chart says to those who do not see it."""
    return _read(html.decode()).alternatives


def words_of_pdf(pdf: bytes) -> list[str]:
    """Words of a PDF, without the pages' numbers and bullets."""
    text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    return _PAGE.sub(" ", text).replace("\u200b", "").replace("•", " ").split()


def elements(pdf: bytes) -> Iterator[dict[str, Any]]:
    """The elements of a tagged PDF's structure, as they are read out."""

    def walk(element: Any) -> Iterator[dict[str, Any]]:
        element = element.get_object()
        if isinstance(element, list):
            for each in element:
                yield from walk(each)
        elif isinstance(element, dict):
            if "/S" in element:
                yield element
            if "/K" in element:
                yield from walk(element["/K"])

    root: Any = PdfReader(io.BytesIO(pdf)).trailer["/Root"]
    return walk(root["/StructTreeRoot"]["/K"])


def alternatives_of_pdf(pdf: bytes) -> list[str]:
    """What each chart says to those who do not see it."""
    return [str(each["/Alt"]) for each in elements(pdf) if each["/S"] == "/Figure"]


def _body(word: bytes) -> Any:
    return docx.Document(io.BytesIO(word)).element.body


def words_of_word(word: bytes) -> list[str]:
    """Words of a Word document in their order, tables included."""
    parts = []
    for element in _body(word).iter():
        name = element.tag.rpartition("}")[2]
        if name == "t":
            parts.append(element.text or "")
        elif name in ("p", "tab", "br"):
            parts.append(" ")
    return "".join(parts).split()


def alternatives_of_word(word: bytes) -> list[str]:
    """What each chart says to those who do not see it."""
    return [e.get("descr") for e in _body(word).iter() if e.tag.rpartition("}")[2] == "docPr"]


def cells(xlsx: bytes) -> dict[str, list[tuple[Any, ...]]]:
    """Values of each sheet, row by row."""
    book = load_workbook(io.BytesIO(xlsx))
    return {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book.worksheets}
