"""What ways share: sections in front of several of them, and the amplifier with its cable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.design.nouns import AmplifierChoice
from optimizer.design.read.ladder import SLOT_KEYS, read_slots
from optimizer.errors import InputError
from optimizer.network.expression.plan import Joint
from optimizer.network.topology import Group, Topology
from optimizer.text.keys import Key, KeyBlock, OwnForm, QuantityForm, WordForm
from optimizer.text.yamltext import Entry, suggest

AMPLIFIER_KEYS = KeyBlock(
    noun=AmplifierChoice,
    keys=(
        Key(
            name="output", field="output_ohm", says=("amplifier", "output"), example="0.1 ohm",
            form=QuantityForm("ohm", least=0.0), meaning="output resistance of the amplifier",
        ),
        Key(
            name="cable", field="cable_ohm", says=("amplifier", "cable"), example="0.05 ohm",
            form=QuantityForm("ohm", least=0.0),
            meaning="resistance of both conductors of the cable together",
        ),
        Key(
            name="safe_to", field="safe_to_ohm", says=("amplifier", "safe_to"), example="4 ohm",
            form=QuantityForm("ohm", above=0.0),
            meaning="rated impedance it is safe with, from its manual; sets the floors of the load",
        ),
        Key(
            name="watts", says=("amplifier", "power"), example="50",
            form=QuantityForm("W", above=0.0), meaning="its power into that",
        ),
    ),
)  # fmt: skip
"""What feeds the speaker; an ideal source when not written."""

SHARED_KEYS = KeyBlock(
    noun=Group,
    keys=(
        Key(
            name="feeds", field="members", form=OwnForm("list of ways and shared sections"),
            example="[woofer, midrange]",
            meaning="what stands behind it; all ways when not written",
        ),
        Key(
            name="joined", field="joint", form=WordForm(("parallel", "series")), example="series",
            meaning="how these are joined with each other",
        ),
        Key(
            name="ladder", field="slots", form=OwnForm("list of places", block=SLOT_KEYS, inside="[0]"),
            example="[{name: L0, series: inductor, from: 0.2 mH, to: 2 mH}]",
            meaning="what may sit in front of all of them, source first; may be left out",
        ),
    ),
)  # fmt: skip
"""The keys of a section that several ways share."""


def add_shared(topology: Topology, entry: Entry | None, notes: list[str]) -> Topology:
    """Read the sections that ways share.

    Parameters
    ----------
    topology : Topology
        The ways.
    entry : Entry or None
        The block of shared sections.
    notes : list of str
        Gets a line for every range that was assumed.

    Returns
    -------
    Topology

    Raises
    ------
    InputError
        With the line: an unknown way, one that is fed twice, a section within itself.
    """
    if entry is None:
        return topology
    blocks = entry.fields()
    ways = [way.name for way in topology.ways]
    groups = []
    choices = list(topology.choices)
    for name, inner in blocks.items():
        if name in ways:
            raise inner.error(
                "a shared section needs a name of its own", value=repr(name), remedy="rename it"
            )
        fields = SHARED_KEYS.open(inner)
        members = ways
        if "feeds" in fields:
            members = read_feeds(fields["feeds"], (*ways, *blocks))
        slots = read_slots(fields["ladder"], name, choices, notes) if "ladder" in fields else ()
        joint: Joint = "parallel"
        if "joined" in fields:
            joint = fields["joined"].choice(("parallel", "series"))
        if not slots and joint == "parallel":
            raise inner.error(
                "a shared section without parts changes nothing",
                remedy='add "ladder:" with its parts, or "joined: series"',
            )
        groups.append(Group(name=name, members=tuple(members), joint=joint, slots=slots))
    try:
        return replace(topology, groups=tuple(groups), choices=tuple(choices))
    except InputError as error:
        about = error.subject
        spot = blocks.get(about.name, entry) if about is not None else entry
        raise spot.where.locate(error) from None


def read_feeds(entry: Entry, known: Sequence[str]) -> list[str]:
    """Read which ways and sections a shared section feeds; any other name is refused."""
    members = []
    for inner in entry.items():
        name = inner.text()
        if name not in known:
            raise inner.error(
                "a shared section feeds ways or other shared sections",
                value=repr(name), remedy=suggest(name, known),
            )  # fmt: skip
        members.append(name)
    if not members:
        raise entry.error("a shared section feeds at least one way", remedy="leave it out for all")
    return members
