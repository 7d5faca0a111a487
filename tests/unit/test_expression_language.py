"""The language of networks: nodes, notation, forms, places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.expression.circuit import write_spice
from optimizer.network.expression.forms import NAMED_FORMS, NamedForm
from optimizer.network.expression.ladders import Placed, ladder
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Parallel,
    PartLeaf,
    Series,
    SourceResistance,
    Tap,
    driver_leaves,
    part_leaves,
    render,
)
from optimizer.network.expression.notation import parse
from optimizer.network.expression.plan import NetworkPlan
from optimizer.network.expression.single import transfers_of
from optimizer.parts import Part
from optimizer.testing.expressions import random_expression

WOOFER = DriverLeaf("woofer")
L1, C1 = PartLeaf("inductor", "L1"), PartLeaf("capacitor", "C1")


@pytest.mark.parametrize(
    ("text", "node"),
    [
        ("woofer", WOOFER),
        ("-woofer", replace(WOOFER, polarity="inverted")),
        ("±woofer", replace(WOOFER, polarity="free")),
        ("L1 + woofer", Series((L1, WOOFER))),
        ("L1 + (C1 || woofer)", Series((L1, Parallel((C1, WOOFER))))),
        ("L1? || C1 || woofer", Parallel((replace(L1, optional=True), C1, WOOFER))),
        ("(L1 + C1) + woofer", Series((L1, C1, WOOFER))),
        (
            "B1: (L1 + C1)? || woofer",
            Parallel((Series((L1, C1), place="B1", optional=True), WOOFER)),
        ),
        ("tap(0.41, L1 + woofer)", Tap(0.41, Series((L1, WOOFER)))),
        ("tap(-6 dB, L1 + woofer)", Tap(10 ** (-6 / 20), Series((L1, WOOFER)))),
        ("L1 + A1: tap(-3.5 dB, woofer)", Series((L1, Tap(10 ** (-3.5 / 20), WOOFER, "A1")))),
        ('"mid bass" + L1', Series((DriverLeaf("mid bass"), L1))),
        ("P1.Rs + woofer", Series((PartLeaf("resistor", "P1.Rs"), WOOFER))),
    ],
)
def test_notation(text: str, node: object) -> None:
    """Text reads as the node it stands for, and the node writes text that reads the same."""
    assert parse(text) == node
    assert parse(render(parse(text))) == node
    assert repr(node) == f"<{render(parse(text))}>"
    assert hash(node) == hash(parse(text))


@pytest.mark.parametrize("seed", range(100))
def test_random_expressions_read_back(seed: int) -> None:
    """What is written reads back as the same text, the same parts and the same places."""
    rng = np.random.default_rng(seed)
    node = random_expression(rng, int(rng.integers(1, 5)), int(rng.integers(1, 20)))
    again = parse(render(node))
    assert render(again) == render(parse(render(again)))
    assert [leaf.name for leaf in part_leaves(again)] == [leaf.name for leaf in part_leaves(node)]
    assert [d.polarity for d in driver_leaves(again)] == [d.polarity for d in driver_leaves(node)]
    assert [x.optional for x in part_leaves(again)] == [x.optional for x in part_leaves(node)]


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", "a part, a driver or a bracket is expected"),
        ("L1 +", "a part, a driver or a bracket is expected"),
        ("L1 woofer", r"\+ or \|\| stands between two things"),
        ("L1 + C1 || woofer", r"brackets say which of \+ and \|\| comes first"),
        ("(L1 + woofer", "a bracket is closed"),
        ("L1 | woofer", "names, "),
        ("L1 & woofer", 'got "& woofer" in "L1 & woofer"'),
        ("-L1 + woofer", "only a driver can be turned"),
        ("woofer?", "what holds a driver cannot be left out"),
        ("(R || C)? + woofer", "an optional bracket needs a name"),
        ("B1: L1 + woofer", "a name with a colon stands before a bracket"),
        ("B1: (L1 + woofer)?", "what holds a driver cannot be left out"),
        ("tap(woofer)", "a tap begins with volts after it over volts before it"),
        ("tap(2 woofer)", "a comma follows"),
        ("tap(-2, woofer)", "above 0"),
        ("tap(-2000000 dB, woofer)", "above 0"),
        ("tap(0, woofer)", "volts after it over those before it, above 0"),
        ("(" * 200 + "L1" + ")" * 200, "100 deep at most"),
    ],
)
def test_bad_text_is_refused(text: str, rule: str) -> None:
    """One clear message for every mistake, never another exception."""
    with pytest.raises(InputError, match=rule):
        parse(text)


def test_operators_build_what_the_notation_says() -> None:
    """In Python + joins in series and | in parallel; brackets as in the notation."""
    assert parse("L1 + (C1 || woofer)") == L1 + (C1 | WOOFER)
    assert parse("L1 + C1 + woofer") == L1 + C1 + WOOFER


def test_names_are_unique() -> None:
    """Two parts, or two drivers, of one name are refused; one driver may be there twice."""
    with pytest.raises(InputError, match="names are unique within a network"):
        NetworkPlan(L1 + (L1 | WOOFER))
    with pytest.raises(InputError, match="names are unique within a network"):
        NetworkPlan(WOOFER | WOOFER)
    twice = DriverLeaf("woofer", "upper") | DriverLeaf("woofer", "lower")
    assert [d.name for d in NetworkPlan(twice).drivers] == ["upper", "lower"]


def test_places_are_whole() -> None:
    """Parts of one place are optional together; what holds a driver is never optional."""
    rs = PartLeaf("resistor", "P1.Rs", place="P1", optional=True)
    rp = PartLeaf("resistor", "P1.Rp", place="P1")
    with pytest.raises(InputError, match="all of them are optional or none"):
        NetworkPlan(rs + (rp | WOOFER))
    with pytest.raises(InputError, match="a network holds a driver"):
        NetworkPlan(L1 + C1)


def test_groups_within_groups_need_all_places_around_them() -> None:
    """A part is there when its own place and every optional group around it are filled."""
    plan = NetworkPlan(parse("B1: (R1 || (B2: (L1 + C1?)?))? + woofer"))
    places = {name: k for k, name in enumerate(plan.places)}
    assert set(places) == {"B1", "R1", "B2", "L1", "C1"}
    present = np.ones((3, 5), dtype=bool)
    present[0, places["B2"]] = present[1, places["B1"]] = present[2, places["C1"]] = False
    names = [leaf.name for leaf in plan.leaves]
    mask = dict(zip(names, plan.mask(present).T.tolist(), strict=True))
    assert mask == {
        "R1": [True, False, True],
        "L1": [False, False, True],
        "C1": [False, False, False],
    }


def part(kind: str, value: float) -> Part:
    return Part(kind=kind, value=value)  # type: ignore[arg-type]


def test_forms_are_expressions() -> None:
    """Every named form stands around what follows, its parts under the name of the place."""
    for form in NAMED_FORMS.values():
        node = form.around(WOOFER, "X1")
        leaves = part_leaves(node)
        assert {leaf.place for leaf in leaves} == {"X1"}
        assert len({leaf.name for leaf in leaves}) == len(form.parts) > 0
        assert driver_leaves(node) == (WOOFER,)
        assert form.does
    assert render(NAMED_FORMS["series", "pad"].around(WOOFER, "P1")) == "P1.Rs + (P1.Rp || woofer)"
    assert render(NAMED_FORMS["series", "inductor"].around(WOOFER, "L1")) == "L1 + woofer"
    assert (
        render(NAMED_FORMS["shunt", "notch"].around(WOOFER, "N1"))
        == "(N1.L + N1.C + N1.R) || woofer"
    )
    assert render(NamedForm.in_line("R || C").around(WOOFER, "B1")) == "(B1.R || B1.C) + woofer"
    assert render(NamedForm.across("L + C").around(WOOFER, "N1")) == "(N1.L + N1.C) || woofer"


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("L + C", 'the word "rest" stands once in a form'),
        ("rest + L", 'the word "rest" stands once in a form, at its end'),
        ("L + (rest || rest)", 'the word "rest" stands once in a form'),
        ("X + rest", "the name of a part begins with R, L or C"),
    ],
)
def test_bad_forms_are_refused(text: str, rule: str) -> None:
    """A form has one place for what follows, and parts that say what they are."""
    with pytest.raises(InputError, match=rule):
        NamedForm("mine", text)


def test_ladder_puts_forms_in_front() -> None:
    """Source first, as a ladder is read; kept and optional parts keep what is known of them."""
    known = [PartLeaf("resistor", "x", optional=True, low=1.0, high=5.0)] * 2
    coil, pad = NAMED_FORMS["series", "inductor"], NAMED_FORMS["series", "pad"]
    node = ladder(WOOFER, [Placed(coil, "L1"), Placed(pad, "P1", known)])
    assert render(node) == "L1 + P1.Rs? + (P1.Rp? || woofer)"
    assert part_leaves(node)[1].high == 5.0


def test_a_form_added_in_five_lines_works_everywhere() -> None:
    """A bridged pad of one's own is solved and written for a simulator like any other form."""
    bridged = NamedForm("bridged pad", "(Rs || (C + Rc)) + (Rp || rest)")
    values = {"Rs": 4.0, "C": 2.2e-6, "Rc": 1.0, "Rp": 8.0}
    leaves = [replace(x, part=part(x.kind, values[x.name]), fixed=True) for x in bridged.parts]
    made = bridged.around(DriverLeaf("tweeter"), "P1", leaves)
    f = np.array([100.0, 10_000.0])
    solved = transfers_of(made, f, {"tweeter": np.full(2, 6.0 + 0j)})
    low, high = np.abs(solved.transfer[0])
    assert low == pytest.approx((1 / (1 / 8 + 1 / 6)) / (4 + 1 / (1 / 8 + 1 / 6)), rel=1e-4)
    assert high > low
    text = write_spice(made, {"tweeter": DriverEquivalent(re_ohm=6.0)})
    assert all(f"\n{name} " in text for name in ("RP1_Rs", "CP1_C", "RP1_Rc", "RP1_Rp"))


def test_source_resistances_are_not_negative() -> None:
    """A negative or infinite resistance of amplifier or cable is refused."""
    with pytest.raises(InputError, match="amplifier, cable: a resistance is not negative"):
        SourceResistance(cable_ohm=-0.1)
    assert SourceResistance(output_ohm=0.1, cable_ohm=0.2).ohm == pytest.approx(0.3)
