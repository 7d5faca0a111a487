"""Hand-made results and the comparison with the stored text."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.measure.curve import ON_AXIS, Coverage, Direction
from optimizer.measure.driver import Driver
from optimizer.network.network import FittedWay, Network
from optimizer.problem.candidate import Candidate, CurveSet, GoalFigure, SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.testing import across, coil, in_line, resistor
from optimizer.testing import capacitor as cap
from optimizer.testing import fitted as slot

HERE = Path(__file__).parent


WOOFER = FittedWay(
    name="woofer",
    driver="woofer",
    polarity=1,
    slots=(
        in_line("L1", coil(3.3e-3, 0.42)),
        across("C1", cap(47e-6)),
        slot("Z1", "shunt", "equaliser", resistor(6.8), cap(33e-6)),
        in_line("L2", coil(1.0e-3, 0.2, origin="kept")),
    ),
)
MID = FittedWay(
    name="mid",
    driver="mid",
    polarity=-1,
    slots=(
        in_line("C1", cap(80e-6, pieces=(47e-6, 33e-6), joined="parallel")),
        across("L1", coil(2.2e-3, 0.3)),
        in_line("L2", coil(0.33e-3, 0.11)),
        across("C2", cap(6.8e-6, origin="shelf")),
        slot("N1", "shunt", "notch", coil(0.15e-3, 0.08), cap(4.7e-6), resistor(3.3)),
        slot("P1", "series", "pad", resistor(2.2), resistor(12.0)),
    ),
)
TWEETER = FittedWay(
    name="tweeter",
    driver="tweeter",
    polarity=1,
    slots=(
        in_line("R1", resistor(2.7)),
        in_line("C1", cap(4.7e-6)),
        across("L1", coil(0.27e-3, 0.2)),
        in_line("C2", cap(12e-6, pieces=(6e-6, 6e-6), joined="parallel")),
        slot("N2", "series", "trap", coil(0.1e-3, 0.05), cap(2.2e-6), resistor(10.0)),
        across("R2", resistor(22.0)),
    ),
)
MID_OTHER = replace(
    MID,
    polarity=1,
    slots=(in_line("C1", cap(68e-6)), *MID.slots[2:4], in_line("R9", resistor(1.5))),
)


def make_curves() -> CurveSet:
    """Shapes that look like a three-way: fourth-order slopes and a drooping, rippled sum."""
    f = np.geomspace(20.0, 20000.0, 161)
    low, high = 1.0 / (1.0 + (f / 412.0) ** 4), 1.0 / (1.0 + (f / 2870.0) ** 4)
    base = 86.2 - 0.25 * np.log2(f / 1000.0) - 10.0 * np.log10(1.0 + (37.0 / f) ** 4)
    ways = np.stack([low, (1.0 - low) * high, 1.0 - high])
    way_db = base + 20.0 * np.log10(np.maximum(ways, 1e-6))
    ohm = (
        6.4
        + 14.0 * np.exp(-((np.log(f / 38.0) / 0.25) ** 2))
        + 4.0 * np.exp(-((np.log(f / 1300.0) / 0.5) ** 2))
        - 2.2 * np.exp(-((np.log(f / 3100.0) / 0.5) ** 2))
    )
    on_axis = base + 1.3 * np.sin(3.0 * np.log(f))
    return CurveSet(
        frequency_hz=f,
        named_db={"on_axis": on_axis},
        directivity_db={},
        direction_db=on_axis[None, :],
        directions=(ON_AXIS,),
        way_db=way_db,
        drive_db=way_db - base,
        impedance=ohm.astype(np.complex128),
        target_db=86.0 - 0.25 * np.log2(f / 1000.0),
        target_band_hz=(60.0, 18000.0),
    )


def make_candidate(rank: int, ways: tuple[FittedWay, ...], on_axis: float) -> Candidate:
    network = Network(ways=ways)
    pieces = network.piece_count
    goals = (
        GoalFigure(name="on_axis", value=on_axis, unit="dB rms", weight=1.0, cost=on_axis,
                   detail="worst +1.3 dB at 2.1 kHz"),
        GoalFigure(name="off_axis", value=1.02, unit="dB rms", weight=0.5, cost=0.51,
                   detail="roughest at 30 right, 3.4 kHz"),
        GoalFigure(name="impedance", value=0.0, unit="dB below", weight=1.0, cost=0.0,
                   detail="never below 4 ohm"),
        GoalFigure(name="parts", value=float(pieces), unit="pieces", weight=0.03,
                   cost=0.03 * pieces),
    )  # fmt: skip
    cost = sum(goal.cost for goal in goals)
    return Candidate(
        rank=rank,
        cost=cost,
        network=network,
        goals=goals,
        curves=make_curves(),
        impedance_min_ohm=4.21,
        impedance_min_hz=3100.0,
        epdr_min_ohm=2.12,
        epdr_min_hz=95.3,
        sensitivity_db=86.4,
        crossovers_hz=((None, 412.0), (412.0, 2870.0), (2870.0, None)),
        certificate=Certificate.of_search(2),
        relaxed_cost=cost - 0.073,
        price=41.2 + rank,
    )


@pytest.fixture(scope="session")
def three_way() -> SearchResult:
    """Two candidates of a three-way with every form of slot, up to six slots a way."""
    return SearchResult(
        candidates=(
            make_candidate(1, (WOOFER, MID, TWEETER), 0.82),
            make_candidate(2, (WOOFER, MID_OTHER, TWEETER), 1.14),
        ),
        stopped="converged",
        seconds=4.21,
        evaluations=1234567,
        seed=1,
        cost_relaxed_best=1.79,
    )


@pytest.fixture(scope="session")
def drivers() -> tuple[Driver, ...]:
    """Two drivers: one fully covered, one whose curves end early."""

    def covered(name: str, low: float, below: float, above: tuple[float, ...]) -> Driver:
        directions = (ON_AXIS, Direction(horizontal_deg=30.0), Direction(vertical_deg=15.0))
        files = (f"{name}.txt", f"{name}_30right.txt", f"{name}_15up.txt")
        return Driver(
            name=name,
            frequency_hz=np.array([20.0]),
            directions=directions,
            pressure=np.ones((3, 1), dtype=complex),
            impedance=np.array([6.0 + 0j]),
            coverage=(
                *(
                    Coverage(source=f"data/{file}", low_hz=low, high_hz=18500.0,
                             slope_low_db_per_octave=below, slope_high_db_per_octave=slope)
                    for file, slope in zip(files, above, strict=True)
                ),
                Coverage(source=f"data/{name}_z.txt", low_hz=10.0, high_hz=20000.0),
            ),
            notes=("phase from minimum phase", "phase from minimum phase"),
        )  # fmt: skip

    return covered("woofer", 20.0, 0.0, (-14.2, -17.8, -15.0)), covered(
        "tweeter", 250.0, 12.3, (0.0, 0.0, 0.0)
    )


@pytest.fixture(scope="session")
def expect() -> Callable[[str, str], None]:
    """Compare a text with its stored file; LADDERSMITH_GOLDEN=write stores it instead."""

    def compare(name: str, text: str) -> None:
        text = "\n".join(line.rstrip() for line in text.splitlines()) + "\n"
        file = HERE / name
        if os.environ.get("LADDERSMITH_GOLDEN") == "write":
            file.write_text(text, encoding="utf-8")
        assert text == file.read_text(encoding="utf-8"), f"{name} differs; look at both"

    return compare
