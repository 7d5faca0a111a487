"""Verdicts of networks that `start` finds, judged anew from the exported curves alone.

The judge below knows JSON and the measured files; every limit in it is typed in again. What a
verdict says must be what the curves say, and no network with a bad one may stand first while the
same search found one without.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.cli.main import main
from optimizer.testing.speakers import write_speaker

Judged = dict[tuple[str, str], tuple[str, float]]


def grade(beyond: float, allowed: float) -> str:
    return "ok" if beyond <= 1e-3 else "look" if beyond <= allowed + 1e-3 else "bad"


def crossing_hz(f: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> float | None:
    """Where the lower level falls below the upper one, at the loudest such place."""
    found = []
    for k in range(len(f) - 1):
        a, b = lower[k] - upper[k], lower[k + 1] - upper[k + 1]
        if a > 0.0 >= b:
            hz = np.exp(np.log(f[k]) + a / (a - b) * (np.log(f[k + 1]) - np.log(f[k])))
            found.append((min(lower[k], upper[k]), float(hz)))
    return max(found)[1] if found else None


def judge(candidate: dict[str, Any], ranges: dict[str, list[float]]) -> Judged:
    """Judge one candidate from its exported curves."""
    curves = {k: np.array(v) for k, v in candidate["curves"].items() if isinstance(v, list)}
    ways = {k: np.array(v) for k, v in candidate["curves"]["ways_db"].items()}
    f, axis = curves["frequency_hz"], curves["on_axis_db"]
    out: Judged = {}
    for lower, upper in pairwise(ways):
        pair = f"{lower} to {upper}"
        low, high = ranges[pair]
        hz = crossing_hz(f, ways[lower], ways[upper])
        assert hz is not None
        out["crossover", pair] = ("ok" if low <= hz <= high else "bad", hz)
        phase = np.array(candidate["curves"]["pairs"][f"{lower}/{upper}"]["phase_deg"], dtype=float)
        k = int(np.searchsorted(f, hz))
        share = np.log(hz / f[k - 1]) / np.log(f[k] / f[k - 1])
        turn = (1 - share) * np.exp(1j * np.radians(phase[k - 1])) + share * np.exp(
            1j * np.radians(phase[k])
        )
        degrees = float(abs(np.degrees(np.angle(turn))))
        out["in_step", pair] = (grade(degrees - 30.0, 30.0), degrees)
    inside = (f >= 200.0) & (f <= 10000.0)
    for where in ("15 up", "15 down"):
        depth = float(np.max((axis - np.array(candidate["curves"]["vertical_db"][where]))[inside]))
        out["hole", where] = (grade(depth - 4.0, 2.0), depth)
    ohm, phase = curves["impedance_ohm"], np.radians(np.abs(curves["impedance_phase_deg"]))
    epdr = ohm / (8.0 * np.sin(np.pi / 6.0 + phase / 3.0) ** 3)
    out["impedance", ""] = (grade(3.2 - float(ohm.min()), 0.64), float(ohm.min()))
    out["epdr", ""] = (grade(2.0 - float(epdr.min()), 0.5), float(epdr.min()))
    return out


def loudness_db(folder: Path, candidate: dict[str, Any], ranges: dict[str, list[float]]) -> float:
    """Least loss of any driver in its part of 100 Hz to 10 kHz, raw files against the sum."""
    f = np.array(candidate["curves"]["frequency_hz"])
    axis = np.array(candidate["curves"]["on_axis_db"])
    names = list(candidate["curves"]["ways_db"])
    middles = [float(np.sqrt(low * high)) for low, high in ranges.values()]
    losses = []
    for name, (low, high) in zip(names, pairwise([100.0, *middles, 10000.0]), strict=True):
        raw = np.loadtxt(folder / f"{name}.txt")
        level = np.interp(np.log(f), np.log(raw[:, 0]), raw[:, 1])
        part = (f >= low * (1 - 1e-9)) & (f <= high * (1 + 1e-9))
        losses.append(float((level - axis)[part].mean()))
    return min(losses)


def stated_ranges(candidate: dict[str, Any]) -> dict[str, list[float]]:
    return {v["where"]: v["limit"] for v in candidate["verdicts"] if v["name"] == "crossover"}


def test_verdicts_say_what_the_curves_say(
    trials: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """On made-up speakers: state and figure of each verdict, and who stands first."""
    for seed in range(trials(routine=1, full=20)):
        folder = tmp_path / f"speaker{seed}"
        drivers = write_speaker(folder, seed)
        first, by_cost = tmp_path / f"{seed}.json", tmp_path / f"{seed}-cost.json"
        options = ["--seconds", "1", "--workers", "1", "--quiet", "--top", "8", "--json"]
        assert main(["start", str(folder), *options, str(first)]) == 0
        design = str(folder / "laddersmith.yaml")
        assert main(["fit", design, "--by", "cost", *options, str(by_cost)]) == 0
        ranked = json.loads(first.read_text())["candidates"]
        others = json.loads(by_cost.read_text())["candidates"]
        ranges = stated_ranges(ranked[0])
        doubtful = []
        for candidate in ranked:
            said = {(v["name"], v["where"]): v for v in candidate["verdicts"]}
            for (name, where), (state, figure) in judge(candidate, ranges).items():
                own = said[name, where] if name != "epdr" else one(said, "epdr")
                assert own["figure"] == pytest.approx(figure, rel=2e-3, abs=0.3), (
                    seed,
                    name,
                    where,
                )
                near = abs(own["figure"] - figure) + 1e-3
                if not at_a_limit(own, figure, near):
                    assert own["state"] == state, (seed, candidate["rank"], name, where)
            loss = one(said, "loudness")
            assert loss["figure"] == pytest.approx(loudness_db(folder, candidate, ranges), abs=0.1)
            if not at_a_limit(loss, loss["figure"], 1e-3):
                assert loss["state"] == grade(loss["figure"] - 1.5, 1.5)
            drive = {n: np.array(v) for n, v in candidate["curves"]["drive_db"].items()}
            f = np.array(candidate["curves"]["frequency_hz"])
            for driver in drivers[1:]:
                if said["low_drive", driver.name]["state"] == "ok":
                    # At the resonance that it was made with, against all it gets above an octave
                    # from there.
                    at = np.interp(driver.resonance_hz, f, drive[driver.name])
                    above = drive[driver.name][(f > 2.1 * driver.resonance_hz) & (f < 2e4)]
                    assert at <= above.max() - 10.0
            doubtful.append(any(v["state"] == "bad" for v in candidate["verdicts"]))
        assert doubtful == sorted(doubtful), "a bad one stands before one that is not"
        if doubtful[0]:
            assert all(any(v["state"] == "bad" for v in c["verdicts"]) for c in others)
    capsys.readouterr()


def one(said: dict[tuple[str, str], Any], name: str) -> Any:
    """The only verdict of a name."""
    (found,) = (verdict for (own, _), verdict in said.items() if own == name)
    return found


def at_a_limit(verdict: dict[str, Any], figure: float, near: float) -> bool:
    """Whether a figure is too close to a limit for its rounding in JSON to tell the state."""
    limits = {
        "in_step": (30.0, 60.0), "hole": (4.0, 6.0), "impedance": (3.2, 2.56), "epdr": (2.0, 1.5),
        "loudness": (1.5, 3.0),
        "crossover": verdict["limit"],
    }[verdict["name"]]  # fmt: skip
    return any(end is not None and abs(figure - end) <= near for end in limits)
