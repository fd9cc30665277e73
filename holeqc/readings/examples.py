"""What a problem says a cell should hold, made to suit that cell: a size for a diameter, a coordinate for x and y."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import convert, format_length
from holeqc.readings.believable import beyond, size_reach
from holeqc.readings.dates import fractions_of, typed_as
from holeqc.readings.draft import UNIT_CODES, Array, Draft
from holeqc.readings.findings import expected
from holeqc.readings.issues import Issue
from holeqc.readings.table import CHARACTERISTICS, LENGTHS
from holeqc.readings.values import A_DATE, NUMBER

if TYPE_CHECKING:
    from holeqc.specification.model import Specification


def suited(problem: Problem, issue: Issue, draft: Draft, arrays: dict[str, Array], index: int) -> Problem:
    """Return the problem of a reading with an example, and what a date was typed as, that suit what it is of."""
    if issue.allowed != NUMBER:
        return problem
    spec = draft.spec
    one = {name: arrays[name][index : index + 1] for name in ("characteristic", "part", "hole")}
    low, high, _ = (float(bound[0]) for bound in expected(spec, one))
    unit = UNIT_CODES[int(arrays["unit"][index])] or spec.unit
    example = _example(spec, int(one["characteristic"][0]), low, high)
    if np.isfinite(example):
        number = format_length(round(float(convert(example, spec.unit, unit)), 4 if unit == "in" else 3), unit)
        problem = replace(problem, allowed=f"a number such as {number}")
    if issue.code == "fraction-became-date" and np.isfinite(low):
        problem = replace(problem, message=_typed_as(draft.typed.texts[int(arrays["typed"][index])], unit, spec.unit,
                                                     (low, high)))  # fmt: skip
    return problem


def _example(spec: Specification, kind: int, low: float, high: float) -> float:
    """Return a length that such a reading may have; where the hole isn't known, that of the first."""
    if np.isfinite(low):
        return low if np.isinf(high) else 0.5 * (low + high)
    name = CHARACTERISTICS[kind] if 0 <= kind < len(LENGTHS) else ""
    first = spec.holes[0]
    return {"x": first.x, "y": first.y, "edge_distance": float("nan")}.get(
        name, 0.5 * (first.size.lower + first.size.upper)
    )


def _typed_as(typed: str, unit: str, kit_unit: str, bounds: tuple[float, float]) -> str:
    """Return what a date in a cell of lengths was typed as, and whether it fits the bounds of the reading."""
    low, high = (np.array([bound]) for bound in bounds)
    day = dt.date.fromisoformat(typed[:10])
    fitting = [
        f"{text} = {value:.6g}"
        for text, value in typed_as(day)
        if not beyond(np.array([convert(value, unit, kit_unit)]), low, high)[0] > size_reach(low, high).far[0]
    ]
    if fitting:
        return f"{A_DATE}: likely the fraction {' or '.join(fitting)}"
    others = [f"{text} = {value:.6g}" for text, value in fractions_of(day)]
    return (
        f"{A_DATE}: it may have been the fraction {' or '.join(others)}, which doesn't fit here" if others else A_DATE
    )
