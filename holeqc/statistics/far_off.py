"""Readings so far from all others that a slip in reading or typing is likelier than the process."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from holeqc.statistics.basics import IntArray

FAR = 15.0  #: robust sigma from the median, far beyond any chance (common practice, no source)
MOST = 0.05  #: more readings than this share are a second population, no slips
FEWEST = 8


def far_off(values: ArrayLike) -> IntArray:
    """Return the places (from 0) of readings ``values`` (n,) that are likely slips; NaN is no reading.

    Sigma is 1.4826 times the median distance from the median, or an eighth of the span of the middle 90 % where more
    than half of the readings are the same or lie in two heaps.
    """
    x = np.asarray(values, dtype=float).ravel()
    there = np.flatnonzero(~np.isnan(x))
    if there.size < FEWEST:
        return np.zeros(0, dtype=np.int64)
    kept = x[there]
    off = np.abs(kept - np.median(kept))
    low, high = np.quantile(kept, [0.05, 0.95], method="closest_observation")
    sigma = max(1.4826 * float(np.median(off)), float(high - low) / 8)
    if not sigma > 0:
        return np.zeros(0, dtype=np.int64)
    places = there[off > FAR * sigma]
    return places.astype(np.int64) if places.size <= max(1.0, MOST * there.size) else np.zeros(0, dtype=np.int64)
