"""Approvals killed at any moment, and tags opened by several at once: nothing lost, nothing half, no number twice."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from shop import GOOD, LARGE, Shop, place

from holeqc.ledger import open_ledger
from holeqc.ledger.tags import find_tags
from holeqc.specification.load import load_specification

CHILDREN = 25
WAIT = 1200  #: seconds after which it hangs; no machine is so slow


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_killed_at_moments_of_approving(engine: str, tmp_path: Path) -> None:
    with place(engine, tmp_path) as where:
        with open_ledger(where) as ledger:
            Shop(tmp_path, ledger).record("P-1", GOOD)
        script = str(Path(__file__).with_name("killed_approvals.py"))
        done = subprocess.run(
            [sys.executable, "-W", "ignore", script, where, str(CHILDREN)], capture_output=True, text=True, timeout=WAIT
        )
        assert done.returncode == 0, done.stderr
        *acknowledged, last = done.stdout.strip().splitlines()
        told = json.loads(last)
    assert told["holds"]
    hashes = {entry["seq"]: entry["hash"] for entry in told["entries"]}
    assert len(acknowledged) > CHILDREN / 10  # enough got through for the kills to have met something
    for line in acknowledged:
        seq, hash_ = line.split()
        assert hashes[int(seq)] == hash_  # what was acknowledged is there
    kinds = [entry["kind"] for entry in told["entries"]]
    assert kinds.count("approval") == told["counts"]["approval"]
    assert kinds.count("withdrawal") == told["counts"]["withdrawal"]
    turns = [kind for kind in kinds if kind in {"approval", "withdrawal"}]
    assert turns == ["approval", "withdrawal"] * (len(turns) // 2) + ["approval"] * (len(turns) % 2)


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_tags_opened_by_several_at_once_have_numbers_of_their_own(engine: str, tmp_path: Path) -> None:
    with place(engine, tmp_path) as where:
        with open_ledger(where) as ledger:
            shop = Shop(tmp_path, ledger)
            shop.release(load_specification(shop.kit()))
        problems: list[BaseException] = []

        def bench(number: int) -> None:
            folder = tmp_path / f"bench {number}"
            folder.mkdir()
            try:
                with open_ledger(where) as ledger:
                    shop = Shop(folder, ledger)
                    for part in range(3):
                        shop.record(f"P-{number}-{part}", LARGE)
            except BaseException as error:
                problems.append(error)

        threads = [threading.Thread(target=bench, args=(n,)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(WAIT)
        assert problems == []
        with open_ledger(where) as ledger:
            codes = [tag.number for tag in find_tags(ledger)]
            assert len(set(codes)) == len(codes) == 12
            assert len({tag.row["serial"] for tag in find_tags(ledger)}) == 12
            assert ledger.verify().holds
