"""The first page of a build sheet: schematic, what to get, and what to solder in which order."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.bench.build.sheet import BuildSheet, SheetItem
from optimizer.bench.build.wiring import DriverLead
from optimizer.parts import BOARD, UNIT_OF_KIND
from optimizer.report.blocks import say_size
from optimizer.report.document import (
    Beside,
    Cell,
    Heading,
    Listing,
    Note,
    Passage,
    Picture,
    Section,
    Table,
)
from optimizer.report.documents.sheet_rework import list_steps
from optimizer.report.drawing import Drawing
from optimizer.report.ladder_text import draw_tree, say_tap
from optimizer.report.layout import draw_network
from optimizer.report.schematic import FRAME, SCALE, draw_figure
from optimizer.stock.lots import SHELF
from optimizer.text.units import format_quantity

BOX = Cell("[ ]", "box")
"""A box to tick."""

NAMES = {"inductor": "coil", "capacitor": "capacitor", "resistor": "resistor"}

# A4 with the margins of the style sheet, and what its print takes, in mm (measured in Chromium).
_WIDE, _HIGH = 182.0, 264.0
_HEAD, _WARNING, _CAPTION, _LISTS, _ROW = 23.0, 10.0, 3.7, 13.0, 4.65
_WARNED, _TOLD, _STEPPED, _USED, _LED = 105, 118, 52, 20, 32  # characters in a line of each
_UNIT = SCALE * 25.4 / 96.0  # a drawing unit
_LEAST_SCALE = 0.62
"""Texts of a schematic are 9 point at full scale; below 5.6 point they are hard to read at a bench."""
_WIDTHS = (14.0, 16.0, 18.0, 20.0, 22.0, 24.0, 26.0, 28.0, 30.0)
"""Rows that are tried, in drawing units: longer ones are fewer, and printed smaller."""

CAUTION = (
    "Read what stands under Before anything else ahead of iron and power-up. Never "
    "run this network with a driver unplugged. Resistors get hot enough to burn."
)


def say_first(sheet: BuildSheet) -> tuple[Section, ...]:
    """Compose the first page, or two where one would make the schematic too small to read.

    Parameters
    ----------
    sheet : BuildSheet

    Returns
    -------
    tuple of Section
        Schematic and lists; where they do not fit together a note says where the lists are.
    """
    lists = _list(sheet)
    sizes = {piece: text for item in sheet.items for piece, text in _say_sizes(item)}
    warned = (CAUTION, *sheet.warnings)
    room = _HIGH - _HEAD - _CAPTION * _count_lines(_say_names(sheet), _TOLD)
    room -= sum(_WARNING * _count_lines(text, _WARNED) / 2 + 1.0 for text in warned)
    widest, scale = _fit(sheet, sizes, room - _LISTS - _ROW * max(_count_rows(sheet)))
    together = scale >= _LEAST_SCALE
    if not together:
        widest, scale = _fit(sheet, sizes, room)
    network = sheet.candidate.network
    picture = Picture(
        title="Schematic",
        caption=_say_names(sheet),
        svg=lambda: draw_figure(
            network, title=f"Schematic of {sheet.title}", widest=widest, ratings=sizes
        ),
        lines=lambda width: draw_tree(network, width=width),
        print_scale=scale,
    )
    said = [Note(text=text, lead="Caution", warns=True) for text in warned]
    if together:
        return (Section(title="", key="first", parts=(*said, picture, lists)),)
    elsewhere = Note(text="What to get and what to solder stand on the next page.")
    return (
        Section(title="", key="first", parts=(*said, picture, elsewhere)),
        Section(title="", key="lists", parts=(lists,)),
    )


def _fit(sheet: BuildSheet, sizes: dict[str, str], high: float) -> tuple[float, float]:
    """Find the length of rows that can be printed largest, and the scale."""
    found = []
    for widest in _WIDTHS:
        drawing = draw_network(sheet.candidate.network, widest=widest, ratings=sizes)
        wide, tall = _measure(drawing)
        found.append((round(min(1.0, _WIDE / wide, max(high, 1.0) / tall), 3), -widest))
    scale, widest = max(found)
    return -widest, scale


def _measure(drawing: Drawing) -> tuple[float, float]:
    """Width and height at full scale in mm."""
    left, bottom, right, top = drawing.bounds
    return (right - left + 2 * FRAME) * _UNIT, (top - bottom + 2 * FRAME) * _UNIT


def _say_names(sheet: BuildSheet) -> str:
    """Say where the parts of this sheet stand in the design, and where its points are listed."""
    network = sheet.candidate.network
    called = [
        f"{name} {ladder}.{label}"
        for (ladder, label), name in network.references.items()
        if name != label
    ]
    said = "names are those of this sheet"
    return f"{said}; in the design: {', '.join(called)}" if called else said


def _say_sizes(item: SheetItem) -> Iterator[tuple[str, str]]:
    unit = {"resistor": "W", "capacitor": "V", "inductor": "A"}[item.kind]
    for piece in item.uses:
        yield piece, say_size(item.size, item.rating, unit)


def _list(sheet: BuildSheet) -> Beside:
    steps: list[Passage]
    if sheet.rework is not None and sheet.rework.steps:
        listing = Listing(items=list_steps(sheet), form="boxes")
        steps = [Heading(title="With the iron, in this order"), listing]
    else:
        steps = [Heading(title="To solder, in this order"), _tabulate_wiring(sheet)]
    return Beside(columns=(tuple(_list_items(sheet)), tuple(steps)))


def _count_rows(sheet: BuildSheet) -> tuple[int, int]:
    """Count rows of both lists, as they are printed side by side."""
    steps = list_steps(sheet)
    lines = sum(_count_lines(step, _STEPPED) for step in steps)
    rows = [_say_uses(item) for item in _taken(sheet)]
    wires = len(sheet.wiring.pieces) + 2 * len(sheet.wiring.taps) + 1
    wires += sum(_count_lines(_say_lead(lead), _LED) for lead in sheet.wiring.drivers)
    return sum(_count_lines(row, _USED) for row in rows), lines if steps else wires


def _count_lines(text: str, characters: int) -> int:
    return -(-len(text) // characters)


def _taken(sheet: BuildSheet) -> tuple[SheetItem, ...]:
    """Return what is bought or comes from the shelf or from the board."""
    return (*sheet.bought(), *sheet.picked(), *sheet.moved())


def _list_items(sheet: BuildSheet) -> list[Passage]:
    each = "one speaker" if sheet.speakers == 1 else f"{sheet.speakers} speakers"
    head = Heading(title=f"To get, for {each}")
    items = _taken(sheet)
    if not items:
        return [head, Note(text="Nothing needs to be bought.")]
    rows = []
    for item in items:
        loss = item.kind == "inductor" and item.loss_ohm > 0.0
        rows.append(
            (
                BOX,
                f"{item.count * sheet.speakers} x",
                Cell(
                    f"{NAMES[item.kind]} {format_quantity(item.value, item.unit, 4)}",
                    small=f"{format_quantity(item.loss_ohm, 'ohm', 2)}" if loss else "",
                ),
                dict(_say_sizes(item))[item.uses[0]],
                _say_uses(item),
            )
        )
    table = Table(
        heads=("", "", "part", "rating", "for"), rows=tuple(rows), align="lrlll", key="ticks"
    )
    return [head, table]


def _say_uses(item: SheetItem) -> str:
    source = f" ({item.origin})" if item.origin in (SHELF, BOARD) else ""
    return ", ".join(item.uses) + source


def _tabulate_wiring(sheet: BuildSheet) -> Table:
    """Pieces from the terminals towards the drivers, then the leads."""
    wiring = sheet.wiring
    rows: list[tuple[str | Cell, ...]] = []
    for ladder in sheet.candidate.network.ladders:
        for piece in wiring.pieces:
            if piece.way == ladder.name:
                value = format_quantity(piece.part.value, UNIT_OF_KIND[piece.part.kind])
                rows.append((BOX, piece.name, value, f"{piece.start} to {piece.end}"))
        for tap in wiring.taps:
            if tap.way == ladder.name:
                where = ", ".join(f"{name} {point}" for name, point in tap.ends)
                rows.append((BOX, tap.name, say_tap(tap.gain), where))
    rows += [(BOX, lead.way, "driver", _say_lead(lead)) for lead in wiring.drivers]
    last = "join last, each measured"
    if len(sheet.candidate.network.branches) == 1:
        last = "terminals of the cabinet"
    rows.append((BOX, "IN+, IN-", "leads", last))
    return Table(
        heads=("", "piece", "", "between points"), rows=tuple(rows), align="llll", key="ticks"
    )


def _say_lead(lead: DriverLead) -> str:
    turned = ", inverted" if lead.inverted else ""
    return f"(+) {lead.plus}, (-) {lead.minus}{turned}"
