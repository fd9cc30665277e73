"""Lots judged by a sample: which plan, what it lets through, what it doesn't protect from, and who is drawn.

Attribute plans are those of MIL-STD-105E (withdrawn, public domain; the ISO 2859-1 family goes back to it), variables
plans those of ANSI/ASQ Z1.9; tables beside this code say how each cell is known. AQL is in nonconforming parts per
hundred, shares are fractions.
"""

from __future__ import annotations

import csv
import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from holeqc.door import own_text
from holeqc.problems import DataError
from holeqc.quantities import FloatArray
from holeqc.sampling.first_parts import TIE, checked

NORMAL, TIGHTENED, REDUCED = SEVERITIES = ("normal", "tightened", "reduced")
BELOW, ABOVE, UNSEEN, DERIVED = "v", "^", "?", "~"
Cells = dict[str, dict[str, str]]


@cache
def _table(name: str) -> Cells:
    """Return a table beside this code: first column -> heading -> cell."""
    lines = [line for line in own_text("sampling", "tables", f"{name}.csv").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    key = next(iter(rows[0]))
    return {row[key]: row for row in rows}


def listed_aql(aql: float | str, name: str) -> str:
    """Return the heading of an AQL in a table.

    Raises:
        DataError: it isn't listed; those that are come with it, the nearest first.
    """
    listed = [h for h in next(iter(_table(name).values())) if h[0].isdigit()]
    try:
        value = float(aql)
    except (TypeError, ValueError):
        value = math.nan
    for heading in listed:
        if math.isclose(float(heading), value, rel_tol=1e-9):
            return heading
    near = ""
    if value > 0:
        below, above = [h for h in listed if float(h) < value], [h for h in listed if float(h) > value]
        near = " (nearest: " + " and ".join([*below[-1:], *above[:1]]) + ")"
    raise DataError(f"AQL {aql} is not listed{near}; listed are {', '.join(listed)} per hundred")


def code_letter(lot: int, level: str, name: str) -> str:
    """Return the sample size code letter of a lot size and inspection level.

    Raises:
        DataError: a lot of fewer than two parts, or a level that the table lacks.
    """
    if isinstance(lot, bool) or not isinstance(lot, (int, float, np.number)) or not float(lot).is_integer():
        raise DataError(f"lot size {lot!r}: give the parts in the lot as a whole number")
    if lot < 1:
        raise DataError(f"lot size {lot}: give 2 parts or more")
    if lot < 2:
        raise DataError(f"a lot of {lot}: the tables begin with 2 parts; read a single part in full")
    rows = list(_table(name).values())
    levels = [h for h in rows[0] if h not in ("from", "to")]
    known = {h.replace("-", "").casefold(): h for h in levels}
    wanted = known.get(str(level).replace("-", "").strip().casefold())
    if wanted is None:
        raise DataError(f"level {level!r} is not known; levels are {', '.join(levels)}")
    return next(row[wanted] for row in rows if not row["to"] or lot <= int(row["to"]))


def _followed(name: str, letter: str, heading: str) -> tuple[str, str, bool]:
    """Return (letter, cell, whether every cell on the way was seen in print), arrows followed.

    Raises:
        DataError: the cell, or the one that an arrow points to, was not seen.
    """
    table = _table(name)
    letters = list(table)
    place, printed = letters.index(letter), True
    while True:
        cell = table[letters[place]][heading]
        printed &= not cell.startswith(DERIVED)
        cell = cell.removeprefix(DERIVED)
        if cell == UNSEEN:
            raise DataError(
                f"letter {letter} at AQL {heading}: this cell of the table was not seen in print, so no plan is given; "
                "look it up in the standard"
            )
        if cell not in (BELOW, ABOVE):
            return letters[place], cell, printed
        place += 1 if cell == BELOW else -1


@dataclass(frozen=True, slots=True)
class _OfTables:
    """What every plan of the tables says. ``letter`` is the code letter of lot size and level, ``plan_letter`` that
    whose plan is used where the table points to another by an arrow. ``full``: the sample is the whole lot.
    ``printed``: the cell was seen in print.
    """

    lot: int
    aql: str
    level: str
    severity: str
    letter: str
    plan_letter: str
    n: int
    full: bool
    printed: bool


@dataclass(frozen=True, slots=True)
class AttributePlan(_OfTables):
    """A single sampling plan: read ``n`` parts of the lot, accept it where at most ``accept`` of them are bad.

    What isn't ``printed`` follows from the table's diagonal.
    """

    accept: int

    @property
    def faults(self) -> bool:
        """Whether the table counts faults per hundred parts, not bad parts: above AQL 10 (4.3)."""
        return float(self.aql) > 10


def attribute_plan(lot: int, aql: float | str, level: str = "II", severity: str = NORMAL) -> AttributePlan:
    """Return the single sampling plan of MIL-STD-105E for a lot, arrows of the master tables followed (4.9.3, 4.9.4).

    Args:
        lot: parts in it, 2 or more. A sample as large as the lot or larger is the whole lot.
        aql: acceptable quality level, nonconforming parts per hundred, one of the listed values.
        level: inspection level I, II, III or S-1 to S-4. severity: normal or tightened.

    Raises:
        DataError: what the tables don't list, reduced inspection, or a cell that was not seen in print.
    """
    word = str(severity).strip().casefold()
    if word == REDUCED:
        raise DataError(
            "reduced inspection: its plans (table II-C) and limit numbers (table VIII) were not seen in print, so none "
            "is given. Look them up in the standard, or stay with normal inspection, which reads more"
        )
    if word not in SEVERITIES:
        raise DataError(f"severity {severity!r} is not known; give {NORMAL} or {TIGHTENED}")
    letter = code_letter(lot, level, "attribute_letters")
    heading = listed_aql(aql, "attribute_normal")
    used, cell, printed = _followed(f"attribute_{word}", letter, heading)
    n = int(_table("attribute_normal")[used]["n"])
    return AttributePlan(int(lot), heading, level, word, letter, used, min(n, int(lot)), n >= lot, printed, int(cell))


class Constant(float):
    """k of a variables plan: a number that knows its ``letter``, sample size ``n`` and whether it was ``printed``.

    ``most`` is k before its rounding, at most.
    """

    letter: str
    n: int
    printed: bool
    most: float


def acceptability_constant(letter: str, aql: float | str, severity: str = NORMAL) -> Constant:
    """Return k of ANSI/ASQ Z1.9, table B-1: standard deviation method, variability unknown, one limit, form 1.

    The lot is accepted where the mean lies k sample standard deviations or more inside the limit. Where the table
    points to another letter, ``.letter`` and ``.n`` of what is returned are the ones to use.

    Raises:
        DataError: a letter or AQL that the table lacks (letters are B to P without O), or reduced inspection.
    """
    table = _table("variables_k")
    name = str(letter).strip().upper()
    if name not in table:
        raise DataError(f"letter {letter!r} is not in the table; letters are {', '.join(table)}")
    heading = listed_aql(aql, "variables_k")
    word = str(severity).strip().casefold()
    if word == TIGHTENED:
        headings = [*list(table[name])[2:]]
        heading = headings[headings.index(heading) - 1]
    elif word != NORMAL:
        raise DataError(
            f"severity {severity!r}: {NORMAL} and {TIGHTENED} are known; of reduced inspection (table B-2) nothing was "
            "seen in print"
        )
    used, cell, printed = _followed("variables_k", name, heading)
    k = Constant(cell)
    k.letter, k.n, k.printed = used, int(table[used]["n"]), printed
    k.most = k + 0.5 * 10.0 ** -len(cell.partition(".")[2])
    return k


@dataclass(frozen=True, slots=True)
class VariablesPlan(_OfTables):
    """A variables plan: read ``n`` parts, accept where mean and standard deviation keep ``k`` from the limit.

    ``most`` is M, the greatest share outside that is estimated where there are two limits: derived from k
    (Lieberman and Resnikoff, JASA 50, 1955), its printed table wasn't seen. k is rounded, so M is taken from the
    greatest k that rounds to it, never too large. What isn't ``printed`` is from memory and fits its row.
    """

    k: float
    most: float


def variables_plan(lot: int, aql: float | str, level: str = "II", severity: str = NORMAL) -> VariablesPlan:
    """Return the plan of ANSI/ASQ Z1.9 for a lot: standard deviation method, variability unknown.

    Arguments as in `attribute_plan`; levels are S-3, S-4, I, II, III. Raises ``DataError`` for what isn't listed.
    """
    letter = code_letter(lot, level, "variables_letters")
    k = acceptability_constant(letter, aql, severity)
    heading = listed_aql(aql, "variables_k")
    most = float(outside_estimate(k.most, k.n))
    return VariablesPlan(
        int(lot), heading, level, severity.strip().casefold(), letter, k.letter, min(k.n, int(lot)), k.n >= lot,
        k.printed, float(k), most,
    )  # fmt: skip


def outside_estimate(quality: ArrayLike, n: int) -> FloatArray:
    """Return the best unbiased estimate of the share beyond a limit ``quality`` sample sigmas from the mean of n."""
    from scipy.special import betainc

    x = (1 - np.asarray(quality, dtype=float) * math.sqrt(n) / (n - 1)) / 2
    half = n / 2 - 1
    return np.asarray(betainc(half, half, np.clip(x, 0.0, 1.0)))


@dataclass(frozen=True, slots=True)
class VariablesVerdict:
    """How a sample stands: ``quality`` (lower, upper) in sample sigmas, the share outside it estimates, accepted."""

    n: int
    mean: float
    sd: float
    quality: tuple[float | None, float | None]
    outside: float
    accepted: bool


def judge_sample(
    plan: VariablesPlan, values: ArrayLike, lower: float | None = None, upper: float | None = None
) -> VariablesVerdict:
    """Judge a sample by a variables plan: one limit by k, two limits together by the share outside (form 2, M).

    A single reading beyond a limit doesn't pass: the lot may, the part doesn't.

    Raises:
        DataError: another number of values than the plan's, no limit, or limits turned round.
    """
    from holeqc.statistics.basics import mean_and_sd

    x = np.asarray(values, dtype=float).ravel()
    if plan.full:
        raise DataError(f"the sample is the whole lot of {plan.lot}: judge every part by itself, no plan is needed")
    if x.size != plan.n or not np.isfinite(x).all():
        raise DataError(f"the plan takes {plan.n} readings, one of each drawn part; found {int(np.isfinite(x).sum())}")
    if lower is None and upper is None:
        raise DataError("a variables plan needs a lower or an upper limit")
    if lower is not None and upper is not None and not lower < upper:
        raise DataError(f"the lower limit {lower:g} must lie below the upper limit {upper:g}")
    mean, sd = mean_and_sd(x)
    far = (
        None if lower is None else _sigmas(mean - lower, sd), None if upper is None else _sigmas(upper - mean, sd)
    )  # fmt: skip
    given = [q for q in far if q is not None]
    outside = float(sum(outside_estimate(q, x.size) for q in given)) if x.size > 2 else math.nan
    good = given[0] >= plan.k * (1 - TIE) if len(given) == 1 else outside <= plan.most * (1 + TIE)
    return VariablesVerdict(x.size, mean, sd, far, outside, bool(good))


def _sigmas(distance: float, sd: float) -> float:
    return distance / sd if sd > 0 else math.copysign(math.inf, distance) if distance else 0.0


# What a plan lets through.


def accept_chance(n: int, accept: int, share: ArrayLike) -> FloatArray:
    """Return the chance that a lot is accepted where a ``share`` of the process is bad: binomial (type B curve)."""
    from scipy.special import bdtr

    return np.asarray(bdtr(float(accept), n, np.asarray(share, dtype=float)))


def accept_chance_of_lot(lot: int, n: int, accept: int, bad: ArrayLike) -> FloatArray:
    """Return the chance that a lot with ``bad`` bad parts is accepted: hypergeometric (type A curve)."""
    from scipy.special import gammaln

    def log_choose(a: FloatArray, b: FloatArray) -> FloatArray:
        with np.errstate(invalid="ignore"):
            found = gammaln(a + 1) - gammaln(b + 1) - gammaln(a - b + 1)
        return np.where((b >= 0) & (b <= a), found, -np.inf)

    d = np.asarray(bad, dtype=float)[..., None]
    i = np.arange(min(accept, n) + 1.0)
    whole = log_choose(np.array(float(lot)), np.array(float(n)))
    terms = log_choose(d, i) + log_choose(lot - d, n - i) - whole
    return np.minimum(np.exp(terms).sum(axis=-1), 1.0)


def variables_accept_chance(n: int, k: float, share: ArrayLike) -> FloatArray:
    """Return the chance that a variables plan accepts where a ``share`` lies beyond one limit (noncentral t)."""
    from scipy.special import ndtri

    from holeqc.statistics.basics import noncentral_t_cdf

    root = math.sqrt(n)
    shares = np.asarray(share, dtype=float)
    found = [1 - noncentral_t_cdf(k * root, n - 1, root * float(-ndtri(p))) for p in shares.ravel()]
    return np.array(found).reshape(shares.shape)


def none_found(lot: int, n: int, bad: int) -> float:
    """Return the chance that a sample of n shows none of ``bad`` bad parts in a lot (hypergeometric, exactly)."""
    if bad + n > lot:
        return 0.0
    i = np.arange(float(min(bad, n)))
    return float(np.prod((lot - max(bad, n) - i) / (lot - i)))


@dataclass(frozen=True, slots=True)
class ZeroPlan:
    """A plan that accepts on no bad part in ``n``: a lot with ``bad`` passes at most once in 1 / (1 - confidence)."""

    lot: int
    bad: int
    confidence: float
    n: int
    passes: float  #: chance that a lot with just ``bad`` passes
    accept: int = 0

    @property
    def full(self) -> bool:
        """Whether the sample is the whole lot."""
        return self.n >= self.lot


def zero_acceptance_plan(lot: int, bad: int, confidence: float) -> ZeroPlan:
    """Return the smallest sample that finds a bad part with ``confidence`` where the lot has ``bad`` (exact).

    Raises:
        DataError: no lot of at least one part, or not 1 to ``lot`` bad parts.
    """
    checked(0.5, confidence)
    if int(lot) != lot or lot < 1 or int(bad) != bad or not 1 <= bad <= lot:
        raise DataError(f"a lot of {lot} with {bad} bad parts: give 1 or more parts, of them 1 or more bad")
    allowed = (1 - confidence) * (1 + TIE) + 1e-16
    low, high = 0, int(lot)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if none_found(lot, middle, bad) <= allowed else (middle, high)
    return ZeroPlan(int(lot), int(bad), confidence, high, none_found(lot, high, bad))


@dataclass(frozen=True, slots=True)
class Curve:
    """Operating characteristic: ``share`` (m,) bad, chance of acceptance, average outgoing share of bad parts.

    Outgoing quality supposes that lots not accepted are read in full and bad parts replaced by good ones. ``worst`` is
    its greatest (limit), at ``worst_at``; ``producer`` the share accepted 95 times in 100, ``consumer`` 10 in 100.
    """

    share: FloatArray
    accepted: FloatArray
    outgoing: FloatArray
    worst: float
    worst_at: float
    producer: float
    consumer: float


Plan = AttributePlan | VariablesPlan | ZeroPlan


def chance(plan: Plan, share: ArrayLike) -> FloatArray:
    """Return the chance that a lot is accepted where the process makes a ``share`` of bad parts."""
    p = np.clip(np.asarray(share, dtype=float), 1e-12, 1 - 1e-12)
    if isinstance(plan, VariablesPlan):
        return variables_accept_chance(plan.n, plan.k, p)
    return accept_chance(plan.n, plan.accept, p)


def curve(plan: Plan, points: int = 201) -> Curve:
    """Return the operating characteristic of a plan, for a process, and its average outgoing quality."""

    def share_at(level: float) -> float:
        low, high = 0.0, 1.0
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if float(chance(plan, middle)) > level else (low, middle)
        return high

    producer, consumer = share_at(0.95), share_at(0.10)
    share = np.linspace(0.0, min(1.0, 1.8 * consumer), points)
    accepted = chance(plan, share)
    outgoing = share * accepted * (plan.lot - plan.n) / plan.lot
    top = int(np.argmax(outgoing))
    return Curve(share, accepted, outgoing, float(outgoing[top]), float(share[top]), producer, consumer)


# Switching between normal and tightened inspection.


@dataclass(frozen=True, slots=True)
class Switching:
    """Where a sequence of lots stands: ``severity`` of the next, whether to ``stop``, and the reason in words."""

    severity: str
    stop: bool
    why: str


def switching(accepted: Sequence[bool]) -> Switching:
    """Return the inspection of the next lot after lots accepted or not, oldest first, begun with normal inspection.

    MIL-STD-105E 4.7 and 4.8: to tightened when 2 of 5 or fewer consecutive lots are not accepted; back when 5 in a row
    are; stop when 5 lots in all are not accepted while tightened. Reduced inspection isn't proposed: its limit numbers
    were not seen.
    """
    severity, since, refused, why = NORMAL, 0, 0, "not 2 of 5 lots in a row were refused"
    for number, good in enumerate(accepted, 1):
        if severity == NORMAL:
            last = accepted[max(since, number - 5) : number]
            if not good and sum(not one for one in last) >= 2:
                severity, since, refused = TIGHTENED, number, 0
                why = f"2 of {len(last)} lots in a row were not accepted (up to lot {number})"
        else:
            refused += not good
            if refused >= 5:
                why = f"5 lots were not accepted on tightened inspection (up to lot {number})"
                return Switching(TIGHTENED, True, why)
            if number - since >= 5 and all(accepted[number - 5 : number]):
                severity, since, why = NORMAL, number, f"5 lots in a row were accepted (up to lot {number})"
    return Switching(severity, False, why)


# Who is drawn.


def drawn(names: Sequence[str], n: int, seed: str) -> list[str]:
    """Return ``n`` names drawn at random: those with the smallest SHA-256 of ``seed|name``, in the order of the names.

    Whoever has seed and list can draw again by hand and finds the same.

    Raises:
        DataError: names that aren't all different, or fewer than n.
    """
    if len(set(names)) != len(names) or not 1 <= n <= len(names):
        raise DataError(f"a draw of {n} needs at least as many different names; found {len(set(names))}")
    rank = {name: hashlib.sha256(f"{seed}|{name}".encode()).hexdigest() for name in names}
    chosen = set(sorted(names, key=rank.__getitem__)[:n])
    return [name for name in names if name in chosen]


@dataclass(frozen=True, slots=True)
class AskedPlan:
    """A plan as it is asked, in words, where its numbers come from and how they are known, and what it lets through."""

    record: Plan
    words: str
    source: str
    curve: Curve | None  #: None where faults are counted, not bad parts
    verdict: VariablesVerdict | None = None
    switching: Switching | None = None
