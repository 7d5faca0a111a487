"""Whatever accident does to files and options: one message or an answer, and nothing is lost."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Once
from tests.end_to_end.mutations import COMMANDS, is_whole, judge, make_project, run_case, run_words

SHARES = 4


@pytest.fixture(scope="module")
def template(once: Once) -> Path:
    """The healthy project; read only."""
    return once("mutations", make_project)


@pytest.mark.parametrize("words", dict.fromkeys(words for _, words in COMMANDS), ids=" ".join)
def test_the_healthy_project_is_done(
    words: tuple[str, ...], template: Path, tmp_path: Path
) -> None:
    """Each command ends well before anything is spoiled, so a mutation is the cause of what follows."""
    folder = tmp_path / "project"
    shutil.copytree(template, folder)
    outcome = run_words(0, words, (), folder)
    assert outcome.faults == ()
    assert outcome.done.returncode in (0, 3, 4), outcome
    assert {name for name in words if name.startswith("out")} <= {
        path.name for path in folder.iterdir()
    }


@pytest.mark.parametrize("share", range(SHARES))
def test_nothing_is_lost(
    share: int, template: Path, tmp_path: Path, trials: Callable[..., int]
) -> None:
    """No trace, no exit code 1, no hang, no file that was changed or only half written."""
    for seed in range(share, trials(routine=200, full=5000), SHARES):
        folder = tmp_path / "case"
        outcome = run_case(seed, template, folder)
        shutil.rmtree(folder)
        assert not outcome.faults, str(outcome)


def test_the_judge_sees_what_it_is_for(template: Path, tmp_path: Path) -> None:
    """Half of a page, NaN in JSON, a changed input, a trace and a wrong code are faults."""
    from tests.conftest import Done

    fine = Done(returncode=2, stdout="", stderr="laddersmith: no\n")
    assert judge(fine, {"a": b"1"}, {"a": b"1"}) == []
    assert judge(fine, {"a": b"1"}, {"a": b"2"}) == ["a changed"]
    assert judge(fine, {}, {"x.html": b"<html>"}) == ["x.html is not whole"]
    assert judge(fine, {}, {".x.part": b""}) == [".x.part left over"]
    assert judge(Done(returncode=1, stdout="", stderr="Traceback"), {}, {}) == [
        "exit code 1", "a trace",
    ]  # fmt: skip
    assert judge(Done(returncode=2, stdout="", stderr=""), {}, {}) == ["0 messages"]
    assert not is_whole("a.json", b'{"a": NaN}')
    assert is_whole("a.json", b'{"a": 1}\n')
