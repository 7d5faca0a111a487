"""Joined pieces against a circuit simulator: value, loss and rating of the whole."""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path

import pytest

from optimizer.parts import Part
from optimizer.stock.combine import join_pieces

FREQUENCY_HZ = 1000.0
# kind, joined, (value, loss, rating) of each piece
CASES = [
    ("capacitor", "parallel", [(2.2e-6, 0.07, 250.0), (4.7e-6, 0.03, 100.0)]),
    ("capacitor", "parallel", [(1e-6, 0.0, 400.0), (10e-6, 0.2, 63.0), (22e-6, 0.1, 100.0)]),
    ("capacitor", "series", [(3.3e-6, 0.05, 250.0), (6.8e-6, 0.02, 63.0)]),
    ("capacitor", "series", [(10e-6, 0.3, 40.0), (15e-6, 0.2, 40.0), (47e-6, 0.0, 63.0)]),
    ("inductor", "series", [(1e-3, 0.4, 5.0), (0.33e-3, 0.2, 3.0)]),
    ("inductor", "series", [(2.2e-3, 0.5, 5.0), (1e-3, 0.3, 8.0), (0.1e-3, 0.1, 6.0)]),
    ("resistor", "parallel", [(10.0, 0.0, 5.0), (15.0, 0.0, 10.0)]),
    ("resistor", "parallel", [(4.7, 0.0, 10.0), (22.0, 0.0, 5.0), (33.0, 0.0, 1.0)]),
    ("resistor", "series", [(2.2, 0.0, 5.0), (1.0, 0.0, 10.0)]),
    ("resistor", "series", [(1.0, 0.0, 2.0), (1.5, 0.0, 10.0), (3.3, 0.0, 5.0)]),
]
LETTER = {"inductor": "l", "capacitor": "c", "resistor": "r"}


def run_circuit(program: str, lines: list[str], wanted: list[str], folder: Path) -> list[complex]:
    """Answers of an AC analysis at one frequency, one complex number for each node."""
    deck = folder / "circuit.cir"
    prints = [f"print {name}" for name in wanted]
    deck.write_text(
        "\n".join(
            [
                "joined pieces",
                *lines,
                ".control",
                "set numdgt=9",
                f"ac lin 1 {FREQUENCY_HZ} {FREQUENCY_HZ}",
                *prints,
                "quit",
                ".endc",
                ".end",
                "",
            ]
        )
    )
    out = subprocess.run(
        [program, "-b", str(deck)], capture_output=True, text=True, timeout=300, check=False
    ).stdout
    found = re.findall(r"= \(?\s*([-+.\deE]+)\s*,\s*([-+.\deE]+)", out)
    assert len(found) == len(wanted), out
    return [complex(float(re_), float(im)) for re_, im in found]


def build(
    kind: str, joined: str, pieces: list[tuple[float, float, float]], case: int
) -> tuple[list[str], list[tuple[str, str]]]:
    """One ampere into the joined pieces; also the two nodes across each piece."""
    lines = [f"i{case} 0 n{case} dc 0 ac 1"]
    spans = []
    top = f"n{case}"
    for number, (value, loss, _) in enumerate(pieces):
        last = number == len(pieces) - 1
        start = f"n{case}" if joined == "parallel" else top
        end = "0" if joined == "parallel" or last else f"m{case}_{number}"
        middle = f"x{case}_{number}" if loss else end
        lines.append(f"{LETTER[kind]}{case}_{number} {start} {middle} {value!r}")
        if loss:
            lines.append(f"r{case}_{number}s {middle} {end} {loss!r}")
        spans.append((start, end))
        top = end
    # A capacitor alone leaves a node without a path for direct current.
    lines += [
        f"rleak{case}_{number} {start} {end} 1e12"
        for number, (start, end) in enumerate(spans)
        if kind == "capacitor"
    ]
    return lines, spans


@pytest.mark.ngspice
def test_joined_value_loss_and_rating_agree_with_ngspice(ngspice: str, tmp_path: Path) -> None:
    """Impedance at 1 kHz gives value and loss; at the rating of the whole one piece is full.

    The ESR of capacitors in parallel holds to first order in (ESR / reactance)^2; the largest
    here is 0.0007, hence 0.1 % on the loss; the loss itself is less than 2 % of the reactance.
    """
    lines: list[str] = []
    spans = []
    for case, (kind, joined, pieces) in enumerate(CASES):
        new, across = build(kind, joined, pieces, case)
        lines += new
        spans.append(across)
    nodes = sorted({node for across in spans for span in across for node in span} - {"0"})
    answers = dict(
        zip(nodes, run_circuit(ngspice, lines, [f"v({n})" for n in nodes], tmp_path), strict=True),
        **{"0": 0j},
    )
    omega = 2 * math.pi * FREQUENCY_HZ
    for case, (kind, joined, pieces) in enumerate(CASES):
        part = join_pieces(
            joined,
            [  # type: ignore[arg-type]
                Part(kind=kind, value=value, loss_ohm=loss, rating=rating, pieces=(value,))  # type: ignore[arg-type]
                for value, loss, rating in pieces
            ],
        )
        z = answers[f"n{case}"]
        measured = {
            "resistor": z.real,
            "inductor": z.imag / omega,
            "capacitor": -1 / (omega * z.imag) if z.imag else math.nan,
        }[kind]
        assert part.value == pytest.approx(measured, rel=1e-3 if kind == "capacitor" else 1e-6)
        if kind != "resistor":
            assert part.loss_ohm == pytest.approx(z.real, rel=1e-3)
        # How full each piece is, against how full the whole is, both at one ampere.
        voltages = [abs(answers[a] - answers[b]) for a, b in spans[case]]
        if kind == "capacitor":
            full = [v / rating for v, (_, _, rating) in zip(voltages, pieces, strict=True)]
            whole = abs(z)
        elif kind == "resistor":
            full = [v**2 / r / rating for v, (r, _, rating) in zip(voltages, pieces, strict=True)]
            whole = z.real
        else:
            full = [
                v / abs(complex(loss, omega * value)) / rating
                for v, (value, loss, rating) in zip(voltages, pieces, strict=True)
            ]
            whole = 1.0
        assert part.rating is not None
        assert whole / part.rating == pytest.approx(max(full), rel=2e-3)
