"""A topology compiled for whole populations: values in, transfers, admittances and slopes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.network.expression.bank import LossLaw as LossLaw
from optimizer.network.expression.plan import Population as Population
from optimizer.network.ladder import Slot, Topology
from optimizer.network.solve import (
    LadderSection,
    part_impedance,
    part_impedance_slope,
    sections_of,
)
from optimizer.parts import KINDS, LETTER_OF_KIND, Kind, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Gene:
    """One part of one slot: the unit in which a search thinks.

    Parameters
    ----------
    name : str
        "L1" for a single part, "N1.L" inside a compound, "P1.Rs" and "P1.Rp" for a pad.
    way, slot, part : int
        Index of the way, of the slot among all slots of the topology, of the part in its slot.
    kind : Kind
        What it is.
    low, high : float
        Allowed values, SI.
    kept : Part or None
        The part that stays on the board; such a gene is never changed.
    original : Part or None
        The part on the board that may stay or be replaced.
    """

    name: str
    way: int
    slot: int
    part: int
    kind: Kind
    low: float
    high: float
    kept: Part | None = None
    original: Part | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedSection:
    """A section of a way with the genes that make it and the slot it belongs to."""

    section: LadderSection
    genes: tuple[int, ...]
    slot: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BankSolution:
    """Electrical answer of a population.

    Parameters
    ----------
    transfer : list of ndarray, each (..., F), complex
        One per way: driver voltage over amplifier voltage, polarity included.
    admittance : ndarray, shape (..., F), complex
        Input admittance of all ways together.
    """

    transfer: list[Complex]
    admittance: Complex


@dataclass(frozen=True, slots=True, kw_only=True)
class BankTangents:
    """Derivatives of a `BankSolution` with respect to the logarithm of each free gene's value.

    Parameters
    ----------
    genes : list of ndarray of int
        For each way, the free genes its arrays run over.
    transfer : list of ndarray, each (P, S_w, F), complex
        Derivative of the way's transfer; other ways do not depend on these genes.
    admittance : list of ndarray, each (P, S_w, F), complex
        Derivative of the total input admittance.
    """

    genes: list[Index]
    transfer: list[Complex]
    admittance: list[Complex]


class LadderBank:
    """A topology on a frequency grid with its loads, ready to be solved many times.

    Parameters
    ----------
    topology : Topology
        Slots of all ways.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    load_ohm : sequence of ndarray (F,), one per way
        Impedance of the driver of each way.
    """

    def __init__(self, topology: Topology, frequency_hz: Real, load_ohm: Sequence[Complex]) -> None:
        self.topology = topology
        self.frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
        self.omega = 2.0 * np.pi * self.frequency_hz
        self.load_admittance = [1.0 / np.asarray(z, dtype=np.complex128) for z in load_ohm]
        self.slots: list[Slot] = []
        self.slot_way: list[int] = []
        self.genes: list[Gene] = []
        self.ways: list[list[PlacedSection]] = []
        for w, way in enumerate(topology.ways):
            placed: list[PlacedSection] = []
            seen: set[str] = set()
            for slot in way.slots:
                if slot.name in seen:
                    raise InputError(
                        "slot names are unique within a way",
                        subject=Subject("way", way.name),
                        value=slot.name,
                    )
                seen.add(slot.name)
                first, k = len(self.genes), len(self.slots)
                self.slots.append(slot)
                self.slot_way.append(w)
                for i, kind in enumerate(slot.kinds):
                    kept = slot.kept[i] if slot.kept and slot.fixed else None
                    original = slot.kept[i] if slot.kept and not slot.fixed else None
                    low, high = (
                        (kept.value, kept.value)
                        if kept
                        else (slot.ranges[i].low, slot.ranges[i].high)
                    )
                    self.genes.append(
                        Gene(
                            name=gene_name(slot, i),
                            way=w,
                            slot=k,
                            part=i,
                            kind=kind,
                            low=low,
                            high=high,
                            kept=kept,
                            original=original,
                        )
                    )
                placed.extend(
                    PlacedSection(section=section, slot=k, genes=tuple(first + i for i in indices))
                    for section, indices in sections_of(slot.form, slot.place)
                )
            self.ways.append(placed)
        self.gene_slot = np.array([g.slot for g in self.genes], dtype=np.intp)
        self.free = np.array([g.kept is None for g in self.genes], dtype=bool)

    def thinned(self, index: Index) -> LadderBank:
        """Return the same bank on a subset of its frequencies.

        Parameters
        ----------
        index : ndarray of int
            Grid points to keep.
        """
        return LadderBank(
            self.topology, self.frequency_hz[index], [1.0 / y[index] for y in self.load_admittance]
        )

    def gene_impedance(self, g: int, values: Real, loss_ohm: Real) -> Complex:
        """Impedance of gene `g` for given values and losses, shape (..., F)."""
        return part_impedance(self.genes[g].kind, values, loss_ohm, self.omega)

    def section_immittance(self, placed: PlacedSection, population: Population) -> Complex:
        """Immittance of one section for a population, zero where its slot is empty.

        Returns
        -------
        ndarray, shape (..., F), complex
        """
        z = [
            self.gene_impedance(g, population.values[..., g], population.loss_ohm[..., g])
            for g in placed.genes
        ]
        immittance = placed.section.immittance(z)
        present = population.present[..., placed.slot]
        return immittance if present.all() else immittance * present[..., None]

    def solve(self, population: Population) -> BankSolution:
        """Solve every network of a population.

        Parameters
        ----------
        population : Population
            Leading axes of any shape.

        Returns
        -------
        BankSolution
        """
        transfer: list[Complex] = []
        total: Complex | None = None
        shape = (*np.shape(population.values)[:-1], len(self.omega))
        for w, placed in enumerate(self.ways):
            # Everything in place: a fresh array for each step would cost more than its arithmetic.
            voltage: Complex = np.ones(shape, dtype=np.complex128)
            current = np.empty(shape, dtype=np.complex128)
            current[...] = self.load_admittance[w]
            for step in reversed(placed):
                x = self.section_immittance(step, population)
                if step.section.place == "series":
                    x *= current
                    voltage += x
                else:
                    x *= voltage
                    current += x
            np.reciprocal(voltage, out=voltage)
            current *= voltage
            voltage *= population.polarity[..., w, None]
            transfer.append(voltage)
            if total is None:
                total = current
            else:
                total += current
        assert total is not None
        return BankSolution(transfer=transfer, admittance=total)

    def solve_with_tangents(
        self, population: Population, loss_laws: dict[Kind, LossLaw]
    ) -> tuple[BankSolution, BankTangents]:
        """Solve a population and differentiate it with respect to log values.

        Parameters
        ----------
        population : Population
            Leading axis P only.
        loss_laws : dict of kind to callable
            Smooth loss in ohm as a function of value; losses follow it while values move.

        Returns
        -------
        BankSolution, BankTangents

        Notes
        -----
        With the source row (a, b) of the product of the sections before section k, and the state
        (V, I) after it, dV_in = a I dz for a series section and b V dy for a shunt one. A ladder is
        reciprocal, so dY_in = -(I/V_in)^2 dz and +(V/V_in)^2 dy follow from the same states (the
        adjoint-network theorem: Director and Rohrer, IEEE Trans. Circuit Theory 16, 1969).
        """
        transfer: list[Complex] = []
        total: Complex | None = None
        genes_of_way: list[Index] = []
        d_transfer: list[Complex] = []
        d_admittance: list[Complex] = []
        p, f = len(population), len(self.omega)
        impedance, slope = self._impedances_and_slopes(population, loss_laws)
        for w, placed in enumerate(self.ways):
            x, steps = self._immittances_and_slopes(placed, impedance, slope)
            x *= population.present[:, [s.slot for s in placed], None]
            states = np.empty_like(x)  # I after a series section, V after a shunt section
            chain = np.empty_like(x)  # the source row's entry that multiplies that state
            voltage: Complex = np.ones((p, f), dtype=np.complex128)
            current = np.broadcast_to(self.load_admittance[w], (p, f))
            for k in range(len(placed) - 1, -1, -1):
                if placed[k].section.place == "series":
                    states[:, k] = current
                    voltage = voltage + x[:, k] * current
                else:
                    states[:, k] = voltage
                    current = current + x[:, k] * voltage
            a: Complex = np.ones((p, f), dtype=np.complex128)
            b: Complex = np.zeros((p, f), dtype=np.complex128)
            for k, step in enumerate(placed):
                if step.section.place == "series":
                    chain[:, k] = a
                    b = b + a * x[:, k]
                else:
                    chain[:, k] = b
                    a = a + b * x[:, k]
            inverse = 1.0 / voltage
            h = inverse * population.polarity[:, w, None]
            transfer.append(h)
            y = current * inverse
            total = y if total is None else total + y

            states *= inverse[:, None]
            chain *= states
            chain *= -h[:, None]
            states *= states
            states *= np.array([-1.0 if s.section.place == "series" else 1.0 for s in placed])[
                :, None
            ]
            free = [(g, k) for k, s in enumerate(placed) for g in s.genes if self.free[g]]
            genes = np.array([g for g, _ in free], dtype=np.intp)
            sections = np.array([k for _, k in free], dtype=np.intp)
            dx = steps[
                :,
                [
                    i
                    for i, (g, _) in enumerate(
                        (g, k) for k, s in enumerate(placed) for g in s.genes
                    )
                    if self.free[g]
                ],
            ]
            dx *= population.present[:, [placed[k].slot for k in sections], None]
            genes_of_way.append(genes)
            d_transfer.append(chain[:, sections] * dx)
            d_admittance.append(states[:, sections] * dx)
        assert total is not None
        return (
            BankSolution(transfer=transfer, admittance=total),
            BankTangents(genes=genes_of_way, transfer=d_transfer, admittance=d_admittance),
        )

    def _impedances_and_slopes(
        self, population: Population, loss_laws: dict[Kind, LossLaw]
    ) -> tuple[Complex, Complex]:
        """Impedance of every gene and its derivative with respect to the log value, (P, G, F)."""
        p, g = population.values.shape
        z = np.empty((p, g, len(self.omega)), dtype=np.complex128)
        dz = np.empty_like(z)
        for kind in KINDS:
            at = [i for i, gene in enumerate(self.genes) if gene.kind == kind]
            if not at:
                continue
            value = population.values[:, at]
            loss = population.loss_ohm[:, at]
            z[:, at] = part_impedance(kind, value, loss, self.omega)
            dz[:, at] = (
                part_impedance_slope(kind, value, _slope(loss_laws[kind], value), self.omega)
                * value[..., None]
            )
        return z, dz

    def _immittances_and_slopes(
        self, placed: list[PlacedSection], impedance: Complex, slope: Complex
    ) -> tuple[Complex, Complex]:
        """Immittance of every section, and its derivative for each of its genes in turn."""
        p, _, f = impedance.shape
        x = np.empty((p, len(placed), f), dtype=np.complex128)
        dx = np.empty((p, sum(len(s.genes) for s in placed), f), dtype=np.complex128)
        row = 0
        for k, step in enumerate(placed):
            z = [impedance[:, g] for g in step.genes]
            x[:, k] = step.section.immittance(z)
            for value in step.section.immittance_slopes(
                x[:, k], z, [slope[:, g] for g in step.genes]
            ):
                dx[:, row] = value
                row += 1
        return x, dx


def gene_name(slot: Slot, part: int) -> str:
    """Name of one part of a slot as reports print it.

    Parameters
    ----------
    slot : Slot
        The slot.
    part : int
        Index of the part.

    Returns
    -------
    str
        "L1", "N1.C", "P1.Rs", "P1.Rp".
    """
    if len(slot.kinds) == 1:
        return slot.name
    if slot.form == "pad":
        return f"{slot.name}.{'Rs' if part == 0 else 'Rp'}"
    return f"{slot.name}.{LETTER_OF_KIND[slot.kinds[part]]}"


def _slope(law: LossLaw, value: Real) -> Real:
    # Loss laws are smooth power-like functions: a central difference in log value is exact to 1e-9.
    step = 1e-5
    return (law(value * (1.0 + step)) - law(value * (1.0 - step))) / (2.0 * step * value)
