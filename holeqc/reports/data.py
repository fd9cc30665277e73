"""The result of a run as plain data: what ``--json`` prints and ``verdicts.json`` holds. Keys are stable.

Lengths are numbers in ``specification.unit``, turns in radians, angles of countersinks in degrees, days as ``2026-05-04``; null where a number isn't known
or doesn't apply (also ``ratio`` where U is 0 or only a lower limit stands). Verdicts are ``accept``, ``hold``, ``reject``.

| key | what it holds |
|---|---|
| ``tool`` | ``name``, ``version`` |
| ``specification`` | ``id``, ``revision``, ``unit``, ``title``, ``drawing``, ``fixture``, ``path``, ``sha256``, ``limits`` (in one line), ``confirmed[]`` (odd things that the kit file stands by: ``check``, ``found``, ``holes[]``, ``reason``), ``warnings[]`` (as ``problems[]``) |
| ``rule`` | ``decision`` (simple, guarded, relaxed), ``guard_factor``, ``sentence``, ``rounding``, ``temperature`` |
| ``sources[]`` | the files read: ``file``, ``sha256``, ``bytes``, ``kit_id``, ``kit_revision``, ``columns[]`` |
| ``sources[].columns[]`` | how each column was understood: ``sheet``, ``place``, ``heading`` (as typed), ``use`` (reading, field, not used), ``cells`` (filled ones), ``characteristic`` ('' where the row says it), ``wall``, ``direction``, ``trial``, ``unit``, ``hole``, ``serial`` ('' or null where the heading doesn't say it), ``field``, ``reason`` (why it isn't used) |
| ``unusable[]`` | files of which nothing is used and judged: ``file``, ``problems[]`` as below; the exit code is 2 then |
| ``verdict`` | worst verdict of all parts; null where there is no part |
| ``counts`` | parts by verdict: ``accept``, ``hold``, ``reject`` |
| ``parts[]`` | ``part``, ``serial``, ``verdict``, ``readings``, ``first_date``, ``last_date``, and the keys below |
| ``parts[].reasons[]`` | ``verdict``, ``sentence``, ``hole``, ``wall``, ``characteristic``, ``cell``, ``action`` |
| ``parts[].rechecks[]`` | ``file``, ``of`` (tag or day that it is a recheck of), how many readings it ``replaced``, how many of it ``counts`` and are ``left_out``, ``sentence`` |
| ``parts[].reading_plan`` | null where the part was judged by its readings alone, else ``plan``, ``accepted``, ``why`` (not), ``read`` and ``total`` readings, ``agreed`` and ``risk`` (of a bad hole, at most, by the kit and under the model), ``predicted[]`` (``hole``, ``wall``, ``what``, ``value``, ``half``: 95 of 100 lie within) of what wasn't read |
| ``parts[].tags[]`` | ``code``, ``verdict``, ``hole`` (hole or holes, else "pattern" or "whole part") |
| ``parts[].holes[]`` | ``hole``, ``verdict``, ``mating_size``, ``mating_from``, ``smallest``, ``largest``, ``dx``, ``dy``, ``pattern_dx``, ``pattern_dy`` (with the pattern floated), ``rework``, ``ream_to``, and one object for each characteristic that is asked |
| ``parts[].holes[].size`` | also ``out_of_roundness``, ``taper``, ``position``, ``hole_to_hole_position``, ``edge_distance``, ``countersink_depth``, ``countersink_angle`` (degrees), ``hole_depth``, ``surface``, ``go``, ``no_go``: ``verdict`` (worst wall) and ``walls[]`` |
| ``...walls[]`` | ``wall`` ('' where it spans all), ``verdict``, ``cause``, ``found``, ``found_word``, ``lower``, ``upper``, ``stated``, ``bonus``, ``deviation``, ``left``, ``uncertainty``, ``ratio``, ``probability``, ``doubtful`` (found is what was typed, or what is left without it, and no measurement), ``cell`` |
| ``parts[].pins`` | null where the kit has no pins, else ``verdict``, ``margin`` (radial), ``uncertainty`` (of the margin, at most), ``rotation``, ``dx``, ``dy``, ``binding[]`` (hole ids), ``culprit`` (the one hole that keeps the pins out, null where there is none), ``without`` (margin of the others), ``holes[]`` (``hole``, ``wall``, ``pin``, ``clearance``, ``left``, ``binding``), ``float`` (null, or ``x_minus`` ... ``rotation_plus``) |
| ``parts[].datum_shift`` | null where the kit declares none, else ``x``, ``y``, ``rotation`` of the frame that was used |
| ``parts[].rework[]`` | ``scope`` (hole, pattern), ``hole``, ``from``, ``to``, ``tool``, ``passes``, ``sentence`` |
| ``problems[]`` | ``severity``, ``code``, ``message``, ``found``, ``allowed``, ``action``, ``file``, ``sheet``, ``cell``, ``line``, ``where``, ``part``, ``serial``, ``hole``, ``wall``, ``holds`` |
| ``notes[]`` | what somebody remarked in a sheet: ``text``, ``part``, ``serial``, ``hole``, ``file``, ``sheet``, ``cell`` (of the first reading of the row, whose note it is) |
| ``caveats[]``, ``cautions[]`` | sentences that belong to every verdict |
"""  # noqa: E501

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

import holeqc
from holeqc.characteristics import JUDGED
from holeqc.inspection.tags import tags_of_part, tidy
from holeqc.inspection.view import TOGETHER, PartView, Run
from holeqc.printing import as_json
from holeqc.reports import blocks as w
from holeqc.reports.part_pages import remarks_of
from holeqc.reports.screen import column_data
from holeqc.specification.words import limits_line
from holeqc.tables import Table

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection, Reason

Data = dict[str, Any]
Makes = Callable[[Any], Any]

KEYS = {c.name: c.word for c in JUDGED}
MOST_KNOWN = 20_000  #: values of one column kept with their JSON


def _plain(value: Any) -> Any:
    """Return a value as JSON knows it: no NaN, no infinity, no library's own number."""
    if isinstance(value, str | None):
        return value
    if isinstance(value, float):
        return tidy(value)
    return bool(value) if type(value).__name__ == "bool" else int(value) if isinstance(value, int) else str(value)


def _same(*names: str) -> dict[str, tuple[str, Makes]]:
    return {name: (name, _plain) for name in names}


_VERDICT = {"verdict": ("verdict", w.word)}
_WALL = {
    **_same("wall"), **_VERDICT, **_same("cause", "found", "found_word", "lower", "upper", "stated", "bonus",
    "deviation", "left", "uncertainty", "ratio", "probability", "doubtful"), "cell": ("reading", _plain),
}  # fmt: skip
_HOLE = {
    **_same("hole"), **_VERDICT, **_same("mating_size", "mating_from", "smallest", "largest", "dx", "dy", "pattern_dx",
    "pattern_dy", "rework", "ream_to"),
}  # fmt: skip
_PIN = _same("hole", "wall", "pin", "clearance", "left", "binding")
_REWORK = _same("scope", "hole", "from", "to", "tool", "passes", "sentence")
_FLOAT = ("x_minus", "x_plus", "y_minus", "y_plus", "rotation_minus", "rotation_plus")


def as_data(inspection: Inspection) -> Data:
    """Return the whole result as dicts, lists, texts, finite numbers, booleans and None; keys as the module says."""
    run = Run(inspection)
    return head(run) | {"parts": json.loads(f"[{','.join(parts(run))}]")} | tail(run)


def head(run: Run) -> Data:
    """Return the keys that stand before the parts."""
    spec = run.specification
    return {
        "tool": {"name": "holeqc", "version": holeqc.__version__},
        "specification": {
            "id": spec.id, "revision": spec.revision, "unit": spec.unit, "title": spec.title, "drawing": spec.drawing,
            "fixture": spec.fixture, "path": spec.path, "sha256": spec.digest, "limits": limits_line(spec),
            "confirmed": [asdict(c) | {"holes": list(c.holes)} for c in spec.confirmed],
            "warnings": [problem.as_dict() for problem in spec.warnings],
        },
        "rule": {
            "decision": spec.decision.rule, "guard_factor": spec.decision.guard_factor,
            "sentence": w.rule_sentence(spec), "rounding": w.rounding_sentence(spec),
            "temperature": w.temperature_sentence(spec),
        },
        "sources": [
            {"file": s.file, "sha256": s.sha256, "bytes": s.bytes, "kit_id": s.kit_id, "kit_revision": s.kit_revision,
             "columns": column_data(s.columns)}
            for s in run.inspection.readings.sources
        ],
        "unusable": [
            {"file": u.file, "problems": [p.as_dict() for p in u.problems]} for u in run.inspection.readings.unusable
        ],
        "verdict": w.word(run.count.verdict) if len(run) else None,
        "counts": {"accept": run.count.accept, "hold": run.count.hold, "reject": run.count.reject},
    }  # fmt: skip


def tail(run: Run) -> Data:
    """Return the keys that stand after the parts."""
    return {
        "problems": [problem.as_dict() for problem in run.problems],
        "notes": [asdict(remark) for remark in remarks_of(run.inspection.readings.rows)],
        "caveats": [text for text in (w.MATING, w.lobing_sentence(run.inspection)) if text],
        "cautions": [*w.CAUTIONS, *w.REWORK_CAUTIONS],
    }


def parts(run: Run) -> Iterator[str]:
    """Give each part's data in turn, as JSON: texts of columns are put together, a tenth of the time of objects."""
    rows = {name: _Objects(columns) for name, columns in (
        ("characteristics", _WALL), ("holes", _HOLE), ("pins", _PIN), ("rework", _REWORK))}  # fmt: skip
    order = {hole: n for n, hole in enumerate(run.specification.hole_ids)}
    for part in run:
        if part.number % TOGETHER == 0:
            pieces = {name: run.together(name, part.number) for name in rows}
            texts = {name: made.of(pieces[name][0], run) for name, made in rows.items()}
            ranks = [order.get(hole, len(order)) for hole in pieces["holes"][0]["hole"]]
            kinds = list(pieces["characteristics"][0].tuples("hole", "characteristic", "verdict"))
            names = pieces["holes"][0]["hole"].tolist()
        place = part.number % TOGETHER
        mine = {name: range(cuts[place], cuts[place + 1]) for name, (_, cuts) in pieces.items()}
        walls: dict[str, dict[str, list[int]]] = {}
        for n in mine["characteristics"]:
            hole, kind, _ = kinds[n]
            walls.setdefault(hole, {}).setdefault(kind, []).append(n)
        holes = []
        for n in sorted(mine["holes"], key=ranks.__getitem__):
            asked = walls.get(names[n], {})
            holes.append(texts["holes"][n][:-1] + "".join([
                f', "{key}": {{"verdict": "{w.word(max(kinds[n][2] for n in asked[name]))}", "walls": '
                f"[{', '.join([texts['characteristics'][n] for n in asked[name]])}]}}"
                for name, key in KEYS.items() if name in asked
            ]) + "}")  # fmt: skip
        after = {"distances": _distances(part)} if part.distances else {}
        yield "".join((
            _dump(_before_holes(part))[:-1], f', "holes": [{", ".join(holes)}], "pins": ',
            _pins(part, [texts["pins"][n] for n in mine["pins"]]), f", {_dump(after)[1:-1]}" if after else "",
            f', "rework": [{", ".join(texts["rework"][n] for n in mine["rework"])}]}}',
        ))  # fmt: skip


def _dump(value: Any) -> str:
    return as_json(value, indent=None)


class _Objects:
    """Rows of tables as JSON objects: key -> its column and what makes a value of it; a text comes again and again."""

    def __init__(self, columns: Mapping[str, tuple[str, Makes]]) -> None:
        self.columns = columns
        self.known = {key: _Known(key, make) for key, (_, make) in columns.items()}

    def of(self, table: Table, run: Run) -> list[str]:
        """Return a text for each row."""
        texts = []
        for key, (name, _) in self.columns.items():
            if key == "cell":
                values = run.cells(table[name])
            elif key == "ratio":
                values = np.where(np.isnan(table["upper"]), np.nan, table["ratio"]).tolist()
            else:
                values = table[name].tolist()
            texts.append(list(map(self.known[key].__getitem__, values)))
        return [f"{{{', '.join(row)}}}" for row in zip(*texts, strict=True)]


class _Known(dict[Any, str]):
    """Values of a column -> key and value as JSON."""

    def __init__(self, key: str, make: Makes) -> None:
        super().__init__()
        self.key, self.make, self.nothing = key, make, f'"{key}": null'

    def __missing__(self, value: Any) -> str:
        if value != value:  # no NaN is the same as another
            return self.nothing
        if len(self) > MOST_KNOWN:
            self.clear()
        text = f'"{self.key}": {_text_of(self.make(value))}'
        if value or not isinstance(value, float):  # +0 would be -0
            self[value] = text
        return text


def _text_of(value: Any) -> str:
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str) and value.isascii() and value.isprintable() and not {'"', "\\"} & set(value):
        return f'"{value}"'
    return _dump(value)


def _before_holes(part: PartView) -> Data:
    return {
        "part": part.part,
        "serial": part.serial,
        "verdict": w.word(part.verdict),
        "rechecks": [
            {
                "file": join.file,
                "of": join.of,
                "replaced": len(join.replaced),
                "counts": len(join.counts),
                "left_out": len(join.left_out),
                "sentence": w.recheck_sentence(join),
            }
            for join in part.joins
        ],
        "reading_plan": _plan(part),
        "reasons": [_reason(reason) for reason in part.reasons],
        "tags": [{"code": tag.code, "verdict": tag.verdict, "hole": tag.hole} for tag in tags_of_part(part)],
        "readings": int(part.row["readings"]),
        "first_date": w.day(part.row["first_date"]) or None,
        "last_date": w.day(part.row["last_date"]) or None,
        "datum_shift": _shift(part),
    }


def _distances(part: PartView) -> list[Data]:
    """Return the distances that positions follow from, as adjusted."""
    return [
        {"from": found.distance.first, "to": found.distance.second, "way": found.distance.way, "wall": wall.name,
         "pins": [_plain(pin) for pin in found.distance.pins], "cell": part.cell({"reading": found.label})}
        | {name: _plain(getattr(found, name)) for name in (
            "reading", "count", "centres", "adjusted", "uncertainty", "redundancy", "standardised", "smallest",
            "likely")}
        for wall, _, some in part.distances for found in some
    ]  # fmt: skip
def _plan(part: PartView) -> Data | None:
    """Return what a reading plan said of a part, None where none did."""
    if part.planned is None:
        return None
    names = ("plan", "accepted", "why", "read", "total", "agreed", "risk")
    return {name: _plain(getattr(part.planned, name)) for name in names} | {
        "predicted": [asdict(one) for one in part.planned.predicted]
    }


def _shift(part: PartView) -> Data | None:
    """Return the shift of the datum frame that was used, None where the kit allows none."""
    if part.specification.datum_shift is None:
        return None
    return {key: _plain(part.row[f"shift_{key}"]) for key in ("x", "y", "rotation")}


def _reason(reason: Reason) -> Data:
    names = ("sentence", "hole", "wall", "characteristic", "cell", "action")
    return {"verdict": w.word(reason.verdict)} | {name: getattr(reason, name) for name in names}


def _pins(part: PartView, holes: list[str]) -> str:
    verdict = int(part.row["pin_verdict"])
    if verdict < 0:
        return "null"
    left, row = part.float_left, part.row
    said = {
        "verdict": w.word(verdict), "margin": _plain(row["pin_margin"]), "uncertainty": _plain(row["pin_uncertainty"]),
        "rotation": _plain(row["pin_rotation"]), "dx": _plain(row["pin_dx"]), "dy": _plain(row["pin_dy"]),
        "binding": list(dict.fromkeys(row["hole"] for row in part.pins if row["binding"])),
        "culprit": row["pin_culprit"] or None, "without": _plain(row["pin_without"]),
    }  # fmt: skip
    float_ = {"float": {name: _plain(left[name]) for name in _FLOAT} if left is not None else None}
    return f'{_dump(said)[:-1]}, "holes": [{", ".join(holes)}], {_dump(float_)[1:]}'
