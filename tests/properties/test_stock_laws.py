"""What holds for every stock, whatever is on the shelf."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.parts import KINDS, UNIT_OF_KIND, Kind, Part
from optimizer.stock.combine import (
    ALMOST_EQUAL_LOSS,
    JOININGS,
    describe_part,
    join_pieces,
    list_joined,
    thin_parts,
)
from optimizer.stock.ledger import Ledger
from optimizer.stock.lots import Lot, name_lots
from optimizer.stock.shelf import parse_parts_list
from optimizer.stock.stock import assemble_stock, series_rules
from optimizer.text.units import format_quantity, parse_quantity
from tests.conftest import examples

kinds = st.sampled_from(KINDS)
sizes = st.floats(0.1, 100.0)
SCALE: dict[Kind, float] = {"inductor": 1e-3, "capacitor": 1e-6, "resistor": 1.0}


@st.composite
def piece_lists(draw: st.DrawFn, least: int = 2, most: int = 6) -> list[Part]:
    kind = draw(kinds)
    return [
        Part(
            kind=kind,
            value=value,
            pieces=(value,),
            origin="shelf",
            loss_ohm=draw(st.floats(0.0, 1.0)) if kind != "resistor" else 0.0,
            tolerance=draw(st.floats(0.0, 0.2)),
            rating=draw(st.floats(1.0, 500.0)),
            price=draw(st.none() | st.floats(0.0, 20.0)),
        )
        for value in (SCALE[kind] * draw(sizes) for _ in range(draw(st.integers(least, most))))
    ]


@examples(100)
@given(piece_lists(most=3), st.data())
def test_the_whole_lies_between_its_bounds(pieces: list[Part], data: st.DataObject) -> None:
    """Sums exceed every piece, reciprocal sums lie below; losses, tolerances, ratings follow."""
    joined = data.draw(st.sampled_from(JOININGS[pieces[0].kind]))
    part = join_pieces(joined, pieces)
    values = [piece.value for piece in pieces]
    tiny = 1e-12 * max(values)
    if (part.kind == "capacitor") == (joined == "parallel"):
        assert part.value >= max(values)
        assert part.value <= len(values) * max(values) + tiny
    else:
        assert part.value <= min(values) + tiny
        assert part.value >= min(values) / len(values) - tiny
    tolerances = [piece.tolerance for piece in pieces]
    assert min(tolerances) - 1e-12 <= part.tolerance <= max(tolerances) + 1e-12
    assert 0.0 <= part.loss_ohm <= sum(piece.loss_ohm for piece in pieces) + 1e-12
    assert part.rating is not None
    assert part.rating >= min(p.rating for p in pieces if p.rating is not None) - 1e-9
    assert join_pieces(joined, pieces[::-1]).value == part.value or math.isclose(
        join_pieces(joined, pieces[::-1]).value, part.value, rel_tol=1e-12
    )


@examples(100)
@given(piece_lists(most=3), st.data())
def test_like_pieces_behave_like_one_technology(pieces: list[Part], data: st.DataObject) -> None:
    """n equal pieces keep the product of loss and capacitance, and the ratio of coil to DCR."""
    kind = pieces[0].kind
    joined = data.draw(st.sampled_from(JOININGS[kind]))
    first = pieces[0]
    part = join_pieces(joined, [first] * len(pieces))
    if kind == "capacitor":
        assert math.isclose(
            part.loss_ohm * part.value, first.loss_ohm * first.value, rel_tol=1e-9, abs_tol=1e-18
        )
    elif kind == "inductor":
        assert math.isclose(
            part.loss_ohm / part.value, first.loss_ohm / first.value, rel_tol=1e-9, abs_tol=1e-18
        )
    else:
        assert first.rating is not None
        assert math.isclose(part.rating or 0.0, len(pieces) * first.rating, rel_tol=1e-9)


@examples(100)
@given(piece_lists(most=12), st.floats(0.001, 0.2), st.integers(1, 3))
def test_thinning_leaves_nothing_out_that_matters(
    parts: list[Part], within: float, alternates: int
) -> None:
    """Every part left out has enough stand-ins: as near, no dearer, no more lossy, no larger."""
    kept = thin_parts(parts, within=within, alternates=alternates)
    assert list(kept) == sorted(kept, key=lambda part: part.value)
    priced = all(part.price is not None for part in parts)
    factor, slack = ALMOST_EQUAL_LOSS
    for part in parts:
        if any(part is other for other in kept):
            continue
        stand_ins = [
            other
            for other in kept
            if abs(math.log(other.value / part.value)) <= math.log1p(within) * (1 + 1e-9)
            and other.piece_count <= part.piece_count
            and other.loss_ohm <= factor * part.loss_ohm + slack
            and (not priced or (other.price or 0.0) <= (part.price or 0.0))
        ]
        assert len(stand_ins) >= alternates


@examples(40)
@given(
    piece_lists(least=1),
    st.lists(st.integers(1, 4), min_size=6, max_size=6),
    st.integers(1, 3),
    st.integers(1, 2),
)
def test_every_option_can_be_built(
    pieces: list[Part], counts: list[int], join: int, speakers: int
) -> None:
    """Each option of a shelf is built from pieces that are there, once for each speaker."""
    lots = name_lots(
        Lot(part=piece, count=count, nominal=piece.value)
        for piece, count in zip(pieces, counts, strict=False)
    )
    assert len({lot.part.value for lot in lots}) == len(lots)
    stock = assemble_stock(lots=lots, join=join, speakers=speakers)
    ledger = Ledger(stock)
    options = stock.options(pieces[0].kind, 1e-12, 1e6)
    assert list(options) == sorted(options, key=lambda part: part.value)
    have = {lot.part.value: lot.count or 0 for lot in lots}
    for option in options:
        assert option.piece_count <= join
        assert ledger.fits([option])
        for value in set(option.pieces):
            assert speakers * option.pieces.count(value) <= have[value]


@examples(25)
@given(
    kinds, sizes, st.floats(1.01, 30.0), st.sampled_from(["E6", "E12", "E24"]), st.integers(1, 2)
)
def test_options_stay_in_their_range_and_narrow_with_it(
    kind: Kind, low: float, ratio: float, series: str, join: int
) -> None:
    """Options lie in the range; single pieces of a narrower range are those of the wider one."""
    stock = assemble_stock(rules=series_rules(series), join=join)
    low *= SCALE[kind]
    wide = stock.options(kind, low, low * ratio)
    narrow = stock.options(kind, low * ratio**0.25, low * ratio**0.75)
    for part in wide:
        assert low * (1 - 2e-9) <= part.value <= low * ratio * (1 + 2e-9)
    singles = {part.value for part in wide if not part.joined}
    assert {part.value for part in narrow if not part.joined} <= singles


@examples(100)
@given(piece_lists(most=3), st.data())
def test_a_report_names_what_is_there(pieces: list[Part], data: st.DataObject) -> None:
    """The words of a joined part hold its value to three digits and all of its pieces."""
    joined = data.draw(st.sampled_from(JOININGS[pieces[0].kind]))
    part = join_pieces(joined, pieces)
    unit = UNIT_OF_KIND[part.kind]
    whole, _, rest = describe_part(part).partition(" = ")
    assert math.isclose(parse_quantity(whole, unit), part.value, rel_tol=6e-3)
    for piece in pieces:
        assert format_quantity(piece.value, unit) in rest


@examples(100)
@given(piece_lists(most=4), st.integers(2, 3))
def test_listing_equals_joining_one_by_one(pieces: list[Part], most: int) -> None:
    """Parts listed for all sets at once are those that joining single sets gives."""
    for part in list_joined(pieces, [most] * len(pieces), most=most):
        used = [next(piece for piece in pieces if piece.value == value) for value in part.pieces]
        again = join_pieces(part.joined, used)  # type: ignore[arg-type]
        assert math.isclose(again.value, part.value, rel_tol=1e-12)


CELLS = st.sampled_from(
    [
        "",
        "4.7 uF",
        "4,7",
        "1 mH",
        "coil",
        "film cap",
        "r",
        "3",
        "-1",
        "0",
        "5 %",
        "0.7",
        "1e400",
        "nan",
        "inf",
        '"',
        "#",
        "400 VDC",
        "AWG 18",
        "AWG 999",
        "€ 2",
        "1.2.3",
        "٣",
        "²",
        "\u2003",
        "9" * 400,
        "value",
        "4u7",
        "1e-9 H",
        "±3",
        "x" * 50,
    ]
) | st.text(max_size=6)
HEADS = st.sampled_from(
    [
        "kind",
        "count",
        "tol %",
        "qty",
        "wire AWG",
        "dcr",
        "esr",
        "tan d",
        "wire",
        "rating",
        "V",
        "price",
        "price (EUR)",
        "measured",
        "label",
        "type",
        "unit",
        "note",
        "",
    ]
)


@examples(200)
@given(
    st.lists(HEADS, max_size=5, unique=True),
    st.lists(
        st.tuples(st.sampled_from(["1 mH", "4.7 uF", "3R3"]), st.lists(CELLS, max_size=5))
        | st.tuples(CELLS, st.lists(CELLS, max_size=6)),
        max_size=3,
    ),
    st.sampled_from([",", ";", "\t"]),
    st.booleans(),
)
def test_any_text_is_read_or_refused_with_one_error(
    heads: list[str], rows: list[tuple[str, list[str]]], separator: str, owned: bool
) -> None:
    """Whatever stands in a list, it gives sound parts or one error that says where."""
    text = "\n".join(
        separator.join(row)
        for row in [["value", *heads], *([first, *rest] for first, rest in rows)]
    )
    lots: tuple[Lot, ...] = ()
    refusal = None
    try:
        lots = parse_parts_list(text, file="shelf.csv", owned=owned).lots
    except InputError as error:
        refusal = error
    assert refusal is None or (refusal.file == "shelf.csv" and refusal.line is not None)
    for lot in lots:
        part = lot.part
        assert 0.0 < part.value < math.inf
        assert 0.0 <= part.loss_ohm < math.inf
        assert 0.0 <= part.tolerance < 1.0
        assert part.rating is None or 0.0 < part.rating < math.inf
        assert part.price is None or 0.0 <= part.price < math.inf
        assert lot.count is None or 0 < lot.count < 10**9
