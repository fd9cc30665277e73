"""The quick way to the smallest largest overshoot, for batches: few rough steps on all rows, exact steps on four.

1. An interior-point method on the distances, rotation taken as linear, in single precision. Six steps tell which holes
   bind and where the motion lies to about a thousandth of the misfit.
2. Newton's method on the exact equations of the four heaviest rows, in double precision.

Nothing here is taken on trust: the caller proves each result by its certificate, and sends what isn't proved to the
slow way. Three translations and angles and one overshoot are fixed by at most four rows, unless rows tie.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.inspection.minimax_certificate import Bound, Solved, bound, unsolved
from holeqc.inspection.minimax_frame import Floats, Frame
from holeqc.inspection.minimax_newton import distance_system, solve_symmetric

#: share of the complementarity that each rough step leaves; of many settings tried this leaves least to other ways
CENTRING = (0.05, 0.2, 0.15, 0.1, 0.1, 0.02)
TIP = 0.1  #: radius of the rounded tip that distances have in the first steps
KEPT_ROWS = 4


@dataclass(frozen=True, slots=True)
class Exact:
    """Candidate motions with the few rows that hold them: ``rows`` (K, B) and, in their order, ``weight`` (K, B)."""

    angle: Floats
    tx: Floats
    ty: Floats
    overshoot: Floats
    rows: Floats
    weight: Floats

    def take(self, index: Floats) -> Exact:
        """Return the chosen parts."""
        return Exact(
            self.angle[index], self.tx[index], self.ty[index], self.overshoot[index],
            self.rows[:, index], self.weight[:, index],
        )  # fmt: skip


def rough(frame: Frame) -> Exact:
    """Return where the rough steps end, and the heaviest rows there."""
    single = np.float32
    turn = frame.turn
    jx, jy = (-frame.py * turn).astype(single), (frame.px * turn).astype(single)
    qx, qy = (frame.px - frame.hx).astype(single), (frame.py - frame.hy).astype(single)
    c = frame.c.astype(single)
    jj = jx * jx
    jj += jy * jy
    rows = len(c)
    # a rounded tip keeps the slope of a distance near zero finite until the weights have sorted themselves
    tip = single(TIP**2)
    distance = np.sqrt(qx * qx + qy * qy + tip)
    v = (distance - c).max(axis=0) + single(0.1)
    slack = v + c
    slack -= distance
    weight = 1 / slack
    weight /= weight.sum(axis=0)
    arc = np.zeros_like(v)
    tx, ty = np.zeros_like(v), np.zeros_like(v)
    for step, centring in enumerate(CENTRING):
        if step:
            distance = np.sqrt(qx * qx + qy * qy + tip)
        if step == 2:
            tip = single(1e-6)
        per = 1 / distance
        nx, ny = qx * per, qy * per
        per *= weight
        goal = (weight * slack).sum(axis=0) * single(centring / rows)
        miss = v + c
        miss -= distance
        miss -= slack
        inverse = 1 / slack
        stiff = weight * inverse
        wanted = goal * inverse
        matrix, right, _ = distance_system(nx, ny, jx, jy, jj, per, stiff, wanted - stiff * miss)
        matrix[9] += single(1e-20)  # a pattern without extent has no arc to find
        dv, dx, dy, da = solve_symmetric(matrix, right)
        sx = jx * da
        sx += dx
        sy = jy * da
        sy += dy
        miss += dv
        miss -= nx * sx
        miss -= ny * sy
        wanted -= weight
        wanted -= stiff * miss
        lowest = np.minimum((miss * inverse).min(axis=0), (wanted / weight).min(axis=0))
        length = np.minimum(single(1), single(0.98) / np.maximum(-lowest, single(1e-6)))
        arc += length * da
        tx += length * dx
        ty += length * dy
        v += length * dv
        for total, change in ((slack, miss), (weight, wanted), (qx, sx), (qy, sy)):
            change *= length
            total += change
    heavy, kept = _heaviest(weight)
    return Exact(arc * turn, tx.astype(np.float64), ty.astype(np.float64), v.astype(np.float64), heavy, kept)


def _heaviest(weight: Floats) -> tuple[Floats, Floats]:
    """Return row numbers and weights of the heaviest rows of each part, (K, B).

    The row number is put into the last bits of the positive single-precision weights, which order as whole numbers do.
    """
    rows = len(weight)
    mask = np.int32((1 << int(rows - 1).bit_length()) - 1)
    key = weight.astype(np.float32).view(np.int32) & ~mask
    key |= np.arange(rows, dtype=np.int32)[:, None]
    kept = min(KEPT_ROWS, rows)
    top = np.empty((kept, weight.shape[1]), dtype=np.int32)
    for place in range(kept):
        if place:
            key *= key != top[place - 1]
        np.maximum.reduce(key, axis=0, out=top[place])
    index = top & mask
    return index, np.take_along_axis(weight, index, 0).astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Few:
    """The kept rows of a frame, (K, B)."""

    px: Floats
    py: Floats
    hx: Floats
    hy: Floats
    c: Floats


def _few(frame: Frame, rows: Floats) -> _Few:
    parts = np.arange(rows.shape[1])
    flat = rows * rows.shape[1] + parts
    return _Few(*(np.take(a, flat) for a in (frame.px, frame.py, frame.hx, frame.hy, frame.c)))


def sharpen(frame: Frame, start: Exact, steps: int) -> tuple[Exact, Bound]:
    """Take Newton steps on the exact equations of the kept rows; return the motions and what they prove.

    Each row either touches (its slack goes to zero) or carries no weight, whichever its weight and slack say. A little
    give (1e-7 of a unit of weight) keeps the system solvable without shifting the end point.
    """
    few = _few(frame, start.rows)
    turn = frame.turn
    angle, tx, ty, v, weight = start.angle, start.tx, start.ty, start.overshoot, start.weight
    for _ in range(steps):
        nx, ny, jx, jy, distance = _touch(few, angle, tx, ty, turn)
        slack = v + few.c
        slack -= distance
        touching = weight > slack
        stiff = touching * 1e7
        weight = weight * touching
        drive = weight - stiff * slack
        matrix, right, slope = distance_system(nx, ny, jx, jy, jx * jx + jy * jy, weight / distance, stiff, drive)
        curve = nx * jy
        curve -= ny * jx
        curve *= weight
        bend = curve.sum(axis=0)
        bend *= -turn
        dv, dx, dy, da = solve_symmetric(matrix, right, bend)
        change = dv - nx * dx
        change -= ny * dy
        change -= slope * da
        change *= stiff
        weight = np.subtract(drive, change, out=drive)
        angle, tx, ty, v = angle + da * turn, tx + dx, ty + dy, v + dv
    nx, ny, *_ = _touch(few, angle, tx, ty, turn)
    weight = np.maximum(weight, 0.0)
    proof = bound(weight, weight * nx, weight * ny, few.px, few.py, few.hx, few.hy, few.c)
    return Exact(angle, tx, ty, v, start.rows, weight), proof


def settle(frame: Frame, steps: int) -> Solved:
    """Return what rough and exact steps reach and prove; where ``apart`` isn't small the equations weren't solved."""
    motion, proof = sharpen(frame, rough(frame), steps)
    out = unsolved(len(frame.c), frame.radius.size)
    out.angle, out.tx, out.ty = motion.angle, motion.tx, motion.ty
    out.overshoot = frame.overshoot(motion.angle, motion.tx, motion.ty)
    out.proved, out.apart = proof.anywhere(), out.overshoot - proof.at(motion.angle)
    out.p, out.h, out.offset = proof.p, proof.h, proof.offset
    out.weight[:] = 0.0
    np.put_along_axis(out.weight, motion.rows, proof.weight, 0)
    return out


def finish(frame: Frame, found: Solved, steps: int, *, rotate: bool) -> None:
    """Take exact steps from motions that another way found, and keep in place what they improve."""
    rows, weight = _heaviest(found.weight.astype(np.float32))
    motion = Exact(found.angle, found.tx, found.ty, found.overshoot, rows, weight)
    motion, proof = sharpen(frame if rotate else frame.still(), motion, steps)
    overshoot = frame.overshoot(motion.angle, motion.tx, motion.ty)
    better = np.flatnonzero(overshoot < found.overshoot)
    found.overshoot[better] = overshoot[better]
    for name in ("angle", "tx", "ty"):
        getattr(found, name)[better] = getattr(motion, name)[better]
    proved = proof.anywhere() if rotate else proof.at(found.angle)
    found.proved[:] = np.fmax(found.proved, np.minimum(proved, found.overshoot))


def _touch(few: _Few, angle: Floats, tx: Floats, ty: Floats, turn: Floats) -> tuple[Floats, ...]:
    """Return unit vectors from target to moved point, the point's motion for a unit of arc, and the distance."""
    cos, sin = np.cos(angle), np.sin(angle)
    rx = cos * few.px
    rx -= sin * few.py
    ry = sin * few.px
    ry += cos * few.py
    qx = rx - few.hx
    qx += tx
    qy = ry - few.hy
    qy += ty
    distance = qx * qx
    distance += qy * qy
    np.sqrt(distance, out=distance)
    qx /= distance
    qy /= distance
    ry *= -turn
    rx *= turn
    return qx, qy, ry, rx, distance
