"""What watching a fixture gives: seating, bushings, changes, forecasts; as records, as plain data, as frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.problems import Problem
from holeqc.quantities import BoolArray, FloatArray
from holeqc.wear.changes import Change
from holeqc.wear.events import Event
from holeqc.wear.forecast import NONE, Forecast
from holeqc.wear.history import History
from holeqc.wear.rivals import SIGNIFICANT, Account, Sizes
from holeqc.wear.separate import STILL, Moving, Separation
from holeqc.wear.shares import Share
from holeqc.wear.trend import Trend

if TYPE_CHECKING:
    import pandas as pd

SEATING_CHANNELS = ("shift x", "shift y", "turn", "scale")
CHANNELS = ("offset x", "offset y", "scatter", "size against the others")
SIZE_UPPER, SIZE_LOWER, POSITION, PATTERN, PINS = (
    "size, upper limit", "size, lower limit", "position to the edges", "hole to hole", "pins together",
)  # fmt: skip

#: what makes a hole leave its limit; no bushing helps against what all sizes share, or the seating
BUSHING, ALL_SIZES, SEATING, SIZE_EITHER, PLACE_EITHER, UNKNOWN = (
    "bushing", "all sizes together", "seating", "drill, gauge or bushing", "seating or bushing", "",
)  # fmt: skip

#: columns of `Wear.frame`, one row a bushing, most urgent first
COLUMNS: dict[str, str] = {
    "urgency": "rank, 1 is the first to see to", "hole": "hole id", "bushing": "bushing, or the hole where unnamed",
    "state": "forecast, no end yet, cannot tell yet, used up, no data", "limit": "which limit is reached first",
    "cause": "bushing, all sizes together, seating, or two that can't be told apart; empty where no drift is told",
    "act": "act before this cycle: the bound for half of the parts, or singles if that comes first",
    "left": "parts left until then", "before": "one-sided 95 % bound of estimate",
    "estimate": "cycle from which half of the parts fail", "lower": "95 % interval", "upper": "95 % interval",
    "singles": "cycle from which about one part in forty fails", "margin": "room of the middle part now [kit unit]",
    "offset_x": "offset now against the other bushings [kit unit]", "offset_y": "the same for y",
    "slope_x": "drift per cycle [kit unit]", "slope_y": "the same for y", "slope_size": "growth against the others",
    "scatter": "sd of one coordinate about its trend",
}  # fmt: skip
#: columns of `Wear.parts_frame`, one row a part in order of drilling
PART_COLUMNS = ("cycle", "serial", "part", "date", "shift_x", "shift_y", "turn", "scale", "out_of_seat")


@dataclass(frozen=True, slots=True)
class Seating:
    """Seating of the parts: ``values``, ``centre``, ``lower``, ``upper`` (P,4) as `SEATING_CHANNELS`; ``out`` (P,).

    ``alarm``: chance that any part of a steady history lies beyond its limits.
    """

    values: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    out: BoolArray
    alarm: float


@dataclass(frozen=True, slots=True)
class Found:
    """A change that nobody logged. ``hole`` is a place in the kit, None where the seating or all sizes changed.

    ``channels`` name the series that were searched together, in the order of the change's steps.
    """

    hole: int | None
    channels: tuple[str, ...]
    change: Change


@dataclass(frozen=True, slots=True)
class Outlook:
    """A forecast and what it is of. ``hole`` is a place in the kit, None where no one bushing stands out.

    ``forecast``: if nobody maintains; ``usual``: if the drill is reground as regularly as it was logged. ``cause``:
    what drifts. ``every``: parts between the logged changes of this bushing, where those are regular.
    """

    limit: str
    hole: int | None
    forecast: Forecast
    cause: str = UNKNOWN
    usual: Forecast | None = None
    every: float | None = None


@dataclass(frozen=True, slots=True)
class Loosening:
    """A bushing whose scatter grows: of one coordinate ``first`` and ``now``, and the chance of that by accident."""

    hole: int
    first: float
    now: float
    chance: float


@dataclass(frozen=True, slots=True)
class Power:
    """How small a wear would have been seen: ``seen`` per cycle, in 9 of 10 histories, over ``span`` cycles.

    ``room`` of the hole now. ``enough``: a wear that goes unseen doesn't use up the room in as many cycles again.
    """

    hole: int
    seen: float
    span: float
    room: float

    @property
    def enough(self) -> bool:
        """Whether a harmful wear would have been seen."""
        return self.seen * self.span < self.room


@dataclass(frozen=True, slots=True)
class Bushing:
    """A bushing: where it sits now and how that moves. ``offset`` (2,) mean of the last ``recent`` parts, ``spread``
    (2,2) covariance of that mean; ``first`` (2,) mean of the first ones since the last event. ``trends`` by channel.
    """

    hole: int
    offset: FloatArray
    spread: FloatArray
    recent: int
    first: FloatArray
    trends: dict[str, Trend]


@dataclass(frozen=True, slots=True)
class Wear:
    """The whole answer. ``order``: holes (places in the kit), most urgent first. ``outlooks``: earliest first.

    ``seat_trends``: of shift and turn, by channel. ``looks``: series that are looked at. ``moving``: which bushings
    move. ``sizes``: what all sizes do together. ``accounts``: explanations side by side.
    """

    history: History
    separation: Separation | None
    seating: Seating | None
    shares: tuple[Share, ...]
    notes: tuple[str, ...]
    bushings: tuple[Bushing, ...]
    sizes: Sizes
    found: tuple[Found, ...]
    outlooks: tuple[Outlook, ...]
    order: tuple[int, ...]
    events: tuple[Event, ...]
    problems: tuple[Problem, ...]
    advice: tuple[str, ...] = ()
    seat_trends: dict[str, Trend] = field(default_factory=dict)
    looks: int = 1
    moving: Moving = STILL
    accounts: tuple[Account, ...] = ()
    loose: tuple[Loosening, ...] = ()
    power: tuple[Power, ...] = ()

    def told(self, trend: Trend | None) -> bool:
        """Whether a drift is told from none, after the number of looks."""
        return trend is not None and trend.chance * self.looks < SIGNIFICANT

    def drifts(self, hole: int) -> bool:
        """Whether the place or the size of a bushing drifts."""
        own = next((b for b in self.bushings if b.hole == hole), None)
        return own is not None and any(self.told(own.trends.get(c)) for c in (*CHANNELS[:2], CHANNELS[3]))

    def first_of(self, hole: int) -> Outlook | None:
        """Return what limits a hole first, None where nothing can be said for want of readings."""
        return next((o for o in self.outlooks if o.hole == hole and o.forecast.state != NONE), None)

    def frame(self) -> pd.DataFrame:
        """Return one row a bushing, columns as `COLUMNS`."""
        import pandas as pd

        rows = [self._row(rank, hole) for rank, hole in enumerate(self.order, 1)]
        return pd.DataFrame(rows, columns=list(COLUMNS))

    def _row(self, rank: int, hole: int) -> dict[str, object]:
        look = self.first_of(hole)
        f = look.forecast if look else None
        bushing = next((b for b in self.bushings if b.hole == hole), None)
        trends = bushing.trends if bushing else {}

        def slope(channel: str) -> float:
            return trends[channel].slope if channel in trends else math.nan

        def number(value: float | None) -> float:
            return math.nan if value is None else value

        return {
            "urgency": rank, "hole": self.history.holes[hole], "bushing": self.history.bushings[hole],
            "state": f.state if f else "no data", "limit": look.limit if look and f and f.state != NONE else "",
            "act": number(f.act if f else None), "left": number(f.left if f else None),
            "before": number(f.before if f else None),
            "estimate": number(f.estimate if f else None), "lower": number(f.lower if f else None),
            "upper": number(f.upper if f else None), "singles": number(f.singles if f else None),
            "margin": f.now if f else math.nan,
            "offset_x": float(bushing.offset[0]) if bushing else math.nan,
            "offset_y": float(bushing.offset[1]) if bushing else math.nan,
            "slope_x": slope(CHANNELS[0]), "slope_y": slope(CHANNELS[1]), "slope_size": slope(CHANNELS[3]),
            "scatter": trends[CHANNELS[0]].sd if CHANNELS[0] in trends else math.nan,
        }  # fmt: skip

    def parts_frame(self) -> pd.DataFrame:
        """Return one row a part in order of drilling, columns as `PART_COLUMNS`; shift and turn NaN where not known."""
        import pandas as pd

        h = self.history
        values = self.seating.values if self.seating else np.full((len(h), 4), np.nan)
        out = self.seating.out if self.seating else np.zeros(len(h), dtype=np.bool_)
        hands = np.array(h.hands, dtype=object)[h.hand]
        columns = (h.cycle, h.serials, hands, h.date.astype("datetime64[s]"), *values.T, out)
        return pd.DataFrame(dict(zip(PART_COLUMNS, columns, strict=True)))

    def as_dict(self) -> dict[str, Any]:
        """Return everything as plain data for JSON: numbers, texts, lists, None where not known; keys are stable."""
        h = self.history
        return {
            "fixture": h.fixture, "unit": h.unit, "parts": len(h), "holes": list(h.holes), "advice": list(self.advice),
            "bushings": [self._bushing(hole) for hole in self.order],
            "forecasts": [self._outlook(o) for o in self.outlooks],
            "changes": [self._change(f) for f in self.found],
            "seating": self._seating(),
            "shares": [plain({"cause": s.cause, "sd": s.sd, "share": s.share, "interval": [s.lower, s.upper]})
                       for s in self.shares],
            "identifiability": list(self.notes),
            "sizes": self._sizes(), "explanations": [self._account(a) for a in self.accounts],
            "loosening": [plain({"hole": h.holes[x.hole], "first": x.first, "now": x.now, "chance": x.chance})
                          for x in self.loose],
            "would_have_seen": [plain({"hole": h.holes[x.hole], "per_part": x.seen, "parts": x.span, "room": x.room,
                                       "enough": x.enough}) for x in self.power],
            "left_out": h.left_out, "made": h.made or None,
            "events": [self._event(e) for e in self.events],
            "problems": [p.as_dict() for p in self.problems],
        }  # fmt: skip

    def _event(self, e: Event) -> dict[str, Any]:
        bushings = [self.history.bushings[b] for b in sorted(e.bushings)] or ["all"]
        return {"kind": e.kind, "cycle": e.cycle, "bushings": bushings, "note": e.note}

    def _bushing(self, hole: int) -> dict[str, Any]:
        h = self.history
        out: dict[str, Any] = {"hole": h.holes[hole], "bushing": h.bushings[hole]}
        bushing = next((b for b in self.bushings if b.hole == hole), None)
        if bushing:
            out["offset"] = bushing.offset.tolist()
            out["offset_covariance"] = bushing.spread.tolist()
            out["trends"] = {channel: _trend(t) for channel, t in bushing.trends.items()}
        look = self.first_of(hole)
        out["first_limit"] = self._outlook(look) if look else None
        return dict(plain(out))

    def _outlook(self, look: Outlook) -> dict[str, Any]:
        hole = None if look.hole is None else self.history.holes[look.hole]
        bushing = None if look.hole is None else self.history.bushings[look.hole]
        named = {"limit": look.limit, "hole": hole, "bushing": bushing, "cause": look.cause}
        usual = None if look.usual is None else _forecast(look.usual)
        return dict(
            plain(named | _forecast(look.forecast) | {"with_usual_regrinds": usual, "changed_every": look.every})
        )

    def _change(self, found: Found) -> dict[str, Any]:
        c = found.change
        names = ("kind", "cycle", "first", "last", "chance")
        hole = None if found.hole is None else self.history.holes[found.hole]
        of = {name: {"step": float(c.step[k]), "slope_before": float(c.before[k]), "slope_after": float(c.after[k])}
              for k, name in enumerate(found.channels)}  # fmt: skip
        return dict(plain({"hole": hole, "of": of} | {n: getattr(c, n) for n in names}))

    def _sizes(self) -> dict[str, Any]:
        s = self.sizes
        return dict(plain({"drift": s.drifts, "slope": s.slope, "chance": s.chance}))

    def _account(self, a: Account) -> dict[str, Any]:
        hole = None if a.hole is None else self.history.holes[a.hole]
        names = ("of", "shape", "best", "odds", "rest", "causes", "decide")
        return dict(plain({"hole": hole} | {n: getattr(a, n) for n in names}))

    def _seating(self) -> dict[str, Any] | None:
        s = self.seating
        if s is None:
            return None
        out = [self.history.serials[k] for k in np.flatnonzero(s.out)]
        limits = {
            name: [s.lower[-1, n], s.upper[-1, n]] for n, name in enumerate(SEATING_CHANNELS)
        }  # fmt: skip
        return dict(plain({
            "out_of_seat": out, "limits": limits, "alarm": s.alarm,
            "trends": {name: _trend(t) for name, t in self.seat_trends.items()},
            "parts": {name: s.values[:, n].tolist() for n, name in enumerate(SEATING_CHANNELS)},
            "serials": list(self.history.serials),
        }))  # fmt: skip


def _forecast(f: Forecast) -> dict[str, Any]:
    names = (
        "state",
        "start",
        "n",
        "now",
        "sd",
        "estimate",
        "lower",
        "upper",
        "act",
        "left",
        "before",
        "singles",
        "why",
    )
    return {n: getattr(f, n) for n in names}


def _trend(t: Trend) -> dict[str, Any]:
    names = (
        "start", "end", "n", "level", "slope", "lower", "upper", "robust", "chance", "sd", "neighbours", "effective",
        "curved", "recent",
    )  # fmt: skip
    return dict(plain({n: getattr(t, n) for n in names}))


def plain(value: Any) -> Any:
    """Return data with numbers of twelve digits, and None for what isn't finite."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{value:.12g}") if math.isfinite(value) else None
    return value
