"""Loads, pairs of ways and drive levels in the results, and what reads them again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.bench.loads.ratings import rate_network
from optimizer.bench.networks.file import load_network
from optimizer.bench.tolerance.tracking import track_ways
from optimizer.network.amplifier import Amplifier
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.parts import Part
from optimizer.problem.candidate import SearchResult
from optimizer.problem.figures import build_candidate
from optimizer.report.documents.fit import result_to_json
from optimizer.report.render.json import candidate_to_json
from optimizer.testing import fitted, part
from optimizer.text.writing import write_json


def single(name: str, place: str, kind: str, value: float, **more) -> FittedSlot:
    return fitted(name, place, kind, part(kind, value, **more))


NETWORK = Network(
    ways=(
        FittedWay(
            name="woofer",
            driver="woofer",
            polarity=1,
            slots=(single("L1", "series", "inductor", 4.7e-3, loss_ohm=0.9, rating=6.0),),
        ),
        FittedWay(
            name="midrange",
            driver="midrange",
            polarity=-1,
            slots=(
                single("C1", "series", "capacitor", 5.6e-5, loss_ohm=0.01, rating=100.0),
                single("L2", "series", "inductor", 1e-3, loss_ohm=0.4),
            ),
        ),
        FittedWay(
            name="tweeter",
            driver="tweeter",
            polarity=1,
            slots=(
                single("C1", "series", "capacitor", 4.7e-6, loss_ohm=0.03),
                FittedSlot(
                    name="P1",
                    place="series",
                    form="pad",
                    parts=(
                        Part(kind="resistor", value=3.3, rating=10.0),
                        Part(kind="resistor", value=8.2),
                    ),
                ),
            ),
        ),
    )
)


@pytest.fixture(scope="module")
def problem(demo_problem):
    return demo_problem


@pytest.fixture(scope="module")
def candidate(problem):
    return build_candidate(problem, NETWORK)


def test_every_part_lists_its_load(problem, candidate):
    """Watts of each part, volts or amperes, worst sine and rating are those of the ratings."""
    ratings = rate_network(NETWORK, problem.drivers, Amplifier(watts=80.0, ohm=4.0, stated=True))
    data = candidate_to_json(candidate, ratings)
    assert data["amplifier"] == {"watt": 80.0, "ohm": 4.0, "volt": 17.8885, "stated": True}
    entries = {(w, s["name"]): s for w, way in data["ways"].items() for s in way["slots"]}
    assert len(entries) == len(ratings.parts) == 6
    for load in ratings.parts:
        entry = entries[load.way, load.name]
        unit = {"W": "watt", "V": "volt", "A": "ampere"}[load.unit]
        assert entry["watt"] == pytest.approx(load.heat_w, rel=1e-3)
        assert entry[unit] == pytest.approx(load.programme, rel=1e-3)
        assert entry[f"sine_{unit}"] == pytest.approx(load.sine, rel=1e-3)
        assert entry["rating_needed"] == pytest.approx(load.needed, rel=1e-3)
        assert entry.get("rating") == load.part.rating


def test_saved_results_keep_the_ratings_of_parts(problem, candidate, tmp_path):
    """A network read from saved results has the ratings its parts were chosen with."""
    result = SearchResult(
        candidates=(candidate,), stopped="budget", seconds=1.0, evaluations=1, seed=1
    )
    file = tmp_path / "results.json"
    write_json(file, result_to_json(result, problem, "design.yaml"))
    network = load_network(f"{file}#1", problem)
    assert [p.rating for w in network.ways for s in w.slots for p in s.parts] == [
        6.0,
        100.0,
        None,
        None,
        10.0,
        None,
    ]


def test_pairs_of_ways_add_up_to_the_sum(candidate):
    """Levels and phases of two ways give the curve with one turned round by the cosine rule."""
    curves = candidate.curves
    pairs = track_ways(candidate)
    assert [(p.lower, p.upper) for p in pairs] == [("woofer", "midrange"), ("midrange", "tweeter")]
    two = replace(
        candidate,
        network=Network(ways=NETWORK.ways[1:]),
        curves=replace(curves, way_pressure=curves.way_pressure[1:], way_db=curves.way_db[1:]),
    )
    (pair,) = track_ways(two)
    a, b = 10.0 ** (two.curves.way_db / 20.0)
    heard = np.isfinite(pair.phase_deg)
    turned = 10.0 * np.log10(a**2 + b**2 - 2.0 * a * b * np.cos(np.radians(pair.phase_deg)))
    np.testing.assert_allclose(pair.inverted_db[heard], turned[heard], atol=1e-6)
    assert np.all(np.abs(two.curves.way_db[0] - two.curves.way_db[1])[heard] <= 12.0)
    total = 20.0 * np.log10(np.abs(two.curves.way_pressure.sum(axis=0)))
    at = int(np.flatnonzero(two.curves.frequency_hz == pair.null_hz)[0])
    assert pair.null_db == pytest.approx(total[at] - pair.inverted_db[at], abs=1e-9)
    assert pair.null_db == pytest.approx(np.max((total - pair.inverted_db)[heard]), abs=1e-9)


def test_way_levels_are_those_of_the_pressures(candidate):
    """The pressures of the ways add up to the curve on the axis and have the ways' levels."""
    curves = candidate.curves
    np.testing.assert_allclose(20 * np.log10(np.abs(curves.way_pressure)), curves.way_db, atol=1e-9)
    np.testing.assert_allclose(
        20 * np.log10(np.abs(curves.way_pressure.sum(axis=0))),
        curves.named_db["on_axis"],
        atol=1e-6,
    )


def test_a_single_way_has_no_pairs(candidate):
    """Without a neighbour there is nothing to track."""
    alone = replace(
        candidate,
        network=Network(ways=NETWORK.ways[:1]),
        curves=replace(candidate.curves, way_pressure=candidate.curves.way_pressure[:1]),
    )
    assert track_ways(alone) == ()


def test_files_are_small_enough(problem, candidate, tmp_path: Path):
    """Results with all curves stay below 120 kB a candidate."""
    file = tmp_path / "r.json"
    write_json(
        file,
        result_to_json(
            SearchResult(
                candidates=(candidate,), stopped="budget", seconds=1.0, evaluations=1, seed=1
            ),
            problem,
            "design.yaml",
        ),
    )
    assert file.stat().st_size < 120_000
