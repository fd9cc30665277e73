"""Search of the whole circle for the few parts that one certificate can't settle.

A bound from :mod:`holeqc.inspection.minimax_certificate` holds at every angle and is sharp at its own. The circle (or
the arc that the two pins farthest apart leave open) is cut into arcs; each is solved at its middle, where only the
translation is free and the problem is convex; an arc goes when a bound shows that nothing in it beats the best motion
known, and is halved otherwise. What is left at the end is the best motion of all, and the proof of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax_certificate import Bound, Solved
from holeqc.inspection.minimax_cone import Arc, solve
from holeqc.inspection.minimax_frame import GAP_OF_PATTERN, GAP_SEARCHED, Floats, Frame

MOST_ROUNDS = 60
MOST_HALVES = 20_000  #: open arcs of one part at which the search stops and says how far it came
MOST_ARCS = 8_000  #: arcs solved at once
INNER = 0.2  #: the arcs' own problems are solved to this part of the tolerance


@dataclass(slots=True)
class _Arcs:
    part: Floats
    middle: Floats
    half: Floats

    def keep(self, mask: npt.NDArray[Any] | slice) -> _Arcs:
        return _Arcs(self.part[mask], self.middle[mask], self.half[mask])

    def halved(self) -> _Arcs:
        half = self.half / 2
        return _Arcs(
            np.concatenate([self.part, self.part]),
            np.concatenate([self.middle - half, self.middle + half]),
            np.concatenate([half, half]),
        )


def search(frame: Frame, found: Solved) -> None:
    """Improve and prove ``found`` (in the frame's own angles) in place, over every angle."""
    give = np.maximum(2 * frame.tolerance, np.minimum(GAP_SEARCHED, GAP_OF_PATTERN * frame.radius))
    arcs = _open_arcs(frame, found, give)
    lowest = np.full(frame.radius.size, np.inf)  # what the arcs that were let go prove for their part
    for _ in range(MOST_ROUNDS):
        if not arcs.part.size:
            break
        known = _turned(found.bound(), arcs.part, arcs.middle).within(arcs.half)
        arcs = _let_go(arcs, known, found.overshoot - give, lowest)
        size = max(1, MOST_ARCS * 6 // len(frame.c))
        pieces = [
            _round(frame, found, arcs.keep(slice(begin, begin + size)), give, lowest)
            for begin in range(0, arcs.part.size, size)
        ]
        arcs = _joined(pieces) if pieces else arcs
        arcs = _without_crowds(arcs, lowest)
    lowest[np.unique(arcs.part)] = -np.inf  # rounds spent: say what is proved, not what is hoped
    found.proved = np.maximum(found.proved, np.minimum(found.overshoot, lowest))


def _round(frame: Frame, found: Solved, arcs: _Arcs, give: Floats, lowest: Floats) -> _Arcs:
    """Solve each arc at its middle, take over better motions, and return the halves of the arcs that stay open."""
    sub = frame.take(arcs.part).turned(arcs.middle)
    sub.tolerance[:] *= INNER
    middle = solve(sub, rotate=False, arc=Arc(arcs.half, (found.overshoot - give)[arcs.part]))
    _improve(frame, found, arcs, middle)
    return _let_go(arcs, middle.proved, found.overshoot - give, lowest).halved()


def _improve(frame: Frame, found: Solved, arcs: _Arcs, middle: Solved) -> None:
    """Where an arc's middle beats the best motion of its part, take it, and solve on from there, rotation free."""
    order = np.lexsort((middle.overshoot, arcs.part))
    first = order[np.unique(arcs.part[order], return_index=True)[1]]
    better = first[middle.overshoot[first] < found.overshoot[arcs.part[first]]]
    if not better.size:
        return
    part, turn = arcs.part[better], arcs.middle[better]
    _take_over(found, part, middle.take(better), turn)
    sub = frame.take(part).turned(turn)
    sub.tolerance[:] *= INNER
    _take_over(found, part, solve(sub, rotate=True), turn)


def _take_over(found: Solved, part: npt.NDArray[np.intp], other: Solved, turn: Floats) -> None:
    """Put the better ones of other motions, whose angles count from ``turn``, in place of those of ``part``."""
    gain = np.flatnonzero(other.overshoot < found.overshoot[part])
    to, other, turn = part[gain], other.take(gain), turn[gain]
    found.angle[to], found.tx[to], found.ty[to] = turn + other.angle, other.tx, other.ty
    found.overshoot[to], found.apart[to] = other.overshoot, other.apart
    found.p[to], found.h[to] = other.p * np.exp(-1j * turn), other.h
    found.offset[to], found.weight[:, to] = other.offset, other.weight


def _let_go(arcs: _Arcs, bound: Floats, level: Floats, lowest: Floats) -> _Arcs:
    """Drop the arcs whose bound reaches their part's ``level``, noting what they prove."""
    settled = bound >= level[arcs.part]
    np.minimum.at(lowest, arcs.part[settled], bound[settled])
    return arcs.keep(~settled)


def _turned(bound: Bound, part: Floats, angle: Floats) -> Bound:
    """Return the bounds of the chosen parts as seen from ``angle``."""
    return Bound(bound.p[part] * np.exp(1j * angle), bound.h[part], bound.offset[part], bound.weight[:, part])


def _open_arcs(frame: Frame, found: Solved, give: Floats) -> _Arcs:
    """Return the arcs that may hold a better motion: one about the motion found that its own bound just settles, and on
    either side arcs that double in width up to the ends of what :func:`open_angles` leaves."""
    a, b = np.abs(found.p), np.abs(found.h)
    deep = np.sqrt(give * np.maximum(found.overshoot + found.offset, 0.0) / (2 * a * b + 1e-300))
    first = 0.9 * np.clip(2 * np.arcsin(np.minimum(deep, 1.0)), 1e-7, 0.2)
    standing = frame.turned(found.angle)
    low, high = open_angles(standing.px, standing.py, frame.hx, frame.hy, found.overshoot + frame.c)
    count = np.ceil(np.log2(1 + np.maximum(high, -low) / first)).astype(int) + 1
    part = np.repeat(np.arange(first.size), count)
    step = np.arange(part.size) - np.repeat(np.cumsum(count) - count, count)
    inner, outer = first[part] * (2.0**step - 1), first[part] * (2.0 ** (step + 1) - 1)
    begin = np.concatenate([inner, np.maximum(-outer, low[part])])
    end = np.concatenate([np.minimum(outer, high[part]), -inner])
    part = np.concatenate([part, part])
    some = end > begin
    part, begin, end = part[some], begin[some], end[some]
    return _Arcs(part, found.angle[part] + (begin + end) / 2, (end - begin) / 2)


def open_angles(px: Floats, py: Floats, hx: Floats, hy: Floats, zone: Floats) -> tuple[Floats, Floats]:
    """Return how far (B,) below and above zero a pattern (N, B) may turn so that all points reach their zones.

    Only the two points farthest apart are looked at. With ``u`` and ``w`` the vectors between them and between their
    targets, a turn R that brings both within their zones' radii has ``|R u - w| <= zone_1 + zone_2``.
    """
    each = np.arange(px.shape[1])
    one = np.argmax(px**2 + py**2, axis=0)
    two = np.argmax((px - px[one, each]) ** 2 + (py - py[one, each]) ** 2, axis=0)
    u = px[one, each] - px[two, each] + 1j * (py[one, each] - py[two, each])
    w = hx[one, each] - hx[two, each] + 1j * (hy[one, each] - hy[two, each])
    reach = zone[one, each] + zone[two, each]
    product = 2 * np.abs(u) * np.abs(w)
    top = np.abs(u) ** 2 + np.abs(w) ** 2 - reach**2
    whole = top <= -product
    cosine = np.where(whole, -1.0, top / np.where(whole, 1.0, product))
    half = np.where(whole, np.pi, np.arccos(np.clip(cosine, -1.0, 1.0)) + 1e-7)
    middle = np.where(whole, 0.0, np.angle(w) - np.angle(u))
    middle -= 2 * np.pi * np.round(middle / (2 * np.pi))
    return np.minimum(middle - half, 0.0), np.maximum(middle + half, 0.0)


def _without_crowds(arcs: _Arcs, lowest: Floats) -> _Arcs:
    """Give up parts that rounding keeps from ever being settled, so that memory and time stay bounded."""
    if arcs.part.size <= MOST_HALVES:
        return arcs
    crowded = np.bincount(arcs.part, minlength=lowest.size) > MOST_HALVES
    lowest[crowded] = -np.inf
    return arcs.keep(~crowded[arcs.part])


def _joined(pieces: list[_Arcs]) -> _Arcs:
    return _Arcs(
        np.concatenate([a.part for a in pieces]),
        np.concatenate([a.middle for a in pieces]),
        np.concatenate([a.half for a in pieces]),
    )
