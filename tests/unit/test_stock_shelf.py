"""Lists of parts as people write them, and what is said when they cannot be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.stock.shelf import parse_parts_list, read_parts_list
from optimizer.stock.stock import assemble_stock

FULL = """kind,value,count,tolerance,DCR,ESR,loss tangent,rating,price,note
capacitor,4.7 uF,4,5 %,,,0.001,400 V,2.50,red
inductor,1.5 mH,2,3 %,0.42 ohm,,,6 A,9.80,
resistor,4.7 ohm,6,5 %,,,,10 W,0.80,cement
"""


def test_all_columns() -> None:
    """Every column of a complete list reaches the part."""
    cap, coil, resistor = parse_parts_list(FULL).lots
    assert (cap.part.kind, cap.part.value, cap.count) == ("capacitor", 4.7e-6, 4)
    # 0.001 / (2 pi 1000 4.7e-6), by hand
    assert cap.part.loss_ohm == pytest.approx(0.0338628, abs=1e-7)
    assert (cap.part.rating, cap.part.tolerance, cap.part.note) == (400.0, 0.05, "red")
    assert (coil.part.value, coil.part.loss_ohm, coil.part.rating) == (1.5e-3, 0.42, 6.0)
    assert (resistor.part.value, resistor.part.loss_ohm, resistor.part.rating) == (4.7, 0.0, 10.0)
    assert [lot.line for lot in (cap, coil, resistor)] == [2, 3, 4]
    assert [lot.replacement_price for lot in (cap, coil, resistor)] == [2.5, 9.8, 0.8]


def test_owned_pieces_cost_nothing_and_bought_ones_their_price() -> None:
    """The same file is a shelf (price 0, counted) or a shop (price paid)."""
    assert [lot.part.price for lot in parse_parts_list(FULL).lots] == [0.0, 0.0, 0.0]
    shop = parse_parts_list(FULL, owned=False).lots
    assert [lot.part.price for lot in shop] == [2.5, 9.8, 0.8]
    assert {lot.part.origin for lot in shop} == {"stock"}


@pytest.mark.parametrize(
    "text",
    [
        "count;kind;value\n4;cap;4,7 uF\n",
        "Qty\tValue [uF]\tPart\n4\t4.7\tCapacitors\n",
        "value_uF,kind,count\n4.7,C,4 pcs\n",
        "Value (nF),count,what\n4700,4 x,capacitor\n",
        "sep=;\n# from the drawer\n\nValue / uF;Pieces;kind\n\n4,7;4;film capacitor\n",
        'count,kind,value\n4,cap,"4,7 uF"\n',
        "kind,value,unit,count\ncap,4.7,uF,4\n",
        "\ufeffvalue,count\n4.7µF,4\n",
        "kind,value,,count,supplier,shelf no,\ncap,4u7,,4,,",
        "value,count\r\n4.7 uF,1\r\n4.7 uF,3\r\n",
    ],
)
def test_ways_of_writing_the_same_list(text: str, tmp_path: Path) -> None:
    """Order, separators, decimal comma, units in heading or cell, like rows: all the same."""
    path = tmp_path / "shelf.csv"
    path.write_bytes(text.encode())
    lots = read_parts_list(path).lots
    assert [(lot.part.kind, lot.part.value, lot.count) for lot in lots] == [
        ("capacitor", 4.7e-6, 4)
    ]


def test_old_encodings() -> None:
    """A micro sign saved by an old spreadsheet is read."""
    assert parse_parts_list("value\n4.7 \u00b5F\n").lots[0].part.value == 4.7e-6


def test_old_encoding_from_disk(tmp_path: Path) -> None:
    """The same in the Windows code page."""
    path = tmp_path / "shelf.csv"
    path.write_bytes("value\n4.7 \u00b5F\n".encode("cp1252"))
    assert read_parts_list(path).lots[0].part.value == 4.7e-6


def test_unknown_columns_are_told() -> None:
    """A heading that means nothing is passed over but named, so that a slip is seen."""
    parsed = parse_parts_list("value,tolerence,drawer\n1 mH,5,7\n")
    assert parsed.ignored == ("tolerence", "drawer")


@pytest.mark.parametrize(
    ("cell", "share"),
    [
        ("5 %", 0.05),
        ("5", 0.05),
        ("0.05", 0.05),
        ("±5%", 0.05),
        ("20", 0.2),
        ("0.5 %", 0.005),
        ("", 0.05),
    ],
)
def test_tolerances(cell: str, share: float) -> None:
    """Percent with or without the sign; a share below one half; 5 % when nothing is said."""
    part = parse_parts_list(f"value,tol\n1 mH,{cell}\n").lots[0].part
    assert part.tolerance == pytest.approx(share, rel=1e-12)


@pytest.mark.parametrize(
    ("kind", "cell", "value"),
    [
        ("cap", "250 VAC", 250.0),
        ("cap", "400 V DC", 400.0),
        ("cap", "100", 100.0),
        ("coil", "5 A", 5.0),
        ("resistor", "10W", 10.0),
    ],
)
def test_ratings(kind: str, cell: str, value: float) -> None:
    """The unit of a rating follows from the kind."""
    size = {"cap": "1 uF", "coil": "1 mH", "resistor": "1 ohm"}[kind]
    part = parse_parts_list(f"kind,value,rating\n{kind},{size},{cell}\n").lots[0].part
    assert part.rating == value


def test_direct_voltage_rating_is_noted() -> None:
    """A DC rating says less about audio than an AC rating, so the note keeps the word."""
    part = parse_parts_list("value,rating\n1 uF,400 VDC\n").lots[0].part
    assert "rated for DC" in part.note


def test_losses_that_are_not_stated_are_estimated_and_said_so() -> None:
    """A coil takes the DCR of its wire, an electrolytic a high loss tangent."""
    lots = parse_parts_list(
        "value,wire,type\n1 mH,AWG 18,air\n1 mH,1.0 mm,\n47 uF,,electrolytic\n4.7 uF,,\n"
    ).lots
    # AWG 18 is 1.0237 mm: a little less than the 0.4812 ohm of 1.0 mm wire
    assert lots[0].part.loss_ohm == pytest.approx(0.463, abs=1e-3)
    assert lots[1].part.loss_ohm == pytest.approx(0.4812, abs=1e-4)
    # 0.05 / (2 pi 1000 47e-6), by hand
    assert lots[2].part.loss_ohm == pytest.approx(0.16931, abs=1e-5)
    assert lots[2].part.tolerance == 0.10
    assert all("estimated" in lot.part.note for lot in lots)


def test_measured_pieces_stay_single_for_one_speaker_and_together_for_a_pair() -> None:
    """Pieces of one printed value are one lot with their mean; alone each is its own value."""
    parsed = parse_parts_list(
        "value,measured,label\n6.8 uF,6.71 uF,C1\n6.8 uF,6.85 uF,C2\n6.8 uF,6.90 uF,C3\n"
    )
    (lot,) = parsed.lots
    assert lot.measured == (6.71e-6, 6.85e-6, 6.90e-6)
    assert lot.labels == ("C1", "C2", "C3")
    assert lot.part.value == pytest.approx(6.82e-6, rel=1e-12)
    assert lot.nominal == 6.8e-6
    alone = assemble_stock(lots=parsed.lots).options("capacitor", 6e-6, 7e-6)
    assert [part.value for part in alone] == [6.71e-6, 6.85e-6, 6.90e-6]
    assert [part.note for part in alone] == ["C1", "C2", "C3"]
    pair = assemble_stock(lots=parsed.lots, speakers=2)
    assert [part.value for part in pair.options("capacitor", 6e-6, 7e-6)] == [lot.part.value]
    assert pair.per_speaker(lot) == 1


def test_same_value_with_other_losses_is_another_lot() -> None:
    """Two 1 mH coils of different wire stay apart, with values that differ by rounding only."""
    first, second = parse_parts_list("value,dcr,count\n1 mH,0.5,2\n1 mH,0.3,1\n").lots
    assert first.part.value == 1e-3
    assert second.part.value != 1e-3
    assert second.part.value == pytest.approx(1e-3, rel=1e-15)
    assert second.part.pieces == (second.part.value,)


def test_currency_comes_from_heading_or_cell() -> None:
    """The currency is one for the whole list."""
    assert parse_parts_list("value,price (EUR)\n1 mH,3\n").currency == "EUR"
    assert parse_parts_list("value,price\n1 mH,3.20 CHF\n").currency == "CHF"
    assert parse_parts_list("value;price\n1 mH;€ 3,20\n").lots[0].replacement_price == 3.2


def test_empty_drawers_hold_nothing() -> None:
    """A count of 0 leaves the row out."""
    assert parse_parts_list("value,count\n1 mH,0\n").lots == ()


@pytest.mark.parametrize(
    ("text", "line", "key", "words"),
    [
        ("value,count\n1 mH,two\n", 2, "count", "whole number"),
        ("value,count\n1 mH,-1\n", 2, "count", "whole number"),
        ("value,count\n1 mH,1.5\n", 2, "count", "whole number"),
        ("# mine\nkind,value\n\ncap,4.7\n", 4, "value", "unit"),
        ("value\n4.7\n", 2, "value", "kind"),
        ("kind,value\nvalve,4.7 uF\n", 2, "kind", "inductor, capacitor or resistor"),
        ("kind,value\ncap,4.7 mH\n", 2, "value", "capacitance"),
        ("kind,value\ncap,4.7 F\n", 2, "value", "check the unit"),
        ("kind,value\ncap,-4.7 uF\n", 2, "value", "check the unit"),
        ("kind,value\ncap,nan uF\n", 2, "value", "4.7 uF"),
        ("kind,value\ncap,\n", 2, "value", "needs a value"),
        ("value,dcr\n1 mH,-1\n", 2, "dcr", "negative"),
        ("value,type\n1 mH,iron core\n", 2, None, "DCR"),
        ("value,rating\n1 mH,5 W\n", 2, "rating", "current"),
        ("value,rating\n1 mH,0 A\n", 2, "rating", "positive"),
        ("value,tol\n1 mH,0.7\n", 2, "tol", "two ways"),
        ("value,tol\n1 mH,120 %\n", 2, "tol", "100 %"),
        ("value,price\n1 mH,cheap\n", 2, "price", "number"),
        ("value,price\n1 mH,3 EUR\n1 mH,3 CHF\n", 3, None, "one currency"),
        ("value,wire\n1 mH,18 m\n", 2, "wire", "thick"),
        ("value,measured,count\n1 mH,0.98 mH,2\n", 2, "count", "one piece"),
        ("value,tan\n1 uF,3\n", 2, "tan", "loss tangent"),
        ("kind,count\ncap,1\n", 1, None, "name the columns"),
        ("4.7 uF,3\n", 1, None, "name the columns"),
        ("", 1, None, "name the columns"),
        ("value,value (uF)\n1 uF,1\n", 1, None, "two columns"),
        ("value,count\n4,7 uF,1\n", 2, None, "semicolons"),
    ],
)
def test_errors_say_where_and_what(text: str, line: int, key: str | None, words: str) -> None:
    """Every slip names file, line and column, the value, and what to do."""
    with pytest.raises(InputError) as caught:
        parse_parts_list(text, file="shelf.csv")
    error = caught.value
    assert (error.file, error.line) == ("shelf.csv", line)
    if key is not None:
        assert error.key == key
    assert words in str(error)


def test_missing_and_binary_files(tmp_path: Path) -> None:
    """A path that is not there, or a spreadsheet saved as such, is said so."""
    with pytest.raises(InputError, match="must exist"):
        read_parts_list(tmp_path / "none.csv")
    binary = tmp_path / "shelf.csv"
    binary.write_bytes(b"PK\x03\x04\x00\x00")
    with pytest.raises(InputError, match="plain text, this is a spreadsheet"):
        read_parts_list(binary)


@pytest.mark.parametrize(
    ("heading", "cell"),
    [
        ("wire", "AWG 18"),
        ("wire (AWG)", "18"),
        ("gauge", "18 awg"),
        ("wire mm", "1.02367"),
        ("wire", "1.02367 mm"),
        ("wire diameter", "1.02367"),
    ],
)
def test_ways_of_writing_a_wire(heading: str, cell: str) -> None:
    """AWG 18 is 1.0237 mm bare (ASTM B 258), however it is written."""
    part = parse_parts_list(f"value,{heading}\n1 mH,{cell}\n").lots[0].part
    assert part.loss_ohm == pytest.approx(0.46337, abs=2e-5)


@pytest.mark.parametrize("cell", ["AWG 99", "99", "AWG"])
def test_wire_nobody_winds(cell: str) -> None:
    """A gauge or diameter out of reach of a crossover coil is refused."""
    with pytest.raises(InputError):
        parse_parts_list(f"value,wire\n1 mH,{cell}\n")


def test_loss_of_either_kind_may_share_a_column() -> None:
    """One column of losses in ohm serves coils and capacitors."""
    lots = parse_parts_list("value,DCR/ESR (mohm)\n1 mH,420\n10 uF,15\n").lots
    assert [lot.part.loss_ohm for lot in lots] == pytest.approx([0.42, 0.015])
