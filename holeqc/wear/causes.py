"""What makes a hole leave its limit: its bushing, the drill, or the seating of the parts.

A cause is named only where its own trend is told from none, over all that are looked at together (Bonferroni). A
forecast whose cause can't be named is not given: 'cannot tell yet'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear import result as res
from holeqc.wear.forecast import FAR, NONE, NOW, OPEN, SHUT
from holeqc.wear.history import History
from holeqc.wear.trend import Trend

SIGNIFICANT = 0.01  #: chance of one false drift among all bushings, or among shift and turn
LEAST_HOLES = 3  #: sizes a part must have, so that drill and bushing can be told apart


def with_causes(
    history: History,
    outlooks: Sequence[res.Outlook],
    bushings: Sequence[res.Bushing],
    seats: Mapping[str, Trend],
    drill: Trend | None,
) -> tuple[res.Outlook, ...]:
    """Return outlooks with their causes, in order of urgency."""
    from holeqc.wear.study import urgency

    out = []
    for look in outlooks:
        cause = cause_of(history, look, bushings, seats, drill)
        f = look.forecast
        if cause == res.UNKNOWN and f.state in (SHUT, FAR):
            f = replace(f, state=OPEN, estimate=None, upper=None, singles=None)
        out.append(replace(look, forecast=f, cause=cause if f.state in (SHUT, FAR, NOW) else res.UNKNOWN))
    return tuple(sorted(out, key=lambda o: urgency(o.forecast)))


def cause_of(
    history: History,
    look: res.Outlook,
    bushings: Sequence[res.Bushing],
    seats: Mapping[str, Trend],
    drill: Trend | None,
) -> str:
    """Return what drifts towards a limit."""
    if look.forecast.state == NONE:
        return res.UNKNOWN
    own = next((b for b in bushings if b.hole == look.hole), None)
    if look.limit in (res.SIZE_UPPER, res.SIZE_LOWER):
        return _of_size(history, look, own, bushings, drill)
    if look.limit == res.POSITION and look.hole is not None:
        return _of_position(history, look.hole, own, bushings, seats, drill)
    if own is not None and (place_drifts(own, len(bushings)) or _size_drifts(own, len(bushings), 0.0)):
        return res.BUSHING
    return res.DRILL if drill is not None and drill.told else res.UNKNOWN


def seat_drifts(seats: Mapping[str, Trend]) -> bool:
    """Whether shift or turn of the parts drifts."""
    return any(t.chance < SIGNIFICANT / 3 for t in seats.values())


def place_drifts(bushing: res.Bushing, number: int) -> bool:
    """Whether one of ``number`` bushings moves against the others."""
    trends = [bushing.trends[c] for c in res.CHANNELS[:2] if c in bushing.trends]
    return any(t.chance < SIGNIFICANT / (2 * number) for t in trends)


def _size_drifts(bushing: res.Bushing, number: int, side: float) -> bool:
    t = bushing.trends.get(res.CHANNELS[3])
    return t is not None and t.chance < SIGNIFICANT / number and t.slope * side >= 0.0


def holes_read(history: History) -> int:
    """Return how many holes have sizes."""
    return int(np.isfinite(history.size).any(axis=0).sum())


def _of_size(
    history: History, look: res.Outlook, own: res.Bushing | None, bushings: Sequence[res.Bushing], drill: Trend | None
) -> str:
    side = 1.0 if look.limit == res.SIZE_UPPER else -1.0
    if holes_read(history) < LEAST_HOLES:
        return res.SIZE_EITHER
    if own is not None and _size_drifts(own, len(bushings), side):
        return res.BUSHING
    if drill is not None and drill.told and drill.slope * side > 0:
        return res.DRILL
    return res.UNKNOWN if bushings else res.SIZE_EITHER


def _of_position(
    history: History,
    hole: int,
    own: res.Bushing | None,
    bushings: Sequence[res.Bushing],
    seats: Mapping[str, Trend],
    drill: Trend | None,
) -> str:
    """Return the larger of the drifts that are told: of the bushing, or of the seating at the hole."""
    if own is None or not seats:
        return res.PLACE_EITHER
    bushing = place_drifts(own, len(bushings))
    seating = seat_drifts(seats)
    if bushing and seating:
        mine = np.array([own.trends[c].slope for c in res.CHANNELS[:2] if c in own.trends])
        theirs = seat_slope(history, seats, hole)
        return res.BUSHING if float(np.hypot.reduce(mine)) >= float(np.hypot.reduce(theirs)) else res.SEATING
    if bushing or seating:
        return res.BUSHING if bushing else res.SEATING
    return res.DRILL if drill is not None and drill.told and drill.slope < 0 else res.UNKNOWN


def seat_slope(history: History, seats: Mapping[str, Trend], hole: int) -> FloatArray:
    """Return the drift (2,) of a hole per part by the drifts of the seating that are told."""
    told = {name: t.slope for name, t in seats.items() if t.chance < SIGNIFICANT / 3}
    away = history.nominal[hole] - history.nominal.mean(axis=0)
    shift_x, shift_y, turn = (told.get(name, 0.0) for name in res.SEATING_CHANNELS[:3])
    return np.array([shift_x - turn * away[1], shift_y + turn * away[0]])
