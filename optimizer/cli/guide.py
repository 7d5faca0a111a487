"""`laddersmith guide`: the guide that comes along, in the browser or in the terminal."""

from __future__ import annotations

import argparse
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_verb
from optimizer.cli.outcome import DONE
from optimizer.cli.output import add_output, claim_outputs

if TYPE_CHECKING:
    from optimizer.cli.screen import Screen
    from optimizer.guide.chapters import Chapter


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "guide",
        help="open the guide: installing, a first speaker, a how-to for each job, every key",
        description="Open the guide that comes with the program in the browser, or show a chapter of "
        "it here. It needs no network.",
    )
    parser.add_argument(
        "chapter", metavar="CHAPTER", nargs="?", help='a chapter to show here ("measuring")'
    )
    add_output(parser, "--page", help="write the guide as one file instead of opening it (HTML)")
    return parser


def run(args: argparse.Namespace) -> int:
    """Show a chapter, write the guide, or open it."""
    from optimizer.cli.screen import Screen
    from optimizer.errors import InputError
    from optimizer.guide.chapters import list_chapters, render_book
    from optimizer.guide.pictures import draw_pictures
    from optimizer.text.suggest import suggest
    from optimizer.text.writing import write_text

    claim_outputs(args)
    chapters = list_chapters()
    screen = Screen(quiet=args.quiet)
    if args.chapter is not None:
        names = {chapter.name: chapter for chapter in chapters}
        if args.chapter not in names:
            raise InputError(
                "there is no chapter of this name",
                value=repr(args.chapter),
                remedy=suggest(args.chapter, names),
            )
        _show(names[args.chapter], screen)
    if args.page is not None:
        write_text(Path(args.page), render_book(chapters, draw_pictures))
        screen.show(f"Written: {args.page} (open it in a browser).")
    elif args.chapter is None:
        screen.show("Chapters, to be shown here by their name:")
        for group, found in groupby(chapters, key=lambda chapter: chapter.group):
            screen.show("", group, *(f"  {one.name:18} {one.title}" for one in found))
        screen.show("", _open(render_book(chapters, draw_pictures)))
    return DONE


def _show(chapter: Chapter, screen: Screen) -> None:
    """Show a chapter in the terminal, its pictures in characters."""
    from optimizer.guide.pictures import draw_pictures
    from optimizer.report.render.terminal import lay_out_markdown, render_parts

    for part in chapter.parts(draw_pictures):
        if isinstance(part, str):
            screen.show(lay_out_markdown(part))
        else:
            screen.show("", render_parts([part], width=screen.width), "")


def _open(page: str) -> str:
    """Open a page in the browser, and say what came of it."""
    import tempfile
    import webbrowser

    with tempfile.NamedTemporaryFile(
        "w", encoding="utf-8", prefix="laddersmith-guide-", suffix=".html", delete=False
    ) as file:
        file.write(page)
    if webbrowser.open(Path(file.name).as_uri()):
        return f"The guide is open in your browser: {file.name}"
    return f"No browser was found here. Open the guide by hand: {file.name}"
