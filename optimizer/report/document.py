"""What a verb has to say, as plain parts: terminal, Markdown, HTML and JSON are renderers of it.

A part is composed once, by the modules in `documents`, and rendered by those in `render`. Whatever
is said here is said by every renderer; `OnPage` alone holds what only a page has room for, so that
no page can be poorer than the terminal. What explains, assumes or is in order stands in `Remarks`, an
`Aside` or the rows that a table's `brief` leaves out: a terminal counts these unless asked for all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from optimizer.report.charts.plot import AnyPlot

Segment = tuple[str, str]
"""A piece of text and the role it plays ("axis", "sum", "target", "way 1", ...)."""

Drawn = Callable[[int], Sequence[Sequence[Segment]]]
"""Rows of a drawing made of characters, for a width in characters."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A text of a table that stands out or steps back.

    Parameters
    ----------
    text : str
        What it says.
    tone : str
        Roles in words: "strong", "soft", "bad", "best" (leads its row), "way 1", ...
    small : str
        Said after it in smaller print.
    """

    text: str
    tone: str = ""
    small: str = ""

    @property
    def whole(self) -> str:
        """All of it where there is one size of print."""
        return f"{self.text} {self.small}".strip()


Row = tuple[str | Cell, ...]
"""Cells of a row of a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of texts.

    Parameters
    ----------
    heads : tuple of str
        Headings, all empty for none.
    rows : tuple of tuple of str or Cell
        Cells. A row without any sets a gap, one that is shorter leaves the rest empty.
    align : str
        One letter a column: "l" left, "r" right.
    fixed : int
        How many first columns name a row: where a table does not fit beside each other it goes on
        below, and these stand there again.
    key : str
        What kind of table it is, for the look of a page ("compare", "parts", "goals").
    widths : tuple of int
        Least widths of the columns in characters, so that tables stay in line with each other.
    brief : tuple of tuple of str or Cell, optional
        Rows for a terminal that was not asked for all; never without what is doubtful.
    """

    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    align: str
    fixed: int = 0
    key: str = ""
    widths: tuple[int, ...] = ()
    brief: tuple[Row, ...] | None = None

    @property
    def headed(self) -> bool:
        """Whether any column has a heading."""
        return any(self.heads)

    def full_rows(self) -> tuple[tuple[Cell, ...], ...]:
        """Every row with a cell for each column; gaps stay empty."""
        blank = (Cell(""),) * len(self.heads)
        return tuple((*map(as_cell, row), *blank[len(row) :]) if row else () for row in self.rows)


def as_cell(cell: str | Cell) -> Cell:
    """Return a cell for a plain text."""
    return Cell(cell) if isinstance(cell, str) else cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Items with bullets, numbers, or boxes to tick; `topics` go before them and stand out."""

    items: tuple[str, ...]
    topics: tuple[str, ...] = ()
    tones: tuple[str, ...] = ()
    form: Literal["plain", "numbered", "boxes"] = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A paragraph.

    Parameters
    ----------
    text : str
        What it says.
    warns : bool
        Whether it stands out.
    lead : str
        A word or two before it, set off with a colon; "Warning" by itself where it warns.
    tone : str
        "soft" for what explains, "strong" for what must not be missed.
    """

    text: str
    warns: bool = False
    lead: str = ""
    tone: str = ""

    @property
    def head(self) -> str:
        """The word before the text, or ""."""
        return self.lead or ("Warning" if self.warns else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading within a section."""

    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A thing with a title and what is said of it.

    Parameters
    ----------
    title : str
        The thing.
    lead : str
        What goes before it: its number, how grave it is.
    lines : tuple of str
        What is said of it.
    bad : tuple of str
        What is wrong with it.
    tone : str
        Of the lead.
    """

    title: str
    lead: str = ""
    lines: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()
    tone: str = "strong"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A drawing.

    Parameters
    ----------
    title, caption : str
        What it shows, and more of it.
    svg : callable
        The drawing; a narrow screen moves over it.
    lines : callable
        What stands for it in text, for a width in characters.
    tone : str
        Of the title.
    print_scale : float
        How much smaller it is printed.
    """

    title: str
    svg: Callable[[], str]
    lines: Callable[[int], Sequence[str]]
    caption: str = ""
    tone: str = "strong"
    print_scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart that a page draws from the numbers of the document.

    Parameters
    ----------
    key : str
        Its name on the page.
    title, text : str
        Heading, and what it shows.
    wide : bool
        Whether it takes the whole width.
    drawn : callable, optional
        The same for a terminal, with its own legend; None where a terminal leaves it out.
    """

    key: str
    title: str
    text: str
    wide: bool = False
    drawn: Drawn | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Charts:
    """Charts side by side; without a page or a terminal only their texts are left."""

    items: tuple[Chart, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Graphs:
    """Charts that every renderer draws by itself: as vectors on a page, as characters in text."""

    items: tuple[AnyPlot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Every network of the document as a point over two figures that can be chosen on a page.

    Parameters
    ----------
    title, text : str
        Heading, and how to use it.
    drawn : callable, optional
        The same for a terminal, between two fixed figures.
    """

    title: str
    text: str
    drawn: Drawn | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One of several things at a time: a page shows the network picked, else the first stands."""

    items: tuple[tuple[Passage, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aside:
    """What one may read on: folded away on a page."""

    title: str
    parts: tuple[Passage, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Remarks:
    """What explains, assumes or is in order; no caution, and nothing that is doubtful, stands here."""

    parts: tuple[Passage, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What stands side by side where there is room, as on paper, else below each other."""

    columns: tuple[tuple[Passage, ...], ...]

    @property
    def below(self) -> tuple[Passage, ...]:
        """All of it, one below the other."""
        return tuple(part for column in self.columns for part in column)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnPage:
    """What only a page has room for; composed when a page is written."""

    compose: Callable[[], Sequence[Passage]]


Passage = (
    Table
    | Listing
    | Note
    | Heading
    | Item
    | Picture
    | Charts
    | Graphs
    | Scatter
    | Choice
    | Aside
    | Remarks
    | Beside
    | OnPage
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading and what stands under it.

    Parameters
    ----------
    title : str
        Heading, or "".
    parts : tuple of Passage
        What it says.
    key : str
        Its name on a page and in `Document.order`; "lead" stands under the title there.
    page_title : str
        Heading on a page where it is another one, since any network can be picked there.
    """

    title: str
    parts: tuple[Passage, ...]
    key: str = ""
    page_title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """A network that can be picked on a page.

    Parameters
    ----------
    name : str
        What it is called there, as short as can be.
    label : str
        What it is called in a sentence or a list.
    small : str
        A word more.
    """

    name: str
    label: str
    small: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """Everything a verb has to say.

    Parameters
    ----------
    title, subtitle : str
        Heading and a line under it.
    sections : tuple of Section
        In the order of a terminal, where what matters most stands last.
    order : tuple of str
        Keys of sections in the order of a page, where it stands first; others follow.
    picks : tuple of Pick
        Networks of which a page shows one at a time.
    numbers : callable, optional
        What the charts of a page draw, as plain data; composed when a page is written.
    footer : callable, optional
        What stands at the foot of every printed page, beside its number; said when a page is written.
    data : callable, optional
        The same matter as plain data in SI units for JSON, composed when it is written.
    """

    title: str
    subtitle: str = ""
    sections: tuple[Section, ...] = ()
    order: tuple[str, ...] = ()
    picks: tuple[Pick, ...] = ()
    numbers: Callable[[], Mapping[str, Any]] | None = None
    footer: Callable[[], str] | None = None
    data: Callable[[], Mapping[str, Any]] | None = None

    def text_sections(self) -> tuple[Section, ...]:
        """Sections as they are said in text: without what only a page has room for."""
        kept = (replace(s, parts=text_parts(s.parts)) for s in self.sections)
        return tuple(section for section in kept if section.parts)

    def brief_sections(self) -> tuple[Section, ...]:
        """Sections as they are said in text to somebody who did not ask for notes."""
        kept = (replace(s, parts=brief_parts(s.parts)) for s in self.sections)
        return tuple(section for section in kept if section.parts)

    @property
    def notes(self) -> int:
        """How many notes `brief_sections` leave out; a table with rows left out is one."""
        return sum(count_notes(section.parts) for section in self.sections)

    def page_sections(self) -> tuple[Section, ...]:
        """Sections in the order of a page, with everything only a page has room for."""
        first = list(dict.fromkeys(self.order))
        ordered = sorted(
            self.sections, key=lambda s: first.index(s.key) if s.key in first else len(first)
        )
        filled = (replace(s, parts=page_parts(s.parts)) for s in ordered)
        return tuple(section for section in filled if section.parts)


def text_parts(parts: Sequence[Passage]) -> tuple[Passage, ...]:
    """Return what is left of parts in text: the first of each choice, nothing of a page alone."""
    left: list[Passage] = []
    for part in parts:
        if isinstance(part, Choice):
            left += text_parts(part.items[0]) if part.items else ()
        elif isinstance(part, Beside):
            left += text_parts(part.below)
        elif isinstance(part, Aside):
            left += [Heading(title=part.title), *text_parts(part.parts)]
        elif isinstance(part, Remarks):
            left += text_parts(part.parts)
        elif not isinstance(part, OnPage):
            left.append(part)
    return tuple(left)


def brief_parts(parts: Sequence[Passage]) -> tuple[Passage, ...]:
    """Return what is left of parts in text where notes were not asked for."""
    left: list[Passage] = []
    for part in parts:
        if isinstance(part, Choice):
            left += brief_parts(part.items[0]) if part.items else ()
        elif isinstance(part, Beside):
            left += brief_parts(part.below)
        elif isinstance(part, Table) and part.brief is not None:
            left += [replace(part, rows=part.brief)] if part.brief else []
        elif not isinstance(part, Aside | Remarks | OnPage):
            left.append(part)
    return tuple(left)


def count_notes(parts: Sequence[Passage]) -> int:
    """Count what `brief_parts` leaves out: paragraphs, items of lists, tables."""
    count = 0
    for part in parts:
        if isinstance(part, Choice):
            count += count_notes(part.items[0]) if part.items else 0
        elif isinstance(part, Beside):
            count += count_notes(part.below)
        elif isinstance(part, Aside | Remarks):
            said = text_parts(part.parts)
            count += sum(len(one.items) for one in said if isinstance(one, Listing))
            count += sum(not isinstance(one, Listing | Heading) for one in said)
        elif isinstance(part, Table):
            count += part.brief is not None
    return count


def page_parts(parts: Sequence[Passage]) -> tuple[Passage, ...]:
    """Return parts with what only a page has room for composed in its place."""
    left: list[Passage] = []
    for part in parts:
        if isinstance(part, OnPage):
            left += page_parts(part.compose())
        elif isinstance(part, Choice):
            left.append(Choice(items=tuple(page_parts(one) for one in part.items)))
        elif isinstance(part, Beside):
            left.append(Beside(columns=tuple(map(page_parts, part.columns))))
        elif isinstance(part, Aside):
            left.append(replace(part, parts=page_parts(part.parts)))
        elif isinstance(part, Remarks):
            left += page_parts(part.parts)
        else:
            left.append(part)
    return tuple(left)
