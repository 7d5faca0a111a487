"""The whole job in one go: measure, fit, check, voice, build, verify."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import yaml

from optimizer.cli.main import main


def run(*words: str | Path) -> int:
    return main([str(w) for w in words])


def tell_story(design: Path, results: Path, folder: Path) -> None:
    """Check, voice, build a copy with one driver turned round, and find that out."""
    best = f"{results}#1"
    assert run("check", design, best, "--json", folder / "check.json") == 0
    checked = json.loads((folder / "check.json").read_text(encoding="utf-8"))
    found = json.loads(results.read_text(encoding="utf-8"))["candidates"][0]
    assert checked["candidate"]["cost"] == pytest.approx(found["cost"], rel=1e-6)
    assert sum(r["cost"] for r in checked["reasons"]) == pytest.approx(found["cost"], abs=1e-4)
    assert (
        run(
            "voice",
            design,
            best,
            "--wish",
            "2k..5k -1dB",
            "--changes",
            "2",
            "--hold",
            "3",
            "--save",
            folder / "softer.yaml",
            "--json",
            folder / "voice.json",
        )
        == 0
    )
    answers = json.loads((folder / "voice.json").read_text(encoding="utf-8"))["answers"]
    assert 1 <= len(answers[0]["changes"]) <= 2
    network = yaml.safe_load((folder / "softer.yaml").read_text(encoding="utf-8"))
    assert network["parent"].endswith("#1")

    # What the bench would measure comes from the predicted curves, right and wrong.
    softer = folder / "softer.yaml"
    assert (
        run(
            "sheet",
            design,
            softer,
            "--columns",
            folder / "right",
            "--markdown",
            folder / "sheet.md",
            "--html",
            folder / "sheet.html",
        )
        == 0
    )
    assert "Hearing" in (folder / "sheet.md").read_text(encoding="utf-8")
    way = network["ways"]["tweeter"]
    way["polarity"] = "normal" if way["polarity"] == "inverted" else "inverted"
    (folder / "wrong.yaml").write_text(yaml.safe_dump(network, sort_keys=False), encoding="utf-8")
    assert (
        run(
            "sheet",
            design,
            folder / "wrong.yaml",
            "--columns",
            folder / "wrong",
            "--markdown",
            folder / "other.md",
        )
        == 0
    )
    for which, healthy, code in (("right", True, 0), ("wrong", False, 4)):
        assert (
            run(
                "verify",
                design,
                softer,
                folder / which / "on_axis.txt",
                folder / which / "impedance.txt",
                "--json",
                folder / "verify.json",
            )
            == code
        )
        verdict = json.loads((folder / "verify.json").read_text(encoding="utf-8"))
        assert verdict["healthy"] is healthy
    assert verdict["faults"][0]["what"] == "polarity"
    assert run("netlist", design, softer, "--output", folder / "network.cir") == 0


@pytest.mark.thorough
def test_story_on_the_demo(fitted_demo: Path, tmp_path: Path) -> None:
    """From the demo's files to a verified speaker."""
    tell_story(fitted_demo / "design.yaml", fitted_demo / "results.json", tmp_path)


@pytest.mark.data
@pytest.mark.thorough
def test_story_on_measured_drivers(measured_data: Path, tmp_path: Path) -> None:
    """From a folder of home measurements to a verified speaker."""
    folder = tmp_path / "cabinet"
    shutil.copytree(measured_data / "real-two-way-a", folder)
    folder.chmod(0o755)  # the data may be read-only
    results = tmp_path / "results.json"
    quick = ("--seconds", "2", "--top", "2", "--workers", "1", "--quiet")
    assert run("start", folder, *quick, "--json", results) == 0
    (design,) = folder.glob("*.yaml")
    tell_story(design, results, tmp_path)
