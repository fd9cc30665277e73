"""The table of distances on a blank sheet of ours, below that of the holes: what to measure, and whether it fits.

A check cell warns while the numbers are typed: a distance far from the drawing, one that its neighbours contradict with
what it likely is. It judges nothing; `holeqc check` adjusts the distances for itself."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from openpyxl.styles import Font
from openpyxl.worksheet.pagebreak import Break

from holeqc.quantities import FloatArray
from holeqc.readings import sheet as look
from holeqc.readings.sheet_layout import DISTANCE_COLUMNS, DISTANCE_HOW_TO, HEADLINE, marked
from holeqc.readings.table import basic_distance, cell_name
from holeqc.specification.model import CENTRES, EDGE, FAR_WALLS, NEAR_WALLS, OVER_PINS, WAYS, Distance

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from holeqc.readings.sheet_layout import Layout
    from holeqc.specification.model import Specification


@dataclass(frozen=True, slots=True)
class DistanceTable:
    """Distances to measure (n,) and what makes their live marks.

    ``against`` (n, n): by what each distance's departure from the drawing moves the standardised residual of each;
    ``error`` (n,): the error that one of 1 stands for [kit unit], infinite where nothing checks the distance;
    ``critical``: beyond it none is by chance. ``far`` (n,): farther from the drawing none is believed. ``lines`` say
    what U to expect; ``picture``: a PNG of what is measured from where.
    """

    distances: tuple[Distance, ...]
    against: FloatArray
    error: FloatArray
    critical: float
    far: FloatArray
    count: int = 1
    lines: tuple[str, ...] = ()
    picture: bytes = b""


PICTURE_WIDTH = 760  #: pixels


def write_distances(s: Specification, table: DistanceTable, sheet: Worksheet, plan: Layout, first: int) -> str:
    """Write the table from a row on and return its last cell."""
    for row, (text, kind) in enumerate(((HEADLINE, "state"), (DISTANCE_HOW_TO, "legend")), start=first):
        look.banner(sheet, row, plan, text, "title" if kind == "state" else kind)
    head = first + 2
    columns = _columns(table.count, s.unit)
    for column, (heading, _) in enumerate(columns, start=1):
        cell = sheet.cell(head, column)
        look.write_text(cell, heading)
        _dress(cell, "locked")
        cell.font, cell.alignment = Font(name="Calibri", bold=True, size=11), look.HEADING
        letter = cell_name(1, column)[:-1]
        sheet.column_dimensions[letter].width = max(sheet.column_dimensions[letter].width or 0, 10)
    sheet.row_dimensions[head].height = 32
    last = head + len(table.distances)
    place = {word: cell_name(1, n)[:-1] for n, (_, word) in enumerate(columns, start=1) if word != "reading"}
    readings = [n for n, (_, word) in enumerate(columns, start=1) if word == "reading"]
    for k, distance in enumerate(table.distances):
        _row(sheet, s, table, k, distance, (head + 1, head + 1 + k, last), columns, place, readings)
    look.choice(sheet, f'"{",".join(WAYS)}"', f"{place['way']}{head + 1}:{place['way']}{last}")
    pins = s.plan.distances.pins if s.plan.distances else ()
    if pins:
        listed = ",".join(f"{p:g}" for p in pins)
        look.choice(sheet, f'"{listed}"', f"{place['pin']}{head + 1}:{place['other']}{last}")
    look.number_only(sheet, f"{cell_name(head + 1, readings[0])}:{cell_name(last, readings[-1])}")
    look.mark(sheet, f"{place['check']}{head + 1}:{place['check']}{last}", f"{place['check']}{head + 1}")
    for text in table.lines:
        last += 1
        look.banner(sheet, last, plan, marked(text), "legend")
    sheet.row_breaks.append(Break(id=first - 1))
    last = _put_picture(sheet, table, last + 1)
    return cell_name(last, max(plan.width, len(columns)))


def _columns(count: int, unit: str) -> list[tuple[str, str]]:
    """Return heading and word of each column of the table."""
    out = []
    for word, heading in DISTANCE_COLUMNS.items():
        if word == "reading":
            out += [(f"{heading} {n} [{unit}]", word) for n in range(1, count + 1)]
        else:
            out.append((f"{heading} [{unit}]" if word in {"pin", "other", "expected", "off"} else heading, word))
    return out


def _row(
    sheet: Worksheet, s: Specification, table: DistanceTable, k: int, distance: Distance, at: tuple[int, int, int],
    columns: Sequence[tuple[str, str]], place: dict[str, str], readings: Sequence[int],
) -> None:  # fmt: skip
    start, row, last = at
    cells: dict[str, Any] = {
        "number": k + 1, "first": distance.first, "second": distance.second, "way": distance.way, "wall": distance.wall,
        "expected": _expected(s, distance, place, row),
        "off": _off(place, row, cell_name(row, readings[0]), cell_name(row, readings[-1])),
        "against": _against(table, k, place, (start, last)),
        "check": _check(table, k, place, at, (cell_name(row, readings[0]), cell_name(row, readings[-1])), s.unit),
    }  # fmt: skip
    plan = s.plan.distances
    only = plan.pins[0] if plan is not None and len(plan.pins) == 1 else None
    for column, (_, word) in enumerate(columns, start=1):
        cell = sheet.cell(row, column)
        ends = {"pin": distance.first, "other": distance.second}
        asked = not (word in ends and (ends[word].startswith(EDGE) or distance.way not in WAYS[:2]))
        entry = word in {"pin", "other", "reading", "note", "way"}
        _dress(cell, "entry" if entry and asked else "closed" if entry else "locked")
        if word in {"pin", "other"} and asked and only is not None:
            cell.value = only
        elif isinstance(cells.get(word), str) and not str(cells[word]).startswith("="):
            look.write_text(cell, cells[word])
        elif word in cells:
            cell.value = cells[word]
        if word in {"pin", "other", "expected", "reading", "off"}:
            cell.number_format = look.NUMBER_FORMATS[s.unit]
        if word == "against":
            cell.number_format = "0.0"
    sheet.row_dimensions[row].height = 20


def _dress(cell: Any, kind: str) -> None:
    """Give a cell the looks of the table of holes: one to type into, a closed one, a locked one."""
    looks = {"entry": "note", "closed": "note", "locked": "lower"}
    if kind in {"entry", "closed"}:
        look.entry(cell, looks[kind], "in", asked=kind == "entry")
        cell.alignment = look.CENTRED
        return
    look.locked(cell, looks[kind], "in")


def _expected(s: Specification, distance: Distance, place: dict[str, str], row: int) -> str:
    """Return the formula of what should be read: the drawing's distance, and what the way adds for the pins typed."""
    base = repr(basic_distance(s, distance, s.parts[0].name))
    ends = [(distance.first, f"{place['pin']}{row}"), (distance.second, f"{place['other']}{row}")]
    holes = [(end, cell) for end, cell in ends if not end.startswith(EDGE)]
    if distance.way == CENTRES or not holes:
        return f"={base}"
    sign = "+" if distance.way in {OVER_PINS, FAR_WALLS} else "-"
    if distance.way in {FAR_WALLS, NEAR_WALLS}:
        half = sum(0.25 * (s.hole(end).size.lower + s.hole(end).size.upper) for end, _ in holes)
        return f"={base}{sign}{half!r}"
    cells = [cell for _, cell in holes]
    return f'=IF(COUNT({",".join(cells)})<{len(cells)},"",{base}{sign}({"+".join(cells)})/2)'


def _off(place: dict[str, str], row: int, first: str, last: str) -> str:
    expected = f"{place['expected']}{row}"
    return f'=IF(OR(COUNT({first}:{last})=0,NOT(ISNUMBER({expected}))),"",AVERAGE({first}:{last})-{expected})'


def _against(table: DistanceTable, k: int, place: dict[str, str], rows: tuple[int, int]) -> str:
    """Return the standardised residual, once all are read: it needs every other distance."""
    off = f"{place['off']}{rows[0]}:{place['off']}{rows[1]}"
    if not table.error[k] < float("inf"):
        return ""
    least = 1e-6 * abs(table.against[k]).max()
    listed = ";".join(f"{v:.6g}" if abs(v) > least else "0" for v in table.against[k])
    return f'=IF(COUNT({off})<{len(table.distances)},"",SUMPRODUCT({{{listed}}},{off}))'


def _check(
    table: DistanceTable, k: int, place: dict[str, str], at: tuple[int, int, int], cells: tuple[str, str], unit: str
) -> str:  # fmt: skip
    start, row, last = at
    off, mine = f"{place['off']}{row}", f"{place['against']}{row}"
    all_off, others = (f"{place[word]}{start}:{place[word]}{last}" for word in ("off", "against"))
    typed = f"{cells[0]}:{cells[1]}"
    decimals = 4 if unit == "in" else 3
    steps = [
        (f"COUNTA({typed})=0", '""'), (f"COUNT({typed})<COUNTA({typed})", '"? not a number"'),
        (f"NOT(ISNUMBER({off}))", '"? pin missing"'),
        (f"ABS({off})>{float(table.far[k])!r}", '"? far from the drawing"'),
        (f"COUNT({all_off})<{len(table.distances)}", '"… others to read"'),
    ]  # fmt: skip
    if table.error[k] < float("inf"):
        likely = (
            f'"? contradicts the others, likely "&ROUND(AVERAGE({typed})-{mine}*{float(table.error[k])!r},{decimals})'
        )
        steps.append(
            (
                f"AND(ABS({mine})>{float(table.critical)!r},ABS({mine})>=MAX(MAX({others}),-MIN({others}))-0.000001)",
                likely,
            )
        )
        steps.append((f"MAX(MAX({others}),-MIN({others}))>{float(table.critical)!r}", '"… see the others"'))
        done = '"✓ fits the others"'
    else:
        done = '"✓ read; nothing checks it"'
    text = done
    for condition, result in reversed(steps):
        text = f"IF({condition},{result},{text})"
    return f"={text}"


def _put_picture(sheet: Worksheet, table: DistanceTable, row: int) -> int:
    if not table.picture:
        return row
    from openpyxl.drawing.image import Image

    image = Image(io.BytesIO(table.picture))
    image.width, image.height = PICTURE_WIDTH, int(PICTURE_WIDTH * image.height / image.width)
    sheet.row_breaks.append(Break(id=row - 1))
    sheet.add_image(image, cell_name(row + 1, 1))
    return row + 2 + image.height // 20
