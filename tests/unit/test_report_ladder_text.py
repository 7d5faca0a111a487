"""The ladder drawn in text."""

from __future__ import annotations

import re
from collections import Counter

import numpy as np
import pytest

from optimizer.network.expression.circuit import list_elements
from optimizer.network.expression.ladders import from_network
from optimizer.network.expression.nodes import DriverLeaf, PartLeaf
from optimizer.network.network import FittedGroup, FittedSlot, FittedWay, Network
from optimizer.network.references import name_labels
from optimizer.parts import Part
from optimizer.report.ladder_text import describe_join, draw_ladder, draw_tree

COIL = Part(kind="inductor", value=2.2e-3, loss_ohm=0.3)
CAP = Part(kind="capacitor", value=4.7e-6)
RESISTOR = Part(kind="resistor", value=8.2)


def make_way(*slots: tuple[str, str, str, tuple[Part, ...]], polarity: int = 1) -> FittedWay:
    fitted = tuple(FittedSlot(name=n, place=p, form=f, parts=q) for n, p, f, q in slots)
    return FittedWay(name="low", driver="woofer", polarity=polarity, slots=fitted)


def draw(way: FittedWay, **options: int) -> list[str]:
    return draw_ladder(way, Network(ways=(way,)).references, **options)


def test_second_order_low_pass():
    """Series parts stand in the line, shunt parts hang from it, values under the names."""
    way = make_way(("L1", "series", "inductor", (COIL,)), ("C1", "shunt", "capacitor", (CAP,)))
    assert draw(way) == [
        " amp (+) ────[L1]───────┬───── (+) woofer",
        "            2.2 mH    [C1]",
        "            dcr 0.3  4.7 uF",
        "                        │",
        " amp (-) ───────────────┴───── (-)",
    ]


def test_a_transformer_stands_in_the_line_with_a_leg_to_the_return():
    """Its three ends are drawn: what it is fed by, what it feeds, and the common one."""
    way = make_way(("C1", "series", "capacitor", (CAP,)), ("A1", "series", "tap 0.5", ()))
    assert draw(way) == [
        " amp (+) ────[C1]─────[T1]───── (+) woofer",
        "            4.7 uF  -6.02 dB",
        "                        │",
        " amp (-) ───────────────┴────── (-)",
    ]


def test_bare_way():
    """A way without parts is two wires."""
    assert draw(make_way()) == [" amp (+) ──── (+) woofer", " amp (-) ──── (-)"]


def test_inverted_way_swaps_the_marks_at_the_driver():
    """An inverted driver has its minus terminal at the upper line."""
    lines = draw(make_way(polarity=-1))
    assert lines[0].endswith("(-) woofer")
    assert lines[-1].endswith("(+)")


def test_shunt_branches_meet_both_lines():
    """Every branch is drawn without a gap from the upper to the lower line."""
    way = make_way(
        ("N1", "shunt", "notch", (COIL, CAP, RESISTOR)), ("C1", "shunt", "capacitor", (CAP,)),
        ("R1", "shunt", "resistor", (RESISTOR,)),
    )  # fmt: skip
    lines = draw(way)
    tops = [i for i, c in enumerate(lines[0]) if c == "┬"]
    assert len(tops) == 3
    assert tops == [i for i, c in enumerate(lines[-1]) if c == "┴"]
    for column in tops:
        around = [line[column - 3 : column + 4].strip() for line in lines[1:-1]]
        assert all(around)


@pytest.mark.parametrize("width", [50, 60, 80, 100])
def test_long_ladder_goes_on_below(width):
    """A ladder wider than the terminal is split; every part is drawn once and lines still fit."""
    slots = [(f"C{i}", "shunt", "capacitor", (CAP,)) for i in range(1, 15)]
    lines = draw(make_way(*slots), width=width)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert all(text.count(f"[C{i}]") == 1 for i in range(1, 15))
    assert text.count("(+) woofer") == 1
    assert text.count("> (a)") == text.count("  (a) ──") > 0


def test_part_names():
    """Parts of compounds carry the name of their slot and their letter; pads say which is which."""

    def names(form: str, place: str, *parts: Part) -> list[tuple[str, str]]:
        slot = FittedSlot(name="X1", place=place, form=form, parts=parts)
        return [(name, at) for name, at, _ in slot.named_parts]

    assert names("capacitor", "series", CAP) == [("X1", "series")]
    assert names("notch", "shunt", COIL, CAP, RESISTOR) == [
        ("X1.L", "shunt"), ("X1.C", "shunt"), ("X1.R", "shunt"),
    ]  # fmt: skip
    assert names("trap", "series", COIL, CAP, RESISTOR)[0] == ("X1.L", "series")
    assert names("equaliser", "shunt", RESISTOR, CAP) == [("X1.R", "shunt"), ("X1.C", "shunt")]
    assert names("pad", "series", RESISTOR, RESISTOR) == [("X1.Rs", "series"), ("X1.Rp", "shunt")]


def test_joined_pieces_are_spelt_out():
    """Equal pieces are counted, different ones added up; a single piece says nothing."""

    def join(*pieces: float, how: str) -> str:
        return describe_join(Part(kind="capacitor", value=4e-6, pieces=pieces, joined=how))

    assert join(2e-6, 2e-6, how="parallel") == "2 x 2 uF in parallel"
    assert join(2.2e-6, 1.8e-6, how="parallel") == "2.2 uF + 1.8 uF in parallel"
    assert join(4e-6, how="") == ""


# --- how ladders hang on each other -------------------------------------------------------------

OPEN = {
    "─": "EW", "│": "NS", "┬": "EWS", "┴": "EWN", "├": "NSE", "┤": "NSW", "┌": "SE", "┐": "SW",
    "└": "NE", "┘": "NW",
}  # fmt: skip
STEP = {"N": (-1, 0), "S": (1, 0), "E": (0, 1), "W": (0, -1)}
BACK = {"N": "S", "S": "N", "E": "W", "W": "E"}


def draw_random_tree(seed: int) -> Network:
    """Up to four ways of single parts and taps, each with a name of its own."""
    rng = np.random.default_rng([33, seed])
    forms = [(p, k) for p in ("series", "shunt") for k in ("inductor", "capacitor", "resistor")]
    part = {"inductor": COIL, "capacitor": CAP, "resistor": RESISTOR}
    count = iter(range(1, 99))

    def slots(most: int) -> tuple[FittedSlot, ...]:
        found = []
        for _ in range(int(rng.integers(0, most + 1))):
            place, form = forms[int(rng.integers(len(forms)))]
            name, parts = f"X{next(count)}", (part[form],)
            if rng.random() < 0.15:
                place, form, parts = "series", "tap -3 dB", ()
            found.append(FittedSlot(name=name, place=place, form=form, parts=parts))
        return tuple(found)

    names = ["sub", "bass", "mid", "air"][: int(rng.integers(2, 5))]
    ways = tuple(
        FittedWay(name=n, driver=f"d{n}", polarity=1 if rng.random() < 0.5 else -1, slots=slots(3))
        for n in names
    )
    loose, groups = list(names), []
    for name in ("first", "second")[: int(rng.integers(1, 3))]:
        start = int(rng.integers(len(loose)))
        members = tuple(loose[start : start + int(rng.integers(1, 4))])
        joint = "series" if rng.random() < 0.4 else "parallel"
        groups.append(FittedGroup(name=name, members=members, joint=joint, slots=slots(2)))
        loose[start : start + len(members)] = [name]
    return Network(ways=ways, groups=tuple(groups))


def read_text(lines: list[str]) -> Counter[frozenset[str]]:
    """What meets where, found by following the characters of lines."""
    grid = {(y, x): c for y, line in enumerate(lines) for x, c in enumerate(line)}
    ends: dict[tuple[int, int], set[str]] = {}
    joined: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for y, line in enumerate(lines):
        for sign in re.finditer(r"amp \([+-]\)", line):
            ends.setdefault((y, sign.end() + 1), set()).add(sign.group())
        for sign in re.finditer(r"(?<!amp )\(([+-])\)", line):
            # A return may go on at the right of the mark.
            beside = [(y, sign.start() - 2), (y, sign.end() + 1)]
            beside = [at for at in beside if grid.get(at) == "─"]
            for at in beside:
                ends.setdefault(at, set()).add(f"driver {sign[1]}")
                joined[at] = beside
        for box in re.finditer(r"\[([RLCT]\d+)\]", line):
            name, x = box[1], (box.start() + box.end()) // 2
            in_line = grid.get((y, box.start() - 1)) in ("─", "┬", "├", "└")
            down = y + 1
            while any(grid.get((down, x + k), " ") not in "│┴ " for k in (-1, 0, 1)):
                down += 1  # values are longer than one character on either side
            if in_line:
                for at in ((y, box.start() - 1), (y, box.end())):
                    ends.setdefault(at, set()).add(name)
                if grid.get((down, x)) in ("│", "┴"):
                    ends.setdefault((down, x), set()).add(f"{name} common")
            else:
                for at in ((y - 1, x), (down, x)):
                    ends.setdefault(at, set()).add(name)
    found, seen = [], set()
    for start in ends:
        if start in seen:
            continue
        meets, todo = set(), [start]
        while todo:
            at = todo.pop()
            if at in seen:
                continue
            seen.add(at)
            meets |= ends.get(at, set())
            todo += joined.get(at, [])
            for way in OPEN.get(grid[at], ""):
                to = at[0] + STEP[way][0], at[1] + STEP[way][1]
                if BACK[way] in OPEN.get(grid.get(to, " "), ""):
                    todo.append(to)
        found.append(frozenset(meets))
    return Counter(found)


@pytest.mark.parametrize("seed", range(40))
def test_tree_joins_what_the_expression_joins(seed):
    """Followed from character to character, lines join the parts that the expression joins."""
    network = draw_random_tree(seed)
    nodes: dict[str, set[str]] = {}
    called = name_labels(network.references)
    for one in list_elements(from_network(network), "amp (+)", "amp (-)"):
        what = one.what
        if isinstance(what, PartLeaf):
            names = [called[what.name]] * 2
        elif isinstance(what, DriverLeaf):
            names = ["driver +", "driver -"][:: what.sign]
        else:
            names = [called[what.name]] * 2 + [f"{called[what.name]} common"]
        for name, node in zip(names, one.nodes, strict=True):
            nodes.setdefault(node, {node} if node.startswith("amp") else set()).add(name)
    blocks = "\n".join(draw_tree(network, width=999)).split("\n\n")
    assert len(blocks) == len(network.branches)
    found: Counter[frozenset[str]] = Counter()
    source: dict[str, set[str]] = {"amp (+)": set(), "amp (-)": set()}
    for block in blocks:  # each has terminals of its own, which are the same two
        for meets, times in read_text(block.splitlines()).items():
            terminal = next((t for t in source if t in meets), "")
            if terminal:
                source[terminal] |= meets
            else:
                found[meets] += times
    found.update(map(frozenset, source.values()))
    assert found == Counter(map(frozenset, nodes.values()))


def test_tree_that_is_too_wide_is_drawn_ladder_by_ladder():
    """Within 100 columns each ladder is drawn by itself, from and to points with names."""
    caps = tuple(
        FittedSlot(name=f"C{k}", place="shunt", form="capacitor", parts=(CAP,)) for k in range(9)
    )
    ways = tuple(
        FittedWay(name=name, driver=name, polarity=1, slots=caps) for name in ("low", "high")
    )
    first = FittedSlot(name="L9", place="series", form="inductor", parts=(COIL,))
    network = Network(
        ways=ways, groups=(FittedGroup(name="both", members=("low", "high"), slots=(first,)),)
    )
    wide, narrow = draw_tree(network, width=130), draw_tree(network, width=100)
    assert max(map(len, narrow)) <= 100 < max(map(len, wide)) <= 130
    assert sum("amp (+)" in line for line in wide) == 1
    assert sum("point 1" in line for line in narrow) == 3
    assert narrow[0] == " both: shared, to low, high in parallel"
