"""A report as a reader's program sees it: parsed strictly, figures beside their sources."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import Element

import html5lib

PARTS_OF_A_HUNDRED = " %"


def parsed(html: str) -> Element:
    """The document, by a parser of the HTML standard that refuses every parse error."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    root: Element = parser.parse(html)
    return root


def words_of(element: Element) -> str:
    """Its text, each run of space as one."""
    return " ".join("".join(element.itertext()).split())


def at_pointer(document: Any, pointer: str) -> Any:
    """RFC 6901."""
    for step in pointer.split("/")[1:]:
        key = step.replace("~1", "/").replace("~0", "~")
        document = document[int(key)] if isinstance(document, list) else document[key]
    return document


def figures(root: Element) -> Iterator[tuple[str, str, str, str]]:
    """Document, pointer, exact value and words of every figure."""
    for data in root.iter("data"):
        document, _, pointer = data.attrib["data-of"].partition("#")
        yield document, pointer, data.attrib["value"], words_of(data)


def shown_as(words: str) -> tuple[float, float]:
    """The number that words say, and half of their last digit: written for this test alone."""
    found = re.match(r"(\N{MINUS SIGN}?)([0-9,]+)(?:\.([0-9]+))?", words)
    assert found is not None, words
    sign, whole, part = found.groups()
    scale = 0.01 if words.endswith(PARTS_OF_A_HUNDRED) else 1.0
    size = float(f"{whole.replace(',', '')}.{part or '0'}")
    half = 0.5 * 10.0 ** -len(part or "")
    return (-size if sign else size) * scale, half * scale


def numbers_in(document: Any, pointer: str = "") -> Iterator[str]:
    """Pointers of all numbers."""
    if isinstance(document, dict):
        for key, value in document.items():
            step = key.replace("~", "~0").replace("/", "~1")
            yield from numbers_in(value, f"{pointer}/{step}")
    elif isinstance(document, list):
        for place, value in enumerate(document):
            yield from numbers_in(value, f"{pointer}/{place}")
    elif isinstance(document, int | float) and not isinstance(document, bool):
        yield pointer
