"""Starting values for what may sit between two drivers: ranges, orders, compounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.measure.survey.shape import Peak

QUIET_DB = 20.0
"""A resonance of a driver that should be silent is wanted this far below the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compound:
    """Starting values of a resonant compound against one peak.

    Parameters
    ----------
    form : {"trap", "notch"}
        Trap: L, C and R in parallel, in the line. Notch: L, C and R in series, across the line.
    inductance_h, capacitance_f, resistance_ohm : float
        Starting values.
    """

    form: str
    inductance_h: float
    capacitance_f: float
    resistance_ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakHint:
    """A peak that a compound could take down.

    Parameters
    ----------
    peak : Peak
        What to take down.
    load_ohm : float
        Modulus of the driver's impedance there.
    trap, notch : Compound
        Either of the two.
    """

    peak: Peak
    load_ohm: float
    trap: Compound
    notch: Compound


def hint_peak(peak: Peak, load_ohm: float) -> PeakHint:
    """Compute compounds that mirror a peak.

    Parameters
    ----------
    peak : Peak
        With positive height.
    load_ohm : float
        Resistance that stands for the driver at the peak.

    Returns
    -------
    PeakHint

    Notes
    -----
    A trap before a load R_L passes (1 + j Q x)/(A + j Q x), x = f/f0 - f0/f, with
    R = (A - 1) R_L, Q = R sqrt(C/L): the mirror of the resonance (A + j Q x)/(1 + j Q x). A
    notch across the driver does the same behind a source of R_L, with R = R_L/(A - 1),
    Q = sqrt(L/C)/R. The depth of the trap at f0 is 20 log10((R + R_L)/R_L).
    """
    omega = 2.0 * np.pi * peak.frequency_hz
    a = 10.0 ** (peak.height_db / 20.0)
    trap_r = (a - 1.0) * load_ohm
    notch_r = load_ohm / (a - 1.0)
    return PeakHint(
        peak=peak,
        load_ohm=load_ohm,
        trap=Compound(
            form="trap",
            inductance_h=float(trap_r / (omega * peak.q)),
            capacitance_f=float(peak.q / (omega * trap_r)),
            resistance_ohm=float(trap_r),
        ),
        notch=Compound(
            form="notch",
            inductance_h=float(notch_r * peak.q / omega),
            capacitance_f=float(1.0 / (omega * notch_r * peak.q)),
            resistance_ohm=float(notch_r),
        ),
    )


def order_to_silence(level_db: float, crossover_hz: float, peak_hz: float) -> int:
    """Electrical order that puts a resonance `QUIET_DB` below the rest.

    Parameters
    ----------
    level_db : float
        Level of the resonance against the driver's own level.
    crossover_hz, peak_hz : float
        Where the low-pass sets in, and the resonance.

    Returns
    -------
    int
        1 to 4.
    """
    octaves = np.log2(peak_hz / crossover_hz)
    if octaves <= 0.0:
        return 4
    return int(np.clip(np.ceil((QUIET_DB + level_db) / (6.0 * octaves)), 1, 4))
