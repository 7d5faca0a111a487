"""What is read and where text goes: pipes, devices, bombs, encodings, outputs that take nothing."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from optimizer.cli.main import main
from optimizer.errors import InputError
from optimizer.measure.files.folder import read_folder
from optimizer.measure.files.open import open_curve
from optimizer.testing import FILE_HZ, write_driver
from optimizer.text.yamltext import parse_yaml
from tests.conftest import Done

ROOT = Path(__file__).resolve().parents[2]
Run = Callable[..., Done]

DESIGN = """\
speaker: Größe Ω 漢
drivers:
  Größe Ω: {response: woofer.txt, impedance: woofer_z.txt}
  tweeter: {response: tweeter.txt, impedance: tweeter_z.txt}
ways:
  Größe Ω: {ladder: [{name: L1, series: inductor, keep: 2.2 mH, dcr: 0.3}]}
  tweeter: {ladder: [{name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}]}
goals: {on_axis: {band: 100..15k}}
stock: {series: E6, shelf: shelf.csv}
grid: {per_octave: 6}
"""
NETWORK = """\
ways:
  Größe Ω: {ladder: [{name: L1, series: inductor, value: 2.2 mH, dcr: 0.3 ohm}]}
  tweeter: {ladder: [{name: C1, series: capacitor, value: 4.7 uF}]}
"""


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A small project; the folder."""
    write_driver(tmp_path, "woofer", level_db=87.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 4e3) ** 4))
    write_driver(tmp_path, "tweeter", level_db=90.0 - 10.0 * np.log10(1.0 + (800 / FILE_HZ) ** 4))
    (tmp_path / "design.yaml").write_text(DESIGN, encoding="utf-8")
    (tmp_path / "network.yaml").write_text(NETWORK, encoding="utf-8")
    (tmp_path / "shelf.csv").write_text("kind,value,count\ncapacitor,4.7 uF,4\n", encoding="utf-8")
    return tmp_path


def make_pipe(path: Path) -> None:
    os.mkfifo(path)


def make_folder(path: Path) -> None:
    path.mkdir()


def make_large(path: Path) -> None:
    with path.open("wb") as stream:
        stream.truncate(300_000_000)


def link_to_device(path: Path) -> None:
    path.symlink_to("/dev/zero")


KINDS = {"pipe": make_pipe, "folder": make_folder, "large": make_large, "device": link_to_device}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "name", ["design.yaml", "woofer.txt", "woofer_z.txt", "shelf.csv", "network.yaml",
             "results.json", "words.yaml"],
)  # fmt: skip
def test_only_regular_files_of_a_sensible_size_are_read(
    name: str, kind: str, project: Path, laddersmith: Run
) -> None:
    """One message for each, at once: nothing waits for a pipe or reads a device to its end."""
    (project / name).unlink(missing_ok=True)
    KINDS[kind](project / name)
    network = project / ("results.json#1" if name == "results.json" else "network.yaml")
    words = ["--words", project / "words.yaml"] if name == "words.yaml" else []
    start = time.monotonic()
    done = laddersmith(
        "voice", project / "design.yaml", network, "--wish", "above 4k -1 dB", *words
    )
    assert time.monotonic() - start < 60.0
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert name in done.stderr
    said = {"pipe": "no pipe and no device", "device": "no pipe and no device",
            "folder": "folder", "large": "must not exceed"}  # fmt: skip
    assert said[kind] in done.stderr


def build_bomb(word: str, levels: int = 9) -> str:
    """Nine anchors of nine aliases each: 387 million entries in ten lines."""
    lines = ["a0: &a0 {x: 1}"]
    for n in range(1, levels + 1):
        if word == "merge":
            each = ", ".join(f"{{<<: *a{n - 1}, y{k}: 1}}" for k in range(9))
            lines.append(f"a{n}: &a{n} {{z: [{each}], <<: [{', '.join([f'*a{n - 1}'] * 9)}]}}")
        else:
            lines.append(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (build_bomb("merge"), "aliases"),
        (build_bomb("list"), "aliases"),
        ("a: &a {b: *a}\n", "within itself"),
        ("a: &a [1, [*a]]\n", "within itself"),
        ("a: &a {<<: *a}\n", "within itself"),
        ("drivers: " + "[" * 300_000 + "\n", ""),
        ("a: " * 300_000 + "\n", ""),
        ("- " * 300_000 + "\n", ""),
        ("a: " + "x" * 20_000 + "\n", ""),
    ],
)  # fmt: skip
def test_a_few_lines_cannot_grow_without_end(text: str, said: str, tmp_path: Path) -> None:
    """Anchors of anchors, rings and endless nesting end in one located message, soon."""
    start = time.process_time()
    with pytest.raises(InputError) as caught:
        parse_yaml(text, file="x.yaml").fields()["a"].text()
    assert time.process_time() - start < 5.0
    assert said in str(caught.value)


def test_usual_anchors_are_read() -> None:
    """What the limits are not meant for: an anchor that a few blocks take over."""
    entry = parse_yaml("a: &a {x: 1, y: 2}\nb: {<<: *a, y: 3}\nc: *a\n", file="x.yaml")
    fields = entry.fields()
    assert {k: v.text() for k, v in fields["b"].fields().items()} == {"x": "1", "y": "3"}
    assert fields["c"].fields()["y"].text() == "2"


def test_a_cut_off_recording_is_told(tmp_path: Path) -> None:
    """The first half of a WAV file is no impulse response; the whole file is."""
    samples = np.zeros(4800, dtype=np.int16)
    samples[100] = 30000
    path = tmp_path / "woofer.wav"
    wavfile.write(path, 48000, samples)
    assert open_curve(path).quantity == "pressure"
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="cut off"):
        open_curve(path)
    wavfile.write(path, 7, samples)
    with pytest.raises(InputError, match="samples per second"):
        open_curve(path)


def test_a_folder_that_may_not_be_read_is_told(
    project: Path, monkeypatch: pytest.MonkeyPatch, laddersmith: Run
) -> None:
    """Measurements in a locked folder are not just left out.

    The refusal is simulated, because permissions do not stop the administrator account that tests
    may run under.
    """
    locked = project / "off axis"
    locked.mkdir()
    iterdir = Path.iterdir

    def refuse(path: Path) -> object:
        if path == locked:
            raise PermissionError(13, "Permission denied", str(path))
        return iterdir(path)

    read_folder(project)
    monkeypatch.setattr(Path, "iterdir", refuse)
    done = laddersmith("survey", project)
    assert done.returncode == 2
    assert "off axis: the folder cannot be read (permission denied)" in done.stderr


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("band: 100..15k", "tilt: 1e9 dB/oct"),
        ("band: 100..15k", "tilt: -1e300 dB/oct"),
        ("band: 100..15k", "weight: 1e40"),
        ("band: 100..15k", "band: 1e-30..1e30"),
        ("keep: 2.2 mH", "keep: 2.2e9 H"),
        ("dcr: 0.3", "dcr: 1e80"),
        ("per_octave: 6", "per_octave: 1000000"),
        ("from: 2.2 uF", "from: 1e-90 F"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(
    old: str, new: str, project: Path, laddersmith: Run
) -> None:
    """Every quantity has a plausible range; beyond it there is a message and no long wait."""
    design = project / "design.yaml"
    text = design.read_text(encoding="utf-8")
    assert old in text
    design.write_text(text.replace(old, new), encoding="utf-8")
    start = time.monotonic()
    done = laddersmith("fit", design, "--evaluations", 100, "--workers", 1)
    assert time.monotonic() - start < 120.0
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert "design.yaml:" in done.stderr


COMMANDS = {
    "check": ["check", "design.yaml", "network.yaml"],
    "json": ["check", "design.yaml", "network.yaml", "--json", "-"],
    "sheet": ["sheet", "design.yaml", "network.yaml"],
    "netlist": ["netlist", "design.yaml", "network.yaml"],
    "goals": ["goals"],
    "preset": ["goals", "living-room"],
    "words": ["voice", "--list-words", "x", "y"],
}


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437", "utf-16"])
@pytest.mark.parametrize("command", COMMANDS)
def test_any_encoding_of_the_output_will_do(
    command: str,
    encoding: str,
    project: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What an encoding lacks is replaced; nothing fails, and JSON stays what it is."""
    import json

    monkeypatch.chdir(project)
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    assert main(COMMANDS[command]) == 0
    sys.stdout.flush()
    said = raw.getvalue().decode(encoding)
    assert said.strip()
    if command == "json":
        assert list(json.loads(said)["candidate"]["ways"]) == ["Größe Ω", "tweeter"]


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("where", ["full", "none"])
def test_an_output_that_takes_nothing_is_one_message(
    command: str,
    where: str,
    project: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A full disk and a closed output end in code 2 and one line."""
    monkeypatch.chdir(project)
    with Path("/dev/full").open("w") as full:
        monkeypatch.setattr(sys, "stdout", None if where == "none" else full)
        code = main(COMMANDS[command])
        monkeypatch.undo()
    said = capsys.readouterr().err
    if where == "none" and command not in ("json", "sheet", "netlist", "words"):
        assert code == 0  # what nobody can see need not be shown
        return
    assert code == 2, said
    assert said.count("laddersmith: ") == 1
    assert said.splitlines()[-1].startswith("laddersmith: the output could not be written")


SHELL = {
    "goals > /dev/full": 2,
    "--help > /dev/full": 2,
    "goals >&-": 0,
    "goals | head -1": 0,
    "goals nothing 2>&-": 2,
}


@pytest.mark.parametrize("line", SHELL)
def test_the_program_ends_well_in_a_shell(line: str) -> None:
    """As a user meets it: no trace and no complaint of the interpreter on its way out."""
    there = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {sys.executable} -m optimizer {line}"],
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False,
        env={**there, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == SHELL[line]
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert done.stderr.count("\n") <= 1
