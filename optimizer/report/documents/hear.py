"""What `hear` says: what the change amounts to, how it was made audible, and what was told apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from optimizer.bench.hear.blind import SURE, Heard
from optimizer.bench.hear.difference import LOUDNESS_HZ, Difference
from optimizer.bench.hear.music import PEAK_DB, Matched
from optimizer.report.cautions import CAUTIONS
from optimizer.report.document import Document, Note, Passage, Section
from optimizer.report.documents.octaves import tabulate_octaves
from optimizer.report.render.json import SCHEMA
from optimizer.report.words import say_frequency

PLACES_SAID = {"axis": "on axis", "room": "in room"}

HEARING_CAUTIONS = (
    "Begin at a low volume: a boost that is hardly heard in quiet music is power that a tweeter and "
    "an amplifier must stand in loud music.",
    dict(CAUTIONS)["Hearing"],
)


def document_hear(
    differences: Sequence[Difference],
    chosen: Difference,
    *,
    title: str,
    names: tuple[str, str],
    matched: Matched | None = None,
    heard: Heard | None = None,
    trials: int = 0,
) -> Document:
    """Say what a change would sound like, in figures.

    Parameters
    ----------
    differences : sequence of Difference
        At each place that is known.
    chosen : Difference
        The one that is made audible.
    title : str
        Of the design.
    names : tuple of str
        Of the network as it stands and the other one.
    matched : Matched, optional
        Music that was written.
    heard : Heard, optional
        What came of listening without knowing.
    trials : int
        Trials that were written.

    Returns
    -------
    Document
    """
    lead: list[Passage] = []
    if heard is not None:
        lead.append(Note(text=say_heard(heard), tone="strong"))
    lead += tell_filter(chosen, names)
    table = tabulate_octaves(
        {PLACES_SAID[d.place]: d.level_db for d in differences}, chosen.frequency_hz
    )
    sections = [
        Section(title="", key="lead", parts=tuple(lead)),
        Section(title="B less A", key="moves", parts=(table,)),
    ]
    if matched is not None:
        sections.append(
            Section(title="The music", key="music", parts=(Note(text=say_matched(matched)),))
        )
    if trials:
        sections.append(
            Section(
                title="Without knowing",
                key="blind",
                parts=(
                    Note(
                        text=f"Each of X01 to X{trials:02d} is A or B. Listen in any order, as often "
                        "as you like, write down a letter for each, and give them with --answers."
                    ),
                ),
            )
        )
    sections.append(
        Section(
            title="Cautions",
            key="cautions",
            parts=tuple(Note(text=t, warns=True) for t in HEARING_CAUTIONS),
        )
    )
    return Document(
        title=f"{title}: A and B",
        sections=tuple(sections),
        data=lambda: hear_to_json(differences, chosen, names, matched, heard),
    )


def tell_filter(chosen: Difference, names: tuple[str, str]) -> list[Passage]:
    """Say what plays what, and how much louder the filter makes it."""
    where = PLACES_SAID[chosen.place]
    boost, at_hz = chosen.boost
    low, high = (say_frequency(hz) for hz in LOUDNESS_HZ)
    return [
        Note(text=f"As it stands (A): {names[0]}. After the change (B): {names[1]}."),
        Note(
            text=f"Music through the filter, played by A, sounds {where} as it would by B. Between "
            f"{low} and {high} B is {abs(chosen.loudness_db):.1f} dB "
            f"{'louder' if chosen.loudness_db >= 0.0 else 'softer'}; beyond that it asks for "
            f"{boost:.1f} dB more at most, at {say_frequency(at_hz)}."
        ),
    ]


def say_heard(heard: Heard) -> str:
    """Say what answers given without knowing are worth."""
    share = f"{heard.right} of {heard.trials} right"
    luck = f"{float(f'{100.0 * heard.luck:.2g}'):g} %"
    if heard.told_apart:
        return f"{share}: by luck that or better comes in {luck} of all tries; you hear the difference."
    return (
        f"{share}: by luck that or better comes in {luck} of all tries; that is no proof that you hear "
        f"a difference (it would take less than {100.0 * SURE:g} %)."
    )


def say_matched(matched: Matched) -> str:
    """Say how music was made equally loud and kept within full scale."""
    before, after = matched.loudness
    headroom = (
        f"Both are turned down by {-matched.headroom_db:.1f} dB so that no peak passes {PEAK_DB:g} dB "
        "of full scale."
        if matched.headroom_db < -0.05
        else "No peak needed turning down."
    )
    return (
        f"{matched.before.seconds:.1f} s at {matched.before.rate_hz} samples per second. As it is "
        f"{before:.1f} LUFS, through the filter {after:.1f} (ITU-R BS.1770); B is played "
        f"{matched.matched_db:+z.1f} dB so that both are equally loud. {headroom}"
    )


def hear_to_json(
    differences: Sequence[Difference],
    chosen: Difference,
    names: tuple[str, str],
    matched: Matched | None,
    heard: Heard | None,
) -> dict[str, Any]:
    """Write the difference, and what was done with it, as plain data."""
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "before": names[0],
        "after": names[1],
        "place": chosen.place,
        "loudness_db": round(chosen.loudness_db, 4),
        "boost": {"db": round(chosen.boost[0], 4), "hz": chosen.boost[1]},
        "frequency_hz": chosen.frequency_hz.tolist(),
        "differences": {
            d.place: {
                "db": np.round(d.level_db, 4).tolist(),
                **({"phase_deg": np.round(d.phase_deg, 3).tolist()} if d.place == "axis" else {}),
            }
            for d in differences
        },
    }
    if matched is not None:
        data["music"] = {
            "lufs": [round(x, 2) for x in matched.loudness],
            "matched_db": round(matched.matched_db, 2),
            "headroom_db": round(matched.headroom_db, 2),
        }
    if heard is not None:
        data["blind"] = {"right": heard.right, "trials": heard.trials, "luck": round(heard.luck, 6)}
    return data
