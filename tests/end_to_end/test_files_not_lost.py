"""No command changes a file it reads, whatever its options say: all of them are tried.

The options are taken from the parser itself, so a new one is tried as well, and a new verb has to
be given a command here.
"""

from __future__ import annotations

import argparse
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from optimizer.cli.main import build_parser
from optimizer.cli.output import OutputName
from optimizer.testing import FILE_HZ, write_driver
from optimizer.text.register import RECORD_NAME
from tests.conftest import Done, Once, cases

DESIGN = """\
speaker: Invented two-way
drivers:
  woofer: {response: on_axis.txt, impedance: impedance.txt}
  tweeter: {response: tweeter.txt, impedance: tweeter_z.txt}
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.5 mH, to: 3.3 mH}
  tweeter:
    ladder:
      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}
goals:
  on_axis: {band: 100..15k}
  parts: {each: 0.05}
  impedance: {floor: 3 ohm}
stock: {series: E6, shelf: shelf.csv}
grid: {per_octave: 6}
"""

NETWORK = """\
ways:
  woofer: {ladder: [{name: L1, series: inductor, value: 2.2 mH, dcr: 0.3 ohm}]}
  tweeter: {ladder: [{name: C1, series: capacitor, value: 6.8 uF}]}
"""

COMMANDS = {
    "demo": ["demo"],
    "survey": ["survey", "design.yaml"],
    "start": ["start", ".", "--as", "built.txt=ignore", "--as",
              "music.wav=ignore", "--evaluations", "100", "--workers", "1"],
    "fit": ["fit", "design.yaml", "--evaluations", "100", "--workers", "1"],
    "trade": ["trade", "design.yaml", "--between", "on_axis", "parts", "--points", "3",
              "--seconds", "0.2", "--workers", "1"],
    "check": ["check", "design.yaml", "results.json#1", "--against", "network.yaml"],
    "voice": ["voice", "design.yaml", "network.yaml", "--wish", "above 4k -1 dB",
              "--changes", "1", "--words", "words.yaml", "--top", "1"],
    "verify": ["verify", "design.yaml", "network.yaml", "built.txt"],
    "diary": ["diary", "design.yaml", "--compare", "network.yaml", "results.json#1"],
    "sheet": ["sheet", "design.yaml", "network.yaml"],
    "netlist": ["netlist", "design.yaml", "network.yaml"],
    "hear": ["hear", "design.yaml", "network.yaml", "results.json#1", "--music", "music.wav",
             "--changed", "heard.wav"],
    "board": ["board", "design.yaml"],
    # It ends when it is asked to, or where nobody could: test_bench.py has what it writes.
    "bench": ["bench", "design.yaml", "--no-open", "--quiet"],
    "goals": ["goals"],
    "keys": ["keys"],
    "guide": ["guide", "measuring"],
    "completion": ["completion", "bash"],
}  # fmt: skip
INPUTS = (
    "design.yaml", "on_axis.txt", "impedance.txt", "tweeter.txt", "tweeter_z.txt", "shelf.csv",
    "network.yaml", "results.json", "words.yaml", "built.txt",
    "music.wav",
)  # fmt: skip

Run = Callable[..., Done]


def list_options(verb: str) -> Iterator[argparse.Action]:
    """Every option of a verb that takes a value; a log, which all have, is looked at by itself."""
    for action in build_parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            for option in action.choices[verb]._actions:
                if option.option_strings and option.nargs != 0 and option.dest != "log":
                    yield option


def is_output(option: argparse.Action) -> bool:
    return option.type is OutputName or option.option_strings[0] in (
        "--save",
        "--design",
        *FOLDERS,
    )


FOLDERS = ("--columns", "--charts")
OPTIONS = [(verb, option) for verb in COMMANDS for option in list_options(verb)]
OUTPUTS = [(verb, option.option_strings[0]) for verb, option in OPTIONS if is_output(option)]


def make_project(folder: Path, laddersmith: Run) -> None:
    """Two invented drivers, named as the program itself names its files, and all there can be."""
    low = 87.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 4000.0) ** 4)
    high = 90.0 - 10.0 * np.log10(1.0 + (800.0 / FILE_HZ) ** 4)
    write_driver(folder, "woofer", level_db=low)
    write_driver(folder, "tweeter", level_db=high, ohm=6.0)
    (folder / "woofer.txt").rename(folder / "on_axis.txt")
    (folder / "woofer_z.txt").rename(folder / "impedance.txt")
    shutil.copy(folder / "tweeter.txt", folder / "built.txt")
    texts = {
        "design.yaml": DESIGN,
        "network.yaml": NETWORK,
        "shelf.csv": "kind,value,count\ncapacitor,4.7 uF,4\n",
        "words.yaml": 'bright: {meaning: "too much above 4 kHz", on_axis: {4k..16k: 1 dB}}\n',
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    noise = np.random.default_rng(2).normal(size=20_000)
    wavfile.write(folder / "music.wav", 16_000, (3000 * noise).astype(np.int16))
    fit = COMMANDS["fit"]
    # Written by the program: it would be replaced without a word if no command read it.
    done = laddersmith("fit", folder / fit[1], *fit[2:], "--json", folder / "results.json")
    assert done.returncode == 0, done.stderr
    assert (folder / RECORD_NAME).read_text().endswith("  results.json\n")


@pytest.fixture
def project(once: Once, laddersmith: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The project in a folder of its own, which is the current one."""
    made = once("files-not-lost", lambda folder: make_project(folder, laddersmith))
    folder = tmp_path / "project"
    shutil.copytree(made, folder)
    monkeypatch.chdir(folder)
    return folder


def read_inputs() -> dict[str, bytes]:
    return {name: Path(name).read_bytes() for name in INPUTS}


def test_every_verb_has_a_command() -> None:
    """So a new verb cannot be forgotten; and there are options to try."""
    verbs = next(a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    assert set(verbs.choices) == set(COMMANDS)
    assert len(OUTPUTS) >= 20


@pytest.mark.parametrize("verb", COMMANDS)
def test_no_option_changes_an_input(verb: str, project: Path, laddersmith: Run) -> None:
    """Every option that takes a value is given the design; every output every input."""
    before = read_inputs()
    for option in list_options(verb):
        for name in INPUTS if is_output(option) else INPUTS[:1]:
            if name == "results.json" and "results.json#1" not in COMMANDS[verb]:
                continue  # what the program wrote and no command reads is replaced by the next
            count = option.nargs if isinstance(option.nargs, int) else 1
            done = laddersmith(*COMMANDS[verb], option.option_strings[0], *[name] * count)
            assert read_inputs() == before, (option.option_strings, name)
            assert done.returncode in ({2} if is_output(option) else {0, 2, 4}), (name, done)
            assert done.stderr.count("\n") <= 1


def spell(name: str) -> dict[str, Path]:
    """Other names of one file."""
    soft, hard = Path("soft.lnk"), Path("hard.lnk")
    soft.symlink_to(name)
    os.link(name, hard)
    far = Path("..") / Path.cwd().name / "." / name
    return {"symbolic link": soft, "hard link": hard, "case": Path(name.upper()), "far": far}


@pytest.mark.parametrize("forced", cases([True, False], routine=1))
@pytest.mark.parametrize(("verb", "option"), [one for one in OUTPUTS if one[1] not in FOLDERS])
def test_no_other_name_of_an_input_is_written_over(
    verb: str, option: str, forced: bool, project: Path, laddersmith: Run
) -> None:
    """Links, another spelling, other capitals: the design is known under each, even by force."""
    before = read_inputs()
    for what, path in spell("design.yaml").items():
        if verb in ("start", "guide") and (forced or what == "case"):
            continue  # they read no design; the first never replaces one that was edited
        force = ["--force"] if forced else []
        done = laddersmith(*COMMANDS[verb], option, path, *force)
        assert done.returncode == 2, (what, done)
        assert read_inputs() == before, what
        assert done.stderr.count("\n") == 1
        assert not Path("DESIGN.YAML").exists()


def test_a_file_of_the_program_that_is_read_is_not_replaced(
    project: Path, laddersmith: Run
) -> None:
    """Results may be replaced by new ones, but not by a command that reads them."""
    before = read_inputs()
    done = laddersmith(*COMMANDS["check"], "--json", "results.json")
    assert done.returncode == 2
    assert "--json: a file that this command reads is never written over" in done.stderr
    assert read_inputs() == before
    assert laddersmith(*COMMANDS["fit"], "--json", "results.json").returncode == 0


def test_columns_never_replace_measurements(project: Path, laddersmith: Run) -> None:
    """The folder of the measurements is a natural place for curves, and has an on_axis.txt."""
    before = read_inputs()
    listed = sorted(os.listdir())
    for force in ([], ["--force"]):
        done = laddersmith(*COMMANDS["sheet"], "--columns", ".", *force)
        assert done.returncode == 2
        assert "--columns: a file that this command reads is never written over" in done.stderr
        assert read_inputs() == before
        assert sorted(os.listdir()) == listed, "half of the files were written"
    done = laddersmith(*COMMANDS["sheet"], "--columns", "new/curves")
    assert done.returncode == 0
    assert len(list(Path("new/curves").glob("*.txt"))) == 4


def test_charts_are_written_whole_or_not_at_all(project: Path, laddersmith: Run) -> None:
    """A drawing of that name by somebody else stays, and no other is written beside it."""
    Path("drawings").mkdir()
    Path("drawings/step.svg").write_text("<svg/>", encoding="utf-8")
    done = laddersmith(*COMMANDS["sheet"], "--charts", "drawings")
    assert done.returncode == 2
    assert "--charts: a file that laddersmith did not write" in done.stderr
    assert os.listdir("drawings") == ["step.svg"]
    assert laddersmith(*COMMANDS["sheet"], "--charts", "drawings", "--force").returncode == 0
    assert Path("drawings/step.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert "the axis alone was measured" in laddersmith(*COMMANDS["check"], "--charts").stdout


@pytest.mark.parametrize(
    "verb",
    [
        verb
        for verb in COMMANDS
        if verb not in ("demo", "board", "bench", "goals", "keys", "completion")
    ],
)
def test_outputs_are_written_replaced_and_kept(
    verb: str, project: Path, laddersmith: Run, tmp_path: Path
) -> None:
    """All outputs at once are written, and again; one that was edited is kept, but for --force.

    So what the other tests find refused would have been written.
    """
    names = [
        option for one, option in OUTPUTS if one == verb and option not in ("--save", "--design")
    ]
    outputs = [word for n, option in enumerate(names) for word in (option, tmp_path / f"out-{n}")]
    written = [tmp_path / f"out-{n}" for n, option in enumerate(names) if option not in FOLDERS]
    if verb == "netlist":
        written.pop()  # ngspice writes it, later
    before = read_inputs()
    for _ in range(2):
        done = laddersmith(*COMMANDS[verb], *outputs)
        assert done.returncode in (0, 3, 4), done
        assert all(path.is_file() for path in written)
    edited = written[-1]
    edited.write_text(edited.read_text(encoding="utf-8") + "my own words\n", encoding="utf-8")
    done = laddersmith(*COMMANDS[verb], *outputs)
    assert done.returncode == 2
    assert "is not replaced" in done.stderr
    assert "--force" in done.stderr
    assert edited.read_text(encoding="utf-8").endswith("my own words\n")
    assert read_inputs() == before
    if verb in ("check", "sheet", "netlist"):
        assert laddersmith(*COMMANDS[verb], *outputs, "--force").returncode == 0
        assert not edited.read_text(encoding="utf-8").endswith("my own words\n")


@pytest.mark.parametrize("verb", ["fit", "sheet"])
def test_two_outputs_of_one_name_are_refused(verb: str, project: Path, laddersmith: Run) -> None:
    """Under the same name, another spelling, or other capitals; nothing is written."""
    first, second = [option for one, option in OUTPUTS if one == verb][:2]
    for name in ("same.out", "./same.out", "SAME.out"):
        done = laddersmith(*COMMANDS[verb], first, "same.out", second, name)
        assert done.returncode == 2
        assert "every output needs a file of its own" in done.stderr
        assert not Path("same.out").exists()


def test_the_record_can_be_checked_by_others(project: Path) -> None:
    """Its lines are those of sha256sum."""
    import hashlib

    digest, name = (project / RECORD_NAME).read_text().splitlines()[-1].split("  ")
    assert hashlib.sha256((project / name).read_bytes()).hexdigest() == digest
