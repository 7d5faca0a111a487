"""Curves and parts as plain files that other programs read."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.acoustics.averages import spread_band
from optimizer.arrays import Complex, Real
from optimizer.bench.build.sheet import BuildSheet, SheetItem
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import ESTIMATED_NOTE
from optimizer.report.render.json import curves_to_json, tracking_to_json
from optimizer.text.quoting import quote_cell
from optimizer.text.units import format_quantity
from optimizer.text.writing import make_folder, write_text

_RATING_UNIT = {"resistor": "W", "capacitor": "V", "inductor": "A"}


def list_curves(candidate: Candidate) -> dict[str, list[float | None]]:
    """List every curve over frequency by a name of its own, with the numbers of the results.

    Returns
    -------
    dict
        ``frequency_hz`` first; curves of a way end in its name, those of a pair in both.
        Half widths of bands around averages that were completed end in ``_band_db``.
    """
    names = [way.name for way in candidate.network.ways]
    data: dict[str, Any] = {
        **curves_to_json(candidate.curves, names),
        **tracking_to_json(candidate),
    }
    curves: dict[str, list[float | None]] = {}
    for key, value in data.items():
        if key == "pairs":
            for pair in value.values():
                ends = f"{pair['lower']}_{pair['upper']}"
                curves[f"phase_deg_{ends}"] = pair["phase_deg"]
                curves[f"inverted_db_{ends}"] = pair["inverted_db"]
        elif isinstance(value, dict):
            stem = "way_db" if key == "ways_db" else key
            curves.update({f"{stem}_{name}": curve for name, curve in value.items()})
        else:
            curves[key] = value
    if candidate.curves.completed is not None:
        for name, band in candidate.curves.completed.band_db.items():
            half = spread_band(band, candidate.curves.frequency_hz)
            curves[f"{name}_band_db"] = np.round(half, 4).tolist()
    return curves


def curves_to_csv(candidate: Candidate) -> str:
    """Write every curve as a column of CSV; a value that is not known is an empty cell.

    Heads of averages over directions end in ``_estimated`` where directions are.
    """
    curves = list_curves(candidate)
    estimated: set[str] = set()
    if ESTIMATED_NOTE in candidate.notes:
        estimated = {
            f"{name}_db"
            for name in (*candidate.curves.named_db, *candidate.curves.directivity_db)
            if name != "on_axis"
        }
    heads = [f"{name}_estimated" if name in estimated else name for name in curves]
    return _to_csv(heads, list(zip(*curves.values(), strict=True)))


def curves_to_columns(candidate: Candidate) -> dict[str, str]:
    """Write curves with phase as three-column text.

    Returns
    -------
    dict of str to str
        File name -> text: frequency in Hz, level in dB or modulus in ohm, phase in degrees. The
        axis and each way on the axis, and the input impedance.
    """
    curves = candidate.curves
    files = {
        "impedance.txt": _columns(
            "input impedance",
            "ohm",
            curves.frequency_hz,
            np.abs(curves.impedance),
            curves.impedance,
        )
    }
    if curves.way_pressure is None:
        return files
    named = {"on axis": curves.way_pressure.sum(axis=0)}
    named.update(
        {
            f"way {way.name} on axis": pressure
            for way, pressure in zip(candidate.network.ways, curves.way_pressure, strict=True)
        }
    )
    for name, pressure in named.items():
        level = 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-15))
        text = _columns(f"{name}, at 1 m for 2.83 V", "dB", curves.frequency_hz, level, pressure)
        files[f"{name.replace(' ', '_').replace('/', '_')}.txt"] = text
    return files


def _columns(
    what: str,
    unit: str,
    frequency_hz: Real,
    size: Real,
    value: Complex,
) -> str:
    phase = np.degrees(np.angle(value))
    lines = [f"# {what}, computed", f"# Hz\t{unit}\tdegrees"]
    lines += [
        f"{f:.6f}\t{s:.6f}\t{p:.4f}" for f, s, p in zip(frequency_hz, size, phase, strict=True)
    ]
    return "\n".join(lines) + "\n"


def parts_to_csv(sheet: BuildSheet) -> str:
    """Write the parts of all speakers as CSV that this program reads as a list of parts.

    Returns
    -------
    str
        One row for like pieces; the rating is the one the piece has, else the one to ask for.
    """
    heads = [
        "kind",
        "value",
        "count",
        "tolerance",
        "dcr",
        "esr",
        "rating",
        "price",
        "source",
        "used",
        "places",
        "note",
    ]
    return _to_csv(heads, [_item_row(item, sheet.speakers) for item in sheet.items])


def _item_row(item: SheetItem, speakers: int) -> tuple[str, ...]:
    rating = item.size if item.rating is None else item.rating
    loss = format_quantity(item.loss_ohm, "ohm", 4)
    return (
        item.kind,
        format_quantity(item.value, item.unit, 9),
        str(item.count * speakers),
        f"{100 * item.tolerance:g} %",
        loss if item.kind == "inductor" else "",
        loss if item.kind == "capacitor" else "",
        f"{rating:g} {_RATING_UNIT[item.kind]}",
        "" if item.price is None else f"{item.price:.2f}",
        item.origin,
        ", ".join(item.uses),
        ", ".join(dict.fromkeys(item.places)),
        item.note,
    )


def _to_csv(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([quote_cell(head) for head in heads])
    writer.writerows(["" if cell is None else quote_cell(cell) for cell in row] for row in rows)
    return stream.getvalue()


def write_columns(folder: Path, candidate: Candidate) -> list[Path]:
    """Write the files of `curves_to_columns` into a folder, which is made when missing.

    Parameters
    ----------
    folder : Path
        Where to.
    candidate : Candidate
        What of.

    Returns
    -------
    list of Path
        The files written.
    """
    make_folder(folder)
    texts = {folder / name: text for name, text in curves_to_columns(candidate).items()}
    for path, text in texts.items():
        write_text(path, text)
    return list(texts)
