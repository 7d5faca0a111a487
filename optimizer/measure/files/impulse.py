"""Impulse responses as WAV files: window, gate, transform, valid range."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from io import BytesIO
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.measure.curve import FileHeading, MeasuredCurve
from optimizer.measure.files.extras import load_extra
from optimizer.text.units import say_hz

IMPULSE = "impulse response"
"""Stands for the heading of a file that holds one."""
LONGEST_RECORDING_S = 30.0
SAMPLE_RATES_HZ = (8e3, 1e6)
LEAD_S = 0.001
"""Kept before the peak where the file reaches so far; a half cosine fades it in."""
FADE = 0.25
"""Share of the gate faded out by a half cosine."""
LONGEST_GATE_S = 0.1
REFLECTION_DB = -20.0
"""A later arrival this strong against the direct sound ends the gate."""
DIRECT_S = 0.0015
"""Time after the peak that belongs to the driver itself."""
_POINTS_PER_OCTAVE = 48
_WAV = (b"RIFF", b"RIFX", b"RF64")
LATEST_KEPT_S = 0.02


def is_recording(name: str, raw: bytes) -> bool:
    """Whether a file is a recording: by its first bytes, or else by its name."""
    return raw.startswith((*_WAV, b"fLaC")) or name.lower().endswith((".wav", ".wave", ".flac"))


def read_recording(raw: bytes, *, gate_s: float | None = None) -> MeasuredCurve:
    """Gate the impulse response in a WAV or FLAC file and transform it.

    Parameters
    ----------
    raw : bytes
        The file: integer or float samples; of several channels the first is used.
    gate_s : float, optional
        Time from the peak to the end of the window. Default: up to the first reflection found.

    Returns
    -------
    MeasuredCurve
        Level relative to full scale, from 1 / `gate_s` upwards: one whole period must fit into
        the gate. A late impulse has its delay taken out of the phase, and `notes` says so.

    Raises
    ------
    InputError
        Not such a file, too long, silent, or a gate that leaves less than two octaves.
    """
    rate, samples, notes = _read_samples(raw)
    kind = "WAV" if raw.startswith(_WAV) else "FLAC"
    return transform_impulse(samples, rate, gate_s=gate_s, notes=notes, kind=kind)


def transform_impulse(
    samples: Real,
    rate: float,
    *,
    gate_s: float | None = None,
    notes: Sequence[str] = (),
    kind: str = "impulse response",
) -> MeasuredCurve:
    """Gate an impulse response and transform it.

    Parameters
    ----------
    samples : ndarray, shape (N,)
        Impulse response.
    rate : float
        Samples per second.
    gate_s : float, optional
        Time from the peak to the end of the window. Default: up to the first reflection found.
    notes : sequence of str
        What was noticed before.
    kind : str
        What kind of file it comes from.

    Returns
    -------
    MeasuredCurve

    Raises
    ------
    InputError
        The gate leaves less than two octaves.

    Notes
    -----
    The window rises over 1 ms before the peak, where the file has as much, and falls over the
    last quarter of the gate, both as half cosines. A gate of T seconds resolves nothing below
    1/T, so the response starts there: 5 ms give 200 Hz.
    """
    notes = list(notes)
    peak = int(np.argmax(np.abs(samples)))
    if gate_s is None:
        gate_s, why = find_gate(samples, rate)
        notes.append(why)
    available = (len(samples) - peak) / rate
    gate = min(gate_s, available, LONGEST_GATE_S)
    highest = min(20000.0, 0.45 * rate)
    if not gate > 4.0 / highest:
        raise InputError(
            "the gate must leave two octaves",
            value=f"{gate * 1e3:.3g} ms",
            remedy="use a longer gate, or a recording that does not end after the peak",
        )
    windowed, first = _apply_window(samples, peak, rate, gate)
    peak_s = peak / rate
    kept = peak_s <= LATEST_KEPT_S
    removed = 0.0 if kept else peak_s
    frequency = _grid(1.0 / gate, highest, peak_s if kept else gate)
    value = _transform(windowed, first / rate - removed, rate, frequency)
    notes.append(f"gate {gate * 1e3:.2f} ms from the peak: valid from {say_hz(1.0 / gate)}")
    if removed:
        notes.append(f"{removed * 1e3:.2f} ms of delay removed from the phase")
    for array in (frequency, value):
        array.setflags(write=False)
    return MeasuredCurve(
        frequency_hz=frequency,
        value=value,
        quantity="pressure",
        gate_s=gate,
        heading=FileHeading(quantity="pressure", line=IMPULSE),
        layout=f"{kind}, {rate:g} samples per second",
        notes=tuple(notes),
    )


def find_gate(samples: Real, rate: float) -> tuple[float, str]:
    """Find the time from the peak to the first reflection.

    Parameters
    ----------
    samples : ndarray, shape (N,)
        Impulse response.
    rate : float
        Samples per second.

    Returns
    -------
    float
        Gate in s, a quarter of a millisecond short of the reflection.
    str
        What was found, in words.

    Notes
    -----
    The envelope is the energy above about 1 kHz in a sliding quarter of a millisecond. An
    arrival counts as a reflection when it rises to -20 dB of the direct sound after the
    envelope had fallen at least 6 dB below that arrival.
    """
    peak = int(np.argmax(np.abs(samples)))
    edge = np.diff(samples, prepend=samples[0])  # stresses high frequencies: sharp arrivals
    width = max(int(rate * 0.00025), 1)
    energy = np.convolve(edge**2, np.ones(width) / width, "same")
    direct = energy[max(peak - width, 0) : peak + width].max()
    start = peak + int(rate * DIRECT_S)
    stop = min(len(samples), peak + int(rate * LONGEST_GATE_S))
    limit = direct * 10.0 ** (REFLECTION_DB / 10.0)
    lowest = np.inf
    for index in range(start, stop):
        lowest = min(lowest, float(energy[index]))
        if energy[index] >= limit and energy[index] > 4.0 * lowest:
            gate = (index - peak) / rate - 0.00025
            return gate, f"first reflection found {gate * 1e3 + 0.25:.2f} ms after the peak"
    gate = (stop - peak) / rate
    return gate, "no reflection found: the whole recording is used"


def _read_samples(raw: bytes) -> tuple[float, Real, list[str]]:
    notes: list[str] = []
    try:
        rate, data = _read_flac(raw) if raw.startswith(b"fLaC") else _read_wav(raw)
    except InputError:
        raise
    except Exception as error:  # scipy raises many kinds for damaged files
        raise InputError(
            "a sound recording could not be read as WAV or FLAC",
            value=str(error)[:80] or type(error).__name__,
            remedy="export the impulse response as mono WAV, 16, 24 or 32 bit",
        ) from None
    low, high = SAMPLE_RATES_HZ
    if not low <= rate <= high:
        raise InputError(
            f"an impulse response has {low:g} to {high:g} samples per second",
            value=f"{rate:g}",
            remedy="export the impulse response again",
        )
    data = np.asarray(data)
    if data.ndim == 2:
        if data.shape[1] > 1:
            notes.append(f"first of {data.shape[1]} channels used")
        data = data[:, 0]
    if data.size < 64 or data.size > LONGEST_RECORDING_S * rate:
        raise InputError(
            "an impulse response must be longer than 64 samples and shorter than "
            f"{LONGEST_RECORDING_S:g} s",
            value=f"{data.size / max(rate, 1):.3g} s",
            remedy="cut the recording around the impulse, or name another file",
        )
    samples = data.astype(np.float64)
    if np.issubdtype(data.dtype, np.integer):
        info = np.iinfo(data.dtype)
        samples = (samples - (info.max + 1) / 2) if info.min == 0 else samples
        samples = samples / (float(info.max) - (float(info.max) / 2 if info.min == 0 else 0.0))
    if not np.isfinite(samples).all() or not np.abs(samples).max() > 1e-9:
        raise InputError(
            "an impulse response must not be silent or damaged",
            remedy="export the impulse response again",
        )
    at_limit = np.count_nonzero(np.abs(samples) >= 0.9999 * np.abs(samples).max())
    if at_limit >= 4 and np.abs(samples).max() > 0.99:
        notes.append(f"{at_limit} samples at full scale: probably clipped")
    return float(rate), samples, notes


def _read_wav(raw: bytes) -> tuple[float, NDArray[Any]]:
    from scipy.io import wavfile

    _check_complete(raw)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # unknown chunks are no fault of the user
        rate, data = wavfile.read(BytesIO(raw))
    return float(rate), np.asarray(data)


def _check_complete(raw: bytes) -> None:
    """Refuse a WAV file that ends before its samples do: the library reads what is left of it."""
    order: Literal["little", "big"] = "big" if raw.startswith(b"RIFX") else "little"
    place = 12
    while place + 8 <= len(raw):
        name, size = raw[place : place + 4], int.from_bytes(raw[place + 4 : place + 8], order)
        there = len(raw) - place - 8
        # Programs that do not know the length beforehand leave 0 or all ones.
        if name == b"data" and there < size < 0xFFFFFFF0:
            raise InputError(
                "the recording is cut off: it ends before its samples do",
                value=f"{there} of {size} bytes",
                remedy="export or copy the file again",
            )
        place += 8 + size + size % 2


def _read_flac(raw: bytes) -> tuple[float, NDArray[Any]]:
    data, rate = load_extra("soundfile", "FLAC").read(BytesIO(raw))
    return float(rate), np.asarray(data)


def _apply_window(samples: Real, peak: int, rate: float, gate: float) -> tuple[Real, int]:
    lead = min(int(LEAD_S * rate), peak)
    length = int(gate * rate)
    fade = max(int(FADE * length), 1)
    window = np.ones(lead + length)
    if peak >= int(LEAD_S * rate):  # a file that begins with the impulse has nothing to fade
        window[:lead] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(lead) + 0.5) / max(lead, 1))
    window[-fade:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    piece = samples[peak - lead : peak + length]
    return piece * window[: len(piece)], peak - lead


def _grid(low: float, high: float, delay: float) -> Real:
    """Logarithmic, but dense enough that phase turns less than an eighth between points."""
    step = 2.0 ** (1.0 / _POINTS_PER_OCTAVE) - 1.0
    widest = 1.0 / (8.0 * max(delay, 1e-4))
    points = [low]
    while points[-1] < high:
        points.append(points[-1] + min(points[-1] * step, widest))
    return np.array([p for p in points if p <= high])


def _transform(samples: Real, start_s: float, rate: float, frequency: Real) -> Complex:
    """Fourier sum at the wanted frequencies, in blocks that stay in cache."""
    time = start_s + np.arange(len(samples)) / rate
    value = np.empty(len(frequency), dtype=np.complex128)
    for first in range(0, len(frequency), 64):
        block = frequency[first : first + 64]
        value[first : first + 64] = np.exp(-2j * np.pi * block[:, None] * time) @ samples
    return value
