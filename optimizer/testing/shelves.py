"""Invented shelves of any length: what a well-kept workshop, or a whole shop, might hold."""

from __future__ import annotations

import numpy as np

from optimizer.parts import Kind
from optimizer.stock.coil import air_coil_dcr
from optimizer.stock.series import series_values
from optimizer.text.units import format_quantity

_HEADINGS = "kind,type,value,measured,label,count,tolerance,DCR,tan d,rating,price"

_SPANS: dict[Kind, tuple[str, float, float]] = {
    "inductor": ("E12", 1e-4, 15e-3),
    "capacitor": ("E24", 0.47e-6, 330e-6),
    "resistor": ("E24", 0.47, 68.0),
}
"""Series and range of the values that crossovers are made of, in SI units."""

_SHARES: dict[Kind, float] = {"inductor": 0.25, "capacitor": 0.4, "resistor": 0.35}

_TYPES: dict[Kind, tuple[tuple[str, float, float], ...]] = {
    "inductor": (("air core", 7e-4, 0.05), ("air core", 1e-3, 0.05), ("air core", 1.4e-3, 0.05)),
    "capacitor": (
        ("polypropylene", 0.0008, 0.05),
        ("polyester", 0.008, 0.1),
        ("electrolytic", 0.05, 0.2),
    ),
    "resistor": (("wirewound", 5.0, 0.05), ("wirewound", 10.0, 0.05), ("metal oxide", 5.0, 0.02)),
}
"""Word, what the loss or the rating follows from (wire in m, loss tangent, watt), tolerance."""

_MEASURED = 0.5  # share of the rows that are one piece each, put on a meter


def draw_shelf(lines: int, *, seed: int = 1) -> str:
    """Draw a shelf as the text of a CSV file.

    Parameters
    ----------
    lines : int
        Rows of parts.
    seed : int
        The same seed draws the same shelf; a longer one is not the continuation of a shorter one.

    Returns
    -------
    str
        Values of the series E12 (coils) and E24, of three types each with losses of their own.
        Half of the rows are single pieces with a measured value of four digits that departs from
        the nominal one as the tolerance allows, the others one to six pieces alike, with prices.

    Examples
    --------
    >>> from optimizer.stock.shelf import parse_parts_list
    >>> len(parse_parts_list(draw_shelf(50), file="shelf.csv").lots) <= 50
    True
    """
    rng = np.random.default_rng(seed)
    rows = [_HEADINGS]
    kinds = rng.choice(list(_SHARES), size=lines, p=list(_SHARES.values()))
    nominal = {kind: series_values(*span) for kind, span in _SPANS.items()}
    for number, kind in enumerate(kinds):
        rows.append(_draw_row(kind, nominal[kind], number, rng))
    return "\n".join(rows) + "\n"


def _draw_row(
    kind: Kind,
    values: np.ndarray[tuple[int], np.dtype[np.float64]],
    number: int,
    rng: np.random.Generator,
) -> str:
    word, figure, tolerance = _TYPES[kind][int(rng.integers(len(_TYPES[kind])))]
    value = float(rng.choice(values))
    spread = float(rng.normal(1.0, 0.1))  # of losses and prices between makes
    unit = {"inductor": "H", "capacitor": "F", "resistor": "ohm"}[kind]
    measured = rng.random() < _MEASURED
    own = value * (1.0 + tolerance * float(np.clip(rng.normal(0.0, 0.4), -1.0, 1.0)))
    dcr = f"{spread * float(air_coil_dcr(value, figure)):.2g}" if kind == "inductor" else ""
    tangent = f"{100.0 * spread * figure:.2g} %" if kind == "capacitor" else ""
    watt = f"{figure:g} W" if kind == "resistor" else ""
    price = f"{max(0.2, spread * (0.5 + 2.0 * float(rng.random()))):.1f} EUR"
    return ",".join(
        (
            kind,
            word,
            format_quantity(value, unit),
            format_quantity(own, unit, 4) if measured else "",
            f"{number}" if measured else "",
            "" if measured else f"{int(rng.integers(1, 7))}",
            f"{100.0 * tolerance:g} %",
            dcr,
            tangent,
            watt,
            price,
        )
    )
