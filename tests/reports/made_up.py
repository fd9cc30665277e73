"""Result frames made by hand after the columns of `holeqc.inspection.results`: invented, for tests of reports alone.

No judging is done here and no value is a truth from outside: a report must show what the frames say, whatever they say.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from holeqc.inspection.results import (
    ACCEPT,
    CHARACTERISTIC_COLUMNS,
    FLOAT_COLUMNS,
    HOLD,
    HOLE_COLUMNS,
    PART_COLUMNS,
    PIN_COLUMNS,
    REJECT,
    REWORK_COLUMNS,
    Inspection,
    Reason,
)
from holeqc.inspection.view import PartView
from holeqc.problems import Problem
from holeqc.readings.table import COLUMNS, ColumnUse, Readings, Source
from holeqc.specification import model as m
from holeqc.tables import Table

NAN = math.nan
DIGEST = "3f7a1c0be9d24b5586aa10e2c4f7d9136b8e5a7f0c2d4e6f8091a2b3c4d5e6f7"
PLACES = [(1.5, 1.25), (4.5, 1.25), (7.5, 1.25), (10.5, 1.25), (1.5, 5.75), (4.5, 5.75), (7.5, 5.75), (10.5, 5.75)]
WALLS = ("near", "far")

#: what goes wrong, by scenario: (hole, wall, characteristic) -> found, verdict, cause
Faults = Mapping[tuple[str, str, str], tuple[float, int, str]]
CLEAN: Faults = {}
BAD: Faults = {
    ("3", "far", "size"): (0.4627, REJECT, "over"),
    ("3", "far", "NO-GO"): (NAN, REJECT, "enters"),
    ("6", "near", "position"): (0.0731, REJECT, "over"),
    ("7", "near", "size"): (0.4544, REJECT, "under"),
    ("8", "far", "size"): (3.99, HOLD, "slip"),
}
MISSING: Faults = {("2", "near", "size"): (NAN, HOLD, "missing"), ("2", "far", "size"): (NAN, HOLD, "missing")}


def kit(unit: str = "in", **changes: Any) -> m.Specification:
    """Return a kit of eight holes through two walls."""
    k = 1.0 if unit == "in" else 25.4
    pin = m.Pin("7/16 ring pin", 0.4345 * k, 0.436 * k, 0.008 * k)
    holes = tuple(
        m.Hole(
            str(number),
            x * k,
            y * k,
            m.Limits(round(0.455 * k, 3), round(0.462 * k, 3)),
            f"B{number}",
            m.Form(0.003 * k, 0.003 * k),
            m.Position(0.06 * k, "MMC", 0.011 * k, "MMC"),
            m.Edge(None, 2.0),
            m.Surface(True, True),
            m.Plugs(0.455 * k, 0.462 * k),
            pin,
            0.462 * k,
        )
        for number, (x, y) in enumerate(PLACES, 1)
    )
    parts = (
        m.Part("port", "port stern plate", "BL7-210-1"),
        m.Part("starboard", "starboard stern plate", "BL7-210-2", "x", "port", True),
    )
    gauges = (
        m.Gauge("BG-2", "two-point bore gauge", ("diameter",), 0.0003 * k, 0.0001 * k, dt.date(2027, 3, 31)),
        m.Gauge("CM-1", "coordinate table", ("x", "y", "edge_distance"), 0.0006 * k, 0.0001 * k, dt.date(2027, 6, 30)),
    )
    given: dict[str, Any] = {
        "id": "BL-7",
        "revision": "C",
        "unit": unit,
        "holes": holes,
        "parts": parts,
        "title": "Removable boarding ladder, stern plates",
        "drawing": "BL7-210",
        "fixture": "DF-BL7",
        "walls": m.Walls(WALLS, 1.25 * k),
        "gauges": gauges,
        "plan": m.ReadingPlan(walls=WALLS, position=True, position_walls=WALLS, diameter_gauge="BG-2"),
        "outline": tuple((x * k, y * k) for x, y in ((0, 0), (12, 0), (12, 7), (0, 7))),
        "path": "tolerances/bl7.toml",
        "digest": DIGEST[::-1],
    }
    return m.Specification(**(given | changes))


def _size(hole: str, wall: str, direction: float, serial: str) -> float:
    spread = (int(hole) * 7 + (wall == "far") * 3 + int(direction) // 45 * 5 + len(serial)) % 11
    return round(0.4568 + spread * 0.0003, 4)


def readings_of(part: str, serial: str, faults: Faults, k: float, start: int) -> list[dict[str, Any]]:
    """Return reading rows of one part: two diameters a hole and wall, x and y."""
    rows: list[dict[str, Any]] = []
    for hole in (str(n) for n in range(1, 9)):
        for wall in WALLS:
            for what, direction in (("diameter", 0.0), ("diameter", 90.0), ("x", NAN), ("y", NAN)):
                value = (
                    _size(hole, wall, direction, serial) if what == "diameter" else PLACES[int(hole) - 1][what == "y"]
                )
                fault = faults.get((hole, wall, "size"))
                if what == "diameter" and fault and direction == 90.0:
                    value = fault[0]
                if math.isnan(value):
                    continue
                base = {"part": part, "serial": serial, "hole": hole, "wall": wall, "characteristic": what}
                rows.append(
                    base
                    | {"direction": direction, "trial": 1, "value": value * k, "word": "", "typed": f"{value:.4f}"}
                    | {"unit": "in", "gauge": "BG-2" if what == "diameter" else "CM-1", "temperature_c": 21.5}
                    | {"date": pd.Timestamp(2026, 5, 4), "by": "bench 3", "note": "", "file": "bl7_P-0112.xlsx"}
                    | {"sheet": "Readings", "row": start + len(rows) + 9, "column": 6}
                    | {"doubt": "slip" if fault and fault[2] == "slip" and direction == 90.0 else ""}
                )
    return rows


def _characteristic(hole: str, wall: str, name: str, k: float, faults: Faults, serial: str) -> dict[str, Any]:
    seed = (int(hole) * 5 + (wall == "far") * 2 + len(serial)) % 7
    # found, lower, upper, stated, bonus, U
    plain: dict[str, tuple[float, float, float, float, float, float]] = {
        "size": (_size(hole, wall, 90.0, serial), 0.455, 0.462, NAN, NAN, 0.0003),
        "out-of-roundness": (0.0003 * seed, NAN, 0.003, NAN, NAN, 0.0004),
        "taper": (0.0002 * seed, NAN, 0.003, NAN, NAN, 0.0004),
        "position": (0.011 + 0.0053 * seed, NAN, 0.0618, 0.06, 0.0018, 0.0012),
        "hole-to-hole position": (0.0031 + 0.0011 * seed, NAN, 0.0128, 0.011, 0.0018, 0.0012),
        "edge distance": (1.2441 + 0.0031 * seed, 0.924, NAN, NAN, NAN, 0.0006),
        "surface": (NAN, NAN, NAN, NAN, NAN, NAN),
        "GO": (NAN, NAN, NAN, NAN, NAN, NAN),
        "NO-GO": (NAN, NAN, NAN, NAN, NAN, NAN),
    }
    found, lower, upper, stated, bonus, u = plain[name]
    fault = faults.get((hole, wall, name))
    verdict, cause = ACCEPT, ""
    if fault:
        found, verdict, cause = fault
    words = {"surface": "clean", "GO": "enters", "NO-GO": "enters" if fault else "does not enter"}
    over, under = max(found - upper, 0.0) if found == found else NAN, min(found - lower, 0.0) if found == found else NAN
    deviation = over if over and over == over else under if under == under else over
    left = min((d for d in (upper - found, found - lower) if d == d), default=NAN)
    band = upper - lower if lower == lower and upper == upper else upper
    return {
        "hole": hole, "wall": wall, "characteristic": name, "found": found * k, "found_word": words.get(name, ""),
        "lower": round(lower * k, 3), "upper": round(upper * k, 4), "stated": stated * k, "bonus": bonus * k,
        "deviation": deviation * k, "left": left * k, "uncertainty": u * k, "ratio": band / (2 * u),
        "probability": NAN if u != u else 0.999999 if not fault else 0.0123, "verdict": verdict, "cause": cause,
        "reading": -1, "doubtful": False,
    }  # fmt: skip


#: how the columns of the one sheet were understood
USES = (
    ColumnUse("Readings", "A", "Hole", "field", 16, field="hole"),
    ColumnUse("Readings", "B", "Wall", "field", 16, field="wall"),
    ColumnUse("Readings", "C", "Lower limit", "not used", 16, reason="limit"),
    ColumnUse("Readings", "E", "Diameter 0° [in]", "reading", 16, "diameter", direction=0.0, unit="in"),
    ColumnUse("Readings", "F", "Diameter 90° [in]", "reading", 16, "diameter", direction=90.0, unit="in"),
    ColumnUse("Readings", "J", "x [in]", "reading", 16, "x", unit="in"),
    ColumnUse("Readings", "K", "y [in]", "reading", 16, "y", unit="in"),
)

NAMES = ("size", "out-of-roundness", "position", "hole-to-hole position", "edge distance", "surface", "GO", "NO-GO")


def inspection(
    parts: Sequence[tuple[str, str, Faults]] = (("port", "P-0112", BAD),),
    *,
    unit: str = "in",
    problems: Sequence[Problem] = (),
    sources: Sequence[Source] = (Source("bl7_P-0112.xlsx", DIGEST, 10240, "BL-7", "C", USES),),
    **changes: Any,
) -> Inspection:
    """Return the result of a run over parts, each with its faults."""
    spec = kit(unit, **changes)
    k = 1.0 if unit == "in" else 25.4
    readings: list[dict[str, Any]] = []
    tables: dict[str, list[dict[str, Any]]] = {n: [] for n in ("c", "h", "p", "pins", "float", "rework")}
    for part, serial, faults in parts:
        key = {"part": part, "serial": serial}
        mine = readings_of(part, serial, faults, k, len(readings))
        labels = {
            (r["hole"], r["wall"]): len(readings) + n
            for n, r in enumerate(mine)
            if r["characteristic"] == "diameter" and r["direction"] == 90.0
        }
        readings += mine
        worst = ACCEPT
        for hole in (str(n) for n in range(1, 9)):
            rows = [_characteristic(hole, wall, name, k, faults, serial) for wall in WALLS for name in NAMES]
            rows.append(_characteristic(hole, "", "taper", k, faults, serial))
            for row in rows:
                if row["characteristic"] == "size":
                    row["reading"] = labels.get((hole, row["wall"]), -1)
            tables["c"] += [key | row for row in rows]
            verdict = max(row["verdict"] for row in rows)
            worst = max(worst, verdict)
            sizes = [r["value"] for r in mine if r["hole"] == hole and r["characteristic"] == "diameter"]
            low, high = (min(sizes), max(sizes)) if sizes else (NAN, NAN)
            small = hole == "7" and ("7", "near", "size") in faults
            bad = [f[0] for (h, _, c), f in faults.items() if h == hole and c == "position"]
            half = bad[0] / 2 if bad else 0.004 + 0.0017 * int(hole)
            angle = 0.9 * int(hole)
            tables["h"].append(
                key
                | {"hole": hole, "verdict": verdict, "mating_size": low, "mating_from": "readings" if sizes else ""}
                | {"smallest": low, "largest": high, "dx": half * math.cos(angle) * k, "dy": half * math.sin(angle) * k}
                | {"pattern_dx": 0.002 * k, "pattern_dy": -0.001 * k}
                | {"rework": "ream to 0.4575 with the 0.4575 reamer, then read it again" if small else ""}
                | {"ream_to": 0.4575 * k if small else NAN}
            )
            if small:
                tables["rework"].append(
                    key
                    | {"scope": "hole", "hole": hole, "from": low, "to": 0.4575 * k, "tool": "0.4575", "passes": True}
                    | {"sentence": "Hole 7: ream from 0.4544 to 0.4575 with reamer 0.4575; it then passes."}
                )
            for wall in WALLS:
                room = 0.0112 - 0.0011 * int(hole)
                pin = {"hole": hole, "wall": wall, "pin": "7/16 ring pin", "clearance": 0.0115 * k}
                tables["pins"].append(key | pin | {"binding": hole in "78" and wall == "far", "left": room * k})
                tables["pins"][-1] |= {"off_x": 0.0, "off_y": 0.0}
        pin_verdict = ACCEPT if worst != REJECT else HOLD
        whole = {"verdict": worst, "pin_verdict": pin_verdict, "pin_margin": 0.0024 * k, "pin_rotation": 0.00041}
        tables["p"].append(
            key
            | whole
            | {"pin_dx": 0.0012 * k, "pin_dy": -0.0007 * k, "readings": len(mine)}
            | {"pin_culprit": "", "pin_without": NAN}
            | {"first_date": pd.Timestamp(2026, 5, 4), "last_date": pd.Timestamp(2026, 5, 4)}
        )
        room = {f"{axis}_{side}": 0.0031 * k for axis in "xy" for side in ("minus", "plus")}
        tables["float"].append(key | room | {"rotation_minus": 0.0004, "rotation_plus": 0.0004})
    frames = {
        "characteristics": pd.DataFrame(tables["c"], columns=list(CHARACTERISTIC_COLUMNS)),
        "holes": pd.DataFrame(tables["h"], columns=list(HOLE_COLUMNS)),
        "parts": pd.DataFrame(tables["p"], columns=list(PART_COLUMNS)),
        "pins": pd.DataFrame(tables["pins"], columns=list(PIN_COLUMNS)),
        "float_left": pd.DataFrame(tables["float"], columns=list(FLOAT_COLUMNS)),
        "rework": pd.DataFrame(tables["rework"], columns=list(REWORK_COLUMNS)),
    }
    table = pd.DataFrame(readings, columns=list(COLUMNS))
    found = Inspection(
        spec, Readings(Table.of_frame(table), tuple(problems), tuple(sources)),
        {name: Table.of_frame(frame) for name, frame in frames.items()}, tuple(problems),
    )  # fmt: skip
    # plain texts in the frames, so that a test can write others into them; `take_over` then
    vars(found).update(frames)
    vars(found.readings)["table"] = table
    return found


def reasons(part: PartView, *_: object, **__: object) -> list[Reason]:
    """Return a sentence for each characteristic that isn't accepted, in place of the judge's own."""
    return [
        Reason(
            row["verdict"],
            f"Hole {row['hole']}, {row['wall']} wall: {row['characteristic']} {row['found']:.4f}, allowed "
            f"{row['lower']:.4f} to {row['upper']:.4f}, {row['deviation']:+.4f} beyond the limit.",
            row["hole"],
            row["wall"],
            row["characteristic"],
            "bl7_P-0112.xlsx, Readings, F14" if row["reading"] >= 0 else "",
            "Engineering disposition." if row["verdict"] == REJECT else "Read it again and correct the sheet.",
        )
        for row in part.characteristics
        if row["verdict"]
    ]


PROBLEMS = (
    Problem(
        "warning",
        "likely-slip",
        "the reading looks like a slip of the decimal point",
        "3.99",
        "0.4550 to 0.4620",
        "Read hole 8 far again; 0.399 or 0.459 may have been meant. Nothing was changed.",
        "bl7_P-0112.xlsx",
        "Readings",
        "F40",
        part="port",
        serial="P-0112",
        hole="8",
        wall="far",
        holds=True,
    ),
    Problem(
        "error",
        "unknown-hole",
        "no hole '9' in kit BL-7",
        "9",
        "1 to 8",
        "Correct the hole's name or remove the row.",
        "bl7_P-0112.xlsx",
        "Readings",
        "B41",
        serial="P-0112",
    ),
    Problem("note", "no-date", "the sheet names no day", file="bl7_P-0109.csv", cell="B3"),
)


def six_parts(count: int = 6) -> list[tuple[str, str, Faults]]:
    """Return parts of both hands with faults in turn: none, rejected, none, held."""
    faults = (CLEAN, BAD, CLEAN, MISSING)
    return [(("port", "starboard")[n % 2], f"{'PS'[n % 2]}-{n:04d}", faults[n % 4]) for n in range(count)]


def take_over(found: Inspection) -> Inspection:
    """Have an inspection say what a test wrote into its data frames."""
    for name in found.tables:
        found.tables[name] = Table.of_frame(getattr(found, name))
    object.__setattr__(found.readings, "rows", Table.of_frame(found.readings.table))
    return found


def having(found: Inspection, **frames: pd.DataFrame) -> Inspection:
    """Return an inspection with other tables."""
    return replace(found, tables={**found.tables, **{name: Table.of_frame(frame) for name, frame in frames.items()}})
