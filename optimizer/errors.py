"""The one error tree: every failure a user can cause, said in one message.

A layer raises with what it knows: the rule, what it is about in the nouns of the field (`Subject`),
the value found, a remedy in the same nouns. It knows no file, no key of one and no option. An edge
that reads the user's words (a design file, a command line) adds these: `InputError.located` where
it stands, `InputError.explained` how the remedy is written there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


class LaddersmithError(Exception):
    """Base of every error raised on purpose by this package."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What an error is about, or what would mend it, in nouns of the field.

    Parameters
    ----------
    noun : str
        The kind of thing ("goal", "driver", "slot", "stock", "search").
    name : str
        Which one ("on_axis", "tweeter", "woofer.L1"); empty where there is but one, or for any.
    part : str
        What of it ("band", "highest frequency"); empty for all of it.
    """

    noun: str
    name: str = ""
    part: str = ""

    def __str__(self) -> str:
        whole = f"{self.noun} {self.name}" if self.name else self.noun
        return f"{whole}, {self.part}" if self.part else whole


class InputError(LaddersmithError, ValueError):
    """Bad input: says where, which value, which rule it breaks and what to do.

    Parameters
    ----------
    rule : str
        The rule that is broken, as a statement ("frequency must increase").
    subject : Subject, optional
        What it is about. Every layer may say this; the rest of "where" is for edges.
    value : object, optional
        What was found instead.
    remedy : str, optional
        What the user can do about it, in nouns ("state its diaphragm, or leave it out").
    by_stating : tuple of Subject
        What the remedy asks to state or change; an edge adds how that is written there.
    file : path-like, optional
        The file at fault.
    line : int, optional
        Line in that file, counted from 1.
    key : str, optional
        Where in the user's words: a dotted key ("ways.woofer.ladder[2].from"), a column, an
        option. Said instead of the subject.

    Notes
    -----
    The text reads ``file:line: key or subject: rule, got value; remedy``. The command line turns
    this error into exit code 2.
    """

    def __init__(
        self,
        rule: str,
        *,
        subject: Subject | None = None,
        value: object = None,
        remedy: str | None = None,
        by_stating: tuple[Subject, ...] = (),
        file: str | Path | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        self.rule = rule
        self.subject = subject
        self.value = value
        self.remedy = remedy
        self.by_stating = by_stating
        self.file = None if file is None else str(file)
        self.line = line
        self.key = key
        super().__init__(rule)

    def __str__(self) -> str:
        where = self.file or ""
        if self.line is not None:
            where += f":{self.line}" if where else f"line {self.line}"
        parts = [where] if where else []
        if self.key or self.subject:
            parts.append(self.key or str(self.subject))
        text = self.rule
        if self.value is not None:
            text += f", got {self.value}"
        if self.remedy:
            text += f"; {self.remedy}"
        return ": ".join([*parts, text])

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions with keyword-only fields do not pickle by themselves; workers must.
        value = None if self.value is None else str(self.value)
        return (_rebuild, (type(self), self.rule, {**self._fields(), "value": value}))

    def located(
        self, *, file: str | Path | None = None, line: int | None = None, key: str | None = None
    ) -> InputError:
        """Return the same error with missing location fields filled in."""
        return self._changed(
            file=self.file or file,
            line=self.line if self.line is not None else line,
            key=self.key or key,
        )

    def about(self, subject: Subject) -> InputError:
        """Return the same error with what it is about, where that is not said yet."""
        return self._changed(subject=self.subject or subject)

    def advised(self, remedy: str) -> InputError:
        """Return the same error with this remedy."""
        return self._changed(remedy=remedy)

    def stated_for(self, change: Callable[[Subject], Subject]) -> InputError:
        """Return the same error with other subjects to state."""
        return self._changed(by_stating=tuple(change(subject) for subject in self.by_stating))

    def explained(self, written: Callable[[Subject], str]) -> InputError:
        """Return the same error, whose remedy says how it is written at an edge; see `explain`."""
        remedy, left = explain(self.remedy or "", self.by_stating, written)
        return self._changed(remedy=remedy or None, by_stating=left)

    def _changed(self, **fields: object) -> InputError:
        return _rebuild(type(self), self.rule, {**self._fields(), **fields})

    def _fields(self) -> dict[str, object]:
        return {
            "subject": self.subject, "value": self.value, "remedy": self.remedy,
            "by_stating": self.by_stating, "file": self.file, "line": self.line, "key": self.key,
        }  # fmt: skip


def explain(
    remedy: str, by_stating: tuple[Subject, ...], written: Callable[[Subject], str]
) -> tuple[str, tuple[Subject, ...]]:
    """Add to a remedy how it is written at an edge.

    Parameters
    ----------
    remedy : str
        In nouns.
    by_stating : tuple of Subject
        What it asks to state.
    written : callable
        From a subject to how it is stated at the edge; empty where the edge has no words for it,
        which leaves it to the next edge.

    Returns
    -------
    remedy : str
    by_stating : tuple of Subject
        What is left for the next edge.
    """
    said = {subject: written(subject) for subject in by_stating}
    ways = [text for text in said.values() if text]
    left = tuple(subject for subject, text in said.items() if not text)
    return (f"{remedy} ({'; '.join(ways)})" if ways else remedy), left


def _rebuild(cls: type[InputError], rule: str, fields: dict[str, object]) -> InputError:
    return cls(rule, **fields)  # type: ignore[arg-type]
