"""Building networks into cabinets and taking that back: diary and shelf change together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.bench.diary.file import Diary, DiaryEntry, Side, name_diary
from optimizer.bench.diary.keep import Deed, Named, append_deed, open_diary
from optimizer.bench.diary.shelf import Shelf, list_wanted
from optimizer.design.nouns import Design
from optimizer.errors import InputError
from optimizer.problem.problem import Problem
from optimizer.text.writing import HeldFile, hold_file


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What was written.

    Parameters
    ----------
    number : int
        Of the entry.
    pieces : int
        That came off the shelf; below 0 where more went back.
    lists : tuple of str
        The lists of parts that were changed.
    """

    number: int
    pieces: int
    lists: tuple[str, ...]


def build_in(
    design: Design, problem: Problem, named: Named, sides: Sequence[Side], *, booked: bool = True
) -> Done:
    """Note that a network was built into cabinets, and book its pieces out.

    What stood in a cabinet before goes back to the shelf.

    Parameters
    ----------
    design : Design
        Its diary is begun where there is none; its lists of what is owned are changed.
    problem : Problem
        Made of it.
    named : Named
        The network.
    sides : sequence of {"left", "right"}
        The cabinets.
    booked : bool
        Whether the lists follow.

    Raises
    ------
    InputError
        The shelf holds too few pieces, or a file cannot be read or written; then nothing changes.
    """
    path = name_diary(design.path)

    def take(shelf: Shelf, diary: Diary) -> None:
        for side in sides:
            shelf.give_back(diary.holds(side))
        shelf.take(list_wanted(problem, named[1].network, sides))

    says = f"{named[0]} into the {_say_sides(sides)}"
    deed = Deed(did="build", says=says, problem=problem, networks=[named], cabinets=sides)
    with hold_file(path) as held:
        return _write(held, design, deed, open_diary(held), take if booked else None)


def undo_build(
    design: Design, number: int | None = None, *, booked: bool = True
) -> tuple[DiaryEntry, Done]:
    """Take a build back: its cabinets hold again what they held before, and so does the shelf.

    Parameters
    ----------
    design : Design
        As of `build_in`.
    number : int, optional
        Of the entry; the newest build by default.
    booked : bool
        Whether the lists follow.

    Raises
    ------
    InputError
        There is no such build, another stands over it, or a file cannot be read or written.
    """
    with hold_file(name_diary(design.path)) as held:
        diary = open_diary(held)
        entry = _find_build(diary, number)
        deed = Deed(
            did="undo",
            says=f"entry {entry.number}: {entry.says}",
            cabinets=entry.cabinets,
            undoes=entry.number,
        )

        def give_back(shelf: Shelf, diary: Diary) -> None:
            shelf.give_back(entry.booked)

        return entry, _write(held, design, deed, diary, give_back if booked else None)


def _find_build(diary: Diary, number: int | None) -> DiaryEntry:
    standing = {entry.number: entry for some in diary.built.values() for entry in some}
    if number is None and standing:
        number = max(standing)
    if number not in standing:
        raise InputError(
            "there is no such build to undo",
            file=diary.path,
            value="none" if number is None else f"entry {number}",
            remedy=f"builds that stand: {', '.join(map(str, standing))}" if standing else None,
        )
    entry = standing[number]
    over = [diary.built[side][-1] for side in entry.cabinets if diary.built[side][-1] is not entry]
    if over:
        raise InputError(
            f"entry {over[0].number} was built over it",
            file=diary.path,
            value=f"entry {number}",
            remedy="undo that first",
        )
    return entry


def _write(
    held: HeldFile,
    design: Design,
    deed: Deed,
    diary: Diary,
    change: Callable[[Shelf, Diary], None] | None,
) -> Done:
    """Change the lists and add the entry: both, or neither."""
    if change is None or not design.stock.shelf:
        return Done(number=append_deed(held, deed), pieces=0, lists=())
    shelf = Shelf(design.stock.shelf, held.path.parent)
    change(shelf, diary)
    booked = shelf.booked
    if not booked:
        return Done(number=append_deed(held, deed), pieces=0, lists=())
    shelf.write()
    try:
        number = append_deed(held, replace(deed, booked=booked))
    except BaseException:
        shelf.restore()
        raise
    return Done(
        number=number,
        pieces=sum(one.pieces for one in booked),
        lists=tuple(dict.fromkeys(one.file for one in booked)),
    )


def _say_sides(sides: Sequence[Side]) -> str:
    return f"{sides[0]} cabinet" if len(sides) == 1 else "both cabinets"


def find_design(diary: Path) -> Path | None:
    """Find the design file that a diary belongs to; None where it is gone."""
    names = [diary.with_suffix(ending) for ending in (".yaml", ".yml")]
    return next((name for name in names if name.is_file()), None)
