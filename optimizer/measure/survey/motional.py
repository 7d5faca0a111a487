"""Electrical equivalent of a driver at its resonance, alone, in a closed or in a vented box."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.text.brief import brief

_FINEST = 1e-4  # relative misfit below which circuits are equally good: files have no more digits

Box = Literal["closed", "vented"]
"""What a driver is mounted in: free air counts as closed."""

Coil = Literal["semi", "double", "shunted"]
"""A semi-inductance, an inductance with a shunted one in series, a semi-inductance that is shunted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Motional:
    """Values of the equivalent circuit.

    Parameters
    ----------
    re_ohm : float
        Resistance of the voice coil at DC.
    resonance_hz : float
        Resonance of the moving part on its suspension (and the air of a closed box).
    qms, qes : float
        Mechanical and electrical Q at resonance.
    k, n : float
        Semi-inductance ``k (j w)^n`` in ohm s^n; n = 1 is an inductance of k henry.
    tuning_hz, alpha, leak_q : float or None
        Port resonance, compliance ratio and loss of a vented box; None without a port.
    second_h, second_ohm : float or None
        A second inductance with a resistance across it, in series; then n = 1.
    shunt_h : float or None
        An inductance across the semi-inductance, which takes its loss away towards the bass.
    """

    re_ohm: float
    resonance_hz: float
    qms: float
    qes: float
    k: float
    n: float
    tuning_hz: float | None = None
    alpha: float | None = None
    leak_q: float | None = None
    second_h: float | None = None
    second_ohm: float | None = None
    shunt_h: float | None = None

    @property
    def without_coil(self) -> Motional:
        """The same with a coil that is a mere resistance."""
        return replace(self, k=0.0, second_h=None, second_ohm=None, shunt_h=None)

    @property
    def qts(self) -> float:
        """Total Q."""
        return self.qms * self.qes / (self.qms + self.qes)

    @property
    def peak_ohm(self) -> float:
        """Resistance of the motional branch plus `re_ohm`."""
        return self.re_ohm * (1.0 + self.qms / self.qes)


def model_impedance(frequency_hz: Real, values: Motional) -> Complex:
    """Evaluate the equivalent circuit.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    values : Motional
        The circuit.

    Returns
    -------
    ndarray, shape (F,), complex
        Impedance in ohm.

    References
    ----------
    Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20(5), 1972, and the vented-box
    papers of 1973 (from memory); the port branch, an inductance, a capacitance and a loss in
    series across the motional branch, is their electrical dual. Semi-inductance: Leach, JAES
    50(6), 2002; with an inductance across it: Thorborg and Unruh, JAES 56(9), 2008 (from memory).
    An inductance and a second one with a resistance across it: common practice in data sheets, no
    source.
    """
    jw = 2j * np.pi * frequency_hz
    ws = 2.0 * np.pi * values.resonance_hz
    res = values.re_ohm * values.qms / values.qes
    capacitance = values.qes / (ws * values.re_ohm)
    inductance = values.re_ohm / (ws * values.qes)
    admittance = 1.0 / res + jw * capacitance + 1.0 / (jw * inductance)
    if values.tuning_hz is not None and values.alpha is not None and values.leak_q is not None:
        wb = 2.0 * np.pi * values.tuning_hz
        box = inductance / values.alpha
        admittance = admittance + 1.0 / (jw * box + wb * box / values.leak_q + wb**2 * box / jw)
    coil = values.k * jw**values.n
    if values.shunt_h is not None:
        coil = coil / (1.0 + coil / (jw * values.shunt_h))
    total = values.re_ohm + coil + 1.0 / admittance
    if values.second_h is not None and values.second_ohm is not None:
        total = total + 1.0 / (1.0 / (jw * values.second_h) + 1.0 / values.second_ohm)
    return np.asarray(total, dtype=np.complex128)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionalFit:
    """A fitted circuit and how well it meets the data.

    Parameters
    ----------
    values : Motional
        The circuit.
    residual : float
        Root mean square of ln(model / data) over the points, modulus (and phase in radians
        where given); 0.01 is 1 %.
    spread : float
        Relative standard error of the resonance.
    re_spread : float
        Relative standard error of the voice coil's resistance.
    evidence : float
        Bayesian information criterion of the fit: the less, the better the circuit explains the
        data for the number of its values.
    """

    values: Motional
    residual: float
    spread: float
    re_spread: float = 0.0
    evidence: float = 0.0

    __repr__ = brief


def fit_motional(
    frequency_hz: Real,
    impedance: Complex,
    *,
    has_phase: bool,
    start: Motional,
    box: Box = "closed",
    coil: Coil = "semi",
) -> MotionalFit:
    """Fit the circuit by robust least squares on the logarithm of the impedance.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    impedance : ndarray, shape (F,), complex
        In ohm; only the modulus is used when `has_phase` is False.
    has_phase : bool
        Whether the phase is measured.
    start : Motional
        Starting values.
    box : {"closed", "vented"}
        Whether to include the port branch.
    coil : {"semi", "double", "shunted"}
        What the coil is besides a resistance, see `Coil`.

    Returns
    -------
    MotionalFit
    """
    from scipy.optimize import least_squares

    data = np.log(impedance if has_phase else np.abs(impedance) + 0j)
    # Every octave counts alike, whatever the spacing of the points.
    weight = np.sqrt(np.gradient(np.log2(frequency_hz)))
    weight = weight / np.sqrt(np.mean(weight**2))

    port, double, shunted = box == "vented", coil == "double", coil == "shunted"

    def unpack(x: Real) -> Motional:
        return Motional(
            re_ohm=float(np.exp(x[0])),
            resonance_hz=float(np.exp(x[1])),
            qms=float(np.exp(x[2])),
            qes=float(np.exp(x[3])),
            # k is scaled by its size at 1 kHz so that k and n do not trade places.
            k=float(np.exp(x[4]) / (2e3 * np.pi) ** (1.0 if double else x[5])),
            n=1.0 if double else float(x[5]),
            second_h=float(np.exp(x[5]) / (2e3 * np.pi)) if double else None,
            second_ohm=float(np.exp(x[6])) if double else None,
            shunt_h=float(np.exp(x[6]) / (2e3 * np.pi)) if shunted else None,
            tuning_hz=float(np.exp(x[-3])) if port else None,
            alpha=float(np.exp(x[-2])) if port else None,
            leak_q=float(np.exp(x[-1])) if port else None,
        )

    def error(x: Real) -> Real:
        ratio = np.log(model_impedance(frequency_hz, unpack(x))) - data
        if not has_phase:
            return np.asarray(weight * ratio.real)
        return np.concatenate([weight * ratio.real, weight * ratio.imag])

    s = start
    first = [
        np.log(s.re_ohm), np.log(s.resonance_hz), np.log(s.qms), np.log(s.qes),
        np.log(max(s.k * (2e3 * np.pi) ** s.n, 1e-3)), s.n,
    ]  # fmt: skip
    low = [first[0] - 1.0, first[1] - 0.7, np.log(0.2), np.log(0.05), np.log(1e-4), 0.2]
    high = [first[0] + 1.0, first[1] + 0.7, np.log(60.0), np.log(60.0), np.log(1e3), 1.0]
    if double:
        # Half of the rise at 1 kHz each, and a resistance that acts above it.
        first[4:] = [first[4] - np.log(2.0), first[4], np.log(s.re_ohm)]
        low[5:], high[5:] = [np.log(1e-4), np.log(0.01)], [np.log(1e3), np.log(1e3)]
    if shunted:
        # The inductance across takes over below 300 Hz or so.
        first.append(first[4] + np.log(3.0))
        low.append(np.log(1e-4))
        high.append(np.log(1e4))
    if port:
        tuning = s.tuning_hz or s.resonance_hz
        first += [np.log(tuning), np.log(s.alpha or 1.5), np.log(s.leak_q or 8.0)]
        low += [np.log(tuning) - 0.4, np.log(0.05), np.log(1.0)]
        high += [np.log(tuning) + 0.4, np.log(30.0), np.log(200.0)]
    bounds = (np.array(low), np.array(high))
    inside = np.clip(first, bounds[0] + 1e-6, bounds[1] - 1e-6)
    answer = least_squares(
        error, inside, bounds=bounds, loss="soft_l1", f_scale=0.03, x_scale=0.1, max_nfev=200
    )
    residual = error(answer.x)
    rms = float(np.sqrt(np.mean(residual**2)))
    normal = answer.jac.T @ answer.jac
    errors = np.sqrt(np.maximum(np.diag(np.linalg.pinv(normal, rcond=1e-12)), 0.0)) * rms
    count = len(residual)
    left = max(2.0 * answer.cost / count, _FINEST**2)
    return MotionalFit(
        values=unpack(answer.x),
        residual=rms,
        spread=float(errors[1]),
        re_spread=float(errors[0]),
        evidence=float(count * np.log(left) + len(answer.x) * np.log(count)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RootR0:
    """Resonance and Qs by the classic three-point method.

    Parameters
    ----------
    resonance_hz : float
        Frequency of the largest modulus.
    peak_ohm : float
        Largest modulus.
    low_hz, high_hz : float
        Where the modulus is ``re_ohm * sqrt(r0)``, r0 = peak_ohm / re_ohm.
    qms, qes, qts : float
        Mechanical, electrical and total Q.
    """

    resonance_hz: float
    peak_ohm: float
    low_hz: float
    high_hz: float
    qms: float
    qes: float
    qts: float


def read_root_r0(frequency_hz: Real, modulus_ohm: Real, re_ohm: float) -> RootR0 | None:
    """Read resonance and Qs from the three points of the impedance peak.

    Parameters
    ----------
    frequency_hz, modulus_ohm : ndarray, shape (F,)
        Modulus of the impedance around one peak.
    re_ohm : float
        Resistance of the voice coil.

    Returns
    -------
    RootR0 or None
        None when a point lies outside the data or the peak is lower than 1.05 `re_ohm`.

    Notes
    -----
    Qms = fs sqrt(r0) / (f2 - f1), Qes = Qms / (r0 - 1), Qts = Qms / r0; exact without
    inductance, where sqrt(f1 f2) = fs.

    References
    ----------
    Thiele, "Loudspeakers in Vented Boxes", 1961, appendix; Small, JAES 20(5), 1972 (from memory).
    """
    top = int(np.argmax(modulus_ohm))
    if top in (0, len(modulus_ohm) - 1):
        return None
    u = np.log(frequency_hz[top - 1 : top + 2])
    y = np.log(modulus_ohm[top - 1 : top + 2])
    bend = np.polyfit(u - u[1], y, 2)
    shift = -bend[1] / (2.0 * bend[0]) if bend[0] < 0.0 else 0.0
    resonance = float(np.exp(u[1] + np.clip(shift, u[0] - u[1], u[2] - u[1])))
    peak = float(np.exp(np.polyval(bend, shift))) if bend[0] < 0.0 else float(modulus_ohm[top])
    r0 = peak / re_ohm
    if r0 < 1.05:
        return None
    level = re_ohm * np.sqrt(r0)
    below = np.flatnonzero(modulus_ohm[:top] < level)
    above = np.flatnonzero(modulus_ohm[top:] < level) + top
    if not len(below) or not len(above):
        return None
    low = _crossing(frequency_hz, modulus_ohm, int(below[-1]), level)
    high = _crossing(frequency_hz, modulus_ohm, int(above[0]) - 1, level)
    if not high > low:
        return None
    qms = resonance * np.sqrt(r0) / (high - low)
    return RootR0(
        resonance_hz=resonance,
        peak_ohm=peak,
        low_hz=low,
        high_hz=high,
        qms=float(qms),
        qes=float(qms / (r0 - 1.0)),
        qts=float(qms / r0),
    )


def _crossing(frequency_hz: Real, modulus: Real, index: int, level: float) -> float:
    """Frequency between two points at which the modulus passes a level."""
    a, b = np.log(modulus[index]), np.log(modulus[index + 1])
    share = (np.log(level) - a) / (b - a)
    u = np.log(frequency_hz[index : index + 2])
    return float(np.exp(u[0] + share * (u[1] - u[0])))
