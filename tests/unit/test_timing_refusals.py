"""When timing is refused, and what is said where there is nothing to measure it by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.curves.excess import find_excess_delay
from optimizer.measure.timing.align import align_directions, align_responses
from optimizer.measure.timing.timing import (
    assume_timing,
    check_shared_clock,
    find_timing,
)

FREQUENCY = np.geomspace(100.0, 20000.0, 400)


def second_order(corner_hz, kind, level_db=90.0, delay_s=0.0, q=0.7071):
    """A textbook second-order section with a delay."""
    s = 1j * FREQUENCY / corner_hz
    top = s * s if kind == "high" else 1.0
    value = 10 ** (level_db / 20) * top / (s * s + s / q + 1)
    value = value * np.exp(-2j * np.pi * FREQUENCY * delay_s)
    return MeasuredCurve(frequency_hz=FREQUENCY, value=value, quantity="pressure", source=kind)


def add(*responses):
    return replace(responses[0], value=sum(r.value for r in responses), source="together.txt")


WOOFER = second_order(2500.0, "low")
TWEETER = second_order(1500.0, "high", delay_s=-4e-5)


def test_one_driver_playing_is_refused():
    """A file in which only the woofer played determines no delay, and says so."""
    timing = find_timing({"woofer": WOOFER, "tweeter": TWEETER}, WOOFER)
    assert timing.method == "not determined"
    assert "woofer alone" in timing.refused
    assert timing.delays_s == {"woofer": 0.0, "tweeter": 0.0}


def test_sum_without_interference_is_refused():
    """Adding energies leaves no trace of a delay: refused, not guessed."""
    energy = np.sqrt(np.abs(WOOFER.value) ** 2 + np.abs(TWEETER.value) ** 2)
    timing = find_timing({"woofer": WOOFER, "tweeter": TWEETER}, replace(WOOFER, value=energy + 0j))
    assert timing.method == "not determined"
    assert timing.refused


def test_foreign_file_is_refused():
    """A sum of other drivers is not explained by any delay."""
    s = 1j * FREQUENCY / 1000
    other = replace(WOOFER, value=WOOFER.value * (s * s + 0.1 * s + 1) / (s * s + 3 * s + 1) * s)
    timing = find_timing({"woofer": WOOFER, "tweeter": TWEETER}, other)
    assert timing.method == "not determined"
    assert "dB rms" in timing.refused


def test_drivers_that_do_not_overlap_are_refused():
    """A tweeter 60 dB down in 0.2 dB of noise leaves its delay open."""
    quiet = replace(TWEETER, value=TWEETER.value * 1e-3)
    noise = 10 ** (np.random.default_rng(1).normal(0, 0.2, len(FREQUENCY)) / 20)
    total = add(WOOFER, quiet)
    timing = find_timing(
        {"woofer": WOOFER, "tweeter": quiet}, replace(total, value=total.value * noise)
    )
    assert timing.method == "not determined"


def test_too_little_common_band_is_an_input_error():
    """Files that share less than 1.5 octaves are refused as input, naming the file."""
    keep = FREQUENCY > 9000
    short = replace(WOOFER, frequency_hz=FREQUENCY[keep], value=WOOFER.value[keep])
    with pytest.raises(InputError, match=r"together.txt.*1\.5 octaves"):
        find_timing({"woofer": short, "tweeter": TWEETER}, add(WOOFER, TWEETER))
    with pytest.raises(InputError, match="two drivers"):
        find_timing({"woofer": WOOFER}, WOOFER)


def test_stated_depth_becomes_delay():
    """A depth of 34.32 mm is 100 us at 343.2 m/s, and the cost of not measuring is stated."""
    timing = assume_timing({"tweeter": TWEETER, "woofer": WOOFER}, {"woofer": 0.03432})
    assert timing.delays_s["woofer"] == pytest.approx(100e-6)
    assert timing.residual_db is None
    # references: 10 mm path = 29.1375 us = 20.979 degrees at 2 kHz (calculated, c 343.2 m/s)
    assert "29 us, 21 degrees at 2 kHz" in timing.notes[0]
    assert any("tweeter not stated" in note for note in timing.notes)


def test_shared_clock_reports_path_and_warns():
    """Excess delays within geometry pass; a metre of path is called out."""
    near = check_shared_clock({"woofer": WOOFER, "tweeter": TWEETER})
    assert near.method == "shared clock"
    assert not any("hardly" in note for note in near.notes)
    late = second_order(1500.0, "high", delay_s=3e-3)
    far = check_shared_clock({"woofer": WOOFER, "tweeter": late})
    assert any("hardly share a clock" in note for note in far.notes)
    with pytest.raises(InputError, match="measured phase"):
        check_shared_clock({"woofer": replace(WOOFER, has_phase=False)})


@pytest.mark.parametrize("sign", [1, -1])
def test_excess_delay_and_polarity_of_a_textbook_section(sign):
    """A delayed, possibly reversed second-order section gives its delay within 6 us.

    The slope of the last octave of a 1.5 kHz high-pass is flat, so the tail costs nothing.
    """
    response = second_order(1500.0, "high", delay_s=2.5e-4)
    found = find_excess_delay(replace(response, value=sign * response.value))
    assert found.delay_s == pytest.approx(2.5e-4, abs=6e-6)
    assert found.polarity == sign
    assert found.remainder_rad < 0.1


def test_aligned_sum_is_the_predicted_sum():
    """Measured phase kept, the aligned drivers sum to what was measured."""
    drivers = {"woofer": WOOFER, "tweeter": TWEETER}
    timing = find_timing(drivers, add(WOOFER, TWEETER))
    total = sum(r.value for r in align_responses(drivers, timing).values())
    assert timing.residual_db < 0.05
    np.testing.assert_allclose(
        20 * np.log10(np.abs(total)), add(WOOFER, TWEETER).level_db, atol=0.3
    )


@pytest.mark.parametrize("with_phase", [True, False])
def test_directions_get_the_path_of_geometry(with_phase):
    """A tweeter 0.2 m up is 0.1 m nearer at 30 degrees up, whatever each file's own clock."""
    up = Direction(vertical_deg=30.0)
    files = {
        ON_AXIS: second_order(1500.0, "high", delay_s=1e-3),
        up: second_order(1500.0, "high", delay_s=-0.4e-3),
    }
    if not with_phase:
        files = {
            d: replace(r, value=np.abs(r.value) + 0j, has_phase=False) for d, r in files.items()
        }
    timing = replace(
        assume_timing({"tweeter": files[ON_AXIS]}),
        method="measured phase + delay" if with_phase else "minimum phase + delay",
    )
    aligned = align_directions(files, timing, "tweeter", place_m=(0.2, 0.0, 0.0))
    ratio = aligned[up].value / aligned[ON_AXIS].value
    want = np.exp(2j * np.pi * FREQUENCY * 0.1 / 343.2)
    inside = FREQUENCY < 8000
    assert np.abs(np.angle(ratio / want))[inside].max() < 0.1


def test_directions_with_a_shared_clock_stay_as_they_are():
    """A shared clock already holds the path: nothing is added."""
    up = Direction(vertical_deg=30.0)
    timing = check_shared_clock({"tweeter": TWEETER})
    aligned = align_directions(
        {ON_AXIS: TWEETER, up: WOOFER}, timing, "tweeter", place_m=(0.2, 0.0, 0.0)
    )
    np.testing.assert_allclose(aligned[up].value, WOOFER.value)
