"""Rows of a table of distances: both ends, the way and the pins of each, and doubts about them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from holeqc.problems import Problem, flaw, note, warning
from holeqc.quantities import FloatArray, IntArray, convert
from holeqc.readings.containers import Content
from holeqc.readings.distances import BOTH, FIRST, PIN, PINS, SECOND, WAY, Ends, parted, way_of
from holeqc.readings.draft import UNIT_CODES, Array
from holeqc.readings.identities import Match, text_of
from holeqc.readings.layouts import Source, Table, fill_down
from holeqc.readings.rows import Reporter, Rows
from holeqc.readings.table import places_of
from holeqc.readings.values import length_of
from holeqc.specification.model import EDGE, OVER_PINS, PINNED, WAYS, Distance

SAME_PIN = 1e-7  #: diameters of pins nearer than this are one


def read_ends(table: Table, known: Rows) -> Array:
    """Return what the distance of each row is of (r,), without a way where the row says none; None where unknown.

    Doubts go to ``known.issue``: an end that the kit doesn't know, one end twice, a way or a pin that isn't clear.
    """
    spec = table.context.spec
    report, ends = Reporter(table, known), Ends(spec)
    sides = _both_ends(table, known, ends, report)
    ways = table.source(WAY)
    fill_down(ways, table.rows, table.block_of, table.any_reading)
    unknown = flaw("unknown-way", "it isn't clear how the distance was taken", ", ".join(WAYS), "Write one of these")
    way = _settled(ways, way_of, report, "way", unknown)
    first_pin, second_pin, both_pins = (_pins(table, word, report) for word in (PIN[FIRST], PIN[SECOND], PINS))
    pins = [np.where(np.isnan(pin), both_pins, pin) for pin in (first_pin, second_pin)]
    _same_pins(table, known, sides, pins)
    what = [*sides, way, *(np.where(np.isnan(pin), "", pin.astype(object)) for pin in pins)]
    numbered = np.column_stack([np.unique(each.astype(str), return_inverse=True)[1] for each in what])
    _, rows, inverse = np.unique(numbered, axis=0, return_index=True, return_inverse=True)
    distinct = np.empty(rows.size, dtype=object)
    for n, row in enumerate(rows.tolist()):
        one, other = str(sides[0][row]), str(sides[1][row])
        both = (
            float("nan") if end.startswith(EDGE) else float(pin[row])
            for end, pin in zip((one, other), pins, strict=True)
        )
        distinct[n] = Distance(one, other, str(way[row]), "", tuple(both)) if one and other else None  # type: ignore[arg-type]
    same = (sides[0] == sides[1]) & (sides[0] != "") & table.any_reading
    _mark(table, known, same, flaw("same-end", "the distance has the same end twice", ends.allowed, "Name two ends"))
    return distinct[inverse.ravel()]


def _same_pins(table: Table, known: Rows, sides: list[Array], pins: list[FloatArray]) -> None:
    """Give a hole without a pin beside it the pin that other rows of its part and wall name for it, where it is one."""
    codes, end = np.unique(np.concatenate(sides).astype(str), return_inverse=True)
    key = (end * 1_000_003 + np.tile(known.serial, 2)) * 64 + np.tile(known.part, 2) * 8 + np.tile(known.wall, 2)
    pin = np.concatenate(pins)
    group = np.unique(key, return_inverse=True)[1]
    low, high = (np.full(group.max(initial=0) + 1, fill) for fill in (np.inf, -np.inf))
    named = ~np.isnan(pin)
    np.minimum.at(low, group[named], pin[named])
    np.maximum.at(high, group[named], pin[named])
    hole = np.isin(codes, [c for c in codes if c and not c.startswith(EDGE)])[end]
    taken = hole & ~named & (np.abs(high - low) < SAME_PIN)[group]
    pin[taken] = low[group[taken]]
    pins[:] = np.split(pin, 2)
    rows = np.flatnonzero((taken[: taken.size // 2] | taken[taken.size // 2 :]) & table.any_reading)
    if rows.size:
        issue = note("same-pin", f"{int(taken.sum())} pins aren't said: taken as those of the same holes in other rows")
        table.context.say(issue, "blank", int(table.rows[rows[0]]), table.first_column(int(rows[0])))


def _both_ends(table: Table, known: Rows, ends: Ends, report: Reporter) -> list[Array]:
    """Return the first and the second end of each row (r,), '' where it isn't known."""
    unknown = flaw("unknown-end", "the kit has no such hole or edge", ends.allowed, "Correct the hole or the edge")
    if table.fields(BOTH) and not table.fields(FIRST):
        found = table.source(BOTH)
        both = [parted(label, ends.match) for label in found.labels]
        report.report(found, [Match(issue=None if len(p) == 2 else unknown) for p in both], "ends", unusable=True)
        _missing(table, known, found)
        pairs = [p if len(p) == 2 else ["", ""] for p in both] + [["", ""]]
        return [np.array([p[n] for p in pairs], dtype=object)[found.codes] for n in (0, 1)]
    out = []
    for word in (FIRST, SECOND):
        found = table.source(word)
        if word == FIRST:  # written once over the distances that start there
            fill_down(found, table.rows, table.block_of, table.any_reading)
            report.filled_down({"first end": found})
        out.append(_settled(found, ends.match, report, "end", unknown))
        _missing(table, known, found)
    return out


def _settled(found: Source, match: Callable[[Content], str], report: Reporter, word: str, unknown: Problem) -> Array:
    """Return what each row's label means (r,), '' where it says nothing; labels that mean nothing are reported."""
    named = [match(label) for label in found.labels]
    report.report(found, [Match(issue=None if name else unknown) for name in named], word, unusable=True)
    return np.array([*named, ""], dtype=object)[found.codes]


def _missing(table: Table, known: Rows, found: Source) -> None:
    _mark(table, known, ~found.said() & table.any_reading,
          flaw("end-missing", "a distance names only one of its ends", "two ends", "Write both"))  # fmt: skip


_NO_PIN_THERE = {"", "-", "–", "—", "none", "keine", "aucune", "ninguno"}


def _pins(table: Table, word: str, report: Reporter) -> FloatArray:
    """Return the pin's diameter that each row names (r,) [kit unit], NaN where it names none."""
    spec, context = table.context.spec, table.context
    found, columns = table.source(word), table.fields(word)
    stated = table.meanings[columns[0]].unit if columns else ""
    hand = spec.plan.distances.pins if spec.plan.distances else ()
    largest = max(h.size.upper for h in spec.holes)
    values, matches = [], []
    for label in found.labels:
        if text_of(label).strip().casefold() in _NO_PIN_THERE:
            values.append(np.nan)
            matches.append(Match())
            continue
        typed = length_of(label, context.decimal)
        unit = next(u for u in (typed.unit, stated, context.unit, spec.unit) if u in UNIT_CODES[1:])
        value = float(convert(typed.value, unit, spec.unit)) if unit != spec.unit else typed.value
        issue = typed.issue
        if issue is None and not 0.0 < value < largest:
            allowed = f"below {largest:g} {spec.unit}"
            issue = flaw("measuring-pin-size", "no such pin enters the holes", allowed, "Correct the pin's diameter")
        elif issue is None and hand and not any(abs(value - pin) < SAME_PIN for pin in hand):
            issue = flaw("unknown-measuring-pin", "the kit lists no such pin, so its diameter isn't known to be right",
                          f"pins {', '.join(f'{p:g}' for p in hand)}",
                          "Correct it, or list the pin under plan.distance_pins")  # fmt: skip
        values.append(value)
        matches.append(Match(issue=issue))
    report.report(found, matches, "pin", unusable=True)
    return np.array([*values, np.nan])[found.codes]


def _mark(table: Table, known: Rows, rows: Array, issue: Problem) -> None:
    """Report a doubt of some rows (r,) and give it to their readings."""
    at = np.flatnonzero(rows)
    if not at.size:
        return
    context = table.context
    code = context.draft.issue_code(issue)
    context.draft.reported.add(code)
    known.issue[at] = np.where(known.issue[at] == 0, code, known.issue[at])

    def make(row: int) -> Problem:
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial)))
        place, column = int(table.rows[row]), table.first_column(row)
        return context.problem(issue, repr(text_of(context.sheet.grid.cell(place, column))), place, column, **tied)

    context.collector.cells(at.tolist(), make)


def add_ends(table: Table, distances: Array, chunk: dict[str, Array], row_of: IntArray) -> None:
    """Say in a chunk of readings (n,) what each distance is of: ends and way, its first hole, a number for the rest.

    ``distances`` (r,) as `read_ends` gives them, ``row_of`` (n,): the table's row of each reading. The way is that of
    the row, else that of the column's heading; without either it is over pins where pins are named.
    """
    draft, place = table.context.draft, places_of(table.context.spec)
    texts = np.array([d.text if d is not None else "" for d in distances])
    _, code = np.unique(texts, return_inverse=True)
    pairs = np.column_stack([code[row_of], chunk["column"]])
    _, first, inverse = np.unique(pairs, axis=0, return_index=True, return_inverse=True)
    settled = np.zeros((first.size, 4), dtype=np.int64)  # ends, hole, number of the rest, issue
    for n, at in enumerate(first.tolist()):
        found: Distance | None = distances[row_of[at]]
        if found is None:
            settled[n] = -1, -1, -1, draft.issue_code(_NO_ENDS)
            continue
        whole, issue = _whole(table, found, table.meanings[int(chunk["column"][at]) - 1].ask)
        hole = place[whole.first] if not whole.first.startswith(EDGE) else -1
        number = place[whole.second] * len(WAYS) + WAYS.index(whole.way)
        settled[n] = draft.ends.code(whole.text), hole, number, draft.issue_code(issue)
    ends, hole, number, issue = settled[inverse.ravel()].T
    chunk["ends"], chunk["hole"] = ends, hole
    chunk["direction"] = np.where(number < 0, np.nan, number)
    chunk["issue"] = np.where(chunk["issue"] == 0, issue, chunk["issue"])


def _whole(table: Table, found: Distance, way: str) -> tuple[Distance, Problem | None]:
    """Return a distance with its way and pins settled, its ends in the order of the kit, and what isn't clear of it."""
    spec = table.context.spec
    plan, place = spec.plan.distances, places_of(spec)
    way = found.way or way or ("" if np.isnan(found.pins).all() else OVER_PINS)
    only = plan.pins[0] if plan is not None and len(plan.pins) == 1 else float("nan")
    ends = [(found.first, found.pins[0]), (found.second, found.pins[1])]
    if way in PINNED:
        ends = [(end, pin if end.startswith(EDGE) or pin == pin else only) for end, pin in ends]
    else:
        ends = [(end, float("nan")) for end, _ in ends]
    issue = _NO_WAY if not way else None
    if way in PINNED and any(pin != pin and not end.startswith(EDGE) for end, pin in ends):
        issue = _NO_PIN
    (first, one), (second, other) = sorted(ends, key=lambda end: place[end[0]])  # one name for one distance
    return Distance(first, second, way or OVER_PINS, "", (one, other)), issue


_NO_ENDS = flaw("end-missing", "a distance without two ends that the kit knows", "two ends", "Write both")
_NO_WAY = warning("way-missing", "it isn't said how the distance was taken", ", ".join(WAYS), "Write the way beside it",
                  holds=True)  # fmt: skip
_NO_PIN = warning("measuring-pin-missing", "the distance was taken over pins, and no pin's diameter is said",
                  "the diameter of the pin", "Write the pin beside it, or list it under plan.distance_pins",
                  holds=True)  # fmt: skip
