"""What is looked at or tried instead of measured: GO and NO-GO plugs, surface.

A GO plug checks the hole's whole form at maximum material, two-point readings check the least material limit (ASME
Y14.5, envelope principle). So a refused NO-GO never excuses an oversize reading, and where plug and readings exclude
one another, neither is believed: hold.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from holeqc.inspection.causes import (
    BURR,
    CONTRADICTION,
    CRACKED,
    GO_STOPPED,
    MISSING,
    NO_GO_ENTERED,
    NONE,
    NOT_CLEAN,
)  # fmt: skip
from holeqc.inspection.disproved import Read
from holeqc.inspection.evidence import Evidence, Rows, every_wall
from holeqc.inspection.grouping import CodeArray, IntArray, VerdictArray, worst_row
from holeqc.inspection.outcome import Outcome, outcome
from holeqc.inspection.results import ACCEPT, HOLD, REJECT
from holeqc.inspection.size import Sizes, size_limits
from holeqc.quantities import BoolArray, FloatArray, below
from holeqc.readings.table import BURR as BURR_WORD
from holeqc.readings.table import CLEAN, CRACK, DIRTY, ENTERS, STOPS


def judge_go(evidence: Evidence, read: Read) -> tuple[Outcome, BoolArray, BoolArray]:
    """Return the verdict on the GO plug in each hole and wall, where it enters, and where it disproves readings
    (P,H,W).

    - It enters: accept; but if a reading is smaller than the plug by more than the reading's U, the two exclude one
      another: hold.
    - It stops: reject where the readings agree or there are none; hold as a contradiction where every reading is within
      the limits (lobes, a bend, a burr, dirt, or a slip), and the readings then no longer speak for the mating size.
    """
    plug = _plugs(evidence, "go")
    lower = size_limits(evidence.spec).lower
    small = below(read.smallest, plug - read.reach)
    inside = ~below(read.smallest, lower) & np.isfinite(read.smallest)
    rows, cell = _tries(evidence, "go")
    entered = _said(evidence, rows, ENTERS)
    stopped = _said(evidence, rows, STOPS)
    verdict = np.full(len(rows), HOLD, dtype=np.int8)
    cause = np.full(len(rows), MISSING, dtype=np.int16)
    _set(verdict, cause, entered, ACCEPT, NONE)
    _set(verdict, cause, entered & small.reshape(-1)[cell], HOLD, CONTRADICTION)
    _set(verdict, cause, stopped, REJECT, GO_STOPPED)
    _set(verdict, cause, stopped & inside.reshape(-1)[cell], HOLD, CONTRADICTION)
    result, worst = _by_cell(evidence, "GO", rows, cell, verdict, cause, plug, lower=plug)
    refused = np.append(stopped & (rows.cause == NONE), False)[worst] & inside
    return result, np.append(verdict == ACCEPT, False)[worst], refused


def judge_no_go(evidence: Evidence, read: Read) -> Outcome:
    """Return the verdict on the NO-GO plug in each hole and wall.

    - It stops: accept; an oversize reading is rejected by its own, since two-point readings decide at least material.
    - It enters: the hole is oversize by gauge, reject; but if a reading is smaller than the plug by more than its U,
      the two exclude one another: hold.
    """
    plug = _plugs(evidence, "no_go")
    small = below(read.smallest, plug - read.reach)
    rows, cell = _tries(evidence, "no_go")
    entered = _said(evidence, rows, ENTERS)
    verdict = np.full(len(rows), HOLD, dtype=np.int8)
    cause = np.full(len(rows), MISSING, dtype=np.int16)
    _set(verdict, cause, _said(evidence, rows, STOPS), ACCEPT, NONE)
    _set(verdict, cause, entered, REJECT, NO_GO_ENTERED)
    _set(verdict, cause, entered & small.reshape(-1)[cell], HOLD, CONTRADICTION)
    return _by_cell(evidence, "NO-GO", rows, cell, verdict, cause, plug, upper=plug)[0]


def judge_surface(evidence: Evidence) -> Outcome:
    """Return the verdict on the surface of each hole and wall: clean, free of burrs as the kit asks, never cracked.

    A crack is rejected even where the kit asks for no surface check.
    """
    spec = evidence.spec
    clean = np.array([h.surface.clean for h in spec.holes])
    burr_free = np.array([h.surface.burr_free for h in spec.holes])
    asked = (clean | burr_free)[:, None] & _planned(evidence)
    rows, cell = _tries(evidence, "surface")
    verdict = np.full(len(rows), HOLD, dtype=np.int8)
    cause = np.full(len(rows), MISSING, dtype=np.int16)
    _set(verdict, cause, _said(evidence, rows, CLEAN, BURR_WORD, DIRTY), ACCEPT, NONE)
    _set(verdict, cause, _said(evidence, rows, BURR_WORD) & burr_free[rows.hole], REJECT, BURR)
    _set(verdict, cause, _said(evidence, rows, DIRTY) & clean[rows.hole], REJECT, NOT_CLEAN)
    _set(verdict, cause, _said(evidence, rows, CRACK), REJECT, CRACKED)
    untold = ~(clean | burr_free)[rows.hole]  # somebody wrote it down though nobody asked
    _set(verdict, cause, _said(evidence, rows, BURR_WORD) & untold, HOLD, BURR)
    _set(verdict, cause, _said(evidence, rows, DIRTY) & untold, HOLD, NOT_CLEAN)
    return _laid(evidence, "surface", asked, rows, cell, verdict, cause)[0]


def _plugs(evidence: Evidence, name: str) -> FloatArray:
    """Return the plug asked of each hole (H,1), NaN where none is."""
    sizes = [getattr(hole.plugs, name) for hole in evidence.spec.holes]
    return np.array([np.nan if s is None else s for s in sizes])[:, None]


def _planned(evidence: Evidence) -> BoolArray:
    return np.array([wall in evidence.spec.plan.walls for wall in evidence.spec.walls.names])


def _tries(evidence: Evidence, name: str) -> tuple[Rows, IntArray]:
    rows = every_wall(evidence.rows[name], evidence.shape[2])
    return rows, rows.cell(*evidence.shape[1:])


def _said(evidence: Evidence, rows: Rows, *words: str) -> BoolArray:
    return np.array([word in words for word in evidence.words] + [False])[rows.word]


def _set(verdict: VerdictArray, cause: CodeArray, where: BoolArray, value: int, code: int) -> None:
    verdict[where], cause[where] = value, code


def _by_cell(
    evidence: Evidence,
    name: str,
    rows: Rows,
    cell: IntArray,
    verdict: VerdictArray,
    cause: CodeArray,
    plug: FloatArray,
    **limit: FloatArray,
) -> tuple[Outcome, IntArray]:
    asked = np.isfinite(plug) & _planned(evidence)
    return _laid(evidence, name, asked, rows, cell, verdict, cause, **limit)


def _laid(
    evidence: Evidence,
    name: str,
    asked: BoolArray,
    rows: Rows,
    cell: IntArray,
    verdict: VerdictArray,
    cause: CodeArray,
    **limit: FloatArray,
) -> tuple[Outcome, IntArray]:
    """Return the outcome of words, and the deciding row of each cell (P,H,W), -1 for none."""
    shape = evidence.shape
    held = rows.cause != NONE
    verdict[held], cause[held] = HOLD, rows.cause[held]
    room = -cause.astype(np.float64)  # of equal verdicts the graver cause is shown: a crack before a burr
    worst = worst_row(cell, verdict, room, int(np.prod(shape))).reshape(shape)
    by_cell = np.append(verdict, HOLD).astype(np.int8)[worst]
    why = np.append(cause, MISSING).astype(np.int16)[worst]
    result = outcome(
        name, asked, worst >= 0, by_cell, why, word=np.append(rows.word, -1)[worst],
        reading=np.append(rows.label, -1)[worst], **limit,
    )  # fmt: skip
    return result, worst


def plugs_disprove(refused: BoolArray, sizes: Sizes) -> Sizes:
    """Return sizes with a gap wherever a plug disproves the readings (``refused``, (P,H,W))."""
    gap = np.where(refused & (sizes.gap == NONE), CONTRADICTION, sizes.gap).astype(np.int16)
    return replace(sizes, gap=gap)
