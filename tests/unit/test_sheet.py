"""Build sheets: lists, meter readings and cautions for a network worked out by hand."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from optimizer.bench.build.meter import find_coil_resistances, join_readings, read_meter
from optimizer.bench.build.sheet import build_sheet
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver, Limits
from optimizer.measure.files import open_curve
from optimizer.network.network import FittedWay, Network
from optimizer.problem.figures import ESTIMATED_NOTE
from optimizer.report.curve_files import (
    curves_to_columns,
    curves_to_csv,
    list_curves,
    parts_to_csv,
)
from optimizer.report.document import Document, Listing, Note, Section, Table
from optimizer.report.documents.sheet import document_sheet
from optimizer.report.render.html import render_html
from optimizer.report.render.json import candidate_to_json
from optimizer.report.render.markdown import render_markdown
from optimizer.stock.shelf import parse_parts_list
from optimizer.testing import capacitor, in_line, network, part, resistor
from optimizer.testing import fitted as slot

NETWORK = Network(
    ways=(
        FittedWay(
            name="woofer",
            driver="woofer",
            polarity=1,
            slots=(
                slot("L1", "series", "inductor", part("inductor", 4.7e-3, 0.9, origin="kept")),
                slot(
                    "Z1",
                    "shunt",
                    "equaliser",
                    part("resistor", 6.8),
                    part("capacitor", 33e-6, 0.01),
                ),
                slot(
                    "T1",
                    "series",
                    "trap",
                    part("inductor", 1e-3, 0.5),
                    part("capacitor", 10e-6, 0.01),
                    part("resistor", 4.5),
                ),
            ),
        ),
        FittedWay(
            name="midrange",
            driver="midrange",
            polarity=-1,
            slots=(
                slot(
                    "C1",
                    "series",
                    "capacitor",
                    part(
                        "capacitor",
                        8e-5,
                        0.01,
                        pieces=(4.7e-5, 3.3e-5),
                        joined="parallel",
                        origin="shelf",
                        note="box 3",
                    ),
                ),
                slot("L1", "shunt", "inductor", part("inductor", 1e-3, 0.5)),
            ),
        ),
        FittedWay(
            name="tweeter",
            driver="tweeter",
            polarity=1,
            slots=(
                slot(
                    "P1",
                    "series",
                    "pad",
                    part("resistor", 3.0, rating=2.0, price=1.5),
                    part("resistor", 9.0),
                ),
            ),
        ),
    )
)


@pytest.fixture(scope="module")
def problem(demo_problem):
    return demo_problem


@pytest.fixture(scope="module")
def sheet(problem):
    from optimizer.problem.figures import build_candidate

    return build_sheet(problem, build_candidate(problem, NETWORK), network="old.yaml")


def test_like_pieces_fall_together(sheet):
    """Two coils of 1 mH in two ways are one row, pieces of a join are rows of their own."""
    rows = {(i.kind, round(i.value, 9), i.origin): i for i in sheet.items}
    coil = rows["inductor", 1e-3, "E12"]
    assert (coil.count, coil.uses) == (2, ("L2", "L3"))
    assert rows["capacitor", 4.7e-5, "shelf"].uses == ("C3a",)
    assert rows["capacitor", 3.3e-5, "shelf"].uses == ("C3b",)
    assert rows["capacitor", 3.3e-5, "E12"].uses == ("C1",)
    assert [i.origin for i in sheet.kept()] == ["kept"]
    assert len(sheet.picked()) == 2
    assert len(sheet.items) == 10


def test_needed_rating_is_the_largest_of_its_uses(sheet):
    """A row asks for the rating of its hardest use."""
    coil = next(i for i in sheet.items if i.kind == "inductor" and i.count == 2)
    loads = [sheet.ratings.find("woofer", "T1.L"), sheet.ratings.find("midrange", "L1")]
    assert coil.needed == pytest.approx(max(load.needed for load in loads))
    assert coil.size >= coil.needed


def test_meter_readings_by_hand():
    """5, 6 and 4 ohm coils: series, blocked and padded ways at direct current."""
    first, second, third = read_meter(NETWORK, {"woofer": 5.0, "midrange": 6.0, "tweeter": 4.0})
    # 0.9 + (0.5 parallel 4.5) + 5; the equaliser's capacitor blocks.
    assert first.connected_ohm == pytest.approx(0.9 + 0.45 + 5.0)
    assert first.open_ohm == math.inf
    assert second.connected_ohm == second.open_ohm == math.inf
    # 3 + (9 parallel 4), and 3 + 9 with the driver off.
    assert third.connected_ohm == pytest.approx(3.0 + 36.0 / 13.0)
    assert third.open_ohm == pytest.approx(12.0)
    total = join_readings([first, second, third])
    assert total == pytest.approx(1.0 / (1.0 / 6.35 + 1.0 / (3.0 + 36.0 / 13.0)))
    assert join_readings([second]) == math.inf


def test_a_meter_reads_a_winding_as_a_wire():
    """Across the line at once it is a short; behind a resistor that; behind a capacitor nothing."""
    tap = slot("A1", "series", "tap -6 dB")
    cap, ohm = capacitor(4.7e-6), resistor(3.0)
    for before, expected in (
        ([], 0.0),
        ([in_line("R1", ohm)], 3.0),
        ([in_line("C1", cap)], math.inf),
    ):
        (reading,) = read_meter(network({"tweeter": [*before, tap]}), {"tweeter": 4.0})
        assert reading.connected_ohm == reading.open_ohm == expected
        assert join_readings([reading]) == expected


def test_coil_resistance_is_stated_or_estimated():
    """What the design states is taken; else the coil of 5.8 ohm (after Small 1972) is found."""
    f = np.geomspace(20.0, 20_000.0, 200)
    w = 2j * np.pi * f
    # references: Re 5.8, Le 0.5 mH, motional branch 58 ohm, 57.69 mH, 274.4 uF.
    z = 5.8 + 0.5e-3 * w + 1.0 / (1.0 / 58.0 + 1.0 / (57.693667e-3 * w) + 274.405074e-6 * w)
    plain = Driver(
        name="a",
        frequency_hz=f,
        directions=(ON_AXIS,),
        impedance=z,
        pressure=np.ones((1, 200), dtype=complex),
    )
    stated = Driver(
        name="b",
        frequency_hz=f,
        directions=(ON_AXIS,),
        impedance=z,
        pressure=np.ones((1, 200), dtype=complex),
        limits=Limits(resistance_ohm=6.1),
    )
    found = find_coil_resistances([plain, stated])
    assert found[0].ohm == pytest.approx(5.8, rel=5e-3)
    assert (found[0].stated, found[1].ohm, found[1].stated) == (False, 6.1, True)


def test_small_resistor_is_warned_of(sheet):
    """A 2 W resistor in a pad is named with what to take instead."""
    (warning,) = [text for text in sheet.warnings if "R3" in text]
    assert "stands 2 W" in warning
    assert warning in render_markdown(document_sheet(sheet)).replace("\n", " ")


def test_sheet_says_everything_it_must(sheet):
    """Cautions, polarity, wiring, placement, checks and assumptions stand on the sheet."""
    text = render_markdown(document_sheet(sheet))
    plain = " ".join(text.split())
    for words in (
        "Hearing",
        "Hot parts",
        "licensed",
        "lead",
        "bare tweeter",
        "inverted: its (+) goes to the common return",
        "Shopping list",
        "Pick list",
        "These stay on the board",
        "IEC 60268-1",
        "which nobody stated",
        "47 uF + 33 uF in parallel",
        "Impedance to expect",
        "on edge",
        "estimated",
    ):
        assert words in plain, words
    assert "nan" not in plain.lower().split()
    assert "inf ohm" not in plain


def test_numbers_on_the_sheet_are_those_of_the_ratings(sheet):
    """Each row of the table of ratings shows the load of its part."""
    table = next(
        p
        for s in document_sheet(sheet).sections
        if s.title == "Ratings"
        for p in s.parts
        if isinstance(p, Table)
    )
    assert len(table.rows) == len(sheet.ratings.parts)
    for row, load in zip(table.rows, sheet.ratings.parts, strict=True):
        assert row[:2] == (load.reference, f"{load.way}.{load.name}")
        assert float(row[2].split()[0]) == pytest.approx(load.programme, rel=6e-3)
        assert float(row[3].split()[0]) == pytest.approx(load.sine, rel=6e-3)


def test_speakers_multiply_the_counts(problem, sheet):
    """Pieces are listed for all speakers."""
    single = build_sheet(problem, sheet.candidate, network="old.yaml", speakers=1)
    one, two = (
        next(
            p
            for s in document_sheet(x).sections
            if s.title == "Shopping list"
            for p in s.parts
            if isinstance(p, Table)
        )
        for x in (single, sheet)
    )
    assert [2 * int(a[0]) for a in one.rows] == [int(b[0]) for b in two.rows]


def test_html_holds_the_same_and_nothing_from_outside(sheet):
    """Every cell of the document is in the HTML, escaped; no address is loaded."""
    document = document_sheet(sheet)
    html = render_html(document)
    for section in document.sections:
        assert not section.title or f"<h2>{section.title}</h2>" in html
    assert html.count('class="sch"') == 1
    ids = re.findall(r' id="([^"]*)"', html)
    assert len(ids) == len(set(ids))
    assert not re.search(r"(src|href)=|url\(|@import", html)
    risky = render_html(
        Document(
            title="<b>x</b>",
            sections=(
                Section(
                    title="t",
                    parts=(
                        Note(text="<script>alert(1)</script>"),
                        Listing(items=("<i>",), form="boxes"),
                        Table(heads=("<h>",), rows=(("<c>",),), align="l"),
                    ),
                ),
            ),
        )
    )
    assert "<script>" not in risky
    assert "&lt;c&gt;" in risky
    assert "&lt;b&gt;x&lt;/b&gt;" in risky


def test_markdown_tables_are_in_line():
    """Columns of a Markdown table are of equal width, bars in cells are escaped."""
    text = render_markdown(
        Document(
            title="T",
            sections=(
                Section(
                    title="S",
                    parts=(
                        Table(
                            heads=("a", "number"),
                            rows=(("one|two", "1"), ("x", "22.5")),
                            align="lr",
                        ),
                        Listing(items=("first", "second"), form="numbered"),
                    ),
                ),
            ),
        )
    )
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert len({len(row) for row in rows}) == 1
    assert rows[1].endswith(":|")
    assert "one\\|two" in rows[2]
    assert "1. first\n2. second" in text


def test_parts_list_reads_back(sheet):
    """The CSV of parts is a list of parts for this program: kind, value, count, rating."""
    lots = parse_parts_list(parts_to_csv(sheet)).lots
    read = sorted((x.part.kind, round(x.part.value, 9), x.count, x.part.rating) for x in lots)
    wanted = sorted(
        (i.kind, round(i.value, 9), 2 * i.count, i.rating or i.size) for i in sheet.items
    )
    # Rows that differ in source alone are one lot.
    assert {r[:2] for r in read} == {w[:2] for w in wanted}
    assert sum(r[2] for r in read) == sum(w[2] for w in wanted)
    assert {r[3] for r in read} <= {w[3] for w in wanted}


def test_curve_table_holds_the_numbers_of_the_results(sheet):
    """Every curve of the results is a column of the CSV with the same numbers."""
    rows = list(csv.DictReader(io.StringIO(curves_to_csv(sheet.candidate))))
    data = candidate_to_json(sheet.candidate)["curves"]
    assert [float(r["on_axis_db"]) for r in rows] == data["on_axis_db"]
    assert [float(r["way_db_midrange"]) for r in rows] == data["ways_db"]["midrange"]
    assert [float(r["drive_db_tweeter"]) for r in rows] == data["drive_db"]["tweeter"]
    assert [float(r["impedance_phase_deg"]) for r in rows] == data["impedance_phase_deg"]
    phase = [r["phase_deg_midrange_tweeter"] for r in rows]
    wanted = data["pairs"]["midrange/tweeter"]["phase_deg"]
    assert [None if p == "" else float(p) for p in phase] == wanted
    assert set(rows[0]) == set(list_curves(sheet.candidate))


def test_estimated_directions_are_labelled_in_the_curve_table(sheet):
    """Averages over directions say in their head that these are estimated; the axis does not."""
    guessed = replace(sheet.candidate, notes=(*sheet.candidate.notes, ESTIMATED_NOTE))
    measured, estimated = (
        next(csv.reader(io.StringIO(curves_to_csv(c)))) for c in (sheet.candidate, guessed)
    )
    assert not any("estimated" in head for head in measured)
    assert {"in_room_db_estimated", "sound_power_db_estimated"} <= set(estimated)
    assert [head.removesuffix("_estimated") for head in estimated] == measured
    assert {"on_axis_db", "impedance_ohm", "way_db_tweeter"} <= set(estimated)


def test_columns_read_back(sheet, tmp_path):
    """Three-column files are read by this program's own readers with level and phase."""
    curves = sheet.candidate.curves
    files = curves_to_columns(sheet.candidate)
    assert sorted(files) == [
        "impedance.txt",
        "on_axis.txt",
        "way_midrange_on_axis.txt",
        "way_tweeter_on_axis.txt",
        "way_woofer_on_axis.txt",
    ]
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    total = open_curve(tmp_path / "on_axis.txt", "pressure")
    np.testing.assert_allclose(total.value, curves.way_pressure.sum(axis=0), rtol=2e-5)
    np.testing.assert_allclose(total.frequency_hz, curves.frequency_hz, rtol=1e-7)
    ohm = open_curve(tmp_path / "impedance.txt", "impedance")
    np.testing.assert_allclose(ohm.value, curves.impedance, rtol=2e-5)
    way = open_curve(tmp_path / "way_tweeter_on_axis.txt", "pressure")
    np.testing.assert_allclose(way.value, curves.way_pressure[2], rtol=2e-5)
