"""Joined pieces: arithmetic by hand, counts, thinning, and the words of a report."""

from __future__ import annotations

import pytest

from optimizer.errors import InputError
from optimizer.parts import Part
from optimizer.stock.combine import describe_part, join_pieces, list_joined, thin_parts
from optimizer.stock.lots import Lot
from optimizer.stock.shelf import parse_parts_list
from optimizer.stock.stock import assemble_stock, series_rules


def piece(kind: str, value: float, **more: object) -> Part:
    return Part(kind=kind, value=value, pieces=(value,), origin="shelf", **more)  # type: ignore[arg-type]


def test_capacitors_in_parallel_by_hand() -> None:
    """2 uF and 6 uF: 8 uF; a quarter and three quarters of the current; the lower voltage."""
    part = join_pieces(
        "parallel",
        [
            piece("capacitor", 2e-6, loss_ohm=0.16, tolerance=0.1, rating=400.0, price=1.0),
            piece("capacitor", 6e-6, loss_ohm=0.08, tolerance=0.02, rating=250.0, price=3.0),
        ],
    )
    assert part.value == pytest.approx(8e-6)
    assert part.loss_ohm == pytest.approx(0.16 / 16 + 0.08 * 9 / 16)
    assert part.tolerance == pytest.approx(0.25 * 0.1 + 0.75 * 0.02)
    assert (part.rating, part.price, part.piece_count) == (250.0, 4.0, 2)
    assert (part.joined, part.pieces, part.origin) == ("parallel", (2e-6, 6e-6), "shelf")


def test_capacitors_in_series_by_hand() -> None:
    """3 uF and 6 uF: 2 uF; two thirds of the voltage lies across the smaller one."""
    part = join_pieces(
        "series",
        [
            piece("capacitor", 3e-6, loss_ohm=0.1, rating=100.0),
            piece("capacitor", 6e-6, loss_ohm=0.2, rating=40.0),
        ],
    )
    assert part.value == pytest.approx(2e-6)
    assert part.loss_ohm == pytest.approx(0.3)
    # 100 V over the first means 150 V in all, 40 V over the second means 120 V in all.
    assert part.rating == pytest.approx(120.0)
    assert part.price is None


def test_resistors_by_hand() -> None:
    """10 ohm 5 W with 30 ohm 9 W: 40 ohm, 12 W in series; 7.5 ohm, 20/3 W in parallel."""
    pieces = [piece("resistor", 10.0, rating=5.0), piece("resistor", 30.0, rating=9.0)]
    series, parallel = join_pieces("series", pieces), join_pieces("parallel", pieces)
    # Series: shares 1/4 and 3/4, limits 20 W and 12 W. Parallel: 3/4 and 1/4, 20/3 and 36 W.
    assert (series.value, series.rating) == (pytest.approx(40.0), pytest.approx(12.0))
    assert (parallel.value, parallel.rating) == (pytest.approx(7.5), pytest.approx(20 / 3))


def test_coils_only_in_series() -> None:
    """Coils add their inductance and resistance; the weaker wire sets the current."""
    pieces = [
        piece("inductor", 1e-3, loss_ohm=0.4, rating=6.0),
        piece("inductor", 0.5e-3, loss_ohm=0.3, rating=4.0),
    ]
    part = join_pieces("series", pieces)
    assert part.value == pytest.approx(1.5e-3)
    assert (part.loss_ohm, part.rating) == (pytest.approx(0.7), 4.0)
    with pytest.raises(InputError, match="not joined in parallel"):
        join_pieces("parallel", pieces)
    with pytest.raises(InputError, match="one kind"):
        join_pieces("series", [pieces[0], piece("resistor", 1.0)])


def test_unknown_rating_stays_unknown() -> None:
    """One piece of unknown rating leaves the whole unrated."""
    pieces = [piece("resistor", 10.0, rating=5.0), piece("resistor", 10.0)]
    assert join_pieces("series", pieces).rating is None


def test_counts_limit_one_part() -> None:
    """One 2 uF and two 3 uF make 5, 6, 8 uF in parallel, but never 4 or 9."""
    pieces = [piece("capacitor", 2e-6), piece("capacitor", 3e-6)]
    joined = list_joined(pieces, [1, 2], most=3, low=3.5e-6)
    assert sorted(round(part.value * 1e6, 9) for part in joined) == [5.0, 6.0, 8.0]


def test_three_pieces_of_one_lot_need_three() -> None:
    """Three in one part is allowed from three pieces on."""
    pieces = [piece("resistor", 9.0)]
    assert [p.value for p in list_joined(pieces, [3], most=3)] == pytest.approx(
        [3.0, 4.5, 18.0, 27.0]
    )
    assert [p.value for p in list_joined(pieces, [2], most=3)] == pytest.approx([4.5, 18.0])
    assert list_joined(pieces, [1], most=3) == ()


def test_a_single_piece_beats_a_joined_one_of_the_same_value() -> None:
    """4 uF from 2 x 2 uF is left out when a 4 uF piece is there, unless the piece costs more."""
    two, four = piece("capacitor", 2e-6, price=1.0), piece("capacitor", 4e-6, price=1.5)
    values = [p.value for p in list_joined([two, four], [2, 1], low=3.9e-6, high=4.1e-6)]
    assert values == []
    dear = piece("capacitor", 4e-6, price=2.5)
    values = [p.value for p in list_joined([two, dear], [2, 1], low=3.9e-6, high=4.1e-6)]
    assert values == pytest.approx([4e-6])


def test_a_low_loss_coil_is_not_redundant() -> None:
    """Two thick coils in series stay beside a thin one of the same inductance."""
    thin = piece("inductor", 2e-3, loss_ohm=1.5)
    thick = piece("inductor", 1e-3, loss_ohm=0.2)
    joined = list_joined([thin, thick], [1, 2], low=1.9e-3, high=2.1e-3)
    assert [(p.value, p.loss_ohm) for p in joined] == [(pytest.approx(2e-3), pytest.approx(0.4))]


def test_thinning_keeps_the_fewest_pieces() -> None:
    """Of three parts within half a percent, the single piece stays."""
    single = piece("resistor", 10.0)
    pair = join_pieces("series", [piece("resistor", 5.0), piece("resistor", 5.02)])
    other = piece("resistor", 12.0)
    assert thin_parts([pair, other, single]) == (single, other)
    assert thin_parts([pair, other, single], alternates=2) == (single, pair, other)


def test_pieces_are_named() -> None:
    """The report names the pieces."""
    two = piece("capacitor", 2e-6)
    assert describe_part(join_pieces("parallel", [two, two])) == "4 uF = 2 x 2 uF in parallel"
    mixed = join_pieces("series", [piece("resistor", 2.2), piece("resistor", 1.0)])
    assert describe_part(mixed) == "3.2 ohm = 2.2 ohm + 1 ohm in series"
    assert describe_part(two) == "2 uF"


def test_too_many_sets_are_refused() -> None:
    """Sets of three from hundreds of values are refused before they eat the memory."""
    pieces = [piece("resistor", 1.0 + i) for i in range(200)]
    with pytest.raises(InputError, match="join fewer"):
        list_joined(pieces, [None] * 200, most=3)
    with pytest.raises(InputError, match="one to three"):
        list_joined(pieces, [None] * 200, most=4)


def test_joined_series_parts_have_no_trifling_pieces() -> None:
    """Preferred values are not trimmed with pieces below 3 % of the whole."""
    stock = assemble_stock(rules=series_rules("E12"), join=2)
    for part in stock.options("capacitor", 1e-6, 20e-6):
        if part.joined == "parallel":
            assert min(part.pieces) / part.value > 0.0299


def test_a_pair_halves_the_shelf() -> None:
    """Three pieces of a lot give one to each of two speakers, and no joined two."""
    lots = parse_parts_list("value,count\n2 uF,3\n3 uF,4\n").lots
    alone = assemble_stock(lots=lots, join=2).options("capacitor", 3.5e-6, 6e-6)
    pair = assemble_stock(lots=lots, join=2, speakers=2).options("capacitor", 3.5e-6, 6e-6)
    assert [round(p.value * 1e6, 6) for p in alone] == [4, 5, 6]
    assert [round(p.value * 1e6, 6) for p in pair] == [5, 6]


def test_shelf_and_series_mix_but_are_not_joined_with_each_other() -> None:
    """Options of both origins appear side by side, the owned one at price 0."""
    lots = parse_parts_list("value,count\n4.7 uF,2\n").lots
    stock = assemble_stock(rules=series_rules("E12"), lots=lots, join=2)
    found = [p for p in stock.options("capacitor", 4.65e-6, 4.75e-6) if not p.joined]
    assert {(p.origin, p.price) for p in found} == {("E12", None), ("shelf", 0.0)}
    shelf = [p for p in stock.options("capacitor", 1e-6, 20e-6) if p.origin == "shelf"]
    assert [len(p.pieces) for p in shelf] == [2, 1, 2]


def test_loss_law_of_a_shelf_runs_through_its_coils() -> None:
    """Without a series the smooth law meets every coil, with the lower loss of two alike."""
    lots: tuple[Lot, ...] = parse_parts_list(
        "value,dcr\n1 mH,0.5\n2 mH,0.9\n4 mH,0.8\n4 mH,1.1\n"
    ).lots
    law = assemble_stock(lots=lots).loss_law("inductor")
    assert law([1e-3, 2e-3, 4e-3]) == pytest.approx([0.5, 0.9, 0.8])
    # Straight on double-logarithmic paper: halfway in log value is halfway in log loss.
    assert float(law(2e-3**0.5 * 1e-3**0.5)) == pytest.approx((0.5 * 0.9) ** 0.5)
    assert float(law(8e-3)) == pytest.approx(0.8 * 0.8 / 0.9)
    step = 1e-9
    numeric = (law(1.5e-3 + step) - law(1.5e-3 - step)) / (2 * step)
    assert float(law.slope(1.5e-3)) == pytest.approx(float(numeric), rel=1e-6)
    one = assemble_stock(lots=lots[:1]).loss_law("inductor")
    assert float(one(32e-3)) == pytest.approx(4.0)  # k L^0.6: 32^0.6 = 8
    assert float(assemble_stock(lots=lots).loss_law("capacitor")(1e-6)) == 0.0
