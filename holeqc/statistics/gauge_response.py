"""GO and NO-GO plugs near the limit: how often the answer is wrong.

A plug enters a hole that is larger than the plug; near its size it sometimes does and sometimes doesn't. The chance
that it enters, against hole size, is a curve that is either fitted to trials on holes of known size, or predicted
from the size of the plug and the standard uncertainty of the comparison. From it follow the chances to refuse a good
hole and to let a bad one pass (the consumer's and producer's risks of JCGM 106:2012, clause 9).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.gauge_intervals import check_confidence
from holeqc.statistics.gauge_layout import FloatArray, numbers

Link = Literal["logit", "probit"]
NODES = 400  #: Gauss-Legendre points a piece when risks are summed over a process


@dataclass(frozen=True, slots=True)
class Curve:
    """Chance that a plug enters: ``F((size - centre) / width)``, F normal (probit) or logistic (logit).

    ``width`` 0 is a sharp step: enters if the hole is at least as large as ``centre``.
    """

    centre: float
    width: float
    link: Link = "probit"

    def enters(self, size: ArrayLike) -> FloatArray:
        """Return the chance that the plug enters holes of the sizes given, same shape."""
        from scipy import special

        x = np.asarray(size, dtype=np.float64)
        if self.width == 0.0:
            return np.where(x >= self.centre, 1.0, 0.0)
        z = (x - self.centre) / self.width
        chance: FloatArray = special.ndtr(z) if self.link == "probit" else special.expit(z)
        return chance

    def size_at(self, chance: ArrayLike) -> FloatArray:
        """Return the hole size at which the plug enters with the chance given, same shape."""
        from scipy import special

        c = np.asarray(chance, dtype=np.float64)
        z = special.ndtri(c) if self.link == "probit" else special.logit(c)
        size: FloatArray = self.centre + self.width * z
        return size


@dataclass(frozen=True, slots=True)
class ResponseFit:
    """A curve fitted to trials: ``link(chance) = intercept + slope * size``.

    ``separated``: every hole above some size let the plug in and none below; then the change lies somewhere in
    ``between``, and no curve can be fitted (``curve`` is a step in the middle, errors are None). ``centre_interval`` is
    the Fieller interval of the size entered every second time, None where the slope isn't clear.
    """

    curve: Curve
    intercept: float | None
    slope: float | None
    intercept_error: float | None
    slope_error: float | None
    covariance: float | None
    deviance: float | None
    deviance_freedom: int
    deviance_p: float | None
    separated: bool
    between: tuple[float, float]
    centre_interval: tuple[float, float] | None
    sizes: FloatArray
    entered: FloatArray
    trials: FloatArray
    confidence: float
    notes: tuple[str, ...]

    def band(self, size: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return lower and upper bound of the chance at each size, by the line's standard error (Wald).

        Raises:
            DataError: the trials are separated, so that there is no line.
        """
        from scipy import special

        if self.slope is None or self.intercept is None or self.covariance is None:
            raise DataError("the trials change from never to always at once: there is no band; try sizes in between")
        x = np.asarray(size, dtype=np.float64)
        eta = self.intercept + self.slope * x
        spread = (self.intercept_error or 0.0) ** 2 + 2 * x * self.covariance + (x * (self.slope_error or 0.0)) ** 2
        reach = special.ndtri(0.5 + 0.5 * self.confidence) * np.sqrt(np.maximum(spread, 0.0))
        back = special.ndtr if self.curve.link == "probit" else special.expit
        return back(eta - reach), back(eta + reach)


def fit_response(
    size: ArrayLike, entered: ArrayLike, trials: ArrayLike | None = None, *, link: Link = "logit",
    confidence: float = 0.95,
) -> ResponseFit:  # fmt: skip
    """Fit the chance that a plug enters to trials on holes of known size, by maximum likelihood.

    Args:
        size: known size of the hole (n,).
        entered: how many of the trials the plug entered (n,).
        trials: number of trials (n,); None: one each.
        link: ``logit`` or ``probit``.
        confidence: two-sided level.

    Raises:
        DataError: counts that can't be, fewer than two sizes, or a plug that always or never entered.

    Source: McCullagh and Nelder, Generalized Linear Models (1989), sec. 2.5 and 4.4; Fieller interval as in Finney,
    Probit Analysis (1971), ch. 4; no finite fit where the answers are separated: Albert and Anderson, Biometrika 71
    (1984).
    """
    x, k, n = _checked(size, entered, trials)
    if link not in {"logit", "probit"}:
        raise DataError(f"there is no link {link!r}; allowed: logit, probit")
    check_confidence(confidence)
    refused, let_in = x[k < n], x[k > 0]
    between = (float(refused.max()), float(let_in.min()))
    if between[0] <= between[1]:
        middle = Curve(0.5 * (between[0] + between[1]), 0.0, link)
        note = (
            f"holes below {between[1]:.6g} always refused the plug and holes above {between[0]:.6g} always let it in: "
            "the change is too sharp to be fitted; try holes of sizes in between, several times each"
        )
        return ResponseFit(
            middle, None, None, None, None, None, None, 0, None, True, between, None, x, k, n, confidence, (note,)
        )
    if float(let_in.max()) <= float(refused.min()):
        raise DataError("smaller holes let the plug in and larger ones didn't; check sizes and answers")
    beta, cov, deviance, middle_x, scale = _maximum_likelihood(x, k, n, link)
    slope = beta[1] / scale
    intercept = beta[0] - slope * middle_x
    slope_error = float(np.sqrt(cov[1, 1])) / scale
    # back from the centred, scaled size to the size itself
    shift = middle_x / scale
    intercept_var = cov[0, 0] - 2 * shift * cov[0, 1] + shift**2 * cov[1, 1]
    covariance = (cov[0, 1] - shift * cov[1, 1]) / scale
    freedom = int(np.unique(x).size) - 2
    notes = [] if slope > 0 else ["the plug enters smaller holes more often than larger ones; check the answers"]
    return ResponseFit(
        curve=Curve(-intercept / slope, 1.0 / slope, link) if slope > 0 else Curve(float(x.mean()), 0.0, link),
        intercept=float(intercept),
        slope=float(slope),
        intercept_error=float(np.sqrt(intercept_var)),
        slope_error=slope_error,
        covariance=float(covariance),
        deviance=deviance,
        deviance_freedom=freedom,
        deviance_p=_goodness(deviance, freedom, n),
        separated=False,
        between=(float(let_in.min()), float(refused.max())),
        centre_interval=_fieller(beta, cov, confidence, middle_x, scale),
        sizes=x,
        entered=k,
        trials=n,
        confidence=confidence,
        notes=tuple(notes),
    )


def _checked(
    size: ArrayLike, entered: ArrayLike, trials: ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    x, k = numbers(size, "size"), numbers(entered, "count")
    n = np.ones_like(k) if trials is None else numbers(trials, "number of trials")
    if not x.size == k.size == n.size:
        raise DataError(f"{x.size} sizes, {k.size} counts, {n.size} numbers of trials; give one of each a hole")
    use = np.isfinite(x) & np.isfinite(k) & np.isfinite(n) & (n > 0)
    x, k, n = x[use], k[use], n[use]
    if np.any((k < 0) | (k > n)):
        raise DataError("a plug entered more often than it was tried, or less than never")
    if np.unique(x).size < 2:
        raise DataError("a curve needs holes of at least two sizes; take eight or more around the limit")
    if k.sum() == 0 or k.sum() == n.sum():
        word = "never" if k.sum() == 0 else "always"
        raise DataError(f"the plug {word} entered; try holes on both sides of its size")
    return x, k, n


def _maximum_likelihood(
    x: FloatArray, k: FloatArray, n: FloatArray, link: Link
) -> tuple[FloatArray, FloatArray, float, float, float]:
    from scipy import special, stats

    middle, scale = float(np.average(x, weights=n)), float(np.ptp(x)) / 2.0
    design = np.column_stack([np.ones_like(x), (x - middle) / scale])
    eta = special.logit((k + 0.5) / (n + 1.0))
    if link == "probit":
        eta = special.ndtri((k + 0.5) / (n + 1.0))
    last = np.inf
    for _ in range(100):
        p = np.clip(special.expit(eta) if link == "logit" else special.ndtr(eta), 1e-15, 1 - 1e-15)
        steep = p * (1 - p) if link == "logit" else np.maximum(stats.norm.pdf(eta), 1e-300)
        weight = n * steep**2 / (p * (1 - p))
        working = eta + (k / n - p) / steep
        information = design.T @ (weight[:, None] * design)
        beta = np.linalg.solve(information, design.T @ (weight * working))
        eta = np.clip(design @ beta, -30.0, 30.0)
        p = np.clip(special.expit(eta) if link == "logit" else special.ndtr(eta), 1e-15, 1 - 1e-15)
        deviance = 2.0 * float(np.sum(special.xlogy(k, k / (n * p)) + special.xlogy(n - k, (n - k) / (n * (1 - p)))))
        if abs(deviance - last) < 1e-13 * (1.0 + abs(deviance)):
            break
        last = deviance
    steep = p * (1 - p) if link == "logit" else np.maximum(stats.norm.pdf(eta), 1e-300)
    information = design.T @ ((n * steep**2 / (p * (1 - p)))[:, None] * design)
    return beta, np.linalg.inv(information), deviance, middle, scale


def _goodness(deviance: float, freedom: int, trials: FloatArray) -> float | None:
    """Chance of a deviance this large if the curve is right; only for grouped trials, where it has that meaning."""
    from scipy import stats

    return float(stats.chi2.sf(deviance, freedom)) if freedom > 0 and trials.min() >= 5 else None


def _fieller(
    beta: FloatArray, cov: FloatArray, confidence: float, middle: float, scale: float
) -> tuple[float, float] | None:
    from scipy import special

    z2 = float(special.ndtri(0.5 + 0.5 * confidence)) ** 2
    a = beta[1] ** 2 - z2 * cov[1, 1]
    b = beta[0] * beta[1] - z2 * cov[0, 1]
    c = beta[0] ** 2 - z2 * cov[0, 0]
    if a <= 0.0 or beta[1] <= 0.0:
        return None
    root = float(np.sqrt(max(b * b - a * c, 0.0)))
    return middle + scale * (-b - root) / a, middle + scale * (-b + root) / a


def plug_curve(
    plug: float, standard_uncertainty: float, *, needs: float = 0.0, maker_band: float = 0.0
) -> Curve:
    """Predict the curve of a plug from its size and what blurs the comparison.

    Args:
        plug: size of the plug: as calibrated, or the middle of its maker's limits.
        standard_uncertainty: of the comparison of plug and hole (plug's calibration, temperature, feel, form), 1 s.
        needs: clearance that the plug needs to enter by hand.
        maker_band: width of the maker's limits if the plug's own size isn't known; taken as rectangular.

    Raises:
        DataError: an uncertainty or band below zero.

    Source: rectangular limits, JCGM 100:2008, 4.3.7; the comparison itself is taken as normal.
    """
    if not (standard_uncertainty >= 0.0 and maker_band >= 0.0 and np.isfinite(plug + needs)):
        raise DataError("the plug's uncertainty and its maker's band must be 0 or more, its size a number")
    return Curve(plug + needs, float(np.hypot(standard_uncertainty, maker_band / np.sqrt(12.0))), "probit")


@dataclass(frozen=True, slots=True)
class WrongAnswers:
    """Chances for holes of each size (n,): accepted (GO enters and NO-GO doesn't), and each wrong answer.

    ``good_refused`` is not zero only for sizes inside the limits, ``bad_accepted`` only outside.
    """

    size: FloatArray
    accepted: FloatArray
    good_refused: FloatArray
    bad_accepted: FloatArray


@dataclass(frozen=True, slots=True)
class GaugeRisk:
    """Shares of a whole process: good holes refused, bad holes accepted, and holes outside the limits at all."""

    good_refused: float
    bad_accepted: float
    outside: float


def wrong_answers(
    size: ArrayLike, lower: float | None, upper: float | None, go: Curve | None, no_go: Curve | None
) -> WrongAnswers:
    """Return the chance of each wrong answer for holes of the sizes given.

    Args:
        size: true sizes of holes (n,).
        lower: lower limit, checked by the GO plug.
        upper: upper limit, checked by the NO-GO plug.
        go: curve of the GO plug; None: not used.
        no_go: curve of the NO-GO plug; None: not used.

    Raises:
        DataError: no plug, a plug without its limit, or limits upside down.
    """
    _check_plugs(lower, upper, go, no_go)
    x = np.asarray(size, dtype=np.float64).ravel()
    accepted = np.ones_like(x)
    if go is not None:
        accepted = accepted * go.enters(x)
    if no_go is not None:
        # a hole exactly as large as the plug doesn't take it: NO-GO at the upper limit must not refuse the limit
        entered = np.where(x > no_go.centre, 1.0, 0.0) if no_go.width == 0.0 else no_go.enters(x)
        accepted = accepted * (1.0 - entered)
    good = (x >= (-np.inf if lower is None else lower)) & (x <= (np.inf if upper is None else upper))
    return WrongAnswers(x, accepted, np.where(good, 1.0 - accepted, 0.0), np.where(good, 0.0, accepted))


def _check_plugs(lower: float | None, upper: float | None, go: Curve | None, no_go: Curve | None) -> None:
    if go is None and no_go is None:
        raise DataError("no plug is given; give a GO plug, a NO-GO plug or both")
    if (go is not None and lower is None) or (no_go is not None and upper is None):
        raise DataError("GO checks the lower limit and NO-GO the upper one; give the limit of each plug used")
    if lower is not None and upper is not None and not lower < upper:
        raise DataError(f"the limits are upside down: lower {lower}, upper {upper}")


def process_risk(
    mean: float, standard_deviation: float, lower: float | None, upper: float | None, go: Curve | None,
    no_go: Curve | None,
) -> GaugeRisk:  # fmt: skip
    """Return the shares of wrong answers when holes come from a normal process.

    Args:
        mean: mean size of the holes.
        standard_deviation: of their true sizes.
        lower: lower limit.
        upper: upper limit.
        go: curve of the GO plug.
        no_go: curve of the NO-GO plug.

    Raises:
        DataError: as `wrong_answers`, or a standard deviation that isn't positive.

    Source: global consumer's and producer's risk, JCGM 106:2012, 9.5, by Gauss-Legendre quadrature between the limits
    and the plugs' sizes.
    """
    from scipy import special, stats

    _check_plugs(lower, upper, go, no_go)
    if not 0.0 < standard_deviation < np.inf:
        raise DataError(f"the standard deviation of the holes is {standard_deviation}; give a size above zero")
    ends = [mean - 9.0 * standard_deviation, mean + 9.0 * standard_deviation]
    bends = [v for v in (lower, upper) if v is not None]
    for curve in (go, no_go):
        if curve is not None:
            bends += [curve.centre + w * curve.width for w in (-8.0, -3.0, 0.0, 3.0, 8.0)]
    grid = np.unique(np.clip(np.array(ends + bends), ends[0], ends[1]))
    node, weight = np.polynomial.legendre.leggauss(NODES)
    half = 0.5 * np.diff(grid)
    x = (grid[:-1] + half)[:, None] + half[:, None] * node
    mass = half[:, None] * weight * stats.norm.pdf(x, mean, standard_deviation)
    answer = wrong_answers(x.ravel(), lower, upper, go, no_go)
    below = 0.0 if lower is None else float(special.ndtr((lower - mean) / standard_deviation))
    above = 0.0 if upper is None else float(special.ndtr((mean - upper) / standard_deviation))
    return GaugeRisk(
        float(mass.ravel() @ answer.good_refused), float(mass.ravel() @ answer.bad_accepted), below + above
    )
