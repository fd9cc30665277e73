"""The pages of one part: verdict, why, what to do, then every hole with pictures and numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from holeqc.characteristics import JUDGED, MEASURED, OF_NAME, WORD, unit_of
from holeqc.inspection.results import ACCEPT, REJECT
from holeqc.inspection.tags import gauge_of
from holeqc.inspection.view import PartView, Row
from holeqc.quantities import CALCULATED, GRAIN
from holeqc.readings.table import cell_name
from holeqc.reports import blocks as b
from holeqc.reports import pictures
from holeqc.reports import wording as w
from holeqc.reports.problem_pages import MOST_LETTERS, problem_blocks
from holeqc.reports.remarks import Remark, remarks_of
from holeqc.reports.screen import holes_sentence, pin_sentence, without_culprit
from holeqc.reports.size_picture import size_pictures
from holeqc.specification.words import limits_line

if TYPE_CHECKING:
    import pandas as pd

SHORT = {c.name: c.short for c in JUDGED}
FEW = 3  #: so many notes and problems stand before the positions
_DECISION = (
    "The verdict is what the readings prove against the kit file. What becomes of the part is decided and signed by "
    "the person licensed to do so."
)
_POSITION_NOTE = "All diameters. Left: total minus actual. Probability: that the true value conforms (JCGM 106)."
SHORT_WORDS = {"does not enter": "stops"}


def part_blocks(part: PartView, report: str = "") -> Iterator[b.Block]:
    """Give the blocks of one part's pages; ``report``: number and day of the report."""
    yield _banner(part)
    yield b.Facts((*([("Report", report)] if report else []), *_facts(part)))
    yield b.Heading("Why" if part.verdict != ACCEPT else "Result")
    yield reason_findings(part)
    if part.rework:
        permitted = any(row["passes"] for row in part.rework)
        if permitted or part.more_rework:
            yield b.Heading("Before any rework" if permitted else "Rework")
        yield b.Findings(tuple(b.Finding(None, w.plain(text)) for text in part.more_rework))
        if permitted:
            yield b.Paragraph(" ".join(w.REWORK_CAUTIONS), "caution")
    yield from _recheck_blocks(part)
    yield b.Heading("Decision")
    yield decision_lines()
    yield b.Heading("Every hole")
    yield hole_matrix(part)
    yield from _size_blocks(part)
    yield from _measured_blocks(part)
    remarks = remarks_of(part.readings)
    about = [*_note_blocks(remarks), *problem_blocks(part.problems, "Problems in the files of this part")]
    few = len(remarks) + len(part.problems) <= FEW  # where few, they fill the page of sizes and need none of their own
    yield from about if few else ()
    yield from _position_blocks(part)
    yield from _pin_blocks(part)
    yield from () if few else about


def _recheck_blocks(part: PartView) -> Iterator[b.Block]:
    """Give which readings a recheck replaced, and which count in their place, each with its day."""
    several = part.specification.walls.several
    columns = (
        b.Column("Hole"), *([b.Column("Wall")] if several else []), b.Column("Reading"),
        b.Column("Before, no longer counts", wraps=True), b.Column("Read again, counts", wraps=True),
    )  # fmt: skip
    for join in part.joins:
        yield b.Heading("Read again")
        yield b.Paragraph(f"{w.recheck_sentence(join)} Every other reading counts as it was read before.")
        before, now = (_by_place(frame, part) for frame in (join.replaced, join.counts))
        rows = tuple(
            (w.plain(hole), *([w.plain(wall or "all")] if several else []), w.plain(kind.replace("_", " ")),
             before.get((hole, wall, kind), "-"), now.get((hole, wall, kind), "not read"))
            for hole, wall, kind in dict.fromkeys([*before, *now])
        )  # fmt: skip
        yield b.Table(columns, rows)


def _by_place(frame: pd.DataFrame, part: PartView) -> dict[tuple[str, str, str], str]:
    """Return readings with their day as text, by hole, wall and kind."""
    found: dict[tuple[str, str, str], list[str]] = {}
    days: dict[tuple[str, str, str], str] = {}
    columns = [frame[name].tolist() for name in ("hole", "wall", "characteristic", "value", "word", "typed", "date")]
    for hole, wall, kind, value, word, typed, date in zip(*columns, strict=True):
        key = str(hole), str(wall), str(kind)
        unit = unit_of(str(kind), part.specification.unit)
        text = str(word) or (str(typed) if math.isnan(value) else w.typed(value, unit))
        if text:
            found.setdefault(key, []).append(w.plain(text))
            days[key] = w.day(date) or "no day"
    return {key: f"{', '.join(texts)} ({days[key]})" for key, texts in found.items()}


def decision_lines() -> b.Signatures:
    """Return the lines on which a decision is signed."""
    return b.Signatures(_DECISION, ("Inspected by, date", "Decision", "Signed by, licence, date"))


def _note_blocks(remarks: Sequence[Remark]) -> Iterator[b.Block]:
    """Give what the person who read remarked, with where it stands."""
    if remarks:
        columns = (b.Column("Hole"), b.Column("Note", wraps=True), b.Column("Beside", wraps=True))
        rows = tuple(
            (w.plain(r.hole) or "whole part", w.shorten(w.plain(r.text), MOST_LETTERS),
             w.plain(", ".join(word for word in (w.file_name(r.file), r.sheet, r.cell) if word)))
            for r in remarks
        )  # fmt: skip
        yield b.Heading("Notes in the sheet")
        yield b.Table(columns, rows)


def _banner(part: PartView) -> b.Banner:
    title = part.declared.title if part.declared and part.declared.title else part.part
    words = [w.plain(word) for word in (title, f"serial {part.serial}" if part.serial else "no serial number") if word]
    return b.Banner(part.verdict, w.shorten(", ".join(words), 140), holes_sentence(part))


def _facts(part: PartView) -> tuple[tuple[str, str], ...]:
    spec, table = part.specification, part.readings
    days = [day for day in (w.day(part.row["first_date"]), w.day(part.row["last_date"])) if day]
    by = sorted({w.plain(name) for name in table["by"].unique().tolist() if name})
    files = list(dict.fromkeys(w.file_name(str(name)) for name in table["file"].unique().tolist()))
    named = [str(name) for name in table["gauge"].unique().tolist() if name]
    gauges = sorted({w.plain(n) for n in (*named, *(gauge_of(part, row) for row in part.characteristics)) if n})
    number = part.declared.number if part.declared else ""
    pairs = [
        ("Part", w.plain(" ".join(x for x in (part.part, number) if x))), ("Drawing", w.plain(spec.drawing)),
        ("Kit", f"{w.plain(spec.id)} revision {w.plain(spec.revision)}"), ("Fixture", w.plain(spec.fixture)),
        ("Read", " to ".join(dict.fromkeys(days))), ("Read by", ", ".join(by)), ("Gauges", ", ".join(gauges)),
        ("Readings", str(part.row["readings"])), ("File", ", ".join(files)), ("Lengths in", w.unit_name(spec.unit)),
        ("Limits of size", w.plain(limits_line(spec).partition(": ")[2])),
    ]  # fmt: skip
    return tuple((label, w.shorten(text, 60)) for label, text in pairs if text)


def reason_findings(part: PartView) -> b.Findings:
    """Return the reasons of a part as a list; one plain line for an accepted part."""
    if part.verdict == ACCEPT:
        count = len(part.characteristics)
        return b.Findings(
            (b.Finding(ACCEPT, f"All {count} checks of {w.plural(len(part.holes), 'hole')} lie inside their limits."),)
        )
    return b.Findings(
        tuple(
            b.Finding(
                r.verdict,
                w.plain(r.sentence),
                "" if r.cells or r.cell in r.sentence else w.plain(r.cell),
                w.plain(action),
            )
            for r, action in part.reasons_once
        )
    )


# -------------------------------------------------------------------------------------------------------- all holes


def hole_matrix(part: PartView) -> b.Table:
    """Return a row a hole and wall, a column a characteristic: what was found, marked where it isn't accepted."""
    spec, several = part.specification, part.specification.walls.several
    columns = [b.Column("Hole"), *([b.Column("Wall")] if several else [])]
    columns += [b.Column(_matrix_heading(part, name), "left" if _is_word(name) else "right") for name in part.asked]
    columns.append(b.Column("Verdict"))
    rows: list[tuple[b.Cell | str, ...]] = []
    groups = set()
    for hole in part.holes:
        walls = [name for name in spec.walls.names if any((hole["hole"], name, c) in part.table for c in part.asked)]
        groups.add(len(rows))
        for n, wall in enumerate(walls or [""]):
            row: list[b.Cell | str] = [w.plain(hole["hole"])]
            row += [w.plain(wall)] if several else []
            row += [_matrix_cell(part, str(hole["hole"]), wall, name, n == 0) for name in part.asked]
            row.append(b.Cell(w.of_hole(part, hole["verdict"]), int(hole["verdict"])) if n == 0 else "")
            rows.append(tuple(row))
    note = "Size: the reading that lies worst. Position: actual diameter, allowed with bonus in the tables below."
    if any(part.as_read(row) is not None for row in part.characteristics):
        note += " * At 20 °C; the table of sizes has what was read beside it."
    return b.Table(tuple(columns), tuple(rows), note, frozenset(groups))


def _is_word(name: str) -> bool:
    return name in OF_NAME and OF_NAME[name].kind == WORD


def _matrix_heading(part: PartView, name: str) -> str:
    """Return the short name, with the limit under it where all holes have the same."""
    title = SHORT.get(name, name)
    unit = unit_of(name, part.specification.unit)
    rows = [r for r in part.characteristics if r["characteristic"] == name]
    if name in {"position", "hole-to-hole position"}:
        stated = {r["stated"] for r in rows}
        return f"{title} ⌀ {w.typed(stated.pop(), unit)}" if len(stated) == 1 else title
    limits = {(r["lower"], r["upper"]) for r in rows if math.isfinite(r["lower"]) or math.isfinite(r["upper"])}
    if len({str(pair) for pair in limits}) != 1:
        return title
    lower, upper = limits.pop()
    if math.isfinite(lower) and math.isfinite(upper):
        return f"{title} {w.typed(lower, unit)} {w.typed(upper, unit)}"
    return f"{title} ≥ {w.typed(lower, unit)}" if math.isfinite(lower) else f"{title} ≤ {w.typed(upper, unit)}"


def _matrix_cell(part: PartView, hole: str, wall: str, name: str, first: bool) -> b.Cell | str:
    row = part.table.get((hole, wall, name)) or (part.table.get((hole, "", name)) if first else None)
    if row is None:
        return ""
    text = w.value_text(row, part.specification.unit)
    if part.as_read(row) is not None:
        text = f"{w.corrected(row['found'], part.specification.unit, row['lower'], row['upper'])} *"
    verdict = int(row["verdict"])
    return b.Cell(SHORT_WORDS.get(text, text), verdict if verdict != ACCEPT else None)


# ---------------------------------------------------------------------------------------------------------- details


def _rows(part: PartView, name: str) -> list[Row]:
    holes = {hole: n for n, hole in enumerate(part.specification.hole_ids)}
    walls = {wall: n for n, wall in enumerate(part.specification.walls.names)}
    there = [row for row in part.characteristics if row["characteristic"] == name]
    return sorted(there, key=lambda r: (holes.get(str(r["hole"]), len(holes)), walls.get(str(r["wall"]), -1)))


def _verdict_cell(row: Row) -> b.Cell:
    return b.Cell(w.word(row["verdict"]), int(row["verdict"]))


def _deviation(row: Row, unit: str) -> str:
    deviation = float(row["deviation"])
    return "" if math.isnan(deviation) or abs(deviation) <= GRAIN else w.signed(deviation, unit)


def _doubt_columns() -> list[b.Column]:
    return [b.Column("U", "right"), b.Column("Ratio", "right"), b.Column("Probability", "right")]


def _doubt_cells(row: Row, unit: str) -> list[str]:
    return [w.fine(row["uncertainty"]), w.ratio_text(w.ratio_of(row)), w.probability_text(row["probability"])]


def _groups(rows: Sequence[Row]) -> frozenset[int]:
    return frozenset(n for n, row in enumerate(rows) if n == 0 or rows[n - 1]["hole"] != row["hole"])


def _size_blocks(part: PartView) -> Iterator[b.Block]:
    rows = _rows(part, "size")
    if not rows:
        return
    unit, several = part.specification.unit, part.specification.walls.several
    yield b.Heading("Size")
    for picture in size_pictures(part):
        yield b.Picture(picture, picture.note)
    columns = [b.Column("Hole"), *([b.Column("Wall")] if several else []), b.Column("Limits of size", "right")]
    warm = any(part.as_read(row) is not None for row in rows)
    columns += [b.Column("Worst, at 20 °C" if warm else "Worst reading", "right", any(row["doubtful"] for row in rows))]
    columns += [b.Column("As read", "right"), b.Column("Part °C", "right")] if warm else []
    columns += [b.Column("Beyond", "right"), b.Column("Left", "right")]
    columns += [*_doubt_columns(), b.Column("Cell", wraps=True), b.Column("Verdict")]
    files, sheets = part.readings["file"].nunique() > 1, part.readings["sheet"].nunique() > 1
    table = []
    for row in rows:
        limits = w.requirement(row, part.specification)
        cells: list[b.Cell | str] = [w.plain(row["hole"]), *([w.plain(row["wall"])] if several else []), limits]
        verdict = int(row["verdict"])
        shown = w.value_text(row, unit)
        if row["doubtful"]:
            shown = w.doubtful_text(row, unit, part.cell(row), part.typed_as(row))
        if (read := part.as_read(row)) is not None:
            shown = w.corrected(row["found"], unit, row["lower"], row["upper"])
        cells.append(b.Cell(shown, verdict if verdict else None))
        if warm:
            cells += [w.typed(read["value"], unit), f"{read['temperature_c']:g}"] if read is not None else ["", ""]
        cells.append(_deviation(row, unit))
        cells += [
            w.signed(row["left"], unit),
            *_doubt_cells(row, unit),
            _cell_name(part, row, files, sheets),
            _verdict_cell(row),
        ]
        table.append(tuple(cells))
    size = w.corrected if warm else w.typed
    mating = [f"{w.plain(h['hole'])}: {size(h['mating_size'], unit)}" for h in part.holes if h["mating_from"]]
    text = f"Estimated mating size, hole by hole: {', '.join(mating)}. " if mating else ""
    note = f"Probability: that the true value conforms (JCGM 106). {text}{caveat(part)}"
    yield b.Table(tuple(columns), tuple(table), note, _groups(rows))


def _measured_blocks(part: PartView) -> Iterator[b.Block]:
    """Give a table of what is measured beside size and place: countersinks, depths."""
    rows = [row for what in MEASURED for row in _rows(part, what.name)]
    if not rows:
        return
    unit = part.specification.unit
    yield b.Heading("Countersinks and depths")
    columns = [b.Column("What"), b.Column("Hole"), b.Column("Limits", "right")]
    columns.append(b.Column("Worst reading", "right", True))
    columns += [b.Column("Beyond", "right"), b.Column("Left", "right"), *_doubt_columns()]
    columns += [b.Column("Cell", wraps=True), b.Column("Verdict")]
    files, sheets = part.readings["file"].nunique() > 1, part.readings["sheet"].nunique() > 1
    table: list[tuple[b.Cell | str, ...]] = []
    for row in rows:
        own, verdict = w.row_unit(row, unit), int(row["verdict"])
        shown = w.value_text(row, unit)
        if row["doubtful"]:
            shown = w.doubtful_text(row, unit, part.cell(row), part.typed_as(row))
        table.append((
            str(row["characteristic"]), w.plain(row["hole"]), w.requirement(row, part.specification),
            b.Cell(shown, verdict if verdict else None), _deviation(row, own), w.signed(row["left"], own),
            *_doubt_cells(row, own), _cell_name(part, row, files, sheets), _verdict_cell(row),
        ))  # fmt: skip
    note = f"Lengths in {w.unit_name(unit)}, angles in degrees. Probability: that the true value conforms (JCGM 106)."
    starts = (n for n, row in enumerate(rows) if not n or row["characteristic"] != rows[n - 1]["characteristic"])
    yield b.Table(tuple(columns), tuple(table), note, frozenset(starts))


def caveat(part: PartView) -> str:
    """Return what two-point readings can't show on this part, '' where a plug spoke for every hole."""
    return w.lobing(sum(row["mating_from"] == "readings" for row in part.holes), len(part.holes))


def _cell_name(part: PartView, row: Row, files: bool, sheets: bool) -> str:
    """Return the cell that decides, with its sheet and file where the part has several."""
    reading = part.reading(row["reading"])
    if reading is None:
        return ""
    words = [cell_name(int(reading["row"]), int(reading["column"]))]
    words += [str(reading["sheet"])] if sheets and reading["sheet"] else []
    words += [str(reading["file"])] if files else []
    return w.plain(", ".join(reversed(words)))


def _position_blocks(part: PartView) -> Iterator[b.Block]:
    upper, lower = _rows(part, "position"), _rows(part, "hole-to-hole position")
    shift = _shift_text(part)
    for name, title, rows in (
        ("position", "Position to the datums", upper),
        ("hole-to-hole position", "Position hole to hole, the pattern floated to its best", lower),
    ):
        if rows:
            yield b.Heading(title)
            if shift and rows is upper:
                yield b.Paragraph(shift)
            picture = pictures.pattern_picture(part, name)
            if picture is not None:
                yield b.Picture(picture, picture.note)
            yield _position_table(part, rows, _POSITION_NOTE if rows is upper or not upper else "")


def _shift_text(part: PartView) -> str:
    """Return the shift of the datum frame that was used, '' where the kit allows none or it isn't known."""
    values = [float(part.row[f"shift_{key}"]) for key in ("x", "y", "rotation")]
    if part.specification.datum_shift is None or not all(math.isfinite(value) for value in values):
        return ""
    unit = part.specification.unit
    return (
        f"Datum holes leave the frame some shift; used here: x {w.signed(values[0], unit)}, "
        f"y {w.signed(values[1], unit)} {w.unit_name(unit)}, turn {_turn(values[2])}."
    )


def _position_table(part: PartView, rows: list[Row], note: str) -> b.Table:
    unit, several = part.specification.unit, part.specification.walls.several
    columns = [b.Column("Hole"), *([b.Column("Wall")] if several else [])]
    columns += [b.Column(name, "right") for name in ("Stated", "Bonus", "Total", "Actual", "Left")]
    columns += [*_doubt_columns(), b.Column("Verdict")]
    table = []
    for row in rows:
        verdict = int(row["verdict"])
        total = float(row["upper"])
        cells: list[b.Cell | str] = [w.plain(row["hole"]), *([w.plain(row["wall"])] if several else [])]
        cells += [w.typed(row["stated"], unit), w.computed(row["bonus"], unit), w.computed(total, unit)]
        known = math.isfinite(row["left"]) and math.isfinite(row["found"])
        left = w.left_text(total, row["found"], row["left"], unit) if known else w.signed(row["left"], unit)
        cells += [b.Cell(w.value_text(row, unit), verdict if verdict else None), left]
        table.append((*cells, *_doubt_cells(row, unit), _verdict_cell(row)))
    return b.Table(tuple(columns), tuple(table), note, _groups(rows))


def _pin_blocks(part: PartView) -> Iterator[b.Block]:
    verdict = int(part.row["pin_verdict"])
    if verdict < 0:
        return
    yield b.Heading("Pins together")
    yield b.Findings((b.Finding(verdict, w.plain(pin_sentence(part)), "", ""), *_float_finding(part)))
    picture = pictures.pin_picture(part)
    if picture is not None:
        yield b.Picture(picture, picture.note)
    if part.pins:
        yield _pin_table(part)


def _pin_table(part: PartView) -> b.Table:
    """Return a row a hole with its pin, room in each wall, and whether it binds."""
    unit, several = part.specification.unit, part.specification.walls.several
    walls = [name for name in part.specification.walls.names if any(row["wall"] == name for row in part.pins)]
    by = {(str(row["hole"]), str(row["wall"])): row for row in part.pins_shown}
    columns = [b.Column("Hole"), b.Column("Pin", wraps=True)]
    for wall in walls:
        name = f", {w.plain(wall)}" if several else ""
        columns += [
            b.Column(f"Clearance{name}", "right"),
            b.Column(f"Left{name}", "right"),
            b.Column("Binds"),
        ]
    rows: list[tuple[b.Cell | str, ...]] = []
    for hole in dict.fromkeys(str(row["hole"]) for row in part.pins):
        cells: list[b.Cell | str] = [w.plain(hole), ""]
        for wall in walls:
            row = by.get((hole, wall))
            cells[1] = w.plain(row["pin"]) if row is not None else cells[1]
            cells += _pin_cells(row, unit) if row is not None else ["", "", ""]
        rows.append(tuple(cells))
    note = (
        "Clearance is radial: half the difference of hole and pin at its virtual condition. Left: what remains of it "
        "at the best fit of all pins."
    )
    if part.row["pin_culprit"]:
        note += f" Of the others without hole {w.plain(part.row['pin_culprit'])}, which alone keeps the pins out."
    return b.Table(tuple(columns), tuple(rows), note)


def _pin_cells(row: Row, unit: str) -> list[b.Cell | str]:
    left = float(row["left"])
    mark: b.Cell | str = "● binds" if row["binding"] else ""
    if left < -CALCULATED:
        mark = b.Cell("binds" if row["binding"] else "lacks room", REJECT)
    return [w.computed(row["clearance"], unit), w.signed(left, unit), mark]


def _float_finding(part: PartView) -> tuple[b.Finding, ...]:
    left, unit = part.float_left, part.specification.unit
    motion = part.row["pin_dx"], part.row["pin_dy"], part.row["pin_rotation"]
    text = without_culprit(part)
    if all(math.isfinite(value) for value in motion):
        text += (
            f"Best fit: shift x {w.signed(motion[0], unit)}, y {w.signed(motion[1], unit)} {w.unit_name(unit)}, "
            f"turn {_turn(motion[2])}. "
        )
    if math.isfinite(part.row["pin_uncertainty"]):
        text += f"U of the room, at most {w.fine(part.row['pin_uncertainty'])}. "
    if left is not None:
        text += (
            f"Float that is left: x {_both(left, 'x', unit)}, y {_both(left, 'y', unit)}, "
            f"turn −{_turn(abs(left['rotation_minus']))} to +{_turn(abs(left['rotation_plus']))}."
        )
    return (b.Finding(None, text.strip()),) if text else ()


def _both(left: Row, axis: str, unit: str) -> str:
    low, high = abs(float(left[f"{axis}_minus"])), abs(float(left[f"{axis}_plus"]))
    return f"−{w.computed(low, unit)} to +{w.computed(high, unit)}"


def _turn(radians: float) -> str:
    return f"{math.degrees(radians):.3f}°".replace("-", "−")
