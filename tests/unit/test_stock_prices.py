"""Prices of new parts, and a shelf that is preferred to the shop because it is owned."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.design.build.stock import build_stock
from optimizer.errors import InputError
from optimizer.parts import Part
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.stock.lots import Lot
from optimizer.stock.prices import estimate_price
from optimizer.testing import FILE_HZ, write_driver

FREQUENCY = np.geomspace(20.0, 20000.0, 61)

DESIGN = """\
drivers:
  woofer: {response: woofer.txt, impedance: woofer_z.txt}
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.33 mH, to: 3.3 mH}
      - {name: R1, shunt: resistor, from: 4 ohm, to: 100 ohm}
goals:
  on_axis: {band: 100..10k}
  price: {each: EACH}
stock: {series: E6, shelf: shelf.csv}
"""


def lot(value: float, price: float | None) -> Lot:
    part = Part(kind="capacitor", value=value, origin="shelf", pieces=(value,), price=0.0)
    return Lot(part=part, count=2, nominal=value, replacement_price=price)


def test_a_power_law_is_found_again() -> None:
    """Prices of 3 (C / uF)^0.5 give that law back; the unpriced one is no matter."""
    lots = [lot(c * 1e-6, 3.0 * c**0.5) for c in (1.0, 4.7, 10.0, 47.0)]
    law = estimate_price([*lots, lot(2e-6, None)], "capacitor")
    assert law is not None
    assert law(22e-6) == pytest.approx(3.0 * 22.0**0.5, rel=1e-9)
    assert estimate_price(lots, "inductor") is None


def test_few_or_falling_prices_make_a_level_law() -> None:
    """From one or two prices, or falling ones, the geometric mean is taken for every value."""
    falling = [lot(1e-6, 8.0), lot(3e-6, 4.0), lot(9e-6, 2.0)]
    for lots in ([lot(1e-6, 2.0), lot(4e-6, 8.0)], falling):
        law = estimate_price(lots, "capacitor")
        assert law is not None
        assert law(1e-6) == pytest.approx(4.0)
        assert law(1e-4) == pytest.approx(4.0)


def make(folder: Path, each: float, shelf: str) -> Problem:
    """Write an invented driver whose level rises, so that a coil and a resistor help."""
    write_driver(folder, "woofer", level_db=87.0 + 4.0 * np.log10(1.0 + FILE_HZ / 1000.0))
    (folder / "shelf.csv").write_text(shelf, encoding="utf-8")
    path = folder / "design.yaml"
    path.write_text(DESIGN.replace("EACH", str(each)), encoding="utf-8")
    return build_problem(load_design(path))


SHELF = """\
kind,value,count,dcr,price
inductor,0.82 mH,1,0.3,6 EUR
inductor,2.7 mH,1,0.5,11 EUR
resistor,5.6 ohm,2,,0.50 EUR
resistor,56 ohm,2,,0.50 EUR
"""


@pytest.mark.parametrize("each", [0.0, 0.002, 0.05, 1.0])
def test_what_is_owned_is_preferred_by_the_price_of_the_new(tmp_path: Path, each: float) -> None:
    """The fit finds what pricing every network by hand finds; owned pieces cost nothing."""
    problem = make(tmp_path, each, SHELF)
    coils, resistors = (o.parts for o in problem.space.options)
    assert {p.origin for p in coils} == {"shelf", "E6"}
    assert all(p.price == 0.0 for p in coils if p.origin == "shelf")
    assert all(p.price and p.price > 1.0 for p in coils if p.origin == "E6")
    from optimizer.problem.genome import Genome

    genomes = [
        Genome(
            choice=np.array([i, j]),
            present=np.ones(2, dtype=bool),
            polarity=problem.space.polarity_start,
        )
        for i in range(len(coils))
        for j in range(len(resistors))
    ]
    by_hand = problem.evaluator.cost(problem.space.population(genomes)) + each * np.array(
        [coils[g.choice[0]].price + resistors[g.choice[1]].price for g in genomes]
    )
    result = search(problem, seconds=None, evaluations=15_000, seed=1, top=1)
    assert result.candidates[0].cost == pytest.approx(by_hand.min(), abs=1e-9)
    origins = {
        p.origin for w in result.candidates[0].network.ways for s in w.slots for p in s.parts
    }
    if each == 1.0:
        assert origins == {"shelf"}
    if each == 0.0:
        assert "E6" in origins


def test_new_parts_without_any_price_are_refused(tmp_path: Path) -> None:
    """Owned pieces at nothing must not make new ones look free."""
    bare = "\n".join(line.rpartition(",")[0] for line in SHELF.splitlines()) + "\n"
    with pytest.raises(InputError, match="needs prices"):
        make(tmp_path, 0.1, bare)


def test_what_a_list_leaves_open_is_said(tmp_path: Path) -> None:
    """Columns passed over, losses estimated, and prices estimated are notes of the problem."""
    shelf = (
        "kind,value,count,drawer,tolerence,price\ninductor,0.82 mH,1,3,5,6\n"
        "inductor,1 mH,1,3,5,7\ncapacitor,10 uF,2,4,5,1\nresistor,10 ohm,1,4,5,1\n"
    )
    problem = make(tmp_path, 0.1, shelf)
    said = "\n".join(problem.notes)
    assert 'passed over, as the heading means nothing here: "drawer", "tolerence"' in said
    assert "shelf.csv: DCR estimated for 2 of 2 inductor lots" in said
    assert "shelf.csv: ESR estimated for 1 of 1 capacitor lots" in said
    assert "prices of inductors, capacitors, resistors of a series are estimated" in said
    stock = build_stock(load_design(tmp_path / "design.yaml"))
    assert stock.notes == tuple(n for n in problem.notes if n in stock.notes)
