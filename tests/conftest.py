"""Shared fixtures: work that is done once for all tests, the command line, data, programs."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import shutil
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# One thread for each process, as the command line asks for: more of them only wait for each other
# where a worker runs on every core. It counts from the first import of numpy on.
for _library in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_library, "1")

# Whoever keeps Python from writing bytecode has every worker rewrite the assertions of every test,
# and every interpreter that a test starts compile the package anew: 60 s of a run.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import optimizer  # noqa: E402
from optimizer.cli.main import main  # noqa: E402
from optimizer.demo.write import write_demo  # noqa: E402
from optimizer.design.build import build_problem, load_design  # noqa: E402
from optimizer.goals import Impedance  # noqa: E402
from optimizer.measure.survey.nouns import Survey  # noqa: E402
from optimizer.problem.problem import Problem  # noqa: E402
from optimizer.search.trade.explore import search_trade  # noqa: E402
from optimizer.search.trade.result import TradeResult  # noqa: E402

ROOT = Path(__file__).resolve().parent.parent
LONGEST_WAIT_S = 300.0

ALL_TRIALS = os.environ.get("LADDERSMITH_TRIALS") == "all"
"""Whether tests that draw many cases take all of them, as before a release, or a routine share."""

THOROUGH = pytest.mark.thorough
"""Mark of what is tried only when all trials are taken."""

ROUTINE_SHARE = 4
"""Of so many cases that hypothesis would draw, one is drawn routinely."""

# Tables are as wide as the terminal says; neither that of the developer nor the one that xdist
# makes up for its workers may change what is tested.
os.environ.pop("COLUMNS", None)

Once = Callable[[str, Callable[[Path], object]], Path]

SLOW_FIXTURES = {"fitted_demo", "browser", "chromium", "ngspice", "run_spice", "measured_data"}
QUICK_FOLDERS = ("unit", "golden", "rules")


LONGEST = (
    "reference/test_verify_outside.py",
    "end_to_end/test_page.py",
    "rules/test_static.py",
    "end_to_end/test_topologies.py",
    "end_to_end/test_trade.py",
    "end_to_end/test_wheel.py",
    "unit/test_verify.py",
    "contract/test_runner.py",
    "contract/test_exact.py",
    "unit/test_report_documents.py",
    "unit/test_start_ladder.py",
    "reference/test_survey_steady.py",
)
"""Files that take longest, which workers take before all others."""

LONG_FIRST = ("end_to_end", "reference", "rules", "properties", "contract", "unit", "golden")
"""Rooms in the order in which workers take their files: a long file at the end would leave all
workers but one without anything to do."""


def pytest_configure(config: pytest.Config) -> None:
    """Let workers take files in the order of `LONG_FIRST`, not by their number of tests."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_xdist_auto_num_workers() -> int:
    """Have a worker more than there are processors: some tests wait, for a browser or for processes
    to end, and another then has the processor."""
    return len(os.sched_getaffinity(0)) + 1 if hasattr(os, "sched_getaffinity") else 3


class _FromTheEnd(pytest.Dir):
    """A folder whose tests are collected from the last to the first."""

    def collect(self) -> list[pytest.Item | pytest.Collector]:
        return list(super().collect())[::-1]


@pytest.hookimpl(tryfirst=True)
def pytest_collect_directory(path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Let every other worker begin at the end: each finds half of the assertions rewritten."""
    backwards = os.environ.get("PYTEST_XDIST_WORKER", "gw0")[-1] in "13579"
    return _FromTheEnd.from_parent(parent, path=path) if backwards else None


def _is_beyond_routine(item: pytest.Item) -> bool:
    """Whether a test is ``thorough``, or its seed lies beyond those of its mark ``routine(seeds)``."""
    if item.get_closest_marker("thorough"):
        return True
    mark = item.get_closest_marker("routine")
    params = getattr(item, "callspec", None)
    return bool(mark and params and params.params["seed"] >= mark.args[0])


def _turn(path: Path, room: str) -> tuple[int, int, Path]:
    """Place of a file in the order in which workers take them."""
    name = "/".join(path.parts[-2:])
    first = LONGEST.index(name) if name in LONGEST else len(LONGEST)
    return first, LONG_FIRST.index(room), path


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is not routine; mark what is quick.

    Quick are the tests of single things that start nothing and search nothing.
    """
    rooms = {
        item: item.path.relative_to(ROOT / "tests").parts[0]
        for item in items
        if item.path.is_relative_to(ROOT / "tests")
    }
    if not ALL_TRIALS:
        beyond = [item for item in items if _is_beyond_routine(item)]
        items[:] = [item for item in items if item not in beyond]
        config.hook.pytest_deselected(items=beyond)
    for item, room in rooms.items():
        fixtures = set(getattr(item, "fixturenames", ()))
        slow = item.get_closest_marker("slow") or SLOW_FIXTURES & fixtures
        if room in QUICK_FOLDERS and not slow:
            item.add_marker(pytest.mark.quick)
    if "PYTEST_XDIST_WORKER" in os.environ:
        items.sort(key=lambda i: _turn(i.path, rooms.get(i, LONG_FIRST[-1])))


def pytest_collection_finish() -> None:
    """Leave modules and tests out of the search for garbage: none of them ever is, and going
    through them again and again takes a twentieth of the time. Of what tests make themselves hardly
    anything is garbage that only a search finds."""
    gc.freeze()
    gc.set_threshold(100_000, 20, 50)


@pytest.fixture(scope="session")
def trials() -> Callable[..., int]:
    """Return a function of the routine and the full number of trials of a test."""
    return lambda *, routine, full: full if ALL_TRIALS else routine


def cases(every: Iterable[Any], *, routine: int | Sequence[Any]) -> list[Any]:
    """Cases of a test or fixture: the first so many, or those named, routinely, all before a release.

    Those left out routinely go through the same code as those that stay, with other numbers.
    """
    every = list(every)
    kept = every[:routine] if isinstance(routine, int) else list(routine)
    assert all(case in every for case in kept), kept
    return [
        case
        if case in kept
        else pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=THOROUGH)
        for case in every
    ]


def examples(full: int) -> settings:
    """Settings of a hypothesis test: how many cases it draws of all it takes before a release.

    A shared machine may be slow for a moment; that is no failure. Each run draws other cases.
    """
    return settings(deadline=None, max_examples=full if ALL_TRIALS else full // ROUTINE_SHARE)


@dataclass(frozen=True, kw_only=True)
class Done:
    """What a command left behind."""

    returncode: int
    stdout: str
    stderr: str


def run_command(*words: Any) -> Done:
    """Run a command as from a shell, without the start of an interpreter."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:  # the parser ends usage errors and --help itself
            code = int(stop.code or 0)
    return Done(returncode=code, stdout=out.getvalue(), stderr=err.getvalue())


@pytest.fixture
def ticking(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a hundredth of a second pass whenever the clock is looked at: what is short of time ends
    alike on any machine, and nobody waits for it."""
    clock = count(0.0, 0.01)
    monkeypatch.setattr("time.monotonic", lambda: next(clock))


@contextlib.contextmanager
def fronts_kept() -> Iterator[list[TradeResult]]:
    """Keep the fronts that `trade` finds in this process: the values behind what it tells."""
    found: list[TradeResult] = []

    def keep(*words: Any, **options: Any) -> TradeResult:
        found.append(search_trade(*words, **options))
        return found[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.search.trade.explore.search_trade", keep)
        yield found


@pytest.fixture(scope="session")
def laddersmith() -> Callable[..., Done]:
    """Return a function that runs a command in this process: `laddersmith("fit", design)`."""
    return run_command


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """Return a function that fills a folder once for all tests, and all processes, of a run.

    The folder must then be read only; `shutil.copytree` gives one of one's own.
    """
    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def fill(name: str, make: Callable[[Path], object]) -> Path:
        folder, claim = base / f"once-{name}", base / f"once-{name}.claim"
        ready, failed = claim / "ready", claim / "failed"
        try:
            claim.mkdir()
        except FileExistsError:
            end = time.monotonic() + LONGEST_WAIT_S
            while not (ready.exists() or failed.exists()):
                assert time.monotonic() < end, f"nobody finished {name}"
                time.sleep(0.05)
        else:
            folder.mkdir()
            try:
                make(folder)
            except BaseException:
                failed.write_text(traceback.format_exc(), encoding="utf-8")
                raise
            ready.touch()
        if failed.exists():
            pytest.fail(failed.read_text(encoding="utf-8"))
        return folder

    return fill


@pytest.fixture(scope="session")
def demo_design(once: Once) -> Path:
    """Design file of the demo, written once; read only."""
    return once("demo", lambda folder: write_demo(folder / "speaker")) / "speaker" / "design.yaml"


@pytest.fixture(scope="session")
def demo_problem(demo_design: Path) -> Problem:
    """Problem of the demo, built once."""
    return build_problem(load_design(demo_design))


@pytest.fixture(scope="session")
def demo_survey(demo_design: Path) -> Survey:
    """What the folder of the demo holds, found out once."""
    return optimizer.survey(demo_design.parent)


@pytest.fixture(scope="session")
def copy_demo(demo_design: Path) -> Callable[..., Path]:
    """Return a function that copies the demo into a new folder: a design file of one's own.

    Texts of the design are replaced by pairs of old and new; `files` are written beside it;
    `coarse` takes half the usual points, enough for what many tests ask, in half the time.
    """

    def copy(
        folder: Path,
        *changes: tuple[str, str],
        files: Mapping[str, str] | None = None,
        coarse: bool = False,
    ) -> Path:
        shutil.copytree(demo_design.parent, folder, dirs_exist_ok=True)
        design = folder / demo_design.name
        text = design.read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        design.write_text(text + "grid: {per_octave: 10}\n" * coarse, encoding="utf-8")
        for name, content in (files or {}).items():
            (folder / name).write_text(content, encoding="utf-8")
        return design

    return copy


@pytest.fixture(scope="session")
def coarse_demo_problem(once: Once, copy_demo: Callable[..., Path]) -> Problem:
    """Problem of the demo with half the usual points and few goals, built once."""
    folder = once("coarse-demo", lambda folder: copy_demo(folder, coarse=True))
    problem = build_problem(load_design(folder / "design.yaml"))
    goals = {name: problem.goals[name] for name in ("on_axis", "in_room", "directivity", "parts")}
    return problem.replace(goals={**goals, "impedance": Impedance(floor_ohm=4.0)})


@pytest.fixture(scope="session")
def fitted_demo(once: Once) -> Path:
    """Folder on which `laddersmith demo` was run once; `said.txt` holds what it printed."""

    def make(folder: Path) -> None:
        # The budget is large for a busy machine; no test looks at how good the networks are.
        done = run_command("demo", folder / "speaker", "--seconds", 4, "--top", 3, "--workers", 1)
        assert done.returncode == 0, done.stderr
        (folder / "speaker" / "said.txt").write_text(done.stdout, encoding="utf-8")

    return once("fitted-demo", make) / "speaker"


@pytest.fixture(scope="session")
def measured_data() -> Path:
    """Folder of real measured drivers; skips the test when it is absent."""
    folder = Path(os.environ.get("LADDERSMITH_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip(f"no measured data at {folder} (set LADDERSMITH_DATA)")
    return folder


@pytest.fixture(scope="session")
def measured_pair(measured_data: Path) -> Callable[..., str]:
    """Return a function that writes the head of a design for one of the measured two-ways."""

    def write(which: str, delay: str = "") -> str:
        folder = measured_data / f"real-two-way-{which}"
        lines = ["measured: {clock: none}", "drivers:"]
        for name in ("woofer", "tweeter"):
            files = f"{folder}/{name}.txt", f"{folder}/{name}_impedance.txt"
            lines += [f"  {name}:", f"    response: {files[0]}", f"    impedance: {files[1]}"]
        return "\n".join([*lines, *([f"    delay: {delay}"] if delay else [])]) + "\n"

    return write


@pytest.fixture(scope="session")
def ngspice() -> str:
    """Path of the ngspice program; skips the test when it is absent."""
    program = shutil.which("ngspice")
    if program is None:
        pytest.skip("ngspice is not installed (Debian package ngspice)")
    return program
