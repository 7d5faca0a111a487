"""Where results go: the options for it, what is checked before any long work, and the writing."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.cli.screen import Screen

if TYPE_CHECKING:
    from optimizer.report.document import Document


class OutputName(str):
    """The name of a file to write, as an option gives it: `claim_outputs` knows options by it."""

    __slots__ = ()


def add_output(
    parser: argparse.ArgumentParser, option: str, *, metavar: str = "FILE", help: str
) -> None:
    """Add an option that names a file to write, and with the first of them ``--force``.

    Parameters
    ----------
    parser : ArgumentParser
        Of the verb.
    option : str
        Its name ("--json").
    metavar, help : str
        As of argparse.
    """
    parser.add_argument(option, metavar=metavar, type=OutputName, help=help)
    if parser.get_default("force") is None:
        parser.add_argument(
            "--force",
            action="store_true",
            help="replace files that laddersmith did not write, or that were changed since; files "
            "that the command reads are never replaced",
        )
        parser.set_defaults(force=False)


def claim_outputs(args: argparse.Namespace) -> None:
    """Claim every file that the options name, before any work.

    Parameters
    ----------
    args : argparse.Namespace
        With options of `add_output`; "-" is standard output.

    Raises
    ------
    InputError
        When one cannot be written, or must not be; see `optimizer.text.register`.
    """
    from optimizer.text.writing import claim_output

    for name, value in vars(args).items():
        if isinstance(value, OutputName):
            if os.path.exists(value):
                from optimizer.bench.networks.descent import check_no_descendant

                check_no_descendant(Path(value), option=f"--{name}")
            claim_output(Path(value), option=f"--{name}")


def add_output_options(
    parser: argparse.ArgumentParser, what: str, *, page: str = "a page with charts"
) -> None:
    """Add where to write results as JSON and as a page for a browser.

    Parameters
    ----------
    parser : ArgumentParser
        Of the verb.
    what : str
        What is written ("the answers").
    page : str
        What the page is.
    """
    add_output(parser, "--json", help=f"write {what} as JSON; - prints them")
    add_output(parser, "--page", help=f"write {page} for a browser (HTML)")
    add_notes(parser)


def add_notes(parser: argparse.ArgumentParser) -> None:
    """Add whether the notes of what is shown are shown too."""
    parser.add_argument(
        "--notes",
        action="store_true",
        help="show all notes too: what was assumed, what is in order, how it is known",
    )


def open_screen(args: argparse.Namespace) -> Screen:
    """Refuse early, before any long work, files that could not be written later.

    Parameters
    ----------
    args : argparse.Namespace
        With the options of `add_output_options`.

    Returns
    -------
    Screen
        Where to print: on standard error when standard output carries the data.

    Raises
    ------
    InputError
        When a place cannot be written or the chart library is missing.
    """
    claim_outputs(args)
    if args.page is not None:
        from optimizer.report.render.html import read_engine

        read_engine()
    return Screen(quiet=args.quiet, to_stderr=args.json == "-", notes=args.notes)


def write_outputs(args: argparse.Namespace, document: Document, *, holds: str = "") -> list[str]:
    """Write a document where the options ask for it.

    Parameters
    ----------
    args : argparse.Namespace
        With the options of `add_output_options`.
    document : Document
        What to write.
    holds : str
        What the JSON holds, in brackets after its name.

    Returns
    -------
    list of str
        What was written, to be shown.

    Raises
    ------
    InputError
        When a file cannot be written.
    """
    from optimizer.text.writing import write_json, write_text

    written: list[str] = []
    if args.json is not None:
        from optimizer.report.render.json import render_json

        write_json(args.json, render_json(document))
        if args.json != "-":
            written.append(f"Written: {args.json}{f' ({holds})' if holds else ''}.")
    if args.page is not None:
        from optimizer.report.render.html import render_html

        write_text(Path(args.page), render_html(document))
        written.append(f"Written: {args.page} (open it in a browser).")
    return written


def deliver(
    args: argparse.Namespace,
    document: Document,
    screen: Screen,
    *,
    holds: str = "",
    last: Sequence[str] = (),
) -> None:
    """Write a document where the options ask for it, and show it.

    It is shown even when it cannot be written: a full disk must not take away what a long search
    found.

    Parameters
    ----------
    args : argparse.Namespace
        With the options of `add_output_options`.
    document : Document
        What to write and to show.
    screen : Screen
        Where to show it.
    holds : str
        What the JSON holds.
    last : sequence of str
        Lines to end with.
    """
    written: list[str] = []
    try:
        written = write_outputs(args, document, holds=holds)
    finally:
        screen.show_document(document)
        screen.show(*([""] if written else []), *written, *last)
