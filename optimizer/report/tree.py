"""How ladders hang on each other: what every picture of a whole network is drawn from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from optimizer.network.expression.plan import Joint
from optimizer.network.network import FittedLadder, FittedWay, Network


@dataclass(frozen=True, slots=True)
class Limb:
    """Ladders one behind the other, and what stands at their end.

    Parameters
    ----------
    ladders : tuple of FittedLadder
        Source first; each but the last is a group of one member. None where several limbs part at
        the amplifier's terminals.
    foot : FittedWay or Fork
        The way whose driver stands at the end, or where several limbs part.
    """

    ladders: tuple[FittedLadder, ...]
    foot: FittedWay | Fork

    def all_ladders(self) -> Iterator[FittedLadder]:
        """Every ladder of it, source first."""
        yield from self.ladders
        if isinstance(self.foot, Fork):
            for limb in self.foot.limbs:
                yield from limb.all_ladders()


@dataclass(frozen=True, slots=True)
class Fork:
    """Where several limbs part.

    Parameters
    ----------
    joint : {"series", "parallel"}
        How they are joined.
    limbs : tuple of Limb
        At least two.
    """

    joint: Joint
    limbs: tuple[Limb, ...]


def grow_limbs(network: Network) -> tuple[Limb, ...]:
    """Say how the ladders of a network hang on each other.

    Parameters
    ----------
    network : Network
        The network.

    Returns
    -------
    tuple of Limb
        One for everything that hangs on the amplifier's terminals.
    """
    ladders = {one.name: one for one in network.ladders}

    def grow(name: str) -> Limb:
        one = ladders[name]
        if isinstance(one, FittedWay):
            return Limb((one,), one)
        limbs = tuple(map(grow, one.members))
        if len(limbs) > 1:
            return Limb((one,), Fork(one.joint, limbs))
        return Limb((one, *limbs[0].ladders), limbs[0].foot)

    return tuple(grow(one.name) for one in network.branches)


def say_shared(ladder: FittedLadder) -> str:
    """Name a ladder in a picture that shows what hangs on it."""
    if isinstance(ladder, FittedWay):
        return f"{ladder.name}, inverted" if ladder.polarity < 0 else ladder.name
    return f"{ladder.name}: shared" if ladder.slots else ""


def say_end(ladder: FittedLadder) -> str:
    """Say what stands at the end of a way or shared section."""
    if isinstance(ladder, FittedWay):
        return ladder.driver
    joint = "" if len(ladder.members) == 1 else f" in {ladder.joint}"
    return f"to {', '.join(ladder.members)}{joint}"
