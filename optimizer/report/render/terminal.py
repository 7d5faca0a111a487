"""Documents for a terminal: styled, laid out for its width. The only room that knows rich."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence

from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from optimizer.report.charts.sketch import sketch_plot
from optimizer.report.document import (
    Cell,
    Charts,
    Document,
    Graphs,
    Heading,
    Item,
    Listing,
    Note,
    Passage,
    Picture,
    Scatter,
    Segment,
    Table,
    text_parts,
)

_WAY_STYLES = ("blue", "magenta", "cyan", "yellow")
_STYLES = {
    "axis": "dim",
    "soft": "dim",
    "sum": "bold",
    "strong": "bold",
    "best": "bold",
    "bad": "bold red",
    "look": "bold yellow",
    "target": "green",
    "mark": "bold reverse",
}
_WRAPS = 24
"""A column wider than this may be made narrower; the others keep their width."""

_NARROWEST = 16


def render_terminal(document: Document, *, width: int = 100, notes: bool = True) -> RenderableType:
    """Lay a document out for a terminal.

    Parameters
    ----------
    document : Document
        What to say.
    width : int
        Width in characters; what is drawn keeps to it, text is wrapped where it is printed.
    notes : bool
        Whether notes are said; else one line at the end says how many there are.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    blocks: list[RenderableType] = [_heading(document.title)] if document.title else []
    if document.subtitle:
        blocks.append(Text(document.subtitle))
    for section in document.text_sections() if notes else document.brief_sections():
        laid = _lay_out(section.parts, width)
        if laid:  # a terminal leaves out some charts
            blocks += [Text()] if blocks else []
            blocks += [_heading(section.title)] if section.title else []
            blocks += laid
    if not notes and document.notes:
        blocks += [Text(), Text(say_notes(document.notes), style="dim")]
    return Group(*blocks)


def say_notes(count: int) -> str:
    """Say how many notes were left out, and how to see them."""
    return f"{count} notes (--notes shows them)" if count > 1 else "1 note (--notes shows it)"


def render_parts(parts: Sequence[Passage], *, width: int = 100) -> RenderableType:
    """Lay some parts of a document out for a terminal; see `render_terminal`."""
    return Group(*_lay_out(text_parts(parts), width))


def print_text(
    *documents: Document | Sequence[Passage],
    width: int = 100,
    room: int | None = None,
    notes: bool = True,
) -> str:
    """Write documents, or parts of them, as a terminal without colour shows them.

    Parameters
    ----------
    *documents : Document or sequence of Passage
        What to say.
    width : int
        Width to lay out for, in characters.
    room : int, optional
        Width of the terminal itself, where it is another.
    notes : bool
        Whether the notes of documents are said; see `render_terminal`.

    Returns
    -------
    str
    """
    stream = io.StringIO()
    console = Console(
        file=stream, width=room or width, color_system=None, highlight=False, markup=False
    )
    for one in documents:
        if isinstance(one, Document):
            console.print(render_terminal(one, width=width, notes=notes))
        else:
            console.print(render_parts(one, width=width))
    return stream.getvalue()


def _lay_out(parts: Sequence[Passage], width: int) -> list[RenderableType]:
    """Lay parts out with a blank line between those that are no one paragraph."""
    blocks: list[RenderableType] = []
    before: Passage | None = None
    for part in parts:
        close = isinstance(before, Note) and isinstance(part, Note | Listing | Item)
        close |= isinstance(before, Table) and isinstance(part, Listing)
        close |= isinstance(before, Heading)
        close |= isinstance(before, Listing) and isinstance(part, Note)
        laid = list(_lay_out_part(part, width))
        if laid:
            blocks += [Text()] if before is not None and not close else []
            blocks += laid
            before = part
    return blocks


def _lay_out_part(part: Passage, width: int) -> Iterable[RenderableType]:
    if isinstance(part, Table):
        return _lay_out_table(part, width)
    if isinstance(part, Note):
        return [_note(part)]
    if isinstance(part, Listing):
        return _listing(part)
    if isinstance(part, Heading):
        return [Text(part.title, style="bold")]
    if isinstance(part, Item):
        return _item(part)
    if isinstance(part, Picture):
        return _picture(part, width)
    if isinstance(part, Charts):
        return _charts(part, width)
    if isinstance(part, Graphs):
        return _graphs(part, width)
    if isinstance(part, Scatter):
        return [] if part.drawn is None else [_row(row) for row in part.drawn(width)]
    raise TypeError(f"a terminal cannot show {type(part).__name__}")


def _charts(charts: Charts, width: int) -> list[RenderableType]:
    blocks: list[RenderableType] = []
    for chart in charts.items:
        if chart.drawn is not None:
            blocks += [Text()] if blocks else []
            blocks += [_row(row) for row in chart.drawn(width)]
    return blocks


def _graphs(graphs: Graphs, width: int) -> list[RenderableType]:
    blocks: list[RenderableType] = []
    for plot in graphs.items:
        blocks += [Text()] if blocks else []
        blocks += [_row(row) for row in sketch_plot(plot, width=width)]
        blocks.append(Text(plot.text, style="dim"))
    return blocks


def _heading(title: str) -> Text:
    return Text(title, style="bold underline")


def _style(tone: str) -> str:
    styles = []
    for word in tone.split(", "):
        if word.startswith(("way ", "average ")):
            styles.append(_WAY_STYLES[(int(word.split()[1]) - 1) % len(_WAY_STYLES)])
        else:
            styles.append(_STYLES.get(word, ""))
    return " ".join(filter(None, styles))


def _row(row: Sequence[Segment]) -> Text:
    return Text.assemble(*((text, _style(role)) for text, role in row))


def _note(note: Note) -> Text:
    style = _style(note.tone)
    if not note.head:
        return Text(note.text, style="bold" if note.warns else style)
    text = Text(f"{note.head}: ", style="bold yellow" if note.warns else "bold")
    text.append(note.text, style="bold" if note.warns else f"not bold {style}")
    return text


def _hang(text: Text, by: int, hang: int) -> RenderableType:
    """Set a text in by some characters, and the lines it goes on with by more."""
    grid = RichTable.grid(padding=0)
    grid.add_column(width=by + hang, no_wrap=True)
    grid.add_column()
    mark = text[:hang] if hang else Text()
    grid.add_row(Text(" " * by) + mark, text[hang:])
    return grid


def _listing(listing: Listing) -> Iterable[RenderableType]:
    for number, item in enumerate(listing.items, 1):
        mark = {"plain": "", "numbered": f"{number}. ", "boxes": "[ ] "}[listing.form]
        text = Text()
        if listing.topics:
            tone = listing.tones[number - 1] if listing.tones else "strong"
            text.append(f"{listing.topics[number - 1]}: ", style=_style(tone))
        text.append(item)
        if mark:
            yield _hang(Text(mark) + text, 2, len(mark))
        else:
            yield Padding(text, (0, 0, 0, 2))


def _item(item: Item) -> Iterable[RenderableType]:
    title = Text(f"{item.lead} " if item.lead else "", style=_style(item.tone))
    title.append(item.title, style="not bold not dim default" if item.lead else "")
    yield title
    for line in item.lines:
        yield Padding(Text(line), (0, 0, 0, 3))
    for line in item.bad:
        yield Padding(Text(line, "bold red"), (0, 0, 0, 3))


def _picture(picture: Picture, width: int) -> Iterable[RenderableType]:
    title = Text(picture.title, style=_style(picture.tone))
    title.append(f", {picture.caption}" if picture.caption else "", style="not bold default")
    yield title
    for line in picture.lines(width):
        text = Text(line)
        text.highlight_regex(r"[─│┬┴├┤┌┐└┘>]+", "dim")
        text.highlight_regex(r"\[[^\]]+\]", "bold")
        yield text


def _lay_out_table(table: Table, width: int) -> Iterable[RenderableType]:
    """Lay a table out; one that is too wide goes on below, or wraps its wide columns."""
    rows = table.full_rows()
    gap = 1 if table.key == "compare" else 2
    natural = [
        max(
            table.widths[k] if k < len(table.widths) else 0,
            *(cell_len(line) for line in table.heads[k].split("\n") if table.key != "compare"),
            *(cell_len(row[k].whole) for row in rows if row),
        )
        for k in range(len(table.heads))
    ]  # fmt: skip
    everything = _list_telling(table, rows)
    blocks = [everything]
    if table.fixed and _spans(natural, gap) > width:
        gap = 1
        if _spans(_fit(natural, everything, table.fixed, gap, width), gap) > width:
            blocks = _split(natural, table.fixed, gap, width)
    laid: list[RenderableType] = []
    for columns in blocks:
        laid += [Text()] if laid else []
        laid.append(
            _lay_out_block(
                table, rows, columns, _fit(natural, columns, table.fixed, gap, width), gap
            )
        )
    return laid


def _list_telling(table: Table, rows: Sequence[Sequence[Cell]]) -> list[int]:
    """List the columns to be shown: in brief, a head over nothing would only take room."""
    every = range(len(table.heads))
    if table.brief is None or not any(rows):
        return list(every)
    return [k for k in every if not table.heads[k] or any(row[k].whole for row in rows if row)]


def _spans(widths: Sequence[int], gap: int) -> int:
    return sum(widths) + gap * (len(widths) - 1)


def _split(natural: Sequence[int], fixed: int, gap: int, width: int) -> list[list[int]]:
    """Share the columns out among blocks that fit; each begins with the fixed ones."""
    first = list(range(fixed))
    room = width - sum(natural[k] + gap for k in first)
    blocks: list[list[int]] = [list(first)]
    used = 0
    for k in range(fixed, len(natural)):
        if used and used + natural[k] > room:
            blocks.append(list(first))
            used = 0
        blocks[-1].append(k)
        used += natural[k] + gap
    return blocks


def _fit(
    natural: Sequence[int], columns: Sequence[int], fixed: int, gap: int, width: int
) -> list[int]:
    """Make wide columns narrower, in proportion, until a table fits."""
    widths = [natural[k] for k in columns]
    room = width - gap * (len(widths) - 1)
    wide = [k for k, w in enumerate(widths) if w > _WRAPS and columns[k] >= fixed]
    kept = sum(w for k, w in enumerate(widths) if k not in wide)
    if sum(widths) <= room:
        return widths
    # By the square root, so that a long column does not squeeze a short one word by word.
    while wide:
        share = (room - kept) / sum(widths[k] ** 0.5 for k in wide)
        small = [k for k in wide if widths[k] <= share * widths[k] ** 0.5]
        if not small:
            break
        kept += sum(widths[k] for k in small)
        wide = [k for k in wide if k not in small]
    for k in wide:
        widths[k] = max(_NARROWEST, int(widths[k] ** 0.5 * share))
    return widths


def _lay_out_block(
    table: Table,
    rows: Sequence[Sequence[Cell]],
    columns: Sequence[int],
    widths: Sequence[int],
    gap: int,
) -> RichTable:
    laid = RichTable(box=None, pad_edge=False, padding=(0, gap, 0, 0), show_header=table.headed)
    for k, width in zip(columns, widths, strict=True):
        laid.add_column(
            table.heads[k],
            justify="right" if table.align[k] == "r" else "left",
            width=width,
            overflow="fold",
            header_style="bold" if table.key == "compare" else "dim",
        )
    for row in rows:
        laid.add_row(*(_cell(row[k]) for k in columns) if row else ())
    return laid


def _cell(cell: Cell) -> Text:
    text = Text(cell.text, style=_style(cell.tone))
    if cell.small:
        text.append(f" {cell.small}", style="not bold dim")
    return text


def lay_out_markdown(text: str) -> RenderableType:
    """Lay Markdown out for a terminal."""
    from rich.markdown import Markdown

    return Markdown(text)
