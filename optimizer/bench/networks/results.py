"""Networks out of saved results: "results.json#2" is candidate 2."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from optimizer.bench.networks.stated_part import settle_part
from optimizer.design.read.built import StatedPart
from optimizer.errors import InputError
from optimizer.network.expression.forms import form_of, say_with_article
from optimizer.network.network import FittedSlot, Network
from optimizer.network.topology import Ladder
from optimizer.parts import NO_TERMS, Part, Terms
from optimizer.problem.certificate import MEASURES, STATES, Certificate
from optimizer.problem.problem import Problem
from optimizer.problem.provenance import Provenance
from optimizer.text.quoting import find_unprintable
from optimizer.text.reading import read_file

LARGEST_RESULTS_BYTES = 200_000_000
"""Of saved results; those of a long front have about 20 MB."""

MISS = "miss"
"""Name of the nearest miss of a search without a feasible candidate: "results.json#miss"."""

_REMEDY = "give the file as laddersmith wrote it, for the design it was made from"


def read_result(
    path: Path, number: str, problem: Problem
) -> tuple[Network, Certificate, Provenance]:
    """Read one network of a results file, what the file says of better ones, and how it was made.

    Parameters
    ----------
    path : Path
        JSON as written by ``fit``, ``trade`` or ``voice``.
    number : str
        Rank of a candidate or number of an answer, counted from 1; or `MISS`.
    problem : Problem
        The problem it is for.

    Raises
    ------
    InputError
        When the file is missing or damaged, or has no such candidate.
    """
    results = _read_json(path)
    candidates = _list_candidates(results)
    if number not in candidates:
        known = list(candidates)
        raise InputError(
            "the number after # must be that of a network in the file",
            file=path,
            value=repr(number) if number else "no number",
            remedy=(
                f"write {path.name}#{known[0]}"
                + (f" up to {path.name}#{known[-1]}" if len(known) > 1 else "")
                if known
                else "the file holds no network: run fit --json again"
            ),
        )
    try:
        data = candidates[number]
        return _read_candidate(data, problem), _read_certificate(data), _read_made(results, data)
    except InputError as error:
        raise error.located(file=path) from None


def list_results(path: Path) -> tuple[str, ...]:
    """List what may stand after "#" for a results file.

    Parameters
    ----------
    path : Path
        JSON as written by ``fit``, ``trade`` or ``voice``.

    Returns
    -------
    tuple of str

    Raises
    ------
    InputError
        When the file is missing or damaged.
    """
    return tuple(_list_candidates(_read_json(path)))


def _read_json(path: Path) -> Mapping[str, Any]:
    raw = read_file(path, "results file", largest=LARGEST_RESULTS_BYTES)
    try:
        data = json.loads(raw)
    except json.JSONDecodeError as error:
        raise InputError(
            f"the results file must be valid JSON ({error.msg})",
            file=path,
            line=error.lineno,
            remedy=_REMEDY,
        ) from None
    except (ValueError, RecursionError):
        raise InputError("the results file must be JSON text", file=path, remedy=_REMEDY) from None
    if not isinstance(data, Mapping):
        raise InputError("the results file must hold one JSON object", file=path, remedy=_REMEDY)
    return data


def _list_candidates(data: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key in ("candidates", "points", "answers"):
        listed = data.get(key)
        for number, one in enumerate(listed if isinstance(listed, list) else [], start=1):
            rank = one.get("rank", number) if isinstance(one, Mapping) else number
            candidate = one if key == "candidates" else _get(one, "candidate", key)
            found[str(number if key != "candidates" else rank)] = candidate
    if "nearest_miss" in data:
        found[MISS] = data["nearest_miss"]
    return found


def _get(data: Any, key: str, where: str) -> Any:
    if not isinstance(data, Mapping) or key not in data:
        raise InputError(f'"{key}" is missing', key=where, remedy=_REMEDY)
    return data[key]


def _read_candidate(data: Any, problem: Problem) -> Network:
    ways = _get(data, "ways", "candidates")
    names = [way.name for way in problem.topology.ways]
    if not isinstance(ways, Mapping) or set(ways) != set(names):
        raise InputError(
            f"the design has the ways {', '.join(names)}",
            key="ways",
            value=", ".join(map(str, ways)) if isinstance(ways, Mapping) else "no block of ways",
            remedy="use the results of this design",
        )
    topology = problem.topology
    slots = {
        way.name: _read_slots(way, ways[way.name], problem, f"ways.{way.name}")
        for way in topology.ways
    }
    polarity = {
        way.name: _read_polarity(ways[way.name], f"ways.{way.name}") for way in topology.ways
    }
    shared = _get(data, "shared", "candidates") if topology.groups else {}
    for group in topology.groups:
        key = f"shared.{group.name}"
        slots[group.name] = _read_slots(group, _get(shared, group.name, "shared"), problem, key)
    return topology.fill(slots, polarity)


def _read_certificate(data: Any) -> Certificate:
    found = data.get("certificate", {})
    if not isinstance(found, Mapping):
        raise InputError("a block is expected", key="certificate", remedy=_REMEDY)
    state, changes = found.get("state", "never sought"), found.get("changes", 0)
    measure, why, of = found.get("measure", "cost"), found.get("why", ""), found.get("of", {})
    sound = (
        state in STATES
        and measure in MEASURES
        and isinstance(changes, int)
        and changes >= 0
        and isinstance(why, str)
        and isinstance(of, Mapping)
        and all(isinstance(one, str) for one in of.values())
    )
    if not sound:
        raise InputError(
            f"a certificate is {', '.join(STATES)}, of a number of changes",
            key="certificate",
            value=repr(found),
            remedy=_REMEDY,
        )
    return Certificate(state=state, changes=changes, measure=measure, why=why, of=dict(of))


def _read_made(results: Mapping[str, Any], data: Any) -> Provenance:
    """Read what results were computed with; those of older versions tell the cost alone."""
    cost, made = data.get("cost"), results.get("made", {})
    number = isinstance(cost, int | float) and not isinstance(cost, bool) and math.isfinite(cost)
    if not isinstance(made, Mapping):
        raise InputError("a block is expected", key="made", remedy=_REMEDY)
    told = {name: made.get(name, "") for name in ("date", "version")}
    prints = {name: made.get(name, {}) for name in ("of", "files")}
    sound = all(isinstance(one, str) for one in told.values()) and all(
        isinstance(some, Mapping) and all(isinstance(one, str) for one in some.values())
        for some in prints.values()
    )
    if not sound:
        raise InputError(
            "date, version and fingerprints of results are text",
            key="made",
            value=repr(made)[:60],
            remedy=_REMEDY,
        )
    wrong = next((one for one in (*told.values(), *prints["files"]) if find_unprintable(one)), "")
    if wrong:
        raise InputError(
            "date, version and names are text that can be seen",
            key="made",
            value=repr(wrong[:60]),
            remedy=_REMEDY,
        )
    return Provenance(
        date=told["date"],
        version=told["version"],
        cost=float(cost) if number else None,
        of=dict(prints["of"]),
        files=dict(prints["files"]),
    )


def _read_polarity(data: Any, key: str) -> Literal[1, -1]:
    polarity = _get(data, "polarity", key)
    if polarity not in (1, -1):
        raise InputError(
            "polarity is 1 or -1", key=f"{key}.polarity", value=polarity, remedy=_REMEDY
        )
    return 1 if polarity > 0 else -1


def _read_slots(ladder: Ladder, data: Any, problem: Problem, key: str) -> tuple[FittedSlot, ...]:
    entries = _get(data, "slots", key)
    if not isinstance(entries, list):
        raise InputError("a list of slots is expected", key=f"{key}.slots", remedy=_REMEDY)
    slots: list[FittedSlot] = []
    place = 0
    while place < len(entries):
        form = str(_get(entries[place], "kind", f"{key}.slots"))
        name = str(_get(entries[place], "name", f"{key}.slots"))
        at = _get(entries[place], "at", f"{key}.slots")
        tap = form == "tap"
        if "form" in entries[place]:
            form = str(entries[place]["form"])
            name = name if tap else name.rpartition(".")[0]
        try:
            kinds = form_of(form, "shunt" if at == "shunt" else "series").kinds
        except InputError as error:
            raise InputError(
                "the form of a slot must be known, and stand where it can",
                key=f"{key}.{name}",
                value=f"{error.value} in {at}",
                remedy=_REMEDY,
            ) from None
        count = len(kinds)
        if tap and not kinds:
            slots.append(FittedSlot(name=name, place=at, form=form, parts=()))
            place += 1
            continue
        group = entries[place : place + count]
        if [_get(one, "kind", f"{key}.{name}") for one in group] != list(kinds):
            raise InputError(
                f"the parts of {name} do not make {say_with_article(form)}",
                key=f"{key}.{name}",
                remedy=_REMEDY,
            )
        known = next(
            (slot for slot in ladder.slots if slot.name == name and slot.form == form), None
        )
        kept = (known.kept if known else None) or (None,) * count
        terms = known.terms if known else NO_TERMS
        slots.append(
            FittedSlot(
                name=name,
                place=at,
                form=form,
                across=str(group[0].get("across", "")),
                parts=tuple(
                    _read_part(one, problem, f"{key}.{name}", old, terms)
                    for one, old in zip(group, kept, strict=True)
                ),
            )
        )
        place += count
    return tuple(slots)


def _read_part(
    data: Mapping[str, Any], problem: Problem, key: str, kept: Part | None, terms: Terms
) -> Part:
    def number(name: str, *, above: float = -1.0) -> float | None:
        value = data.get(name)
        if value is None:
            return None
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, float))
            or not (math.isfinite(value) and value > above)
        ):
            raise InputError(
                f'"{name}" must be a number' + (" above 0" if above == 0.0 else ""),
                key=key,
                value=repr(value),
                remedy=_REMEDY,
            )
        return float(value)

    value = number("value", above=0.0)
    if value is None:
        raise InputError('"value" is missing', key=key, remedy=_REMEDY)
    pieces = data.get("pieces")
    if pieces is not None and (
        not isinstance(pieces, Sequence)
        or not all(isinstance(p, (int, float)) and p > 0 for p in pieces)
    ):
        raise InputError('"pieces" must be numbers above 0', key=key, remedy=_REMEDY)
    loss = number("dcr_ohm")
    if loss is None:
        loss = number("esr_ohm")
    try:
        part, _ = settle_part(
            StatedPart(
                kind=data["kind"],
                value=value,
                loss_ohm=loss,
                tolerance=number("tolerance"),
                origin=data.get("origin"),
                pieces=tuple(pieces) if pieces else None,
                joined=data.get("joined"),
                price=number("price"),
                rating=number("rating", above=0.0),
                note=data.get("note"),
                made_of=data.get("made_of"),
                wire_m=number("wire_m", above=0.0),
                height_m=number("height_m", above=0.0),
            ),
            problem,
            key,
            kept,
            terms,
        )
    except InputError as error:
        raise error.located(key=key) from None
    return part
