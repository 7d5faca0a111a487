"""The command line: verbs, exit codes, and what happens when something goes wrong."""

from __future__ import annotations

import argparse
import os
import sys
import warnings
from collections.abc import Sequence
from types import ModuleType
from typing import NoReturn, TextIO

from optimizer.cli import (
    bench,
    board,
    check,
    completion,
    demo,
    diary,
    fit,
    goals,
    guide,
    hear,
    keys,
    netlist,
    sheet,
    start,
    survey,
    trade,
    verify,
    voice,
)
from optimizer.cli.logs import add_logs, keep_logs
from optimizer.cli.outcome import (
    BAD_INPUT,
    DONE,
    INTERRUPTED,
    OUR_BUG,
    complain,
    end_well,
    settle_output,
)
from optimizer.cli.stopping import stop_listening, stop_on_request
from optimizer.errors import InputError
from optimizer.text.register import open_register

VERBS = (
    demo, survey, start, board, fit, trade, check, voice, verify, sheet, netlist, hear, bench, diary,
    goals, keys, guide, completion,
)  # fmt: skip
"""Every verb is a module with `add_parser(subparsers)` and `run(args) -> int`.

A verb imports what it needs inside `run`, so that help and usage errors stay quick.
"""


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, like all other errors."""

    def error(self, message: str) -> NoReturn:
        complain(f"{message}; see {self.prog} --help")
        raise SystemExit(BAD_INPUT)


class _ShowVersion(argparse.Action):
    """Look the version up only when asked: package metadata is slow to read."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from optimizer.text.stamp import tell_version

        print(f"laddersmith {tell_version() or '(run from its source folder)'}")
        parser.exit(DONE)


def build_parser(verbs: Sequence[ModuleType] = VERBS) -> argparse.ArgumentParser:
    """Build the parser with all verbs, or with some: their options take a tenth of a short command."""
    parser = _Parser(
        prog="laddersmith",
        description="From measured loudspeaker drivers to ranked passive crossovers made of "
        "parts that can be bought.",
        epilog="First time here? laddersmith demo writes a complete example and fits it.",
    )
    parser.add_argument("--version", action=_ShowVersion, nargs=0, help="show the version and stop")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--quiet", action="store_true", help="print nothing but errors")
    common.add_argument(
        "--debug", action="store_true", help="show the full trace when the program itself fails"
    )
    add_logs(common)
    subparsers = parser.add_subparsers(
        title="what to do", metavar="VERB", dest="verb", parser_class=_Parser
    )
    for verb in verbs:
        verb.add_parser(subparsers, common).set_defaults(run=verb.run, program=build_parser)
    return parser


def _name(verb: ModuleType) -> str:
    return verb.__name__.rpartition(".")[2]


def _list_asked(words: Sequence[str]) -> Sequence[ModuleType]:
    """List the verb that a command line begins with; all of them where it begins with none."""
    return [verb for verb in VERBS if words and _name(verb) == words[0]] or VERBS


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process by default.

    Returns
    -------
    int
        Exit code: 0 done, 1 a fault of the program, 2 bad input or usage, 3 no candidate meets
        the hard limits, 4 a speaker fails (verify), 130 interrupted with nothing to show.
    """
    # The search runs one process a processor; threads of the linear algebra would only compete.
    # Must be set before numpy is loaded, which no verb does before it runs.
    for library in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(library, "1")
    words = sys.argv[1:] if argv is None else argv
    parser = build_parser(_list_asked(words))
    try:
        args = parser.parse_args(words)
    except SystemExit as stop:
        return settle_output(stop.code if isinstance(stop.code, int) else OUR_BUG)
    except InputError as error:
        complain(str(error))
        return settle_output(BAD_INPUT)
    if args.verb is None:
        complain(f"say what to do ({', '.join(map(_name, VERBS))}); see laddersmith --help")
        return BAD_INPUT
    # What a command reads it does not write over, whatever its options say.
    with (
        stop_on_request(),
        open_register(force=getattr(args, "force", False)),
        warnings.catch_warnings(),
    ):
        warnings.showwarning = _tell_warning
        return settle_output(end_well(lambda: _run(args), debug=args.debug))


def program() -> NoReturn:
    """Run the command line as a process of its own."""
    try:
        code = main()
    except KeyboardInterrupt:
        code = INTERRUPTED
    stop_listening()
    sys.exit(settle_output(code))


def _run(args: argparse.Namespace) -> int:
    with keep_logs(args):
        return settle_output(int(args.run(args)))


_show_warning = warnings.showwarning


def _tell_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Tell of a plug-in that cannot be used in one line, as of everything that is the matter."""
    from optimizer.plugins import PluginWarning

    if issubclass(category, PluginWarning):
        complain(f"warning: {message}")
    else:
        _show_warning(message, category, filename, lineno, file, line)
