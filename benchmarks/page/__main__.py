"""How long a step of a value takes at the bench, from the key to the curves that are drawn anew."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

import optimizer
from benchmarks.tables import machine, print_table, write_csv
from optimizer.bench.networks.file import write_network
from optimizer.demo.write import write_demo
from tests.end_to_end.conftest import Browser

# Resolves with the times from the order to the second frame after its curves were drawn, and to that
# after everything else was.
_WATCH = """delete ROOT.dataset.stepMs; delete ROOT.dataset.allMs;
window.drawn = new Promise((done) => {
  const watch = new MutationObserver(() => {
    if (!ROOT.dataset.stepMs || !ROOT.dataset.allMs) return;
    watch.disconnect();
    done([ROOT.dataset.stepMs, ROOT.dataset.allMs]);
  });
  watch.observe(ROOT, { attributes: true, attributeFilter: ["data-step-ms", "data-all-ms"] });
}); 0"""


def _spent(pids: list[int]) -> float:
    """Processor time of processes so far, s."""
    ticks = 0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def _family(pid: int) -> list[int]:
    """A process and all that it has started."""
    own = [pid]
    for tasks in Path(f"/proc/{pid}/task").iterdir():
        for child in (tasks / "children").read_text().split():
            own += _family(int(child))
    return own


def _begin(folder: Path) -> tuple[Path, list[Path]]:
    """Write the demo and two networks of it, in which every place is filled."""
    design = write_demo(folder / "speaker")
    problem = optimizer.load(design)
    space = problem.space
    filled = np.ones(len(space.slots), dtype=bool)
    networks = []
    for share in (0.5, 0.4):
        log_value = (1.0 - share) * space.log_low + share * space.log_high
        made = space.network(space.snap(log_value, filled, space.polarity_start))
        networks.append(folder / f"{share}.yaml")
        write_network(networks[-1], made, parent="", note="", title=problem.title)
    return design, networks


def _turn(browser: Browser, k: int) -> None:
    """Turn one value up and down."""
    browser.press("ArrowUp" if k % 6 < 3 else "ArrowDown")


def _switch(browser: Browser, k: int) -> None:
    """Choose one network and the other."""
    browser.run(f"document.querySelector('[data-start=\"{1 - k % 2}\"]').click()")


def _measure(
    browser: Browser, server: int, what: str, act: Callable[[Browser, int], None], steps: int
) -> dict[str, object]:
    """Do something many times, and take the time of each."""
    keys = [browser.process.pid, server]
    browser.run("""document.querySelector('[data-label="tweeter.C1"] .spin').focus()""")
    time.sleep(2.0)
    before = [_spent(_family(pid)) for pid in keys]
    both = []
    for k in range(steps):
        browser.run(_WATCH)
        act(browser, k)
        both.append([float(one) for one in browser.run("window.drawn")])
        time.sleep(0.1)
    times, everything = np.transpose(both)
    spent = [
        1e3 * (_spent(_family(pid)) - then) / steps for pid, then in zip(keys, before, strict=True)
    ]
    return {
        "what": what,
        "times": steps,
        "median_ms": round(float(np.median(times)), 1),
        "95_percent_ms": round(float(np.quantile(times, 0.95)), 1),
        "worst_ms": round(float(np.max(times)), 1),
        "all_median_ms": round(float(np.median(everything)), 1),
        "browser_processor_ms": round(spent[0], 1),
        "engine_processor_ms": round(spent[1], 1),
        "load": round(os.getloadavg()[0], 1),
    }


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.page", description=__doc__)
    parser.add_argument("--steps", type=int, default=60)
    args = parser.parse_args()
    print(machine())
    with tempfile.TemporaryDirectory() as name:
        design, networks = _begin(Path(name))
        named = [word for network in networks for word in ("--network", str(network))]
        words = ["bench", str(design), *named, "--no-open"]
        with subprocess.Popen(
            [sys.executable, "-m", "optimizer", *words], stdout=subprocess.PIPE, text=True
        ) as command:
            assert command.stdout is not None
            address = command.stdout.readline().split(" at ")[1].split()[0]
            browser = Browser(shutil.which("chromium") or "chromium")
            try:
                browser.resize(1440, 900)
                begun = time.monotonic()
                browser.call("Page.navigate", url=address)
                browser.wait("document.documentElement?.dataset.ready === 'yes'")
                print(f"opened, every chart drawn: {time.monotonic() - begun:.2f} s")
                rows = [
                    _measure(browser, command.pid, "a step of a value", _turn, args.steps),
                    _measure(browser, command.pid, "another network", _switch, args.steps),
                ]
            finally:
                browser.close()
                command.terminate()
    print_table(rows, "18 directions, three charts in view, 1440 x 900")
    print(f"written: {write_csv('page', rows)}")


if __name__ == "__main__":
    main()
