"""Peaks of an impedance curve, and starting values for the circuit behind them."""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.survey.motional import Motional, read_root_r0
from optimizer.text.units import say_hz


def smooth_modulus(frequency_hz: Real, modulus: Real) -> Real:
    """Quadratic fit in a window of 1/6 octave: removes noise, keeps peaks."""
    u, y = np.log2(frequency_hz), np.log(modulus)
    out = np.empty_like(y)
    for index, centre in enumerate(u):
        low, high = np.searchsorted(u, [centre - 1 / 12, centre + 1 / 12])
        if high - low < 5:
            out[index] = y[index]
            continue
        x = u[low:high] - centre
        basis = np.column_stack([np.ones_like(x), x, x * x])
        out[index] = np.linalg.lstsq(basis, y[low:high], rcond=None)[0][0]
    return np.asarray(np.exp(out))


def find_peak(f: Real, modulus: Real) -> tuple[int | None, list[str]]:
    """Index of the resonance peak: the most prominent one below ten times the lowest minimum."""
    from scipy.signal import find_peaks

    peaks, facts = find_peaks(np.log(modulus), prominence=np.log(1.04))
    if not len(peaks):
        if modulus[0] > 1.1 * modulus.min() and f[0] > 15.0:
            return None, [f"resonance lies below the data, which start at {say_hz(f[0])}"]
        return None, ["no resonance peak in the data"]
    best = int(peaks[np.argmax(facts["prominences"])])
    # Of the two peaks of a vented box the lower one may be the higher; the upper one counts.
    clear = facts["prominences"] > np.log(1.25)
    above = [int(p) for p in peaks[clear] if f[best] < f[p] < 8.0 * f[best]]
    if above and find_port(f, modulus, above[-1])[0]:
        best = above[-1]
    if modulus[0] > modulus[best] and f[0] > 15.0:
        return best, [
            f"impedance is still rising towards {say_hz(f[0])} where the data start: a second "
            "peak lies below"
        ]
    return best, []


def find_port(f: Real, modulus: Real, peak: int) -> tuple[bool, float | None]:
    """Whether a port makes a second peak below, and the frequency of the dip between them."""
    from scipy.signal import find_peaks

    near = int(np.searchsorted(f, f[peak] / 8.0))
    lower = [int(p) for p in find_peaks(np.log(modulus[:peak]), prominence=np.log(1.2))[0]]
    if f[0] > 15.0 and near == 0 and modulus[0] == modulus[:3].max():
        lower.append(0)  # the lower peak lies below the data
    lower = [p for p in lower if p >= near and peak - p > 4]
    if not lower:
        return False, None
    second = max(lower, key=lambda p: float(modulus[p]))
    dip = second + int(np.argmin(modulus[second:peak]))
    return bool(modulus[second] > 1.25 * modulus[dip]), float(f[dip])


def hints_at_port(f: Real, z: Complex, modulus: Real, peak: int) -> bool:
    """Whether the data below a peak rise towards their start or are capacitive there.

    A single resonance is inductive below its peak and falls towards the coil's resistance.
    """
    if peak < 3:
        return bool(f[0] > 15.0)
    rising = bool(modulus[0] > 1.03 * modulus[:peak].min())
    return rising or bool(np.median(np.angle(z[: min(5, peak)])) < -0.1)


def guess_circuit(f: Real, modulus: Real, peak: int) -> Motional:
    """Read starting values of the circuit from the peak and what lies around it."""
    floor = float(min(modulus[peak:].min(), modulus[: peak + 1].min()))
    ratio = max(modulus[peak] / floor, 1.05)
    three = read_root_r0(f, modulus, floor)
    qms = three.qms if three is not None else 2.5
    high = float(modulus[-1])
    n = 0.7
    k = max(high - floor, 0.1 * floor) / (2.0 * np.pi * float(f[-1])) ** n
    return Motional(
        re_ohm=floor * 0.97,
        resonance_hz=float(f[peak]),
        qms=float(np.clip(qms, 0.3, 40.0)),
        qes=float(np.clip(qms / (ratio - 1.0), 0.06, 50.0)),
        k=k,
        n=n,
    )


def cut_around(f: Real, modulus: Real, peak: int, vented: bool) -> tuple[Real, Real]:
    """Cut the data around the main peak only, so that the rise at high frequency is no peak."""
    last = peak + int(np.argmin(modulus[peak:])) + 1
    first = int(np.argmin(modulus[:peak])) if vented else 0
    return f[first:last], modulus[first:last]
