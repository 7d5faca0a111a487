"""What places accept: kinds of dielectric and core, wire, height, joined pieces, in stock and search."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.network.slots import keep, series_capacitor, series_inductor
from optimizer.network.topology import Topology
from optimizer.parts import NO_TERMS, Part, Terms, name_sort
from optimizer.problem.figures import build_candidate
from optimizer.search.fit import search
from optimizer.stock.coil import air_coil_dcr, wind_air_coil
from optimizer.stock.shelf import parse_parts_list
from optimizer.stock.stock import Stock
from optimizer.testing import small_problem
from optimizer.testing.problems import small_topology

LIST = """\
kind,type,value,dcr,wire,height,price EUR,current
cap,MKP,4.7 uF,,,,3.00,
cap,MKT,4.7 uF,,,,2.00,
cap,bipolar electrolytic,4.7 uF,,,,0.50,
cap,,4.7 uF,,,,1.00,
coil,air-cored,1 mH,0.45,1.0 mm,22,4.00,
coil,iron core,1 mH,0.20,,30 mm,5.00,6 A
coil,ferrite,1 mH,0.15,,25,6.00,
coil,,1 mH,0.50,AWG 18,,3.00,
"""


def sorts(stock: Stock, kind: str, terms: Terms) -> set[str]:
    """What the parts are made of that a place may hold."""
    return {part.made_of for part in stock.options(kind, 1e-6, 1.0, terms)}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "sort"),
    [
        ("MKP foil", "polypropylene"), ("Polyester MKT", "polyester"), ("film", "film"),
        ("bipolar", "electrolytic"), ("non-polar elco", "electrolytic"), ("air cored", "air"),
        ("iron core", "iron"), ("laminated steel", "iron"), ("ferrite rod", "ferrite"),
        ("repaired", ""), ("carpet", ""), ("", ""),
    ],
)  # fmt: skip
def test_words_of_lists_say_what_parts_are_made_of(words: str, sort: str) -> None:
    """A word begins with what tells it; others, and parts of words, say nothing."""
    assert name_sort(words) == sort


def test_terms_of_lists() -> None:
    """Only takes what says it, without leaves what does not say it, sizes are those of the list."""
    stock = Stock.of(None, lots=parse_parts_list(LIST, owned=False).lots)
    film = {"polypropylene", "polyester"}
    assert sorts(stock, "capacitor", Terms(only=("film",))) == film
    assert sorts(stock, "capacitor", Terms(only=("polyester",))) == {"polyester"}
    assert sorts(stock, "capacitor", Terms(without=("electrolytic",))) == film | {""}
    assert sorts(stock, "inductor", Terms(only=("iron",))) == {"iron"}
    assert sorts(stock, "inductor", Terms(only=("film",))) == {"air", "iron", "ferrite", ""}
    assert sorts(stock, "inductor", Terms(height_m=25e-3)) == {"air", "ferrite"}
    assert sorts(stock, "inductor", Terms(wire_m=1.02e-3)) == {"air", ""}
    assert sorts(stock, "inductor", Terms(wire_m=2.0e-3)) == set()


def test_parts_bought_by_series_are_made_as_asked() -> None:
    """Wire gives resistance and height by the formula of Brooks coils, a dielectric its loss."""
    stock = Stock.of("E6")
    (coil,) = stock.options("inductor", 1e-3, 1e-3, Terms(wire_m=1.4e-3))
    assert coil.loss_ohm == pytest.approx(float(air_coil_dcr(1e-3, 1.4e-3)))
    assert coil.height_m == pytest.approx(float(wind_air_coil(1e-3, 1.4e-3).side_m))
    (electrolytic,) = stock.options("capacitor", 1e-5, 1e-5, Terms(only=("electrolytic",)))
    (usual,) = stock.options("capacitor", 1e-5, 1e-5)
    assert electrolytic.loss_ohm == pytest.approx(50.0 * usual.loss_ohm)
    assert stock.options("inductor", 1e-3, 1e-3, Terms(only=("iron",))) == ()
    assert stock.options("inductor", 1e-3, 1e-3, NO_TERMS) == stock.options("inductor", 1e-3, 1e-3)


def test_pieces_are_joined_as_asked() -> None:
    """One alone, or two in one way, whatever the stock allows elsewhere; joined coils lie flat."""
    for join in (1, 2):
        stock = Stock.of("E6", join=join)
        for way in ("parallel", "series", "none"):
            found = stock.options("capacitor", 9e-6, 11e-6, Terms(joined=way))
            assert {part.joined for part in found} <= {"", way}
            assert (way == "none") == all(not part.joined for part in found)
    lots = parse_parts_list(LIST, owned=False).lots
    stock = Stock.of(None, lots=lots, join=2)
    pair = next(
        p for p in stock.options("capacitor", 9e-6, 10e-6, Terms(only=("film",))) if p.joined
    )
    assert set(pair.made_of.split(" + ")) <= {"polypropylene", "polyester"}
    tall = [p for p in stock.options("inductor", 1.9e-3, 2.1e-3, Terms(height_m=25e-3)) if p.joined]
    assert tall and all((p.height_m or 1.0) <= 25e-3 for p in tall)  # noqa: PT018


def test_terms_of_a_place_are_searched_and_relaxed_with_its_own_losses() -> None:
    """The winner has the wire that is asked for, and no value between costs more than the winner."""
    base = small_topology()
    way = base.ways[0]
    thick = Terms(wire_m=2.5e-3)
    slots = tuple(
        type(slot)(**{f: getattr(slot, f) for f in slot.__dataclass_fields__} | {"terms": thick})
        if "inductor" in slot.kinds
        else slot
        for slot in way.slots
    )
    woofer = type(way)(name=way.name, driver=way.driver, polarity=way.polarity, slots=slots)
    problem = small_problem(topology=Topology(ways=(woofer, *base.ways[1:])))
    law = problem.loss_laws[0]
    assert float(law(np.array(1e-3))) == pytest.approx(float(air_coil_dcr(1e-3, 2.5e-3)))
    found = search(problem, seconds=None, evaluations=600, top=1, workers=1)
    (best,) = found.candidates
    assert best.network.ways[0].slots[0].parts[0].wire_m == 2.5e-3
    assert found.cost_relaxed_best is not None
    assert found.cost_relaxed_best <= best.cost + 1e-9


def test_a_part_that_breaks_the_terms_is_told() -> None:
    """A network that is given may hold anything; its verdict says what and where."""
    problem = small_problem(stock=Stock.of("E6", terms=Terms(without=("electrolytic",))))
    genome = problem.space.frugal()
    network = problem.space.network(genome)
    assert build_candidate(problem, network).feasible
    broken = problem.replace(stock=Stock.of("E6", terms=Terms(without=("polypropylene",))))
    assert broken.space.network(broken.space.frugal()).parts[1].made_of == "polyester"
    verdicts = [v for v in build_candidate(broken, network).verdicts if v.name == "limit"]
    assert {v.where for v in verdicts} == {"tweeter.C1"}
    assert "is made of polypropylene" in verdicts[0].says


def test_the_nearest_stands_in_where_nothing_keeps_the_terms() -> None:
    """Of coils that are all too high it is the lowest one, and only where there is no other."""
    stock = Stock.of("E6", terms=Terms(height_m=1e-3))
    assert stock.options("inductor", 1e-3, 5e-3) == ()
    assert [part.value for part in stock.nearest("inductor", 1e-3, 5e-3)] == [1e-3]
    problem = small_problem(stock=stock)
    assert not build_candidate(problem, problem.space.frugal()).feasible


def test_terms_within_terms() -> None:
    """A place's own words count for its kind of part; what is forbidden outside stays forbidden."""
    outer = Terms(only=("film", "air"), without=("iron",), height_m=30e-3, wire_m=1e-3)
    inner = Terms(only=("electrolytic",), height_m=40e-3, joined="none")
    both = outer & inner
    assert set(both.only) == {"air", "electrolytic"}
    assert (both.without, both.height_m, both.wire_m, both.joined) == (
        ("iron",),
        30e-3,
        1e-3,
        "none",
    )
    part = Part(kind="capacitor", value=1e-6, made_of="film")
    assert not both.accepts(part)
    assert outer.accepts(part)


def test_a_height_has_sense() -> None:
    """A bare number is in mm; a coil of half a metre or of nothing is a slip."""
    with pytest.raises(InputError, match="height of a coil"):
        parse_parts_list("kind,value,height\ncoil,1 mH,900 mm\n")


def test_a_part_on_the_board_needs_no_stand_in() -> None:
    """Where nothing else keeps the terms, an alterable part stays, and nothing else is offered."""
    topology = Topology.of(
        woofer=[keep(series_inductor("L1", "0.5 mH", "2 mH"), "1 mH", alter=True)],
        tweeter=[series_capacitor("C1", "3.3 uF", "10 uF")],
    )
    stock = Stock.of("E6", terms=Terms(height_m=1e-3))
    problem = small_problem(topology=topology, stock=stock)
    assert [part.origin for part in problem.offers[0]] == ["kept"]
