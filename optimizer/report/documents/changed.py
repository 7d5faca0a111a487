"""What differs from when a network was computed: said first, by every verb that takes one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.problem.provenance import Change
from optimizer.report.document import Document, Note, Section

KEY = "changed"

Changed = tuple[str, Change]
"""The name of a network, and what differs from when it was computed."""


def warn_changed(document: Document, changes: Sequence[Changed]) -> Document:
    """Say before anything else what differs from when the networks of a document were computed.

    Parameters
    ----------
    document : Document
        What a verb has to say.
    changes : sequence of Changed
        Nothing is said without any.

    Returns
    -------
    Document
        JSON has the same sentences under "changed".
    """
    if not changes:
        return document
    notes = tuple(
        Note(text=change.say(name), warns=change.warns, tone="strong" if change.warns else "")
        for name, change in changes
    )
    data = document.data
    return replace(
        document,
        sections=(Section(title="", key=KEY, parts=notes), *document.sections),
        order=(KEY, *document.order),
        data=None if data is None else lambda: {**data(), "changed": [note.text for note in notes]},
    )
