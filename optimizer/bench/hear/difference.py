"""The difference of two networks as heard, and the filter that makes it.

Music through the filter, played by the speaker as it stands, sounds as it would after the change. On
the axis the difference has its own phase; of an average over directions only the level is known, so
it gets the phase that goes with that level (minimum phase).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.problem.candidate import Candidate
from optimizer.text.brief import brief
from optimizer.text.units import say_hz

Seat = Literal["axis", "room"]
"""Where one listens: on the axis at 1 m, or among the reflections of a room (the average in room)."""

SEATS: tuple[Seat, ...] = get_args(Seat)

MOST_BOOST_DB = 12.0
"""Largest boost of a filter unless another one is stated: it costs sixteen times the power."""

ACCURACY_DB = 0.02
"""How far the filter may be from the difference it stands for, wherever that is known."""

LOUDNESS_HZ = (100.0, 10_000.0)
"""Where the mean of a difference counts as louder or softer, not as another tone."""

_LONGEST_S = 1.4
_TAILS = (1e-9, 1e-11, 1e-13, 0.0)  # share of the energy cut off the ends of a filter
_FADED = 0.125
_LEAST = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What one network plays more or less than another.

    Parameters
    ----------
    place : {"axis", "room"}
        Where one listens.
    frequency_hz : ndarray, shape (F,)
        Where it is known.
    ratio : ndarray, shape (F,)
        Sound after the change over sound before it; real where only levels are known.
    """

    place: Seat
    frequency_hz: Real
    ratio: Complex

    __repr__ = brief

    @property
    def level_db(self) -> Real:
        """Level after the change less that before, shape (F,)."""
        return np.asarray(20.0 * np.log10(np.maximum(np.abs(self.ratio), _LEAST)))

    @property
    def phase_deg(self) -> Real:
        """Phase after the change less that before, shape (F,); 0 where only levels are known."""
        return np.asarray(np.degrees(np.angle(self.ratio)))

    @property
    def loudness_db(self) -> float:
        """Mean level between 100 Hz and 10 kHz over octaves: what level matching takes away."""
        low, high = LOUDNESS_HZ
        heard = (self.frequency_hz >= low) & (self.frequency_hz <= high)
        return float(self.level_db[heard if heard.any() else slice(None)].mean())

    @property
    def boost(self) -> tuple[float, float]:
        """Largest boost over that mean in dB, and its frequency in Hz."""
        at = int(np.argmax(self.level_db))
        return float(self.level_db[at] - self.loudness_db), float(self.frequency_hz[at])

    def filter(self, rate_hz: float, *, most_boost_db: float = MOST_BOOST_DB) -> Filter:
        """Design the filter that makes this difference.

        Parameters
        ----------
        rate_hz : float
            Samples per second.
        most_boost_db : float
            Largest boost over the mean.

        Returns
        -------
        Filter

        Raises
        ------
        InputError
            When the difference asks for more boost.

        Notes
        -----
        Sampled in frequency and transformed back (A. V. Oppenheim and R. W. Schafer, Discrete-Time
        Signal Processing, from memory), level and phase interpolated over the logarithm of frequency
        and held beyond the ends of what is known. The ends are cut where no more than a billionth of
        the energy is left and faded, less if that would cost more than `ACCURACY_DB`.
        """
        boost, at_hz = self.boost
        if boost > most_boost_db:
            raise InputError(
                f"the difference may ask for a boost of {most_boost_db:g} dB at most: a dip of the "
                "network as it stands cannot be filled by playing louder",
                subject=Subject("difference", part="boost"),
                value=f"{boost:.1f} dB at {say_hz(at_hz)}",
                remedy="listen in the room instead of on the axis, exchange the two networks, or "
                "allow more",
            )
        count = 2 ** int(np.ceil(np.log2(_LONGEST_S * rate_hz)))
        whole, early = self._sample(count, rate_hz)
        for tail in _TAILS:
            made = _cut(whole, early, tail, rate_hz)
            if self._misses_db(made) <= ACCURACY_DB:
                break
        return made

    def _sample(self, count: int, rate_hz: float) -> tuple[Real, int]:
        """Taps of a whole block, and where in it time is zero."""
        from scipy.interpolate import PchipInterpolator

        f = np.fft.rfftfreq(count, 1.0 / rate_hz)
        octave = np.log2(np.clip(f, self.frequency_hz[0], self.frequency_hz[-1]))
        known = np.log2(self.frequency_hz)
        level = PchipInterpolator(known, np.log(np.maximum(np.abs(self.ratio), _LEAST)))(octave)
        if self.place == "room":
            return _minimum_phase(level, count), 0
        turned = np.unwrap(np.angle(self.ratio))
        phase = PchipInterpolator(known, turned)(octave)
        # A real filter has a phase of 0 or 180 degrees at both ends: it gets there in straight lines.
        low, high = f < self.frequency_hz[0], f > self.frequency_hz[-1]
        ends = [np.pi * np.round(turned[k] / np.pi) for k in (0, -1)]
        phase[low] = np.interp(f[low], [0.0, self.frequency_hz[0]], [ends[0], turned[0]])
        phase[high] = np.interp(f[high], [self.frequency_hz[-1], f[-1]], [turned[-1], ends[1]])
        early = count // 4
        late = np.exp(-2j * np.pi * f * early / rate_hz)
        return np.fft.irfft(np.exp(level + 1j * phase) * late, count), early

    def _misses_db(self, made: Filter) -> float:
        """How far a filter is from the difference, levels and what phases make of them."""
        inside = self.frequency_hz < 0.45 * made.rate_hz
        response = made.response(self.frequency_hz[inside])
        ratio = self.ratio[inside]
        if self.place == "room":
            response = np.abs(response)
        error = np.abs(response - ratio) / np.maximum(np.abs(ratio), _LEAST)
        return float(20.0 * np.log10(1.0 + error.max()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """A difference as a filter of samples.

    Parameters
    ----------
    rate_hz : float
        Samples per second.
    taps : ndarray, shape (N,)
        Its answer to a single sample of 1.
    early : int
        Tap at which time is zero: what comes before it lies ahead of the sound.
    """

    rate_hz: float
    taps: Real
    early: int

    __repr__ = brief

    def response(self, frequency_hz: Real) -> Complex:
        """Its response at some frequencies in Hz, shape (F,), counted from `early`."""
        from scipy.signal import freqz

        _, response = freqz(self.taps, worN=frequency_hz, fs=self.rate_hz)
        turn = np.exp(2j * np.pi * frequency_hz * self.early / self.rate_hz)
        return np.asarray(response * turn)

    def apply(self, samples: Real) -> Real:
        """Filter music, shape (N, channels); as long as before and in step with it."""
        from scipy.signal import oaconvolve

        whole = oaconvolve(samples, self.taps[:, None], axes=0)
        return np.asarray(whole[self.early : self.early + len(samples)])


def find_difference(before: Candidate, after: Candidate, place: Seat = "axis") -> Difference:
    """Find what one network plays more or less than another.

    Parameters
    ----------
    before, after : Candidate
        The network that is played through, and the one that shall be heard.
    place : {"axis", "room"}
        Where one listens.

    Returns
    -------
    Difference

    Raises
    ------
    InputError
        When the place is not known of these drivers.
    """
    old, new = before.curves, after.curves
    f = np.asarray(old.frequency_hz)
    if place == "axis":
        if old.way_pressure is None or new.way_pressure is None:
            raise InputError(
                "a difference on the axis needs the responses of all drivers there",
                subject=Subject("difference", part="place"),
                value="none",
                remedy="listen in the room instead",
            )
        sums = [np.asarray(c.way_pressure).sum(axis=0) for c in (old, new)]
        ratio = sums[1] / np.where(np.abs(sums[0]) > 0.0, sums[0], _LEAST)
        return Difference(place=place, frequency_hz=f, ratio=np.asarray(ratio))
    levels = [c.named_db.get("in_room") for c in (old, new)]
    if levels[0] is None or levels[1] is None:
        raise InputError(
            "a difference in the room needs responses beside the axis",
            subject=Subject("difference", part="place"),
            value="none",
            remedy="listen on the axis instead",
        )
    ratio = 10.0 ** ((levels[1] - levels[0]) / 20.0)
    return Difference(place=place, frequency_hz=f, ratio=ratio.astype(np.complex128))


def _minimum_phase(log_level: Real, count: int) -> Real:
    """Taps of the filter of this level that answers soonest (folded cepstrum)."""
    cepstrum = np.fft.irfft(log_level, count)
    cepstrum[1 : count // 2] *= 2.0
    cepstrum[count // 2 + 1 :] = 0.0
    return np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), count)


def _cut(whole: Real, early: int, tail: float, rate_hz: float) -> Filter:
    """Cut off the ends of a block where hardly any energy is, and fade what is left there."""
    energy = np.cumsum(whole**2)
    least = tail * energy[-1]
    first = int(np.searchsorted(energy, least, side="right"))
    last = int(np.searchsorted(energy, energy[-1] - least)) + 1 if tail > 0.0 else len(whole)
    first, last = min(first, early), max(last, early + 2)
    taps = whole[first:last].copy()
    for side, room in ((slice(None), early - first), (slice(None, None, -1), last - early)):
        fade = int(_FADED * room)
        taps[side][:fade] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    return Filter(rate_hz=rate_hz, taps=taps, early=early - first)
