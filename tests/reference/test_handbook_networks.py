"""Handbook networks: printed element values, and what theory says of their sums."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.network.handbook import (
    Alignment,
    HandbookElement,
    handbook_highpass,
    handbook_lowpass,
    handbook_series,
    handbook_two_and_a_half,
)
from optimizer.network.network import FittedGroup, FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.parts import Part

CROSSOVER_HZ = 2000.0
LOAD_OHM = 8.0

# Elements for 1 ohm, 1 rad/s, zero-ohm source, source first. Butterworth: singly terminated
# tables, recomputed by continued fractions. Linkwitz-Riley: closed forms of the squared
# Butterworth (Linkwitz, JAES 24(1), 1976), recomputed likewise.
PROTOTYPES: list[tuple[Alignment, int, list[float]]] = [
    ("butterworth", 1, [1.0]),
    ("butterworth", 2, [1.414214, 0.707107]),
    ("butterworth", 3, [1.5, 1.333333, 0.5]),
    ("butterworth", 4, [1.530734, 1.577161, 1.082392, 0.382683]),
    ("butterworth", 5, [1.545085, 1.694427, 1.381966, 0.894427, 0.309017]),
    ("butterworth", 6, [1.552914, 1.759306, 1.552914, 1.201628, 0.757875, 0.258819]),
    ("linkwitz-riley", 2, [2.0, 0.5]),
    ("linkwitz-riley", 4, [1.885618, 1.590990, 0.942809, 0.353553]),
    ("linkwitz-riley", 6, [1.8, 1.851852, 1.472727, 1.120370, 0.727273, 0.25]),
    (
        "linkwitz-riley",
        8,
        [1.749410, 1.932022, 1.701861, 1.454756, 1.209531, 0.913190, 0.565450, 0.191342],
    ),
]

# Values for 8 ohm and 2 kHz in mH and uF, four decimals, from the same sources.
WORKED: list[tuple[Alignment, int, list[float], list[float]]] = [
    ("butterworth", 1, [0.6366], [9.9472]),
    ("butterworth", 2, [0.9003, 7.0337], [7.0337, 0.9003]),
    ("butterworth", 3, [0.9549, 13.2629, 0.3183], [6.6315, 0.4775, 19.8944]),
    ("butterworth", 4, [0.9745, 15.6883, 0.6891, 3.8066], [6.4983, 0.4036, 9.1900, 1.6636]),
    ("linkwitz-riley", 2, [1.2732, 4.9736], [4.9736, 1.2732]),
    ("linkwitz-riley", 4, [1.2004, 15.8259, 0.6002, 3.5169], [5.2753, 0.4001, 10.5506, 1.8006]),
]

Sum = Literal["flat", "null", "bump"]
# Sum of low- and high-pass with equal and with opposite polarity. Sign rules of the
# Linkwitz-Riley sums: Linkwitz 1976; the rest is algebra on the Butterworth polynomials.
SUMS: list[tuple[Alignment, int, Sum, Sum]] = [
    ("butterworth", 1, "flat", "flat"),
    ("butterworth", 2, "null", "bump"),
    ("butterworth", 3, "flat", "flat"),
    ("butterworth", 4, "bump", "null"),
    ("linkwitz-riley", 2, "null", "flat"),
    ("linkwitz-riley", 4, "flat", "null"),
    ("linkwitz-riley", 6, "null", "flat"),
    ("linkwitz-riley", 8, "flat", "null"),
]


def build_way(
    name: str, elements: Sequence[HandbookElement], polarity: Literal[1, -1] = 1
) -> FittedWay:
    slots = tuple(
        FittedSlot(
            name=f"E{i}", place=e.place, form=e.kind, parts=(Part(kind=e.kind, value=e.value),)
        )
        for i, e in enumerate(elements)
    )
    return FittedWay(name=name, driver=name, polarity=polarity, slots=slots)


def drive(
    alignment: Alignment,
    order: int,
    frequency_hz: Real,
    polarity: Literal[1, -1] = 1,
) -> Complex:
    """Voltages of low and high way, shape (2, F), on 8 ohm resistors."""
    network = Network(
        ways=(
            build_way("low", handbook_lowpass(alignment, order, CROSSOVER_HZ, LOAD_OHM)),
            build_way(
                "high", handbook_highpass(alignment, order, CROSSOVER_HZ, LOAD_OHM), polarity
            ),
        )
    )
    load = np.full(frequency_hz.shape, LOAD_OHM, dtype=complex)
    return solve_network(network, frequency_hz, {"low": load, "high": load}).transfer


def to_db(value: Complex) -> Real:
    return 20.0 * np.log10(np.abs(value))


@pytest.mark.parametrize(("alignment", "order", "expected"), PROTOTYPES)
def test_prototype_elements_equal_the_table(
    alignment: Alignment, order: int, expected: list[float]
) -> None:
    """Low-pass elements for 1 ohm and 1 rad/s equal the table; the high-pass has reciprocals."""
    low = handbook_lowpass(alignment, order, 1 / (2 * np.pi), 1.0)
    high = handbook_highpass(alignment, order, 1 / (2 * np.pi), 1.0)
    np.testing.assert_allclose([e.value for e in low], expected, atol=6e-7)
    np.testing.assert_allclose([1 / e.value for e in high], [e.value for e in low], rtol=1e-12)
    assert [e.kind for e in low] == ["inductor", "capacitor"] * (order // 2) + (
        ["inductor"] * (order % 2)
    )
    assert (
        [e.place for e in low]
        == [e.place for e in high]
        == (["series", "shunt"] * (order // 2) + ["series"] * (order % 2))
    )


@pytest.mark.parametrize("order", range(1, 9))
def test_butterworth_elements_follow_the_recurrence(order: int) -> None:
    """The textbook recurrence, counted from the load, gives the same elements."""
    k = np.arange(1, order + 1)
    a = np.sin((2 * k - 1) * np.pi / (2 * order))
    c = np.cos(k * np.pi / (2 * order)) ** 2
    g = [a[0]]
    for i in range(1, order):
        g.append(a[i] * a[i - 1] / (c[i - 1] * g[-1]))
    low = handbook_lowpass("butterworth", order, 1 / (2 * np.pi), 1.0)
    np.testing.assert_allclose([e.value for e in low], g[::-1], rtol=1e-9)


@pytest.mark.parametrize(("alignment", "order", "low", "high"), WORKED)
def test_worked_values_for_8_ohm_and_2_khz(
    alignment: Alignment, order: int, low: list[float], high: list[float]
) -> None:
    """Values in mH and uF equal the worked table to its four decimals."""
    scale = {"inductor": 1e3, "capacitor": 1e6}
    for elements, expected in (
        (handbook_lowpass(alignment, order, CROSSOVER_HZ, LOAD_OHM), low),
        (handbook_highpass(alignment, order, CROSSOVER_HZ, LOAD_OHM), high),
    ):
        found = [e.value * scale[e.kind] for e in elements]
        np.testing.assert_allclose(found, expected, atol=5.1e-5)


@pytest.mark.parametrize(("alignment", "order"), [(a, n) for a, n, _ in PROTOTYPES])
def test_filters_have_the_level_of_their_polynomial(alignment: Alignment, order: int) -> None:
    """|H|^2 = 1/(1 + w^2n), for Linkwitz-Riley its square with half n: -3.01 or -6.02 dB at f0."""
    f = np.geomspace(20.0, 20_000.0, 301)
    low, high = drive(alignment, order, f)
    w = f / CROSSOVER_HZ
    if alignment == "butterworth":
        expected = [1 / np.sqrt(1 + w ** (2 * order)), 1 / np.sqrt(1 + w ** (-2 * order))]
    else:
        expected = [1 / (1 + w**order), 1 / (1 + w ** (-order))]
    np.testing.assert_allclose(np.abs([low, high]), expected, rtol=1e-9)
    at_crossover = to_db(drive(alignment, order, np.array([CROSSOVER_HZ])))
    wanted = -3.0103 if alignment == "butterworth" else -6.0206
    np.testing.assert_allclose(at_crossover, wanted, atol=5e-5)


@pytest.mark.parametrize(("alignment", "order", "equal", "opposite"), SUMS)
@pytest.mark.parametrize("polarity", [1, -1])
def test_sums_are_flat_where_theory_says_so(
    alignment: Alignment, order: int, equal: Sum, opposite: Sum, polarity: Literal[1, -1]
) -> None:
    """The right polarity sums flat; the other nulls; even Butterworths rise 3.0103 dB at f0."""
    f = np.append(np.geomspace(20.0, 20_000.0, 301), CROSSOVER_HZ)
    total = to_db(np.sum(drive(alignment, order, f, polarity), axis=0) + 1e-300)
    kind = equal if polarity == 1 else opposite
    if kind == "flat":
        assert np.max(np.abs(total)) < 1e-8
    elif kind == "null":
        assert total[-1] < -200.0
    else:
        assert total[-1] == pytest.approx(3.0103, abs=5e-5)
        assert np.max(total) == pytest.approx(total[-1], abs=1e-9)


@pytest.mark.parametrize(("alignment", "order"), [(a, n) for a, n, *_ in SUMS])
def test_power_sum_is_flat_for_butterworth_and_dips_for_linkwitz_riley(
    alignment: Alignment, order: int
) -> None:
    """|L|^2 + |H|^2 is 0 dB everywhere, or dips to -3.0103 dB at the crossover."""
    f = np.append(np.geomspace(20.0, 20_000.0, 301), CROSSOVER_HZ)
    power = 10 * np.log10(np.sum(np.abs(drive(alignment, order, f)) ** 2, axis=0))
    if alignment == "butterworth":
        assert np.max(np.abs(power)) < 1e-8
    else:
        assert power[-1] == pytest.approx(-3.0103, abs=5e-5)
        assert np.min(power) == pytest.approx(power[-1], abs=1e-9)


@pytest.mark.parametrize(
    ("alignment", "order", "polarity", "at_ratio", "seconds"),
    [
        # Group delay of the all-pass sums, in units of 1/w0 (LR2 2, LR4 2 sqrt 2 and 2 + sqrt 2,
        # B3 2 and 4.309401): all-pass equivalents of the sums, Linkwitz 1976.
        ("linkwitz-riley", 2, -1, 1e-4, 2.0),
        ("linkwitz-riley", 4, 1, 1e-4, 2.828427),
        ("linkwitz-riley", 4, 1, 0.643594, 3.414214),
        ("butterworth", 3, 1, 1e-4, 2.0),
        ("butterworth", 3, 1, 0.8556, 4.309401),
    ],
)
def test_group_delay_of_flat_sums(
    alignment: Alignment, order: int, polarity: Literal[1, -1], at_ratio: float, seconds: float
) -> None:
    """The flat sums delay as their all-pass equivalents do."""
    step = 1e-4
    f = CROSSOVER_HZ * at_ratio * np.array([1 - step, 1 + step])
    total = np.sum(drive(alignment, order, f, polarity), axis=0)
    delay = -np.angle(total[1] / total[0]) / (2 * np.pi * (f[1] - f[0]))
    assert delay * 2 * np.pi * CROSSOVER_HZ == pytest.approx(seconds, rel=2e-6)


@pytest.mark.parametrize(("frequency", "load"), [(2000.0, 8.0), (350.0, 5.3)])
def test_series_crossover_is_one_resistor_and_sums_to_the_source(
    frequency: float, load: float
) -> None:
    """C = 1/(w R) and L = R/w across drivers in series: R everywhere, R/(1 + s) and R s/(1 + s).

    Textbook identity of the constant-resistance series pair; here from the nodal equations of two
    impedances in series, by hand, beside the solver.
    """
    capacitor, inductor = handbook_series(frequency, load)
    assert (capacitor.kind, inductor.kind) == ("capacitor", "inductor")
    assert capacitor.value == pytest.approx(1.0 / (2 * np.pi * frequency * load), rel=1e-12)
    assert inductor.value == pytest.approx(load / (2 * np.pi * frequency), rel=1e-12)
    network = Network(
        ways=(build_way("low", [capacitor]), build_way("high", [inductor])),
        groups=(FittedGroup(name="both", members=("low", "high"), joint="series"),),
    )
    f = np.geomspace(20.0, 20_000.0, 301)
    loads = {name: np.full(f.shape, load, dtype=complex) for name in ("low", "high")}
    solved = solve_network(network, f, loads)
    s = 1j * f / frequency
    np.testing.assert_allclose(solved.input_impedance, load, rtol=1e-12)
    np.testing.assert_allclose(solved.transfer, [1 / (1 + s), s / (1 + s)], rtol=1e-12)
    np.testing.assert_allclose(solved.transfer.sum(axis=0), 1.0, rtol=1e-12)
    # The sum is that of the volts of two things in series, whatever they are.
    loads = {"low": 5.0 + 0.002j * f, "high": 3.0 + 100.0 / (1.0 + 1j * f / 900.0)}
    np.testing.assert_allclose(solve_network(network, f, loads).transfer.sum(axis=0), 1.0)


@pytest.mark.parametrize("octaves", [0.5, 1.0, 2.0])
def test_two_and_a_half_ways_end_one_after_the_other(octaves: float) -> None:
    """First order each: both woofers below, one from there on; -3.01 dB at each own frequency.

    Closed form: 1/(1 + s 2^octaves), 1/(1 + s), s/(1 + s) with s in units of the crossover.
    """
    lower, upper, tweeter = handbook_two_and_a_half(CROSSOVER_HZ, LOAD_OHM, octaves=octaves)
    network = Network(
        ways=tuple(
            build_way(name, [element])
            for name, element in (("lower", lower), ("upper", upper), ("tweeter", tweeter))
        )
    )
    f = np.geomspace(20.0, 20_000.0, 301)
    load = np.full(f.shape, LOAD_OHM, dtype=complex)
    solved = solve_network(network, f, dict.fromkeys(("lower", "upper", "tweeter"), load))
    s = 1j * f / CROSSOVER_HZ
    np.testing.assert_allclose(
        solved.transfer, [1 / (1 + s * 2**octaves), 1 / (1 + s), s / (1 + s)], rtol=1e-12
    )
    with pytest.raises(InputError, match="ends earlier"):
        handbook_two_and_a_half(CROSSOVER_HZ, LOAD_OHM, octaves=0.0)


@pytest.mark.parametrize(
    ("alignment", "order", "frequency", "load", "rule"),
    [
        ("butterworth", 0, 2000.0, 8.0, "handbook ladders exist"),
        ("butterworth", 9, 2000.0, 8.0, "handbook ladders exist"),
        ("linkwitz-riley", 3, 2000.0, 8.0, "handbook ladders exist"),
        ("bessel", 2, 2000.0, 8.0, "handbook ladders exist"),
        ("butterworth", 2, 0.0, 8.0, "frequency is positive"),
        ("butterworth", 2, 2000.0, float("nan"), "resistance is positive"),
    ],
)
def test_handbook_refuses_what_does_not_exist(
    alignment: Alignment, order: int, frequency: float, load: float, rule: str
) -> None:
    """Unknown alignments and orders and unusable numbers are refused with the rule."""
    with pytest.raises(InputError, match=rule):
        handbook_lowpass(alignment, order, frequency, load)
    with pytest.raises(InputError, match=rule):
        handbook_highpass(alignment, order, frequency, load)
