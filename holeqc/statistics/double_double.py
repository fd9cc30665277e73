"""Sums and products of arrays with twice the digits of a double, for the last step of ill-conditioned sums.

A number is kept as an unevaluated sum of two doubles. Source: Dekker, Numerische Mathematik 18 (1971); Ogita, Rump,
Oishi, SIAM J. Sci. Comput. 26 (2005).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Pair = tuple[FloatArray, FloatArray]

_SPLIT = 134217729.0  #: 2**27 + 1 cuts a double's 53 bits in halves


def two_sum(a: FloatArray, b: FloatArray) -> Pair:
    """Return the rounded sum and its rounding error, exactly."""
    s = a + b
    t = s - a
    return s, (a - (s - t)) + (b - t)


def two_product(a: FloatArray, b: FloatArray) -> Pair:
    """Return the rounded product and its rounding error, exactly (values below 1e150)."""
    p = a * b
    c = _SPLIT * a
    ah = c - (c - a)
    c = _SPLIT * b
    bh = c - (c - b)
    al, bl = a - ah, b - bh
    return p, al * bl - (((p - ah * bh) - al * bh) - ah * bl)


def add(x: Pair, y: Pair) -> Pair:
    """Return the sum of two pairs."""
    s, e = two_sum(x[0], y[0])
    return two_sum(s, e + x[1] + y[1])


def multiply(x: Pair, y: Pair) -> Pair:
    """Return the product of two pairs."""
    p, e = two_product(x[0], y[0])
    return two_sum(p, e + x[0] * y[1] + x[1] * y[0])


def total(values: FloatArray, errors: FloatArray | None = None) -> tuple[float, float]:
    """Return the sum of ``values`` (and ``errors``) along a flat array as a pair, by halving."""
    high = values.ravel()
    low = np.zeros_like(high) if errors is None else errors.ravel()
    while high.size > 1:
        half = high.size // 2
        rest_high, rest_low = high[2 * half:], low[2 * half:]
        s, e = two_sum(high[:half], high[half:2 * half])
        e = e + low[:half] + low[half:2 * half]
        high, low = np.concatenate([s, rest_high]), np.concatenate([e, rest_low])
    if not high.size:
        return 0.0, 0.0
    s, e = two_sum(high, low)
    return float(s[0]), float(e[0])


def dot(a: FloatArray, b: FloatArray) -> float:
    """Return the sum of products of two arrays of one shape as if worked out with twice the digits."""
    return sum(total(*two_product(a, b)))


def centred(values: FloatArray) -> tuple[FloatArray, tuple[float, float]]:
    """Return (values minus their mean, the mean as a pair)."""
    s = total(values)
    high = (s[0] + s[1]) / values.size
    p, e = two_product(np.array([high]), np.array([float(values.size)]))
    low = float(((s[0] - p[0]) + s[1] - e[0]) / values.size)
    return (values - high) - low, (high, low)
