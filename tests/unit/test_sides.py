"""Left and right: measured pieces shared out for a pair, with what that leads to."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from optimizer.bench.build.sheet import build_sheet
from optimizer.bench.build.sides import share_out
from optimizer.bench.networks.alike import tell_alike
from optimizer.cli.main import main
from optimizer.design.build import build_problem, load_design
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.report.document import Note, Table
from optimizer.report.documents.sheet import document_sheet
from optimizer.report.render.markdown import render_markdown
from optimizer.testing import write_driver

FREQUENCY = np.geomspace(20.0, 20000.0, 61)
OHM = 8.0

DESIGN = """\
drivers:
  woofer: {response: woofer.txt, impedance: woofer_z.txt}
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.5 mH, to: 3.3 mH}
      - {name: C1, shunt: capacitor, from: 4.7 uF, to: 33 uF}
      - {name: R1, series: resistor, from: 1 ohm, to: 10 ohm}
goals:
  on_axis: {band: 100..15k}
"""

SHELF = """\
kind,type,value,measured,label,count,tolerance,DCR,rating
inductor,air core,1.0 mH,,,4,4 %,0.4,8 A
capacitor,film,10 uF,9.7 uF,A1,,,,250 V
capacitor,film,10 uF,10.4 uF,A2,,,,250 V
capacitor,film,10 uF,9.9 uF,A3,,,,250 V
capacitor,film,10 uF,10.3 uF,A4,,,,250 V
capacitor,bipolar electrolytic,15 uF,,,4,10 %,,63 V
resistor,wirewound,4.7 ohm,,,2,5 %,,10 W
"""


def write(folder: Path, stock: str) -> Path:
    """Write an invented one-way design over a flat driver of 8 ohm, with its shelf."""
    write_driver(folder, "woofer", ohm=OHM)
    (folder / "shelf.csv").write_text(SHELF, encoding="utf-8")
    path = folder / "design.yaml"
    path.write_text(f"{DESIGN}stock: {{shelf: shelf.csv, {stock}}}\n", encoding="utf-8")
    return path


def make(folder: Path, stock: str = "pair: yes, join: 2") -> Problem:
    return build_problem(load_design(write(folder, stock)))


def network(problem: Problem, **wanted: tuple[float, ...]) -> Network:
    """Put parts of these pieces into the three slots; the others are the first of the stock."""
    space = problem.space
    fitted = space.network(space.supply and next(iter(_buildable(problem))))
    slots = []
    for slot in fitted.ways[0].slots:
        kind = slot.parts[0].kind
        options = problem.stock.options(kind, 1e-9, 1e6)
        pieces = wanted.get(slot.name)
        part = (
            slot.parts[0]
            if pieces is None
            else next(p for p in options if p.pieces == pytest.approx(pieces, rel=1e-6))
        )
        slots.append(replace(slot, parts=(part,)))
    return Network(ways=(replace(fitted.ways[0], slots=tuple(slots)),))


def _buildable(problem: Problem):
    from optimizer.problem.genome import Genome

    space = problem.space
    yield Genome(
        choice=np.zeros(len(space.options), dtype=np.intp),
        present=np.ones(len(space.slots), dtype=bool),
        polarity=space.polarity_start,
    )


def with_values(built: Network, **values: float) -> Network:
    """The same network with other values, computed as a network of its own."""
    way = built.ways[0]
    return Network(
        ways=(
            replace(
                way,
                slots=tuple(
                    replace(
                        s, parts=(replace(s.parts[0], value=values.get(s.name, s.parts[0].value)),)
                    )
                    for s in way.slots
                ),
            ),
        )
    )


def test_the_difference_is_that_of_two_networks_computed_apart(tmp_path: Path) -> None:
    """Level difference and costs are those of the left and of the right network by themselves."""
    problem = make(tmp_path)
    built = network(problem, C1=(10.075e-6,))
    sides = share_out(problem, built)
    assert sides is not None
    (slot,) = sides.slots
    assert slot.slot == "woofer.C1"
    left, right = (
        build_candidate(problem, with_values(built, C1=value))
        for value in (slot.left_value, slot.right_value)
    )
    inside = (problem.frequency_hz >= 100.0) & (problem.frequency_hz <= 15000.0)
    difference = (left.curves.named_db["on_axis"] - right.curves.named_db["on_axis"])[inside]
    assert sides.rms_db == pytest.approx(np.sqrt((difference**2).mean()), rel=1e-6)
    assert abs(sides.worst_db) == pytest.approx(abs(difference).max(), rel=1e-6)
    assert sides.worst_hz == pytest.approx(problem.frequency_hz[inside][abs(difference).argmax()])
    assert (sides.left_cost, sides.right_cost) == pytest.approx((left.cost, right.cost))


def test_no_other_two_pieces_are_closer(tmp_path: Path) -> None:
    """Of four measured capacitors the two that differ least are taken, labels with their values."""
    problem = make(tmp_path)
    sides = share_out(problem, network(problem, C1=(10.075e-6,)))
    assert sides is not None
    (slot,) = sides.slots
    measured = {"A1": 9.7e-6, "A2": 10.4e-6, "A3": 9.9e-6, "A4": 10.3e-6}
    least = min(abs(math.log(measured[a] / measured[b])) for a, b in permutations(measured, 2))
    assert abs(math.log(slot.left_value / slot.right_value)) == pytest.approx(least)
    for piece in (*slot.left, *slot.right):
        assert measured[piece.label] == pytest.approx(piece.value)
    assert {p.label for p in (*slot.left, *slot.right)} == {"A2", "A4"}


def test_what_the_others_add_is_the_closed_form(tmp_path: Path) -> None:
    """One resistor before a resistive load: 20 / ln 10 R / (R + Z) t sqrt(2 / 3) dB."""
    path = write(tmp_path, "pair: yes")
    text = path.read_text(encoding="utf-8").replace("{name: L1,", "{name: L1, optional: yes,")
    path.write_text(text.replace("to: 3.3 mH}", "to: 3.3 mH}"), encoding="utf-8")
    problem = build_problem(load_design(path))
    built = network(problem, C1=(10.075e-6,))
    way = built.ways[0]
    bare = Network(ways=(replace(way, slots=tuple(s for s in way.slots if s.name != "L1")),))
    sides = share_out(problem, bare)
    assert sides is not None
    # The source has no resistance of its own, so the capacitor across it does nothing.
    assert sides.rms_db == pytest.approx(0.0, abs=1e-9)
    r, t = 4.7, 0.05
    assert sides.others_db == pytest.approx(
        20.0 / math.log(10.0) * r / (r + OHM) * t * math.sqrt(2.0 / 3.0), rel=1e-6
    )


def test_nothing_to_choose_is_none(tmp_path: Path) -> None:
    """Without a pair, or without a measured piece in the network, no sides are told."""
    problem = make(tmp_path)
    assert share_out(problem, network(problem, C1=(15e-6,))) is None
    single = make(tmp_path, "pair: no")
    assert share_out(single, network(single, C1=(9.7e-6,))) is None


def test_the_sheet_lists_left_and_right(tmp_path: Path) -> None:
    """One row for each part with measured pieces, by label; nothing of it for a single speaker."""
    problem = make(tmp_path)
    candidate = build_candidate(problem, network(problem, C1=(10.075e-6,)))
    sheet = build_sheet(problem, candidate, network="n.yaml")
    section = next(s for s in document_sheet(sheet).sections if s.title == "Left and right")
    (row,) = next(p for p in section.parts if isinstance(p, Table)).rows
    assert row[0] == "C1"
    assert sorted(row[1:3]) == ["10.3 uF (A4)", "10.4 uF (A2)"]
    assert row[3] in ("+0.97 %", "-0.97 %")
    assert sheet.sides is not None
    said = " ".join(p.text for p in section.parts if isinstance(p, Note))
    assert f"{sheet.sides.rms_db:.2f} dB rms from" in said
    one = build_sheet(problem, candidate, network="n.yaml", speakers=1)
    assert all(s.title != "Left and right" for s in document_sheet(one).sections)


def test_fit_says_which_piece_goes_where(tmp_path: Path, capsys) -> None:
    """The terminal shows the pick list of the best network, 100 columns wide at most."""
    path = write(tmp_path, "pair: yes")
    text = path.read_text(encoding="utf-8")
    # Only measured capacitors are in the range.
    path.write_text(text.replace("to: 33 uF", "to: 12 uF"), encoding="utf-8")
    assert main(["fit", str(path), "--seconds", "2", "--workers", "1", "--top", "1"]) == 0
    shown = capsys.readouterr().out
    assert "Left and right" in shown
    assert "10.4 uF (A2)" in shown
    assert "10.3 uF (A4)" in shown
    assert max(map(len, shown.splitlines())) <= 100


def test_of_two_makes_the_one_meant_is_told(tmp_path: Path) -> None:
    """A value that lies on the shelf in two makes is named with its make, also when joined."""
    path = write(tmp_path, "pair: yes, join: 2")
    shelf = SHELF.replace(
        "capacitor,bipolar", "capacitor,film,15 uF,,,2,5 %,,250 V\ncapacitor,bipolar"
    )
    (tmp_path / "shelf.csv").write_text(shelf, encoding="utf-8")
    problem = build_problem(load_design(path))
    film, bipolar = (lot.part for lot in problem.stock.lots if lot.nominal == 15e-6)
    for wanted, words in (
        ((film.value,), "woofer C1: 15 uF film, 250 V (not bipolar electrolytic, 63 V)"),
        ((bipolar.value,), "woofer C1: 15 uF bipolar electrolytic, 63 V (not film, 250 V)"),
    ):
        built = network(problem)
        way = built.ways[0]
        part = next(p for p in problem.stock.options("capacitor", 1e-6, 1e-4) if p.pieces == wanted)
        built = Network(
            ways=(
                replace(
                    way,
                    slots=tuple(
                        replace(s, parts=(part,)) if s.name == "C1" else s for s in way.slots
                    ),
                ),
            )
        )
        assert tell_alike(problem.stock, built) == (words,)
    joined = next(
        p
        for p in problem.stock.options("capacitor", 1e-6, 1e-4)
        if set(p.pieces) == {film.value, bipolar.value}
    )
    built = Network(
        ways=(
            replace(
                way,
                slots=tuple(
                    replace(s, parts=(joined,)) if s.name == "C1" else s for s in way.slots
                ),
            ),
        )
    )
    assert len(tell_alike(problem.stock, built)) == 2


def test_too_few_pieces_for_both_speakers_are_named(tmp_path: Path) -> None:
    """A network that takes more than there is has a warning in the pick list."""
    problem = make(tmp_path, "pair: no, join: 2")
    built = network(problem, C1=(15e-6, 15e-6), R1=(4.7,))
    sheet = build_sheet(problem, build_candidate(problem, built), network="n.yaml")
    assert sheet.short == ()  # two of two resistors, four of four capacitors
    three = build_sheet(problem, build_candidate(problem, built), network="n.yaml", speakers=3)
    assert len(three.short) == 2
    text = " ".join(render_markdown(document_sheet(three)).split())
    assert "too few pieces of 15 uF: 2 for each of 3, 1 there for each" in text
    assert "too few pieces of 4.7 ohm: 1 for each of 3, 0 there for each" in text
    measured = network(problem, C1=(9.7e-6,))
    once = build_sheet(problem, build_candidate(problem, measured), network="n.yaml")
    assert "too few pieces of 9.7 uF" in once.short[0]


def test_joined_pieces_keep_what_the_shelf_says_of_each(tmp_path: Path) -> None:
    """The pick list tells make, rating and tolerance of every piece of a joined part."""
    problem = make(tmp_path)
    built = network(problem, C1=(10.075e-6, 15e-6))
    candidate = build_candidate(problem, built)
    items = {
        round(1e6 * i.value, 3): i
        for i in build_sheet(problem, candidate, network="n.yaml").items
        if i.kind == "capacitor"
    }
    assert set(items) == {10.075, 15.0}
    assert items[15.0].note.startswith("bipolar electrolytic")
    assert (items[15.0].rating, items[15.0].tolerance) == (63.0, 0.10)
    assert items[10.075].rating == 250.0
    assert "10 uF printed, measured one by one" in items[10.075].note


def test_limits_of_the_sheet_give_a_yield(tmp_path: Path) -> None:
    """A limit at the median is kept by half of the speakers drawn."""
    problem = make(tmp_path)
    candidate = build_candidate(problem, network(problem, C1=(15e-6,)))
    plain = build_sheet(problem, candidate, network="n.yaml").spread
    cost = next(g for g in plain.goals if g.name == "cost")
    halved = build_sheet(problem, candidate, network="n.yaml", limits={"cost": cost.mean})
    (kept,) = halved.spread.limits
    assert 0.4 < kept.share < 0.6
    text = " ".join(render_markdown(document_sheet(halved)).split())
    assert f"{100 * kept.share:.0f} % keep the limit of cost ({cost.mean:g})" in text


def test_limits_on_the_command_line(tmp_path: Path, capsys) -> None:
    """A limit is read from the command line; what is none is one message and exit code 2."""
    path = write(tmp_path, "pair: yes")
    (tmp_path / "n.yaml").write_text(
        "ways:\n  woofer:\n    ladder:\n      - {name: L1, series: inductor, value: 1 mH}\n",
        encoding="utf-8",
    )
    words = ["sheet", str(path), str(tmp_path / "n.yaml")]
    assert main([*words, "--limit", "on_axis=100", "--limit", "cost=0"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "100 % keep the limit of on axis (100), 0 % keep the limit of cost" in shown
    for wrong in ("on_axis", "=1", "on_axis=-1", "on_axis=nan", "treble=1"):
        assert main([*words, "--limit", wrong]) == 2
        assert "limit" in capsys.readouterr().err


def test_drivers_may_spread_too(tmp_path: Path) -> None:
    """A driver within 1 dB counts among the sources, in dB, and the sheet says so."""
    problem = make(tmp_path)
    candidate = build_candidate(problem, network(problem, C1=(15e-6,)))
    sheet = build_sheet(problem, candidate, network="n.yaml", driver_level_db=1.0)
    section = next(s for s in document_sheet(sheet).sections if s.title == "What tolerances do")
    table = [p for p in section.parts if isinstance(p, Table)][-1]
    (row,) = [row for row in table.rows if row[0] == "woofer (level)"]
    assert row[1] == "1 dB"
    assert row[3] == "0.58 dB"  # 1 / sqrt(3)
    assert "within 1 dB" in next(p.text for p in section.parts if isinstance(p, Note))


def test_wires_of_bought_coils_are_those_of_the_coil_law(tmp_path: Path) -> None:
    """The row of AWG 18 gives the resistance of 1.0237 mm wire; a shelf's coils have no table."""
    problem = make(tmp_path)
    built = network(problem, C1=(15e-6,))
    way = built.ways[0]
    coil = Part(kind="inductor", value=1e-3, loss_ohm=0.48, origin="E12", pieces=(1e-3,))
    bought = Network(
        ways=(
            replace(
                way,
                slots=tuple(replace(s, parts=(coil,)) if s.name == "L1" else s for s in way.slots),
            ),
        )
    )
    sheet = build_sheet(problem, build_candidate(problem, bought), network="n.yaml")
    section = next(s for s in document_sheet(sheet).sections if s.title == "Wire of the coils")
    (table,) = [p for p in section.parts if isinstance(p, Table)]
    assert table.heads[3:] == ("1 mH",)
    (row,) = [row for row in table.rows if row[0] == "AWG 18"]
    assert row[1] == "1.02 mm"  # ASTM B 258
    # 1 mH of 1 mm wire has 0.4812 ohm, of AWG 18 wire 0.4634: see the worked coils.
    assert row[3].startswith("0.46 ohm")
    own = build_sheet(problem, build_candidate(problem, built), network="n.yaml")
    assert all(s.title != "Wire of the coils" for s in document_sheet(own).sections)
