"""Analysis of variance of a gauge study: mean squares, what they are expected to be, and the components behind them.

Balanced studies use the classical sums of squares. Unbalanced crossed studies fit constants (Henderson's method 3,
Biometrics 9, 1953): each term is adjusted for the other one, and expected mean squares come from the projections.
Unbalanced nested and one-way studies use the exact coefficients of the sequential sums (Searle, Casella, McCulloch,
Variance Components, 1992, ch. 3 and 5). The model is random effects throughout (ASTM E2782).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.problems import DataError
from holeqc.statistics.gauge_layout import CROSSED, NESTED, ONE_APPRAISER, ONE_PART, FloatArray, IntArray, Layout

REPEATABILITY, APPRAISER, INTERACTION, PART = "repeatability", "reproducibility", "interaction", "part"
COMPONENTS = (REPEATABILITY, APPRAISER, INTERACTION, PART)
MOST_UNBALANCED_CELLS = 4000  #: the projections of an unbalanced crossed study need a matrix of this many rows


@dataclass(frozen=True, slots=True)
class Stratum:
    """One mean square: its sum of squares, degrees of freedom and expected value.

    ``expected`` (4,) holds how many times each of `COMPONENTS` stands in the expected mean square.
    """

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    expected: tuple[float, float, float, float]

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of the table: F is the mean square over that of ``against``, p the chance of an F this large or more."""

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    mean_square: float | None
    f: float | None = None
    p: float | None = None
    against: str = ""


def sums_of_squares(layout: Layout) -> tuple[list[Stratum], int, float]:
    """Return the mean squares of a study, and the total degrees of freedom and sum of squares.

    Strata stand in the order part, appraiser, interaction, repeatability, without those that the design can't give;
    a study with one reading a pair has no repeatability of its own, its interaction stands for both.
    """
    y = _centred(layout.values)
    total = float(y @ y)
    n = y.size
    if layout.design == CROSSED:
        strata = _crossed_balanced(layout, y) if layout.balanced else _crossed_unbalanced(layout, y)
    else:
        strata = _hierarchy(layout, y)
    return strata, n - 1, total


def _centred(values: FloatArray) -> FloatArray:
    # the first subtraction is exact for values that share their leading digits, so nothing is lost before the mean
    y = values - values[0]
    y -= y.mean()
    y -= y.mean()
    return y


def _crossed_balanced(layout: Layout, y: FloatArray) -> list[Stratum]:
    p, o, r = layout.parts, layout.appraisers, layout.trials or 1
    cube = y[np.argsort(layout.cell, kind="stable")].reshape(p, o, r)
    cells = cube.mean(axis=2)
    by_part, by_appraiser = cells.mean(axis=1), cells.mean(axis=0)
    rest = cells - by_part[:, None] - by_appraiser[None, :]
    strata = [
        Stratum("part", p - 1, o * r * float(by_part @ by_part), (1.0, 0.0, float(r), float(o * r))),
        Stratum("appraiser", o - 1, p * r * float(by_appraiser @ by_appraiser), (1.0, float(p * r), float(r), 0.0)),
        Stratum("interaction", (p - 1) * (o - 1), r * float(np.sum(rest**2)), (1.0, 0.0, float(r), 0.0)),
    ]
    if r > 1:
        within = float(np.sum((cube - cells[:, :, None]) ** 2))
        strata.append(Stratum("repeatability", p * o * (r - 1), within, (1.0, 0.0, 0.0, 0.0)))
    return strata


def _crossed_unbalanced(layout: Layout, y: FloatArray) -> list[Stratum]:
    counts = layout.counts.ravel().astype(np.float64)
    used = np.flatnonzero(counts)
    if used.size > MOST_UNBALANCED_CELLS:
        raise DataError(
            f"{used.size} pairs of part and appraiser in an unbalanced study; allowed: {MOST_UNBALANCED_CELLS}. "
            "Leave out parts until every appraiser has read every part equally often"
        )
    sums = np.bincount(layout.cell, weights=y, minlength=counts.size)[used]
    w = counts[used]
    means = sums / w
    within = float(np.sum((y - _spread(means, used, counts.size)[layout.cell]) ** 2))
    root = np.sqrt(w)
    part = np.eye(layout.parts)[used // layout.appraisers]
    appraiser = np.eye(layout.appraisers)[used % layout.appraisers]
    one = _basis(root[:, None])
    parts, appraisers = _basis(root[:, None] * part), _basis(root[:, None] * appraiser)
    additive = _basis(root[:, None] * np.hstack([part, appraiser]))
    everything = np.eye(used.size)
    strata = [
        _projected("part", _beyond(additive, appraisers), root, means, part, appraiser),
        _projected("appraiser", _beyond(additive, parts), root, means, part, appraiser),
        _projected("interaction", _beyond(everything, additive), root, means, part, appraiser),
    ]
    strata = [s for s in strata if s is not None]
    spare = y.size - used.size
    if spare:
        strata.append(Stratum("repeatability", spare, within, (1.0, 0.0, 0.0, 0.0)))
    if one.shape[1] + parts.shape[1] - 1 + appraisers.shape[1] - 1 > additive.shape[1]:
        raise DataError(
            "some parts and appraisers have no reading in common with the others, so their differences can't be told "
            "apart; let at least one part be read by every appraiser"
        )
    return [s for s in strata if s is not None]


def _spread(cell_values: FloatArray, used: IntArray, size: int) -> FloatArray:
    out = np.zeros(size)
    out[used] = cell_values
    return out


def _basis(columns: FloatArray) -> FloatArray:
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    kept: FloatArray = u[:, s > s[0] * 1e-10]
    return kept


def _beyond(wide: FloatArray, narrow: FloatArray) -> FloatArray:
    # columns that span what `wide` has and `narrow` has not; singular values of the projection are 0 or 1
    u, s, _ = np.linalg.svd(wide - narrow @ (narrow.T @ wide), full_matrices=False)
    kept: FloatArray = u[:, s > 0.5]
    return kept


def _projected(
    source: str, basis: FloatArray, root: FloatArray, means: FloatArray, part: FloatArray, appraiser: FloatArray
) -> Stratum | None:
    freedom = basis.shape[1]
    if not freedom:
        return None
    along = basis.T @ (root * means)
    scaled = root[:, None] * basis
    sizes = [float(np.sum(m**2)) for m in (scaled, appraiser.T @ scaled, part.T @ scaled)]
    share = [0.0 if size < 1e-9 * max(sizes) else size / freedom for size in sizes]
    return Stratum(source, freedom, float(along @ along), (1.0, share[1], share[0], share[2]))


def _hierarchy(layout: Layout, y: FloatArray) -> list[Stratum]:
    """Nested study and its simpler relations: parts only, appraisers only, repeats only."""
    if layout.design == NESTED:
        inner, outer = layout.part, layout.appraiser
        names = ("part", "appraiser")
    elif layout.design == ONE_APPRAISER:
        inner, outer = layout.part, np.zeros_like(layout.part)
        names = ("part", "")
    elif layout.design == ONE_PART:
        inner, outer = layout.appraiser, np.zeros_like(layout.part)
        names = ("appraiser", "")
    else:
        return [Stratum("repeatability", y.size - 1, float(y @ y), (1.0, 0.0, 0.0, 0.0))]
    n_in = np.bincount(inner).astype(np.float64)
    mean_in = np.bincount(inner, weights=y) / n_in
    of = np.zeros(n_in.size, dtype=np.int64)
    of[inner] = outer
    n_out = np.bincount(outer).astype(np.float64)
    mean_out = np.bincount(outer, weights=y) / n_out
    within = float(np.sum((y - mean_in[inner]) ** 2))
    between = float(np.sum(n_in * (mean_in - mean_out[of]) ** 2))
    n = float(y.size)
    inner_in_outer = np.bincount(of, weights=n_in**2) / n_out
    df_in, df_out, df_within = n_in.size - n_out.size, n_out.size - 1, y.size - n_in.size
    strata: list[Stratum] = []
    if df_in > 0:
        repeats = (n - float(inner_in_outer.sum())) / df_in
        strata.append(Stratum(names[0], df_in, between, _expected(names[0], repeats)))
    if df_out > 0:
        k1 = (float(inner_in_outer.sum()) - float(np.sum(n_in**2)) / n) / df_out
        k2 = (n - float(np.sum(n_out**2)) / n) / df_out
        outer_sum = float(np.sum(n_out * mean_out**2))
        strata.append(Stratum("appraiser", df_out, outer_sum, (1.0, k2, 0.0, k1)))
    if df_within > 0:
        strata.append(Stratum("repeatability", df_within, within, (1.0, 0.0, 0.0, 0.0)))
    return strata


def _expected(source: str, repeats: float) -> tuple[float, float, float, float]:
    return (1.0, 0.0, 0.0, repeats) if source == "part" else (1.0, repeats, 0.0, 0.0)


def pool_interaction(strata: list[Stratum]) -> list[Stratum]:
    """Return the mean squares with the interaction added to repeatability (or standing for it, one reading a pair)."""
    joined = [s for s in strata if s.source in {"interaction", "repeatability"}]
    if not joined:
        return strata
    error = Stratum(
        "repeatability",
        sum(s.degrees_of_freedom for s in joined),
        sum(s.sum_of_squares for s in joined),
        (1.0, 0.0, 0.0, 0.0),
    )
    others = [
        Stratum(s.source, s.degrees_of_freedom, s.sum_of_squares, (s.expected[0], s.expected[1], 0.0, s.expected[3]))
        for s in strata
        if s.source not in {"interaction", "repeatability"}
    ]
    return [*others, error]


def components(strata: list[Stratum]) -> dict[str, FloatArray]:
    """Return the weights (strata,) of each component that can be told: estimate = weights @ mean squares.

    A component that the design can't tell apart is left out.
    """
    expected = np.array([s.expected for s in strata])
    present = np.flatnonzero(np.any(expected > 0, axis=0))
    if present.size != len(strata):
        raise DataError("the readings can't tell the causes apart; read each part more than once")
    weights = np.linalg.inv(expected[:, present])
    weights[np.abs(weights) < 1e-14 * np.abs(weights).max()] = 0.0
    return {COMPONENTS[c]: weights[k] for k, c in enumerate(present)}


def anova_table(strata: list[Stratum], total_freedom: int, total: float) -> tuple[AnovaRow, ...]:
    """Return the table with F and p of each term, each against the mean square expected to differ by that term alone.

    Where no single mean square has that expected value (not balanced), the denominator is a combination of them and its
    degrees of freedom are Satterthwaite's (Biometrics Bulletin 2, 1946).
    """
    rows = [
        AnovaRow(s.source, s.degrees_of_freedom, s.sum_of_squares, s.mean_square, *_f_test(s, strata)) for s in strata
    ]
    return (*rows, AnovaRow("total", total_freedom, total, None))


_OWN = {"part": 3, "appraiser": 1, "interaction": 2}


def _f_test(stratum: Stratum, strata: list[Stratum]) -> tuple[float | None, float | None, str]:
    from scipy import stats

    if stratum.source not in _OWN:
        return None, None, ""
    target = np.array(stratum.expected)
    target[_OWN[stratum.source]] = 0.0
    others = [s for s in strata if s is not stratum]
    expected = np.array([s.expected for s in others]).reshape(len(others), 4)
    if not len(others):
        return None, None, ""
    weights = np.linalg.lstsq(expected.T, target, rcond=None)[0]
    weights[np.abs(weights) < 1e-9] = 0.0
    if not np.allclose(expected.T @ weights, target, atol=1e-8):
        return None, None, ""
    pieces = weights * np.array([s.mean_square for s in others])
    below = float(pieces.sum())
    if below <= 0.0:
        return None, None, ""
    freedom = below**2 / float(np.sum(pieces**2 / np.array([s.degrees_of_freedom for s in others])))
    f = stratum.mean_square / below
    against = " + ".join(s.source for s, weight in zip(others, weights, strict=True) if weight)
    return f, float(stats.f.sf(f, stratum.degrees_of_freedom, freedom)), against
