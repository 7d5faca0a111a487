"""Music as it is and as it would sound: read, filtered, level-matched, kept within full scale."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.hear.difference import Filter
from optimizer.errors import InputError
from optimizer.measure.files.extras import load_extra
from optimizer.text.brief import brief
from optimizer.text.reading import read_file

LARGEST_MUSIC_BYTES = 600_000_000
LONGEST_S = 1_200.0
SHORTEST_S = 1.0
RATES_HZ = (16_000, 400_000)
PEAK_DB = -1.0
"""Highest true peak that is written, dB of full scale (the maximum of EBU R 128, 2020)."""

_OVERSAMPLED = 4  # ITU-R BS.1770, annex 2
_EXTRA = "hear"
_DEEPEST_DB = -70.0  # absolute gate of ITU-R BS.1770: what is softer has no loudness


@dataclass(frozen=True, slots=True, kw_only=True)
class Music:
    """Samples of a recording.

    Parameters
    ----------
    rate_hz : int
        Samples per second.
    samples : ndarray, shape (N, C)
        Of full scale 1; one channel or two.
    """

    rate_hz: int
    samples: Real

    __repr__ = brief

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Music before and after a change, equally loud.

    Parameters
    ----------
    before, after : Music
        Ready to be written.
    loudness : tuple of float
        Of both before they were matched, in LUFS.
    matched_db : float
        Gain of the one after the change that makes them equally loud.
    headroom_db : float
        Gain of both that keeps peaks within full scale, 0 or less.
    """

    before: Music
    after: Music
    loudness: tuple[float, float]
    matched_db: float
    headroom_db: float

    __repr__ = brief


def read_music(path: str | Path, excerpt_s: tuple[float, float] | None = None) -> Music:
    """Read a WAV or FLAC file.

    Parameters
    ----------
    path : path-like
        The file.
    excerpt_s : tuple of float, optional
        Beginning and end of what is used, in seconds.

    Returns
    -------
    Music

    Raises
    ------
    InputError
        No such file, no music, more than two channels, too short, too long, silent.
    """
    raw = read_file(
        path, "music file", largest=LARGEST_MUSIC_BYTES, smaller="name a shorter recording"
    )
    return decode_music(raw, path, excerpt_s)


def decode_music(
    raw: bytes, path: str | Path, excerpt_s: tuple[float, float] | None = None
) -> Music:
    """Read what a WAV or FLAC file holds; `path` is what messages call it, else as `read_music`."""
    sound = load_extra("soundfile", "music", extra=_EXTRA)
    try:
        with sound.SoundFile(BytesIO(raw)) as file:
            rate, channels, frames = file.samplerate, file.channels, file.frames
            first, last = 0, frames
            if excerpt_s is not None:
                first, last = (min(round(s * rate), frames) for s in excerpt_s)
            _check(path, rate, channels, (last - first) / rate)
            file.seek(first)
            samples = file.read(last - first, dtype="float64", always_2d=True)
    except InputError:
        raise
    except Exception as error:  # the library raises its own kind, and others for damaged files
        raise InputError(
            "the music could not be read as WAV or FLAC",
            file=path,
            value=str(error)[:80] or type(error).__name__,
            remedy="export it again, as WAV of 16 or 24 bit",
        ) from None
    if not np.isfinite(samples).all() or not np.abs(samples).max(initial=0.0) > 1e-5:
        raise InputError(
            "the music must not be silent or damaged",
            file=path,
            remedy="choose another excerpt or file",
        )
    return Music(rate_hz=int(rate), samples=samples)


def _check(path: str | Path, rate: int, channels: int, seconds: float) -> None:
    if not RATES_HZ[0] <= rate <= RATES_HZ[1]:
        raise InputError(
            f"music has {RATES_HZ[0]:g} to {RATES_HZ[1]:g} samples per second",
            file=path,
            value=f"{rate:g}",
            remedy="export it again at 44100 or 48000",
        )
    if channels > 2:
        raise InputError(
            "music has one channel or two",
            file=path,
            value=f"{channels}",
            remedy="mix it down to two",
        )
    if not SHORTEST_S <= seconds <= LONGEST_S:
        raise InputError(
            f"at least {SHORTEST_S:g} s and at most {LONGEST_S:g} s of music are needed",
            file=path,
            value=f"{seconds:.3g} s",
            remedy="choose an excerpt of it",
        )


def match(music: Music, filtered: Filter) -> Matched:
    """Filter music, and make both equally loud and low enough.

    Parameters
    ----------
    music : Music
        As it is.
    filtered : Filter
        At the same rate.

    Returns
    -------
    Matched

    Notes
    -----
    Loudness is that of ITU-R BS.1770-4, by pyloudnorm; peaks are true peaks of its annex 2, four
    times oversampled.
    """
    changed = filtered.apply(music.samples)
    loudness = tuple(_loudness(music.rate_hz, one) for one in (music.samples, changed))
    if min(loudness) < _DEEPEST_DB:
        raise InputError(
            "the music must be loud enough to have a loudness",
            value=f"{min(loudness):.0f} LUFS",
            remedy="choose another excerpt or file",
        )
    gain = loudness[0] - loudness[1]
    changed = changed * 10.0 ** (gain / 20.0)
    peak = max(_true_peak_db(one) for one in (music.samples, changed))
    headroom = min(0.0, PEAK_DB - peak)
    low = 10.0 ** (headroom / 20.0)
    return Matched(
        before=Music(rate_hz=music.rate_hz, samples=low * music.samples),
        after=Music(rate_hz=music.rate_hz, samples=low * changed),
        loudness=(loudness[0], loudness[1]),
        matched_db=gain,
        headroom_db=headroom,
    )


def encode(music: Music) -> bytes:
    """Write music as a WAV file of 24 bit."""
    sound = load_extra("soundfile", "music", extra=_EXTRA)
    stream = BytesIO()
    sound.write(stream, music.samples, music.rate_hz, format="WAV", subtype="PCM_24")
    return stream.getvalue()


def encode_taps(made: Filter) -> bytes:
    """Write a filter as a WAV file of 32 bit floating point, as convolvers read it."""
    from scipy.io import wavfile

    stream = BytesIO()
    wavfile.write(stream, round(made.rate_hz), made.taps.astype(np.float32))
    return stream.getvalue()


def _loudness(rate: int, samples: Real) -> float:
    meter: Any = load_extra("pyloudnorm", "the loudness of music", extra=_EXTRA).Meter(rate)
    return float(meter.integrated_loudness(samples))


def _true_peak_db(samples: Real) -> float:
    from scipy.signal import resample_poly

    peak = max(
        float(np.abs(resample_poly(channel, _OVERSAMPLED, 1)).max()) for channel in samples.T
    )
    return float(20.0 * np.log10(max(peak, 1e-9)))
