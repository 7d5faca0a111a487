"""What an impedance curve says of a driver: resonance, Qs, resistance, inductance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Flags, Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.samples import Samples
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.survey.impedance_peaks import (
    cut_around,
    find_peak,
    find_port,
    guess_circuit,
    hints_at_port,
    smooth_modulus,
)
from optimizer.measure.survey.motional import (
    Box,
    Motional,
    MotionalFit,
    RootR0,
    fit_motional,
    model_impedance,
    read_root_r0,
)
from optimizer.text.brief import brief
from optimizer.text.units import say_hz

GOOD_FIT = 0.08
"""Largest rms relative error for which the circuit's values are stated."""

DOUBTFUL_FIT, BAD_FIT = 0.006, 0.03
"""Rms relative error from which a second peak is looked for: right below where the data begin, and
wherever it may be. A chamber behind a dome makes small errors of the same kind within the data."""

LIKELY = 10.0
"""Circuits whose information criterion is this much worse than the best one's still count for what
the resistance may be: the bound of "very strong" evidence (Kass and Raftery, JASA 90, 1995; from
memory)."""

MODEL_SHARE = 0.5
"""A box that misses the data by this share more than the likeliest one still counts for the same: what
a fit misses is mostly the circuit's simplicity, which the criterion takes for noise. No source."""

WELL_KNOWN, HALF_KNOWN = 0.01, 0.04
"""Relative half width that the range of the resistance has at least, as no circuit is quite the
driver's: where both peaks of a vented box are in the data (or the one of a closed), and where the
lower one lies below them. From computed boxes, see tests/reference/test_vented_resistance.py."""

WIDE_RANGE = 0.02
"""Relative half width from which the range of the resistance is told."""

GUESSED_HIGH = 0.1
"""A resistance guessed without a resonance is up to this much too high: the skirt of the motional
impedance and the coil's loss are in it. From computed boxes, see
tests/reference/test_vented_resistance.py."""

_FEWEST_POINTS = 12

LEAST_PEAK = 1.06
"""Smallest ratio of peak to voice-coil resistance that is called a resonance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Equaliser:
    """Resistor and capacitor in series, across the driver, against the rise of impedance.

    Parameters
    ----------
    r_ohm, c_farad : float
        Values.
    rule : str
        How they were found.
    flatness : float
        Largest over smallest modulus of driver and equaliser, from the minimum to 10 kHz.
    """

    r_ohm: float
    c_farad: float
    rule: str
    flatness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceSurvey:
    """Figures of one impedance curve; None where the data do not determine a figure.

    Parameters
    ----------
    source : str
        The file.
    measured_hz : tuple of float
        First and last frequency.
    minimum_ohm, minimum_hz : float
        Smallest modulus above the resonance (or in all data) and where.
    re_ohm : float or None
        Resistance of the voice coil at DC, estimated.
    re_range_ohm : tuple of float or None
        What it may be: every circuit that meets the data about as well, with twice its standard
        error; about 9 in 10 hold.
    resonance_hz, qms, qes, qts : float or None
        Resonance and Qs, mounted as measured.
    peak_ohm : float or None
        Modulus at resonance.
    box : {"", "closed", "vented"}
        What the number of peaks shows: one is free air or a closed box, two a vented one.
    tuning_hz : float or None
        Port resonance.
    root_r0 : RootR0 or None
        The same figures by the three-point method.
    fit : MotionalFit or None
        The fitted circuit.
    inductance_1k_h, inductance_10k_h : float or None
        Reactance over angular frequency at 1 and 10 kHz, motional part taken out.
    rise : float or None
        Modulus at 10 kHz over `re_ohm`.
    equalisers : tuple of Equaliser
        Empty when the modulus rises by less than a fifth.
    notes : tuple of str
        What could not be determined and why.
    """

    source: str
    measured_hz: tuple[float, float]
    minimum_ohm: float
    minimum_hz: float
    re_ohm: float | None = None
    re_range_ohm: tuple[float, float] | None = None
    resonance_hz: float | None = None
    qms: float | None = None
    qes: float | None = None
    qts: float | None = None
    peak_ohm: float | None = None
    box: Literal["", "closed", "vented"] = ""
    tuning_hz: float | None = None
    root_r0: RootR0 | None = None
    fit: MotionalFit | None = None
    inductance_1k_h: float | None = None
    inductance_10k_h: float | None = None
    rise: float | None = None
    equalisers: tuple[Equaliser, ...] = ()
    notes: tuple[str, ...] = ()

    __repr__ = brief

    @property
    def range_is_wide(self) -> bool:
        """Whether the resistance may be more than `WIDE_RANGE` higher or lower."""
        if self.re_ohm is None or self.re_range_ohm is None:
            return False
        return self.re_range_ohm[1] - self.re_range_ohm[0] > 2.0 * WIDE_RANGE * self.re_ohm


def survey_impedance(impedance: MeasuredCurve) -> ImpedanceSurvey:
    """Read every figure that an impedance curve determines.

    Parameters
    ----------
    impedance : MeasuredCurve
        Quantity "impedance".

    Returns
    -------
    ImpedanceSurvey

    Notes
    -----
    The equivalent circuit (`optimizer.measure.survey.motional`) is fitted to all points, which spares
    the figures the noise of three single points; the three-point method is given beside it. A
    resonance is stated only where the peak lies inside the data, stands `LEAST_PEAK` above the
    voice coil's resistance and the circuit meets the data.
    """
    return replace(_read_impedance(Samples.of(impedance)), source=impedance.source)


@lru_cache(maxsize=64)
def _read_impedance(samples: Samples) -> ImpedanceSurvey:
    curve = thin_response(samples.curve(), per_octave=48)
    f, z = curve.frequency_hz, curve.value
    smooth = smooth_modulus(f, np.abs(z))
    peak, peak_notes = find_peak(f, smooth)
    survey = ImpedanceSurvey(
        source=curve.source,
        measured_hz=curve.range_hz,
        minimum_ohm=float(smooth.min()),
        minimum_hz=float(f[np.argmin(smooth)]),
        notes=tuple(peak_notes),
    )
    if peak is not None:
        survey = _read_resonance(survey, curve, smooth, peak)
    if survey.resonance_hz is not None:
        above = f > survey.resonance_hz
        if np.count_nonzero(above) > 3:
            at = int(np.argmin(np.where(above, smooth, np.inf)))
            survey = replace(survey, minimum_ohm=float(smooth[at]), minimum_hz=float(f[at]))
    if survey.re_ohm is None:
        survey = _guess_resistance(survey, curve, smooth)
    elif survey.range_is_wide and survey.re_range_ohm is not None:
        low, high = survey.re_range_ohm
        wide = f"the data allow a voice-coil resistance of {low:.2f} to {high:.2f} ohm"
        survey = replace(survey, notes=(*survey.notes, wide))
    return _read_inductance(survey, curve)


def _read_resonance(
    survey: ImpedanceSurvey, curve: MeasuredCurve, smooth: Real, peak: int
) -> ImpedanceSurvey:
    f, z = curve.frequency_hz, curve.value
    vented, tuning = find_port(f, smooth, peak)
    limit = (f <= 30.0 * f[peak]) & (f <= 20000.0)
    if np.count_nonzero(limit) < _FEWEST_POINTS:
        why = f"fewer than {_FEWEST_POINTS} points around the resonance: Qs are not read"
        return replace(
            survey,
            resonance_hz=float(f[peak]),
            peak_ohm=float(smooth[peak]),
            notes=(*survey.notes, why),
        )
    start = guess_circuit(f, smooth, peak)
    kind: Box = "vented" if vented else "closed"
    starts = [start]
    if vented:
        starts = [
            replace(
                start, resonance_hz=share * start.resonance_hz,
                tuning_hz=tuning, alpha=1.5, leak_q=8.0,
            )
            for share in (1.0, 0.6)
        ]  # fmt: skip
    fits = _fit_circuits(curve, limit, kind, starts)
    fit = _likeliest(fits)
    hidden = not vented and fit.residual > DOUBTFUL_FIT and f[peak] < 12.0 * f[0]
    if hidden:
        fits += _fit_hidden_port(curve, limit, start)
        ported = _likeliest([one for one in fits if one.values.tuning_hz is not None])
        below = fit.residual > BAD_FIT or _peak_lies_below(ported.values, float(f[0]))
        if below and ported.residual < min(0.5 * fit.residual, GOOD_FIT):
            kind, fit = "vented", ported
    values = fit.values
    three = read_root_r0(*cut_around(f, smooth, peak, vented), values.re_ohm)
    notes = list(survey.notes)
    if values.peak_ohm < LEAST_PEAK * values.re_ohm:
        notes.append("the resonance peak is too low to be read")
        return replace(survey, notes=tuple(notes))
    if fit.residual > GOOD_FIT and hidden and hints_at_port(f, z, smooth, peak):
        notes.append(
            f"a closed box misses the data by {100 * fit.residual:.0f} %, and a second peak may "
            f"lie below {say_hz(f[0])}: the resonance is not determined; measure further down"
        )
        return replace(survey, notes=tuple(notes))
    if fit.residual > GOOD_FIT:
        notes.append(
            f"the equivalent circuit misses the data by {100 * fit.residual:.0f} %: "
            "Qs are not stated, the resonance is the top of the peak"
        )
        return replace(
            survey,
            resonance_hz=float(f[peak]),
            peak_ohm=float(smooth[peak]),
            box=kind,
            tuning_hz=tuning,
            root_r0=three,
            notes=tuple(notes),
        )
    if kind == "closed" and abs(np.log(values.resonance_hz / f[peak])) > 0.2:
        notes.append("peak and fitted resonance disagree: figures are uncertain")
    return replace(
        survey,
        re_ohm=values.re_ohm,
        re_range_ohm=_range_resistance(fits, fit, float(f[0])),
        resonance_hz=values.resonance_hz,
        qms=values.qms,
        qes=values.qes,
        qts=values.qts,
        peak_ohm=float(smooth[peak]),
        box=kind,
        tuning_hz=values.tuning_hz,
        root_r0=three if kind == "closed" else None,
        fit=fit,
        notes=tuple(notes),
    )


def _fit_circuits(
    curve: MeasuredCurve, limit: Flags, box: Box, starts: Sequence[Motional]
) -> list[MotionalFit]:
    """Fit each circuit of the coil: the wrong one spoils the resistance."""
    fit = partial(
        fit_motional,
        curve.frequency_hz[limit],
        curve.value[limit],
        has_phase=curve.has_phase,
        box=box,
    )
    semi = min((fit(start=one) for one in starts), key=lambda done: done.residual)
    # A wrong coil may have led everything astray, so another begins from the starts as well.
    doubles = [fit(start=one, coil="double") for one in (semi.values, *starts)]
    return [semi, *doubles, fit(start=semi.values, coil="shunted")]


def _likeliest(fits: Sequence[MotionalFit]) -> MotionalFit:
    return min(fits, key=lambda done: done.evidence)


def _fit_hidden_port(curve: MeasuredCurve, limit: Flags, start: Motional) -> list[MotionalFit]:
    """Fit a vented box whose lower peak lies below the data."""
    starts = [
        replace(
            start, resonance_hz=0.65 * start.resonance_hz,
            tuning_hz=share * start.resonance_hz, alpha=1.5, leak_q=8.0,
        )
        for share in (0.45, 0.65)
    ]  # fmt: skip
    return _fit_circuits(curve, limit, "vented", starts)


def _peak_lies_below(values: Motional, start_hz: float) -> bool:
    """Whether the lower peak of a vented box lies below where data begin."""
    if values.tuning_hz is None:
        return False
    below = np.geomspace(start_hz, max(values.tuning_hz, 1.1 * start_hz), 60)
    modulus = np.abs(model_impedance(below, values.without_coil))
    return int(np.argmax(modulus)) == 0


def _range_resistance(
    fits: Sequence[MotionalFit], chosen: MotionalFit, start_hz: float
) -> tuple[float, float]:
    """Tell what the resistance may be, from every circuit that meets the data about as well."""
    alike = [
        one for one in fits
        if one.evidence <= chosen.evidence + LIKELY
        or one.residual <= (1.0 + MODEL_SHARE) * chosen.residual
    ]  # fmt: skip
    least = HALF_KNOWN if _peak_lies_below(chosen.values, start_hz) else WELL_KNOWN
    ends = [
        one.values.re_ohm * np.exp(sign * min(max(2.0 * one.re_spread, least), GUESSED_HIGH))
        for one in alike for sign in (-1.0, 1.0)
    ]  # fmt: skip
    return float(min(ends)), float(max(ends))


def _guess_resistance(
    survey: ImpedanceSurvey, curve: MeasuredCurve, smooth: Real
) -> ImpedanceSurvey:
    """Voice-coil resistance without a resonance: the lowest real part."""
    real = float(curve.value.real.min()) if curve.has_phase else float(smooth.min())
    real = min(real if real > 0.0 else float(smooth.min()), survey.minimum_ohm)
    return replace(
        survey,
        re_ohm=real,
        re_range_ohm=((1.0 - GUESSED_HIGH) * real, real),
        notes=(
            *survey.notes,
            "voice-coil resistance taken from the lowest real part: up to "
            f"{100 * GUESSED_HIGH:.0f} % high",
        ),
    )


def _read_inductance(survey: ImpedanceSurvey, curve: MeasuredCurve) -> ImpedanceSurvey:
    """Inductance, rise and equaliser values from the data above the minimum."""
    f = curve.frequency_hz
    re = survey.re_ohm
    if re is None or f[-1] < 4000.0:
        return replace(survey, notes=(*survey.notes, "data end too low to read the inductance"))
    z = curve.value
    if not curve.has_phase:
        if survey.fit is None:
            return replace(survey, notes=(*survey.notes, "no phase: inductance is not read"))
        z = np.abs(z) * np.exp(1j * np.angle(model_impedance(f, survey.fit.values)))
    without = z
    if survey.fit is not None:
        values = survey.fit.values
        still = model_impedance(f, values.without_coil) - values.re_ohm
        without = z - still
    at = {1000.0: None, 10000.0: None}
    found: dict[float, float | None] = dict(at)
    for wanted in at:
        if f[0] <= wanted <= f[-1]:
            reactance = float(interpolate_log(f, without.imag, np.array([wanted]))[0])
            found[wanted] = reactance / (2.0 * np.pi * wanted) if reactance > 0.0 else None
    top = min(10000.0, float(f[-1]))
    rise = float(interpolate_log(f, np.abs(z), np.array([top]))[0]) / re
    survey = replace(
        survey,
        inductance_1k_h=found[1000.0],
        inductance_10k_h=found[10000.0],
        rise=rise,
    )
    if rise < 1.2:
        return survey
    return replace(survey, equalisers=_find_equalisers(f, z, without, re, survey.minimum_hz))


def _find_equalisers(
    f: Real,
    z: Complex,
    without: Complex,
    re: float,
    low_hz: float,
) -> tuple[Equaliser, ...]:
    """Values by two published rules and by fitting, each with the flatness it reaches."""
    from scipy.optimize import least_squares

    inside = (f >= min(low_hz, 4000.0)) & (f <= 10000.0)
    if np.count_nonzero(inside) < 5:
        return ()
    grid = np.geomspace(f[inside][0], f[inside][-1], 60)
    real = interpolate_log(f, z.real, grid)
    load = real + 1j * interpolate_log(f, z.imag, grid)
    jw = 2j * np.pi * grid
    reactance = interpolate_log(f, without.imag, grid)
    # The rules want one inductance: the one that acts where the rise sets in.
    corner = int(np.argmax(reactance >= 0.75 * re)) if np.any(reactance >= 0.75 * re) else -1
    le = float(reactance[corner] / (2.0 * np.pi * grid[corner]))

    def modulus(r: float, c: float) -> Real:
        return np.abs(1.0 / (1.0 / load + 1.0 / (r + 1.0 / (jw * c))))

    def make(r: float, c: float, rule: str) -> Equaliser:
        size = modulus(r, c)
        return Equaliser(r_ohm=r, c_farad=c, rule=rule, flatness=float(size.max() / size.min()))

    found = []
    if le > 0.0:
        found.append(make(re, le / re**2, "R = Re, C = Le/Re^2 (exact for a pure inductance)"))
        practice = 1.25 * re
        found.append(make(practice, le / practice**2, "R = 1.25 Re, C = Le/R^2 (common practice)"))
    first = found[0].c_farad if found else 10e-6

    def error(x: Real) -> Real:
        size = np.log(modulus(float(np.exp(x[0])), float(np.exp(x[1]))))
        return np.asarray(size - size.mean())

    answer = least_squares(
        error,
        np.log([1.1 * re, np.clip(first, 2e-7, 5e-4)]),
        bounds=(np.log([0.8 * re, 1e-7]), np.log([4.0 * re, 1e-3])),
    )
    r, c = np.exp(answer.x)
    found.append(make(float(r), float(c), "fitted to the measured impedance, minimum to 10 kHz"))
    return tuple(found)
