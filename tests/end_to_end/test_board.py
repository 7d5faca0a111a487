"""The rework of an old three-way board of mixed orders with other drivers, from answers at the
terminal and measurements to a sheet: what each command says of it is counted and computed here."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.testing import write_driver
from tests.conftest import Done
from tests.end_to_end.judge import Board, Slot, Way, count_operations, load

Run = Callable[..., Done]

ANSWERS = """\
Attic three-way
woofer midrange tweeter
line coil 2,2 mH dcr 0.4

filter
line capacitor 47uF
electrolytic
line coil 0.47 mH
0.3
across capacitor 6u8

line resistor 2R2

return
line capacitor 6.8 uF

across coil ?
28 ohm at 15 kHz
no idea
0.25
line capacitor 22uF


filter
no
yes
"""
"""Of a board with a first-order woofer, a midrange of first and second order, a tweeter of third."""

F = np.geomspace(20.0, 20_000.0, 81)


def write_measurements(folder: Path) -> None:
    """Three invented drivers that the old board was never made for."""
    folder.mkdir()
    for name, low, high, level, ohm, coil_mh, resonance, peak_hz in (
        ("woofer", 45.0, 2200.0, 87.0, 5.8, 0.7, 45.0, 1600.0),
        ("midrange", 180.0, 6000.0, 91.0, 6.2, 0.3, 190.0, 5200.0),
        ("tweeter", 900.0, 24_000.0, 93.5, 5.4, 0.04, 950.0, 14_000.0),
    ):
        s, t, b, r = (1j * F / x for x in (low, high, peak_hz, resonance))
        shape = s * s / (s * s + 1.2 * s + 1) / (t * t + 1.3 * t + 1)
        shape = shape * (b * b + 0.4 * b + 1) / (b * b + 0.25 * b + 1)
        z = ohm + 2j * np.pi * F * coil_mh * 1e-3 + 4.0 * ohm * (r / 3.0) / (1 + r / 3.0 + r * r)
        write_driver(folder, name, level_db=10.0 ** (level / 20.0) * shape, ohm=z, frequency_hz=F)


class Story:
    """The folder of the rework, with what each command printed."""

    def __init__(self, run: Run, folder: Path) -> None:
        self.folder = folder
        self.old = folder / "old-board.yaml"
        self.design = folder / "data" / "laddersmith.yaml"
        self.results = folder / "results.json"
        self.said: list[str] = []
        self.run = run

    def command(self, *words: object) -> str:
        done = self.run(*words)
        assert done.returncode == 0, done.stderr
        self.said.append(done.stdout)
        return done.stdout


@pytest.fixture(scope="module")
def story(laddersmith: Run, tmp_path_factory: pytest.TempPathFactory) -> Story:
    """The five commands."""
    told = Story(laddersmith, tmp_path_factory.mktemp("attic"))
    write_measurements(told.folder / "data")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdin", io.StringIO(ANSWERS))
        told.command("board", told.old)
    told.command(
        "start", told.folder / "data", "--clock", "shared", "--board", told.old, "--seed", 1,
        "--evaluations", 1_000, "--top", 1, "--workers", 1, "--json", told.results,
    )  # fmt: skip
    best = f"{told.results}#1"
    told.command(
        "voice", told.design, best, "--wish", "above 5k -1 dB", "--changes", 1, "--top", 1,
        "--save", told.folder / "softer.yaml", "--json", told.folder / "voice.json",
    )  # fmt: skip
    told.command(
        "check", told.design, best, "--against", told.old, "--json", told.folder / "new.json"
    )
    told.command("sheet", told.design, best, "--html", told.folder / "sheet.html",
                 "--markdown", told.folder / "sheet.md")  # fmt: skip
    return told


def test_the_board_is_what_was_answered(story: Story) -> None:
    """Values as printed, one from an impedance, drawn as text before it is written."""
    board = Board.of_file(story.old)
    assert [way.polarity for way in board.ways.values()] == [1, -1, 1]
    found = {name: part["value"] for name, _, part in board.labelled()}
    henry = np.sqrt(28.0**2 - 0.25**2) / (2 * np.pi * 15_000.0)
    assert found == pytest.approx(
        {
            "woofer.L1": 2.2e-3, "midrange.C1": 47e-6, "midrange.L1": 0.47e-3,
            "midrange.C2": 6.8e-6, "midrange.R1": 2.2, "tweeter.C1": 6.8e-6,
            "tweeter.L1": henry, "tweeter.C2": 22e-6,
        },
        rel=1e-6,
    )  # fmt: skip
    said = " ".join(story.said[0].split())
    assert "ohm at 1 kHz" in said  # how to measure
    assert "got 'no idea'" in said  # a bad answer is told why
    assert "[C1]" in said
    assert "(-) midrange" in said
    assert said.index("[C1]") < said.index("Is this right?")


def test_work_is_counted_alike_everywhere(story: Story) -> None:
    """By hand from the two networks: in results, figures, voicing and the sheet; none for the board
    as it is."""
    old = Board.of_file(story.old)
    for way in old.ways.values():
        for slot in way.slots.values():
            for part in slot.parts:
                part["origin"] = "kept"
    best = load(story.results)["candidates"][0]
    work = count_operations(old, Board.of_candidate(best))
    assert work > 0
    assert best["goals"]["changes"]["value"] == work
    checked = load(story.folder / "new.json")
    assert checked["against"][0]["candidate"]["goals"]["changes"]["value"] == 0
    judged = checked["candidate"]
    assert judged["goals"]["changes"]["value"] == work
    assert judged["cost"] == pytest.approx(best["cost"], rel=1e-6)
    sheet = (story.folder / "sheet.md").read_text(encoding="utf-8")
    assert f"{work} operations at the iron, in each of 2 cabinets" in sheet
    for answer in load(story.folder / "voice.json")["answers"]:
        after = Board.of_candidate(answer["candidate"])
        assert answer["candidate"]["goals"]["changes"]["value"] == count_operations(old, after)
        # What voicing itself asks for counts from the network that stands on the bench.
        now = Board.of_candidate(best)
        for way in now.ways.values():
            for slot in way.slots.values():
                for part in slot.parts:
                    part["origin"] = "kept"
        for name, way in after.ways.items():
            for place, slot in way.slots.items():
                was = now.ways[name].slots.get(place)
                for i, part in enumerate(slot.parts):
                    same = was is not None and was.parts[i]["value"] == part["value"]
                    part["origin"] = "kept" if same else "other"
        assert answer["work"]["operations"] == count_operations(now, after)


STEP = re.compile(
    r"(?P<act>Take off|Put a wire where|Open the line of|Exchange the two leads of the driver of|"
    r"Put in) (?P<rest>.*)"
)
KINDS = {"coil": "inductor", "capacitor": "capacitor", "resistor": "resistor"}
PREFIX = {"u": 1e-6, "m": 1e-3, "k": 1e3, "": 1.0}


def read_value(text: str) -> tuple[str, float]:
    """Kind and value of "coil 0.33 mH"."""
    found = re.match(r"(coil|capacitor|resistor) ([\d.]+) (u|m|k|)(H|F|ohm)", text)
    assert found is not None, text
    return KINDS[found[1]], float(found[2]) * PREFIX[found[3]]


def replay(old: Board, steps: list[str], forms: dict[tuple[str, str], tuple[str, str]]) -> Board:
    """Do what the sheet says, step by step, to the old board; a wire is a place that is empty.

    `forms` says where each place lies, and what it is.
    """
    ways = {n: Way(w.polarity, dict(w.slots)) for n, w in old.ways.items()}
    parts: dict[tuple[str, str], dict[int, dict[str, Any]]] = {
        (n, s): dict(enumerate(slot.parts)) for n, w in ways.items() for s, slot in w.slots.items()
    }
    letters = {"Rs": 0, "Rp": 1}
    for step in steps:
        found = STEP.match(step)
        assert found is not None, step
        act, rest = found["act"], found["rest"]
        # What comes off is told by its place, what goes on by its name and its place.
        rest = re.sub(r"^[RLC]\d+ \(([^)]+)\)", r"\1", rest)
        way, _, tail = re.sub(r"^(\w+)\.", r"\1 ", rest).rstrip(".").partition(" ")
        if act.startswith("Exchange"):
            ways[way].polarity *= -1
        elif act == "Open the line of" or act == "Put a wire where":
            continue
        else:
            label = re.split(r"[, ]", tail)[0]
            name, _, letter = label.partition(".")
            form = forms[way, name][1]
            if letter and letter not in letters:
                index = [
                    k[0] for k in {"trap": "LCR", "notch": "LCR", "equaliser": "RC"}[form]
                ].index(letter)
            else:
                index = letters.get(letter, 0)
            if act == "Take off":
                gone = parts[way, name].pop(index)
                kind, value = read_value(tail.partition(", ")[2])
                assert gone["kind"] == kind
                assert gone["value"] == pytest.approx(value, rel=2e-3)
            else:
                kind, value = read_value(tail.partition(", ")[2])
                parts.setdefault((way, name), {})[index] = {
                    "kind": kind, "value": value, "loss": None, "origin": "new",
                }  # fmt: skip
    done: dict[str, Way] = {n: Way(w.polarity) for n, w in ways.items()}
    for (way, name), held in parts.items():
        if held:
            place, form = forms[way, name]
            done[way].slots[name] = Slot(place, form, [held[i] for i in sorted(held)])
    return Board(done)


def order_of(sheet: str, way: dict[str, Any]) -> list[str]:
    """Places of a way of results as the wiring list has them, source first."""
    rows = re.findall(r"^\| ([RLC]\d+)[a-h]? +\| (?:coil|capacitor|resistor) ", sheet, re.MULTILINE)
    places = {part["reference"]: part["name"].partition(".")[0] for part in way["slots"]}
    return list(dict.fromkeys(places[row] for row in rows if row in places))


def impedance(part: dict[str, Any], f: np.ndarray) -> np.ndarray:
    s = 2j * np.pi * f
    value, loss = part["value"], part["loss"] or 0.0
    if part["kind"] == "inductor":
        return np.asarray(s * value + loss)
    return np.asarray(1.0 / (s * value) + loss if part["kind"] == "capacitor" else value + 0 * s)


Curves = dict[str, np.ndarray]
"""By way, each (F,)."""


def solve_nodal(
    board: Board, order: dict[str, list[str]], z: Curves, f: np.ndarray
) -> tuple[Curves, np.ndarray]:
    """Drive of each way and input admittance by dense nodal analysis, 1 V at the terminals."""
    edges: list[tuple[int, int, np.ndarray]] = []
    top = {}
    free = iter(range(2, 1000))  # 0 is the return, 1 the terminal
    for name, way in board.ways.items():
        at = 1
        for slot in (way.slots[p] for p in order[name]):
            zs = [impedance(part, f) for part in slot.parts]
            if slot.form in ("pad",):
                new = next(free)
                edges += [(at, new, zs[0]), (new, 0, zs[1])]
                at = new
                continue
            trap = slot.form == "trap"
            joined = 1.0 / sum(1.0 / one for one in zs) if trap else sum(zs)
            if slot.place == "series":
                new = next(free)
                edges.append((at, new, np.asarray(joined)))
                at = new
            else:
                edges.append((at, 0, np.asarray(joined)))
        edges.append((at, 0, z[name]))
        top[name] = at
    size = next(free)
    volts = np.zeros((len(f), size), dtype=complex)
    current = np.zeros(len(f), dtype=complex)
    for k in range(len(f)):
        g = np.zeros((size, size), dtype=complex)
        for a, b, one in edges:
            y = 1.0 / one[k]
            g[a, a] += y
            g[b, b] += y
            g[a, b] -= y
            g[b, a] -= y
        known, unknown = [0, 1], list(range(2, size))
        fixed = np.array([0.0, 1.0])
        volts[k, 1] = 1.0
        used = [n for n in unknown if g[n, n] != 0.0]
        volts[k, used] = np.linalg.solve(g[np.ix_(used, used)], -g[np.ix_(used, known)] @ fixed)
        current[k] = g[1] @ volts[k]
    return {n: volts[:, at] * board.ways[n].polarity for n, at in top.items()}, current


def test_the_steps_make_the_network(story: Story) -> None:
    """An independent script applies the steps of the sheet to the old board; what comes out has,
    by a dense nodal solve, the impedance and the curve on axis that the results say."""
    sheet = (story.folder / "sheet.md").read_text(encoding="utf-8")
    best = load(story.results)["candidates"][0]
    wanted = Board.of_candidate(best)
    steps = re.findall(
        r"^- \[ \] (.*)$",
        sheet.partition("With the iron, in this order")[2].partition("\n## ")[0],
        re.M,
    )
    assert steps
    old = Board.of_file(story.old)
    forms = {
        (n, s): (slot.place, slot.form)
        for board in (old, wanted) for n, w in board.ways.items() for s, slot in w.slots.items()
    }  # fmt: skip
    made = replay(old, steps, forms)
    assert {n: set(w.slots) for n, w in made.ways.items()} == {
        n: set(w.slots) for n, w in wanted.ways.items()
    }
    for name, way in made.ways.items():
        assert way.polarity == wanted.ways[name].polarity
        for place, slot in way.slots.items():
            for part, other in zip(slot.parts, wanted.ways[name].slots[place].parts, strict=True):
                assert part["value"] == pytest.approx(other["value"], rel=2e-3)
                # The sheet says losses in its lists; what was found measured is of the old file.
                part["loss"] = other["loss"] if part["loss"] is None else part["loss"]
    curves = best["curves"]
    f = np.array(curves["frequency_hz"])
    z, pressure = {}, {}
    for name in made.ways:
        for what, suffix in ((z, "_z"), (pressure, "")):
            table = np.loadtxt(story.folder / "data" / f"{name}{suffix}.txt")
            size = table[:, 1] if suffix else 10 ** (table[:, 1] / 20.0)
            turn = np.unwrap(np.radians(table[:, 2]))
            x = np.log(table[:, 0])
            what[name] = np.exp(np.interp(np.log(f), x, np.log(size))) * np.exp(
                1j * np.interp(np.log(f), x, turn)
            )
    order = {name: order_of(sheet, best["ways"][name]) for name in made.ways}
    assert {n: set(places) for n, places in order.items()} == {
        n: set(w.slots) for n, w in made.ways.items()
    }
    drive, current = solve_nodal(made, order, z, f)
    inside = (f > 25.0) & (f < 18_000.0)
    ours = np.abs(1.0 / current)
    np.testing.assert_allclose(ours[inside], np.array(curves["impedance_ohm"])[inside], rtol=2e-3)
    total = sum(drive[name] * pressure[name] for name in drive)
    level = 20.0 * np.log10(np.abs(total))
    told = np.array(curves["on_axis_db"])
    assert np.max(np.abs(level - told)[inside]) < 0.02


def test_reused_parts_are_one_of_each(story: Story) -> None:
    """No piece of the old board sits in two places, and what is left over is what serves nowhere."""
    sheet = (story.folder / "sheet.md").read_text(encoding="utf-8")
    best = load(story.results)["candidates"][0]
    old = Board.of_file(story.old)
    count = len(list(old.labelled()))
    parts = [p for _, _, p in Board.of_candidate(best).labelled()]
    stay = sum(p["origin"] == "kept" for p in parts)
    moved = sum(len(p.get("pieces") or [0]) for p in parts if p["origin"] == "board")
    off = len(re.findall(r"^- \[ \] Take off ", sheet, re.M))
    assert stay + off == count
    left = re.search(r"Left over, for the shelf: (.*)\.$", sheet, re.M)
    assert (left[1].count("(") if left else 0) == off - moved
    assert len(re.findall(r"keep it, it goes to", sheet)) == moved
    assert "Discharge each capacitor" in sheet
    page = (story.folder / "sheet.html").read_text(encoding="utf-8")
    assert "Rework of the board" in page


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ("", "the answers ended"),
        ("Box\nwoofer woofer\n", "each another one"),
        ("Box\nwoofer\nline coil 1 mH\n0.3\n\nfilter\nmaybe\n", "the answers ended"),
        ("Box\nwoofer\nline coil 1 mH\n", "its resistance by a meter"),
        ("Box\nwoofer\nline capacitor ?\n", "as printed"),
    ],
)
def test_answers_that_end_early_write_nothing(
    laddersmith: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answers: str, said: str
) -> None:
    """Exit code 2, one message, no file."""
    monkeypatch.setattr("sys.stdin", io.StringIO(answers))
    done = laddersmith("board", tmp_path / "b.yaml")
    assert done.returncode == 2
    assert "the answers ended before the board was complete" in done.stderr
    assert done.stderr.count("\n") == 1
    assert said in done.stderr + done.stdout
    assert not list(tmp_path.iterdir())


def test_a_board_is_never_written_over(
    laddersmith: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is refused before the first question."""
    (tmp_path / "b.yaml").write_text("mine", encoding="utf-8")
    monkeypatch.setattr("sys.stdin", io.StringIO(ANSWERS))
    done = laddersmith("board", tmp_path / "b.yaml")
    assert (done.returncode, done.stdout) == (2, "")
    assert (tmp_path / "b.yaml").read_text(encoding="utf-8") == "mine"
