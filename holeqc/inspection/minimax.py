"""Best motion of a rigid pattern in the plane: the smallest largest overshoot, over every rotation and translation.

For pattern points ``p_i``, targets ``h_i`` and zone radii ``c_i`` this finds the rotation R and translation t with the
largest margin m such that ``|R p_i + t - h_i| <= c_i - m`` for every i. The answer is exact (the rotation isn't
linearised) and it is the best of all angles, not of those near a start: each result carries the proved gap between the
margin that its motion reaches and the most that any motion could.

Ways, quick first: :mod:`minimax_fast` for nearly all parts, :mod:`minimax_cone` for ties and perfect fits,
:mod:`minimax_search` where the misfit is so large that one certificate can't cover all angles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

# The frame in which the pattern problem is solved: centred, turned to the least-squares fit, scaled to the misfit.
#
# The question is always the same: over every rotation and translation of a rigid pattern, make the largest overshoot
# ``max_i(|R p_i + t - h_i| - c_i)`` as small as it can be. Positions run to hundreds of millimetres and overshoots to
# thousandths, so each part is divided by its own misfit; then one tolerance serves every unit and every size of part.
#
# Arrays are laid out (rows, parts): a row is one pin at one wall, and the parts run along memory.


Floats = npt.NDArray[Any]  #: float64, or float32 inside the fast stage

GAP = 1e-10  #: widest certified gap between attained and proved overshoot, as a part of the misfit
GAP_SEARCHED = 2e-8  #: the same where many arcs of angle must be proved, but never more than
GAP_OF_PATTERN = 5e-11  #: this part of the pattern's radius
ROUNDING = 4e-15  #: the same for rounding, as a part of the pattern's radius


@dataclass(frozen=True, slots=True)
class Frame:
    """A batch of parts in their own centred, turned and scaled coordinates.

    ``px``, ``py`` (N, B) pattern, turned by ``angle``; ``hx``, ``hy`` (N, B) targets; ``c`` (N, B) zone radii less the
    part's smallest, so that no overshoot is below zero; ``radius`` (B,) the pattern's radius; ``scale`` (B,) the length
    that one unit stands for; ``tolerance`` (B,) the gap to reach.
    """

    px: Floats
    py: Floats
    hx: Floats
    hy: Floats
    c: Floats
    angle: Floats
    radius: Floats
    scale: Floats
    tolerance: Floats

    @property
    def turn(self) -> Floats:
        """The turn (B,) in rad that a unit of arc stands for; zero for a pattern without extent."""
        some = self.radius > 0
        return np.where(some, 1 / np.where(some, self.radius, 1.0), 0.0)

    def take(self, index: npt.NDArray[Any]) -> Frame:
        """Return the chosen parts, in the order of ``index`` (repeats allowed)."""
        return Frame(
            *(np.ascontiguousarray(a[:, index]) for a in (self.px, self.py, self.hx, self.hy, self.c)),
            *(a[index] for a in (self.angle, self.radius, self.scale, self.tolerance)),
        )

    def still(self) -> Frame:
        """Return the same parts with patterns that don't turn: by their radius they have no extent."""
        none = np.zeros_like(self.radius)
        return Frame(
            self.px, self.py, self.hx, self.hy, self.c, self.angle, none, self.scale, self.tolerance
        )  # fmt: skip

    def turned(self, angle: Floats) -> Frame:
        """Return the same parts with each pattern turned on by ``angle`` (B,) rad."""
        cos, sin = np.cos(angle), np.sin(angle)
        return Frame(
            cos * self.px - sin * self.py, sin * self.px + cos * self.py, self.hx, self.hy, self.c,
            self.angle + angle, self.radius, self.scale, self.tolerance,
        )  # fmt: skip

    def overshoot(self, angle: Floats, tx: Floats, ty: Floats) -> Floats:
        """Return the largest overshoot (B,) of the motions: turn by ``angle``, then move by (``tx``, ``ty``)."""
        return (self.distances(angle, tx, ty) - self.c).max(axis=0)

    def distances(self, angle: Floats, tx: Floats, ty: Floats) -> Floats:
        """Return how far (N, B) each moved pattern point lies from its target."""
        cos, sin = np.cos(angle), np.sin(angle)
        qx = cos * self.px
        qx -= sin * self.py
        qx += tx
        qx -= self.hx
        qy = sin * self.px
        qy += cos * self.py
        qy += ty
        qy -= self.hy
        qx *= qx
        qy *= qy
        qx += qy
        return np.sqrt(qx, out=qx)


@dataclass(frozen=True, slots=True)
class Placed:
    """A frame, and what brings its motions back to the caller's coordinates."""

    frame: Frame
    pattern_centre: Floats  # (2,)
    target_centre: Floats  # (2, B)
    smallest: Floats  # (B,) the part's smallest zone radius

    def margin(self, overshoot: Floats) -> Floats:
        """Return the margin (B,) in the caller's unit that belongs to an overshoot in the frame."""
        return self.smallest - overshoot * self.frame.scale

    def motion(self, angle: Floats, tx: Floats, ty: Floats) -> tuple[Floats, Floats]:
        """Return rotation (B,) in (-pi, pi] about the caller's origin, and the translation (B, 2) that follows it."""
        turn = self.frame.angle + angle
        cos, sin = np.cos(turn), np.sin(turn)
        x, y = self.pattern_centre
        translation = np.empty((turn.size, 2))
        translation[:, 0] = self.target_centre[0] + tx * self.frame.scale - (cos * x - sin * y)
        translation[:, 1] = self.target_centre[1] + ty * self.frame.scale - (sin * x + cos * y)
        return np.arctan2(sin, cos), translation


def place(pattern: Floats, target: Floats, zone_radius: Floats, *, rotate: bool) -> Placed:
    """Centre, turn and scale a batch of parts.

    ``pattern`` (N, 2), ``target`` (B, N, 2), ``zone_radius`` (B, N), all finite. The start angle is that of the
    least-squares fit without reflection (Umeyama 1991, in the plane), or zero where rotation is not free.
    """
    rows, parts = target.shape[1], target.shape[0]
    centre = pattern.mean(axis=0)
    p = pattern - centre
    hx, hy = np.array(target[:, :, 0].T, order="C"), np.array(target[:, :, 1].T, order="C")
    mean_x, mean_y = hx.sum(axis=0) / rows, hy.sum(axis=0) / rows
    hx -= mean_x
    hy -= mean_y
    if rotate:
        x, y = p[:, :1], p[:, 1:]
        along = (x * hx).sum(axis=0) + (y * hy).sum(axis=0)
        across = (x * hy).sum(axis=0) - (y * hx).sum(axis=0)
        length = np.hypot(along, across)
        known = length > 0
        length[~known] = 1.0
        cos, sin = np.where(known, along / length, 1.0), across / length
    else:
        cos, sin = np.ones(parts), np.zeros(parts)
    px = cos * p[:, :1] - sin * p[:, 1:]
    py = sin * p[:, :1] + cos * p[:, 1:]
    smallest = zone_radius.min(axis=1)
    c = np.subtract(zone_radius.T, smallest, order="C")
    radius = float(np.sqrt((p * p).sum(axis=1).max()))
    misfit = np.sqrt(np.square(px - hx) + np.square(py - hy)).max(axis=0)
    # zones that are much wider than the misfit never bind; they must not coarsen the tolerance
    scale = np.maximum(misfit, 1e-3 * np.minimum(c.max(axis=0), max(radius, 1e-300)))
    # below this, misfit is rounding of the coordinates
    scale = np.maximum(scale, 1e-14 * (radius + c.max(axis=0)))
    scale = np.where(scale > 0, scale, 1.0)
    each = np.full(parts, radius) / scale
    frame = Frame(
        px / scale, py / scale, hx / scale, hy / scale, c / scale,
        np.arctan2(sin, cos), each, scale, GAP + ROUNDING * each,
    )  # fmt: skip
    return Placed(frame, centre, np.stack([mean_x, mean_y]), smallest)


# The four-by-four linear systems of a whole batch, written out so that each line works on all parts at once.
#
# Unknowns in this order: overshoot v, translation x and y, arc (rotation times the pattern's radius).


_sum = np.add.reduce


def solve_symmetric(
    matrix: list[Floats], right: list[Floats], curve: Floats | None = None
) -> tuple[Floats, Floats, Floats, Floats]:
    """Solve symmetric systems by elimination without pivoting; the lists are used up.

    ``matrix``: vv, vx, vy, va, xx, xy, xa, yy, ya, aa, each (B,); ``right`` four of (B,). ``curve`` (B,) is the turn's
    own curvature, which may be negative: it is added to the last pivot unless it would take most of it away, so that
    steps always lead downhill; with it, an arc that nothing resists (coincident pins) comes back as zero.
    """
    vv, vx, vy, va, xx, xy, xa, yy, ya, aa = matrix
    r0, r1, r2, r3 = right
    inverse0 = 1 / vv
    f1, f2, f3 = vx * inverse0, vy * inverse0, va * inverse0
    xx -= f1 * vx
    xy -= f1 * vy
    xa -= f1 * va
    yy -= f2 * vy
    ya -= f2 * va
    aa -= f3 * va
    r1 -= f1 * r0
    r2 -= f2 * r0
    r3 -= f3 * r0
    inverse1 = 1 / xx
    g2, g3 = xy * inverse1, xa * inverse1
    yy -= g2 * xy
    ya -= g2 * xa
    aa -= g3 * xa
    r2 -= g2 * r1
    r3 -= g3 * r1
    inverse2 = 1 / yy
    e3 = ya * inverse2
    aa -= e3 * ya
    r3 -= e3 * r2
    if curve is not None:
        aa = np.where(curve > -0.8 * aa, aa + curve, aa)
        aa = np.where(aa > 0, aa, np.inf)
    arc = r3 / aa
    y = r2 * inverse2 - e3 * arc
    x = r1 * inverse1 - g2 * y - g3 * arc
    return r0 * inverse0 - f1 * x - f2 * y - f3 * arc, x, y, arc


def distance_system(
    nx: Floats, ny: Floats, jx: Floats, jy: Floats, jj: Floats, bend: Floats, stiff: Floats, drive: Floats
) -> tuple[list[Floats], list[Floats], Floats]:
    """Return matrix, right side and arc slopes (N, B) of a Newton step on distances.

    ``nx``, ``ny`` unit vectors from target to point; ``jx``, ``jy`` motion of the point for a unit of arc, ``jj`` its
    square; ``bend`` weight over distance (the curvature of a distance across its direction); ``stiff`` weight over
    slack; ``drive`` the weights to which no motion at all would lead. All (N, B).
    """
    slope = jx * nx
    slope += jy * ny
    along = stiff - bend
    ax, ay, aa = along * nx, along * ny, along * slope
    sx, sy, sa = stiff * nx, stiff * ny, stiff * slope
    total = _sum(bend, 0)
    aa *= slope
    aa += bend * jj
    matrix = [_sum(stiff, 0), -_sum(sx, 0), -_sum(sy, 0), -_sum(sa, 0)]
    xa = ax * slope
    xa += bend * jx
    ya = ay * slope
    ya += bend * jy
    ax *= nx
    matrix += [_sum(ax, 0) + total, _sum(ay * nx, 0), _sum(xa, 0)]
    ay *= ny
    matrix += [_sum(ay, 0) + total, _sum(ya, 0), _sum(aa, 0)]
    right = [_sum(drive, 0) - 1, -_sum(drive * nx, 0), -_sum(drive * ny, 0), -_sum(drive * slope, 0)]
    return matrix, right, slope


# Proof that no motion does better: a lower bound on the overshoot that holds at every angle.
#
# Take weights ``w_i >= 0`` with sum 1 and pushes ``z_i`` (vectors) with ``|z_i| <= w_i`` and sum 0. For any rotation R
# and translation t::
#
# max_i(|R p_i + t - h_i| - c_i) >= sum_i(w_i |R p_i + t - h_i|) - sum_i(w_i c_i)
# >= sum_i(z_i . (R p_i - h_i)) - sum_i(w_i c_i)
#
# because t drops out. Turning all the pushes together keeps their conditions, so the best turn may be taken. Read as
# complex numbers, with ``P = sum(conj(z_i) p_i)`` and ``H = sum(conj(z_i) h_i)``, the bound at angle a is::
#
# |P exp(i a) - H| - C,   C = sum(w_i c_i)
#
# and over all angles it is ``||P| - |H|| - C``. At a best motion the pushes of the binding holes reach it, unless the
# moment of the pushes is itself no larger than the misfit. Derived here; the tests check it against random motions.


@dataclass(frozen=True, slots=True)
class Bound:
    """Lower bounds of a batch: moments ``p`` and ``h`` (complex, (B,)), ``offset`` (B,), and the weights (N, B)."""

    p: Floats
    h: Floats
    offset: Floats
    weight: Floats

    def anywhere(self) -> Floats:
        """Return the bound (B,) over all rotations and translations."""
        return np.abs(np.abs(self.p) - np.abs(self.h)) - self.offset

    def at(self, angle: Floats) -> Floats:
        """Return the bound (B,) over all translations, the pattern turned on by ``angle`` (B,)."""
        return np.abs(self.p * np.exp(1j * angle) - self.h) - self.offset

    def within(self, half_width: Floats) -> Floats:
        """Return the bound (B,) over all translations and every angle within ``half_width`` of zero.

        ``|P exp(i a) - H|`` falls and rises once round the circle, so the end nearest its lowest angle decides.
        """
        lowest = np.angle(self.h) - np.angle(self.p)
        lowest -= 2 * np.pi * np.round(lowest / (2 * np.pi))
        away = np.maximum(np.abs(lowest) - half_width, 0.0)
        a, b = np.abs(self.p), np.abs(self.h)
        return np.sqrt(np.square(a - b) + 4 * a * b * np.square(np.sin(away / 2))) - self.offset

    def between(self, low: Floats, high: Floats) -> Floats:
        """Return the bound (B,) over all translations and every angle from ``low`` to ``high`` (B,)."""
        middle = (low + high) / 2
        return Bound(self.p * np.exp(1j * middle), self.h, self.offset, self.weight).within((high - low) / 2)


def bound(weight: Floats, zx: Floats, zy: Floats, px: Floats, py: Floats, hx: Floats, hy: Floats, c: Floats) -> Bound:
    """Return the bound that weights and pushes (N, B) give, after mending them to meet their conditions exactly.

    Pushes belong to the frame in which the pattern is ``px``, ``py``; any common turn of them is of no account.
    """
    weight = np.maximum(weight, 0.0)
    weight = weight / weight.sum(axis=0)
    zx = zx - weight * zx.sum(axis=0)
    zy = zy - weight * zy.sum(axis=0)
    size = np.sqrt(zx * zx + zy * zy)
    size /= weight + 1e-300
    shrink = 1.0 / np.maximum(size.max(axis=0), 1.0)
    p = ((zx * px + zy * py).sum(axis=0) + 1j * (zx * py - zy * px).sum(axis=0)) * shrink
    h = ((zx * hx + zy * hy).sum(axis=0) + 1j * (zx * hy - zy * hx).sum(axis=0)) * shrink
    return Bound(p, h, (weight * c).sum(axis=0), weight)


@dataclass(slots=True)
class Solved:
    """Best motion found (B,), its overshoot, and the best bound proved (B,) for what was asked.

    ``p``, ``h``, ``offset`` (as in :class:`Bound`) and ``weight`` (N, B) are the dual of the step that came closest to
    solving its own angle: overshoot and bound there were ``apart`` (B,).
    """

    angle: Floats
    tx: Floats
    ty: Floats
    overshoot: Floats
    proved: Floats
    apart: Floats
    p: Floats
    h: Floats
    offset: Floats
    weight: Floats

    def take(self, index: npt.NDArray[np.intp]) -> Solved:
        """Return the chosen parts."""
        return Solved(*(getattr(self, name)[..., index] for name in self.__slots__))

    def bound(self) -> Bound:
        """Return the dual as a bound over angles."""
        return Bound(self.p, self.h, self.offset, self.weight)

    def put(self, index: npt.NDArray[np.intp], other: Solved) -> None:
        """Put another batch in place of the parts of ``index``."""
        for name in self.__slots__:
            getattr(self, name)[..., index] = getattr(other, name)


def unsolved(rows: int, parts: int) -> Solved:
    """Return a batch of which nothing is known."""
    far = np.full(parts, np.inf)
    return Solved(
        angle=np.zeros(parts), tx=np.zeros(parts), ty=np.zeros(parts), overshoot=far, proved=-far, apart=far.copy(),
        p=np.zeros(parts, complex), h=np.zeros(parts, complex), offset=np.zeros(parts),
        weight=np.full((rows, parts), 1.0 / rows),
    )  # fmt: skip


# The quick way to the smallest largest overshoot, for batches: few rough steps on all rows, exact steps on four.
#
# 1. An interior-point method on the distances, rotation taken as linear, in single precision. Six steps tell which
# holes
# bind and where the motion lies to about a thousandth of the misfit.
# 2. Newton's method on the exact equations of the four heaviest rows, in double precision.
#
# Nothing here is taken on trust: the caller proves each result by its certificate, and sends what isn't proved to the
# slow way. Three translations and angles and one overshoot are fixed by at most four rows, unless rows tie.


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


# The sure way to the smallest largest overshoot: an interior-point method on cones.
#
# Each row says that the point ``(v + c_i, R p_i + t - h_i)`` lies in the cone ``{(a, q): |q| <= a}``. Cones have no
# kink
# where a pin stands exactly on its hole axis, so rows without any misfit, ties and coincident pins need no special
# care.
# Primal-dual steps with Nesterov-Todd scaling; the scaling's inverse square is a rank-one term and the cone's own form,
# so a step costs sums over rows and one four-by-four system. Rotation is exact: points are turned anew after each step.
#
# Y. E. Nesterov, M. J. Todd, Self-scaled barriers and interior-point methods for convex programming, Mathematics of
# Operations Research 22 (1997) 1-42 (from memory, unconfirmed); results are proved by their certificate, not by this.


MOST_STEPS = 60
FIRST_PROOF = 5  #: no certificate is tried before this step
SMALLEST_MEASURE = 1e-14  #: complementarity below which rounding rules


@dataclass(slots=True)
class State:
    """A batch on its way: motion and overshoot (B,), cone points ``a``, ``qx``, ``qy`` and their duals (N, B)."""

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

    def keep(self, index: Floats) -> State:
        """Return the chosen parts."""
        return State(*(getattr(self, name)[..., index] for name in self.__slots__))


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
    return State(zero, zero, zero, v, a, qx, qy, frame.px, frame.py, weight / total, ux / total, uy / total)


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
    dv, dx, dy, da = _newton(state, k, ratio, (b0, bx, by), (jx, jy), g, turn)
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
    turn: Floats,
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


# Search of the whole circle for the few parts that one certificate can't settle.
#
# A bound from :mod:`holeqc.inspection.minimax` holds at every angle and is sharp at its own. The circle (or
# the arc that the two pins farthest apart leave open) is cut into arcs; each is solved at its middle, where only the
# translation is free and the problem is convex; an arc goes when a bound shows that nothing in it beats the best motion
# known, and is halved otherwise. What is left at the end is the best motion of all, and the proof of it.


MOST_ROUNDS = 60
MOST_HALVES = 20_000  #: open arcs of one part at which the search stops and says how far it came
MOST_ARCS = 8_000  #: arcs solved at once
INNER = 0.2  #: the arcs' own problems are solved to this part of the tolerance


@dataclass(slots=True)
class _Arcs:
    part: Floats
    middle: Floats
    half: Floats

    def keep(self, mask: npt.NDArray[Any] | slice) -> _Arcs:
        return _Arcs(self.part[mask], self.middle[mask], self.half[mask])

    def halved(self) -> _Arcs:
        half = self.half / 2
        return _Arcs(
            np.concatenate([self.part, self.part]),
            np.concatenate([self.middle - half, self.middle + half]),
            np.concatenate([half, half]),
        )


def search(frame: Frame, found: Solved) -> None:
    """Improve and prove ``found`` (in the frame's own angles) in place, over every angle."""
    give = np.maximum(2 * frame.tolerance, np.minimum(GAP_SEARCHED, GAP_OF_PATTERN * frame.radius))
    arcs = _open_arcs(frame, found, give)
    lowest = np.full(frame.radius.size, np.inf)  # what the arcs that were let go prove for their part
    for _ in range(MOST_ROUNDS):
        if not arcs.part.size:
            break
        known = _turned(found.bound(), arcs.part, arcs.middle).within(arcs.half)
        arcs = _let_go(arcs, known, found.overshoot - give, lowest)
        size = max(1, MOST_ARCS * 6 // len(frame.c))
        pieces = [
            _round(frame, found, arcs.keep(slice(begin, begin + size)), give, lowest)
            for begin in range(0, arcs.part.size, size)
        ]
        arcs = _joined(pieces) if pieces else arcs
        arcs = _without_crowds(arcs, lowest)
    lowest[np.unique(arcs.part)] = -np.inf  # rounds spent: say what is proved, not what is hoped
    found.proved = np.maximum(found.proved, np.minimum(found.overshoot, lowest))


def _round(frame: Frame, found: Solved, arcs: _Arcs, give: Floats, lowest: Floats) -> _Arcs:
    """Solve each arc at its middle, take over better motions, and return the halves of the arcs that stay open."""
    sub = frame.take(arcs.part).turned(arcs.middle)
    sub.tolerance[:] *= INNER
    middle = solve(sub, rotate=False, arc=Arc(arcs.half, (found.overshoot - give)[arcs.part]))
    _improve(frame, found, arcs, middle)
    return _let_go(arcs, middle.proved, found.overshoot - give, lowest).halved()


def _improve(frame: Frame, found: Solved, arcs: _Arcs, middle: Solved) -> None:
    """Where an arc's middle beats the best motion of its part, take it, and solve on from there, rotation free."""
    order = np.lexsort((middle.overshoot, arcs.part))
    first = order[np.unique(arcs.part[order], return_index=True)[1]]
    better = first[middle.overshoot[first] < found.overshoot[arcs.part[first]]]
    if not better.size:
        return
    part, turn = arcs.part[better], arcs.middle[better]
    _take_over(found, part, middle.take(better), turn)
    sub = frame.take(part).turned(turn)
    sub.tolerance[:] *= INNER
    _take_over(found, part, solve(sub, rotate=True), turn)


def _take_over(found: Solved, part: npt.NDArray[np.intp], other: Solved, turn: Floats) -> None:
    """Put the better ones of other motions, whose angles count from ``turn``, in place of those of ``part``."""
    gain = np.flatnonzero(other.overshoot < found.overshoot[part])
    to, other, turn = part[gain], other.take(gain), turn[gain]
    found.angle[to], found.tx[to], found.ty[to] = turn + other.angle, other.tx, other.ty
    found.overshoot[to], found.apart[to] = other.overshoot, other.apart
    found.p[to], found.h[to] = other.p * np.exp(-1j * turn), other.h
    found.offset[to], found.weight[:, to] = other.offset, other.weight


def _let_go(arcs: _Arcs, bound: Floats, level: Floats, lowest: Floats) -> _Arcs:
    """Drop the arcs whose bound reaches their part's ``level``, noting what they prove."""
    settled = bound >= level[arcs.part]
    np.minimum.at(lowest, arcs.part[settled], bound[settled])
    return arcs.keep(~settled)


def _turned(bound: Bound, part: Floats, angle: Floats) -> Bound:
    """Return the bounds of the chosen parts as seen from ``angle``."""
    return Bound(bound.p[part] * np.exp(1j * angle), bound.h[part], bound.offset[part], bound.weight[:, part])


def _open_arcs(frame: Frame, found: Solved, give: Floats) -> _Arcs:
    """Return the arcs that may hold a better motion: one about the motion found that its own bound just settles, and on
    either side arcs that double in width up to the ends of what :func:`open_angles` leaves."""
    a, b = np.abs(found.p), np.abs(found.h)
    deep = np.sqrt(give * np.maximum(found.overshoot + found.offset, 0.0) / (2 * a * b + 1e-300))
    first = 0.9 * np.clip(2 * np.arcsin(np.minimum(deep, 1.0)), 1e-7, 0.2)
    standing = frame.turned(found.angle)
    low, high = open_angles(standing.px, standing.py, frame.hx, frame.hy, found.overshoot + frame.c)
    count = np.ceil(np.log2(1 + np.maximum(high, -low) / first)).astype(int) + 1
    part = np.repeat(np.arange(first.size), count)
    step = np.arange(part.size) - np.repeat(np.cumsum(count) - count, count)
    inner, outer = first[part] * (2.0**step - 1), first[part] * (2.0 ** (step + 1) - 1)
    begin = np.concatenate([inner, np.maximum(-outer, low[part])])
    end = np.concatenate([np.minimum(outer, high[part]), -inner])
    part = np.concatenate([part, part])
    some = end > begin
    part, begin, end = part[some], begin[some], end[some]
    return _Arcs(part, found.angle[part] + (begin + end) / 2, (end - begin) / 2)


def open_angles(px: Floats, py: Floats, hx: Floats, hy: Floats, zone: Floats) -> tuple[Floats, Floats]:
    """Return how far (B,) below and above zero a pattern (N, B) may turn so that all points reach their zones.

    Only the two points farthest apart are looked at. With ``u`` and ``w`` the vectors between them and between their
    targets, a turn R that brings both within their zones' radii has ``|R u - w| <= zone_1 + zone_2``.
    """
    each = np.arange(px.shape[1])
    one = np.argmax(px**2 + py**2, axis=0)
    two = np.argmax((px - px[one, each]) ** 2 + (py - py[one, each]) ** 2, axis=0)
    u = px[one, each] - px[two, each] + 1j * (py[one, each] - py[two, each])
    w = hx[one, each] - hx[two, each] + 1j * (hy[one, each] - hy[two, each])
    reach = zone[one, each] + zone[two, each]
    product = 2 * np.abs(u) * np.abs(w)
    top = np.abs(u) ** 2 + np.abs(w) ** 2 - reach**2
    whole = top <= -product
    cosine = np.where(whole, -1.0, top / np.where(whole, 1.0, product))
    half = np.where(whole, np.pi, np.arccos(np.clip(cosine, -1.0, 1.0)) + 1e-7)
    middle = np.where(whole, 0.0, np.angle(w) - np.angle(u))
    middle -= 2 * np.pi * np.round(middle / (2 * np.pi))
    return np.minimum(middle - half, 0.0), np.maximum(middle + half, 0.0)


def _without_crowds(arcs: _Arcs, lowest: Floats) -> _Arcs:
    """Give up parts that rounding keeps from ever being settled, so that memory and time stay bounded."""
    if arcs.part.size <= MOST_HALVES:
        return arcs
    crowded = np.bincount(arcs.part, minlength=lowest.size) > MOST_HALVES
    lowest[crowded] = -np.inf
    return arcs.keep(~crowded[arcs.part])


def _joined(pieces: list[_Arcs]) -> _Arcs:
    return _Arcs(
        np.concatenate([a.part for a in pieces]),
        np.concatenate([a.middle for a in pieces]),
        np.concatenate([a.half for a in pieces]),
    )


CELLS = 48_000  #: rows times parts handled at once, so that a batch stays in the processor's cache
TOUCH = 1e-6  #: a row binds when its slack is below this part of the misfit,
TOUCH_ROUNDING = 1e-12  #: or below this part of the pattern's radius
ROUNDS = (2, 1, 2)  #: exact steps before each look at the certificates
QUICK = 0.1  #: the fast way's results are good enough at this part of the tolerance
LAST_STEPS = 7  #: exact steps for the parts that those leave


@dataclass(frozen=True, slots=True)
class BestMotion:
    """Margins and motions of a batch; a part that isn't finite has NaN, and no binding row.

    ``margin`` (B,), ``rotation`` (B,) rad about the origin, ``translation`` (B, 2) that follows it, ``binding`` (B, N),
    ``gap`` (B,): the true largest margin lies in [margin, margin + gap].
    """

    margin: npt.NDArray[np.float64]
    rotation: npt.NDArray[np.float64]
    translation: npt.NDArray[np.float64]
    binding: npt.NDArray[np.bool_]
    gap: npt.NDArray[np.float64]


def best_motion(pattern: Floats, target: Floats, zone_radius: Floats, *, rotate: bool = True) -> BestMotion:
    """Solve parts in batches of bounded size: ``pattern`` (N, 2), ``target`` (B, N, 2), ``zone_radius`` (B, N)."""
    parts, rows = target.shape[:2]
    out = BestMotion(
        np.full(parts, np.nan), np.full(parts, np.nan), np.full((parts, 2), np.nan),
        np.zeros((parts, rows), dtype=bool), np.full(parts, np.nan),
    )  # fmt: skip
    index = _whole(target, zone_radius)
    size = max(1, CELLS // rows)
    problem = _Problem(pattern, target, zone_radius, rotate)
    if rotate:
        index = _in_batches(problem, index, size, out, quick=True)
    _in_batches(problem, index, size, out, quick=False)
    return out


def proof(pattern: Floats, target: Floats, zone_radius: Floats, widest: Floats) -> tuple[Floats, float]:
    """Say what zones of one part would have to add up to: ``weight`` (N,) of sum 1, and ``need``.

    Whatever radii up to ``widest`` (N,) the zones have, all points can reach them only if ``sum(weight * radius)`` is
    at least ``need``. Taken from the dual of ``zone_radius`` (N,), which it shows to be too small if it can be shown.
    """
    placed = place(pattern, target[None], zone_radius[None], rotate=True)
    frame, scale = placed.frame, float(placed.frame.scale[0])
    with np.errstate(all="ignore"):
        found = settle(frame, LAST_STEPS)
        if not found.apart[0] <= QUICK * frame.tolerance[0]:
            found = solve(frame, rotate=True)
        low, high = open_angles(frame.px, frame.py, frame.hx, frame.hy, widest[:, None] / scale)
        dual = found.bound()
        reached = float((dual.between(low, high) + dual.offset)[0])
    weight = found.weight[:, 0]
    return weight / weight.sum(), reached * scale


def _whole(target: Floats, zone_radius: Floats) -> npt.NDArray[np.intp]:
    """Return the parts in which every number is finite."""
    with np.errstate(all="ignore"):
        if np.isfinite(target.sum()) and np.isfinite(zone_radius.sum()):  # the usual case, in one quick pass
            return np.arange(len(target))
    return np.flatnonzero(np.isfinite(target).all(axis=(1, 2)) & np.isfinite(zone_radius).all(axis=1))


@dataclass(frozen=True, slots=True)
class _Problem:
    pattern: Floats
    target: Floats
    zone_radius: Floats
    rotate: bool


def _in_batches(
    problem: _Problem, index: npt.NDArray[np.intp], size: int, out: BestMotion, *, quick: bool
) -> npt.NDArray[np.intp]:
    """Solve the parts of ``index`` by one way, fill in ``out`` and return the parts that it couldn't prove."""
    left = [np.empty(0, dtype=np.intp)]
    for begin in range(0, index.size, size):
        batch = index[begin : begin + size]
        # a run without gaps is taken as a view, which spares a copy
        run = batch[-1] - batch[0] + 1 == batch.size
        where: slice | npt.NDArray[np.intp] = slice(batch[0], batch[-1] + 1) if run else batch
        placed = place(problem.pattern, problem.target[where], problem.zone_radius[where], rotate=problem.rotate)
        results = _Results(placed)
        with np.errstate(all="ignore"):  # parts that break down in the quick way are solved in the sure one
            if quick:
                results.quick()
            else:
                results.sure(problem.rotate)
            results.write(placed, out, where)
            left.append(batch[results.open(QUICK)])
    return np.concatenate(left)


class _Results:
    """Results of one batch in its frame, filled in by one way after another until every part is proved."""

    def __init__(self, placed: Placed) -> None:
        self.frame: Frame = placed.frame
        parts = self.frame.radius.size
        self.angle, self.tx, self.ty = np.zeros(parts), np.zeros(parts), np.zeros(parts)
        self.overshoot = np.full(parts, np.inf)
        self.proved = np.zeros(parts)  # the tightest zone can't be overshot by less
        self.binding = np.zeros((len(self.frame.c), parts), dtype=bool)
        self.touch = TOUCH + TOUCH_ROUNDING * self.frame.radius

    def write(self, placed: Placed, out: BestMotion, where: slice | npt.NDArray[np.intp]) -> None:
        """Put the results into ``out`` in the caller's unit and coordinates."""
        out.margin[where] = placed.margin(self.overshoot)
        out.rotation[where], out.translation[where] = placed.motion(self.angle, self.tx, self.ty)
        out.binding[where] = self.binding.T
        out.gap[where] = np.maximum(self.overshoot - self.proved, 0.0) * self.frame.scale

    def open(self, part: float = 1.0) -> npt.NDArray[np.intp]:
        """Return the parts that aren't proved to ``part`` of their tolerance."""
        return np.flatnonzero(~(self.overshoot - self.proved <= part * self.frame.tolerance))

    def quick(self) -> None:
        """Settle what the fast way can."""
        frame = self.frame
        where: slice | npt.NDArray[np.intp] = slice(None)
        guess = rough(frame)
        for steps in ROUNDS:
            guess, proof = sharpen(frame, guess, steps)
            over = frame.distances(guess.angle, guess.tx, guess.ty)
            over -= frame.c
            reached, proved = over.max(axis=0), proof.anywhere()
            self._put(where, guess, reached, proved, over)
            left = np.flatnonzero(~(reached - proved <= QUICK * frame.tolerance))
            if not left.size:
                return
            where = left if isinstance(where, slice) else where[left]
            frame, guess = frame.take(left), guess.take(left)

    def sure(self, rotate: bool) -> None:
        """Settle everything: where the least-squares placement isn't best already, on cones, and over the whole circle
        where that isn't proof enough."""
        over = self.frame.distances(self.angle, self.tx, self.ty) - self.frame.c
        self._put(slice(None), self, over.max(axis=0), self.proved, over)
        index = self.open(QUICK)
        if not index.size:
            return
        frame = self.frame.take(index)
        if not rotate:
            self._take_over(index, frame, _on_cones(frame, rotate=False))
            return
        found = settle(frame, LAST_STEPS)
        stuck = np.flatnonzero(~(found.apart <= QUICK * frame.tolerance))
        if stuck.size:
            found.put(stuck, _on_cones(frame.take(stuck), rotate=True))
        self._take_over(index, frame, found)
        left = np.flatnonzero(~(found.overshoot - found.proved <= frame.tolerance))
        if left.size:
            frame, found = frame.take(left), found.take(left)
            search(frame, found)
            finish(frame, found, LAST_STEPS, rotate=True)
            self._take_over(index[left], frame, found)

    def _take_over(self, index: npt.NDArray[np.intp], frame: Frame, found: Solved) -> None:
        over = frame.distances(found.angle, found.tx, found.ty) - frame.c
        self._put(index, found, found.overshoot, np.maximum(found.proved, 0.0), over)

    def _put(
        self, where: slice | npt.NDArray[np.intp], motion: Solved | Exact | _Results, overshoot: Floats,
        proved: Floats, over: Floats,
    ) -> None:  # fmt: skip
        self.angle[where], self.tx[where], self.ty[where] = motion.angle, motion.tx, motion.ty
        self.overshoot[where], self.proved[where] = overshoot, proved
        self.binding[:, where] = over >= overshoot - self.touch[where]


def _on_cones(frame: Frame, *, rotate: bool) -> Solved:
    """Solve on cones, then take exact steps from where rounding stops them."""
    found = solve(frame, rotate=rotate)
    finish(frame, found, LAST_STEPS, rotate=rotate)
    return found
