"""`trade --between on_axis changes` on a kept board: a front whose counts are those of its files."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
import yaml

from tests.conftest import cases
from tests.end_to_end.judge import (
    GRID,
    KINDS_OF_FORM,
    Board,
    board_of_design,
    check,
    count_operations,
    load,
    run,
    write_drivers,
)

DESIGN = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, keep: 1.8 mH, dcr: 0.5, alter: yes}
      - {name: C1, shunt: capacitor, keep: 22 uF, alter: yes, optional: yes}
  tweeter:
    ladder:
      - {name: C1, series: capacitor, keep: 22 uF, alter: yes}
      - {name: L1, shunt: inductor, keep: 1.5 mH, dcr: 0.5, alter: yes, optional: yes}
      - {name: P1, series: pad, keep: {series_resistor: 1 ohm, shunt_resistor: 22 ohm},
         alter: yes, optional: yes}
goals:
  on_axis: {band: 150..12k}
  parts: {each: 0.01}
CHANGES
stock: {series: E6}
"""


@pytest.mark.parametrize("changes", cases(["  changes: {each: 0.1}", ""], routine=1))
def test_front_between_evenness_and_changes(changes: str, tmp_path: Path) -> None:
    """At least three points, from the most work to the least; each point's number of operations at
    the iron is counted here from the design and the network; the evenness is what `check` says of
    it. A design that does not name the goal is served alike."""
    design, saved = tmp_path / "design.yaml", tmp_path / "front.json"
    text = DESIGN.replace("CHANGES", changes)
    drivers = write_drivers(tmp_path, "woofer", "tweeter")
    design.write_text(f"{drivers}{text}{GRID}", encoding="utf-8")
    board = board_of_design(yaml.safe_load(design.read_text(encoding="utf-8")))
    assert len([label for label, _, _ in board.labelled()]) == 6
    assert (
        sum(len(KINDS_OF_FORM[s.form]) for w in board.ways.values() for s in w.slots.values()) == 6
    )

    run("trade", design, "--between", "on_axis", "changes", "--points", 5, "--seconds", 3,
        "--seed", 1, "--workers", 1, "--json", saved)  # fmt: skip
    front = load(saved)
    assert front["between"] == ["on_axis", "changes"]
    points = front["points"]
    assert len(points) >= 3
    counts = []
    for number, point in enumerate(points, start=1):
        candidate = point["candidate"]
        work = count_operations(board, Board.of_candidate(candidate))
        counts.append(work)
        assert point["b"] == work, f"point {number}"
        assert candidate["goals"]["changes"]["value"] == work
        if changes:
            again = check(design, f"{saved}#{number}")["candidate"]["goals"]
            assert again["changes"]["value"] == work
            assert again["on_axis"]["value"] == pytest.approx(point["a"], rel=1e-5)
    assert len(set(counts)) == len(counts)
    assert counts == sorted(counts, reverse=True)
    assert all(x["a"] < y["a"] for x, y in pairwise(points))
    # The ends are what they must be: one end is much changed, the other hardly at all.
    assert counts[0] >= 3
    assert counts[-1] <= 2
