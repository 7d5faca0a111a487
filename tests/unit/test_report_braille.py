"""The terminal chart: dots lie where the curve is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimizer.report.charts.braille import Trace, draw_chart

WIDTH = 100
MARGIN = 9
LABELS = ("90 dB", "85", "80", "75", "70", "65", "60")
# Dots 1 to 8 of a braille pattern by bit, as (column, row): the Unicode Standard, section 21.1.
DOT_PLACES = dict(enumerate([(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3)]))
FREQUENCY = np.geomspace(20.0, 20000.0, 400)


TICKS = [(20.0, "20"), (50.0, "50"), (100.0, "100"), (200.0, "200"), (500.0, "500"),
         (1000.0, "1k"), (2000.0, "2k"), (5000.0, "5k"), (10000.0, "10k"), (20000.0, "20k")]  # fmt: skip


def draw_rows(*traces: Trace) -> list[list[tuple[str, str]]]:
    return draw_chart(traces, top=90.0, steps=6, step=5.0, labels=LABELS, width=WIDTH,
                      ends=(20.0, 20000.0), ticks=TICKS)  # fmt: skip


def draw(*traces: Trace) -> list[str]:
    rows = draw_rows(*traces)
    return ["".join(text for text, _ in row) for row in rows]


def read_dots(rows: list[str]) -> list[tuple[float, float]]:
    """Turn a drawn chart back into (frequency, height) of every dot."""
    points = []
    columns = 2 * (WIDTH - MARGIN)
    for row, text in enumerate(rows[:-2]):
        for column, char in enumerate(text[MARGIN:]):
            bits = ord(char) - 0x2800 if "\u2800" <= char <= "\u28ff" else 0
            for bit, (dx, dy) in DOT_PLACES.items():
                if bits >> bit & 1:
                    share = (2 * column + dx) / (columns - 1)
                    height = 90.0 - (4 * row + dy) * 30.0 / 72
                    points.append((20.0 * 1000.0**share, height))
    return points


def test_every_dot_lies_on_the_curve():
    """Dots decoded from the characters lie within half a dot of a gently sloping curve."""
    height = 80.0 + 3.0 * np.log2(FREQUENCY / 1000.0) / 4.0
    points = read_dots(draw(Trace(role="sum", frequency_hz=FREQUENCY, height=height)))
    assert len(points) == 2 * (WIDTH - MARGIN)
    for frequency, drawn in points:
        assert drawn == pytest.approx(80.0 + 0.75 * math.log2(frequency / 1000.0), abs=0.22)


def test_steep_parts_are_joined():
    """A jump of 20 dB is drawn as an unbroken vertical run."""
    height = np.where(FREQUENCY < 1000.0, 85.0, 65.0)
    drawn = {round((90.0 - y) * 2.4) for _, y in read_dots(
        draw(Trace(role="sum", frequency_hz=FREQUENCY, height=height)))}  # fmt: skip
    assert drawn == set(range(12, 61))


def test_curve_outside_the_window_is_cut():
    """Values above and below the window leave no dots and no error, nor do -inf and NaN."""
    height = np.full(400, 85.0)
    height[:100], height[300:] = 200.0, -np.inf
    height[150] = np.nan
    points = read_dots(draw(Trace(role="sum", frequency_hz=FREQUENCY, height=height)))
    assert points
    assert all(60.0 <= y <= 90.0 for _, y in points)
    assert min(x for x, _ in points) == pytest.approx(FREQUENCY[100], rel=0.05)


def test_trace_with_nothing_finite_draws_nothing():
    """A curve of NaN leaves the chart empty."""
    assert not read_dots(
        draw(Trace(role="sum", frequency_hz=FREQUENCY, height=np.full(400, np.nan)))
    )


def test_partial_trace_stays_in_its_band():
    """A target given over 100 Hz to 10 kHz is not drawn outside that band."""
    band = FREQUENCY[(FREQUENCY >= 100.0) & (FREQUENCY <= 10000.0)]
    target = Trace(role="target", frequency_hz=band, height=np.full(band.size, 80.0))
    rest = Trace(role="sum", frequency_hz=FREQUENCY, height=np.full(400, 0.0))
    found = [x for x, _ in read_dots(draw(rest, target))]
    assert 95.0 < min(found) < 106.0
    assert 9500.0 < max(found) < 10600.0


@pytest.mark.parametrize("tick", ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"])
def test_frequency_labels_stand_under_their_tick(tick):
    """Each label overlaps the tick mark of its own frequency."""
    rows = draw(Trace(role="sum", frequency_hz=FREQUENCY, height=np.full(400, 80.0)))
    hertz = float(tick.replace("k", "000"))
    column = MARGIN + round(math.log(hertz / 20.0) / math.log(1000.0) * (WIDTH - MARGIN - 1))
    assert rows[-2][column] == "┴"
    start = rows[-1].index(f" {tick}") + 1
    assert start <= column < start + len(tick)


def test_later_trace_lies_on_top():
    """Where two traces share a character it takes the role of the later one."""
    flat = np.full(400, 80.0)
    rows = draw_rows(
        Trace(role="way 1", frequency_hz=FREQUENCY, height=flat),
        Trace(role="sum", frequency_hz=FREQUENCY, height=flat),
    )
    roles = {role for row in rows for _, role in row}
    assert "sum" in roles
    assert "way 1" not in roles
