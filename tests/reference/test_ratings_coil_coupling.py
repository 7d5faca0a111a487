"""Coupling of coils against published and closed forms, its effect against a simulator."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.special import ellipe, ellipk

from optimizer.bench.build.coils import (
    CoilSize,
    couple_coils,
    couple_flat,
    couple_stacked,
    find_distance,
    size_coil,
)
from optimizer.bench.build.placement import LEAN_DEG, STRAY_DB, place_coils
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.netlist import Sweep, name_nodes, write_netlist
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.parts import Part
from optimizer.testing.spice import read_drive

C = 0.0138
COIL = CoilSize(side_m=C, wire_m=1e-3)


@pytest.mark.parametrize(("distance", "k"), [(4, 0.0460), (6, 0.0164), (8, 0.0074), (10, 0.0039)])
def test_stacked_brooks_coils(distance, k):
    """Coaxial Brooks coils at 4 to 10 sides: values summed over 8 x 8 filaments by Maxwell's

    formula with elliptic integrals (worked out elsewhere, to the digits given).
    """
    assert couple_stacked(COIL, COIL, distance * C) == pytest.approx(k, abs=6e-5)


@pytest.mark.parametrize(
    ("distance", "k"), [(5, -0.0199), (6, -0.0106), (8, -0.0042), (10, -0.0021)]
)
def test_flat_brooks_coils(distance, k):
    """Side by side: within 9 % of single loops at the mean radius (worked out elsewhere)."""
    assert couple_flat(COIL, COIL, distance * C) == pytest.approx(k, rel=0.09)


def maxwell(a: float, b: float, z: float) -> float:
    """Mutual inductance of two coaxial loops (Maxwell, Treatise, art. 701)."""
    m = 4.0 * a * b / ((a + b) ** 2 + z**2)
    k = np.sqrt(m)
    return 4e-7 * np.pi * np.sqrt(a * b) * ((2.0 / k - k) * ellipk(m) - 2.0 / k * ellipe(m))


@pytest.mark.parametrize("ratio", [0.4, 1.0, 1.7])
@pytest.mark.parametrize("distance", [4.0, 7.0])
def test_unequal_stacked_coils_by_elliptic_integrals(ratio, distance):
    """Coaxial coils of different size: sum of Maxwell's formula over 12 x 12 filaments each."""
    side = np.array([C, ratio * C])
    place = (np.arange(12) + 0.5) / 12
    radii = side[:, None] * (1.0 + place)
    heights = side[:, None] * (place - 0.5)
    total = np.mean(
        [
            [[maxwell(a, b, distance * C + y - x) for y in heights[1]] for x in heights[0]]
            for a in radii[0]
            for b in radii[1]
        ]
    )
    brooks = 2.5491e-6  # H per m of side and turn squared
    wanted = total / (brooks * np.sqrt(side[0] * side[1]))
    other = CoilSize(side_m=ratio * C, wire_m=1e-3)
    assert couple_stacked(COIL, other, distance * C) == pytest.approx(wanted, rel=3e-3)


@pytest.mark.parametrize("axis", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0)])
def test_right_angles_in_the_middle_plane_do_not_couple(axis):
    """An axis in the other coil's middle plane couples nothing; one that leans, as its sine."""
    offset = np.array([5.0 * C, 0.0, 0.0])
    assert abs(couple_coils(COIL, COIL, offset, np.array(axis))) < 1e-12
    lean = np.radians(20.0)
    leaning = np.cos(lean) * np.array((0.0, 1.0, 0.0)) + np.sin(lean) * np.array((0.0, 0.0, 1.0))
    assert couple_coils(COIL, COIL, offset, leaning) == pytest.approx(
        np.sin(lean) * couple_flat(COIL, COIL, 5.0 * C), rel=0.02
    )


@pytest.mark.parametrize(
    ("henry", "wire", "side", "ohm"),
    [
        (1e-3, 1.0e-3, 13.792e-3, 0.4812),
        (0.33e-3, 0.71e-3, 8.543e-3, 0.4316),
        (2.2e-3, 1.4e-3, 20.944e-3, 0.4488),
        (10e-3, 1.0e-3, 21.859e-3, 1.9159),
    ],
)
def test_size_from_resistance(henry, wire, side, ohm):
    """Worked Brooks coils (square packing, copper at 20 C) are found from L and DCR again."""
    found = size_coil(henry, ohm)
    assert found.wire_m == pytest.approx(wire, rel=5e-3)
    assert found.side_m == pytest.approx(side, rel=1e-2)  # the enamel's thickness differs


def test_too_little_resistance_means_a_core():
    """10 mH at 0.1 ohm cannot be wound in air with wire up to 3 mm; unknown DCR gives no size."""
    assert size_coil(10e-3, 0.1) is None
    assert size_coil(10e-3, 0.0) is None


def test_distance_keeps_coupling_to_what_is_allowed():
    """At the distance found the coupling is the allowed one, and less beyond."""
    distance = find_distance(COIL, COIL, 0.004)
    assert abs(couple_flat(COIL, COIL, distance)) == pytest.approx(0.004, rel=2e-3)
    assert find_distance(COIL, COIL, 0.9) == COIL.outer_m


def coil(name: str, place: str, henry: float, ohm: float) -> FittedSlot:
    return FittedSlot(
        name=name,
        place=place,
        form="inductor",
        parts=(Part(kind="inductor", value=henry, loss_ohm=ohm),),
    )


def cap(name: str, place: str, farad: float) -> FittedSlot:
    return FittedSlot(
        name=name,
        place=place,
        form="capacitor",
        parts=(Part(kind="capacitor", value=farad, loss_ohm=0.01),),
    )


NETWORK = Network(
    ways=(
        FittedWay(
            name="bass",
            driver="cone",
            polarity=1,
            slots=(
                coil("L1", "series", 3.3e-3, 0.9),
                cap("C1", "shunt", 33e-6),
                coil("L2", "series", 1.0e-3, 0.48),
            ),
        ),
        FittedWay(
            name="treble",
            driver="dome",
            polarity=-1,
            slots=(cap("C1", "series", 6.8e-6), coil("L1", "shunt", 0.33e-3, 0.25)),
        ),
    )
)
LOADS = {
    "cone": DriverEquivalent(re_ohm=5.8, le_h=0.6e-3),
    "dome": DriverEquivalent(re_ohm=5.1, le_h=0.05e-3),
}


@pytest.mark.ngspice
@pytest.mark.parametrize("pair", [("L1", "L2"), ("L1", "L3"), ("L2", "L3")])
def test_stray_drive_is_that_of_coupled_coils_in_the_simulator(
    run_spice: Callable[[str], Any], pair
):
    """With the k that placement allows, a K element moves the drivers' voltage by 0.3 %."""
    sweep = Sweep(low_hz=20.0, high_hz=20_000.0, points_per_decade=60)
    text = write_netlist(NETWORK, LOADS, sweep=sweep)
    plain = run_spice(text)
    f = plain["frequency"].real
    drivers = [
        Driver(
            name=n,
            frequency_hz=f,
            directions=(ON_AXIS,),
            impedance=z.impedance(f),
            pressure=np.ones((1, len(f)), dtype=complex),
        )
        for n, z in LOADS.items()
    ]
    judged = {frozenset((p.one, p.two)): p for p in place_coils(NETWORK, drivers).pairs}
    one = judged[frozenset(pair)]
    # A tenth of the allowed k, or terms in k squared show.
    k = 0.1 * one.allowed
    coupled = run_spice(text.replace(".ac dec", f"K1 {pair[0]} {pair[1]} {k!r}\n.ac dec"))
    change = max(
        np.max(np.abs(read_drive(coupled, nodes) - read_drive(plain, nodes)))
        for nodes in name_nodes(NETWORK)
    )
    assert 20.0 * np.log10(change) == pytest.approx(STRAY_DB - 20.0, abs=0.1)


def test_close_coils_get_different_axes():
    """Three coils get three axes, and each pair needs less room crossed than parallel."""
    f = np.geomspace(20.0, 20_000.0, 200)
    drivers = [
        Driver(
            name=n,
            frequency_hz=f,
            directions=(ON_AXIS,),
            impedance=z.impedance(f),
            pressure=np.ones((1, len(f)), dtype=complex),
        )
        for n, z in LOADS.items()
    ]
    placed = place_coils(NETWORK, drivers)
    assert sorted(c.axis for c in placed.coils) == [0, 1, 2]
    assert len(placed.pairs) == 3
    for pair in placed.pairs:
        assert pair.crossed
        assert pair.touching_m <= pair.crossed_m <= pair.parallel_m
        assert pair.stray_db == pytest.approx(
            STRAY_DB + 20.0 * np.log10(pair.k_close / pair.allowed), abs=1e-9
        )
    assert np.sin(np.radians(LEAN_DEG)) == pytest.approx(0.1736, abs=1e-4)


def test_coil_with_a_core_is_listed_without_distances():
    """A coil whose resistance is too low for air gets no distance, but stays on the list."""
    f = np.geomspace(20.0, 20_000.0, 50)
    drivers = [
        Driver(
            name=n,
            frequency_hz=f,
            directions=(ON_AXIS,),
            impedance=z.impedance(f),
            pressure=np.ones((1, 50), dtype=complex),
        )
        for n, z in LOADS.items()
    ]
    cored = coil("L1", "series", 3.3e-3, 0.05)
    ways = (replace(NETWORK.ways[0], slots=(cored, *NETWORK.ways[0].slots[1:])), NETWORK.ways[1])
    placed = place_coils(Network(ways=ways), drivers)
    assert [c.size is None for c in placed.coils] == [True, False, False]
    assert len(placed.pairs) == 1
