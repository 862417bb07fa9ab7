"""Reads a report page back, for the tests: a strict parse, and every number with where it says it comes from."""

from __future__ import annotations

import pickle
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import html5lib
import pytest
from once_a_run import made_once


def parsed(page: str) -> Element:
    """The page as a tree; any error of the HTML standard's parser is raised."""
    parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), strict=True, namespaceHTMLElements=False)
    return parser.parse(page)


def parsed_once(factory: pytest.TempPathFactory, folder: Path) -> Element:
    """The page of a folder that many tests read: the strict parser looks at it once in a run of the tests."""

    def parse(kept: Path) -> None:
        page = (folder / "report.html").read_text("utf-8")
        (kept / "tree.pickle").write_bytes(pickle.dumps(parsed(page), pickle.HIGHEST_PROTOCOL))

    kept = made_once(factory, f"{folder.name} parsed", parse)
    tree: Element = pickle.loads((kept / "tree.pickle").read_bytes())
    return tree


@dataclass(frozen=True)
class Shown:
    """A number on the page: its exact text, where it comes from, what people read, and how it is shown."""

    exact: str
    pointer: str
    text: str
    shown_as: str


def own_text(element: Element) -> str:
    """Text of an element without the references to notes in it; a space at which no line ends is a space."""
    parts = [element.text or ""]
    for child in element:
        if child.get("class") != "ref":
            parts.append(own_text(child))
        parts.append(child.tail or "")
    return "".join(parts).replace("\u00a0%", " %")


def shown_numbers(tree: Element) -> Iterator[Shown]:
    """Every number of the page, with its address in the result resolved from row, card and heading."""
    yield from _walk(tree, at="", column=None)


def _walk(element: Element, *, at: str, column: Element | None) -> Iterator[Shown]:
    at = element.get("data-at", at)
    if element.tag == "table":
        headings = next(element.iter("thead")).findall("tr/th")
        for row in element.findall("tbody/tr"):
            cells = list(row)
            assert len(cells) == len(headings)
            for heading, cell in zip(headings, cells, strict=True):
                yield from _walk(cell, at=row.get("data-at", at), column=heading)
        return
    if element.tag != "th" or element.get("scope") != "col":
        yield from _numbers_of(element, at, column)
    for child in element:
        yield from _walk(child, at=at, column=column)


def _numbers_of(element: Element, at: str, column: Element | None) -> Iterator[Shown]:
    known = column.attrib if column is not None else {}
    shown_as = element.get("data-as", known.get("data-as", "value"))
    text = own_text(element)
    if "data-value" in element.attrib or "data-missing" in element.attrib:
        origin = element.get("data-from", known.get("data-from", ""))
        assert origin, f"no origin: {text}"
        yield Shown(element.get("data-value", "null"), _joined(at, origin), text, shown_as)
    if "data-low" in element.attrib:
        origin = element.get("data-from", known.get("data-range-from", ""))
        assert origin, f"no origin: {text}"
        low, high = text.split(" to ")
        yield Shown(element.attrib["data-low"], _joined(at, f"{origin}/low"), low, shown_as)
        yield Shown(element.attrib["data-high"], _joined(at, f"{origin}/high"), high, shown_as)


def _joined(at: str, origin: str) -> str:
    return origin[1:] if origin.startswith("/") else f"{at}/{origin}"


def at_pointer(document: Any, pointer: str) -> Any:
    """The value at an address; a step into nothing gives nothing."""
    value = document
    for step in pointer.split("/"):
        if value is None:
            return None
        value = value[int(step)] if isinstance(value, list) else value[step]
    return value


def read_number(text: str) -> tuple[float, float]:
    """A number as people read it, and half a unit of its last digit."""
    match = re.match(r"^[+]?(\N{MINUS SIGN}?\d+)(?:\.(\d+))?(?:e(\N{MINUS SIGN}?\+?\d+))?", text.strip())
    assert match, text
    whole, decimals, exponent = match.groups()
    scale = 10.0 ** int((exponent or "0").replace("\N{MINUS SIGN}", "-"))
    number = float(f"{whole}.{decimals or 0}".replace("\N{MINUS SIGN}", "-"))
    return number * scale, 0.5 * 10.0 ** -len(decimals or "") * scale


def expected_reading(value: float, shown_as: str) -> float:
    """What people should read for an exact value."""
    return {"value": value, "change": (value - 1.0) * 100.0, "percent": value * 100.0}[shown_as]
