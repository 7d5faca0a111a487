"""Ten mixed fits: what `check` proposes for their networks is true of the changed network files."""

from __future__ import annotations

import copy
import csv
import io
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.conftest import cases
from tests.end_to_end.judge import (
    GRID,
    LOSSES,
    Board,
    apply,
    board_of_design,
    check,
    check_all,
    list_proposals,
    load,
    run,
    ways_that_may_turn,
    write_drivers,
)

PROMISE = 1e-6
"""How closely a cost promised and the cost of the changed file agree."""

WORTH = 0.01
"""A cost that falls by less need not be proposed."""

SHELF = """\
kind,value,count,DCR
inductor,0.22 mH,2,0.2 ohm
inductor,0.33 mH,2,0.25 ohm
inductor,0.47 mH,1,0.3 ohm
inductor,0.68 mH,2,0.35 ohm
inductor,1.0 mH,2,0.3 ohm
inductor,1.5 mH,2,0.4 ohm
inductor,2.2 mH,1,0.5 ohm
capacitor,2.2 uF,3,
capacitor,3.3 uF,2,
capacitor,4.7 uF,2,
capacitor,6.8 uF,2,
capacitor,10 uF,2,
capacitor,15 uF,2,
capacitor,22 uF,1,
resistor,1.0 ohm,2,
resistor,2.2 ohm,2,
resistor,3.3 ohm,1,
resistor,4.7 ohm,2,
resistor,6.8 ohm,2,
resistor,10 ohm,2,
resistor,15 ohm,1,
"""

BOUGHT = "kind,value,DCR,price\n" + "".join(
    f"inductor,{mh} mH,{dcr} ohm,{price} EUR\n"
    for mh, dcr, price in (
        (0.18, 0.15, 4), (0.27, 0.2, 5), (0.39, 0.24, 5.5), (0.56, 0.3, 6.5), (0.82, 0.35, 8),
        (1.2, 0.45, 10), (1.8, 0.5, 13), (2.7, 0.6, 17), (3.9, 0.7, 22),
    )
) + "".join(
    f"capacitor,{uf} uF,,{price} EUR\n"
    for uf, price in (
        (2.7, 2), (3.9, 2.6), (5.6, 3.2), (8.2, 4.3), (12, 5.7), (18, 8), (27, 11), (39, 15),
    )
) + "".join(
    f"resistor,{ohm} ohm,,{price} EUR\n"
    for ohm, price in ((1.2, 0.6), (1.8, 0.6), (2.7, 0.6), (3.9, 0.7), (5.6, 0.7), (8.2, 0.8), (12, 1))
)  # fmt: skip

LOW = """\
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.3 mH, to: 4 mH}
      - {name: C1, shunt: capacitor, from: 2 uF, to: 60 uF, optional: yes}
"""
HIGH = """\
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2 uF, to: 30 uF}
      - {name: L1, shunt: inductor, from: 0.1 mH, to: 2 mH, optional: yes}
      - {name: R1, series: resistor, from: 1 ohm, to: 10 ohm, optional: yes}
"""
GOALS = """\
goals:
  on_axis: {band: 100..12k}
  in_room: {weight: 0.5, band: 150..10k}
  impedance: {floor: 3.5 ohm, hard: yes}
  parts: {each: 0.03}
"""

MIXES = {
    # An old board: everything on it may be altered, some of it taken off.
    "board": """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, keep: 1.5 mH, dcr: 0.6, alter: yes}
      - {name: C1, shunt: capacitor, keep: 12 uF, alter: yes, optional: yes}
      - {name: Z1, shunt: equaliser, keep: {resistor: 8.2 ohm, capacitor: 15 uF}, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, keep: 5.6 uF, alter: yes}
      - {name: L1, shunt: inductor, keep: 0.6 mH, dcr: 0.4, alter: yes, optional: yes}
      - {name: P1, series: pad, keep: {series_resistor: 1 ohm, shunt_resistor: 22 ohm},
         alter: yes, optional: yes}
goals:
  on_axis: {band: 100..12k}
  in_room: {weight: 0.5, band: 150..10k}
  parts: {each: 0.03}
  changes: {each: 0.05}
stock: {series: E12}
""",
    # A board of which part must stay, part may go, with new places beside it.
    "board that stays": """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, keep: 1.0 mH, dcr: 0.4}
      - {name: N1, shunt: notch, keep: {inductor: 0.3 mH, capacitor: 10 uF, resistor: 3.3 ohm},
         dcr: 0.2, optional: yes}
      - {name: C1, shunt: capacitor, from: 2 uF, to: 40 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, keep: 4.7 uF}
      - {name: L1, shunt: inductor, keep: 0.5 mH, dcr: 0.3, optional: yes}
      - {name: P1, series: pad, series_resistor: 0.5 .. 8 ohm, shunt_resistor: 3 .. 40 ohm,
         optional: yes}
goals:
  on_axis: {band: 100..12k}
  impedance: {floor: 3 ohm}
  parts: {each: 0.02}
  changes: {each: 0.2}
stock: {series: E6}
""",
    "shelf": f"ways:\n{LOW}{HIGH}{GOALS}stock: {{shelf: shelf.csv, pair: no}}\n",
    "pair": f"ways:\n{LOW}{HIGH}{GOALS}stock: {{shelf: shelf.csv, pair: yes, join: 2}}\n",
    "joined": f"ways:\n{LOW}{HIGH}{GOALS}stock: {{series: E6, join: 2}}\n",
    "notch and trap": f"""\
ways:
{LOW}\
      - {{name: N1, shunt: notch, inductor: 0.1 .. 1 mH, capacitor: 2 .. 20 uF,
         resistor: 1 .. 10 ohm, optional: yes}}
  tweeter:
    polarity: free
    ladder:
      - {{name: C1, series: capacitor, from: 2 uF, to: 30 uF}}
      - {{name: T1, series: trap, inductor: 0.1 .. 0.47 mH, capacitor: 0.47 .. 4.7 uF,
         resistor: 2 .. 20 ohm, optional: yes}}
      - {{name: R1, series: resistor, from: 1 ohm, to: 10 ohm}}
{GOALS}stock: {{series: E6}}
""",
    "pad": f"""\
ways:
  woofer:
    polarity: free
    ladder:
      - {{name: L1, series: inductor, from: 0.3 mH, to: 4 mH}}
      - {{name: Z1, shunt: equaliser, resistor: 3.3 .. 12 ohm, capacitor: 4.7 .. 33 uF,
         optional: yes}}
  tweeter:
    polarity: free
    ladder:
      - {{name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 3 .. 47 ohm}}
      - {{name: C1, series: capacitor, from: 2 uF, to: 30 uF}}
      - {{name: L1, shunt: inductor, from: 0.1 mH, to: 2 mH, optional: yes}}
{GOALS}stock: {{series: E12, wire: 1.6 mm, capacitors: electrolytic}}
""",
    # As bare as it gets: one capacitor, one resistor, nothing before the woofer.
    "bare": """\
ways:
  woofer: {ladder: []}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 1 uF, to: 30 uF}
      - {name: R1, series: resistor, from: 1 ohm, to: 15 ohm, optional: yes}
goals: {on_axis: {band: 200..12k}, parts: {each: 0.05}}
stock: {series: {resistor: E24, capacitor: E12}}
""",
    "bought": f"""\
ways:
{LOW}\
      - {{name: L2, series: inductor, from: 0.15 mH, to: 2 mH, optional: yes}}
      - {{name: C2, shunt: capacitor, from: 2 uF, to: 40 uF, optional: yes}}
{HIGH}\
      - {{name: C2, series: capacitor, from: 2 uF, to: 40 uF, optional: yes}}
goals:
  on_axis: {{band: 100..12k}}
  impedance: {{floor: 3.5 ohm, hard: yes}}
  price: {{each: 0.004}}
  copper: {{each: 0.1}}
stock: {{bought: bought.csv}}
""",
    "three ways": f"""\
ways:
{LOW}\
  midrange:
    polarity: free
    ladder:
      - {{name: C1, series: capacitor, keep: 33 uF, alter: yes}}
      - {{name: L2, series: inductor, from: 0.15 mH, to: 2.2 mH}}
      - {{name: C2, shunt: capacitor, from: 2.2 uF, to: 22 uF, optional: yes}}
      - {{name: N1, shunt: notch, keep: {{inductor: 0.2 mH, capacitor: 4.7 uF, resistor: 4.7 ohm}},
         optional: yes}}
{HIGH}\
goals:
  on_axis: {{band: 100..12k}}
  in_room: {{weight: 0.5, band: 150..10k}}
  directivity: {{weight: 0.3, band: 200..8k}}
  parts: {{each: 0.03}}
  changes: {{each: 0.1}}
stock: {{series: E12}}
""",
}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A network, what the test knows of it: the cost of one that a single change leads to; that a
    search has proved no single change to better it."""

    words: str
    board: Board
    cost_of_way_back: float | None = None
    proved: bool = False


def spoil(board: Board, design: dict[str, Any]) -> Iterator[tuple[str, Board]]:
    """Networks one single change away, all worse or all better, as it happens.

    Drivers turned, one part of another value in every form, single optional parts left out. The
    change back is one that `check` can make: the part was there.
    """
    for way in ways_that_may_turn(design):
        yield f"{way} turned", board.turned(way)
    forms: set[str] = set()
    for way, data in design["ways"].items():
        for one in data["ladder"]:
            slot = board.ways[way].slots.get(one["name"])
            stays = "keep" in one and not (one.get("alter") or one.get("optional"))
            if slot is None or stays:
                continue
            if slot.form not in forms:
                forms.add(slot.form)
                other = copy.deepcopy(board)
                part = other.ways[way].slots[one["name"]].parts[-1]
                value = part["value"] * 2.1
                part.clear()
                part |= {"kind": slot.parts[-1]["kind"], "value": value, "loss": 0.1}
                if part["kind"] not in LOSSES:
                    part["loss"] = 0.0
                yield f"{way}.{one['name']} altered", other
            if one.get("optional") and len(slot.parts) == 1 and f"no {slot.form}" not in forms:
                forms.add(f"no {slot.form}")
                other = copy.deepcopy(board)
                del other.ways[way].slots[one["name"]]
                yield f"{way}.{one['name']} left out", other


def has_board(design: dict[str, Any]) -> bool:
    """Whether all that must be there is on the board already."""
    every = [one for way in design["ways"].values() for one in way["ladder"]]
    return any("keep" in one for one in every) and all(
        "keep" in one or one.get("optional") for one in every
    )


def count_pieces(candidate: dict[str, Any]) -> Counter[tuple[str, str]]:
    """Pieces that a network takes from the shelf, by kind and value."""
    return Counter(
        (part["kind"], f"{piece:.6g}")
        for way in candidate["ways"].values()
        for part in way["slots"]
        if part["origin"] == "shelf"
        for piece in part["pieces"]
    )


def count_shelf(speakers: int) -> dict[tuple[str, str], int]:
    scale = {"mH": 1e-3, "uF": 1e-6, "ohm": 1.0}
    counts = {}
    for row in csv.DictReader(io.StringIO(SHELF)):
        number, unit = row["value"].split()
        counts[row["kind"], f"{float(number) * scale[unit]:.6g}"] = int(row["count"]) // speakers
    return counts


ROUTINE = ("board", "notch and trap")


@pytest.mark.parametrize("name", cases(MIXES, routine=ROUTINE))
def test_proposals_are_true_of_the_files(name: str, tmp_path: Path) -> None:
    """Every saved network is checked; every proposal, carried out in the network file by this test,
    lowers the cost that `check` gives that file, to the cost it promised. Where a driver may be
    turned and turning it is the best thing that can be done, it is proposed; so is, or better, the
    way back from a network that this test has spoiled in one place. Nothing is proposed where the
    search has proved that no single change helps."""
    names = ("woofer", "midrange", "tweeter") if name == "three ways" else ("woofer", "tweeter")
    path = tmp_path / "design.yaml"
    path.write_text(f"{write_drivers(tmp_path, *names)}{MIXES[name]}{GRID}", encoding="utf-8")
    (tmp_path / "shelf.csv").write_text(SHELF, encoding="utf-8")
    (tmp_path / "bought.csv").write_text(BOUGHT, encoding="utf-8")
    design = yaml.safe_load(path.read_text(encoding="utf-8"))
    saved = tmp_path / "results.json"
    run("fit", path, "--seconds", 1, "--seed", 1, "--top", 3, "--workers", 1, "--json", saved)
    candidates = load(saved)["candidates"]
    assert candidates

    cases: list[tuple[Case, Any]] = []
    for candidate in candidates:
        board = Board.of_candidate(candidate)
        data = check(path, f"{saved}#{candidate['rank']}")
        assert data["candidate"]["cost"] == pytest.approx(candidate["cost"], abs=PROMISE)
        proved = candidate["no_better_change_of"] >= 1
        cases.append((Case(f"no. {candidate['rank']}", board, proved=proved), data))
    best = candidates[0]
    found = [
        Case(f"no. 1, {words}", board, best["cost"])
        for words, board in spoil(Board.of_candidate(best), design)
    ]
    if has_board(design):
        old = board_of_design(design)
        found += [Case("the old board", old), *(
            Case(f"the old board, {way} turned", old.turned(way))
            for way in ways_that_may_turn(design)
        )]  # fmt: skip
    for case in found:
        file = case.board.write(tmp_path / "spoiled.yaml")
        cases.append((case, check(path, file)))

    proposals = [list_proposals(data, case.board, design) for case, data in cases]
    turns = [{w: case.board.turned(w) for w in ways_that_may_turn(design)} for case, _ in cases]
    changed = [
        [apply(p, case.board, design) for p in listed]
        for (case, _), listed in zip(cases, proposals, strict=True)
    ]
    boards = [case.board for case, _ in cases]
    for some, turned in zip(changed, turns, strict=True):
        boards += [*some, *turned.values()]
    judged = iter(check_all(path, boards))
    present = [next(judged) for _ in cases]
    speakers = 2 if name == "pair" else 1

    turned_best = 0
    for (case, data), listed, ways, now in zip(cases, proposals, turns, present, strict=True):
        where = f"{name}, {case.words}"
        cost = now["cost"]
        assert data["candidate"]["cost"] == pytest.approx(cost, abs=PROMISE), where
        for proposal in listed:
            after = next(judged)
            assert after["cost"] < cost, f"{where}: {proposal}"
            assert after["cost"] == pytest.approx(proposal.cost, abs=PROMISE), (
                f"{where}: {proposal}"
            )
            if "shelf" in name or name == "pair":
                shelf, taken = count_shelf(speakers), count_pieces(after)
                short = {
                    p: n for p, n in (taken - count_pieces(now)).items() if taken[p] > shelf[p]
                }
                assert not short, f"{where}: {proposal} takes more than the shelf holds: {short}"
            single = len(proposal.changes) == 1 and proposal.turn_of in (None, *ways)
            assert not (case.proved and single), f"{where} was proved, yet {proposal}"
        promised = min((p.cost for p in listed), default=cost)
        promised_turn = min((p.cost for p in listed if p.turn_of), default=math.inf)
        for way in ways:
            turned = next(judged)["cost"]
            if turned < cost - WORTH and turned <= promised + PROMISE:
                turned_best += 1
                # Of two drivers either may be turned.
                assert promised_turn <= turned + PROMISE, (
                    f"{where}: turning {way} gives {turned}, proposed is at best {promised}"
                )
        if case.cost_of_way_back is not None and case.cost_of_way_back < cost - WORTH:
            assert promised <= case.cost_of_way_back + PROMISE, where
    assert next(judged, None) is None
    # A test of nothing would pass: most of what was spoiled can be mended.
    assert sum(map(len, proposals)) >= len(found) // 2
    assert turned_best
