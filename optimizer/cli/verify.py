"""`laddersmith verify`: the finished speaker against prediction, and what may be wrong with it."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import find_changed, note_deed
from optimizer.cli.options import add_design, add_network, add_verb
from optimizer.cli.outcome import DONE, FAILS
from optimizer.cli.output import add_output_options, deliver, open_screen
from optimizer.cli.survey import read_roles
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.bench.verify.verifying import VerifyResult
    from optimizer.network.network import Network
    from optimizer.problem.problem import Problem


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "verify",
        help="compare the finished speaker with prediction, and find what is wrong",
        description="Compare measurements of the finished speaker with prediction. Whatever may "
        "differ, part values, losses, drivers, microphone and the measurement itself, is fitted "
        "together with every mistake that soldering can make, alone and in pairs; what explains the "
        "measurement best is named with its probability, or that none does. One verdict, true "
        "values with their intervals, what the measurement cannot see, and what to do next. "
        "Exit code 0: passes; 4: fails; 2: bad input.",
    )
    add_design(parser)
    add_network(parser, "what was meant to be built")
    parser.add_argument(
        "measured",
        metavar="MEASURED",
        nargs="+",
        help="measurements of the finished speaker: its response on axis, its "
        'impedance, best both; "30 right=FILE" or "impedance=FILE" says what a '
        'file is; "tweeter=FILE" or "tweeter impedance=FILE" is one way alone through '
        "the network, the others disconnected",
    )
    parser.add_argument(
        "--as",
        dest="columns",
        action="append",
        default=[],
        metavar="FILE=COLUMNS",
        help='what the columns of a file are: "on_axis.txt=frequency kHz, level, phase rad"; may be '
        "repeated",
    )
    parser.add_argument(
        "--other",
        metavar="MEASURED",
        action="append",
        default=[],
        help="a measurement of the other speaker of the pair, from the same place and at the same "
        "level; may be repeated",
    )
    parser.add_argument(
        "--cabinet",
        choices=("left", "right"),
        help="which cabinet MEASURED is of, for the diary (the other one is that of --other; else "
        "told from what was built)",
    )
    parser.add_argument(
        "--noise",
        metavar="DB",
        type=_decibels,
        default=0.3,
        help="expected error of a measurement at each frequency (default 0.3 dB)",
    )
    parser.add_argument(
        "--level",
        metavar="DB",
        type=_level,
        default="free",
        help='what is known of the levels of responses: "same" when all were measured one after the '
        "other with microphone and volume as they were; 0.3 when each is that of the drivers' own "
        "measurements within 0.3 dB (default: nothing)",
    )
    parser.add_argument(
        "--band",
        metavar="RANGE",
        help='frequencies that count, for instance "300..16k" for a measurement without the room',
    )
    parser.add_argument(
        "--tolerance",
        metavar="DB",
        type=_decibels,
        help="tolerance to pass (default 1.5 dB from prediction, 1 dB between the "
        "speakers of a pair)",
    )
    add_output_options(parser, "the verdict", page="a page with the verdict")
    return parser


def _decibels(text: str) -> float:
    try:
        value = float(text.lower().removesuffix("db"))
    except ValueError:
        value = math.nan
    if not 0.01 <= value <= 20.0:
        raise argparse.ArgumentTypeError(f"decibels from 0.01 to 20 are needed, got {text!r}")
    return value


def _level(text: str) -> Any:
    return text if text in ("same", "free") else _decibels(text)


def run(args: argparse.Namespace) -> int:
    """Compare, show, and write what was asked for."""
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.networks.file import read_network
    from optimizer.bench.verify.measured import load_measured
    from optimizer.bench.verify.verifying import verify_pair, verify_speaker
    from optimizer.design.build import build_problem, load_design
    from optimizer.report.documents.changed import warn_changed
    from optimizer.report.documents.verify import document_verify
    from optimizer.report.words import say_references

    screen = open_screen(args)
    band = _read_band(args.band)
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    read = read_network(args.network, problem)
    said = read_roles(args.columns)
    first = load_measured(problem, args.measured, noise_db=args.noise, band_hz=band, columns=said)
    second = load_measured(problem, args.other, noise_db=args.noise, band_hz=band, columns=said)
    how = {"tolerance_db": args.tolerance, "levels": args.level}
    verdict = verify_speaker(problem, read.network, first.observations, **how)
    other = pair = None
    if second.observations:
        other = verify_speaker(problem, read.network, second.observations, **how)
        pair = verify_pair(problem, read.network, verdict, other, tolerance_db=args.tolerance)
    document = document_verify(
        problem,
        verdict,
        design_name=str(args.design),
        network_name=args.network,
        other=other,
        pair=pair,
        notes=[*read.notes, *first.notes, *second.notes, *say_references(read.network)],
    )
    changes = find_changed(problem, [(args.network, read, None)])
    noted = _note(args, problem, read.network, verdict, other)
    deliver(args, warn_changed(document, changes), screen, last=noted)
    judged = [verdict, *([other] if other else []), *([pair.verdict] if pair else [])]
    return DONE if all(one.passed for one in judged) else FAILS


def _note(
    args: argparse.Namespace,
    problem: Problem,
    network: Network,
    verdict: VerifyResult,
    other: VerifyResult | None,
) -> list[str]:
    """Note what was found in the diary, where one is kept."""
    from optimizer.bench.diary.file import SIDES, name_diary, read_diary
    from optimizer.bench.diary.keep import Deed
    from optimizer.bench.diary.measured import find_sides, gather_sides, list_values
    from optimizer.problem.figures import build_candidate
    from optimizer.report.documents.verify import say_verdict

    path = name_diary(args.design)
    if not path.is_file():
        return []
    try:
        standing = find_sides(read_diary(path), problem, network)
    except InputError as error:
        return [f"Not noted in the diary: {error}."]
    side = gather_sides(standing if other is None else (), args.cabinet)
    opposite = tuple(one for one in SIDES if side and one not in side)
    said = []
    for one, cabinets in ((verdict, side), (other, opposite)):
        if one is not None:
            deed = Deed(
                did="verified",
                says=say_verdict(one).partition(": ")[2],
                problem=problem,
                networks=[(args.network, build_candidate(problem, network))],
                cabinets=cabinets,
                verdict="pass" if one.passed else "fail",
                values=list_values(one.diagnosis),
            )
            said += note_deed(args.design, deed)
    return said


def _read_band(text: str | None) -> tuple[float, float]:
    from optimizer.text.units import parse_range

    if text is None:
        return 20.0, 20000.0
    try:
        low, high = parse_range(text, "Hz")
    except InputError as error:
        raise error.located(key="--band") from None
    if not low > 0.0:
        raise InputError(
            "a band of frequencies begins above 0 Hz",
            key="--band",
            value=repr(text),
            remedy='write for instance "300..16k"',
        )
    return low, high
