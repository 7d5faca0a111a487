"""How curves move with every part and driver of a branch, from one pass down its walk.

A change dX of the immittance of a step, or of a driver's admittance, moves the current of the branch
by ``S^2 dX`` and the voltages of its drivers by what `network/expression/walk.py` derives. Here that is
summed over drivers to the relative change of the sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from optimizer.arrays import Complex
from optimizer.network.expression.immittance import branch_immittance
from optimizer.network.expression.plan import PartsBranch, Step
from optimizer.network.expression.walk import Above, Number, Visitor, mul


class BranchCurrents(Visitor):
    """Currents of the parts of one branch, for a volt at its input.

    Parameters
    ----------
    impedance : sequence of ndarray, shape (P, F)
        Of its parts.

    Attributes
    ----------
    current : dict of int to ndarray, shape (P, F)
        By number of the part, for those that stand alone in the line, or across it in a row.
    """

    def __init__(self, impedance: Sequence[Complex]) -> None:
        self.impedance = impedance
        self.current: dict[int, Complex] = {}

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        """Keep the currents of a step."""
        for branch in step.branches:
            if not is_plain(step, branch):
                continue
            through: Complex = np.asarray(state)
            if step.kind == "parallel":
                admittance = branch_immittance(branch, self.impedance.__getitem__, "y")
                through = np.asarray(state * np.asarray(admittance))
            self.current.update(dict.fromkeys(branch.leaves, through))


def is_plain(step: Step, branch: PartsBranch) -> bool:
    """Whether all parts of a branch carry one current that the step gives."""
    in_a_row = branch.kind == "series" and all(item.kind == "part" for item in branch.items)
    return branch.kind == "part" or (in_a_row and step.kind == "parallel")


class BranchSlopes(BranchCurrents):
    """Slopes of one branch.

    Parameters
    ----------
    impedance : sequence of ndarray, shape (P, F)
        Of its parts.
    per_volt : sequence of ndarray, shape (P, A, F)
        Of each driver its sound for a volt, over the sound of all.
    transfer : sequence of ndarray, shape (P, F)
        Voltage of each driver, without sign.

    Attributes
    ----------
    of_part, of_driver : dict of int to (ndarray (P, A, F), ndarray (P, F))
        By number: the relative change of the sound, and the change of the current, for an ohm of the
        part or a siemens of the driver.
    """

    sees_drivers = True

    def __init__(
        self, impedance: Sequence[Complex], per_volt: Sequence[Complex], transfer: Sequence[Complex]
    ) -> None:
        super().__init__(impedance)
        self.per_volt, self.transfer = per_volt, transfer
        self.share = [u * h[:, None] for u, h in zip(per_volt, transfer, strict=True)]
        self.of_part: dict[int, tuple[Complex, Complex]] = {}
        self.of_driver: dict[int, tuple[Complex, Complex]] = {}

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        """Keep what each part of a step does."""
        super().step(step, state, row, above)
        sign = -1.0 if step.kind == "series" else 1.0
        sound, current = self._change(state, row, sign, step.below, above)
        want: Literal["z", "y"] = "z" if step.kind == "series" else "y"
        for branch in step.branches:
            for g in branch.leaves:
                part = _share(branch, self.impedance, want, g)
                if isinstance(part, float):
                    self.of_part[g] = sound, current
                else:
                    self.of_part[g] = sound * part[:, None], current * part

    def driver(self, driver: int, state: Number, row: Number, above: Above) -> None:
        """Keep what a driver's admittance does."""
        self.of_driver[driver] = self._change(state, row, 1.0, (driver,), above)

    def _change(
        self, state: Number, row: Number, sign: float, below: Sequence[int], above: Above
    ) -> tuple[Complex, Complex]:
        """Relative change of the sound, and change of the current, for a unit of immittance."""
        full: Complex = np.broadcast_to(np.asarray(state), self.transfer[0].shape)
        current = np.asarray(sign * full**2)
        turned = np.asarray(sign * full * row)
        shares = [self.share[w] for w in below]
        sound = (shares[0] if len(shares) == 1 else np.sum(shares, axis=0)) * turned[:, None]
        for w, factor in above:
            sound = sound + self.per_volt[w] * np.asarray(mul(current, factor))[:, None]
        return np.asarray(sound), current


def _share(
    branch: PartsBranch, impedance: Sequence[Complex], want: Literal["z", "y"], g: int
) -> Complex | float:
    """Slope of a branch's immittance for the impedance of one of its parts."""
    if branch.kind == "part":
        return 1.0 if want == "z" else np.asarray(-1.0 / impedance[g] ** 2)
    if branch.kind == "tap":
        ratio = branch.ratio ** (2 if want == "z" else -2)
        return _share(branch.items[0], impedance, want, g) * ratio
    have: Literal["z", "y"] = "z" if branch.kind == "series" else "y"
    item = next(item for item in branch.items if g in item.leaves)
    own = _share(item, impedance, have, g)
    if have == want:
        return own
    whole = branch_immittance(branch, impedance.__getitem__, want)
    assert whole is not None
    return np.asarray(-own * whole**2)
