"""Decision rules: how a value with an uncertainty is compared with limits.

Simple acceptance takes the limits as they stand (JCGM 106:2012, 8.2). Guarded acceptance moves acceptance limits
inward by w = r U (ISO 14253-1; JCGM 106, 8.3.2; ASME B89.7.3.1 stringent acceptance), relaxed acceptance outward (ASME
B89.7.3.1 relaxed acceptance). Values are compared as they stand or after rounding (ASTM E29).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from holeqc.inspection.causes import GUARD_BAND, MISSING, NO_UNCERTAINTY, NONE, OVER, UNDER
from holeqc.inspection.grouping import CodeArray, VerdictArray
from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.quantities import GRAIN, FloatArray, above, below, decimals_of, round_array
from holeqc.specification.model import DecisionRule, Rounding


def decide(
    value: ArrayLike, lower: ArrayLike, upper: ArrayLike, uncertainty: ArrayLike, rule: DecisionRule,
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
