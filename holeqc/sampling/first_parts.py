"""What parts that were read in full prove of those still to come: without any assumption, and with measured values.

A claim is ``at least a share R of the parts is good, with confidence C``: a process that is worse shows parts as good
as these with a chance of at most 1 - C. It holds for parts made as these were, no further.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError

FloatArray = NDArray[np.float64]
TIE = 1e-12  #: a chance this close to what is allowed, relative to it, is allowed: 0.9 twice is 0.81
MOST = 10**9  #: parts; more is no plan
FEWEST = 8  #: values that can show whether they are normal
NOT_NORMAL = 0.05  #: p of the test below which values aren't taken as normal
ORDER, NORMAL, OWN, CIRCLE = "counted", "normal", "own distribution", "two coordinates"


def checked(share: float, confidence: float, failures: int = 0) -> None:
    """Refuse a claim that none can prove.

    Raises:
        DataError: a share or confidence that isn't between 0 and 1, failures that aren't a whole number from 0.
    """
    for name, value in (("share", share), ("confidence", confidence)):
        if not 0 < float(value) < 1:
            raise DataError(f"{name} {value:g}: give a fraction between 0 and 1, 0.95 for 95 %")
    if isinstance(failures, bool) or int(failures) != failures or failures < 0:
        raise DataError(f"failures {failures}: give a whole number, 0 or more")


def chance_of_few(parts: float, failures: int, share: float) -> float:
    """Return the chance that of ``parts`` at most ``failures`` are bad where a ``share`` is good (binomial)."""
    from scipy.special import betainc

    return 1.0 if failures >= parts else float(betainc(parts - failures, failures + 1, share))


def parts_needed(share: float, confidence: float, failures: int = 0) -> int:
    """Return the smallest number of parts, all but ``failures`` of them good, that proves a share without assumption.

    ``share`` of good parts and ``confidence`` are fractions. With no failure it is the success run, n = ln(1 - C) /
    ln R rounded up; with m - 1 failures the m-th order statistic of Wilks (Annals of Mathematical Statistics 12, 1941:
    one side; both sides of m-th order statistics are ``failures = 2 m - 1``): the first n with
    P(at most ``failures`` bad of n) <= 1 - C.

    Raises:
        DataError: fractions that aren't between 0 and 1, failures below 0, or more than 1e9 parts.
    """
    checked(share, confidence, failures)
    allowed = (1 - confidence) * (1 + TIE) + 1e-16
    low, high = int(failures), int(failures) + 1
    while chance_of_few(high, failures, share) > allowed:
        low, high = high, 2 * high
        if low > MOST:
            raise DataError(f"share {share} with confidence {confidence} needs more than {MOST:.0e} parts")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance_of_few(middle, failures, share) <= allowed else (middle, high)
    return high


def proven_share(parts: int, failures: int, confidence: float) -> float:
    """Return the share of good parts that is proven by ``parts`` with ``failures`` among them (Clopper and Pearson).

    Raises:
        DataError: no confidence between 0 and 1, or more failures than parts.
    """
    from scipy.special import betaincinv

    checked(0.5, confidence, failures)
    if not 0 <= failures <= parts:
        raise DataError(f"{failures} bad of {parts} parts: there can't be more bad ones than parts")
    return 0.0 if failures == parts else float(betaincinv(parts - failures, failures + 1, 1 - confidence))


def order_bound(values: ArrayLike, share: float, confidence: float) -> tuple[float, int] | None:
    """Return (value, m): at least ``share`` of all lies above the m-th smallest of ``values`` (n,); None for too few.

    The largest m whose claim holds is taken: n >= `parts_needed` with m - 1 failures. Ties may stand.
    """
    x = np.sort(np.asarray(values, dtype=float).ravel())
    x = x[~np.isnan(x)]
    checked(share, confidence)
    allowed, place = (1 - confidence) * (1 + TIE) + 1e-16, 0
    while place < x.size and chance_of_few(x.size, place, share) <= allowed:
        place += 1
    return (float(x[place - 1]), place) if place else None


def values_needed(distance: float, share: float, confidence: float) -> int | None:
    """Return how many normal values prove ``share`` beyond a limit ``distance`` sample sigmas away; None for never.

    The smallest n whose one-sided tolerance factor (ISO 16269-6) is not above the distance.
    """
    from scipy.special import ndtri

    from holeqc.statistics.indices import one_sided_factor

    checked(share, confidence)
    if not distance > float(ndtri(share)) * (1 + 1e-9):
        return None

    def proves(n: int) -> bool:
        return one_sided_factor(n, share, confidence) <= distance

    low, high = 1, 2
    while not proves(high):
        low, high = high, 2 * high
        if high > 2_000_000:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if proves(middle) else (middle, high)
    return high


@dataclass(frozen=True, slots=True)
class Proof:
    """What ``n`` values prove of the share that has room left, ``bad`` of them having none.

    ``counted`` is the share without any assumption, ``share`` the one by ``how``: `NORMAL`, `OWN` (over every shape of
    the distributions that the values allow), `CIRCLE`, or `ORDER` again where ``why`` says what forbids the others.
    ``distance`` is the mean room in sample sigmas. ``needed`` values in all prove what is claimed, if they go on as
    these; None where they never would.
    """

    n: int
    bad: int
    counted: float
    share: float
    how: str
    why: str
    distance: float | None
    needed: int | None


def prove(room: ArrayLike, share: float, confidence: float, *, own: bool = False) -> Proof:
    """Return what values of room left (n,) prove; good is 0 or more, NaN is no value.

    Room is what is left before one limit with the gauge's U taken off. Where nothing speaks against a normal
    distribution (Anderson-Darling with the gauge's step allowed for, 8 values or more) the one-sided tolerance
    bound counts; with ``own``, or where it is no normal, the values' own distribution; else they are counted.
    """
    from scipy.special import ndtr

    from holeqc.statistics.basics import mean_and_sd, noncentrality_for

    checked(share, confidence)
    x = np.asarray(room, dtype=float).ravel()
    x = x[~np.isnan(x)]
    n, bad = x.size, int(np.count_nonzero(x < 0))
    counted = proven_share(n, bad, confidence) if n else 0.0
    by_count = parts_needed(share, confidence, bad)
    if n < FEWEST or x.min() == x.max():
        why = f"{n} values are too few to show their shape" if n < FEWEST else "all values are the same"
        return Proof(n, bad, counted, counted, ORDER, why, None, by_count)
    mean, sd = mean_and_sd(x)
    distance = mean / sd
    p = None if own else normal_chance(x, mean, sd)
    if p is not None and p >= NOT_NORMAL:
        found = float(ndtr(noncentrality_for(confidence, distance * math.sqrt(n), n - 1) / math.sqrt(n)))
        return Proof(n, bad, counted, found, NORMAL, "", distance, values_needed(distance, share, confidence))
    from holeqc.statistics.percentile import share_above

    other = share_above(0.0, x, confidence)
    if other is None:
        why = "neither normal nor any other distribution that is known here"
        return Proof(n, bad, counted, counted, ORDER, why, distance, by_count)
    return Proof(n, bad, counted, other, OWN, "" if own else "not normal", distance, None if other < share else n)


def normal_chance(x: FloatArray, mean: float, sd: float) -> float | None:
    """Return the chance that normal values look as little normal as ``x`` (n,), the gauge's step allowed for."""
    from holeqc.statistics.basics import prepare
    from holeqc.statistics.normality import allowing, anderson_darling

    readings = prepare(x)
    plain = anderson_darling(readings.ordered, ordered=True, centre=mean, sd=sd)
    stepped = allowing(readings.ordered, mean, sd, plain.A2, step=readings.step)
    return plain.p if stepped is None else stepped.p


def prove_position(
    off: ArrayLike, radius: ArrayLike, share: float, confidence: float
) -> Proof:
    """Return what deviations ``off`` (n, 2) prove of the share inside circles ``radius`` (n,), U taken off them.

    The lower end of the share in the circle by the bivariate normal (`statistics.position_capability`), where Mardia's
    test doesn't speak against one; else counted. A radius below 0 holds nothing.
    """
    from holeqc.statistics.position_capability import position_capability

    checked(share, confidence)
    pairs, r = np.asarray(off, dtype=float).reshape(-1, 2), np.asarray(radius, dtype=float).ravel()
    known = np.isfinite(pairs).all(axis=1) & np.isfinite(r)
    pairs, r = pairs[known], r[known]
    n = r.size
    bad = int(np.count_nonzero(np.hypot(*pairs.T) > r))
    counted = proven_share(n, bad, confidence) if n else 0.0
    by_count = parts_needed(share, confidence, bad)
    if n < FEWEST or not np.all(r > 0) or confidence <= 0.5:
        why = f"{n} positions are too few to show their shape" if n < FEWEST else "the gauge's U leaves no circle"
        return Proof(n, bad, counted, counted, ORDER, why, None, by_count)
    least = float(r.min())
    found = position_capability(
        pairs[:, 0], pairs[:, 1], 2 * least, bonus=2 * (r - least), confidence=2 * confidence - 1
    )
    test = found.normality
    if test is None or min(test.skewness_p, test.kurtosis_p) < NOT_NORMAL / 2 or "share_inside" not in found.intervals:
        why = "the two coordinates are no bivariate normal"
        return Proof(n, bad, counted, counted, ORDER, why, None, by_count)
    inside = found.intervals["share_inside"][0] or 0.0
    return Proof(n, bad, counted, inside, CIRCLE, "", None, n if inside >= share else None)
