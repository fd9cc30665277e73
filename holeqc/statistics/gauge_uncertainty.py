"""Uncertainty budget of a gauge: what blurs a reading, added up to the expanded uncertainty U for a kit's gauge.

Rules of JCGM 100:2008 (the GUM): standard uncertainties add as squares (5.1.2), effective degrees of freedom by
Welch and Satterthwaite (G.4.1), expanded uncertainty U = k u with k = 2 (6.2). ISO 22514-7 lists the same causes
for a measuring process; of repeatability and resolution it counts the larger, because a scatter that was read on a
coarse step holds the step already.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from holeqc.problems import DataError

if TYPE_CHECKING:
    from holeqc.statistics.gauge_study import GaugeStudy

DIVISORS = {"normal": 1.0, "rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}
"""Half width over standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9; arcsine H.1.3.4)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One cause: ``value`` over ``divisor`` is its standard uncertainty, times ``sensitivity`` what the reading feels.

    ``freedom`` are its degrees of freedom (infinite where it is taken from a certificate or a limit). ``counted`` is
    False for a cause that another line holds already; it is listed and not added.
    """

    name: str
    value: float
    divisor: float = 1.0
    sensitivity: float = 1.0
    freedom: float = math.inf
    basis: str = ""
    counted: bool = True

    @property
    def uncertainty(self) -> float:
        """Contribution to the standard uncertainty of a reading, in its unit."""
        return abs(self.sensitivity) * self.value / self.divisor


@dataclass(frozen=True, slots=True)
class Budget:
    """Lines and what they add up to, in the unit of the readings.

    ``coverage`` is the chance that k times the standard uncertainty covers, by the t distribution with the effective
    degrees of freedom; ``k_for_95`` is the factor for 95.45 %, which k = 2 means with many degrees of freedom.
    """

    lines: tuple[Line, ...]
    combined: float
    freedom: float
    k: float
    expanded: float
    coverage: float
    k_for_95: float
    notes: tuple[str, ...]

    def share(self, line: Line) -> float:
        """Return the percentage of the combined variance that a line brings; 0 if it isn't counted."""
        return 100.0 * line.uncertainty**2 / self.combined**2 if line.counted and self.combined else 0.0

    def tolerance_ratio(self, tolerance: float) -> float:
        """Return tolerance over the width of the uncertainty interval 2 U (the N of ASME B89.7.3.1's N:1)."""
        return math.inf if self.expanded == 0.0 else tolerance / (2.0 * self.expanded)

    def as_dict(self) -> dict[str, object]:
        """Return the budget for machines; infinite degrees of freedom are None."""
        return {
            "lines": [
                asdict(line)
                | {"freedom": _finite(line.freedom), "uncertainty": line.uncertainty, "percent": self.share(line)}
                for line in self.lines
            ],
            "combined": self.combined,
            "degrees_of_freedom": _finite(self.freedom),
            "k": self.k,
            "expanded": self.expanded,
            "coverage": self.coverage,
            "k_for_95": self.k_for_95,
            "notes": list(self.notes),
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def repeatability(standard_deviation: float, freedom: float, readings: int = 1) -> Line:
    """Return the line of repeatability: standard deviation of one reading, averaged over ``readings`` of them.

    Source: JCGM 100:2008, 4.2.3.
    """
    _check("repeatability", standard_deviation)
    if readings < 1:
        raise DataError(f"{readings} readings averaged; at least 1")
    basis = "standard deviation of repeats" + (f", mean of {readings}" if readings > 1 else "")
    return Line("repeatability", standard_deviation, math.sqrt(readings), freedom=freedom, basis=basis)


def reproducibility(standard_deviation: float, freedom: float) -> Line:
    """Return the line of reproducibility: standard deviation between appraisers (averaging doesn't lower it)."""
    _check("reproducibility", standard_deviation)
    return Line("reproducibility", standard_deviation, freedom=freedom, basis="standard deviation between appraisers")


def master(expanded: float, k: float = 2.0, freedom: float = math.inf) -> Line:
    """Return the line of the master that the gauge is set or calibrated with: expanded uncertainty over its k.

    Source: JCGM 100:2008, 4.3.3.
    """
    _check("the master's uncertainty", expanded)
    if not 0.0 < k < math.inf:
        raise DataError(f"the master's coverage factor is {k}; certificates state 2 as a rule")
    return Line("master", expanded, k, freedom=freedom, basis=f"certificate, k = {k:g}")


def resolution(step: float) -> Line:
    """Return the line of the gauge's smallest step: rectangular, half a step to either side.

    Source: JCGM 100:2008, F.2.2.1.
    """
    _check("the step", step)
    return Line("resolution", step / 2.0, DIVISORS["rectangular"], basis="half a step, rectangular")


def uncorrected_bias(bias: float) -> Line:
    """Return the line of a bias that is known and not corrected, taken as rectangular between plus and minus it.

    Correcting it is better (JCGM 100:2008, 3.2.4); ISO 22514-7 takes this way where it isn't done.
    """
    if not math.isfinite(bias):
        raise DataError(f"the bias is {bias}; give a number")
    return Line("bias, not corrected", abs(bias), DIVISORS["rectangular"], basis="rectangular, plus and minus the bias")


def temperature(
    length: float,
    *,
    off_reference: float = 0.0,
    apart: float = 0.0,
    expansion: float = 11.5e-6,
    expansion_difference: float = 0.0,
    expansion_doubt: float = 0.1,
) -> tuple[Line, ...]:
    """Return the lines of temperature for a comparison of part and gauge that isn't corrected to 20 °C.

    Args:
        length: what is measured, in the unit of the readings.
        off_reference: how far the shop may be from 20 °C, either way [°C].
        apart: how far part and gauge may differ from each other, either way [°C].
        expansion: coefficient of the part [1/°C]; steel 11.5e-6 (Swyt, NIST 1994).
        expansion_difference: coefficient of part minus that of gauge, either sign [1/°C].
        expansion_doubt: how well the coefficients are known, as a share of the part's.

    Raises:
        DataError: a size, temperature or share below zero.

    Source: model of JCGM 100:2008, H.1: length * (difference of coefficients * distance from 20 °C + coefficient *
    difference of temperatures); rectangular limits.
    """
    for name, value in (("length", length), ("off_reference", off_reference), ("apart", apart),
                        ("expansion", expansion), ("expansion_doubt", expansion_doubt)):  # fmt: skip
        _check(name, value)
    rectangular = DIVISORS["rectangular"]
    lines = []
    if apart:
        basis = f"part and gauge up to {apart:g} °C apart"
        lines.append(Line("temperature, part against gauge", apart, rectangular, length * expansion, basis=basis))
    difference = abs(expansion_difference)
    if off_reference and difference:
        basis = f"up to {off_reference:g} °C from 20 °C, coefficients differ by {difference:.3g}"
        lines.append(Line("temperature, off 20 °C", off_reference, rectangular, length * difference, basis=basis))
    if off_reference and expansion_doubt:
        basis = f"coefficients known to {100 * expansion_doubt:g} %"
        doubt, sensitivity = expansion_doubt * expansion, length * off_reference / rectangular
        lines.append(Line("coefficient of expansion", doubt, rectangular, sensitivity, basis=basis))
    return tuple(lines)


def _check(name: str, value: float) -> None:
    if not 0.0 <= value < math.inf:
        raise DataError(f"{name} is {value}; allowed: 0 or more")


def combine(lines: Iterable[Line], k: float = 2.0) -> Budget:
    """Add the lines up to the combined and the expanded uncertainty.

    Of the lines named repeatability and resolution only the larger counts.

    Raises:
        DataError: no line, or a k that isn't above zero.

    Source: JCGM 100:2008, eq. 10 (uncorrelated), G.2b (effective degrees of freedom), 6.2.1.
    """
    from scipy import stats

    every = _larger_of_repeatability_and_resolution(tuple(lines))
    if not every:
        raise DataError("the budget has no line; give at least the repeatability or the resolution")
    if not 0.0 < k < math.inf:
        raise DataError(f"the coverage factor is {k}; U is stated with k = 2")
    counted = [line for line in every if line.counted]
    combined = math.sqrt(math.fsum(line.uncertainty**2 for line in counted))
    spread = math.fsum(line.uncertainty**4 / line.freedom for line in counted if line.uncertainty)
    freedom = combined**4 / spread if spread > 0.0 else math.inf
    # G.4.1 note: t at the next lower whole number, as the guide does
    whole = math.floor(freedom) if math.isfinite(freedom) else math.inf
    if whole < 1:
        whole = 1.0
    heavy = stats.norm if math.isinf(whole) else stats.t(whole)
    coverage = 1.0 - 2.0 * float(heavy.sf(k))
    two_sigma = 1.0 - 2.0 * float(stats.norm.sf(2.0))
    notes = []
    if math.isfinite(freedom) and freedom < 30.0:
        notes.append(
            f"{freedom:.1f} effective degrees of freedom: k = {k:g} covers {100 * coverage:.1f} %, "
            f"{100 * two_sigma:.2f} % would need k = {float(heavy.isf(0.5 - 0.5 * two_sigma)):.2f}; more readings help"
        )
    notes += [f"{line.name} is not added: {line.basis}" for line in every if not line.counted]
    return Budget(
        every, combined, freedom, k, k * combined, coverage, float(heavy.isf(0.5 - 0.5 * two_sigma)), tuple(notes)
    )


def _larger_of_repeatability_and_resolution(lines: tuple[Line, ...]) -> tuple[Line, ...]:
    repeat = sum(line.uncertainty for line in lines if line.name == "repeatability")
    step = sum(line.uncertainty for line in lines if line.name == "resolution")
    smaller = "" if not repeat or not step else ("resolution" if repeat >= step else "repeatability")
    return tuple(
        Line(x.name, x.value, x.divisor, x.sensitivity, x.freedom, f"{x.basis}; smaller of the two", False)
        if x.name == smaller
        else x
        for x in lines
    )


def from_study(study: GaugeStudy, readings: int = 1) -> tuple[Line, ...]:
    """Return the lines that a gauge study gives: repeatability and, where several people read, reproducibility.

    Reproducibility takes the interaction in. Its degrees of freedom are those of the appraisers, few as they are.
    """
    repeat = study.share("repeatability").standard_deviation or 0.0
    lines = [repeatability(repeat, study.freedom("repeatability"), readings)]
    between = study.share("reproducibility").variance
    if between is not None:
        both = between + (study.share("interaction").variance or 0.0)
        lines.append(reproducibility(math.sqrt(both), max(study.freedom("appraiser"), 1)))
    return tuple(lines)


def round_up(value: float, digits: int = 2) -> float:
    """Return a positive value rounded up to significant digits, so that a stated U is never too small."""
    if value <= 0.0:
        return 0.0
    decimals = digits - 1 - math.floor(math.log10(value))
    # a value that is a round number but for its last bits must not be pushed a whole digit up
    scaled = value * 10.0**decimals
    whole = round(scaled) if abs(scaled - round(scaled)) < 1e-9 * scaled else math.ceil(scaled)
    return round(whole / 10.0**decimals, max(decimals, 0))


def kit_gauge_lines(
    gauge: str, budget: Budget, *, kind: str = "", unit: str = "", step: float | None = None
) -> tuple[str, ...]:
    """Return the lines of a kit file's gauge entry with U from the budget, the budget itself as comments.

    Args:
        gauge: identification of the gauge in the kit file.
        budget: as `combine` returns it, in the kit's unit.
        kind: what it is, such as ``caliper``.
        unit: unit for the comments.
        step: smallest step of the gauge.

    Raises:
        DataError: no identification.
    """
    if not gauge.strip():
        raise DataError("the gauge has no identification; give the one that people write in the sheet")
    if budget.k != 2.0:
        raise DataError(f"a kit file states U with k = 2; this budget has k = {budget.k:g}")
    of = f" [{unit}]" if unit else ""
    unit = f" {unit}" if unit else ""
    lines = ["[[gauge]]", f"id = {_toml(gauge.strip())}"]
    if kind:
        lines.append(f"kind = {_toml(kind)}")
    lines.append(f"uncertainty = {_plain(round_up(budget.expanded))}  # U{of} at k = 2, rounded up")
    if step:
        lines.append(f"resolution = {_plain(step)}")
    for line in budget.lines:
        counted = f"{budget.share(line):.0f} %" if line.counted else "not added"
        basis = _comment(line.basis).partition(";")[0]
        lines.append(f"# {_comment(line.name)}: {line.uncertainty:.3g}{unit}, {counted} ({basis})")
    return tuple(lines)


def _plain(value: float) -> str:
    text = f"{value:.12f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _toml(text: str) -> str:
    safe = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda m: f"\\u{ord(m.group()):04x}", safe) + '"'


def _comment(text: str) -> str:
    return re.sub(r"[\x00-\x1f\x7f]", " ", text)
