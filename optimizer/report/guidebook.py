"""The guide that comes with the package: chapters written by hand, and those made of tables.

The reference of keys and goals is made of the tables that readers use, so it cannot be out of date.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from optimizer.report.render.html import render_guide
from optimizer.text.brief import brief

_KEYS, _GOALS, _CHANGES = "80-keys", "85-goals", "90-changes"
_LINK = re.compile(r"\]\((\d\d-[a-z-]+)\.md\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """A chapter.

    Parameters
    ----------
    name : str
        By which it is asked for, "measuring".
    file : str
        By which others link to it, "20-measuring".
    title : str
        Its heading.
    markdown : str
        All of it, heading included.
    """

    name: str
    file: str
    title: str
    markdown: str

    __repr__ = brief

    @property
    def links(self) -> tuple[str, ...]:
        """Files of chapters that it links to."""
        return tuple(_LINK.findall(self.markdown))


@cache
def list_chapters() -> tuple[Chapter, ...]:
    """List the chapters in the order in which they are read."""
    from optimizer.design.presets import list_presets
    from optimizer.report.documents.goals import document_goals
    from optimizer.report.documents.keys import document_keys
    from optimizer.report.reference import list_keys
    from optimizer.report.render.markdown import render_markdown

    guide = files("optimizer") / "guide"
    texts = {
        entry.name.removesuffix(".md"): entry.read_text(encoding="utf-8")
        for entry in (guide / "book").iterdir()
        if entry.name.endswith(".md")
    }
    texts[_KEYS] = render_markdown(document_keys(list_keys()))
    texts[_GOALS] = render_markdown(document_goals(list_presets()))
    texts[_CHANGES] = (guide / "changes.md").read_text(encoding="utf-8")
    return tuple(_make_chapter(file, text) for file, text in sorted(texts.items()))


def _make_chapter(file: str, text: str) -> Chapter:
    name = file.partition("-")[2]
    heading = re.match(r"# (.+)", text.lstrip())
    title = heading[1].strip() if heading else name.replace("-", " ").capitalize()
    return Chapter(
        name=name, file=file, title=title, markdown=text if heading else f"# {title}\n\n{text}"
    )


def render_book(chapters: Sequence[Chapter]) -> str:
    """Write all chapters as one page for a browser, which needs no network.

    Parameters
    ----------
    chapters : sequence of Chapter
        In their order.

    Returns
    -------
    str
        HTML; whatever stands in the chapters as HTML is text there.
    """
    return render_guide([(c.file, c.title, _LINK.sub(r"](#\1)", c.markdown)) for c in chapters])
