"""What each column of a table holds, by its heading and by its values; and the record of how it was understood.

A heading alone doesn't tell a reading from the drawing's own number: 'X, Y, Actual X, Actual Y' repeats the basic
dimensions, 'Size' beside 'Dia' the call-out, 'Min' and 'Max' may be limits or the two readings taken. So a column that
shares its meaning with another one, or that isn't a reading, is laid beside the kit before it is believed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from holeqc.characteristics import ANGLES, OF_WORD, unit_of, with_unit
from holeqc.problems import Problem, note, warning
from holeqc.quantities import GRAIN, MM_PER_INCH, BoolArray, FloatArray, IntArray, convert, decimals_of, format_length
from holeqc.readings.account import Kinds, in_ascii, quoted
from holeqc.readings.containers import Content, GridColumn, Uncalculated
from holeqc.readings.headings import IGNORED, MODIFIER, READING, SCALES, UNKNOWN, Meaning
from holeqc.readings.identities import text_of
from holeqc.readings.layouts import Table, views
from holeqc.readings.rows import Rows
from holeqc.readings.sheet_layout import is_before_text
from holeqc.readings.synonyms import FIELD, tokens
from holeqc.readings.table import ColumnUse, cell_name, measured_limits
from holeqc.readings.values import date_of, length_of
from holeqc.readings.words import (
    REMARK,
    doubt_in,
    is_good_verdict,
    is_refusal,
    is_signature,
    numbers_in,
    remark_against,
    speaks_of_defect,
    word_of,
)

#: a number so near a hole's size may be a reading of it, whatever stands over it; common practice, no source
NEAR_SIZE = 0.25
_CALL_OUT = re.compile(
    r"[⌀øØ]? ?\d*[.,]?\d+ ?(?:mm|in|\"|″)?(?: ?(?:-|–|/|to|bis|à|a) ?\d*[.,]\d+ ?(?:mm|in|\"|″)?"
    r"|(?: ?[+±-]/?-? ?\d*[.,]?\d+ ?(?:mm|in|\"|″)?){1,2})"
)
_OF_HOLE = re.compile(r"\A\s*(?:hole|bohrung|trou|agujero)?\s{0,4}([^\s:=]{1,40})\s{0,4}[:=]", re.I)
_SIZES = re.compile(r"\d{0,4}[.,]\d{2,6}")
_PLAIN = re.compile(r"[+-]?\d*[.,]?\d+")
NOMINAL_UNDER = 0.1  #: a nominal size lies no farther below the lower limit than this share of it (common practice)
ROWS_LOOKED_AT = 2_000  #: so many numbers without a heading are looked at one by one
LIMITS = 2  #: so many sizes in one text are limits
CALLED_OUT = 2  #: so many columns of diameters, one of them the call-out
#: how many readings must equal the drawing before a column beside a twin is taken for it
DRAWN_ROWS = 2
#: so many equal sizes beside readings are a drawing's, though the kit doesn't say that size
ONE_SIZE_ROWS = 6
SAID_BY_CELLS = frozenset({"serial", "part", "hole", "wall", "unit"})
#: so many labels of rows are named one by one where holes stand side by side
LABELS_SHOWN = 60
SHOWN = {
    "limit": "limit",
    "drawing": "nominal or basic",
    "extreme": "smallest or largest",
    "statistic": "average or the like",
    "deviation": "deviation",
    "computed": "computed",
    "verdict": "verdict",
    "earlier": "earlier reading",
    "before": "what was found before",
}


def settle_columns(table: Table, known: Rows) -> None:
    """Decide by values what headings leave open; take what is no reading out of the table's readings, and say so."""
    _extremes(table, known)
    _deviations(table)
    _twins(table, known)
    table.take_for_readings([c for c in table.columns if table.meanings[c].kind == READING])
    _beside_readings(table, known)


def column_values(table: Table, column: int) -> tuple[FloatArray, float]:
    """Return the numbers of a column (r,) and half a unit of their last typed digit, both in the kit's unit.

    NaN where there is not a number.
    """
    grid_column = table.context.sheet.grid.columns[column]
    values, decimals, own_unit, own_step = _typed_numbers(grid_column, table)
    if table.meanings[column].word in ANGLES:
        return values, 0.5 * 10.0**-decimals + GRAIN
    said = table.meanings[column].unit
    unit = said or _unit_beside(table, table.meanings[column].word or "diameter")
    named, factor = SCALES.get(unit, (unit if unit in {"in", "mm"} else table.context.spec.unit, 1.0))
    to_kit = float(convert(1.0, named, table.context.spec.unit))
    values = np.where(own_unit, values, values * factor * to_kit)
    step = own_step if own_unit.all() else max(factor * to_kit, own_step)
    return values, 0.5 * 10.0**-decimals * step + GRAIN


def _unit_beside(table: Table, word: str) -> str:
    """Return the unit of a column whose heading says none: what all headings of such readings say, or the sheet's."""
    alike = {m.unit for m in table.meanings if m.kind == READING and m.word == word and not m.deviation}
    if len(alike) == 1 and alike & set(SCALES):
        return alike.pop()
    said = {m.unit for m in table.meanings if m.kind == READING and m.unit in {"in", "mm"}}
    return said.pop() if len(said) == 1 else table.context.unit


def _typed_numbers(column: GridColumn, table: Table) -> tuple[FloatArray, int, BoolArray, float]:
    """Return numbers as typed (r,), their decimals, where a cell says its own unit, and how large that unit is.

    Where a cell says its unit the number is in the kit's already.
    """
    rows, spec_unit = table.rows, table.context.spec.unit
    values, own, step = np.full(rows.size, np.nan), np.zeros(rows.size, dtype=np.bool_), 0.0
    distinct: list[float] = []
    if column.numbers is not None:
        values[:] = column.numbers[rows]
        distinct += np.unique(values[np.isfinite(values)])[:200].tolist()
    if column.codes is not None:
        codes = column.codes[rows]
        numbers, said = np.full(len(column.labels) + 1, np.nan), np.zeros(len(column.labels) + 1, dtype=np.bool_)
        for code in column.used(rows):
            found = length_of(column.labels[code], table.context.decimal)
            if found.issue is not None or not np.isfinite(found.value):
                continue
            distinct.append(float(found.value))
            size = float(convert(1.0, found.unit, spec_unit)) if found.unit else 1.0
            numbers[code], said[code] = found.value * size, bool(found.unit)
            step = max(step, size if found.unit else 0.0)
        own = said[codes] | ((codes < 0) & np.isnan(values))  # blank cells say nothing against it
        values = np.where(np.isnan(values), numbers[codes], values)
    return values, max(map(decimals_of, distinct), default=0), own, step


def _same_thing(meaning: Meaning) -> tuple[object, ...]:
    return (meaning.word, meaning.wall, meaning.direction, meaning.hole, meaning.serial)


def _retire(table: Table, column: int, reason: str) -> None:
    meanings = list(table.meanings)
    meanings[column] = replace(meanings[column], kind=IGNORED, reason=reason, deviation=False)
    table.meanings = tuple(meanings)


def _drawn(table: Table, known: Rows, word: str) -> tuple[FloatArray, ...]:
    """Return what the drawing says of each row (r,): basic x or y, or the limits and the sizes between them."""
    spec = table.context.spec
    nothing = np.full((len(spec.parts) + 1, len(spec.holes) + 1), np.nan)
    tables = []
    if word in {"x", "y"}:
        basic = nothing.copy()
        for number, each in enumerate(spec.parts):
            basic[number, :-1] = spec.basic_xy(each.name)[:, "xy".index(word)]
        drawn = nothing.copy()
        drawn[:, :-1] = [h.x if word == "x" else h.y for h in spec.holes]
        tables = [basic, drawn]
    elif word in OF_WORD and OF_WORD[word].measured:
        for limit in measured_limits(spec, word):
            one = nothing.copy()
            one[:, :-1] = limit
            tables.append(one)
    else:
        drill = spec.tools.drill.diameter if spec.tools.drill is not None else np.nan
        for size in (
            [h.size.lower for h in spec.holes],
            [h.size.upper for h in spec.holes],
            [0.5 * (h.size.lower + h.size.upper) for h in spec.holes],
            [drill] * len(spec.holes),
        ):
            one = nothing.copy()
            one[:, :-1] = size
            tables.append(one)
    part = np.where(known.part < 0, len(spec.parts), known.part)
    hole = np.where(known.hole < 0, len(spec.holes), known.hole)
    return tuple(t[part, hole] for t in tables)


def basic_of_rows(table: Table, known: Rows, word: str) -> FloatArray:
    """Return the basic x or y of each row's hole (r,) in the frame of its part, NaN where it isn't known."""
    return _drawn(table, known, word)[0]


def is_drawn(table: Table, known: Rows, column: int) -> bool:
    """Whether every value of a column is what the drawing says, as far as its digits go."""
    word = table.meanings[column].word
    if word not in {"x", "y", "diameter"}:
        return False
    values, near = column_values(table, column)
    filled = np.isfinite(values)
    if int(filled.sum()) < DRAWN_ROWS:
        return False
    return any(bool((np.abs(drawn - values)[filled] <= near).all()) for drawn in _drawn(table, known, word))


def _placed(meaning: Meaning) -> bool:
    """Whether a heading says where or how a reading was taken, as no drawing's size does."""
    return meaning.wall >= 0 or meaning.direction is not None or meaning.trial > 0 or meaning.actual


def _one_size(table: Table, known: Rows, column: int) -> bool:
    """Whether a column repeats one possible nominal size for all holes of the same limits, as no gauge would."""
    if table.meanings[column].word != "diameter":
        return False
    values, _ = column_values(table, column)
    rows = np.flatnonzero(np.isfinite(values) & (known.hole >= 0))
    if rows.size < ONE_SIZE_ROWS:
        return False
    limits = np.array([(h.size.lower, h.size.upper) for h in table.context.spec.holes])[known.hole[rows]]
    value = values[rows]
    if ((value < (1 - NOMINAL_UNDER) * limits[:, 0]) | (value > limits[:, 1] + GRAIN)).any():
        return False
    _, of_limits, count = np.unique(limits, axis=0, return_inverse=True, return_counts=True)
    least, most = np.full(count.size, np.inf), np.full(count.size, -np.inf)
    np.minimum.at(least, of_limits.ravel(), value)
    np.maximum.at(most, of_limits.ravel(), value)
    return bool((most - least <= GRAIN).all() and (count > 1).all())


def _twins(table: Table, known: Rows) -> None:
    """Of columns with one meaning, take those that repeat the drawing, or one size for every hole, for the drawing.

    The rest stay readings of one thing and must agree. One called measured beside one that isn't: the other is the
    drawing if its values are, and otherwise a second reading that must agree with the first.
    """
    same: dict[tuple[object, ...], list[int]] = {}
    for column in table.readings:
        meaning = table.meanings[column]
        if meaning.word in {"x", "y", "diameter"} and not meaning.deviation:
            same.setdefault(_same_thing(meaning), []).append(column)
    _call_outs(table)
    for columns in same.values():
        columns = [c for c in columns if table.meanings[c].kind == READING]
        if not columns:
            continue
        rivals, only = columns, table.meanings[columns[0]]
        placed = {c for c in columns if _placed(table.meanings[c])}
        if len(columns) == 1 and not placed:
            # 'Size' beside 'Near 0°', 'X' beside 'near X': the drawing's have neither wall nor direction
            mine = [c for c in table.readings if table.meanings[c].word == only.word]
            rivals = [c for c in mine if not table.meanings[c].deviation]
        if len(rivals) < 2:
            continue
        drawn = [c for c in columns if is_drawn(table, known, c) or (c not in placed and _one_size(table, known, c))]
        if len(drawn) < len(rivals):
            for column in drawn:
                _retire(table, column, "drawing")


def _call_outs(table: Table) -> None:
    """Take a column of limits as drawings call them out, '0.455-0.462' or '.455 +.007 -0', for the drawing."""
    diameters = [c for c in table.columns if table.meanings[c].kind == READING and table.meanings[c].word == "diameter"]
    for column in diameters:
        meaning, grid_column = table.meanings[column], table.context.sheet.grid.columns[column]
        placed = meaning.wall >= 0 or meaning.direction is not None
        if placed or len(diameters) < CALLED_OUT or grid_column.codes is None:
            continue
        codes = np.unique(grid_column.codes[table.rows])
        texts = [grid_column.labels[c] for c in codes[codes >= 0]]
        if texts and codes[0] >= 0 and all(isinstance(x, str) and _CALL_OUT.fullmatch(x.strip()[:60]) for x in texts):
            _retire(table, column, "drawing")


def _extremes(table: Table, known: Rows) -> None:
    """Take 'Min' and 'Max' for the two readings of a wall where they are, for limits or a summary where they aren't."""
    pairs: dict[tuple[object, ...], list[int]] = {}
    for column in table.columns:
        meaning = table.meanings[column]
        if meaning.kind == IGNORED and meaning.reason == "extreme" and meaning.word in {"", "diameter"}:
            pairs.setdefault(_same_thing(replace(meaning, word="diameter")), []).append(column)
    for thing, columns in pairs.items():
        filled = [c for c in columns if np.isfinite(column_values(table, c)[0]).any()]
        read = any(
            m.kind == READING and m.word == "diameter" and (m.wall == thing[1] or m.wall < 0 or int(str(thing[1])) < 0)
            for m in (table.meanings[c] for c in table.readings)
        )
        meanings = list(table.meanings)
        for column in filled:
            meanings[column] = replace(meanings[column], word="diameter")
        table.meanings = tuple(meanings)
        drawn = [c for c in filled if is_drawn(table, known, c)]
        for column in columns:
            if column in drawn:
                _retire(table, column, "limit")
        if read or len(filled) != 2 or drawn:
            continue
        for number, column in enumerate(filled, 1):
            meanings = list(table.meanings)
            meanings[column] = replace(meanings[column], kind=READING, reason="", trial=number)
            table.meanings = tuple(meanings)
    table.readings = [c for c in table.columns if table.meanings[c].kind == READING]


def _deviations(table: Table) -> None:
    """Leave deviations out where the thing itself was read; otherwise they are the readings."""
    read = [m for m in table.meanings if m.kind == READING and not m.deviation]
    for column in table.columns:
        meaning = table.meanings[column]
        if meaning.kind == READING and meaning.deviation and any(_may_be_same(meaning, m) for m in read):
            _retire(table, column, "deviation")


def _may_be_same(one: Meaning, other: Meaning) -> bool:
    """Whether two columns may be of one thing: nothing that both say of it differs."""
    walls = one.wall < 0 or other.wall < 0 or one.wall == other.wall
    ways = one.direction is None or other.direction is None or one.direction == other.direction
    return walls and ways and (one.word, one.hole, one.serial) == (other.word, other.hole, other.serial)


def deviation_base(table: Table, known: Rows, column: int) -> FloatArray:
    """Return what deviations of a column count from (r,) [kit unit], NaN where nothing says it."""
    meaning = table.meanings[column]
    if meaning.base is not None:
        own = meaning.unit if meaning.unit in {"in", "mm"} else _unit_beside(table, "")
        unit = SCALES[meaning.unit][0] if meaning.unit in SCALES else own
        # a size is said in whole units even where the deviations are counted in thousandths of them
        base = np.full(table.rows.size, meaning.base)
        return np.asarray(base if unit == table.context.spec.unit else convert(base, unit, table.context.spec.unit))
    for other in table.columns:
        beside = table.meanings[other]
        nominal = beside.kind == IGNORED and beside.reason == "drawing"
        if nominal and (beside.word == meaning.word or (not beside.word and meaning.word == "diameter")):
            return column_values(table, other)[0]
    if meaning.word in {"x", "y"}:
        return _drawn(table, known, meaning.word)[0]
    return np.full(table.rows.size, np.nan)


def _beside_readings(table: Table, known: Rows) -> None:
    """Look at columns that are no readings for what speaks against the part; hold where one does."""
    _tell_remarks(table)
    for column in table.span():
        meaning = table.meanings[column]
        if column >= table.context.sheet.grid.width or meaning.kind == READING:
            continue
        if meaning.word in _WHOSE - {"hole", "characteristic", "value"}:
            _defects(table, known, column)
        if meaning.word in _WHOSE and (meaning.word != "part" or _whole_numbers(table, column)):
            continue  # a kit of one part doesn't mind what its column of parts says, unless that may be a reading
        if meaning.reason == "verdict":
            _verdicts(table, known, column)
            continue
        if meaning.reason == "before" and _ours(table, column):
            continue
        _defects(table, known, column)
        _other_answers(table, known, column)
        _named_sizes(table, known, column)
        if table.context.own:
            _printed_over(table, known, column)
        if meaning.reason in _WORKED_OUT:
            _against_readings(table, known, column)
        if meaning.kind == IGNORED and meaning.reason == "earlier":
            _earlier(table, known, column)
        elif meaning.reason in {"limit", "drawing"}:
            _other_drawing(table, known, column)
        elif meaning.reason in {"statistic", "extreme"}:
            _like_a_bad_reading(table, known, column)
        elif meaning.reason == "computed" and _POSITION & set(tokens(table.texts[column])):
            _off_position(table, known, column)
        elif meaning.reason == "computed" and _ROUND & set(tokens(table.texts[column])):
            _off_form(table, known, column)
        elif meaning.reason not in {"deviation", "computed"} and not _whole_numbers(table, column):
            _like_a_bad_reading(table, known, column)  # whole numbers count, or name a person
        if meaning.kind == UNKNOWN:
            _unknown_across(table, known, column)
            _under_a_word(table, known, column)


def _ours(table: Table, column: int) -> bool:
    """Whether every cell of a recheck's column for people still holds what its writer put there."""
    labels = table.context.sheet.grid.columns[column].as_labels(table.rows)
    used = [labels[1][code] for code in np.unique(labels[0][labels[0] >= 0])]
    return table.context.own and all(is_before_text(table.texts[column], x) for x in used)


def _printed_over(table: Table, known: Rows, column: int) -> None:
    """Hold holes beside which our own sheet no longer says what it was printed with: a reading typed over a limit."""
    from holeqc.readings.sheet_layout import PRINTED, layout, printed

    spec, grid_column = table.context.spec, table.context.sheet.grid.columns[column]
    holds = next((c.holds for c in layout(spec).columns if c.heading == table.texts[column]), "")
    if holds not in PRINTED:
        return
    wanted = [printed(spec, holds, hole) for hole in spec.holes]
    numbers = np.array([w if isinstance(w, float) else np.nan for w in wanted] + [np.nan])[known.hole]
    values, near = column_values(table, column)
    bad = np.isfinite(values) & ~(np.abs(values - numbers) <= near)
    if grid_column.codes is not None:
        codes = grid_column.codes[table.rows]
        for code in np.unique(codes[codes >= 0]):
            label = grid_column.labels[code]
            if isinstance(label, str):
                same = [isinstance(w, str) and in_ascii(w) == in_ascii(label.strip()) for w in wanted]
                bad |= (codes == code) & np.isnan(values) & ~np.append(same, False)[known.hole]
    issue = warning(
        "printed-over",
        f"something was typed over what the sheet says under {table.texts[column]!r}",
        "the sheet as it was printed",
        "Ask who wrote it and what is meant; type a reading into a white cell",
        holds=True,
    )
    _hold_rows(table, known, issue, np.flatnonzero(bad & (known.hole >= 0)), column)


#: why a column holds no readings, where its numbers follow from the readings beside it
_WORKED_OUT = {"deviation", "statistic", "extreme", "computed"}
_MOST = 0.5  #: a column is taken for what most of its numbers agree with


def _against_readings(table: Table, known: Rows, column: int) -> None:
    """Hold holes of which a number worked out on the sheet doesn't follow from the readings beside it.

    One of the two is mistyped: a deviation that its coordinate or size doesn't show, an average outside the readings,
    an out-of-roundness that is larger than their differences, a position that isn't that of x and y. But for deviations
    from the drawing the numbers themselves tell what a column is: what most of them agree with.
    """
    meaning = table.meanings[column]
    values, near = column_values(table, column)
    bad: BoolArray | None
    if meaning.reason == "computed" and {"position", "tp"} & set(tokens(table.texts[column])):
        bad = _other_position(table, known, meaning, values, near)
    else:
        low, high, room = _span_of_row(table, replace(meaning, word=meaning.word or "diameter"))
        room += 2.0 * near  # a digit may have been cut off
        if meaning.reason == "deviation":
            base = _base_of_deviations(table, known, column, values, (low, high), room)
            off = np.stack([np.abs(low - base), np.abs(high - base)])
            least = np.where((low - base) * (high - base) <= 0.0, 0.0, off.min(axis=0))
            with np.errstate(invalid="ignore"):
                bad = (np.abs(values) < least - room) | (np.abs(values) > off.max(axis=0) + room)
        else:
            low, high = _span_of_hole(known, low, high)
            with np.errstate(invalid="ignore"):
                between = (values >= low - room) & (values <= high + room)
                within = (values >= -room) & (values <= high - low + 2.0 * room)
            there = np.isfinite(values) & np.isfinite(low)
            bad = next((there & ~good for good in (between, within) if good.sum() > _MOST * there.sum()), None)
    if bad is None or not bad.any():
        return
    issue = warning(
        "not-of-readings",
        f"the number under {table.texts[column]!r} doesn't follow from the readings beside it",
        "numbers that follow from the readings",
        "One of them is mistyped: look at the gauge's own record, or measure the hole again",
        holds=True,
    )
    _hold_rows(table, known, issue, np.flatnonzero(bad), column)


def _span_of_row(table: Table, meaning: Meaning) -> tuple[FloatArray, FloatArray, float]:
    """Return the smallest and largest reading that a column may have been worked out from, by row (r,), and half a
    unit of their last digit; NaN where none is."""
    low, high, room = np.full(table.rows.size, np.inf), np.full(table.rows.size, -np.inf), 0.0
    for column in table.readings:
        read = table.meanings[column]
        if not read.deviation and _may_be_same(meaning, read):
            values, near = column_values(table, column)
            low, high, room = np.fmin(low, values), np.fmax(high, values), max(room, near)
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan), room


def _span_of_hole(known: Rows, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the smallest and largest of all rows of the same part and hole, by row (r,)."""
    _, of = np.unique(np.column_stack([known.part, known.serial, known.hole]), axis=0, return_inverse=True)
    of = of.ravel()
    least, most = np.full(low.size, np.inf), np.full(low.size, -np.inf)
    np.fmin.at(least, of, low)
    np.fmax.at(most, of, high)
    return np.where(np.isfinite(least), least, np.nan)[of], np.where(np.isfinite(most), most, np.nan)[of]


def _base_of_deviations(
    table: Table, known: Rows, column: int, values: FloatArray, span: tuple[FloatArray, FloatArray], room: float
) -> FloatArray:
    """Return what deviations count from (r,): what the sheet or drawing says, or what most of the rows show."""
    said = deviation_base(table, known, column)
    if np.isfinite(said).any() or table.meanings[column].word in {"x", "y"}:
        return said
    least, most = span[0] - values - room, span[1] - values + room
    lower = _drawn(table, known, "diameter")[0]
    base = np.full(values.size, np.nan)
    for limit in np.unique(lower[np.isfinite(lower) & np.isfinite(least)]):
        mine = (lower == limit) & np.isfinite(least)
        ends = np.concatenate([least[mine], most[mine]])
        steps = np.repeat([1, -1], int(mine.sum()))
        order = np.lexsort((-steps, ends))  # where two meet both hold
        agree = np.cumsum(steps[order])
        best = int(agree.argmax())
        if agree[best] > _MOST * mine.sum():
            base[mine] = 0.5 * (ends[order][best] + ends[order][best + 1])
    return base


def _other_position(table: Table, known: Rows, meaning: Meaning, values: FloatArray, near: float) -> BoolArray | None:
    """Return where a position isn't twice the distance of x and y from basic (r,), None where most aren't."""
    off, room = [], 0.0
    for word in ("x", "y"):
        low, high, step = _span_of_row(table, replace(meaning, word=word))
        off.append(0.5 * (low + high) - _drawn(table, known, word)[0])
        apart = high - low
        room += 2.0 * (step + float(np.max(apart, where=np.isfinite(apart), initial=0.0)))
    wanted = 2.0 * np.hypot(*off)
    there = np.isfinite(values) & np.isfinite(wanted)
    # it may be worked out from more digits than are shown, or in the other unit
    spare = 0.25 * np.append([h.position.tolerance or 0.0 for h in table.context.spec.holes], np.inf)[known.hole]
    bad = there & (np.abs(values - wanted) > room + 2.0 * near + spare)
    return bad if there.any() and bad.sum() < _MOST * there.sum() else None


def _tell_remarks(table: Table) -> None:
    """Quote what people wrote into a column of remarks and nothing holds for: it is for a person to read."""
    grid, told = table.context.sheet.grid, list[tuple[str, int, int]]()
    for column in table.fields("note"):
        all_codes = grid.columns[column].codes
        codes = all_codes[table.rows] if all_codes is not None else np.empty(0, dtype=np.int64)
        for code in np.unique(codes[codes >= 0]):
            label = grid.columns[column].labels[code]
            if isinstance(label, str) and not remark_against(label):
                told.append((label, int(table.rows[np.argmax(codes == code)]), column))
    if told:
        told.sort(key=lambda each: each[1])
        count = "1 remark" if len(told) == 1 else f"{len(told)} remarks"
        decide = "decides" if len(told) == 1 else "decide"
        message = f"{count} beside the readings {decide} nothing: {quoted(told)}"
        table.context.say(note("remarks", message), "", told[0][1], told[0][2])


#: fields that say whose readings they are, or are judged by themselves
_WHOSE = {"hole", "wall", "serial", "part", "characteristic", "direction", "trial", "value", "unit"}


def _off_position(table: Table, known: Rows, column: int) -> None:
    """Hold holes whose position, as the sheet works it out, is beyond any tolerance with its largest bonus."""
    most = np.full(len(table.context.spec.holes), np.nan)
    for number, hole in enumerate(table.context.spec.holes):
        if hole.position.tolerance is not None:
            bonus = hole.size.band if hole.position.condition in {"MMC", "LMC"} else 0.0
            most[number] = hole.position.tolerance + bonus
    issue = warning(
        "sheet-says-off-position",
        "the position worked out on the sheet is beyond the tolerance with its largest bonus",
        "positions within the tolerance",
        "Measure the position again; look how the sheet works it out",
        holds=True,
    )
    _hold_beyond(table, known, issue, most, column)


def _hold_beyond(table: Table, known: Rows, issue: Problem, most: FloatArray, column: int) -> None:
    """Hold holes whose number in a column is beyond the most that each hole of the kit (h,) may have."""
    values, _ = column_values(table, column)
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(values > np.append(most, np.nan)[np.where(known.hole < 0, -1, known.hole)] + GRAIN)
    _hold_rows(table, known, issue, rows, column)


#: words of a heading over a position that was worked out
_POSITION = {"position", "tp", "pos", "posición", "posicion", "localisation", "positionsabweichung"}
#: words of a heading over an out-of-roundness
_ROUND = {"round", "roundness", "ovality", "oor", "circularity", "unrundheit", "rundheit", "ovalität", "ovalisation",
          "redondez", "ovalidad"}  # fmt: skip


def _off_form(table: Table, known: Rows, column: int) -> None:
    """Hold holes that are farther out of round, by the sheet, than the kit or else the band of size allows."""
    asked = [(h.form.out_of_roundness, h.size.band) for h in table.context.spec.holes]
    most = np.array([band if form is None else form for form, band in asked])
    issue = warning(
        "sheet-says-off-form",
        "the out-of-roundness worked out on the sheet is beyond what the hole may have",
        "out-of-roundness within the tolerance",
        "Measure the hole again in several directions",
        holds=True,
    )
    _hold_beyond(table, known, issue, most, column)


def _earlier(table: Table, known: Rows, column: int) -> None:
    """Hold holes that were over their upper limit before: cutting can't make a hole smaller."""
    values, _ = column_values(table, column)
    upper = _drawn(table, known, "diameter")[1]
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(_near_size(table, known, values) & (values > upper + GRAIN))
    issue = warning(
        "was-oversize",
        "the hole was over its upper limit before, and cutting can't make it smaller",
        "earlier sizes up to the upper limit",
        "Ask what was done to the hole; measure it again",
        holds=True,
    )
    _hold_rows(table, known, issue, rows, column)


def _named_sizes(table: Table, known: Rows, column: int) -> None:
    """Hold holes beside which a text names a size outside their limits: 'first try .3172'."""
    grid_column = table.context.sheet.grid.columns[column]
    if grid_column.codes is None:
        return
    kinds = Kinds(table.context.spec)
    no_hole = known.hole < 0  # holes stand side by side, or on cards: the row is of several
    worked_out = table.meanings[column].reason in {"statistic", "extreme"}  # looked at in the column's unit
    named: dict[int, list[float]] = {}  # of each text the sizes it may mean
    outside, reading, of_other = (np.zeros(len(grid_column.labels) + 1, dtype=np.bool_) for _ in range(3))
    for code in grid_column.used(table.rows):
        label = grid_column.labels[code]
        if not isinstance(label, str) or label.strip().isdecimal() or (worked_out and _PLAIN.fullmatch(label.strip())):
            continue
        typed = list(numbers_in(label[:REMARK]))
        named[code] = [value for one in typed for value in (one, one * MM_PER_INCH, one / MM_PER_INCH)]
        outside[code] = any(kinds.is_just_outside(value) and not kinds.is_drawn(value) for value in named[code])
        reading[code] = any(map(kinds.may_be_reading, typed))
        # 'A: .4702 on second look', or 'hole A now .4702', in the row of hole J
        of_other[code] = reading[code] and (kinds.names_hole(label) or kinds.names_hole(label, _OF_HOLE))
    if not any(named.values()):
        return
    codes = grid_column.codes[table.rows]
    lower, upper = _drawn(table, known, "diameter")[:2]
    asked = {word for h in table.context.spec.holes for word in h.measured}
    depths = [_drawn(table, known, word) for word in sorted(asked) if word not in ANGLES]
    hit = outside[codes] | (reading[codes] & (no_hole | of_other[codes]))
    for place in range(max(map(len, named.values()), default=0)):
        sizes = np.full(len(grid_column.labels) + 1, np.nan)
        there = [code for code, values in named.items() if len(values) > place]
        sizes[there] = [named[code][place] for code in there]
        value = sizes[codes]
        with np.errstate(invalid="ignore"):
            hit |= _near_size(table, known, value) & ((value < lower - GRAIN) | (value > upper + GRAIN))
            for low, high in depths:
                hit |= _near_measured(value, low, high) & ((value < low - GRAIN) | (value > high + GRAIN))
    issue = warning(
        "size-in-words",
        "a text beside the readings names a size outside the limits of the hole",
        "sizes under their headings",
        "Ask who wrote it and what is meant; measure the hole again",
        holds=True,
    )
    if table.meanings[column].reason not in {"limit", "drawing", "deviation", "computed", "earlier"}:
        _hold_rows(table, known, issue, np.flatnonzero(hit), column)


def _whole_numbers(table: Table, column: int) -> bool:
    """Whether all numbers typed in a column are whole."""
    grid_column = table.context.sheet.grid.columns[column]
    numbers = grid_column.numbers[table.rows] if grid_column.numbers is not None else np.empty(0)
    texts = [grid_column.labels[c] for c in grid_column.used(table.rows)]
    numbers = numbers[np.isfinite(numbers)]
    decimals = any(isinstance(x, str) and any(c.isdigit() for c in x) and not x.strip().isdecimal() for x in texts)
    return bool((numbers == np.rint(numbers)).all()) and not decimals


def _defects(table: Table, known: Rows, column: int) -> None:
    """Hold holes of which a remark speaks of a defect: crack, burr, oversize and the like."""
    grid_column = table.context.sheet.grid.columns[column]
    if grid_column.codes is None:
        return
    meaning, remarks = table.meanings[column], _is_remarks(table, column)
    dated = (meaning.kind, meaning.word) == (FIELD, "date")
    words = [
        _said_against(x, remarks, meaning.kind == IGNORED)
        if isinstance(x, str) and not (dated and date_of(x, "dmy")[0])
        else ""
        for x in grid_column.labels
    ]
    for word in dict.fromkeys(w for w in words if w):
        hit = np.append(np.array([w == word for w in words], dtype=np.bool_), False)[grid_column.codes[table.rows]]
        issue = warning(
            "remark-of-defect",
            f"the remark speaks of {word!r}",
            "remarks that speak of no defect",
            "Look at the hole; say what was found under its surface, or clear up the remark",
            holds=True,
        )
        _hold_rows(table, known, issue, np.flatnonzero(hit), column)


def _is_remarks(table: Table, column: int) -> bool:
    """Whether people write remarks into a column: it is called so, or by nothing that is known."""
    meaning = table.meanings[column]
    return meaning.kind == UNKNOWN or (meaning.kind, meaning.word) == (FIELD, "note")


def _said_against(text: str, remark: bool, no_reading: bool) -> str:
    if remark and not (text.strip().casefold() in _LETTERS and len(text.strip()) == 1):
        return remark_against(text)
    if no_reading and is_refusal(text) and word_of(text) not in _PLAIN_NO:
        return text.strip()
    return speaks_of_defect(text[:REMARK]) or doubt_in(text[:REMARK])


_PLAIN_NO = {"no", "n", "nein", "non", "false"}
#: answers that a column without a known heading may hold; each kind by itself
_LETTERS = set("pfarynojxh")
_PAIRS = (
    ({"p", "pass", "passed"}, {"f", "fail", "failed"}), ({"a", "acc", "accept", "accepted"}, {"r", "rej", "reject"}),
    ({"ok", "good", "io", "i o"}, {"nok", "not ok", "nio", "bad", "no"}), ({"in"}, {"out", "over", "under"}),
    ({"yes", "y", "ja", "j", "oui", "si", "true"}, {"no", "n", "nein", "non", "false"}),
    ({"✓", "✔"}, {"✗", "✘", "x", "×"}),
)  # fmt: skip


def _other_answers(table: Table, known: Rows, column: int) -> None:
    """Hold holes of which a column that nobody knows gives another answer than of most: P P F P, no no yes no."""
    meaning, grid_column = table.meanings[column], table.context.sheet.grid.columns[column]
    asked = meaning.kind == UNKNOWN or meaning.reason in {"limit", "computed", "deviation"}
    if grid_column.codes is None or not asked:
        return
    words = {c: word_of(grid_column.labels[c]) for c in grid_column.used(table.rows)}
    for good, bad in _PAIRS:
        if not set(words.values()) <= good | bad:
            continue
        codes = grid_column.codes[table.rows]
        one = np.isin(codes, [c for c, word in words.items() if word in good])
        other = np.isin(codes, [c for c, word in words.items() if word in bad])
        odd = one if other.sum() > one.sum() else other
        if bad & (_PLAIN_NO | {"in"}) == set() and not one.any():
            odd = other  # all of them fail
        if odd.any() and (one.any() or odd is other):
            issue = warning(
                "other-answer",
                f"{table.texts[column]!r} is answered otherwise here than for most holes, and the heading isn't known",
                "one answer for all good holes",
                "Ask what is meant; name the heading in [headings] of the kit file",
                holds=True,
            )
            _hold_rows(table, known, issue, np.flatnonzero(odd), column)
        return


def _under_a_word(table: Table, known: Rows, column: int) -> None:
    """Hold holes for which something stands under a heading that speaks of defects: a number under 'NCR no.'."""
    text, grid_column = table.texts[column], table.context.sheet.grid.columns[column]
    if not doubt_in(text[:REMARK]) and not speaks_of_defect(text[:REMARK]):
        return
    nothing = _PLAIN_NO | {"none", "nil", "na", "n a", "0", ""}
    harmless = [
        isinstance(x, str) and (word_of(x) in nothing or is_good_verdict(x) or not x.strip("-–./ "))
        for x in grid_column.labels
    ]
    there = grid_column.filled(table.context.sheet.grid.rows)[table.rows]
    if grid_column.codes is not None:
        there &= ~np.append(np.array(harmless, dtype=np.bool_), False)[grid_column.codes[table.rows]]
    if grid_column.numbers is not None:
        there &= ~(grid_column.numbers[table.rows] == 0.0)
    issue = warning(
        "remark-of-defect",
        f"something stands under {text!r} for this hole",
        "nothing, or 'none', under such a heading",
        "Look at the hole; clear up what is meant",
        holds=True,
    )
    _hold_rows(table, known, issue, np.flatnonzero(there), column)


def _unknown_across(table: Table, known: Rows, column: int) -> None:
    """Hold where holes or parts stand side by side and one column names none that the kit knows."""
    across = any(table.meanings[c].hole or table.meanings[c].serial for c in table.readings)
    if not across:
        return
    name = table.texts[column]
    values, _ = column_values(table, column)
    rows = np.flatnonzero(np.isfinite(values))
    if rows.size:
        issue = warning(
            "unknown-hole",
            f"the kit has no hole {name!r}; {rows.size} numbers stand below it"
            if name
            else f"{rows.size} numbers stand beside the holes, and no hole is named above them",
            "holes " + ", ".join(table.context.spec.hole_ids[:40]),
            "Correct the hole's number over the column",
            holds=True,
        )
        place, first = int(table.rows[rows[0]]), int(rows[0])
        tied = table.context.tied(int(known.part[first]), int(known.serial[first]))
        table.context.say(issue, repr(table.texts[column]), place, column, **tied)


def _verdicts(table: Table, known: Rows, column: int) -> None:
    """Hold holes that the sheet itself doesn't call good: a person wrote it for a reason, or overwrote the check."""
    grid_column = table.context.sheet.grid.columns[column]
    bad = np.zeros(table.rows.size, dtype=np.bool_)
    if grid_column.codes is not None:
        flags = [not _passes(x, table.context.own) for x in grid_column.labels]
        bad |= np.append(np.array(flags, dtype=np.bool_), False)[grid_column.codes[table.rows]]
    if grid_column.numbers is not None:
        bad |= np.isfinite(grid_column.numbers[table.rows])
    issue = warning(
        "sheet-says-bad",
        "the sheet itself doesn't call the hole good here",
        "a word such as OK or pass, or the check as it was",
        "Ask who wrote it and why; measure the hole again",
        holds=True,
    )
    _hold_rows(table, known, issue, np.flatnonzero(bad & (known.hole >= 0)), column)


def _passes(content: Content, own: bool) -> bool:
    """Whether a verdict says nothing against a hole; checks of our own sheets may say what is still to be looked at."""
    if isinstance(content, Uncalculated) or is_good_verdict(content):
        return True
    return own and isinstance(content, str) and content.strip().startswith(("?", "…"))


def _hold_rows(table: Table, known: Rows, issue: Problem, rows: IntArray, column: int) -> None:
    context = table.context

    def make(row: int) -> Problem:
        tied = context.tied(*(max(int(x[row]), -1) for x in (known.part, known.serial, known.hole)))
        place = int(table.rows[row])
        return context.problem(issue, repr(text_of(context.sheet.grid.cell(place, column))), place, column, **tied)

    context.collector.cells(rows.tolist(), make, marked=False)


def _near_size(table: Table, known: Rows, values: FloatArray) -> BoolArray:
    """Return where a value may be a reading of its row's hole by its size (r,)."""
    lower, upper = _drawn(table, known, "diameter")[:2]
    with np.errstate(invalid="ignore"):
        return (values > (1 - NEAR_SIZE) * lower) & (values < (1 + NEAR_SIZE) * upper)


def _is_measured(meaning: Meaning) -> bool:
    return meaning.word in OF_WORD and OF_WORD[meaning.word].measured


def _near_measured(values: FloatArray, lower: FloatArray, upper: FloatArray) -> BoolArray:
    """Return where values may be readings between limits of which one may be 0 or infinite: from half to half as much
    again."""
    with np.errstate(invalid="ignore"):
        return (values > 0.5 * np.where(lower > 0.0, lower, upper)) & (
            values < 1.5 * np.where(np.isinf(upper), lower, upper)
        )


def _other_drawing(table: Table, known: Rows, column: int) -> None:
    """Ask about limits and basic dimensions on the sheet that aren't the kit's: it may be made for another drawing."""
    meaning, spec = table.meanings[column], table.context.spec
    values, near = column_values(table, column)
    if meaning.word in {"x", "y"}:
        drawn = _drawn(table, known, meaning.word)
        asked = "the kit's basic dimensions"
        differs = np.isfinite(values) & np.isfinite(drawn[0])
    elif _is_measured(meaning):
        drawn = _drawn(table, known, meaning.word)
        asked = f"the kit's limits of {OF_WORD[meaning.word].name}"
        differs = np.isfinite(values) & ~np.isnan(drawn[0])
        if meaning.reason == "drawing":  # a nominal may be any inside the limits
            with np.errstate(invalid="ignore"):
                differs &= (values < drawn[0] - near) | (values > drawn[1] + near)
    elif meaning.word in {"", "diameter"}:
        drawn = _drawn(table, known, "diameter")[:2]
        asked = "the kit's limits of size"
        differs = np.isfinite(values) & _near_size(table, known, values)
        if meaning.reason == "drawing":  # a nominal size may be any up to the upper limit, a drill's too
            asked = "nominal sizes of the kit's holes"
            with np.errstate(invalid="ignore"):
                differs &= (values > drawn[1] + near) | (values < (1 - NOMINAL_UNDER) * drawn[0])
    else:
        return
    for each in drawn:
        differs &= np.abs(each - values) > near
    if meaning.word in {"", "diameter"}:
        differs |= _other_limits_in_words(table, known, column)
    rows = np.flatnonzero(differs)
    if not rows.size:
        return
    first = int(rows[0])
    of_first = drawn[:1] if meaning.word in {"x", "y"} else drawn
    unit = unit_of(meaning.word, spec.unit)
    shown = " or ".join(format_length(float(d[first]), unit) for d in of_first)
    issue = warning(
        "other-drawing",
        f"{rows.size} values under {table.texts[column]!r} are not {asked}: the sheet may be made for another "
        "drawing or revision",
        f"{with_unit(shown, unit)} in the first of these rows",
        "Look which drawing and revision the part was made to",
        holds=True,
    )
    place = int(table.rows[first])
    table.context.say(issue, repr(text_of(table.context.sheet.grid.cell(place, column))), place, column)


def _other_limits_in_words(table: Table, known: Rows, column: int) -> BoolArray:
    """Return where (r,) a text such as '.2440-.2480' names two sizes that aren't the limits of its row's hole."""
    grid_column = table.context.sheet.grid.columns[column]
    out = np.zeros(table.rows.size, dtype=np.bool_)
    if grid_column.codes is None:
        return out
    codes = grid_column.codes[table.rows]
    limits = np.stack(_drawn(table, known, "diameter")[:2])
    for code in np.unique(codes[codes >= 0]):
        label = grid_column.labels[code]
        sizes = [float(x.replace(",", ".")) for x in _SIZES.findall(label[:REMARK])] if isinstance(label, str) else []
        if len(sizes) != LIMITS:
            continue
        said = np.sort(sizes)[:, None]
        mine = (codes == code) & np.isfinite(limits).all(axis=0)
        for scale in (1.0, MM_PER_INCH, 1.0 / MM_PER_INCH):
            near = (np.abs(said * scale - limits) <= NEAR_SIZE * limits).all(axis=0)
            room = 0.5 * 10.0 ** -max(map(decimals_of, sizes)) * max(scale, 1.0) + GRAIN
            out |= mine & near & (np.abs(said * scale - limits) > room).any(axis=0)
    return out


def _like_a_bad_reading(table: Table, known: Rows, column: int) -> None:
    """Hold where a column that isn't read has numbers that would be bad readings of their hole."""
    meaning = table.meanings[column]
    measured = _is_measured(meaning)
    if meaning.reason in {"statistic", "extreme"} and meaning.word not in {"", "diameter"} and not measured:
        return
    values, _ = column_values(table, column)
    there = np.isfinite(values)
    if not there.any():
        return
    lower, upper = _drawn(table, known, meaning.word if measured else "diameter")[:2]
    near = _near_size(table, known, values)
    if measured:
        near = _near_measured(values, lower, upper)
    if meaning.reason in {"statistic", "extreme"} and 2 * int(near.sum()) < int(there.sum()):
        return  # a range or a difference, whose size has nothing to do with the hole's
    with np.errstate(invalid="ignore"):
        bad = near & ((values < lower - GRAIN) | (values > upper + GRAIN))
    drill = _drawn(table, known, "diameter")[3]
    bad &= measured | ~(np.abs(values - drill) <= GRAIN)
    if meaning.kind == UNKNOWN and not table.texts[column]:  # whose row it is nobody says: a table may stand beside
        kinds = Kinds(table.context.spec)
        at = np.flatnonzero(there)[:ROWS_LOOKED_AT]
        bad[at] |= np.array([kinds.is_just_outside(float(v)) for v in values[at]], dtype=np.bool_)
    if meaning.kind == UNKNOWN:  # numbers that are the same in every row tell the drawing's story, not the hole's
        typed = values[np.isfinite(values)]
        if typed.size > 1 and np.ptp(typed) <= GRAIN:
            return
    rows = np.flatnonzero(bad)
    if not rows.size:
        return
    name = table.texts[column]
    what = f"the column {name!r}" if name else "a column that isn't read"
    issue = warning(
        "outside-beside-readings",
        f"{what} holds a {OF_WORD[meaning.word].name if measured else 'size'} outside the limits of its hole",
        "sizes inside the limits, or a heading that says what they are",
        "If it is a reading, name its heading in [headings] of the kit file; measure the hole again",
        holds=True,
    )
    _hold_rows(table, known, issue, rows, column)


def uses_of(table: Table) -> list[ColumnUse]:
    """Return how each column of a table was understood, left to right; blank columns without a heading are left out.

    Of tables side by side under one heading, each answers for its own columns, the first for what they share.
    """
    grid, out = table.context.sheet.grid, []
    first, *further = views(table.blocks[0].heading)
    mine = set(table.columns)
    here = [view for view in further if mine and mine == {c for c in view if c < grid.width}]
    begins = here[0][len(set(first) & set(here[0]))] if here else 0
    later = [view[len(set(first) & set(view))] for view in further]
    ends = min((c for c in later if c > begins), default=grid.width)
    for column in range(begins, min(ends, grid.width, len(table.meanings))):
        cells = int(grid.columns[column].filled(grid.rows)[table.rows].sum())
        if cells or table.texts[column]:
            out.append(_use(table, column, cells))
    return out + _row_uses(table) + _cell_uses(table)


def _cell_uses(table: Table) -> list[ColumnUse]:
    """Return the cells beside and between the rows of a table that say whose, which hole's or wall's readings it holds.

    Not those of a sheet of ours, whose cells are known.
    """
    if table.context.own:
        return []
    said = {f: None for b in table.blocks for f in (*b.fields.values(), *b.sections) if f.word in SAID_BY_CELLS}
    sheet = table.context.sheet.name
    return [
        ColumnUse(sheet, cell_name(f.row + 1, f.column + 1), text_of(f.content), "field", 1, field=f.word)
        for f in list(said)[:LABELS_SHOWN]
    ]


def _row_uses(table: Table) -> list[ColumnUse]:
    """Return how the rows were understood where a label says what a row holds: holes side by side, cards of holes."""
    context, grid, out = table.context, table.context.sheet.grid, list[ColumnUse]()
    across = [c for c in table.readings if table.meanings[c].hole or table.meanings[c].serial or not table.texts[c]]
    labels = [c for c in table.fields("characteristic") if grid.columns[c].codes is not None]
    if not across or not labels:
        return out
    (codes, words), walls = grid.columns[labels[0]].as_labels(table.rows), context.spec.walls.names
    cells = np.sum([table.filled[c] for c in across], axis=0)
    for code in list(dict.fromkeys(codes[codes >= 0].tolist()))[:LABELS_SHOWN]:
        text, hit = text_of(words[code]), codes == code
        meaning = context.vocabulary.meaning(text.strip().rstrip(":="))
        use = ColumnUse(context.sheet.name, _row_place(table.rows[hit]), text, "not used", int(cells[hit].sum()))
        size = meaning.kind == READING or meaning.direction is not None  # 'Actual' alone is the size
        word = meaning.word or ("diameter" if size else "")
        if meaning.kind in {READING, MODIFIER} and word:
            wall = walls[meaning.wall] if 0 <= meaning.wall < len(walls) else ""
            use = replace(use, use="reading", characteristic=word, wall=wall, direction=meaning.direction,
                          trial=meaning.trial, unit=meaning.unit)  # fmt: skip
        else:
            use = replace(use, reason=SHOWN.get(meaning.reason, "unknown heading"))
        out.append(use)
    return out


def _row_place(rows: IntArray) -> str:
    first, last = int(rows.min()) + 1, int(rows.max()) + 1
    return f"row {first}" if first == last else f"rows {first} to {last}"


def uses_once(uses: Iterable[ColumnUse]) -> tuple[ColumnUse, ...]:
    """Return the columns of a sheet, those of several blocks that were understood alike once with all their cells."""
    cells: dict[ColumnUse, int] = {}
    for use in uses:
        alike = replace(use, cells=0)
        more = use.cells if use.use != "field" or not use.place[-1].isdigit() else 0  # one cell over several blocks
        cells[alike] = cells[alike] + more if alike in cells else use.cells
    once = [replace(use, cells=count) for use, count in cells.items()]
    return tuple(sorted(once, key=_columns_first))


def _columns_first(use: ColumnUse) -> tuple[int, int, str]:
    """Return where a column, a row or a cell stands in a list: columns by letter, then rows, then cells by row."""
    if use.place.startswith("row"):
        return 1, int(use.place.split()[1]), ""
    letters = use.place.rstrip("0123456789")
    number = use.place[len(letters) :]
    return (2, int(number), letters) if number else (0, len(letters), letters)


def _use(table: Table, column: int, cells: int) -> ColumnUse:
    meaning, context = table.meanings[column], table.context
    place = cell_name(1, column + 1)[:-1]
    base = ColumnUse(context.sheet.name, place, table.texts[column], "not used", cells)
    if meaning.kind == READING:
        wall = context.spec.walls.names[meaning.wall] if 0 <= meaning.wall < len(context.spec.walls.names) else ""
        return replace(
            base, use="reading", characteristic=meaning.word, wall=wall, direction=meaning.direction,
            trial=meaning.trial, unit=meaning.unit, hole=meaning.hole, serial=meaning.serial,
            reason="deviation" if meaning.deviation else "",
        )  # fmt: skip
    if meaning.kind == FIELD and meaning.word != "ignore":
        return replace(base, use="field", field=meaning.word.split(":")[0])
    if meaning.kind == UNKNOWN:
        return replace(base, reason="unknown heading" if table.texts[column] else "no heading")
    return replace(base, reason=SHOWN.get(meaning.reason, "not a reading"))


def not_read_rows(table: Table) -> None:
    """Leave out rows whose label names something other than a reading: limits, basic dimensions, averages across."""
    context, grid = table.context, table.context.sheet.grid
    for column in table.fields("characteristic"):
        codes = grid.columns[column].codes
        if codes is None:
            continue
        labels = grid.columns[column].labels
        meanings = [context.vocabulary.meaning(x.strip().rstrip(":=")) if isinstance(x, str) else None for x in labels]
        signs = [isinstance(x, str) and is_signature(x) for x in labels]
        out = [m is not None and m.kind == IGNORED for m in meanings]
        flags = np.array(out, dtype=np.bool_) | np.array(signs, dtype=np.bool_)
        hit = np.append(flags, False)[codes[table.rows]]
        if not hit.any():
            continue
        named = list(dict.fromkeys(text_of(labels[c]) for c in codes[table.rows[hit]]))
        for code in list(dict.fromkeys(codes[table.rows[hit]].tolist()))[:LABELS_SHOWN]:
            rows, meaning = table.rows[codes[table.rows] == code], meanings[code]
            filled = sum(int(grid.columns[c].filled(grid.rows)[rows].sum()) for c in table.readings)
            reason = SHOWN.get(meaning.reason, "not a reading") if meaning is not None else ""
            place, text = _row_place(rows), text_of(labels[code])
            context.uses.append(ColumnUse(context.sheet.name, place, text, "not used", filled, reason=reason))
        issue = note("not-readings", "rows that hold no readings: " + ", ".join(repr(n) for n in named[:8]))
        context.say(issue, f"{int(hit.sum())} rows", int(table.rows[np.argmax(hit)]), column)
        table.leave_out(hit)
