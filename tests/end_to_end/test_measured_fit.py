"""A two-way from real home measurements: files in, ranked networks out, through the command."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer.cli.main import main
from tests.conftest import cases

# A delay found by hand for each pair; the sign says which driver is the later one.
DELAY_OF_TWEETER = {"a": "-0.06 ms", "b": "-0.10 ms", "c": "-0.08 ms"}

DESIGN = """\
speaker: Measured two-way
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.15 mH, to: 3.3 mH}
      - {name: C1, shunt: capacitor, from: 2.2 uF, to: 47 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 1.5 uF, to: 33 uF}
      - {name: L1, shunt: inductor, from: 0.1 mH, to: 2.2 mH, optional: yes}
      - {name: P1, series: pad, optional: yes}
goals:
  on_axis: {tilt: free, band: 400..15k}
  impedance: {floor: 2.5 ohm, band: 100..20k}
  parts: {each: 0.03}
stock: {series: E6}
grid: {per_octave: 8}
search: {seed: 1, top: 3}
"""


@pytest.mark.data
@pytest.mark.parametrize("which", cases("abc", routine=1))
def test_two_way_from_measurements(
    measured_pair: Callable[..., str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    which: str,
) -> None:
    """Each measured pair gives certified networks, and the report shows where the data end."""
    design = tmp_path / "design.yaml"
    head = measured_pair(which, DELAY_OF_TWEETER[which])
    design.write_text(head + DESIGN, encoding="utf-8")
    results = tmp_path / "results.json"
    # A number of networks finds the same on any machine; the time only ends what never would.
    few = ("--evaluations", "8000", "--seconds", "300", "--workers", "1")
    assert main(["fit", str(design), "--json", str(results), "--notes", *few]) == 0
    out = capsys.readouterr().out
    assert "302 Hz" in out  # the tweeters were measured from 302 Hz up
    found = json.loads(results.read_text(encoding="utf-8"))
    best = found["candidates"][0]
    assert best["no_better_change_of"] == 2
    assert best["impedance_min"]["ohm"] >= 2.5
    # A real pair with five free parts can be brought well inside 3 dB rms of a straight line.
    assert best["goals"]["on_axis"]["value"] < 3.0
