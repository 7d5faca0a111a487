"""The commented design file of the demo."""

from __future__ import annotations

from optimizer.demo.scenario import DIRECTIONS, DRIVERS, TITLE, DemoDriver
from optimizer.measure.curve import Direction

FIRST_LINE = "# A laddersmith demo: invented drivers in an invented cabinet."
"""Marks a folder as ours; `write_demo` looks for it before it touches an existing folder."""

_HEAD = """\
{first_line}
# Every number is computed from published equations; nothing here was measured and nothing
# here can be bought. Change anything and run `laddersmith fit design.yaml` again.
#
# On a real bench: start every sweep at low level, keep sweeps out of a bare tweeter's
# resonance, and wear ear protection close to a driver. Old cabinets may carry lead paint or
# loose mineral wool: do not sand or stir them dry, and follow your local rules.

speaker: {title}

# Levels are for 2.83 V at the driver's terminals, referred to 1 m. All files share one clock
# (same converter, microphone never moved between drivers), so phases can be added as they are.
# The cabinet is the same left and right: only the right side was measured.
measured: {{volts: 2.83, metres: 1.0, clock: shared, mirror: left-right}}

drivers:
"""

_TAIL = """\
# All three drivers at once from the same amplifier, no crossover. With a shared clock it only
# confirms the timing; without one it would be needed to find it.
together: together.txt

# What may sit where, source first. `optional: yes` lets the search leave a place empty.
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 1.8 mH, to: 8.2 mH}
      - {name: C1, shunt: capacitor, from: 22 uF, to: 180 uF, optional: yes}
      # Resistor and capacitor across the driver, against the rise of its impedance.
      - {name: Z1, shunt: equaliser, resistor: 3.3 .. 15 ohm, capacitor: 10 uF .. 82 uF,
         optional: yes}
  midrange:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 33 uF, to: 150 uF}
      - {name: L1, shunt: inductor, from: 1.5 mH, to: 12 mH, optional: yes}
      - {name: L2, series: inductor, from: 0.15 mH, to: 2.2 mH}
      - {name: C2, shunt: capacitor, from: 2.2 uF, to: 22 uF, optional: yes}
      - {name: P1, series: pad, series_resistor: 0.5 .. 6.8 ohm, shunt_resistor: 4.7 .. 47 ohm,
         optional: yes}
      - {name: Z1, shunt: equaliser, resistor: 3.3 .. 15 ohm, capacitor: 2.2 uF .. 22 uF,
         optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}
      - {name: L1, shunt: inductor, from: 0.1 mH, to: 0.82 mH}
      - {name: C2, series: capacitor, from: 3.3 uF, to: 33 uF, optional: yes}
      - {name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm,
         optional: yes}

# Where ways may meet: `laddersmith survey .` says why. A network outside costs steeply more and is
# listed behind those inside; `hard: yes` refuses it.
cross:
  woofer to midrange: 220 .. 880 Hz
  midrange to tweeter: 1.8 .. 2.5 kHz

# Nothing is said of the amplifier, so it is taken to be safe with loads rated 4 ohm. Its manual
# tells; write for instance
#   amplifier: {safe_to: 8 ohm, watts: 30, output: 0.1 ohm, cable: 0.05 ohm}

# What is wanted. The preset brings targets and weights with their reasons and stands on targets/base;
# the lines below it override both.
goals:
  preset: living-room
  on_axis: {tilt: -0.3 dB/oct, band: 80..16k, weight: 1}
  in_room: {tilt: -1.0 dB/oct, weight: 1}
  directivity: {weight: 0.5}
  parts: {each: 0.03}

# Where parts come from, and how long to look. The same seed gives the same answer. To build a
# pair from what lies on the shelf, with up to two pieces joined to one part, write instead
#   stock: {shelf: shelf.csv, pair: yes, join: 2}
stock: {series: E12}
search: {seconds: 15, seed: 1}
"""


def name_response(driver: str, direction: Direction) -> str:
    """Name the file of one response: ``woofer.txt``, ``woofer_h30.txt``, ``woofer_v-15.txt``."""
    if direction.vertical_deg:
        return f"{driver}_v{direction.vertical_deg:g}.txt"
    if direction.horizontal_deg:
        return f"{driver}_h{direction.horizontal_deg:g}.txt"
    return f"{driver}.txt"


def name_impedance(driver: str) -> str:
    """Name the impedance file of a driver."""
    return f"{driver}_z.txt"


def _render_driver(driver: DemoDriver) -> str:
    up, right, back = driver.place_m
    highest = "" if driver.highest_hz is None else f", highest_hz: {driver.highest_hz:g}"
    lines = [f"  {driver.name}:", "    response:"]
    lines += [
        f"      {direction}: {name_response(driver.name, direction)}" for direction in DIRECTIONS
    ]
    lines += [
        f"    impedance: {name_impedance(driver.name)}",
        f"    at: {{up: {up:g}, right: {right:g}, back: {back:g}}}   # m from the reference axis",
        f"    diaphragm: {driver.coil.diaphragm_m:g}   # m, effective diameter",
        f"    limits: {{watts: {driver.watts:g}, lowest_hz: {driver.lowest_hz:g}{highest}}}",
    ]
    return "\n".join(lines) + "\n\n"


def render_design() -> str:
    """Render the design file of the demo.

    Returns
    -------
    str
        YAML text with comments, lines ended by a single newline character.
    """
    head = _HEAD.format(first_line=FIRST_LINE, title=TITLE)
    return head + "".join(_render_driver(driver) for driver in DRIVERS) + _TAIL
