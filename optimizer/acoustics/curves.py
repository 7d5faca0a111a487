"""Ways to curves: complex sums by direction, averaged as Hermitian forms.

An energy average over directions, sum_a w_a |sum_d H_d G_da|^2, equals H^H R H with
R_de(f) = sum_a w_a G_da conj(G_ea), computed once. A listening window, a sound power or a single
direction then cost the same: one D x D form per frequency, however many directions were measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np

from optimizer.arrays import Complex, Flags, Index, Real

_FLOOR = 1e-30  # power far below any level a driver can radiate; keeps the logarithm finite
_DB = 10.0 / np.log(10.0)


class Field:
    """Named curves of a set of ways as Hermitian forms.

    Parameters
    ----------
    names : sequence of str, length C
        Name of each curve.
    pressure : ndarray, shape (D, A, F), complex
        Pressure of each way's driver in each direction for full drive.
    weights : ndarray, shape (C, A)
        Weight of each direction in each curve; each row sums to 1.
    """

    def __init__(self, names: Sequence[str], pressure: Complex, weights: Real) -> None:
        self.names = tuple(names)
        self.ways = pressure.shape[0]
        self.index = {name: i for i, name in enumerate(self.names)}
        self.pressure = pressure
        self.weights = np.asarray(weights, dtype=np.float64)
        # R_cde(f) = sum_a w_ca G_da conj(G_ea)
        self.form: Complex = np.einsum(
            "ca,daf,eaf->cdef", self.weights, pressure, pressure.conj(), optimize=True
        )

    def thinned(self, index: Index) -> Field:
        """Return the same field on a subset of its frequencies."""
        return Field(self.names, self.pressure[..., index], self.weights)

    @cached_property
    def diagonal(self) -> Real:
        """Real diagonal of the forms, shape (C, D, F)."""
        return np.ascontiguousarray(np.einsum("cddf->cdf", self.form).real)

    @cached_property
    def flat(self) -> Real:
        """The forms as weights of |H_d|^2 and of the two parts of H_d conj(H_e), shape (C, M, F).

        M runs over the ways, then over pairs d < e, real part and imaginary part of each.
        """
        rows = [self.diagonal[:, d] for d in range(self.ways)]
        for d in range(self.ways):
            for e in range(d + 1, self.ways):
                rows += [2.0 * self.form[:, d, e].real, -2.0 * self.form[:, d, e].imag]
        return np.ascontiguousarray(np.stack(rows, axis=1))


class Curves:
    """Curves of a population, computed when first asked for.

    Parameters
    ----------
    field : Field
        The forms.
    transfer : sequence of ndarray, one per way, each (..., F), complex
        Drive of each way; leading axes broadcast against each other.
    admittance : ndarray, shape (..., F), complex
        Input admittance in siemens.
    """

    def __init__(self, field: Field, transfer: Sequence[Complex], admittance: Complex) -> None:
        self.field = field
        self.transfer = list(transfer)
        self.admittance = admittance
        self._products: dict[tuple[int, int], tuple[Real, Real]] = {}
        self._power: dict[str, Real] = {}
        self._level: dict[str, Real] = {}
        # What goals share, by whatever they name it.
        self.derived: dict[tuple[object, ...], Any] = {}

    def some(self, chosen: Flags) -> Curves:
        """Return the curves of some members, one after the other.

        Parameters
        ----------
        chosen : ndarray of bool, shape (...)
        """

        def of(values: Complex) -> Complex:
            whole = np.broadcast_to(values, (*chosen.shape, values.shape[-1]))
            return values if values.ndim == 1 else whole[chosen]

        return Curves(self.field, [of(h) for h in self.transfer], of(self.admittance))

    @cached_property
    def _components(self) -> list[tuple[Real, Real]]:
        # Contiguous halves: strided views of complex arrays cost twice as much to read.
        return [(np.ascontiguousarray(h.real), np.ascontiguousarray(h.imag)) for h in self.transfer]

    @cached_property
    def _squares(self) -> list[Real]:
        return [re * re + im * im for re, im in self._components]

    def _product(self, d: int, e: int) -> tuple[Real, Real]:
        """Real and imaginary part of H_d conj(H_e), shared by all curves."""
        if (d, e) not in self._products:
            (a, b), (c, g) = self._components[d], self._components[e]
            self._products[d, e] = (a * c + b * g, b * c - a * g)
        return self._products[d, e]

    @cached_property
    def _still(self) -> list[int]:
        """Ways that are the same for every member: their share is computed once."""
        return [d for d, h in enumerate(self.transfer) if h.ndim == 1]

    def power(self, name: str) -> Real:
        """Squared pressure of a named curve re (20 uPa)^2, shape (..., F)."""
        if name not in self._power:
            c = self.field.index[name]
            if self._all is None:
                self._power[name] = np.maximum(self._sum_power(c), _FLOOR)
            else:
                self._power[name] = self._all[:, c]
        return self._power[name]

    @cached_property
    def _all(self) -> Real | None:
        """Powers of all curves, shape (P, C, F), when every way differs from member to member.

        One contraction then reads the products of the ways once for all curves.
        """
        shape = self.transfer[0].shape
        if len(shape) != 2 or any(h.shape != shape for h in self.transfer):
            return None
        p, f = shape
        flat = self.field.flat
        products = np.empty((p, flat.shape[1], f))
        conjugate = [h.conj() for h in self.transfer]
        row = self.field.ways
        x = np.empty(shape, dtype=np.complex128)
        for d, h in enumerate(self.transfer):
            products[:, d] = np.multiply(h, conjugate[d], out=x).real
            for e in range(d + 1, self.field.ways):
                np.multiply(h, conjugate[e], out=x)
                products[:, row], products[:, row + 1] = x.real, x.imag
                row += 2
        out = np.einsum("cmf,pmf->pcf", flat, products)
        return np.asarray(np.maximum(out, _FLOOR, out=out))

    @cached_property
    def _all_levels(self) -> Real | None:
        if self._all is None:
            return None
        out = np.log10(self._all)
        out *= 10.0
        return out

    def _sum_power(self, c: int) -> Real:
        # p = sum_de H_d conj(H_e) R_de with R Hermitian: squares, and twice the real part of the
        # upper triangle. Terms are added in order of size, so that a scan over two ways does
        # little work on its full outer product.
        form, diagonal = self.field.form[c], self.field.diagonal[c]
        still = self._still
        moving = [d for d in range(self.field.ways) if d not in still]
        total: Real = np.zeros(form.shape[-1])
        for i, d in enumerate(still):
            total = total + self._squares[d] * diagonal[d]
            for e in still[i + 1 :]:
                x = self.transfer[d] * self.transfer[e].conj() * form[d, e]
                total = total + 2.0 * x.real
        own = []
        for d in moving:
            term = self._squares[d] * diagonal[d]
            if still:
                q = 2.0 * sum(form[d, e] * self.transfer[e].conj() for e in still)
                re, im = self._components[d]
                term += re * q.real
                term -= im * q.imag
            own.append(term)
        for term in sorted(own, key=lambda t: t.size):
            total = total + term
        for i, d in enumerate(moving):
            for e in moving[i + 1 :]:
                # 2 Re(R H_d conj(H_e)) by real products.
                weight = 2.0 * form[d, e]
                if self.transfer[d].shape == self.transfer[e].shape:
                    re, im = self._product(d, e)
                    total = _add_product(total, re, weight.real)
                    total = _add_product(total, im, -weight.imag)
                    continue
                # In an outer product of two ways the weight goes to the smaller factor.
                re, im = self._components[d]
                other = self._components[e]
                total = _add_product(total, re * weight.real - im * weight.imag, other[0])
                total = _add_product(total, re * weight.imag + im * weight.real, other[1])
        return total

    def level_db(self, name: str) -> Real:
        """Level of a named curve in dB, shape (..., F)."""
        if name not in self._level:
            if self._all_levels is not None:
                self._level[name] = self._all_levels[:, self.field.index[name]]
            else:
                level = np.log10(self.power(name))
                level *= 10.0
                self._level[name] = level
        return self._level[name]

    @cached_property
    def impedance_db(self) -> Real:
        """20 log10 of the input impedance in ohm, shape (..., F)."""
        y = self.admittance
        out = np.log10(y.real**2 + y.imag**2)
        out *= -10.0
        return out


ByColumn = tuple[Index, Complex]
"""Derivatives (P, S, F) and the columns that they go to, (S,)."""


class CurveTangents:
    """Derivatives of `Curves` with respect to the log value of each free gene.

    Parameters
    ----------
    curves : Curves
        Curves at the same point, leading axis P.
    columns : int
        Number of columns S.
    transfer : sequence of (ndarray of int, ndarray), one per way
        Columns that move the way's transfer, and its derivatives by them, (P, S_w, F), complex;
        a column may move several ways.
    admittance : tuple of (ndarray of int, ndarray)
        The same of the input admittance.
    """

    def __init__(
        self, curves: Curves, columns: int, transfer: Sequence[ByColumn], admittance: ByColumn
    ) -> None:
        self.curves = curves
        self.columns = columns
        self.transfer = [dh for _, dh in transfer]
        self.admittance = admittance[1]
        self._into = [_run(own) for own, _ in transfer]
        self._into_load = _run(admittance[0])
        seen: set[int] = set()
        self._first = []
        for own, _ in transfer:
            # What no earlier way has written to need not be added.
            self._first.append(seen.isdisjoint(own.tolist()))
            seen.update(own.tolist())
        self._level: dict[str, Real] = {}
        self.derived: dict[tuple[object, ...], Real] = {}

    @cached_property
    def _components(self) -> list[tuple[Real, Real]]:
        return [
            (np.ascontiguousarray(dh.real), np.ascontiguousarray(dh.imag)) for dh in self.transfer
        ]

    def _empty(self) -> Real:
        p, f = self.curves.admittance.shape
        return np.zeros((p, self.columns, f))

    def of_way(self, way: int, values: Real) -> Real:
        """Put derivatives of one way into the columns of all genes.

        Parameters
        ----------
        way : int
        values : ndarray, shape (P, S_w, F)

        Returns
        -------
        ndarray, shape (P, S, F)
        """
        out = self._empty()
        if values.shape[1]:
            out[:, self._into[way]] = values
        return out

    def of_load(self, values: Real) -> Real:
        """Put derivatives of the load into the columns of all genes, see `of_way`."""
        out = self._empty()
        if values.shape[1]:
            out[:, self._into_load] = values
        return out

    def level_db(self, name: str) -> Real:
        """Differentiate a named curve's level: dB per neper of value, shape (P, S, F)."""
        if name not in self._level:
            field = self.curves.field
            form = field.form[field.index[name]]
            scale = 2.0 * _DB / self.curves.power(name)
            out = self._empty()
            for d, into in enumerate(self._into):
                if not self.transfer[d].shape[1]:
                    continue
                # p = sum_de H_d conj(H_e) R_de, so dp = 2 Re(dH_d sum_e R_de conj(H_e))
                q = sum(form[d, e] * self.curves.transfer[e].conj() for e in range(field.ways))
                q = q * scale
                re, im = self._components[d]
                share = re * q.real[:, None]
                share -= im * q.imag[:, None]
                if self._first[d]:
                    out[:, into] = share
                else:
                    out[:, into] += share
            self._level[name] = out
        return self._level[name]

    @cached_property
    def impedance_db(self) -> Real:
        """Derivative of `Curves.impedance_db`, shape (P, S, F)."""
        # d(-20 log10|Y|) = -(20/ln 10) Re(dY / Y)
        q = -2.0 * _DB / self.curves.admittance
        dy = self.admittance
        return self.of_load(dy.real * q.real[:, None] - dy.imag * q.imag[:, None])


def _run(index: Index) -> Index | slice:
    """Return neighbouring columns in order as a slice, which is written to without a copy."""
    if len(index) and np.array_equal(index, np.arange(index[0], index[0] + len(index))):
        return slice(int(index[0]), int(index[0]) + len(index))
    return index


def _add_product(total: Real, a: Real, b: Real) -> Real:
    """Add ``a * b`` to a total, in place where the shapes allow it."""
    product = a * b
    if product.shape == total.shape:
        product += total
        return product
    return total + product
