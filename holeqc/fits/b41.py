"""ANSI B4.1 inch fits: classes RC, LC, LT, LN, FN and tolerance grades 4 to 13, read from the tables.

The standard's printed tables win over any formula: in the smallest range the fit tables use another grade 5 than the
grade table, and several bands of LN, LT and FN differ from the grades as printed.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from holeqc.fits.confirmation import RANK
from holeqc.fits.loading import load_table
from holeqc.fits.parse import parse_inch_class
from holeqc.fits.zones import STEPS, FitLimits, GradeTolerance, ZoneTable, grade_widths
from holeqc.problems import TableError

SYSTEM = "ANSI B4.1"
THOUSANDTH = STEPS // 1000  #: steps in 0.001 in

MEANINGS = {
    "RC1": "close sliding", "RC2": "sliding", "RC3": "precision running", "RC4": "close running",
    "RC5": "medium running", "RC6": "medium running", "RC7": "free running", "RC8": "loose running",
    "RC9": "loose running", "LC": "locational clearance", "LT": "locational transition",
    "LN": "locational interference", "FN1": "light drive", "FN2": "medium drive", "FN3": "heavy drive",
    "FN4": "force", "FN5": "force",
}  # fmt: skip


def classes() -> tuple[str, ...]:
    """Return the names of all classes in table order: RC1 to RC9, LC1 to LC11, LT1 to LT6, LN1 to LN3, FN1 to FN5."""
    return tuple(dict.fromkeys(row["class"] for row in load_table("b41_fits").rows))


def meaning(cls: str) -> str:
    """Return what a class is called in the standard: ``RC4`` -> ``close running``."""
    return MEANINGS.get(cls) or MEANINGS[cls[:2]]


@cache
def class_table(cls: str) -> ZoneTable:
    """Return the rows of one class, named as in `classes`; raises TableError for an unknown class."""
    rows = [row for row in load_table("b41_fits").rows if row["class"] == cls]
    if not rows:
        raise TableError(f"{SYSTEM} has no class {cls!r}; it has {', '.join(classes())}")
    hole = [[_steps(row["hole_lower"]), _steps(row["hole_upper"])] for row in rows]
    shaft = [[_steps(row["shaft_lower"]), _steps(row["shaft_upper"])] for row in rows]
    return ZoneTable(
        SYSTEM,
        cls,
        "in",
        np.array([float(row["over"]) for row in rows]),
        np.array([float(row["to"]) for row in rows]),
        np.array(hole, dtype=np.int64),
        np.array(shaft, dtype=np.int64),
        np.array([RANK[row["confirmation"]] for row in rows], dtype=np.int8),
        tuple(row["note"] for row in rows),
    )


def limits(cls: str, size: ArrayLike) -> FitLimits:
    """Return hole, shaft and clearance of a class at nominal sizes [in], any shape.

    Raises:
        TableError: unknown class, or a size without an entry in its table.

    Source: ANSI B4.1-1967, fit tables; each row says how it is confirmed.
    """
    table = class_table(parse_inch_class(cls))
    try:
        return table.limits(size)
    except TableError as error:
        uncovered = [float(x) for x in np.asarray(size, dtype=np.float64).ravel() if not table.covers(float(x))]
        others = [name for name in classes() if class_table(name).covers(uncovered[0])]
        have = f"classes with an entry there: {', '.join(others)}" if others else "no class has an entry there"
        raise TableError(f"{error}; {have}") from None


def grade_tolerance(grade: int, size: ArrayLike) -> GradeTolerance:
    """Return the width [in] of a tolerance grade 4 to 13 at nominal sizes [in], any shape.

    Raises:
        TableError: unknown grade, or a size outside the table.

    Source: ANSI B4.1-1967, Table 1.
    """
    rows = [row for row in load_table("b41_grades").rows if row["grade"] == str(grade)]
    if not rows:
        raise TableError(f"{SYSTEM} has no grade {grade}; it has grades 4 to 13")
    return grade_widths(SYSTEM, f"grade {grade}", "in", rows, THOUSANDTH, size)


def _steps(thousandths: str) -> int:
    return round(float(thousandths) * THOUSANDTH)
