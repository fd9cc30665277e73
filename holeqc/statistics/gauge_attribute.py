"""Do people who answer in words agree? Agreement with intervals, and kappa, which takes off agreement by luck.

For ratings such as accept and reject, or GO and NO-GO, on parts that several appraisers look at several times
without knowing which part it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.problems import DataError
from holeqc.statistics.gauge_intervals import check_confidence
from holeqc.statistics.gauge_layout import FloatArray, IntArray, labels_to_codes


@dataclass(frozen=True, slots=True)
class Proportion:
    """A count out of a number, with the exact interval (Clopper and Pearson, Biometrika 26, 1934)."""

    count: int
    of: int
    lower: float
    upper: float

    @property
    def share(self) -> float | None:
        """Count over number, None if the number is 0."""
        return self.count / self.of if self.of else None


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement beyond luck: 1 is perfect, 0 is what chance gives; None where everything has one category.

    ``standard_error`` and the interval are for the agreement found; ``standard_error_null``, ``z`` and ``p``
    (one-sided) test whether there is any at all.
    """

    kappa: float | None
    observed: float
    by_chance: float
    standard_error: float | None = None
    lower: float | None = None
    upper: float | None = None
    standard_error_null: float | None = None
    z: float | None = None
    p: float | None = None
    method: str = ""


@dataclass(frozen=True, slots=True)
class Appraiser:
    """One appraiser: agreement with themself, agreement with the reference, and what was answered wrongly.

    ``wrong`` gives for each category of the reference how often the answer was another one.
    """

    name: str
    with_self: Proportion | None
    with_reference: Proportion | None
    kappa_reference: Kappa | None
    wrong: tuple[tuple[str, Proportion], ...]


@dataclass(frozen=True, slots=True)
class AttributeStudy:
    """Result of a study in words; ``categories`` in order of first appearance.

    ``all_agree`` counts parts on which every answer was the same, ``all_right`` those on which it also was the
    reference's. ``pairs`` holds Cohen's kappa of every two appraisers.
    """

    categories: tuple[str, ...]
    parts: int
    appraisers: tuple[Appraiser, ...]
    all_agree: Proportion
    all_right: Proportion | None
    kappa_all: Kappa
    kappa_categories: tuple[tuple[str, float | None], ...]
    pairs: tuple[tuple[str, str, Kappa], ...]
    confidence: float
    notes: tuple[str, ...]


def exact_proportion(count: int, of: int, confidence: float = 0.95) -> Proportion:
    """Return a count out of a number with its exact two-sided interval (Clopper and Pearson 1934).

    Raises:
        DataError: the count isn't between 0 and the number.
    """
    from scipy import stats

    if not 0 <= count <= of:
        raise DataError(f"{count} out of {of}; the count must be from 0 to the number")
    alpha = 0.5 * (1.0 - check_confidence(confidence))
    low = 0.0 if count == 0 else float(stats.beta.ppf(alpha, count, of - count + 1))
    high = 1.0 if count == of else float(stats.beta.ppf(1.0 - alpha, count + 1, of - count))
    return Proportion(int(count), int(of), low, high)


def cohen_kappa(table: ArrayLike, confidence: float = 0.95) -> Kappa:
    """Return Cohen's kappa of a square table of counts: rows one appraiser, columns the other.

    Raises:
        DataError: not a square table of counts, or empty.

    Source: Cohen, Educ. Psychol. Meas. 20 (1960); standard errors of Fleiss, Cohen and Everitt, Psychol. Bull. 72
    (1969), eq. 13 and 14.
    """
    from scipy import stats

    n = np.asarray(table, dtype=np.float64)
    if n.ndim != 2 or n.shape[0] != n.shape[1] or np.any(n < 0) or not n.sum() > 0:
        raise DataError("kappa of two appraisers needs a square table of counts that isn't empty")
    total = float(n.sum())
    p = n / total
    row, column = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float(np.trace(p)), float(row @ column)
    if chance >= 1.0:
        return Kappa(None, observed, chance)
    kappa = (observed - chance) / (1.0 - chance)
    both = row[:, None] + column[None, :]
    diagonal = np.diag(p)
    on = float(np.sum(diagonal * (1.0 - np.diag(both) * (1.0 - kappa)) ** 2))
    # of cell (i, j) the weights are the row share of category j and the column share of category i
    cross = (column[:, None] + row[None, :]) ** 2
    off = (1.0 - kappa) ** 2 * float(np.sum(p * cross) - np.sum(diagonal * np.diag(cross)))
    spread = on + off - (kappa - chance * (1.0 - kappa)) ** 2
    error = float(np.sqrt(max(spread, 0.0) / total)) / (1.0 - chance)
    null = chance + chance**2 - float(np.sum(row * column * (row + column)))
    error_null = float(np.sqrt(max(null, 0.0) / total)) / (1.0 - chance)
    z = kappa / error_null if error_null > 0.0 else None
    reach = float(stats.norm.ppf(0.5 + 0.5 * check_confidence(confidence)))
    return Kappa(
        kappa, observed, chance, error, max(kappa - reach * error, -1.0), min(kappa + reach * error, 1.0), error_null,
        z, None if z is None else float(stats.norm.sf(z)), "Fleiss, Cohen and Everitt 1969",
    )  # fmt: skip


def fleiss_kappa(counts: ArrayLike, confidence: float = 0.95) -> Kappa:
    """Return Fleiss' kappa of ratings by any number of appraisers.

    Args:
        counts: how many ratings of each category a part has (parts, categories); every part has the same number.
        confidence: two-sided level of the interval, which is by the jackknife over the parts (Fleiss and Davies,
            Commun. Statist. Simul. Comput. 11, 1982).

    Raises:
        DataError: fewer than two ratings a part, or parts with differing numbers of them.

    Source: Fleiss, Psychol. Bull. 76 (1971), eq. 5 to 7; standard error without agreement of Fleiss, Nee and Landis,
    Psychol. Bull. 86 (1979), eq. 12.
    """
    from scipy import stats

    n, m = _checked_counts(counts)
    parts = n.shape[0]
    agree = (np.sum(n**2, axis=1) - m) / (m * (m - 1.0))
    share = n.sum(axis=0) / (parts * m)
    observed, chance = float(agree.mean()), float(share @ share)
    if chance >= 1.0:
        return Kappa(None, observed, chance)
    kappa = (observed - chance) / (1.0 - chance)
    q = 1.0 - share
    mixed = float(share @ q)
    null = mixed**2 - float(np.sum(share * q * (q - share)))
    error_null = float(np.sqrt(2.0 * max(null, 0.0) / (parts * m * (m - 1.0)))) / mixed
    z = kappa / error_null if error_null > 0.0 else None
    error = low = high = None
    if parts > 2:
        # leave out one part at a time: what is left still has its own mean agreement and shares
        others = (n.sum(axis=0) - n) / ((parts - 1.0) * m)
        found, luck = (agree.sum() - agree) / (parts - 1.0), np.sum(others**2, axis=1)
        if np.all(luck < 1.0):
            pseudo = parts * kappa - (parts - 1.0) * (found - luck) / (1.0 - luck)
            error = float(pseudo.std(ddof=1) / np.sqrt(parts))
            reach = float(stats.t.ppf(0.5 + 0.5 * check_confidence(confidence), parts - 1))
            low, high = max(kappa - reach * error, -1.0), min(kappa + reach * error, 1.0)
    p = None if z is None else float(stats.norm.sf(z))
    method = "" if error is None else "jackknife over the parts"
    return Kappa(kappa, observed, chance, error, low, high, error_null, z, p, method)


def fleiss_kappa_by_category(counts: ArrayLike) -> FloatArray:
    """Return Fleiss' kappa of each category against all others (categories,); not-a-number for one never used.

    Source: Fleiss (1971), eq. 20; Fleiss, Nee and Landis (1979), eq. 1.
    """
    n, m = _checked_counts(counts)
    share = n.sum(axis=0) / n.sum()
    q = 1.0 - share
    out = np.full(n.shape[1], np.nan)
    some = (share > 0.0) & (q > 0.0)
    split = np.sum(n * (m - n), axis=0)
    out[some] = 1.0 - split[some] / (n.shape[0] * m * (m - 1.0) * share[some] * q[some])
    return out


def free_marginal_kappa(counts: ArrayLike) -> float:
    """Return kappa with every category taken as equally likely by luck (Randolph 2005; Brennan and Prediger 1981)."""
    n, m = _checked_counts(counts)
    observed = float(np.mean((np.sum(n**2, axis=1) - m) / (m * (m - 1.0))))
    luck = 1.0 / n.shape[1]
    if luck >= 1.0:
        raise DataError("one category only: there is nothing to agree on")
    return (observed - luck) / (1.0 - luck)


def _checked_counts(counts: ArrayLike) -> tuple[FloatArray, float]:
    n = np.asarray(counts, dtype=np.float64)
    if n.ndim != 2 or not n.size or np.any(n < 0):
        raise DataError("kappa needs a table of counts: one row a part, one column a category")
    ratings = n.sum(axis=1)
    if ratings.min() != ratings.max():
        raise DataError(f"parts have from {ratings.min():g} to {ratings.max():g} ratings; give every part as many")
    if ratings[0] < 2:
        raise DataError("one rating a part: agreement needs at least two")
    return n, float(ratings[0])


def attribute_study(
    part: ArrayLike, appraiser: ArrayLike, rating: ArrayLike, reference: ArrayLike | None = None,
    *, confidence: float = 0.95,
) -> AttributeStudy:  # fmt: skip
    """Return how well appraisers who answer in words agree with themselves, with each other and with the truth.

    Args:
        part: label of the part (n,).
        appraiser: who answered (n,).
        rating: the answer, a word (n,); capitals and outer spaces don't count.
        reference: the right answer for the part (n,), the same for all rows of a part.
        confidence: two-sided level of the intervals.

    Raises:
        DataError: labels of another length or blank, a part with two references, or appraisers who didn't all look at
            every part equally often.
    """
    check_confidence(confidence)
    words = np.char.lower(np.char.strip(np.asarray(rating, dtype=object).ravel().astype(str)))
    p, parts = labels_to_codes(part, "part", words.size)
    a, people = labels_to_codes(appraiser, "appraiser", words.size)
    truth_words = words[:0]
    if reference is not None:
        truth_words = np.char.lower(np.char.strip(np.asarray(reference, dtype=object).ravel().astype(str)))
        labels_to_codes(reference, "reference", words.size)
    labels_to_codes(rating, "answer", words.size)
    codes, categories = labels_to_codes(np.concatenate([words, truth_words]), "answer", words.size + truth_words.size)
    grid = _grid(p, a, codes[: words.size], len(parts), len(people), parts, people)
    truth = None if reference is None else _truth(p, codes[words.size :], parts)
    counts = _count(grid.reshape(len(parts), -1), len(categories))
    same = (counts.max(axis=1) == counts.sum(axis=1)).sum()
    right = None
    if truth is not None:
        right = exact_proportion(int(np.all(grid == truth[:, None, None], axis=(1, 2)).sum()), len(parts), confidence)
    by_category = (
        fleiss_kappa_by_category(counts) if counts.sum(axis=1)[0] > 1 else np.full(len(categories), np.nan)
    )
    return AttributeStudy(
        categories,
        len(parts),
        tuple(_appraiser(grid[:, k], name, truth, categories, confidence) for k, name in enumerate(people)),
        exact_proportion(int(same), len(parts), confidence),
        right,
        fleiss_kappa(counts, confidence) if counts.sum(axis=1)[0] > 1 else Kappa(None, 1.0, 1.0),
        tuple((c, float(k) if np.isfinite(k) else None) for c, k in zip(categories, by_category, strict=True)),
        tuple(
            (people[i], people[j], cohen_kappa(_cross(grid[:, i], grid[:, j], len(categories)), confidence))
            for i in range(len(people))
            for j in range(i + 1, len(people))
        ),
        confidence,
        _attribute_notes(grid, truth, len(categories)),
    )


def _grid(
    part: IntArray, appraiser: IntArray, codes: IntArray, parts: int, people: int,
    part_names: tuple[str, ...], names: tuple[str, ...],
) -> IntArray:  # fmt: skip
    counts = np.bincount(part * people + appraiser, minlength=parts * people)
    trials = int(counts.max())
    if counts.min() != trials:
        worst = int(np.argmin(counts))
        raise DataError(
            f"part {part_names[worst // people]} has {counts[worst]} answers by {names[worst % people]}, others have "
            f"{trials}; every appraiser must look at every part equally often"
        )
    order = np.argsort(part * people + appraiser, kind="stable")
    return codes[order].reshape(parts, people, trials)


def _truth(part: IntArray, codes: IntArray, names: tuple[str, ...]) -> IntArray:
    truth = np.zeros(len(names), dtype=np.int64)
    truth[part] = codes
    differs = np.flatnonzero(truth[part] != codes)
    if differs.size:
        raise DataError(f"part {names[part[differs[0]]]} has two different references; a part has one right answer")
    return truth


def _count(ratings: IntArray, categories: int) -> IntArray:
    parts = ratings.shape[0]
    flat = ratings + categories * np.arange(parts)[:, None]
    return np.bincount(flat.ravel(), minlength=parts * categories).reshape(parts, categories)


def _cross(one: IntArray, other: IntArray, categories: int) -> IntArray:
    flat = (one * categories + other).ravel()
    return np.bincount(flat, minlength=categories**2).reshape(categories, categories)


def _appraiser(
    ratings: IntArray, name: str, truth: IntArray | None, categories: tuple[str, ...], confidence: float
) -> Appraiser:
    parts, trials = ratings.shape
    steady = np.all(ratings == ratings[:, :1], axis=1)
    with_self = exact_proportion(int(steady.sum()), parts, confidence) if trials > 1 else None
    if truth is None:
        return Appraiser(name, with_self, None, None, ())
    right = exact_proportion(int((steady & (ratings[:, 0] == truth)).sum()), parts, confidence)
    table = _cross(np.repeat(truth[:, None], trials, axis=1), ratings, len(categories))
    wrong = tuple(
        (c, exact_proportion(int(table[k].sum() - table[k, k]), int(table[k].sum()), confidence))
        for k, c in enumerate(categories)
        if table[k].sum()
    )
    return Appraiser(name, with_self, right, cohen_kappa(table, confidence), wrong)


def _attribute_notes(grid: IntArray, truth: IntArray | None, categories: int) -> tuple[str, ...]:
    notes = []
    parts, people, trials = grid.shape
    if categories < 2:
        notes.append("every answer is the same: kappa has no meaning; the parts must include good and bad ones")
    elif truth is not None and np.unique(truth).size < 2:
        notes.append("every part has the same right answer: nothing is told about the other kind of mistake")
    if people * trials < 2:
        notes.append("one answer a part: there is nothing to agree with")
    if trials > 1:
        notes.append(
            "repeats on a part are not independent; intervals that count single answers (wrong answers, kappa with the "
            "reference) are somewhat too narrow"
        )
    if parts < 20:
        notes.append(f"{parts} parts give wide intervals; take thirty or more, a third of them near the limits")
    return tuple(notes)
