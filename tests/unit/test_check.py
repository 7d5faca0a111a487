"""A given network: its figures, the reasons for them, and how it differs from another."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest

from optimizer.bench.check import (
    STEP,
    BandShare,
    PartChange,
    check_network,
    compare_networks,
    list_changes,
)
from optimizer.bench.networks.file import load_network
from optimizer.cli.main import main
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Move
from optimizer.report.documents.check import say_improvements, say_share, shorten_names
from optimizer.report.render.json import change_to_json
from optimizer.report.words import say_change

OLD_BOARD = """\
note: what was found in the cabinet
ways:
  woofer:
    ladder:
      - {name: X1, series: inductor, value: 3.1 mH, dcr: 0.6}
      - {name: X2, shunt: capacitor, value: 47.3 uF, esr: 0.2}
  midrange:
    polarity: normal
    ladder:
      - {name: C1, series: capacitor, value: 33 uF}
      - {name: X3, shunt: notch, inductor: {value: 0.2 mH, dcr: 0.2}, capacitor: 3.3 uF,
         resistor: 3.3}
  tweeter:
    polarity: inverted
    ladder:
      - {name: C1, series: capacitor, value: 4.7 uF}
      - {name: X4, series: resistor, value: 3R3}
"""


@pytest.fixture(scope="module")
def design(tmp_path_factory, copy_demo):
    return copy_demo(tmp_path_factory.mktemp("check"), files={"old.yaml": OLD_BOARD})


@pytest.fixture(scope="module")
def problem(demo_problem):
    return demo_problem


@pytest.fixture(scope="module")
def board(design, problem) -> Network:
    return load_network(str(design.parent / "old.yaml"), problem)


@pytest.fixture(scope="module")
def report(problem, board):
    return check_network(problem, board, best=4)


def test_reasons_add_up(report):
    """The costs of the reasons are those of the goals and sum to the cost of the network."""
    assert sum(r.cost for r in report.reasons) == pytest.approx(report.candidate.cost)
    for reason in report.reasons:
        goal = next(g for g in report.candidate.goals if g.name == reason.goal)
        assert reason.cost == pytest.approx(goal.cost)


def test_bands_hold_their_share(problem, board, report):
    """The band named holds the share of the goal's squared deviation that is claimed."""
    reason = next(r for r in report.reasons if r.goal == "on_axis")
    f, curves = report.candidate.curves.frequency_hz, report.candidate.curves
    low, high = curves.target_band_hz
    deviation = curves.named_db["on_axis"] - curves.target_db
    whole = (f >= low * 0.999) & (f <= high * 1.001)
    part = (f >= reason.band.low_hz * 0.999) & (f <= reason.band.high_hz * 1.001)
    share = (deviation[part] ** 2).sum() / (deviation[whole] ** 2).sum()
    assert share == pytest.approx(reason.band.share, rel=1e-6)
    assert share >= 0.5
    assert deviation[part].mean() == pytest.approx(reason.band.mean, rel=1e-6)


@pytest.mark.parametrize(
    ("names", "short"),
    [
        (["a/old.yaml", "r/results.json#1", "r/results.json#2"], ["old.yaml", "no. 1", "no. 2"]),
        (["a.json#1", "b/b.json#1"], ["a.json#1", "b.json#1"]),
        (["a/old.yaml", "b/old.yaml"], ["a/old.yaml", "b/old.yaml"]),
    ],
)
def test_column_heads_are_short(names, short):
    """Networks side by side are named as briefly as stays clear."""
    assert shorten_names(names) == short


@pytest.mark.parametrize("unit", ["dB rms", "dB rms below", "dB rms over"])
def test_means_are_no_rms(unit):
    """The mean of a band is given in the plain unit of its goal."""
    band = BandShare(low_hz=1e3, high_hz=2e3, share=0.5, mean=1.25, octaves=0.1)
    assert say_share(band, unit).endswith("on average +1.2 dB")
    point = BandShare(low_hz=1e3, high_hz=1e3, share=1.0, mean=1.25, octaves=0.0)
    assert say_share(point, unit) == "100% of it at 1 kHz, +1.2 dB there"


def test_part_effects_are_slopes(problem, board, report):
    """What a reason says of a part agrees with solving the network with the part changed a bit."""
    reason = next(r for r in report.reasons if r.goal == "on_axis")
    assert reason.parts
    for effect in reason.parts:
        way_name, slot_name, *_ = effect.label.split(".")
        way = next(w for w in board.ways if w.name == way_name)
        slot = next(s for s in way.slots if s.name == slot_name)
        assert len(slot.parts) == 1  # true of the parts this board names
        part, h = slot.parts[0], 1e-5
        law = problem.loss_laws[part.kind]
        shift = float(law(part.value * (1 + h)) - law(part.value)) if part.kind != "resistor" else 0
        costs = []
        for value, loss in (
            (part.value * (1 + h), part.loss_ohm + shift),
            (part.value / (1 + h), part.loss_ohm - shift),
        ):
            moved = board.replace_parts(
                {
                    (way_name, slot_name, 0): replace(
                        part, value=value, loss_ohm=loss, pieces=(value,)
                    )
                },
            )
            goals = build_candidate(problem, moved).goals
            costs.append(next(g.cost for g in goals if g.name == "on_axis"))
        slope = (costs[0] - costs[1]) / (2 * np.log1p(h))
        assert effect.cost_change == pytest.approx(slope * np.log1p(STEP), rel=2e-3)


@pytest.mark.slow
def test_improvements_are_the_best_single_changes(problem, board, report):
    """No value of any one part, no compound and no turn does better than the first one named."""
    laid = problem.around(board)
    genome = laid.space.locate(board)
    space, tried = laid.space, []
    for slot, genes in enumerate(space.slot_genes):
        rows = [range(len(space.options[g].values)) for g in genes]
        if genome.present[slot]:
            for g in set(genes) & set(space.free_genes):
                others = range(len(space.options[g].values))
                tried += [Move(options=((g, row),)) for row in others]
        elif len(genes) < 3:
            tried += [
                Move(options=tuple(zip(genes, picked, strict=True)), slots=((slot, True),))
                for picked in product(*rows)
            ]
        if genome.present[slot] and space.optional[slot]:
            tried.append(Move(slots=((slot, False),)))
    tried += [Move(turned=(way,)) for way in np.flatnonzero(space.polarity_free)]
    for g, h in combinations(space.free_genes, 2):
        mine, other = space.part(genome, g), space.part(genome, h)
        offered, wanted = space.options[g].parts, space.options[h].parts
        if None not in (mine, other) and other in offered and mine in wanted:
            tried.append(Move(options=((g, offered.index(other)), (h, wanted.index(mine)))))
    genomes = [move.apply(genome) for move in tried]
    costs = laid.cost(genomes)
    # What each costs is what a check of its network says: asked of the lowest, and here and there.
    for k in {*np.argsort(costs)[:20].tolist(), *range(0, len(tried), 23)}:
        judged = build_candidate(problem, space.network(genomes[k]))
        assert judged.cost == pytest.approx(costs[k], rel=1e-9)
    best = min(costs)
    assert report.improvements[0].cost == pytest.approx(best, rel=1e-9)
    first = report.improvements[0]
    assert sum(m for _, m in first.goals) == pytest.approx(
        first.cost - report.candidate.cost, abs=0.02
    )
    assert str(round(first.cost, 3)) in say_improvements(report)[0]


def test_bench_keeps_the_network(problem, board):
    """On the bench an old board is itself, with the design's empty slots beside its own."""
    laid = problem.around(board)
    genome = laid.space.locate(board)
    again = laid.space.network(genome)
    assert not list_changes(board, again)
    assert [w.polarity for w in again.ways] == [w.polarity for w in board.ways]
    names = [s.name for s in laid.bank.topology.ways[2].slots]
    assert names == ["C1", "C2", "P1", "X4"]  # the design's mandatory L1 is no place of this board


def test_comparison(problem, board):
    """A changed resistor is found as the one part that differs, with the curves it moves."""
    first = build_candidate(problem, board)
    ways = list(board.ways)
    slot = ways[2].slots[1]
    stronger = replace(slot, parts=(replace(slot.parts[0], value=10.0, pieces=(10.0,)),))
    ways[2] = replace(ways[2], slots=(ways[2].slots[0], stronger))
    second = build_candidate(problem, Network(ways=tuple(ways)))
    found = compare_networks(first, second)
    assert [(c.label, c.before.value, c.after.value) for c in found.parts] == [
        ("tweeter.X4", 3.3, 10.0)
    ]
    assert found.polarity == ()
    on_axis = next(c for c in found.curves if c.name == "on_axis")
    high = first.curves.frequency_hz > 8000.0
    np.testing.assert_allclose(
        on_axis.difference_db, second.curves.named_db["on_axis"] - first.curves.named_db["on_axis"]
    )
    assert on_axis.difference_db[high].mean() < -3.0
    assert say_change(found.parts[0]) == "tweeter.X4: 3.3 ohm -> 10 ohm"
    part = slot.parts[0]
    assert say_change(PartChange(label="a", before=None, after=part)) == "a: add 3.3 ohm"
    coils = [Part(kind="inductor", value=1e-3, loss_ohm=loss) for loss in (0.5, 0.25)]
    assert say_change(PartChange(label="a", before=coils[0], after=coils[1])) == (
        "a: 1 mH (dcr 0.5 ohm) -> 1 mH (dcr 0.25 ohm)"
    )


def test_command(design, capsys):
    """The verb shows figures, reasons and a comparison, and writes them as JSON."""
    folder = design.parent
    old = str(folder / "old.yaml")
    where = ["--json", str(folder / "c.json"), "--notes"]
    code = main(["check", str(design), old, "--against", old, *where])
    out = " ".join(capsys.readouterr().out.split())  # long paths break lines elsewhere
    assert code == 0
    for words in (
        "what was found in the cabinet",
        "where it comes from",
        "One part at a time",
        "Side by side",
        "The parts and polarities are the same",
        "X4",
    ):
        assert words in out
    data = json.loads((folder / "c.json").read_text(encoding="utf-8"))
    assert data["schema"] == 1
    assert data["candidate"]["ways"]["tweeter"]["slots"][1]["name"] == "X4"
    for found in (data["candidate"], data["against"][0]["candidate"]):
        slots = [one for way in found["ways"].values() for one in way["slots"]]
        assert all(one["watt"] >= 0.0 and one["rating_needed"] > 0.0 for one in slots)
        assert found["amplifier"]["watt"] > 0.0
    assert data["reasons"][0]["cost"] >= data["reasons"][-1]["cost"]
    assert data["against"][0]["changes"] == []
    assert {"changes", "cost"} <= set(data["better"][0])


def test_changes_as_data():
    """A change tells all that a network file needs to say of the new part."""
    coil = Part(kind="inductor", value=1e-3, loss_ohm=0.4, origin="E12", pieces=(1e-3,))
    pieces = (3e-6, 4e-6)
    joined = Part(
        kind="capacitor",
        value=7e-6,
        loss_ohm=0.02,
        origin="shelf",
        pieces=pieces,
        joined="parallel",
    )
    assert change_to_json(PartChange(label="w.L1", before=None, after=coil)) == {
        "slot": "w.L1", "from": None, "to": 1e-3, "to_dcr_ohm": 0.4, "to_origin": "E12",
    }  # fmt: skip
    assert change_to_json(PartChange(label="w.C1", before=joined, after=joined)) == {
        "slot": "w.C1", "from": 7e-6, "to": 7e-6, "to_esr_ohm": 0.02, "to_origin": "shelf",
        "to_pieces": [3e-6, 4e-6], "to_joined": "parallel",
    }  # fmt: skip
    assert change_to_json(PartChange(label="w.L1", before=coil, after=None)) == {
        "slot": "w.L1", "from": 1e-3, "to": None,
    }  # fmt: skip


def test_results_written_by_check_are_no_source(design, capsys):
    """A network that is not there ends with one message, exit code 2, and nothing written."""
    target = design.parent / "none.json"
    code = main(["check", str(design), "no.yaml", "--json", str(target)])
    captured = capsys.readouterr()
    assert code == 2
    assert captured.err.count("\n") == 1
    assert "network file must exist" in captured.err
    assert captured.out == ""
    assert not target.exists()
