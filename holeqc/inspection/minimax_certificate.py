"""Proof that no motion does better: a lower bound on the overshoot that holds at every angle.

Take weights ``w_i >= 0`` with sum 1 and pushes ``z_i`` (vectors) with ``|z_i| <= w_i`` and sum 0. For any rotation R and
translation t::

    max_i(|R p_i + t - h_i| - c_i) >= sum_i(w_i |R p_i + t - h_i|) - sum_i(w_i c_i)
                                   >= sum_i(z_i . (R p_i - h_i)) - sum_i(w_i c_i)

because t drops out. Turning all the pushes together keeps their conditions, so the best turn may be taken. Read as complex
numbers, with ``P = sum(conj(z_i) p_i)`` and ``H = sum(conj(z_i) h_i)``, the bound at angle a is::

    |P exp(i a) - H| - C,   C = sum(w_i c_i)

and over all angles it is ``||P| - |H|| - C``. At a best motion the pushes of the binding holes reach it, unless the misfit
is of the size of the pattern itself. Derived here; the tests check it against random motions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
