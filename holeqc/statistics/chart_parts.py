"""What every control chart is made of: options, frozen limits, the finished chart, and signals beyond limits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holeqc.problems import NOTE, WARNING, DataError, Problem
from holeqc.statistics.plain import plain
from holeqc.statistics.run_length import RunLength
from holeqc.statistics.signals import ALL_TESTS, BEYOND_LIMITS, EDGE, Signal, check_tests, stretches

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

AVERAGE_RANGE = "average-range"
AVERAGE_SD = "average-sd"
INDIVIDUALS = "individuals"
EWMA = "ewma"
CUSUM = "cusum"
POSITION = "position"
P_CHART = "p"
C_CHART = "c"
KINDS = (AVERAGE_RANGE, AVERAGE_SD, INDIVIDUALS, EWMA, CUSUM, POSITION, P_CHART, C_CHART)
VARIABLE_KINDS = KINDS[:5]

SUM_BEYOND = "sum_beyond_decision"
BEYOND_MEANING = {
    EWMA: "the level has moved: many small deviations the same way have added up",
    SUM_BEYOND: "the level has moved: deviations the same way have added up beyond the decision value",
    "range": "scatter inside this subgroup is unusual: one reading is off, or the process has become wilder",
    "sd": "scatter inside this subgroup is unusual: one reading is off, or the process has become wilder",
    "moving range": "an unusual jump from the point before",
    POSITION: "the location of this point is unusual in the plane, in its direction or its distance",
    P_CHART: "the share of rejects is not the usual one at this point",
    C_CHART: "the number of faults is not the usual one at this point",
}


@dataclass(frozen=True, slots=True)
class Frozen:
    """Limits of phase 1, to be held fixed in phase 2.

    ``centre`` is the centre line (two numbers for positions), ``sigma`` that of one reading (None for counts and
    positions), ``covariance`` (2 x 2 by rows) for positions; ``points`` and ``readings`` say how many set them and
    ``dof`` how well sigma is known.
    """

    kind: str
    centre: tuple[float, ...]
    sigma: float | None
    points: int
    readings: int
    dof: float | None = None
    covariance: tuple[float, ...] | None = None

    @classmethod
    def from_dict(cls, content: dict[str, Any]) -> Frozen:
        """Return frozen limits from their JSON form; raises ``DataError`` when something is missing or no number."""
        try:
            sigma, dof, covariance = content["sigma"], content["dof"], content["covariance"]
            made = cls(str(content["kind"]), tuple(float(v) for v in content["centre"]),
                       None if sigma is None else float(sigma), int(content["points"]), int(content["readings"]),
                       None if dof is None else float(dof),
                       None if covariance is None else tuple(float(v) for v in covariance))
        except (KeyError, TypeError, ValueError) as error:
            raise DataError(f"these limits can't be read: {error}") from None
        if made.kind not in KINDS:
            raise DataError(f"limits of an unknown kind '{made.kind}'; allowed: {', '.join(KINDS)}")
        numbers = [*made.centre, *(made.covariance or ()), *(v for v in (made.sigma, made.dof) if v is not None)]
        if not all(math.isfinite(v) for v in numbers):
            raise DataError("limits must be plain numbers")
        return made


@dataclass(frozen=True, slots=True)
class ChartOptions:
    """How a chart is drawn up.

    ``tests`` None takes two, beyond limits and nine on one side (`DEFAULT_TESTS`); moving ranges are then drawn only.
    ``baseline`` is the number of first points that set the limits; ``frozen`` takes them from an earlier chart.
    ``centre`` and ``sigma`` (of one reading) may be given instead of estimated. ``weight`` and ``width`` belong to
    EWMA (``steady`` limits from the first point on, or widening from the start), ``reference`` and ``decision`` (in
    sigma of a point) to CUSUM, ``alarm`` is the chance of a false alarm of a position chart.
    """

    tests: tuple[str, ...] | None = None
    baseline: int | None = None
    frozen: Frozen | None = None
    centre: float | None = None
    sigma: float | None = None
    weight: float = 0.2
    width: float = 3.0
    steady: bool = False
    reference: float = 0.5
    decision: float = 5.0
    alarm: float = 0.0027

    def __post_init__(self) -> None:
        if self.tests is not None:
            object.__setattr__(self, "tests", check_tests(self.tests))
            if not self.tests:
                raise DataError(f"a chart needs at least one test; allowed: {', '.join(ALL_TESTS)}")
        for name in ("centre", "sigma", "width", "reference", "decision"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise DataError(f"{name} must be a plain number; found {value}")
        if self.sigma is not None and not self.sigma > 0:
            raise DataError(f"sigma must be positive; found {self.sigma:g}")
        if self.baseline is not None and self.baseline < 2:
            raise DataError(f"limits need at least 2 points to set them; found {self.baseline}")
        if not (0 < self.weight <= 1 and self.width > 0):
            raise DataError(f"the weight lies between 0 and 1 and the width is positive; found {self.weight:g} "
                            f"and {self.width:g}")
        if not (self.reference >= 0 and self.decision > 0):
            raise DataError(f"reference and decision values are positive; found {self.reference:g} and "
                            f"{self.decision:g}")
        if not 0 < self.alarm < 1:
            raise DataError(f"the chance of a false alarm lies between 0 and 1; found {self.alarm:g}")


@dataclass(frozen=True, slots=True)
class Chart:
    """A finished chart. Arrays have shape (points,); NaN where there is no such value.

    ``lower_limit`` and ``upper_limit`` are numbers when they are the same for every point, else None (``lower`` and
    ``upper`` always hold them). ``sigma`` is that of one reading. ``more`` holds further columns (readings behind an
    EWMA, both sums of a CUSUM), ``spread`` the chart of scatter that belongs to this one.
    """

    kind: str
    title: str
    centre: float
    lower_limit: float | None
    upper_limit: float | None
    sigma: float | None
    values: FloatArray
    lower: FloatArray
    upper: FloatArray
    centres: FloatArray
    sizes: NDArray[np.int64]
    labels: Sequence[str]
    signals: tuple[Signal, ...]
    tests: tuple[str, ...]
    frozen: Frozen | None
    baseline: int
    run_length: RunLength | None = None
    run_length_shifted: RunLength | None = None
    remarks: tuple[Problem, ...] = ()
    more: dict[str, FloatArray] = field(default_factory=dict)
    details: dict[str, Any] = field(default_factory=dict)
    spread: Chart | None = None

    def all_signals(self) -> list[tuple[str, Signal]]:
        """Return (title of the chart it stands on, signal), for this chart and its chart of scatter."""
        own = [(self.title, s) for s in self.signals]
        return own + ([(self.spread.title, s) for s in self.spread.signals] if self.spread else [])

    def _points(self) -> list[dict[str, Any]]:
        columns = {"value": self.values, "lower": self.lower, "upper": self.upper, "centre": self.centres,
                   "n": self.sizes, **self.more}
        rows = zip(*(np.asarray(c).tolist() for c in columns.values()), strict=True)
        return [{"number": i, "label": label, **dict(zip(columns, row, strict=True))}
                for i, (label, row) in enumerate(zip(self.labels, rows, strict=True), 1)]

    def as_dict(self) -> dict[str, Any]:
        """Return the content for JSON; None where there is no value."""
        chart_of = {self.title: self, **({self.spread.title: self.spread} if self.spread else {})}
        signals = [
            {"test": s.test, "chart": title, "points": list(s.points), "complete_at": list(s.at), "side": s.side,
             "labels": [chart_of[title].labels[p - 1] for p in s.points], "meaning": s.meaning}
            | ({"began_at": s.points[0], "crossed_at": s.at[0], "beyond_until": s.until} if s.until else {})
            for title, s in self.all_signals()]
        spread = self.spread
        return plain({
            "kind": self.kind, "title": self.title, "centre": self.centre, "lower_limit": self.lower_limit,
            "upper_limit": self.upper_limit, "sigma": self.sigma, "points": self._points(), "signals": signals,
            "tests": list(self.tests), "baseline_points": self.baseline,
            "run_length": None if self.run_length is None else asdict(self.run_length),
            "run_length_after_one_sigma_shift": None if self.run_length_shifted is None
            else asdict(self.run_length_shifted),
            "frozen": None if self.frozen is None else asdict(self.frozen), **self.details,
            "spread": None if spread is None else {
                "title": spread.title, "centre": spread.centre, "lower_limit": spread.lower_limit,
                "upper_limit": spread.upper_limit, "points": spread._points()},
            "remarks": [{"severity": r.severity, "code": r.code, "text": r.sentence()} for r in self.remarks],
        })


def common(values: FloatArray) -> float | None:
    """Return the number that all values share, or None."""
    if not values.size or math.isnan(float(values[0])):
        return None
    return float(values[0]) if bool(np.all(values == values[0])) else None


def beyond_signals(values: FloatArray, lower: FloatArray, upper: FloatArray, meaning: str,
                   test: str = BEYOND_LIMITS) -> tuple[Signal, ...]:
    """Return a signal for every stretch of points beyond their own limits; a point on a limit is inside."""
    found = []
    with np.errstate(invalid="ignore"):
        room = EDGE * np.where(np.isfinite(upper - lower), np.abs(upper - lower), np.abs(upper))
        sides = {"above": values > upper + room, "below": values < lower - room}
    for side, mask in sides.items():
        at, begins, ends = stretches(mask)
        for begin, end in zip(begins, ends, strict=True):
            numbers = tuple(p + 1 for p in at[begin:end])
            if numbers:
                found.append(Signal(test, numbers, numbers, side, meaning))
    return tuple(sorted(found, key=lambda s: s.points[0]))


def price(length: RunLength | None, points: int, tests: tuple[str, ...] = (), scatter: float = 0.0,
          beside: tuple[str, bool] = ("", False)) -> list[Problem]:
    """Return the false-alarm price of a chart in words.

    ``tests`` are those it was judged by, ``scatter`` the chance of a signal at a point of the chart beside it, which
    has the name ``beside`` and is judged or not.
    """
    if length is None or not points:
        return []
    chance = -math.expm1(-points * (1 / length.mean + scatter))
    title, judged = beside
    with_it = f", the {title} once in {1 / scatter:.0f}" if scatter > 0 else ""
    others = [t for t in ALL_TESTS if t not in tests] if tests else []
    named = (f" Tests: {', '.join(tests)}" + (f"; --tests all adds {', '.join(others)}" if others else "")
             + (f" and judges the {title}" if title and not judged else "")) if tests else ""
    return [Problem(NOTE, "false-alarms", f"with nothing wrong this chart signals once in {length.mean:.0f} points on "
                    f"average{with_it}: about {100 * chance:.0f} of 100 charts of {points} points signal falsely."
                    + named)]


def sigma_words(sigma: float | None, points: int) -> list[Problem]:
    """Return why a chart has no usable limits, if so."""
    if sigma is None or math.isnan(sigma):
        return [Problem(WARNING, "no-limits", f"{points} point gives no scatter to set limits from"
                        if points == 1 else "no scatter within can be told: there are no limits",
                        action="Collect more readings, or give sigma.")]
    if sigma == 0:
        return [Problem(WARNING, "no-scatter", "the readings that set the limits are identical: limits have no width",
                        action="Use a gauge with a finer step.")]
    return []


def check_frozen(options: ChartOptions, kind: str, allowed: Iterable[str]) -> None:
    """Raise ``DataError`` when the frozen limits belong to another kind of chart, or clash with other choices."""
    if options.frozen is None:
        return
    if options.frozen.kind not in tuple(allowed):
        raise DataError(f"limits frozen for a chart '{options.frozen.kind}' don't fit a chart '{kind}'")
    if options.baseline is not None:
        raise DataError("frozen limits and a baseline exclude each other: the limits are set already")


def baseline_of(options: ChartOptions, points: int) -> int:
    """Return how many first points set the limits; raises ``DataError`` when there are not so many."""
    if options.frozen is not None:
        return 0
    if options.baseline is None:
        return points
    if options.baseline > points:
        raise DataError(f"the baseline of {options.baseline} points is longer than the series of {points}")
    return options.baseline
