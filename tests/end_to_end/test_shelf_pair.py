"""The demo built twice from its shelf alone, counted piece by piece from the files."""

from __future__ import annotations

import csv
import json
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer.cli.main import main
from optimizer.text.units import parse_quantity
from tests.conftest import cases

UNITS = {"inductor": "H", "capacitor": "F", "resistor": "ohm"}


def count_shelf(path: Path) -> tuple[dict[tuple[str, str], int], int]:
    """Pieces by kind and value as printed in the file, measured ones by their mean; and rows."""
    lines = [
        line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")
    ]
    counts: Counter[tuple[str, str]] = Counter()
    measured: dict[tuple[str, str], list[float]] = defaultdict(list)
    rows = list(csv.DictReader(lines))
    for row in rows:
        if row["measured"]:
            value = parse_quantity(row["measured"], UNITS[row["kind"]])
            measured[row["kind"], row["value"]].append(value)
        else:
            value = parse_quantity(row["value"], UNITS[row["kind"]])
            counts[row["kind"], f"{value:.6g}"] += int(row["count"])
    for (kind, _), values in measured.items():
        counts[kind, f"{sum(values) / len(values):.6g}"] += len(values)
    return counts, len(rows)


@pytest.mark.parametrize("seed", cases([1, 2], routine=1))
def test_two_speakers_take_no_piece_twice(
    tmp_path: Path, copy_demo: Callable[..., Path], seed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every candidate, built twice, takes at most the pieces that the rows of the shelf count."""
    path = copy_demo(
        tmp_path / "demo",
        ("\nstock: {series: E12}\n", "\nstock: {shelf: shelf.csv, pair: yes, join: 2}\n"),
    )
    shelf, rows = count_shelf(path.with_name("shelf.csv"))
    assert rows == 60
    saved = tmp_path / "r.json"
    assert (
        main(
            [
                "fit",
                str(path),
                "--seconds",
                "2",
                "--seed",
                str(seed),
                "--workers",
                "1",
                "--json",
                str(saved),
                "--quiet",
            ]
        )
        == 0
    )
    candidates = json.loads(saved.read_text(encoding="utf-8"))["candidates"]
    assert candidates
    joined = 0
    for candidate in candidates:
        used: Counter[tuple[str, str]] = Counter()
        for way in candidate["ways"].values():
            for part in way["slots"]:
                assert part["origin"] == "shelf"
                joined += len(part["pieces"]) > 1
                assert len(part["pieces"]) <= 2
                used.update((part["kind"], f"{piece:.6g}") for piece in part["pieces"])
        for piece, count in used.items():
            assert 2 * count <= shelf[piece], piece
    assert joined
    capsys.readouterr()
