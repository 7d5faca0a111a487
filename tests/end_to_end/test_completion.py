"""What a shell completes: the script that `completion` prints, in bash itself."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Done

BASH = shutil.which("bash")


@pytest.mark.skipif(BASH is None, reason="no bash here")
def test_bash_completes_verbs_options_and_files(
    laddersmith: Callable[..., Done], tmp_path: Path
) -> None:
    """As after the tabulator key: bash calls the function that the script binds to the command."""
    done = laddersmith("completion", "bash")
    assert done.returncode == 0, done.stderr
    (tmp_path / "script").write_text(done.stdout, encoding="utf-8")
    (tmp_path / "my design.yaml").touch()
    (tmp_path / "measured").mkdir()
    asked = {
        "laddersmith vo": {"voice"},
        "laddersmith fit --see": {"--seed"},
        "laddersmith fit --by ": {"verdicts", "cost"},
        "laddersmith fit my": {"my design.yaml"},
        "laddersmith check d n --json me": {"measured"},
        "laddersmith start mea": {"measured"},
    }
    lines = ["source ./script"]
    for line in asked:
        words = " ".join(f'"{word}"' for word in line.split(" "))
        lines += [
            f"COMP_WORDS=({words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); COMPREPLY=()",
            "bound=$(complete -p laddersmith); bound=${bound#*-F }; ${bound%% *} 2>/dev/null",
            'printf "%s\\n" "${COMPREPLY[@]}" ""',
        ]
    ran = subprocess.run(
        [str(BASH), "--norc", "-c", "\n".join(lines)],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    answers = [set(block.split("\n")) for block in ran.stdout.rstrip("\n").split("\n\n")]
    assert dict(zip(asked, answers, strict=True)) == asked, ran.stderr


def test_other_shells_have_a_script(laddersmith: Callable[..., Done]) -> None:
    """Each names the verbs; a shell that is not known is refused."""
    for shell in ("zsh", "tcsh"):
        done = laddersmith("completion", shell)
        assert done.returncode == 0
        assert "survey" in done.stdout
    assert laddersmith("completion", "no-shell").returncode == 2
