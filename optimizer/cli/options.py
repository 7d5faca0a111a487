"""Options that several verbs share, and the types of their values."""

from __future__ import annotations

import argparse
import contextlib
import math
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from optimizer.errors import InputError, Subject

if TYPE_CHECKING:
    from optimizer.search.runner import Runner

_Read = TypeVar("_Read")

_OPTIONS = {
    ("search", "time"): ("--seconds", "10"),
    ("search", "candidates"): ("--top", "5"),
    ("search", "evaluations"): ("--evaluations", "100000"),
    ("search", "islands"): ("--islands", "16"),
    ("search", "proof"): ("--exact", ""),
    ("search", "workers"): ("--workers", "2"),
    ("search", "engine"): ("--on", "tcp://HOST:PORT"),
    ("front", "points"): ("--points", "12"),
    ("front", "goals"): ("--between", "on_axis in_room"),
    ("spread", "limits"): ("--limit", "on_axis=1.0"),
    ("wish", ""): ("--wish", '"2k..5k -1 dB"'),
    ("part to use", ""): ("--use", '"tweeter.R1 2.7 ohm"'),
    ("what may move", ""): ("--hold", "1dB"),
    ("second speaker", ""): ("--other", "FILE"),
    ("band compared", ""): ("--band", "200..10k"),
    ("file", "role"): ("--as", 'FILE="{name}"'),
    ("file", "columns"): ("--as", '"{name}"'),
    ("driver", "front"): ("--front", "{name}=220x360mm"),
    ("driver", "diaphragm"): ("--diameter", "{name}=130mm"),
    ("driver", "port"): ("--port", "{name}=60mm"),
    ("measured", "gate"): ("--gate", "5ms"),
}
"""(noun, part) of a subject -> its option and an example of its value."""


def say_as_option(subject: Subject) -> str:
    """Say how a subject is stated on the command line ('--as FILE="woofer impedance"').

    Empty where no option states it.
    """
    option, example = _OPTIONS.get((subject.noun, subject.part), ("", ""))
    usual = {"role": "woofer impedance", "columns": "FILE=frequency kHz, level dB, phase rad"}
    name = subject.name or usual.get(subject.part if subject.noun == "file" else "", "NAME")
    if (subject.noun, subject.part) == ("file", "role") and "=" in name:
        example = '"{name}"'
    return f"{option} {example.format(name=name)}" if example else ""


def put_in_options(error: InputError) -> InputError:
    """Complete an error that no file explains: with the option its subject is stated by.

    What a remedy asks to state is said as an option or, where none states it, as a key.
    """
    from optimizer.design.keys import say_in_file

    subject = error.subject
    if subject is not None and error.file is None:
        option, _ = _OPTIONS.get((subject.noun, subject.part), ("", ""))
        error = error.located(key=option or None)
    return error.explained(say_as_option).explained(say_in_file)


def positive_seconds(text: str) -> float:
    """Read a time in seconds, above 0."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        raise argparse.ArgumentTypeError(f"a time in seconds above 0 is needed, got {text!r}")
    return value


def seed_number(text: str) -> int:
    """Read a seed: a whole number from 0 to 2**32 - 1."""
    return _whole(text, low=0, high=2**32 - 1)


def count_number(text: str) -> int:
    """Read a count: a whole number from 1 to 1000."""
    return _whole(text, low=1, high=1000)


def network_number(text: str) -> int:
    """Read how many networks to try: a whole number from 1 to 10^12."""
    return _whole(text, low=1, high=10**12)


def as_option(read: Callable[[str], _Read]) -> Callable[[str], _Read]:
    """Make a reader of texts one of an option: what it complains of becomes a usage error."""

    def read_option(text: str) -> _Read:
        try:
            return read(text)
        except InputError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return read_option


def _whole(text: str, *, low: int, high: int) -> int:
    try:
        value = int(text)
    except ValueError:
        value = low - 1
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(
            f"a whole number from {low} to {high} is needed, got {text!r}"
        )
    return value


def add_verb(
    subparsers: Any,
    common: argparse.ArgumentParser,
    name: str,
    *,
    help: str,
    description: str,
) -> argparse.ArgumentParser:
    """Add a verb with the options that all verbs have."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        name, parents=[common], help=help, description=description
    )
    return parser


def add_design(parser: argparse.ArgumentParser) -> None:
    """Add the design file."""
    parser.add_argument("design", metavar="DESIGN", type=Path, help="the design file (YAML)")


def add_network(parser: argparse.ArgumentParser, what: str = "") -> None:
    """Add the network file; `what` says which network is meant."""
    named = "a network file (YAML), or results.json#2 for a saved candidate"
    parser.add_argument("network", metavar="NETWORK", help=f"{what}: {named}" if what else named)


def add_search_options(parser: argparse.ArgumentParser, *, top: bool = True) -> None:
    """Add how long, from which seed and with how many processes to search, and what to show."""
    parser.add_argument(
        "--seconds",
        type=positive_seconds,
        metavar="S",
        help="longest time to search (else what the design file says); how far a search comes in "
        "it depends on the machine",
    )
    if top:
        parser.add_argument(
            "--evaluations",
            type=network_number,
            metavar="N",
            help="networks to try, instead of a time: repeats exactly, whatever the machine has to "
            "do besides; for proofs of what was found it looks at up to ten times as many changes",
        )
    parser.add_argument(
        "--seed",
        type=seed_number,
        metavar="N",
        help="start of the random numbers; the same seed gives the same answer",
    )
    if top:
        parser.add_argument(
            "--islands",
            type=count_number,
            metavar="N",
            help="portions of work between two exchanges of what was found (else 16): the answer "
            "depends on it; give three or more for each processor where there are many",
        )
        parser.add_argument("--top", type=count_number, metavar="N", help="networks to show")
        parser.add_argument(
            "--by",
            choices=("verdicts", "cost"),
            help="rank by cost alone, or list what has a bad verdict behind the rest, and fewer pieces "
            "first where costs are as good as equal (the default)",
        )
    who = parser.add_mutually_exclusive_group()
    who.add_argument(
        "--workers",
        type=count_number,
        metavar="N",
        help="processes to use (else one per processor); changes no answer, but how soon it comes",
    )
    who.add_argument(
        "--on",
        metavar="ADDRESS",
        help="compute on the workers of a dask scheduler (tcp://HOST:PORT); needs the extra "
        "laddersmith[cluster], here and there",
    )


@contextlib.contextmanager
def open_engine(args: argparse.Namespace) -> Iterator[Runner | None]:
    """Connect to the engine that the options name, for the time of the block; None for none.

    Parameters
    ----------
    args : argparse.Namespace
        With the options of `add_search_options`.

    Raises
    ------
    InputError
        See `optimizer.search.runner.Runner.on`.
    """
    if args.on is None:
        yield None
        return
    from optimizer.search.runner import Runner

    with Runner.on(args.on) as runner:
        yield runner


def available_processors() -> int:
    """Count the processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
