"""What is printed where: standard output, progress, colour, and terminals without Unicode."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, TextIO, cast

from optimizer.cli.outcome import discard_output
from optimizer.errors import InputError
from optimizer.text.quoting import PLAIN_LINES, make_printable

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType

    from optimizer.report.document import Document
    from optimizer.search.progress import SearchProgress

MOST_COLUMNS = 120
"""Lines longer than this are hard to read, however wide the terminal."""

WIDTH_ELSEWHERE = 100
"""Width of the output into a file or a pipe, unless COLUMNS says otherwise."""


class Screen:
    """Where a verb prints.

    Parameters
    ----------
    quiet : bool
        Print nothing at all.
    to_stderr : bool
        Print on standard error because standard output carries data.
    notes : bool
        Print the notes of documents, not only how many there are.
    """

    def __init__(
        self, *, quiet: bool = False, to_stderr: bool = False, notes: bool = False
    ) -> None:
        self.quiet = quiet
        self.notes = notes
        self._console = None if quiet else _open_console(stderr=to_stderr)

    @property
    def width(self) -> int:
        """Width to lay out for, in characters."""
        return WIDTH_ELSEWHERE if self._console is None else self._console.width

    def show(self, *things: RenderableType) -> None:
        """Print each thing on lines of its own.

        Raises
        ------
        InputError
            When the output cannot be written (disk full).
        """
        if self._console is None:
            return
        try:
            for thing in things:
                self._console.print(thing)
        except BrokenPipeError:
            # The reader has seen enough; the exit code must still be the right one.
            discard_output(cast("TextIO", self._console.file))
            self._console = None
        except OSError as error:
            discard_output(cast("TextIO", self._console.file))
            raise InputError(
                f"the output could not be written ({error.strerror})",
                remedy="check where it is sent to",
            ) from error

    def show_document(self, document: Document) -> None:
        """Print a document, laid out for the width of the terminal; see `show`."""
        if self._console is None:
            return
        from optimizer.report.render.terminal import render_terminal

        self.show(render_terminal(document, width=self.width, notes=self.notes))

    @contextlib.contextmanager
    def follow_search(self) -> Iterator[Callable[[SearchProgress], None] | None]:
        """Show a bar with the best cost so far while a search runs.

        Yields
        ------
        callable or None
            To be called with the state of the search; None when nobody looks.
        """
        if self.quiet or not _is_terminal(sys.stderr):
            yield None
            return
        from rich.progress import BarColumn, Progress, TextColumn

        with Progress(
            TextColumn("{task.description}"),
            BarColumn(30, style="dim", complete_style="bold", pulse_style="dim"),
            TextColumn("{task.fields[state]}"),
            console=_open_console(stderr=True, lasting=False),
            transient=True,
        ) as bar:
            task = bar.add_task("searching", total=None, state="starting")

            def follow(now: SearchProgress) -> None:
                bar.update(
                    task,
                    description=now.phase,
                    completed=now.seconds,
                    total=now.budget_seconds or None,
                    state=_say_state(now),
                )

            yield follow


def _say_state(now: SearchProgress) -> str:
    best = "no network yet" if now.best_cost is None else f"best cost {now.best_cost:.3f}"
    limit = f" of {now.budget_seconds:.0f}" if now.budget_seconds else ""
    return (
        f"{now.seconds:.0f}{limit} s   {best}   {now.evaluations / 1000:,.0f} thousand networks, "
        f"{now.restarts} starts"
    )


class _Passing:
    """A stream for what only matters while somebody looks: a terminal that is gone ends no search."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        with contextlib.suppress(OSError):
            self.stream.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError):
            self.stream.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


def _is_terminal(stream: TextIO | None) -> bool:
    with contextlib.suppress(OSError, ValueError):
        return stream is not None and stream.isatty()
    return False


def _open_console(*, stderr: bool, lasting: bool = True) -> Console:
    from rich.console import Console
    from rich.segment import Segment

    class PipeConsole(Console):
        def on_broken_pipe(self) -> None:
            # The library would end the process with its own exit code.
            raise BrokenPipeError

        def render(
            self, renderable: RenderableType, options: ConsoleOptions | None = None
        ) -> Iterator[Segment]:
            # Whatever a file was named, a terminal gets no instruction of it.
            for text, style, control in super().render(renderable, options):
                yield Segment(text if control else make_printable(text), style, control)

    stream: Any = sys.stderr if stderr else sys.stdout
    if stream is not None and hasattr(stream, "reconfigure"):
        stream.reconfigure(errors=PLAIN_LINES)
    is_terminal = _is_terminal(stream)
    if not lasting:
        stream = _Passing(stream)
    console = PipeConsole(file=stream, highlight=False, emoji=False, markup=False)
    if not is_terminal and not os.environ.get("COLUMNS", "").isdigit():
        console.width = WIDTH_ELSEWHERE
    console.width = min(console.width, MOST_COLUMNS)
    return console
