"""How long a step of a value takes at the bench, from the key to the curves that are drawn anew."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

import optimizer
from benchmarks.tables import machine, print_table, write_csv
from optimizer.bench.networks.file import write_network
from optimizer.demo.write import write_demo
from tests.end_to_end.conftest import Browser

# Resolves with the time from the order to the second frame after its answer was shown.
_WATCH = """window.drawn = new Promise((done) => {
  const watch = new MutationObserver(() => { watch.disconnect(); done(ROOT.dataset.stepMs); });
  watch.observe(ROOT, { attributes: true, attributeFilter: ["data-step-ms"] });
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


def _begin(folder: Path) -> tuple[Path, Path]:
    """Write the demo and a network of it, in which every place is filled."""
    design = write_demo(folder / "speaker")
    problem = optimizer.load(design)
    space = problem.space
    filled = np.ones(len(space.slots), dtype=bool)
    middle = space.snap((space.log_low + space.log_high) / 2.0, filled, space.polarity_start)
    network = folder / "middle.yaml"
    write_network(network, space.network(middle), parent="", note="", title=problem.title)
    return design, network


def _measure(browser: Browser, server: int, steps: int) -> dict[str, object]:
    """Turn one value up and down."""
    keys = [browser.process.pid, server]
    browser.run("""document.querySelector('[data-label="tweeter.C1"] .spin').focus()""")
    time.sleep(2.0)
    before = [_spent(_family(pid)) for pid in keys]
    times = []
    for k in range(steps):
        browser.run(_WATCH)
        browser.press("ArrowUp" if k % 6 < 3 else "ArrowDown")
        times.append(float(browser.run("window.drawn")))
        time.sleep(0.1)
    spent = [
        1e3 * (_spent(_family(pid)) - then) / steps for pid, then in zip(keys, before, strict=True)
    ]
    return {
        "steps": steps,
        "median_ms": round(float(np.median(times)), 1),
        "95_percent_ms": round(float(np.quantile(times, 0.95)), 1),
        "worst_ms": round(max(times), 1),
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
        design, network = _begin(Path(name))
        words = ["bench", str(design), "--network", str(network), "--no-open"]
        with subprocess.Popen(
            [sys.executable, "-m", "optimizer", *words], stdout=subprocess.PIPE, text=True
        ) as command:
            assert command.stdout is not None
            address = command.stdout.readline().split(" at ")[1].split()[0]
            browser = Browser(shutil.which("chromium") or "chromium")
            try:
                browser.resize(1440, 900)
                browser.call("Page.navigate", url=address)
                browser.wait("document.documentElement?.dataset.ready === 'yes'")
                rows = [_measure(browser, command.pid, args.steps)]
            finally:
                browser.close()
                command.terminate()
    print_table(rows, "a step of a value: 18 directions, three charts in view, 1440 x 900")
    print(f"written: {write_csv('page', rows)}")


if __name__ == "__main__":
    main()
