"""Made-up speakers: a folder of measurements as a user would have it, drawn at random.

Every driver is a textbook one: a closed box (second-order high-pass), a second-order end at the top,
a few resonances, a flat piston's beaming, the step of a front, and the impedance of a voice coil
with a lossy inductance before its motional branch. Nothing here is a product.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import j1

from optimizer.arrays import Complex, Real
from optimizer.measure.geometry import SOUND_SPEED_M_S

POINTS_PER_OCTAVE = 24
ASIDE_DEG = (15, 30, 45, 60, 90)
UP_DEG = (15, -15)


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeUpDriver:
    """A driver of a made-up speaker.

    Parameters
    ----------
    name : str
        Name in file names.
    level_db : float
        In its band, on a wide front, at 1 m for 2.83 V.
    resonance_hz, quality : float
        In its box.
    top_hz : float
        Where its own second-order end begins.
    bells : tuple of (float, float, float)
        Frequency in Hz, height in dB and Q of each resonance.
    radius_m : float
        Of its piston.
    up_m, back_m : float
        Above the reference axis, and how far its sound starts behind the front.
    resistance_ohm, coil_h, coil_power : float
        Voice coil: resistance, and an impedance coil_h 2 pi 1000 Hz (jf / 1000 Hz)**coil_power.
    mechanical_q, electrical_q : float
        Of its resonance.
    """

    name: str
    level_db: float
    resonance_hz: float
    quality: float
    top_hz: float
    bells: tuple[tuple[float, float, float], ...]
    radius_m: float
    up_m: float
    back_m: float
    resistance_ohm: float
    coil_h: float
    coil_power: float
    mechanical_q: float
    electrical_q: float

    def pressure(
        self, frequency_hz: Real, *, aside_deg: float = 0.0, up_deg: float = 0.0
    ) -> Complex:
        """Pressure on a clock that all drivers share, re 20 uPa.

        Parameters
        ----------
        frequency_hz : ndarray, shape (F,)
        aside_deg, up_deg : float
            Direction; one of them is 0.
        """
        s = 1j * frequency_hz / self.resonance_hz
        value = s * s / (s * s + s / self.quality + 1.0)
        top = 1j * frequency_hz / self.top_hz
        value = value / (top * top + top / 0.8 + 1.0)
        for hz, height_db, q in self.bells:
            x = 1j * frequency_hz / hz
            height = 10.0 ** (height_db / 40.0)
            value = value * (x * x + x * height / q + 1.0) / (x * x + x / (q * height) + 1.0)
        angle = np.radians(np.hypot(aside_deg, up_deg))
        ka = 2.0 * np.pi * frequency_hz * self.radius_m * np.sin(angle) / SOUND_SPEED_M_S
        beam = np.where(np.abs(ka) < 1e-9, 1.0, 2.0 * j1(ka) / np.where(ka == 0.0, 1.0, ka))
        rear = 0.5 * (1.0 + np.cos(angle))
        step = (0.5 + 1j * frequency_hz / 450.0 * rear) / (1.0 + 1j * frequency_hz / 450.0)
        path = self.back_m - self.up_m * np.sin(np.radians(up_deg))
        late = np.exp(-2j * np.pi * frequency_hz * path / SOUND_SPEED_M_S)
        return np.asarray(10.0 ** (self.level_db / 20.0) * value * beam * step * late)

    def impedance(self, frequency_hz: Real) -> Complex:
        """Impedance in ohm, shape (F,)."""
        s = 1j * frequency_hz / self.resonance_hz
        ratio = self.mechanical_q / self.electrical_q
        motional = self.resistance_ohm * ratio / (1.0 + self.mechanical_q * (s + 1.0 / s))
        coil = self.coil_h * 2e3 * np.pi * (1j * frequency_hz / 1e3) ** self.coil_power
        return np.asarray(self.resistance_ohm + motional + coil)


def draw_speaker(seed: int) -> tuple[MadeUpDriver, ...]:
    """Draw the drivers of a two-way or, one time in three, of a three-way.

    Parameters
    ----------
    seed : int
        The same seed gives the same speaker.

    Returns
    -------
    tuple of MadeUpDriver
        Lowest first.
    """
    rng = np.random.default_rng(seed)
    three = rng.random() < 1.0 / 3.0
    woofer = _draw(
        rng, "woofer", level_db=rng.uniform(85, 91), resonance_hz=rng.uniform(35, 65),
        top_hz=rng.uniform(2500, 5500), radius_m=rng.uniform(0.1, 0.13) if three
        else rng.uniform(0.055, 0.08), up_m=-rng.uniform(0.35, 0.5) if three
        else -rng.uniform(0.13, 0.22), back_m=rng.uniform(0.015, 0.045),
    )  # fmt: skip
    middle = _draw(
        rng, "midrange", level_db=rng.uniform(86, 92), resonance_hz=rng.uniform(80, 140),
        top_hz=rng.uniform(6000, 9000), radius_m=rng.uniform(0.04, 0.055),
        up_m=-rng.uniform(0.11, 0.16), back_m=rng.uniform(0.01, 0.025),
    )  # fmt: skip
    tweeter = _draw(
        rng, "tweeter", level_db=rng.uniform(88, 95), resonance_hz=rng.uniform(600, 1100),
        top_hz=rng.uniform(24000, 32000), radius_m=0.0125, up_m=0.0, back_m=0.0,
    )  # fmt: skip
    return (woofer, middle, tweeter) if three else (woofer, tweeter)


def _draw(
    rng: np.random.Generator, name: str, *, level_db: float, resonance_hz: float, top_hz: float,
    radius_m: float, up_m: float, back_m: float,
) -> MadeUpDriver:  # fmt: skip
    """Draw what drivers of all kinds have."""
    bells = [
        (float(np.exp(rng.uniform(np.log(4 * resonance_hz), np.log(top_hz)))),
         float(rng.uniform(-1.5, 1.5)), float(rng.uniform(1.5, 3.0)))
        for _ in range(3)
    ]  # fmt: skip
    if name != "tweeter":  # the break-up of its cone
        bells.append(
            (float(top_hz * rng.uniform(0.8, 1.3)), float(rng.uniform(3.0, 8.0)),
             float(rng.uniform(3.0, 6.0)))
        )  # fmt: skip
    return MadeUpDriver(
        name=name, level_db=level_db, resonance_hz=resonance_hz, quality=float(rng.uniform(0.6, 0.9)),
        top_hz=top_hz, bells=tuple(bells), radius_m=radius_m, up_m=up_m, back_m=back_m,
        resistance_ohm=float(rng.uniform(3.2, 6.2)),
        coil_h=float(rng.uniform(0.02e-3, 0.05e-3) if name == "tweeter"
                     else rng.uniform(0.2e-3, 0.8e-3)),
        coil_power=float(rng.uniform(0.6, 0.8)), mechanical_q=float(rng.uniform(2.0, 5.0)),
        electrical_q=float(rng.uniform(0.5, 1.1)),
    )  # fmt: skip


def write_speaker(folder: Path, seed: int) -> tuple[MadeUpDriver, ...]:
    """Write the measurements of a made-up speaker.

    Parameters
    ----------
    folder : Path
        Made when missing.
    seed : int
        See `draw_speaker`.

    Returns
    -------
    tuple of MadeUpDriver
        Each has a file of three columns for the axis, aside and up and down, and one of its
        impedance; ``together.txt`` holds all of them at once.
    """
    folder.mkdir(parents=True, exist_ok=True)
    f = np.geomspace(20.0, 20000.0, int(POINTS_PER_OCTAVE * np.log2(1000.0)) + 1)
    drivers = draw_speaker(seed)
    total = np.zeros(len(f), dtype=np.complex128)
    for driver in drivers:
        total += driver.pressure(f)
        _write(folder / f"{driver.name}.txt", f, driver.pressure(f))
        for angle in ASIDE_DEG:
            aside = driver.pressure(f, aside_deg=angle)
            _write(folder / f"{driver.name}_h{angle}.txt", f, aside)
        for angle in UP_DEG:
            up = driver.pressure(f, up_deg=angle)
            _write(folder / f"{driver.name}_v{angle}.txt", f, up)
        z = driver.impedance(f)
        rows = np.column_stack([f, np.abs(z), np.degrees(np.angle(z))])
        _save(folder / f"{driver.name}_z.txt", "impedance: frequency Hz, ohm, phase deg", rows)
    _write(folder / "together.txt", f, total)
    return drivers


def _write(path: Path, frequency_hz: Real, pressure: Complex) -> None:
    level = 20.0 * np.log10(np.abs(pressure))
    rows = np.column_stack([frequency_hz, level, np.degrees(np.angle(pressure))])
    _save(path, "frequency Hz, level dB SPL, phase deg", rows)


def _save(path: Path, title: str, rows: Real) -> None:
    np.savetxt(path, rows, fmt="%.6g", header=title)
