"""Network files: written and read back, completed from the design, refused when wrong."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.bench.networks.file import (
    load_network,
    read_history,
    read_network,
    render_network,
    write_network,
)
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.parts import Part
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.report.render.json import candidate_to_json
from tests.conftest import cases


@pytest.fixture(scope="module")
def problem(demo_problem: Problem) -> Problem:
    return demo_problem


def draw_genome(problem: Problem, seed: int) -> Genome:
    rng = np.random.default_rng(seed)
    space = problem.space
    present = ~space.optional | (rng.random(len(space.slots)) < 0.7)
    return Genome(
        choice=np.array([rng.integers(len(o.values)) for o in space.options], dtype=np.intp),
        present=present,
        polarity=np.where(space.polarity_free & (rng.random(3) < 0.5), -1.0, 1.0),
    )


BY_HAND = """\
ways:
  woofer:
    ladder:
      - {name: L1, value: 3.3 mH}
  midrange:
    polarity: inverted
    ladder:
      - {name: C1, value: 56.4 uF, esr: 0.1 ohm}
      - {name: L2, value: 1.05 mH}
  tweeter:
    polarity: normal
    ladder:
      - {name: C9, series: capacitor, value: 6.8 uF}
      - {name: N1, shunt: notch, inductor: {value: 0.2 mH, dcr: 0.3}, capacitor: 10 uF,
         resistor: 2.2}
      - {name: P1, series_resistor: 3R3, shunt_resistor: 10}
"""


@pytest.mark.parametrize("joined", [False, True])
def test_what_is_in_series_with_a_resistor_is_kept(problem, tmp_path, joined):
    """A file has no key for it, nor has a design: it is written as part of the value."""
    network = problem.space.network(draw_genome(problem, 1))
    at = next(key for key, part in network.places.items() if part.kind == "resistor")
    pieces = {"pieces": (1.0, 2.0), "joined": "series", "value": 3.0} if joined else {}
    lossy = network.replace_parts({at: replace(network.places[at], loss_ohm=0.25, **pieces)})
    file = tmp_path / "written.yaml"
    write_network(file, lossy, parent="", note="")
    back = load_network(str(file), problem)
    shown = [part.value + part.loss_ohm for part in (lossy.places[at], back.places[at])]
    assert shown[1] == pytest.approx(shown[0], rel=1e-9)
    loads = {driver.name: driver.impedance for driver in problem.drivers}
    one, other = (solve_network(n, problem.frequency_hz, loads).transfer for n in (lossy, back))
    np.testing.assert_allclose(one, other, rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_round_trip(problem, tmp_path, seed):
    """A network comes back from its file exactly as it was, part by part."""
    network = problem.space.network(draw_genome(problem, seed))
    file = tmp_path / "board.yaml"
    write_network(file, network, parent="results.json#2", note='less "bright": try 2', title="on")
    again = read_network(str(file), problem)
    assert again.network == network
    assert (again.parent, again.note) == ("results.json#2", 'less "bright": try 2')
    assert again.notes == ()


def test_round_trip_of_odd_parts(problem, tmp_path):
    """Joined, measured, priced and rated parts survive too."""
    parts = (
        Part(
            kind="capacitor",
            value=4.0e-6,
            pieces=(2.2e-6, 1.8e-6),
            joined="parallel",
            loss_ohm=0.0123456789,
            tolerance=0.1,
            origin="shelf",
            price=1.25,
            rating=250.0,
        ),
        Part(
            kind="inductor",
            value=0.12345678e-3,
            loss_ohm=1 / 3,
            origin="given",
            pieces=(0.12345678e-3,),
            note="from: an old board, 5 ohm #2",
        ),
    )
    slots = (
        FittedSlot(name="C1", place="series", form="capacitor", parts=(parts[0],)),
        FittedSlot(name="no", place="shunt", form="inductor", parts=(parts[1],)),
    )
    ways = tuple(
        FittedWay(name=w.name, driver=w.driver, polarity=-1, slots=slots)
        for w in problem.topology.ways
    )
    (tmp_path / "n.yaml").write_text(render_network(Network(ways=ways)), encoding="utf-8")
    again = load_network(str(tmp_path / "n.yaml"), problem)
    for one in (slot for way in again.ways for slot in way.slots):
        wanted = slots[0] if one.name == "C1" else slots[1]
        assert (one.name, one.place, one.form) == (wanted.name, wanted.place, wanted.form)
        got, part = one.parts[0], wanted.parts[0]
        assert (got.value, got.loss_ohm, got.tolerance) == (
            part.value,
            part.loss_ohm,
            part.tolerance,
        )
        assert (got.pieces, got.joined, got.origin, got.price, got.rating, got.note) == (
            part.pieces,
            part.joined,
            part.origin,
            part.price,
            part.rating,
            part.note,
        )


BOARD = (
    ("{name: L1, series: inductor, from: 1.8 mH, to: 8.2 mH}",
     "{name: L1, series: inductor, keep: 3.217 mH, dcr: 0.333333333333, alter: yes}"),
    ("{name: C1, series: capacitor, from: 33 uF, to: 150 uF}",
     "{name: C1, series: capacitor, keep: 68.123456 uF, esr: 0.0123456789}"),
)  # fmt: skip
STOCK = "stock: {series: E12}"


@pytest.mark.slow
@pytest.mark.parametrize(
    "changes",
    cases(
        [
            [(STOCK, "stock: {series: E24, wire: 0.71 mm}")],
            [*BOARD, (STOCK, "stock: {shelf: shelf.csv, join: 3}")],
            [(STOCK, "stock: {shelf: shelf.csv, pair: yes, join: 2, series: E6}")],
            [(STOCK, "stock: {shelf: shelf.csv, join: 2}")],
            list(BOARD),
        ],
        routine=3,
    ),
    ids=["wire", "board and shelf", "pair", "shelf", "board"],
)
def test_saved_networks_cost_what_they_did(tmp_path, copy_demo, changes):
    """Whatever the stock is, a candidate costs the same after its file or its results to 1e-9."""
    problem = build_problem(load_design(copy_demo(tmp_path / "speaker", *changes)))
    for seed in range(8):
        network = problem.space.network(draw_genome(problem, seed))
        saved = build_candidate(problem, network, rank=1)
        write_network(tmp_path / f"{seed}.yaml", network, parent="", note="")
        read = load_network(str(tmp_path / f"{seed}.yaml"), problem)
        assert read == network
        assert build_candidate(problem, read).cost == pytest.approx(saved.cost, rel=1e-9)
        results = tmp_path / "results.json"
        results.write_text(
            json.dumps({"schema": 1, "candidates": [candidate_to_json(saved)]}), "utf-8"
        )
        read = load_network(f"{results}#1", problem)
        assert build_candidate(problem, read).cost == pytest.approx(saved.cost, rel=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_parts_no_stock_holds_keep_their_cost(problem, tmp_path, seed):
    """Measured parts with odd values and losses cost the same after a file and after results."""
    rng = np.random.default_rng(seed)
    network = problem.space.network(draw_genome(problem, seed))

    def measure(part: Part) -> Part:
        value, loss = part.value * rng.uniform(0.8, 1.25), part.loss_ohm * rng.uniform(0.8, 1.25)
        return replace(
            part, value=value, loss_ohm=loss, pieces=(value,), origin="given",
            tolerance=rng.uniform(0.01, 0.2), price=rng.uniform(0.1, 9.0),
        )  # fmt: skip

    odd = Network(
        ways=tuple(
            replace(
                way,
                slots=tuple(
                    replace(slot, parts=tuple(measure(p) for p in slot.parts)) for slot in way.slots
                ),
            )
            for way in network.ways
        )
    )
    saved = build_candidate(problem, odd, rank=1)
    write_network(tmp_path / "odd.yaml", odd, parent="", note="")
    read = load_network(str(tmp_path / "odd.yaml"), problem)
    assert read == odd
    results = tmp_path / "results.json"
    results.write_text(json.dumps({"schema": 1, "candidates": [candidate_to_json(saved)]}), "utf-8")
    read = load_network(f"{results}#1", problem)
    assert build_candidate(problem, read).cost == pytest.approx(saved.cost, rel=1e-9)


def test_pieces_that_look_alike_stay_apart(tmp_path, copy_demo):
    """Of two pieces a hair apart the one that was written is read, price and make included."""
    rows = [
        "kind,value,count,dcr,esr,note",
        *(f"inductor,{v} mH,9,{r},," for v in (2.2, 0.33, 0.15) for r in (0.3, 0.30002, 0.30001)),
        *(f"capacitor,{v} uF,9,,{r},{n}" for v in (47.0, 4.7, 22.0)
          for r, n in ((0.02, "old"), (0.02, "new"))),
        *(f"resistor,{v} ohm,9,,," for v in (4.7, 10.0)),
    ]  # fmt: skip
    design = copy_demo(
        tmp_path / "speaker",
        (STOCK, "stock: {shelf: twins.csv}"),
        files={"twins.csv": "\n".join(rows) + "\n"},
    )
    problem = build_problem(load_design(design))
    for seed in range(6):
        network = problem.space.network(draw_genome(problem, seed))
        text = render_network(network)
        (tmp_path / "n.yaml").write_text(text, encoding="utf-8")
        assert load_network(str(tmp_path / "n.yaml"), problem) == network


def test_completed_from_design_and_stock(problem, tmp_path):
    """Names and values are enough: place, losses and origin come from the design and its stock."""
    file = tmp_path / "idea.yaml"
    file.write_text(BY_HAND, encoding="utf-8")
    read = read_network(str(file), problem)
    woofer, midrange, tweeter = read.network.ways
    bought = problem.stock.options("inductor", 3.29e-3, 3.31e-3)[0]
    assert woofer.slots[0].parts[0] == bought
    assert (woofer.polarity, midrange.polarity, tweeter.polarity) == (1, -1, 1)
    measured = midrange.slots[0].parts[0]
    assert (measured.origin, measured.loss_ohm) == ("given", 0.1)
    odd = midrange.slots[1].parts[0]
    assert odd.loss_ohm == pytest.approx(float(problem.stock.loss_law("inductor")(1.05e-3)))
    assert read.notes == (f"midrange L2: no dcr stated, {odd.loss_ohm:.2g} ohm taken",)
    assert [s.name for s in tweeter.slots] == ["C9", "N1", "P1"]
    assert [p.value for p in tweeter.slots[2].parts] == [3.3, 10.0]
    assert build_candidate(problem, read.network).cost > 0.0


@pytest.mark.parametrize("seed", range(3))
def test_out_of_results(problem, tmp_path, seed):
    """Candidate 2 of saved results is read back with its parts as the stock knows them."""
    networks = [problem.space.network(draw_genome(problem, seed * 10 + k)) for k in range(3)]
    data = {
        "schema": 1,
        "candidates": [
            candidate_to_json(build_candidate(problem, n, rank=k))
            for k, n in enumerate(networks, 1)
        ],
    }
    file = tmp_path / "results.json"
    file.write_text(json.dumps(data), encoding="utf-8")
    assert load_network(f"{file}#2", problem) == networks[1]


@pytest.mark.parametrize("seed", range(3))
def test_figures_of_a_network_are_those_of_its_genome(problem, seed):
    """A network of the space costs, as a network, what the search says it costs."""
    genome = draw_genome(problem, seed)
    candidate = build_candidate(problem, problem.space.network(genome))
    assert candidate.cost == pytest.approx(float(problem.cost([genome])[0]), rel=1e-12)


def test_taps_keep_their_number(problem, tmp_path):
    """Level or ratio, in the line of a way: written, read and read from results alike."""
    network = problem.space.network(draw_genome(problem, 1))
    taps = tuple(
        FittedSlot(name=f"A{k}", place="series", form=form, parts=())
        for k, form in enumerate(("tap -6 dB", "tap 0.5", "tap 1.2345678901", "tap -3.25 dB"))
    )
    network = network.map_slots(
        lambda one: (*one.slots, *taps) if one.name == "tweeter" else one.slots
    )
    file = tmp_path / "taps.yaml"
    write_network(file, network, parent="", note="")
    assert load_network(str(file), problem) == network
    candidate = build_candidate(problem, network)
    results = tmp_path / "r.json"
    results.write_text(
        json.dumps({"schema": 1, "candidates": [candidate_to_json(candidate)]}), encoding="utf-8"
    )
    again = load_network(f"{results}#1", problem)
    assert [s.form for s in again.ways[2].slots[-4:]] == [tap.form for tap in taps]


@pytest.mark.parametrize(
    ("slot", "said"),
    [
        ("{name: A1, tap: 0}", "above 0"),
        ("{name: A1, tap: -6 dB, value: 1 mH}", "a transformer has no parts"),
        ("{name: A1, tap: -6 dB, series: inductor}", "by itself"),
    ],
)
def test_bad_taps_are_refused(problem, tmp_path, slot, said):
    file = tmp_path / "n.yaml"
    old = "{name: C9, series: capacitor, value: 6.8 uF}"
    file.write_text(BY_HAND.replace(old, slot), encoding="utf-8")
    with pytest.raises(InputError, match=said) as error:
        load_network(str(file), problem)
    assert error.value.line == 1 + BY_HAND[: BY_HAND.index(old)].count("\n")


def test_never_overwritten(problem, tmp_path):
    """A network file stays as it is: writing to its name is refused."""
    network = problem.space.network(draw_genome(problem, 1))
    write_network(tmp_path / "a.yaml", network, parent="", note="first")
    before = (tmp_path / "a.yaml").read_bytes()
    with pytest.raises(InputError, match="never overwritten"):
        write_network(tmp_path / "a.yaml", network, parent="", note="second")
    assert (tmp_path / "a.yaml").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.yaml"]


def test_history(problem, tmp_path, monkeypatch):
    """The chain of parents leads back to the results, wherever one stands."""
    monkeypatch.chdir(tmp_path)
    Path("tries").mkdir()
    Path("results.json").write_text("{}", encoding="utf-8")
    network = problem.space.network(draw_genome(problem, 1))
    write_network("tries/a.yaml", network, parent="results.json#2", note="as found")
    write_network("b.yaml", network, parent="tries/a.yaml", note="less bright")
    monkeypatch.chdir(tmp_path / "tries")
    steps = read_history("../b.yaml")
    assert [s["note"] for s in steps] == ["less bright", "as found", ""]
    assert [Path(s["network"]).name for s in steps] == ["b.yaml", "a.yaml", "results.json#2"]
    assert all(s["found"] for s in steps)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("  woofer:", "  wofer:", 'did you mean "woofer"'),
        ("name: L1, value", "name: L7, value", "no slot of this name in woofer"),
        (
            "3.3 mH",
            "3.3 uF",
            "n.yaml:4: ways.woofer.ladder[0].value: an inductance in H is expected",
        ),
        ("value: 3.3 mH", "dcr: 1", "woofer L1 needs its value"),
        ("polarity: inverted", "polarity: reversed", "one of normal, inverted"),
        ("    polarity: inverted\n", "", "leaves the polarity of this way open"),
        ("3R3, shunt_resistor: 10", "3R3", "tweeter P1 needs its shunt resistor"),
        ("esr: 0.1 ohm", "dcr: 0.1 ohm", "dcr does not belong to a capacitor"),
        ("{name: L2, value: 1.05 mH}", "{name: C1, value: 5 uF}", "cannot share a name"),
        ("shunt: notch", "series: notch", 'write "shunt: notch"'),
        ("value: 6.8 uF", "value: 6.8 uF, pieces: 2.2 uF + 2.2 uF", "pieces must make the value"),
        ("6.8 uF", "-6.8 uF", "above 0"),
    ],
)
def test_refused(problem, tmp_path, old, new, said):
    """A wrong file is refused with its line and a remedy."""
    file = tmp_path / "n.yaml"
    assert old in BY_HAND
    file.write_text(BY_HAND.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_network(str(file), problem)
    assert said in str(error.value)
    assert error.value.file == str(file)
    assert error.value.line


@pytest.mark.parametrize(
    ("content", "text", "said"),
    [
        (None, "#1", "must exist"),
        ("{", "#1", "valid JSON"),
        ("[]", "#1", "one JSON object"),
        ('{"candidates": []}', "#1", "holds no network"),
        ('{"candidates": [{"rank": 1}]}', "#1", '"ways" is missing'),
        ('{"candidates": [{"rank": 1, "ways": {"low": {}}}]}', "#1", "woofer, midrange, tweeter"),
        (
            '{"candidates": [{"rank": 1, "ways": {}}, {"rank": 2, "ways": {}}]}',
            "#7",
            "results.json#1 up to results.json#2",
        ),
        ('{"candidates": [{"rank": 1, "ways": {}}]}', "", "results.json#1"),
    ],
)
def test_refused_results(problem, tmp_path, content, text, said):
    """Damaged results, and numbers they do not have, are refused."""
    file = tmp_path / "results.json"
    if content is not None:
        file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_network(f"{file}{text}", problem)
    assert said in str(error.value)
