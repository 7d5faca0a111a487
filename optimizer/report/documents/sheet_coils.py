"""Which wire gives which resistance, for the coils that are bought or wound."""

from __future__ import annotations

from optimizer.bench.build.coils import size_coil
from optimizer.bench.build.sheet import BuildSheet
from optimizer.parts import BOARD, KEPT
from optimizer.report.document import Note, Section, Table
from optimizer.stock.coil import list_wire_gauges, wind_air_coil
from optimizer.stock.lots import SHELF
from optimizer.text.units import format_quantity

GAUGES = (22, 20, 18, 16, 14, 12)
"""Gauges that crossover coils are commonly wound with; from memory."""

_MOST_COILS = 5


def say_wires(sheet: BuildSheet) -> Section | None:
    """Compose resistance and copper of air-core coils for common wires, where any is bought."""
    coils: dict[str, tuple[float, float]] = {}
    for item in sheet.items:
        if (
            item.kind == "inductor"
            and item.origin not in (SHELF, BOARD, KEPT)
            and size_coil(item.value, item.loss_ohm) is not None
        ):
            coils.setdefault(format_quantity(item.value, "H"), (item.value, item.loss_ohm))
    if not coils:
        return None
    shown = dict(list(coils.items())[:_MOST_COILS])
    rows = []
    for gauge in list_wire_gauges(GAUGES):
        wound = [wind_air_coil(henry, gauge.diameter_m) for henry, _ in shown.values()]
        rows.append(
            (
                f"AWG {gauge.awg}",
                f"{1e3 * gauge.diameter_m:.2f} mm",
                f"{1e3 * gauge.ohm_per_m:.1f} mohm, {1e3 * gauge.kg_per_m:.1f} g",
                *(
                    f"{float(coil.dcr_ohm):.2f} ohm, {1e3 * float(coil.copper_kg):.0f} g"
                    for coil in wound
                ),
            )
        )
    with_dcr = ", ".join(
        f"{name} with {format_quantity(dcr, 'ohm', 2)}" for name, (_, dcr) in shown.items()
    )
    return Section(
        title="Wire of the coils",
        parts=(
            Note(
                text=f"The network was computed for {with_dcr}: resistance damps, so a coil of "
                "another wire is another part. Below: resistance and copper of an air-core coil of "
                "Brooks' proportions at 20 degrees C, the least a wire can give; a coil of other "
                "proportions has more. Wires after ASTM B 258."
            ),
            Table(
                heads=("wire", "bare", "per metre", *shown),
                rows=tuple(rows),
                align="lrr" + "r" * len(shown),
            ),
        ),
    )
