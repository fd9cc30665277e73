"""A root of a function between two ends, without loading an optimisation library for it."""

from __future__ import annotations

from collections.abc import Callable

from holeqc.problems import DataError


def root(f: Callable[[float], float], low: float, high: float, *, tolerance: float = 1e-13) -> float:
    """Return where ``f`` crosses zero between ``low`` and ``high``, to ``tolerance`` relative and absolute.

    Inverse quadratic steps where they are safe, halving where not. Source: Chandrupatla, Advances in Engineering
    Software 28 (1997), 145-149. Raises ``DataError`` when both ends have the same sign.
    """
    a, b = low, high
    fa, fb = f(a), f(b)
    if fa == 0:
        return a
    if fb == 0:
        return b
    if (fa > 0) == (fb > 0):
        raise DataError(f"no root between {low:g} and {high:g}: the function has one sign there")
    c, fc, t = a, fa, 0.5
    while True:
        x = a + t * (b - a)
        fx = f(x)
        if (fx > 0) == (fa > 0):
            c, fc = a, fa
        else:
            c, b, fc, fb = b, a, fb, fa
        a, fa = x, fx
        best, value = (a, fa) if abs(fa) < abs(fb) else (b, fb)
        room = tolerance * (abs(best) + 1)
        share = room / abs(b - c) if b != c else 1.0
        if share > 0.5 or value == 0:
            return best
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        if phi * phi < xi and (1 - phi) ** 2 < 1 - xi:
            t = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        else:
            t = 0.5
        t = min(max(t, share), 1 - share)
