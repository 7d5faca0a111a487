"""No sentence contradicts another figure of the same output: terminal, page and JSON of six verbs.

The reader below knows regular expressions and JSON only. Whatever a verb says of one network's lowest
impedance, EPDR, crossovers, pieces, verdicts and proof must be one and the same figure wherever it
stands, rounded as it is written.
"""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import optimizer
from optimizer.bench.networks.file import write_network
from optimizer.testing.speakers import write_speaker
from tests.end_to_end.on_the_bench import Run, coarsen

FIGURES = {
    "impedance_min": (r"[Ll]owest(?: impedance)? ([\d.]+) (?:ohm|Ω)", 0.0051),
    "epdr_min": (r"(?:output stage as|a resistor of) ([\d.]+) (?:ohm|Ω)", 0.0051),
}
"""What is said of one network as a whole, and how far its rounding may be off."""
MEETS = r"they meet at ([\d.]+) (k?)Hz"
BEGINS = r"from ([\d.]+) (k?)Hz(?:, connected|,? in series|\s|$)"


def plain(text: str) -> str:
    """Text of a page without its drawings, programs and marks."""
    for tag in ("script", "style", "svg"):
        text = re.sub(rf"<{tag}\b.*?</{tag}>", " ", text, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ")


def check_figures(text: str, candidate: dict[str, Any], where: str) -> None:
    """Compare every figure that a text gives of one network with its JSON."""
    for name, (pattern, off) in FIGURES.items():
        for said in re.findall(pattern, text):
            exact = candidate[name]["ohm"]
            assert abs(float(said) - exact) < off, f"{where}: {name} {said}, JSON {exact}"
    meets = {round(hz(*found)) for found in re.findall(MEETS, text)}
    exact = {v["figure"] for v in candidate["verdicts"] if v["name"] == "crossover"}
    for said in meets:
        assert any(abs(said / one - 1.0) < 6e-3 for one in exact if one), (
            f"{where}: meets at {said}"
        )
    ends = {e for way in candidate["ways"].values() for e in way["crossover_hz"] if e}
    assert all(any(abs(one / e - 1.0) < 1e-5 for e in ends) for one in exact if one), where
    for word in ("BAD", "look"):
        rows = len(re.findall(rf"^\s*{word}\s{{2,}}", text, flags=re.MULTILINE))
        stated = sum(v["state"] == word.lower() for v in candidate["verdicts"])
        assert rows in (0, stated), f"{where}: {rows} rows of {word}, JSON {stated}"
    proved = candidate["certificate"]["state"] == "proved"
    if re.search(r"[Pp]roved? against|[Nn]o (?:other )?network that differs", text):
        assert proved or "never" in text or "not" in text, f"{where}: says it is proved"


def hz(number: str, kilo: str) -> float:
    return float(number) * (1000.0 if kilo else 1.0)


def check_candidate(candidate: dict[str, Any]) -> None:
    """Figures within the JSON of one candidate."""
    curves = candidate["curves"]
    assert min(curves["impedance_ohm"]) == pytest.approx(
        candidate["impedance_min"]["ohm"], abs=1e-3
    )
    assert sum(g["cost"] for g in candidate["goals"].values()) == pytest.approx(
        candidate["cost"], rel=1e-6
    )
    by_name = {v["name"]: v for v in candidate["verdicts"]}
    assert by_name["impedance"]["figure"] == pytest.approx(
        candidate["impedance_min"]["ohm"], rel=1e-6
    )
    assert by_name["epdr"]["figure"] == pytest.approx(candidate["epdr_min"]["ohm"], rel=1e-6)
    for verdict in candidate["verdicts"]:
        low, high = verdict["limit"]
        figure = verdict["figure"]
        if figure is None or (low is None and high is None):
            assert verdict["state"] == "look"
            continue
        inside = (low is None or figure >= low - 1e-6) and (high is None or figure <= high + 1e-6)
        assert (verdict["state"] == "ok") == inside, verdict
        assert bool(verdict["remedy"]) == (verdict["state"] != "ok"), verdict


@pytest.fixture(scope="module")
def designs(
    laddersmith: Run, copy_demo: Run, tmp_path_factory: pytest.TempPathFactory
) -> list[Path]:
    """Two designs on few points, each with its results beside it: the demo, a made-up speaker."""
    folder = tmp_path_factory.mktemp("said")
    demo = copy_demo(folder / "demo")
    write_speaker(folder / "made-up", 4)
    assert laddersmith("start", folder / "made-up", "--seconds", 0.5, "--quiet").returncode == 0
    made_up = folder / "made-up" / "laddersmith.yaml"
    for design in (demo, made_up):
        coarsen(design)
        done = laddersmith(
            "fit", design, "--seconds", 2, "--workers", 1, "--top", 4,
            "--json", design.parent / "results.json", "--page", design.parent / "results.html",
            "--notes",
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        (design.parent / "results.txt").write_text(done.stdout, encoding="utf-8")
    return [demo, made_up]


@pytest.fixture(scope="module")
def networks(designs: list[Path]) -> list[tuple[Path, str]]:
    """Eight networks: the best of each fit, then each with a way the wrong way round, then two
    more of each fit."""
    found = [(design, f"{design.parent / 'results.json'}#1") for design in designs]
    for design in designs:
        results = design.parent / "results.json"
        problem = optimizer.load(design)
        network = optimizer.open_network(problem, f"{results}#1")
        *ways, last = network.ways
        turned = replace(network, ways=(*ways, replace(last, polarity=-last.polarity)))
        path = design.parent / "turned.yaml"
        write_network(path, turned, parent=f"{results}#1", note="a way turned")
        found.append((design, str(path)))
    found += [(d, f"{d.parent / 'results.json'}#{k}") for d in designs for k in (2, 3)]
    assert len(found) == 8
    return found


def test_fit_says_one_thing(designs: list[Path]) -> None:
    """The best network in text and on the page, and all of them in JSON."""
    for design in designs:
        data = json.loads((design.parent / "results.json").read_text())
        for candidate in data["candidates"]:
            check_candidate(candidate)
        text = (design.parent / "results.txt").read_text()
        best = text[text.index("The best one") :]
        check_figures(best, data["candidates"][0], f"{design} fit")
        heads = re.search(r"^verdicts\s+(.*)$", text, flags=re.MULTILINE)
        assert heads is not None
        states = [[v["state"] for v in c["verdicts"]] for c in data["candidates"]]
        for said, own in zip(re.findall(r"\d+ (?:look|bad)|ok", heads[1]), states, strict=False):
            worst = "bad" if "bad" in own else "look" if "look" in own else "ok"
            assert said == (worst if worst == "ok" else f"{own.count(worst)} {worst}")


@pytest.mark.routine(1)
@pytest.mark.parametrize("seed", range(8))
def test_check_and_sheet_say_one_thing(
    laddersmith: Run, networks: list[tuple[Path, str]], tmp_path: Path, seed: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Each network checked and put on a sheet: text, page, JSON."""
    monkeypatch.setenv("COLUMNS", "400")
    design, network = networks[seed]
    done = laddersmith(
        "check", design, network, "--json", tmp_path / "c.json", "--page", tmp_path / "c.html",
        "--notes",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    candidate = json.loads((tmp_path / "c.json").read_text())["candidate"]
    check_candidate(candidate)
    check_figures(done.stdout, candidate, f"{network} check")
    check_figures(plain((tmp_path / "c.html").read_text()), candidate, f"{network} check page")
    sheet = laddersmith(
        "sheet", design, network, "--html", tmp_path / "s.html", "--columns", tmp_path / "bench"
    )
    assert sheet.returncode == 0, sheet.stderr
    check_figures(sheet.stdout, candidate, f"{network} sheet")
    check_figures(plain((tmp_path / "s.html").read_text()), candidate, f"{network} sheet page")
    said = laddersmith(
        "voice", design, network, "--wish", "less bright", "--json", tmp_path / "v.json",
        "--page", tmp_path / "v.html",
    )  # fmt: skip
    assert said.returncode in (0, 3), said.stderr
    if said.returncode == 0:
        for answer in json.loads((tmp_path / "v.json").read_text())["answers"]:
            check_candidate(answer["candidate"])
    measured = (tmp_path / "bench" / "on_axis.txt", tmp_path / "bench" / "impedance.txt")
    done = laddersmith(
        "verify", design, network, *measured, "--json", tmp_path / "y.json", "--page",
        tmp_path / "y.html",
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    verdict = json.loads((tmp_path / "y.json").read_text())
    assert verdict["healthy"] is True
    for text in (done.stdout, plain((tmp_path / "y.html").read_text())):
        assert "FAIL" not in text
        assert verdict["says"] in " ".join(text.split())
        (worst,) = {float(x) for x in re.findall(r"largest deviation ([-+\d.]+) dB", text)}
        assert worst == pytest.approx(verdict["tolerance"]["worst_db"], abs=0.051)


@pytest.mark.thorough
def test_points_of_a_trade_say_one_thing(
    laddersmith: Run, designs: list[Path], tmp_path: Path
) -> None:
    """Each point of a front, of both designs."""
    for k, design in enumerate(designs):
        done = laddersmith(
            "trade", design, "--seconds", 2, "--points", 3, "--workers", 1,
            "--json", tmp_path / f"t{k}.json",
        )  # fmt: skip
        assert done.returncode in (0, 3), done.stderr
        for point in json.loads((tmp_path / f"t{k}.json").read_text())["points"]:
            check_candidate(point["candidate"])
