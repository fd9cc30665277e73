"""What coordinates with a covariance mean for a tolerance: chances with an ellipse in place of a circle, and draws.

The covariance goes on whole: distances make places that depend on one another, so a hole's own uncertainty says too
much about the distance of two, and in a free network the difference is all there is to say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.statistics.position_capability import share_in_circle

DRAWS, SEED = 400, 20240229
_BLOCK = 1 << 13  #: positions worked at once, so that quadrature never needs much memory
_THIN = 1e-7  #: an ellipse is at least this part of the circle wide, so that it is one


@dataclass(frozen=True, slots=True)
class Spread:
    """What draws say of a margin: ``chance`` (...) that it isn't below zero, ``mean`` and ``u`` (...), U at k = 2."""

    chance: FloatArray
    mean: FloatArray
    u: FloatArray


def position_conformance(offset: ArrayLike, covariance: ArrayLike, diameter: ArrayLike) -> FloatArray:
    """Return the chance (..., p) that each true position lies in its zone, knowing only what was measured (flat prior).

    ``offset`` (..., p, 2) from the basic coordinates, ``covariance`` (..., 2p, 2p) of the coordinates, ``diameter``
    (..., p) of the zone, bonus included. The normal about what was measured is integrated over the circle, exact along
    the ellipse's short axis, by quadrature along the other. NaN where something is. Source: JCGM 106:2012, clause 7, in
    two dimensions.
    """
    off, whole, zone = (np.asarray(a, dtype=np.float64) for a in (offset, covariance, diameter))
    p = off.shape[-2]
    if whole.shape[-2:] != (2 * p, 2 * p):
        raise DataError(f"covariance has shape {whole.shape}; (..., {2 * p}, {2 * p}) is needed for {p} positions")
    lead = np.broadcast_shapes(off.shape[:-1], (*whole.shape[:-2], p), zone.shape)
    own = np.moveaxis(np.diagonal(whole.reshape(*whole.shape[:-2], p, 2, p, 2), axis1=-4, axis2=-2), -1, -3)
    flat = np.broadcast_to(off, (*lead, 2)).reshape(-1, 2)
    blocks = np.broadcast_to(own, (*lead, 2, 2)).reshape(-1, 2, 2)
    radius = np.broadcast_to(zone / 2, lead).reshape(-1)
    known = np.isfinite(flat).all(axis=1) & np.isfinite(blocks).all(axis=(1, 2)) & np.isfinite(radius)
    chance = np.full(len(flat), np.nan)
    rows = np.flatnonzero(known)
    for k in range(0, len(rows), _BLOCK):
        some = rows[k : k + _BLOCK]
        circle = np.where(radius[some] > 0, radius[some], 1.0)
        least = (_THIN * np.maximum(circle, np.hypot(*flat[some].T))) ** 2
        share = share_in_circle(flat[some], blocks[some] + least[:, None, None] * np.eye(2), circle)
        chance[some] = np.where(radius[some] > 0, share, 0.0)
    return chance.reshape(lead)


def draws(xy: ArrayLike, covariance: ArrayLike, count: int = DRAWS, seed: int = SEED) -> FloatArray:
    """Return coordinates (..., count, p, 2) that may be true ones, about ``xy`` (..., p, 2).

    ``covariance`` (..., 2p, 2p). The same each time, in pairs on both sides of ``xy``, the same for every part; NaN for
    parts of which something is.
    """
    at, whole = np.asarray(xy, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    known = np.isfinite(whole).all(axis=(-2, -1), keepdims=True)
    size, ways = np.linalg.eigh(np.where(known, whole, 0.0))
    root = ways * np.sqrt(np.maximum(size, 0.0))[..., None, :]
    half = np.random.default_rng(seed).standard_normal(((count + 1) // 2, whole.shape[-1]))
    drawn = np.concatenate([half, -half])[:count]
    off = np.where(known, drawn @ np.swapaxes(root, -1, -2), np.nan)
    return at[..., None, :, :] + off.reshape(*off.shape[:-1], *at.shape[-2:])


def margin_spread(
    xy: ArrayLike, covariance: ArrayLike, margin: Callable[[FloatArray], ArrayLike], count: int = DRAWS,
    seed: int = SEED,
) -> Spread:  # fmt: skip
    """Return what is known of a margin that depends on all places together: pins that must enter, hole to hole.

    ``margin`` takes coordinates (B, p, 2) and gives margins (B,), at least zero where it is good. ``xy`` (..., p, 2),
    ``covariance`` (..., 2p, 2p). A chance from draws is known to about 0.5 / sqrt(count).
    """
    made = draws(xy, covariance, count, seed)
    found = np.asarray(margin(made.reshape(-1, *made.shape[-2:])), dtype=np.float64).reshape(made.shape[:-2])
    unknown = np.isnan(found).any(axis=-1)
    chance = np.where(unknown, np.nan, (found >= 0).mean(axis=-1))
    return Spread(chance, found.mean(axis=-1), 2.0 * found.std(axis=-1, ddof=1))


def difference_covariance(covariance: ArrayLike, first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Return the covariance (..., k, 2, 2) of the ways from points ``first`` (k,) to ``second`` (k,)."""
    whole = np.asarray(covariance, dtype=np.float64)
    i, j = (np.asarray(a, dtype=np.intp)[:, None] * 2 + np.arange(2) for a in (first, second))
    each = np.concatenate([i, j], axis=1)
    both = whole[..., each[:, :, None], each[:, None, :]]
    return np.asarray(both[..., :2, :2] + both[..., 2:, 2:] - both[..., :2, 2:] - both[..., 2:, :2])
