"""The guide: every command in it is one, every link leads somewhere, every chapter is read."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from optimizer.cli.main import build_parser
from optimizer.report.guidebook import list_chapters
from tests.conftest import Done

Run = Callable[..., Done]
CHAPTERS = list_chapters()
WRITTEN = [c for c in CHAPTERS if int(c.file[:2]) < 80]
COMMANDS = [
    (chapter.name, line)
    for chapter in WRITTEN
    for block in re.findall(r"```sh\n(.*?)```", chapter.markdown, flags=re.DOTALL)
    for line in block.replace("\\\n", " ").splitlines()
]


@pytest.mark.parametrize(("chapter", "line"), COMMANDS)
def test_commands_are_understood(chapter: str, line: str) -> None:
    """The parser of the program takes each as it stands."""
    words = shlex.split(re.sub(r"\s#.*", "", line))
    assert words[0] == "laddersmith", chapter
    build_parser().parse_args(words[1:])


def test_links_lead_somewhere() -> None:
    """Each chapter that is linked to is there; each has a heading and a name of its own."""
    files = {chapter.file for chapter in CHAPTERS}
    assert {link for chapter in CHAPTERS for link in chapter.links} <= files
    for chapter in WRITTEN:
        assert all(
            link in chapter.links for link in re.findall(r"\]\(([^#)]+)\.md\)", chapter.markdown)
        )
    assert len({chapter.name for chapter in CHAPTERS}) == len(CHAPTERS) >= 10
    assert len(COMMANDS) >= 15


def test_pieces_of_design_files_are_read() -> None:
    """Each is YAML whose keys are those of design files, see `laddersmith keys`."""
    from optimizer.report.reference import list_keys

    known = {key.name.rpartition(".")[2] for key in list_keys()}
    for chapter in WRITTEN:
        for block in re.findall(r"```yaml\n(.*?)```", chapter.markdown, flags=re.DOTALL):
            for part in re.split(r"\n(?=stock:)", block):
                assert set(yaml.safe_load(part)) <= known, part


def test_a_chapter_is_shown_in_the_terminal(laddersmith: Run) -> None:
    """By its name; a wrong one is met with the nearest."""
    done = laddersmith("guide", "measuring")
    assert done.returncode == 0
    assert "Never sweep a bare tweeter" in done.stdout
    wrong = laddersmith("guide", "mesuring")
    assert wrong.returncode == 2
    assert "measuring" in wrong.stderr


def test_it_opens_in_the_browser(
    laddersmith: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without a chapter it is written to a file of its own, which the browser is given."""
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", lambda address: opened.append(address) or True)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    done = laddersmith("guide")
    assert done.returncode == 0
    (address,) = opened
    assert Path(address.removeprefix("file://")).parent == tmp_path
    assert "open in your browser" in " ".join(done.stdout.split())


def test_the_page_is_whole(laddersmith: Run, tmp_path: Path, browser: Any) -> None:
    """Chromium finds every chapter, fetches nothing, and nothing is wider than a phone."""
    page = tmp_path / "guide.html"
    assert laddersmith("guide", "--page", page).returncode == 0
    for width in (1280, 390):
        browser.show(page, width=width, ready="true")
        assert browser.complaints() == []
        assert browser.run("document.querySelectorAll('article').length") == len(CHAPTERS)
        assert browser.run("document.documentElement.scrollWidth") <= width
    broken = browser.run(
        "[...document.querySelectorAll('a[href^=\"#\"]')].map(a => a.getAttribute('href').slice(1))"
        ".filter(id => !document.getElementById(id))"
    )
    assert broken == []
    assert browser.run("document.querySelectorAll('article script, article img').length") == 0
