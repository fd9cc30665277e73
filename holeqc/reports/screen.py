"""The short answer on the screen: verdict, holes, why and what to do first; the verdict again as the last line.

As wide as the terminal between 40 and 100 columns. Imports neither pandas nor matplotlib.
"""

from __future__ import annotations

import dataclasses
import math
import os
import shutil
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

from holeqc.characteristics import JUDGED, READ
from holeqc.inspection.reasons import open_places, waiting_holes
from holeqc.inspection.results import (
    ACCEPT,
    HOLD,
    REJECT,
    capital,
    cell_words,
    column_number,
    count_words,
    hole_numbers,
    listed,
    span_words,
)
from holeqc.inspection.view import PartView, Run, alike, all_cells, with_counted
from holeqc.printing import is_terminal
from holeqc.problems import NOTE, Problem
from holeqc.quantities import CALCULATED
from holeqc.reports import blocks as w
from holeqc.specification.words import limits_line
from holeqc.tables import Row

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection, Reason
    from holeqc.readings.table import ColumnUse, Source
    from holeqc.specification.model import Specification


# How the columns of each sheet were understood, in words: in a line or two on the screen, in full in a report.
#
# What a column was taken for is the first thing that an inspector checks: a verdict is only as good as the reading of
# the
# sheet. Sheets that were read in one and the same way are told together.


TITLE = "How their columns were understood"  #: heading over the tables of a report
LINES = 2  #: so many lines of the screen a sheet takes, but where even its shortest wording needs more
LAYOUTS = 6  #: so many ways of reading a sheet are told on the screen
LAYOUTS_IN_FULL = 40  #: so many stand in a report; all of them in the workbook and the data
NAME, HEADING = 34, 24  #: letters of a file's name and of a heading on the screen
_OWN = {"Hole", "Lower limit", "Upper limit"}  #: headings that each blank sheet of ours has
_ROWS = 1_000_000  #: rows are numbered from here, so that none is a neighbour of a column
_RUN = 3  #: so many neighbours that differ in their hole, serial number or repeat alone are told together

_BRIEF = {
    **{c.word: c.brief for c in READ if c.brief}, "go_no_go": "GO and NO-GO", "": "readings",
}  # fmt: skip
_FULL = _BRIEF | {"diameter": "diameter", "": "readings of what the row says"}
_FIELDS = {
    "hole": "hole", "wall": "wall", "serial": "serial", "part": "part", "characteristic": "what is read",
    "direction": "direction", "trial": "repeat", "unit": "unit", "gauge": "gauge", "date": "date", "by": "read by",
    "note": "remarks", "temperature_c": "temperature", "value": "readings",
}  # fmt: skip
_FIELDS_FULL = {
    "hole": "which hole", "wall": "which wall", "serial": "serial number", "characteristic": "what was read",
    "trial": "which repeat", "by": "who read it",
}  # fmt: skip
_WHY = {
    "limit": "a limit of the drawing", "nominal or basic": "the drawing's nominal or basic dimension",
    "average or the like": "an average or the like: each reading is judged",
    "smallest or largest": "smallest or largest: each reading is judged", "deviation": "the thing itself was read",
    "computed": "worked out from others", "verdict": "a check or verdict: it is worked out anew",
    "earlier reading": "an earlier reading, not as the hole is now", "unknown heading": "the heading isn't known",
    "no heading": "no heading says what it is", "not a reading": "the heading names no reading",
}  # fmt: skip
#: fields that decide what a reading is of; the others may be left out where the screen is narrow
_DECIDING = ("hole", "wall", "serial", "part", "characteristic", "direction", "trial", "unit")
#: reasons that say little without the heading
_QUOTED = ("unknown heading", "no heading", "not a reading")
_BRIEF_REASONS = {"nominal or basic": "nominal", "average or the like": "average", "smallest or largest": "extreme"}


@dataclass(frozen=True, slots=True)
class SheetRead:
    """One sheet that was read: its file, its name, whether it is a blank sheet of ours filled in, its columns."""

    file: str
    sheet: str
    own: bool
    columns: tuple[ColumnUse, ...]

    @property
    def layout(self) -> tuple[object, ...]:
        """What sheets that were read in the same way have in common."""
        told = (replace(use, heading="") if _is_cell(use) else use for use in self.columns)
        return (self.own, *(replace(use, sheet="", cells=min(use.cells, 1)) for use in told))


def sheets_read(sources: Iterable[Source]) -> list[list[SheetRead]]:
    """Return the sheets of some files, those read in the same way together, in the order of the files."""
    alike: dict[object, list[SheetRead]] = {}
    for source in sources:
        sheets: dict[str, list[ColumnUse]] = {}
        for use in source.columns:
            sheets.setdefault(use.sheet, []).append(use)
        for name, columns in sheets.items():
            own = bool(source.kit_id) and {use.heading for use in columns} >= _OWN
            one = SheetRead(source.file, name if len(sheets) > 1 else "", own, tuple(columns))
            alike.setdefault(one.layout, []).append(one)
    return list(alike.values())


# ------------------------------------------------------------------------------------------------------- the screen


def screen_lines(run: Run, width: int) -> list[str]:
    """Return a line or two for each way in which sheets were read: what each column is, and what isn't read and why."""
    groups = sheets_read(run.inspection.readings.sources)
    lines: list[str] = []
    for group in groups[:LAYOUTS]:
        lines += _sheet_lines(group[0], run.specification, width)
        if others := group[1:]:
            names = dict.fromkeys(w.shorten(w.file_name(s.file), NAME) for s in (others[0], others[-1]))
            text = f"read the same way: {w.plural(len(others), 'more sheet')} ({' to '.join(names)})"
            lines.append(w.shorten(text, width))
    if left := groups[LAYOUTS:]:
        count = w.plural(sum(map(len, left)), "more sheet")
        lines.append(w.shorten(f"read  {count} in other ways; all columns: --out or --json", width))
    return lines


def _sheet_lines(sheet: SheetRead, spec: Specification, width: int) -> list[str]:
    name = w.shorten(w.file_name(sheet.file), NAME)
    name += f", {w.shorten(w.plain(sheet.sheet), 16)}" if sheet.sheet else ""
    lines: list[str] = []
    for text in _wordings(sheet, spec):
        for whole in (text, text.replace(_GLUE, " ")):
            lines = _wrapped(f"{name}: {whole}", width)
            if len(lines) <= LINES:
                return lines
    return lines


def _wrapped(text: str, width: int) -> list[str]:
    lines = textwrap.wrap(text, width, initial_indent="read  ", subsequent_indent=" " * 6, break_on_hyphens=False)
    return [line.replace(_GLUE, " ") for line in lines]


_GLUE = "\x00"  #: holds a column and its meaning in one line


def _wordings(sheet: SheetRead, spec: Specification) -> Iterator[str]:
    """Give what is said of a sheet, from all its columns to their number: what isn't read comes with why in each."""
    uses = sheet.columns
    count = max((use.cells for use in uses if use.field == "hole"), default=0)
    start = f"our sheet, {w.plural(count, 'row')}: " if sheet.own else ""
    readings = [use for use in uses if use.use == "reading"]
    fields = [use for use in uses if use.use == "field" and (use.cells or use.field in _DECIDING) and not sheet.own]
    deciding = [use for use in fields if use.field in _DECIDING]
    # of its own columns that nobody fills in, a sheet of ours needs no account
    unread = [use for use in uses if use.use == "not used" and (not sheet.own or use.reason in _QUOTED)]
    every = [use for use in deciding if _is_cell(use)]
    places = [use for use in every if use.field in ("hole", "wall")]
    fields, deciding = ([use for use in some if not _is_cell(use)] for some in (fields, deciding))
    if cards := _of_cards(readings, spec):
        yield start + _sentence([*_of_cells(every), *cards], _of_unread(unread))
        yield start + _sentence([*_of_cells(places), *cards], _of_unread(unread, quote=False, brief=True), brief=True)
    for how, used, cells in (
        (_each, fields, every), (_each, deciding, every), (_each, deciding, places), (_each, [], places),
        (_in_runs, deciding, places), (_in_runs, [], places),
    ):  # fmt: skip
        shown = [use for use in uses if use in readings or use in used]
        brief = how is _in_runs
        told = [*_of_cells(cells), *how(shown, spec)]
        yield start + _sentence(told, _of_unread(unread, brief=brief), brief=brief)
    for quote in (True, False):
        yield start + _sentence(_by_meaning(readings), _of_unread(unread, quote=quote, brief=True), brief=True)
    columns = places_words([use.place for use in readings], 3)
    reasons = listed(_reason(use).removesuffix(" heading") for use in unread)
    rest = [f"{w.plural(len(unread), 'column')} ({reasons})"] if unread else []
    yield start + _sentence([f"{w.plural(len(readings), 'column')} of readings ({columns})"], rest, brief=True)


def _of_cards(readings: Sequence[ColumnUse], spec: Specification) -> list[str]:
    """Return which holes have a card of their own, and once what stands on a card; nothing where there are no cards."""
    cards = [use for use in readings if use.hole and not use.characteristic]
    columns = list(dict.fromkeys(use.place for use in cards))
    if len(columns) == len(cards):
        return []
    holes = hole_numbers(spec, list(dict.fromkeys(use.hole for use in cards)))
    rows = dict.fromkeys(_words(use, spec) for use in readings if use.place not in columns)
    return [f"a card each for holes {holes} in {places_words(columns)}", *rows]


def _is_cell(use: ColumnUse) -> bool:
    """Whether a single cell says it and no column: ``B1`` beside Serial, ``A12`` with FAR WALL."""
    return use.use == "field" and use.place[-1:].isdigit() and not use.place.startswith("row")


def _of_cells(uses: Sequence[ColumnUse]) -> list[str]:
    """Return what single cells say of the rows below them: ``B1 serial, A4, A13 wall``."""
    places: dict[str, list[str]] = {}
    for use in uses:
        places.setdefault(_field(use), []).append(use.place)
    words: dict[str, list[str]] = {}
    for word, cells in places.items():
        words.setdefault(cell_words(cells, 3), []).append(word)
    return [f"{cells} {' and '.join(some)}" for cells, some in words.items()]


def _sentence(read: Sequence[str], unread: Sequence[str], *, brief: bool = False) -> str:
    told, rest = (", ".join(_kept_whole(item) for item in items) for items in (read, unread))
    told = told or "no column of readings"
    return f"{told}; not {'read' if brief else 'readings'}: {rest}" if rest else told


def _kept_whole(item: str) -> str:
    """Return a column and its meaning as text that isn't broken at the end of a line, unless it is long."""
    text = w.plain(item)
    return text.replace(" ", _GLUE) if len(text) <= NAME else text


def _field(use: ColumnUse) -> str:
    return _FIELDS.get(use.field, use.field.replace("_", " "))


def _each(uses: Sequence[ColumnUse], spec: Specification) -> list[str]:
    """Return each column with its meaning; neighbours that differ in one number alone as a span."""
    out: list[str] = []
    start = 0
    while start < len(uses):
        end, vary = start + 1, ""
        for name in ("hole", "serial", "trial"):
            stop = start + 1
            while stop < len(uses) and _differ_in(uses[stop - 1], uses[stop]) == name:
                stop += 1
            if stop > end:
                end, vary = stop, name
        if end - start >= _RUN:
            out.append(_span(uses[start:end], vary, spec))
        else:
            end = start + 1
            out.append(f"{uses[start].place} {_words(uses[start], spec)}")
        start = end
    return out


def _in_runs(uses: Sequence[ColumnUse], spec: Specification) -> list[str]:
    """Return neighbours with their meanings one behind another: ``C-G near 0° 90°, far 0° 90°, x``."""
    out: list[str] = []
    for _, group in groupby(enumerate(uses), key=lambda item: (item[1].use, _run_of(item[1], item[0]))):
        run = [use for _, use in group]
        apart = run[0].place.startswith("rows ")  # rows of several cards: their numbers say little
        alone = len(run) < _RUN or _number(run[0].place) < 0 or len(_each(run, spec)) < len(run)
        if alone and not apart:
            out += _each(run, spec)
            continue
        told: list[str] = []
        for wall, members in groupby(run, key=lambda use: use.wall):
            words = [_words(use, spec) for use in members]
            told += [" ".join([words[0], *(text.removeprefix(f"{wall} ") for text in words[1:])])] if wall else words
        where = "rows with" if apart else _reach(run[0].place, run[-1].place, "-")
        out += [f"{where} {told[0]}", *told[1:]]
    return out


def _run_of(use: ColumnUse, number: int) -> int:
    return 0 if use.place.startswith("rows ") else _number(use.place) - number


def _words(use: ColumnUse, spec: Specification) -> str:
    return brief_words(use, spec) if use.use == "reading" else _field(use)


def _meaning(use: ColumnUse) -> dict[str, object]:
    names = ("use", "field", "characteristic", "wall", "direction", "trial", "unit", "hole", "serial", "reason")
    return {name: getattr(use, name) for name in names} | {"blank": not use.cells}


def _differ_in(one: ColumnUse, other: ColumnUse) -> str:
    """Return in what two neighbours differ, where it is one thing alone."""
    if _number(other.place) != _number(one.place) + 1:
        return ""
    first, second = _meaning(one), _meaning(other)
    names = [name for name in first if first[name] != second[name]]
    return names[0] if len(names) == 1 else ""


def _number(place: str) -> int:
    """Return the number of a column from its letters, of a row beyond all columns; -9 for what has no neighbours."""
    if place.startswith("row ") and place[4:].isdecimal():
        return _ROWS + int(place[4:])
    return column_number(place) if place.isascii() and place.isalpha() and place.isupper() else -9


def _reach(first: str, last: str, to: str = " to ") -> str:
    """Return neighbours from first to last: ``C to F``, ``rows 5 to 9``."""
    return f"rows {first[4:]}{to}{last[4:]}" if first.startswith("row ") else f"{first}{to}{last}"


def _span(uses: Sequence[ColumnUse], vary: str, spec: Specification) -> str:
    values = [str(getattr(use, vary)) for use in uses]
    if vary == "hole":
        which = f"holes {hole_numbers(spec, values)}"
    else:
        which = f"{'serials' if vary == 'serial' else 'repeats'} {values[0]} to {values[-1]}"
    common = brief_words(uses[0], spec, leave_out=vary)
    return f"{_reach(uses[0].place, uses[-1].place)} {which}" + ("" if common == _BRIEF[""] else f" {common}")


def brief_words(use: ColumnUse, spec: Specification, leave_out: str = "") -> str:
    """Return what a reading column holds in as few words as say it: ``near 0°``, ``x``, ``hole 3 far dia``."""
    words = [] if leave_out == "hole" or not use.hole else [f"hole {use.hole}"]
    words += [] if leave_out == "serial" or not use.serial else [use.serial]
    words += [use.wall] if use.wall else []
    placed = use.direction is not None and (use.wall or use.hole)
    named = use.characteristic or ("diameter" if use.direction is not None else "")
    if not (named == "diameter" and placed) and (named or not words):
        words.append(_BRIEF.get(named, named.replace("_", " ")))
    words += [f"{use.direction:g}°"] if use.direction is not None else []
    words += [f"repeat {use.trial}"] if use.trial and leave_out != "trial" else []
    words += [use.reason] if use.reason else []
    words += [f"[{use.unit}]"] if use.unit not in ("", spec.unit) else []
    words += [] if use.cells else ["(blank)"]
    return " ".join(words)


def _by_meaning(uses: Sequence[ColumnUse]) -> list[str]:
    """Return what is read with the columns that hold it, whatever their wall, hole, serial number and repeat."""
    kinds: dict[str, list[str]] = {}
    for use in uses:
        named = use.characteristic or ("diameter" if use.direction is not None else "")
        kinds.setdefault(_BRIEF.get(named, named.replace("_", " ")), []).append(use.place)
    return [f"{name} in {places_words(places)}" for name, places in kinds.items()]


def _reason(use: ColumnUse) -> str:
    return _BRIEF_REASONS.get(use.reason, use.reason)


def _of_unread(uses: Sequence[ColumnUse], *, quote: bool = True, brief: bool = False) -> list[str]:
    """Return columns that are no readings by why; with ``quote`` each heading that isn't known by its words."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for use in uses:
        text = use.heading if quote and use.reason in _QUOTED else ""
        reasons.setdefault((_reason(use), text), []).append(use.place)
    out = []
    for (reason, text), places in reasons.items():
        quoted = f" '{w.shorten(w.plain(text), HEADING)}'" if text else ""
        shown = reason.removesuffix(" heading") if brief else reason
        out.append(f"{places_words(places)} {shown}{quoted}")
    return out


def places_words(places: Sequence[str], most: int = 4) -> str:
    """Return columns in few words, three or more neighbours as a span: ``C to F, K``."""
    order = list(enumerate(places))
    runs = [[p for _, p in run] for _, run in groupby(order, key=lambda item: _number(item[1]) - item[0])]
    named: list[str] = []
    for run in runs:
        named += [_reach(run[0], run[-1])] if len(run) >= _RUN and _number(run[0]) > 0 else run
    if len(named) > most:
        named = [*named[: most - 1], f"{len(places)} in all"]
    return ", ".join(named)


# ------------------------------------------------------------------------------------------------------- the report


def full_words(use: ColumnUse) -> str:
    """Return what a column was taken for: ``reading: diameter, near wall, 0°``, ``which hole``, ``not used``."""
    if use.use == "field":
        return _FIELDS_FULL.get(use.field, _field(use))
    if use.use != "reading":
        return "not used"
    words = [_FULL.get(use.characteristic, use.characteristic.replace("_", " "))]
    words += [f"{use.wall} wall"] if use.wall else []
    words += [f"{use.direction:g}°"] if use.direction is not None else []
    words += [f"repeat {use.trial}"] if use.trial else []
    words += [f"hole {use.hole}"] if use.hole else []
    words += [f"serial {use.serial}"] if use.serial else []
    words += [use.reason] if use.reason else []
    words += [use.unit] if use.unit else []
    return f"reading: {', '.join(words)}"


def why_not(use: ColumnUse) -> str:
    """Return why a column isn't used, '' for one that is."""
    return _WHY.get(use.reason, use.reason) if use.use == "not used" else ""


def understood_blocks(run: Run) -> Iterator[w.Block]:
    """Give a table for each way in which sheets were read: column, heading as typed, what it was taken for."""
    groups = sheets_read(run.inspection.readings.sources)
    if not groups:
        return
    yield w.Heading(TITLE)
    for group in groups[:LAYOUTS_IN_FULL]:
        yield w.Heading(_group_title(group), 3)
        yield _table(group)
    if left := groups[LAYOUTS_IN_FULL:]:
        count = w.plural(sum(map(len, left)), "more sheet")
        yield w.Paragraph(f"{count} read in other ways: evaluated.xlsx, sheet Columns, and verdicts.json.", "quiet")


def _group_title(group: Sequence[SheetRead]) -> str:
    first = group[0]
    name = w.file_name(first.file) + (f", {w.plain(first.sheet)}" if first.sheet else "")
    own = ", a sheet of ours" if first.own else ""
    more = f", and {w.plural(len(group) - 1, 'more sheet')} read the same way" if len(group) > 1 else ""
    return f"{w.shorten(name, 80)}{own}{more}"


def _table(group: Sequence[SheetRead]) -> w.Table:
    columns = (
        w.Column("Where", wraps=True), w.Column("Heading as typed", wraps=True), w.Column("Taken for", wraps=True),
        w.Column("Cells", "right"), w.Column("Why not used", wraps=True),
    )  # fmt: skip
    rows = []
    for uses in zip(*(sheet.columns for sheet in group), strict=True):
        use = uses[0]
        cells = str(sum(one.cells for one in uses))
        rows.append(
            (
                use.place,
                w.shorten(w.plain(use.heading), 120),
                w.plain(full_words(use)),
                cells,
                why_not(use),
            )
        )
    names = [w.file_name(s.file) + (f", {w.plain(s.sheet)}" if s.sheet else "") for s in group[1:]]
    shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    note = f"Read the same way: {shown}. Cells are those of all of them." if names else ""
    return w.Table(columns, tuple(rows), note)


# --------------------------------------------------------------------------------------------- the workbook, the data


def column_rows(sources: Iterable[Source]) -> Iterator[tuple[Any, ...]]:
    """Give a row for each column of each file: file, sheet, column, heading, taken for, cells, why not used."""
    for source in sources:
        for use in source.columns:
            yield (source.file, use.sheet, use.place, use.heading, full_words(use), use.cells, why_not(use))


def column_data(uses: Iterable[ColumnUse]) -> list[dict[str, Any]]:
    """Return how columns were understood as plain data; ``trial`` is null where none is stated."""
    return [asdict(use) | {"trial": use.trial or None} for use in uses]


# Tables of the screen: a line a hole or a part, as much of it as fits between 60 and 100 columns.


Head = tuple[str, str]  #: a heading in two lines
Column = tuple[Head, list[str]]

_SHORT = {c.name: c.also for c in JUDGED if c.also}
_PLACES = {"position": "Position", "hole-to-hole position": "Hole to hole"}


def hole_table(part: PartView, width: int) -> list[str]:
    """Return a line a hole: size read, position, hole to hole, what else isn't accepted, verdict.

    Where the width doesn't hold it all, first the allowed positions are left out, then what else isn't accepted, then
    hole to hole: all of them stand in the report, and what isn't accepted stands in the reasons.
    """
    columns = [_column("", "Hole", [w.plain(hole["hole"]) for hole in part.holes])]
    marks = [w.MARKS[int(hole["verdict"])] for hole in part.holes]
    words = [w.of_hole(part, hole["verdict"]) for hole in part.holes]
    verdict = _column("", "Verdict", [f"{mark} {text}" for mark, text in zip(marks, words, strict=True)])
    also = [_also(part, hole) for hole in part.holes]
    others = [_column("", "Also", also)] if any(also) else []
    full = [_places(part, name, allowed=True) for name in _PLACES if name in part.asked]
    brief = [_places(part, name, allowed=False) for name in _PLACES if name in part.asked]
    wide, dense = ([_sizes(part, between)] for between in (" to ", "–"))
    return _first_that_fits(
        [
            [*columns, *wide, *full, *others, verdict], [*columns, *dense, *full, *others, verdict],
            [*columns, *wide, *brief, *others, verdict], [*columns, *dense, *brief, *others, verdict],
            [*columns, *dense, *brief, verdict], [*columns, *dense, *brief[:1], verdict], [*columns, *dense, verdict],
        ],
        width,
    )  # fmt: skip


def part_table(parts: Iterable[PartView], width: int) -> list[str]:
    """Return a line a part: serial number, holes by verdict, room that the pins have, verdict."""
    rows = [_part_row(part) for part in parts]
    heads = ("Part", "Serial", "Holes", "Pins", "Verdict")
    return _first_that_fits([[_column("", head, [row[n] for row in rows]) for n, head in enumerate(heads)]], width)


def worst_row(rows: Sequence[Row]) -> Row:
    """Return the row with the worst verdict, the least room left among equals."""
    return max(rows, key=lambda row: (int(row["verdict"]), -_shown_number(row["left"])))


def _shown_number(value: float) -> float:
    return -math.inf if math.isnan(value) else float(value)


def _column(upper: str, lower: str, cells: list[str]) -> Column:
    return (upper, lower), cells


def _first_that_fits(layouts: Sequence[list[Column]], width: int) -> list[str]:
    """Return the first layout that fits as lines; the last with its widest cells cut where none does."""
    for columns in layouts:
        wide = _widths(columns)
        if sum(wide) + 2 * (len(wide) - 1) <= width:
            break
    while sum(wide) + 2 * (len(wide) - 1) > width and max(wide) > 4:
        wide[wide.index(max(wide))] -= 1
    heads = [[head[line] for head, _ in columns] for line in (0, 1)]
    rows = [list(row) for row in zip(*(cells for _, cells in columns), strict=True)]
    shown = [*(heads if any(heads[0]) else heads[1:]), *rows]
    return ["  ".join(f"{w.shorten(cell, size):<{size}}" for cell, size in zip(r, wide, strict=True)) for r in shown]


def _widths(columns: list[Column]) -> list[int]:
    return [max(len(text) for text in (*head, *cells)) for head, cells in columns]


def _also(part: PartView, hole: Row) -> str:
    """Return what else isn't accepted in one or two words."""
    wrong = [
        name for name in part.asked
        if name not in {"size", *_PLACES} and any(w.is_fault(row["verdict"]) for row in rows_of(part, hole, name))
    ]  # fmt: skip
    text = ", ".join(dict.fromkeys(_SHORT.get(name, name) for name in wrong))
    return text if len(text) <= 9 else f"{len(wrong)} checks"


def rows_of(part: PartView, hole: Row, name: str) -> list[Row]:
    """Return the rows of one characteristic of a hole."""
    return [row for row in part.characteristics if row["hole"] == hole["hole"] and row["characteristic"] == name]


def _flag(rows: Sequence[Row]) -> str:
    worst = max((int(row["verdict"]) for row in rows), default=ACCEPT)
    return w.MARKS[worst] if worst != ACCEPT else " "


def _sizes(part: PartView, between: str) -> Column:
    """Return the smallest and the largest size of each hole that nobody doubts."""
    unit = part.specification.unit
    cells = []
    warm = any(part.as_read(row) is not None for row in part.characteristics)
    shown = w.corrected if warm else w.typed
    for hole in part.holes:
        low, high = float(hole["smallest"]), float(hole["largest"])
        rows = rows_of(part, hole, "size")
        nothing = "doubtful" if any(row["doubtful"] for row in rows) else "not read"
        text = nothing if math.isnan(low) else shown(low, unit)
        if high != low and not math.isnan(high):
            text += f"{between}{shown(high, unit)}"
        cells.append(_flag(rows) + text)
    return _column("", " Size at 20 °C" if warm else " Size read", cells)


def _places(part: PartView, name: str, *, allowed: bool) -> Column:
    """Return what lies worst of a position in each hole, with what is allowed."""
    unit = part.specification.unit
    cells = []
    for hole in part.holes:
        rows = rows_of(part, hole, name)
        if not rows:
            cells.append("")
            continue
        worst = worst_row(rows)
        limit = float(worst["upper"])
        text = "doubtful" if worst["doubtful"] else "not read"
        if not math.isnan(worst["found"]):
            text = w.computed(worst["found"], unit, limit) + (f"/{w.computed(limit, unit)}" if allowed else "")
        cells.append(_flag(rows) + text)
    if allowed:
        return _column(f" {_PLACES[name]}", "  /allowed", cells)
    words = _PLACES[name].rsplit(" ", 1)
    return _column(f" {words[0]}" if len(words) > 1 else "", f" {words[-1]}", cells)


def holes_in_brief(part: PartView) -> str:
    """Return how many holes are rejected, held, wait for others: 2 held, 6 wait of 8."""
    count = part.hole_count
    waiting = len(waiting_holes(part.characteristics, part.problems)) if count.hold else 0
    said = ((count.reject, "rejected"), (count.hold - waiting, "held"), (waiting, "waits" if waiting == 1 else "wait"))
    parts = [f"{number} {name}" for number, name in said if number]
    return ", ".join(parts) + (f" of {count.total}" if parts else f"all {count.total} accepted")


def _part_row(part: PartView) -> list[str]:
    margin = float(part.row["pin_margin"])
    verdict = int(part.row["pin_verdict"])
    pins = "" if verdict < 0 else "unknown" if math.isnan(margin) else w.signed(margin, part.specification.unit)
    flag = w.MARKS[verdict] if verdict > 0 else " " if pins else ""
    return [
        w.plain(part.part),
        w.plain(part.serial),
        holes_in_brief(part),
        f"{flag}{pins}",
        w.marked(part.verdict),
    ]


__all__ = ["holes_sentence", "pin_sentence", "screen_text", "screen_width", "worst_row"]

MOST_LISTED = 1_000  #: so many parts that aren't accepted have a line of their own, rejected ones first
LISTED = 40  #: with more parts than this, accepted ones are counted and not listed
DETAILED = 12  #: so many parts that aren't accepted are told in full
PROBLEMS = 12  #: so many problems are told in full
COUNTED = "\0counted"  #: stands for the serial number of cells that were counted and not named one by one
NARROW, USUAL, WIDE = 40, 80, 100


def screen_width() -> int:
    """Return how wide a screen to write: the terminal's, between 40 and 100 columns; 80 where it isn't a terminal.

    The variable COLUMNS counts before the terminal.
    """
    if not os.environ.get("COLUMNS") and not is_terminal():
        return USUAL
    return min(max(shutil.get_terminal_size((USUAL, 24)).columns, NARROW), WIDE)


def screen_text(inspection: Inspection, width: int = USUAL) -> str:
    """Return the result of a run as text for a terminal, no line longer than ``width`` columns, the verdict last."""
    run = Run(inspection)
    lines = _head(run, width)
    told: set[tuple[str, str]] = set()
    lines += _one_part(run[0], told, width) if len(run) == 1 else _many_parts(run, told, width)
    for part in run:
        if part.planned and part.planned.accepted:
            lines += ["", *textwrap.wrap(w.plan_sentence(part.planned), width, subsequent_indent="  ")]
            lines += _predicted(part, width) if len(run) == 1 else []
        for join in part.joins:
            lines += ["", *textwrap.wrap(w.recheck_sentence(join), width, subsequent_indent="  ")]
    lines += _problems(run, told, width)
    caveat = _lobing(run)
    if caveat:
        lines += ["", *textwrap.wrap(caveat, width)]
    if len(inspection.tables["rework"]):
        lines += ["", *textwrap.wrap(f"{w.CAUTIONS[0]} {w.CAUTIONS[1]}", width)]
    lines += ["", *_verdict(run, width), *_unusable(run, width)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _predicted(part: PartView, width: int) -> list[str]:
    """Return what a plan predicts of the holes that weren't read, a line a hole and wall."""
    lines = textwrap.wrap("Not read but predicted, 95 of 100 lie within:", width)
    for place, values in w.predicted_values(part).items():
        text = f"{place}: " + ", ".join(f"{what} {value}" for what, value in values.items())
        lines += textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    ")
    return lines


def _unusable(run: Run, width: int) -> list[str]:
    """Return the files of which nothing was judged, what is wrong with each, and what to do."""
    files = run.inspection.readings.unusable
    if not files:
        return []
    lines = ["", *textwrap.wrap(f"NOT JUDGED, can't be used: {w.plural(len(files), 'file')}. No verdict above counts "
                                "what stands there.", width)]  # fmt: skip
    for file in files:
        lines += textwrap.wrap(w.plain(file.file), width, subsequent_indent="  ")
        for sentence in dict.fromkeys(dataclasses.replace(p, file="").sentence() for p in file.problems):
            lines += textwrap.wrap(w.plain(capital(sentence)), width, initial_indent="  ", subsequent_indent="  ")
    return lines


def _head(run: Run, width: int) -> list[str]:
    spec = run.specification
    lines = textwrap.wrap(w.plain(limits_line(spec)), width, subsequent_indent="  ")
    lines += [w.shorten(w.plain(spec.title), width)] if spec.title else []
    lines += textwrap.wrap(f"Rule: {w.rule_name(spec)}; {w.rounding_sentence(spec)}", width, subsequent_indent="  ")
    sources = run.inspection.readings.sources
    for source in sources[:3]:
        lines.append(_ends(f"File: {w.plain(source.file)}", f"SHA-256 {source.sha256[:16]}…", width))
    if len(sources) > 3:
        lines.append(f"and {w.plural(len(sources) - 3, 'more file')}")
    return [*lines, *screen_lines(run, width)]


def _ends(left: str, right: str, width: int) -> str:
    """Return a line with one text at its left end and one at its right."""
    left = w.shorten(left, width - len(right) - 2)
    return f"{left}{right:>{width - len(left)}}"


# --------------------------------------------------------------------------------------------------------- one part


def _one_part(part: PartView, told: set[tuple[str, str]], width: int) -> list[str]:
    about = w.plural(int(part.row["readings"]), "reading")
    when = w.day(part.row["last_date"])
    first = f"{w.marked(part.verdict)}  {w.plain(part.name)}: {_which(part)} ({about}{f', {when}' if when else ''})"
    why = _why(part, told, width)
    return [
        "", *textwrap.wrap(first, width, subsequent_indent="  "), *(["", *why] if why else []), "",
        *hole_table(part, width), *_pin_lines(part, width),
    ]  # fmt: skip


def _which(part: PartView) -> str:
    """Return which holes are rejected and held, or what else keeps the part from being accepted."""
    said = []
    waiting = waiting_holes(part.characteristics, part.problems) if part.verdict != ACCEPT else []
    for verdict, word in ((REJECT, "rejected"), (HOLD, "held")):
        holes = [str(hole["hole"]) for hole in part.holes if int(hole["verdict"]) == verdict]
        holes = [hole for hole in holes if hole not in waiting]
        if len(holes) == len(part.holes) > 2:
            said.append(f"all {len(holes)} holes {word}")
        elif holes:
            many = "s" if len(holes) > 1 else ""
            said.append(f"hole{many} {w.plain(hole_numbers(part.specification, holes))} {word}")
    if waiting:
        open_, _ = open_places(part)
        for_ = list(dict.fromkeys(hole for hole, _ in open_))
        many = "s" if len(for_) > 1 else ""
        named = w.plain(hole_numbers(part.specification, for_))
        them = "them" if said[-1:] == [f"holes {named} held"] else f"hole{many} {named}"
        said.append(f"hole to hole waits for {them}")
    pins = int(part.row["pin_verdict"])
    if pins == REJECT:
        said.append("the pins don't enter together")
    if said:
        return "; ".join(said)
    if part.verdict == ACCEPT:
        return f"{w.plural(len(part.holes), 'hole')}, all accepted"
    return "the pins are held" if pins == HOLD else _held_by_its_file(part)


def _held_by_its_file(part: PartView) -> str:
    """Return what holds a part of which no hole and no pin is held."""
    files = {row["file"] for row in part.read}
    holding = [p for p in part.problems if p.holds] or [
        p for p in part.run.problems if p.holds and not (p.serial or p.part) and p.file in (*files, "")
    ]
    said = list(dict.fromkeys(w.plain(_short_names(part.run, p.message)) for p in holding))
    if not said:
        return "held by a doubt about the sheet, not about a hole"
    more = f", and {w.plural(len(said) - 1, 'more doubt')} about the sheet" if len(said) > 1 else ""
    return f"held though no hole is: {said[0]}{more}"


def _pin_lines(part: PartView, width: int) -> list[str]:
    verdict = int(part.row["pin_verdict"])
    if verdict < 0:
        return []
    return ["", *textwrap.wrap(f"{w.marked(verdict)}  {pin_sentence(part)}", width, subsequent_indent="  ")]


def pin_sentence(part: PartView) -> str:
    """Return what the pin-pattern gauge found, in one sentence."""
    unit = part.specification.unit
    margin = float(part.row["pin_margin"])
    if math.isnan(margin) and part.planned and part.planned.accepted:
        return "Pins together: all enter, by the reading plan; not every hole was read."
    if math.isnan(margin):
        return "Pins together: not known, readings are missing or doubtful."
    places = [(str(row["hole"]), str(row["wall"])) for row in part.pins if row["binding"]]
    binding = span_words(part.specification, places)
    where = f" Tightest: {binding[:1].lower()}{binding[1:]}." if binding else ""
    held = int(part.row["pin_verdict"]) == HOLD
    if margin >= -CALCULATED:
        how = "all would enter" if held else "all enter"
        room = f"{w.computed(max(margin, 0.0), unit)} radial room at the tightest"
        return f"Pins together: {how} at their largest, {room}{', but that is not proven' if held else ''}.{where}"
    how = "they would not all enter" if held else "they don't all enter"
    room = f"{w.computed(-margin, unit, 0.0)} radial room is lacking"
    return f"Pins together: {how}, {room}{', but that is not proven' if held else ''}.{where}"


def without_culprit(part: PartView) -> str:
    """Return which hole alone keeps the pins out and the room of the others, '' where none does."""
    hole = str(part.row["pin_culprit"])
    if not hole:
        return ""
    others = sum(h.pin is not None for h in part.specification.holes) - 1
    room = w.computed(max(float(part.row["pin_without"]), 0.0), part.specification.unit)
    return f"Without hole {w.plain(hole)} the other {count_words(others)} have {room}. "


def _why(part: PartView, told: set[tuple[str, str]], width: int) -> list[str]:
    """Return each cause once with what to do, and note in ``told`` the cells that were named (serial, cell)."""
    if part.verdict == ACCEPT:
        return []
    from holeqc.inspection.reasons import reasons

    # Problems that name no part hold it too: those of all files are asked.
    said = reasons(part, part.run.problems, together=True)
    told |= {(part.serial, cell) for reason in said for cell in (reason.cell, *reason.cells) if cell}
    lines = []
    said = alike(said)
    if len(part.run) == 1:
        said, counted = with_counted(said, part.run.problems)
        told |= {(COUNTED, f"{p.spot} {p.code}") for p in counted}
    for number, reason in enumerate(said):
        after = said[number + 1] if number + 1 < len(said) else None
        once = after is not None and (after.verdict, after.action) == (reason.verdict, reason.action)
        lines += _reason_line(reason, "" if once else reason.action, part.run, width)
    actions = {reason.action for reason in said}
    more = [str(row["sentence"]) for row in part.rework if str(row["sentence"]) not in actions]
    if more:
        lines += ["", "Rework that the kit permits"]
        lines += [line for text in more for line in textwrap.wrap(f"- {w.plain(text)}", width, subsequent_indent="  ")]
    return lines


def _reason_line(reason: Reason, action: str, run: Run, width: int) -> list[str]:
    head = f"{w.marked(reason.verdict):<8}  "
    indent = " " * len(head)
    text = w.plain(_short_names(run, reason.sentence)) + (
        f" [{w.plain(reason.cell)}]" if reason.cell and not reason.cells and reason.cell not in reason.sentence else ""
    )
    lines = textwrap.wrap(text, width, initial_indent=head, subsequent_indent=indent)
    if action:
        text = w.plain(action) if action.endswith(".") else f"{w.plain(action)}."
        lines += textwrap.wrap(f"-> {text}", width, initial_indent=indent, subsequent_indent=f"{indent}   ")
    return lines


def _short_names(run: Run, text: str) -> str:
    """Return text with the files of the run by their names alone: the head of the screen says where they are."""
    for source in run.inspection.readings.sources:
        text = text.replace(source.file, w.file_name(source.file))
    return text


# ------------------------------------------------------------------------------------------------------- many parts


def _many_parts(run: Run, told: set[tuple[str, str]], width: int) -> list[str]:
    wrong = run.numbers(REJECT, HOLD)
    listed = list(range(len(run))) if len(run) <= LISTED else sorted(wrong[:MOST_LISTED])
    lines = ["", *(part_table((run[n] for n in listed), width) if listed else [])]
    if len(run) > LISTED and run.count.accept:
        lines += ["", f"{w.plural(run.count.accept, 'accepted part')} not listed."]
    for n in wrong[:DETAILED]:
        part = run[n]
        lines += ["", _part_rule(part, width), *textwrap.wrap(_capital(_which(part)), width), *_why(part, told, width)]
    if len(wrong) > DETAILED:
        text = f"{len(wrong) - DETAILED} more parts are not accepted; --out writes them all into a report, --json "
        lines += ["", *textwrap.wrap(f"{text}prints them.", width)]
    return lines


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _part_rule(part: PartView, width: int) -> str:
    """Return a line across that names a part and its verdict."""
    verdict = w.marked(part.verdict)
    name = w.shorten(w.plain(part.name), width - len(verdict) - 10)
    return f"-- {name} {'-' * (width - len(name) - len(verdict) - 5)} {verdict}"


# ------------------------------------------------------------------------------------------------------- the ending


def _problems(run: Run, told: set[tuple[str, str]], width: int) -> list[str]:
    """Return the problems of the files that the reasons haven't told, those of one kind together."""
    groups: dict[object, list[Problem]] = {}
    spots = {spot for _, spot in told}
    for problem in run.problems:
        at = problem.spot
        if problem.holds and ((problem.serial, at) in told if problem.serial else at in spots):
            continue
        if (COUNTED, f"{problem.spot} {problem.code}") in told:
            continue
        kind = (problem.severity, problem.code, problem.action, problem.file)
        groups.setdefault(kind if problem.cell else problem, []).append(problem)
    if not groups:
        return []
    open_ = sum(map(len, groups.values()))
    notes = all(p.severity == NOTE for members in groups.values() for p in members)
    kind_ = "note" if notes else "problem"
    more = f"more {kind_}" if told and open_ < len(run.problems) else kind_
    lines = ["", f"In the files: {w.plural(open_, more)}"]
    for members in list(groups.values())[:PROBLEMS]:
        first = members[0]
        text = w.plain(_short_names(run, first.sentence()))
        if len(members) > 1:
            cells = w.plain(all_cells(members[1:]))
            text += f"{'' if text.endswith('.') else '.'} The same at {cells}."
        lines += textwrap.wrap(text, width, initial_indent=f"{first.severity:<8}  ", subsequent_indent=" " * 10)
    left = sum(map(len, list(groups.values())[PROBLEMS:]))
    if left:
        lines.append(f"{left} more; --out or --json gives all of them.")
    return lines


def _lobing(run: Run) -> str:
    """Return the caveat that names the holes that only two-point readings speak for, '' where plugs speak for all."""
    holes = run.inspection.tables["holes"]
    alone = holes.where(mating_from="readings")
    if not len(alone):
        return ""
    if len(alone) == len(holes):
        return w.LOBING.format(holes="every hole")
    by_part: dict[tuple[str, str], list[str]] = {}
    for part, serial, hole in alone.tuples("part", "serial", "hole"):
        by_part.setdefault((part, serial), []).append(hole)
    words = []
    for (part, serial), some in list(by_part.items())[:DETAILED]:
        name = "" if len(run) == 1 else f" of {w.plain(serial or part)}"
        words.append(f"hole{'s' if len(some) > 1 else ''} {w.plain(hole_numbers(run.specification, some))}{name}")
    left = len(by_part) - len(words)
    return w.LOBING.format(holes="; ".join(words) + (f"; and holes of {w.plural(left, 'more part')}" if left else ""))


def _verdict(run: Run, width: int) -> list[str]:
    if not len(run):
        return ["No part was found in the files: nothing to judge."]
    count = run.count
    mark = f"{w.MARKS[count.verdict]} {w.word(count.verdict).upper()}"
    if len(run) == 1:
        part = run[0]
        waits = part.verdict != ACCEPT and waiting_holes(part.characteristics, part.problems)
        words = _which(part) if waits else holes_sentence(part)
        return textwrap.wrap(f"{mark}  {w.plain(part.name)}: {words}", width)
    words = f"{count.accept} accept, {count.hold} hold, {count.reject} reject"
    return textwrap.wrap(f"{mark}  {w.plural(len(run), 'part')}: {words}", width)


def holes_sentence(part: PartView) -> str:
    """Return how many holes were rejected, held, accepted, in words."""
    count = part.hole_count
    waiting = len(waiting_holes(part.characteristics, part.problems)) if count.hold else 0
    verb = "waits" if waiting == 1 else "wait"
    said = ((count.reject, "rejected"), (count.hold - waiting, "held"), (waiting, f"{verb} for hole to hole"))
    wrong = [f"{n} {name}" for n, name in said if n]
    if not wrong:
        holes = w.plural(count.total, "hole")
        if part.planned and part.planned.accepted:
            return f"{holes}, {part.planned.sentence}"
        return f"{holes}, all accepted" if part.verdict == ACCEPT else f"{_which(part)}; {holes} accepted"
    return f"{', '.join(wrong)}, {count.accept} accepted of {w.plural(count.total, 'hole')}"


# Problems of the files as a report shows them: what says the same of many cells in one row.


PROBLEMS_SHOWN = 300  #: so many problems stand in the report; all of them in the workbook and the data
MOST_LETTERS = 400  #: of one text in a table; in full in the workbook and the data


def problem_blocks(problems: Iterable[Problem], title: str, most: int | None = None) -> list[w.Block]:
    """Return problems under a title as a table of at most so many rows, and how many are left; nothing for none."""
    there = list(problems)
    if not there:
        return []
    groups = problem_groups(there)
    shown = groups[:most]
    content: list[w.Block] = [w.Heading(f"{title} ({len(there)})"), _problem_table(shown)]
    if rest := len(there) - sum(map(len, shown)):
        content.append(
            w.Paragraph(f"{rest} more stand in evaluated.xlsx, sheet Problems, and in verdicts.json.", "quiet")
        )
    return content


def problem_groups(problems: Iterable[Problem]) -> list[list[Problem]]:
    """Return problems in groups that differ in their cell, hole and wall alone, with what counts further cells."""
    groups: dict[Problem, list[Problem]] = {}
    last: dict[tuple[str, ...], Problem] = {}
    for problem in problems:
        kind = (problem.severity, problem.code, problem.file, problem.sheet)
        named = last.get(kind) if problem.counted else None
        groups.setdefault(named or problem.anywhere, []).append(problem)
        last[kind] = problem.anywhere
    return list(groups.values())


def _problem_table(groups: Sequence[Sequence[Problem]]) -> w.Table:
    """Return groups of problems that differ in their cell alone as a table, a row each."""
    columns = (
        w.Column("Kind"), w.Column("Where", wraps=True), w.Column("What", wraps=True), w.Column("Found", wraps=True),
        w.Column("Allowed", wraps=True), w.Column("What to do", wraps=True),
    )  # fmt: skip
    rows: list[tuple[w.Cell | str, ...]] = []
    for group in groups:
        p = group[0]
        kind = w.Cell(p.severity, HOLD if p.holds or p.severity == "error" else None)
        texts = (replace(p, cell=all_cells(group)).place, p.message, p.found, p.allowed, p.action)
        rows.append((kind, *(w.shorten(w.plain(text), MOST_LETTERS) for text in texts)))
    return w.Table(columns, tuple(rows))
