"""A simulated shop: fixtures whose truth is known, read by the whole way from the CSV to the sentences.

Run as ``python tests/benchmarks/simulate_shop.py [HISTORIES [KIND...]]``; 400 of each of the 14 kinds of `USUAL` unless
told, on two cores. These 5600 histories fit into 20 minutes if one takes 0.43 s of a core on the whole; the last line
says what it took. The other kinds of `KINDS` are run where they are named, ``all`` runs every one.

Kit BL-7; all figures invented: a part is seated with a scatter of 0.0012 in, a hole scatters by 0.0005 in a coordinate
and 0.00028 in of size, a reading by 0.0002 and 0.00015 in. For each kind it prints how often

- right: what is there was named;
- wrong: a sentence is false (`SENTENCES`: all that the tool can print, each with when it is);
- alarm: one that tells of something that isn't there;
- covered: share of the printed 95 % intervals that hold the true part number (n: how many were printed), where half of
  the parts fail that limit, worked out from many parts drilled on at each of many part numbers with the same chances,
  and its standard error over histories, since the intervals of one history hang together;
- late: share of the bounds "before part N" that lie behind the true end, which each does once in 20 by what it says,
  and (any) of the histories with bounds in which one of them does: some kinds have a dozen of them.

Last comes a table of the sentences: in how many histories each was printed, and was false. What is said with a chance
is false so often: where something jumps, 1 in 20; a drift, a jump or a growing scatter, 1 in 100 histories together;
a part out of seat, 1 in 500. A reading left out is asked about: 2 of 1800 histories named a sound one.

Seeds 6001 to 6400, all 14 kinds (covered of so many, late): linear .993 of 1437, .010; accelerating .959 of 1033, .034;
three worn .984 of 2641, .014; sawtooth logged .966 of 206, 0; replaced unlogged .970 of 575, .010; gauge drift .972 of
3187, .028; blanks .991 of 1417, .028; outliers .980 of 733, .015. What is there was named in .91 (replaced unlogged) to
1; 74 of 5600 histories had a false sentence, nearly all with a chance in them. 0.40 s of a core each, others at work.
Before the interval of a drift that is only just told counted that it was told, 15 of 186 of the sawtooth's were missed.

The truth is that of the levels that were put in, never that of a fit.
"""

from __future__ import annotations

import argparse
import csv
import io
import multiprocessing
import os
import re
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from holeqc.fixture import history as ev
from holeqc.fixture import result as res
from holeqc.fixture.forecast import LEAST, NOW
from holeqc.fixture.history import History, history_of
from holeqc.fixture.rivals import DRIFT, PIECES, SPEEDS, STEADY, STEP, WORDS
from holeqc.fixture.study import study
from holeqc.inspection.pin_gauge import zone_margin
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

KIT = Path(__file__).resolve().parents[2] / "tolerances" / "bl7.toml"
NOMINAL = np.array([(x, y) for y in (1.25, 5.75) for x in (1.5, 4.5, 7.5, 10.5)])
HOLES, WALLS, AHEAD = 8, 2, 12  #: drilled on for so many times the history
FEW, MANY = 200, 20_000  #: parts drilled at each part number that the truth is worked out at: to find it, and near it
FLOATED_FEW, FLOATED = 24, 250  #: the same where each is a whole pattern
BLOCK, NEAR = 14, 16  #: part numbers at once; part numbers before and after the end that it is worked out from
SCATTER, READ_PLACE, SIZE_SCATTER, READ_SIZE = 0.0005, 0.0002, 0.00028, 0.00015
ROOM = 0.0069  #: radius of hole to hole at a size of 0.4578 in


@dataclass
class Shop:
    """What drifts, for every part from the first to far beyond the last that is read: levels, and what is true."""

    kind: str
    parts: int
    place: np.ndarray  #: (T,H,2) of each bushing
    own: np.ndarray  #: (T,H) size of each hole apart from the drill
    common: np.ndarray  #: (T,) of all sizes
    shift: np.ndarray  #: (T,2) of the pattern
    loose: np.ndarray  #: (T,H) times the scatter
    worn: set[int] = field(default_factory=set)
    events: list[dict[str, str]] = field(default_factory=list)
    usual: Shop | None = None  #: the same if maintenance goes on as usual; the others say what comes if nobody does
    by: np.ndarray | None = None
    gauge: np.ndarray | None = None
    blanks: float = 0.0
    gross: float = 0.0
    ends: dict[tuple[str, int | None], float] = field(default_factory=dict)
    rooms: dict[int, np.ndarray] = field(default_factory=dict)
    cause: str = "none of them"  #: what moves all sizes, as the tool names it
    slips: int = 0  #: readings mistyped
    right: tuple[str, ...] = ()
    never: tuple[str, ...] = ()


def steady(rng: np.random.Generator, kind: str) -> Shop:
    """Return a fixture on which nothing moves."""
    parts = int(rng.integers(110, 201))
    long = AHEAD * parts
    place = np.repeat(rng.normal(0, 0.0002, (1, HOLES, 2)), long, axis=0)
    return Shop(kind, parts, place, np.zeros((long, HOLES)), np.full(long, 0.4578),
                np.tile([0.004, -0.003], (long, 1)), np.ones((long, HOLES)))  # fmt: skip


def _way(rng: np.random.Generator) -> np.ndarray:
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle)])


def _wear(rng: np.random.Generator, shop: Shop, hole: int, share: np.ndarray, way: np.ndarray | None = None) -> None:
    """Let a bushing wear: ``share`` (T,) of the room that is used."""
    shop.place[:, hole] += ROOM * share[:, None] * (_way(rng) if way is None else way)
    shop.own[:, hole] += 0.0010 * share
    shop.worn.add(hole)


def _drilled(shop: Shop) -> np.ndarray:
    return np.arange(shop.place.shape[0], dtype=np.float64)


def _life(rng: np.random.Generator, shop: Shop) -> float:
    return shop.parts * float(rng.uniform(1.25, 2.2))


def _blamed(*holes: int) -> tuple[str, ...]:
    return tuple(rf"B{h + 1}\b[^.]*(drift|Change|change|half of the parts|out of room|no room)|"
                 rf"(drift|Change|change)[^.]*B{h + 1}\b" for h in holes)  # fmt: skip


def healthy(rng: np.random.Generator) -> Shop:
    """Nothing wears."""
    return steady(rng, "healthy")


def offsets(rng: np.random.Generator) -> Shop:
    """Nothing wears; bushings sit off by up to a thousandth, which the pattern has room for."""
    shop = steady(rng, "offsets")
    shop.place += rng.uniform(-0.0008, 0.0008, (1, HOLES, 2))
    shop.never = (r"[Cc]orrect it",)
    return shop


def linear(rng: np.random.Generator, kind: str = "linear", worn: int = 1) -> Shop:
    """One bushing, or several, wear steadily."""
    shop = steady(rng, kind)
    for hole in rng.choice(HOLES, worn, replace=False).tolist():
        _wear(rng, shop, hole, _drilled(shop) / _life(rng, shop))
    shop.right = _blamed(*shop.worn)
    return shop


def accelerating(rng: np.random.Generator) -> Shop:
    """Wear as the square of the parts drilled."""
    shop = steady(rng, "accelerating")
    hole = int(rng.integers(HOLES))
    _wear(rng, shop, hole, (_drilled(shop) / _life(rng, shop)) ** 2)
    shop.right = _blamed(hole)
    return shop


def opposite(rng: np.random.Generator) -> Shop:
    """Two bushings wear in opposite ways."""
    shop, way = steady(rng, "opposite"), _way(rng)
    life = _life(rng, shop)
    for sign, hole in zip((1, -1), rng.choice(HOLES, 2, replace=False).tolist(), strict=True):
        _wear(rng, shop, hole, _drilled(shop) / life, sign * way)
    shop.right = _blamed(*shop.worn)
    return shop


def replaced(rng: np.random.Generator, kind: str, *, logged: bool, regular: bool) -> Shop:
    """A worn bushing is replaced, once or regularly, and logged or not."""
    shop, hole, way = steady(rng, kind), int(rng.integers(HOLES)), None
    way = _way(rng)
    drilled, life = _drilled(shop), _life(rng, shop)
    if regular:
        every = int(shop.parts / rng.uniform(3.2, 4.6))
        at = np.arange(every, drilled.size, every)
        life = every * rng.uniform(1.3, 2.0)
    else:
        at = np.array([int(shop.parts * rng.uniform(0.3, 0.6))])
    before = at[at < shop.parts]
    kept = drilled - at[np.maximum(np.searchsorted(at, drilled, side="right") - 1, 0)] * (drilled >= at[0])
    nobody = np.where(drilled < shop.parts, kept, kept[shop.parts - 1] + drilled - shop.parts + 1)
    if regular and logged:
        shop.usual = Shop(kind, shop.parts, shop.place.copy(), shop.own.copy(), shop.common, shop.shift, shop.loose)
        _wear(rng, shop.usual, hole, kept / life, way)
    _wear(rng, shop, hole, nobody / life, way)
    shop.worn.add(hole)
    shop.right = (rf"B{hole + 1}\b",) if logged else (rf"B{hole + 1}\b[^.]*(jumps|changes)",)
    if logged:
        shop.events = [_event(k, "bushing changed", f"B{hole + 1}") for k in before.tolist()]
    return shop


def _event(part: int, what: str, which: str = "all") -> dict[str, str]:
    return {"cycle": str(part + 1), "event": what, "bushing": which}


def regrinds(rng: np.random.Generator) -> Shop:
    """All sizes grow between regrinds, which are regular and logged, and one bushing wears."""
    shop = linear(rng, "regrinds")
    every = int(shop.parts / rng.uniform(2.4, 4.6))
    drilled = _drilled(shop)
    shop.events = [_event(k, "drill reground") for k in range(every, shop.parts, every)]
    last = every * ((shop.parts - 1) // every)
    phase = drilled % every
    shop.usual = Shop(shop.kind, shop.parts, shop.place, shop.own, shop.common + 1e-5 * phase, shop.shift, shop.loose)
    shop.common = shop.common + 1e-5 * np.where(drilled >= last, drilled - last, phase)
    shop.right, shop.cause = (*shop.right, r"sizes[^.]*drift|drill"), "the drill"
    return shop


def drill_step(rng: np.random.Generator) -> Shop:
    """A new drill, which nobody logged, cuts another size."""
    shop = steady(rng, "drill step")
    at = int(shop.parts * rng.uniform(0.25, 0.75))
    shop.common[at:] += rng.choice([-1, 1]) * rng.uniform(0.0004, 0.0008)
    shop.right, shop.cause = (r"All sizes (jump|change) together.{0,40} at part",), "the drill"
    return shop


def gauge_drift(rng: np.random.Generator) -> Shop:
    """The bore gauge drifts, through logged regrinds of the drill."""
    shop = steady(rng, "gauge drift")
    shop.common += rng.choice([-1, 1]) * 0.0009 * _drilled(shop) / shop.parts
    every = shop.parts // 3
    shop.events = [_event(k, "drill reground") for k in range(every, shop.parts, every)]
    shop.right, shop.cause = (r"All sizes drift .*gauge",), "the bore gauge"
    return shop


def reader_change(rng: np.random.Generator) -> Shop:
    """Another technician reads from some part on and reads sizes otherwise; the column says so."""
    shop = steady(rng, "reader change")
    at = int(shop.parts * rng.uniform(0.25, 0.75))
    shop.common[at:] += rng.choice([-1, 1]) * rng.uniform(0.0004, 0.0008)
    shop.by = np.where(_drilled(shop) < at, "technician 1", "technician 2")
    shop.right, shop.cause = (r"another reader \(technician",), "the reader"
    return shop


def loosening(rng: np.random.Generator) -> Shop:
    """One bushing gets loose: its scatter grows fourfold."""
    shop, hole = steady(rng, "loosening"), int(rng.integers(HOLES))
    shop.loose[:, hole] += 3.0 * _drilled(shop) / shop.parts
    shop.worn.add(hole)
    shop.right = (rf"B{hole + 1}\b[^.]*scatter|scatter[^.]*B{hole + 1}\b",)
    return shop


def knock(rng: np.random.Generator) -> Shop:
    """One bushing is knocked aside."""
    shop, hole = steady(rng, "knock"), int(rng.integers(HOLES))
    shop.place[int(shop.parts * rng.uniform(0.25, 0.75)) :, hole] += rng.uniform(0.001, 0.002) * _way(rng)
    shop.worn.add(hole)
    shop.right = (rf"B{hole + 1}\b[^.]*jumps",)
    return shop


def chips(rng: np.random.Generator) -> Shop:
    """Some parts lie on chips; nothing wears."""
    shop = steady(rng, "chips")
    for at in rng.choice(shop.parts - 4, 3, replace=False).tolist():
        shop.shift[at : at + int(rng.integers(1, 4))] += rng.uniform(0.008, 0.015) * _way(rng)
    shop.right, shop.never = (r"out of seat",), (r"[Ss]eating (drifts|jumps)",)
    return shop


def blanks(rng: np.random.Generator) -> Shop:
    """A quarter of the rows is blank."""
    shop = linear(rng, "blanks")
    shop.blanks = 0.25
    return shop


def outliers(rng: np.random.Generator) -> Shop:
    """Mistyped coordinates and diameters among the readings of a healthy or a worn fixture."""
    shop = linear(rng, "outliers") if rng.random() < 0.5 else steady(rng, "outliers")
    shop.gross = float(rng.choice([0.0005, 0.002]))
    return shop


def seat_drift(rng: np.random.Generator) -> Shop:
    """A stop wears: the whole pattern drifts."""
    shop = steady(rng, "seat drift")
    shop.shift = shop.shift + 0.024 * (_drilled(shop) / _life(rng, shop))[:, None] * _way(rng)
    shop.right = (r"(seating|pattern)[^.]*drift",)
    return shop


def seat_step(rng: np.random.Generator) -> Shop:
    """A stop was set anew and nobody logged it."""
    shop = steady(rng, "seat step")
    shop.shift[int(shop.parts * rng.uniform(0.25, 0.75)) :] += rng.uniform(0.004, 0.008) * _way(rng)
    shop.right, shop.never = (r"(seating|pattern)[^.]*jump",), (r"(seating|pattern) drifts",)
    return shop


def alike(rng: np.random.Generator) -> Shop:
    """All bushings wear alike in size: nobody can tell that from the drill or the gauge."""
    shop = steady(rng, "all alike")
    shop.own += 0.0012 * (_drilled(shop) / shop.parts)[:, None]
    shop.right, shop.cause = (r"All sizes drift",), "all bushings worn alike"
    return shop


KINDS: dict[str, Callable[[np.random.Generator], Shop]] = {
    "healthy": healthy, "offsets": offsets, "linear": linear, "accelerating": accelerating,
    "two worn": lambda g: linear(g, "two worn", 2), "three worn": lambda g: linear(g, "three worn", 3),
    "opposite": opposite, "sawtooth logged": lambda g: replaced(g, "sawtooth logged", logged=True, regular=True),
    "sawtooth unlogged": lambda g: replaced(g, "sawtooth unlogged", logged=False, regular=True),
    "replaced logged": lambda g: replaced(g, "replaced logged", logged=True, regular=False),
    "replaced unlogged": lambda g: replaced(g, "replaced unlogged", logged=False, regular=False),
    "regrinds": regrinds, "drill step": drill_step, "gauge drift": gauge_drift, "reader change": reader_change,
    "loosening": loosening, "knock": knock, "chips": chips, "blanks": blanks, "outliers": outliers,
    "seat drift": seat_drift, "seat step": seat_step, "all alike": alike,
}  # fmt: skip
#: what a run is of unless told
USUAL = (
    "healthy", "linear", "accelerating", "three worn", "sawtooth logged", "replaced unlogged", "drill step",
    "gauge drift", "reader change", "loosening", "knock", "chips", "blanks", "outliers",
)  # fmt: skip


# ------------------------------------------------------------------------------------------------------ read and judge


def chance(rng: np.random.Generator, many: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return what chance does to parts.

    Motions of the pattern (N,H,2), the holes' own scatter of place (N,H,2), readings of places (N,H,W,2), and all of
    diameters (N,H,W,2 directions).
    """
    c = NOMINAL - [6.0, 3.5]
    turn = rng.normal(0, 8e-5, (many, 1))
    scale = rng.normal(0, 8e-6, (many, 1))
    moved = np.stack([scale * c[:, 0] - turn * c[:, 1], scale * c[:, 1] + turn * c[:, 0]], axis=-1)
    moved += rng.normal(0, 0.0012, (many, 1, 2))
    own = rng.normal(0, SCATTER, (many, HOLES, 2))
    read = rng.normal(0, READ_PLACE, (many, HOLES, WALLS, 2))
    size = rng.normal(0, SIZE_SCATTER, (many, HOLES, 1, 1)) + np.array([0.0, -0.0002])[:, None]
    return moved, own, read, size + rng.normal(0, READ_SIZE, (many, HOLES, WALLS, 2))


def drill(rng: np.random.Generator, shop: Shop, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return places (N,H,W,2) against basic and diameters (N,H,W,2 directions) of parts drilled at part numbers."""
    moved, own, read, size = chance(rng, at.size)
    place = moved + shop.shift[at][:, None] + shop.place[at] + own * shop.loose[at][..., None]
    return place[:, :, None] + read, (shop.common[at, None] + shop.own[at])[:, :, None, None] + size


def as_csv(rng: np.random.Generator, shop: Shop) -> str:
    """Return the readings as a shop would type them."""
    place, dia = drill(rng, shop, np.arange(shop.parts))
    if shop.gross:
        slip, typed = rng.random(place.shape) < shop.gross, rng.random(dia.shape) < shop.gross
        shop.slips = int(slip.sum() + typed.sum())
        place = place + slip * rng.choice([-1, 1], place.shape) * rng.choice([0.009, 0.02, 0.09], place.shape)
        dia = dia + typed * rng.choice([-0.002, 0.002, 0.003], dia.shape)
    file = io.StringIO()
    out = csv.writer(file)
    out.writerow(["date", "serial", "part", "hole", "wall", "dia 0", "dia 90", "x", "y", "unit", "read by", "gauge"])
    first = np.datetime64("2025-01-06")
    for k in range(shop.parts):
        head = [str(first + k), f"P-{1001 + k}", "port"]
        tail = ["in", "" if shop.by is None else shop.by[k], "" if shop.gauge is None else shop.gauge[k]]
        for h in range(HOLES):
            for w, wall in enumerate(("near", "far")):
                row = [f"{v:.4f}" for v in (*dia[k, h, w], *(NOMINAL[h] + place[k, h, w]))]
                if rng.random() < shop.blanks:
                    row = [""] * 4
                out.writerow([*head, h + 1, wall, *row, *tail])
    return file.getvalue()


def truth(shop: Shop, limit: str, hole: int | None) -> float:
    """Return the part number from which half of the parts fail a limit; infinite where they never do."""
    key = (limit, None if limit in (res.PATTERN, res.PINS) else hole)
    if key not in shop.ends:
        shop.ends[key] = _end(shop, *key)
    return shop.ends[key]


def _turns(shop: Shop) -> np.ndarray:
    """Return the part numbers (from 0) at both sides of each step of a level, and the last: each set of levels once."""
    levels = np.column_stack([shop.common, shop.own, shop.shift, shop.place.reshape(shop.place.shape[0], -1)])
    steps = np.flatnonzero((np.abs(np.diff(levels, axis=0)) > 1e-4).any(axis=1))
    turns = np.unique([0, *steps, *(steps + 1), levels.shape[0] - 1])
    return np.sort(turns[np.unique(np.round(levels[turns], 7), axis=0, return_index=True)[1]])


def _end(shop: Shop, limit: str, hole: int | None) -> float:
    """Return the end.

    From one step of the levels to the next the middle room is concave, so that where there is room at both ends there
    is room between. Few parts find the stretch and the place, many a straight line through the place.
    """
    few, many = (FLOATED_FEW, FLOATED) if hole is None else (FEW, MANY)
    turns = _turns(shop)
    for n in range(0, turns.size, BLOCK):
        some = turns[max(n - 1, 0) : n + BLOCK]
        without = np.flatnonzero(_middle(shop, limit, hole, some, few) <= 0.0)
        if without.size:
            low, high = int(some[max(without[0] - 1, 0)]), int(some[without[0]])
            break
    else:
        return np.inf
    begin, end = low, high
    if end - begin <= 1:  # a step takes the room, or there never was any
        return 1.0 + end
    while high - low > NEAR:
        at = np.unique(np.linspace(low, high, BLOCK).astype(int))
        first = int(np.argmax(_middle(shop, limit, hole, at, few) <= 0.0))  # the last one has none
        low, high = int(at[max(first - 1, 0)]), int(at[first])
    at = np.unique(np.clip([high - NEAR, high + NEAR], begin, end))
    rooms = _middle(shop, limit, hole, at, many)
    return float(1.0 + at[0] + (at[1] - at[0]) * rooms[0] / (rooms[0] - rooms[1]))


@lru_cache(maxsize=4)
def _chance(many: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    return chance(np.random.default_rng(99), many)


def _middle(shop: Shop, limit: str, hole: int | None, at: np.ndarray, many: int) -> np.ndarray:
    """Return the middle room (T,) at part numbers, from the same chances of so many parts at each."""
    moved, own, read, scatter = _chance(many)
    holes = slice(None) if hole is None else slice(hole, hole + 1)
    size = (shop.common[at, None] + shop.own[at])[:, holes]
    if limit == res.SIZE_UPPER:
        return 0.4620 - size[:, 0] - np.median(scatter[:, hole].max(axis=(1, 2)))
    small = size[:, None] + scatter[:, holes].min(axis=(2, 3))
    if limit == res.SIZE_LOWER:
        return np.asarray(np.median(small[..., 0], axis=1) - 0.4550)
    bonus = np.clip(small - 0.455, 0.0, 0.007)  # no more than the size has room for
    place = (shop.shift[at, None] + shop.place[at][:, holes])[:, None] + moved[:, holes]
    place = (place + own[:, holes] * shop.loose[at][:, None, holes, None])[..., None, :] + read[:, holes]
    if limit == res.POSITION:
        away = np.hypot(place[:, :, 0, :, 0], place[:, :, 0, :, 1]).max(axis=2)
        return np.asarray(np.median(0.030 + bonus[..., 0] / 2 - away, axis=1))
    both = np.repeat(NOMINAL, 2, axis=0)
    wide = np.clip(small, 0.455, 0.462) if limit == res.PATTERN else small
    radius = np.repeat((wide - 0.444) / 2, 2, axis=2)
    shape = (at.size * many, 2 * HOLES)
    key = hash((at.tobytes(), many, radius.tobytes()))  # pins are often as wide as the zones
    if key not in shop.rooms:
        room = zone_margin(both, both + place.reshape(*shape, 2), radius.reshape(shape)).margin
        shop.rooms[key] = np.median(room.reshape(at.size, many), axis=1)
    return shop.rooms[key]


def history(shop: Shop, seed: int) -> tuple[History, list[ev.Event]]:
    """Return the history that the tool makes of the shop's sheet, and the events that were logged."""
    spec = load_specification(KIT)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.csv"
        path.write_text(as_csv(np.random.default_rng([seed, sum(map(ord, shop.kind)), 7]), shop), encoding="utf-8")
        made = history_of(spec, read_files([path], spec))
    events, _ = ev.events_from(shop.events, made)
    return made, events


STEP_LEAST = 2.5e-4  #: steps put in are larger, wear of one part is smaller


class Truth:
    """What really is there in the parts read, for `SENTENCES`; holes count from 0, None is the seating."""

    def __init__(self, shop: Shop, wear: res.Wear) -> None:
        self.shop, self.wear, some = shop, wear, slice(0, shop.parts)
        self.sizes = (shop.common + np.median(shop.own, axis=1))[some, None]
        self.level = {h: np.hstack([shop.place[some, h], shop.own[some, h, None]]) for h in range(HOLES)}
        self.level |= {None: shop.shift[some]}
        last = {h: max((int(e["cycle"]) for e in shop.events if e["bushing"] == f"B{h + 1}"), default=1)
                for h in range(HOLES)}  # fmt: skip
        self.since = {h: v[last.get(h, 1) - 1 :] for h, v in self.level.items()}  #: the last logged change

    @staticmethod
    def steps(level: np.ndarray) -> np.ndarray:
        """Return the cycles of the first parts after a step."""
        return np.flatnonzero((np.abs(np.diff(level, axis=0)) > STEP_LEAST).any(axis=1)) + 2

    def slopes(self, level: np.ndarray, first: float = 1.0) -> np.ndarray:
        """Return the wear of each part from a cycle on, steps left out."""
        each = np.diff(level[int(first) - 1 :], axis=0)
        return np.asarray(each[(np.abs(each) <= STEP_LEAST).all(axis=1)])

    def drifts(self, level: np.ndarray, first: float = 1.0) -> bool:
        """Whether anything drifts."""
        return bool((np.abs(self.slopes(level, first)) > 1e-9).any())

    def bends(self, level: np.ndarray) -> bool:
        """Whether a drift changes its pace."""
        each = self.slopes(level)
        return bool((np.ptp(each, axis=0) > 0.3 * np.abs(each).max() + 1e-9).any())

    def shape(self, level: np.ndarray) -> str:
        """Return the shape."""
        if self.steps(level).size:
            return PIECES if self.drifts(level) else STEP
        return SPEEDS if self.bends(level) else DRIFT if self.drifts(level) else STEADY

    def shaped(self, level: np.ndarray, text: str) -> bool:
        """Whether a text names the shape; a drift that speeds up is a drift."""
        pattern = {SPEEDS: "a drift", DRIFT: "a drift(?! that)"}
        return re.search(pattern.get(self.shape(level), re.escape(WORDS[self.shape(level)])), text) is not None

    def step_within(self, level: np.ndarray, words: str, far: float) -> bool:
        """Whether each jump that is told of has a step so near to its bounds."""
        told = re.findall(r"between (\d+) and (\d+)", words)
        steps = self.steps(level)
        return all(((steps >= float(a) - far) & (steps <= float(b) + far)).any() for a, b in told)

    def ends_by(self, limit: str, holes: Iterable[int], times: float = 2.0) -> bool:
        """Whether half of the parts fail a limit at any of the holes within so many times the history."""
        return any(truth(self.shop, limit, h) <= times * self.shop.parts for h in holes)


def _named(text: str) -> list[int]:
    return [int(n) - 1 for n in re.findall(r"\bB([1-8])\b", text)]


def _who(text: str) -> int | None:
    return next(iter(_named(text)), None)


def _passed(t: Truth, m: re.Match[str]) -> bool:
    looks = [o for o in t.wear.outlooks if o.forecast.state == NOW and _limit(o.limit) in m.string]
    named = [o for o in looks if o.hole in (_who(m[0]), None)] or looks
    return not any(truth(t.shop, o.limit, o.hole) <= t.shop.parts + 1 for o in named)


def _limit(limit: str) -> str:
    return {res.SIZE_UPPER: "the size's upper limit", res.SIZE_LOWER: "the size's lower limit"}.get(limit, limit)


def _out_of_seat(t: Truth, m: re.Match[str]) -> bool:
    part = [int(n) for n in re.findall(r"[Pp]arts? (\d+)(?: to (\d+))?", m[0])[0] if n]
    away = t.level[None][part[0] - 1 : part[-1]] - np.median(t.level[None], axis=0)
    return bool((np.hypot(*away.T) < 0.006).all())


def _off(t: Truth, m: re.Match[str]) -> bool:
    hole = _named(m[0])[0]
    return hole in t.shop.worn or np.hypot(*t.shop.place[0, hole]) < 0.3 * float(m["far"])


def _steady_pace(t: Truth, m: re.Match[str]) -> bool:
    level = t.level[_who(m[0])]
    return not t.bends(level) and not (m["jumps"] and t.steps(level).size)


def _too_few(t: Truth, m: re.Match[str]) -> bool:
    logged = t.shop.parts + 1 - max((int(e["cycle"]) for e in t.shop.events), default=1)  # a regrind counts for sizes
    return int(m["many"]) >= LEAST or any(
        min(len(t.since[h]), logged) > int(m["many"]) + 2 and not t.steps(t.since[h]).size for h in _named(m["who"])
    )


def _due(t: Truth, m: re.Match[str]) -> bool:
    return any(truth(t.shop, o.limit, o.hole) < float(m["due"]) for o in t.wear.outlooks
               if o.hole == _who(m.string) and _limit(o.limit) in m.string and o.forecast.estimate)  # fmt: skip


def _contradicted(t: Truth, m: re.Match[str]) -> bool:
    other = [text for text in t.wear.advice if re.search(r"drifts|jumps|scatters|^Change|moved|changes its pace", text)]
    return bool(set(_named(m["who"])) & {h for text in other for h in _named(text.split(";")[0])})


_JUMPS, _SEAT_JUMPS = r"^[^;]*\bB\d\b[^;]*(?<! or) jumps .*?nobody", r"^The seating jumps .*?nobody"
#: each sentence of the answer (several in one text), and whether it is false
SENTENCES: tuple[tuple[str, str, Callable[[Truth, re.Match[str]], bool]], ...] = (
    ("half have failed", r"^.*half of the parts (have failed|fail) [^.;]*; the middle part", _passed),
    ("all sizes or seating have failed", r"Half of the parts have failed [^.]*: stop", _passed),
    ("change a bushing", r"^Change [^.]*? before part", lambda t, m: not {*_named(m[0])} <= t.shop.worn),
    ("one of these bushings moves", r"^(Try a plug in bushings|One of) [^,]*,",
     lambda t, m: not {*_named(m[0])} & t.shop.worn),
    ("something wears, cause unknown", r": look at [^.]*? before part",
     lambda t, m: not (any(t.drifts(v) for v in t.level.values()) or t.drifts(t.sizes))),
    ("the next change comes in time", r"before part (?P<due>\d+), comes in time", _due),
    ("regrinding as usual there is no end", r"if you regrind as usual, no end is in sight",
     lambda t, m: t.shop.usual is not None and t.ends_by(res.SIZE_UPPER, range(HOLES))),
    ("the seating drifts", r"^The seating drifts", lambda t, m: not t.drifts(t.level[None])),
    ("it uses up no hole's room", r"it uses up no hole's room",
     lambda t, m: t.ends_by(res.POSITION, range(HOLES))),
    ("scatter grows", r"^[^.]*scatters more and more",
     lambda t, m: not np.ptp(t.shop.loose[:, _named(m[0])[0]]) > 0),
    ("all sizes drift", r"^All sizes (drift|jump[^(]*\(.*\band drift)", lambda t, m: not t.drifts(t.sizes)),
    ("all sizes jump", r"^All sizes jump", lambda t, m: not t.step_within(t.sizes, m.string, 10)),
    ("where all sizes jump", r"^All sizes jump", lambda t, m: not t.step_within(t.sizes, m.string, 1)),
    ("all sizes change, or drift", r"^All sizes change", lambda t, m: t.shape(t.sizes) == STEADY),
    ("what moves all sizes", r"^All sizes .*? Best explained by [^:.]*: (?P<causes>[^.]*)\.",
     lambda t, m: t.shop.cause not in m["causes"]),
    ("sizes come to no limit", r"It takes no hole to a limit",
     lambda t, m: any(t.ends_by(v, range(HOLES)) for v in (res.SIZE_UPPER, res.SIZE_LOWER))),
    ("readings left out", r"^(?P<many>\d+) .*(contradict|left out)", lambda t, m: int(m["many"]) > t.shop.slips),
    ("out of seat", r"^.* lay out of seat", _out_of_seat),
    ("a bushing jumps", _JUMPS, lambda t, m: not t.step_within(t.level[_who(m[0])], m[0], 10)),
    ("where a bushing jumps", _JUMPS,
     lambda t, m: not t.step_within(t.level[_who(m[0])], m[0], 1)),
    ("the seating jumps", _SEAT_JUMPS, lambda t, m: not t.step_within(t.level[None], m[0], 10)),
    ("where the seating jumps", _SEAT_JUMPS, lambda t, m: not t.step_within(t.level[None], m[0], 1)),
    ("changes its pace", r"^[^;]*? changes its pace(?P<jumps> or jumps)?", _steady_pace),
    ("wears at a changing rate", r"^[^;]*? wears at a changing rate(?P<jumps>, or jumps)?", _steady_pace),
    ("a bushing drifts", r"^(?P<who>[^;]*?\bB\d\b.*?) drifts per 100 parts since part (?P<first>\d+)",
     lambda t, m: not any(t.drifts(t.level[h], float(m["first"])) for h in _named(m["who"]))),
    ("a bushing drifts, or has jumped", r"^(?P<who>[^;]*?\bB\d\b.*?) drifts, or has jumped:",
     lambda t, m: not any(t.drifts(t.level[h]) or t.steps(t.level[h]).size for h in _named(m["who"]))),
    ("a bushing may drift", r"^(?P<who>[^;]*?\bB\d\b.*?) may drift",
     lambda t, m: not any(t.drifts(t.level[h]) or t.steps(t.level[h]).size for h in _named(m["who"]))),
    ("a bushing may have moved", r"^[^;:]* may have moved:",
     lambda t, m: not {*_named(m[0])} & t.shop.worn),
    ("a bushing moved", r"^[^;]* moved, by wear or by what was logged;",
     lambda t, m: not {*_named(m[0])} & t.shop.worn),
    ("which shape fits best", r"^(?P<who>The seating|B\d): (?P<shapes>.*)\. Below",
     lambda t, m: not t.shaped(t.since[_who(m["who"])], m["shapes"])),
    ("a bushing stands off", r"^[^.]* stands (?P<far>[\d.]+) inch from its place", _off),
    ("no wear is seen", r"^(?P<who>[B\d, ]+): no wear of their place",
     lambda t, m: bool({*_named(m["who"])} & t.shop.worn) or _contradicted(t, m)),
    ("cannot tell yet", r"^(?P<who>[B\d, ]+): cannot tell yet", _contradicted),
    ("no readings", r"^[B\d, ]+: no readings", lambda t, m: True),  # every hole of the shop is read
    ("nothing can be forecast", r"^(?P<who>[B\d, ]+): nothing can be forecast from (?P<many>\d+) parts?", _too_few),
)  # fmt: skip
ALARMS = ("half", "change a", "one of", "something", "the seating", "scatter", "all sizes", "out of", "a bushing")


def sentences(shop: Shop, wear: res.Wear) -> Iterator[tuple[str, bool, str]]:
    """Yield each sentence of an answer, whether it is false, and its text; one that isn't listed is false."""
    there = Truth(shop, wear)
    for text in wear.advice:
        found = [(name, m, false) for name, pattern, false in SENTENCES if (m := re.search(pattern, text))]
        yield from ((name, bool(false(there, m)), text) for name, m, false in found)
        if not found:
            yield "not listed", True, text
        yield from (("never to be said here", True, text) for pattern in shop.never if re.search(pattern, text))


@dataclass
class Score:
    """Counts of some histories of one kind; ``intervals``: for each history those printed and those that held."""

    right: int = 0
    wrong: int = 0
    alarms: int = 0
    cpu: float = 0.0
    intervals: list[tuple[int, int]] = field(default_factory=list)
    bounds: list[tuple[int, int]] = field(default_factory=list)  #: the same of bounds, those that are late
    sentences: dict[str, list[int]] = field(default_factory=dict)  #: histories in which it is printed, and is false
    examples: list[str] = field(default_factory=list)

    @property
    def printed(self) -> int:
        """How many intervals were printed."""
        return sum(n for n, _ in self.intervals)

    def add(self, other: Score) -> None:
        """Count another's histories too."""
        for name in ("right", "wrong", "alarms", "cpu", "intervals", "bounds", "examples"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name, counts in other.sentences.items():
            mine = self.sentences.setdefault(name, [0, 0])
            self.sentences[name] = [a + b for a, b in zip(mine, counts, strict=True)]


def share_of(counts: list[tuple[int, int]]) -> str:
    """Return the share of what was printed in each history that held (or was late), and its error over histories."""
    n, held = np.array(counts or [(0, 0)], dtype=float).T
    if not n.sum():
        return f"{'-':>14}{0:>6}"
    share = held.sum() / n.sum()
    error = np.sqrt(((held - share * n) ** 2).sum()) / n.sum()
    return f"{share:>8.3f} ±{error:.3f}{int(n.sum()):>6}"


def judge(kind: str, seed: int, score: Score) -> None:
    """Count one history."""
    start = time.process_time()
    shop = KINDS[kind](np.random.default_rng([seed, sum(map(ord, kind))]))
    made, events = history(shop, seed)
    wear = study(made, events)
    text = " ".join(wear.advice)
    missing = [pattern for pattern in shop.right if not re.search(pattern, text)]
    wrong, bounds, late, printed, held = [], 0, 0, 0, 0
    for look in wear.outlooks:
        for f, real in ((look.forecast, shop), (look.usual, shop.usual)):
            if f is None or real is None or (f.estimate is None and f.before is None):
                continue
            end = truth(real, look.limit, look.hole)
            about = f"{kind} {seed}: {look.limit} {look.hole} {f.state}"
            if f.estimate is not None:
                hit = (f.lower or shop.parts) <= end <= (f.upper or np.inf)
                printed, held = printed + 1, held + hit
                if not hit:
                    score.examples.append(f"missed {about} {f.lower} {f.upper} true {end:.0f}")
            if f.state != NOW and f.before is not None:
                bounds, late = bounds + 1, late + (f.before > end)
                if f.before > end:
                    score.examples.append(f"late {about} {f.before:.0f} true {end:.0f}")
    for name, false, sentence in sentences(shop, wear):
        counts = score.sentences.setdefault(name, [0, 0])
        counts[0] += 1
        counts[1] += false
        if false:
            wrong.append(f"{name}: {sentence}")
    score.right += not missing
    score.wrong += bool(wrong)
    score.alarms += any(w.startswith(ALARMS) for w in wrong)
    score.bounds.append((bounds, late))
    score.intervals.append((printed, held))
    score.examples += [f"wrong {kind} {seed}: {w}" for w in wrong]
    if missing:
        score.examples.append(f"not said {kind} {seed}: {missing} worn {shop.worn}")
    score.cpu += time.process_time() - start


def _one(task: tuple[str, int]) -> tuple[str, Score]:
    score = Score()
    judge(*task, score)
    return task[0], score


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("histories", type=int, nargs="?", default=400)
    options.add_argument("kinds", nargs="*", default=list(USUAL), metavar="kind")
    options.add_argument("--first", type=int, default=1001, help="first seed; those below 1000 are for tuning")
    options.add_argument("-v", action="store_true", help="print what went wrong")
    asked = options.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # before the workers load it: two processes, two cores
    start, total = time.perf_counter(), Score()
    heads = ("right", "wrong", "alarm", "covered       ", "n", "late       ", "n", "any", "cpu s")
    print("kind".ljust(19) + "".join(f"{h:>{w}}" for h, w in zip(heads, (8, 7, 7, 15, 5, 15, 5, 7, 7), strict=True)))
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for kind in KINDS if "all" in asked.kinds else asked.kinds:
            score = Score()
            for _, one in pool.imap_unordered(_one, [(kind, asked.first + n) for n in range(asked.histories)]):
                score.add(one)
            share = [v / asked.histories for v in (score.right, score.wrong, score.alarms)]
            some = [late > 0 for n, late in score.bounds if n]
            print(
                f"{kind:<20}{share[0]:>7.3f}{share[1]:>7.3f}{share[2]:>7.3f}{share_of(score.intervals)}"
                f"{share_of(score.bounds)}{np.mean(some or [0.0]):>7.3f}{score.cpu:>7.0f}",
                *(f"    {e}" for e in sorted(score.examples) if asked.v), sep="\n", flush=True,
            )  # fmt: skip
            total.add(score)
    each = total.cpu / max(len(total.intervals), 1)
    print(f"{len(total.intervals)} histories, {time.perf_counter() - start:.0f} s, {each:.2f} s of a core each\n")
    print(f"{'sentence':<34}{'printed':>9}{'false':>7}")
    for name, (said, false) in sorted(total.sentences.items()):
        print(f"{name:<34}{said:>9}{false:>7}")


if __name__ == "__main__":
    main()
