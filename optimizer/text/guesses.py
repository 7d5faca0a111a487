"""What people write where they have not looked a key up, and what cannot be written at all.

A guess is answered with the key that says it, as far as the block has that key; what no key can say
is told to be so, with the nearest that can.
"""

from __future__ import annotations

import re
from collections.abc import Collection

_GUESSES: dict[str, str] = {
    "fixed": "locked frozen unchanged untouched",
    "keep": "fixed locked existing have old nominal is kept keep_value",
    "value": "keep val new nominal is size exactly",
    "alter": "change changeable replace replaceable variable",
    "optional": "maybe may_be_empty can_be_empty removable leave_out empty omit",
    "from": "min minimum low lowest least start above",
    "to": "max maximum high highest most end below",
    "shunt": "parallel ground to_ground across_line in_shunt in_parallel par",
    "series": "in_series in_line line inline ser e_series preferred",
    "across": "bypass over parallel_to in_parallel_with",
    "inductor": "coil choke inductance l",
    "capacitor": "cap condenser capacitance c",
    "resistor": "res resistance r",
    "tap": "transformer autotransformer autoformer winding",
    "name": "id label ref reference designator",
    "ladder": "slots parts places components network filter list",
    "polarity": "invert inverted reversed reverse phase turned flipped flip",
    "driver": "unit speaker chassis transducer",
    "drivers": "units chassis transducers speakers driver",
    "wired": "wiring connection connected",
    "dcr": "rdc dc_resistance resistance re loss r_dc",
    "esr": "loss series_resistance r_esr",
    "tolerance": "tol accuracy",
    "rating": "voltage power current watts volts amps max_power max_voltage limit",
    "price": "cost prices max_price max_cost euro eur",
    "joined": "parallel join combined wired",
    "origin": "source bought_at shop supplier vendor",
    "board": "old_board existing_board existing pcb rework start_from",
    "note": "notes comment comments remark why",
    "parent": "from source based_on origin",
    "response": "responses spl level file frequency_response on_axis curve",
    "impedance": "z impedances load",
    "near": "nearfield near_field close",
    "at": "position place location offset xyz coordinates mounted",
    "diaphragm": "diameter sd size cone effective_diameter",
    "limits": "limit power watts xmax max_power max_parts max_price max_cost budget constraints",
    "without": "no not exclude forbid forbidden avoid ban never",
    "only": "dielectric material type technology just made_of",
    "height": "max_height tallest high",
    "pieces": "max_parts max_pieces parts number",
    "notch at": "notch_at notch resonance trap_at resonant resonates frequency f0",
    "target": "reference house_curve curve shape like",
    "excursion": "xmax x_max stroke",
    "lowest_hz": "lowest min_hz low highpass from fmin",
    "highest_hz": "highest max_hz high lowpass to fmax",
    "watts": "power rms p max_power",
    "level": "gain trim db offset_db",
    "delay": "time offset_ms time_offset",
    "speaker": "title name project cabinet loudspeaker",
    "measured": "measurement measurements microphone mic setup",
    "ways": "way crossover_ways branches sections filters",
    "cross": "crossover crossovers crossing xover fc cross_over",
    "goals": "goal targets objectives wanted weights",
    "stock": "parts_stock shop shelf bought inventory components parts",
    "amplifier": "amp source",
    "search": "fit optimise optimize optimizer run",
    "grid": "frequencies frequency_grid points band",
    "together": "sum all summed both",
    "shared": "common groups group",
    "metres": "distance meters m",
    "volts": "voltage drive v",
    "clock": "time timing reference loopback",
    "mirror": "symmetric symmetry symmetrical",
    "gate": "window gating",
    "per_octave": "points density resolution ppo",
    "band": "range frequencies from to limits hz",
    "seconds": "time budget timeout duration max_time",
    "seed": "random random_seed",
    "top": "count results number show candidates",
    "shelf": "have own owned inventory",
    "bought": "shop shops catalogue catalog prices buy",
    "join": "combine parallel combinations joined",
    "pair": "stereo two both speakers",
    "wire": "wire_diameter gauge awg",
    "capacitors": "dielectric film capacitor",
    "weight": "importance priority factor",
    "tilt": "slope",
    "floor": "min minimum least",
    "hard": "strict must required",
    "output": "output_impedance output_resistance r_out",
    "cable": "wire leads",
    "safe_to": "min_load minimum rated load",
    "port_diameter": "port_size vent_diameter",
}  # fmt: skip
"""Key -> what people write for it."""

_IMPOSSIBLE: tuple[tuple[str, str, str, str], ...] = (
    ("shunt", "frequency fc f f0 freq crossover corner",
     "a part has no frequency of its own",
     'give its range, and state "cross: {woofer to tweeter: 1.3k .. 2.6k}" beside "ways"'),
    ("shunt", "order slope db_oct butterworth linkwitz bessel type alignment",
     "a place holds parts; the order of a filter is how many places are filled",
     'list as many places as you allow, those that may stay empty with "optional: yes"'),
    ("shunt", "gain attenuation db level", "a place holds parts, not a level",
     'write "series: pad" or "tap: -6 dB"'),
    ("shunt", "delay all_pass allpass time",
     "no part delays sound by a stated time",
     'state where the driver sits ("at: {back: 30 mm}" under drivers), or "polarity: free"'),
    ("shunt", "q quality", "a place has no Q: its parts make it",
     'give the ranges of its parts: "series: trap, inductor: 0.1 .. 1 mH, capacitor: 1 .. 20 uF"'),
    ("polarity", "frequency fc freq crossover order slope type alignment butterworth linkwitz highpass "
     "lowpass", "a way is a ladder of places; its order and corner follow from their values",
     'list its places; "cross: {woofer to tweeter: 1.3k .. 2.6k}" beside "ways" says where'),
    ("polarity", "gain level attenuation delay",
     "a way has neither a level nor a delay of its own",
     'put a pad into its ladder, or state "level" or "delay" of the driver as measured'),
    ("impedance", "fs qts qes qms vas re le bl mms ts thiele_small sensitivity",
     "what a driver does is read from its measurements, not computed from a data sheet",
     'measure response and impedance, mounted; state "limits: {force_factor: 6.5}" for excursion'),
    ("ways", "box enclosure cabinet volume port vent tuning room",
     "cabinet and room are not computed: the cabinet is in the measurements",
     "measure the drivers mounted; the goal in_room predicts the sound in an average room"),
    ("ways", "dsp active eq equaliser equalizer fir biquad",
     "the network is passive",
     "export its curves with check --json and design the rest elsewhere"),
    ("ways", "target reference house_curve",
     "a target belongs to the goal of one curve",
     'write "goals: {on_axis: {target: {file: reference.txt}}}"'),
    ("ways", "without only exclude forbid",
     "what parts may be made of stands under limits, at a way or at a place",
     'write "limits: {without: electrolytic}"'),
    ("ways", "series wire join pair shelf bought capacitors",
     "where parts come from stands under stock", 'write "stock: {series: E12, wire: 1.0 mm}"'),
    ("ways", "wattage volume loudness max_volume", "no network has a power or a volume of its own",
     'state "amplifier: {watts: 50}" and the "limits: {watts: 80}" of each driver'),
    ("notch at", "width diameter length depth weight volume",
     "of the size of a part only the height of coils is known",
     'write "limits: {height: 30 mm}" at the top of the file'),
    ("notch at", "voltage power current watts volts amps rating",
     "no place asks for a rating: the sheet says which one each part must have",
     "search first, and buy by the ratings of laddersmith sheet"),
)  # fmt: skip
"""A key that the block has, words, why not, the nearest that is possible."""

_COMMA = re.compile(r"\d+\s*([pnuµμmkM]?(F|H|ohm|Hz|Ω|m|W|V|A|s)|%|dB.*|[kM])?")


def guess_key(word: str, known: Collection[str]) -> str:
    """Say which known key says what a word seems to mean; "" where none does.

    Parameters
    ----------
    word : str
        As it was written for a key.
    known : collection of str
        Keys of the block.
    """
    folded = _fold(word)
    if folded in known:
        return folded
    return next((key for key in known if folded in _GUESSES.get(key, "").split()), "")


def say_impossible(word: str, known: Collection[str]) -> tuple[str, str]:
    """Say why a word cannot be a key of a block, and what is nearest to it; "" where it may be one.

    Parameters
    ----------
    word, known
        As of `guess_key`.
    """
    folded = _fold(word)
    for key, words, why, nearest in _IMPOSSIBLE:
        if key in known and folded in words.split():
            return why, nearest
    return "", ""


def is_rest_of_value(word: str) -> bool:
    """Whether a key is what a decimal comma left of a value ("3 mH" of "{keep: 3,3 mH}")."""
    return _COMMA.fullmatch(word.strip()) is not None


def list_guesses(key: str) -> tuple[str, ...]:
    """List the words that are answered with a key."""
    return tuple(_GUESSES.get(key, "").split())


def _fold(word: str) -> str:
    return re.sub(r"[\s-]+", "_", word.strip().lower())
