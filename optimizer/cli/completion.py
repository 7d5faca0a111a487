"""`laddersmith completion`: what a shell needs to complete verbs, options and names of files."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from optimizer.cli.options import add_verb
from optimizer.cli.outcome import DONE
from optimizer.cli.output import OutputName

_SHELLS = ("bash", "zsh", "tcsh")
_FOLDERS = ("DIR", "FOLDER")
_NAMES = ("A", "B", "DESIGN", "FILE", "MEASURED", "NETWORK", "PATH")


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "completion",
        help="print what a shell needs to complete verbs, options and files",
        description="Print a script that completes verbs, options and names of files with the "
        "tabulator key. For bash: laddersmith completion bash > "
        "~/.local/share/bash-completion/completions/laddersmith",
    )
    parser.add_argument("shell", metavar="SHELL", choices=_SHELLS, help=", ".join(_SHELLS))
    return parser


def run(args: argparse.Namespace) -> int:
    """Print the script."""
    import shtab

    from optimizer.text.writing import print_whole

    parser = args.program()
    for action in _list_actions(parser):
        if action.metavar in _FOLDERS:
            action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
        elif action.type in (Path, OutputName) or action.metavar in _NAMES:
            action.complete = shtab.FILE  # type: ignore[attr-defined]
    print_whole(shtab.complete(parser, shell=args.shell) + "\n")
    return DONE


def _list_actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    for action in parser._actions:
        yield action
        if isinstance(action, argparse._SubParsersAction):
            for verb in action.choices.values():
                yield from _list_actions(verb)
