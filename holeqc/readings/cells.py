"""The reading cells of one column: value, unit, word, doubt and typed text, for all its rows at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.readings.draft import UNIT_CODES, Array, Draft
from holeqc.readings.grid import Content, GridColumn, IntArray
from holeqc.readings.identities import text_of
from holeqc.readings.issues import Issue, warning
from holeqc.readings.table import CHARACTERISTICS, LENGTHS
from holeqc.readings.values import length_of, number_issues
from holeqc.readings.words import WORDS, folded, plug_word, surface_word, without_rare_yes

_DIAMETER = CHARACTERISTICS.index("diameter")
_FRACTION = warning(
    "fraction-for-reading",
    "a fraction names a drill or the drawing's size; no gauge of such holes shows one",
    "a number such as 0.4590",
    "Type what the gauge shows",
    holds=True,
)
_PLUG_ALLOWED = "enters, does not enter"
_SURFACE_ALLOWED = "clean, burr, not clean, crack"


@dataclass(slots=True)
class Cells:
    """All (n,): value in the unit typed (NaN where none), unit code of the cell itself, word, issue, typed text.

    ``text``: the cell holds text, not a number.
    """

    value: FloatArray
    unit: Array
    word: Array
    issue: Array
    typed: Array
    text: Array


def read_cells(
    draft: Draft, column: GridColumn, rows: IntArray, characteristic: Array, ask: str, decimal: str
) -> Cells:
    """Return what stands in some cells of a column.

    ``rows`` (n,) from 0, all filled; ``characteristic`` (n,) codes of `CHARACTERISTICS`, -1 where unknown; ``ask`` is
    what a word column's heading asks; ``decimal`` the sheet's decimal mark, '' where not known.
    """
    size = rows.size
    out = Cells(
        np.full(size, np.nan),
        np.zeros(size, np.int8),
        np.zeros(size, np.int8),
        np.zeros(size, np.int32),
        np.full(size, -1, np.int32),
        np.zeros(size, np.bool_),
    )
    is_length = characteristic < len(LENGTHS)
    if column.numbers is not None:
        _numbers(draft, column.numbers[rows], is_length, characteristic, out)
    if column.codes is not None:
        codes = column.codes[rows]
        out.text[:] = codes >= 0
        if (codes >= 0).any():
            _texts(draft, column.labels, codes, is_length, characteristic, ask, decimal, out)
    return out


def _numbers(draft: Draft, numbers: FloatArray, is_length: Array, characteristic: Array, out: Cells) -> None:
    import pandas as pd

    codes, distinct = pd.factorize(numbers)
    known = codes >= 0
    typed = draft.typed.codes([text_of(float(v)) for v in distinct])
    out.typed[known] = typed[codes[known]]
    out.value[:] = np.where(is_length, numbers, np.nan)
    issues, hits = number_issues(np.asarray(distinct, dtype=np.float64))
    for issue, hit in zip(issues, hits, strict=True):
        if hit.any():
            where = known & np.append(hit, False)[codes] & is_length
            out.issue[where] = draft.issue_code(issue)
            if issue.code == "beyond-any-length":
                out.value[where] = np.nan
    words = known & ~is_length
    if words.any():
        for place in np.unique(characteristic[words]):
            where = words & (characteristic == place)
            out.issue[where] = draft.issue_code(_unclear(CHARACTERISTICS[place]))


def _texts(
    draft: Draft,
    labels: list[Content],
    codes: Array,
    is_length: Array,
    characteristic: Array,
    ask: str,
    decimal: str,
    out: Cells,
) -> None:
    known = codes >= 0
    used = np.unique(codes[known])
    typed = np.full(len(labels) + 1, -1, dtype=np.int32)
    typed[used] = draft.typed.codes([text_of(labels[c]) for c in used])
    out.typed[known] = typed[codes[known]]
    lengths = known & is_length
    if lengths.any():
        value = np.full(len(labels), np.nan)
        unit = np.zeros(len(labels), np.int8)
        issue = np.zeros(len(labels), np.int32)
        fractions = np.zeros(len(labels), np.bool_)
        for code in np.unique(codes[lengths]):
            found = length_of(labels[code], decimal)
            value[code], unit[code] = found.value, UNIT_CODES.index(found.unit)
            issue[code] = draft.issue_code(found.issue)
            if found.issue is None and "/" in str(labels[code]):
                fractions[code] = True
        vast = np.abs(value) > 1e6
        if vast.any():
            issue[vast], value[vast] = draft.issue_code(number_issues(np.array([np.inf]))[0][0]), np.nan
        at = codes[lengths]
        out.value[lengths], out.unit[lengths], out.issue[lengths] = value[at], unit[at], issue[at]
        nominal = lengths & np.append(fractions, False)[codes] & (characteristic == _DIAMETER)
        if nominal.any():
            out.issue[nominal] = draft.issue_code(_FRACTION)
    words = known & ~is_length
    if words.any():
        for place in np.unique(characteristic[words]):
            mine = codes[words & (characteristic == place)]
            others = frozenset(folded(labels[c]) for c in np.unique(mine))
            if CHARACTERISTICS[place] == "no_go":
                others = without_rare_yes(others, [folded(labels[c]) for c in mine])
            _words(draft, labels, codes, words & (characteristic == place), CHARACTERISTICS[place], ask, others, out)


def _words(
    draft: Draft,
    labels: list[Content],
    codes: Array,
    where: Array,
    characteristic: str,
    ask: str,
    others: frozenset[str],
    out: Cells,
) -> None:
    word = np.zeros(len(labels), np.int8)
    issue = np.zeros(len(labels), np.int32)
    for code in np.unique(codes[where]):
        label = labels[code]
        if characteristic == "surface":
            text = surface_word(label, ask)
        else:
            text = plug_word(label, characteristic, ask, others)
        word[code] = WORDS.index(text)
        if not text:
            issue[code] = draft.issue_code(_unclear(characteristic))
    at = codes[where]
    out.word[where], out.issue[where] = word[at], issue[at]


def _unclear(characteristic: str) -> Issue:
    if characteristic == "surface":
        return Issue(
            "unclear-surface",
            "it isn't clear what was found on the surface",
            _SURFACE_ALLOWED,
            "Write one of these words",
        )
    name = {"go": "GO", "no_go": "NO-GO"}.get(characteristic, characteristic)
    return Issue(
        f"unclear-{characteristic.replace('_', '-')}",
        f"it isn't clear whether the {name} plug enters",
        _PLUG_ALLOWED,
        "Write one of these words, or let the heading ask whether it enters",
    )
