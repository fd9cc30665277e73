"""The frame in which the pattern problem is solved: centred, turned to the least-squares fit, scaled to the misfit.

The question is always the same: over every rotation and translation of a rigid pattern, make the largest overshoot
``max_i(|R p_i + t - h_i| - c_i)`` as small as it can be. Positions run to hundreds of millimetres and overshoots to
thousandths, so each part is divided by its own misfit; then one tolerance serves every unit and every size of part.

Arrays are laid out (rows, parts): a row is one pin at one wall, and the parts run along memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

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

    def standing(self, rotation: Floats, translation: Floats) -> Frame:
        """Return the frame with each pattern put where a motion in the caller's coordinates brings it."""
        cos, sin = np.cos(rotation), np.sin(rotation)
        x, y = self.pattern_centre
        turned = self.frame.turned(rotation - self.frame.angle)
        dx = (cos * x - sin * y + translation[:, 0] - self.target_centre[0]) / self.frame.scale
        dy = (sin * x + cos * y + translation[:, 1] - self.target_centre[1]) / self.frame.scale
        return Frame(
            turned.px, turned.py, turned.hx - dx, turned.hy - dy, turned.c,
            turned.angle, turned.radius, turned.scale, turned.tolerance,
        )  # fmt: skip

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
