"""Design files over real measurements (read in place, skipped where they are absent)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.design.build.drivers import load_drivers
from optimizer.measure.files import open_curve

WAYS = """\
ways:
  woofer: {ladder: [{name: L1, series: inductor}]}
  tweeter: {ladder: [{name: C1, series: capacitor}]}
"""


@pytest.mark.data
@pytest.mark.parametrize("which", "abc")
def test_home_measurements_become_a_problem(
    measured_pair: Callable[..., str], tmp_path: Path, which: str
) -> None:
    """Two-way data without a common clock load; ranges are kept and the delay is applied."""
    path = tmp_path / "design.yaml"
    text = measured_pair(which, "34.32 mm") + WAYS
    path.write_text(text, encoding="utf-8")
    late = build_problem(load_design(path))
    path.write_text(text.replace("34.32 mm", "0 ms"), encoding="utf-8")
    plain = build_problem(load_design(path))
    path.write_text(text.replace("    delay: 34.32 mm\n", ""), encoding="utf-8")
    assumed = build_problem(load_design(path))
    # the tweeters were measured from 302 Hz up, as the data's own description says
    assert late.drivers[1].coverage[0].low_hz == pytest.approx(302.0, abs=1.0)
    assert late.drivers[1].coverage[0].slope_low_db_per_octave > 0.0
    # 34.32 mm at 343.2 m/s are 0.1 ms: half a turn at 5 kHz
    turn = late.drivers[1].pressure[0] / plain.drivers[1].pressure[0]
    assert np.allclose(turn, np.exp(-2j * np.pi * late.frequency_hz * 1e-4))
    assert any("follow from stated depths" in note for note in assumed.notes)
    assert not any("follow from stated depths" in note for note in late.notes)


@pytest.mark.data
@pytest.mark.parametrize(("which", "bar_db"), [("a", 0.23), ("b", 0.50), ("c", 0.64)])
def test_drivers_of_a_design_add_to_the_measured_sum(
    measured_data: Path,
    measured_pair: Callable[..., str],
    tmp_path: Path,
    which: str,
    bar_db: float,
) -> None:
    """With `together` the drivers as loaded add to that file, 600 Hz to 12 kHz, within the bar.

    The bars are what a plain attempt reached, see the README of the data.
    """
    folder = measured_data / f"real-two-way-{which}"
    path = tmp_path / "design.yaml"
    text = measured_pair(which) + WAYS
    path.write_text(f"{text}together: {folder}/together.txt\n", encoding="utf-8")
    drivers, notes = load_drivers(load_design(path))
    assert any(note.startswith("timing found from together.txt") for note in notes)
    f = drivers[0].frequency_hz
    inside = (f >= 600.0) & (f <= 12000.0)
    together = open_curve(folder / "together.txt", "pressure")
    measured = np.interp(np.log(f), np.log(together.frequency_hz), together.level_db)
    total = sum(driver.pressure[0] for driver in drivers)
    error = (20.0 * np.log10(np.abs(total)) - measured)[inside]
    assert np.sqrt(np.mean(error**2)) <= bar_db
