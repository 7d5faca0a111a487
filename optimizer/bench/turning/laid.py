"""A network among everything that its places may be, and the moves a hand can make."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from optimizer.errors import InputError, Subject
from optimizer.goals.goal import GoalSet
from optimizer.network.network import Network
from optimizer.network.topology import Ladder, Slot
from optimizer.parts import Kind, Part
from optimizer.problem.genome import Genome, Move
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space

Filling = Literal["stays", "can go", "can come"]
"""Whether a place is always filled, may be left out, or is empty and may be put in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """One part of a network, and how far it can be turned.

    Parameters
    ----------
    label : str
        Ladder and name: "tweeter.P1.Rs".
    ladder, name : str
        The two halves of the label.
    slot : str
        What it is part of: "P1".
    kind : Kind
        What it holds.
    part : Part or None
        What it is now; None where the place is empty.
    row : int
        Which of its options that is, by value from the smallest up. An empty place remembers what
        it would be.
    count : int
        How many options it has; 1 for a part that stays on the board.
    filling : {"stays", "can go", "can come"}
        A compound goes and comes as a whole.
    kept : bool
        Whether it stays on the board as it is, until `LaidOut.free` lets it be changed.
    """

    label: str
    ladder: str
    name: str
    slot: str
    kind: Kind
    part: Part | None
    row: int
    count: int
    filling: Filling
    kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Several alternatives of which one is built: other parts, or positions of a control.

    Parameters
    ----------
    ladder : str
        Where it is.
    control : str
        Name of the control; empty for parts that are soldered in.
    names : tuple of str
        What the alternatives are called.
    taken : int
        Which of them is built.
    """

    ladder: str
    control: str
    names: tuple[str, ...]
    taken: int


@dataclass(frozen=True, kw_only=True, eq=False)
class LaidOut:
    """A network of a space: what a hand can turn. A value: every move gives another one.

    Parameters
    ----------
    problem : Problem
        Its space holds the network.
    genome : Genome
        The network.
    """

    problem: Problem
    genome: Genome

    @classmethod
    def of(cls, problem: Problem, network: Network) -> LaidOut:
        """Lay a network out.

        Parameters
        ----------
        problem : Problem
            What is wanted and what there is.
        network : Network
            With the ways of the problem. One that its space lacks (a board with parts of its own)
            is laid out in the space around it, see `Problem.around`.
        """
        try:
            return cls(problem=problem, genome=problem.space.locate(network))
        except LookupError:
            around = problem.around(network)
            return cls(problem=around, genome=around.space.locate(network))

    @property
    def space(self) -> Space:
        """Everything it may become."""
        return self.problem.space

    @cached_property
    def network(self) -> Network:
        """What is built."""
        return self.space.network(self.genome)

    @cached_property
    def around(self) -> Neighbourhood:
        """Its moves."""
        return Neighbourhood(self.problem.landscape, self.genome)

    @cached_property
    def knobs(self) -> tuple[Knob, ...]:
        """Its parts in the order of the ladders, source first, empty places included."""
        space = self.space
        goes = {(k, True) for k in self._removable} | {(k, False) for k in self._fillable}
        found = []
        for g, gene in enumerate(space.genes):
            filled = bool(self.genome.present[gene.slot])
            label = space.label(g)
            ladder = space.topology.ladders[gene.ladder].name
            slot = space.slots[gene.slot]
            open_end: Filling = "can go" if filled else "can come"
            found.append(
                Knob(
                    label=label,
                    ladder=ladder,
                    name=label.removeprefix(f"{ladder}."),
                    slot=slot.name,
                    kind=gene.kind,
                    part=space.part(self.genome, g),
                    row=int(self.genome.choice[g]),
                    count=len(space.options[g].parts),
                    filling=open_end if (gene.slot, filled) in goes else "stays",
                    kept=self._stays(ladder, slot.name, slot),
                )
            )
        return tuple(found)

    @property
    def turnable(self) -> tuple[str, ...]:
        """Ways whose polarity is free."""
        ways = self.space.topology.ways
        return tuple(ways[w].name for move in self.around.turns() for w in move.turned)

    @property
    def switches(self) -> tuple[Switch, ...]:
        """Its alternatives and controls, in the order of the topology."""
        present = self.genome.present
        return tuple(
            Switch(
                ladder=choice.ladder,
                control=choice.control,
                names=tuple(one.name for one in choice.alternatives),
                taken=next(k for k, one in enumerate(among) if one.fits(present)),
            )
            for choice, among in zip(
                self.space.topology.choices, self.space.alternatives.choices, strict=True
            )
        )

    @cached_property
    def _removable(self) -> tuple[int, ...]:
        return tuple(k for k in self._optional if self.genome.present[k])

    @cached_property
    def _fillable(self) -> tuple[int, ...]:
        return tuple(k for k in self._optional if not self.genome.present[k])

    @cached_property
    def _optional(self) -> tuple[int, ...]:
        """Slots that may be filled or emptied by themselves, not as one alternative of several."""
        optional = [k for k, may in enumerate(self.space.optional) if may]
        return tuple(k for k in optional if self._mends(self._fill(k).apply(self.genome)))

    def _fill(self, slot: int) -> Move:
        """Fill a slot with what it was last, or empty it."""
        return Move(slots=((slot, not self.genome.present[slot]),))

    def _mends(self, genome: Genome) -> bool:
        """Whether a network breaks no rule that this one keeps."""
        rules = self.space.rules
        return rules.breaches(genome) <= rules.breaches(self.genome)

    def weighed(self, goals: GoalSet) -> LaidOut:
        """Give goals other weights: what a search is to better."""
        return replace(self, problem=self.problem.replace(goals=goals))

    # -- what a hand does

    def step(self, label: str, by: int) -> LaidOut:
        """Turn one part through its options.

        Parameters
        ----------
        label : str
            Its place.
        by : int
            How many options further; below 0 for smaller values. At an end it stays there, and
            options whose pieces are spoken for are passed over.

        Raises
        ------
        InputError
            When the place is empty, or there is nothing further on.
        """
        g = self._gene(label)
        if by == 0:
            return self
        if self.space.part(self.genome, g) is None:
            raise InputError(
                "an empty place has no value to turn",
                subject=Subject("slot", label),
                remedy="put the part in first",
            )
        now = int(self.genome.choice[g])
        last = len(self.space.options[g].parts) - 1
        aim = min(last, max(0, now + by))
        way = 1 if by > 0 else -1
        # Beyond what is aimed at first, then back towards where it stands.
        rows = [*range(aim, (last if way > 0 else 0) + way, way), *range(aim - way, now, -way)]
        for row in rows:
            if row == now:
                continue
            moved = self.around.move((g, row)).apply(self.genome)
            if self._mends(moved):
                return self._with(moved)
        more = "larger" if by > 0 else "smaller"
        raise InputError(
            f"the stock offers no {more} value in the range of the place",
            subject=Subject("slot", label),
        )

    def put(self, label: str, row: int) -> LaidOut:
        """Give one part one of its options, by number from the smallest up; see `step`."""
        return self.step(label, row - int(self.genome.choice[self._gene(label)]))

    def toggle(self, label: str) -> LaidOut:
        """Put a part or compound in, or leave it out.

        Parameters
        ----------
        label : str
            Any part of it. What comes in has the values that it had last.

        Raises
        ------
        InputError
            When the place is always filled, or its pieces are not there.
        """
        slot = int(self.space.gene_slot[self._gene(label)])
        if not self.space.optional[slot]:
            raise InputError(
                "a part that is not optional stays in",
                subject=Subject("slot", label),
                remedy="make it optional in the design",
            )
        moved = self._fill(slot).apply(self.genome)
        if not self._mends(moved):
            raise InputError(
                "its pieces are in use elsewhere, or it is one of several alternatives",
                subject=Subject("slot", label),
            )
        return self._with(moved)

    def take(self, switch: int, alternative: int) -> LaidOut:
        """Take another alternative, or set a control to another position.

        Parameters
        ----------
        switch, alternative : int
            By their numbers in `switches`. Parts that come in stand in the middle of their ranges.

        Raises
        ------
        InputError
            When there is no such alternative, or its pieces are not there.
        """
        among = self.space.alternatives.choices
        if not (0 <= switch < len(among) and 0 <= alternative < len(among[switch])):
            raise InputError("there is no such alternative", value=f"{switch}, {alternative}")
        wanted = among[switch][alternative]
        if wanted.fits(self.genome.present):
            return self
        for of_values in (False, True):
            for move in self.around.switches(of_values=of_values):
                moved = move.apply(self.genome)
                if wanted.fits(moved.present) and self._mends(moved):
                    return self._with(moved)
        raise InputError("the pieces of the alternative are in use elsewhere")

    def free(self, label: str) -> LaidOut:
        """Let a part that stays on the board be changed: from now on it may be what the stock offers.

        Parameters
        ----------
        label : str
            Any part of its slot.

        Raises
        ------
        InputError
            When it may be changed anyway, or is set by a control.
        """
        g = self._gene(label)
        slot = self.space.slots[self.space.gene_slot[g]]
        topology = self.problem.topology
        name = (topology.ladders[self.space.genes[g].ladder].name, slot.name)
        if not self._stays(*name, slot):
            raise InputError(
                "only a part that stays on the board needs leave to be changed",
                subject=Subject("slot", label),
            )

        def open_up(ladder: Ladder) -> tuple[Slot, ...]:
            return tuple(
                one.released if (ladder.name, one.name) == name else one for one in ladder.slots
            )

        problem = self.problem.replace(topology=topology.map_slots(open_up))
        return LaidOut(problem=problem, genome=problem.space.locate(self.network))

    def _stays(self, ladder: str, name: str, slot: Slot) -> bool:
        """Whether the parts of a slot stay on the board, and are not one alternative of several."""
        choices = self.space.topology.choices
        return slot.fixed and not any(c.ladder == ladder and name in c.slots for c in choices)

    def turn(self, way: str) -> LaidOut:
        """Connect a way the other way round.

        Raises
        ------
        InputError
            When its polarity is not free.
        """
        ways = self.space.topology.ways
        for move in self.around.turns():
            if ways[move.turned[0]].name == way:
                return self._with(move.apply(self.genome))
        raise InputError(
            "the polarity of the way is not free",
            subject=Subject("way", way, "polarity"),
            value=way,
            remedy='write "polarity: free" in the design, or turn the others',
        )

    def _with(self, genome: Genome) -> LaidOut:
        return LaidOut(problem=self.problem, genome=genome)

    def _gene(self, label: str) -> int:
        g = self.space.find(label)
        if g is None:
            raise InputError("the network has no such place", value=label)
        return g
