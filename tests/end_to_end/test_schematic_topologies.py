"""Every topology that the other tests take through the commands: what its picture joins.

Judge: the SPICE text of the same network, which other tests run. Its nodes and those found by
following the lines of the drawing must join the same ends of the same parts.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable
from html import unescape
from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.bench.build.wiring import wire_network
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.netlist import write_netlist
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.genome import Genome
from optimizer.report.drawing import Drawing, read_back
from optimizer.report.ladder_text import draw_tree
from optimizer.report.layout import draw_network
from optimizer.report.schematic import SCALE, WIDE, draw_schematic
from tests.conftest import cases
from tests.end_to_end.conftest import Browser
from tests.end_to_end.test_drivers_together import CASES, ENDS
from tests.end_to_end.test_shared_sections import SHARED
from tests.end_to_end.test_topologies import ACROSS, EXPRESSIONS, TAPS, WHOLE

DESIGNS: dict[str, tuple[tuple[str, str], ...] | str] = {
    "the demo": (),
    "expressions": tuple(EXPRESSIONS.items()),
    "across a place": tuple(ACROSS.items()),
    **{f"a tap, {name}": changes for name, changes in TAPS.items()},
    "a tap for all": ((ENDS, WHOLE),),
    **{name: ((ENDS, f"{ENDS}{written}\n"),) for name, written in SHARED.items()},
    **{name: case.design for name, case in CASES.items()},
}

Ends = frozenset[str]
"""Everything that meets at one point: "L1" for either end of a part."""


@pytest.fixture(scope="module", params=list(DESIGNS))
def network(
    request: pytest.FixtureRequest, copy_demo: Callable[..., Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> Network:  # fmt: skip
    """Every place filled by a value of the middle of its range; two parts joined from pieces."""
    return fill(request.param, copy_demo, tmp_path_factory.mktemp("drawn"))


def fill(name: str, copy_demo: Callable[..., Path], folder: Path) -> Network:
    written = DESIGNS[name]
    design = copy_demo(folder, *(() if isinstance(written, str) else written))
    if isinstance(written, str):
        design.write_text(written, encoding="utf-8")
    problem = optimizer.load(design)
    middle = Genome(
        choice=np.array([len(one.values) // 2 for one in problem.space.options]),
        present=np.ones(len(problem.space.slots), dtype=bool),
        polarity=np.array([1.0, -1.0, 1.0]),
    )
    found = problem.space.network(middle)
    return found.replace_parts(
        {("tweeter", "C1", 0): joined("parallel"), ("tweeter", "C2", 0): joined("series")}
    )


def joined(how: str) -> Part:
    a, b = 3.3e-6, 4.7e-6
    value = a + b if how == "parallel" else a * b / (a + b)
    return Part(kind="capacitor", value=value, loss_ohm=0.02, pieces=(a, b), joined=how)


def meet(ends: Iterable[tuple[str, str]], shorts: Iterable[tuple[str, str]]) -> Counter[Ends]:
    """What meets at each node, of pairs of thing and node, where some nodes are one."""
    parent: dict[str, str] = {}

    def root(node: str) -> str:
        while node in parent:
            node = parent[node]
        return node

    for a, b in shorts:
        if root(a) != root(b):
            parent[root(a)] = root(b)
    found: dict[str, set[str]] = {}
    for thing, node in ends:
        found.setdefault(root(node), set()).add(thing)
    return Counter(map(frozenset, found.values()))


def meet_in_netlist(network: Network) -> Counter[Ends]:
    """Read the SPICE text alone; what stands for a loss or a resistance of the source is a wire."""
    loads = {way.driver: DriverEquivalent(re_ohm=6.0) for way in network.ways}
    text = write_netlist(network, loads).partition(".subckt")[0]
    ends, shorts = [("amp+", "amp"), ("amp-", "0")], []
    for line in text.splitlines():
        name, *nodes = line.split()
        tap = re.fullmatch(r"E(?:tap_)?(\w+)", name)
        if tap:
            inner, common, before = nodes[:3]
            ends += [(f"{tap[1]} before", before), (f"{tap[1]} common", common)]
            ends.append((f"{tap[1]} after", inner))
        elif name[0] == "X":
            ends += [(f"{name[1:]} plus", nodes[0]), (f"{name[1:]} minus", nodes[1])]
        elif re.search(r"^(V(?!amp)\w+|Routput|Rcable|[RH]\w+__(loss|loop))$", name):
            shorts.append((nodes[0], nodes[1]))
        elif name[0] in "RLC" and not name.startswith("Rbleed"):
            ends += [(name, node) for node in nodes[:2]]
    return meet(ends, shorts)


def meet_in_drawing(drawing: Drawing) -> Counter[Ends]:
    """Follow the lines; pieces of a part are the part, as the SPICE text has it."""
    nets, branches = read_back(drawing)
    ends = [("amp+", str(nets["amp+"])), ("amp-", str(nets["amp-"]))]
    windings: dict[str, list[str]] = {}
    pieces: dict[str, list[str]] = {}
    for branch in branches:
        a, b, symbol = str(branch.a), str(branch.b), branch.symbol
        name = symbol.name
        if symbol.kind == "driver":
            way = re.sub(r"\W", "_", symbol.way)
            ends += [(f"{way} plus", a), (f"{way} minus", b)]
        elif symbol.kind == "winding":
            windings.setdefault(name, []).extend((a, b))
            if len(windings[name]) == 4:
                high, tap, _, common = windings[name]
                ends += [(f"{name} before", high), (f"{name} after", tap)]
                ends.append((f"{name} common", common))
        elif re.fullmatch(r"C\d+[ab]", name):
            pieces.setdefault(name[:-1], []).extend((a, b))
        else:
            ends += [(name, a), (name, b)]
    for name, nodes in pieces.items():
        once = [node for node in nodes if nodes.count(node) == 1]
        ends += [(name, node) for node in (once or nodes[:2])]  # once in series, twice side by side
    return meet(ends, ())


@pytest.mark.parametrize("widest", [9.2, 20.0, WIDE])
def test_drawing_joins_what_the_netlist_joins(network: Network, widest: float) -> None:
    """Parts and drivers, polarity and ends of transformers included, for a phone and for paper."""
    wanted = meet_in_netlist(network)
    assert meet_in_drawing(draw_network(network, widest=widest)) == wanted
    assert sum(len(ends) for ends in wanted) >= 2 * len(network.parts)


def test_the_judge_sees_a_wrong_wire(network: Network) -> None:
    """Any wire that is taken away makes the drawing differ; so does a turned driver."""
    wanted = meet_in_netlist(network)
    for k in range(0, len(draw_network(network).wires), 5):
        drawing = draw_network(network)
        del drawing.wires[k]
        assert meet_in_drawing(drawing) != wanted
    way = network.ways[0]
    others = tuple(w for w in network.ways if w is not way)
    turned = Network(
        ways=(type(way)(name=way.name, driver=way.driver, polarity=-1, slots=way.slots), *others),
        groups=network.groups,
    )
    assert meet_in_drawing(draw_network(turned)) != wanted


def test_svg_has_the_lines_of_the_drawing(network: Network) -> None:
    """What was judged is what is seen: every wire, and every text."""
    drawing = draw_network(network)
    svg = draw_schematic(network)
    path = re.search(r'<path class="w" d="([^"]+)"', svg)
    assert path is not None
    points = [[float(x) / SCALE for x in pair.split()] for pair in re.split("[ML]", path[1])[1:]]
    wires = np.array(points).reshape(-1, 4) * [1, -1, 1, -1]
    flat = np.array([(*a, *b) for a, b in drawing.wires])
    np.testing.assert_allclose(wires, flat, atol=0.051 / SCALE)
    texts = Counter(map(unescape, re.findall(r"<text[^>]*>([^<]*)</text>", svg)))
    assert texts == Counter(words.text for words in drawing.words)


def test_every_part_is_in_the_text(network: Network) -> None:
    """The picture of a terminal names each part once, in at most 100 columns."""
    lines = draw_tree(network)
    assert max(map(len, lines)) <= 100
    boxes = " ".join(re.findall(r"\[([^\]]+)\]", "\n".join(lines)))
    named = Counter(re.findall(r"[RLCT]\d+", boxes))
    assert named == Counter(network.references.values())
    for way in network.ways:
        assert sum(line.count(f") {way.driver}") for line in lines) == 1


@pytest.mark.parametrize("name", cases(DESIGNS, routine=3))
@pytest.mark.parametrize("widest", [9.2, WIDE])
def test_texts_keep_apart_in_a_browser(
    name: str, widest: float, copy_demo: Callable[..., Path], tmp_path: Path, browser: Browser
) -> None:
    """As a browser sets them, no text touches another or leaves the picture, ratings included."""
    network = fill(name, copy_demo, tmp_path)
    pieces = [piece.name for piece in wire_network(network).pieces]
    svg = draw_schematic(network, widest=widest, ratings=dict.fromkeys(pieces, "≥ 100 V"))
    page = tmp_path / "drawing.html"
    page.write_text(f"<!doctype html><meta charset=utf-8>{svg.partition('?>')[2]}", "utf-8")
    browser.show(page, ready="true")
    found = browser.run(
        """(() => {
          const svg = document.querySelector("svg"), frame = svg.viewBox.baseVal;
          const boxes = [...svg.querySelectorAll("text")].map((t) => [t.textContent, t.getBBox()]);
          const wrong = [];
          boxes.forEach(([text, a], k) => {
            if (a.x < frame.x || a.y < frame.y || a.x + a.width > frame.x + frame.width
                || a.y + a.height > frame.y + frame.height) wrong.push([text, "outside"]);
            for (const [other, b] of boxes.slice(k + 1)) {
              const wide = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
              const high = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
              // Boxes of lines of text have room above and below their letters.
              if (wide > 0.5 && high > 4) wrong.push([text, other]);
            }
          });
          return [boxes.length, wrong];
        })()"""
    )
    count, wrong = found
    assert count > 2 * len(pieces)
    assert wrong == []
