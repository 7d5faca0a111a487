"""The stock block of a design file: shelves, shops, pairs, and what they cannot serve."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.design.build.stock import build_stock
from optimizer.design.nouns import Design
from optimizer.errors import InputError
from optimizer.testing import write_driver

FREQUENCY = np.geomspace(20.0, 20000.0, 61)

BASE = """\
drivers:
  woofer: {response: woofer.txt, impedance: woofer_z.txt}
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.5 mH, to: 3.3 mH}
      - {name: C1, shunt: capacitor, from: 4.7 uF, to: 33 uF, optional: yes}
      - {name: L2, series: inductor, from: 0.5 mH, to: 3.3 mH}
goals:
  on_axis: {band: 100..15k}
"""

SHELF = """\
kind,value,count,DCR
inductor,1.0 mH,2,0.4
inductor,2.2 mH,2,0.6
capacitor,10 uF,4,
"""


def load(folder: Path, stock: str, shelf: str = SHELF, base: str = BASE) -> Design:
    """Write an invented one-way design with a shelf, and read it."""
    write_driver(folder, "woofer")
    (folder / "shelf.csv").write_text(shelf, encoding="utf-8")
    path = folder / "design.yaml"
    path.write_text(base + stock, encoding="utf-8")
    return load_design(path)


def test_a_shelf_alone_leaves_the_shops_out(tmp_path: Path) -> None:
    """With a shelf and no series only the shelf is used; naming a series mixes the two."""
    alone = build_stock(load(tmp_path, "stock: {shelf: shelf.csv, pair: yes}\n"))
    assert {part.origin for part in alone.options("inductor", 1e-4, 1.0)} == {"shelf"}
    mixed = build_stock(load(tmp_path, "stock: {series: E6, shelf: shelf.csv, pair: yes}\n"))
    assert {part.origin for part in mixed.options("inductor", 1e-4, 1e-2)} == {"shelf", "E6"}
    off = build_stock(load(tmp_path, "stock: {series: no, shelf: shelf.csv}\n"))
    assert not off.rules


def test_one_kind_may_come_from_a_series(tmp_path: Path) -> None:
    """A series named for one kind leaves the others to the lists."""
    text = "stock: {series: {resistor: E24}, shelf: shelf.csv, pair: yes}\n"
    stock = build_stock(load(tmp_path, text))
    assert [rule.kind for rule in stock.rules] == ["resistor"]


def test_a_single_piece_does_not_serve_a_pair_and_is_named(tmp_path: Path) -> None:
    """What lies there once in the range is named, so that nobody wonders why it is not used."""
    shelf = SHELF.replace("1.0 mH,2,0.4", "1.0 mH,1,0.4").replace("2.2 mH,2,0.6", "4.7 mH,2,0.6")
    with pytest.raises(InputError, match=r"too few of 1 mH \(1 there, 2 needed\)") as caught:
        build_problem(load(tmp_path, "stock: {shelf: shelf.csv, pair: yes}\n", shelf))
    assert "the nearest in stock: 4.7 mH" in str(caught.value)
    assert "buy for instance 2 x " in str(caught.value)


def test_pair_halves_the_counts(tmp_path: Path) -> None:
    """With pair: yes each speaker may use half of each lot; without it a note says so."""
    pair = build_stock(load(tmp_path, "stock: {shelf: shelf.csv, pair: yes}\n"))
    assert [pair.per_speaker(lot) for lot in pair.lots] == [1, 1, 2]
    design = load(tmp_path, "stock: {shelf: shelf.csv}\n")
    assert [build_stock(design).per_speaker(lot) for lot in build_stock(design).lots] == [2, 2, 4]
    assert any("one speaker only" in note for note in design.notes)


def test_files_are_found_beside_the_design(tmp_path: Path) -> None:
    """Several lists may be given; their paths are relative to the design file."""
    (tmp_path / "shop.csv").write_text("kind,value,price\ncap,22 uF,4.50 EUR\n", encoding="utf-8")
    stock = build_stock(load(tmp_path, "stock: {shelf: [shelf.csv], bought: shop.csv}\n"))
    shop = [lot for lot in stock.lots if not lot.owned]
    assert [(lot.part.value, lot.count, lot.part.price) for lot in shop] == [
        (pytest.approx(22e-6), None, 4.5)
    ]
    assert stock.currency == "EUR"


def test_an_optional_slot_that_nothing_fits_stays_empty(tmp_path: Path) -> None:
    """It is left out with a note that names what to buy; the fit goes on."""
    shelf = SHELF.replace("capacitor,10 uF,4,\n", "")
    problem = build_problem(load(tmp_path, "stock: {shelf: shelf.csv, pair: yes}\n", shelf))
    assert [slot.name for slot in problem.space.slots] == ["L1", "L2"]
    note = next(note for note in problem.notes if "woofer.C1" in note)
    assert "stays empty" in note
    assert "2 x 12 uF (E24)" in note


@pytest.mark.parametrize(
    ("stock", "shelf", "key", "said"),
    [
        (
            "stock: {shelf: shelf.csv}\n",
            "kind,value\ncap,10 uF\n",
            "ways.woofer.ladder[0].from",
            "1 x 1.3 mH (E24)",
        ),
        (
            "stock: {shelf: shelf.csv, pair: yes}\n",
            "kind,value,count\ncoil,1 mH,3\ncap,10 uF,2\n",
            "ways.woofer.ladder",
            "cannot be served from the stock: no 1 mH left; nearest",
        ),
        (
            "stock: {shelf: shelf.csv}\n",
            "kind,value,count\ncoil,1 mH,1\n",
            "ways.woofer.ladder",
            "nearest purchase: 1 x 1 mH (E24)",
        ),
        ("stock: {shelf: none.csv}\n", SHELF, "stock.shelf", "must exist"),
        ("stock: {shelf: shelf.csv}\n", "kind,value\ncap,ten\n", "value", "ten"),
        ("stock: {series: no}\n", SHELF, "stock.series", "must hold something"),
        ("stock: {shelf: shelf.csv, pair: perhaps}\n", SHELF, "stock.pair", "yes or no"),
        ("stock: {shelf: shelf.csv, join: 4}\n", SHELF, "stock.join", "one to three"),
        ("stock: {shelfs: shelf.csv}\n", SHELF, "stock.shelfs", 'did you mean "shelf"?'),
    ],
)
def test_what_is_said_when_the_shelf_cannot_serve(
    tmp_path: Path, stock: str, shelf: str, key: str, said: str
) -> None:
    """One message with key, line, and the nearest purchase where there is one."""
    with pytest.raises(InputError) as caught:
        build_problem(load(tmp_path, stock, shelf))
    assert caught.value.key == key
    assert caught.value.line is not None or "none.csv" in str(caught.value.file)
    assert said in str(caught.value)


def test_two_currencies_do_not_mix(tmp_path: Path) -> None:
    """Prices of different currencies cannot be added up."""
    (tmp_path / "shop.csv").write_text("kind,value,price\ncap,22 uF,4.50 USD\n", encoding="utf-8")
    shelf = "kind,value,price\ncoil,1 mH,9 EUR\n"
    with pytest.raises(InputError, match="one currency"):
        build_stock(load(tmp_path, "stock: {shelf: shelf.csv, bought: shop.csv}\n", shelf))
