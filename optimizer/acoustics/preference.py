"""The preference score of Olive (2004): a figure to report, not a goal to chase.

S. E. Olive, "A Multiple Regression Model for Predicting Loudspeaker Preference Using Objective
Measurements: Part II", AES convention paper 6190 (2004). The formula was seen in quotation; the
definitions of its four variables are from memory and agree with each other, the paper itself was
not at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real

_POINTS_PER_OCTAVE = 20.0
NARROW_BAND_HZ = (100.0, 12_000.0)
SMOOTHNESS_HZ = (100.0, 16_000.0)
BASS_HZ = 300.0
MIDRANGE_HZ = (300.0, 10_000.0)

VALIDITY = (
    "Olive score (2004): fitted to listening tests of 70 loudspeakers measured in an anechoic "
    "chamber in 70 directions; a difference of less than about 1 says nothing, and it counts "
    "bass, which no crossover changes. It is no goal here."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceScore:
    """The score and what it is made of.

    Parameters
    ----------
    score : float
        12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 LFX + 2.32 SM_PIR.
    narrow_band_on_axis_db, narrow_band_in_room_db : float
        NBD: mean absolute deviation from the mean of each half-octave band.
    bass_limit_hz : float
        LFX is its decimal logarithm: first frequency below 300 Hz at which sound power is 6 dB
        below the listening window's mean.
    smoothness_in_room : float
        SM: r squared of the in-room curve against a line over log frequency.
    bass_found : bool
        False when sound power never falls that far on the grid: its lowest frequency stands in.
    """

    score: float
    narrow_band_on_axis_db: float
    narrow_band_in_room_db: float
    bass_limit_hz: float
    smoothness_in_room: float
    bass_found: bool


def combine_preference(
    narrow_band_on_axis_db: float,
    narrow_band_in_room_db: float,
    bass_limit_hz: float,
    smoothness_in_room: float,
) -> float:
    """Combine the four variables to the score, see `PreferenceScore`."""
    return (
        12.69
        - 2.49 * narrow_band_on_axis_db
        - 2.99 * narrow_band_in_room_db
        - 4.31 * float(np.log10(bass_limit_hz))
        + 2.32 * smoothness_in_room
    )


def narrow_band_deviation_db(frequency_hz: Real, level_db: Real) -> float:
    """Mean over half-octave bands of the mean absolute deviation from each band's own level.

    Parameters
    ----------
    frequency_hz, level_db : ndarray, shape (F,)
        A curve; it is resampled to 20 points per octave.

    Returns
    -------
    float
        In dB. Bands start at 100 Hz, the last one ends at 12 kHz.
    """
    low, high = NARROW_BAND_HZ
    count = int(np.floor(_POINTS_PER_OCTAVE * np.log2(high / low))) + 1
    octaves = np.arange(count) / _POINTS_PER_OCTAVE
    level = np.interp(np.log(low) + octaves * np.log(2.0), np.log(frequency_hz), level_db)
    band = np.floor(2.0 * octaves + 1e-9).astype(int)
    return float(
        np.mean(
            [
                np.mean(np.abs(level[band == b] - level[band == b].mean()))
                for b in range(band[-1] + 1)
            ]
        )
    )


def straightness(frequency_hz: Real, level_db: Real) -> float:
    """Return r squared of a curve against log frequency, 100 Hz to 16 kHz; 0 for a flat one."""
    inside = (frequency_hz >= SMOOTHNESS_HZ[0]) & (frequency_hz <= SMOOTHNESS_HZ[1])
    x, y = np.log(frequency_hz[inside]), level_db[inside]
    x, y = x - x.mean(), y - y.mean()
    spread = float((x @ x) * (y @ y))
    return float((x @ y) ** 2 / spread) if spread > 1e-18 else 0.0


def find_bass_limit(
    frequency_hz: Real, sound_power_db: Real, listening_window_db: Real
) -> tuple[float, bool]:
    """Find where sound power falls 6 dB below the listening window's mean, from 300 Hz down.

    Parameters
    ----------
    frequency_hz, sound_power_db, listening_window_db : ndarray, shape (F,)
        Curves on one grid.

    Returns
    -------
    frequency : float
        In Hz, interpolated in log frequency; the lowest of the grid when it never falls so far.
    found : bool
    """
    inside = (frequency_hz >= MIDRANGE_HZ[0]) & (frequency_hz <= MIDRANGE_HZ[1])
    wanted = float(listening_window_db[inside].mean()) - 6.0
    low = np.flatnonzero((frequency_hz < BASS_HZ) & (sound_power_db <= wanted))
    if not len(low):
        return float(frequency_hz[0]), False
    k = int(low[-1])
    if k + 1 == len(frequency_hz):
        return float(frequency_hz[k]), True
    below, above = sound_power_db[k] - wanted, sound_power_db[k + 1] - wanted
    share = 0.0 if above <= below else float(-below / (above - below))
    x = np.log(frequency_hz)
    return float(np.exp(x[k] + min(share, 1.0) * (x[k + 1] - x[k]))), True


def score_preference(
    frequency_hz: Real,
    *,
    on_axis_db: Real,
    listening_window_db: Real,
    sound_power_db: Real,
    in_room_db: Real,
) -> PreferenceScore:
    """Compute the score from named curves.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid in Hz; it should reach from the bass to 16 kHz.
    on_axis_db, listening_window_db, sound_power_db, in_room_db : ndarray, shape (F,)
        Levels.

    Returns
    -------
    PreferenceScore
    """
    on_axis = narrow_band_deviation_db(frequency_hz, on_axis_db)
    in_room = narrow_band_deviation_db(frequency_hz, in_room_db)
    bass, found = find_bass_limit(frequency_hz, sound_power_db, listening_window_db)
    smooth = straightness(frequency_hz, in_room_db)
    return PreferenceScore(
        score=combine_preference(on_axis, in_room, bass, smooth),
        narrow_band_on_axis_db=on_axis,
        narrow_band_in_room_db=in_room,
        bass_limit_hz=bass,
        smoothness_in_room=smooth,
        bass_found=found,
    )
