"""Inputs as accident and malice make them: a project whose files and options are mutated by a seed.

`run_case(seed, ...)` does the whole of one case: it copies a healthy project, spoils some of what one
command reads, runs the command in this process and says what is wrong with how it ended. To look at
one again, or to try many outside of pytest::

    PYTHONPATH=. python tests/end_to_end/mutations.py FIRST COUNT
"""

from __future__ import annotations

import csv
import io
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import wave
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from optimizer.testing import FILE_HZ, write_driver
from tests.conftest import Done, run_command

LONGEST_S = 20
CODES = (0, 2, 3, 4, 130)

DESIGN = """\
speaker: Invented two-way
measured: {volts: 2.83 V, metres: 1 m, clock: shared}
drivers:
  woofer:
    response: {0: woofer.txt, "30 right": woofer_h30.txt}
    impedance: woofer_z.txt
    at: {up: -0.2 m, back: 20 mm}
    diaphragm: 130 mm
    limits: {watts: 80 W, highest_hz: 5 kHz, excursion: 5 mm}
  tweeter:
    response: {0: tweeter.wav, "30 right": tweeter_h30.txt}
    impedance: tweeter_z.txt
    level: 95 dB
    limits: {lowest_hz: 1.2 kHz}
ways:
  woofer:
    ladder:
      - &coil {name: L1, series: inductor, from: 0.5 mH, to: 3.3 mH}
      - {name: C1, shunt: capacitor, from: 4.7 uF, to: 33 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}
      - {name: P1, series: pad, series_resistor: 1 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm}
      - {name: R3, series: resistor, keep: 0.5 ohm, alter: yes, optional: yes}
goals:
  on_axis: {band: 300..15k, tilt: -0.5 dB/oct, weight: 1}
  impedance: {floor: 3 ohm, hard: no}
  parts: {each: 0.05}
stock: {series: E6, wire: 1.2 mm, shelf: shelf.csv, join: 1, pair: yes}
amplifier: {watts: 50, output: 0.1 ohm}
grid: {band: 200 .. 18k, per_octave: 6}
search: {seconds: 1, seed: 1, top: 2}
"""

NETWORK = """\
speaker: Invented two-way
note: the old board
ways:
  woofer:
    ladder:
      - {name: L1, value: 2.2 mH, dcr: 0.3 ohm, tolerance: 5 %}
      - {name: C1, value: 10 uF, esr: 0.05 ohm, pieces: 6.8 uF + 3.2 uF, joined: parallel}
  tweeter:
    polarity: inverted
    ladder:
      - {name: C1, value: 6.8 uF, rating: 250 V, price: 3.50, origin: shelf}
      - {name: P1, series_resistor: 2.2 ohm, shunt_resistor: {value: 10 ohm, rating: 5 W}}
"""

SHELF = """\
kind;value;count;tolerance;dcr;esr;rating;price;note;label
capacitor;4,7 uF;4;5 %;;0,05;250 V;2,50 EUR;film;A1
capacitor;6.8 uF;2;5 %;;;100 V;1,20 EUR;electrolytic;A2
coil;1,0 mH;2;;0,4;;;6 EUR;air core;
inductor;2.2 mH;2;;0.6 ohm;;3 A;9 EUR;;B
resistor;2R2;8;1 %;;;10 W;0,80 EUR;;
resistor;10 ohm;8;;;;5 W;0.60 EUR;;
"""

WORDS = """\
less bright: {meaning: treble softer, on_axis: {4k..16k: -1.5 dB}}
brighter: {meaning: treble stronger, on_axis: {4k..16k: +1.5 dB, 200..2k: -0.5 dB}}
"""

ANSWERS = """\
Old two-way
woofer tweeter
line coil 2,2 mH dcr 0.3
across capacitor 10uF


filter
line capacitor 6u8

line resistor 2R2

filter
no
yes
"""
"""What `board` is told about NETWORK, about."""

WAYS = DESIGN[DESIGN.index("ways:") : DESIGN.index("goals:")]
REWORK = DESIGN.replace(WAYS, "board: board.yaml\n")
BOARD = """\
ways:
  woofer: {ladder: [{name: L1, series: inductor, value: 2.2 mH, dcr: 0.3 ohm}]}
  tweeter:
    polarity: inverted
    ladder:
      - {name: C1, series: capacitor, value: 6.8 uF}
      - {name: L1, shunt: inductor, value: 0.33 mH, dcr: 0.2 ohm}
"""

_SEARCH = ("--evaluations", "100", "--seconds", "3", "--workers", "1")
_OUT = ("--json", "out.json")
COMMANDS: tuple[tuple[int, tuple[str, ...]], ...] = (
    (1, ("fit", "design.yaml", *_SEARCH, *_OUT)),
    (1, ("fit", "design.yaml", *_SEARCH, "--page", "out.html", "--robust")),
    (1, ("start", ".", *_SEARCH, *_OUT)),
    (1, ("trade", "design.yaml", "--between", "on_axis", "parts", "--points", "3", "--seconds", "0.3",
         "--workers", "1", *_OUT)),
    (1, ("survey", ".", *_OUT)),
    (1, ("survey", "design.yaml", "--page", "out.html")),
    (24, ("check", "design.yaml", "network.yaml", *_OUT)),
    (12, ("check", "design.yaml", "results.json#1", *_OUT, "--against", "network.yaml")),
    (1, ("check", "design.yaml", "network.yaml", "--page", "out.html")),
    (8, ("voice", "design.yaml", "network.yaml", "--wish", "less bright", "--words", "words.yaml",
         "--changes", "1", "--save", "out.yaml", "--accept", "1", *_OUT)),
    (3, ("verify", "design.yaml", "network.yaml", "built.txt", "impedance=built_z.txt", *_OUT)),
    (2, ("sheet", "design.yaml", "network.yaml", "--html", "out.html", "--parts", "out.csv",
         "--schematic", "out.svg", "--markdown", "out.md", "--columns", "out", "--charts", "out")),
    (2, ("sheet", "design.yaml", "results.json#2", "--curves", "out.csv")),
    (14, ("netlist", "design.yaml", "network.yaml", "--output", "out.cir")),
    (3, ("hear", "design.yaml", "network.yaml", "results.json#1", "--most-boost", "40 dB",
         "--impulse", "out.wav", *_OUT)),
    (3, ("check", "rework.yaml", "board.yaml", *_OUT)),
    (2, ("sheet", "rework.yaml", "board.yaml", "--html", "out.html")),
    (3, ("board", "out.yaml")),
    (2, ("diary", "design.yaml")),
    (2, ("diary", "design.yaml", "--note", "a little bright")),
    (2, ("diary", "design.yaml", "--compare", "2", "results.json#1", *_OUT)),
    (1, ("guide", "measuring", "--page", "out.html")),
    (1, ("keys", "excursion")),
    (1, ("goals", "on_axis")),
)  # fmt: skip
"""How often each is taken, and the command. Whatever is named out is written by it."""

OPTIONS = (
    "--seconds", "--seed", "--top", "--workers", "--by", "--evaluations", "--between", "--points",
    "--against", "--wish", "--use", "--changes", "--hold", "--words", "--accept", "--save", "--as",
    "--diameter", "--depth", "--front", "--order", "--gate", "--clock", "--design", "--noise",
    "--band", "--tolerance", "--other", "--amplifier", "--rated", "--limit", "--drivers-within",
    "--speakers", "--markdown", "--schematic", "--columns", "--charts", "--curves", "--output", "--exact",
    "--robust", "--quiet", "--force", "--list-words", "--music", "--excerpt", "--place", "--rate",
    "--most-boost", "--blind", "--answers", "--trials", "--changed",
)  # fmt: skip
WORDS_OF_OPTIONS = (
    "", "-1", "0", "1", "2", "nan", "inf", "1e999", "9" * 40, "x", "-", "--", ".", "/", "out.json",
    "design.yaml", "network.yaml", "woofer.txt", "results.json#1", "results.json#9", "nowhere/x",
    "woofer=130 mm", "woofer=220x360 mm", "woofer=0", "tweeter,woofer", "5 ms", "1 h", "2k..5k -1dB",
    "20k..20 1 dB", "on_axis above 4k -1e9 dB", "tweeter.C1 4.7 uF", "woofer.L1 2.2 mH", "on_axis",
    "parts", "on_axis=1", "cost=nan", "80 W", "4 ohm", "1e30 W", "0.5 dB", "30 right=woofer.txt",
    "woofer.txt=tweeter impedance", "*=ignore", "woofer.txt=frequency kHz, level, phase rad",
    "\x1b[2J", "\u202e", "a\nb", "ä Ω", "{design}", "{name}{", "%s%n", "$(touch pwned)", "'; x",
    "level 2 dB", "impedance 90 %", "100..10k", "none", "shared", "cost", "verdicts",
)  # fmt: skip

NUMBERS = (
    "0", "-0", "-1", "1", "1e999", "-1e308", "1e-320", "1e-9", "1e9", "nan", "inf", "-inf", "9" * 40,
    "0x10", "1_000", "1,5", "1.000,5", "٣", "½", "1e", "--1", "+", ".", "1/2", "5 %", "7 kHz", "3 m",
    "4.7 uF", "1..2", "2..1", "free", "yes", "",
)  # fmt: skip
SCRAPS = (
    *"{}[]:,-#&*!|>'\"%@`\t\n .~?;=\x00\x1b\x7f\x85\u2028\u202e\ufeff\\", "<<: *coil", "*coil", "&a ",
    "*a", "null", "~", "yes", "[]", "{}", "[1, 2]", "{a: b}", "---\n", "...\n", "!!int ", "? ",
    "!!python/object/apply:os.system [x]", "\n  ", "- ", "\r", "\r\n\r\n", "é", "漢", "\U0001f3b5",
    "\ud800", "../", "/dev/zero", "/", "~/x", "$HOME", "x" * 3000, "=1+1", "<script>", ".include x",
    "NaN", "1e400", "on_axis", "tweeter", "inductor", "\n" * 50, " " * 300,
)  # fmt: skip
JSON_VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 1, 1e308, 1e-308, -1e30, 10**30, "", "x", "\x1b", [], {}, [[]], [None], {"a": 1},
    "L1", "inductor", "series", float("nan"), float("inf"), "9" * 300, [1, "a"], "tap",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How a case ended."""

    seed: int
    words: tuple[str, ...]
    spoiled: tuple[str, ...]
    done: Done
    faults: tuple[str, ...]

    def __str__(self) -> str:
        return (
            f"seed {self.seed}: laddersmith {' '.join(map(repr, self.words))}\n"
            f"  spoiled: {'; '.join(self.spoiled)}\n  faults: {'; '.join(self.faults)}\n"
            f"  code {self.done.returncode}: {self.done.stderr[-600:]!r}"
        )


class Hang(BaseException):
    """Raised into a command that takes too long; nobody catches it."""


def make_project(folder: Path) -> None:
    """Write the healthy project."""
    low = 87.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 4000.0) ** 4)
    high = 90.0 - 10.0 * np.log10(1.0 + (800.0 / FILE_HZ) ** 4)
    write_driver(folder, "woofer", level_db=low)
    write_driver(folder, "tweeter", level_db=high, ohm=6.0)
    shutil.copy(folder / "woofer.txt", folder / "woofer_h30.txt")
    shutil.copy(folder / "tweeter.txt", folder / "tweeter_h30.txt")
    shutil.copy(folder / "tweeter.txt", folder / "built.txt")
    shutil.copy(folder / "woofer_z.txt", folder / "built_z.txt")
    (folder / "tweeter.txt").unlink()
    time = np.arange(960) / 48_000.0
    samples = 0.8 * np.exp(-time * 9000.0) * np.cos(2 * np.pi * 6000.0 * time)
    with wave.open(str(folder / "tweeter.wav"), "wb") as file:
        file.setparams((1, 2, 48_000, 960, "NONE", ""))
        file.writeframes((32000 * np.roll(samples, 48)).astype("<i2").tobytes())
    texts = {
        "design.yaml": DESIGN,
        "network.yaml": NETWORK,
        "shelf.csv": SHELF,
        "words.yaml": WORDS,
        "rework.yaml": REWORK,
        "board.yaml": BOARD,
        "answers.txt": ANSWERS,
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    results = folder / "results.json"
    done = run_command("fit", folder / "design.yaml", *_SEARCH, "--json", results)
    assert done.returncode == 0, done.stderr
    data = json.loads(results.read_text(encoding="utf-8"))
    for candidate in data["candidates"]:
        candidate["curves"] = {}
    results.write_text(json.dumps(data), encoding="utf-8")
    for more in (("--begin",), ("--choose", f"{results}#1")):
        done = run_command("diary", folder / "design.yaml", *more)
        assert done.returncode == 0, done.stderr
    (folder / ".laddersmith-written").unlink()


def spoil_text(raw: bytes, draw: random.Random) -> bytes:
    """Spoil text at one place."""
    text = raw.decode("utf-8", "surrogateescape")
    how = draw.randrange(11)
    place = draw.randrange(len(text) + 1)
    lines = text.split("\n")
    line = draw.randrange(len(lines))
    if how == 0:
        text = text[:place] + text[place + draw.randint(1, 30) :]
    elif how == 1:
        text = text[:place] + draw.choice(SCRAPS) + text[place:]
    elif how in (2, 3, 4):
        found = list(re.finditer(r"-?\d+(\.\d+)?", text))
        if found:
            one = draw.choice(found)
            text = text[: one.start()] + draw.choice(NUMBERS) + text[one.end() :]
    elif how == 5:
        text = "\n".join(lines[:line] + lines[line + draw.randint(1, 3) :])
    elif how == 6:
        text = "\n".join(lines[:line] + [lines[line]] * draw.choice((2, 50)) + lines[line:])
    elif how == 7:
        text = text[:place]
    elif how == 8:
        words = list(re.finditer(r"[A-Za-z_]\w*", text))
        if words:
            one = draw.choice(words)
            other = draw.choice((draw.choice(words)[0], draw.choice(SCRAPS)))
            text = text[: one.start()] + other + text[one.end() :]
    elif how == 9:
        found = list(re.finditer(r": ([^{}\[\],\n]+)", text))
        if found:
            one = draw.choice(found)
            text = text[: one.start(1)] + draw.choice(SCRAPS) + text[one.end(1) :]
    else:
        other = draw.randrange(len(lines))
        lines[line], lines[other] = lines[other], lines[line]
        text = "\n".join(lines)
    return text.encode("utf-8", "surrogatepass" if "\ud800" in text else "surrogateescape")


def spoil_bytes(raw: bytes, draw: random.Random) -> bytes:
    """Spoil a file without regard to what it holds."""
    how = draw.randrange(8)
    place = draw.randrange(len(raw) + 1)
    if how == 0:
        return raw[:place]
    if how == 1:
        return raw[:place] + draw.randbytes(draw.randint(1, 40)) + raw[place:]
    if how == 2:
        spoiled = bytearray(raw)
        for _ in range(draw.randint(1, 20)):
            if spoiled:
                spoiled[draw.randrange(min(len(spoiled), 64))] = draw.randrange(256)
        return bytes(spoiled)
    if how == 3:
        return raw.decode("latin-1").encode(draw.choice(("utf-16", "utf-32", "utf-16-be")))
    if how == 4:
        return draw.choice(
            (b"", b"\n", b"\0" * 50, b"PK\x03\x04", b"%PDF-1.4", b"RIFF", b"\xff\xfe")
        )
    if how == 5:
        return raw.replace(b"\n", draw.choice((b"\r", b"\r\n", b"")))
    if how == 6:
        return raw * draw.choice((2, 20))
    return draw.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"# x\n", b"\x1b[2J")) + raw


def spoil_json(raw: bytes, draw: random.Random) -> bytes:
    """Spoil one value of a JSON file."""
    data = json.loads(raw)
    here: Any = data
    while True:
        keys = list(here) if isinstance(here, dict) else list(range(len(here)))
        key = draw.choice(keys)
        inner = here[key]
        if not (isinstance(inner, dict | list) and inner) or draw.random() < 0.08:
            break
        here = inner
    how = draw.randrange(4)
    if how == 0:
        del here[key]
    elif how == 1 and isinstance(here, dict):
        here[draw.choice(("name", "kind", "value", "at", "ways", "x"))] = here.pop(key)
    else:
        here[key] = draw.choice(JSON_VALUES)
    return json.dumps(data).encode("utf-8", "replace")


def spoil_table(raw: bytes, draw: random.Random) -> bytes:
    """Spoil one cell of a list of parts."""
    rows = list(csv.reader(raw.decode("utf-8").splitlines(), delimiter=";"))
    row = draw.choice(rows)
    row[draw.randrange(len(row))] = draw.choice((*NUMBERS, *SCRAPS))
    stream = io.StringIO()
    csv.writer(stream, delimiter=draw.choice(";;,\t")).writerows(rows)
    return stream.getvalue().encode("utf-8", "replace")


def spoil_place(path: Path, draw: random.Random) -> str:
    """Put something else where a file should be."""
    how = draw.choice(("missing", "folder", "pipe", "ring", "device", "other"))
    path.unlink()
    if how == "folder":
        path.mkdir()
    elif how == "pipe":
        os.mkfifo(path)
    elif how == "ring":
        path.symlink_to(path.name)
    elif how == "device":
        path.symlink_to("/dev/zero")
    elif how == "other":
        others = [one for one in path.parent.iterdir() if one.is_file()]
        path.write_bytes(draw.choice(sorted(others)).read_bytes())
    return how


def spoil_file(path: Path, draw: random.Random) -> str:
    """Spoil one file; return how."""
    if not path.is_file():
        return "gone"
    raw = path.read_bytes()
    ways: list[Callable[[bytes, random.Random], bytes]] = [spoil_text] * 8 + [spoil_bytes]
    if path.suffix == ".wav":
        ways = [spoil_bytes]
    elif path.suffix == ".json":
        ways = [spoil_json] * 8 + [spoil_text, spoil_bytes]
    elif path.suffix == ".csv":
        ways = [spoil_table] * 4 + [spoil_text, spoil_bytes]
    if draw.random() < 0.03:
        return spoil_place(path, draw)
    way = draw.choice(ways)
    try:
        path.write_bytes(way(raw, draw))
    except (ValueError, IndexError):  # spoiled before beyond what this way takes
        path.write_bytes(spoil_bytes(raw, draw))
    return way.__name__


def draw_command(draw: random.Random) -> tuple[str, ...]:
    weights = [weight for weight, _ in COMMANDS]
    return draw.choices([words for _, words in COMMANDS], weights)[0]


def list_read(words: tuple[str, ...], folder: Path) -> list[Path]:
    """Files that a command reads, the design and what it names most of all."""
    data = [path for path in sorted(folder.iterdir()) if path.suffix in (".txt", ".wav", ".diary")]
    named = [folder / word.partition("#")[0].rpartition("=")[2] for word in words[1:]]
    named = [path for path in named if path.is_file()]
    others = [folder / "shelf.csv"] if folder / "design.yaml" in named else []
    return [*named, *named, *named, *others, *others, *data]


def run_case(seed: int, template: Path, folder: Path) -> Outcome:
    """Spoil a copy of a project and run one command on it.

    Parameters
    ----------
    seed : int
        Of everything drawn.
    template : Path
        As `make_project` filled it; untouched.
    folder : Path
        For the copy; must not exist, and is the current folder while the command runs.
    """
    draw = random.Random(seed)
    shutil.copytree(template, folder)
    words = draw_command(draw)
    spoiled = []
    read = list_read(words, folder)
    for _ in range(draw.choice((1, 1, 2, 3))):
        if words[0] == "goals" or draw.random() < 0.15:
            more = draw.choice(OPTIONS), draw.choice(WORDS_OF_OPTIONS)
            place = draw.randint(1, len(words))
            words = (*words[:place], *more[: draw.choice((1, 2, 2, 2))], *words[place:])
            spoiled.append("options")
        elif read:
            path = draw.choice(read)
            spoiled.append(f"{path.name} by {spoil_file(path, draw)}")
    return run_words(seed, words, tuple(spoiled), folder)


def run_words(seed: int, words: tuple[str, ...], spoiled: tuple[str, ...], folder: Path) -> Outcome:
    """Run a command in a folder and judge how it ended."""
    before = list_contents(folder)
    here = Path.cwd()
    os.chdir(folder)

    def stop(number: int, frame: FrameType | None) -> None:
        raise Hang

    old = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, 10 * LONGEST_S)
    used = os.times().user
    answers = folder / "answers.txt"
    # They may have become a folder, a device or a loop of links.
    told_it = answers.read_bytes() if answers.is_file() else b""
    told, sys.stdin = sys.stdin, io.StringIO(told_it.decode("latin-1"))
    try:
        done = run_command(*words)
    except Hang:
        done = Done(returncode=-1, stdout="", stderr="hang")
    except BaseException as error:
        done = Done(returncode=-2, stdout="", stderr=f"Traceback {type(error).__name__}: {error}")
    finally:
        sys.stdin = told
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)
        os.chdir(here)
    used = os.times().user - used
    faults = tuple(judge(done, before, list_contents(folder)))
    if used > LONGEST_S:
        faults = (*faults, f"took {used:.0f} s of computing")
    return Outcome(seed=seed, words=words, spoiled=spoiled, done=done, faults=faults)


def list_contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def judge(done: Done, before: dict[str, bytes], after: dict[str, bytes]) -> list[str]:
    """Say what is wrong with how a command ended; nothing is in order."""
    faults = []
    if done.returncode not in CODES:
        faults.append(f"exit code {done.returncode}")
    if "Traceback" in done.stderr or "Traceback" in done.stdout:
        faults.append("a trace")
    lines = [line for line in done.stderr.splitlines() if line.startswith("laddersmith: ")]
    if done.returncode == 2 and len(lines) != 1 and "invalid choice" not in done.stderr:
        faults.append(f"{len(lines)} messages")
    if not (done.stderr + done.stdout).replace("\n", "").replace("\t", "").isprintable():
        faults.append("what cannot be seen")
    for name, content in before.items():
        added_to = name.endswith(".diary") and after.get(name, b"").startswith(content)
        if after.get(name) != content and not added_to:
            faults.append(f"{name} changed")
    new = {name: content for name, content in after.items() if name not in before}
    for name, content in new.items():
        if name.endswith(".part"):
            faults.append(f"{name} left over")
        elif name == ".laddersmith-written":
            continue
        elif not is_whole(name, content):
            faults.append(f"{name} is not whole")
    return faults


def is_whole(name: str, content: bytes) -> bool:
    """Whether a written file is complete, by its kind."""
    if name.endswith(".wav"):
        return content[:4] == b"RIFF" and int.from_bytes(content[4:8], "little") == len(content) - 8
    text = content.decode("utf-8")
    if name.endswith(".json"):
        try:
            json.loads(text, parse_constant=_refuse_constant)
        except ValueError:
            return False
    endings = {".html": "</html>", ".svg": "</svg>", ".cir": ".end"}
    return text.rstrip().endswith(endings.get(Path(name).suffix, ""))


def _refuse_constant(word: str) -> None:
    raise ValueError(f"{word} is no JSON")


def try_many(first: int, count: int) -> None:
    """Run cases and print those that are wrong, and a summary of the codes."""
    codes: dict[int, int] = {}
    with tempfile.TemporaryDirectory() as name:
        template = Path(name) / "template"
        template.mkdir()
        make_project(template)
        for seed in range(first, first + count):
            folder = Path(name) / "case"
            outcome = run_case(seed, template, folder)
            shutil.rmtree(folder)
            codes[outcome.done.returncode] = codes.get(outcome.done.returncode, 0) + 1
            if outcome.faults:
                print(outcome, flush=True)
            if seed % 100 == 99:
                print(f"# {seed + 1 - first} tried, codes {codes}", flush=True)
    print(f"# {count} tried, codes {codes}", flush=True)


if __name__ == "__main__":
    try_many(int(sys.argv[1]), int(sys.argv[2]))
