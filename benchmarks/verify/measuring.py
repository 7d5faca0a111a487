"""What a home measurement makes of the truth: gate, ripple, noise, level and slope.

A gate of T seconds blurs a response over about 1/T hertz, those of the drivers by themselves as that of
the finished speaker; ripple hangs together over a sixth of an
octave. The tool is told its usual 0.3 dB at each point and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.verify.speakers import GRID_HZ, Draw
from optimizer.arrays import Complex, Real


@dataclass(frozen=True)
class Rig:
    """Amounts of everything; all in dB, s or Hz."""

    white_db: float
    ripple_db: float
    slope_db: float
    gate_s: float
    low_hz: float
    ohm_db: float
    shape_db: float


def draw_rig(rng: Draw, *, low_hz: float, rough: bool) -> Rig:
    """Draw a bench; a rough one has ripple of 0.5 dB and drivers whose shape is off by 0.3 dB."""
    gate_s = rng.uniform(4e-3, 1e-2)
    if low_hz > 100.0:
        low_hz = max(low_hz, 1.5 / gate_s)  # nobody trusts a gated response below that
    return Rig(
        white_db=rng.uniform(0.05, 0.3), ripple_db=0.5 if rough else 0.2, slope_db=rng.normal(0, 0.12),
        gate_s=gate_s, low_hz=low_hz, ohm_db=rng.uniform(0.03, 0.15),
        shape_db=0.3 if rough else 0.12,
    )  # fmt: skip


def smooth_noise(rng: Draw, octaves: float) -> Real:
    """Noise of 1 dB rms that hangs together over so many octaves."""
    x = np.log2(GRID_HZ)
    near = np.exp(-0.5 * ((x[:, None] - x) / octaves) ** 2) + 1e-7 * np.eye(len(x))
    return np.asarray(np.linalg.cholesky(near) @ rng.normal(size=len(x)))


def gate(pressure: Complex, gate_s: float) -> Complex:
    """Blur a response as a time window does that begins with the sound."""
    width = 0.4 / gate_s
    distance = (GRID_HZ[:, None] - GRID_HZ) / width
    # Points lie closer at low frequencies, so each stands for its own stretch of the axis.
    weight = np.exp(-0.5 * distance**2) * np.gradient(GRID_HZ)
    weight /= weight.sum(axis=1, keepdims=True)
    inside = (GRID_HZ > 1000.0) & (GRID_HZ < 8000.0)
    delay = -np.polyfit(GRID_HZ[inside], np.unwrap(np.angle(pressure[inside])), 1)[0] / (2 * np.pi)
    turn = np.exp(2j * np.pi * GRID_HZ * delay)
    return np.asarray((weight @ (pressure * turn)) / turn)


def hear(pressure: Complex, rig: Rig) -> Complex:
    """What a microphone shows of a response, but for its errors: gated, or joined to a near field."""
    return pressure if rig.low_hz < 100.0 else gate(pressure, rig.gate_s)


def measure_response(pressure: Complex, rig: Rig, rng: Draw) -> Real:
    """Level in dB as the bench shows it, but for its volume, on the whole grid."""
    octaves = np.log2(GRID_HZ / 1000.0)
    level = 20 * np.log10(np.abs(hear(pressure, rig)))
    return np.asarray(
        level + rig.ripple_db * smooth_noise(rng, 1 / 6) + rng.normal(0, rig.white_db, len(level))
        + rig.slope_db * octaves
    )  # fmt: skip


def measure_impedance(z: Complex, rig: Rig, rng: Draw) -> Complex:
    """Impedance as a jig shows it: scale, noise in modulus and phase."""
    n = len(z)
    error = rng.normal(0, rig.ohm_db, n) + rng.normal(0, 0.07)
    turn = rng.normal(0, 6.6 * rig.ohm_db, n)
    return np.asarray(z * 10 ** (error / 20) * np.exp(1j * np.radians(turn)))
