"""The ways a distance is measured at the bench: what was read, and the distance of the centres that follows.

Arithmetic of measuring over pins and with jaws: common practice, no source; elementary geometry. What is added here:
jaws with flat lands stand off a round wall, a pin smaller than its hole has play, a gauge held askew, and temperature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holeqc.distances.network import IntArray
from holeqc.problems import DataError
from holeqc.quantities import FloatArray, size_at_reference

HOLES, EDGE, EDGES = "hole to hole", "edge to hole", "edge to edge"


@dataclass(frozen=True, slots=True)
class Way:
    """One way of measuring: between which ends, what is done with half a diameter at each hole, and how it is done.

    ``half``: -1 takes half the diameter of each hole off the reading, +1 puts it on, 0 leaves it. ``on_pins``: the
    diameters are those of pins in the holes, else those of the holes. ``words`` tell the person at the bench what to
    do.
    """

    name: str
    between: str
    half: int
    on_pins: bool
    words: str


#: name -> way, in the order in which they are preferred
WAYS: dict[str, Way] = {
    way.name: way
    for way in (
        Way("over pins", HOLES, -1, True, "outside jaws over both pins"),
        Way("between pins", HOLES, +1, True, "inside jaws between both pins"),
        Way("far walls", HOLES, -1, False, "inside jaws on the far walls of both holes"),
        Way("web", HOLES, +1, False, "outside jaws on the web between both holes"),
        Way("centres", HOLES, 0, False, "read as the distance of the centres, jaws zeroed in an equal hole"),
        Way("edge over pin", EDGE, -1, True, "from the edge over the pin"),
        Way("edge to pin", EDGE, +1, True, "from the edge to the near side of the pin"),
        Way("edge to far wall", EDGE, -1, False, "from the edge to the far wall of the hole"),
        Way("edge to near wall", EDGE, +1, False, "from the edge to the near wall of the hole"),
        Way("height over pin", EDGE, -1, True, "edge on the plate, height gauge on top of the pin"),
        Way("height to upper wall", EDGE, -1, False, "edge on the plate, height gauge to the hole's upper wall"),
        Way("height to lower wall", EDGE, +1, False, "edge on the plate, height gauge to the hole's lower wall"),
        Way("edge to centre", EDGE, 0, False, "read as the distance of the centre from the edge"),
        Way("across", EDGES, 0, False, "outside jaws across both edges"),
    )
}


@dataclass(frozen=True, slots=True)
class Centres:
    """Distances of centres (..., n) at 20 °C, with what is known of their errors, as standard deviations.

    ``sd`` (..., n) of all errors together. ``own_sd`` (..., n): of those that no other distance shares (reading, play,
    tilt). ``by_diameter`` (..., n, 2): change of the distance with the diameter used at each end, ``diameter_sd`` (...,
    n, 2) its sd. ``play`` (..., n, 2): hole minus pin at each end, 0 without a pin; below zero where the pin can't have
    been in that hole.
    """

    distance: FloatArray
    sd: FloatArray
    own_sd: FloatArray
    by_diameter: FloatArray
    diameter_sd: FloatArray
    play: FloatArray


def to_centres(
    ways: Sequence[str], reading: ArrayLike, diameter: ArrayLike, gauge_sd: ArrayLike, *, hole: ArrayLike = np.nan,
    diameter_sd: ArrayLike = 0.0, land: ArrayLike = 0.0, tilt_deg: ArrayLike = 0.0, temperature_c: ArrayLike = 20.0,
    temperature_sd: float = 0.0, part_per_c: float = 0.0, gauge_per_c: float = 0.0,
) -> Centres:  # fmt: skip
    """Return the distances of centres from what was read; lengths in one unit, arrays broadcast to (..., n).

    ``ways`` (n,) names of `WAYS`. ``reading`` (..., n), NaN where there is none. ``diameter`` (..., n, 2): at each end,
    of the pin or of the hole as the way asks, NaN at an edge. ``hole`` (..., n, 2): actual diameter of the hole in
    which a pin stands, or the largest it can be; without it a way over pins has no sd. ``gauge_sd`` (..., n): half of
    the gauge's U (k = 2). ``diameter_sd`` (..., n, 2). ``land`` (..., n): width of the jaws' flats that touch a hole's
    wall; 0 for knife edges, and where the hole's diameter was read with the same jaws, which falls short by as much.
    ``tilt_deg`` (..., n): how far the gauge may have been askew. ``temperature_c`` of part and gauge and its sd, growth
    per °C of both.

    A pin with play may stand anywhere in its hole: uniform over hole - pin, sd = play / sqrt(12) each. Tilt: the error
    of up to L (1 - cos) as uniform. Neither is corrected, because its sign isn't known. A flat of width w touches a
    wall of diameter D where the hole is sqrt(D² - w²) wide.

    Raises:
        DataError: a way that isn't known, a diameter that a way needs isn't there, a land as wide as the hole, sd below
        zero.
    """
    kinds = [_way(name) for name in ways]
    n = len(kinds)
    half = np.array([k.half for k in kinds], dtype=float)
    pins = np.array([k.on_pins for k in kinds], dtype=bool)
    holes = np.array([[k.between != EDGES, k.between == HOLES] for k in kinds], dtype=bool).reshape(n, 2)
    read, sd_gauge, flat, askew, warm = np.broadcast_arrays(
        *(np.asarray(a, dtype=np.float64) for a in (reading, gauge_sd, land, tilt_deg, temperature_c))
    )
    size, around, sd_size = (np.asarray(a, dtype=np.float64) for a in (diameter, hole, diameter_sd))
    shape = np.broadcast_shapes(read.shape, (n,))
    size, around, sd_size = (
        np.broadcast_to(a, np.broadcast_shapes(a.shape, (*shape, 2))) for a in (size, around, sd_size)
    )
    # an edge may stand first: the one diameter there is belongs to the hole
    need = holes & (half != 0)[:, None]
    one_sided = ~holes[:, 1] & holes[:, 0]
    swapped = np.isnan(size[..., 0]) & ~np.isnan(size[..., 1]) & one_sided
    need = np.where(swapped[..., None], need[:, ::-1], need)
    if (lacking := need & np.isnan(size) & ~np.isnan(np.broadcast_to(read, shape))[..., None]).any():
        k = int(np.argwhere(lacking)[0][-2])
        raise DataError(
            f"distance {k} is measured {kinds[k].name!r} and needs the diameter of the {'pin' if pins[k] else 'hole'}"
        )
    if (np.minimum(np.nan_to_num(sd_gauge), 0).any()) or np.minimum(np.nan_to_num(sd_size), 0).any():
        raise DataError("a standard deviation is below zero")
    width = np.where(pins[:, None], 0.0, np.broadcast_to(flat, shape)[..., None])
    if (need & (width >= np.where(np.isnan(size), np.inf, size))).any():
        raise DataError("the jaws' land is as wide as the hole; give its width in the unit of the diameters")
    wide = np.where(need, np.nan_to_num(size), 1.0)  # and no square of it: a size may be typed with any exponent
    touched = np.where(need, np.sqrt(np.maximum(wide - width, 0.0)) * np.sqrt(wide + width), 0.0)
    slope = np.where(need, half[:, None] / 2 * np.nan_to_num(size) / np.where(touched > 0, touched, 1.0), 0.0)
    centre = read + (half[:, None] / 2 * touched).sum(axis=-1)
    play = np.where(need & pins[:, None], around - size, 0.0)
    askew_sd = np.abs(read) * (1 - np.cos(np.radians(askew))) / math.sqrt(3)
    warm_sd = np.abs(centre) * abs(part_per_c - gauge_per_c) * temperature_sd
    own = np.sqrt(sd_gauge**2 + (np.maximum(play, 0) ** 2).sum(axis=-1) / 12 + askew_sd**2 + warm_sd**2)
    from_size = np.where(need, slope * sd_size, 0.0)
    distance = size_at_reference(centre, warm, part_per_c, gauge_per_c)
    total = np.sqrt(own**2 + (from_size**2).sum(axis=-1))
    return Centres(distance, total, own, slope, np.where(need, sd_size, 0.0), play)


def _way(name: str) -> Way:
    if name not in WAYS:
        raise DataError(f"{name!r} is no way to measure a distance; ways: {', '.join(WAYS)}")
    return WAYS[name]


def of_repeats(readings: ArrayLike, gauge_sd: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return mean and sd of repeats (..., r), NaN where not taken; ``gauge_sd`` (...) is half of the gauge's U (k = 2).

    Repeats don't make a gauge better than its U (averaging isn't allowed for an error that is the same each time; ASME
    B89.1.14): the sd never falls below ``gauge_sd``, and scatter beyond it comes on top, divided by the number of
    repeats.
    """
    values = np.asarray(readings, dtype=np.float64)
    count = (~np.isnan(values)).sum(axis=-1)
    mean = np.nansum(values, axis=-1) / np.maximum(count, 1)
    spread = np.nansum((values - mean[..., None]) ** 2, axis=-1) / np.maximum(count - 1, 1)
    own = np.asarray(gauge_sd, dtype=np.float64) ** 2
    sd = np.sqrt(own + np.maximum(spread - own, 0.0) / np.maximum(count, 1))
    return np.where(count > 0, mean, np.nan), np.where(count > 0, sd, np.nan)


def shared_covariance(
    centres: Centres, diameters: ArrayLike | None = None, *, gauges: ArrayLike | None = None, zero_sd: ArrayLike = 0.0
) -> FloatArray:
    """Return the covariance (..., n, n) of distances that share a gauge's zero error, pins or holes' diameters.

    ``gauges`` (n,) number of the gauge of each distance and ``zero_sd`` (g,) the sd of its zero error, which is the
    same in all its readings: taken out of ``own_sd``, no further than that reaches. ``diameters`` (n, 2): number of the
    pin or of the hole's diameter used at each end, the same where it is the same pin or the same reading, -1 for none.
    A pin's play is new each time it is put in, so it isn't shared.

    More distances don't make a common error smaller. Where half of a caliper's variance is its zero error and 36 are
    taken as independent, only 88 of 100 coordinates lie inside their 95 % (tests/benchmarks/coverage_distances.py).
    """
    shape, n = centres.distance.shape, centres.distance.shape[-1]
    mixed = np.zeros((*shape, 0))
    if diameters is not None:
        items: IntArray = np.asarray(diameters, dtype=np.intp)
        if items.shape != (n, 2):
            raise DataError(f"diameters has shape {items.shape}; ({n}, 2) is needed, a number for each end")
        of_item = items[:, :, None] == np.arange(int(items.max(initial=-1)) + 1)
        mixed = np.einsum("...ne,nek->...nk", centres.by_diameter * centres.diameter_sd, of_item * 1.0)
    if gauges is not None:
        which, zero = np.asarray(gauges, dtype=np.intp), np.atleast_1d(np.asarray(zero_sd, dtype=np.float64))
        common = np.minimum(zero[which], 0.95 * centres.own_sd)
        mixed = np.concatenate([mixed, common[..., None] * np.eye(len(zero))[which]], axis=-1)
    alone = np.maximum(centres.sd**2 - (mixed**2).sum(axis=-1), 0.0)
    return mixed @ np.swapaxes(mixed, -1, -2) + alone[..., None] * np.eye(n)


def cosine_error(length: ArrayLike, angle_deg: ArrayLike) -> FloatArray:
    """Return by how much a length read askew by an angle differs, L (1 - cos); the unit of the length."""
    return np.asarray(length, dtype=np.float64) * (1 - np.cos(np.radians(np.asarray(angle_deg, dtype=np.float64))))
