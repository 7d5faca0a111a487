"""`laddersmith fit`: ranked networks for design files."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_search_options, add_verb, open_engine
from optimizer.cli.outcome import (
    BAD_INPUT,
    DONE,
    INTERRUPTED,
    NO_CANDIDATE,
    OUR_BUG,
    end_well,
    speaking_of,
)
from optimizer.cli.output import OutputName, add_output_options, open_screen
from optimizer.cli.screen import Screen
from optimizer.errors import InputError
from optimizer.text.register import OWN_FILE, find_register

if TYPE_CHECKING:
    from optimizer.search.runner import Runner

_WORST_LAST = (DONE, NO_CANDIDATE, INTERRUPTED, BAD_INPUT, OUR_BUG)
_ENDING = {"json": "json", "page": "html"}


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "fit",
        help="find the best networks for a design file, or for several",
        description="Search the networks a design file allows and rank the best ones. Ctrl-C "
        "stops early and keeps what was found. Several designs are searched one after the other, "
        "each as if it were alone; one that fails does not keep the others from their turn. In "
        "names of files to write, {name} stands for the name of the design without its ending, "
        "{design} for its folder and name.",
    )
    parser.add_argument(
        "designs", metavar="DESIGN", type=Path, nargs="+", help="a design file (YAML)"
    )
    add_search_options(parser)
    parser.add_argument(
        "--robust",
        action="store_true",
        help="rank by the expected cost when parts deviate within their tolerances",
    )
    parser.add_argument(
        "--exact",
        action="store_true",
        help="go through every network of a small problem and prove the best, in one process",
    )
    add_output_options(parser, "the results", page="a page with charts, schematics and parts")
    return parser


def run(args: argparse.Namespace) -> int:
    """Search, show, and write what was asked for, design by design."""
    if args.exact and args.on is not None:
        raise InputError(
            "an exact search runs in one process, here",
            key="--on",
            value=args.on,
            remedy="leave it out, or leave out --exact",
        )
    asked = [_ask_for(design, args) for design in args.designs]
    screens = _open_screens(asked)
    with open_engine(args) as runner:
        if len(asked) == 1:
            return _fit(asked[0], screens[0], runner)[0]
        return _fit_all(asked, screens, runner)


def _fit(args: argparse.Namespace, screen: Screen, runner: Runner | None) -> tuple[int, bool]:
    """Search one design; return its exit code, and whether it was ended by hand."""
    from optimizer.cli.results import search_design, show_result

    problem, result = search_design(args.design, args, screen, runner)
    code = show_result(args, problem, result, screen, str(args.design))
    return code, result.stopped == "interrupted"


def _fit_all(asked: list[argparse.Namespace], screens: list[Screen], runner: Runner | None) -> int:
    codes = [DONE]
    for k, (one, screen) in enumerate(zip(asked, screens, strict=True), start=1):
        ended = False

        def work(one: argparse.Namespace = one, screen: Screen = screen) -> int:
            nonlocal ended
            code, ended = _fit(one, screen, runner)
            return code

        screen.show(*([""] if k > 1 else []), f"{one.design} ({k} of {len(asked)})", "")
        with speaking_of(str(one.design)):
            codes.append(end_well(work, debug=one.debug))
        if (ended or codes[-1] == INTERRUPTED) and k < len(asked):
            left = ", ".join(str(later.design) for later in asked[k:])
            screen.show("", f"Stopped by hand; not begun: {left}")
            codes.append(INTERRUPTED)
            break
    return max(codes, key=_WORST_LAST.index)


def _ask_for(design: Path, args: argparse.Namespace) -> argparse.Namespace:
    """Return what is asked for one of the designs."""

    def fill(file: str | None) -> str | None:
        if file is None:
            return None
        name = file.replace("{name}", design.stem)
        return OutputName(name.replace("{design}", str(design.with_suffix(""))))

    return argparse.Namespace(
        **{**vars(args), "design": design, "json": fill(args.json), "page": fill(args.page)}
    )


def _open_screens(asked: list[argparse.Namespace]) -> list[Screen]:
    """Claim the files of all designs before any work; no output is a design, or that of another.

    Raises
    ------
    InputError
    """
    register = find_register()
    if register is not None:
        for one in asked:
            register.note_read(one.design)
    screens = []
    for one in asked:
        try:
            screens.append(open_screen(one))
        except InputError as error:
            if error.rule != OWN_FILE or len(asked) == 1:
                raise
            option = str(error.key)
            ending = _ENDING[option.removeprefix("--")]
            raise error.advised(
                f'name it after the design: {option} "{{design}}-results.{ending}"'
            ) from None
    return screens
