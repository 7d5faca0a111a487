"""Hostile names in a shared design are text to whoever reads what is written of it.

Each payload stands wherever a design takes text: title, drivers, ways, parts, notes of the shelf.
All outputs are then given to their readers: ngspice, an XML parser, a CSV reader, Chromium, a
terminal.
"""

from __future__ import annotations

import csv
import json
import re
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.testing import FILE_HZ, write_driver
from tests.conftest import Done, Once

Run = Callable[..., Done]

PAYLOADS = {
    "spice include": ".include evil.cir",
    "spice control": ".control; shell touch pwned",
    "spice magic comment": "*# shell touch pwned",
    "spice continuation": "+ 1 2 3",
    "formula": "=HYPERLINK(1)",
    "formula of a command": "@SUM(1)*cmd|' /C calc'!A0",
    "formula after a separator": "a;=1+1,-2+3",
    "element": "<script>window.pwned=1</script>",
    "attribute": "\"><img src=x onerror='window.pwned=1'>",
    "end of a script": "</script><script>window.pwned=1</script>",
    "end of a title": "</title></svg><svg onload='window.pwned=1'>",
    "comment": "--> ]]> <!-- <![CDATA[",
    "template": "{{ 7 * 7 }}{% for x in y %}",
    "markup of a terminal": "[bold red]x[/] :smile: %s {0} \\n",
    "every letter": "ä ß Ω 漢 字 é 🎵",
}
CONTROLS = {
    "escape": "\x1b]0;pwned\a\x1b[2J", "line": "a\n.control", "return": "a\r.control",
    "bell": "\a", "nothing": "\0", "direction": "\u202egnp.txt", "mark": "\u200e",
    "separator": "a\u2028.include x", "C1": "\x9b2J", "no break": "a\ufeffb",
}  # fmt: skip


def write_design(folder: Path, text: str) -> Path:
    """A two-way whose every name holds a text, given as it stands in double quotes."""
    low = 87.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 4000.0) ** 4)
    high = 90.0 - 10.0 * np.log10(1.0 + (800.0 / FILE_HZ) ** 4)
    write_driver(folder, "one", level_db=low)
    write_driver(folder, "two", level_db=high, ohm=6.0)
    (folder / "evil.cir").write_text(".control\nshell touch pwned\n.endc\n", encoding="utf-8")
    (folder / "design.yaml").write_text(
        f"""\
speaker: "{text}"
drivers:
  "{text}": {{response: one.txt, impedance: one_z.txt}}
  tweeter: {{response: two.txt, impedance: two_z.txt}}
ways:
  "{text}": {{ladder: [{{name: L1, series: inductor, keep: 2.2 mH, dcr: 0.3}}]}}
  tweeter: {{ladder: [{{name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}}]}}
goals: {{on_axis: {{band: 100..15k}}, impedance: {{floor: 1 ohm}}}}
stock: {{series: E6, shelf: shelf.csv}}
grid: {{per_octave: 6}}
""",
        encoding="utf-8",
    )
    (folder / "network.yaml").write_text(
        f"""\
note: "{text}"
ways:
  "{text}": {{ladder: [{{name: L1, series: inductor, value: 2.2 mH, dcr: 0.3 ohm}}]}}
  tweeter: {{ladder: [{{name: C1, series: capacitor, value: 4.6 uF, note: "{text}"}}]}}
""",
        encoding="utf-8",
    )
    return folder / "design.yaml"


def write_shelf(folder: Path, text: str) -> None:
    with (folder / "shelf.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["kind", "measured", "esr", "label", "note"])
        writer.writerow(["capacitor", "4.6 uF", "0.1", text, text])


@pytest.fixture(scope="module")
def written(once: Once, laddersmith: Run) -> Path:
    """Every output of every payload: a folder for each."""

    def make(base: Path) -> None:
        for number, text in enumerate(PAYLOADS.values()):
            folder = base / str(number)
            folder.mkdir()
            quoted = text.replace("\\", "\\\\").replace('"', '\\"')
            design, network = write_design(folder, quoted), folder / "network.yaml"
            write_shelf(folder, text)
            done = [
                laddersmith("check", design, network, "--page", folder / "page.html",
                            "--json", folder / "check.json"),
                laddersmith("sheet", design, network, "--html", folder / "sheet.html",
                            "--schematic", folder / "sheet.svg", "--parts", folder / "parts.csv",
                            "--curves", folder / "curves.csv", "--markdown", folder / "sheet.md"),
                laddersmith("netlist", design, network, "--output", folder / "net.cir"),
            ]  # fmt: skip
            assert [one.returncode for one in done] == [0, 0, 0], (text, done)
            (folder / "said.txt").write_text(done[0].stdout, encoding="utf-8")

    return once("payloads", make)


@pytest.fixture(params=range(len(PAYLOADS)), ids=list(PAYLOADS))
def outputs(request: pytest.FixtureRequest, written: Path) -> tuple[str, Path]:
    """One payload, and the folder of what was written of it."""
    return list(PAYLOADS.values())[request.param], written / str(request.param)


def test_spreadsheets_see_text(outputs: tuple[str, Path]) -> None:
    """No cell begins with what a spreadsheet computes, whatever separator it parts cells by."""
    text, folder = outputs
    for name in ("parts.csv", "curves.csv"):
        for separator in ",;\t|":
            with (folder / name).open(encoding="utf-8", newline="") as stream:
                for row in csv.reader(stream, delimiter=separator):
                    for cell in row:
                        number = re.fullmatch(r"[+-]?[\d.]+(e[+-]?\d+)?", cell)
                        assert (
                            number
                            or not cell.lstrip(" '").startswith(tuple("=+-@\t\r"))
                            or (cell.lstrip().startswith("'"))
                        ), cell
    with (folder / "parts.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["kind"] for row in rows] == ["capacitor", "inductor"]
    assert any(text[:2] in row["places"] for row in rows)


def test_drawings_are_well_formed(outputs: tuple[str, Path]) -> None:
    """The SVG is XML, of elements of our own, and names the text whole."""
    text, folder = outputs
    root = ET.fromstring((folder / "sheet.svg").read_text(encoding="utf-8"))
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert tags <= {
        *("svg", "title", "desc", "style", "g", "text"),
        *("rect", "path", "circle", "polygon", "polyline"),
    }
    assert not any("on" in name[:2] for element in root.iter() for name in element.attrib)
    title = root.find("{http://www.w3.org/2000/svg}title")
    assert title is not None
    assert text in (title.text or "")


class _Page(HTMLParser):
    """Counts what a page is made of."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts = 0
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        self.handlers += [name for name, _ in attrs if name.startswith("on")]


def test_pages_have_scripts_of_our_own_only(outputs: tuple[str, Path], written: Path) -> None:
    """A page has as many scripts as one of a harmless name, and no handler in an attribute."""
    _, folder = outputs
    plain = written / str(list(PAYLOADS).index("every letter"))
    for name in ("page.html", "sheet.html"):
        found, wanted = _Page(), _Page()
        found.feed((folder / name).read_text(encoding="utf-8"))
        wanted.feed((plain / name).read_text(encoding="utf-8"))
        assert found.handlers == []
        assert found.scripts == wanted.scripts


def test_simulators_run_nothing(outputs: tuple[str, Path], ngspice: str, tmp_path: Path) -> None:
    """ngspice runs the netlist beside a file that would leave a mark, and none is left."""
    text, folder = outputs
    lines = (folder / "net.cir").read_text(encoding="ascii").splitlines()
    assert lines[0].startswith("* ")
    cards = [line for line in lines if line.startswith(".")]
    assert {card.split()[0] for card in cards} == {".subckt", ".ends", ".ac", ".print", ".end"}
    for name in ("evil.cir", "net.cir"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    done = subprocess.run(
        [ngspice, "-b", "net.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert not (tmp_path / "pwned").exists(), text


def test_the_mark_is_left_where_a_title_is_run(ngspice: str, tmp_path: Path) -> None:
    """The trap works: a netlist that includes the file leaves the mark."""
    (tmp_path / "evil.cir").write_text(".control\nshell touch pwned\n.endc\n", encoding="ascii")
    (tmp_path / "bad.cir").write_text(
        "* x\n.include evil.cir\nR1 a 0 1\nV1 a 0 1\n.op\n.end\n", encoding="ascii"
    )
    subprocess.run(
        [ngspice, "-b", "bad.cir"], cwd=tmp_path, capture_output=True, timeout=60, check=False
    )
    assert (tmp_path / "pwned").exists()


def test_browsers_run_nothing(written: Path, browser: Any) -> None:
    """Chromium shows page, sheet and drawing of the payloads made for it; none has run."""
    for number, what in enumerate(PAYLOADS):
        if not any(word in what for word in ("element", "attribute", "script", "title")):
            continue
        for name in ("page.html", "sheet.html", "sheet.svg"):
            browser.open(
                written / str(number) / name,
                ready="document.readyState === 'complete'" if name != "page.html"
                else "document.documentElement.dataset.ready === 'yes'",
            )  # fmt: skip
            assert browser.run("window.pwned === undefined"), (what, name)
            assert browser.complaints() == []


def test_terminals_get_no_markup(outputs: tuple[str, Path]) -> None:
    """What a name holds is shown as it is; nothing of it is read as markup."""
    text, folder = outputs
    said = (folder / "said.txt").read_text(encoding="utf-8")
    assert "\x1b" not in said
    assert " ".join(text.split())[:12] in " ".join(said.split())
    data = json.loads((folder / "check.json").read_text(encoding="utf-8"))
    assert text in data["candidate"]["ways"]


@pytest.mark.parametrize("control", CONTROLS)
@pytest.mark.parametrize("where", ["design", "network", "shelf"])
def test_what_cannot_be_seen_is_refused_with_its_line(
    control: str, where: str, tmp_path: Path, laddersmith: Run
) -> None:
    """Control and direction characters in a name, note or label end in one printable message."""
    text = CONTROLS[control]
    escaped = "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in text)
    design = write_design(tmp_path, escaped if where == "design" else "plain")
    if where == "network":
        path = tmp_path / "network.yaml"
        path.write_text(path.read_text().replace('note: "plain"', f'note: "{escaped}"'))
    write_shelf(tmp_path, text if where == "shelf" else "plain")
    done = laddersmith("check", design, tmp_path / "network.yaml")
    if where == "shelf" and control in ("line", "return"):
        assert done.returncode == 0  # a cell of several lines is usual; it is told on one
        assert ".control" not in done.stdout.split()
        return
    assert (done.returncode, done.stdout) == (2, ""), done
    if where != "shelf" or control != "nothing":  # which makes a file no text at all
        assert re.search(r"(design|network)\.yaml:\d+|shelf\.csv:2", done.stderr)
    assert done.stderr.rstrip("\n").isprintable()


@pytest.mark.parametrize("name", ["a\x1b[2Jb.yaml", "a\u202eb.yaml", "a\nb.yaml", "a\udcffb.yaml"])
def test_names_on_the_command_line_reach_no_terminal(
    name: str, tmp_path: Path, laddersmith: Run
) -> None:
    """A file may be named anything; what is said of it can be seen."""
    for words in (
        ("check", tmp_path / name, "n.yaml"),
        ("survey", tmp_path / name),
        ("goals", name),
    ):
        done = laddersmith(*words)
        assert done.returncode == 2
        assert done.stderr.rstrip("\n").isprintable(), done.stderr
        assert done.stdout == ""
