"""Network files: one network as built, what it came from, and why.

Written by hand for an old board or an idea, or by the program for a choice that was made. Nothing
is ever overwritten: each change is a new file that names its parent.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.bench.diary.file import SUFFIX, KeptNetwork, read_diary, read_prints
from optimizer.bench.networks.results import read_result
from optimizer.bench.networks.stated_part import settle_for
from optimizer.design.read.built import BUILT_GROUP_KEYS, BUILT_WAY_KEYS, read_group, read_way
from optimizer.errors import InputError
from optimizer.network.expression.nodes import say_gain
from optimizer.network.network import FittedGroup, FittedLadder, FittedSlot, Network
from optimizer.parts import LOSS_OF_KIND, RATING_UNIT_OF_KIND, UNIT_OF_KIND, Part
from optimizer.problem.certificate import MEASURES, NEVER_SOUGHT, STATES, Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.problem.provenance import UNKNOWN, Change, Provenance
from optimizer.text.keys import Key, KeyBlock, NumberForm, OwnForm, TextForm, WordForm
from optimizer.text.units import format_exact
from optimizer.text.writing import write_text
from optimizer.text.yamltext import Entry, list_pairs, quote_scalar, read_yaml, say_number

NOUN = "network file"


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFile:
    """A network with its history.

    Parameters
    ----------
    network : Network
        Every way of the problem, in its order.
    parent : str
        What it came from, relative to the folder of the file; empty at the beginning.
    note : str
        Why it was made.
    notes : tuple of str
        What had to be assumed while reading.
    certificate : Certificate
        What is known of better networks, of what it says for this network and problem.
    made : Provenance
        What it was computed with, where the program wrote it.
    """

    network: Network
    parent: str = ""
    note: str = ""
    notes: tuple[str, ...] = ()
    certificate: Certificate = NEVER_SOUGHT
    made: Provenance = UNKNOWN

    def find_changes(
        self, problem: Problem, cost: Callable[[], float] | None = None
    ) -> Change | None:
        """Find what differs from what it was computed with, see `Provenance.find_changes`.

        Parameters
        ----------
        problem : Problem
            As it is now.
        cost : callable, optional
            What the network costs now; it is computed where that is not known already.
        """
        return self.made.find_changes(
            problem, self.network, cost or (lambda: build_candidate(problem, self.network).cost)
        )


CERTIFICATE_KEYS = KeyBlock(
    noun=Certificate,
    keys=(
        Key(
            name="state", form=WordForm(STATES), example="proved",
            meaning="whether no change of parts betters it, or that was not reached, or not sought",
        ),
        Key(
            name="changes", form=NumberForm(least=0, whole=True), example="2",
            meaning="parts changed at a time that cannot better it; 0 unless proved",
        ),
        Key(
            name="measure", form=WordForm(MEASURES), example="cost",
            meaning="what no change lowers",
        ),
        Key(name="why", form=TextForm(), example="it was changed for a wish",
            meaning="why it is no proof"),
        Key(
            name="of", form=OwnForm("fingerprints by name", read_prints),
            example="{goals: b1f6b4a7b4c3}",
            meaning="fingerprints of network, data, places, stock and goals it was sought for",
        ),
    ),
)  # fmt: skip
"""What a network file says of better networks."""


MADE_KEYS = KeyBlock(
    noun=Provenance,
    keys=(
        Key(name="date", form=TextForm(), example="2026-11-27T04:12:03Z",
            meaning="when it was computed, in universal time"),
        Key(name="version", form=TextForm(), example='"0.1.0"',
            meaning="version of the program that did"),
        Key(name="cost", form=NumberForm(least=0.0), example="2.55", meaning="what it cost then"),
        Key(
            name="of", form=OwnForm("fingerprints by name", read_prints),
            example="{data: b1f6b4a7b4c3}",
            meaning="fingerprints of network, data, places, stock and goals it was computed with",
        ),
        Key(
            name="files", form=OwnForm("fingerprints by file", read_prints),
            example="{woofer.txt: b1f6b4a7b4c3}",
            meaning="fingerprints of what its files of measurements say",
        ),
    ),
)  # fmt: skip
"""What a network file says of when and with what it was computed."""


NETWORK_KEYS = KeyBlock(
    noun=NetworkFile,
    keys=(
        Key(name="speaker", form=TextForm(), example="Chapel", meaning="the speaker, for the reader"),
        Key(
            name="parent", form=TextForm(), example="results.json#2",
            meaning="what the network came from, relative to the folder of the file",
        ),
        Key(name="note", form=TextForm(), example="less bright", meaning="why it was made"),
        Key(
            name="certificate", form=CERTIFICATE_KEYS, example="{state: never sought}",
            meaning="what the program knows of better networks; it holds while nothing changes",
        ),
        Key(
            name="made", form=MADE_KEYS, example="{date: 2026-11-27T04:12:03Z, cost: 2.55}",
            meaning="what it was computed with: every verb warns when that differs now",
        ),
        Key(
            name="ways", field="network",
            form=OwnForm("ways by name", block=BUILT_WAY_KEYS, inside=".NAME"),
            example="{woofer: {ladder: [{name: L1, value: 3.3 mH}]}}",
            meaning="the network of every way of the design", needed='the key "ways" is missing',
        ),
        Key(
            name="shared",
            form=OwnForm("shared sections by name", block=BUILT_GROUP_KEYS, inside=".NAME"),
            example="{speaker: {ladder: [{name: R0, value: 1 ohm}]}}",
            meaning="the parts of every section that ways of the design share",
        ),
    ),
)  # fmt: skip
"""The keys of a network file."""


def load_network(text: str, problem: Problem) -> Network:
    """Read a network, see `read_network`.

    Parameters
    ----------
    text : str
        A network file, or "results.json#2" for candidate 2 of saved results.
    problem : Problem
        The problem it is for.

    Returns
    -------
    Network
    """
    return read_network(text, problem).network


def read_network(text: str, problem: Problem) -> NetworkFile:
    """Read a network with its history.

    Parameters
    ----------
    text : str
        A network file, or "results.json#2" for candidate 2 of saved results.
    problem : Problem
        The problem it is for: it gives the ways, its topology completes slots of which only name
        and value are written, its stock completes parts. Slots that the topology lacks are fine
        when the file says what they are.

    Returns
    -------
    NetworkFile

    Raises
    ------
    InputError
        With file, line, rule and remedy.
    """
    path = Path(text)
    base, mark, number = text.rpartition("#")
    if mark and not path.exists():
        if Path(base).suffix == SUFFIX:
            return _take_kept(Path(base), number, problem, text)
        return _take_result(Path(base), number, problem, text)
    if path.suffix == SUFFIX:
        raise InputError(
            "a diary holds many networks",
            file=path,
            remedy=f"say which: {path.name}#5 for that of entry 5, {path.name}#5.2 for its second, "
            f"{path.name}#left for the one in the left cabinet",
        )
    if path.suffix.lower() == ".json":
        return _take_result(path, "", problem, text)
    entry = read_yaml(path, noun=NOUN)
    fields = NETWORK_KEYS.open(entry)
    notes: list[str] = []
    network = _read_built(entry, fields, problem, notes)
    return NetworkFile(
        network=network,
        notes=tuple(notes),
        parent=_optional_text(fields, "parent"),
        note=_optional_text(fields, "note"),
        certificate=CERTIFICATE_KEYS.read(fields.get("certificate")).settle(problem, network),
        made=MADE_KEYS.read(fields.get("made")),
    )


def _take_result(path: Path, number: str, problem: Problem, text: str) -> NetworkFile:
    network, certificate, made = read_result(path, number, problem)
    return NetworkFile(
        network=network,
        parent=text,
        certificate=certificate.settle(problem, network),
        made=made,
    )


def _take_kept(path: Path, name: str, problem: Problem, text: str) -> NetworkFile:
    diary = read_diary(path)
    kept = diary.find(name)
    entry = next(one for one in diary.entries if kept in one.networks)
    notes: list[str] = []
    made = Provenance(
        date=entry.date, version=entry.version, cost=kept.cost, of=entry.of, files=entry.files
    )
    return NetworkFile(
        network=read_kept(kept, problem, notes), parent=text, notes=tuple(notes), made=made
    )


def read_kept(kept: KeptNetwork, problem: Problem, notes: list[str]) -> Network:
    """Read a network that stands in a diary.

    Parameters
    ----------
    kept : KeptNetwork
        As it stands there.
    problem : Problem
        The problem it is for, as of `read_network`.
    notes : list of str
        Takes what had to be assumed.
    """
    fields = {"ways": kept.ways} | ({} if kept.shared is None else {"shared": kept.shared})
    return _read_built(kept.ways, fields, problem, notes)


def _read_built(
    entry: Entry, fields: dict[str, Entry], problem: Problem, notes: list[str]
) -> Network:
    ways = problem.topology.ways
    written = _take_each([way.name for way in ways], fields["ways"], "way")
    return Network(
        ways=tuple(read_way(way, written[way.name], settle_for(problem), notes) for way in ways),
        groups=_read_groups(entry, fields, problem, notes),
        source=problem.topology.source,
    )


def _read_groups(
    entry: Entry, fields: dict[str, Entry], problem: Problem, notes: list[str]
) -> tuple[FittedGroup, ...]:
    groups = problem.topology.groups
    if "shared" in fields and not groups:
        raise fields["shared"].error(
            "the design has no section that ways share", remedy='remove "shared:"'
        )
    if not groups:
        return ()
    if "shared" not in fields:
        raise entry.error(
            "every shared section of the design needs its network",
            value=f"no {groups[0].name}",
            remedy=f'add "shared: {{{groups[0].name}: {{ladder: [...]}}}}"',
        )
    written = _take_each([group.name for group in groups], fields["shared"], "shared section")
    return tuple(
        read_group(group, written[group.name], settle_for(problem), notes) for group in groups
    )


def _take_each(names: Sequence[str], entry: Entry, word: str) -> dict[str, Entry]:
    """Entries of all ways or shared sections of a design."""
    written = entry.fields(names)
    for name in names:
        if name not in written:
            raise entry.error(
                f"every {word} of the design needs its network",
                value=f"no {name}",
                remedy=f'add "{name}:" (with "ladder: []" when it has no parts)',
            )
    return written


def _optional_text(fields: dict[str, Entry], key: str) -> str:
    return fields[key].text() if key in fields and not fields[key].is_null else ""


def render_network(
    network: Network,
    *,
    parent: str = "",
    note: str = "",
    title: str = "",
    certificate: Certificate = NEVER_SOUGHT,
    made: Provenance = UNKNOWN,
) -> str:
    """Write a network as the text of a network file.

    Parameters
    ----------
    network : Network
        What to write.
    parent, note : str
        Its history.
    title : str
        The speaker.
    certificate : Certificate
        What is known of better networks.
    made : Provenance
        What it was computed with.

    Returns
    -------
    str
        `read_network` gives the same network back.
    """
    lines = [
        "# A network as built: parts source first. Change it under another name and compare"
        " with laddersmith check."
    ]
    lines += [
        f"{key}: {quote_scalar(text)}"
        for key, text in (("speaker", title), ("parent", parent), ("note", note))
        if text
    ]
    lines += [f"certificate: {_certificate_text(certificate)}", *_made_lines(made)]
    return "\n".join([*lines, *list_ways(network)]) + "\n"


def list_ways(network: Network) -> list[str]:
    """List the lines of a network file that say what its network is."""
    lines = ["ways:"]
    for way in network.ways:
        lines += [
            f"  {quote_scalar(way.name)}:",
            f"    polarity: {'normal' if way.polarity > 0 else 'inverted'}",
            *_ladder_lines(way),
        ]
    if network.groups:
        lines.append("shared:")
    for group in network.groups:
        lines += [f"  {quote_scalar(group.name)}:", *_ladder_lines(group)]
    return lines


def _certificate_text(certificate: Certificate) -> str:
    words = [f"state: {certificate.state}"]
    if certificate.state != "never sought":
        prints = ", ".join(f"{name}: {quote_scalar(one)}" for name, one in certificate.of.items())
        words += [
            f"changes: {certificate.changes}",
            f"measure: {certificate.measure}",
            f"of: {{{prints}}}",
        ]
    words += [f"why: {quote_scalar(certificate.why)}"] if certificate.why else []
    return f"{{{', '.join(words)}}}"


def _made_lines(made: Provenance) -> list[str]:
    """Write what a network was computed with; nothing where that is not known."""
    if made == UNKNOWN:
        return []
    plain = [
        ("date", made.date and json.dumps(made.date)),
        ("version", made.version and json.dumps(made.version)),
    ]
    lines = ["made:", *(f"  {key}: {text}" for key, text in plain if text)]
    if made.cost is not None:
        lines.append(f"  cost: {say_number(made.cost)}")
    for key, prints in (("of", made.of), ("files", made.files)):
        lines += [f"  {line}" for line in list_pairs(key, prints)]
    return lines


def _ladder_lines(ladder: FittedLadder) -> list[str]:
    return [
        "    ladder:" + ("" if ladder.slots else " []"),
        *(f"      - {{{_slot_text(slot)}}}" for slot in ladder.slots),
    ]


def _slot_text(slot: FittedSlot) -> str:
    if slot.circuit.gain is not None:
        return f"name: {quote_scalar(slot.name)}, tap: {say_gain(slot.circuit.gain)}"
    across = f", across: {quote_scalar(slot.across)}" if slot.across else ""
    head = f"name: {quote_scalar(slot.name)}{across}, {slot.place}: {quote_scalar(slot.form)}"
    if len(slot.parts) == 1:
        return f"{head}, {_part_text(slot.parts[0])}"
    parts = [
        f"{key}: {{{_part_text(part)}}}"
        for key, part in zip(slot.circuit.keys, slot.parts, strict=True)
    ]
    return f"{head},\n         " + ",\n         ".join(parts)


def _part_text(part: Part) -> str:
    unit = UNIT_OF_KIND[part.kind]
    # A resistor has no key for a loss: what scripts and faults put in series with it is its value.
    value = part.value if LOSS_OF_KIND[part.kind] else part.value + part.loss_ohm
    words = [f"value: {format_exact(value, unit)}"]
    if LOSS_OF_KIND[part.kind]:
        words.append(f"{LOSS_OF_KIND[part.kind]}: {format_exact(part.loss_ohm, 'ohm')}")
    words += [
        f"tolerance: {format_exact(part.tolerance, '%')}",
        f"origin: {quote_scalar(part.origin)}",
    ]
    if len(part.pieces) > 1 and value == part.value:
        pieces = " + ".join(format_exact(piece, unit) for piece in part.pieces)
        words += [f"pieces: {pieces}", f"joined: {part.joined}"]
    if part.price is not None:
        words.append(f"price: {_plain(part.price)}")
    if part.rating is not None:
        words.append(f"rating: {format_exact(part.rating, RATING_UNIT_OF_KIND[part.kind])}")
    if part.made_of:
        words.append(f"made_of: {quote_scalar(part.made_of)}")
    if part.wire_m is not None:
        words.append(f"wire: {format_exact(part.wire_m, 'm')}")
    if part.height_m is not None:
        words.append(f"height: {format_exact(part.height_m, 'm')}")
    if part.note:
        words.append(f"note: {quote_scalar(part.note)}")
    return ", ".join(words)


def _plain(number: float) -> str:
    return repr(number).removesuffix(".0")


def write_network(
    path: Path | str,
    network: Network,
    *,
    parent: str,
    note: str,
    title: str = "",
    certificate: Certificate = NEVER_SOUGHT,
    made: Provenance = UNKNOWN,
) -> None:
    """Write a network file, whole or not at all, never over another file.

    Parameters
    ----------
    path : path-like
        The new file.
    network : Network
        What to write.
    parent : str
        What it came from, as the user gave it; stored relative to the folder of the new file.
    note : str
        Why it was made.
    title : str
        The speaker.
    certificate : Certificate
        What is known of better networks: that of the candidate it is.
    made : Provenance
        What it was computed with: `Provenance.made_now`.

    Raises
    ------
    InputError
        When the file exists already or cannot be written.
    """
    path = Path(path)
    text = render_network(
        network,
        parent=_relative(parent, path.parent),
        note=note,
        title=title,
        certificate=certificate,
        made=made,
    )
    try:
        write_text(path, text, new=True)
    except InputError as error:
        if not path.exists():
            raise
        raise InputError(
            "a network file is never overwritten",
            file=path,
            remedy="choose another name: the old one stays to go back to",
        ) from error


def _relative(parent: str, folder: Path) -> str:
    base, mark, number = parent.rpartition("#")
    if not mark or Path(parent).exists():
        base, mark, number = parent, "", ""
    if not base or Path(base).is_absolute() or not Path(base).exists():
        return parent
    return Path(os.path.relpath(base, folder)).as_posix() + mark + number


def read_history(text: str) -> list[dict[str, Any]]:
    """Follow a network file back to its beginning.

    Parameters
    ----------
    text : str
        A network file or "results.json#2".

    Returns
    -------
    list of dict
        ``{"network": ..., "note": ..., "found": bool}``, the newest first.

    Raises
    ------
    InputError
        When a file on the way is no network file.
    """
    steps: list[dict[str, Any]] = []
    seen: set[str] = set()
    while text and os.path.abspath(text) not in seen:
        seen.add(os.path.abspath(text))
        path = Path(text)
        if not path.exists() or path.suffix.lower() == ".json":
            found = path.exists() or Path(text.rpartition("#")[0]).is_file()
            steps.append({"network": text, "note": "", "found": found})
            break
        fields = NETWORK_KEYS.open(read_yaml(path, noun=NOUN))
        steps.append({"network": text, "note": _optional_text(fields, "note"), "found": True})
        parent = _optional_text(fields, "parent")
        text = str(path.parent / parent) if parent else ""
    return steps
