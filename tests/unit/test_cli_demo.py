"""The demo verb: real files and a real problem, with a stand-in for the search."""

from __future__ import annotations

import json

import pytest

from optimizer.cli.main import main
from optimizer.problem.candidate import SearchResult


@pytest.fixture
def problems(monkeypatch):
    """Problems handed to the search, which finds nothing."""
    seen = []

    def search(problem, **options):
        seen.append((problem, options))
        return SearchResult(
            candidates=(), stopped="interrupted", seconds=0.0, evaluations=0, seed=options["seed"]
        )

    monkeypatch.setattr("optimizer.search.fit.search", search)
    return seen


def test_demo_writes_a_project_and_searches_it(problems, tmp_path, capsys):
    """The demo's files are complete: the design loads and a problem of three ways is searched."""
    folder = tmp_path / "speaker"
    assert main(["demo", str(folder), "--seed", "5"]) == 130
    problem, options = problems[0]
    assert len(problem.topology.ways) == 3
    assert options["seed"] == 5
    assert options["seconds"] > 0
    assert (folder / "design.yaml").is_file()
    assert not (folder / "results.json").exists()
    assert "nothing to show" in capsys.readouterr().err


def test_demo_refuses_a_folder_of_something_else(problems, tmp_path, capsys):
    """A folder that holds other work is left alone."""
    (tmp_path / "thesis.txt").write_text("years of work")
    assert main(["demo", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert problems == []
    assert [entry.name for entry in tmp_path.iterdir()] == ["thesis.txt"]


def test_demo_fits_for_real(fitted_demo):
    """A short real search ends with ranked networks, a results file and the next command."""
    folder = fitted_demo
    out = (folder / "said.txt").read_text(encoding="utf-8")
    data = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert 1 <= len(data["candidates"]) <= 3
    best = data["candidates"][0]
    assert best["cost"] == pytest.approx(sum(g["cost"] for g in best["goals"].values()), rel=1e-4)
    assert set(best["ways"]) == {"woofer", "midrange", "tweeter"}
    lengths = {
        len(c)
        for name, c in best["curves"].items()
        if isinstance(c, list) and name != "target_band_hz"
    }
    assert len(lengths) == 1
    assert f"{best['cost']:.3f}" in out
    # A long path stands on a line of its own.
    assert f"laddersmith fit {folder / 'design.yaml'}" in " ".join(out.split())
