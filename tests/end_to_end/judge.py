"""What the tests of `check`, `voice` and `trade` judge by: files in, files out, own small code.

Nothing here knows the engine. Speakers are invented and written as text files, commands run through
`main`, and networks are read from JSON or YAML by plain dictionaries, changed, counted and written
back by code of its own, so that judge and judged share no model.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from optimizer.cli.main import main

KINDS_OF_FORM = {
    "inductor": ("inductor",),
    "capacitor": ("capacitor",),
    "resistor": ("resistor",),
    "notch": ("inductor", "capacitor", "resistor"),
    "trap": ("inductor", "capacitor", "resistor"),
    "equaliser": ("resistor", "capacitor"),
    "pad": ("resistor", "resistor"),
}
KEYS_OF_FORM = {**KINDS_OF_FORM, "pad": ("series_resistor", "shunt_resistor")}
"""How network files call the parts of a form."""

# The same, several times as fast, where PyYAML was built with libyaml.
_LOADER = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader
_DUMPER = yaml.CSafeDumper if yaml.__with_libyaml__ else yaml.SafeDumper

LETTERS = {"inductor": "L", "capacitor": "C", "resistor": "R"}
UNITS = {"inductor": "H", "capacitor": "F", "resistor": "ohm"}
LOSSES = {"inductor": "dcr", "capacitor": "esr"}

SAME_VALUE, SAME_LOSS = 1e-6, 1e-4
"""Parts nearer than this are one part: JSON holds nine digits of values and six of losses."""

Part = dict[str, Any]
"""kind, value, loss, and what else a file says of a part (pieces, joined, origin, price, ...)."""


# --- speakers ---------------------------------------------------------------------------------

GRID = "grid: {band: 60..16k, per_octave: 8}\n"

TWO_WAYS = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.3 mH, to: 4 mH}
      - {name: C1, shunt: capacitor, from: 2 uF, to: 60 uF, optional: yes}
      - {name: N1, shunt: notch, inductor: 0.1 .. 1 mH, capacitor: 2 .. 33 uF,
         resistor: 1 .. 15 ohm, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2 uF, to: 30 uF}
      - {name: L1, shunt: inductor, from: 0.1 mH, to: 2 mH, optional: yes}
      - {name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 3 .. 47 ohm,
         optional: yes}
"""
"""Places of a woofer and a tweeter, compounds among them."""


def write_drivers(folder: Path, *names: str) -> str:
    """Write ideal drivers with one resonance each; return the block of drivers of a design."""
    f = np.geomspace(40.0, 20000.0, 110)
    # Delays given by hand: the files share a clock, and nobody need find that out again each time.
    text = "measured: {volts: 2.83, metres: 1.0, clock: none, mirror: left-right}\ndrivers:\n"
    shapes = {
        # low end, high end, sensitivity dB, impedance resonance, break-up, diaphragm m, height m
        "woofer": (55.0, 3800.0, 88.0, 60.0, 2600.0, 0.165, -0.17),
        "midrange": (220.0, 6500.0, 90.0, 240.0, 5200.0, 0.10, -0.10),
        "tweeter": (850.0, 22000.0, 92.5, 900.0, 11000.0, 0.025, 0.0),
    }
    for name in names:
        low, high, level, resonance, break_up, diaphragm, up = shapes[name]
        s, t, b = 1j * f / low, 1j * f / high, 1j * f / break_up
        axis = s * s / (s * s + 1.2 * s + 1) / (t * t + 1.1 * t + 1)
        axis = axis * (b * b + 0.35 * b + 1) / (b * b + 0.2 * b + 1) * 10 ** ((level + 94) / 20)
        files = []
        for angle in (0, 30, 60):
            # A piston in a wall by a gentle law of its own: one pole that moves down off the axis.
            k = np.pi * f * diaphragm / 343.0 * np.sin(np.radians(angle))
            table = axis / (1.0 + 0.5 * k * k)
            rows = zip(
                f, 20 * np.log10(np.abs(table)) - 94, np.degrees(np.angle(table)), strict=True
            )
            file = f"{name}_{angle}.txt"
            (folder / file).write_text("".join(f"{a:.4f} {x:.5f} {y:.4f}\n" for a, x, y in rows))
            files.append(f"{'0' if angle == 0 else f'{angle} right'}: {file}")
        q = 2.5j * (f / resonance - resonance / f)
        z = 5.8 + 22.0 / (1.0 + q) + (2j * np.pi * f * 0.35e-3 * (diaphragm / 0.165) ** 0.5) ** 0.8
        rows = zip(f, np.abs(z), np.degrees(np.angle(z)), strict=True)
        (folder / f"{name}_z.txt").write_text(
            "".join(f"{a:.4f} {x:.5f} {y:.4f}\n" for a, x, y in rows)
        )
        text += (
            f"  {name}:\n    response: {{{', '.join(files)}}}\n    impedance: {name}_z.txt\n"
            f"    at: {{up: {up}, right: 0, back: 0}}\n    diaphragm: {diaphragm}\n    delay: 0 ms\n"
        )
    return text


# --- commands ---------------------------------------------------------------------------------


def run(*arguments: object, codes: tuple[int, ...] = (0,)) -> int:
    """Run a command in this process; any other exit code than those allowed fails the test."""
    words = [str(a) for a in arguments]
    code = main([*words, "--quiet"])
    assert code in codes, f"laddersmith {' '.join(words)} ended with {code}"
    return code


def load(path: Path) -> Any:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} in {path}")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def check(design: Path, network: str | Path) -> Any:
    """Everything `check --json` says of a network."""
    target = design.parent / "judged.json"
    target.unlink(missing_ok=True)
    run("check", design, network, "--json", target)
    return load(target)


def check_all(design: Path, boards: Sequence[Board]) -> list[Any]:
    """What `check --json` says of each of some networks written as files, in one run."""
    files = [b.write(design.parent / f"judged_{i}.yaml") for i, b in enumerate(boards)]
    target = design.parent / "judged.json"
    target.unlink(missing_ok=True)
    against = [word for file in files[1:] for word in ("--against", file)]
    run("check", design, files[0], *against, "--json", target)
    data = load(target)
    return [data["candidate"], *(one["candidate"] for one in data["against"])]


# --- networks ---------------------------------------------------------------------------------


@dataclass
class Slot:
    """A filled place: in series or in shunt, its form, its parts in the order of the form."""

    place: str
    form: str
    parts: list[Part]


@dataclass
class Way:
    polarity: int
    slots: dict[str, Slot] = field(default_factory=dict)


@dataclass
class Board:
    """A network as its file says, source first."""

    ways: dict[str, Way]

    @classmethod
    def of_candidate(cls, candidate: Mapping[str, Any]) -> Board:
        """Read a candidate of saved results."""
        ways = {}
        for way_name, data in candidate["ways"].items():
            way = ways[way_name] = Way(data["polarity"])
            for one in data["slots"]:
                form = one.get("form", one["kind"])
                name = one["name"].rpartition(".")[0] if "form" in one else one["name"]
                slot = way.slots.setdefault(name, Slot(one["at"], form, []))
                part = {key: one[key] for key in PART_KEYS if key in one}
                loss = one.get("dcr_ohm", one.get("esr_ohm", 0.0))
                slot.parts.append({**part, "kind": one["kind"], "loss": loss})
            for slot in way.slots.values():
                kinds = tuple(part["kind"] for part in slot.parts)
                assert kinds == KINDS_OF_FORM[slot.form], (way_name, slot)
        return cls(ways)

    @classmethod
    def of_file(cls, path: Path) -> Board:
        """Read a network file written by the program or by `write`."""
        ways = {}
        for way_name, data in yaml.load(path.read_text(encoding="utf-8"), _LOADER)["ways"].items():
            way = ways[way_name] = Way(-1 if data["polarity"] == "inverted" else 1)
            for one in data["ladder"]:
                place = "series" if "series" in one else "shunt"
                form = one[place]
                parts = []
                for key, kind in zip(KEYS_OF_FORM[form], KINDS_OF_FORM[form], strict=True):
                    told = one if len(KEYS_OF_FORM[form]) == 1 else one[key]
                    told = told if isinstance(told, dict) else {"value": told}
                    part = {"kind": kind, "value": read_quantity(told["value"]), "loss": 0.0}
                    if kind in LOSSES:
                        part["loss"] = read_quantity(told.get(LOSSES[kind], 0.0))
                    part |= {k: told[k] for k in PART_KEYS if k in told and k not in part}
                    parts.append(part)
                way.slots[one["name"]] = Slot(place, form, parts)
        return cls(ways)

    def write(self, path: Path) -> Path:
        """Write a network file."""
        ways = {}
        for way_name, way in self.ways.items():
            ladder = []
            for name, slot in way.slots.items():
                entry: dict[str, Any] = {"name": name, slot.place: slot.form}
                if len(slot.parts) == 1:
                    entry |= tell_part(slot.parts[0])
                else:
                    keys = KEYS_OF_FORM[slot.form]
                    entry |= {k: tell_part(p) for k, p in zip(keys, slot.parts, strict=True)}
                ladder.append(entry)
            polarity = "normal" if way.polarity > 0 else "inverted"
            ways[way_name] = {"polarity": polarity, "ladder": ladder}
        path.write_text(
            yaml.dump({"ways": ways}, Dumper=_DUMPER, sort_keys=False), encoding="utf-8"
        )
        return path

    def labelled(self) -> Iterator[tuple[str, str, Part]]:
        """Every part by its label ("tweeter.P1.Rs"), with where it stands."""
        for way_name, way in self.ways.items():
            for name, slot in way.slots.items():
                for i, part in enumerate(slot.parts):
                    yield label(way_name, name, slot.form, i), slot.place, part

    def turned(self, way: str) -> Board:
        """The same with the wires of one driver exchanged."""
        other = copy.deepcopy(self)
        other.ways[way].polarity *= -1
        return other


def board_of_design(design: Mapping[str, Any]) -> Board:
    """The parts that a design keeps, as they stand on the board."""
    ways = {}
    for way_name, data in design["ways"].items():
        way = ways[way_name] = Way(-1 if data.get("polarity") == "inverted" else 1)
        for one in data["ladder"]:
            if "keep" not in one:
                continue
            place = "series" if "series" in one else "shunt"
            form = one[place]
            keys, kinds = KEYS_OF_FORM[form], KINDS_OF_FORM[form]
            values = one["keep"] if isinstance(one["keep"], dict) else {keys[0]: one["keep"]}
            parts = [
                {
                    "kind": kind,
                    "value": read_quantity(values[key]),
                    "loss": read_quantity(one.get(LOSSES.get(kind, ""), 0.0)),
                    "origin": "kept",
                }
                for key, kind in zip(keys, kinds, strict=True)
            ]
            way.slots[one["name"]] = Slot(place, form, parts)
    return Board(ways)


PART_KEYS = ("value", "tolerance", "origin", "pieces", "joined", "price", "rating", "note")


def label(way: str, slot: str, form: str, i: int) -> str:
    if len(KINDS_OF_FORM[form]) == 1:
        return f"{way}.{slot}"
    letter = ("Rs", "Rp")[i] if form == "pad" else LETTERS[KINDS_OF_FORM[form][i]]
    return f"{way}.{slot}.{letter}"


def read_quantity(text: str | float) -> float:
    """Read "3.3 mH" by the prefixes of the SI brochure."""
    if isinstance(text, (int, float)):
        return float(text)
    number, _, unit = str(text).strip().partition(" ")
    for whole in ("ohm", "H", "F"):
        if unit.endswith(whole):
            prefix = unit.removesuffix(whole)
            scale = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
            return float(number) * scale[prefix]
    return float(number)


def tell_part(part: Part) -> dict[str, Any]:
    """What a network file says of a part."""
    unit = UNITS[part["kind"]]
    told: dict[str, Any] = {"value": f"{part['value']:.12g} {unit}"}
    if part["kind"] in LOSSES and part.get("loss") is not None:
        told[LOSSES[part["kind"]]] = f"{part['loss']:.12g} ohm"
    told |= {k: part[k] for k in ("origin", "price", "note") if part.get(k) is not None}
    if part.get("tolerance") is not None:
        told["tolerance"] = f"{100 * part['tolerance']:.9g} %"
    if len(part.get("pieces") or ()) > 1:
        told["pieces"] = " + ".join(f"{piece:.12g} {unit}" for piece in part["pieces"])
        told["joined"] = part["joined"]
    if part.get("rating") is not None:
        rating = {"inductor": "A", "capacitor": "V", "resistor": "W"}[part["kind"]]
        told["rating"] = f"{part['rating']:.9g} {rating}"
    return told


def same_part(a: Part, b: Part) -> bool:
    return (
        a["kind"] == b["kind"]
        and abs(a["value"] - b["value"]) <= SAME_VALUE * b["value"]
        and abs(a["loss"] - b["loss"]) <= SAME_LOSS * max(a["loss"], b["loss"])
    )


def count_operations(before: Board, after: Board, *, alike_stay: bool = False) -> int:
    """Work at the iron, counted from the two networks: pieces off, pieces on, a wire where the line
    is left open, a cut where it is opened, drivers turned round. What stays is said to be kept, or
    is, where nothing says so, what is alike."""
    count = 0
    for name, old_way in before.ways.items():
        new_way = after.ways[name]
        count += old_way.polarity != new_way.polarity
        for place in {**old_way.slots, **new_way.slots}:
            old, new = old_way.slots.get(place), new_way.slots.get(place)
            if old is not None and new is not None:
                assert (old.place, old.form) == (new.place, new.form)
                for a, b in zip(old.parts, new.parts, strict=True):
                    if not ((alike_stay or b["origin"] == "kept") and same_part(a, b)):
                        count += _pieces(a) + _pieces(b)
            for one in (old,) if new is None else (new,) if old is None else ():
                assert one is not None
                count += sum(map(_pieces, one.parts)) + (one.place == "series")
    return count


def _pieces(part: Part) -> int:
    return max(1, len(part.get("pieces") or ()))


def list_changed(before: Board, after: Board) -> list[str]:
    """Labels of every part that was altered, added or left out, and of every turned driver."""
    old = {name: (place, part) for name, place, part in before.labelled()}
    new = {name: (place, part) for name, place, part in after.labelled()}
    changed = [
        f"{way}.polarity"
        for way in before.ways
        if before.ways[way].polarity != after.ways[way].polarity
    ]
    for name in dict.fromkeys((*old, *new)):
        both = name in old and name in new
        if not both or old[name][0] != new[name][0] or not same_part(old[name][1], new[name][1]):
            changed.append(name)
    return changed


# --- what check proposes ----------------------------------------------------------------------


@dataclass(frozen=True)
class Change:
    """One line of a proposal: a part to be put in or left out (None), or a driver to be turned."""

    where: str
    turn: bool
    after: Part | None


@dataclass(frozen=True)
class Proposal:
    """What `check` proposes as one change, and the cost it promises."""

    changes: tuple[Change, ...]
    cost: float

    @property
    def turn_of(self) -> str | None:
        """The way that is turned, where nothing else is done."""
        return self.changes[0].where if len(self.changes) == 1 and self.changes[0].turn else None


def list_proposals(
    data: Mapping[str, Any], board: Board, design: Mapping[str, Any]
) -> list[Proposal]:
    """Read what `check --json` proposes; this is the one place that knows its form.

    Each proposal has a cost and either is one change or lists its "changes". A change of a part:
    slot, from, to (None: the place is empty), to_dcr_ohm or to_esr_ohm, to_origin, and of a joined
    part to_pieces and to_joined. A turn: slot is "tweeter.polarity", from and to are 1 or -1.
    """
    return [
        Proposal(
            tuple(_read_change(c, board, design) for c in one.get("changes", [one])),
            float(one["cost"]),
        )
        for one in data["better"]
    ]


def _read_change(data: Mapping[str, Any], board: Board, design: Mapping[str, Any]) -> Change:
    where, to = data["slot"], data["to"]
    turned, _, rest = where.partition(".")
    if rest == "polarity" and turned in board.ways:
        assert to in (1, -1), data
        assert data["from"] == board.ways[turned].polarity == -to, data
        return Change(turned, True, None)
    way, slot, i = find_place(where, board, design)
    present = board.ways[way].slots.get(slot)
    now = None if present is None else present.parts[i]
    stated = data["from"]
    assert (stated is None) == (now is None), data
    if now is not None:
        assert abs(stated - now["value"]) <= SAME_VALUE * now["value"], data
    if to is None:
        return Change(where, False, None)
    kind = KINDS_OF_FORM[find_slot(way, slot, board, design).form][i]
    part = {"kind": kind, "value": float(to), "loss": 0.0}
    if kind in LOSSES:
        key = f"to_{LOSSES[kind]}_ohm"
        assert key in data, f"a proposal for {where} without {key}: {data}"
        part["loss"] = float(data[key])
    part |= {k: data[f"to_{k}"] for k in PART_KEYS if f"to_{k}" in data}
    return Change(where, False, part)


def find_place(where: str, board: Board, design: Mapping[str, Any]) -> tuple[str, str, int]:
    """Way, slot and part of a label."""
    for way, data in design["ways"].items():
        names = [*board.ways[way].slots, *(one["name"] for one in data["ladder"])]
        for slot in dict.fromkeys(names):
            form = find_slot(way, slot, board, design).form
            for i in range(len(KINDS_OF_FORM[form])):
                if label(way, slot, form, i) == where:
                    return way, slot, i
    raise AssertionError(f"no place of the network or its design is called {where}")


def find_slot(way: str, name: str, board: Board, design: Mapping[str, Any]) -> Slot:
    """A slot of the network, or an empty one as the design describes it."""
    if name in board.ways[way].slots:
        return board.ways[way].slots[name]
    one = next(one for one in design["ways"][way]["ladder"] if one["name"] == name)
    place = "series" if "series" in one else "shunt"
    return Slot(place, one[place], [])


def apply(proposal: Proposal, board: Board, design: Mapping[str, Any]) -> Board:
    """The network with a proposal carried out."""
    out = copy.deepcopy(board)
    filled: dict[tuple[str, str], dict[int, Part | None]] = {}
    for change in proposal.changes:
        if change.turn:
            out.ways[change.where].polarity *= -1
            continue
        way, slot, i = find_place(change.where, board, design)
        filled.setdefault((way, slot), {})[i] = change.after
    for (way_name, name), parts in filled.items():
        way, now = out.ways[way_name], find_slot(way_name, name, out, design)
        after = [
            parts.get(i, p)
            for i, p in enumerate(now.parts or [None] * len(KINDS_OF_FORM[now.form]))
        ]
        if all(part is None for part in after):
            del way.slots[name]
            continue
        assert None not in after, f"a part of {way_name}.{name} is missing in {proposal}"
        if name in way.slots:
            way.slots[name] = Slot(now.place, now.form, after)
            continue
        way.slots[name] = Slot(now.place, now.form, after)
        order = [one["name"] for one in design["ways"][way_name]["ladder"]]
        assert set(way.slots) <= set(order), "slots of its own leave the place of a new one open"
        way.slots = {n: way.slots[n] for n in order if n in way.slots}
    return out


def ways_that_may_turn(design: Mapping[str, Any]) -> list[str]:
    return [w for w, data in design["ways"].items() if data.get("polarity") == "free"]
