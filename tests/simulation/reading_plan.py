"""Do reading plans keep what they promise? Made-up fixtures with known faults, judged by their plans; by hand.

    .venv/bin/python tests/simulation/reading_plan.py --fixtures 5000 --seed 1

Each fixture drills parts that are read in full, gets a plan, and drills on: 12 parts read by the plan, with a fault of
its kind from the 4th on (worn and heavy-tailed ones have theirs from the start). A part is bad where its whole row of
readings breaks a limit of the kit, the pattern floated to its best. How capable a fixture is differs from one to the
next, so that some have parts near the limits. "Seen" is the first part that is held or rejected from the fault on; the
same fault read in full is seen where any test of the whole row sees it. No plugs are used, so the figures are those of
a kit without them; "not by plugs" leaves out bad parts that GO and NO-GO plugs, read in every hole, would have found.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import stats

from holeqc.inspection import reading_plan as rp
from holeqc.inspection.pin_gauge import zone_margin
from holeqc.problems import DataError
from holeqc.sampling import reading_plan as core
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

HEALTHY, WORN, LOOSE, SEAT, DRILL, CHIP, TWICE, MOVED, TAILS = KINDS = (
    "healthy", "worn bushing", "loose bushing", "out of seat", "drill changed", "chip under part", "hole drilled twice",
    "bushing knocked over", "heavy tails",
)  # fmt: skip
SHARES = (0.28, 0.09, 0.09, 0.09, 0.09, 0.09, 0.09, 0.09, 0.09)
BEFORE, AFTER, FROM = 60, 12, 3
SINGLE = (SEAT, CHIP, TWICE)  #: faults of one part; the others stay
TOLERANCE, LOWER, UPPER = 0.011, 0.455, 0.462
rp.TRIED, rp.LOTS, core.DRAWS = 2, 4, 48  # fewer looks than a plan takes, only to save time
KIT = """
[kit]
id = "SIM"
revision = "A"
unit = "in"
[size]
lower = 0.455
upper = 0.462
[position]
tolerance = 0.060
condition = "MMC"
pattern_tolerance = 0.011
pattern_condition = "MMC"
[plan]
partial = true
"""


def kit(holes: int = 8) -> Specification:
    xy = [(1.5 + 3.0 * (n % (holes // 2)), 1.25 + 4.5 * (n // (holes // 2))) for n in range(holes)]
    text = KIT + "".join(f'[[hole]]\nid = "{n + 1}"\nx = {x}\ny = {y}\n' for n, (x, y) in enumerate(xy))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sim.toml"
        path.write_text(text, encoding="utf-8")
        return load_specification(path)


def rows_of(rng: np.random.Generator, kind: str, spec: Specification, scatter: float) -> np.ndarray:
    """Return the readings of a fixture's parts (BEFORE + AFTER, p), places as measured minus basic."""
    count, holes = BEFORE + AFTER, len(spec.holes)
    xy = np.array([(h.x, h.y) for h in spec.holes]) - np.array([(h.x, h.y) for h in spec.holes]).mean(axis=0)
    noise = rng.standard_t(3.0, (count, holes, 2)) if kind == TAILS else rng.normal(size=(count, holes, 2))
    loose = np.ones((count, holes, 1))
    late, hole = np.arange(count) >= BEFORE + FROM, int(rng.integers(holes))
    one = np.arange(count) == BEFORE + FROM
    if kind == LOOSE:
        loose[late, hole] = 3.0
    place = scatter * loose * noise + rng.normal(0.0, 0.0006, (1, holes, 2))
    seat, turn = rng.normal(0.0, 0.002, (count, 2)), rng.normal(0.0, 2e-4, count)
    if kind == SEAT:
        seat[one] += rng.normal(0.0, 0.015, (1, 2))
        turn[one] += rng.normal(0.0, 0.002)
    place = place + seat[:, None] + turn[:, None, None] * np.stack([-xy[:, 1], xy[:, 0]], axis=1)
    size = 0.4583 + rng.normal(0.0, 2e-4, (count, 1)) + rng.normal(0.0, 0.4 * scatter, (count, holes))
    way = rng.uniform(0.0, 2.0 * np.pi)
    way = np.array([np.cos(way), np.sin(way)])
    if kind == WORN:
        worn = np.arange(count) * rng.uniform(0.2, 1.2) * 0.006 / count
        place[:, hole] += worn[:, None] * way
        size[:, hole] += 0.3 * worn
    if kind == DRILL:
        size[late] += rng.uniform(0.001, 0.004)
    if kind == CHIP:  # one corner stands up: holes near it lean away, the more the nearer
        near = np.exp(-np.hypot(*(xy - xy[hole]).T) / 3.0)
        place[one] += rng.uniform(0.003, 0.012) * near[:, None] * way
    if kind == TWICE:
        place[one, hole] += rng.uniform(0.003, 0.009) * way
        size[one, hole] += rng.uniform(0.001, 0.006)
    if kind == MOVED:
        place[late, hole] += rng.uniform(0.003, 0.009) * way
    each = np.repeat(size[:, :, None], 2, axis=2) + rng.normal(0.0, 1e-4, (count, holes, 2))
    if kind == TWICE:
        each[one, hole, 0] += rng.uniform(0.0, 0.004)
    place = place + rng.normal(0.0, 3e-4, place.shape)
    return np.round(np.concatenate([each, place], axis=2).reshape(count, -1), 5)


def bad_parts(rows: np.ndarray, spec: Specification) -> tuple[np.ndarray, np.ndarray]:
    """Return which parts (n,) break a limit, and which a limit of size: a second route beside the linear limits."""
    each = rows.reshape(len(rows), len(spec.holes), 4)
    size, place = each[..., :2], each[..., 2:]
    out = ((size < LOWER) | (size > UPPER)).any(axis=(1, 2))
    bonus = np.clip(size.min(axis=2) - LOWER, 0.0, UPPER - LOWER)
    bad = out | (2.0 * np.hypot(*np.moveaxis(place, 2, 0)) > 0.060 + bonus).any(axis=1)
    xy = np.array([(h.x, h.y) for h in spec.holes])
    best = zone_margin(xy, xy + place, 0.5 * (TOLERANCE + bonus), rotate=True)
    left = xy + place - _moved(xy, best.rotation, best.translation)
    room = (0.5 * (TOLERANCE + bonus) - np.hypot(*np.moveaxis(left, 2, 0))).min(axis=1)
    return bad | (room < 0.0), out


def _moved(xy: np.ndarray, rotation: np.ndarray, translation: np.ndarray) -> np.ndarray:
    cos, sin = np.cos(rotation)[:, None], np.sin(rotation)[:, None]
    turned = np.stack([cos * xy[:, 0] - sin * xy[:, 1], sin * xy[:, 0] + cos * xy[:, 1]], axis=-1)
    return np.asarray(turned + translation[:, None])


@dataclass
class Tally:
    """Counts of one kind of fixture. ``delay``: parts from the fault until it is seen; ``full``: read in full."""

    fixtures: int = 0
    refused: int = 0
    parts: int = 0
    accepted: int = 0
    bad: int = 0
    not_by_plugs: int = 0
    good_held: int = 0
    good: int = 0
    read: int = 0
    after: int = 0
    faults: int = 0
    unseen: int = 0
    delay: list[int] = field(default_factory=list)
    full: list[int] = field(default_factory=list)


def run(fixtures: int, seed: int, spec: Specification, show: bool = False) -> dict[str, Tally]:
    """Return the counts by kind of some fixtures, each with a seed of its own."""
    slots, found = rp.slots_of(spec), {kind: Tally() for kind in KINDS}
    limits, ends = rp.limits_of(spec, slots), np.cumsum(SHARES)
    for number in range(fixtures):
        rng = np.random.default_rng([seed, number])
        kind = KINDS[int(np.searchsorted(ends, (number + 0.5) / fixtures))]
        scatter = float(rng.uniform(0.0003, 0.0011))
        rows = _in_slots(rows_of(rng, kind, spec, scatter), slots, spec)
        _one(found[kind], rows, spec, slots, limits, kind, f"{seed} {number}")
        if show and number % 100 == 99:
            print(f"\r{number + 1} of {fixtures}", end="", file=sys.stderr)
    return found


def _in_slots(rows: np.ndarray, slots: rp.Slots, spec: Specification) -> np.ndarray:
    each = rows.reshape(len(rows), len(spec.holes), 4)
    column = np.where(slots.kind == 0, slots.direction, slots.kind + 1)
    return np.asarray(each[:, slots.hole, column])


def _back(rows: np.ndarray, slots: rp.Slots, spec: Specification) -> np.ndarray:
    out = np.empty((len(rows), len(spec.holes), 4))
    out[:, slots.hole, np.where(slots.kind == 0, slots.direction, slots.kind + 1)] = rows
    return out.reshape(len(rows), -1)


def _one(
    tally: Tally, rows: np.ndarray, spec: Specification, slots: rp.Slots, limits: core.Limits, kind: str, seed: str
) -> None:
    bad, by_size = bad_parts(_back(rows, slots, spec), spec)
    names = tuple(f"P{n}" for n in range(BEFORE))
    days = np.datetime64("2026-01-01") + np.arange(BEFORE)
    tally.fixtures += 1
    try:
        parts = rp.HistoryParts(rows[:BEFORE], names, ("",) * BEFORE, days, bad[:BEFORE])
        plan = rp.make(spec, parts, {}, "2026-03-01")
    except DataError:
        tally.refused += 1
        return
    ages, scores, seen, seen_full, running = [0] * len(spec.holes), [], None, None, True
    risk = spec.plan.partial_risk
    chooser = rp._chooser(spec, plan, slots, limits, "", AFTER // 2)
    for n in range(AFTER):
        row, values, at = plan.ahead("", n + 1), rows[BEFORE + n], BEFORE + n
        faulty = n >= FROM and kind not in (HEALTHY, WORN, TAILS) and (n == FROM or kind not in SINGLE)
        if running:
            units = rp._units(spec, plan, slots, f"{seed} {n}", ages, chooser)
            read = slots.read_with(units)
            fits, _, odd, _ = rp._weighed(slots, row, limits, read, values, risk)
            scores.append(rp._scores(spec, slots, read, odd.score))
            moved = any(core.cusum(np.array([s.get(name, np.nan) for s in scores])) for name in scores[-1])
            broken = core.risks(core.given(row, read, values[read]), limits).max() >= 0.999999
            hit = {int(h) for h in slots.hole[read]}
            ages = [0 if h in hit else age + 1 for h, age in enumerate(ages)]
            tally.parts += 1
            tally.read += read.size
            tally.good += not bad[at]
            accepted = fits and not moved
            tally.accepted += accepted
            tally.bad += accepted and bad[at]
            tally.not_by_plugs += accepted and bad[at] and not by_size[at]
            tally.good_held += not accepted and not bad[at]
            running = not (odd.chance < rp.ODD or moved or (broken and bad[at]))
            if faulty and not accepted and seen is None:
                seen = n - FROM
        else:
            tally.after += 1
        if faulty and seen_full is None:
            every = np.arange(slots.hole.size)
            if bad[at] or core.surprise(row, every, values, slots.hole).chance < rp.ODD:
                seen_full = n - FROM
        if not running and (n >= FROM or kind in (HEALTHY, WORN, TAILS)) and (seen_full is not None or kind in SINGLE):
            break
    if kind not in (HEALTHY, WORN, TAILS) and tally.parts:
        tally.faults += 1
        tally.unseen += seen is None
        tally.delay += [] if seen is None else [seen]
        tally.full += [] if seen_full is None else [seen_full]


def table(found: dict[str, Tally], slots: rp.Slots) -> list[str]:
    """Return the counts as lines; bad accepted with its 95 % upper bound (Clopper and Pearson)."""
    lines = ["kind                   fixtures no plan  parts accepted  bad acc. (95 % up to)  not by plugs  good in "
             "full  lengths read  seen after / in full / never"]  # fmt: skip
    for kind, t in found.items():
        high = float(stats.beta.ppf(0.95, t.bad + 1, max(t.accepted - t.bad, 0) + 1e-9)) if t.accepted else 1.0
        delay = f"{np.mean(t.delay):.1f} / {np.mean(t.full):.1f} / {t.unseen} of {t.faults}" if t.delay else "-"
        lines.append(
            f"{kind:<22} {t.fixtures:>8} {t.refused:>7} {t.parts:>6} {t.accepted:>8} {t.bad:>5} ({100 * high:7.3f} %) "
            f"{t.not_by_plugs:>16} {100 * t.good_held / max(t.good, 1):>12.2f} % "
            f"{100 * t.read / max(t.parts * slots.hole.size, 1):>9.1f} %  {delay}"
        )  # fmt: skip
    return lines


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--fixtures", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    specification = kit()
    print(*table(run(given.fixtures, given.seed, specification, show=True), rp.slots_of(specification)), sep="\n")
