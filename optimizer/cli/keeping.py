"""The diary of a design, for the verbs: what they add where one is kept, and what it explains."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.bench.diary.keep import Deed
    from optimizer.bench.networks.file import NetworkFile
    from optimizer.network.network import Network
    from optimizer.problem.problem import Problem
    from optimizer.report.documents.changed import Changed

Looked = tuple[str, "NetworkFile", Callable[[], float] | None]
"""A network that a verb took: its name, its file, and how to tell its cost where that is known."""


def note_deed(design: Path, deed: Deed, *, begin: bool = False) -> list[str]:
    """Add an entry to the diary of a design where one is kept.

    Parameters
    ----------
    design : Path
        The design file.
    deed : Deed
        What was done.
    begin : bool
        Whether a diary is begun where there is none.

    Returns
    -------
    list of str
        What to tell: nothing without a diary. That it cannot be written is told as well: what was
        computed stands all the same.
    """
    from optimizer.bench.diary.file import name_diary
    from optimizer.bench.diary.keep import add_deed

    path = name_diary(design)
    if not (begin or path.is_file()):
        return []
    try:
        return [f"Diary: entry {add_deed(path, deed)} of {path}."]
    except InputError as error:
        return [f"Not noted in the diary: {error}."]


def add_as_measured(parser: argparse.ArgumentParser) -> None:
    """Add the option to start from what a verification found."""
    parser.add_argument(
        "--as-measured",
        metavar="CABINET",
        nargs="?",
        const="any",
        choices=("any", "left", "right"),
        help="take the true values that the newest verification of this network determined, as the "
        "diary has them, instead of those designed: of the left or right cabinet, or any (the "
        "default)",
    )


def take_measured(
    args: argparse.Namespace, problem: Problem, network: Network
) -> tuple[Network, list[str]]:
    """Return the network as the option asks for it, and what to say of that.

    Raises
    ------
    InputError
        No diary is kept, or no verification of this network stands in it.
    """
    if args.as_measured is None:
        return network, []
    from optimizer.bench.diary.file import SIDES, name_diary, read_diary
    from optimizer.bench.diary.measured import use_measured

    path = name_diary(args.design)
    if not path.is_file():
        raise InputError(
            "what was measured is taken from the diary, and none is kept",
            key="--as-measured",
            file=path,
            remedy=f"begin one (laddersmith diary {args.design} --begin) and verify once more",
        )
    side = next((side for side in SIDES if side == args.as_measured), None)
    measured = use_measured(read_diary(path), problem, network, side)
    return measured.network, [measured.says]


def find_changed(problem: Problem, looked: Sequence[Looked]) -> list[Changed]:
    """Find what differs from when networks were computed.

    Parameters
    ----------
    problem : Problem
        As it is now.
    looked : sequence of Looked
        The networks.
    """
    found = [(name, file.find_changes(problem, cost)) for name, file, cost in looked]
    return [(name, change) for name, change in found if change is not None]
