"""Measurement files of invented drivers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from optimizer.arrays import Real

FILE_HZ = np.geomspace(20.0, 20_000.0, 61)
"""Frequencies of these files: six in each octave of the audible range."""
FILE_HZ.setflags(write=False)


def write_curve(
    path: Path, size: ArrayLike, phase_deg: ArrayLike | None = 0.0, frequency_hz: Real = FILE_HZ
) -> Path:
    """Write a measured curve as three columns of text, or as two without a phase.

    Parameters
    ----------
    path : Path
        The file.
    size : array_like
        Level in dB or modulus in ohm; one number stands for all frequencies.
    phase_deg : array_like, optional
        Phase in degrees.
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.

    Returns
    -------
    Path
        The file.
    """
    columns = [frequency_hz, size] if phase_deg is None else [frequency_hz, size, phase_deg]
    rows = np.column_stack([np.broadcast_to(column, frequency_hz.shape) for column in columns])
    np.savetxt(path, rows, fmt="%.6f")
    return path


def write_driver(
    folder: Path,
    name: str,
    *,
    level_db: ArrayLike = 87.0,
    ohm: ArrayLike = 8.0,
    frequency_hz: Real = FILE_HZ,
) -> None:
    """Write the response and the impedance of a driver: ``NAME.txt`` and ``NAME_z.txt``.

    Parameters
    ----------
    folder : Path
        Where to.
    name : str
        The driver.
    level_db : array_like
        Level on axis in dB; complex values are pressures, from which the phase is written too.
    ohm : array_like
        Impedance in ohm, real or complex.
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    """
    level, load = np.asarray(level_db), np.asarray(ohm)
    if np.iscomplexobj(level):
        size, phase = 20.0 * np.log10(np.abs(level)), np.degrees(np.angle(level))
    else:
        size, phase = level, np.zeros(())
    write_curve(folder / f"{name}.txt", size, phase, frequency_hz)
    turn = np.degrees(np.angle(load))
    write_curve(folder / f"{name}_z.txt", np.abs(load), turn, frequency_hz)
