"""A simulated shop: fixtures whose truth is known, read by the whole way from the CSV to the sentences.

Run as ``python tests/benchmarks/simulate_shop.py [HISTORIES [KIND...]]``; 400 of each kind unless told, seeds 1, 2, ...
Kit BL-7; all figures invented: a part is seated with a scatter of 0.0012 in, a hole scatters by 0.0005 in a coordinate
and 0.00028 in of size, a reading by 0.0002 and 0.00015 in. For each kind it prints how often

- right: what is there was named;
- wrong: a sentence is false: a healthy bushing is blamed, a worn one is called unworn, the wrong cause is named, a
  limit is called used up that isn't, an end is given where there is none;
- covered: share of the printed 95 % intervals that hold the true part number (n: how many were printed), where half of
  the parts fail that limit, worked out from 200 parts (40 for the pattern) drilled on at each of many part numbers;
- late: share of the histories with an end in which a bound "before part N" lies behind the true end.

The truth is that of the levels that were put in, never that of a fit.
"""

from __future__ import annotations

import csv
import io
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from holeqc.wear import events as ev
from holeqc.wear import result as res
from holeqc.wear.forecast import NOW
from holeqc.wear.history import History, history_of
from holeqc.wear.study import study
from holeqc.inspection.pin_gauge import zone_margin
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

KIT = Path(__file__).resolve().parents[2] / "tolerances" / "bl7.toml"
NOMINAL = np.array([(x, y) for y in (1.25, 5.75) for x in (1.5, 4.5, 7.5, 10.5)])
HOLES, WALLS, AHEAD = 8, 2, 12  #: drilled on for so many times the history
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


def _named(*holes: int) -> tuple[str, ...]:
    return tuple(rf"B{h + 1}\b[^.]*(drifts|Change|change|half of the parts|out of room|no room)|"
                 rf"(drifts|Change|change)[^.]*B{h + 1}\b" for h in holes)  # fmt: skip


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
    shop.right = _named(*shop.worn)
    return shop


def accelerating(rng: np.random.Generator) -> Shop:
    """Wear as the square of the parts drilled."""
    shop = steady(rng, "accelerating")
    hole = int(rng.integers(HOLES))
    _wear(rng, shop, hole, (_drilled(shop) / _life(rng, shop)) ** 2)
    shop.right = _named(hole)
    return shop


def opposite(rng: np.random.Generator) -> Shop:
    """Two bushings wear in opposite ways."""
    shop, way = steady(rng, "opposite"), _way(rng)
    life = _life(rng, shop)
    for sign, hole in zip((1, -1), rng.choice(HOLES, 2, replace=False).tolist(), strict=True):
        _wear(rng, shop, hole, _drilled(shop) / life, sign * way)
    shop.right = _named(*shop.worn)
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
    shop.right = (*shop.right, r"sizes[^.]*drift|drill")
    return shop


def drill_step(rng: np.random.Generator) -> Shop:
    """A new drill, which nobody logged, cuts another size."""
    shop = steady(rng, "drill step")
    at = int(shop.parts * rng.uniform(0.25, 0.75))
    shop.common[at:] += rng.choice([-1, 1]) * rng.uniform(0.0004, 0.0008)
    shop.right = (r"All sizes (jump|change) together.{0,40} at part",)
    return shop


def gauge_drift(rng: np.random.Generator) -> Shop:
    """The bore gauge drifts, through logged regrinds of the drill."""
    shop = steady(rng, "gauge drift")
    shop.common += rng.choice([-1, 1]) * 0.0009 * _drilled(shop) / shop.parts
    every = shop.parts // 3
    shop.events = [_event(k, "drill reground") for k in range(every, shop.parts, every)]
    shop.right, shop.never = (r"gauge",), (r"that is the drill", r"Regrind or change it before")
    return shop


def reader_change(rng: np.random.Generator) -> Shop:
    """Another technician reads from some part on and reads sizes otherwise; the column says so."""
    shop = steady(rng, "reader change")
    at = int(shop.parts * rng.uniform(0.25, 0.75))
    shop.common[at:] += rng.choice([-1, 1]) * rng.uniform(0.0004, 0.0008)
    shop.by = np.where(_drilled(shop) < at, "technician 1", "technician 2")
    shop.right, shop.never = (r"technician",), (r"that is the drill",)
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
    shop.right, shop.never = (r"sizes[^.]*drift",), (r"not a bushing", r"that is the drill")
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


# ------------------------------------------------------------------------------------------------------ read and judge


def drill(rng: np.random.Generator, shop: Shop, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return places (N,H,W,2) against basic and diameters (N,H,W,2 directions) of parts drilled at part numbers."""
    many = at.size
    c = NOMINAL - [6.0, 3.5]
    turn = rng.normal(0, 8e-5, (many, 1))
    scale = rng.normal(0, 8e-6, (many, 1))
    moved = np.stack([scale * c[:, 0] - turn * c[:, 1], scale * c[:, 1] + turn * c[:, 0]], axis=-1)
    seat = (shop.shift[at] + rng.normal(0, 0.0012, (many, 2)))[:, None]
    own = rng.normal(0, SCATTER, (many, HOLES, 2)) * shop.loose[at][..., None]
    place = (moved + seat + shop.place[at] + own)[:, :, None] + rng.normal(0, READ_PLACE, (many, HOLES, WALLS, 2))
    size = (shop.common[at, None] + shop.own[at] + rng.normal(0, SIZE_SCATTER, (many, HOLES)))[:, :, None, None]
    wall = np.array([0.0, -0.0002])[:, None]
    return place, size + wall + rng.normal(0, READ_SIZE, (many, HOLES, WALLS, 2))


def as_csv(rng: np.random.Generator, shop: Shop) -> str:
    """Return the readings as a shop would type them."""
    place, dia = drill(rng, shop, np.arange(shop.parts))
    if shop.gross:
        slip = rng.random(place.shape) < shop.gross
        place = place + slip * rng.choice([-1, 1], place.shape) * rng.choice([0.009, 0.02, 0.09], place.shape)
        dia = dia + (rng.random(dia.shape) < shop.gross) * rng.choice([-0.002, 0.002, 0.003], dia.shape)
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


def _end(shop: Shop, limit: str, hole: int | None) -> float:
    step = max(1, shop.place.shape[0] // 100)
    at = np.arange(0, shop.place.shape[0], step)
    rng = np.random.default_rng(99)
    noise = 40 if limit in (res.PATTERN, res.PINS) else 200
    margins = []
    for _ in range(noise):
        place, dia = drill(rng, shop, at)
        margins.append(_margin(limit, hole, place, dia))
    middle = np.median(margins, axis=0)
    after = np.flatnonzero(middle <= 0)
    if not after.size:
        return np.inf
    k = int(after[0])
    return 1.0 + (at[k] if k == 0 else at[k - 1] + step * middle[k - 1] / (middle[k - 1] - middle[k]))


def _margin(limit: str, hole: int | None, place: np.ndarray, dia: np.ndarray) -> np.ndarray:
    small = dia.min(axis=(2, 3))
    if limit == res.SIZE_UPPER:
        return 0.4620 - dia[:, hole].max(axis=(1, 2))
    if limit == res.SIZE_LOWER:
        return small[:, hole] - 0.4550
    bonus = np.clip(small - 0.455, 0.0, 0.007)  # no more than the size has room for
    if limit == res.POSITION:
        away = np.hypot(place[:, hole, :, 0], place[:, hole, :, 1])
        return np.asarray((0.030 + bonus[:, hole, None] / 2 - away).min(axis=1))
    both = np.repeat(NOMINAL, 2, axis=0)
    radius = np.repeat((0.011 + bonus) / 2 if limit == res.PATTERN else (small - 0.444) / 2, 2, axis=1)
    return np.asarray(zone_margin(both, both + place.reshape(len(place), -1, 2), radius).margin)


def history(shop: Shop, seed: int) -> tuple[History, list[ev.Event]]:
    """Return the history that the tool makes of the shop's sheet, and the events that were logged."""
    spec = load_specification(KIT)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.csv"
        path.write_text(as_csv(np.random.default_rng([seed, 7]), shop), encoding="utf-8")
        made = history_of(spec, read_files([path], spec))
    events, _ = ev.events_from(shop.events, made)
    return made, events


BLAMES = (
    r"[Cc]hange (it|bushing)|drifts|jumps|changes its pace|scatter|no room|half of the parts|wear is seen|sits off|"
    r"wears at|is worn|Correct"
)


def false_sentences(shop: Shop, advice: tuple[str, ...]) -> Iterator[str]:
    """Yield sentences that the truth contradicts."""
    worn = {f"B{h + 1}" for h in shop.worn}
    for text in advice:
        for sentence in re.split(r"(?<=[a-z0-9)%])[.;] ", text):
            names = set(re.findall(r"\bB[1-8]\b", sentence))
            if re.search(r"no wear|show no wear", sentence, re.I):
                if names & worn:
                    yield f"no wear: {sentence}"
            elif re.search(BLAMES, sentence) and names - worn:
                yield f"blames: {sentence}"
        yield from (f"never: {text}" for pattern in shop.never if re.search(pattern, text))


@dataclass
class Score:
    """Counts of one kind."""

    right: int = 0
    wrong: int = 0
    held: int = 0
    printed: int = 0
    late: int = 0
    bounds: int = 0
    examples: list[str] = field(default_factory=list)


def judge(kind: str, seed: int, score: Score) -> None:
    """Count one history."""
    shop = KINDS[kind](np.random.default_rng([seed, sum(map(ord, kind))]))
    made, events = history(shop, seed)
    wear = study(made, events)
    text = " ".join(wear.advice)
    score.right += all(re.search(pattern, text) for pattern in shop.right)
    wrong = list(false_sentences(shop, wear.advice))
    late = bounded = False
    for look in wear.outlooks:
        for f, real in ((look.forecast, shop), (getattr(look, "usual", None), shop.usual)):
            if f is None or real is None or (f.estimate is None and f.before is None):
                continue
            end = truth(real, look.limit, look.hole)
            if f.estimate is not None:
                score.printed += 1
                hit = (f.lower or shop.parts) <= end <= (f.upper or np.inf)
                score.held += hit
                if not hit:
                    score.examples.append(
                        f"missed {kind} {seed}: {look.limit} {look.hole} {f.lower} {f.upper} true {end:.0f}"
                    )
                if f.state == NOW and end > shop.parts + 1:
                    wrong.append(f"used up: {look.limit} {look.hole}, true {end:.0f}")
            if f.state != NOW and f.before is not None:
                bounded = True
                late |= f.before > end
                if f.before > end:
                    score.examples.append(
                        f"late {kind} {seed}: {look.limit} {look.hole} {f.state} {f.before:.0f} true {end:.0f}"
                    )
    score.wrong += bool(wrong)
    score.late += late
    score.bounds += bounded
    score.examples += [f"wrong {kind} {seed}: {w}" for w in wrong]
    if not all(re.search(pattern, text) for pattern in shop.right):
        score.examples.append(f"not said {kind} {seed}: {shop.right} worn {shop.worn}")


def main() -> None:
    """Print the table; with ``-v`` what went wrong."""
    loud = "-v" in sys.argv
    words = [w for w in sys.argv[1:] if w != "-v"]
    histories = int(words[0]) if words else 400
    print(f"{'kind':<20}{'right':>8}{'wrong':>8}{'covered':>10}{'n':>6}{'late':>8}{'bounds':>8}{'s':>7}")
    for kind in words[1:] or KINDS:
        start, score = time.perf_counter(), Score()
        for seed in range(1, histories + 1):
            judge(kind, seed, score)
        covered = f"{score.held / score.printed:.3f}" if score.printed else "-"
        print(
            f"{kind:<20}{score.right / histories:>8.2f}{score.wrong / histories:>8.2f}{covered:>10}{score.printed:>6}"
            f"{score.late / max(score.bounds, 1):>8.2f}{score.bounds:>8}{time.perf_counter() - start:>7.0f}",
            flush=True,
        )
        if loud:
            print(*(f"    {e}" for e in score.examples), sep="\n", flush=True)


if __name__ == "__main__":
    main()
