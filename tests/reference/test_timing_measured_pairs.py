"""Timing found on three real two-way loudspeakers measured without a common clock.

The bars are what a plain attempt reached on the same files (one delay, one level), see the
README of the data.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.measure.files import open_curve
from optimizer.measure.timing.align import align_responses
from optimizer.measure.timing.timing import find_timing


@pytest.mark.data
@pytest.mark.parametrize(("name", "bar_db"), [("a", 0.23), ("b", 0.50), ("c", 0.64)])
def test_predicted_sum_meets_the_measured_one(measured_data, name, bar_db):
    """From 600 Hz to 12 kHz the predicted sum meets the measured one within the bar."""
    folder = measured_data / f"real-two-way-{name}"
    drivers = {d: open_curve(folder / f"{d}.txt", "pressure") for d in ("woofer", "tweeter")}
    together = open_curve(folder / "together.txt", "pressure")
    timing = find_timing(drivers, together)
    assert timing.refused == ""
    f = together.frequency_hz
    inside = (f >= 600) & (f <= 12000)
    total = 0
    for response in align_responses(drivers, timing).values():
        at = np.log(response.frequency_hz)
        size = np.interp(np.log(f), at, np.abs(response.value))
        total = total + size * np.exp(1j * np.interp(np.log(f), at, response.phase_rad))
    error = 20 * np.log10(np.abs(total)) - together.level_db
    assert np.sqrt(np.mean(error[inside] ** 2)) <= bar_db
    assert timing.residual_db <= bar_db
    assert set(timing.polarity.values()) == {1}
