"""Everything that looks odd about readings taken together; found, named, never mended."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np

from holeqc.problems import Problem
from holeqc.readings.arrangement import find_arrangements, find_swapped_walls
from holeqc.readings.collect import Collector
from holeqc.readings.contradictions import find_repeats, find_unbelievable
from holeqc.readings.copies import find_copies
from holeqc.readings.draft import UNIT_CODES, Array, Draft
from holeqc.readings.findings import Findings, look_at
from holeqc.readings.gauging import check_days, check_gauges, gauge_for
from holeqc.readings.identities import spelt_alike
from holeqc.readings.issues import warning
from holeqc.readings.slips import find_slips, find_swapped_digits
from holeqc.readings.table import CHARACTERISTICS
from holeqc.specification.model import Specification


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
    decimals = np.array([_decimals(t) for t in texts])[a["typed"][rows]]
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


def _decimals(text: str) -> int:
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
