"""Decision rules: how a value with an uncertainty is compared with limits.

Simple acceptance takes the limits as they stand (JCGM 106:2012, 8.2). Guarded acceptance moves acceptance limits
inward by w = r U (ISO 14253-1; JCGM 106, 8.3.2; ASME B89.7.3.1 stringent acceptance), relaxed acceptance outward (ASME
B89.7.3.1 relaxed acceptance). Values are compared as they stand or after rounding (ASTM E29)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from holeqc.inspection.results import (
    ACCEPT,
    GUARD_BAND,
    HOLD,
    MISSING,
    NO_UNCERTAINTY,
    NONE,
    OVER,
    REJECT,
    UNDER,
    CodeArray,
    VerdictArray,
)
from holeqc.problems import DataError
from holeqc.quantities import GRAIN, FloatArray, above, below, decimals_of, round_array
from holeqc.specification.model import DecisionRule, Rounding

#: position from distances is guarded where its U is more than this share of the tolerance (4 : 1, MIL-HDBK-52)
COARSE = 0.25


def decide(
    value: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    uncertainty: ArrayLike,
    rule: DecisionRule,
    grain: float | FloatArray = GRAIN,
) -> tuple[VerdictArray, CodeArray]:
    """Return verdict and cause of each value under a decision rule; all arguments broadcast.

    ``lower`` or ``upper`` NaN: no limit on that side. ``uncertainty`` is U at k = 2 in the unit of the value.
    ``grain``: lengths closer than this are one, `CALCULATED` for what is worked out.

    - simple: accept inside the limits, reject beyond.
    - guarded: accept inside the limits shrunk by w = r U. With ``reject_when_proven`` a value is rejected only beyond a
      limit by more than w, and held within w on either side of it; without, it is rejected as soon as it is beyond the
      limit, and held within w inside it. Where 2 w is wider than the tolerance nothing can be accepted.
    - relaxed: accept inside the limits grown by w, reject beyond; nothing is held.

    NaN is held as missing; a NaN uncertainty is held under the rules that need it.
    """
    value, lower, upper, uncertainty = np.broadcast_arrays(
        *(np.asarray(a, dtype=np.float64) for a in (value, lower, upper, uncertainty))
    )
    verdict = np.full(value.shape, ACCEPT, dtype=np.int8)
    cause = np.full(value.shape, NONE, dtype=np.int16)
    under, over = below(value, lower, grain), above(value, upper, grain)
    if rule.rule == "simple":
        verdict[under | over] = REJECT
        cause[under], cause[over] = UNDER, OVER
    else:
        w = rule.guard_factor * uncertainty
        if rule.rule == "guarded":
            inside = ~below(value, lower + w, grain) & ~above(value, upper - w, grain)
            verdict[~inside], cause[~inside] = HOLD, GUARD_BAND
            beyond = w if rule.reject_when_proven else np.zeros_like(w)
        else:
            beyond = w
        far_under, far_over = below(value, lower - beyond, grain), above(value, upper + beyond, grain)
        verdict[far_under | far_over] = REJECT
        cause[far_under], cause[far_over] = UNDER, OVER
        unknown = np.isnan(uncertainty)
        verdict[unknown], cause[unknown] = HOLD, NO_UNCERTAINTY
    missing = np.isnan(value)
    verdict[missing], cause[missing] = HOLD, MISSING
    return verdict, cause


def guard_band(uncertainty: ArrayLike, rule: DecisionRule) -> FloatArray:
    """Return by how much acceptance limits lie inside the limits: w = r U guarded, -w relaxed, 0 simple."""
    sign = {"guarded": 1.0, "relaxed": -1.0}.get(rule.rule, 0.0)
    array = np.asarray(uncertainty, dtype=np.float64)
    return sign * rule.guard_factor * array if sign else np.zeros_like(array)


def limit_decimals(rounding: Rounding, *limits: float) -> int | None:
    """Return to how many decimals a value is rounded before it is compared with these limits, None for not at all.

    As many as the kit says, else as many as the finest of the limits has (a kit file loses trailing zeros: 0.460 and
    0.4625 belong together). ASTM E29, rounding method.
    """
    if rounding.method != "rounding":
        return None
    if rounding.decimals is not None:
        return rounding.decimals
    known = [decimals_of(limit) for limit in limits if np.isfinite(limit)]
    return max(known) if known else None


def as_compared(value: FloatArray, decimals: ArrayLike) -> FloatArray:
    """Return values as they are compared: rounded, ties to even, where ``decimals`` >= 0, as they stand where -1.

    ``decimals`` broadcasts to ``value``.
    """
    places = np.broadcast_to(np.asarray(decimals, dtype=np.int64), value.shape)
    kinds = np.unique(places)
    if kinds.size == 1:
        return value if kinds[0] < 0 else round_array(value, int(kinds[0]))
    out = np.array(value, dtype=np.float64)
    for kind in kinds:
        if kind >= 0:
            chosen = places == kind
            out[chosen] = round_array(value[chosen], int(kind))
    return out


def room(
    value: FloatArray, lower: ArrayLike, upper: ArrayLike, grain: float | FloatArray = GRAIN
) -> tuple[FloatArray, FloatArray]:
    """Return the signed amount beyond a limit (0 inside) and the distance left to the nearest limit.

    Beyond the upper limit the amount is positive, beyond the lower negative; the distance is negative beyond either.
    NaN limits are no limits.
    """
    lower, upper = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    to_lower, to_upper = value - lower, upper - value
    left = np.fmin(to_lower, to_upper)
    left = np.where(np.abs(left) <= grain, 0.0, left)
    over, under = above(value, upper, grain), below(value, lower, grain)
    deviation = np.where(over, -to_upper, np.where(under, to_lower, 0.0))
    deviation[np.isnan(value)] = np.nan
    return deviation, left


def uncertainty_ratio(tolerance: ArrayLike, uncertainty: ArrayLike) -> FloatArray:
    """Return tolerance / (2 U): the N of the N:1 rule of ASME B89.7.3.1 (specification zone to uncertainty interval).

    inf where U = 0, NaN where U is unknown.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(tolerance, dtype=np.float64) / (2.0 * np.asarray(uncertainty, dtype=np.float64))


# Conformance probability after JCGM 106:2012: how sure is it that the true value lies inside the limits.
#
# Plain arrays in, plain arrays out. Standard uncertainties u = U / 2. Without scipy, so that one sheet is judged at
# once.


_FAR = 8.5  #: standard deviations beyond which a normal tail is below 1e-17 and counts as nothing
_ROUND = 12.0  #: radius in standard deviations above which the circle's back is out of reach
_SMALL = 1e-300
_BLOCK = 1 << 14  #: values worked at once, so that quadrature never needs much memory

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_FINE_NODES, _FINE_WEIGHTS = np.polynomial.legendre.leggauss(64)
_BONUS_NODES, _BONUS_WEIGHTS = np.polynomial.legendre.leggauss(32)
_SMOOTH_NODES, _SMOOTH_WEIGHTS = np.polynomial.hermite_e.hermegauss(10)
_HALF = np.sqrt(0.5)


def normal_cdf(z: ArrayLike) -> FloatArray:
    """Return the standard normal distribution function, any shape, to 1e-16 or better absolute. NaN gives NaN."""
    array = np.asarray(z, dtype=np.float64)
    out = np.where(array > 0.0, 1.0, 0.0)
    near = ~(np.abs(array) > _FAR)
    values = (array[near] * -_HALF).tolist()
    out[near] = np.fromiter(map(math.erfc, values), dtype=np.float64, count=len(values))
    out[near] *= 0.5
    return out


def conformance(value: ArrayLike, lower: ArrayLike, upper: ArrayLike, u: ArrayLike) -> FloatArray:
    """Return the probability that a true value lies within limits, knowing only the reading (flat prior).

    p = Phi((upper - value) / u) - Phi((lower - value) / u); NaN limits are no limits (JCGM 106:2012, clause 7; with a
    flat prior the state of knowledge is normal about the reading with standard uncertainty u). u = 0: 1 inside, limits
    included, 0 beyond. NaN u gives NaN. All arguments broadcast.
    """
    value, lower, upper, u = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (value, lower, upper, u)))
    scale = np.where(u > 0.0, u, np.where(np.isnan(u), np.nan, _SMALL))
    high, low = _gap(upper, value), _gap(value, lower)
    with np.errstate(over="ignore"):
        # Tails are added, not taken from one another, so that a small risk keeps its digits.
        risk = normal_cdf(-high / scale) + normal_cdf(-low / scale)
    exact = (u == 0.0) & (high >= 0.0) & (low >= 0.0)
    return np.where(exact, 1.0, 1.0 - risk)


def _gap(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return a - b with the grain taken off at zero; inf where one of the two is no limit (NaN)."""
    gap = np.asarray(a - b)
    gap = np.where(np.abs(gap) <= GRAIN, 0.0, gap)
    return np.where(np.isnan(gap), np.inf, gap)


def with_prior(value: ArrayLike, u: ArrayLike, mean: ArrayLike, sd: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of what is known after a reading when the process is known beforehand.

    Normal prior (mean, sd) and normal reading (value, u): JCGM 106:2012, 6.3, product of both densities. All arguments
    broadcast; u = 0 leaves the reading as it is.

    Raises:
        DataError: a prior standard deviation that is not above 0.
    """
    value, u, mean, sd = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (value, u, mean, sd)))
    if not (sd > 0.0).all():
        raise DataError("the process standard deviation must be above 0")
    share = sd**2 / (sd**2 + u**2)
    return mean + share * (value - mean), u * np.sqrt(share)


def inside_circle(distance: ArrayLike, radius: ArrayLike, u: ArrayLike) -> FloatArray:
    """Return the probability that a true point lies within a circle, when the measured point is ``distance`` from its
    centre.

    Each coordinate carries the standard uncertainty ``u``; so (true distance / u)^2 follows the noncentral chi-square
    distribution with 2 degrees of freedom and noncentrality (distance / u)^2, not a normal one (two-dimensional case of
    JCGM 106:2012, clause 7). Worked out by quadrature, absolute error below 1e-12. u = 0: 1 inside, rim included, else
    0. NaN anywhere gives NaN. Arguments broadcast.
    """
    distance, radius, u = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (distance, radius, u)))
    shape = distance.shape
    out = np.where(_gap(radius, distance) >= 0.0, 1.0, 0.0)
    out[np.isnan(distance) | np.isnan(radius) | np.isnan(u)] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        # Within 8.5 u of the rim; a ball of 8.5 u about the point holds all but 2e-16 of it.
        work = (np.abs(distance - radius) < _FAR * u) & (radius > 0.0) & (u > 0.0)
    out[(radius <= 0.0) & (u > 0.0)] = 0.0
    flat = out.reshape(-1)
    rows = np.flatnonzero(work.reshape(-1))
    for start in range(0, rows.size, _BLOCK):
        part = rows[start : start + _BLOCK]
        scale = u.reshape(-1)[part]
        flat[part] = _unit_circle(distance.reshape(-1)[part] / scale, radius.reshape(-1)[part] / scale)
    return flat.reshape(shape)


def _unit_circle(distance: FloatArray, radius: FloatArray) -> FloatArray:
    """Return the probability of falling in circles, with u = 1."""
    out = np.empty_like(distance)
    small = radius <= _ROUND
    for chosen, rule in ((small, _small_circle), (~small, _large_circle)):
        if chosen.any():
            out[chosen] = rule(distance[chosen], radius[chosen])
    return np.clip(out, 0.0, 1.0)


def _small_circle(distance: FloatArray, radius: FloatArray) -> FloatArray:
    # Strips across the line from centre to point: x = r cos t, half a strip's height r sin t.
    first = np.arccos(np.clip((distance + _FAR) / radius, -1.0, 1.0))
    last = np.arccos(np.clip((distance - _FAR) / radius, -1.0, 1.0))
    half = 0.5 * (last - first)
    angle = first[:, None] + half[:, None] * (_FINE_NODES + 1.0)
    x = radius[:, None] * np.cos(angle)
    y = radius[:, None] * np.sin(angle)
    density = np.exp(-0.5 * (x - distance[:, None]) ** 2) / np.sqrt(2.0 * np.pi)
    height = 1.0 - 2.0 * normal_cdf(-y)
    return half * ((density * height * y) @ _FINE_WEIGHTS)


def _large_circle(distance: FloatArray, radius: FloatArray) -> FloatArray:
    # Strips are so high that only those near the rim are cut: a normal up to where half the height is 8.5, then y as
    # the variable, so that the heights' probabilities are the same few numbers for every circle.
    y = 0.5 * _FAR * (_NODES + 1.0)
    weight = _WEIGHTS * 0.5 * _FAR * (1.0 - 2.0 * normal_cdf(-y)) * y / np.sqrt(2.0 * np.pi)
    x = np.sqrt(radius[:, None] ** 2 - y**2)
    whole = normal_cdf(np.sqrt(radius**2 - _FAR**2) - distance)
    return whole + (np.exp(-0.5 * (x - distance[:, None]) ** 2) / x) @ weight


def inside_zone(
    distance: ArrayLike, stated: ArrayLike, over_mmc: ArrayLike, most: ArrayLike, u_point: ArrayLike, u_size: ArrayLike
) -> FloatArray:
    """Return the probability that a true axis lies in its position zone, where the zone grows with an uncertain size.

    Zone radius = (stated + bonus) / 2 with bonus = ``over_mmc`` held between 0 and ``most``. ``over_mmc`` is how far
    the size departs from its material limit, with standard uncertainty ``u_size``; the axis is measured ``distance``
    from true position with ``u_point`` in each coordinate. The size is integrated over its normal density in three
    pieces (below no bonus, between, above full bonus), absolute error below 1e-9. RFS: most = 0. NaN gives NaN;
    arguments broadcast.
    """
    names = (distance, stated, over_mmc, most, u_point, u_size)
    distance, stated, over_mmc, most, u_point, u_size = np.broadcast_arrays(
        *(np.asarray(a, dtype=np.float64) for a in names)
    )
    fixed = (u_size == 0.0) | (most <= 0.0)
    bonus = np.where(most <= 0.0, 0.0, np.clip(over_mmc, 0.0, np.fmax(most, 0.0)))
    out = inside_circle(distance, 0.5 * (stated + bonus), u_point)
    # Far from the rim whatever the size turns out to be: nothing to integrate.
    reach = _FAR * (u_point + 0.5 * u_size)
    near = ~fixed & (np.abs(distance - 0.5 * (stated + bonus)) < reach)
    out[~fixed & np.isnan(u_size)] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.minimum(over_mmc, most - over_mmc) / u_size
    smooth = (room > _FAR) & (u_size <= u_point)
    flat = out.reshape(-1)
    for chosen, rule in ((near & smooth, _over_free_sizes), (near & ~smooth, _over_sizes)):
        rows = np.flatnonzero(chosen.reshape(-1))
        for start in range(0, rows.size, _BLOCK // 8):
            part = rows[start : start + _BLOCK // 8]
            flat[part] = rule(*(a.reshape(-1)[part] for a in (distance, stated, over_mmc, most, u_point, u_size)))
    return flat.reshape(out.shape)


def _over_free_sizes(
    distance: FloatArray, stated: FloatArray, over_mmc: FloatArray, most: FloatArray, u: FloatArray, u_size: FloatArray
) -> FloatArray:
    # The bonus reaches neither end of its range: no corner in the integrand, so few nodes are enough.
    radius = 0.5 * (stated[:, None] + over_mmc[:, None] + u_size[:, None] * _SMOOTH_NODES)
    inside = inside_circle(distance[:, None], radius, u[:, None])
    return np.clip(inside @ (_SMOOTH_WEIGHTS / np.sqrt(2.0 * np.pi)), 0.0, 1.0)


def _over_sizes(
    distance: FloatArray, stated: FloatArray, over_mmc: FloatArray, most: FloatArray, u: FloatArray, u_size: FloatArray
) -> FloatArray:
    low, high = -over_mmc / u_size, (most - over_mmc) / u_size
    start, stop = np.clip(low, -_FAR, _FAR), np.clip(high, -_FAR, _FAR)
    z = start[:, None] + 0.5 * (stop - start)[:, None] * (_BONUS_NODES + 1.0)
    weight = 0.5 * (stop - start)[:, None] * _BONUS_WEIGHTS * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    radius = 0.5 * (stated[:, None] + over_mmc[:, None] + u_size[:, None] * z)
    between = (weight * inside_circle(distance[:, None], radius, u[:, None])).sum(axis=1)
    none = normal_cdf(low) * inside_circle(distance, 0.5 * stated, u)
    full = normal_cdf(-high) * inside_circle(distance, 0.5 * (stated + most), u)
    return np.clip(between + none + full, 0.0, 1.0)
