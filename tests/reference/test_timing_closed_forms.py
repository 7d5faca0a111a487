"""Delay recovery on closed-form filters (scipy.signal's analogue Butterworth designs)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqs

from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.timing.align import align_responses
from optimizer.measure.timing.timing import find_timing
from tests.conftest import cases

FREQUENCY = np.geomspace(150.0, 20000.0, 500)

WAYS = {
    2: [(80.0, 3000.0, 88.0), (900.0, 40000.0, 90.0)],
    3: [(35.0, 900.0, 87.0), (250.0, 5000.0, 89.0), (1500.0, 40000.0, 91.0)],
    4: [(25.0, 400.0, 86.0), (100.0, 1500.0, 88.0), (500.0, 6000.0, 90.0), (2500.0, 40e3, 91.0)],
}


def butterworth_band(frequency, low_hz, high_hz, level_db):
    """Second-order high-pass times second-order low-pass: minimum phase by construction."""
    omega = 2 * np.pi * frequency
    value = 10 ** (level_db / 20)
    for corner, kind in ((low_hz, "high"), (high_hz, "low")):
        _, part = freqs(*butter(2, 2 * np.pi * corner, kind, analog=True), omega)
        value = value * part
    return value


def make_case(count, seed, *, clock_s=0.0, noise_db=0.1, with_phase=True, frequency=FREQUENCY):
    """Drivers with hidden delays and polarities, each file with a clock offset of its own."""
    rng = np.random.default_rng(seed)
    delays = rng.uniform(-1.5e-4, 1.5e-4, count)
    signs = rng.choice([1, -1], count)
    clocks = rng.uniform(-clock_s, clock_s, count)
    omega = 2 * np.pi * frequency
    total, files = 0.0, {}
    for index, way in enumerate(WAYS[count]):
        pure = butterworth_band(frequency, *way)
        pure = pure * signs[index] * np.exp(-1j * omega * delays[index])
        total = total + pure
        noisy = pure * 10 ** (rng.normal(0, noise_db, len(frequency)) / 20)
        value = noisy * np.exp(-1j * omega * clocks[index]) if with_phase else np.abs(noisy) + 0j
        files[f"driver{index}"] = MeasuredCurve(
            frequency_hz=frequency, value=value, quantity="pressure", has_phase=with_phase
        )
    level = np.abs(total) * 10 ** (rng.normal(0, noise_db, len(frequency)) / 20)
    together = MeasuredCurve(
        frequency_hz=frequency, value=level + 0j, quantity="pressure", has_phase=False
    )
    return files, together, delays - delays[0], signs * signs[0], clocks - clocks[0]


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("seed", range(5))
def test_minimum_phase_finds_delay_and_polarity(count, seed):
    """Without phase, delays come back within 15 us and polarities exactly."""
    files, together, delays, signs, _ = make_case(count, seed, with_phase=False)
    timing = find_timing(files, together)
    assert timing.refused == ""
    assert timing.method == "minimum phase + delay"
    assert list(timing.polarity.values()) == signs.tolist()
    np.testing.assert_allclose(list(timing.delays_s.values()), delays, atol=15e-6)
    for name, delay in zip(files, delays, strict=True):
        low, high = timing.interval_s[name]
        assert low - 3e-6 <= delay <= high + 3e-6


@pytest.mark.parametrize("count", [2, 3, 4])
@pytest.mark.parametrize("seed", cases(range(3), routine=1))
def test_measured_phase_finds_clock_offsets(count, seed):
    """With phase and a clock of its own in each file, the clock offsets are undone.

    The fourfold case leaves its lowest driver free by more: it meets the next one at 200 Hz,
    where 50 us are 4 degrees.
    """
    files, together, _, _, clocks = make_case(
        count, 10 + seed, clock_s=2e-3, frequency=np.geomspace(30, 20000, 600)
    )
    timing = find_timing(files, together)
    assert timing.refused == ""
    found = np.array(list(timing.delays_s.values()))
    if timing.method == "measured phase + delay":
        assert set(timing.polarity.values()) == {1}
        np.testing.assert_allclose(found, -clocks, atol=50e-6 if count == 4 else 10e-6)
    total = sum(r.value for r in align_responses(files, timing).values())
    error = 20 * np.log10(np.abs(total)) - together.level_db
    low, high = timing.band_hz
    inside = (together.frequency_hz > low) & (together.frequency_hz < high)
    # In a null the noise of the parts, not the delay, decides the level.
    inside &= np.abs(total) > 0.3 * np.max([np.abs(r.value) for r in files.values()], axis=0)
    assert np.sqrt(np.mean(error[inside] ** 2)) < 0.35


def test_shared_clock_is_recognised():
    """Files that sum as they stand are said to share a clock, and are not delayed."""
    files, together, *_ = make_case(2, 3)
    timing = find_timing(files, together)
    assert timing.method == "shared clock"
    assert set(timing.delays_s.values()) == {0.0}


def test_level_offset_is_found():
    """A driver measured 1.5 dB too loud is lowered by as much."""
    files, together, *_ = make_case(2, 4, with_phase=False, noise_db=0.02)
    loud = files["driver1"]
    files["driver1"] = MeasuredCurve(
        frequency_hz=loud.frequency_hz,
        value=loud.value * 10 ** (1.5 / 20),
        quantity="pressure",
        has_phase=False,
    )
    timing = find_timing(files, together)
    lowered = timing.levels_db["driver1"] - timing.levels_db["driver0"]
    assert lowered == pytest.approx(-1.5, abs=0.3)
    assert any("one voltage" in note for note in timing.notes)


def test_interval_covers_the_truth_in_most_cases():
    """Of 20 cases with 0.3 dB of noise at least 17 intervals hold the true delay."""
    inside = 0
    for seed in range(20):
        files, together, delays, _, _ = make_case(2, 50 + seed, with_phase=False, noise_db=0.3)
        timing = find_timing(files, together)
        low, high = timing.interval_s["driver1"]
        inside += low <= delays[1] <= high
    assert inside >= 17


def test_interval_widens_with_noise():
    """Ten times the noise widens the interval."""
    widths = []
    for noise in (0.03, 0.3):
        files, together, *_ = make_case(2, 7, clock_s=1e-3, noise_db=noise)
        low, high = find_timing(files, together).interval_s["driver1"]
        widths.append(high - low)
    assert widths[1] > 3 * widths[0]
