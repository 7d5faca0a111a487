"""Impulse responses as WAV against digital filters of known response (scipy.signal.freqz)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import butter, freqz, lfilter

from optimizer.errors import InputError
from optimizer.measure.files import open_curve
from optimizer.measure.files.folder import read_folder

RATE = 48000


def write_impulse(path, *, delay_s=0.003, reflection_s=None, dtype=np.float32, length_s=0.2):
    """A band-pass between 300 Hz and 8 kHz, late by a flight time, with one reflection."""
    impulse = np.zeros(int(RATE * length_s))
    impulse[int(RATE * delay_s)] = 0.5
    if reflection_s is not None:
        impulse[int(RATE * (delay_s + reflection_s))] += 0.25
    b, a = butter(2, [300, 8000], "band", fs=RATE)
    samples = lfilter(b, a, impulse)
    if np.issubdtype(dtype, np.integer):
        samples = np.round(samples * np.iinfo(dtype).max)
    wavfile.write(path, RATE, samples.astype(dtype))
    return b, a


def true_value(b, a, frequency, delay_s):
    _, value = freqz(b, a, worN=frequency, fs=RATE)
    return 0.5 * value * np.exp(-2j * np.pi * frequency * delay_s)


@pytest.mark.parametrize("dtype", [np.float32, np.int16, np.int32])
def test_transform_meets_the_filter(tmp_path, dtype):
    """Level within 0.05 dB and phase within 1 degree, time of flight kept in the phase."""
    b, a = write_impulse(tmp_path / "woofer.wav", dtype=dtype)
    read = open_curve(tmp_path / "woofer.wav")
    f = read.frequency_hz
    inside = (f > 150) & (f < 15000)  # quantisation of 16 bits shows below
    ratio = read.value / true_value(b, a, f, 0.003)
    assert np.abs(20 * np.log10(np.abs(ratio[inside]))).max() < 0.05
    assert np.rad2deg(np.abs(np.angle(ratio[inside]))).max() < 1.0
    assert not any("delay removed" in note for note in read.notes)
    slope = np.polyfit(f[inside], read.phase_rad[inside], 1)[0]
    assert -slope / (2 * np.pi) == pytest.approx(0.003, abs=2e-4)


@pytest.mark.parametrize("delay_s", [0.0, 0.0004])
def test_a_file_may_begin_with_the_impulse(tmp_path, delay_s):
    """Nothing is faded where the file holds less than 1 ms before the peak: within 0.05 dB."""
    b, a = write_impulse(tmp_path / "woofer.wav", delay_s=delay_s)
    read = open_curve(tmp_path / "woofer.wav")
    f = read.frequency_hz
    inside = (f > 150) & (f < 15000)
    ratio = read.value / true_value(b, a, f, delay_s)
    assert np.abs(20 * np.log10(np.abs(ratio[inside]))).max() < 0.05


def test_gate_ends_before_the_reflection(tmp_path):
    """A reflection after 5 ms gates at just under 5 ms: valid from a little above 200 Hz."""
    b, a = write_impulse(tmp_path / "woofer.wav", reflection_s=0.005)
    read = open_curve(tmp_path / "woofer.wav")
    assert 0.0040 < read.gate_s < 0.0050
    assert read.frequency_hz[0] == pytest.approx(1 / read.gate_s)
    f = read.frequency_hz
    inside = (f > 600) & (f < 12000)
    error = 20 * np.log10(np.abs(read.value / true_value(b, a, f, 0.003)))
    assert np.abs(error[inside]).max() < 0.5


def test_ungated_reflection_would_comb(tmp_path):
    """The gate is what removes the comb: with a gate of 50 ms it is there."""
    b, a = write_impulse(tmp_path / "woofer.wav", reflection_s=0.005)
    read = open_curve(tmp_path / "woofer.wav", gate_s=0.05)
    f = read.frequency_hz
    inside = (f > 600) & (f < 12000)
    error = 20 * np.log10(np.abs(read.value / true_value(b, a, f, 0.003)))
    assert np.abs(error[inside]).max() > 3.0


def test_late_impulse_has_its_delay_removed(tmp_path):
    """An impulse in the middle of a recording is brought to the start, and that is said."""
    write_impulse(tmp_path / "woofer.wav", delay_s=0.1)
    read = open_curve(tmp_path / "woofer.wav")
    _, samples = wavfile.read(tmp_path / "woofer.wav")
    peak_s = np.argmax(np.abs(samples)) / RATE
    assert f"{peak_s * 1e3:.2f} ms of delay removed from the phase" in read.notes
    f = read.frequency_hz
    slope = np.polyfit(f[f < 15000], read.phase_rad[f < 15000], 1)[0]
    assert abs(slope / (2 * np.pi)) < 2e-4


def test_two_channels_and_clipping_are_said(tmp_path):
    """Of two channels the first is used; samples at full scale are called out."""
    samples = np.zeros((4000, 2), dtype=np.int16)
    samples[100:110, 0] = 32767
    wavfile.write(tmp_path / "x.wav", RATE, samples)
    notes = open_curve(tmp_path / "x.wav").notes
    assert any("channels" in note for note in notes)
    assert any("clipped" in note for note in notes)


def test_bad_recordings_are_input_errors(tmp_path):
    """Silence, noise bytes, a missing file and too short a gate are input errors."""
    wavfile.write(tmp_path / "silent.wav", RATE, np.zeros(4000, dtype=np.int16))
    (tmp_path / "noise.wav").write_bytes(b"RIFF" + bytes(200))
    for name in ("silent.wav", "noise.wav", "missing.wav"):
        with pytest.raises(InputError):
            open_curve(tmp_path / name)
    write_impulse(tmp_path / "good.wav")
    with pytest.raises(InputError, match="two octaves"):
        open_curve(tmp_path / "good.wav", gate_s=1e-5)


def test_recordings_are_recognised_in_a_folder(tmp_path):
    """WAV files are responses like any other, with their gate."""
    write_impulse(tmp_path / "woofer.wav", reflection_s=0.005)
    write_impulse(tmp_path / "tweeter hor 30.wav")
    folder = read_folder(tmp_path)
    assert set(folder.drivers) == {"woofer", "tweeter"}
    assert folder.drivers["woofer"].responses
    gate = next(iter(folder.drivers["woofer"].responses.values())).gate_s
    assert gate == pytest.approx(0.0047, abs=4e-4)
