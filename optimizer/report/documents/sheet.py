"""The build sheet as a document: what to buy, solder, check, and beware of."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import PurePath

from optimizer.bench.build.placement import AXES, LEAN_DEG, STRAY_DB
from optimizer.bench.build.polarity import PolarityTest
from optimizer.bench.build.sheet import BuildSheet, SheetItem
from optimizer.bench.build.wiring import AMP_MINUS, AMP_PLUS, TapLead
from optimizer.bench.loads.ratings import MARGIN, PartRating
from optimizer.measure.driver import WiredDrivers
from optimizer.parts import BOARD, UNIT_OF_KIND
from optimizer.report.cautions import CAUTIONS
from optimizer.report.charts.standard import plot_axis, plot_impedance
from optimizer.report.document import Document, Graphs, Listing, Note, Passage, Section, Table
from optimizer.report.documents.sheet_coils import say_wires
from optimizer.report.documents.sheet_first import NAMES, say_first
from optimizer.report.documents.sheet_rework import list_steps, say_rework
from optimizer.report.documents.sheet_spread import say_sides, say_spread
from optimizer.report.documents.verdicts import tabulate_verdicts
from optimizer.report.ladder_text import describe_join, say_tap
from optimizer.report.words import (
    PRINT,
    say_certificate,
    say_controls,
    say_figure,
    say_frequency,
    say_impedance,
)
from optimizer.stock.lots import SHELF
from optimizer.text.stamp import say_date
from optimizer.text.units import format_quantity

_PAIRS_SHOWN = 12


def document_sheet(sheet: BuildSheet) -> Document:
    """Compose the build sheet of one network.

    Parameters
    ----------
    sheet : BuildSheet
        What to say.

    Returns
    -------
    Document
        The same sections whether printed as Markdown or as HTML.
    """
    amplifier = sheet.ratings.amplifier
    built = "one speaker" if sheet.speakers == 1 else f"{sheet.speakers} speakers"
    return Document(
        title=f"Build sheet: {sheet.title}",
        footer=lambda: (
            f"{sheet.title}, network {PurePath(sheet.network).name}, {say_date(sheet.date)}, "
            f"fingerprint {sheet.fingerprint[:PRINT]}"
        ),
        subtitle=(
            f"Network {sheet.network}, for {built}; ratings for an amplifier of "
            f"{amplifier.watts:g} W into {amplifier.ohm:g} ohm ({amplifier.volts:.1f} V). "
            f"Fingerprint of the network {sheet.fingerprint[:PRINT]}."
        ),
        sections=tuple(
            section
            for section in (
                *say_first(sheet),
                _say_safety(),
                _say_verdicts(sheet),
                say_rework(sheet),
                _list_shopping(sheet),
                _list_picks(sheet),
                say_sides(sheet),
                say_wires(sheet),
                _list_wiring(sheet),
                _list_ratings(sheet),
                _place(sheet),
                _list_checks(sheet),
                _draw_curves(sheet),
                _list_sweep(sheet),
                _list_figures(sheet),
                say_spread(sheet.spread, sheet.candidate.network.references),
                _list_assumed(sheet),
            )
            if section is not None
        ),
    )


def _say_safety() -> Section:
    return Section(
        title="Before anything else",
        key="cautions",
        parts=(
            Listing(
                items=tuple(text for _, text in CAUTIONS),
                topics=tuple(topic for topic, _ in CAUTIONS),
            ),
        ),
    )


def _say_verdicts(sheet: BuildSheet) -> Section | None:
    parts = tabulate_verdicts(sheet.candidate)
    return Section(title="Is it in order", parts=tuple(parts)) if parts else None


def _list_shopping(sheet: BuildSheet) -> Section | None:
    items = sheet.bought()
    if not items:
        return Section(title="Shopping list", parts=(Note(text="Nothing needs to be bought."),))
    parts: list[Passage] = [_tabulate_items(sheet, items)]
    price = sheet.candidate.price
    if price is not None and price > 0.0:
        parts.append(
            Note(
                text=f"Price of the parts listed with one: {price * sheet.speakers:.2f} "
                f"{sheet.currency}".rstrip()
                + f" for {sheet.speakers}."
            )
        )
    references = sheet.candidate.network.references
    joined = [
        f"{references[ladder.name, label]}: {describe_join(part)}"
        for ladder in sheet.candidate.network.ladders
        for slot in ladder.slots
        for label, _, part in slot.named_parts
        if describe_join(part)
    ]
    if joined:
        parts.append(Note(text="Joined pieces: " + "; ".join(joined) + "."))
    return Section(title="Shopping list", parts=tuple(parts))


def _list_picks(sheet: BuildSheet) -> Section | None:
    parts: list[Passage] = []
    if sheet.picked():
        parts.append(_tabulate_items(sheet, sheet.picked()))
    parts += [Note(text=text[0].upper() + text[1:] + ".", warns=True) for text in sheet.short]
    if sheet.moved():
        parts += [
            Note(text="These come off the board and serve elsewhere on it:"),
            _tabulate_items(sheet, sheet.moved()),
        ]
    if sheet.kept():
        parts += [Note(text="These stay on the board:"), _tabulate_items(sheet, sheet.kept())]
    parts += [Note(text=text) for text in say_controls(sheet.candidate)]
    return Section(title="Pick list", parts=tuple(parts)) if parts else None


def _tabulate_items(sheet: BuildSheet, items: tuple[SheetItem, ...]) -> Table:
    rows = []
    for item in items:
        loss = {"inductor": "dcr", "capacitor": "esr"}.get(item.kind, "")
        rows.append(
            (
                str(item.count * sheet.speakers),
                f"{NAMES[item.kind]} {format_quantity(item.value, item.unit, 4)}",
                f"{100 * item.tolerance:.3g} %",
                f"{loss} {format_quantity(item.loss_ohm, 'ohm', 2)}" if loss else "",
                _say_rating(item),
                _say_price(item, sheet.currency),
                ", ".join(filter(None, (item.origin, item.note))),
                ", ".join(item.uses),
            )
        )
    return Table(
        heads=("pieces", "part", "tolerance", "loss", "rating", "each", "source", "used"),
        rows=tuple(rows),
        align="rlrllrll",
    )


def _say_price(item: SheetItem, currency: str) -> str:
    if item.origin in (SHELF, BOARD):
        return "owned"
    return "" if item.price is None else f"{item.price:.2f} {currency}".rstrip()


def _say_rating(item: SheetItem) -> str:
    unit = {"resistor": "W", "capacitor": "V", "inductor": "A"}[item.kind]
    if item.rating is None:
        return f"at least {item.size:g} {unit}"
    mark = "" if item.rating >= item.needed else f", too small (needs {item.needed:.3g} {unit})"
    return f"{item.rating:g} {unit}{mark}"


def _list_wiring(sheet: BuildSheet) -> Section:
    points = tuple((point, ", ".join(things)) for point, things in sheet.wiring.points().items())
    leads = []
    for lead in sheet.wiring.drivers:
        far = "the common return" if AMP_MINUS in (lead.plus, lead.minus) else "the far end"
        how = (
            f"inverted: its (+) goes to {far}"
            if lead.inverted
            else "normal: its (+) goes to the filter"
        )
        leads.append((lead.way, lead.driver, lead.plus, lead.minus, how))
    return Section(
        title="Wiring list",
        parts=(
            Note(text=_say_terminals(sheet)),
            *_tabulate_pieces(sheet),
            *_tabulate_taps(sheet),
            Note(text="Polarity of the drivers:"),
            Table(
                heads=("way", "driver", "(+) to", "(-) to", "connected"),
                rows=tuple(leads),
                align="lllll",
            ),
            *(Note(text=_say_wired(*item)) for item in sheet.wired.items()),
            *(Note(text=text) for text in say_controls(sheet.candidate)),
            Note(text="What meets at each point:"),
            Table(heads=("point", "everything soldered to it"), rows=points, align="ll"),
        ),
    )


def _tabulate_pieces(sheet: BuildSheet) -> tuple[Passage, ...]:
    """Say between which points each piece lies where the first page has steps of a rework instead."""
    if not list_steps(sheet):
        return (Note(text="Between which points each piece lies stands on the first page."),)
    rows = tuple(
        (
            piece.name,
            f"{NAMES[piece.part.kind]} "
            f"{format_quantity(piece.part.value, UNIT_OF_KIND[piece.part.kind])}",
            piece.start,
            piece.end,
        )
        for piece in sheet.wiring.pieces
    )
    return (Table(heads=("piece", "what", "from", "to"), rows=rows, align="llll"),)


def _tabulate_taps(sheet: BuildSheet) -> tuple[Passage, ...]:
    """Say between which points each transformer is connected."""
    taps = sheet.wiring.taps
    if not taps:
        return ()
    rows = tuple(
        (tap.name, say_tap(tap.gain), *(point for _, point in tap.ends), tap.before) for tap in taps
    )
    return (
        Note(
            text="Autotransformers; what they give is between their output and the common end, "
            "which is one end of the winding:"
        ),
        Table(
            heads=("piece", "gives", "other end to", "tap to", "common end to", "fed at"),
            rows=rows,
            align="lrllll",
        ),
    )


def _say_wired(together: str, drivers: WiredDrivers) -> str:
    """Say how drivers that are called by one name are wired to each other."""
    names = drivers.names
    if len(set(names)) < len(names):
        names = tuple(f"{name} no. {k + 1}" for k, name in enumerate(names))
    if drivers.wired == "parallel":
        return (
            f"{together} stands for {' and '.join(names)} in parallel: all (+) together, and all "
            "(-) together."
        )
    joints = ", ".join(f"(-) of {one} to (+) of {other}" for one, other in pairwise(names))
    return (
        f"{together} stands for {' and '.join(names)} in series: {joints}. Its (+) is that of "
        f"{names[0]}, its (-) that of {names[-1]}."
    )


def _say_terminals(sheet: BuildSheet) -> str:
    """Say where ways begin and return."""
    begins = sheet.wiring.begins
    elsewhere = [
        f"{one.name} begins at {begins[one.name][0]} and returns to {begins[one.name][1]}"
        for one in sheet.candidate.network.ladders
        if begins[one.name] != (AMP_PLUS, AMP_MINUS)
    ]
    said = "IN+ and IN- are the terminals of the cabinet; "
    if not elsewhere:
        return f"{said}every way begins at IN+ and returns to IN-."
    return f"{said}{', '.join(elsewhere)}; what else there is begins at IN+ and returns to IN-."


def _list_ratings(sheet: BuildSheet) -> Section:
    rows = [_rating_row(load) for load in sheet.ratings.parts]
    parts: list[Passage] = [
        Note(
            text="Programme is noise with the spectrum of IEC 60268-1 at the amplifier's full "
            "power; sine is a full-power tone at the frequency that loads the part most. Asked "
            f"for are {MARGIN['resistor']:g} times the watts on programme, and "
            f"{MARGIN['capacitor']:g} times the highest peak in volts and amperes. Volts are for "
            "direct voltage: a rating for alternating voltage is lower and falls with frequency."
        ),
        Table(
            heads=(
                "part",
                "place in the design",
                "on programme",
                "worst sine",
                "at",
                "heat",
                "ask for",
                "has",
                "margin",
            ),
            rows=tuple(rows),
            align="llrrrrrrr",
        ),
    ]
    loads = ", ".join(
        f"{d.driver} {d.watts:.3g} W" + (f" of {d.limit_w:g} W" if d.limit_w is not None else "")
        for d in sheet.ratings.drivers
    )
    parts.append(Note(text=f"Power into the drivers on programme: {loads}."))
    parts += [Note(text=_say_ideal(tap)) for tap in sheet.wiring.taps]
    parts += [Note(text=text, warns=True) for text in sheet.warnings]
    opened = [o for o in sheet.ratings.open_loads if math.isfinite(o.ohm)]
    if opened:
        said = ", ".join(f"{o.way} {o.ohm:.2g} ohm at {say_frequency(o.hz)}" for o in opened)
        parts.append(
            Note(
                text=f"With its driver unplugged a way falls to: {said}. Connect all "
                "drivers before the amplifier."
            )
        )
    return Section(title="Ratings", parts=tuple(parts))


def _say_ideal(tap: TapLead) -> str:
    """Say what is not known of a transformer."""
    return (
        f"{tap.name} ({say_tap(tap.gain)}) counts as ideal here: it takes no power itself "
        f"and shows what follows {tap.gain**-2:.3g} times as large. A real one has resistance, and "
        "lets less of the bass pass: see what its maker says of power and lowest frequency."
    )


def _rating_row(load: PartRating) -> tuple[str, ...]:
    rms = "" if load.unit == "W" else " rms"
    has = "" if load.part.rating is None else f"{load.part.rating:g} {load.unit}"
    margin = "" if load.margin is None else f"x {load.margin:.1f}"
    if load.verdict == "too small":
        margin += " too small"
    return (
        load.reference,
        f"{load.way}.{load.name}",
        f"{load.programme:.3g} {load.unit}{rms}",
        f"{load.sine:.3g} {load.unit}{rms}",
        say_frequency(load.sine_hz),
        f"{load.heat_w:.2g} W",
        f"{load.size:g} {load.unit}",
        has,
        margin,
    )


def _place(sheet: BuildSheet) -> Section | None:
    placed = sheet.placement
    if len(placed.coils) < 2:
        return None
    rows = []
    for coil in placed.coils:
        size = (
            "core, size unknown"
            if coil.size is None
            else (
                f"about {1e3 * coil.size.outer_m:.0f} mm across, {1e3 * coil.size.side_m:.0f} mm long"
            )
        )
        rows.append((coil.label, format_quantity(coil.henry, "H"), size, AXES[coil.axis]))
    pairs = tuple(
        (
            p.one,
            p.two,
            f"{100 * p.allowed:.2g} %",
            f"{100 * p.k_close:.2g} %",
            f"{p.stray_db:.0f} dB",
            f"{1e3 * p.parallel_m:.0f} mm",
            f"{1e3 * p.crossed_m:.0f} mm",
            f"{1e3 * p.distance_m:.0f} mm",
        )
        for p in placed.pairs[:_PAIRS_SHOWN]
    )
    parts: list[Passage] = [
        Note(
            text="Coils near each other act as a transformer. Turn neighbours so that their axes "
            "are at right angles, and keep the distances below; no steel screw through a coil, "
            "and none near a driver's magnet."
        ),
        Table(
            heads=("coil", "value", "size (estimated)", "lay it"), rows=tuple(rows), align="lrll"
        ),
    ]
    if pairs:
        parts += [
            Note(
                text=f"Distances are between centres. They keep the voltage that coupling puts on "
                f"any driver {-STRAY_DB:g} dB below the amplifier's. Allowed is the coupling k "
                "for that; close is what two coils lying flat with 15 mm between them have, and "
                "the stray voltage it would cause. Crossed means right angles, with "
                f"{LEAN_DEG:g} degrees of error allowed for. Two coils on edge count as crossed "
                "only when the axis of one points at the other's centre; never set them "
                "diagonally."
            ),
            Table(
                heads=(
                    "coil",
                    "and",
                    "k allowed",
                    "k close",
                    "stray",
                    "both flat",
                    "crossed",
                    "keep",
                ),
                rows=pairs,
                align="llrrrrrr",
            ),
        ]
        if len(placed.pairs) > _PAIRS_SHOWN:
            parts.append(
                Note(
                    text=f"The {len(placed.pairs) - _PAIRS_SHOWN} other pairs need "
                    "less distance than those listed."
                )
            )
    return Section(title="Placing the coils", parts=tuple(parts))


def _say_ohm(ohm: float) -> str:
    return f"{ohm:.2f} ohm" if math.isfinite(ohm) else "open"


def _list_checks(sheet: BuildSheet) -> Section:
    rows = tuple((r.way, _say_ohm(r.connected_ohm), _say_ohm(r.open_ohm)) for r in sheet.readings)
    taps = ", ".join(tap.name for tap in sheet.wiring.taps)
    shorts = (
        (
            Note(
                text=f"To a meter the winding of an autotransformer ({taps}) is a wire across the "
                "line, whatever follows it: it shows no more than the resistance of that wire, "
                "which is taken as 0 here. To an amplifier's direct voltage it is that too."
            ),
        )
        if taps
        else ()
    )
    coils = ", ".join(
        f"{r.driver} {r.ohm:.2f} ohm" + ("" if r.stated else " (estimated)")
        for r in sheet.resistances
    )
    boxes = [
        "Compare every piece with the wiring list; tug at every joint.",
        "Short the leads of the meter, note what it shows, and take that off each reading below.",
        "Amplifier disconnected: measure each way by itself, before the ways are joined at IN+. A "
        "capacitor across the line makes the reading creep up for a moment.",
        f"All ways joined: measure between IN+ and IN-. Expected: {_say_ohm(sheet.total_ohm)}. "
        + (
            "This is the winding of a transformer."
            if sheet.total_ohm == 0.0 and taps
            else "Near zero means a short: find it before going on."
        ),
        "Sweep the impedance at low level and compare it with the table below.",
        "Connect the amplifier at its lowest setting, play quiet music, and listen to each driver "
        "for the right range. Smell and feel for heat after a minute, then after ten.",
    ]
    boxes += [_say_polarity(test) for test in sheet.polarity]
    if any(test.kind == "none" for test in sheet.polarity):
        boxes.append(_CELL)
    return Section(
        title="Before the first power-up",
        parts=(
            Listing(items=tuple(boxes), form="boxes"),
            Note(text=f"Resistance at each way's input by itself (voice coils: {coils}):"),
            Table(
                heads=("way", "driver connected", "driver not connected"), rows=rows, align="lrr"
            ),
            *shorts,
        ),
    )


_CELL = (
    "Polarity of a driver by itself, before it is connected: touch its terminals for an instant with "
    "a single cell of 1.5 V, no more, plus to (+), and look at the diaphragm: it moves outwards. Of a "
    "tweeter the movement is hardly seen: use a 10 uF capacitor in series as a guard, compare its "
    "click with that of a second one through a microphone, or go by the maker's mark. Then compare "
    "colours and marks with the wiring list, lead by lead."
)
"""Common practice, no source; the guard is that of the cautions."""


def _say_polarity(test: PolarityTest) -> str:
    """Say how the polarity of a way shows in the level on the axis, or that it does not."""
    change, where = test.change_db, say_frequency(test.hz)
    if not test.beside:
        return f"Polarity of {test.way}: nothing else plays, so no level tells of it. See below."
    head = f"Polarity of {test.way} to {test.beside}:"
    if test.kind == "none":
        most = f"changes the level on the axis by {abs(change):.1f} dB at most, at {where}"
        if test.hz is None:
            most = "changes nothing, as the two are nowhere heard together"
        return f"{head} exchanging its leads {most}: no level tells which is right. See below."
    how = (
        f"{head} measure the level on the axis, amplifier off, exchange the leads of {test.way} and "
        "of no other, measure again."
    )
    if test.kind == "null":
        return (
            f"{how} Near {where} it falls by {-change:.1f} dB, into a null. Put the leads back; if it "
            "rises instead, one of the two is connected the wrong way round."
        )
    does, other = ("falls", "rises") if change < 0.0 else ("rises", "falls")
    return (
        f"{how} At {where} it {does} by {abs(change):.1f} dB. Put the leads back; if it {other} "
        "instead, one of the two is connected the wrong way round."
    )


def _draw_curves(sheet: BuildSheet) -> Section:
    """Chart the level on the axis and the impedance, with the bands of the tolerances."""
    bands = {band.name: band for band in sheet.spread.curves}
    return Section(
        title="Curves to expect",
        parts=(
            Graphs(
                items=(
                    plot_axis(sheet.candidate, bands),
                    plot_impedance(sheet.candidate, sheet.load, bands),
                )
            ),
        ),
    )


def _list_sweep(sheet: BuildSheet) -> Section:
    rows = tuple(
        (say_frequency(hz), f"{ohm:.1f} ohm", f"{deg:+z.0f} deg") for hz, ohm, deg in sheet.sweep
    )
    return Section(
        title="Impedance to expect",
        parts=(
            Note(text=say_impedance(sheet.candidate)),
            Table(heads=("at", "impedance", "phase"), rows=rows, align="rrr"),
        ),
    )


def _list_figures(sheet: BuildSheet) -> Section:
    candidate = sheet.candidate
    rows = tuple(
        (g.name.replace("_", " "), f"{say_figure(g)} {g.unit}", g.told) for g in candidate.goals
    )
    return Section(
        title="What was computed",
        parts=(
            Table(heads=("goal", "figure", "detail"), rows=rows, align="lrl"),
            *(Note(text=text) for text in say_certificate(candidate)),
        ),
    )


def _list_assumed(sheet: BuildSheet) -> Section:
    items = [text[0].upper() + text[1:] for text in sheet.assumed]
    if sheet.speakers > 1 and any(i.origin == SHELF for i in sheet.items):
        items.append(
            "Pieces that were not measured are taken as alike left and right: measure "
            "them and share them out so"
        )
    return Section(title="Assumed or estimated", parts=(Listing(items=tuple(items)),))
