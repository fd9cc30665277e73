"""First parts: published numbers to the digit, exact fractions as a second route, and what each proof promises."""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from holeqc import sampling
from holeqc.problems import DataError
from holeqc.sampling import first_parts as proofs
from holeqc.sampling.first_parts import BAD, GOOD, UNREAD

DATA = Path(__file__).resolve().parents[1] / "data" / "sampling"


def rows(name: str) -> list[dict[str, str]]:
    lines = [line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_parts_needed_as_printed() -> None:
    # one side orders 1 and 3, both sides orders 1 to 20; sources stand in the table
    wrong = [r for r in rows("parts_needed.csv")
             if sampling.parts_needed(float(r["share"]), float(r["confidence"]), int(r["failures"])) != int(r["parts"])]
    assert not wrong


def few_bad(n: int, failures: int, share: Fraction) -> Fraction:
    return sum((math.comb(n, i) * (1 - share) ** i * share ** (n - i) for i in range(failures + 1)), Fraction(0))


@pytest.mark.parametrize(("share", "confidence", "failures"), [
    ("0.9", "0.19", 0), ("0.5", "0.75", 0), ("0.8", "0.9", 3), ("0.95", "0.5", 1), ("0.99", "0.6", 0),
    ("0.7", "0.99", 7), ("0.5", "0.5", 0), ("0.5", "0.5", 1),
])  # fmt: skip
def test_parts_needed_by_exact_fractions(share: str, confidence: str, failures: int) -> None:
    # ties among them: 0.9 twice is 0.81, 0.5 twice 0.25; of 3 tosses one head or none has just 1/2
    n = sampling.parts_needed(float(share), float(confidence), failures)
    allowed = 1 - Fraction(confidence)
    assert few_bad(n, failures, Fraction(share)) <= allowed
    assert n == failures + 1 or few_bad(n - 1, failures, Fraction(share)) > allowed


@pytest.mark.parametrize(("given", "words"), [
    ((95, 0.9), "share 95: give a fraction between 0 and 1, 0.95 for 95 %"), ((0.9, 1.0), "confidence 1"),
    ((0.0, 0.9), "share 0"), ((0.9, 0.9, -1), "failures -1"), ((0.9, 0.9, 1.5), "whole number"),
    ((1 - 1e-12, 0.9), "more than 1e"),
])  # fmt: skip
def test_claims_that_nothing_proves(given: tuple[float, ...], words: str) -> None:
    with pytest.raises(DataError, match=words.replace("(", r"\(")):
        sampling.parts_needed(*given)


def test_what_is_proven_is_what_is_needed() -> None:
    for failures, n in ((0, 22), (2, 60), (5, 100)):
        share = sampling.proven_share(n, failures, 0.9)
        assert sampling.parts_needed(share * (1 - 1e-9), 0.9, failures) == n
        assert sampling.parts_needed(min(share * (1 + 1e-6), 0.9999), 0.9, failures) == n + 1
    assert sampling.proven_share(3, 3, 0.9) == 0.0


def test_values_needed_by_printed_tolerance_factors() -> None:
    # one-sided factors, 95 % of all with 95 % confidence: n = 10 2.911, n = 20 2.396 (NIST/SEMATECH e-Handbook 7.2.6.3
    # and common tables): a distance just at the factor needs that n
    assert proofs.values_needed(2.912, 0.95, 0.95) == 10
    assert proofs.values_needed(2.910, 0.95, 0.95) == 11
    assert proofs.values_needed(2.397, 0.95, 0.95) == 20
    assert proofs.values_needed(1.6, 0.95, 0.95) is None  # below the normal quantile 1.645: never


def test_a_normal_room_is_proven_by_its_tolerance_bound() -> None:
    from holeqc.statistics.indices import one_sided_factor

    room = np.random.default_rng(3).normal(3.0, 1.0, 40)
    found = proofs.prove(room, 0.95, 0.9)
    assert found.how == proofs.NORMAL
    # second route: at the proven share the factor of ISO 16269-6 is just the distance
    assert one_sided_factor(40, found.share, 0.9) == pytest.approx(found.distance, rel=1e-9)
    assert found.counted == pytest.approx(0.1 ** (1 / 40))
    less = proofs.prove(room - 0.5, 0.95, 0.9)  # U taken off
    assert less.share < found.share


def test_room_that_shows_no_shape_is_counted() -> None:
    assert proofs.prove([1.0] * 30, 0.95, 0.9).how == proofs.ORDER
    few = proofs.prove([3.0, 2.0, 2.5], 0.95, 0.9)
    assert (few.how, few.share, few.needed) == (proofs.ORDER, pytest.approx(0.1 ** (1 / 3)), 45)
    assert proofs.prove([], 0.95, 0.9).share == 0.0
    assert proofs.prove([2.0, -1e-3] + [2.0] * 3, 0.95, 0.9).bad == 1


@pytest.mark.parametrize("law", ["least of eight", "seating"])
def test_the_own_distribution_keeps_its_promise(law: str) -> None:
    # 90 % promised: of 24 fewer than 18 hold once in a thousand. More of it: tests/benchmarks/coverage_sampling.py
    rng = np.random.default_rng(11)
    draws = {
        "least of eight": lambda n: rng.normal(size=(n, 8)).min(axis=1) + 3.3,
        "seating": lambda n: (3.2 - abs(rng.normal(size=(n, 1))) - 0.6 * abs(rng.normal(size=(n, 8)))).min(axis=1),
    }[law]
    true = float((draws(200_000) >= 0).mean())
    proven = np.array([proofs.prove(draws(16), 0.95, 0.9, own=True).share for _ in range(24)])
    assert np.count_nonzero(proven <= true) >= 18
    assert np.median(proven) > 0.7  # and isn't won by claiming nothing


def test_size_between_two_limits_takes_what_is_bad_on_either_side() -> None:
    room = np.random.default_rng(5).normal(2.4, 1.0, 60)
    one, both = proofs.prove(room, 0.975, 0.95), proofs.prove_between(room, room[::-1] + 0.1, 0.95, 0.9)
    assert both.share < one.share
    assert both.n == 60
    assert both.bad == np.count_nonzero(np.minimum(room, room[::-1] + 0.1) < 0)


def test_position_from_two_coordinates() -> None:
    rng = np.random.default_rng(2)
    off, radius = rng.normal(0, 1, (40, 2)), np.full(40, 3.5)
    found = proofs.prove_position(off, radius, 0.95, 0.9)
    true = 1 - math.exp(-(3.5**2) / 2)  # Rayleigh
    assert found.how == proofs.CIRCLE
    assert 0.95 < found.share < true
    assert proofs.prove_position(off, radius - 0.5, 0.95, 0.9).share < found.share
    slipped = np.vstack([off, [[2.0, 9.0]]])
    assert proofs.prove_position(slipped, np.full(41, 3.5), 0.95, 0.9).how == proofs.ORDER
    assert proofs.prove_position(slipped, np.full(41, 3.5), 0.95, 0.9).bad == 1


def test_parts_are_the_unit_whatever_their_holes_share() -> None:
    state = np.zeros((45, 30), dtype=int)
    found = proofs.prove_parts(state, np.zeros(30, dtype=int), 0.95, 0.9)
    assert (found.counted, found.more) == (45, 0)
    assert found.share == pytest.approx(0.1 ** (1 / 45))
    state[7, 3] = state[7, 9] = BAD  # one part, twice
    assert proofs.prove_parts(state, np.zeros(30, dtype=int), 0.95, 0.9).more == 77 - 45
    state[8, 0] = UNREAD
    found = proofs.prove_parts(state, np.zeros(30, dtype=int), 0.95, 0.9)
    assert (found.counted, found.grounds[0].unread) == (44, 1)


def test_after_an_event_what_it_touched_is_proven_anew() -> None:
    state, first = np.zeros((50, 4), dtype=int), np.array([0, 0, 30, 0])
    found = proofs.prove_parts(state, first, 0.95, 0.9)
    assert (found.counted, found.more) == (20, 25)  # as 20 parts alone, by which everything is proven
    # read since in what was touched only: two grounds at 95 %, what may be bad by each is added
    state[30:, [0, 1, 3]] = UNREAD
    found = proofs.prove_parts(state, first, 0.95, 0.9)
    assert [g.counted for g in found.grounds] == [30, 20]
    assert found.share == pytest.approx(1 - (1 - 0.05 ** (1 / 30)) - (1 - 0.05 ** (1 / 20)))


def test_an_event_elsewhere_forgives_nothing() -> None:
    state, first = np.zeros((50, 2), dtype=int), np.array([0, 30])
    state[[2, 5, 9], 0] = BAD
    clean = proofs.prove_parts(np.zeros((50, 2), dtype=int), first, 0.95, 0.9)
    found = proofs.prove_parts(state, first, 0.95, 0.9)
    assert found.share < clean.share
    assert found.bad == 3
    state[:, 0], state[[2, 5, 9], 1] = GOOD, BAD  # bad in what was changed: that is behind
    assert proofs.prove_parts(state, first, 0.95, 0.9).bad == 0


def test_the_room_loads_at_once() -> None:
    code = (
        "import sys, holeqc\n"
        "assert holeqc.sampling.parts_needed\n"
        "heavy = {'pandas', 'scipy', 'matplotlib', 'sqlalchemy', 'openpyxl', 'typer'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = sampling.nothing
