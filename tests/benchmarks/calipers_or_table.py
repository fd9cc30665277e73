"""One shop, the same parts twice: once by a coordinate table, once by calipers over pins. Where do the verdicts differ?

Run as ``python tests/benchmarks/calipers_or_table.py [PARTS [RUNS [U]]]``; 30 parts in 20 runs with U = 0.0010 in
unless told. Kit BL-8 (samples). All figures invented: holes scatter by 0.0014 in a coordinate, one part in four has a
hole that is far off (0.004 to 0.02), one sheet in six a mistyped distance, one in six a mistyped coordinate (two digits
swapped, or off by 0.01 to 0.03). Readings scatter by half of their gauge's U, rounded to its step. The truth is that
of the places put in, judged by the same rules without any error of reading.

Printed: verdicts of the one against the other, with the truth; what the tool said where they differ; and for
each way the bad parts that were accepted. A part that is bad by less than U can pass a gauge under simple
acceptance; by distances it is held where U is coarse, and its pins always. Of 4 times 600 parts (both rules, U = 0.001
and 0.003) the calipers accepted no bad one, the table 6, by at most 0.0004; a mistyped coordinate, which nothing
checks, rejected or held one good part in fifteen, which the calipers accepted; they held one good part in four, most of
them for a mistyped distance, about one in twenty by chance.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from holeqc.inspection.judge import judge
from holeqc.inspection.results import ACCEPT, VERDICTS
from holeqc.readings.read import read_files
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Specification

TEXT = (Path(__file__).resolve().parents[2] / "tolerances" / "bl8.toml").read_text(encoding="utf-8")
TABLE_GAUGE = '\n[[gauge]]\nid = "CM-1"\nmeasures = ["x", "y"]\nuncertainty = 0.0006\nresolution = 0.0001\n'
TAKEN = "A-1 A-2 A-3 A-4 A-5 A-6 B-1 B-2 B-3 B-4 B-5 B-6 1-2 2-3 4-5 5-6 1-4 2-5 3-6 1-5 2-4 2-6 3-5"
LINES = tuple(TAKEN.split())
TOLD = ("suspect-distance", "distances-disagree", "coarse-distances", "pin-larger-than-hole")


def swapped(value: float, rng: np.random.Generator) -> float:
    text = f"{value:.4f}"
    k = int(rng.integers(len(text) - 4, len(text) - 1))
    out = float(text[:k] + text[k + 1] + text[k] + text[k + 2 :])
    return out if abs(out - value) > 0.004 else value + float(rng.choice([-1, 1]) * rng.uniform(0.01, 0.03))


def write(folder: Path, parts: int, u: float, rng: np.random.Generator) -> dict[str, list[Path]]:
    """Write each part's three sheets: the truth, by table, by calipers."""
    spec = parse_specification(TEXT)
    basic = {h.id: np.array([h.x, h.y]) for h in spec.holes}
    pins = spec.plan.distances.pins if spec.plan.distances else ()
    out: dict[str, list[Path]] = {"truth": [], "table": [], "calipers": []}
    for number in range(parts):
        places = {hole: xy + rng.normal(0, 0.0014, 2) for hole, xy in basic.items()}
        if rng.random() < 0.25:
            turn = rng.uniform(0, 2 * np.pi)
            places[str(rng.integers(1, 7))] += rng.uniform(0.004, 0.02) * np.array([np.cos(turn), np.sin(turn)])
        size = {hole: round(0.4575 + rng.normal(0, 0.0006), 5) for hole in basic}
        pin = {hole: max(p for p in pins if p <= d + 1e-9) for hole, d in size.items()}
        head = f"Serial: P-{number:03d}\nDate: 2026-05-04\n\nHole,Dia 0 [in],Dia 90 [in]\n"
        exact = head + "".join(f"{hole},{d},{d}\n" for hole, d in size.items())
        twice = {hole: d + rng.normal(0, 0.00015, 2) for hole, d in size.items()}
        read = head + "".join(f"{hole},{one:.4f},{two:.4f}\n" for hole, (one, two) in twice.items())
        table = {hole: np.round(xy + rng.normal(0, 0.0003, 2), 4) for hole, xy in places.items()}
        taken = {}
        for line in LINES:
            first, second = line.split("-")
            way = places[second]["AB".index(first)] if first in "AB" else np.hypot(*(places[first] - places[second]))
            over = sum(pin[end] for end in (first, second) if end in pin) / 2
            play = sum((size[end] - pin[end]) * rng.uniform(-0.5, 0.5) for end in (first, second) if end in pin)
            taken[line] = round((way + over + play + rng.normal(0, u / 2)) * 2000) / 2000
        if rng.random() < 1 / 6:
            line = str(rng.choice(LINES))
            taken[line] = swapped(taken[line], rng)
        if rng.random() < 1 / 6:
            hole = str(rng.integers(1, 7))
            table[hole][0] = swapped(table[hole][0], rng)
        coordinates = "\nHole,X [in],Y [in]\n"
        texts = {
            "truth": exact + coordinates + "".join(f"{h},{x:.7f},{y:.7f}\n" for h, (x, y) in places.items()),
            "table": read + coordinates + "".join(f"{h},{x:.4f},{y:.4f}\n" for h, (x, y) in table.items()),
            "calipers": read + "\nFrom,To,Pin from,Pin to,Over pins [in]\n" + "".join(
                f"{f},{s},{pin.get(f, '')},{pin[s]},{taken[line]:.4f}\n" for line in LINES for f, s in [line.split("-")]
            ),
        }  # fmt: skip
        for name, text in texts.items():
            path = folder / f"{name}{number}.csv"
            path.write_text(text, encoding="utf-8")
            out[name].append(path)
    return out


def run(parts: int, u: float, rule: str, seed: int) -> tuple[list[tuple[int, int, int]], list[float], list[str]]:
    """Return each part's verdicts (truth, table, calipers), by how much it is bad as a share of U, what was told."""
    with tempfile.TemporaryDirectory() as folder:
        sheets = write(Path(folder), parts, u, np.random.default_rng(seed))
        text = TEXT.replace("uncertainty = 0.0010", f"uncertainty = {u:g}")
        text += f'{TABLE_GAUGE}\n[decision]\nrule = "{rule}"\n'
        spec: Specification = parse_specification(text)
        exact = replace(spec, decision=replace(spec.decision, rule="simple"))
        done = {
            name: judge(exact if name == "truth" else spec, read_files(paths, spec)) for name, paths in sheets.items()
        }
    frames = {name: found.parts.set_index("serial") for name, found in done.items()}
    serials = [f"P-{n:03d}" for n in range(parts)]
    rows = [tuple(int(frames[name].loc[s, "verdict"]) for name in ("truth", "table", "calipers")) for s in serials]
    over = []
    for serial in serials:
        true = done["truth"].characteristics
        mine = true[(true["serial"] == serial) & true["characteristic"].isin(["position", "hole-to-hole position"])]
        margin = float(frames["truth"].loc[serial, "pin_margin"])
        over.append(max(0.0, -float(mine["left"].min()), -2.0 * min(margin, 0.0)))
    reasons = []
    for serial in serials:
        told = sorted({p.code for p in done["calipers"].problems if p.serial == serial and p.code in TOLD})
        causes = done["calipers"].characteristics
        held = causes[(causes["serial"] == serial) & (causes["verdict"] == 1)]["cause"].astype(str)
        pins = ["pins near 0"] if int(frames["calipers"].loc[serial, "pin_verdict"]) == 1 else []
        reasons.append(", ".join(told or sorted(set(held)) or pins))
    return rows, over, reasons  # type: ignore[return-value]


def main() -> None:
    given = [float(a) for a in sys.argv[1:]]
    parts, runs, u = (*given, *(30, 20, 0.0010)[len(given) :])
    for rule in ("simple", "guarded"):
        counts: Counter[tuple[str, str, str]] = Counter()
        why: Counter[str] = Counter()
        worst = {"table": 0.0, "calipers": 0.0}
        accepted = Counter[str]()
        for seed in range(int(runs)):
            rows, over, reasons = run(int(parts), float(u), rule, seed)
            for (truth, table, calipers), bad, reason in zip(rows, over, reasons, strict=True):
                good = "good" if truth == ACCEPT else "bad"
                counts[good, VERDICTS[table], VERDICTS[calipers]] += 1
                if table != calipers:
                    differ = f"{good}: table {VERDICTS[table]}, calipers {VERDICTS[calipers]}"
                    why[f"{differ} ({reason or 'nothing said'})"] += 1
                for name, verdict in (("table", table), ("calipers", calipers)):
                    if good == "bad" and verdict == ACCEPT:
                        accepted[name] += 1
                        worst[name] = max(worst[name], bad)
        print(f"\n{rule} rule, {int(parts * runs)} parts, calipers with U = {u:g} in")
        print(f"  {'truth':6}{'table':>8}{'calipers':>10}{'parts':>7}")
        for (good, table, calipers), count in sorted(counts.items()):
            print(f"  {good:6}{table:>8}{calipers:>10}{count:>7}")
        print("  where they differ:")
        for text, count in why.most_common():
            print(f"  {count:>5}  {text}")
        for name in ("table", "calipers"):
            print(f"  bad parts accepted by {name}: {accepted[name]}, the worst bad by {worst[name]:.4f} in (diameter)")


if __name__ == "__main__":
    main()
