"""The words and figures of a survey, the same on a screen and on a page."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.measure.survey.nouns import DriverSurvey, SlotHint
from optimizer.measure.survey.shape import Rolloff
from optimizer.measure.timing.timing import Timing
from optimizer.text.units import format_quantity

MOST_PEAKS = 5
PEAK_HEADS = ("driver", "at", "height", "Q", "trap in the line", "or notch across")
TIMING_HEADS = ("driver", "delay", "95 % interval", "level", "polarity")


def peak_rows(drivers: Sequence[DriverSurvey]) -> list[tuple[str, ...]]:
    """State the largest peaks and dips, with starting values of compounds against them."""
    rows: list[tuple[str, ...]] = []
    for driver in drivers:
        hints = {hint.peak: hint for hint in driver.peak_hints}
        name = driver.name
        for peak in driver.shape.peaks[:MOST_PEAKS]:
            cells = ["-", "-"]
            if peak in hints:
                cells = [
                    f"{say(one.inductance_h, 'H')}, {say(one.capacitance_f, 'F')}, "
                    f"{say(one.resistance_ohm, 'ohm')}"
                    for one in (hints[peak].trap, hints[peak].notch)
                ]
            rows.append((name, say(peak.frequency_hz, "Hz"), f"{peak.height_db:+.1f} dB",
                         f"{peak.q:.1f}", *cells))  # fmt: skip
            name = ""
    return rows


def timing_rows(timing: Timing) -> list[tuple[str, ...]]:
    """State delay, interval, level and polarity of every driver."""
    rows: list[tuple[str, ...]] = []
    for name, delay in timing.delays_s.items():
        low, high = timing.interval_s.get(name, (0.0, 0.0))
        rows.append((
            name, f"{delay * 1e6:+.1f} us",
            f"{low * 1e6:+.1f} to {high * 1e6:+.1f} us" if high > low else "-",
            f"{timing.levels_db[name]:+.2f} dB",
            "normal" if timing.polarity[name] > 0 else "reversed",
        ))  # fmt: skip
    return rows


def driver_rows(drivers: Sequence[DriverSurvey]) -> list[tuple[str, list[str]]]:
    """State every figure of the drivers, one row each."""
    z = [d.impedance for d in drivers]

    def each(figures: Sequence[float | None], unit: str) -> list[str]:
        return [say(figure, unit) for figure in figures]

    equalisers = [x.equalisers[-1] if x is not None and x.equalisers else None for x in z]
    return [
        ("measured", [say_range(d.measured_hz) for d in drivers]),
        ("directions", [str(d.directions) for d in drivers]),
        ("usable, within 6 dB", [say_range(d.usable_hz) for d in drivers]),
        ("level, as the file states it", [f"{d.sensitivity_db:.1f} dB" for d in drivers]),
        ("falls off below", [say_rolloff(d.shape.low) for d in drivers]),
        ("falls off above", [say_rolloff(d.shape.high) for d in drivers]),
        ("break-up to stay clear of", each(
            [d.break_up.frequency_hz if d.break_up else None for d in drivers], "Hz")),
        ("6 dB down off axis", [
            f"{say(d.beaming.frequency_hz, 'Hz')} at {d.beaming.angle_deg:g} deg, "
            f"{d.beaming.source}" if d.beaming else "-" for d in drivers]),
        ("resonance", each([x.resonance_hz if x else None for x in z], "Hz")),
        ("  box", [(x.box or "-") if x else "-" for x in z]),
        ("  port tuned to", each([x.tuning_hz if x else None for x in z], "Hz")),
        ("Qms, Qes, Qts", [
            f"{x.qms:.2f}, {x.qes:.2f}, {x.qts:.2f}"
            if x and x.qms is not None and x.qes is not None and x.qts is not None else "-"
            for x in z]),
        ("voice coil Re", each([x.re_ohm if x else None for x in z], "ohm")),
        ("lowest impedance", [
            f"{say(x.minimum_ohm, 'ohm')} at {say(x.minimum_hz, 'Hz')}" if x else "-"
            for x in z]),
        ("inductance at 1 kHz", each([x.inductance_1k_h if x else None for x in z], "H")),
        ("inductance at 10 kHz", each([x.inductance_10k_h if x else None for x in z], "H")),
        ("impedance at 10 kHz over Re", [
            f"{x.rise:.1f}" if x and x.rise is not None else "-" for x in z]),
        ("equaliser against the rise", [
            f"{say(e.r_ohm, 'ohm')} + {say(e.c_farad, 'F')}" if e else "-"
            for e in equalisers]),
        ("lowest safe crossover", each([d.lowest_hz for d in drivers], "Hz")),
    ]  # fmt: skip


def say(value: float | None, unit: str) -> str:
    """Write a figure, or a dash where it is not determined."""
    return "-" if value is None else format_quantity(value, unit)


def say_range(band: tuple[float, float]) -> str:
    """Write a band."""
    return f"{say(band[0], 'Hz')} to {say(band[1], 'Hz')}"


def say_rolloff(rolloff: Rolloff) -> str:
    """Write how a driver falls off at one end."""
    if rolloff.slope_db_per_octave is None and rolloff.order is None:
        return "not in the data" if "end before" in rolloff.reason else "not determined"
    slope = "" if rolloff.slope_db_per_octave is None else (
        f"{rolloff.slope_db_per_octave:.0f} dB/oct")  # fmt: skip
    order = f"order {rolloff.order}" if rolloff.order is not None else "order open"
    corner = f", 3 dB at {say(rolloff.corner_hz, 'Hz')}" if rolloff.corner_hz else ""
    return f"{slope} ({order}){corner}"


def say_orders(orders: Sequence[int]) -> str:
    """Write orders as "2, 3 or 4"."""
    words = [str(order) for order in orders]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def say_slot(slot: SlotHint) -> str:
    """Write the starting values of a slot."""
    units = {
        "inductance_h": "H",
        "capacitance_f": "F",
        "resistance_ohm": "ohm",
        "series_ohm": "ohm",
        "shunt_ohm": "ohm",
    }
    return ", ".join(say(value, units[key]) for key, value in slot.values.items())
