"""Places that hold any expression of parts, and forms of one's own, from design file to bench."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.bench.verify.faults import apply_fault, list_faults
from optimizer.network.expression.forms import NAMED_FORMS, NamedForm, add_form
from optimizer.network.network import Network
from optimizer.network.references import name_labels
from optimizer.network.solve import solve_network
from optimizer.testing.networks import capacitor, fitted, in_line, network, resistor
from tests.conftest import THOROUGH, cases
from tests.end_to_end.on_the_bench import Bench, Run, agree, coarsen

WOOFER = (
    "      - {name: Z1, shunt: equaliser, resistor: 3.3 .. 15 ohm, capacitor: 10 uF .. 82 uF,\n"
)
MIDRANGE = "      - {name: L2, series: inductor, from: 0.15 mH, to: 2.2 mH}\n"
TWEETER = "      - {name: L1, shunt: inductor, from: 0.1 mH, to: 0.82 mH}\n"

EXPRESSIONS = {
    # The step of a baffle; a resonance of the driver above its range, without a resistor.
    WOOFER: '      - {name: B1, series: "L || R", L: 0.1 .. 1 mH, R: 1 .. 10 ohm}\n'
    '      - {name: N2, shunt: "L + C", L: 0.1 .. 1 mH, C: 2.2 .. 22 uF}\n' + WOOFER,
    # A capacitor across a coil in the line.
    MIDRANGE: '      - {name: E1, series: "L || C", L: 0.15 .. 2.2 mH, C: 0.47 .. 4.7 uF}\n'
    '      - {name: X1, series: "Ra || (Rb + C)", keep: {Ra: 1 ohm, Rb: 2.2 ohm, C: 4.7 uF}}\n',
    # A coil with a resistor to ground.
    TWEETER: '      - {name: L1, shunt: "L + R", L: 0.1 mH .. 0.82 mH, R: 0.5 .. 4.7 ohm}\n',
}

PAD = (
    "      - {name: P1, series: pad, series_resistor: 0.5 .. 6.8 ohm, shunt_resistor: 4.7 .. 47 ohm,\n"
    "         optional: yes}\n"
)
HIGH_PAD = (
    "      - {name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm,\n"
    "         optional: yes}\n"
)

ACROSS = {
    # A capacitor across the series resistor of a pad, which stays; resistor and capacitor so.
    HIGH_PAD: "      - {name: C3, across: P1, capacitor: 1 uF .. 10 uF, optional: yes}\n"
    + HIGH_PAD.replace(",\n         optional: yes", ""),
    PAD: PAD.replace(",\n         optional: yes", "")
    + '      - {name: B1, across: P1, series: "R + C", R: 1 .. 10 ohm, C: 1 .. 22 uF}\n',
}


@pytest.fixture(scope="module")
def bench(make_bench: Callable[..., Bench]) -> Bench:
    """A three-way with joined parts in the line and across it."""
    return make_bench(*EXPRESSIONS.items())


def slots_of(network: Network) -> dict[str, str]:
    return {f"{way.name}.{slot.name}": slot.form for way in network.ways for slot in way.slots}


def test_fit_fills_expressions(bench: Bench) -> None:
    """Parts stay within their ranges; results, network file and search agree on what is built."""
    forms = slots_of(bench.network)
    assert forms["woofer.B1"] == "L || R"
    assert forms["woofer.N2"] == "L + C"
    assert forms["midrange.E1"] == "L || C"
    assert forms["midrange.X1"] == "Ra || (Rb + C)"
    assert forms["tweeter.L1"] == "L + R"
    assert optimizer.open_network(bench.problem, bench.file) == bench.network
    entries = bench.results["candidates"][0]["ways"]["midrange"]["slots"]
    own = [(e["name"], e["at"], e["form"], e["kind"]) for e in entries if e["name"][:2] == "X1"]
    assert own == [
        ("X1.Ra", "series", "Ra || (Rb + C)", "resistor"),
        ("X1.Rb", "series", "Ra || (Rb + C)", "resistor"),
        ("X1.C", "series", "Ra || (Rb + C)", "capacitor"),
    ]
    coil = bench.network.places["tweeter", "L1", 0]
    assert 0.1e-3 <= coil.value <= 0.82e-3


@pytest.mark.ngspice
def test_ngspice_has_the_same_curves(bench: Bench, ngspice: str) -> None:
    """The netlist of joined parts runs as it is and gives what the tool says."""
    agree(bench, ngspice)


def test_check_and_voice_move_parts_of_expressions(bench: Bench) -> None:
    """What a part is for is told by its name, and voicing may change it."""
    said = bench.run("check", bench.file).stdout
    named = name_labels(bench.network.references)
    assert "[{}||{}]".format(named["woofer.B1.L"], named["woofer.B1.R"]) in said
    a, b, c = (named[f"midrange.X1.{part}"] for part in ("Ra", "Rb", "C"))
    assert f"[{a}||({b}+{c})]" in said
    answers = bench.folder / "v.json"
    bench.run("voice", bench.file, "--wish", "3k..8k -1 dB", "--changes", 2, "--json", answers)
    labels = {
        f"{way.name}.{name}"
        for way in bench.problem.topology.ways
        for slot in way.slots
        for name in slot.labels
    }
    changes = [
        change["slot"]
        for answer in json.loads(answers.read_text(encoding="utf-8"))["answers"]
        for change in answer["changes"]
    ]
    assert changes
    assert set(changes) <= labels


def test_sheet_wires_expressions(bench: Bench) -> None:
    """Each branch is soldered between the right points, and drawn."""
    at = bench.folder / "s.md"
    bench.run("sheet", bench.file, "--markdown", at, "--schematic", bench.folder / "s.svg")
    text = at.read_text(encoding="utf-8")
    ends = read_wiring(text, bench.network)
    assert ends["woofer.B1.L"] == ends["woofer.B1.R"]
    a, b = ends["midrange.X1.Ra"]
    assert ends["midrange.X1.Rb"][0] == a
    assert ends["midrange.X1.C"] == (ends["midrange.X1.Rb"][1], b)
    assert ends["tweeter.L1.R"] == (ends["tweeter.L1.L"][1], "IN-")
    drawn = (bench.folder / "s.svg").read_text(encoding="utf-8")
    assert all(f">{name}<" in drawn for name in bench.network.references.values())


def read_wiring(sheet: str, network: Network) -> dict[str, tuple[str, str]]:
    """Between which points a sheet puts each part, by its place in the design."""
    rows = [
        *re.findall(r"^\| \[ \] \| (\S+) +\| [^|]+ \| (\S+) to (\S+) +\|$", sheet, re.MULTILINE),
        # Where parts are kept the first page has the steps of a rework, and the list comes later.
        *re.findall(
            r"^\| ([RLC]\d+) +\| [a-z]+ [^|]+ \| (\S+) +\| (\S+) +\|$", sheet, re.MULTILINE
        ),
    ]
    ends = {piece: (start, stop) for piece, start, stop in rows}
    return {label: ends[name] for label, name in name_labels(network.references).items()}


@pytest.mark.parametrize(
    ("what", "where"),
    cases([("open", "midrange.E1.L"), ("none", ""), ("short", "midrange.E1.C")], routine=1),
)
def test_verify_finds_faults_in_expressions(bench: Bench, what: str, where: str) -> None:
    """A healthy speaker passes; an open or a bridged part of an expression is named first."""
    network = bench.network
    if where:
        faults = list_faults(network)
        network = apply_fault(
            network, next(f for f in faults if (f.what, f.where) == (what, where))
        )
    told = bench.folder / f"verify-{what}.json"
    measured = bench.measure(network, f"built-{what}")
    bench.run("verify", bench.file, *measured, "--json", told, code=4 if where else 0)
    answer = json.loads(told.read_text(encoding="utf-8"))
    assert answer["healthy"] == (not where)
    if where:
        first = answer["faults"][0]
        named = [(f["what"], f["where"]) for f in (first, *first.get("same_as", ()))]
        assert (what, where) in named


@pytest.fixture(scope="module")
def bypassed(make_bench: Callable[..., Bench]) -> Bench:
    """A three-way with parts across the series resistors of two pads."""
    return make_bench(*ACROSS.items())


@pytest.mark.ngspice
@pytest.mark.thorough
def test_parts_across_a_place_go_through_every_verb(bypassed: Bench, ngspice: str) -> None:
    """Search, network file, results, netlist, wiring, drawing, check, voice, verify."""
    network = bypassed.network
    mid = {slot.name: slot for way in network.ways if way.name == "midrange" for slot in way.slots}
    assert (mid["B1"].form, mid["B1"].across) == ("R + C", "P1")
    assert optimizer.open_network(bypassed.problem, bypassed.file) == network
    assert "name: B1, across: P1, series: R + C" in bypassed.file.read_text(encoding="utf-8")
    agree(bypassed, ngspice)
    sheet = bypassed.run("sheet", bypassed.file).stdout
    ends = read_wiring(sheet, network)
    assert ends["midrange.P1.Rs"] == (ends["midrange.B1.R"][0], ends["midrange.B1.C"][1])
    said = bypassed.run("check", bypassed.file).stdout
    named = name_labels(network.references)
    r, c, rs = (named[f"midrange.{part}"] for part in ("B1.R", "B1.C", "P1.Rs"))
    assert f"[({r}+{c})||{rs}]" in said
    bypassed.run("voice", bypassed.file, "--wish", "3k..8k -1 dB", "--changes", 2)
    fault = next(
        f for f in list_faults(network) if (f.what, f.where) == ("short", "midrange.P1.Rp")
    )
    told = bypassed.folder / "verify.json"
    for built, healthy in ((network, True), (apply_fault(network, fault), False)):
        measured = bypassed.measure(built, f"built-{healthy}")
        code = 0 if healthy else 4
        bypassed.run("verify", bypassed.file, *measured, "--json", told, code=code)
        assert json.loads(told.read_text(encoding="utf-8"))["healthy"] == healthy


ENDS = "search: {seconds: 15, seed: 1}\n"
WHOLE = (
    ENDS + "shared: {all: {feeds: [woofer, midrange, tweeter], ladder: [{name: A1, tap: 0.5}]}}\n"
)

TAPS = {
    # In front of one driver, behind its capacitors; in front of two of three ways.
    "tweeter.A1": ((HIGH_PAD, "      - {name: A1, tap: -3 dB}\n"),),
    "high.A1": (
        (ENDS, f"{ENDS}shared: {{high: {{feeds: [midrange, tweeter], ladder: "
               "[{name: C9, series: capacitor, from: 47 uF, to: 220 uF}, {name: A1, tap: 0.8}]}}\n"),
    ),
}  # fmt: skip


@pytest.fixture(scope="module", params=cases(TAPS, routine=1))
def tapped(request: pytest.FixtureRequest, make_bench: Callable[..., Bench]) -> tuple[str, Bench]:
    """A three-way with a transformer, and the name of that."""
    return request.param, make_bench(*TAPS[request.param])


@pytest.mark.ngspice
def test_a_tap_goes_through_files_and_simulator(tapped: tuple[str, Bench], ngspice: str) -> None:
    """Search, results and network file agree; ngspice has the same curves; it is no piece."""
    label, bench = tapped
    forms = {f"{one.name}.{s.name}": s.form for one in bench.network.ladders for s in one.slots}
    form = forms[label]
    assert form == ("tap -3 dB" if label == "tweeter.A1" else "tap 0.8")
    assert optimizer.open_network(bench.problem, bench.file) == bench.network
    assert f"- {{name: A1, tap: {form[4:]}}}" in bench.file.read_text(encoding="utf-8")
    candidate = bench.results["candidates"][0]
    assert candidate["parts"] == bench.network.piece_count == len(bench.network.parts)
    agree(bench, ngspice)


def test_a_tap_goes_through_check_voice_and_sheet(tapped: tuple[str, Bench]) -> None:
    """It is drawn and wired with its three ends, and said to be a wire for a meter."""
    label, bench = tapped
    page, drawn = bench.folder / "c.html", bench.folder / "s.svg"
    said = bench.run("check", bench.file, "--page", page).stdout
    assert "[T1]" in said
    assert ">T1<" in page.read_text(encoding="utf-8")
    # Whether a wish is served depends on what was found: held loosely, one or two parts do it.
    answers = bench.folder / "v.json"
    wish = ("--wish", "500..1.5k -0.5 dB", "--hold", "3dB", "--changes", 2, "--json", answers)
    bench.run("voice", bench.file, *wish)
    told = json.loads(answers.read_text(encoding="utf-8"))["answers"]
    changed = {change["slot"] for answer in told for change in answer["changes"]}
    assert changed
    assert label not in changed
    at = bench.folder / "s.md"
    bench.run("sheet", bench.file, "--schematic", drawn, "--markdown", at)
    assert ">T1<" in drawn.read_text(encoding="utf-8")
    text = at.read_text(encoding="utf-8")
    level = "-3 dB" if label.startswith("tweeter") else "-1.94 dB"
    row = re.search(rf"^\| T1 +\| {level} +\| (\S+) +\| (\S+) +\| IN- +\| (\S+) +\|$", text,
                    re.MULTILINE)  # fmt: skip
    assert row
    end, tap, fed = row.groups()
    assert fed == end != tap
    assert re.search(rf"^\| {end} +\| [^|]*T1 \(end\)", text, re.MULTILINE)
    assert re.search(rf"^\| {tap} +\| [^|]*T1 \(tap\)", text, re.MULTILINE)
    assert "a wire across the line" in " ".join(text.split())


@pytest.mark.parametrize("where", cases(["tweeter.C1", ""], routine=1))
def test_verify_finds_faults_beside_a_tap(tapped: tuple[str, Bench], where: str) -> None:
    """A healthy speaker passes, and an open capacitor is named."""
    _, bench = tapped
    network = bench.network
    if where:
        faults = list_faults(network)
        network = apply_fault(
            network, next(f for f in faults if (f.what, f.where) == ("open", where))
        )
    measured = bench.measure(network, f"built-{where or 'well'}")
    told = bench.folder / "verify.json"
    bench.run("verify", bench.file, *measured, "--json", told, code=4 if where else 0)
    answer = json.loads(told.read_text(encoding="utf-8"))
    assert answer["healthy"] == (not where)
    if where:
        first = answer["faults"][0]
        assert where in [f["where"] for f in (first, *first.get("same_as", ()))]


@pytest.mark.thorough
def test_verify_names_a_wrongly_wired_tap(tapped: tuple[str, Bench]) -> None:
    """The next tap, and input and output exchanged, are named; the family of taps is one suspect.

    At the bench these are changes of the network file, made here by hand.
    """
    label, bench = tapped
    text = bench.file.read_text(encoding="utf-8")
    written = "-3 dB" if label == "tweeter.A1" else "0.8"
    for name, gain, says in (
        ("other", "-6 dB", "on its tap of -6 dB instead of"),
        (
            "exchanged",
            "3 dB" if label == "tweeter.A1" else "1.25",
            "with input and output exchanged",
        ),
    ):
        made, told = bench.folder / f"{name}.yaml", bench.folder / "verify.json"
        made.write_text(text.replace(f"tap: {written}", f"tap: {gain}"), encoding="utf-8")
        columns = bench.folder / f"columns-{name}"
        bench.run("sheet", made, "--columns", columns)
        measured = (columns / "on_axis.txt", columns / "impedance.txt")
        bench.run("verify", bench.file, *measured, "--json", told, code=4)
        answer = json.loads(told.read_text(encoding="utf-8"))
        assert not answer["healthy"]
        first = answer["faults"][0]
        assert (first["what"], first["where"]) == ("wrong tap", label)
        said = [f["says"] for f in (first, *first.get("same_as", ()))]
        assert any(says in one for one in said), said


@pytest.mark.parametrize("written", ["ladder", "expression"])
def test_a_step_up_is_noted(
    written: str, laddersmith: Run, copy_demo: Callable[..., Path], tmp_path: Path
) -> None:
    """It is allowed, and asked about: 6 dB is twice the volts and four times the load."""
    design = copy_demo(tmp_path / "d", (HIGH_PAD, "      - {name: A1, tap: 6 dB}\n"))
    if written == "expression":
        text = design.read_text(encoding="utf-8")
        head, tail = text.index("# What may sit where"), text.index("# Where ways may meet")
        network = 'network: "woofer || midrange || (C1 + A1: tap(6 dB, tweeter))"\n'
        values = "values: {C1: 2.2 .. 15 uF}\n"
        design.write_text(text[:head] + network + values + text[tail:], encoding="utf-8")
    notes = " ".join(optimizer.load_design(design).notes)
    assert "a tap of 6 dB raises the level, by 6.0 dB" in notes
    assert "3.98 times as hard (a minus sign forgotten?)" in notes
    quiet = copy_demo(tmp_path / "q", (HIGH_PAD, "      - {name: A1, tap: -6 dB}\n"))
    assert "minus sign" not in " ".join(optimizer.load_design(quiet).notes)


@THOROUGH
def test_a_tap_for_all_shows_the_load_by_the_square_of_its_ratio(
    make_bench: Callable[..., Bench], laddersmith: Run, copy_demo: Callable[..., Path],
    tmp_path: Path,
) -> None:  # fmt: skip
    """2 : 1 quarters nothing but the volts: 4 times the impedance, 6.02 dB less, as printed.

    Judge: the ideal transformer of any circuit textbook, on the numbers of `check` for the same
    parts with and without it.
    """
    plain = make_bench()
    plain.run("check", plain.file, "--json", tmp_path / "plain.json")
    design = coarsen(copy_demo(tmp_path / "b", (ENDS, WHOLE)))
    built = tmp_path / "tapped.yaml"
    built.write_text(
        plain.file.read_text(encoding="utf-8")
        + "shared: {all: {ladder: [{name: A1, tap: 0.5}]}}\n",
        encoding="utf-8",
    )
    done = laddersmith("check", design, built, "--json", tmp_path / "tapped.json")
    assert done.returncode == 0, done.stderr
    one, two = (
        json.loads((tmp_path / f"{name}.json").read_text(encoding="utf-8"))["candidate"]
        for name in ("plain", "tapped")
    )
    for curve, change in (("impedance_ohm", 4.0), ("impedance_phase_deg", 1.0)):
        a, b = (np.array(x["curves"][curve]) for x in (one, two))
        np.testing.assert_allclose(b, change * a, atol=3e-4)
    a, b = (np.array(x["curves"]["on_axis_db"]) for x in (one, two))
    np.testing.assert_allclose(b, a - 20.0 * np.log10(2.0), atol=2e-4)
    for figure in ("epdr_min", "impedance_min"):
        assert two[figure]["ohm"] == pytest.approx(4.0 * one[figure]["ohm"], rel=1e-4)
    assert two["parts"] == one["parts"]


@pytest.mark.parametrize(
    ("slot", "said"),
    [
        ("{name: X, tap: 0}", "above 0"),
        ("{name: X, tap: -2}", "above 0"),
        ('{name: X, tap: "0.5, rest) || tap(1"}', "write for instance 0.5 or -6 dB"),
        ("{name: X, tap: half}", "write for instance 0.5 or -6 dB"),
        ("{name: X, tap: 6 ohm}", "write for instance 0.5 or -6 dB"),
        ("{name: X, tap: 0.5, optional: yes}", "nothing to choose, got 'optional'"),
        ("{name: X, tap: 0.5, keep: 1 mH}", "nothing to choose, got 'keep'"),
        ("{name: X, tap: 0.5, series: inductor}", "by itself, got also series"),
        ("{name: X, tap: 0.5, across: C1}", "by itself, got also across"),
        ("{name: X, shunt: tap 0.5}", "is expected, or an expression"),
        ("{tap: 0.5}", 'the key "name" is missing'),
    ],
)
def test_bad_taps_are_refused(
    slot: str, said: str, laddersmith: Run, copy_demo: Callable[..., Path], tmp_path: Path
) -> None:
    """One message with file, line, value and rule."""
    design = copy_demo(tmp_path / "d", (TWEETER, f"      - {slot}\n"))
    done = laddersmith("fit", design)
    assert done.returncode == 2
    assert said in done.stderr
    lines = design.read_text(encoding="utf-8").splitlines()
    assert f"design.yaml:{lines.index(f'      - {slot}') + 1}: " in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_part_across_a_pad_is_a_bypassed_pad() -> None:
    """The same parts as one named form have the same curves."""
    pad = (resistor(2.2), resistor(10.0))
    high = [in_line("C1", capacitor(6.8e-6))]
    c3 = replace(in_line("C3", capacitor(4.7e-6, 0.1)), across="P1")
    one = network({"tweeter": [*high, fitted("P1", "series", "pad", *pad), c3]})
    bypass = fitted("P1", "series", "bypassed pad", pad[0], capacitor(4.7e-6, 0.1), pad[1])
    other = network({"tweeter": [*high, bypass]})
    f = np.geomspace(100.0, 20_000.0, 50)
    loads = {"tweeter": 4.0 + 0.0003j * f}
    a, b = (solve_network(n, f, loads).transfer for n in (one, other))
    np.testing.assert_allclose(a, b, rtol=1e-12)


@pytest.fixture
def bridged() -> Iterator[NamedForm]:
    """A form of one's own, known as long as a test runs."""
    form = add_form(
        NamedForm("bridged pad", "(Rs || (Cs + Rc)) + (Rp || rest)", "lowers all but the top",
                  ranges={"Rp": (4.7, 47.0)}, letter="P")
    )  # fmt: skip
    yield form
    del NAMED_FORMS[form.place, form.name]


@pytest.mark.ngspice
def test_a_form_added_in_five_lines_works_everywhere(
    bridged: NamedForm, make_bench: Callable[..., Bench], ngspice: str
) -> None:
    """Design file, search, drawing, sheet, wiring, netlist, faults and network file know it."""
    old = "      - {name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm,"
    new = "      - {name: P1, series: bridged pad, Rs: 1 .. 10 ohm, capacitor: 1 .. 10 uF,"
    bench = make_bench((f"{old}\n         optional: yes}}", f"{new} Rc: 1 .. 10 ohm}}"))
    assert bridged.keys == ("Rs", "capacitor", "Rc", "shunt_resistor")
    assert slots_of(bench.network)["tweeter.P1"] == "bridged pad"
    assert 4.7 <= bench.network.places["tweeter", "P1", 3].value <= 47.0
    assert optimizer.open_network(bench.problem, bench.file) == bench.network
    bench.run("sheet", bench.file, "--schematic", bench.folder / "s.svg")
    done = bench.run("sheet", bench.file)
    named = name_labels(bench.network.references)
    for label in ("P1.Rs", "P1.Cs", "P1.Rc", "P1.Rp"):
        name = named[f"tweeter.{label}"]
        assert re.search(rf"\| {name} +\| tweeter\.{label} ", done.stdout)
        assert f">{name}<" in (bench.folder / "s.svg").read_text(encoding="utf-8")
    assert {f.where for f in list_faults(bench.network) if f.what == "open"} >= {"tweeter.P1.Cs"}
    agree(bench, ngspice)


@pytest.mark.parametrize(
    ("slot", "said"),
    [
        ('{name: X, series: "L || Q", L: 1 mH .. 2 mH}', "begins with R, L or C"),
        ('{name: X, series: "L || tweeter"}', "begins with R, L or C"),
        ('{name: X, series: "L || R", L: 1 mH .. 2 mH, C: 1 uF .. 2 uF}', "unknown key, got 'C'"),
        ('{name: X, series: "L || R + C"}', "brackets say which of + and || comes first"),
        ('{name: X, series: "L || (R + C"}', "a bracket is closed"),
        ('{name: X, series: "R || R"}', "each part of a place has a name of its own"),
        ('{name: X, series: "R"}', "a single part is written out"),
        ('{name: X, series: "(R)"}', 'write "resistor"'),
        ('{name: X, series: "R || C?"}', "parts, +, || and brackets only"),
        ('{name: X, series: "tap(2, R) + C"}', "parts, +, || and brackets only"),
        (f'{{name: X, series: "{"(" * 120}R{")" * 120} + C"}}', "deep at most"),
        ('{name: X, series: inducter}', 'did you mean "inductor"?'),
        ('{name: X, series: "L1 + L2", keep: {L1: 1 mH, L2: 2 mH}, dcr: 1 ohm}', "which inductor"),
        ('{name: X, series: "L || R", keep: {L: 1 mH}}', 'the key "R" is missing'),
        ("{name: X, across: P9, capacitor: 1 uF .. 2 uF}", "known here: C1, C2, P1"),
        ("{name: X, across: P1, capacitor: 1 uF .. 2 uF}", "never empty, got P1, which is optional"),
        ("{name: X, across: P1}", "got nothing"),
        ("{name: X, across: P1, shunt: notch}", "got shunt"),
        ("{name: X, across: C1, series: pad}", "only what could be in the line"),
        ("{name: X, across: X, capacitor: 1 uF .. 2 uF}", "known here: C1, C2, P1"),
        ('{name: X, series: "L || R", from: 1 mH}', "does not belong to \"L || R\""),
    ],
)  # fmt: skip
def test_bad_expressions_are_refused(
    slot: str, said: str, laddersmith: Run, copy_demo: Callable[..., Path], tmp_path: Path
) -> None:
    """One message with file, line, value and rule; nothing is searched."""
    design = copy_demo(tmp_path / "d", (TWEETER, f"      - {slot}\n"))
    done = laddersmith("fit", design)
    assert done.returncode == 2
    assert said in done.stderr
    line = next(
        n for n, text in enumerate(design.read_text(encoding="utf-8").splitlines(), 1)
        if "{name: X" in text
    )  # fmt: skip
    assert f"design.yaml:{line}: " in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
