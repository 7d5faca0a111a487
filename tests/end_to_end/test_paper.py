"""The build sheet on A4: what stands on which page, printed by Chromium and read back by poppler."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from optimizer.report.charts.svg import INKS
from tests.end_to_end.conftest import Browser

A4_PX = (182 / 25.4 * 96, 269 / 25.4 * 96)
"""The page within its margins, in pixels of CSS."""


@pytest.fixture(scope="module")
def sheet(fitted_demo: Path) -> Path:
    return fitted_demo / "build-sheet.html"


@pytest.fixture(scope="module")
def pages(browser: Browser, sheet: Path, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Text of each printed page."""
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext is not installed (Debian package poppler-utils)")
    path = tmp_path_factory.mktemp("paper") / "sheet.pdf"
    browser.show(sheet, ready="true")
    browser.print_pdf(path)
    done = subprocess.run(
        [program, "-layout", str(path), "-"], capture_output=True, text=True, check=True, timeout=60
    )
    return done.stdout.split("\f")[:-1]


def test_the_first_page_is_all_that_is_needed_at_the_bench(
    pages: list[str], fitted_demo: Path
) -> None:
    """Each part is named in drawing, shopping list and wiring; terminals and cautions are there."""
    first = pages[0]
    results = json.loads((fitted_demo / "results.json").read_text(encoding="utf-8"))
    ways: dict[str, Any] = results["candidates"][0]["ways"]
    names = [part["reference"] for way in ways.values() for part in way["slots"]]
    assert len(set(names)) == len(names) > 3
    for name in names:
        pieces = re.findall(rf"\b{name}[a-h]?\b", first)
        assert len(pieces) >= 3, name
    for words in ("To get", "To solder, in this order", "IN+", "IN-", "Caution:", *ways):
        assert words in first, words
    assert "To get" not in "".join(pages[1:])


def test_every_page_says_what_it_belongs_to(pages: list[str], fitted_demo: Path) -> None:
    """Design, network, date and fingerprint at the foot, and which page of how many."""
    results = json.loads((fitted_demo / "results.json").read_text(encoding="utf-8"))
    assert len(pages) > 3
    for number, page in enumerate(pages, 1):
        foot = page.rstrip().splitlines()[-1]
        assert re.search(rf"\b{number} of {len(pages)}$", foot), foot
        assert re.search(r", 20\d\d-\d\d-\d\d .*, fingerprint [0-9a-f]{8}\b", foot), foot
    prints = {re.findall(r"fingerprint (\w+)", page)[-1] for page in pages}
    assert len(prints) == 1
    assert results["candidates"][0]["rank"] == 1


def test_nothing_is_lost_on_paper(pages: list[str], sheet: Path) -> None:
    """Every heading of the sheet is on a page, none of them alone at its end."""
    titles = re.findall(r"<h2>([^<]+)</h2>", sheet.read_text(encoding="utf-8"))
    assert len(titles) > 8
    for title in titles:
        (page,) = (page for page in pages if re.search(rf"^ *{title}$", page, re.M))
        assert not re.search(rf"^ *{title}\s*\n[^\n]*fingerprint[^\n]*\s*$", page, re.M)


def test_print_needs_neither_colours_nor_grounds(browser: Browser, sheet: Path) -> None:
    """In print every text is dark on nothing, cautions have a frame, and page one is one page high."""
    browser.show(sheet, width=round(A4_PX[0]), ready="true")
    browser.call("Emulation.setEmulatedMedia", media="print")
    try:
        told = browser.run(
            """(() => {
              const bright = (c) => {
                const [r, g, b, a] = c.match(/[\\d.]+/g).map(Number);
                return a === 0 ? 1 : (0.2126 * r + 0.7152 * g + 0.0722 * b) / 255;
              };
              const all = [...document.querySelectorAll("body *")].filter((e) => e.textContent.trim()
                && e.getClientRects().length && !["STYLE", "SCRIPT"].includes(e.tagName));
              const style = (e) => getComputedStyle(e);
              const text = all.filter((e) => !e.closest("svg")).map((e) => bright(style(e).color));
              const grounds = all.map((e) => bright(style(e).backgroundColor));
              const frames = [...document.querySelectorAll(".warns, #cautions ul")]
                .map((e) => parseFloat(style(e).borderTopWidth));
              return [Math.max(...text), Math.min(...grounds), Math.min(...frames), frames.length,
                document.getElementById("first").getBoundingClientRect().bottom + scrollY,
                document.documentElement.scrollWidth];
            })()"""
        )
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")
    brightest, darkest, frame, frames, high, wide = told
    assert brightest < 0.35
    assert darkest > 0.99
    assert frame >= 1.0
    assert frames >= 2
    assert high <= A4_PX[1]
    assert wide <= A4_PX[0] + 1


def test_paper_has_the_same_inks_by_night(browser: Browser, sheet: Path) -> None:
    """What is printed from a dark screen has the inks of what is printed from a light one."""
    browser.show(sheet, width=round(A4_PX[0]), ready="true")
    asked = (
        f"{json.dumps(sorted(INKS))}.map((name) => "
        "getComputedStyle(document.documentElement).getPropertyValue(`--${name}`))"
    )
    printed = []
    try:
        for scheme in ("light", "dark"):
            browser.call(
                "Emulation.setEmulatedMedia",
                media="print",
                features=[{"name": "prefers-color-scheme", "value": scheme}],
            )
            printed.append(browser.run(asked))
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")
        browser.set_dark(False)
    assert printed[0] == printed[1]
    assert all(printed[0])
