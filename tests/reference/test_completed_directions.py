"""Averages from few directions against those from all: measured loudspeakers, and lobes.

Measured loudspeakers: `cta-a` ... `cta-e` of the measured data folder (Audio Science Review LLC,
CC BY-NC-SA 4.0), levels without phase, so each stands for one driver and its lobes had to be told
from few angles as well. Lobes: two rigid pistons in a cabinet (`estimate_pressure`) with handbook
filters, whose fields are computed in all directions.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from optimizer.acoustics.averages import Average, named_averages, spread_band
from optimizer.acoustics.completion import STANDARD_DIRECTIONS, complete_driver, settle
from optimizer.acoustics.field import estimate_pressure
from optimizer.arrays import Complex, Real
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Driver

NAMES = ("sound_power", "in_room", "early_reflections", "listening_window")


def aside(*angles: float, sides: Sequence[int] = (1,)) -> list[Direction]:
    found = [ON_AXIS]
    for a in angles:
        found += [settle(Direction(horizontal_deg=float(s * a))) for s in sides]
    return list(dict.fromkeys(found))


def upright(*angles: float, ways: Sequence[int] = (1, -1)) -> list[Direction]:
    return [Direction(vertical_deg=float(s * a)) for a in angles for s in ways]


def level(average: Average, pressure: Complex) -> Real:
    return 10.0 * np.log10(average.weights @ np.abs(pressure) ** 2)


def rms(values: Real) -> float:
    return float(np.sqrt(np.mean(values**2)))


# --- measured loudspeakers -------------------------------------------------------------------


class Loudspeaker:
    """A whole loudspeaker in all directions, and what few of them would tell."""

    def __init__(self, folder: Path) -> None:
        self.levels: dict[Direction, Real] = {}
        for plane in ("horizontal", "vertical"):
            lines = (folder / f"{plane}.txt").read_text(encoding="utf-8").splitlines()
            heads = [h.strip('"') for h in lines[1].split("\t")[::2] if h]
            rows = [
                [float(x.replace(",", "")) for x in line.split("\t") if x.strip()]
                for line in lines[3:]
            ]
            table = np.array(rows)
            self.frequency_hz: Real = table[:, 0]
            for head, column in zip(heads, table[:, 1::2].T, strict=True):
                angle = 0.0 if head == "On-Axis" else float(head.rstrip("°"))
                self.levels.setdefault(settle(Direction(**{f"{plane}_deg": angle})), column)
        self.told: dict[tuple[Direction, ...], dict[str, tuple[Real, Average]]] = {}
        self.all = self.averages(STANDARD_DIRECTIONS)

    def averages(self, directions: Sequence[Direction]) -> dict[str, tuple[Real, Average]]:
        """Level and description of each average from some directions."""
        key = tuple(directions)
        if key not in self.told:
            self.told[key] = self._average(key)
        return self.told[key]

    def _average(self, directions: tuple[Direction, ...]) -> dict[str, tuple[Real, Average]]:
        driver = Driver(
            name="whole",
            frequency_hz=self.frequency_hz,
            directions=directions,
            pressure=np.array([10.0 ** (self.levels[d] / 20.0) + 0j for d in directions]),
            impedance=np.full(len(self.frequency_hz), 8.0 + 0j),
        )
        pressure = complete_driver(driver)
        named = named_averages(directions)
        return {name: (level(named[name], pressure), named[name]) for name in NAMES}

    def errors(self, directions: Sequence[Direction]) -> dict[str, Real]:
        """Error of each average in dB, shape (F,)."""
        found = self.averages(directions)
        return {name: found[name][0] - self.all[name][0] for name in NAMES}


@pytest.fixture(scope="module")
def five(measured_data: Path) -> list[Loudspeaker]:
    folders = sorted(measured_data.glob("cta-?"))
    if len(folders) < 5:
        pytest.skip(f"no five loudspeakers in {measured_data}")
    return [Loudspeaker(folder) for folder in folders]


def median_rms(five: list[Loudspeaker], directions: Sequence[Direction], name: str) -> float:
    return float(np.median([rms(one.errors(directions)[name]) for one in five]))


BOTH = (1, -1)
# Sound power and in-room estimate, dB rms, median of the five.
FEW = {
    "0/30/60": (aside(30, 60), 0.85, 0.65),
    "0/30/60, both sides": (aside(30, 60, sides=BOTH), 0.85, 0.65),
    "0/10/20/30": (aside(10, 20, 30), 1.1, 0.75),
    "0/10/20/30, both sides": (aside(10, 20, 30, sides=BOTH), 1.1, 0.75),
    "0/30/60 and 20 and 50 up and down": (aside(30, 60) + upright(20, 50), 0.5, 0.35),
    "the same, both sides": (aside(30, 60, sides=BOTH) + upright(20, 50), 0.5, 0.35),
}


@pytest.mark.parametrize("case", FEW)
def test_few_directions_tell_of_all(five: list[Loudspeaker], case: str) -> None:
    """Averages of real loudspeakers from three to eleven of 70 directions."""
    directions, power, room = FEW[case]
    assert median_rms(five, directions, "sound_power") <= power
    assert median_rms(five, directions, "in_room") <= room


def test_all_directions_are_left_alone(five: list[Loudspeaker]) -> None:
    """Nothing is completed where all is measured, in whatever order."""
    for one in five:
        found = one.averages([ON_AXIS, *reversed(STANDARD_DIRECTIONS[1:])])
        for name in NAMES:
            np.testing.assert_allclose(found[name][0], one.all[name][0], atol=1e-9)


@pytest.mark.parametrize("name", NAMES[:3])
def test_bands_hold_what_they_say(five: list[Loudspeaker], name: str) -> None:
    """Eight of ten values lie in the band, whatever was measured."""
    inside: list[Real] = []
    for directions in (
        aside(10, 20, 30),
        aside(10, 20, 30, sides=BOTH),
        aside(30, 60),
        aside(-30, -60),
        aside(30, 60, sides=BOTH),
        aside(*range(10, 100, 10)),
        aside(30, 60) + upright(10),
        aside(30, 60, sides=BOTH) + upright(10),
        aside(30, 60) + upright(20, 50),
        aside(30, 60, sides=BOTH) + upright(20, 50),
    ):
        for one in five:
            got, average = one.averages(directions)[name]
            assert average.band_db is not None
            half = spread_band(average.band_db, one.frequency_hz)
            inside.append(np.abs(got - one.all[name][0]) <= half)
    assert 0.72 <= float(np.mean(np.concatenate(inside))) <= 0.88


STARTS = {
    "0/30/60": aside(30, 60),
    "0/10/20/30": aside(10, 20, 30),
    "0 to 90": aside(*range(10, 100, 10)),
}
MORE = {
    "90 aside": aside(90)[1:],
    "50 aside": aside(50)[1:],
    "behind": aside(180)[1:],
    "10 up and down": upright(10),
    "20 up and down": upright(20),
    "50 up and down": upright(50),
    "20 and 50 up and down": upright(20, 50),
}


@pytest.mark.parametrize("more", MORE)
@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("name", NAMES[:3])
def test_more_directions_never_make_it_worse(
    five: list[Loudspeaker], start: str, more: str, name: str
) -> None:
    """What is measured besides improves an average, or leaves it within 0.05 dB."""
    first = STARTS[start]
    second = first + [d for d in MORE[more] if d not in first]
    assert median_rms(five, second, name) <= median_rms(five, first, name) + 0.05


# --- lobes -----------------------------------------------------------------------------------

F = np.geomspace(100.0, 20_000.0, 93)


def piston(
    up_m: float, diaphragm_m: float, width_m: float, directions: Sequence[Direction]
) -> Driver:
    alone = Driver(
        name="d",
        frequency_hz=F,
        directions=(ON_AXIS,),
        pressure=np.ones((1, len(F)), dtype=np.complex128),
        impedance=np.full(len(F), 8.0 + 0j),
        place_m=(up_m, 0.0, 0.0),
        diaphragm_m=diaphragm_m,
    )
    rows = np.array([estimate_pressure(alone, d, width_m) for d in directions])
    return Driver(
        name="d",
        frequency_hz=F,
        directions=tuple(directions),
        pressure=rows,
        impedance=alone.impedance,
        place_m=alone.place_m,
    )


def linkwitz_riley(order: int, corner_hz: float) -> list[Complex]:
    s = 1j * F / corner_hz
    if order == 2:
        return [1.0 / (s + 1.0) ** 2, -(s**2) / (s + 1.0) ** 2]
    d = (s**2 + np.sqrt(2.0) * s + 1.0) ** 2
    return [1.0 / d, s**4 / d]


def sum_ways(drive: list[Complex], drivers: list[Driver]) -> Complex:
    return np.asarray(sum(h * complete_driver(one) for h, one in zip(drive, drivers, strict=True)))


def test_lobes_are_in_the_averages() -> None:
    """Two-ways measured at 0, 30 and 60 degrees aside: completing each driver at its place tells
    early reflections about twice as well as completing their sum, which knows of no lobe."""
    rng = np.random.default_rng(1)
    few = aside(30, 60)
    full, told = named_averages(STANDARD_DIRECTIONS), named_averages(few)
    errors: dict[str, list[Real]] = {"each": [], "sum": []}
    for _ in range(24):
        woofer, tweeter = rng.uniform(0.09, 0.2), rng.uniform(0.02, 0.032)
        spacing = rng.uniform(0.1, 0.25)
        height = spacing * rng.uniform(0.0, 1.0)
        drive = linkwitz_riley(int(rng.choice([2, 4])), rng.uniform(1500.0, 3500.0))
        sizes = ((height - spacing, woofer), (height, tweeter))
        everywhere = [piston(up, size, 1.3 * woofer, STANDARD_DIRECTIONS) for up, size in sizes]
        measured = [piston(up, size, 1.3 * woofer, few) for up, size in sizes]
        name = "early_reflections"
        true = level(full[name], sum_ways(drive, everywhere))
        errors["each"].append(level(told[name], sum_ways(drive, measured)) - true)
        total = sum(h * one.pressure for h, one in zip(drive, measured, strict=True))
        whole = Driver(
            name="whole",
            frequency_hz=F,
            directions=tuple(few),
            pressure=np.asarray(total),
            impedance=measured[0].impedance,
        )
        errors["sum"].append(level(told[name], complete_driver(whole)) - true)
    worst = {k: float(np.quantile(np.abs(np.concatenate(v)), 0.9)) for k, v in errors.items()}
    assert worst["each"] < 0.3
    assert worst["each"] < 0.6 * worst["sum"]
