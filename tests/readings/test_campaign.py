"""Some two hundred made-up sheets and changed files; ``campaign.py`` judges thousands of others, ``damage.py`` more."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import sqlite3
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from campaign import GRAVE, Score, cases
from mutations import structural

# Two seeds of their own, so that the benchmark's seeds stay sheets that nobody has seen.
SHEETS, CHANGES = 41, 42


def _listed(scores: list[Score]) -> str:
    return "\n".join(f"{s.name} {s.kind}: {s.group}, {s.fault}, {s.answers}" for s in scores)


def test_no_made_up_sheet_is_misunderstood() -> None:
    scores = cases(SHEETS, 160, processes=1)
    grave = [s for s in scores if s.kind in GRAVE]
    assert not grave, _listed(grave)
    plain = [s for s in scores if s.plain]
    wrong = [s for s in plain if s.kind != "right"]
    assert len(wrong) <= 0.01 * len(plain), _listed(wrong)


def test_no_changed_file_is_accepted_in_silence() -> None:
    scores = structural(CHANGES, 60, processes=1)
    grave = [s for s in scores if s.kind in GRAVE]
    assert not grave, _listed(grave)
    assert len(scores) == 60


def _answer(*, found: float = 0.458, wall: str = "accept", cell: str = "B2", readings: int = 2) -> str:
    """Return what `check --json` could say of a part with one hole."""
    walls = [{"verdict": wall, "found": found, "lower": 0.455, "upper": 0.462, "cell": f"s.csv, {cell}"}]
    part = {"serial": "P-1", "verdict": "accept", "readings": readings, "reasons": [],
            "holes": [{"hole": "1", "size": {"walls": walls}}]}  # fmt: skip
    return json.dumps({"verdict": "accept", "parts": [part], "problems": [], "unusable": []})


#: kind of fault -> what a command gives: exit code, output, errors, seconds, bytes
FAULTS: list[tuple[str, dict[str, Any]]] = [
    ("ok 0", {}), ("traceback", {"err": "Traceback (most recent call last):"}), ("traceback", {"code": 7}),
    ("warning", {"err": "holeqc/x.py:7: RuntimeWarning: divide by zero\n"}), ("screen", {"err": "\u202e"}),
    ("slow", {"seconds": 21.0}), ("slow", {"code": -signal.SIGXCPU}), ("slow", {"code": -signal.SIGALRM}),
    ("memory", {"memory": 3 << 30}), ("memory", {"err": "there isn't enough memory", "code": 2}),
    ("json", {"out": ""}), ("json", {"out": _answer() + "{}"}), ("json", {"out": _answer(found=float("nan"))}),
    ("verdict", {"code": 3}), ("verdict", {"out": _answer(wall="hold")}), ("verdict", {"out": _answer(found=0.4625)}),
    ("accepted", {"before": 3}), ("lost", {"out": _answer(readings=1)}), ("changed", {"out": _answer(found=0.459)}),
    ("changed", {"out": _answer(cell="B3")}), ("ok 0", {"before": 3, "against": ("0.4625",)}),
]  # fmt: skip


def test_the_damage_campaign_finds_each_kind_of_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "path", sys.path.copy())
    monkeypatch.setattr(os, "environ", os.environ.copy())
    spec = importlib.util.spec_from_file_location("damage", Path(__file__).parents[1] / "benchmarks" / "damage.py")
    assert spec is not None
    assert spec.loader is not None
    damage = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "damage", damage)
    spec.loader.exec_module(damage)
    whole, copy = tmp_path / "whole.csv", tmp_path / "s.csv"
    whole.write_text("hole,size\n1,0.458\n1,0.4625\n")
    source = damage.Source("sheet", whole, ())
    words = ["check", "kit", "s.csv", "--json"]
    for kind, gives in FAULTS:
        copy.write_text(whole.read_text() if "against" not in gives else "hole,size\n1,0.458\n")
        came = {"code": 0, "out": _answer(), "err": "", "seconds": 0.1, "memory": 1 << 20} | gives
        rank, against = came.pop("before", 1), came.pop("against", ("0.458",))
        before = damage.Whole({"P-1": rank}, against, Counter({"P-1": 2}), frozenset())
        assert damage.judged(source, copy, words, tuple(came.values()), "", before)[0] == kind, gives
    database, damaged = tmp_path / "a.sqlite3", tmp_path / "b.sqlite3"
    for path, word in ((database, "reject"), (damaged, "accept")):
        with sqlite3.connect(path) as connection:
            connection.execute("CREATE TABLE verdict AS SELECT ? AS word", (word,))
        connection.close()
    source, words = damage.Source("ledger", database, ()), ["ledger", "verify", "--ledger", "a"]
    for other, kind in ((damaged, "unnoticed"), (database, "ok 0")):
        assert damage.judged(source, other, words, (0, "", "", 0.1, 0), "", None)[0] == kind
