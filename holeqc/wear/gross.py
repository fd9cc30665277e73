"""Gross errors: readings that their own part contradicts are left out before anything is worked out from them.

A coordinate of one wall far off where its bushing drills, while the other wall of the hole is where it belongs, or a
diameter far off the other diameters of its hole, is most likely mistyped. If the walls, or two diameters, say the same,
the hole is so, and the readings stay. Far off: beyond `FAR` robust standard deviations of its neighbours in time.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from holeqc.inspection.evidence import Evidence, Rows
from holeqc.inspection.position import Places
from holeqc.problems import DataError
from holeqc.quantities import BoolArray, FloatArray
from holeqc.statistics.basics import IntArray
from holeqc.wear.separate import separate

FAR = 7.0  #: robust standard deviations; a normal reading lies beyond once in 400 thousand million
NEAR = 15  #: readings of the same kind around it that tell where it belongs
LEAST = 12  #: parts from which on readings can be called contradicted


def contradicted(evidence: Evidence, places: Places, order: IntArray) -> dict[str, BoolArray]:
    """Return for x, y and diameter which of the evidence's rows (n,) are contradicted; parts in ``order`` of drilling.

    Doubted readings have no say.
    """
    found = {name: np.zeros(len(evidence.rows[name]), dtype=np.bool_) for name in ("x", "y", "diameter")}
    if len(order) < LEAST:
        return found
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    for axis, bad in enumerate(_places(evidence, places, order)):
        rows = evidence.rows[("x", "y")[axis]]
        cell = (rank[rows.part], rows.hole, np.maximum(rows.wall, 0))
        placed = (rows.hole >= 0) & (rows.wall >= 0) & ~rows.doubted
        found[("x", "y")[axis]] = np.asarray(placed & bad[cell])
    rows = evidence.rows["diameter"]
    found["diameter"] = _diameters(rows, rank, evidence.shape)
    return found


def without(evidence: Evidence, found: dict[str, BoolArray]) -> Evidence:
    """Return the evidence with some readings left out as if they were doubted."""
    rows = {
        name: replace(evidence.rows[name], doubted=evidence.rows[name].doubted | bad) for name, bad in found.items()
    }
    return replace(evidence, rows=evidence.rows | rows)


def _places(evidence: Evidence, places: Places, order: IntArray) -> list[BoolArray]:
    """Return for x and y which walls' coordinates (P,H,W) are contradicted, parts in order."""
    off = places.off[order] * np.nan_to_num(evidence.parts.signs, nan=1.0)[order][:, None, None, :]
    nominal = np.array([(h.x, h.y) for h in evidence.spec.holes], dtype=np.float64).reshape(-1, 2)
    none = np.zeros(off.shape[:3], dtype=np.bool_)
    if not np.isfinite(nominal).all():
        return [none, none]
    with np.errstate(invalid="ignore"):
        known = np.isfinite(off)
        mean = np.where(known, off, 0.0).sum(axis=2) / np.where(known.any(axis=2), known.sum(axis=2), np.nan)
    try:
        seats = separate(nominal, mean)
    except DataError:
        return [none, none]
    motion = mean - seats.rest  # what the seating moves each hole
    rest = off - motion[:, :, None, :]
    out = []
    for axis in range(2):
        series = rest[..., axis].reshape(len(order), -1)
        away, scale = _away(series)
        away, scale = away.reshape(none.shape), scale.reshape(none.shape)
        far = np.abs(away) > FAR * scale
        # the other wall is off by as much: the hole itself is there
        alike = np.zeros_like(far)
        for w in range(far.shape[2]):
            others = [v for v in range(far.shape[2]) if v != w]
            for v in others:
                alike[:, :, w] |= far[:, :, v] & (np.abs(away[:, :, w] - away[:, :, v]) < 0.5 * np.abs(away[:, :, w]))
        out.append(far & ~alike)
    return out


def _away(series: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how far values (P,S) lie off the median of their neighbours, and the robust scatter about it (P,S)."""
    level = running_median(series)
    away = series - level
    scatter = 1.4826 * running_median(np.abs(away), 2 * NEAR + 1)
    size = np.where(np.isfinite(away).any(axis=0), np.abs(away), 0.0)
    whole = np.fmax(1.4826 * np.nanmedian(size, axis=0), np.nanpercentile(size, 90, axis=0) / 1.645)
    scale = np.fmax(scatter, whole)
    return away, np.where(scale > 0, scale, np.inf)


def running_median(series: FloatArray, width: int = NEAR) -> FloatArray:
    """Return the median of ``width`` values around each of series (P,S), NaN left out."""
    half = min(width // 2, (series.shape[0] - 1) // 2)
    around = np.concatenate([series[half:0:-1], series, series[-2 : -half - 2 : -1]])
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * half + 1, axis=0)
    ordered = np.sort(windows, axis=-1)  # NaN last
    count = np.isfinite(windows).sum(axis=-1)
    pick = [np.take_along_axis(ordered, np.maximum(k, 0)[..., None], axis=-1)[..., 0]
            for k in ((count - 1) // 2, np.minimum(count // 2, 2 * half))]  # fmt: skip
    return np.where(count > 0, 0.5 * (pick[0] + pick[1]), np.nan)


def _diameters(rows: Rows, rank: IntArray, shape: tuple[int, int, int]) -> BoolArray:
    """Return which diameters (n,) are contradicted by the others of their hole."""
    parts, holes, walls = shape
    usable = ~rows.doubted & ~np.isnan(rows.value) & (rows.hole >= 0) & (rows.wall >= 0)
    if not usable.any():
        return np.zeros(len(rows), dtype=np.bool_)
    way = np.unique(np.nan_to_num(rows.direction, nan=-1.0), return_inverse=True)[1]
    trial = np.maximum(rows.trial.astype(np.int64) - 1, 0)
    slot = (trial * (way.max() + 1) + way) * walls + np.maximum(rows.wall, 0)
    slots = int(slot.max()) + 1
    table = np.full((parts, holes, slots), np.nan)
    at = (rank[rows.part[usable]], rows.hole[usable], slot[usable])
    table[at] = rows.value[usable]
    away, _ = _away(table.reshape(parts, -1))
    away = away.reshape(table.shape)
    count = np.isfinite(away).sum(axis=2)
    every = _middle(away.reshape(parts, -1))[:, None, None]  # all sizes of the part move together by the drill
    apart = np.where((count > 2)[..., None], away - _middle(away)[..., None], away - every)
    _, scale = _away(apart.reshape(parts, -1))
    far = np.abs(apart) > FAR * scale.reshape(apart.shape)
    far &= (far.sum(axis=2) == 1)[..., None]
    out = np.zeros(len(rows), dtype=np.bool_)
    out[usable] = far[at]
    return out


def _middle(values: FloatArray) -> FloatArray:
    """Return the median along the last axis, NaN left out and where there is none."""
    ordered = np.sort(values, axis=-1)
    count = np.isfinite(values).sum(axis=-1)
    pick = [np.take_along_axis(ordered, np.maximum(k, 0)[..., None], axis=-1)[..., 0]
            for k in ((count - 1) // 2, np.minimum(count // 2, values.shape[-1] - 1))]  # fmt: skip
    return np.where(count > 0, 0.5 * (pick[0] + pick[1]), np.nan)
