"""Where the nouns of lower layers stand in a design file, and how they are written there."""

from __future__ import annotations

from optimizer.errors import Subject
from optimizer.network.ladder import Topology

_PLACES: dict[tuple[str, str], tuple[str, str]] = {
    ("drivers", "estimated directions"): ("measured.estimate", "yes"),
    ("driver", "response"): ("drivers.{name}.response", "FILE"),
    ("driver", "directions"): ("drivers.{name}.response", '{0: FILE, "30 right": FILE}'),
    ("driver", "impedance"): ("drivers.{name}.impedance", "FILE"),
    ("driver", "diaphragm"): ("drivers.{name}.diaphragm", "130 mm"),
    ("driver", "port"): (
        "drivers.{name}.near", "{file: FILE, port: FILE, port_diameter: 60 mm}",
    ),
    ("driver", "front"): (
        "drivers.{name}.near", "{file: FILE, front: {width: 220 mm, height: 360 mm}}",
    ),
    ("driver", "power"): ("drivers.{name}.limits.watts", "80"),
    ("driver", "lowest frequency"): ("drivers.{name}.limits.lowest_hz", "2 kHz"),
    ("driver", "highest frequency"): ("drivers.{name}.limits.highest_hz", "6 kHz"),
    ("driver", "excursion"): ("drivers.{name}.limits.excursion", "4 mm"),
    ("driver", "force factor"): ("drivers.{name}.limits.force_factor", "6.5"),
    ("driver", "resistance"): ("drivers.{name}.limits.resistance", "5.6 ohm"),
    ("way", ""): ("ways.{name}", ""),
    ("way", "driver"): ("ways.{name}.driver", "NAME"),
    ("goals", ""): ("goals", "{on_axis: {weight: 1}}"),
    ("goal", ""): ("goals.{name}", "no"),
    ("goal", "band"): ("goals.{name}.band", "200 .. 10k"),
    ("goal", "hard"): ("goals.{name}.hard", "no"),
    ("stock", ""): ("stock", ""),
    ("stock", "series"): ("stock.series", "E24"),
    ("stock", "joined pieces"): ("stock.join", "2"),
    ("stock", "speakers"): ("stock.pair", "yes"),
    ("grid", ""): ("grid", ""),
    ("grid", "band"): ("grid.band", "20 .. 20k"),
    ("grid", "density"): ("grid.per_octave", "24"),
    ("search", "time"): ("search.seconds", "10"),
    ("search", "candidates"): ("search.top", "5"),
}  # fmt: skip
"""(noun, part) -> dotted key and an example of its value."""


def find_key(subject: Subject | None, topology: Topology | None = None) -> str:
    """Find the dotted key a subject is written under; empty where a design file has none.

    Parameters
    ----------
    subject : Subject or None
        As a lower layer named it.
    topology : Topology, optional
        Of the design, whose slots are numbered in the file.
    """
    if subject is None:
        return ""
    if subject.noun == "slot":
        way_name, _, slot_name = subject.name.partition(".")
        for way in () if topology is None else topology.ways:
            for number, slot in enumerate(way.slots):
                if (way.name, slot.name) == (way_name, slot_name):
                    return f"ways.{way_name}.ladder[{number}]"
        return f"ways.{way_name}.ladder"
    found = _PLACES.get((subject.noun, subject.part)) or _PLACES.get((subject.noun, ""))
    return found[0].format(name=subject.name or "NAME") if found else ""


def say_in_file(subject: Subject) -> str:
    """Say how a subject is stated in a design file ("drivers.tweeter.diaphragm: 130 mm").

    Empty where a design file has no key for it.
    """
    key, example = _PLACES.get((subject.noun, subject.part), ("", ""))
    return f"{key.format(name=subject.name or 'NAME')}: {example}" if example else ""
