"""Alternatives and variable pads from the design file to the bench."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.network.equivalent import fit_driver_equivalent
from optimizer.network.network import Network
from optimizer.network.references import name_labels
from optimizer.network.solve import solve_network
from tests.end_to_end.on_the_bench import Bench, Run

TWEETER = (
    "      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}\n"
    "      - {name: L1, shunt: inductor, from: 0.1 mH, to: 0.82 mH}\n"
    "      - {name: C2, series: capacitor, from: 3.3 uF, to: 33 uF, optional: yes}\n"
    "      - {name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm,\n"
    "         optional: yes}\n"
)
ORDERS = (
    "      - one of:\n"
    "          second order:\n"
    "            - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}\n"
    "            - {name: L1, shunt: inductor, from: 0.1 mH, to: 0.82 mH}\n"
    "          third order:\n"
    "            - {name: C3, series: capacitor, from: 2.2 uF, to: 15 uF}\n"
    "            - {name: L3, shunt: inductor, from: 0.1 mH, to: 0.82 mH}\n"
    "            - {name: C4, series: capacitor, from: 3.3 uF, to: 33 uF}\n"
    "      - {name: P1, variable pad: 6 ohm, at: -12 .. 0 dB}\n"
)
MIDRANGE = (
    "      - {name: C1, series: capacitor, from: 33 uF, to: 150 uF}\n"
    "      - {name: L1, shunt: inductor, from: 1.5 mH, to: 12 mH, optional: yes}\n"
)
BOARDS = (
    "      - one of:\n"
    "          this board:\n"
    "            - {name: C1, series: capacitor, keep: 68 uF}\n"
    "            - {name: L1, shunt: inductor, keep: 3.3 mH, dcr: 0.5 ohm}\n"
    "          that board: [{name: C3, series: capacitor, keep: 100 uF}]\n"
)
ORDER = {"second order": {"C1", "L1"}, "third order": {"C3", "L3", "C4"}}
BOARD = {"this board": {"C1", "L1"}, "that board": {"C3"}}


@pytest.fixture(scope="module")
def bench(make_bench: Callable[..., Bench]) -> Bench:
    changes = ((TWEETER, ORDERS), (MIDRANGE, BOARDS))
    return make_bench(*changes, options=("--seconds", 1.5, "--top", 3, "--workers", 1))


def names(network: Network, way: str) -> set[str]:
    return {slot.name for one in network.ways if one.name == way for slot in one.slots}


def taken(network: Network) -> dict[tuple[str, str], str]:
    """What of each choice is built, found without the topology."""
    found = {}
    for way, allowed in (("tweeter", ORDER), ("midrange", BOARD)):
        own = names(network, way) & set().union(*allowed.values())
        (found[way, ""],) = [name for name, needed in allowed.items() if needed == own]
    control = [name for name in names(network, "tweeter") if name.startswith("P1-")]
    assert len(control) <= 1
    found["tweeter", "P1"] = f"{control[0][2:-2]} dB" if control else "0 dB"
    return found


def test_each_candidate_builds_one_alternative(bench: Bench) -> None:
    """Of each choice exactly one is built, in results and network files alike; pads cost nothing."""
    for number in range(1, len(bench.results["candidates"]) + 1):
        network = optimizer.open_network(bench.problem, f"{bench.folder}/r.json#{number}")
        said = bench.problem.topology.taken(network)
        assert {(one.ladder, one.control): one.name for one in said} == taken(network)
        bought = [part for part in network.parts if part.origin != "kept"]
        kept = [part for part in network.parts if part.origin == "kept"]
        assert network.piece_count == len(bought)
        assert len(kept) == len(network.parts) - len(bought) >= 1
    assert optimizer.open_network(bench.problem, bench.file) == bench.network
    assert optimizer.check(bench.problem, bench.network).candidate.cost == pytest.approx(
        bench.results["candidates"][0]["cost"], abs=1e-8
    )


def other_network(bench: Bench, pad: str = "P1-3dB") -> Network:
    """A network with the other order, the other board and the pad at -3 dB: not the best."""
    space = bench.problem.space
    genome = space.locate(bench.network)
    present = genome.present.copy()
    for k, slot in enumerate(space.slots):
        ladder = bench.problem.topology.ladders[bench.problem.bank.slot_ladder[k]].name
        where = {"tweeter": ORDER, "midrange": BOARD}.get(ladder, {})
        if any(slot.name in own for own in where.values()):
            present[k] = not genome.present[k]
        elif slot.name.startswith("P1") and ladder == "tweeter":
            present[k] = slot.name == pad
    return space.network(
        type(genome)(choice=genome.choice, present=present, polarity=genome.polarity)
    )


def test_check_proposes_alternatives_as_wholes(bench: Bench) -> None:
    """A board that is not the best is told to be changed for the other, a pad to be turned."""
    at = bench.write(other_network(bench), "other")
    told = bench.folder / "c.json"
    bench.run("check", at, "--json", told)
    moves = json.loads(told.read_text(encoding="utf-8"))["better"]
    assert moves
    changed = [{change["slot"] for change in move["changes"]} for move in moves]
    for slots in changed:
        for way, allowed in (("tweeter", ORDER), ("midrange", BOARD)):
            both = [{f"{way}.{name}" for name in own} for own in allowed.values()]
            touched = [own & slots for own in both]
            if all(touched):
                assert touched == both  # all of one leaves, all of the other comes
    pad = [c for move in moves for c in move["changes"] if c["slot"].startswith("tweeter.P1")]
    assert all(c["slot"] == "tweeter.P1" and c["from"] == "-3 dB" for c in pad)


def test_voice_turns_a_control_as_one_change(bench: Bench) -> None:
    """A tweeter 3 dB lower is its pad turned from -3 to -6 dB: one change, told as one."""
    k = 10.0 ** (-3.0 / 20.0)
    at = bench.folder / "loud.yaml"
    at.write_text(
        "ways:\n  woofer: {ladder: [{name: L1, value: 3.9 mH}]}\n"
        "  midrange: {polarity: inverted, ladder: [{name: C3, value: 100 uF, origin: kept},"
        " {name: L2, value: 0.82 mH}, {name: C2, value: 15 uF}]}\n"
        "  tweeter: {polarity: normal, ladder: [{name: C1, value: 6.8 uF},"
        " {name: L1, value: 0.33 mH}, {name: P1-3dB,"
        f" series_resistor: {{value: {6.0 * (1.0 - k)} ohm, origin: kept}},"
        f" shunt_resistor: {{value: {6.0 * k / (1.0 - k)} ohm, origin: kept}}}}]}}\n",
        encoding="utf-8",
    )
    told = bench.folder / "v.json"
    done = bench.run("voice", at, "--wish", "3k..20k -3 dB", "--changes", 1, "--json", told)
    answers = json.loads(told.read_text(encoding="utf-8"))["answers"]
    changes = [answer["changes"] for answer in answers]
    assert changes[0] == [{"slot": "tweeter.P1", "from": "-3 dB", "to": "-6 dB"}]
    slots = [change["slot"] for one in changes for change in one]
    assert not [slot for slot in slots if slot.startswith("tweeter.P1") and slot != "tweeter.P1"]
    assert "1. tweeter.P1: turn it from -3 dB to -6 dB" in done.stdout


def test_voice_puts_a_part_of_another_alternative_in_place(bench: Bench) -> None:
    """Naming all its parts takes it as a whole; naming one is refused with those that lack."""
    third = "C3" in names(bench.network, "tweeter")
    own = {"C1": "6.8uF", "L1": "0.33mH"}
    own = own if third else {"C3": "6.8uF", "L3": "0.33mH", "C4": "22uF"}
    uses = [word for name, value in own.items() for word in ("--use", f"tweeter.{name} {value}")]
    wish = ("--wish", "4k..16k -2 dB", "--changes", 1)
    assert bench.command("voice", bench.design, bench.file, *wish, *uses).returncode in (0, 3)
    use = {f"tweeter.{name}": value for name, value in own.items()}
    voiced = optimizer.voice(bench.problem, bench.network, ["4k..16k -2 dB"], changes=1, use=use)
    for built in (voiced.base, *voiced.answers):
        assert names(built.candidate.network, "tweeter") & {"C1", "L1", "C3", "L3", "C4"} == set(
            own
        )
    done = bench.run("voice", bench.file, *wish, *uses[:2], code=2)
    assert "needs all parts of that alternative" in done.stderr
    assert f"tweeter.{list(own)[1]}" in done.stderr


def test_sheet_says_where_to_turn_a_pad(bench: Bench) -> None:
    """Position and both resistances, by the formula of the L pad worked out here."""
    at = bench.write(other_network(bench), "sheet")
    k = 10.0 ** (-3.0 / 20.0)
    series, shunt = 6.0 * (1.0 - k), 6.0 * k / (1.0 - k)
    sheet = " ".join(bench.run("sheet", at).stdout.split())
    said = f"Turn P1 of the tweeter to -3 dB: with its wires off, a meter reads {series:.3g} ohm"
    assert said in sheet
    assert f"and {shunt:.3g} ohm from there" in sheet
    assert sheet.count("Turn P1 of the tweeter") == 2  # beside what stays, and in the wiring list
    bought = sheet.split("Shopping list")[1].split("Pick list")[0]
    names = name_labels(other_network(bench).references)
    pad = [name for label, name in names.items() if label.startswith("tweeter.P1")]
    assert len(pad) == 2
    for name in pad:
        assert not re.search(rf"\| resistor [\d.]+ ohm [^\n]{{0,90}}\b{name}\b", bought)


@pytest.mark.ngspice
def test_ngspice_has_the_same_level(bench: Bench, ngspice: str) -> None:
    """The netlist of an alternative with a pad at some position runs as it is and agrees."""
    network = other_network(bench)
    at = bench.write(network, "simulated")
    bench.run("netlist", at, "--output", bench.folder / "n.cir", "--curves", "n.txt")
    subprocess.run(
        [ngspice, "-b", "-r", "n.raw", "n.cir"],
        cwd=bench.folder, check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    head = (bench.folder / "n.txt").read_text(encoding="utf-8").split("\n", 1)[0].split()
    table = dict(zip(head, np.loadtxt(bench.folder / "n.txt", skiprows=1).T, strict=True))
    f = table[head[0]]
    loads = {
        d.name: fit_driver_equivalent(d.frequency_hz, d.impedance)[0].impedance(f)
        for d in bench.problem.drivers
    }
    solved = solve_network(network, f, loads)
    for way, transfer in zip(network.ways, solved.transfer, strict=True):
        level = 20.0 * np.log10(np.abs(transfer))
        np.testing.assert_allclose(table[f"drive_db_{way.name}"], level, atol=0.02)


@pytest.mark.thorough
def test_verify_passes_what_was_built(bench: Bench) -> None:
    """The finished speaker of one alternative agrees with its prediction; of another it does not."""
    other = bench.write(other_network(bench), "built")
    bench.run("sheet", bench.file, "--columns", bench.folder / "m")
    files = (bench.folder / "m" / "on_axis.txt", bench.folder / "m" / "impedance.txt")
    healthy = []
    for at in (bench.file, other):
        told = bench.folder / "verify.json"
        bench.command("verify", bench.design, at, *files, "--json", told)
        healthy.append(json.loads(told.read_text(encoding="utf-8"))["healthy"])
    assert healthy == [True, False]


def test_verify_names_a_control_in_a_wrong_position(bench: Bench) -> None:
    """A pad that was left at -6 dB where -3 dB was meant is one suspect, and says where it stands."""
    at = bench.write(other_network(bench), "meant")
    left = bench.write(other_network(bench, "P1-6dB"), "left-there")
    bench.run("sheet", left, "--columns", bench.folder / "left")
    files = (bench.folder / "left" / "on_axis.txt", bench.folder / "left" / "impedance.txt")
    told = bench.folder / "verify.json"
    bench.run("verify", at, *files, "--json", told, code=4)
    answer = json.loads(told.read_text(encoding="utf-8"))
    assert not answer["healthy"]
    first = answer["faults"][0]
    assert (first["what"], first["where"]) == ("wrong position", "tweeter.P1")
    assert first["says"] == "tweeter.P1 at -6 dB instead of -3 dB"


def test_a_network_file_may_be_of_either(bench: Bench) -> None:
    """Slots are known by name, whichever alternative they are of; a mixture is checked as it is."""
    text = (
        "ways:\n  woofer: {ladder: [{name: L1, value: 3.9 mH}]}\n"
        "  midrange: {polarity: inverted, ladder: [{name: C3, value: 100 uF, origin: kept},"
        " {name: L2, value: 0.82 mH}]}\n"
        "  tweeter: {polarity: normal, ladder: [{name: C3, value: 10 uF},"
        " {name: L3, value: 0.47 mH}, {name: C4, value: 22 uF}]}\n"
    )
    at = bench.folder / "hand.yaml"
    at.write_text(text, encoding="utf-8")
    network = optimizer.open_network(bench.problem, at)
    assert taken(network) == {
        ("tweeter", ""): "third order", ("midrange", ""): "that board", ("tweeter", "P1"): "0 dB",
    }  # fmt: skip
    bench.run("check", at)
    at.write_text(text.replace("{name: C3, value: 10 uF}", "{name: C1, value: 10 uF}"), "utf-8")
    mixed = optimizer.open_network(bench.problem, at)
    with pytest.raises(LookupError):
        bench.problem.space.locate(mixed)
    bench.run("check", at)
    assert [t.ladder for t in bench.problem.topology.taken(mixed)] == ["midrange", "tweeter"]


def test_alternatives_in_a_shared_section(
    laddersmith: Run, copy_demo: Callable[..., Path], tmp_path: Path
) -> None:
    """A section that ways share may hold them too; "nothing" is one."""
    design = copy_demo(tmp_path / "d", coarse=True)
    text = design.read_text(encoding="utf-8")
    shared = (
        "shared:\n  front:\n    ladder:\n      - one of:\n          nothing:\n          resistor: "
        "[{name: R0, series: resistor, from: 0.47 ohm, to: 1 ohm}]\n"
    )
    design.write_text(text.replace("\ngoals:\n", f"\n{shared}\ngoals:\n"), encoding="utf-8")
    problem = optimizer.load(design)
    assert problem.topology.choices[0].alternatives[0].slots == ()
    done = laddersmith("fit", design, "--seconds", 1, "--workers", 1, "--top", 1)
    assert done.returncode == 0, done.stderr


def test_alternatives_that_the_stock_cannot_serve_are_left_out(
    copy_demo: Callable[..., Path], tmp_path: Path
) -> None:
    """What the shelf has nothing for is left out as a whole, and said; without any left it fails."""
    shelf = "kind,value,count\n" + "".join(
        f"{kind},{value},4\n"
        for kind, value in (
            ("capacitor", "4.7 uF"), ("capacitor", "10 uF"), ("capacitor", "47 uF"),
            ("capacitor", "100 uF"), ("inductor", "0.47 mH"), ("inductor", "2.2 mH"),
            ("inductor", "1 mH"), ("resistor", "4.7 ohm"), ("resistor", "10 ohm"),
        )
    )  # fmt: skip
    changed = ORDERS.replace("from: 0.1 mH, to: 0.82 mH", "from: 0.01 mH, to: 0.02 mH", 1)
    design = copy_demo(
        tmp_path / "d", (TWEETER, changed), ("stock: {series: E12}", "stock: {shelf: s.csv}"),
        files={"s.csv": shelf},
    )  # fmt: skip
    problem = optimizer.load(design)
    assert [a.name for a in problem.topology.choices[0].alternatives] == ["third order"]
    assert "tweeter: the alternative second order is left out" in problem.assumed
    own = {slot.name for slot in problem.topology.ways[2].slots}
    assert own & {"C1", "L1"} == set()
    text = design.read_text(encoding="utf-8")
    design.write_text(text.replace("0.1 mH, to: 0.82 mH", "0.01 mH, to: 0.02 mH"), "utf-8")
    with pytest.raises(optimizer.InputError, match="must hold at least one inductor") as caught:
        optimizer.load(design)
    line = text.splitlines()[(caught.value.line or 0) - 1]
    assert "name: L" in line


SLOT = "      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}\n"
PLACE = "{name: X, series: capacitor, from: 2.2 uF, to: 15 uF}"
HEAD = "      - one of:"


@pytest.mark.parametrize(
    ("entry", "line", "said"),
    [
        (f"{HEAD} [[{PLACE}], []]", 0, "alternatives have names, each with a list of places"),
        (f"{HEAD} {{a: [{PLACE}]}}", 0, "there are at least two alternatives, got a"),
        (f"{HEAD} {{}}", 0, "there are at least two alternatives, got none"),
        (f"{HEAD} {{a: [], b: []}}", 0, "only one alternative is without any place, got a and b"),
        (f"{HEAD} {{a: [], a: [{PLACE}]}}", 0, "a key may stand once"),
        (f"{HEAD} {{a: [], b: {PLACE}}}", 0, "a list is expected here"),
        (f"{HEAD} {{a: [], b: [{{one of: {{c: [], d: [{PLACE}]}}}}]}}", 0,
         "an alternative holds single places, no choice of its own"),
        (f"{HEAD} {{a: [], b: [{{name: X, variable pad: 8 ohm, at: -3 dB}}]}}", 0,
         "an alternative holds single places, no choice of its own"),
        (f"{HEAD} {{a: [], b: [{{name: L1, shunt: inductor, from: 1 mH, to: 2 mH}}]}}", 1,
         "two slots of one way cannot share a name"),
        (f"{HEAD}\n          a: []\n          b:\n            - {{name: X, series: capacitr}}", 3,
         'did you mean "capacitor"?'),
        (f"{HEAD}\n          a: []\n          b: [{PLACE}]\n        name: X", 3,
         "alternatives stand alone in their entry, got 'name'"),
        (f"{HEAD} {{a: [], b: [{PLACE}]}}\n      - {{name: Y, across: X, capacitor: 1 .. 2 uF}}", 1,
         "a place that another lies across is never empty, got X, which only one alternative has"),
        (f"{HEAD} {{a: [], b: [{{name: A, tap: -6 dB}}]}}", 0, "built whatever is chosen"),
        ("      - {name: X, variable pad: 8 ohm}", 0, 'the key "at" is missing'),
        ("      - {variable pad: 8 ohm, at: -3 dB}", 0, 'the key "name" is missing'),
        ("      - {name: X, variable pad: 8 ohm, at: 3 dB}", 0,
         "lowers the level, by 40 dB at most, got 3 dB"),
        ("      - {name: X, variable pad: 8 ohm, at: -60 dB}", 0, "by 40 dB at most, got -60 dB"),
        ("      - {name: X, variable pad: 8 ohm, at: 0 dB}", 0, "changes nothing; leave it out"),
        ("      - {name: X, variable pad: -8 ohm, at: -3 dB}", 0, "above 0 ohm"),
        ("      - {name: X, variable pad: 8 ohm, at: -3 dB, step: 2 dB}", 0,
         "only a pad that may be turned has steps"),
        ("      - {name: X, variable pad: 8 ohm, at: -12 .. 0 dB, step: 0.1 dB}", 0,
         "at most 60 positions, got 121"),
        ("      - {name: X, variable pad: 8 ohm, at: -12 .. 0 dB, step: 0 dB}", 0, "at least 0.1 dB"),
        ("      - {name: X, variable pad: 8 ohm, at: -3 dB, keep: 1 ohm}", 0, "unknown key, got 'keep'"),
        ("      - {name: L1, variable pad: 8 ohm, at: -3 dB}", 1, "cannot share a name"),
        ("      - {name: X, series: pad, at: -3 dB}", 0, "this key does not belong to a pad, got 'at'"),
    ],
)  # fmt: skip
def test_bad_alternatives_are_refused(
    entry: str, line: int, said: str, laddersmith: Run, copy_demo: Callable[..., Path],
    tmp_path: Path,
) -> None:  # fmt: skip
    """One message with file, line, value and rule; nothing is searched."""
    design = copy_demo(tmp_path / "d", (SLOT, entry + "\n"))
    done = laddersmith("fit", design)
    assert done.returncode == 2
    assert said in done.stderr
    first = design.read_text(encoding="utf-8").split(entry)[0].count("\n") + 1
    assert f"design.yaml:{first + line}: " in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_positions_follow_from_the_range(copy_demo: Callable[..., Path], tmp_path: Path) -> None:
    """Steps count from the loudest; at every position the load keeps its nominal resistance."""
    pad = "      - {name: P9, variable pad: 8 ohm, at: -6 .. 0 dB, step: 2 dB}\n"
    design = copy_demo(tmp_path / "d", (SLOT, SLOT + pad))
    topology = optimizer.load(design).topology
    (choice,) = topology.choices
    assert [one.name for one in choice.alternatives] == ["0 dB", "-2 dB", "-4 dB", "-6 dB"]
    slots = {slot.name: slot for slot in topology.ways[2].slots}
    for one, level in zip(choice.alternatives, (0.0, -2.0, -4.0, -6.0), strict=True):
        parts = [slots[name].kept for name in one.slots]
        rs, rp = [part.value for part in parts[0] or ()] if parts else (0.0, np.inf)
        loaded = 8.0 if np.isinf(rp) else 8.0 * rp / (8.0 + rp)
        assert rs + loaded == pytest.approx(8.0)
        assert 20.0 * np.log10(loaded / (rs + loaded)) == pytest.approx(level, abs=1e-9)
