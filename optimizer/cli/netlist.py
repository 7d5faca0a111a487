"""`laddersmith netlist`: a network as SPICE text that any circuit simulator runs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from optimizer.cli.keeping import find_changed
from optimizer.cli.options import add_design, add_network, add_verb
from optimizer.cli.outcome import DONE, complain
from optimizer.cli.output import add_output, claim_outputs


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "netlist",
        help="write a network as SPICE text",
        description="Write a network with its drivers as SPICE text with a frequency sweep. To "
        "each driver's measured impedance a circuit is fitted; its worst error is stated in the "
        "text.",
    )
    add_design(parser)
    add_network(parser)
    add_output(parser, "--output", help="write to a file (else it is printed)")
    add_output(
        parser,
        "--curves",
        metavar="NAME",
        help="add commands by which ngspice writes drive levels and impedance to this file; other "
        "simulators need the text without them",
    )
    return parser


def run(args: argparse.Namespace) -> int:
    """Write the netlist."""
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.networks.file import read_network
    from optimizer.cli.screen import Screen
    from optimizer.design.build import build_problem, load_design
    from optimizer.network.netlist import MeasuredLoad, Sweep, write_netlist
    from optimizer.text.writing import print_whole, write_text

    claim_outputs(args)
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    read = read_network(args.network, problem)
    frequency = problem.frequency_hz
    changes = find_changed(problem, [(args.network, read, None)])
    warnings = [f"warning: {change.say(name)}" for name, change in changes if change.warns]
    text = write_netlist(
        read.network,
        {
            d.name: MeasuredLoad(frequency_hz=d.frequency_hz, impedance=d.impedance)
            for d in problem.drivers
        },
        title=f"{problem.title}: {args.network}",
        sweep=Sweep(low_hz=float(frequency[0]), high_hz=float(frequency[-1])),
        curves_file=args.curves,
        notes=(*warnings, f"design {args.design}", *read.notes),
    )
    for line in warnings:
        complain(line)  # standard output may carry the netlist
    if args.output in (None, "-"):
        print_whole(text)
        return DONE
    write_text(Path(args.output), text)
    Screen(quiet=args.quiet).show(f"Written: {args.output}")
    return DONE
