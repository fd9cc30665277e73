"""How the columns of each sheet were understood, in words: in a line or two on the screen, in full in a report.

What a column was taken for is the first thing that an inspector checks: a verdict is only as good as the reading of the
sheet. Sheets that were read in one and the same way are told together.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Any

from holeqc.characteristics import READ
from holeqc.inspection.results import cell_words, column_number, hole_numbers, listed
from holeqc.inspection.view import Run
from holeqc.reports import blocks as b
from holeqc.reports import wording as w

if TYPE_CHECKING:
    from holeqc.readings.table import ColumnUse, Source
    from holeqc.specification.model import Specification

TITLE = "How their columns were understood"  #: heading over the tables of a report
LINES = 2  #: so many lines of the screen a sheet may take
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
    return [*lines[: LINES - 1], w.shorten(" " * 6 + " ".join(line.strip() for line in lines[LINES - 1 :]), width)]


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


def understood_blocks(run: Run) -> Iterator[b.Block]:
    """Give a table for each way in which sheets were read: column, heading as typed, what it was taken for."""
    groups = sheets_read(run.inspection.readings.sources)
    if not groups:
        return
    yield b.Heading(TITLE)
    for group in groups[:LAYOUTS_IN_FULL]:
        yield b.Heading(_group_title(group), 3)
        yield _table(group)
    if left := groups[LAYOUTS_IN_FULL:]:
        count = w.plural(sum(map(len, left)), "more sheet")
        yield b.Paragraph(f"{count} read in other ways: evaluated.xlsx, sheet Columns, and verdicts.json.", "quiet")


def _group_title(group: Sequence[SheetRead]) -> str:
    first = group[0]
    name = w.file_name(first.file) + (f", {w.plain(first.sheet)}" if first.sheet else "")
    own = ", a sheet of ours" if first.own else ""
    more = f", and {w.plural(len(group) - 1, 'more sheet')} read the same way" if len(group) > 1 else ""
    return f"{w.shorten(name, 80)}{own}{more}"


def _table(group: Sequence[SheetRead]) -> b.Table:
    columns = (
        b.Column("Where", wraps=True), b.Column("Heading as typed", wraps=True), b.Column("Taken for", wraps=True),
        b.Column("Cells", "right"), b.Column("Why not used", wraps=True),
    )  # fmt: skip
    rows = []
    for uses in zip(*(sheet.columns for sheet in group), strict=True):
        use = uses[0]
        cells = str(sum(one.cells for one in uses))
        rows.append((use.place, w.shorten(w.plain(use.heading), 120), w.plain(full_words(use)), cells, why_not(use)))
    names = [w.file_name(s.file) + (f", {w.plain(s.sheet)}" if s.sheet else "") for s in group[1:]]
    shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    note = f"Read the same way: {shown}. Cells are those of all of them." if names else ""
    return b.Table(columns, tuple(rows), note)


# --------------------------------------------------------------------------------------------- the workbook, the data


def column_rows(sources: Iterable[Source]) -> Iterator[tuple[Any, ...]]:
    """Give a row for each column of each file: file, sheet, column, heading, taken for, cells, why not used."""
    for source in sources:
        for use in source.columns:
            yield (source.file, use.sheet, use.place, use.heading, full_words(use), use.cells, why_not(use))


def column_data(uses: Iterable[ColumnUse]) -> list[dict[str, Any]]:
    """Return how columns were understood as plain data; ``trial`` is null where none is stated."""
    return [asdict(use) | {"trial": use.trial or None} for use in uses]
