"""The pictures of the guide: drawn by what draws every page, of the demo's speaker.

The network is one that a search of the demo found, kept as a file, so that the pictures and what
chapters say of them do not change from one opening of the guide to the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path
from tempfile import TemporaryDirectory

from optimizer.bench.networks.file import read_network
from optimizer.bench.response import study_load
from optimizer.demo.write import write_demo
from optimizer.design.build import build_problem, load_design
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.report.charts.standard import plot_averages, plot_axis, plot_impedance
from optimizer.report.document import Graphs, Passage
from optimizer.report.documents.candidates import draw_whole

NETWORK_NAME = "demo-network.yaml"
"""File of the network among those of the guide."""


@cache
def find_shown() -> tuple[Problem, Candidate]:
    """Compute the network that the pictures show.

    Returns
    -------
    problem, candidate : Problem, Candidate
        The demo's problem, and everything there is to say of the network.
    """
    with TemporaryDirectory(prefix="laddersmith-guide-") as folder:
        problem = build_problem(load_design(write_demo(Path(folder) / "speaker")))
    with as_file(files("optimizer") / "guide" / "files" / NETWORK_NAME) as path:
        read = read_network(str(path), problem)
    return problem, build_candidate(problem, read.network)


@cache
def draw_pictures() -> Mapping[str, Passage]:
    """Compose all pictures, by the names that chapters know them by."""
    _, shown = find_shown()
    plots = {
        "response": plot_axis(shown, {}),
        "averages": plot_averages(shown, {})[0],
        "load": plot_impedance(shown, study_load(shown), {}),
    }
    return {"schematic": draw_whole(shown), **{k: Graphs(items=(p,)) for k, p in plots.items()}}
