"""Left and right, and what tolerances do, in the words of the build sheet."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.bench.build.sheet import BuildSheet
from optimizer.bench.build.sides import Sides
from optimizer.bench.tolerance.spread import ToleranceReport
from optimizer.network.references import References, name_labels
from optimizer.parts import UNIT_OF_KIND
from optimizer.report.document import Note, Section, Table
from optimizer.report.words import say_frequency
from optimizer.stock.pair import PickedPiece
from optimizer.text.units import format_quantity

_PARTS_SHOWN = 6


def list_sides(sides: Sides, references: References) -> tuple[tuple[str, str, str, str], ...]:
    """List which pieces go where.

    Returns
    -------
    tuple of (part, left, right, difference)
        With what is written on each piece in brackets.
    """
    rows = []
    names = name_labels(references)
    for slot in sides.slots:
        part = sides.parts[slot.slot]
        unit = UNIT_OF_KIND[part.kind]
        told = f"{100 * slot.difference:+z.2f} %".replace("+0.00", "0.00")
        rows.append(
            (
                names[slot.slot],
                _say_pieces(slot.left, unit),
                _say_pieces(slot.right, unit),
                told if slot.measured else f"{told} (partly measured)",
            )
        )
    return tuple(rows)


def _say_pieces(pieces: Sequence[PickedPiece], unit: str) -> str:
    return " + ".join(
        format_quantity(p.value, unit, 4) + (f" ({p.label})" if p.label else "") for p in pieces
    )


def describe_sides(sides: Sides) -> tuple[str, ...]:
    """Say how alike the two speakers will be."""
    low, high = (say_frequency(hz) for hz in sides.band_hz)
    said = [
        f"Predicted left minus right on the axis, from these pieces: {sides.rms_db:.2f} dB rms "
        f"from {low} to {high}, at most {sides.worst_db:+z.2f} dB at "
        f"{say_frequency(sides.worst_hz)} (cost left {sides.left_cost:.3f}, right "
        f"{sides.right_cost:.3f})."
    ]
    if sides.others_db >= 0.005:
        said.append(
            f"The other parts are taken as alike; within their tolerances they add about "
            f"{sides.others_db:.2f} dB rms. Measured pieces in rows of their own are "
            "shared out too."
        )
    if not sides.proved:
        said.append("Time ended the search for a better sharing out.")
    return tuple(said)


def tabulate_sides(sides: Sides, references: References) -> list[Table | Note]:
    """Show which measured piece goes left and which right, and how alike the speakers will be."""
    heads = ("part", "left", "right", "left - right")
    return [
        Table(heads=heads, rows=list_sides(sides, references), align="lllr"),
        *(Note(text=text) for text in describe_sides(sides)),
    ]


def say_sides(sheet: BuildSheet) -> Section | None:
    """Compose the pick list for left and right; None where there is nothing to choose."""
    if sheet.sides is None:
        return None
    return Section(
        title="Left and right",
        parts=(
            Note(
                text="These pieces were measured one by one and are shared out so that both speakers "
                "come out alike; a part that matters more is matched more closely."
            ),
            *tabulate_sides(sheet.sides, sheet.candidate.network.references),
        ),
    )


def say_spread(report: ToleranceReport, references: References) -> Section:
    """Compose what tolerances do to the figures, to a pair, and which part matters most."""
    low, high = (say_frequency(hz) for hz in report.band_hz)
    rows = tuple(
        (g.name.replace("_", " "), f"{g.nominal:.2f}", f"{g.low:.2f} to {g.high:.2f}", g.unit)
        for g in report.goals
    )
    names = name_labels(references)
    parts = tuple(
        (
            names.get(p.label, p.label.replace(".", " ", 1)),
            f"{p.tolerance:.3g} dB"
            if p.label.endswith("(level)")
            else f"{100 * p.tolerance:.3g} %",
            f"{100 * p.share:.0f} %",
            f"{p.rms_db:.2f} dB",
            f"{p.cost_slope:+z.3f}",
        )
        for p in report.parts[:_PARTS_SHOWN]
    )
    kept = (
        [
            Note(
                text="Of the speakers drawn "
                + ", ".join(
                    f"{100 * k.share:.0f} % keep the limit of "
                    f"{k.name.replace('_', ' ')}" + (f" ({k.limit:g})" if k.limit else "")
                    for k in report.limits
                )
                + (
                    f"; {100 * report.all_limits:.0f} % keep all."
                    if len(report.limits) > 1
                    else "."
                )
            )
        ]
        if report.limits
        else []
    )
    return Section(
        title="What tolerances do",
        parts=(
            Note(
                text=f"{report.draws} speakers were drawn at random, each part evenly within its "
                "tolerance, losses as they are, "
                + (
                    f"each driver's level evenly within {report.driver_level_db:g} dB."
                    if report.driver_level_db
                    else "drivers as measured."
                )
            ),
            Table(heads=("goal", "as designed", "9 in 10 speakers", ""), rows=rows, align="lrrl"),
            *kept,
            Note(
                text=f"Two speakers of parts that nobody matched differ on the axis by "
                f"{report.pair.median_rms_db:.2f} dB rms from {low} to {high} (middle of all pairs); "
                f"1 pair in 20 by more than {report.pair.high_rms_db:.2f} dB."
            ),
            Note(
                text="What to measure or buy closer first (share of the spread on the axis, what the "
                "part alone does to it, and change of the cost when its value is 1 % larger, or a "
                "driver's level 1 dB):"
            ),
            Table(
                heads=("part", "tolerance", "share", "alone", "cost for + 1"),
                rows=parts,
                align="lrrrr",
            ),
        ),
    )
