"""Before measuring: which distances to take for positions, what uncertainty to expect, and what it can't judge."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from holeqc.distances.network import adjust_network, critical, errors_seen
from holeqc.distances.ways import choose, gauge_factor, pairs, position_u
from holeqc.inspection.networks import floated_u, network_of, pin_uncertainty, with_zero
from holeqc.inspection.results import gauge_of
from holeqc.problems import DataError
from holeqc.quantities import FloatArray, format_length
from holeqc.readings.distance_sheet import DistanceTable, write_distances
from holeqc.readings.table import basic_distance, places_of
from holeqc.specification.model import EDGE, FAR_WALLS, OVER_PINS, Distance, DistancePlan, Specification, read_distance

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from openpyxl.worksheet.worksheet import Worksheet

    from holeqc.readings.sheet_layout import Layout


SHARE = 0.25  #: U of position may be a quarter of its tolerance (4 : 1, MIL-HDBK-52)
MANY = 3.0  #: distances a hole that are asked for where no number of them reaches that
AUTO = "auto"


def distance_table(spec: Specification, wanted: str = "") -> DistanceTable:
    """Return the distances that a sheet asks for, with what makes its live marks and the lines that say what to expect.

    ``wanted``: how many in each wall, ``auto`` until U of each position is at most a quarter of its tolerance; '' for
    what the kit lists, else auto.

    Raises:
        DataError: no gauge with a U that reads distances, holes without basic positions, too few distances.
    """
    plan = spec.plan.distances
    u = _gauge_u(spec)
    if not spec.located:
        raise DataError("distances need the basic x and y of every hole; write them into the kit file")
    if wanted and wanted.lower() != AUTO and not wanted.isdecimal():
        raise DataError(f"--distances {wanted}: a whole number, or auto")
    listed = [d for line in (plan.lines if plan else ()) if (d := read_distance(spec, line)) is not None]
    chosen = listed if listed and not wanted else _chosen(spec, u, wanted)
    network = network_of(spec, np.ones(2), chosen)
    sd = np.array([_sd(spec, d, u) for d in chosen])
    drawn = np.array([basic_distance(spec, d, spec.parts[0].name) for d in chosen])
    adjusted = adjust_network(network, drawn, sd)
    common = with_zero(network, drawn, sd, np.full(len(sd), u / 2.0))
    expected = np.where(adjusted.placed, position_u(common), np.inf)
    rest = errors_seen(adjusted)[0]
    own = np.where(np.diag(rest) * sd**2 > 1e-6, np.diag(rest), np.nan)
    off = {h.id: 0.5 * (max(h.position.tolerance or 0.0, h.position.pattern_tolerance or 0.0) + h.size.band)
           for h in spec.holes}  # fmt: skip
    far = np.array(
        [sum(off.get(end, 0.0) for end in (d.first, d.second)) + 2.0 * s for d, s in zip(chosen, sd, strict=True)]
    )
    return DistanceTable(
        tuple(chosen), np.nan_to_num(rest / np.sqrt(own)[:, None]), np.nan_to_num(1.0 / np.sqrt(own), nan=math.inf),
        critical(max(int(np.isfinite(own).sum()), 1)), far, plan.count if plan else 1,
        tuple(_expected_lines(spec, chosen, expected, floated_u(spec, adjusted, common), u)),
    )  # fmt: skip


def sheet_with_distances(
    spec: Specification, wanted: str
) -> tuple[Specification, Callable[[Worksheet, Layout, int], str], tuple[str, ...]]:
    """Return the kit as a sheet asks it with distances in place of x and y, what writes their table, what to expect."""
    from holeqc.reports.plate import network_png

    if spec.plan.distances is None:
        spec = replace(spec, plan=replace(spec.plan, distances=DistancePlan()))
    table = distance_table(spec, wanted)
    table = replace(table, picture=network_png(spec, table.distances))
    return spec, partial(write_distances, spec, table), table.lines


def _gauge_u(spec: Specification) -> float:
    index, _ = gauge_of(spec, "", "distance")
    found = spec.gauges[index].uncertainty if index >= 0 else None
    if not found:
        raise DataError('distances need a gauge with its U: [[gauge]] with measures = ["distance"] and uncertainty, '
                        "and plan.distance_gauge where there are several")  # fmt: skip
    return found


def _sd(spec: Specification, distance: Distance, u: float) -> float:
    """Return the standard deviation to expect of a distance: of gauge, pins and their play, or the holes' diameters."""
    plan = spec.plan.distances
    pins = plan.pins if plan else ()
    total = (u / 2.0) ** 2
    for end in (distance.first, distance.second):
        if end.startswith(EDGE):
            continue
        size = spec.hole(end).size
        if distance.way != OVER_PINS:
            index, _ = gauge_of(spec, "", "diameter")
            total += ((spec.gauges[index].uncertainty or 0.0) / 4.0) ** 2 if index >= 0 else size.band**2 / 48.0
            continue
        holes = np.linspace(size.lower, size.upper, 21)
        fits = [max((p for p in pins if p <= d + 1e-9), default=size.lower) for d in holes]
        total += float(np.mean((holes - fits) ** 2)) / 12.0 + (pin_uncertainty(spec) / 4.0) ** 2
    return math.sqrt(total)


def _chosen(spec: Specification, u: float, wanted: str) -> list[Distance]:
    """Return the distances that serve best, in every wall in which positions are asked."""
    way = OVER_PINS if spec.plan.distances and spec.plan.distances.pins else FAR_WALLS
    names = [end for end in places_of(spec) if not end.startswith(EDGE)]
    names += [f"{EDGE}{e.name}" for e in spec.datum_edges if e.at == 0.0]
    both = pairs(len(spec.holes), len(names) - len(spec.holes))
    possible = [Distance(names[i], names[j], way) for i, j in both.tolist()]
    network, sd = network_of(spec, np.ones(2), possible), np.array([_sd(spec, d, u) for d in possible])
    tolerances = np.array([h.position.tolerance or h.position.pattern_tolerance or math.inf for h in spec.holes])
    if wanted.isdecimal():
        picked = choose(network, sd, int(wanted)).distances
    else:
        found = choose(network, sd, target=SHARE * np.where(np.isfinite(tolerances), tolerances, 1e6))
        most = min(len(possible), round(MANY * len(spec.holes)))
        picked = (
            found.distances if found.reached and len(found.distances) <= most else choose(network, sd, most).distances
        )
        if len(picked) < most and any(k in picked for k in found.unchecked):  # as many more as check them all
            for count in range(len(picked) + 1, most + 1):
                again = choose(network, sd, count)
                picked = again.distances
                if not again.unchecked:
                    break
    walls = spec.plan.position_walls
    return [Distance(possible[k].first, possible[k].second, way, wall) for wall in walls for k in picked]


def _expected_lines(
    spec: Specification, chosen: Sequence[Distance], u: FloatArray, in_pattern: FloatArray, gauge: float
) -> list[str]:  # fmt: skip
    """Return what to expect of each hole, and what can and can't be judged with it."""
    unit = spec.unit

    def text(value: float) -> str:
        return format_length(value, unit, 4 if unit == "in" else 3) if math.isfinite(value) else "not placed"

    each = ", ".join(f"{h.id} {text(float(v))}" for h, v in zip(spec.holes, u, strict=True))
    lines = [f"U (k = 2) of position to expect [{unit}]: hole {each}."]
    for what, key, values in (
        ("Position from the edges", "tolerance", u),
        ("Hole to hole", "pattern_tolerance", in_pattern),
    ):
        asked = np.array([t if (t := getattr(h.position, key)) is not None else np.nan for h in spec.holes])
        known = np.isfinite(asked) & (asked > 0)
        if not known.any():
            continue
        if not np.isfinite(values[known]).all():
            lines.append(f"{what}: can't be judged from these distances.")
            continue
        share = values[known] / asked[known]
        worst = int(np.flatnonzero(known)[int(share.argmax())])
        factor = gauge_factor(values[known], asked[known], SHARE)
        head = f"{what}, ⌀{asked[worst]:g}: U is {100 * share.max():.0f} % of it (hole {spec.holes[worst].id})"
        if factor >= 1.0:
            lines.append(f"{head}; it can be judged.")
        elif share.max() < 1.0:
            lines.append(
                f"{head}: what lies within U of the limit is held. All of it needs every error "
                f"{1 / factor:.1f} times smaller: a gauge with U {text(gauge * factor)}, pins that fit closer, or more "
                "distances."
            )
        else:
            lines.append(
                f"{head}: it can't be judged; a coordinate machine would, or a gauge with U {text(gauge * factor)}."
            )
    return lines
