"""What two neighbouring drivers allow: overlap, crossover range, orders, optional slots."""

from __future__ import annotations

import numpy as np

from optimizer.measure.curves.thin import interpolate_log
from optimizer.measure.survey.hints import PeakHint, order_to_silence
from optimizer.measure.survey.nouns import DriverSurvey, PairSurvey, SlotHint
from optimizer.text.units import say_hz

UNSEEN_SPAN = 2.0
"""Highest over lowest crossover where the beaming of the lower driver is unknown."""
CLEAR_OF_BREAK_UP = float(np.sqrt(2.0))
"""The crossover stays half an octave below a resonance; common practice, no source."""
_MOST_PER_DRIVER = 2
LEAST_STEP_DB = 2.0
"""A rise of the lower driver that is worth a contour, a fall of the upper one worth a lift: common
practice, no source."""
TOP_HZ = 14000.0
"""A driver that reaches this plays the top of the speaker."""
LARGEST_STEP_DB = 6.0
"""More is not levelled by one contour: the step of a front is 6 dB."""


def survey_pair(lower: DriverSurvey, upper: DriverSurvey) -> PairSurvey:
    """Propose a crossover between two drivers.

    Parameters
    ----------
    lower, upper : DriverSurvey
        Neighbours, the lower one first.

    Returns
    -------
    PairSurvey

    Notes
    -----
    From below the range is bounded by the upper driver's lowest safe crossover; from above by
    the lower driver's band, by its beaming, and by half an octave below its first break-up.
    Where nothing tells of beaming the range is an octave: the larger driver beams first, so lower
    is safer (common practice, no source). Where the bounds cross, the range is put around the
    geometric mean of the two and `clean` is False.
    """
    reasons = [f"{upper.name} is safe from {say_hz(upper.lowest_hz)}: {upper.lowest_rule}"]
    bounds = [
        (
            lower.usable_hz[1],
            f"{lower.name} is usable up to {say_hz(lower.usable_hz[1])}",
        )
    ]
    if lower.beaming is not None:
        beam = lower.beaming
        bounds.append(
            (
                beam.frequency_hz,
                f"{lower.name} beams from {say_hz(beam.frequency_hz)} (6 dB down at "
                f"{beam.angle_deg:g} degrees, {beam.source})",
            )
        )
    break_up = lower.break_up
    if break_up is not None:
        bounds.append(
            (
                break_up.frequency_hz / CLEAR_OF_BREAK_UP,
                f"{lower.name} breaks up around {say_hz(break_up.frequency_hz)} "
                f"({break_up.height_db:+z.1f} dB against the level around it): stay half an octave "
                "below",
            )
        )
    bound, why = min(bounds)
    reasons.append(why)
    low, high = upper.lowest_hz, bound
    clean = low <= high
    if not clean:
        middle = float(np.sqrt(low * high))
        # The lower driver is asked for more, the upper one protected by its rule's octave.
        low, high = max(high, middle * 2.0**-0.25), low
        reasons.append(
            "these bounds leave no clean range: a compromise between them, with steep slopes"
        )
    if clean and lower.beaming is None and high > UNSEEN_SPAN * low:
        high = UNSEEN_SPAN * low
        reasons.append(
            f"no data off axis and no diameter of {lower.name} tell where it beams: stay within "
            f"an octave, up to {say_hz(high)}"
        )
    high = min(high, 4.0 * low)
    centre = float(np.sqrt(low * high))
    both = (
        max(lower.usable_hz[0], upper.usable_hz[0]),
        min(lower.usable_hz[1], upper.usable_hz[1]),
    )
    return PairSurvey(
        lower=lower.name,
        upper=upper.name,
        overlap_hz=both if both[0] < both[1] else None,
        crossover_hz=(float(low), float(high)),
        centre_hz=centre,
        clean=clean,
        reasons=tuple(reasons),
        low_pass_orders=_low_pass_orders(lower, centre),
        high_pass_orders=_high_pass_orders(upper, centre),
        slots=tuple(_hint_slots(lower, upper, centre)),
    )


def _low_pass_orders(lower: DriverSurvey, centre: float) -> tuple[int, ...]:
    loud = [p for p in lower.shape.peaks if p.height_db > 0.0 and p.frequency_hz > 1.2 * centre]
    need = max((order_to_silence(p.level_db, centre, p.frequency_hz) for p in loud), default=2)
    return tuple(sorted({2, max(2, need)}))


def _high_pass_orders(upper: DriverSurvey, centre: float) -> tuple[int, ...]:
    resonance = upper.resonance_hz
    if resonance is None:
        return (2, 3)
    distance = centre / resonance
    return (2, 3) if distance >= 2.5 else (3, 4) if distance < 1.6 else (2, 3, 4)


def _hint_slots(lower: DriverSurvey, upper: DriverSurvey, centre: float) -> list[SlotHint]:
    slots = []
    # Where the driver should be silent a notch across it does most; in its band, a trap.
    low = [h for h in lower.peak_hints if lower.lowest_hz < h.peak.frequency_hz < 5.0 * centre]
    for hint in low[:_MOST_PER_DRIVER]:
        form = "notch" if hint.peak.frequency_hz > centre else "trap"
        slots.append(_peak_slot(lower.name, form, hint))
    high = [h for h in upper.peak_hints if centre < h.peak.frequency_hz < 16000.0]
    for hint in high[:_MOST_PER_DRIVER]:
        slots.append(_peak_slot(upper.name, "trap", hint))
    electrical = lower.impedance
    if electrical is not None and electrical.equalisers and (electrical.rise or 0.0) > 1.5:
        best = electrical.equalisers[-1]
        slots.append(
            SlotHint(
                driver=lower.name,
                form="equaliser",
                reason=f"impedance rises to {electrical.rise:.1f} times Re at 10 kHz",
                values={"resistance_ohm": best.r_ohm, "capacitance_f": best.c_farad},
            )
        )
    step = _contour_slot(lower, centre)
    if step is not None:
        slots.append(step)
    louder = upper.sensitivity_db - lower.sensitivity_db
    if louder > 0.5:
        z = upper.nominal_ohm or 6.0
        k = 10.0 ** (min(louder, 15.0) / 20.0)
        pad = {"series_ohm": z * (k - 1.0) / k, "shunt_ohm": z / (k - 1.0)}
        slots.append(
            SlotHint(
                driver=upper.name,
                form="pad",
                reason=f"{upper.name} is {louder:.1f} dB louder than {lower.name}",
                values=pad,
            )
        )
        slots += _lift_slot(upper, centre, pad)
    electrical = upper.impedance
    peaked = (
        electrical is not None
        and electrical.fit is not None
        and electrical.fit.values.qms / electrical.fit.values.qes > 0.5
    )
    if peaked and upper.resonance_hz is not None and centre < 3.0 * upper.resonance_hz:
        slots.append(_resonance_slot(upper, centre))
    return slots


def _mean_db(driver: DriverSurvey, low_hz: float, high_hz: float) -> float | None:
    """Mean level of a driver between two frequencies; None where less than that was measured."""
    response = driver.response
    if response is None or response.range_hz[0] > low_hz or response.range_hz[1] < high_hz:
        return None
    grid = np.geomspace(low_hz, high_hz, 24)
    return float(np.mean(interpolate_log(response.frequency_hz, response.level_db, grid)))


def _contour_slot(lower: DriverSurvey, centre: float) -> SlotHint | None:
    """Offer a coil with a resistor across it, in the line, against a rise towards the crossover.

    With R in the line above and nothing below, a load Z loses 20 log10(1 + R/Z) dB; the middle of that
    step lies at sqrt(Z/(Z + R)) R/(2 pi L), where pole and zero are equally far.
    """
    bottom = max(2.0 * lower.usable_hz[0], lower.valid_from_hz)
    if 4.0 * bottom > centre:
        return None
    below, above = _mean_db(lower, bottom, 2.0 * bottom), _mean_db(lower, centre / 2.0, centre)
    if below is None or above is None or above - below < LEAST_STEP_DB:
        return None
    rise = min(above - below, LARGEST_STEP_DB)
    z = lower.nominal_ohm or 6.0
    ohm = z * (10.0 ** (rise / 20.0) - 1.0)
    middle = float(np.sqrt(bottom * centre))
    return SlotHint(
        driver=lower.name,
        form="contour",
        reason=f"it rises by {above - below:.1f} dB from {say_hz(bottom)} to {say_hz(centre)}, as on a "
        "narrow front",
        values={
            "inductance_h": float(ohm * np.sqrt(z / (z + ohm)) / (2.0 * np.pi * middle)),
            "resistance_ohm": float(ohm),
        },
    )


def _lift_slot(upper: DriverSurvey, centre: float, pad: dict[str, float]) -> list[SlotHint]:
    """Offer a capacitor across the series resistor of a pad where the upper driver falls at the top.

    It begins to act where its reactance is that of the resistor.
    """
    top = min(upper.usable_hz[1], 16000.0)
    start = max(2.0 * centre, top / 4.0)
    if 2.0 * start > top or top < TOP_HZ:
        return []  # another driver plays the top
    below, above = _mean_db(upper, centre * 1.4, start), _mean_db(upper, top / 1.4, top)
    if below is None or above is None or below - above < LEAST_STEP_DB:
        return []
    return [
        SlotHint(
            driver=upper.name,
            form="bypassed pad",
            reason=f"it falls by {below - above:.1f} dB towards {say_hz(top)}",
            values={
                **pad,
                "capacitance_f": float(1.0 / (2.0 * np.pi * top / 2.0 * pad["series_ohm"])),
            },
        )
    ]


def _peak_slot(driver: str, form: str, hint: PeakHint) -> SlotHint:
    compound = hint.notch if form == "notch" else hint.trap
    peak = hint.peak
    return SlotHint(
        driver=driver,
        form=form,
        reason=f"peak at {say_hz(peak.frequency_hz)}, {peak.height_db:+z.1f} dB, Q {peak.q:.1f}",
        values={
            "inductance_h": compound.inductance_h,
            "capacitance_f": compound.capacitance_f,
            "resistance_ohm": compound.resistance_ohm,
        },
    )


def _resonance_slot(upper: DriverSurvey, centre: float) -> SlotHint:
    """Series L-C-R across the driver that levels its resonance.

    R = Re (1 + Qes/Qms), C = 1/(2 pi fs Re Qes), L = Re Qes/(2 pi fs): exact for the motional
    branch.
    """
    assert upper.impedance is not None
    assert upper.impedance.fit is not None
    values = upper.impedance.fit.values
    omega = 2.0 * np.pi * values.resonance_hz
    return SlotHint(
        driver=upper.name,
        form="notch",
        reason=f"impedance peak at {say_hz(values.resonance_hz)} lies near the crossover "
        f"({say_hz(centre)}) and bends the high-pass",
        values={
            "inductance_h": float(values.re_ohm * values.qes / omega),
            "capacitance_f": float(1.0 / (omega * values.re_ohm * values.qes)),
            "resistance_ohm": float(values.re_ohm * (1.0 + values.qes / values.qms)),
        },
    )
