"""When only values between those in stock would serve a wish, `voice` thinks of parts like those of
the design: its wire, its capacitors."""

from __future__ import annotations

import copy
import math
from pathlib import Path

import pytest

from tests.end_to_end.judge import GRID, Board, check, list_changed, load, run, write_drivers

WIRE_M = 2.0e-3

DESIGN = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.2 mH, to: 6 mH}
  tweeter:
    ladder:
      - {name: C1, series: capacitor, from: 2 uF, to: 30 uF}
      - {name: L1, shunt: inductor, keep: 0.47 mH, dcr: 0.3}
goals: {on_axis: {band: 150..12k}}
stock: {series: {inductor: E6, capacitor: E6}, wire: 2 mm, capacitors: electrolytic}
"""

NETWORK = """\
ways:
  woofer: {polarity: normal, ladder: [{name: L1, value: 1.0 mH}]}
  tweeter: {polarity: normal, ladder: [{name: C1, value: 6.8 uF}, {name: L1, value: 0.47 mH}]}
"""


def brooks_ohm(inductance_h: float, wire_m: float) -> float:
    """Resistance of a Brooks coil of enamelled copper wire.

    L = 0.016994 a N^2 uH with the mean radius a = 1.5 c in cm (Grover, Inductance Calculations;
    from memory); N = c^2 / D^2 turns of 3 pi c each. The enamel is taken as 0.08 mm, between the
    two usual grades (from memory); copper as 1.7241e-8 ohm m (IEC 60028).
    """
    turn = (wire_m + 0.08e-3) ** 2
    per_side = 0.016994e-6 * 150.0
    side = (inductance_h * turn**2 / per_side) ** 0.2
    return 1.7241e-8 * 3.0 * math.pi * side * (side**2 / turn) / (math.pi / 4.0 * wire_m**2)


@pytest.mark.parametrize(
    ("wish", "where"), [("400..1200 -0.5 dB", "woofer.L1"), ("1.5k..4k -0.5 dB", "tweeter.C1")]
)
def test_finer_values_are_parts_of_the_design(wish: str, where: str, tmp_path: Path) -> None:
    """The new part has the loss that the design gives a part of its value: that which a network
    file gets which leaves the loss open, and that of its wire and dielectric by formula. The figures
    told of the network with it are those of a file that holds it."""
    design, network = tmp_path / "design.yaml", tmp_path / "network.yaml"
    drivers = write_drivers(tmp_path, "woofer", "tweeter")
    design.write_text(f"{drivers}{DESIGN}{GRID}", encoding="utf-8")
    network.write_text(NETWORK, encoding="utf-8")
    out = tmp_path / "voice.json"
    run("voice", design, network, "--wish", wish, "--changes", 1, "--hold", "0.6 dB", "--json", out,
        codes=(3,))  # fmt: skip
    finer = load(out)["finer"]
    (change,) = finer["changes"]
    assert change["slot"] == where
    if where == "woofer.L1":
        loss = change["to_dcr_ohm"]
        assert loss == pytest.approx(brooks_ohm(change["to"], WIRE_M), rel=0.02)
    else:
        loss = change["to_esr_ohm"]
        # tan d = 0.05 at 1 kHz, bipolar electrolytics (common practice, no source).
        assert loss == pytest.approx(0.05 / (2.0 * math.pi * 1000.0 * change["to"]), rel=1e-6)

    board = Board.of_candidate(check(design, network)["candidate"])
    bare = copy.deepcopy(board)
    way, slot = where.split(".")
    part = bare.ways[way].slots[slot].parts[0]
    bare.ways[way].slots[slot].parts[0] = {
        "kind": part["kind"], "value": change["to"], "loss": None,
    }  # fmt: skip
    told = check(design, bare.write(tmp_path / "bare.yaml"))["candidate"]
    after = Board.of_candidate(finer["candidate"])
    assert list_changed(board, after) == [where]
    assert list_changed(Board.of_candidate(told), after) == []
    assert after.ways[way].slots[slot].parts[0]["loss"] == pytest.approx(loss, rel=1e-5)
    assert told["cost"] == pytest.approx(finer["candidate"]["cost"], abs=1e-6)
