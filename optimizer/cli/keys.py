"""`laddersmith keys`: the reference of the files."""

from __future__ import annotations

import argparse
from importlib.resources import files
from typing import Any

from optimizer.cli.options import add_verb
from optimizer.cli.outcome import DONE

EXAMPLES = {"design": "design.yaml", "network": "network.yaml", "shelf": "shelf.csv"}


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "keys",
        help="list the keys of design, network and shelf files, with examples",
        description="List every key of a design file, a network file and a list of parts, with what "
        "it means and an example; or show one in full; or a complete example of a file.",
    )
    parser.add_argument(
        "key",
        metavar="KEY",
        nargs="?",
        help='a key ("excursion", "limits.watts"), or design, network or shelf for an example of '
        "the whole file",
    )
    parser.add_argument(
        "--schema",
        choices=("design", "network", "results", "diary"),
        help="print the JSON Schema of a file, by which editors check and complete it",
    )
    return parser


def run(args: argparse.Namespace) -> int:
    """Print the list, one key, an example or a schema."""
    from optimizer.cli.screen import Screen
    from optimizer.errors import InputError
    from optimizer.report.documents.keys import document_key, document_keys
    from optimizer.report.reference import find_keys, list_keys, make_schema
    from optimizer.text.suggest import suggest
    from optimizer.text.writing import print_whole, write_json

    if args.schema is not None:
        write_json("-", make_schema(args.schema))
        return DONE
    if args.key in EXAMPLES:
        example = files("optimizer") / "guide" / "files" / EXAMPLES[args.key]
        print_whole(example.read_text(encoding="utf-8"))
        return DONE
    screen = Screen(quiet=args.quiet)
    if args.key is None:
        screen.show_document(document_keys(list_keys()))
        return DONE
    found = find_keys(args.key)
    if not found:
        names = dict.fromkeys(key.name for key in list_keys())
        raise InputError(
            "there is no key of this name", value=repr(args.key), remedy=suggest(args.key, names)
        )
    screen.show_document(document_key(found))
    return DONE
