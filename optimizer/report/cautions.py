"""Cautions for the bench: what can hurt, and who decides."""

from __future__ import annotations

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Who decides",
        "Nothing here replaces local codes, the makers' instructions or a licensed "
        "electrician. Mains wiring and the inside of amplifiers are for licensed practice; keep to "
        "the passive side of the amplifier's terminals.",
    ),
    (
        "Hearing",
        "Sweeps and noise at close range get loud suddenly: begin at the lowest level. "
        "NIOSH limits exposure to 85 dB(A) for 8 hours and halves the time for every 3 dB more: "
        "94 dB(A) for 1 hour, 100 dB(A) for 15 minutes.",
    ),
    (
        "Amplifier",
        "Switch it off and let it settle before any wire is moved. Never short its "
        "output, never load it below its stated impedance, and never run this network with a driver "
        "unplugged: its coils and capacitors then ring into a near short. The output of a bridged "
        "amplifier has no ground: connect no earthed instrument to it.",
    ),
    (
        "Hot parts",
        "Resistors in pads and notches can pass 100 degrees C: keep them off wood, "
        "wadding, glue, film capacitors and cables, leave air around them and let them cool before "
        "touching. Wattage ratings shrink in a warm, closed box; the maker's derating curve decides.",
    ),
    (
        "Raw tweeters",
        "Keep sweeps of a bare tweeter low and begin well above its resonance, with a "
        "series capacitor as a guard (into 8 ohm: 20 uF is 3 dB down at 1 kHz, 100 uF at 200 Hz). "
        "Excursion rises fourfold for each octave down.",
    ),
    (
        "Charge",
        "Capacitors can hold a charge after a test with direct current: short them through "
        "a resistor before measuring.",
    ),
    (
        "Solder",
        "Air the room: rosin fume is a sensitiser. Protect your eyes when clipping leads "
        "and wash your hands after leaded solder.",
    ),
    (
        "Dust and old paint",
        "Wear a mask when cutting board, MDF above all. Paint from before about "
        "1980 may hold lead: do not dry-sand it. Leave old wadding of unknown kind undisturbed: it "
        "may hold harmful fibre.",
    ),
    (
        "Magnets and weight",
        "Large magnets snap together and trap fingers; keep them from "
        "pacemakers. Lift heavy cabinets with a second person.",
    ),
)
"""Topic and text. Hearing limits: NIOSH recommended exposure limit (85 dB(A), 3 dB exchange).
Corners of guard capacitors: 1 / (2 pi R C). The rest is common practice, from memory."""
