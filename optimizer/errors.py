"""The one error tree: every failure a user can cause, said in one message."""

from __future__ import annotations

from pathlib import Path


class LaddersmithError(Exception):
    """Base of every error raised on purpose by this package."""


class InputError(LaddersmithError, ValueError):
    """Bad input: says where, which value, which rule it breaks and what to do.

    Parameters
    ----------
    rule : str
        The rule that is broken, as a statement ("frequency must increase").
    file : path-like, optional
        The file at fault.
    line : int, optional
        Line in that file, counted from 1.
    key : str, optional
        Dotted key in a design file ("ways.woofer.ladder[2].from").
    value : object, optional
        What was found instead.
    remedy : str, optional
        What the user can do about it.

    Notes
    -----
    The text reads ``file:line: key: rule, got value; remedy``. The command line turns this
    error into exit code 2.
    """

    def __init__(
        self,
        rule: str,
        *,
        file: str | Path | None = None,
        line: int | None = None,
        key: str | None = None,
        value: object = None,
        remedy: str | None = None,
    ) -> None:
        self.rule = rule
        self.file = None if file is None else str(file)
        self.line = line
        self.key = key
        self.value = value
        self.remedy = remedy
        super().__init__(rule)

    def __str__(self) -> str:
        where = self.file or ""
        if self.line is not None:
            where += f":{self.line}" if where else f"line {self.line}"
        parts = [where] if where else []
        if self.key:
            parts.append(self.key)
        text = self.rule
        if self.value is not None:
            text += f", got {self.value}"
        if self.remedy:
            text += f"; {self.remedy}"
        return ": ".join([*parts, text])

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions with keyword-only fields do not pickle by themselves; workers must.
        return (
            _rebuild,
            (
                type(self),
                self.rule,
                self.file,
                self.line,
                self.key,
                None if self.value is None else str(self.value),
                self.remedy,
            ),
        )

    def located(
        self, *, file: str | Path | None = None, line: int | None = None, key: str | None = None
    ) -> InputError:
        """Return the same error with missing location fields filled in."""
        return type(self)(
            self.rule,
            file=self.file or file,
            line=self.line if self.line is not None else line,
            key=self.key or key,
            value=self.value,
            remedy=self.remedy,
        )


def _rebuild(
    cls: type[InputError],
    rule: str,
    file: str | None,
    line: int | None,
    key: str | None,
    value: object,
    remedy: str | None,
) -> InputError:
    return cls(rule, file=file, line=line, key=key, value=value, remedy=remedy)
