"""The sure way to the smallest largest overshoot: an interior-point method on cones.

Each row says that the point ``(v + c_i, R p_i + t - h_i)`` lies in the cone ``{(a, q): |q| <= a}``. Cones have no kink
where a pin stands exactly on its hole axis, so rows without any misfit, ties and coincident pins need no special care.
Primal-dual steps with Nesterov-Todd scaling; the scaling's inverse square is a rank-one term and the cone's own form,
so a step costs sums over rows and one four-by-four system. Rotation is exact: points are turned anew after each step.

Y. E. Nesterov, M. J. Todd, Self-scaled barriers and interior-point methods for convex programming, Mathematics of
Operations Research 22 (1997) 1-42 (from memory, unconfirmed); results are proved by their certificate, not by this.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax_certificate import Solved, bound, unsolved
from holeqc.inspection.minimax_frame import Floats, Frame
from holeqc.inspection.minimax_newton import solve_symmetric

MOST_STEPS = 60
FIRST_PROOF = 5  #: no certificate is tried before this step
SMALLEST_MEASURE = 1e-14  #: complementarity below which rounding rules


@dataclass(slots=True)
class State:
    """A batch on its way: motion and overshoot (B,), cone points ``a``, ``qx``, ``qy`` and their duals (N, B).

    With an ``aim`` (4, B) the overshoot is held at the first of its rows, and the motion goes as far as it can along
    the others: x and y of the pattern's centre, and arc.
    """

    angle: Floats
    tx: Floats
    ty: Floats
    v: Floats
    a: Floats
    qx: Floats
    qy: Floats
    rx: Floats
    ry: Floats
    weight: Floats
    ux: Floats
    uy: Floats
    aim: Floats | None = None

    def keep(self, index: Floats) -> State:
        """Return the chosen parts, without an aim."""
        return State(*(getattr(self, name)[..., index] for name in self.__slots__ if name != "aim"))


@dataclass(frozen=True, slots=True)
class Arc:
    """What a fixed-angle problem is asked to prove: at least ``level`` (B,) at every angle within ``half`` (B,)."""

    half: Floats
    level: Floats


def solve(frame: Frame, *, rotate: bool, arc: Arc | None = None) -> Solved:
    """Solve each part of a frame from its start angle; ``rotate`` False keeps the angle, the translation alone is free.

    With ``rotate`` the bound is over all angles; without it for the angle as it stands, or for an ``arc`` about it,
    which may end the work on a part early. Where overshoot and bound agree within the frame's tolerance the result is
    proved; the caller looks.
    """
    parts = frame.radius.size
    rows = len(frame.c)
    out = unsolved(rows, parts)
    index = np.arange(parts)
    frame = frame if rotate else frame.still()
    state = _start(frame)
    pace = np.full(parts, 0.2)
    for step in range(MOST_STEPS):
        measure = (state.a * state.weight + state.qx * state.ux + state.qy * state.uy).sum(axis=0)
        if step >= FIRST_PROOF:
            done = _record(out, index, frame, state, rotate, arc) | ~(measure > SMALLEST_MEASURE)
            if done.all():
                break
            if done.mean() > 0.2:
                stay = np.flatnonzero(~done)
                frame, state, index = frame.take(stay), state.keep(stay), index[stay]
                measure, pace = measure[stay], pace[stay]
        pace = _advance(frame, state, pace * measure / rows)
    return out


def travel(frame: Frame, held: Floats, way: int, sign: float) -> Floats:
    """Return how far (B,) a pattern gets from where the frame places it while no overshoot exceeds ``held`` (B,).

    ``way`` 0, 1, 2: x, y of the pattern's centre, turn [rad]; ``sign`` -1 or 1. What isn't sought follows freely. The
    pattern is followed on its way and never jumps; a part that overshoots where it stands gives zero.
    """
    parts, rows = frame.radius.size, len(frame.c)
    state = _start(frame)
    zero = np.zeros(parts)
    overshoot = frame.overshoot(zero, zero, zero)
    state.v = np.maximum(held, overshoot + 1e-12)
    state.a = state.v + frame.c
    w = state.a * state.a - state.qx * state.qx - state.qy * state.qy
    room = (state.v - overshoot) / rows
    state.weight, state.ux, state.uy = room * state.a / w, -room * state.qx / w, -room * state.qy / w
    state.aim = np.zeros((4, parts))
    state.aim[0], state.aim[1 + way] = state.v, sign
    pace, far = np.full(parts, 0.3), np.zeros(parts)
    for _ in range(MOST_STEPS):
        measure = (state.a * state.weight + state.qx * state.ux + state.qy * state.uy).sum(axis=0)
        reached = (state.tx, state.ty, state.angle)[way] * sign
        far = np.where((state.v <= state.aim[0] + 1e-9) & (reached > far), reached, far)
        if not np.any(measure > 1e-11):
            break
        pace = _advance(frame, state, pace * measure / rows)
    return far


def _start(frame: Frame) -> State:
    """Return a centred interior point at the frame's own placement."""
    zero = np.zeros(frame.radius.size)
    qx, qy = frame.px - frame.hx, frame.py - frame.hy
    distance = np.sqrt(qx * qx + qy * qy)
    v = (distance - frame.c).max(axis=0) + 0.5 * distance.max(axis=0) + 0.1
    a = v + frame.c
    w = a * a - qx * qx - qy * qy
    weight, ux, uy = a / w, -qx / w, -qy / w
    total = weight.sum(axis=0)
    return State(
        zero, zero, zero, v, a, qx, qy, frame.px, frame.py, weight / total, ux / total, uy / total
    )


def _record(
    out: Solved, index: Floats, frame: Frame, state: State, rotate: bool, arc: Arc | None
) -> npt.NDArray[np.bool_]:
    """Keep the better motions and the better bounds of this step; return which parts are done."""
    overshoot = frame.overshoot(state.angle, state.tx, state.ty)
    better = np.flatnonzero(overshoot < out.overshoot[index])
    to = index[better]
    out.overshoot[to] = overshoot[better]
    for name in ("angle", "tx", "ty"):
        getattr(out, name)[to] = getattr(state, name)[better]
    dual = bound(state.weight, -state.ux, -state.uy, frame.px, frame.py, frame.hx, frame.hy, frame.c)
    here = dual.at(state.angle)
    proved = dual.anywhere() if rotate else here if arc is None else dual.within(arc.half[index])
    out.proved[index] = np.fmax(out.proved[index], proved)
    apart = overshoot - here
    better = np.flatnonzero(apart < out.apart[index])
    to = index[better]
    out.apart[to] = apart[better]
    for name in ("p", "h", "offset"):
        getattr(out, name)[to] = getattr(dual, name)[better]
    out.weight[:, to] = dual.weight[:, better]
    if arc is None:
        return out.overshoot[index] - out.proved[index] <= frame.tolerance
    return (out.apart[index] <= frame.tolerance) | (out.proved[index] >= arc.level[index])


def _advance(frame: Frame, state: State, goal: Floats) -> Floats:
    """Take one step towards complementarity ``goal`` (B,); return the share to aim at next."""
    w = state.a * state.a - state.qx * state.qx - state.qy * state.qy
    wd = state.weight * state.weight - state.ux * state.ux - state.uy * state.uy
    root, root_d = 1 / np.sqrt(w), 1 / np.sqrt(wd)
    ratio = root / root_d
    inner = (state.a * state.weight + state.qx * state.ux + state.qy * state.uy) * root * root_d
    k = ratio / (1 + inner)
    b0 = state.a * root + state.weight * root_d
    bx, by = state.ux * root_d - state.qx * root, state.uy * root_d - state.qy * root
    # turning about the place that is held hardest keeps a turn that hardly anything resists apart from the shifts
    hold = k * (bx * bx + by * by) + 2 * ratio
    hold /= hold.sum(axis=0)
    pivot = (hold * state.rx).sum(axis=0), (hold * state.ry).sum(axis=0)
    turn = frame.turn
    jx, jy = (pivot[1] - state.ry) * turn, (state.rx - pivot[0]) * turn
    g = goal * state.a / w, -goal * state.qx / w, -goal * state.qy / w
    dv, dx, dy, da = _newton(state, k, ratio, (b0, bx, by), (jx, jy), g, turn, pivot)
    sx, sy = dx + jx * da, dy + jy * da
    kb = k * (b0 * dv + bx * sx + by * sy)
    change = (
        g[0] - state.weight - b0 * kb + ratio * dv,
        g[1] - state.ux - bx * kb - ratio * sx,
        g[2] - state.uy - by * kb - ratio * sy,
    )
    dual = _reach((state.weight, state.ux, state.uy), change, wd)
    primal = _reach((state.a, state.qx, state.qy), (dv + np.zeros_like(sx), sx, sy), w)
    primal = np.minimum(primal, 0.5 / np.maximum(np.abs(da * turn), 1e-300))
    state.weight = state.weight + dual * change[0]
    state.ux = state.ux + dual * change[1]
    state.uy = state.uy + dual * change[2]
    _move(frame, state, (dv, dx, dy, da * turn, sx, sy), pivot, primal)
    shorter = np.minimum(primal, dual)
    return np.where(shorter > 0.8, 0.1, np.where(shorter > 0.3, 0.3, 1.0))


def _newton(
    state: State, k: Floats, ratio: Floats, b: tuple[Floats, ...], j: tuple[Floats, ...], g: tuple[Floats, ...],
    turn: Floats, pivot: tuple[Floats, Floats],
) -> tuple[Floats, Floats, Floats, Floats]:  # fmt: skip
    """Assemble and solve the four-by-four systems."""
    b0, bx, by = b
    jx, jy = j
    arc = jx * bx + jy * by
    kx, ky, ka = k * bx, k * by, k * arc
    total = ratio.sum(axis=0)
    matrix = [
        (k * b0 * b0).sum(axis=0) - total,
        (kx * b0).sum(axis=0),
        (ky * b0).sum(axis=0),
        (ka * b0).sum(axis=0),
        (kx * bx).sum(axis=0) + total,
        (kx * by).sum(axis=0),
        (kx * arc + ratio * jx).sum(axis=0),
        (ky * by).sum(axis=0) + total,
        (ky * arc + ratio * jy).sum(axis=0),
        (ka * arc + ratio * (jx * jx + jy * jy)).sum(axis=0),
    ]
    curve = (state.ux * state.rx + state.uy * state.ry).sum(axis=0) * turn * turn
    right = [g[0].sum(axis=0) - 1, g[1].sum(axis=0), g[2].sum(axis=0), (g[1] * jx + g[2] * jy).sum(axis=0)]
    if state.aim is not None:
        held, ox, oy, oa = state.aim
        off = held - state.v
        # what changes with the held overshoot goes to the right side, and its own line says how far it is off
        right = [
            off,
            right[1] + ox - matrix[1] * off,
            right[2] + oy - matrix[2] * off,
            right[3] + oa + (ox * pivot[1] - oy * pivot[0]) * turn - matrix[3] * off,
        ]
        matrix[:4] = [np.ones_like(total), *(np.zeros_like(total) for _ in range(3))]
    return solve_symmetric(matrix, right, curve)


def _reach(at: tuple[Floats, ...], change: tuple[Floats, ...], form: Floats) -> Floats:
    """Return the longest safe step (B,) that keeps every cone point inside, at most 1."""
    square = change[0] * change[0] - change[1] * change[1] - change[2] * change[2]
    cross = at[0] * change[0] - at[1] * change[1] - at[2] * change[2]
    inverse = (np.sqrt(np.maximum(cross * cross - square * form, 0.0)) - cross) / form
    return np.minimum(1.0, 0.98 / np.maximum(inverse.max(axis=0), 1e-9))


def _move(frame: Frame, state: State, step: tuple[Floats, ...], pivot: tuple[Floats, Floats], length: Floats) -> None:
    """Move by ``length`` (B,) of a step, turning exactly about the pivot.

    The step took the turn as straight. Where the arc takes up more than half of a row's slack, the overshoot is raised
    to give it back: shorter steps instead would creep, for the slack shrinks faster than the angle's error.
    """
    dv, dx, dy, da, sx, sy = step
    straight = np.hypot(state.qx + length * sx, state.qy + length * sy)
    turn = length * da
    sin, less = np.sin(turn), 2 * np.square(np.sin(turn / 2))
    state.angle, state.v = state.angle + turn, state.v + length * dv
    state.tx = state.tx + (length * dx + less * pivot[0] + sin * pivot[1])
    state.ty = state.ty + (length * dy + less * pivot[1] - sin * pivot[0])
    cos, sin = np.cos(state.angle), np.sin(state.angle)
    state.rx, state.ry = cos * frame.px - sin * frame.py, sin * frame.px + cos * frame.py
    state.qx, state.qy = state.rx + state.tx - frame.hx, state.ry + state.ty - frame.hy
    a = state.v + frame.c
    lacking = 0.5 * (a - straight) - (a - np.hypot(state.qx, state.qy))
    state.v = state.v + np.maximum(lacking.max(axis=0), 0.0)
    state.a = state.v + frame.c
