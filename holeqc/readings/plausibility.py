"""Everything that looks odd about readings taken together; found, named, never mended."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from holeqc.characteristics import ANGLES, DEGREES, NUMBERS
from holeqc.problems import Problem, flaw, warning
from holeqc.quantities import GRAIN, MM_PER_INCH, BoolArray, FloatArray, IntArray
from holeqc.readings.contradictions import (
    check_days,
    check_gauges,
    confirmed,
    find_repeats,
    find_unbelievable,
    gauge_for,
    uncertainty_of,
)
from holeqc.readings.copies import find_arrangements, find_copies, find_swapped_walls
from holeqc.readings.draft import DIAMETER, PLUG, UNIT_CODES, Array, Draft, Findings, X, Y, look_at
from holeqc.readings.identities import spelt_alike
from holeqc.readings.table import CHARACTERISTICS, ENTERS, NEAR_FORM, STOPS, Collector, beyond, bound
from holeqc.readings.values import excel_day, typed_as
from holeqc.readings.words import WORDS
from holeqc.specification.model import Specification
from holeqc.tables import numbered

# Slips of typing: a value far outside its limits that one slip would put inside; named, never corrected.
#
# A decimal point in the wrong place, inch for millimetre, a sign, two digits swapped, a digit lost or doubled, a
# fraction that a spreadsheet turned into a day's number. Whole columns with one and the same slip are reported once.
#
# Near the limits a value by itself tells nothing: a hole of 0.4650 may be one, and it must be rejected. There a doubt
# needs evidence against the reading: 0.4758 for 0.4578, where the others of the same hole agree among themselves, the
# one
# as typed stands away from them by more than the hole's form may, and with two digits swapped it stands among them.
# Common practice, no source.


UNIT, POINT, SIGN = "slip-unit", "slip-decimal", "slip-sign"
_FACTORS: tuple[tuple[str, float], ...] = (
    (POINT, 0.1),
    (POINT, 10.0),
    (UNIT, 1.0 / MM_PER_INCH),
    (UNIT, MM_PER_INCH),
    (POINT, 0.01),
    (POINT, 100.0),
    (POINT, 0.001),
    (POINT, 1000.0),
    (POINT, 0.0001),
    (POINT, 10_000.0),
    (SIGN, -1.0),
)
_NAMES = {
    UNIT: "the other unit was typed",
    POINT: "a decimal point stands in the wrong place",
    SIGN: "the sign is wrong",
}
COLUMN_SHARE, COLUMN_LEAST = 0.8, 3  #: a slip in so many of a column's readings is the column's
_DIGITS_LOOKED_AT = 20_000

# near the limits, `find_swapped_digits`
TRANSPOSED = "slip-transposed"
SIBLINGS = 2  #: so many other diameters must agree; one is enough where a plug contradicts the reading too
APART = 4.0  #: the reading must stand away from the others by so many times their own spread
NEAR_PLACE = 0.1  #: share of the position tolerance within which the swapped value must lie, as `NEAR_FORM` of a form
NEAR_ONE = 0.4  #: share of the form tolerance, where one other reading is all there is
_GO, _NO_GO = CHARACTERISTICS.index("go"), CHARACTERISTICS.index("no_go")


@dataclass(slots=True)
class _Slips:
    """Readings far outside: their rows, and for each the slip that would explain it, '' for none."""

    rows: IntArray
    code: list[str]
    factor: FloatArray
    likely: FloatArray
    text: list[str]


def find_slips(findings: Findings) -> None:
    """Report lengths that are far outside and that one slip would put inside; give them a doubt."""
    usable = findings.usable()
    _not_positive(findings, usable)
    usable &= findings.doubt < 0
    _typed_twice(findings, usable)
    usable &= findings.doubt < 0
    rows = np.flatnonzero(usable & findings.far)
    if not rows.size:
        return
    near, _ = confirmed(findings, usable & ~findings.absurd)
    slips = _explain(findings, rows, near[rows] & ~findings.absurd[rows])
    _columns(findings, slips, usable)
    _signs_of_parts(findings, slips, usable)
    left = np.array([bool(c) and findings.doubt[r] < 0 for c, r in zip(slips.code, rows, strict=True)], dtype=np.bool_)
    place = {int(r): i for i, r in enumerate(rows)}

    def make(index: int) -> Problem:
        at = place[index]
        likely = findings.likely(float(slips.likely[at]), float(findings.value[index]), index)
        issue = warning(
            slips.code[at],
            f"far outside what the hole can be: {slips.text[at]}, likely {likely}",
            action=f"Measure again; if {likely} was read, correct the cell",
            holds=True,
        )
        return findings.problem(issue, index, allowed=findings.allowed(index))

    for code in dict.fromkeys(slips.code):
        if code:
            mine = left & np.array([c == code for c in slips.code])
            findings.report_causes(rows[mine], np.nan_to_num(slips.factor[mine] * 1e6).astype(np.int64), make)
            findings.mark(rows[mine], code)


def _not_positive(findings: Findings, usable: BoolArray) -> None:
    """Report sizes and distances of zero or less: nothing in the shop measures them."""
    kind = findings.arrays["characteristic"]
    rows = np.flatnonzero(usable & ~np.isin(kind, (X, Y)) & (findings.value <= 0))

    def make(index: int) -> Problem:
        value, low, high = (float(a[index]) for a in (findings.value, findings.lower, findings.upper))
        likely = f": likely {findings.length(-value, index)}" if low - GRAIN <= -value <= high + GRAIN else ""
        what = "angle" if findings.unit(index) == DEGREES else "length"
        message = f"zero is no measured {what}" if value == 0 else f"no {what} is negative{likely}"
        action = (
            "Leave the cell empty where nothing was measured" if value == 0 else "Measure again and correct the cell"
        )
        return findings.problem(flaw("not-positive", message, "", action), index, allowed=findings.allowed(index))

    findings.report(rows, make, doubt="not-positive")


def _typed_twice(findings: Findings, usable: BoolArray) -> None:
    """Report an x that is the very number of the hole's y, or the other way round, where only the other fits."""
    a = findings.arrays
    kind = a["characteristic"]
    with np.errstate(invalid="ignore"):
        off = beyond(findings.value, findings.lower, findings.upper)
        stray = usable & np.isin(kind, (X, Y)) & (off > (bound("typed twice") - 1.0) * findings.band)
        fits = usable & np.isin(kind, (X, Y)) & (off <= findings.band)
    if not (stray.any() and fits.any()):
        return
    place = (findings.piece * len(findings.spec.holes) + a["hole"]) * 64 + a["wall"] + 1
    number = np.rint(np.where(stray | fits, findings.value, 0.0) * 1e7).astype(np.int64)
    fits &= np.isin(place, place[stray])
    right = set(zip(place[fits].tolist(), kind[fits].tolist(), number[fits].tolist(), strict=True))
    at = np.flatnonzero(stray)
    other = np.where(kind[at] == X, Y, X)
    told = zip(place[at].tolist(), other.tolist(), number[at].tolist(), strict=True)
    rows = at[np.array([key in right for key in told], dtype=np.bool_)]

    def make(index: int) -> Problem:
        names = ("x", "y") if kind[index] == X else ("y", "x")
        issue = warning(
            "typed-twice",
            f"the {names[0]} is the very number of the {names[1]}: likely typed twice",
            action=f"Look up or measure the {names[0]} and correct the cell",
            holds=True,
        )
        return findings.problem(issue, index, allowed=findings.allowed(index))

    findings.report_causes(rows, kind[rows], make)
    findings.mark(rows, "typed-twice")


def _explain(findings: Findings, rows: IntArray, agreed: BoolArray) -> _Slips:
    """Return what explains readings (m,). Digits explain nothing that a second reading says too (``agreed``)."""
    value, low, high, band = (a[rows] for a in (findings.value, findings.lower, findings.upper, findings.band))
    kind = findings.arrays["characteristic"][rows]
    # where only the least is asked, what a slipped reading should be isn't known well: up to four times the least
    open_ = np.isinf(high)
    high, band = np.where(open_, 4.0 * low, high), np.where(open_, 0.0, band)
    code = np.zeros(rows.size, dtype=np.int8)
    factor = np.full(rows.size, np.nan)
    for number, (name, times) in enumerate(_FACTORS, 1):
        if name == SIGN:
            allowed = np.isin(kind, (X, Y))
        elif name == UNIT:
            allowed = ~np.isin(kind, [NUMBERS.index(word) for word in ANGLES])
        else:
            allowed = np.ones(rows.size, dtype=np.bool_)
        moved = value * times
        hit = (code == 0) & allowed & (moved >= low - band - GRAIN) & (moved <= high + band + GRAIN)
        code[hit], factor[hit] = number, times
    names = ["", *(name for name, _ in _FACTORS)]
    codes = [names[c] for c in code]
    slips = _Slips(rows, codes, factor, value * factor, [_NAMES.get(c, "") for c in codes])
    _digits(findings, slips, ~agreed, low, high)
    return slips


def _digits(findings: Findings, slips: _Slips, open_to: BoolArray, low: FloatArray, high: FloatArray) -> None:
    """Explain what is left by digits swapped, lost or doubled, or by a fraction that became a day."""
    open_ = [i for i, code in enumerate(slips.code) if not code and open_to[i]][:_DIGITS_LOOKED_AT]
    memory: dict[tuple[float, float, float, int, bool], tuple[str, float, str]] = {}
    kind = findings.arrays["characteristic"]
    units = findings.arrays["unit"]
    for i in open_:
        row = int(slips.rows[i])
        raw = float(findings.arrays["raw"][row])
        value = float(findings.value[row])
        size = int(kind[row]) in (DIAMETER, PLUG)
        key = (raw, float(low[i]), float(high[i]), int(units[row]), size)
        if key not in memory:
            scale = value / raw if raw else 1.0
            memory[key] = _digit_slip(raw, scale, float(low[i]), float(high[i]), _decimals(size, int(units[row])))
        slips.code[i], slips.likely[i], slips.text[i] = memory[key]


def _decimals(size: bool, unit: int) -> int:
    """Return how many decimals a complete size has; 0 for a coordinate, whose wide zone a digit more often fits."""
    return (4 if unit == 1 else 3) if size else 0


def _digit_slip(raw: float, scale: float, low: float, high: float, decimals: int) -> tuple[str, float, str]:
    """Return code, likely value and words for a number as typed; a digit slip must land inside the limits."""
    if raw.is_integer() and 20_000 <= raw <= 80_000:
        for text, value in typed_as(excel_day(raw)):
            if low - GRAIN <= value <= high + GRAIN:
                return "fraction-became-date", value, f"a spreadsheet took the fraction {text} for a day"
    typed = f"{abs(raw):.10f}".rstrip("0")
    sign = -1.0 if raw < 0 else 1.0
    for code, words, candidates in (
        ("slip-transposed", "two digits are swapped", _swapped(typed)),
        ("slip-digit", "a digit is typed twice", _undoubled(typed)),
        ("slip-digit", "a digit is lost", _completed(typed, decimals)),
    ):
        for text in candidates:
            value = sign * float(text) * scale
            if low - GRAIN <= value <= high + GRAIN:
                return code, value, words
    return "", float("nan"), ""


def swapped_digits(raw: float, decimals: int) -> list[float]:
    """Return a number as typed, of so many decimals at least, with each two neighbouring digits swapped."""
    whole, _, rest = f"{abs(raw):.10f}".rstrip("0").partition(".")
    sign = -1.0 if raw < 0 else 1.0
    return [sign * float(text) for text in _swapped(f"{whole}.{rest.ljust(decimals, '0')}")]


def _swapped(text: str) -> list[str]:
    places = [i for i, c in enumerate(text) if c.isdigit()]
    out = []
    for a, b in pairwise(places):
        letters = list(text)
        letters[a], letters[b] = letters[b], letters[a]
        out.append("".join(letters))
    return out


def _undoubled(text: str) -> list[str]:
    return [text[:i] + text[i + 1 :] for i in range(len(text) - 1) if text[i] == text[i + 1] and text[i].isdigit()]


def _completed(text: str, decimals: int) -> list[str]:
    """Return the number with one digit more: in the whole part, or in decimals that are fewer than usual."""
    whole, _, rest = text.partition(".")
    before = [f"{whole[:i]}{d}{whole[i:]}.{rest}" for i in range(len(whole) + 1) for d in "123456789" if whole != "0"]
    if len(rest) >= decimals:
        return before
    return [f"{whole}.{rest[:i]}{d}{rest[i:]}" for i in range(len(rest) + 1) for d in "0123456789"] + before


def _columns(findings: Findings, slips: _Slips, usable: BoolArray) -> None:
    """Report a slip that whole columns of a sheet share once, at its first cell."""
    a = findings.arrays
    sheet = a["file"].astype(np.int64) * 30_000 + a["sheet"]
    numbers, _ = numbered((sheet * 20_000 + a["column"]) * 16 + a["characteristic"])
    total = np.bincount(numbers[usable], minlength=int(numbers.max()) + 1)
    shared = {(UNIT, 1.0 / MM_PER_INCH), (UNIT, MM_PER_INCH)} | {f for f in _FACTORS if f[0] == POINT}
    for code, times in sorted(shared):
        mine = slips.rows[np.array([c == code for c in slips.code]) & (slips.factor == times)]
        count = np.bincount(numbers[mine], minlength=total.size)
        whole = (count >= COLUMN_LEAST) & (count >= COLUMN_SHARE * total)
        rows = mine[whole[numbers[mine]]]
        for group in np.unique(sheet[rows]):
            some = rows[sheet[rows] == group]
            _report_columns(findings, some, code, times, int(total[np.unique(numbers[some])].sum()))


def _report_columns(findings: Findings, rows: IntArray, code: str, times: float, total: int) -> None:
    first = int(rows[0])
    kinds = dict.fromkeys(CHARACTERISTICS[k].replace("_", " ") for k in findings.arrays["characteristic"][rows])
    count = f"{rows.size} of {total}" if rows.size < total else f"all {total}"
    where = "this column" if np.unique(findings.arrays["column"][rows]).size == 1 else "these columns"
    *most, last = kinds
    head = f"{count} {', '.join(most)}{' and ' if most else ''}{last} readings"
    if code == UNIT:
        typed = int(findings.arrays["unit"][first])
        other = "millimetres" if typed == 1 else "inches"
        message = f"{head} in {where} fit only if they were typed in {other}"
        action = f"If they were read in {other}, say so in the heading; otherwise measure again"
    else:
        message = f"{head} in {where} fit only if the decimal point is moved, times {times:g}"
        action = "If they are counted in thousandths or the like, type them as lengths; otherwise measure again"
    issue = warning(f"column-{code.removeprefix('slip-')}", message, action=action, holds=True)
    likely = findings.likely(float(findings.value[first]) * times, float(findings.value[first]), first)
    problem = findings.problem(
        issue, first, f"{findings.found(first)}, first cell: likely {likely}", findings.allowed(first)
    )
    problem = replace(problem, message=f"{message} ({findings.ranges(rows)})")
    one_piece = np.unique(findings.piece[rows]).size == 1
    over = {"hole": "", "wall": ""} | ({} if one_piece else {"part": "", "serial": ""})
    findings.collector.add(replace(problem, **over))  # type: ignore[arg-type]
    findings.mark(rows, issue.code)


def _signs_of_parts(findings: Findings, slips: _Slips, usable: BoolArray) -> None:
    """Report a part whose x or y all have the opposite sign once: measured in the other hand's frame."""
    kind = findings.arrays["characteristic"]
    signed = np.array([c == SIGN for c in slips.code])
    for which, name in ((X, "x"), (Y, "y")):
        mine = slips.rows[signed & (kind[slips.rows] == which)]
        mine = mine[findings.doubt[mine] < 0]
        if mine.size < COLUMN_LEAST:
            continue
        # holes near the axis fit either way
        can_tell = (
            usable & (kind == which) & (np.minimum(np.abs(findings.lower), np.abs(findings.upper)) > findings.band)
        )
        total = np.bincount(findings.piece[can_tell], minlength=findings.pieces)
        count = np.bincount(findings.piece[mine], minlength=findings.pieces)
        whole = (count >= COLUMN_LEAST) & (count >= COLUMN_SHARE * total)
        rows = mine[whole[findings.piece[mine]]]
        first = findings.firsts(rows)

        def make(index: int, name: str = name, count: Array = count) -> Problem:
            issue = warning(
                "part-sign",
                f"all {int(count[findings.piece[index]])} {name} readings of the part have the opposite sign: "
                "likely taken from the other side, or the part is the other hand",
                action="Look which hand it is and from which edge it was measured",
                holds=True,
            )
            return findings.piece_problem(issue, index, findings.found(index), findings.allowed(index))

        findings.collector.cells(first.tolist(), make)
        findings.mark(rows, "part-sign")


# ---- two digits swapped near the limits


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
            TRANSPOSED,
            f"two digits may be swapped: likely {likely}; {against}",
            action=f"Measure again; if {likely} was read, correct the cell",
            holds=True,
        )
        return findings.problem(issue, index, allowed=findings.allowed(index))

    findings.report(rows, make, doubt=TRANSPOSED)


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
            # a single other reading is enough where the two lie farther apart than the size tolerance is wide
            wide = np.abs(value[odd] - value[nearest]) > findings.band[odd]
            hit &= ((count > SIBLINGS) | against | wide) & ~proven
            near = np.where(wide, NEAR_ONE * away, near)  # nobody knows where among them the one other reading lies
        room = np.maximum(near, np.nan_to_num(uncertainty_of(findings, odd))) + GRAIN
        low = np.minimum(value[nearest], value[farthest]) - room
        high = np.maximum(value[nearest], value[farthest]) + room
        for i in np.flatnonzero(hit)[:_DIGITS_LOOKED_AT].tolist():
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


def check_plausibility(
    spec: Specification, draft: Draft, arrays: dict[str, Array], collector: Collector, today: dt.date, doubt: Array
) -> Array:
    """Report what is odd and return the doubt code of each reading (n,), -1 for none.

    Repeats of one reading are numbered in ``arrays['trial']``.
    """
    findings = look_at(spec, draft, arrays, collector, today, doubt)
    if not findings.piece.size:
        return doubt
    find_repeats(findings)
    find_arrangements(findings)
    find_slips(findings)
    find_swapped_digits(findings)
    find_unbelievable(findings)
    find_copies(findings)
    find_swapped_walls(findings)
    check_gauges(findings)
    check_days(findings)
    _lost_digits(findings)
    spelt_alike(findings)
    return findings.doubt


def _lost_digits(findings: Findings) -> None:
    """Report texts with fewer decimals than the gauge shows: .46 may stand for anything from .4600 to .4699.

    Programs leave out zeros at the end, so this counts only in columns whose other readings keep theirs. Held only
    where the lost digits could decide.
    """
    a, spec = findings.arrays, findings.spec
    rows = np.flatnonzero(
        findings.usable() & a["text"] & (a["characteristic"] < 3) & (a["unit"] == UNIT_CODES.index(spec.unit))
    )
    if not rows.size:
        return
    texts = findings.draft.typed.texts
    decimals = np.array([_plausibility_decimals(t) for t in texts])[a["typed"][rows]]
    zero = np.array([t.strip().endswith("0") for t in texts])[a["typed"][rows]]
    column = (a["file"][rows].astype(np.int64) * 30_000 + a["sheet"][rows]) * 20_000 + a["column"][rows]
    for kind in range(3):
        gauge = gauge_for(spec, "", CHARACTERISTICS[kind])
        if gauge is None or not gauge.resolution:
            continue
        shown = int(np.ceil(-np.log10(gauge.resolution) - 1e-9))
        mine = a["characteristic"][rows] == kind
        keeping = np.unique(column[mine & zero & (decimals >= shown)])
        missing = mine & (decimals >= 0) & (decimals < shown) & np.isin(column, keeping)
        _report_lost(findings, rows[missing], decimals[missing], shown, gauge.id)


def _plausibility_decimals(text: str) -> int:
    match = re.fullmatch(r"\s*[+-]?\d*(?:[.,](\d*))?\s*(?:in|mm|\")?\.?\s*", text)
    return len(match[1] or "") if match else -1


def _report_lost(findings: Findings, rows: Array, decimals: Array, shown: int, gauge_id: str) -> None:
    if not rows.size:
        return
    value, low, high = findings.value[rows], findings.lower[rows], findings.upper[rows]
    most = value + 10.0 ** -decimals.astype(np.float64)
    decides = ((value <= high) & (most > high)) | ((value < low) & (most > low))
    by_row = {int(r): (int(d), bool(c)) for r, d, c in zip(rows, decimals, decides, strict=True)}

    def make(index: int) -> Problem:
        digits, decisive = by_row[index]
        issue = warning(
            "lost-digits",
            f"{digits} decimals where gauge {gauge_id} shows {shown} and the other readings keep their zeros: "
            "digits may be lost",
            f"{shown} decimals",
            "Type every digit that the gauge shows, zeros at the end too",
            holds=decisive,
        )
        return findings.problem(issue, index)

    findings.report(rows, make)
    findings.mark(rows[decides], "lost-digits")
