"""The four-by-four linear systems of a whole batch, written out so that each line works on all parts at once.

Unknowns in this order: overshoot v, translation x and y, arc (rotation times the pattern's radius).
"""

from __future__ import annotations

import numpy as np

from holeqc.inspection.minimax_frame import Floats

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
