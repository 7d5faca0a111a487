"""Random damage to a design file: read, or refused with a message, never anything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.demo.design import render_design
from optimizer.design.build import load_design
from optimizer.errors import InputError
from tests.conftest import examples

GOOD = render_design()

SCRAPS = st.sampled_from(
    [*"{}[]:,-#&*!|>'\"%@`\t\n .~?\x00\x85\u2028\\", "<<: *a", "&a ", "*a", "yes", "null", ".inf",
     "1e400", "-1", "0", "..", "ohm", "- ", "---\n", "...\n", "9" * 40, "!!int ",
     "!!python/object:os.system ", "? ", "\n  ", "..5", "4,7 uF"]
)  # fmt: skip
CUTS = st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 30), SCRAPS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damage")


@pytest.mark.slow
@examples(150)
@given(st.lists(CUTS, min_size=1, max_size=3))
def test_damage_is_read_or_refused(folder: Path, cuts: list[tuple[int, int, str]]) -> None:
    """Cutting and inserting text anywhere gives a design or one located error."""
    text = GOOD
    for start, length, scrap in cuts:
        text = text[:start] + scrap + text[start + length :]
    path = folder / "design.yaml"
    path.write_text(text, encoding="utf-8", newline="")
    refused: InputError | None = None
    try:
        design = load_design(path)
    except InputError as error:
        refused = error
    if refused is None:
        assert design.topology.ways
    else:
        assert refused.file is not None
        assert refused.line is not None
        assert "\n" not in str(refused)


@given(st.binary(max_size=200))
def test_any_bytes_are_refused(folder: Path, data: bytes) -> None:
    """No random bytes make a design, and none makes anything but an input error."""
    path = folder / "bytes.yaml"
    path.write_bytes(data)
    with pytest.raises(InputError):
        load_design(path)
