"""Which readings of the next part are enough: what they say of the others, the risk that is left, the choice.

Each part is a row of readings. Rows are normal about a mean that may step at events and drift with the count of parts
(multivariate regression). With the usual prior that says nothing, the next row is multivariate t about its mean, with
the uncertainty of mean, drift and covariance inside (Zellner, An Introduction to Bayesian Inference in Econometrics,
1971, ch. 8; Geisser, Predictive Inference, 1993); given some of its readings the others are multivariate t again, wider
where the given ones lie far out.

What is asked of a part is a list of linear limits ``a @ row <= c``; the chance that any is broken is at most the sum of
the chances of each (Bonferroni), so the risk that is stated is an upper bound under the model. Blocks of readings that
have nothing to do with one another (sizes, places) have a covariance each. Arrays in, records out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from holeqc.problems import DataError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]

FREE = 20  #: degrees of freedom that the covariance must leave, so that a tail of 1 in 1000 isn't all prior
SEGMENT = 10  #: parts since the last event, so that the level of now is known to a third of a standard deviation
LEFT_OUT = 0.03  #: share of parts that may fit no model before there is none
ODD = 1e-3  #: chance that any part of a good history is left out
TAIL = 6.0  #: below so many degrees of freedom of the tails there is no plan: the fourth moment hardly exists
EXCHANGED = 6  #: units; beyond so many that are added, exchanges take long and save one of many
NEAR = 16  #: sets beside the best one that are looked at in full
DRAWS = 128  #: parts drawn to work out how often a good part would be read in full


@dataclass(frozen=True, slots=True)
class Model:
    """What a history of parts says of the next one.

    Each of the ``blocks`` (indices of readings, q each) has a design of its own: ``beta`` (k,q) its coefficients,
    ``gram`` (k,k) the inverse of its products. ``scale`` (p,p) of a row about its mean, nothing between blocks; ``dof``
    (b,). ``parts`` that were used, ``left_out`` rows that fit no model, ``tails`` degrees of freedom of their tails,
    inf for normal ones.
    """

    beta: tuple[FloatArray, ...]
    gram: tuple[FloatArray, ...]
    scale: FloatArray
    blocks: tuple[IntArray, ...]
    dof: FloatArray
    parts: int
    left_out: tuple[int, ...] = ()
    tails: float = float("inf")


@dataclass(frozen=True, slots=True)
class Row:
    """A distribution of one part's readings: multivariate t in each block. ``mean`` (p,), ``scale`` (p,p), ``dof``
    (b,). Readings that are known have no scale.
    """

    mean: FloatArray
    scale: FloatArray
    dof: FloatArray
    blocks: tuple[IntArray, ...]


@dataclass(frozen=True, slots=True)
class Limits:
    """Linear limits ``a`` (C,p) and ``c`` (C,): a part is good where ``a @ row <= c``."""

    a: FloatArray
    c: FloatArray


def design(cycle: FloatArray, segment: IntArray, group: IntArray) -> FloatArray:
    """Return the design (n,k) of parts: the level of each segment, a drift, and what groups (hands) differ by.

    ``cycle`` (n,) counts parts, ``segment`` (n,) stretches between events, ``group`` (n,) 0, 1, ... The drift is the
    same in every segment; the first group has no column.
    """
    levels = segment[:, None] == np.unique(segment)
    groups = group[:, None] == np.unique(group)[1:]
    return np.column_stack([levels, np.asarray(cycle, dtype=np.float64) / 100.0, groups]).astype(np.float64)


Designs = Sequence["FloatArray"]  #: one for each block, (n,k)


def fit(rows: FloatArray, x: Designs, blocks: Sequence[IntArray], group: IntArray) -> Model:
    """Return the model of complete ``rows`` (n,p) by the designs of their blocks, parts that don't fit left out.

    ``group`` (p,): readings of one hole.

    Raises:
        DataError: too few parts, too many that don't fit, tails too heavy, or readings without scatter.
    """
    keep = np.ones(len(rows), dtype=np.bool_)
    for _ in range(4):
        model = _fitted(rows[keep], [one[keep] for one in x], blocks)
        odd = odd_rows(model, rows, x, keep)
        if not (odd & keep).any():
            break
        keep &= ~odd
        if (~keep).mean() > LEFT_OUT:
            raise DataError(f"{int((~keep).sum())} of {len(rows)} parts fit no common model: the fixture isn't steady, "
                            "so nothing of the next part can be predicted")  # fmt: skip
    tails = tail_freedom(model, rows, x, group, keep)
    if tails < TAIL:
        raise DataError(f"the tails of the readings are too heavy (about {tails:.1f} degrees of freedom; at least "
                        f"{TAIL:g}): far readings come too often to be predicted")  # fmt: skip
    left = tuple(int(n) for n in np.flatnonzero(~keep))
    return replace(model, dof=np.minimum(model.dof, tails), left_out=left, tails=tails)


def parts_asked(sizes: Sequence[int], columns: Sequence[int]) -> int:
    """Return how many complete parts a model needs: blocks of so many readings, designs of so many columns."""
    return max(size + wide for size, wide in zip(sizes, columns, strict=True)) + FREE - 1


def _fitted(rows: FloatArray, x: Designs, blocks: Sequence[IntArray]) -> Model:
    n = len(rows)
    need = parts_asked([len(block) for block in blocks], [one.shape[1] for one in x])
    if n < need:
        raise DataError(f"{n} parts were read in full, and {need} are needed to know how so many readings hang "
                        "together: read on in full")  # fmt: skip
    scale = np.zeros((rows.shape[1],) * 2)
    beta: list[FloatArray] = []
    gram: list[FloatArray] = []
    dof: list[float] = []
    for block, one in zip(blocks, x, strict=True):
        beta.append(np.asarray(np.linalg.lstsq(one, rows[:, block], rcond=None)[0], dtype=np.float64))
        gram.append(np.asarray(np.linalg.pinv(one.T @ one), dtype=np.float64))
        left = rows[:, block] - one @ beta[-1]
        if (left.std(axis=0) <= 1e-9 * (1.0 + np.abs(rows[:, block]).max(axis=0))).any():
            raise DataError("some readings are the same on every part: they were likely copied, not read")
        dof.append(float(n - one.shape[1] - len(block) + 1))
        mine = left.T @ left / dof[-1]
        if np.linalg.cond(mine) > 1e12:
            raise DataError("some readings follow from others to the last digit: they were worked out, not read")
        scale[np.ix_(block, block)] = mine
    return Model(tuple(beta), tuple(gram), scale, tuple(blocks), np.array(dof), n)


def _left(model: Model, rows: FloatArray, x: Designs) -> FloatArray:
    """Return rows (n,p) less their means."""
    out = rows.copy()
    for block, beta, one in zip(model.blocks, model.beta, x, strict=True):
        out[:, block] -= one @ beta
    return out


def odd_rows(model: Model, rows: FloatArray, x: Designs, used: BoolArray) -> BoolArray:
    """Return the rows (n,) that no such model gives: their distance, each left out of the fit if it was ``used``.

    A row in the fit has a distance that follows a beta law (Cook and Weisberg, Residuals and Influence in Regression,
    1982, 2.2.3); one outside the fit an F.
    """
    out, left = np.zeros(len(rows), dtype=np.bool_), _left(model, rows, x)
    for block, dof, gram, one in zip(model.blocks, model.dof, model.gram, x, strict=True):
        q, free = len(block), dof + len(block) - 1.0  # n - k
        lever = np.einsum("ij,jk,ik->i", one, gram, one)
        mine = left[:, block]
        square = np.einsum("ij,ij->i", mine, np.linalg.solve(model.scale[np.ix_(block, block)], mine.T).T)
        share = np.clip(square / dof / np.maximum(1.0 - lever, 1e-9), 0.0, 1.0)
        inside = special.betaincc(q / 2.0, (free - q) / 2.0, share)
        outside = special.fdtrc(q, dof, square / (1.0 + lever) / q)
        out |= np.where(used, inside, outside) < ODD / len(rows) / len(model.blocks)
    return out


def scores(
    model: Model, rows: FloatArray, x: Designs, group: IntArray, used: BoolArray | None = None
) -> FloatArray:
    """Return how far each reading of rows (n,p) lies from what the other groups (holes) of its part say, in standard
    deviations of the rows ``used``.

    ``group`` (p,): a hole that moves moves all its readings, so they aren't asked about one another. Where the others
    lie far out themselves, as of a part out of seat, they say less (`given`).
    """
    out, left = np.empty_like(rows), _left(model, rows, x)
    for block, dof in zip(model.blocks, model.dof, strict=True):
        precision = np.linalg.inv(model.scale[np.ix_(block, block)])
        pull = left[:, block] @ precision
        square = (left[:, block] * pull).sum(axis=1)
        for one in np.unique(group[block]):
            at = np.flatnonzero(group[block] == one)
            away = np.linalg.solve(precision[np.ix_(at, at)], pull[:, at].T).T
            beside = np.maximum(square - (away * pull[:, at]).sum(axis=1), 0.0)
            out[:, block[at]] = away / np.sqrt((dof + beside) / (dof + block.size - at.size))[:, None]
    return np.asarray(out / np.sqrt(np.mean((out if used is None else out[used]) ** 2, axis=0)))


def tail_freedom(model: Model, rows: FloatArray, x: Designs, group: IntArray, used: BoolArray) -> float:
    """Return the degrees of freedom of a t that has the tails of the rows, at the heavier end of 95 %; inf for normal.

    The heavier of two looks: at whole parts that were ``used`` (Mardia's kurtosis, Biometrika 57, 1970), and at single
    readings given the other holes of their part, of all parts: one hole off is a tail, a part off as a whole isn't.
    The kurtosis of a t is 3 (v - 2) / (v - 4).
    """
    n, ratios, every = int(used.sum()), [], _left(model, rows, x)[used]
    for block in model.blocks:
        q, left = len(block), every[:, block]
        square = np.einsum("ij,ij->i", left, np.linalg.solve(left.T @ left / n, left.T).T)
        sd = np.sqrt(8.0 / (q * (q + 2.0) * n))
        ratio = float(np.mean(square**2)) / (q * (q + 2.0)) * (n + 1.0) / (n - 1.0)
        ratios.append((ratio, sd))
    each = scores(model, rows, x, group, used)
    fourth = np.mean(each**4, axis=1) / 3.0
    spread = fourth[used].std() / np.sqrt(n)
    ratios.append((float(fourth.mean()), max(float(spread), float(np.sqrt(24.0 / each.size)) / 3.0)))
    found = float("inf")
    for ratio, sd in ratios:
        if ratio - 2.33 * sd > 1.0:  # told from normal at 1 in 100
            high = ratio + 1.645 * sd
            found = min(found, (4.0 * high - 2.0) / (high - 1.0))
    return found


def drifting(model: Model, column: Sequence[int]) -> FloatArray:
    """Return the chance (p,) of a drift as large as each reading's by accident; ``column`` (b,): those of the drift."""
    out = np.ones(len(model.scale))
    for block, beta, gram, at, dof in zip(model.blocks, model.beta, model.gram, column, model.dof, strict=True):
        # the scale is that of the residuals over dof; a single reading has n - k degrees of freedom
        free = dof + len(block) - 1.0
        se = np.sqrt(gram[at, at] * np.diag(model.scale)[block] * dof / free)
        out[block] = 2.0 * special.stdtr(free, -np.abs(beta[at]) / se)
    return out


def lately_off(
    model: Model, rows: FloatArray, x: Designs, group: IntArray, last: int, chance: float = 1e-3
) -> IntArray:
    """Return the readings whose ``last`` parts lie off the model on the whole: a change that nobody logged, or a drift
    that bends. ``chance``: that any reading of a steady history is named.
    """
    recent = np.abs(scores(model, rows, x, group)[-last:].mean(axis=0))
    for block, gram, one in zip(model.blocks, model.gram, x, strict=True):
        # what was fitted draws the residuals in by the leverage of these parts' mean
        mean = one[-last:].mean(axis=0)
        recent[block] /= np.sqrt(max(1.0 / last - float(mean @ gram @ mean), 0.05 / last))
    return np.flatnonzero(2.0 * special.ndtr(-recent) < chance / rows.shape[1])


def loosened(model: Model, rows: FloatArray, x: Designs, group: IntArray, chance: float = 1e-2) -> IntArray:
    """Return the readings that scatter more in the last third of the parts than before: their scatter of now isn't that
    of the model. ``chance``: that any reading of a steady history is named.
    """
    square, third = scores(model, rows, x, group) ** 2, len(rows) // 3
    ratio = square[-third:].mean(axis=0) / square[:-third].mean(axis=0)
    return np.flatnonzero(special.fdtrc(third, len(rows) - third, ratio) < chance / rows.shape[1])


def ahead(model: Model, x: Designs) -> Row:
    """Return the distribution of a part to come with a design (k,) for each block."""
    mean, scale = np.empty(len(model.scale)), model.scale.copy()
    for block, beta, gram, one in zip(model.blocks, model.beta, model.gram, x, strict=True):
        mean[block] = one @ beta
        scale[np.ix_(block, block)] *= 1.0 + float(one @ gram @ one)
    return Row(mean, scale, model.dof, model.blocks)


def given(row: Row, read: IntArray, values: FloatArray) -> Row:
    """Return the distribution of a part of which the readings ``read`` (q,) are known: multivariate t again.

    In each block with q known readings at distance d2: mean m + S_ur S_rr^-1 (y - m), scale (v + d2) / (v + q) times
    the conditional one, v + q degrees of freedom.
    """
    mean, scale, dof = row.mean.copy(), row.scale.copy(), row.dof.copy()
    known = np.zeros(mean.size, dtype=np.bool_)
    known[read] = True
    mean[read] = values
    for number, block in enumerate(row.blocks):
        mine, rest = block[known[block]], block[~known[block]]
        if mine.size:
            weight = np.linalg.solve(row.scale[np.ix_(mine, mine)], row.scale[np.ix_(mine, rest)]).T
            off = mean[mine] - row.mean[mine]
            square = float(off @ np.linalg.solve(row.scale[np.ix_(mine, mine)], off))
            mean[rest] += weight @ off
            left = row.scale[np.ix_(rest, rest)] - weight @ row.scale[np.ix_(mine, rest)]
            scale[np.ix_(rest, rest)] = left * (row.dof[number] + square) / (row.dof[number] + mine.size)
            dof[number] += mine.size
    scale[read], scale[:, read] = 0.0, 0.0
    return Row(mean, scale, dof, row.blocks)


def risks(row: Row, limits: Limits) -> FloatArray:
    """Return the chance (C,) that each limit is broken. Over two blocks the t of fewer degrees of freedom is taken for
    the sum; a limit of known readings only is broken or isn't.
    """
    mean = limits.a @ row.mean
    sd = np.sqrt(np.maximum(((limits.a @ row.scale) * limits.a).sum(axis=1), 0.0))
    room = limits.c - mean
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sd > 1e-12 * (1.0 + np.abs(limits.c)), -room / sd, np.where(room >= -1e-12, -np.inf, np.inf))
    return np.asarray(special.stdtr(row.dof.min(), z))


def risk(row: Row, limits: Limits) -> float:
    """Return the most that the chance of any broken limit can be."""
    return min(1.0, float(risks(row, limits).sum()))


def near(row: Row, limits: Limits, least: float) -> Limits:
    """Return the limits without those that together have a chance below ``least``, whose sum `risk` would hardly feel.

    Only for choosing what to read: a verdict sums all of them.
    """
    chance = risks(row, limits)
    order = np.argsort(chance)
    keep = np.sort(order[np.cumsum(chance[order]) >= least])
    return Limits(limits.a[keep], limits.c[keep])


@dataclass(frozen=True, slots=True)
class Surprise:
    """How the readings of a part fit one another. ``chance`` of readings as odd as these, after the number of looks;
    ``score`` (q,) how far each lies from what the other holes of its part say, as a normal score.
    """

    chance: float
    score: FloatArray


def surprise(row: Row, read: IntArray, values: FloatArray, group: IntArray) -> Surprise:
    """Return how odd the readings ``read`` (q,) of a part are: block by block as a whole, and each group of them (a
    hole, ``group`` (p,)) beside the others.
    """
    score, chances = np.zeros(read.size), [1.0]
    for number, block in enumerate(row.blocks):
        at = np.flatnonzero(np.isin(read, block))
        if not at.size:
            continue
        mine, dof = read[at], row.dof[number]
        precision = np.linalg.inv(row.scale[np.ix_(mine, mine)])
        off = values[at] - row.mean[mine]
        pull, square = precision @ off, float(off @ precision @ off)
        chances.append(float(special.fdtrc(at.size, dof, square / at.size)))
        groups = np.unique(group[mine])
        for one in groups:
            own = np.flatnonzero(group[mine] == one)
            scale = np.linalg.inv(precision[np.ix_(own, own)])  # of these readings given the others
            away = scale @ pull[own]
            beside = max(square - float(away @ pull[own]), 0.0)
            free = dof + at.size - own.size
            wide = (dof + beside) / free
            t = away / np.sqrt(np.diag(scale) * wide)
            score[at[own]] = np.sign(t) * -special.ndtri(np.maximum(special.stdtr(free, -np.abs(t)), 1e-300))
            each = float(away @ pull[own]) / wide / own.size
            chances.append(float(special.fdtrc(own.size, free, each)) * groups.size)
    return Surprise(min(1.0, 2.0 * len(row.blocks) * min(chances)), score)


def cusum(values: FloatArray, *, slack: float = 0.5, limit: float = 6.0) -> bool:
    """Whether a two-sided cumulative sum of standard scores (m,) ever leaves its limit; NaN: not read on that part.

    With slack 0.5 and limit 6 a steady series of normal scores leaves it once in some 1 200 readings, one that has
    moved by a standard deviation after about 12 (integral equation of `statistics.charts`, Page 1954).
    """
    for sign in (1.0, -1.0):
        total = 0.0
        for value in values[np.isfinite(values)]:
            total = max(0.0, total + sign * value - slack)
            if total > limit:
                return True
    return False


# ---------------------------------------------------------------------------------------------------------- the choice


@dataclass(frozen=True, slots=True)
class Choice:
    """Units that are read, ascending; the chance that a part as the history's is read in full all the same."""

    units: tuple[int, ...]
    hold: float


class Chooser:
    """What to read of a part to come: units are readings that are taken together. ``unit`` (p,) numbers them from 0."""

    def __init__(self, row: Row, limits: Limits, unit: IntArray, risk: float, hold: float, *, seed: int = 1) -> None:
        self.row, self.unit, self.risk, self.hold = row, unit, risk, hold
        self.limits = near(row, limits, 0.01 * risk)
        rng = np.random.default_rng(seed)
        drawn = np.zeros((DRAWS, row.mean.size))
        for block, dof in zip(row.blocks, row.dof, strict=True):
            root = np.linalg.cholesky(row.scale[np.ix_(block, block)])
            wide = np.sqrt(dof / rng.chisquare(dof, (DRAWS, 1)))
            drawn[:, block] = rng.standard_normal((DRAWS, len(block))) @ root.T * wide
        self.drawn = drawn
        self._left: dict[frozenset[int], float] = {}
        self._held: dict[frozenset[int], float] = {}

    def left(self, units: Collection[int]) -> float:
        """Return the risk that these units leave where they read as expected: by it sets are compared."""
        key = frozenset(units)
        if key not in self._left:
            read = np.flatnonzero(np.isin(self.unit, list(key)))
            self._left[key] = float(risks(given(self.row, read, self.row.mean[read]), self.limits).sum())
        return self._left[key]

    def held(self, units: Collection[int]) -> float:
        """Return how often a part as the history's is read in full if these units are read, of `DRAWS` drawn."""
        key = frozenset(units)
        if key not in self._held:
            self._held[key] = self._often(np.flatnonzero(np.isin(self.unit, list(key))))
        return self._held[key]

    def _often(self, read: IntArray) -> float:
        mean, factor = np.repeat(self.row.mean[None], DRAWS, axis=0), np.ones((DRAWS, len(self.row.blocks)))
        at_mean = given(self.row, read, self.row.mean[read])
        spread = np.empty((len(self.limits.c), len(self.row.blocks)))
        for number, block in enumerate(self.row.blocks):
            mine, rest = np.intersect1d(block, read), np.setdiff1d(block, read)
            a, dof = self.limits.a[:, rest], self.row.dof[number]
            spread[:, number] = ((a @ at_mean.scale[np.ix_(rest, rest)]) * a).sum(axis=1)
            if mine.size:
                off = self.drawn[:, mine]
                half = np.linalg.solve(self.row.scale[np.ix_(mine, mine)], off.T)
                mean[:, mine] += off
                mean[:, rest] += half.T @ self.row.scale[np.ix_(mine, rest)]
                factor[:, number] = (dof + np.einsum("ij,ji->i", off, half)) / dof
        sd = np.sqrt(np.maximum(spread @ factor.T, 1e-300))  # (C,M); what all readings decide has none
        z = (mean @ self.limits.a.T).T - self.limits.c[:, None]
        total = special.stdtr(float(at_mean.dof.min()), z / sd).sum(axis=0)
        return float(np.mean(total > self.risk))

    def choose(self, must: Collection[int] = ()) -> Choice:
        """Return a small set of units that has those of ``must`` and keeps the share of good parts that are read in
        full below what is allowed: greedy, then by exchange where few are added. All units where no fewer are
        enough.
        """
        every, chosen = set(range(int(self.unit.max()) + 1)), set(must)
        while self.held(chosen) > self.hold and chosen != every:
            chosen.add(min(sorted(every - chosen), key=lambda one: self.left(chosen | {one})))
        while len(chosen - set(must)) <= EXCHANGED and (less := self._smaller(chosen, set(must), every)):
            chosen = less
        return Choice(tuple(sorted(chosen)), self.held(chosen))

    def _smaller(self, chosen: set[int], must: set[int], every: set[int]) -> set[int]:
        """Return a set of one unit fewer that is enough, the best that exchanges find; an empty one where none is."""
        if not chosen - must:
            return set()
        less = chosen - {min(sorted(chosen - must), key=lambda one: self.left(chosen - {one}))}
        better = True
        while better:
            better = False
            for out in sorted(less - must):
                best = min((less - {out} | {new} for new in sorted(every - less)), key=self.left, default=less)
                if self.left(best) < self.left(less):
                    less, better = best, True
        near = [less, *(less - {out} | {new} for out in sorted(less - must) for new in sorted(every - less))]
        ranked = sorted(near, key=self.left)[:NEAR]
        return next((some for some in ranked if self.held(some) <= self.hold), set())


def drawn_order(seed: str, count: int) -> list[int]:
    """Return 0 to ``count`` - 1 in an order that follows from a seed alone: by the SHA-256 of ``seed:number``, so that
    anyone can draw it again.
    """
    return sorted(range(count), key=lambda n: hashlib.sha256(f"{seed}:{n}".encode()).digest())


def due_holes(seed: str, ages: Sequence[int], every: Sequence[int], least: int) -> list[int]:
    """Return which holes are read on the next part: those that are due, then others by lot up to ``least``.

    ``ages``: parts since each was read; ``every``: each is read at least on every so many-th part.
    """
    due = [n for n, (age, most) in enumerate(zip(ages, every, strict=True)) if age >= most - 1]
    others = [n for n in drawn_order(seed, len(ages)) if n not in due]
    return sorted(due + others[: max(0, least - len(due))])
