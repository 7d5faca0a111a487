"""Published equations of moving-coil drivers in boxes, for synthetic measurements.

Time convention e^{+jwt}, SI units, one frequency axis of shape (F,). Where an equation is our
own simplification and not a published one, its docstring says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.geometry import SOUND_SPEED_M_S, piston_directivity

AIR_DENSITY_KG_M3 = 1.204
"""Density of air at 20 degrees C and 101325 Pa, in kg/m3."""
REFERENCE_PRESSURE_PA = 20e-6
"""0 dB sound pressure level."""
TEST_VOLTS = 2.83
"""Voltage at the terminals for all levels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MovingCoil:
    """A moving-coil driver as mounted, described at its terminals and by its moving part.

    Parameters
    ----------
    resistance_ohm : float
        DC resistance of the voice coil, Re.
    resonance_hz : float
        Resonance as mounted (in its box if it has one).
    mechanical_q, electrical_q : float
        Q at that resonance from mechanical losses alone and from the motor alone.
    moving_mass_kg : float
        Moving mass with its air load, Mms.
    diaphragm_m : float
        Effective diameter in m.
    coil_k, coil_n : float
        Lossy voice-coil inductance K (jw)^n; n = 1 makes K an inductance in H.
    """

    resistance_ohm: float
    resonance_hz: float
    mechanical_q: float
    electrical_q: float
    moving_mass_kg: float
    diaphragm_m: float
    coil_k: float
    coil_n: float

    @property
    def total_q(self) -> float:
        """Q of mechanical losses and motor together."""
        return self.mechanical_q * self.electrical_q / (self.mechanical_q + self.electrical_q)

    @property
    def area_m2(self) -> float:
        """Radiating area Sd in m2."""
        return float(np.pi * (self.diaphragm_m / 2.0) ** 2)

    @property
    def force_factor_tm(self) -> float:
        """Force factor Bl in T m, from Qe = 2 pi f0 Mms Re / (Bl)^2 (Small 1972)."""
        omega = 2.0 * np.pi * self.resonance_hz
        return float(np.sqrt(omega * self.moving_mass_kg * self.resistance_ohm / self.electrical_q))


def compute_mass(resonance_hz: float, compliance_volume_m3: float, diaphragm_m: float) -> float:
    """Compute the moving mass that gives a free-air resonance with a suspension volume.

    Parameters
    ----------
    resonance_hz : float
        Free-air resonance fs.
    compliance_volume_m3 : float
        Air volume as stiff as the suspension, Vas.
    diaphragm_m : float
        Effective diameter in m.

    Returns
    -------
    float
        Mms in kg, from Vas = rho c^2 Sd^2 Cms and fs = 1 / (2 pi sqrt(Mms Cms)).

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20(5), 1972.
    """
    area = np.pi * (diaphragm_m / 2.0) ** 2
    compliance = compliance_volume_m3 / (AIR_DENSITY_KG_M3 * SOUND_SPEED_M_S**2 * area**2)
    return float(1.0 / ((2.0 * np.pi * resonance_hz) ** 2 * compliance))


def mount_in_box(
    resonance_hz: float,
    mechanical_q: float,
    electrical_q: float,
    compliance_volume_m3: float,
    box_volume_m3: float,
) -> tuple[float, float, float]:
    """Convert free-air resonance and Q values to those in a closed box.

    Parameters
    ----------
    resonance_hz, mechanical_q, electrical_q : float
        Free-air values fs, Qms, Qes.
    compliance_volume_m3, box_volume_m3 : float
        Vas and the net volume Vb, in the same unit.

    Returns
    -------
    tuple of float
        Resonance in Hz, mechanical Q and electrical Q in the box; each is the free-air value
        times sqrt(1 + Vas/Vb).

    Notes
    -----
    Losses of the box and the change of air load are left out.

    References
    ----------
    R. H. Small, "Closed-Box Loudspeaker Systems", JAES, 1972/73.
    """
    factor = float(np.sqrt(1.0 + compliance_volume_m3 / box_volume_m3))
    return resonance_hz * factor, mechanical_q * factor, electrical_q * factor


def compute_closed_box(frequency_hz: Real, resonance_hz: float, total_q: float) -> Complex:
    """Compute the closed-box response G(s), a second-order high-pass.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    resonance_hz : float
        Resonance in the box, fc.
    total_q : float
        Total Q in the box, Qtc.

    Returns
    -------
    ndarray, shape (F,), complex
        G, 1 far above resonance.

    References
    ----------
    R. H. Small, "Closed-Box Loudspeaker Systems", JAES, 1972/73.
    """
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / resonance_hz
    return np.asarray(s**2 / (s**2 + s / total_q + 1.0), dtype=np.complex128)


def compute_motional_impedance(
    frequency_hz: Real,
    resistance_ohm: float,
    resonance_hz: float,
    mechanical_q: float,
    electrical_q: float,
) -> Complex:
    """Compute the motional branch of the terminal impedance.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    resistance_ohm : float
        DC resistance Re.
    resonance_hz, mechanical_q, electrical_q : float
        Resonance and Q values as mounted.

    Returns
    -------
    ndarray, shape (F,), complex
        Impedance in ohm; its peak is Re Qm / Qe, at resonance.

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20(5), 1972.
    """
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / resonance_hz
    peak = resistance_ohm * mechanical_q / electrical_q
    branch = peak * (s / mechanical_q) / (s**2 + s / mechanical_q + 1.0)
    return np.asarray(branch, dtype=np.complex128)


def compute_coil_impedance(frequency_hz: Real, coil_k: float, coil_n: float) -> Complex:
    """Compute the lossy inductance of a voice coil, K (jw)^n.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    coil_k : float
        K in ohm s^n; with n = 1 an inductance in H.
    coil_n : float
        Exponent, 0.5 (eddy currents alone) to 1 (lossless).

    Returns
    -------
    ndarray, shape (F,), complex
        Impedance in ohm, of constant phase n 90 degrees.

    References
    ----------
    W. M. Leach, "Loudspeaker Voice-Coil Inductance Losses", JAES 50(6), 2002.
    """
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    impedance = coil_k * omega**coil_n * np.exp(0.5j * np.pi * coil_n)
    return np.asarray(impedance, dtype=np.complex128)


def compute_impedance(frequency_hz: Real, coil: MovingCoil) -> Complex:
    """Compute the terminal impedance: Re, lossy inductance and motional branch in series.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    coil : MovingCoil
        The driver as mounted.

    Returns
    -------
    ndarray, shape (F,), complex
        At the terminals, in ohm.

    References
    ----------
    Small 1972 (motional branch) and Leach 2002 (inductance), as above.
    """
    impedance: Complex = (
        coil.resistance_ohm
        + compute_coil_impedance(frequency_hz, coil.coil_k, coil.coil_n)
        + _motional_of(frequency_hz, coil)
    )
    return impedance


def _motional_of(frequency_hz: Real, coil: MovingCoil) -> Complex:
    return compute_motional_impedance(
        frequency_hz,
        coil.resistance_ohm,
        coil.resonance_hz,
        coil.mechanical_q,
        coil.electrical_q,
    )


def compute_pressure(frequency_hz: Real, coil: MovingCoil) -> Complex:
    """Compute the pressure at 1 m on axis of the driver in an infinite baffle at 2.83 V.

    The diaphragm velocity is the voltage across the motional branch over Bl, so the fall that
    the voice-coil inductance brings is the one its impedance shows.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    coil : MovingCoil
        As it is mounted.

    Returns
    -------
    ndarray, shape (F,), complex
        Pressure in Pa without the travel time of that metre.

    Notes
    -----
    Small source: the diaphragm is small against the wavelength, or it is rigid and the point
    far away. With K = 0 this is rho Sd Bl V / (2 pi Re Mms) times `compute_closed_box`.

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20(5), 1972.
    """
    motional = _motional_of(frequency_hz, coil)
    velocity = TEST_VOLTS * motional / compute_impedance(frequency_hz, coil) / coil.force_factor_tm
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    pressure: Complex = AIR_DENSITY_KG_M3 * coil.area_m2 * s * velocity / (2.0 * np.pi)
    return pressure


def compute_bell(frequency_hz: Real, centre_hz: float, gain_db: float, q: float) -> Complex:
    """Compute a second-order peak or dip, minimum phase and 1 far from its centre.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    centre_hz, gain_db, q : float
        Centre, gain there in dB, and Q of the resonance (of the dip where the gain is
        negative).

    Returns
    -------
    ndarray, shape (F,), complex
        (s^2 + A s / Q + 1) / (s^2 + s / Q + 1), or the reciprocal form for a dip, so that a
        gain and its negative cancel.

    References
    ----------
    Standard second-order section of filter textbooks.
    """
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / centre_hz
    height = 10.0 ** (abs(gain_db) / 20.0)
    bell: Complex = (s**2 + height * s / q + 1.0) / (s**2 + s / q + 1.0)
    return bell if gain_db >= 0.0 else 1.0 / bell


def compute_low_pass(frequency_hz: Real, corner_hz: float, q: float) -> Complex:
    """Compute a second-order low-pass, here for the end of a diaphragm's range.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    corner_hz, q : float
        Corner and Q.

    Returns
    -------
    ndarray, shape (F,), complex
        1 / (s^2 + s / Q + 1).

    Notes
    -----
    One pole pair for the decoupling of cone from coil: our simplification.
    """
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / corner_hz
    return np.asarray(1.0 / (s**2 + s / q + 1.0), dtype=np.complex128)


def compute_diaphragm_directivity(
    frequency_hz: Real, diaphragm_m: float, angle_rad: float, stiff_limit: float = 3.4
) -> Real:
    """Compute the directivity of a diaphragm that stops moving as one at high frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    diaphragm_m : float
        Effective diameter in m.
    angle_rad : float
        Angle from the axis, 0 to pi.
    stiff_limit : float
        Largest k a that the part moving as one reaches.

    Returns
    -------
    ndarray, shape (F,)
        Pressure relative to the axis.

    Notes
    -----
    `piston_directivity` with a radius a / sqrt(1 + (ka / limit)^2): our simplification. A real
    cone decouples at its edge, so the deep nulls of the rigid piston do not appear; with a
    limit below 3.83, the first zero of J1, none is left. Beyond 90 degrees the value at 90
    degrees is held: our simplification too, the baffle shelf takes over there.
    """
    ka = np.pi * np.asarray(frequency_hz, dtype=np.float64) * diaphragm_m / SOUND_SPEED_M_S
    sine = np.sin(min(angle_rad, np.pi / 2.0))
    return piston_directivity(ka / np.sqrt(1.0 + (ka / stiff_limit) ** 2) * sine)
