"""Float of a pin pattern that enters: how far it may still be moved and turned inside the holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax import best_motion
from holeqc.inspection.minimax_cone import travel
from holeqc.inspection.minimax_frame import place
from holeqc.inspection.pin_gauge_input import Floats, Gauge, checked


@dataclass(frozen=True, slots=True)
class PinFloat:
    """Float of each of B parts about its best motion; NaN where the pins don't enter or a number is missing.

    Each array is (B, 2): how far back (minus x, minus y, clockwise) and how far forth (plus x, plus y,
    counter-clockwise), both counted positive. ``x`` and ``y`` [unit of the input] move the pins' centre, the mean of
    ``pin_xy``; ``rotation`` [rad] turns about it, up to pi where nothing stops it.
    """

    x: Floats
    y: Floats
    rotation: Floats


def available_float(
    pin_xy: npt.ArrayLike,
    hole_xy: npt.ArrayLike,
    hole_diameter: npt.ArrayLike,
    pin_diameter: npt.ArrayLike,
    *,
    free: bool = False,
) -> PinFloat:
    """Say how far the pins may move and turn from their best motion until the first pin touches its hole.

    Parameters
    ----------
    pin_xy, hole_xy, hole_diameter, pin_diameter : as for
        :func:`holeqc.inspection.pin_gauge.pin_pattern_margin`
    free : False: one movement at a time, the two others held as they are at the best motion (closed form; what is left
        by hand feel without steering). True: the two others follow freely, which gives the greatest travel; it is
        found by following the pattern from its best motion, without jumps.

    Returns
    -------
    PinFloat

    Raises
    ------
    DataError : as for :func:`holeqc.inspection.pin_gauge.pin_pattern_margin`
    """
    gauge = checked(pin_xy, hole_xy, hole_diameter, pin_diameter)
    parts = len(gauge.hole)
    fit = best_motion(gauge.pin, gauge.hole, gauge.clearance)
    out = PinFloat(*(np.full((parts, 2), np.nan) for _ in range(3)))
    index = np.flatnonzero(fit.margin >= gauge.least)
    if not index.size:
        return out
    part = Gauge(gauge.pin, gauge.hole[index], gauge.hole_diameter[index], gauge.pin_diameter[index])
    x, y, rotation = (_following if free else _alone)(part, fit.rotation[index], fit.translation[index])
    out.x[index], out.y[index], out.rotation[index] = x, y, rotation
    return out


def _alone(gauge: Gauge, rotation: Floats, translation: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the float of one movement at a time, by the distance at which each pin touches."""
    cos, sin = np.cos(rotation)[:, None], np.sin(rotation)[:, None]
    from_centre = gauge.pin - gauge.pin.mean(axis=0)
    rx = cos * from_centre[:, 0] - sin * from_centre[:, 1]
    ry = sin * from_centre[:, 0] + cos * from_centre[:, 1]
    middle = gauge.pin.mean(axis=0)
    bx = gauge.hole[..., 0] - (cos * middle[0] - sin * middle[1] + translation[:, :1])
    by = gauge.hole[..., 1] - (sin * middle[0] + cos * middle[1] + translation[:, 1:])
    c = gauge.clearance
    qx, qy = rx - bx, ry - by
    return _straight(qx, qy, c), _straight(qy, qx, c), _turned(rx, ry, bx, by, c)


def _straight(along: Floats, across: Floats, c: Floats) -> Floats:
    """Return travel (B, 2) back and forth of pins that stand ``along``, ``across`` (B, N) from their hole axes."""
    chord = np.sqrt(np.maximum(c * c - across * across, 0.0))
    return np.maximum(np.stack([(chord + along).min(axis=1), (chord - along).min(axis=1)], axis=1), 0.0)


def _turned(rx: Floats, ry: Floats, bx: Floats, by: Floats, c: Floats) -> Floats:
    """Return the turn (B, 2) back and forth about the pins' centre; ``r`` pins and ``b`` holes (B, N) seen from there.

    A pin that has turned by d is in its hole while ``4 |r| |b| sin^2((d - lead) / 2) <= c^2 - (|r| - |b|)^2``, ``lead``
    being the angle from pin to hole.
    """
    r, b = np.hypot(rx, ry), np.hypot(bx, by)
    room = np.maximum(c * c - np.square(r - b), 0.0)
    spread = 4 * r * b
    stops = spread > room
    half = 2 * np.arcsin(np.sqrt(room / np.where(stops, spread, 1.0), where=stops, out=np.ones_like(room)))
    lead = np.arctan2(rx * by - ry * bx, rx * bx + ry * by)
    back = np.where(stops, half - lead, np.pi).min(axis=1)
    forth = np.where(stops, half + lead, np.pi).min(axis=1)
    return np.clip(np.stack([back, forth], axis=1), 0.0, np.pi)


def _following(gauge: Gauge, rotation: Floats, translation: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the greatest travel (B, 2) in x, y and rotation, the other movements following."""
    placed = place(gauge.pin, gauge.hole, gauge.clearance, rotate=True)
    frame, scale = placed.standing(rotation, translation), placed.frame.scale
    held = placed.smallest / scale  # the overshoot in the frame at which the margin is zero
    with np.errstate(all="ignore"):
        ways = [travel(frame, held, way, sign) for way in range(3) for sign in (-1.0, 1.0)]
    turn = [np.where(frame.radius > 0, np.minimum(way, np.pi), np.pi) for way in ways[4:]]
    return (
        np.stack([ways[0] * scale, ways[1] * scale], axis=1),
        np.stack([ways[2] * scale, ways[3] * scale], axis=1),
        np.stack(turn, axis=1),
    )
