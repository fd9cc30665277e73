"""What parts that were read in full prove of those still to come: without any assumption, and with measured values.

A claim is ``at least a share R of the parts is good, with confidence C``: a process that is worse shows parts as good
as these with a chance of at most 1 - C. It holds for parts made as these were, no further.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError
from holeqc.quantities import FloatArray

TIE = 1e-12  #: a chance this close to what is allowed, relative to it, is allowed: 0.9 twice is 0.81
MOST = 10**9  #: parts; more is no plan
FEWEST = 8  #: values that can show whether they are normal
NOT_NORMAL = 0.05  #: p of the test below which values aren't taken as normal
ORDER, NORMAL, OWN, CIRCLE = "counted", "normal", "own distribution", "two coordinates"
DRIFTS = "drifts"


def checked(share: float, confidence: float, failures: int = 0) -> None:
    """Refuse a claim that none can prove.

    Raises:
        DataError: a share or confidence that isn't between 0 and 1, failures that aren't a whole number from 0.
    """
    for name, value in (("share", share), ("confidence", confidence)):
        if isinstance(value, bool) or not isinstance(value, (int, float, np.floating)) or not 0 < float(value) < 1:
            raise DataError(f"{name} {value!r}: give a fraction between 0 and 1, 0.95 for 95 %")
    if isinstance(failures, bool) or int(failures) != failures or failures < 0:
        raise DataError(f"failures {failures}: give a whole number, 0 or more")


def chance_of_few(parts: float, failures: int, share: float) -> float:
    """Return the chance that of ``parts`` at most ``failures`` are bad where a ``share`` is good (binomial)."""
    from scipy.special import betainc

    return 1.0 if failures >= parts else float(betainc(parts - failures, failures + 1, share))


def parts_needed(share: float, confidence: float, failures: int = 0) -> int:
    """Return the smallest number of parts, all but ``failures`` of them good, that proves a share without assumption.

    ``share`` of good parts and ``confidence`` are fractions. With no failure it is the success run, n = ln(1 - C) /
    ln R rounded up; with m - 1 failures the m-th order statistic of Wilks (Annals of Mathematical Statistics 12, 1941:
    one side; both sides of m-th order statistics are ``failures = 2 m - 1``): the first n with
    P(at most ``failures`` bad of n) <= 1 - C.

    Raises:
        DataError: fractions that aren't between 0 and 1, failures below 0, or more than 1e9 parts.
    """
    checked(share, confidence, failures)
    allowed = (1 - confidence) * (1 + TIE) + 1e-16
    low, high = int(failures), int(failures) + 1
    while chance_of_few(high, failures, share) > allowed:
        low, high = high, 2 * high
        if low > MOST:
            raise DataError(f"share {share} with confidence {confidence} needs more than {MOST:.0e} parts")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance_of_few(middle, failures, share) <= allowed else (middle, high)
    return high


def proven_share(parts: int, failures: int, confidence: float) -> float:
    """Return the share of good parts that is proven by ``parts`` with ``failures`` among them (Clopper and Pearson).

    Raises:
        DataError: no confidence between 0 and 1, or more failures than parts.
    """
    from scipy.special import betaincinv

    checked(0.5, confidence, failures)
    if not 0 <= failures <= parts:
        raise DataError(f"{failures} bad of {parts} parts: there can't be more bad ones than parts")
    return 0.0 if failures == parts else float(betaincinv(parts - failures, failures + 1, 1 - confidence))


GOOD, BAD, UNREAD = 0, 1, 2  #: what a part is in one thing that is asked of it


@dataclass(frozen=True, slots=True)
class Ground:
    """Things that are judged from the same part on: ``counted`` parts in all of them, ``bad`` of these, ``unread`` not
    counted since something of them wasn't read. ``share`` is proven at ``confidence``."""

    first: int
    things: tuple[int, ...]
    counted: int
    bad: int
    unread: int
    confidence: float
    share: float


@dataclass(frozen=True, slots=True)
class PartProof:
    """What counted parts prove of all things together, ``more`` good parts prove what is claimed (None: too many)."""

    grounds: tuple[Ground, ...]
    share: float
    more: int | None

    @property
    def bad(self) -> int:
        """Bad parts, the most of any ground."""
        return max(g.bad for g in self.grounds)

    @property
    def counted(self) -> int:
        """Parts that count in everything."""
        return min(g.counted for g in self.grounds)


def prove_parts(state: ArrayLike, first: ArrayLike, share: float, confidence: float) -> PartProof:
    """Return what parts prove without assumption: ``state`` (P, M) of parts in order in each thing, `GOOD` and so on.

    ``first`` (M,) is the first part that counts in a thing: what was changed later starts anew, the rest goes on. A
    part is the unit, so that what its holes have in common needs no assumption. Where things start at different parts:

    * Parts since the newest start, read in everything, prove everything by themselves.
    * Where these weren't read in what goes on, each start is a ground of its own, held at 1 - (1 - C) / grounds, and
      what may be bad by each is added (Bonferroni).
    * What was bad before in a thing that goes on isn't forgiven: then the lesser of both shares counts.
    """
    checked(share, confidence)
    table, starts = np.asarray(state, dtype=np.int64), np.asarray(first, dtype=np.int64)
    kinds = np.unique(starts)
    newest = int(kinds[-1])
    whole = (_ground(table, newest, np.arange(starts.size), confidence),)
    level = 1 - (1 - confidence) / kinds.size
    each = tuple(_ground(table, int(begin), np.flatnonzero(starts == begin), level) for begin in kinds)
    apart = max(0.0, 1 - sum(1 - g.share for g in each))
    in_full = whole[0].counted == each[-1].counted
    before = any((table[g.first : newest, list(g.things)] == BAD).any() for g in each[:-1])
    if in_full and not (before and apart < whole[0].share):
        return PartProof(whole, whole[0].share, _more(whole, share))
    return PartProof(each, apart, _more(each, share))


def _ground(table: NDArray[np.int64], begin: int, things: NDArray[np.int64], confidence: float) -> Ground:
    some = table[begin:, things]
    bad = (some == BAD).any(axis=1)
    unread = int(np.count_nonzero(~bad & (some == UNREAD).any(axis=1)))
    counted, failed = bad.size - unread, int(np.count_nonzero(bad))
    found = proven_share(counted, failed, confidence) if counted else 0.0
    return Ground(begin, tuple(things.tolist()), counted, failed, unread, confidence, found)


def _more(grounds: Sequence[Ground], share: float) -> int | None:
    """Return how many more good parts prove ``share``."""

    def proves(more: int) -> bool:
        bad = sum(1 - proven_share(g.counted + more, g.bad, g.confidence) for g in grounds if g.counted + more)
        return 1 - bad >= share * (1 - TIE)

    low, high = -1, 1
    if all(g.counted for g in grounds) and proves(0):
        return 0
    while not proves(high):
        low, high = high, 2 * high
        if high > MOST:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if middle and proves(middle) else (middle, high)
    return high


def values_needed(distance: float, share: float, confidence: float) -> int | None:
    """Return how many normal values prove ``share`` beyond a limit ``distance`` sample sigmas away; None for never.

    The smallest n whose one-sided tolerance factor (ISO 16269-6) is not above the distance.
    """
    from scipy.special import ndtri

    from holeqc.statistics.indices import one_sided_factor

    checked(share, confidence)
    if not distance > float(ndtri(share)) * (1 + 1e-9):
        return None

    def proves(n: int) -> bool:
        return one_sided_factor(n, share, confidence) <= distance

    low, high = 1, 2
    while not proves(high):
        low, high = high, 2 * high
        if high > 2_000_000:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if proves(middle) else (middle, high)
    return high


@dataclass(frozen=True, slots=True)
class Proof:
    """What ``n`` values prove of the share that has room left, ``bad`` of them having none.

    ``counted`` is the share without any assumption, ``share`` the one by ``how``: `NORMAL`, `OWN` (over every shape of
    the distributions that the values allow), `CIRCLE`, or `ORDER` again where ``why`` says what forbids the others;
    0 by `DRIFTS` where the values move from part to part, so that they say nothing of later ones.
    ``distance`` is the mean room in sample sigmas. ``needed`` values in all prove what is claimed, if they go on as
    these; None where they never would.
    """

    n: int
    bad: int
    counted: float
    share: float
    how: str
    why: str
    distance: float | None
    needed: int | None


def prove(room: ArrayLike, share: float, confidence: float, *, own: bool = False) -> Proof:
    """Return what values of room left (n,) prove; good is 0 or more, NaN is no value.

    Room is what is left before one limit with the gauge's U taken off. Where nothing speaks against a normal
    distribution (Anderson-Darling with the gauge's step allowed for, 8 values or more) the one-sided tolerance
    bound counts; with ``own``, or where it is no normal, the values' own distribution; else they are counted.
    """
    from scipy.special import ndtr

    from holeqc.statistics.basics import mean_and_sd, noncentrality_for

    checked(share, confidence)
    x = np.asarray(room, dtype=float).ravel()
    x = x[~np.isnan(x)]
    n, bad = x.size, int(np.count_nonzero(x < 0))
    counted = proven_share(n, bad, confidence) if n else 0.0
    by_count = parts_needed(share, confidence, bad)
    if n < FEWEST or x.min() == x.max():
        why = f"{n} values are too few to show their shape" if n < FEWEST else "all values are the same"
        return Proof(n, bad, counted, counted, ORDER, why, None, by_count)
    mean, sd = mean_and_sd(x)
    distance = mean / sd
    p = None if own else normal_chance(x, mean, sd)
    if p is not None and p >= NOT_NORMAL:
        found = float(ndtr(noncentrality_for(confidence, distance * math.sqrt(n), n - 1) / math.sqrt(n)))
        return Proof(n, bad, counted, found, NORMAL, "", distance, values_needed(distance, share, confidence))
    from holeqc.statistics.percentile import share_above

    other = share_above(0.0, x, confidence)
    if other is None:
        why = "neither normal nor any other distribution that is known here"
        return Proof(n, bad, counted, counted, ORDER, why, distance, by_count)
    return Proof(n, bad, counted, other, OWN, "" if own else "not normal", distance, None if other < share else n)


def prove_between(below: ArrayLike, above: ArrayLike, share: float, confidence: float) -> Proof:
    """Return what rooms before a lower and an upper limit (n,) prove together; `prove` says the rest.

    Each side is held at half of the chance of being wrong and half of what may be bad, so what is bad on either side is
    added.
    """
    sides = [prove(x, 1 - (1 - share) / 2, 1 - (1 - confidence) / 2) for x in (below, above)]
    both = np.minimum(np.asarray(below, dtype=float), np.asarray(above, dtype=float))
    both = both[~np.isnan(both)]
    bad = int(np.count_nonzero(both < 0))
    counted = proven_share(both.size, bad, confidence) if both.size else 0.0
    worst = min(sides, key=lambda p: p.share)
    if ORDER in {p.how for p in sides}:
        why = next(p.why for p in sides if p.how == ORDER)
        needed = parts_needed(share, confidence, bad)
        return Proof(both.size, bad, counted, counted, ORDER, why, worst.distance, needed)
    needs = [p.needed for p in sides if p.needed is not None]
    together = max(0.0, sum(p.share for p in sides) - 1)
    return Proof(
        both.size, bad, counted, together, worst.how, worst.why, worst.distance, max(needs) if len(needs) == 2 else None
    )  # fmt: skip


def normal_chance(x: FloatArray, mean: float, sd: float) -> float | None:
    """Return the chance that normal values look as little normal as ``x`` (n,), the gauge's step allowed for."""
    from holeqc.statistics.basics import prepare
    from holeqc.statistics.normality import allowing, anderson_darling

    readings = prepare(x)
    plain = anderson_darling(readings.ordered, ordered=True, centre=mean, sd=sd)
    stepped = allowing(readings.ordered, mean, sd, plain.A2, step=readings.step)
    return plain.p if stepped is None else stepped.p


def prove_position(off: ArrayLike, radius: ArrayLike, share: float, confidence: float) -> Proof:
    """Return what deviations ``off`` (n, 2) prove of the share inside circles ``radius`` (n,), U taken off them.

    The lower end of the share in the circle by the bivariate normal (`statistics.position_capability`), where Mardia's
    test doesn't speak against one; else counted. The least of the radii is taken for all, so that a part with less
    bonus isn't believed better. A radius below 0 holds nothing.
    """
    from holeqc.statistics.position_capability import mardia, share_interval

    checked(share, confidence)
    pairs, r = np.asarray(off, dtype=float).reshape(-1, 2), np.asarray(radius, dtype=float).ravel()
    known = np.isfinite(pairs).all(axis=1) & np.isfinite(r)
    pairs, r = pairs[known], r[known]
    n = r.size
    bad = int(np.count_nonzero(np.hypot(*pairs.T) > r))
    counted = proven_share(n, bad, confidence) if n else 0.0
    by_count = parts_needed(share, confidence, bad)
    why = f"{n} positions are too few to show their shape" if n < FEWEST else ""
    if not why and (r.min() <= 0 or confidence <= 0.5):
        why = "the gauge's U leaves no circle"
    if not why:
        spread = np.linalg.eigvalsh(np.cov(pairs.T))
        test = mardia(pairs) if spread[0] > 1e-12 * spread[1] else None
        if test is None or min(test.skewness_p, test.kurtosis_p) < NOT_NORMAL / 2:
            why = "the two coordinates are no bivariate normal"
    if why:
        return Proof(n, bad, counted, counted, ORDER, why, None, by_count)
    inside = share_interval(pairs, np.full(n, r.min()), 2 * confidence - 1)[0] or 0.0
    return Proof(n, bad, counted, inside, CIRCLE, "", None, n if inside >= share else None)


# ------------------------------------------------------------------------------------------------------- as it is asked


@dataclass(frozen=True, slots=True)
class HoleProof:
    """What is proven of one hole: counted in everything, and by its values of what is measured."""

    hole: str
    counted: PartProof
    measured: dict[str, Proof]


@dataclass(frozen=True, slots=True)
class Restart:
    """What an event leaves of the evidence: things of holes that start anew before a part, '' behind the last one."""

    serial: str
    what: str
    where: str
    anew: tuple[str, ...]
    kept: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FirstParts:
    """What is claimed, what it needs, and what has been proven so far (None without readings)."""

    share: float
    confidence: float
    needed: tuple[int, ...]  #: parts with 0, 1, 2 bad ones
    by_distance: tuple[tuple[float, int | None], ...]
    uncertainty: tuple[tuple[str, str, float, float | None], ...]  #: what, gauge, U, its share of the band
    serials: tuple[str, ...] = ()
    part: PartProof | None = None
    part_measured: Proof | None = None
    pins: Proof | None = None
    holes: tuple[HoleProof, ...] = ()
    restarts: tuple[Restart, ...] = ()
    never: tuple[str, ...] = ()
    drifts: tuple[str, ...] = ()  #: what moves from part to part: hole, thing, how fast
