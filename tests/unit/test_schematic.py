"""Schematics: what the drawing connects, and that its texts can be read."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from itertools import combinations

import numpy as np
import pytest

from optimizer.bench.build.wiring import split_loss, wire_network
from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.network import FittedGroup, FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.parts import Kind, Part
from optimizer.report.drawing import Branch, Drawing, Symbol, find_joints, read_back
from optimizer.report.layout import draw_network
from optimizer.report.schematic import describe_network, draw_schematic
from tests.conftest import cases

F = np.array([31.0, 430.0, 2900.0, 17_000.0])
OMEGA = 2.0 * np.pi * F
LOADS = {"low": np.full(4, 6.2 + 1.7j), "high": np.full(4, 4.4 - 0.6j)}
TYPICAL: dict[Kind, float] = {"inductor": 1e-3, "capacitor": 1e-5, "resistor": 5.0}


def draw_part(rng: np.random.Generator, kind: Kind) -> Part:
    """A single piece, or two or three joined ones."""
    loss = 0.0 if kind == "resistor" else float(rng.uniform(0.01, 0.6))
    count = int(rng.choice([1, 1, 1, 2, 3]))
    pieces = tuple(float(TYPICAL[kind] * rng.uniform(0.1, 5.0)) for _ in range(count))
    joined = "" if count == 1 else str(rng.choice(["parallel", "series"]))
    adds = joined == ("parallel" if kind == "capacitor" else "series") or count == 1
    value = sum(pieces) if adds else 1.0 / sum(1.0 / p for p in pieces)
    return Part(
        kind=kind,
        value=value,
        loss_ohm=loss,
        pieces=pieces,
        joined=joined,
        origin=str(rng.choice(["E12", "shelf", "kept"])),
    )


def draw_slots(rng: np.random.Generator, most: int, name: str) -> tuple[FittedSlot, ...]:
    forms = [
        *((form, place) for place, form in NAMED_FORMS),
        ("L || (C + Ra) || Rb", "series"),
        ("C1 || (R + (L || C2))", "shunt"),
        ("(L || Ra) + C1 + (Rb || (C2 + Rc))", "shunt"),
        ("tap -3.5 dB", "series"),
        ("tap 1.25", "series"),
    ]
    slots = []
    for k in range(int(rng.integers(0, most + 1))):
        form, place = forms[int(rng.integers(len(forms)))]
        parts = tuple(draw_part(rng, kind) for kind in form_of(form, place).kinds)
        slots.append(FittedSlot(name=f"{name}{k}", place=place, form=form, parts=parts))
    return tuple(slots)


def draw_ways(rng: np.random.Generator, names: list[str], most: int) -> tuple[FittedWay, ...]:
    return tuple(
        FittedWay(
            name=name,
            driver=("low", "high")[k % 2],
            polarity=1 if rng.random() < 0.5 else -1,
            slots=draw_slots(rng, most, "X"),
        )
        for k, name in enumerate(names)
    )


def draw_random(seed: int, most: int = 8) -> Network:
    """Two ways that share nothing."""
    return Network(ways=draw_ways(np.random.default_rng([31, seed]), ["bass", "treble"], most))


def draw_random_tree(seed: int, most: int = 3) -> Network:
    """Up to five ways, joined at random in series and in parallel behind shared parts."""
    rng = np.random.default_rng([32, seed])
    ways = draw_ways(rng, ["sub", "bass", "mid", "treble", "air"][: int(rng.integers(2, 6))], most)
    loose, groups = [way.name for way in ways], []
    for name in ("first", "second", "third")[: int(rng.integers(1, 4))]:
        start = int(rng.integers(len(loose)))
        members = tuple(loose[start : start + int(rng.integers(1, 4))])
        joint = "series" if rng.random() < 0.4 else "parallel"
        slots = draw_slots(rng, most - 1, "G")
        groups.append(FittedGroup(name=name, members=members, joint=joint, slots=slots))
        loose[start : start + len(members)] = [name]
    return Network(ways=ways, groups=tuple(groups))


def solve_drawing(drawing: Drawing) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Nodal analysis of what the drawing connects: drive of each driver, and input admittance."""
    nets, branches = read_back(drawing)
    return solve_branches(nets["amp+"], nets["amp-"], branches)


def solve_branches(plus, minus, branches) -> tuple[dict[str, np.ndarray], np.ndarray]:
    nodes = sorted({n for b in branches for n in (b.a, b.b)} | {plus, minus})
    row = {n: i for i, n in enumerate(n for n in nodes if n != minus)}
    windings = list_windings(branches)
    drive: dict[str, list[complex]] = {}
    inputs = []
    for k, omega in enumerate(OMEGA):
        size = len(row) + 3 * len(windings) + 1
        matrix = np.zeros((size, size), dtype=complex)
        for k, pair in enumerate(windings):
            couple(matrix, row, len(row) + 3 * k, pair)
        for b in branches:
            s = b.symbol
            if s.kind == "winding":
                continue
            z = {
                "resistor": s.value + s.loss_ohm,
                "inductor": s.loss_ohm + 1j * omega * s.value,
                "capacitor": s.loss_ohm + 1.0 / (1j * omega * s.value) if s.value else 0.0,
                "driver": LOADS.get(s.name, F)[k],
            }[s.kind]
            for i, j, sign in ((b.a, b.a, 1), (b.b, b.b, 1), (b.a, b.b, -1), (b.b, b.a, -1)):
                if i in row and j in row:
                    matrix[row[i], row[j]] += sign / z
        # One more row and column for the source of 1 V between the amplifier's terminals.
        matrix[-1, row[plus]] = matrix[row[plus], -1] = 1.0
        right = np.zeros(size, dtype=complex)
        right[-1] = 1.0
        answer = np.linalg.solve(matrix, right)
        inputs.append(-answer[-1])
        for b in branches:
            if b.symbol.kind == "driver":
                level = [answer[row[n]] if n in row else 0.0 for n in (b.a, b.b)]
                drive.setdefault(b.symbol.way, []).append(level[0] - level[1])
    return {way: np.array(v) for way, v in drive.items()}, np.array(inputs)


def list_windings(branches) -> list[list[Branch]]:
    """Both sides of the tap of each autotransformer."""
    found: dict[tuple[str, str], list[Branch]] = {}
    for b in branches:
        if b.symbol.kind == "winding":
            found.setdefault((b.symbol.way, b.symbol.name), []).append(b)
    return list(found.values())


def couple(matrix, row, at, pair) -> None:
    """Windings on one core: volts go as turns, and ampere-turns cancel (any circuit textbook)."""
    for k, b in enumerate(pair):
        turns = b.symbol.value
        for node, sign in ((b.a, 1.0), (b.b, -1.0)):
            if node in row:
                matrix[row[node], at + k] += sign
                matrix[at + k, row[node]] += sign
        matrix[at + k, at + 2] = -turns
        matrix[at + 2, at + k] = turns


@pytest.mark.parametrize("widest", [9.8, 20.0, 60.0])
@pytest.mark.parametrize("seed", cases(range(15), routine=8))
def test_drawing_reads_back_as_the_network(seed, widest):
    """Symbols and wires, read by their coordinates alone, are electrically the same network."""
    network = draw_random(seed)
    drive, admittance = solve_drawing(draw_network(network, widest=widest))
    solved = solve_network(network, F, LOADS)
    np.testing.assert_allclose(admittance, solved.admittance, rtol=1e-9)
    for way, transfer in zip(network.ways, solved.transfer, strict=True):
        np.testing.assert_allclose(drive[way.name], transfer, rtol=1e-9)


@pytest.mark.parametrize("widest", [9.8, 24.0])
@pytest.mark.parametrize("seed", cases(range(20), routine=8))
def test_drawing_of_a_tree_reads_back_as_the_network(seed, widest):
    """The same where ways hang on each other: one picture, and the circuit is in its lines."""
    network = draw_random_tree(seed)
    drawing = draw_network(network, widest=widest)
    drive, admittance = solve_drawing(drawing)
    solved = solve_network(network, F, LOADS)
    np.testing.assert_allclose(admittance, solved.admittance, rtol=1e-8)
    for way, transfer in zip(network.ways, solved.transfer, strict=True):
        np.testing.assert_allclose(drive[way.name], transfer, rtol=1e-8)
    # One pair of terminals; letters of lines that go on below are met twice.
    names = [net.name for net in drawing.nets]
    for name in set(names):
        assert names.count(name) == (1 if name.startswith("amp") else 2)


@pytest.mark.parametrize("seed", range(15))
def test_wiring_list_is_the_network(seed):
    """Pieces soldered point to point as listed are electrically the same network."""
    network = draw_random(seed)
    wiring = wire_network(network)
    branches = [
        Branch(
            symbol=Symbol(
                kind=p.part.kind,
                way=p.way,
                name=p.name,
                label=p.of,
                value=p.part.value,
                loss_ohm=p.part.loss_ohm,
                a=(0.0, 0.0),
                b=(0.0, 0.0),
            ),
            a=p.start,
            b=p.end,
        )
        for p in wiring.pieces
    ]
    branches += [
        Branch(
            symbol=Symbol(
                kind="driver",
                way=d.way,
                name=d.driver,
                label=d.driver,
                value=0.0,
                loss_ohm=0.0,
                a=(0.0, 0.0),
                b=(0.0, 0.0),
            ),
            a=d.plus,
            b=d.minus,
        )
        for d in wiring.drivers
    ]
    for tap in wiring.taps:
        ends = dict(tap.ends)
        share = min(tap.gain, 1.0 / tap.gain)
        for a, b, turns in (("end", "tap", 1.0 - share), ("tap", "common end", share)):
            symbol = Symbol(
                kind="winding", way=tap.way, name=tap.name, label=tap.name, value=turns,
                loss_ohm=0.0, a=(0.0, 0.0), b=(0.0, 0.0),
            )  # fmt: skip
            branches.append(Branch(symbol=symbol, a=ends[a], b=ends[b]))
    drive, admittance = solve_branches("IN+", "IN-", branches)
    solved = solve_network(network, F, LOADS)
    np.testing.assert_allclose(admittance, solved.admittance, rtol=1e-9)
    for way, transfer in zip(network.ways, solved.transfer, strict=True):
        np.testing.assert_allclose(drive[way.name], transfer, rtol=1e-9)
    points = wiring.points()
    two_ended = len(wiring.pieces) + len(wiring.drivers)
    assert sum(map(len, points.values())) == 2 * two_ended + 3 * len(wiring.taps) + 2
    assert all(len(things) > 1 for point, things in points.items() if point != "IN+")


@pytest.mark.parametrize("make", [draw_random, draw_random_tree])
@pytest.mark.parametrize("seed", range(15))
def test_every_piece_has_one_symbol(seed, make):
    """The drawing shows each physical piece once, with its value, and one driver a way."""
    network = make(seed)
    shown = sorted((s.way, s.kind, s.value) for s in draw_network(network).symbols)
    pieces = [
        (w.name, p.kind, v)
        for w in network.ladders
        for s in w.slots
        for p in s.parts
        for v in (p.pieces if p.joined else (p.value,))
    ]
    windings = [
        (w.name, "winding", share)
        for w in network.ladders
        for s in w.slots
        for low in filter(None, (s.circuit.gain,))
        for share in (min(low, 1 / low), 1 - min(low, 1 / low))
    ]
    drivers = ((w.name, "driver", 0.0) for w in network.ways)
    assert shown == sorted([*pieces, *windings, *drivers])


@pytest.mark.parametrize("make", [draw_random, draw_random_tree])
@pytest.mark.parametrize("widest", [9.8, 24.0])
@pytest.mark.parametrize("seed", cases(range(15), routine=6))
def test_every_end_of_a_wire_is_at_something(seed, widest, make):
    """No wire ends in the air: each end is at a part, a terminal or another wire; none cross."""
    drawing = draw_network(make(seed), widest=widest)
    wires = drawing.wires
    known = {p for s in drawing.symbols for p in (s.a, s.b)} | {n.at for n in drawing.nets}
    for k, wire in enumerate(wires):
        others = [other for j, other in enumerate(wires) if j != k]
        for end in wire:
            assert end in known or any(lies_on(end, *other) for other in others), end
    for (a, b), (c, d) in combinations(wires, 2):
        if a[1] == b[1] and c[0] == d[0]:
            a, b, c, d = c, d, a, b
        if a[0] == b[0] and c[1] == d[1]:  # one upright, one level
            x, y = a[0], c[1]
            within = min(c[0], d[0]) < x < max(c[0], d[0]) and min(a[1], b[1]) < y < max(a[1], b[1])
            assert not within, (a, b, c, d)


@pytest.mark.parametrize("make", [draw_random, draw_random_tree])
@pytest.mark.parametrize("widest", [9.8, 24.0])
@pytest.mark.parametrize("seed", cases(range(15), routine=6))
def test_points_of_the_wiring_list_are_those_of_the_drawing(seed, widest, make):
    """Each piece lies between the points that the list says, and each point is marked once."""
    network = make(seed)
    drawing, wiring = draw_network(network, widest=widest), wire_network(network)
    nets, branches = read_back(drawing)
    ends = {p.name: (p.start, p.end) for p in wiring.pieces}
    ends |= {lead.way: (lead.plus, lead.minus) for lead in wiring.drivers}
    pairs = {(nets["amp+"], "IN+"), (nets["amp-"], "IN-")}
    for branch in branches:
        symbol = branch.symbol
        if symbol.kind != "winding":
            a, b = ends[symbol.way if symbol.kind == "driver" else symbol.name]
            pairs |= {(branch.a, a), (branch.b, b)}
    nodes, points = zip(*pairs, strict=True)
    assert len(set(nodes)) == len(set(points)) == len(pairs)
    marked = sorted(words.text for words in drawing.words if words.role == "point")
    assert marked == sorted(set(points) - {"IN+", "IN-"})


def lies_on(point, a, b) -> bool:
    return all(min(a[i], b[i]) <= point[i] <= max(a[i], b[i]) for i in (0, 1))


def boxes(drawing: Drawing) -> list[tuple[str, float, float, float, float]]:
    """Texts and symbol bodies as left, bottom, right, top."""
    found = []
    for words in drawing.words:
        left, right = words.span
        found.append((words.text, left, words.at[1] - 0.15, right, words.at[1] + 0.15))
    for s in drawing.symbols:
        x, y = (s.a[0] + s.b[0]) / 2, (s.a[1] + s.b[1]) / 2
        if s.kind == "driver":
            found.append((s.name, x, y - 1.4, x + 1.4, y + 1.4))
        elif s.a[1] == s.b[1]:
            found.append((s.name, x - 0.5, y - 0.25, x + 0.5, y + 0.25))
        else:
            found.append((s.name, x - 0.25, y - 0.5, x + 0.25, y + 0.5))
    return found


@pytest.mark.parametrize("make", [draw_random, draw_random_tree])
@pytest.mark.parametrize("widest", [9.8, 24.0])
@pytest.mark.parametrize("seed", cases(range(15), routine=6))
def test_nothing_overlaps(seed, widest, make):
    """No text covers another or a symbol, and no wire runs through a text or a symbol's body."""
    drawing = draw_network(make(seed), widest=widest)
    found = boxes(drawing)
    for one, two in combinations(found, 2):
        # Both sides of a tap touch.
        gaps = (two[1] - one[3], one[1] - two[3], two[2] - one[4], one[2] - two[4])
        apart = max(gaps) > -1e-6
        assert apart, (one, two)
    for name, left, bottom, right, top in found:
        for a, b in drawing.wires:
            low, high = (min(a[0], b[0]), min(a[1], b[1])), (max(a[0], b[0]), max(a[1], b[1]))
            apart = (
                high[0] <= left + 0.01
                or low[0] >= right - 0.01
                or high[1] <= bottom + 1e-6
                or low[1] >= top - 1e-6
            )
            assert apart, (name, a, b)


@pytest.mark.parametrize("widest", [9.8, 20.0])
def test_rows_stay_within_the_paper(widest):
    """A ladder of sixteen values is broken into rows that are no longer than asked for."""
    drawing = draw_network(draw_random(3, most=9), widest=widest)
    left, _, right, _ = drawing.bounds
    assert right - left <= widest + 1.7  # names of terminals stand left of a row


def test_crossing_wires_do_not_meet():
    """Two wires that merely cross stay apart, one that ends on another joins it."""
    drawing = Drawing.empty()
    drawing.wire((0.0, 0.0), (2.0, 0.0))
    drawing.wire((1.0, -1.0), (1.0, 1.0))
    assert not find_joints(drawing)
    drawing.wire((0.5, 0.0), (0.5, 1.0))
    assert find_joints(drawing) == ((0.5, 0.0),)


@pytest.mark.parametrize(
    "part",
    [
        Part(kind="capacitor", value=3e-6, loss_ohm=0.02, pieces=(1e-6, 2e-6), joined="parallel"),
        Part(kind="capacitor", value=2e-6, loss_ohm=0.05, pieces=(3e-6, 6e-6), joined="series"),
        Part(kind="inductor", value=3e-3, loss_ohm=0.4, pieces=(1e-3, 2e-3), joined="series"),
    ],
)
def test_split_losses_join_to_the_whole(part):
    """Losses given to the pieces, joined as the part is, are the part's own loss."""
    z = [
        loss + 1.0 / (1j * 1e4 * v) if part.kind == "capacitor" else loss + 1j * 1e4 * v
        for v, loss in zip(part.pieces, split_loss(part), strict=True)
    ]
    total = sum(z) if part.joined == "series" else 1.0 / sum(1.0 / x for x in z)
    assert total.real == pytest.approx(part.loss_ohm, rel=1e-12)


def test_svg_is_well_formed_and_says_what_it_shows():
    """The file parses as XML, is named and described, and holds every value as text."""
    network = Network(
        ways=(
            FittedWay(
                name="bass & mid",
                driver="low",
                polarity=-1,
                slots=(
                    FittedSlot(
                        name="C1",
                        place="series",
                        form="capacitor",
                        parts=(
                            Part(
                                kind="capacitor",
                                value=8e-5,
                                pieces=(4.7e-5, 3.3e-5),
                                joined="parallel",
                            ),
                        ),
                    ),
                    FittedSlot(
                        name="P1",
                        place="series",
                        form="pad",
                        parts=(Part(kind="resistor", value=2.2), Part(kind="resistor", value=12.0)),
                    ),
                ),
            ),
        )
    )
    text = draw_schematic(network, title="A <net>")
    root = ET.fromstring(text)
    space = {"s": "http://www.w3.org/2000/svg"}
    words = [t.text for t in root.iterfind(".//s:text", space)]
    assert root.find("s:title", space).text == "A <net>"
    assert root.find("s:desc", space).text == describe_network(network)
    assert {
        "C1 = 80 µF",
        "47 µF",
        "33 µF",
        "2.2 Ω",
        "12 Ω",
        "R1",
        "R2",
        "low",
        "bass & mid",
        "inverted",
    } <= set(words)
    assert "47 µF + 33 µF in parallel" in describe_network(network)
