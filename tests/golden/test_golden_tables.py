"""Tables, drawings and charts as they appear 100 columns wide without colour.

The stored texts were looked at by a person; after a wanted change, rewrite them with
``LADDERSMITH_GOLDEN=write pytest tests/golden`` and look at the difference.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer.problem.agreement import Agreement
from optimizer.problem.certificate import Certificate
from optimizer.report.document import Charts, Note
from optimizer.report.documents.candidates import compare, describe, draw_charts, draw_whole
from optimizer.report.documents.fit import tabulate_ranges
from optimizer.report.render.terminal import print_text
from optimizer.report.words import say_stop


def test_candidates_stand_side_by_side(three_way, expect):
    """Every figure and every part of each candidate has its row; missing parts show a dash."""
    expect("candidates.txt", print_text(compare(three_way.candidates)))


def test_nine_candidates_wrap_into_blocks(three_way, expect):
    """Candidates that do not fit beside each other go into a further block."""
    nine = [replace(three_way.candidates[i % 2], rank=i + 1) for i in range(9)]
    expect("nine_candidates.txt", print_text(compare(nine)))


def test_detail(three_way, expect):
    """One candidate: its ladders, goals, impedance and certificate."""
    expect(
        "detail.txt",
        print_text([draw_whole(three_way.candidates[0]), *describe(three_way.candidates[0])]),
    )


def test_detail_of_a_nearest_miss(three_way, expect):
    """A broken hard limit is marked, and nothing is claimed that was not proved."""
    best = three_way.candidates[0]
    broken = replace(best.goals[2], met=False, value=3.1, detail="3.1 ohm at 2.4 kHz, floor 4 ohm")
    miss = replace(
        best,
        feasible=False,
        goals=(*best.goals[:2], broken, best.goals[3]),
        certificate=Certificate.of_search(0),
        relaxed_cost=None,
        notes=("the floor of 4 ohm cannot be met with these drivers in parallel",),
    )
    expect("nearest_miss.txt", print_text([draw_whole(miss), *describe(miss)]))


def test_charts(three_way, expect):
    """Response with ways and target, and impedance, over 20 Hz to 20 kHz."""
    expect("charts.txt", print_text([Charts(items=draw_charts(three_way.candidates[0]))]))


def test_ranges(drivers, expect):
    """Curves of one range share a row; slopes outside it and notes are stated once."""
    expect("ranges.txt", print_text(tabulate_ranges(drivers)))


def _ended(*ends: float) -> Agreement:
    return Agreement(ends=ends, best=1.0, fails=0.03)


def test_closing_lines(three_way, expect):
    """Each reason to stop is said in words."""
    ends = [
        replace(three_way, stopped="converged", agreement=_ended(1.0, 1.0, 1.2, 1.0, 1.0)),
        replace(three_way, stopped="converged", agreement=_ended(1.0, 1.0, 1.0, 1.0)),
        replace(three_way, stopped="budget", agreement=_ended(1.0, 1.005, 1.2)),
        replace(three_way, stopped="budget", agreement=_ended(1.0)),
        replace(three_way, stopped="budget", agreement=_ended(1.2)),
        replace(three_way, stopped="budget", counted=True),
        replace(three_way, stopped="interrupted"),
    ]
    said = [Note(text=say_stop(result)) for result in ends]
    expect("stops.txt", print_text(said))


@pytest.mark.parametrize("width", [60, 80, 100, 120])
def test_nothing_is_wider_than_the_terminal(three_way, drivers, width):
    """No line is longer than the width asked for."""
    candidate = three_way.candidates[0]
    text = print_text(
        [
            *compare(three_way.candidates),
            draw_whole(candidate),
            *describe(candidate),
            Charts(items=draw_charts(candidate)),
            *tabulate_ranges(drivers),
        ],
        width=width,
        room=1000,
    )
    drawn = [line.rstrip() for line in text.splitlines() if set("─│┤┬[") & set(line)]
    assert len(drawn) > 40
    assert max(map(len, drawn)) <= width
