"""The command line: exit codes, messages, and what goes to which stream."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from optimizer.cli.main import main
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate, CurveSet, GoalFigure, SearchResult
from optimizer.search.islands import ISLANDS

ROOT = Path(__file__).resolve().parents[2]
SETTINGS = SimpleNamespace(seconds=10.0, seed=7, top=3, by="verdicts")
ARGUMENTS = ["fit", "d.yaml"]
PROBLEM = SimpleNamespace(title="Shed one-way", drivers=(), notes=("mirrored",))


def make_result(*, count: int = 1, feasible: bool = True, stopped: str = "converged"):
    frequency = np.geomspace(20.0, 20000.0, 50)
    level = np.full(50, 85.0)
    part = Part(kind="inductor", value=1e-3, loss_ohm=0.2)
    slot = FittedSlot(name="L1", place="series", form="inductor", parts=(part,))
    way = FittedWay(name="full", driver="wide", polarity=1, slots=(slot,))
    goal = GoalFigure(name="impedance", value=3.1, unit="ohm", weight=1.0, cost=0.5,
                      met=feasible, detail="3.1 ohm at 2 kHz, floor 4 ohm")  # fmt: skip
    candidate = Candidate(
        rank=1,
        cost=0.5,
        network=Network(ways=(way,)),
        goals=(goal,),
        curves=CurveSet(
            frequency_hz=frequency,
            named_db={"on_axis": level},
            directivity_db={},
            direction_db=level[None, :],
            directions=(ON_AXIS,),
            way_db=level[None, :],
            drive_db=level[None, :] - 85.0,
            impedance=np.full(50, 6.0 + 0j),
        ),
        impedance_min_ohm=3.1,
        impedance_min_hz=2000.0,
        epdr_min_ohm=2.0,
        epdr_min_hz=100.0,
        sensitivity_db=85.0,
        crossovers_hz=((None, None),),
        feasible=feasible,
    )
    return SearchResult(
        candidates=(candidate,) * count, stopped=stopped, seconds=1.0, evaluations=10, seed=7
    )


@pytest.fixture
def searching(monkeypatch):
    """Replace loading and searching by stand-ins; returns what the search was called with."""
    seen = SimpleNamespace(calls=[], answer=make_result())

    def search(problem, **options):
        seen.calls.append(options)
        if isinstance(seen.answer, BaseException):
            raise seen.answer
        return seen.answer

    project, run = ModuleType("optimizer.design.build"), ModuleType("optimizer.search.fit")
    project.load_design = lambda file: SimpleNamespace(search=SETTINGS)
    project.build_problem = lambda design: PROBLEM
    run.search = search
    monkeypatch.setitem(sys.modules, "optimizer.design.build", project)
    monkeypatch.setitem(sys.modules, "optimizer.search.fit", run)
    return seen


def test_fit_prints_and_returns_0(searching, capsys):
    """A fit that found something prints tables on standard output and nothing else."""
    assert main(["fit", "d.yaml"]) == 0
    out, err = capsys.readouterr()
    assert "Shed one-way" in out
    assert "[L1]" in out
    assert "mirrored" not in out
    assert out.rstrip().endswith("notes (--notes shows them)")
    assert "\x1b" not in out
    assert err == ""
    assert main(["fit", "d.yaml", "--notes"]) == 0
    assert "mirrored" in capsys.readouterr().out


def test_settings_come_from_the_design_unless_given(searching):
    """Each search option of the command line overrides the design file's."""
    main(["fit", "d.yaml", "--quiet"])
    main(["fit", "d.yaml", "--quiet", "--seconds", "2.5", "--seed", "0", "--top", "9",
          "--workers", "1", "--by", "cost", "--islands", "24"])  # fmt: skip
    first, second = searching.calls
    assert (first["seconds"], first["seed"], first["top"]) == (10.0, 7, 3)
    assert first["workers"] >= 1
    assert (first["by"], first["islands"]) == ("verdicts", ISLANDS)
    assert second == {
        "seconds": 2.5,
        "evaluations": None,
        "seed": 0,
        "top": 9,
        "workers": 1,
        "progress": None,
        "robust": False,
        "by": "cost",
        "runner": None,
        "islands": 24,
    }


def test_help_tells_the_usual_number_of_islands(capsys):
    """The figure stands in the help as a word, for the search is not imported to print it."""
    assert main(["fit", "--help"]) == 0
    assert f"(else {ISLANDS})" in " ".join(capsys.readouterr().out.split())


def test_a_number_of_networks_takes_the_place_of_the_time(searching):
    """With --evaluations the time of the design does not apply; one that is given does."""
    main(["fit", "d.yaml", "--quiet", "--evaluations", "5000"])
    main(["fit", "d.yaml", "--quiet", "--evaluations", "5000", "--seconds", "3"])
    first, second = searching.calls
    assert (first["evaluations"], first["seconds"]) == (5000, None)
    assert (second["evaluations"], second["seconds"]) == (5000, 3.0)


def test_an_exact_search_takes_no_number_of_networks(searching, capsys):
    """Both at once are refused: one goes through everything, the other stops before."""
    assert main(["fit", "d.yaml", "--exact", "--evaluations", "5000"]) == 2
    assert "leave one of the two out" in capsys.readouterr().err


def search_in_turn(searching, monkeypatch, **answers):
    """Let each design, by its name, have an answer of its own."""
    project, run = sys.modules["optimizer.design.build"], sys.modules["optimizer.search.fit"]
    begun = []

    def load(file):
        begun.append(str(file))
        return SimpleNamespace(search=SETTINGS)

    def search(problem, **options):
        answer = answers.get(Path(begun[-1]).stem, searching.answer)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    monkeypatch.setattr(project, "load_design", load)
    monkeypatch.setattr(run, "search", search)
    return begun


def test_several_designs_are_fitted_in_turn(searching, monkeypatch, capsys, tmp_path):
    """Each is announced, shown and written as it comes, into files named after it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shed").mkdir()
    begun = search_in_turn(searching, monkeypatch)
    assert main(["fit", "a.yaml", "shed/b.yaml", "--json", "{design}-of-{name}.json"]) == 0
    assert begun == ["a.yaml", "shed/b.yaml"]
    out = capsys.readouterr().out
    assert out.index("a.yaml (1 of 2)") < out.index("Written: a-of-a.json") < out.index("(2 of 2)")
    written = {str(f.relative_to(tmp_path)) for f in tmp_path.rglob("[!.]*.*")}
    assert written == {"a-of-a.json", "shed/b-of-b.json"}
    assert json.loads(Path("shed/b-of-b.json").read_text())["design"] == "shed/b.yaml"


@pytest.mark.parametrize(
    ("designs", "options", "said"),
    [
        ("a.yaml b.yaml", "--json r.json", "--json: every output needs a file of its own"),
        (
            "a.yaml b.yaml",
            "--json -",
            "got -, which is written by --json too; name it after the design",
        ),
        ("x/a.yaml y/a.yaml", "--page {name}.html", 'name it after the design: --page "{design}'),
        (
            "a.yaml b.yaml",
            "--json {name}.out --page {name}.out",
            "a.out, which is written by --json too",
        ),
        ("a.yaml b.yaml", "--json {design}.yaml", "is never written over, got a.yaml"),
        ("a.yaml", "--page ./a.yaml", "is never written over, got a.yaml"),
    ],
)
def test_designs_that_would_write_one_file_are_refused(
    searching, monkeypatch, capsys, tmp_path, designs, options, said
):
    """Before any work: neither design is begun."""
    monkeypatch.chdir(tmp_path)
    begun = search_in_turn(searching, monkeypatch)
    assert main(["fit", *designs.split(), *options.split()]) == 2
    out, err = capsys.readouterr()
    assert (out, begun, list(tmp_path.iterdir())) == ("", [], [])
    assert said in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("answer", "code", "said"),
    [
        (InputError("a rule", file="b.yaml", line=3), 2, "laddersmith: b.yaml:3: a rule"),
        (InputError("a rule", key="--on"), 2, "laddersmith: b.yaml: --on: a rule"),
        (make_result(feasible=False), 3, "laddersmith: b.yaml: no network found meets"),
        (ZeroDivisionError("division by zero"), 1, "laddersmith: b.yaml: this is a fault"),
    ],
)
def test_a_design_that_fails_does_not_stop_the_others(
    searching, monkeypatch, capsys, answer, code, said
):
    """The worst exit code is that of all; the message says which design it is about."""
    begun = search_in_turn(searching, monkeypatch, b=answer)
    assert main(["fit", "a.yaml", "b.yaml", "c.yaml"]) == code
    assert begun == ["a.yaml", "b.yaml", "c.yaml"]
    out, err = capsys.readouterr()
    assert out.index("b.yaml (2 of 3)") < out.index("c.yaml (3 of 3)")
    assert err.startswith(said)


@pytest.mark.parametrize("answer", [make_result(stopped="interrupted"), KeyboardInterrupt()])
def test_a_batch_that_is_interrupted_begins_no_other(searching, monkeypatch, capsys, answer):
    """What was found is shown; designs that have nothing to show make it 130."""
    begun = search_in_turn(searching, monkeypatch, b=answer)
    assert main(["fit", "a.yaml", "b.yaml", "c.yaml"]) == 130
    assert begun == ["a.yaml", "b.yaml"]
    assert "Stopped by hand; not begun: c.yaml" in capsys.readouterr().out
    assert main(["fit", "a.yaml", "b.yaml"]) == (130 if isinstance(answer, BaseException) else 0)


def test_a_cluster_computes_for_all_designs(searching, monkeypatch):
    """One connection, to the address of --on, for the whole batch; it is closed in the end."""
    from optimizer.search.runner import Runner

    seen = []

    class Connected(Runner):
        def __exit__(self, *how):
            seen.append("closed")
            super().__exit__(*how)

    def connect(address):
        seen.append(address)
        return Connected(None)

    monkeypatch.setattr(Runner, "on", connect)
    assert main(["fit", "a.yaml", "b.yaml", "--on", "tcp://host:1", "--quiet"]) == 0
    first, second = (call["runner"] for call in searching.calls)
    assert isinstance(first, Connected)
    assert first is second
    assert seen == ["tcp://host:1", "closed"]


def test_an_exact_search_is_not_for_a_cluster(searching, capsys):
    """It runs in one process, and says so instead of leaving the cluster aside."""
    assert main(["fit", "d.yaml", "--exact", "--on", "tcp://host:1"]) == 2
    assert "--on: an exact search runs in one process" in capsys.readouterr().err


def test_quiet_prints_nothing(searching, capsys, tmp_path):
    """With --quiet a successful run is silent but still writes its file."""
    assert main(["fit", "d.yaml", "--quiet", "--json", str(tmp_path / "r.json")]) == 0
    assert capsys.readouterr() == ("", "")
    assert json.loads((tmp_path / "r.json").read_text())["candidates"][0]["rank"] == 1


def test_json_dash_keeps_standard_output_pure(searching, capsys):
    """With --json - standard output holds the JSON alone; tables go to standard error."""
    assert main(["fit", "d.yaml", "--json", "-"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["schema"] == 1
    assert "Shed one-way" in err


def test_unwritable_json_is_found_before_the_search(searching, capsys, tmp_path):
    """A results file that cannot be written ends the run before any search."""
    assert main(["fit", "d.yaml", "--json", str(tmp_path / "no" / "r.json")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("laddersmith: --json: the folder to write into must exist")
    assert err.count("\n") == 1
    assert searching.calls == []


@pytest.mark.parametrize("option", ["--json", "--page"])
@pytest.mark.parametrize(
    "command",
    [
        ["survey", "folder"],
        ["start", "folder"],
        ["fit", "d.yaml"],
        ["trade", "d.yaml"],
        ["check", "d.yaml", "n.yaml"],
        ["voice", "d.yaml", "n.yaml", "--wish", "less bright"],
        ["verify", "d.yaml", "n.yaml", "m.txt"],
    ],
)
def test_every_verb_refuses_early_what_it_cannot_write(command, option, capsys, tmp_path):
    """JSON and a page are offered by every verb that finds something, and checked before it."""
    assert main([*command, option, str(tmp_path / "no" / "such.file")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"laddersmith: {option}: the folder to write into must exist")
    assert err.count("\n") == 1


def test_results_are_shown_even_when_they_cannot_be_saved(searching, capsys, monkeypatch):
    """A write that fails after the search still shows what was found, then gives 2."""
    from optimizer.text import writing as export

    def fail(*_: object) -> None:
        raise InputError("the file could not be written")

    monkeypatch.setattr(export, "write_json", fail)
    assert main(["fit", "d.yaml", "--json", "r.json"]) == 2
    out, err = capsys.readouterr()
    assert "[L1]" in out
    assert "Written" not in out
    assert err == "laddersmith: the file could not be written\n"


def test_bad_input_is_one_line_and_2(searching, capsys):
    """Bad input gives exit code 2 and exactly one line, however the message is built."""
    searching.answer = InputError("a rule", file="d.yaml", line=3, value="two\nlines", remedy="fix")
    assert main(["fit", "d.yaml"]) == 2
    assert capsys.readouterr() == ("", "laddersmith: d.yaml:3: a rule, got two lines; fix\n")


def test_no_feasible_network_is_3(searching, capsys, tmp_path):
    """When the hard limits cannot be met the nearest miss is shown and named."""
    searching.answer = make_result(feasible=False)
    assert main(["fit", "d.yaml", "--json", str(tmp_path / "r.json")]) == 3
    out, err = capsys.readouterr()
    assert "Nearest miss" in out
    assert "BROKEN" in out
    assert err.startswith("laddersmith: no network found meets the hard limits")
    assert "3.1 ohm at 2 kHz, floor 4 ohm" in err
    assert err.count("\n") == 1
    assert json.loads((tmp_path / "r.json").read_text())["candidates"] == []


def test_interrupted_with_candidates_is_0(searching, capsys):
    """A search stopped by hand that has something shows it and says so."""
    searching.answer = make_result(stopped="interrupted")
    assert main(["fit", "d.yaml"]) == 0
    assert "Stopped by hand" in capsys.readouterr().out


def test_interrupted_with_nothing_is_130(searching, capsys, tmp_path):
    """A search stopped by hand before its first network shows nothing and writes nothing."""
    searching.answer = make_result(count=0, stopped="interrupted")
    assert main(["fit", "d.yaml", "--json", str(tmp_path / "r.json")]) == 130
    out, err = capsys.readouterr()
    assert out == ""
    assert "nothing to show" in err
    assert list(tmp_path.iterdir()) == []


def test_interrupt_outside_the_search_is_130(searching, capsys):
    """Ctrl-C while reading or printing ends with 130 and one line."""
    searching.answer = KeyboardInterrupt()
    assert main(["fit", "d.yaml"]) == 130
    assert capsys.readouterr().err == "laddersmith: interrupted, nothing to show\n"


def test_our_fault_is_1_without_a_trace(searching, capsys):
    """A fault of the program says so, how to report it, and hides the trace."""
    searching.answer = ZeroDivisionError("division by zero")
    assert main(["fit", "d.yaml"]) == 1
    err = capsys.readouterr().err
    assert "fault of the program" in err
    assert "--debug" in err
    assert "Traceback" not in err
    assert err.count("\n") == 1


def test_debug_shows_the_trace(searching, capsys):
    """With --debug the trace of a fault is shown."""
    searching.answer = ZeroDivisionError("division by zero")
    assert main(["fit", "d.yaml", "--debug"]) == 1
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["no-such-verb"],
        ["fit"],
        ["fit", "d.yaml", "--no-such-option"],
        ["fit", "d.yaml", "--seconds", "0"],
        ["fit", "d.yaml", "--seconds", "nan"],
        ["fit", "d.yaml", "--seconds", "inf"],
        ["fit", "d.yaml", "--seconds", "soon"],
        ["fit", "d.yaml", "--seed", "-1"],
        ["fit", "d.yaml", "--seed", "1.5"],
        ["fit", "d.yaml", "--top", "0"],
        ["fit", "d.yaml", "--workers", "0"],
        ["fit", "d.yaml", "--workers", "2", "--on", "tcp://host:1"],
    ],
)
def test_usage_errors_are_one_line_and_2(arguments, capsys):
    """Wrong usage gives exit code 2, one line, and points to the help."""
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("laddersmith: ")
    assert "--help" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("arguments", [["--help"], ["fit", "--help"], ["demo", "--help"]])
def test_help_is_0(arguments, capsys):
    """Help goes to standard output and ends well."""
    assert main(arguments) == 0
    assert "usage: laddersmith" in capsys.readouterr().out


def test_terminal_without_unicode_gets_plain_lines(searching, monkeypatch):
    """Where the encoding lacks line and dot characters, ASCII stands in and nothing fails."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    assert main(["fit", "d.yaml"]) == 0
    text = stream.buffer.getvalue().decode("ascii")
    assert re.search(r"amp \(\+\) -+\[L1\]-+ \(\+\) wide", text)
    assert "?" not in text


def run_fit(code: str, **more) -> subprocess.Popen[str]:
    """Start a fit with stand-ins for loading and searching in a process of its own."""
    script = (
        f"import sys; sys.path[:0] = [{str(ROOT)!r}, {str(Path(__file__).parent)!r}]\n"
        "from types import ModuleType, SimpleNamespace\n"
        "import test_cli_main as t\n"
        "project, run = ModuleType('project'), ModuleType('run')\n"
        "project.load_design = lambda file: SimpleNamespace(search=t.SETTINGS)\n"
        "project.build_problem = lambda design: t.PROBLEM\n"
        "run.search = lambda problem, **options: t.make_result()\n"
        "sys.modules['optimizer.design.build'], sys.modules['optimizer.search.fit'] = project, run\n"
        f"{code}\n"
        "sys.exit(t.main(t.ARGUMENTS))\n"
    )
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "NO_COLOR")}
    environment |= more.pop("env", {})
    more.setdefault("stderr", subprocess.PIPE)
    return subprocess.Popen([sys.executable, "-c", script], text=True, env=environment, **more)


@pytest.mark.slow
def test_broken_pipe_is_quiet():
    """A reader that closes early (head) causes neither a message nor an error code."""
    with run_fit("", stdout=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 0


@pytest.mark.slow
def test_broken_pipe_keeps_the_exit_code():
    """A closed pipe does not turn "no candidate" into success."""
    code = "run.search = lambda problem, **options: t.make_result(feasible=False)"
    with run_fit(code, stdout=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read().startswith("laddersmith: no network found")
    assert process.returncode == 3


@pytest.mark.slow
def test_broken_pipe_of_json_is_quiet():
    """The same holds where standard output carries the JSON."""
    code = "t.ARGUMENTS[:] = ['fit', 'd.yaml', '--quiet', '--json', '-']"
    with run_fit(code, stdout=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_full_disk_is_2():
    """Output that cannot be written is reported in one line."""
    with open("/dev/full", "w") as full, run_fit("", stdout=full) as process:
        err = process.stderr.read()
    assert process.returncode == 2
    assert err.startswith("laddersmith: the output could not be written")
    assert err.count("\n") == 1


def watch_terminal(stream: str, **env: str) -> str:
    """Run a fit with one stream on a pseudo-terminal and return everything that showed."""
    pty = pytest.importorskip("pty", reason="needs pseudo-terminals")
    ours, theirs = pty.openpty()
    code = (
        "now = SimpleNamespace(seconds=1.0, budget_seconds=10.0, evaluations=5000, "
        "best_cost=0.5, restarts=3, phase='proving')\n"
        "run.search = lambda p, *, progress, **o: (progress and progress(now), t.make_result())[1]"
    )
    streams = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, stream: theirs}
    shown = b""
    with run_fit(code, env={"TERM": "xterm-256color", **env}, **streams):
        os.close(theirs)
        # Reading a terminal whose other end is closed is an error on Linux, an end elsewhere.
        with contextlib.suppress(OSError):
            while chunk := os.read(ours, 65536):
                shown += chunk
    os.close(ours)
    return shown.decode()


@pytest.mark.slow
def test_terminal_gets_colour_unless_refused():
    """Colour appears on a terminal; NO_COLOR takes it away (bold and dim may stay)."""
    colour = re.compile("\x1b\\[[0-9;]*3[0-7]m")
    assert colour.search(watch_terminal("stdout"))
    assert not colour.search(watch_terminal("stdout", NO_COLOR="1"))


@pytest.mark.slow
def test_progress_shows_on_a_terminal():
    """While searching, a terminal on standard error shows the best cost so far."""
    shown = watch_terminal("stderr")
    assert "proving" in shown
    assert "best cost 0.500" in shown
