"""What must be said about readings before any figure is believed: too few, identical, too coarse, cut off, missing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.statistics.basics import FloatArray

FEW = 50  #: below this many readings the interval of an index is wider than a fifth of it (common practice, no source)
FEWEST_ALIKE = 20  #: readings below which a correlation of neighbours tells nothing (our choice)
FEWEST_FOR_STEP = 10  #: the smallest gap of fewer readings is chance, not the gauge's step
MANY_STEPS = 1000  #: readings with more different values than this are not coarse
COARSE_STEP = 1.0  #: a gauge step above one sigma spoils sigma itself (common practice, no source)


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings ready for use: ``values`` in order taken and ``ordered`` by size, both without the missing ones.

    ``kept`` (n,) points into the readings as given; ``step`` is the smallest step between different values, None
    when they have too many for a step to matter; ``different`` counts different values (at least so many, when many).
    """

    values: FloatArray
    ordered: FloatArray
    kept: np.ndarray | None
    missing: int
    different: int
    step: float | None


def prepare(values: ArrayLike) -> Readings:
    """Return readings without their missing ones (NaN); raises ``DataError`` when none is left or one is infinite."""
    try:
        x = np.asarray(values, dtype=float).ravel()
    except (TypeError, ValueError):
        raise DataError("the readings must be numbers") from None
    ordered = np.sort(x)
    missing, kept = 0, None
    if x.size and math.isnan(ordered[-1]):  # missing ones are sorted to the end
        kept = np.flatnonzero(~np.isnan(x))
        missing = x.size - kept.size
        x, ordered = x[kept], ordered[:kept.size]
    if not x.size:
        raise DataError("there is no reading" if not missing else f"all {missing} readings are missing")
    if math.isinf(ordered[0]) or math.isinf(ordered[-1]):
        raise DataError("the readings hold an infinite value; only plain numbers can be used")
    # readings converted from another unit differ in their last bits without being different
    noise = 1e-12 * max(abs(float(ordered[0])), abs(float(ordered[-1])))
    thin = ordered[::max(1, x.size // (8 * MANY_STEPS))]
    different = 1 + int(np.count_nonzero(thin[1:] - thin[:-1] > noise))
    step = None
    if different <= MANY_STEPS:
        gaps = ordered[1:] - ordered[:-1]
        apart = gaps > noise
        different = 1 + int(np.count_nonzero(apart))
        step = float(gaps[apart].min()) if 1 < different <= MANY_STEPS else None
    return Readings(x, ordered, kept, missing, different, step)


def _pile(ordered: FloatArray, step: float | None) -> list[tuple[str, float, int]]:
    """Return (end, value, count) for an end of the readings where too many of them are the same."""
    if step is None or ordered.size < 10:
        return []
    found = []
    for end, value, inner in (("smallest", float(ordered[0]), 1.0), ("largest", float(ordered[-1]), -1.0)):
        edge = value + inner * step / 2
        if inner > 0:
            count = int(np.searchsorted(ordered, edge))
            rest = ordered[count:]
            neighbour = int(np.searchsorted(rest, float(rest[0]) + step / 2)) if rest.size else 0
        else:
            count = ordered.size - int(np.searchsorted(ordered, edge))
            rest = ordered[:ordered.size - count]
            neighbour = rest.size - int(np.searchsorted(rest, float(rest[-1]) - step / 2)) if rest.size else 0
        if count >= max(5, 0.1 * ordered.size) and count > 1.5 * neighbour:
            found.append((end, value, count))
    return found


def _warning(code: str, message: str, found: str = "", action: str = "") -> Problem:
    return Problem(WARNING, code, message, found=found, action=action)


def remarks(readings: Readings, sd: float | None, *, width: float | None = None,
            resolution: float | None = None) -> list[Problem]:
    """Return what must be said about ``readings`` with short-term scatter ``sd`` and limits ``width`` apart.

    ``resolution`` is the gauge's step when known; else the smallest step between readings stands for it.
    """
    said: list[Problem] = []
    n = readings.values.size
    if readings.missing:
        said.append(_warning("missing-readings", f"{readings.missing} of {n + readings.missing} readings are missing "
                             "and are not counted", action="Find out why; readings seldom go missing by chance."))
    if n == 1:
        said.append(_warning("one-reading", "one reading shows no scatter: no index can be given",
                             action="Measure more parts."))
        return said
    if readings.different == 1:
        said.append(_warning("identical-readings", f"all {n} readings are the same: their scatter is hidden by the "
                             "gauge's step", f"{readings.ordered[0]:g}", "Use a gauge with a finer step."))
        return said
    if n < FEW:
        unseen = "" if n >= FEWEST_ALIKE else ("; so few can't show whether each resembles the one before, and the "
                                               "intervals take them as independent")
        said.append(Problem(NOTE, "few-readings", f"{n} readings are few: believe the intervals, not the indices"
                            + unseen))
    step = resolution if resolution is not None else readings.step
    if step is not None and (resolution is not None or n >= FEWEST_FOR_STEP):
        said.extend(_coarse(step, sd, width, guessed=resolution is None))
    if readings.different == 2 and n >= 10:
        pair = f"{readings.ordered[0]:g} and {readings.ordered[-1]:g}"
        said.append(_warning("two-values", "the readings take two values only: they look like counted attributes",
                             pair, "Chart them as counts (p chart)."))
    else:
        said.extend(_warning("piled-readings", f"{count} of {n} readings equal the {end} one: the gauge may end or be "
                             "cut off there, and the true spread be larger", f"{value:g}", "Ask how these were read.")
                    for end, value, count in _pile(readings.ordered, readings.step))
    return said


def _coarse(step: float, sd: float | None, width: float | None, *, guessed: bool) -> list[Problem]:
    what = "the smallest step between readings" if guessed else "the gauge's step"
    said = []
    if sd is not None and sd > 0 and step > COARSE_STEP * sd * (1 - 1e-9):
        said.append(_warning("coarse-gauge", f"{what} is larger than the scatter itself: sigma, limits and every index "
                             "rest on rounding", f"step {step:g}, sigma {sd:.3g}", "Use a gauge with a finer step."))
    elif width is not None and step > width / 10 * (1 + 1e-9):
        said.append(_warning("coarse-for-limits", f"{what} is more than a tenth of the distance between the limits",
                             f"step {step:g}, limits {width:g} apart",
                             "Use a gauge with a finer step (ten to one is common practice)."))
    return said
