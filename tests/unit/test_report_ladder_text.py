"""The ladder drawn in text."""

from __future__ import annotations

import pytest

from optimizer.network.network import FittedSlot, FittedWay
from optimizer.parts import Part
from optimizer.report.ladder_text import describe_join, draw_ladder

COIL = Part(kind="inductor", value=2.2e-3, loss_ohm=0.3)
CAP = Part(kind="capacitor", value=4.7e-6)
RESISTOR = Part(kind="resistor", value=8.2)


def make_way(*slots: tuple[str, str, str, tuple[Part, ...]], polarity: int = 1) -> FittedWay:
    fitted = tuple(FittedSlot(name=n, place=p, form=f, parts=q) for n, p, f, q in slots)
    return FittedWay(name="low", driver="woofer", polarity=polarity, slots=fitted)


def test_second_order_low_pass():
    """Series parts stand in the line, shunt parts hang from it, values under the names."""
    way = make_way(("L1", "series", "inductor", (COIL,)), ("C1", "shunt", "capacitor", (CAP,)))
    assert draw_ladder(way) == [
        " amp (+) ────[L1]───────┬───── (+) woofer",
        "            2.2 mH    [C1]",
        "            dcr 0.3  4.7 uF",
        "                        │",
        " amp (-) ───────────────┴───── (-)",
    ]


def test_a_transformer_stands_in_the_line_with_a_leg_to_the_return():
    """Its three ends are drawn: what it is fed by, what it feeds, and the common one."""
    way = make_way(("C1", "series", "capacitor", (CAP,)), ("A1", "series", "tap 0.5", ()))
    assert draw_ladder(way) == [
        " amp (+) ────[C1]─────[A1]───── (+) woofer",
        "            4.7 uF  -6.02 dB",
        "                        │",
        " amp (-) ───────────────┴────── (-)",
    ]


def test_bare_way():
    """A way without parts is two wires."""
    assert draw_ladder(make_way()) == [" amp (+) ──── (+) woofer", " amp (-) ──── (-)"]


def test_inverted_way_swaps_the_marks_at_the_driver():
    """An inverted driver has its minus terminal at the upper line."""
    lines = draw_ladder(make_way(polarity=-1))
    assert lines[0].endswith("(-) woofer")
    assert lines[-1].endswith("(+)")


def test_shunt_branches_meet_both_lines():
    """Every branch is drawn without a gap from the upper to the lower line."""
    way = make_way(
        ("N1", "shunt", "notch", (COIL, CAP, RESISTOR)), ("C1", "shunt", "capacitor", (CAP,)),
        ("R1", "shunt", "resistor", (RESISTOR,)),
    )  # fmt: skip
    lines = draw_ladder(way)
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
    lines = draw_ladder(make_way(*slots), width=width)
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
