"""A stated gate of impulse responses: from the command line into the design, and refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import butter, sosfilt

from optimizer.cli.main import main
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError

RATE = 48000


def write_folder(folder: Path) -> Path:
    """A driver as an impulse response with a reflection 6 ms after it, and its impedance."""
    impulse = np.zeros(4096)
    impulse[100] = 1.0
    direct = sosfilt(butter(2, [80.0, 6000.0], "band", fs=RATE, output="sos"), impulse)
    late = 0.4 * np.roll(direct, int(0.006 * RATE))
    wavfile.write(folder / "woofer.wav", RATE, (0.5 * (direct + late)).astype(np.float32))
    f = np.geomspace(20.0, 20000.0, 120)
    s = 1j * f / 80.0
    z = 6.0 + 30.0 * (s / 5.0) / (s**2 + s / 5.0 + 1.0) + 1j * f * 2e-3
    rows = zip(f, np.abs(z), np.degrees(np.angle(z)), strict=True)
    (folder / "woofer_z.txt").write_text(
        "* Freq(Hz) Z(ohm)\n" + "".join(f"{a:.4f} {b:.5f} {c:.4f}\n" for a, b, c in rows)
    )
    return folder


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "line", "from_hz"),
    [
        ((), "", 1e3 / 5.7),  # a quarter of a millisecond short of the reflection
        (("--gate", "4 ms"), "gate: 4 ms", 250.0),
    ],
)
def test_the_gate_decides_where_data_begin(
    tmp_path: Path, options: tuple[str, ...], line: str, from_hz: float
) -> None:
    """Found or stated, the gate sets the lowest frequency, in the survey and in the design."""
    folder = write_folder(tmp_path)
    assert (
        main(["start", str(folder), *options, "--seconds", "0.2", "--workers", "1", "--quiet"]) == 0
    )
    design = folder / "laddersmith.yaml"
    measured = next(
        text
        for text in design.read_text(encoding="utf-8").splitlines()
        if text.startswith("measured:")
    )
    assert line in measured
    assert ("gate" in measured) is bool(line)
    driver = build_problem(load_design(design)).drivers[0]
    assert driver.coverage[0].low_hz == pytest.approx(from_hz, rel=0.03)


def test_nonsense_gates_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A gate of seconds, or of nothing, is one message with what to write instead."""
    folder = write_folder(tmp_path)
    for text in ("5", "5 s", "0 ms", "soon"):
        assert main(["survey", str(folder), "--gate", text]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
    design = folder / "design.yaml"
    design.write_text(
        "measured: {gate: 5 s}\ndrivers:\n  woofer: {response: woofer.wav, "
        "impedance: woofer_z.txt}\nways:\n  woofer:\n    ladder:\n"
        "      - {name: L1, series: inductor, from: 1 mH, to: 3 mH}\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="within 100 ms") as caught:
        load_design(design)
    assert (caught.value.line, caught.value.key) == (1, "measured.gate")
