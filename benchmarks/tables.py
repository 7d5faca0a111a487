"""What all benchmarks share: plain tables, dated CSV files, a line on the machine."""

from __future__ import annotations

import csv
import datetime
import os
import platform
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

RESULTS = Path(__file__).with_name("results")


def machine() -> str:
    """Describe the machine in one line."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    return (
        f"{platform.machine()}, {os.cpu_count()} processors, load {load:.1f}, "
        f"Python {platform.python_version()}, numpy {np.__version__}"
    )


def number(value: object) -> str:
    """Write a value for people: four digits, a dash for what never happened."""
    if isinstance(value, bool) or not isinstance(value, float):
        return str(value)
    return f"{value:.4g}" if np.isfinite(value) else "-"


def print_table(rows: Sequence[Mapping[str, object]], title: str = "") -> None:
    """Print rows that share their keys."""
    if title:
        print(f"\n{title}")
    if not rows:
        print("(nothing)")
        return
    heads = list(rows[0])
    cells = [[number(row[h]) for h in heads] for row in rows]
    widths = [max(len(h), *(len(c[i]) for c in cells)) for i, h in enumerate(heads)]
    for line in [heads, *cells]:
        first, *rest = zip(line, widths, strict=True)
        print("  ".join([first[0].ljust(first[1]), *(text.rjust(w) for text, w in rest)]))


def write_csv(name: str, rows: Sequence[Mapping[str, object]]) -> Path:
    """Write rows into ``results/<name>-<date>.csv``; a second run of a day replaces the first."""
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / f"{name}-{datetime.date.today():%Y-%m-%d}.csv"
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: number(v) for k, v in row.items()} for row in rows)
    return path
