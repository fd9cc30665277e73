"""Readings brought to 20 °C with an uncertainty of their own, and what holds where that was left out and matters.

ISO 1 and ASME B89.6.2: a length is what it is at 20 °C. MIL-HDBK-52: a measurement should be 4 to 10 times better than
the tolerance. So an effect of more than a tenth of the tolerance is a warning, and one of more than a quarter holds; so
does one of more than a tenth that takes the reading across a limit.
"""

from __future__ import annotations

import numpy as np

from holeqc.problems import WARNING, Problem
from holeqc.quantities import (
    GRAIN,
    REFERENCE_TEMPERATURE_C,
    BoolArray,
    FloatArray,
    format_length,
    size_at_reference,
)
from holeqc.specification.model import Specification

SIGNIFICANT = 0.10  #: share of a tolerance beyond which an uncorrected temperature is worth a warning (10 : 1)
TOO_MUCH = 0.25  #: share beyond which the reading proves nothing (4 : 1)
ACTION = "Let part and gauge come to 20 °C and read again, or set temperature.correct in the kit file."


def at_reference(
    value: FloatArray, temperature_c: FloatArray, gauge_per_c: FloatArray, spec: Specification
) -> tuple[FloatArray, FloatArray]:
    """Return readings as they are at 20 °C and the expanded uncertainty (k = 2) that the correction adds, both (n,).

    ``value`` [kit unit], ``temperature_c`` of part and gauge [°C], ``gauge_per_c`` [1/°C]. With dT = T - 20 the
    correction is about -L (a_p - a_g) dT; so, to first order (JCGM 100, 5.1.2), U^2 = (L (a_p - a_g) U_T)^2
    + (L dT U_a)^2, U_a that of the difference of the coefficients. NaN temperature gives NaN.
    """
    settings = spec.temperature
    delta = temperature_c - REFERENCE_TEMPERATURE_C
    corrected = size_at_reference(value, temperature_c, settings.part_expansion_per_c, gauge_per_c)
    from_temperature = value * (settings.part_expansion_per_c - gauge_per_c) * settings.uncertainty_c
    from_coefficient = value * delta * settings.expansion_uncertainty_per_c
    return corrected, np.hypot(from_temperature, from_coefficient)


def left_out(
    value: FloatArray,
    temperature_c: FloatArray,
    gauge_per_c: FloatArray,
    tolerance: FloatArray,
    spec: Specification,
    what: str,
    limits: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[tuple[Problem, ...], BoolArray]:
    """Return a warning if readings away from 20 °C would move by more than a tenth of their tolerance, and which of
    them (n,) prove nothing: they would move by more than a quarter, or across one of their ``limits`` (lower, upper).

    All arrays (n,); ``tolerance`` [kit unit] NaN where none applies. One warning for all readings of a kind.
    """
    corrected = at_reference(value, temperature_c, gauge_per_c, spec)[0]
    change = np.abs(corrected - value)
    share = np.where(np.isnan(change) | np.isnan(tolerance), 0.0, change) / np.where(tolerance > 0, tolerance, np.inf)
    crosses = np.zeros(share.shape, np.bool_)
    if limits is not None:
        crosses = (_inside(value, limits) != _inside(corrected, limits)) & (share > SIGNIFICANT)
    too_much = (share > TOO_MUCH) | crosses
    count = int((share > SIGNIFICANT).sum())
    if not count:
        return (), too_much
    holds = bool(too_much.any())
    # what holds is told first: a smaller effect across a limit, where none is too much by itself
    worst = int(np.where(crosses, share, -1.0).argmax() if holds and share.max() <= TOO_MUCH else share.argmax())
    limit = TOO_MUCH if share[worst] > TOO_MUCH else SIGNIFICANT
    across = ", and takes the reading across its limit" if crosses[worst] else ""
    return (
        Problem(
            WARNING,
            "temperature-left-out",
            f"{count} {what} {'reading was' if count == 1 else 'readings were'} taken away from 20 °C and not "
            f"corrected; {'the largest' if share[worst] == share.max() else 'one'} effect is "
            f"{format_length(float(change[worst]), spec.unit, 5)} {spec.unit}, "
            f"{_percent(float(share[worst]), limit)} % of the tolerance{across}",
            found=f"{float(temperature_c[worst]):g} °C",
            allowed=f"an effect of {100 * limit:.0f} % of the tolerance",
            action=ACTION,
            where="temperature.correct",
            holds=holds,
        ),
    ), too_much


def _inside(value: FloatArray, limits: tuple[FloatArray, FloatArray]) -> BoolArray:
    return (value >= limits[0] - GRAIN) & (value <= limits[1] + GRAIN)


def _percent(share: float, limit: float) -> str:
    """Return a share in percent, with a decimal where it would read as the limit that it is beyond."""
    text = f"{100 * share:.0f}"
    return text if float(text) > 100 * limit else f"{100 * share:.1f}"
