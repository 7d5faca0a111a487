"""`voice --changes N` changes at most N parts, counted here from the files it is given and writes."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.conftest import cases
from tests.end_to_end.judge import (
    TWO_WAYS,
    Board,
    check_all,
    list_changed,
    load,
    run,
    write_drivers,
)

SHELF = """\
kind,value,count,DCR
inductor,0.33 mH,2,0.25 ohm
inductor,0.56 mH,1,0.3 ohm
inductor,1.0 mH,2,0.3 ohm
inductor,1.8 mH,2,0.45 ohm
capacitor,3.3 uF,2,
capacitor,4.7 uF,2,
capacitor,8.2 uF,2,
capacitor,15 uF,2,
resistor,1.0 ohm,2,
resistor,2.2 ohm,2,
resistor,4.7 ohm,2,
resistor,10 ohm,2,
"""

FREE = f"""\
{TWO_WAYS}\
      - {{name: T1, series: trap, inductor: 0.1 .. 0.47 mH, capacitor: 0.47 .. 4.7 uF,
         resistor: 2 .. 20 ohm, optional: yes}}
goals: {{on_axis: {{band: 100..12k}}, parts: {{each: 0.03}}}}
"""

BOARD = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, keep: 1.2 mH, dcr: 0.5, alter: yes}
      - {name: C1, shunt: capacitor, keep: 12 uF, alter: yes, optional: yes}
      - {name: N1, shunt: notch, keep: {inductor: 0.22 mH, capacitor: 15 uF, resistor: 3.3 ohm},
         alter: yes, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, keep: 5.6 uF, alter: yes}
      - {name: L1, shunt: inductor, keep: 0.6 mH, dcr: 0.4, optional: yes}
      - {name: P1, series: pad, keep: {series_resistor: 2.2 ohm, shunt_resistor: 10 ohm},
         optional: yes}
      - {name: Z1, shunt: equaliser, resistor: 3.3 .. 12 ohm, capacitor: 1 .. 10 uF,
         optional: yes}
goals: {on_axis: {band: 100..12k}, parts: {each: 0.03}, changes: {each: 0.05}}
"""

FULL = """\
ways:
  woofer:
    ladder:
      - {name: L1, value: 1.2 mH}
      - {name: C1, value: 12 uF}
      - {name: N1, inductor: 0.22 mH, capacitor: 15 uF, resistor: 3.3 ohm}
  tweeter:
    polarity: inverted
    ladder:
      - {name: C1, value: 5.6 uF}
      - {name: L1, value: 0.6 mH}
      - {name: P1, series_resistor: 2.2 ohm, shunt_resistor: 10 ohm}
"""

SPARE = """\
ways:
  woofer:
    ladder:
      - {name: L1, value: 1.8 mH}
  tweeter:
    polarity: normal
    ladder:
      - {name: C1, value: 8.2 uF}
"""

OTHER = """\
ways:
  woofer:
    ladder:
      - {name: L1, value: 1.0 mH}
      - {name: X1, series: trap, inductor: 0.3 mH, capacitor: 10 uF, resistor: 6.8 ohm}
      - {name: X2, shunt: equaliser, resistor: 6.8 ohm, capacitor: 15 uF}
  tweeter:
    polarity: inverted
    ladder:
      - {name: P1, series_resistor: 3.3 ohm, shunt_resistor: 6.8 ohm}
      - {name: C1, value: 6.8 uF}
"""

GRID = "grid: {band: 60..16k, per_octave: 4}\n"
"""Which parts differ can be counted on any grid."""

CASES = {
    "full": (FREE + "stock: {series: E6}\n", FULL),
    "spare": (FREE + "stock: {series: E6}\n", SPARE),
    "shelf": (FREE + "stock: {shelf: shelf.csv, pair: yes, join: 2}\n", FULL),
    "board": (BOARD + "stock: {series: E12}\n", FULL),
    "a board of its own": (FREE + "stock: {series: E6}\n", OTHER),
}

WISHES = (("1.5k..4k +2 dB",), ("sensitivity +1.5 dB", "8k..12k -1.5 dB"))

OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000, 16000)

LOOSE = ("--hold", "4 dB", "--hold", "level 6 dB", "--hold", "directivity 6 dB",
         "--hold", "impedance 50 %")  # fmt: skip
"""Limits that let compounds come and go, which is where counting may slip."""


def wish_it_away(design: Path, before: Board) -> Iterator[tuple[str, ...]]:
    """Wish, octave by octave, for just what leaving out each compound would do."""
    boards = [before]
    for way in before.ways:
        for slot, found in before.ways[way].slots.items():
            if len(found.parts) > 1:
                boards.append(copy.deepcopy(before))
                del boards[-1].ways[way].slots[slot]
    now, *others = (np.array(c["curves"]["on_axis_db"]) for c in check_all(design, boards))
    f = np.array(load(design.parent / "judged.json")["candidate"]["curves"]["frequency_hz"])
    for other in others:
        moved = [
            (low, high, float((other - now)[(f >= low) & (f <= high)].mean()))
            for low, high in pairwise(OCTAVES_HZ)
        ]
        wishes = tuple(f"{a}..{b} Hz {m:+.2f} dB" for a, b, m in moved if 0.3 < abs(m) < 12.0)
        if wishes:
            yield wishes


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("voice")


@pytest.mark.parametrize("name", cases(CASES, routine=("spare", "board")))
def test_no_more_parts_than_allowed(name: str, folder: Path, trials: Callable[..., int]) -> None:
    """Part by part, no answer differs from the network in more places than `--changes` allows, and
    each says exactly which: a part altered, added or left out counts one, in a compound too, and so
    does a driver turned. What `--save` writes is the answer that was asked for."""
    design_text, network_text = CASES[name]
    design, network = folder / "design.yaml", folder / "network.yaml"
    drivers = write_drivers(folder, "woofer", "tweeter")
    design.write_text(f"{drivers}{design_text}{GRID}", encoding="utf-8")
    network.write_text(network_text, encoding="utf-8")
    (folder / "shelf.csv").write_text(SHELF, encoding="utf-8")
    out, saved = folder / "voice.json", folder / "saved.yaml"
    run("check", design, network, "--json", out)
    # As the program reads it: losses and origins that the file leaves out are filled in.
    before = Board.of_candidate(load(out)["candidate"])

    used: list[int] = []
    for wishes in (*WISHES, *wish_it_away(design, before)):
        wished = [word for wish in wishes for word in ("--wish", wish)]
        for most in (1, 3, 2)[: trials(routine=2, full=3)]:
            saved.unlink(missing_ok=True)
            code = run("voice", design, network, *wished, "--changes", most, *LOOSE, "--top", 8,
                       "--save", saved, "--json", out, codes=(0, 3))  # fmt: skip
            answers = load(out)["answers"]
            assert answers or code == 3
            for answer in answers:
                after = Board.of_candidate(answer["candidate"])
                changed = list_changed(before, after)
                where = f"{name}, {wishes}, --changes {most}: {changed}"
                assert 1 <= len(changed) <= most, where
                said = [change["slot"] for change in answer["changes"]]
                assert sorted(said) == sorted(changed), where
                used.append(len(changed))
            assert saved.exists() == (code == 0)
            if code == 0:
                accepted = next(answer for answer in answers if answer["within_limits"])
                written = Board.of_file(saved)
                assert not list_changed(Board.of_candidate(accepted["candidate"]), written)
                assert 1 <= len(list_changed(before, written)) <= most
    assert {1, 2} <= set(used)


def test_parts_to_be_used_come_on_top(folder: Path) -> None:
    """A part that was asked for is no change that `voice` chose: N more may be changed."""
    design, network = folder / "design.yaml", folder / "network.yaml"
    drivers = write_drivers(folder, "woofer", "tweeter")
    design.write_text(f"{drivers}{CASES['full'][0]}{GRID}", encoding="utf-8")
    network.write_text(FULL, encoding="utf-8")
    out = folder / "voice.json"
    run("check", design, network, "--json", out)
    before = Board.of_candidate(load(out)["candidate"])
    for most in (1, 2):
        run("voice", design, network, "--use", "tweeter.P1.Rs 3.9 ohm", "--changes", most, *LOOSE,
            "--json", out)  # fmt: skip
        answers = load(out)["answers"]
        assert answers
        for answer in answers:
            changed = list_changed(before, Board.of_candidate(answer["candidate"]))
            assert "tweeter.P1.Rs" in changed
            assert 2 <= len(changed) <= most + 1
