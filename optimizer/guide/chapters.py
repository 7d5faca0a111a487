"""The guide that comes with the package: chapters written by hand, and those made of tables.

The reference of keys and goals is made of the tables that readers use, that of the functions for
Python of what these say of themselves, and examples are the files that tests run: none of it can be
out of date. A chapter asks for a picture or a file by a line of its own::

    ![what is to be seen](picture:response)
    ![which file it is](file:examples/plug-in/pyproject.toml)
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

from optimizer.guide.front_door import write_front_door
from optimizer.report.document import Graphs, Passage, Picture
from optimizer.report.render.html import PageChapter, render_guide
from optimizer.text.brief import brief

_KEYS, _GOALS, _PYTHON, _CHANGES = "80-keys", "85-goals", "87-python", "90-changes"
_LINK = re.compile(r"\]\((\d\d-[a-z-]+)\.md(?:#([a-z0-9-]+))?\)")
_HEADING = re.compile(r"^## (.+)$", re.MULTILINE)
_FENCE = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)
_PICTURE = re.compile(r"^!\[([^]]+)\]\(picture:([a-z-]+)\)$", re.MULTILINE)
_FILE = re.compile(r"^!\[([^]]+)\]\(file:([\w./-]+)\)$", re.MULTILINE)
_KINDS = {"py": "python", "toml": "toml", "yaml": "yaml"}

GROUPS = {20: "Begin", 75: "How to", 80: "Why", 100: "Reference"}
"""What chapters are called together whose numbers are below each of these."""

Pictures = Mapping[str, Passage]
"""What the chapters show, by name: a `Picture` or `Graphs` each."""


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
    def group(self) -> str:
        """What it is called together with others, by its number."""
        return next(said for below, said in GROUPS.items() if int(self.file[:2]) < below)

    @property
    def links(self) -> tuple[tuple[str, str], ...]:
        """Files of chapters that it links to, each with the section, or ""."""
        return tuple(_LINK.findall(self.markdown))

    @property
    def sections(self) -> tuple[str, ...]:
        """Its sections, by the names that links give them."""
        return tuple(name_section(found) for found in _HEADING.findall(self._prose))

    @property
    def pictures(self) -> tuple[str, ...]:
        """Names of the pictures that it shows."""
        return tuple(name for _, name in _PICTURE.findall(self.markdown))

    @property
    def _prose(self) -> str:
        return _FENCE.sub("", self.markdown)

    def parts(self, pictures: Callable[[], Pictures]) -> Iterator[str | Passage]:
        """Take it apart where there are pictures.

        Parameters
        ----------
        pictures : callable
            Makes them; called only where the chapter shows one.

        Yields
        ------
        str or Passage
            Markdown, and what stands between.
        """
        text, found = self.markdown, _PICTURE.search(self.markdown)
        while found:
            yield text[: found.start()]
            yield _caption(pictures()[found[2]], found[1])
            text = text[found.end() :]
            found = _PICTURE.search(text)
        yield text


def name_section(title: str) -> str:
    """Name a section as links do: small letters and digits, everything else a hyphen."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")


def _caption(picture: Passage, text: str) -> Passage:
    """Say of a picture what the chapter says of it."""
    if isinstance(picture, Graphs):
        return replace(picture, items=tuple(replace(one, text=text) for one in picture.items))
    assert isinstance(picture, Picture)
    return replace(picture, caption=text)


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
        entry.name.removesuffix(".md"): _fill_in(entry.read_text(encoding="utf-8"))
        for entry in (guide / "book").iterdir()
        if entry.name.endswith(".md")
    }
    texts[_KEYS] = render_markdown(document_keys(list_keys()))
    texts[_GOALS] = render_markdown(document_goals(list_presets()))
    texts[_PYTHON] = write_front_door()
    texts[_CHANGES] = (guide / "changes.md").read_text(encoding="utf-8")
    return tuple(_make_chapter(file, text) for file, text in sorted(texts.items()))


def _fill_in(text: str) -> str:
    """Put the files that a chapter shows into it."""

    def fill(found: re.Match[str]) -> str:
        said, name = found.groups()
        held = (files("optimizer") / "guide" / name).read_text(encoding="utf-8").rstrip()
        return f"{said}\n\n```{_KINDS[name.rpartition('.')[2]]}\n{held}\n```"

    return _FILE.sub(fill, text)


def _make_chapter(file: str, text: str) -> Chapter:
    name = file.partition("-")[2]
    heading = re.match(r"# (.+)", text.lstrip())
    title = heading[1].strip() if heading else name.replace("-", " ").capitalize()
    return Chapter(
        name=name, file=file, title=title, markdown=text if heading else f"# {title}\n\n{text}"
    )


def render_book(chapters: Sequence[Chapter], pictures: Callable[[], Pictures]) -> str:
    """Write all chapters as one page for a browser, which needs no network.

    Parameters
    ----------
    chapters : sequence of Chapter
        In their order.
    pictures : callable
        Makes what they show.

    Returns
    -------
    str
        HTML; whatever stands in the chapters as HTML is text there.
    """

    def link(found: re.Match[str]) -> str:
        return f"](#{'--'.join(filter(None, found.groups()))})"

    return render_guide(
        [
            PageChapter(
                name=chapter.file,
                title=chapter.title,
                group=chapter.group,
                parts=[
                    _LINK.sub(link, part) if isinstance(part, str) else part
                    for part in chapter.parts(pictures)
                ],
            )
            for chapter in chapters
        ],
        name_section,
    )
