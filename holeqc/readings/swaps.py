"""Two neighbouring digits swapped near the limits: 0.4758 for 0.4578, where the other readings of the hole contradict.

A value by itself tells nothing there: a hole of 0.4650 may be one, and it must be rejected. A doubt needs evidence
against the reading: the others of the same hole agree among themselves, the one as typed stands away from them by more
than the hole's form may, and with two digits swapped it stands among them. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import GRAIN, FloatArray
from holeqc.readings.draft import UNIT_CODES
from holeqc.readings.findings import DIAMETER, Findings, X, Y
from holeqc.readings.gauging import uncertainty_of
from holeqc.readings.grid import BoolArray, IntArray
from holeqc.readings.issues import warning
from holeqc.readings.slips import swapped_digits
from holeqc.readings.table import CHARACTERISTICS, ENTERS, STOPS
from holeqc.readings.words import WORDS

CODE = "slip-transposed"
LOOKED_AT = 20_000
SIBLINGS = 2  #: so many other diameters must agree; one is enough where a plug contradicts the reading too
APART = 4.0  #: the reading must stand away from the others by so many times their own spread
NEAR_FORM, NEAR_PLACE = 0.25, 0.1  #: share of the form or position tolerance within which the swapped value must lie
_GO, _NO_GO = CHARACTERISTICS.index("go"), CHARACTERISTICS.index("no_go")


@dataclass(slots=True)
class _Groups:
    """Readings (m,) of one kind, sorted by hole and value, with where each hole's begin and how many there are."""

    rows: IntArray
    start: IntArray
    count: IntArray


def find_swapped_digits(findings: Findings) -> None:
    """Doubt readings that the others of their hole contradict and that two swapped digits explain."""
    kind, hole = findings.arrays["characteristic"], findings.arrays["hole"]
    usable = findings.usable()
    form, asked = _form(findings)
    found: dict[int, tuple[float, str]] = {}
    for which in (DIAMETER, X, Y):
        rows = np.flatnonzero(usable & (kind == which))
        if not rows.size:
            continue
        away = form[hole[rows]] if which == DIAMETER else findings.band[rows]
        groups = _apart(findings.value[rows], rows, findings.piece[rows] * form.size + hole[rows], away)
        if groups.start.size:
            found.update(_look(findings, groups, which, form, asked))
    rows = np.array(sorted(found), dtype=np.int64)

    def make(index: int) -> Problem:
        value, against = found[index]
        likely = findings.likely(value, float(findings.value[index]))
        issue = warning(
            CODE,
            f"two digits may be swapped: likely {likely}; {against}",
            action=f"Measure again; if {likely} was read, correct the cell",
            holds=True,
        )
        return findings.problem(issue, index, allowed=findings.allowed(index))

    findings.report(rows, make, doubt=CODE)


def _form(findings: Findings) -> tuple[FloatArray, BoolArray]:
    """Return how far diameters of a hole may lie apart (H,), half the size tolerance where not asked; where asked."""
    asked = [h.form.out_of_roundness for h in findings.spec.holes]
    bands = [0.5 * h.size.band for h in findings.spec.holes]
    form = [band if one is None else one for one, band in zip(asked, bands, strict=True)]
    return np.array(form), np.array([one is not None for one in asked])


def _apart(value: FloatArray, rows: IntArray, key: IntArray, away: FloatArray) -> _Groups:
    """Return the readings of holes whose values spread by more than ``away``, in order of hole and value."""
    size = int(key.max()) + 1
    low, high = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(low, key, value)
    np.maximum.at(high, key, value)
    wide = (high - low)[key] > away + GRAIN
    rows, key, value = rows[wide], key[wide], value[wide]
    order = np.lexsort((value, key))
    rows, key = rows[order], key[order]
    start = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]])) if rows.size else np.empty(0, dtype=np.int64)
    return _Groups(rows, start, np.diff(np.append(start, rows.size)))


def _look(
    findings: Findings, groups: _Groups, which: int, form: FloatArray, asked: BoolArray
) -> dict[int, tuple[float, str]]:
    """Return row -> likely value and what contradicts it, for the one reading of a hole that stands apart."""
    value, some = findings.value, groups.count > 1
    first, count = groups.start[some], groups.count[some]
    last = first + count - 1
    hole = findings.arrays["hole"][groups.rows[first]]
    size = which == DIAMETER
    away = form[hole] if size else findings.band[groups.rows[first]]
    near = (NEAR_FORM if size else NEAR_PLACE) * away
    out: dict[int, tuple[float, str]] = {}
    # the reading that stands apart, the nearest and the farthest of the others
    for odd, nearest, farthest in ((last, last - 1, first), (first, first + 1, last)):
        odd, nearest, farthest = groups.rows[odd], groups.rows[nearest], groups.rows[farthest]
        spread = np.abs(value[farthest] - value[nearest])
        hit = np.abs(value[odd] - value[nearest]) > np.maximum(away, APART * spread) + GRAIN
        hit &= _inside(findings, nearest) & _inside(findings, farthest)
        # a reading within its limits that a form rejects stands apart as well
        hit &= ~_inside(findings, odd) | (asked[hole] if size else False)
        against, proven = _plugs(findings, odd) if size else (np.zeros(odd.size, np.bool_),) * 2
        if size:
            hit &= ((count > SIBLINGS) | against) & ~proven
        room = np.maximum(near, np.nan_to_num(uncertainty_of(findings, odd))) + GRAIN
        low = np.minimum(value[nearest], value[farthest]) - room
        high = np.maximum(value[nearest], value[farthest]) + room
        for i in np.flatnonzero(hit)[:LOOKED_AT].tolist():
            row = int(odd[i])
            likely = _swapped_into(findings, row, float(low[i]), float(high[i]))
            if likely is not None:
                words = _against(findings, int(nearest[i]), int(farthest[i]), which)
                out[row] = likely, words + (_plug_words(findings, row) if against[i] else "")
    return out


def _inside(findings: Findings, rows: IntArray) -> BoolArray:
    value = findings.value[rows]
    return (value >= findings.lower[rows] - GRAIN) & (value <= findings.upper[rows] + GRAIN)


def _swapped_into(findings: Findings, row: int, low: float, high: float) -> float | None:
    """Return the value with two neighbouring digits swapped that lies between two bounds and inside the limits."""
    raw, value = float(findings.arrays["raw"][row]), float(findings.value[row])
    scale = value / raw if raw else 1.0
    low, high = max(low, float(findings.lower[row]) - GRAIN), min(high, float(findings.upper[row]) + GRAIN)
    decimals = 4 if int(findings.arrays["unit"][row]) == UNIT_CODES.index("in") else 3
    for likely in swapped_digits(raw, decimals):
        if low <= likely * scale <= high:
            return likely * scale
    return None


def _against(findings: Findings, nearest: int, farthest: int, which: int) -> str:
    low, high = sorted((float(findings.value[nearest]), float(findings.value[farthest])))
    name = CHARACTERISTICS[which]
    if nearest == farthest:
        return f"the other {name} of the hole is {findings.length(low)}"
    plural = "diameters" if which == DIAMETER else f"{name} readings"
    return f"the other {plural} of the hole are {findings.length(low)} to {findings.length(high)}"


def _plugs(findings: Findings, rows: IntArray) -> tuple[BoolArray, BoolArray]:
    """Return where a plug of the hole contradicts a diameter outside its limits, and where it confirms it."""
    a = findings.arrays
    key = findings.piece * len(findings.spec.holes) + a["hole"]
    sound = (findings.doubt < 0) & (a["hole"] >= 0)
    against, proven = np.zeros(rows.size, np.bool_), np.zeros(rows.size, np.bool_)
    for kind, out, tells in (
        (_NO_GO, findings.value[rows] > findings.upper[rows], (STOPS, ENTERS)),
        (_GO, findings.value[rows] < findings.lower[rows], (ENTERS, STOPS)),
    ):
        asked = sound & (a["characteristic"] == kind)
        for word, answer in zip(tells, (against, proven), strict=True):
            answer |= out & np.isin(key[rows], key[asked & (a["word"] == WORDS.index(word))])
    return against, proven


def _plug_words(findings: Findings, row: int) -> str:
    over = findings.value[row] > findings.upper[row]
    return ", and the NO-GO plug does not enter" if over else ", and the GO plug enters"
