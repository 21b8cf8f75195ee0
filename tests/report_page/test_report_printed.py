"""The report on paper: A4, numbered pages, no table row cut, heads of tables repeated.

Printed by a real browser where there is one.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from xml.etree.ElementTree import Element

import pypdf
import pytest
from reading_html import parsed, words_of

A4_PT = (210.0 / 25.4 * 72.0, 297.0 / 25.4 * 72.0)
"""ISO 216: 210 x 297 mm; a point is 1/72 inch."""
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="module")
def browser() -> str:
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip(f"no browser to print with: none of {', '.join(BROWSERS)} is installed")
    return found


def printed(browser: str, html: Path, folder: Path) -> list[pypdf.PageObject]:
    out = folder / "printed.pdf"
    subprocess.run(
        [
            browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", f"--user-data-dir={folder / 'profile'}", "--no-pdf-header-footer",
            f"--print-to-pdf={out}", html.as_uri(),
        ],
        capture_output=True, check=True, timeout=120,
    )  # fmt: skip
    return list(pypdf.PdfReader(out).pages)


def squeezed(text: str) -> str:
    """Without space, since lines are broken anywhere, and with ligatures taken apart."""
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", text))


def cut_rows(root: Element, pages: Sequence[str]) -> list[str]:
    """Rows of which no page holds all cells whole."""
    return [
        words_of(row)
        for row in root.iter("tr")
        if not any(
            all(squeezed(words_of(cell)) in page for cell in row if words_of(cell))
            for page in pages
        )
    ]


def headless_pages(table: Element, pages: Sequence[str]) -> list[int]:
    """Pages that hold a row of a table which is nowhere else, but not the table's head."""
    head = [squeezed(words_of(cell)) for cell in table.findall("thead/tr/th")]
    bare = []
    for row in table.findall("tbody/tr"):
        cells = [squeezed(words_of(cell)) for cell in row if words_of(cell)]
        on = [k for k, page in enumerate(pages) if all(cell in page for cell in cells)]
        if len(on) == 1 and not all(cell in pages[on[0]] for cell in head):
            bare.append(on[0])
    return bare


@pytest.fixture(scope="module")
def pages(
    browser: str, html: str, tmp_path_factory: pytest.TempPathFactory
) -> list[pypdf.PageObject]:
    folder = tmp_path_factory.mktemp("printed")
    (folder / "report.html").write_text(html, encoding="utf-8")
    return printed(browser, folder / "report.html", folder)


def test_every_page_is_a4_and_numbered(pages: list[pypdf.PageObject]) -> None:
    assert len(pages) > 4
    for number, page in enumerate(pages, start=1):
        assert float(page.mediabox.width) == pytest.approx(A4_PT[0], abs=1.0)
        assert float(page.mediabox.height) == pytest.approx(A4_PT[1], abs=1.0)
        text = squeezed(page.extract_text())
        assert f"{number}of{len(pages)}" in text
        # the scan's checksum stands on every page, so that loose pages find back together
        assert "scan0123456789ab" in text


def test_no_row_is_cut_and_heads_are_repeated(pages: list[pypdf.PageObject], html: str) -> None:
    root = parsed(html)
    texts = [squeezed(page.extract_text()) for page in pages]
    assert cut_rows(root, texts) == []
    (by_tooth,) = (t for t in root.iter("table") if t.attrib.get("class") == "by-tooth")
    rows = by_tooth.findall("tbody/tr")
    assert len(rows) == 65
    held = [
        {k for k, page in enumerate(texts) if squeezed(words_of(row.findall("td")[1])) in page}
        for row in rows
    ]
    # the table is longer than a page, or its repeated head would prove nothing
    assert len(set.union(*held)) > 1
    assert headless_pages(by_tooth, texts) == []


def test_the_check_finds_a_row_that_is_cut(browser: str, tmp_path: Path) -> None:
    lines = "".join(f"<p>line {number} of one cell</p>" for number in range(200))
    html = (
        "<!DOCTYPE html><html lang='en'><title>x</title><style>@page { size: A4 }</style>"
        f"<table><thead><tr><th>Head</th></tr></thead><tbody><tr><td>{lines}</td></tr>"
        "<tr><td>whole</td></tr></tbody></table></html>"
    )
    (tmp_path / "cut.html").write_text(html, encoding="utf-8")
    texts = [
        squeezed(page.extract_text()) for page in printed(browser, tmp_path / "cut.html", tmp_path)
    ]
    (cut,) = cut_rows(parsed(html), texts)
    assert cut.startswith("line 0 of one cell")
