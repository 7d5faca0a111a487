"""What is known of better networks travels with a network, and ends where something changes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import optimizer
from optimizer.bench.networks.file import read_network, write_network
from optimizer.problem.certificate import Certificate
from tests.conftest import Done
from tests.end_to_end.judge import GRID, check, load, run, write_drivers

PLACES = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.3 mH, to: 4 mH}
      - {name: C1, shunt: capacitor, from: 2 uF, to: 60 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2 uF, to: 30 uF}
      - {name: R1, series: resistor, from: 0.5 ohm, to: 10 ohm, optional: yes}
"""
GOALS = "goals: {on_axis: {band: 100..12k}, in_room: {tilt: -1 dB/oct, weight: 0.5}}\n"
STOCK = "stock: {series: E12}\n"
BY_HAND = """\
ways:
  woofer: {ladder: [{name: L1, value: 1.2 mH}]}
  tweeter: {polarity: inverted, ladder: [{name: C1, value: 5.6 uF}]}
"""
CONVERGED = ("--seconds", 3_000, "--workers", 1)
"""Until nothing better is found, in this process."""
PROVED = "Every change of any one or two parts was computed"
NEVER = "A better one was never sought"
CUT = "The search ended before"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitted design, its best network in a file of its own, and a board written by hand."""
    folder = tmp_path_factory.mktemp("certificate")
    drivers = write_drivers(folder, "woofer", "tweeter")
    (folder / "design.yaml").write_text(drivers + PLACES + GOALS + STOCK + GRID, encoding="utf-8")
    (folder / "board.yaml").write_text(BY_HAND, encoding="utf-8")
    few = ("--evaluations", 4000, *CONVERGED)
    run("fit", folder / "design.yaml", *few, "--json", folder / "results.json")
    problem = optimizer.load(folder / "design.yaml")
    read = read_network(f"{folder / 'results.json'}#1", problem)
    write_network(
        folder / "best.yaml",
        read.network,
        parent="results.json#1",
        note="best",
        certificate=read.certificate,
    )
    write_network(
        folder / "cut.yaml",
        read.network,
        parent="results.json#1",
        note="time was up",
        certificate=Certificate.of_search(0).made_for(problem, read.network),
    )
    return folder


def said(laddersmith: Callable[..., Done], folder: Path, network: str) -> list[str]:
    """What the terminals and pages of check, sheet and voice say."""
    design, page = folder / "design.yaml", folder / "page.html"
    texts = []
    for words in (
        ("check", design, network, "--page", page),
        ("voice", design, network, "--wish", "2k..5k -1 dB", "--hold", "3 dB", "--page", page),
        ("sheet", design, network),
    ):
        page.unlink(missing_ok=True)
        done = laddersmith(*words)
        assert done.returncode in (0, 3), done.stderr
        # A terminal breaks lines.
        texts.append(" ".join(done.stdout.split()))
        if page.exists():
            texts.append(" ".join(page.read_text(encoding="utf-8").split()))
    return texts


def test_proof_travels(laddersmith: Callable[..., Done], folder: Path) -> None:
    """Results and network files keep it; check, voice and sheet say it, in JSON and in words."""
    design = folder / "design.yaml"
    saved = load(folder / "results.json")["candidates"][0]
    assert saved["no_better_change_of"] == 2
    for network in (f"{folder / 'results.json'}#1", str(folder / "best.yaml")):
        judged = check(design, network)["candidate"]
        assert judged["certificate"] == saved["certificate"]
        assert judged["certificate"]["state"] == "proved"
        assert judged["certificate"]["changes"] == judged["no_better_change_of"] == 2
        for text in said(laddersmith, folder, network):
            assert PROVED in text
            assert CUT not in text


def test_nobody_looked_at_a_board(laddersmith: Callable[..., Done], folder: Path) -> None:
    """No search is said to have ended where none was begun."""
    board = str(folder / "board.yaml")
    judged = check(folder / "design.yaml", board)["candidate"]
    assert judged["certificate"] == {"state": "never sought", "changes": 0}
    assert judged["no_better_change_of"] == 0
    for text in said(laddersmith, folder, board):
        assert NEVER in text
        assert CUT not in text
        assert PROVED not in text


def test_a_search_cut_short_stays_one(laddersmith: Callable[..., Done], folder: Path) -> None:
    """Where time was up, later readers are told so."""
    cut = str(folder / "cut.yaml")
    judged = check(folder / "design.yaml", cut)["candidate"]
    assert (judged["certificate"]["state"], judged["certificate"]["changes"]) == ("cut short", 0)
    for text in said(laddersmith, folder, cut):
        assert CUT in text
        assert PROVED not in text


def test_answers_of_voice_are_not_proved(folder: Path) -> None:
    """An answer is chosen for a wish; what was proved of the network before is not true of it."""
    out, saved = folder / "voice.json", folder / "voiced.yaml"
    run("voice", folder / "design.yaml", folder / "best.yaml", "--wish", "2k..5k -1 dB",
        "--hold", "6 dB", "--hold", "level 6 dB", "--hold", "directivity 6 dB", "--hold",
        "impedance 50 %", "--save", saved, "--accept", 1, "--json", out, codes=(0, 3))  # fmt: skip
    answers = load(out)["answers"]
    assert answers
    for answer in answers:
        assert answer["candidate"]["certificate"]["state"] == "never sought"
        assert answer["candidate"]["no_better_change_of"] == 0
    for network in (saved, f"{out}#1"):
        judged = check(folder / "design.yaml", network)["candidate"]
        assert judged["certificate"]["state"] == "never sought"
        assert judged["certificate"]["why"].endswith("is for other parts")


CHANGES = {
    "other goals": ("weight: 0.5", "weight: 0.6"),
    "another stock": ("series: E12", "series: E24"),
    "other places for parts": ("from: 2 uF, to: 30 uF", "from: 2 uF, to: 33 uF"),
    "other measured data": ("up: -0.17", "up: -0.16"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_change_of_the_design_ends_it(what: str, folder: Path) -> None:
    """Other goals, parts on offer, places or data: what was sought before says nothing of them."""
    text = (folder / "design.yaml").read_text(encoding="utf-8")
    old, new = CHANGES[what]
    assert old in text
    other = folder / "other.yaml"
    other.write_text(text.replace(old, new, 1), encoding="utf-8")
    for network in ("results.json#1", "best.yaml"):
        judged = check(other, f"{folder / network}")["candidate"]
        assert judged["certificate"] == {
            "state": "never sought",
            "changes": 0,
            "why": f"the proof that comes with it is for {what}",
        }
        assert judged["no_better_change_of"] == 0


def test_what_is_only_told_changes_nothing(folder: Path) -> None:
    """Another title and other settings of the search leave the problem what it was."""
    text = (folder / "design.yaml").read_text(encoding="utf-8")
    other = folder / "other.yaml"
    other.write_text(f"speaker: another title\nsearch: {{seed: 7}}\n{text}", encoding="utf-8")
    judged = check(other, folder / "best.yaml")["candidate"]
    assert judged["certificate"]["state"] == "proved"


def test_a_changed_part_ends_it(folder: Path) -> None:
    """A value written over in a file, with its proof still there, is not proved."""
    text = (folder / "best.yaml").read_text(encoding="utf-8")
    changed = folder / "changed.yaml"
    turned = {"inverted": "normal", "normal": "inverted"}
    old = next(word for word in turned if f"polarity: {word}" in text)
    changed.write_text(
        text.replace(f"polarity: {old}", f"polarity: {turned[old]}", 1), encoding="utf-8"
    )
    judged = check(folder / "design.yaml", changed)["candidate"]
    assert judged["certificate"]["why"] == "the proof that comes with it is for other parts"


def test_results_that_do_not_say(folder: Path) -> None:
    """A proof that does not say what it is for, as from an older version, holds for nothing."""
    data: Any = load(folder / "results.json")
    del data["candidates"][0]["certificate"]["of"]
    del data["candidates"][1]["certificate"]
    (folder / "older.json").write_text(json.dumps(data), encoding="utf-8")
    for number in (1, 2):
        judged = check(folder / "design.yaml", f"{folder / 'older.json'}#{number}")["candidate"]
        assert judged["certificate"]["state"] == "never sought"


@pytest.mark.parametrize(
    "damaged",
    [
        '{"state": "certain"}', '{"state": ["proved"]}', '{"state": "proved", "changes": "two"}', "7",
        '{"state": "proved", "changes": -1}', '{"state": "proved", "of": [1]}',
        '{"state": "proved", "of": {"goals": [3]}}', '{"state": "proved", "measure": "luck"}',
    ],
)  # fmt: skip
def test_damaged_certificates(damaged: str, laddersmith: Callable[..., Done], folder: Path) -> None:
    """What no program wrote is refused with file and key, in either kind of file."""
    text = (folder / "best.yaml").read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("certificate:"))
    (folder / "bad.yaml").write_text(text.replace(line, f"certificate: {damaged}"))
    data = load(folder / "results.json")
    data["candidates"][0]["certificate"] = json.loads(damaged)
    (folder / "bad.json").write_text(json.dumps(data), encoding="utf-8")
    for network in ("bad.yaml", "bad.json#1"):
        done = laddersmith("check", folder / "design.yaml", folder / network)
        assert done.returncode == 2, network
        assert network.partition("#")[0] in done.stderr
        assert "certificate" in done.stderr


@pytest.mark.thorough
def test_points_of_a_trade_are_proved_for_their_weights(folder: Path) -> None:
    """On a front each point has its own weights: by those of the design nothing was sought."""
    out, design = folder / "trade.json", folder / "few.yaml"
    text = (folder / "design.yaml").read_text(encoding="utf-8")
    design.write_text(text.replace("series: E12", "series: E6"), encoding="utf-8")
    run("trade", design, "--points", 3, *CONVERGED, "--json", out)
    points = load(out)["points"]
    for number, point in enumerate(points, 1):
        assert point["candidate"]["certificate"]["state"] == "proved"
        judged = check(design, f"{out}#{number}")["candidate"]
        if point["weights"] != [1.0, 0.5]:
            assert judged["certificate"]["why"].endswith("is for other goals")
