"""Proof that no motion does better: a lower bound on the overshoot that holds at every angle.

Take weights ``w_i >= 0`` with sum 1 and pushes ``z_i`` (vectors) with ``|z_i| <= w_i`` and sum 0. For any rotation R
and translation t::

    max_i(|R p_i + t - h_i| - c_i) >= sum_i(w_i |R p_i + t - h_i|) - sum_i(w_i c_i)
                                   >= sum_i(z_i . (R p_i - h_i)) - sum_i(w_i c_i)

because t drops out. Turning all the pushes together keeps their conditions, so the best turn may be taken. Read as
complex numbers, with ``P = sum(conj(z_i) p_i)`` and ``H = sum(conj(z_i) h_i)``, the bound at angle a is::

    |P exp(i a) - H| - C,   C = sum(w_i c_i)

and over all angles it is ``||P| - |H|| - C``. At a best motion the pushes of the binding holes reach it, unless the
moment of the pushes is itself no larger than the misfit. Derived here; the tests check it against random motions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax_frame import Floats


@dataclass(frozen=True, slots=True)
class Bound:
    """Lower bounds of a batch: moments ``p`` and ``h`` (complex, (B,)), ``offset`` (B,), and the weights (N, B)."""

    p: Floats
    h: Floats
    offset: Floats
    weight: Floats

    def anywhere(self) -> Floats:
        """Return the bound (B,) over all rotations and translations."""
        return np.abs(np.abs(self.p) - np.abs(self.h)) - self.offset

    def at(self, angle: Floats) -> Floats:
        """Return the bound (B,) over all translations, the pattern turned on by ``angle`` (B,)."""
        return np.abs(self.p * np.exp(1j * angle) - self.h) - self.offset

    def within(self, half_width: Floats) -> Floats:
        """Return the bound (B,) over all translations and every angle within ``half_width`` of zero.

        ``|P exp(i a) - H|`` falls and rises once round the circle, so the end nearest its lowest angle decides.
        """
        lowest = np.angle(self.h) - np.angle(self.p)
        lowest -= 2 * np.pi * np.round(lowest / (2 * np.pi))
        away = np.maximum(np.abs(lowest) - half_width, 0.0)
        a, b = np.abs(self.p), np.abs(self.h)
        return np.sqrt(np.square(a - b) + 4 * a * b * np.square(np.sin(away / 2))) - self.offset

    def between(self, low: Floats, high: Floats) -> Floats:
        """Return the bound (B,) over all translations and every angle from ``low`` to ``high`` (B,)."""
        middle = (low + high) / 2
        return Bound(self.p * np.exp(1j * middle), self.h, self.offset, self.weight).within((high - low) / 2)


def bound(
    weight: Floats, zx: Floats, zy: Floats, px: Floats, py: Floats, hx: Floats, hy: Floats, c: Floats
) -> Bound:
    """Return the bound that weights and pushes (N, B) give, after mending them to meet their conditions exactly.

    Pushes belong to the frame in which the pattern is ``px``, ``py``; any common turn of them is of no account.
    """
    weight = np.maximum(weight, 0.0)
    weight = weight / weight.sum(axis=0)
    zx = zx - weight * zx.sum(axis=0)
    zy = zy - weight * zy.sum(axis=0)
    size = np.sqrt(zx * zx + zy * zy)
    size /= weight + 1e-300
    shrink = 1.0 / np.maximum(size.max(axis=0), 1.0)
    p = ((zx * px + zy * py).sum(axis=0) + 1j * (zx * py - zy * px).sum(axis=0)) * shrink
    h = ((zx * hx + zy * hy).sum(axis=0) + 1j * (zx * hy - zy * hx).sum(axis=0)) * shrink
    return Bound(p, h, (weight * c).sum(axis=0), weight)


@dataclass(slots=True)
class Solved:
    """Best motion found (B,), its overshoot, and the best bound proved (B,) for what was asked.

    ``p``, ``h``, ``offset`` (as in :class:`Bound`) and ``weight`` (N, B) are the dual of the step that came closest to
    solving its own angle: overshoot and bound there were ``apart`` (B,).
    """

    angle: Floats
    tx: Floats
    ty: Floats
    overshoot: Floats
    proved: Floats
    apart: Floats
    p: Floats
    h: Floats
    offset: Floats
    weight: Floats

    def take(self, index: npt.NDArray[np.intp]) -> Solved:
        """Return the chosen parts."""
        return Solved(*(getattr(self, name)[..., index] for name in self.__slots__))

    def bound(self) -> Bound:
        """Return the dual as a bound over angles."""
        return Bound(self.p, self.h, self.offset, self.weight)

    def put(self, index: npt.NDArray[np.intp], other: Solved) -> None:
        """Put another batch in place of the parts of ``index``."""
        for name in self.__slots__:
            getattr(self, name)[..., index] = getattr(other, name)


def unsolved(rows: int, parts: int) -> Solved:
    """Return a batch of which nothing is known."""
    far = np.full(parts, np.inf)
    return Solved(
        angle=np.zeros(parts), tx=np.zeros(parts), ty=np.zeros(parts), overshoot=far, proved=-far, apart=far.copy(),
        p=np.zeros(parts, complex), h=np.zeros(parts, complex), offset=np.zeros(parts),
        weight=np.full((rows, parts), 1.0 / rows),
    )  # fmt: skip
