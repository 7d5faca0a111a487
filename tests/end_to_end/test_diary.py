"""The story of a speaker from its first fit to its verification, as a user meets it."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import yaml

from tests.conftest import Done, Once
from tests.end_to_end.test_files_not_lost import make_project

Run = Callable[..., Done]

SHELF = (
    'kind;value;count;note\r\n# mine: ü, "4"\r\ncapacitor;"6.8 uF";4 pcs;"best; ""4"" of them"\r\n'
    "coil; 2.2 mH ; 3;\r\ncapacitor;4,7 uF;;one, without a count\r\ncoil;0.68 mH;07;"
).encode("cp1252")

NETWORK = """\
ways:
  woofer: {ladder: [{name: L1, series: inductor, value: 2.2 mH, origin: shelf}]}
  tweeter: {ladder: [{name: C1, series: capacitor, value: 6.8 uF, origin: shelf}]}
"""
OTHER = NETWORK.replace("6.8 uF", "4.7 uF")

# Values of the finished speaker that no other file knows; noise of 0.1 dB.
TRUE_L, TRUE_C = 2.27e-3, 6.3e-6


@pytest.fixture
def project(once: Once, laddersmith: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    made = once("files-not-lost", lambda folder: make_project(folder, laddersmith))
    folder = tmp_path / "project"
    shutil.copytree(made, folder)
    monkeypatch.chdir(folder)
    Path("shelf.csv").write_bytes(SHELF)
    Path("network.yaml").write_text(NETWORK)
    Path("other.yaml").write_text(OTHER)
    return folder


def say(laddersmith: Run, *words: str, code: int = 0) -> str:
    done = laddersmith(*words)
    assert done.returncode == code, done
    return " ".join((done.stdout + done.stderr).split())


def use_part(laddersmith: Run, network: str, part: str, save: str, *more: str) -> None:
    """Put another part into a network, whatever that does to the sound."""
    words = ("voice", "design.yaml", network, "--use", part, "--changes", "1", "--save", save)
    laddersmith(*words, "--accept", "0", *more)
    assert Path(save).is_file()


def count_shelf() -> Counter[tuple[str, str]]:
    """Pieces by kind and value, by the CSV reader of the standard library."""
    rows = csv.reader(Path("shelf.csv").read_text("cp1252").splitlines(), delimiter=";")
    table = [row for row in rows if not row[0].startswith("#")][1:]
    return Counter(
        {
            (row[0], row[1].strip().replace(",", ".")): int(re.sub(r"\D", "", row[2]) or 1)
            for row in table
        }
    )


def count_network(name: str) -> Counter[tuple[str, str]]:
    """Pieces that a network takes off the shelf, from its file."""
    ways = yaml.safe_load(Path(name).read_text())["ways"].values()
    kinds = {"inductor": "coil", "capacitor": "capacitor"}
    return Counter(
        (kinds[slot["series"]], slot["value"])
        for way in ways
        for slot in way["ladder"]
        if slot.get("origin") == "shelf"
    )


def mask_counts(data: bytes) -> bytes:
    """The shelf without the numbers in its column of counts, as its lines have them."""
    patterns = (rb'(6.8 uF";)\d*', rb"(2.2 mH ; )\d*", rb"(4,7 uF;)\d*", rb"(0.68 mH;)\d*")
    for pattern in patterns:
        data = re.sub(pattern, rb"\1N", data)
    return data


def test_builds_book_pieces_and_undoing_books_them_back(project: Path, laddersmith: Run) -> None:
    """Counts follow what was built, recounted from the networks; no other byte ever changes."""
    diary = ("diary", "design.yaml")
    full = count_shelf()
    one, other = count_network("network.yaml"), count_network("other.yaml")
    said = say(laddersmith, *diary, "--build", "network.yaml", "--into", "left")
    assert "2 taken off shelf.csv" in said
    assert count_shelf() == full - one
    say(laddersmith, *diary, "--build", "network.yaml", "--into", "right")
    assert count_shelf() == full - one - one
    assert mask_counts(Path("shelf.csv").read_bytes()) == mask_counts(SHELF)
    say(laddersmith, *diary, "--build", "other.yaml", "--into", "left")
    assert count_shelf() + Counter() == full - one - other + Counter()
    said = say(laddersmith, *diary)
    assert re.search(r"left other.yaml .*right network.yaml", said)
    before = Path("shelf.csv").read_bytes()
    assert "short of 1 x 4.7 uF" in say(
        laddersmith, *diary, "--build", "other.yaml", "--into", "right", code=2
    )
    assert Path("shelf.csv").read_bytes() == before
    assert "entry 3 was built over it" in say(laddersmith, *diary, "--undo", "1", code=2)
    for left in (full - one - one, full - one, full):
        say(laddersmith, *diary, "--undo")
        assert count_shelf() == left
    assert Path("shelf.csv").read_bytes() == SHELF.replace(b"uF;;one", b"uF;1;one").replace(
        b"mH;07;", b"mH;07;"
    )
    assert "no such build to undo" in say(laddersmith, *diary, "--undo", code=2)


def test_what_was_booked_is_no_other_stock(project: Path, laddersmith: Run) -> None:
    """After a build nothing warns that the stock is another; after a purchase it does."""
    say(laddersmith, "diary", "design.yaml", "--choose", "network.yaml")
    say(laddersmith, "diary", "design.yaml", "--build", "network.yaml")
    check = ("check", "design.yaml", "design.diary#1")
    assert "design.diary#1 was computed" not in say(laddersmith, *check)
    text = Path("shelf.csv").read_bytes()
    Path("shelf.csv").write_bytes(text + b"\r\ncapacitor;10 uF;8;")
    assert "Warning: design.diary#1 was computed" in say(laddersmith, *check)
    assert "with another stock" in say(laddersmith, *check)


def test_a_speaker_can_be_changed_with_what_it_is_made_of(project: Path, laddersmith: Run) -> None:
    """Built as a pair from the shelf alone, which then holds too few for another pair."""
    design = Path("design.yaml").read_text()
    Path("design.yaml").write_text(
        design.replace("series: E6, shelf: shelf.csv", "shelf: shelf.csv, pair: yes")
    )
    Path("shelf.csv").write_text("kind,value,count\ncapacitor,6.8 uF,2\ncoil,2.2 mH,3\n")
    say(laddersmith, "diary", "design.yaml", "--build", "network.yaml")
    assert Path("shelf.csv").read_text().split() == [
        "kind,value,count", "capacitor,6.8", "uF,0", "coil,2.2", "mH,1",
    ]  # fmt: skip
    said = say(laddersmith, "check", "design.yaml", "design.diary#left", "--notes")
    assert "4 pieces in the cabinets are at hand for them" in said
    assert "Warning" not in said
    Path("design.diary").unlink()
    assert "too few" in say(laddersmith, "check", "design.yaml", "network.yaml", code=2)


def test_states_are_kept_in_full_and_compared(project: Path, laddersmith: Run) -> None:
    """A state is known although its file is gone; the comparison is the difference of two checks."""
    say(laddersmith, "diary", "design.yaml", "--build", "network.yaml", "--unbooked")
    fit = ("fit", "design.yaml", "--evaluations", "100", "--workers", "1", "--json", "new.json")
    assert "Diary: entry 2 of design.diary." in say(laddersmith, *fit)
    figures = {}
    for name in ("network.yaml", "new.json#1"):
        say(laddersmith, "check", "design.yaml", name, "--json", "one.json")
        figures[name] = json.loads(Path("one.json").read_text())["candidate"]
    Path("network.yaml").unlink()
    Path("new.json").unlink()
    words = ("diary", ".", "--compare", "left", "2", "--json", "both.json", "--page", "both.html")
    said = say(laddersmith, *words)
    both = json.loads(Path("both.json").read_text())
    old, new = figures.values()
    assert both["difference"]["cost"] == pytest.approx(new["cost"] - old["cost"], abs=1e-7)
    for name, value in both["difference"]["goals"].items():
        assert value == pytest.approx(
            new["goals"][name]["value"] - old["goals"][name]["value"], abs=1e-7
        )
    level = np.subtract(*(c["curves"]["on_axis_db"] for c in (new, old)))
    worst = both["difference"]["curves"]["on_axis"]["worst_db"]
    assert abs(worst) <= np.abs(level).max() + 1e-3
    assert f"{old['cost']:.3f}" in said
    assert "left cabinet and entry 2" in Path("both.html").read_text()


def test_a_story_is_told(project: Path, laddersmith: Run) -> None:
    """Dated, numbered, newest last; what changed between entries is named."""
    assert "no diary is kept" in say(laddersmith, "diary", ".", code=2)
    assert not list(Path().glob("*.diary"))
    say(laddersmith, "diary", "design.yaml", "--begin")
    say(laddersmith, "fit", "design.yaml", "--evaluations", "100", "--workers", "1")
    Path("design.yaml").write_text(
        Path("design.yaml").read_text().replace("each: 0.05", "each: 0.06")
    )
    use_part(laddersmith, "network.yaml", "tweeter.C1 4.7 uF", "softer.yaml")
    said = say(laddersmith, "diary", ".", "--note", "sweet, at last")
    order = ("begun for design.yaml", "fit ", "from here on other goals", "voiced network.yaml ->",
             "heard sweet, at last", "In the cabinets")  # fmt: skip
    places = [said.index(one) for one in order]
    assert places == sorted(places)
    # What only shows adds nothing.
    before = Path("design.diary").read_bytes()
    say(laddersmith, "check", "design.yaml", "softer.yaml")
    say(laddersmith, "sheet", "design.yaml", "softer.yaml")
    say(laddersmith, "diary", "design.diary")
    assert Path("design.diary").read_bytes() == before
    # A diary that cannot be written to costs no result.
    Path("design.diary").unlink()
    Path("design.diary").mkdir()
    assert "Diary" not in say(laddersmith, "fit", "design.yaml", "--evaluations", "100")


def test_a_parent_is_never_overwritten(project: Path, laddersmith: Run) -> None:
    """Even by force: neither a network that another names, nor the results that it came from."""
    use_part(laddersmith, "results.json#1", "tweeter.C1 4.7 uF", "softer.yaml")
    use_part(laddersmith, "softer.yaml", "tweeter.C1 10 uF", "softest.yaml")
    for parent, child in (("softer.yaml", "softest.yaml"), ("results.json", "softer.yaml")):
        before = Path(parent).read_bytes()
        for words in (
            ("check", "design.yaml", "network.yaml"),
            ("sheet", "design.yaml", "other.yaml"),
        ):
            option = "--json" if words[0] == "check" else "--parts"
            said = say(laddersmith, *words, option, parent, "--force", code=2)
            assert f"{parent}, the parent of {child}" in said
        assert Path(parent).read_bytes() == before


def measure_finished(folder: Path) -> None:
    """Solve the finished speaker here, from the files of its drivers."""
    f, level_w, phase_w = np.loadtxt(folder / "on_axis.txt").T
    _, level_t, phase_t = np.loadtxt(folder / "tweeter.txt").T
    _, size_w, angle_w = np.loadtxt(folder / "impedance.txt").T
    _, size_t, angle_t = np.loadtxt(folder / "tweeter_z.txt").T

    def polar(size: np.ndarray, degrees: np.ndarray) -> np.ndarray:
        return np.asarray(size * np.exp(1j * np.radians(degrees)))

    s = 2j * np.pi * f
    woofer, tweeter = polar(size_w, angle_w), polar(size_t, angle_t)
    coil, capacitor = 0.3 + s * TRUE_L, 0.02 + 1 / (s * TRUE_C)
    sound = polar(10 ** (level_w / 20), phase_w) * woofer / (woofer + coil)
    sound = sound + polar(10 ** (level_t / 20), phase_t) * tweeter / (tweeter + capacitor)
    load = 1 / (1 / (woofer + coil) + 1 / (tweeter + capacitor))
    rng = np.random.default_rng(5)
    for name, curve in (("finished.txt", sound), ("finished_z.txt", load)):
        level = 20 * np.log10(np.abs(curve)) + 0.05 * rng.standard_normal(len(f))
        size = level if name == "finished.txt" else 10 ** (level / 20)
        np.savetxt(folder / name, np.column_stack([f, size, np.degrees(np.angle(curve))]))


def test_what_was_measured_is_taken_for_what_was_designed(project: Path, laddersmith: Run) -> None:
    """`--as-measured` costs what a network of these values costs, typed in by hand."""
    measure_finished(project)
    text = NETWORK.replace("value: 2.2 mH", "value: 2.2 mH, dcr: 0.3 ohm")
    Path("network.yaml").write_text(text)
    verify = ("verify", "design.yaml", "network.yaml", "finished.txt", "impedance=finished_z.txt")
    assert "none is kept" in say(laddersmith, "check", "design.yaml", "network.yaml",
                                 "--as-measured", code=2)  # fmt: skip
    say(laddersmith, "diary", "design.yaml", "--build", "network.yaml", "--into", "right",
        "--unbooked")  # fmt: skip
    done = laddersmith(*verify, "--noise", "0.1")
    assert "Diary: entry 2 of design.diary." in done.stdout
    entry = list(yaml.safe_load_all(Path("design.diary").read_text()))[1]
    assert entry["cabinets"] == ["right"]
    assert entry["verdict"] in ("pass", "fail")
    known = {one["slot"]: one for one in entry["values"] if one["of"] == "value"}
    for slot, true in (("woofer.L1", TRUE_L), ("tweeter.C1", TRUE_C)):
        assert known[slot]["low"] < true < known[slot]["high"]
        assert known[slot]["narrowed"] < 0.5
    check = ("check", "design.yaml", "network.yaml", "--json", "now.json", "--as-measured")
    said = say(laddersmith, *check, "right")
    assert "As measured in the verification of the right cabinet of" in said
    cost = json.loads(Path("now.json").read_text())["candidate"]["cost"]
    loss = {one["slot"]: one["found"] for one in entry["values"]
            if one["of"] == "loss" and one["narrowed"] < 0.66}  # fmt: skip
    typed = text.replace("2.2 mH", f"{known['woofer.L1']['found'] * 1e3} mH")
    typed = typed.replace("6.8 uF", f"{known['tweeter.C1']['found'] * 1e6} uF, esr: 0.0234051 ohm")
    typed = typed.replace("0.3 ohm", f"{loss.get('woofer.L1', 0.3)} ohm").replace("shelf", "given")
    Path("typed.yaml").write_text(typed)
    say(laddersmith, "check", "design.yaml", "typed.yaml", "--json", "now.json")
    assert json.loads(Path("now.json").read_text())["candidate"]["cost"] == pytest.approx(
        cost, abs=2e-4
    )
    use_part(laddersmith, "network.yaml", "tweeter.C1 10 uF", "voiced.yaml", "--as-measured")
    coil = yaml.safe_load(Path("voiced.yaml").read_text())["ways"]["woofer"]["ladder"][0]
    assert float(coil["value"].split()[0]) == pytest.approx(known["woofer.L1"]["found"] * 1e3)
    assert "no verification of this network in the left cabinet" in say(
        laddersmith, *check, "left", code=2
    )
