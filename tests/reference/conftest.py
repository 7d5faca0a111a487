"""ngspice as an independent solver: run a netlist as it is, read every node in full doubles."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from optimizer.arrays import Complex

Plot = dict[str, Complex]


def _read_raw(raw: bytes) -> Plot:
    """Read an ngspice binary raw file of one AC analysis: lower-case vector name -> values."""
    head, _, body = raw.partition(b"Binary:\n")
    lines = head.decode("ascii").splitlines()
    count = next(int(x.split(":")[1]) for x in lines if x.startswith("No. Variables"))
    start = lines.index("Variables:") + 1
    names = [line.split()[1].lower() for line in lines[start : start + count]]
    table = np.frombuffer(body, dtype=np.complex128).reshape(-1, count)
    return {name: table[:, i] for i, name in enumerate(names)}


@pytest.fixture(scope="session")
def run_spice(ngspice: str, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Plot]:
    """Return a function that runs netlist text in ngspice and returns its vectors."""
    folder: Path = tmp_path_factory.mktemp("ngspice")

    def run(text: str) -> Plot:
        deck, raw = folder / "deck.cir", folder / "deck.raw"
        deck.write_text(text, encoding="ascii")
        raw.unlink(missing_ok=True)
        done = subprocess.run(
            [ngspice, "-b", "-r", str(raw), str(deck)],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        # ngspice warns about a DC solution it cannot find and goes on: that is a fault of the text.
        said = (done.stdout + done.stderr).lower()
        assert done.returncode == 0, said
        assert "singular" not in said, said
        assert "error" not in said, said
        return _read_raw(raw.read_bytes())

    return run
