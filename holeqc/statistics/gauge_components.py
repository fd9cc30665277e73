"""Readings of a gauge study put in order: who read which part how often, and what can't be told from them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import FloatArray, IntArray
from holeqc.statistics.subgroups import chart_factors, range_moments

CROSSED = "crossed"  #: every appraiser reads the same parts
NESTED = "nested"  #: each appraiser has parts of their own
ONE_APPRAISER = "one appraiser"
ONE_PART = "one part"
REPEATS = "repeats of one part"  #: one part, one appraiser


@dataclass(frozen=True, slots=True)
class Layout:
    """Readings with their part and appraiser as whole numbers from 0.

    ``values`` (n,) is finite; ``part`` and ``appraiser`` (n,) point into ``part_names`` and ``appraiser_names``;
    ``counts`` (parts, appraisers) says how many readings each pair has; ``missing`` how many empty ones were left out.
    In a nested study a part name stands once for each appraiser who used it.
    """

    design: str
    values: FloatArray
    part: IntArray
    appraiser: IntArray
    part_names: tuple[str, ...]
    appraiser_names: tuple[str, ...]
    counts: IntArray
    missing: int

    @property
    def parts(self) -> int:
        """Number of parts."""
        return len(self.part_names)

    @property
    def appraisers(self) -> int:
        """Number of appraisers."""
        return len(self.appraiser_names)

    @property
    def trials(self) -> int | None:
        """Readings of each part by each appraiser, None where it isn't the same number everywhere."""
        used = self.counts[self.counts > 0] if self.design == NESTED else self.counts.ravel()
        return int(used[0]) if np.all(used == used[0]) and used[0] > 0 else None

    @property
    def balanced(self) -> bool:
        """Every pair has as many readings (nested: every appraiser also as many parts)."""
        if self.trials is None:
            return False
        parts_each = (self.counts > 0).sum(axis=0)
        return self.design != NESTED or bool(np.all(parts_each == parts_each[0]))

    @property
    def cell(self) -> IntArray:
        """Number of the part and appraiser pair of each reading (n,): part * appraisers + appraiser."""
        cells: IntArray = self.part * self.appraisers + self.appraiser
        return cells


def labels_to_codes(labels: ArrayLike, what: str, count: int) -> tuple[IntArray, tuple[str, ...]]:
    """Return labels as whole numbers in order of first appearance (n,), and their names.

    A number and the same number as text are one label (``1``, ``1.0`` and ``"1"``); spaces around a text don't count.

    Raises:
        DataError: wrong length, or a label is blank.
    """
    flat = np.asarray(labels, dtype=object).ravel()
    if flat.size != count:
        raise DataError(f"there are {count} values but {flat.size} {what} labels; give one label a value")
    raw, back = np.unique(flat.astype(str), return_inverse=True)
    texts = [_tidy(str(r)) for r in raw]
    blank = np.flatnonzero(np.isin(back, [k for k, text in enumerate(texts) if not text])) + 1
    if blank.size:
        shown = ", ".join(map(str, blank[:5])) + (" and more" if blank.size > 5 else "")
        raise DataError(f"the {what} is blank for value {shown}; say which {what} each value belongs to")
    names, code_of = np.unique(np.array(texts, dtype=str), return_inverse=True)
    codes = code_of[back]
    earliest = np.full(names.size, flat.size, dtype=np.int64)
    np.minimum.at(earliest, codes, np.arange(flat.size))
    order = np.argsort(earliest)
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    return rank[codes].astype(np.int64), tuple(str(n) for n in names[order])


def _tidy(text: str) -> str:
    text = text.strip()
    if text.lower() in {"nan", "nat", "<na>", "none"}:
        return ""
    return re.sub(r"^(-?\d+)\.0$", r"\1", text)


def numbers(values: ArrayLike, what: str = "value") -> FloatArray:
    """Return values as a flat float array (n,); None and blank become not-a-number.

    Raises:
        DataError: a text that is not a number, a yes/no, or an infinite value; names the places.
    """
    # a list goes through objects, so that a yes/no among numbers isn't taken for 1
    array = values if isinstance(values, np.ndarray) else np.asarray(values, dtype=object)
    if array.dtype.kind in "fiu":
        flat = array.astype(np.float64).ravel()
    else:
        flat = _parse(array.astype(object).ravel(), what)
    infinite = np.flatnonzero(np.isinf(flat)) + 1
    if infinite.size:
        raise DataError(f"{what} {infinite[0]} is infinite; a reading is a finite number")
    return flat


def _parse(flat: NDArray[np.object_], what: str) -> FloatArray:
    if set(map(type, flat)) <= {float, int, type(None), np.float64, np.int64}:
        return flat.astype(np.float64)
    out = np.full(flat.size, np.nan)
    bad: list[str] = []
    for k, item in enumerate(flat):  # texts are few and each wrong one must be named with its place
        if isinstance(item, (bool, np.bool_)):
            bad.append(f"{k + 1} ({item})")
        elif item is not None and (not isinstance(item, str) or item.strip()):
            try:
                out[k] = float(item)
            except (TypeError, ValueError):
                bad.append(f"{k + 1} ({item!r})")
    if bad:
        more = f" and {len(bad) - 5} more" if len(bad) > 5 else ""
        raise DataError(f"not a number: {what} {', '.join(bad[:5])}{more}; type a number, or leave the cell empty")
    return out


def lay_out(part: ArrayLike | None, appraiser: ArrayLike | None, value: ArrayLike, *, nested: bool = False) -> Layout:
    """Put the readings of a study in order and name its design.

    Args:
        part: label of the part of each reading (n,); None: all of one part.
        appraiser: label of the appraiser of each reading (n,); None: all by one.
        value: readings (n,) in any one unit; not-a-number marks a reading that wasn't taken.
        nested: each appraiser has parts of their own, even if the labels repeat.

    Raises:
        DataError: no readings, a text, a blank label, labels of another length, or parts that nobody shares in a
            study that isn't nested.
    """
    flat = numbers(value)
    if not flat.size:
        raise DataError("there are no readings; a gauge study needs at least two")
    p_codes, p_names = labels_to_codes(["1"] * flat.size if part is None else part, "part", flat.size)
    a_codes, a_names = labels_to_codes(["1"] * flat.size if appraiser is None else appraiser, "appraiser", flat.size)
    use = np.isfinite(flat)
    if use.sum() < 2:
        raise DataError(f"{int(use.sum())} of {flat.size} readings have a value; a gauge study needs at least two")
    p_codes, p_names = _used(p_codes[use], p_names)
    a_codes, a_names = _used(a_codes[use], a_names)
    nested = nested and len(a_names) > 1
    if nested:
        p_codes, p_names = _split_parts(p_codes, p_names, a_codes, a_names)
    counts = np.zeros((len(p_names), len(a_names)), dtype=np.int64)
    np.add.at(counts, (p_codes, a_codes), 1)
    design = _design(counts, nested)
    return Layout(design, flat[use], p_codes, a_codes, p_names, a_names, counts, int((~use).sum()))


def _used(codes: IntArray, names: Sequence[str]) -> tuple[IntArray, tuple[str, ...]]:
    kept, new = np.unique(codes, return_inverse=True)
    return new.astype(np.int64), tuple(names[k] for k in kept)


def _split_parts(
    part: IntArray, part_names: Sequence[str], appraiser: IntArray, appraiser_names: Sequence[str]
) -> tuple[IntArray, tuple[str, ...]]:
    pair, codes = np.unique(appraiser * len(part_names) + part, return_inverse=True)
    names = tuple(f"{part_names[k % len(part_names)]} of {appraiser_names[k // len(part_names)]}" for k in pair)
    return codes.astype(np.int64), names


def _design(counts: IntArray, nested: bool) -> str:
    parts, appraisers = counts.shape
    if parts == 1:
        return REPEATS if appraisers == 1 else ONE_PART
    if appraisers == 1:
        return ONE_APPRAISER
    if nested:
        if parts == appraisers:
            raise DataError(
                "each appraiser read one part only, so parts and appraisers can't be told apart; give each appraiser "
                "at least two parts, or let all read the same parts"
            )
        return NESTED
    if np.all((counts > 0).sum(axis=1) == 1):
        raise DataError(
            "no part was read by more than one appraiser, so a crossed study can't tell parts from appraisers; "
            "say that the study is nested, or let every appraiser read the same parts"
        )
    return CROSSED


# Confidence intervals for variance components and for shares of them.
#
# Sums and differences of mean squares: modified large sample method (Graybill and Wang, J. Amer. Statist. Assoc. 75,
# 1980, for sums; Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Statist. Comput. Simul. 35, 1990, for differences;
# collected in Burdick and Graybill, Confidence Intervals on Variance Components, 1992, sec. 3.2 and 3.3). It is exact
# for one mean square (chi-square). Anything else of them, such as a share of the total: generalized confidence
# intervals (Weerahandi, J. Amer. Statist. Assoc. 88, 1993; for gauge studies Hamada and Weerahandi, J. Quality
# Technology 32, 2000) from a fixed seed, so that the same readings give the same interval.


LARGE_SAMPLE = "modified large sample (Graybill and Wang 1980; Ting and others 1990)"
GENERALIZED = "generalized confidence interval (Weerahandi 1993), 20 000 draws of a fixed seed"
DRAWS = 20_000
SEED = 20_114


def check_confidence(confidence: float) -> float:
    """Return the two-sided confidence level.

    Raises:
        DataError: not between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise DataError(f"confidence is {confidence}; give a share between 0 and 1, such as 0.95")
    return confidence


def large_sample_interval(
    weights: ArrayLike, mean_squares: ArrayLike, freedoms: ArrayLike, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the two-sided interval for ``sum(weights * expected mean squares)``, not below zero.

    Args:
        weights: weight of each mean square, of either sign (k,).
        mean_squares: independent mean squares (k,).
        freedoms: their degrees of freedom (k,).
        confidence: two-sided level.

    Source: Ting and others (1990); Burdick and Graybill (1992), eq. 3.2.2 and 3.3.2 ff.
    """
    c, ms, n = (np.asarray(x, dtype=np.float64).ravel() for x in (weights, mean_squares, freedoms))
    check_confidence(confidence)
    keep = (c != 0.0) & (ms > 0.0)
    c, ms, n = c[keep], ms[keep], n[keep]
    alpha = 0.5 * (1.0 - confidence)
    plus = c > 0.0
    up, down = c[plus] * ms[plus], -c[~plus] * ms[~plus]
    centre = float(up.sum() - down.sum())
    below = _variance_below(up, n[plus], down, n[~plus], alpha)
    # the upper bound of a - b is minus the lower bound of b - a
    above = _variance_below(down, n[~plus], up, n[plus], alpha)
    return max(centre - np.sqrt(below), 0.0), max(centre + np.sqrt(above), 0.0)


def _variance_below(up: FloatArray, n_up: FloatArray, down: FloatArray, n_down: FloatArray, alpha: float) -> float:
    from scipy.special import chdtri, fdtri, gammaincinv

    if up.size + down.size == 0:
        return 0.0
    g = 1.0 - n_up / chdtri(n_up, alpha)
    h = n_down / (2.0 * gammaincinv(n_down / 2.0, alpha)) - 1.0
    total = float(np.sum((g * up) ** 2) + np.sum((h * down) ** 2))
    if up.size and down.size:
        f = fdtri(n_up[:, None], n_down[None, :], 1.0 - alpha)
        cross = ((f - 1.0) ** 2 - (g[:, None] * f) ** 2 - h[None, :] ** 2) / f
        total += float(up @ cross @ down)
    if up.size > 1 and down.size:
        a, b = np.triu_indices(up.size, 1)
        both = n_up[a] + n_up[b]
        joint = (1.0 - both / chdtri(both, alpha)) ** 2 * both**2 / (n_up[a] * n_up[b])
        star = (joint - g[a] ** 2 * n_up[a] / n_up[b] - g[b] ** 2 * n_up[b] / n_up[a]) / (up.size - 1)
        total += float(np.sum(star * up[a] * up[b]))
    return max(total, 0.0)


def generalized_draws(
    weights: dict[str, FloatArray], mean_squares: FloatArray, freedoms: FloatArray
) -> dict[str, FloatArray]:
    """Return generalized pivotal draws (`DRAWS`,) of each variance component, none below zero.

    Args:
        weights: for each component its weight on each mean square (k,).
        mean_squares: the mean squares (k,).
        freedoms: their degrees of freedom (k,).
    """
    chi = np.random.default_rng(SEED).chisquare(freedoms, size=(DRAWS, freedoms.size))
    expected = freedoms * mean_squares / chi
    return {name: np.maximum(expected @ w, 0.0) for name, w in weights.items()}


def quantiles(draws: FloatArray, confidence: float = 0.95) -> tuple[float, float]:
    """Return the equal-tailed interval of draws at the two-sided level ``confidence``."""
    alpha = 0.5 * (1.0 - check_confidence(confidence))
    low, high = np.quantile(draws, [alpha, 1.0 - alpha])
    return float(low), float(high)


# Analysis of variance of a gauge study: mean squares, what they are expected to be, and the components behind them.
#
# Balanced studies use the classical sums of squares. Unbalanced crossed studies fit constants (Henderson's method 3,
# Biometrics 9, 1953): each term is adjusted for the other one, and expected mean squares come from the projections.
# Unbalanced nested and one-way studies use the exact coefficients of the sequential sums (Searle, Casella, McCulloch,
# Variance Components, 1992, ch. 3 and 5). The model is random effects throughout (ASTM E2782).


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
        expected = (1.0, 0.0, 0.0, repeats) if names[0] == "part" else (1.0, repeats, 0.0, 0.0)
        strata.append(Stratum(names[0], df_in, between, expected))
    if df_out > 0:
        k1 = (float(inner_in_outer.sum()) - float(np.sum(n_in**2)) / n) / df_out
        k2 = (n - float(np.sum(n_out**2)) / n) / df_out
        outer_sum = float(np.sum(n_out * mean_out**2))
        strata.append(Stratum("appraiser", df_out, outer_sum, (1.0, k2, 0.0, k1)))
    if df_within > 0:
        strata.append(Stratum("repeatability", df_within, within, (1.0, 0.0, 0.0, 0.0)))
    return strata


def pool_interaction(strata: list[Stratum]) -> list[Stratum]:
    """Return the mean squares with the interaction added to repeatability (or standing for it, one reading a pair)."""
    joined = [s for s in strata if s.source in {"interaction", "repeatability"}]
    if not joined:
        return strata
    error = Stratum(
        "repeatability", sum(s.degrees_of_freedom for s in joined), sum(s.sum_of_squares for s in joined),
        (1.0, 0.0, 0.0, 0.0),
    )  # fmt: skip
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
    from scipy.special import fdtrc

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
    return f, float(fdtrc(stratum.degrees_of_freedom, freedom, f)), against


# From mean squares to variance components: the rule for the interaction, the estimates and their intervals.


Pooling = Literal["rule", "pool", "keep"]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Estimates:
    """Components by name: not below zero, as they came out, and intervals (variance; percent of all scatter)."""

    variances: dict[str, float]
    raw: dict[str, float]
    spans: dict[str, Span] = field(default_factory=dict)
    scatter_spans: dict[str, Span] = field(default_factory=dict)
    apart_span: Span | None = None


def pool(
    layout: Layout, strata: list[Stratum], table: tuple[AnovaRow, ...], choice: Pooling, above: float
) -> tuple[list[Stratum], bool, str]:
    """Return the mean squares to use, whether the interaction was pooled into repeatability, and the rule in words."""
    row = next((r for r in table if r.source == "interaction"), None)
    if row is None:
        if layout.design != CROSSED:
            return strata, False, "this design has no interaction"
        text = "too few pairs were read to tell an interaction; it is taken as none"
        return pool_interaction(strata), False, text
    if not any(s.source == "repeatability" for s in strata):
        text = "one reading of each part by each appraiser: interaction and repeatability stand together"
        return pool_interaction(strata), True, text
    p = "p not defined" if row.p is None else "p < 0.0001" if row.p < 0.0001 else f"p = {row.p:.4f}"
    if choice == "pool":
        return pool_interaction(strata), True, f"pooled with repeatability, as asked ({p})"
    if choice == "keep":
        return strata, False, f"kept, as asked ({p})"
    if row.p is None:
        return pool_interaction(strata), True, "pooled with repeatability: no scatter, so that it has no p"
    if row.p > above:
        return (
            pool_interaction(strata),
            True,
            (f"{p} is above {above:g}, so the pooling rule counts the interaction as repeatability"),
        )
    return strata, False, f"{p} is at most {above:g}, so the pooling rule keeps the interaction apart"


def from_mean_squares(strata: list[Stratum], confidence: float) -> Estimates:
    """Return the components of the mean squares with their intervals at the two-sided level ``confidence``."""
    weights = components(strata)
    squares = np.array([s.mean_square for s in strata])
    freedoms = np.array([float(s.degrees_of_freedom) for s in strata])
    raw = {name: float(w @ squares) for name, w in weights.items()}
    variances = {name: max(v, 0.0) for name, v in raw.items()}
    if not np.any(squares > 0.0):
        return Estimates(variances, raw)
    sums = dict(weights)
    sums["gauge"] = np.sum([w for n, w in weights.items() if n != "part"], axis=0)
    if "part" in weights:
        sums["total"] = np.sum(list(weights.values()), axis=0)
    spans = {n: large_sample_interval(w, squares, freedoms, confidence) for n, w in sums.items()}
    if "part" not in weights:
        return Estimates(variances, raw, spans)
    draws = generalized_draws(weights, squares, freedoms)
    draws["gauge"] = np.sum([d for n, d in draws.items() if n != "part"], axis=0)
    total = draws["gauge"] + draws["part"]
    shares = {n: quantiles(d / total, confidence) for n, d in draws.items()}
    study = {n: (100.0 * float(np.sqrt(low)), 100.0 * float(np.sqrt(high))) for n, (low, high) in shares.items()}
    low, high = shares["part"]
    categories = None if high >= 1.0 else (_categories_of(low), _categories_of(high))
    return Estimates(variances, raw, spans, study, categories)


def _categories_of(part_share: float) -> float:
    return float(np.sqrt(2.0 * part_share / (1.0 - part_share)))


# The average and range method of a gauge study: mean ranges instead of mean squares, for a check by hand.
#
# The divisor of a range is the mean d2 of the range of a normal sample; for a mean of few ranges it is
# ``sqrt(d2**2 + d3**2 / g)`` for g ranges, which makes the square of the quotient unbiased (Duncan, Quality Control and
# Industrial Statistics, table D3; the table's own rule of using d2 above 15 ranges is kept).


FEWEST_RANGES = 4  #: fewer pairs than this give no limit for their ranges
FEW_RANGES = 15  #: above this many ranges the divisor is d2 itself


def range_divisor(size: int, ranges: int) -> float:
    """Return what to divide a mean of ``ranges`` ranges by, each of ``size`` values, to get a standard deviation."""
    mean, spread = range_moments(size)
    return mean if ranges > FEW_RANGES else float(np.sqrt(mean**2 + spread**2 / ranges))


def range_estimates(layout: Layout) -> tuple[dict[str, float], dict[str, float]]:
    """Return the variance components by average and range, not below zero, and as they came out.

    Part variation is taken from the range of the part averages and, as is usual in this method, not corrected for the
    repeatability that lies in those averages.

    Raises:
        DataError: the study isn't balanced, is nested, or has one reading a pair.
    """
    r = layout.trials
    if layout.design not in {CROSSED, ONE_APPRAISER} or not layout.balanced or r is None or r < 2:
        raise DataError(
            "the average and range method needs every part read equally often, at least twice, by every appraiser; "
            f"found a {layout.design} study, {'balanced' if layout.balanced else 'not balanced'}, "
            f"{r or 'differing numbers of'} trials. Use the analysis of variance"
        )
    p, o = layout.parts, layout.appraisers
    ordered = layout.values[np.argsort(layout.cell, kind="stable")] - layout.values[0]
    cube = ordered.reshape(p, o, r)
    mean_range = float(np.mean(np.ptp(cube, axis=2)))
    repeatability = (mean_range / range_divisor(r, p * o)) ** 2
    part = (float(np.ptp(cube.mean(axis=(1, 2)))) / range_divisor(p, 1)) ** 2
    raw = {"repeatability": repeatability, "part": part}
    if o > 1:
        between = float(np.ptp(cube.mean(axis=(0, 2)))) / range_divisor(o, 1)
        raw["reproducibility"] = between**2 - repeatability / (p * r)
    return {name: max(v, 0.0) for name, v in raw.items()}, raw


def range_limit(layout: Layout) -> tuple[float | None, float | None]:
    """Return the mean range of the repeats and D4 times it, None where the repeats aren't even or the pairs few."""
    r = layout.trials
    if r is None or r < 2 or not layout.balanced or np.count_nonzero(layout.counts) < FEWEST_RANGES:
        return None, None
    ordered = layout.values[np.argsort(layout.cell, kind="stable")].reshape(-1, r)
    mean = float(np.mean(np.ptp(ordered, axis=1)))
    return mean, chart_factors(r).D4 * mean

