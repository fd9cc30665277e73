"""The sentences about what is held by readings that prove nothing: doubtful cells, plugs that contradict, gauges,
temperatures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.inspection.causes import CAUSES, DAY_TO_COME, MEANING
from holeqc.inspection.days import TO_COME
from holeqc.inspection.gauges import gauge_of
from holeqc.inspection.phrases import Row, contradiction, hole_words, place_of, plug_entered, rows_of
from holeqc.inspection.results import HOLD, Reason
from holeqc.inspection.spans import capital, cell_words, hole_numbers, joined, listed, span_words
from holeqc.inspection.temperature import ACTION
from holeqc.readings.table import ENTERS, cell_name

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.problems import Problem
    from holeqc.specification.model import Gauge

#: causes that touch many readings at once, and what to do about them
UNPROVED = {
    "no-uncertainty": "State the gauge's uncertainty in the kit file.",
    "no-gauge": "Name the gauge on the sheet, or a default in the kit file.",
    "unknown-gauge": "Name a gauge of the kit, or add the gauge to the kit file.",
    "gauge-expired": "Read again with a gauge that is in calibration.",
    "day-to-come": "Correct the date of the reading; calibration is judged by it.",
    "no-temperature": "Write the part's temperature on the sheet.",
    "unknown-part": "Name the part as the kit does.",
    "temperature-left-out": ACTION,
}

#: readings that a characteristic rests on, the nearest first
FEEDS = {
    "size": ("diameter", "plug"), "out-of-roundness": ("diameter",), "taper": ("diameter",),
    "position": ("x", "y", "diameter", "plug"), "hole-to-hole position": ("x", "y", "diameter", "plug"),
    "edge distance": ("edge_distance", "x", "y", "diameter"), "surface": ("surface",), "GO": ("go",),
    "NO-GO": ("no_go",),
}  # fmt: skip
_LOOK = "Look at the reading and check the sheet again."


@dataclass(frozen=True, slots=True)
class Culprit:
    """A doubted reading: what of, and its cell; ``problem`` the one that says what is wrong with it."""

    hole: str
    wall: str
    characteristic: str
    doubt: str
    label: int
    file: str
    sheet: str
    cell: str
    problem: Problem | None

    @property
    def place(self) -> str:
        """Its cell as ``Sheet1!F9``, ``F9`` in a CSV."""
        return f"{self.sheet}!{self.cell}" if self.sheet else self.cell


def culprits(inspection: Inspection, part: str, serial: str) -> list[Culprit]:
    """Return the doubted readings of a part in the order in which they stand, each with its problem."""
    table = inspection.readings.table
    mine = table[rows_of(table, part, serial) & np.asarray(table["doubt"] != "")]
    by_code: dict[str, list[Problem]] = {}
    for problem in inspection.problems:
        if problem.serial in ("", serial) and problem.part in ("", part):
            by_code.setdefault(problem.code, []).append(problem)
    return [_culprit(row, int(label), by_code) for label, row in zip(mine.index, mine.to_dict("records"), strict=True)]


def _culprit(row: Mapping[Any, Any], label: int, by_code: Mapping[str, list[Problem]]) -> Culprit:
    cell = cell_name(int(row["row"]), int(row["column"]))
    hole, doubt, file, sheet = (str(row[name]) for name in ("hole", "doubt", "file", "sheet"))
    same = by_code.get(doubt, [])
    problem = _problem_of(same, hole, file, sheet, cell)
    if problem is not None and problem.counted and problem.sheet == sheet:
        problem = problem.of_cell(
            str(row["typed"]), same, sheet=sheet, cell=cell, part=str(row["part"]), serial=str(row["serial"])
        )
    return Culprit(
        hole, str(row["wall"]), str(row["characteristic"]), doubt, label, file, sheet, cell, problem
    )  # fmt: skip


def _problem_of(same: Sequence[Problem], hole: str, file: str, sheet: str, cell: str) -> Problem | None:
    """Return the problem behind a doubt: that of the cell, else of the hole, the column, the file."""
    column = cell.rstrip("0123456789")
    tests = (
        lambda p: (p.sheet, p.cell) == (sheet, cell) and p.file in ("", file),
        lambda p: bool(p.hole) and p.hole == hole and p.sheet == sheet and p.cell.rstrip("0123456789") == column,
        lambda p: bool(p.hole) and p.hole == hole,
        lambda p: not p.hole and p.sheet == sheet and p.cell.rstrip("0123456789") == column,
        lambda p: not p.hole and p.file in ("", file),
    )
    for test in tests:
        for problem in same:
            if test(problem):
                return problem
    return None


def doubted(inspection: Inspection, rows: Sequence[Row], found: Sequence[Culprit], *, together: bool) -> Iterator[
    tuple[Reason, Problem | None]
]:  # fmt: skip
    """Give a reason for everything that one problem holds, hole by hole or (``together``) in all holes at once.

    ``rows``: characteristics of a part held by doubts of the reader; ``found``: the part's doubted readings.
    """
    groups: dict[object, list[tuple[Row, Culprit | None]]] = {}
    for row in rows:
        culprit = _behind(row, found)
        problem = culprit.problem if culprit is not None else None
        key: object = problem if problem is not None else (row["cause"], "" if culprit is None else culprit.place)
        if together:
            key = row["cause"] if problem is None else problem.anywhere
        groups.setdefault(key if together else (row["hole"], key), []).append((row, culprit))
    alike: dict[object, dict[str, None]] = {}
    for problem in {id(c.problem): c.problem for c in found if together and c.problem is not None}.values():
        alike.setdefault(problem.anywhere, {})[problem.spot] = None
    for key, members in groups.items():
        reason, first = _doubt(inspection, members)
        if together and first is not None and first.cell:
            reason = with_cells(reason, sorted(alike[key], key=_column_first))
        yield reason, first


def with_cells(reason: Reason, cells: Sequence[str]) -> Reason:
    """Return a reason that names all the cells of which it says the same; as it is for one cell."""
    if len(cells) < 2:
        return reason
    head = reason.sentence.removesuffix(f" ({reason.cell}).")
    return replace(reason, sentence=f"{head} ({cell_words(cells)}).", cell=cells[0], cells=tuple(cells))


def _column_first(cell: str) -> tuple[str, int, str, int]:
    sheet, _, name = cell.rpartition("!")
    column = name.rstrip("0123456789")
    return sheet, len(column), column, int(name[len(column) :] or 0)


def _behind(row: Row, found: Sequence[Culprit]) -> Culprit | None:
    """Return the doubted reading that holds a row: of its kind, in its wall before other walls."""
    feeds = FEEDS.get(str(row["characteristic"]), ())
    ours = [c for c in found if c.doubt == row["cause"] and c.hole == row["hole"] and c.characteristic in feeds]
    if not ours:
        return None
    return min(
        ours, key=lambda c: (c.label != row["reading"], c.wall not in (row["wall"], ""), feeds.index(c.characteristic))
    )  # fmt: skip


def _doubt(inspection: Inspection, members: Sequence[tuple[Row, Culprit | None]]) -> tuple[Reason, Problem | None]:
    spec = inspection.specification
    rows = [row for row, _ in members]
    known = {c.label: c for _, c in members if c is not None}
    places = [(c.hole, c.wall) for c in known.values()] or [(str(r["hole"]), str(r["wall"])) for r in rows]
    one = len(known) <= 1
    text = f"{span_words(spec, places)}: {'a doubtful reading holds' if one else 'doubtful readings hold'} "
    text += _names(inspection, rows)
    first = next(iter(known.values()), None)
    cell = first.place if first is not None else place_of(inspection, rows[0]["reading"])
    problem = first.problem if first is not None else None
    action = _LOOK
    if problem is not None:
        text += f": {problem.message}"
        text += f", found {problem.found}" if problem.found else ""
        text += f", allowed {problem.allowed}" if problem.allowed else ""
        action = problem.action or action
        if problem.cell:  # it may speak of a field or a column, or of the later one of two readings
            cell = problem.spot
    hole = places[0][0] if len({h for h, _ in places}) == 1 else ""
    wall = places[0][1] if len(set(places)) == 1 else ""
    name = str(rows[0]["characteristic"]) if hole else ""
    return Reason(HOLD, text + (f" ({cell})." if cell else "."), hole, wall, name, cell, action), problem


def _names(inspection: Inspection, rows: Sequence[Row]) -> str:
    """Return which characteristics are held, ``everything`` where nothing else is judged on the part."""
    names = list(dict.fromkeys(str(row["characteristic"]) for row in rows))
    frame = inspection.characteristics
    mine = frame["characteristic"][rows_of(frame, str(rows[0]["part"]), str(rows[0]["serial"]))]
    return "everything" if len(names) > 3 and set(mine.unique()) <= set(names) else listed(names)


def contradicted(inspection: Inspection, rows: Sequence[Row]) -> Iterator[Reason]:
    """Give the reasons of one hole where plug and readings exclude one another: each contradiction once, and what
    else rests on such readings beside the first.

    ``rows``: characteristics of the hole that are held by a contradiction.
    """
    leads: list[Row] = []
    rest: list[Row] = []
    sizes = {str(r["wall"]) for r in rows if r["characteristic"] == "size" and plug_entered(inspection, r)}
    for row in rows:
        name = str(row["characteristic"])
        told = name == "GO" and row["found_word"] == ENTERS and str(row["wall"]) in sizes
        (leads if name in {"size", "GO", "NO-GO"} and not told else rest).append(row)
    if not leads:
        leads, rest = list(rows[:1]), list(rows[1:])
    for number, row in enumerate(leads):
        said = contradiction(inspection, row)
        text = f"{hole_words(inspection, row)}: {said.text}"
        if not number and rest:
            text += f"; {joined(str(r['characteristic']) for r in rest)} can't be decided until then"
        cell = place_of(inspection, row["reading"])
        text += f" ({cell})." if cell else "."
        yield Reason(HOLD, text, row["hole"], row["wall"], row["characteristic"], cell, said.action)


def unproved(inspection: Inspection, rows: Sequence[Row]) -> Iterator[tuple[Reason, Problem | None]]:
    """Give a reason for everything on a part that one cause holds, such as a gauge out of date; one a gauge."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        cause = str(row["cause"])
        gauge = ""
        if cause == "gauge-expired":
            gauge, label = _gauge(inspection, row, rows)
            row = row if label < 0 else {**row, "reading": label}
        groups.setdefault((cause, gauge), []).append(row)
    for (cause, gauge), members in groups.items():
        yield _proves_nothing(inspection, cause, gauge, members)


def _proves_nothing(
    inspection: Inspection, cause: str, gauge: str, rows: Sequence[Row]
) -> tuple[Reason, Problem | None]:
    holes = list(dict.fromkeys(str(row["hole"]) for row in rows))
    text = f"{joined(str(row['characteristic']) for row in rows)} of hole{'s' if len(holes) > 1 else ''} "
    text += f"{hole_numbers(inspection.specification, holes)} can't be decided: {MEANING[cause]}"
    row = next((r for r in rows if r["reading"] >= 0), None)
    cell = place_of(inspection, row["reading"]) if row is not None else ""
    problem = None
    if row is not None and gauge:
        text += _expired(inspection, row, gauge)
    elif cause != "gauge-expired":
        problem = _told_by_reader(inspection, cause, rows[0])
    if problem is not None:
        text += f", found {problem.found}" if problem.found else ""
        text += f", allowed {problem.allowed}" if problem.allowed else ""
        if problem.cell:
            cell = problem.spot
    text = capital(text) + (f" ({cell})" if cell else "")
    return Reason(HOLD, f"{text}.", holes[0] if len(holes) == 1 else "", "", "", cell, UNPROVED[cause]), problem


def _told_by_reader(inspection: Inspection, cause: str, row: Row) -> Problem | None:
    """Return the one problem of the files that says the same of a part, None where there are none or several."""
    code = TO_COME if cause == CAUSES[DAY_TO_COME] else cause
    same = [
        p for p in inspection.problems
        if p.code == code and p.cell and p.serial in ("", str(row["serial"])) and p.part in ("", str(row["part"]))
    ]  # fmt: skip
    return same[0] if len(same) == 1 else None


def _gauge(inspection: Inspection, row: Row, rows: Sequence[Row]) -> tuple[str, int]:
    """Return the id of the gauge that holds a row, and the label of a reading of it, -1 where none is known.

    Form has the gauge of a size, a distance worked out that of a place. A position rests on diameters too: where the
    gauge of its coordinates is in calibration, it is the gauge of another reading of the hole.
    """
    label = int(row["reading"])
    feeds = FEEDS.get(str(row["characteristic"]), ())
    if label < 0:
        known = [r for r in rows if r["reading"] >= 0]
        same = (r for feed in feeds for r in known if feed in FEEDS.get(str(r["characteristic"]), ())[:2])
        label = next((int(r["reading"]) for r in same), -1)
    table = inspection.readings.table
    gauge = _gauge_behind(inspection, table.loc[label]) if label >= 0 else None
    name = "" if gauge is None else gauge.id
    if label >= 0 and _past(gauge, table.loc[label]):
        return name, label
    mine = table[rows_of(table, str(row["part"]), str(row["serial"])) & np.asarray(table["hole"] == str(row["hole"]))]
    for feed in feeds:
        for other, reading in mine[np.asarray(mine["characteristic"] == feed)].iterrows():
            gauge = _gauge_behind(inspection, reading)
            if gauge is not None and _past(gauge, reading):
                return gauge.id, int(str(other))
    return name, label


def _gauge_behind(inspection: Inspection, reading: Any) -> Gauge | None:
    index, _ = gauge_of(inspection.specification, str(reading["gauge"]), str(reading["characteristic"]))
    return inspection.specification.gauges[index] if index >= 0 else None


def _past(gauge: Gauge | None, reading: Any) -> bool:
    """Whether a reading's gauge was due before its day; without a clear day it may have been."""
    day, due = reading["date"], gauge.calibration_due if gauge is not None else None
    return due is not None and (day != day or day.date() > due)


def _expired(inspection: Inspection, row: Row, gauge: str) -> str:
    """Return which gauge, the day of the reading and the day on which the calibration ended."""
    reading = inspection.readings.table.loc[row["reading"]]
    due = next(g.calibration_due for g in inspection.specification.gauges if g.id == gauge)
    day = reading["date"]
    read = f"read on {day:%Y-%m-%d}" if day == day else "day of the reading not clear"
    return f": {gauge}, {read}, due {due}"
