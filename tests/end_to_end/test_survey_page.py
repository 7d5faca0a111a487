"""The page of a survey in a real browser: numbers, angles, phone, dark, paper."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.measure.curves.cabinet import Cabinet, solve_step
from optimizer.measure.files import open_curve
from optimizer.measure.survey.nouns import Survey
from optimizer.report.documents.survey import document_survey
from optimizer.report.render.html import render_html
from optimizer.verbs import survey
from tests.conftest import cases


@pytest.fixture(scope="module")
def folder(demo_design: Path) -> Path:
    return demo_design.parent


@pytest.fixture(scope="module")
def page(demo_survey: Survey, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "survey.html"
    file.write_text(render_html(document_survey(demo_survey, "<b>demo</b>")), encoding="utf-8")
    return file


def read_at(browser: Any, chart: str, hz: float) -> dict[str, str]:
    """Move over a chart and return what is read beside it, by driver."""
    browser.run(f"document.getElementById('{chart}').scrollIntoView({{block: 'center'}})")
    x, y = browser.run(f"""(() => {{
        const plot = plots.find(p => p.figure.id === '{chart}');
        const host = plot.host.getBoundingClientRect(), frame = plot.view.frame;
        return [host.left + frame.x_scale.compute({hz}), host.top + frame.bbox.y0 + 20]; }})()""")
    browser.move(x, y)
    found: dict[str, str] = browser.run(f"""Object.fromEntries([...document.querySelectorAll(
        '#{chart} output')].map(o => [o.dataset.value, o.textContent]))""")
    return found


def test_it_is_one_small_quiet_file(browser: Any, page: Path) -> None:
    """Three drivers in 18 directions fit into 3 MB; nothing is fetched, nothing complains."""
    assert page.stat().st_size < 3_000_000
    browser.show(page)
    assert browser.complaints() == []
    assert browser.run("document.querySelector('h1').textContent") == "Survey of <b>demo</b>"
    assert browser.run("plots.length") == 9


def test_hover_reads_the_files(browser: Any, page: Path, folder: Path) -> None:
    """What is read under the cursor is what the measured files say there."""
    browser.show(page)
    for hz in (150.0, 1200.0, 9000.0):
        said = read_at(browser, "responses", hz)
        at = browser.run("HZ[state.at]")
        assert at == pytest.approx(hz, rel=0.01)
        for name in ("woofer", "midrange", "tweeter"):
            file = open_curve(folder / f"{name}.txt", "pressure")
            level = np.interp(np.log(at), np.log(file.frequency_hz), file.level_db)
            assert float(said[name].split()[0]) == pytest.approx(level, abs=0.056)
        said = read_at(browser, "impedances", hz)
        at = browser.run("HZ[state.at]")
        z = open_curve(folder / "midrange_z.txt", "impedance")
        ohm = np.interp(np.log(at), np.log(z.frequency_hz), np.abs(z.value))
        assert float(said["midrange"].split()[0]) == pytest.approx(ohm, rel=0.01, abs=0.02)


def test_angles_are_read_against_the_axis(browser: Any, page: Path, folder: Path) -> None:
    """On a map of angles the reading is the file of that angle less the file on the axis."""
    browser.show(page)
    title = browser.run("document.querySelector('#plane-4 h3').textContent")
    assert title == "tweeter by angle, horizontal"
    browser.run("plots.find(p => p.figure.id === 'plane-4').angle = 60; setCursor(nearest(8000))")
    at = browser.run("HZ[state.at]")
    levels = []
    for name in ("tweeter_h60.txt", "tweeter.txt"):
        file = open_curve(folder / name, "pressure")
        levels.append(np.interp(np.log(at), np.log(file.frequency_hz), file.level_db))
    said = browser.run("document.querySelector('#plane-4 output').textContent")
    assert float(said.split()[0]) == pytest.approx(levels[0] - levels[1], abs=0.07)


@pytest.mark.parametrize("dark", cases([True, False], routine=1))
def test_it_prints_on_a4(browser: Any, page: Path, tmp_path: Path, dark: bool) -> None:
    """Printed it is A4 with every chart as a picture."""
    browser.show(page, dark=dark)
    file = tmp_path / "survey.pdf"
    browser.print_pdf(file)
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]*)\]", file.read_bytes())
    assert 3 <= len(boxes) <= 14
    # A4 is 210 mm x 297 mm, 595.28 x 841.89 points.
    sizes = {tuple(round(float(v)) for v in box.split()[2:]) for box in boxes}
    assert all(abs(w - 595) <= 1 and abs(h - 842) <= 1 for w, h in sizes)
    browser.resize(688, 900)
    browser.call("Emulation.setEmulatedMedia", media="print")
    gaps = browser.run("""[...document.querySelectorAll('.charts')].flatMap(
        (box) => [...box.children].slice(1).map((e) => e.getBoundingClientRect().top
            - e.previousElementSibling.getBoundingClientRect().bottom))""")
    assert min(gaps) > 12  # one chart's key is not taken for the next one's title
    pictures = browser.run("""[...document.querySelectorAll('.plot img')].map(i => [
        i.checkVisibility(), i.naturalWidth > 100, i.getBoundingClientRect().right <= 689])""")
    assert len(pictures) == 9
    assert all(all(p) for p in pictures)
    assert browser.run("document.querySelector('.bar').checkVisibility()") is False
    browser.call("Emulation.setEmulatedMedia", media="")


def test_it_fits_the_phone(browser: Any, page: Path) -> None:
    """Nothing is wider than a phone, nor when that turns dark in the evening."""
    browser.show(page, width=390)
    assert browser.run("document.documentElement.scrollWidth") <= 390
    light = browser.run("getComputedStyle(document.body).backgroundColor")
    browser.set_dark(True)
    assert browser.run("getComputedStyle(document.body).backgroundColor") != light
    assert browser.run("document.documentElement.scrollWidth") <= 390
    browser.shows = None


def test_a_joined_bass_is_shaded(browser: Any, folder: Path, tmp_path: Path) -> None:
    """Below the join the page reads the band that the survey states; above it, none."""
    here = tmp_path / "near"
    here.mkdir()
    f = np.geomspace(20.0, 20000.0, 700)
    front = Cabinet(width_m=0.22, height_m=0.36)
    near = 90.0 + 20.0 * np.log10((f / 50.0) ** 2 / np.hypot(1.0 - (f / 50.0) ** 2, 1.4 * f / 50.0))
    far = near - 29.8 + 20.0 * np.log10(np.abs(solve_step(f, front, 0.13, 1200.0)[0]))
    for name, level, used in (("", far, f >= 200.0), (" nearfield", near, f < 2000.0)):
        rows = zip(f[used], level[used], strict=True)
        (here / f"woofer{name}.txt").write_text("".join(f"{a:.3f} {b:.3f} 0\n" for a, b in rows))
    found = survey(here, fronts={"woofer": front}, diameters_m={"woofer": 0.13})
    splice = found.drivers[0].splice
    assert splice is not None
    assert splice.least_known is not None
    hz, half = splice.least_known
    assert half > 0.3
    file = tmp_path / "page.html"
    file.write_text(render_html(document_survey(found, "near")), encoding="utf-8")
    browser.show(file)
    said = read_at(browser, "responses", hz * 1.02)
    low, _, high, _ = said["woofer band"].split()
    assert float(high) - float(low) == pytest.approx(2.0 * half, abs=0.15)
    assert read_at(browser, "responses", 3000.0)["woofer band"] == "–"
    assert browser.complaints() == []
