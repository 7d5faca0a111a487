"""Design files over real measurements (read in place, skipped where they are absent)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.project import build_problem, load_design

DESIGN = """\
measured: {{clock: none}}
drivers:
  woofer:
    response: {folder}/woofer.txt
    impedance: {folder}/woofer_impedance.txt
  tweeter:
    response: {folder}/tweeter.txt
    impedance: {folder}/tweeter_impedance.txt
    delay: 34.32 mm
ways:
  woofer: {{ladder: [{{name: L1, series: inductor}}]}}
  tweeter: {{ladder: [{{name: C1, series: capacitor}}]}}
"""


@pytest.mark.data
@pytest.mark.parametrize("which", "abc")
def test_home_measurements_become_a_problem(
    measured_data: Path, tmp_path: Path, which: str
) -> None:
    """Two-way data without a common clock load; ranges are kept and the delay is applied."""
    path = tmp_path / "design.yaml"
    text = DESIGN.format(folder=measured_data / f"real-two-way-{which}")
    path.write_text(text, encoding="utf-8")
    late = build_problem(load_design(path))
    path.write_text(text.replace("    delay: 34.32 mm\n", ""), encoding="utf-8")
    plain = build_problem(load_design(path))
    # the tweeters were measured from 302 Hz up, as the data's own description says
    assert late.drivers[1].coverage[0].low_hz == pytest.approx(302.0, abs=1.0)
    assert late.drivers[1].coverage[0].slope_low_db_per_octave > 0.0
    # 34.32 mm at 343.2 m/s are 0.1 ms: half a turn at 5 kHz
    turn = late.drivers[1].pressure[0] / plain.drivers[1].pressure[0]
    assert np.allclose(turn, np.exp(-2j * np.pi * late.frequency_hz * 1e-4))
    assert any("cannot be trusted" in note for note in plain.notes)
    assert not any("cannot be trusted" in note for note in late.notes)
