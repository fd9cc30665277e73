"""What rests on a suspect gauge or fixture, and how verdicts change. Expected verdicts: hand arithmetic on the limits.

Sizes lie in 0.455 to 0.462 where accepted. A gauge that reads e too large gave size + e: the true size is reading - e.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop import GOOD, LARGE, Shop, place

from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import approve, withdraw
from holeqc.ledger.equipment import (
    BAD,
    Calibration,
    Suspects,
    doubt_of,
    fixture_events,
    fixture_suspects,
    gauge_suspects,
    last_good_check,
    record_calibration,
    record_fixture_event,
    times_of_doubt,
)
from holeqc.ledger.read_back import inspection_again, judge_again
from holeqc.ledger.stories import newest_parts
from holeqc.problems import LedgerError

SINCE = dt.date(2026, 11, 1)


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def verdicts(found: Suspects) -> dict[str, tuple[str, str]]:
    return {p.serial: (p.verdict, p.after) for p in found.parts}


def test_verdicts_without_the_error(shop: Shop) -> None:
    shop.record("P-1", GOOD)  # 0.457 - 0.0015 = 0.4555: still inside
    shop.record("P-2", {"1": (0.4560, 0.4565), "2": (0.459, 0.460)})  # 0.4560 - 0.0015 = 0.4545, yet GO enters
    shop.record("P-3", {"1": (0.4570, 0.4580), "2": (0.4625, 0.460)})  # 0.4625 - 0.0015 = 0.4610: inside
    shop.record("P-4", GOOD, day="2026-10-30")  # before the gauge went bad
    found = gauge_suspects(shop.ledger, "G1", SINCE, error=0.0015, unit="in")
    assert verdicts(found) == {"P-1": ("accept", "accept"), "P-2": ("accept", "hold"), "P-3": ("reject", "accept")}
    assert [p.changed for p in found.parts] == [False, True, True]
    assert [p.readings for p in found.parts] == [4, 4, 4]
    changes = {p.serial: p.changes for p in found.parts}
    assert changes["P-1"] == ()
    assert "hole 1 accept → hold" in changes["P-2"][0]
    assert "0.4545" in changes["P-2"][0]
    assert changes["P-3"] == ("hole 2 reject → accept",)
    # the record itself stands as it was
    assert [row["verdict"] for row in newest_parts(shop.ledger)] == ["accept", "accept", "reject", "accept"]


def test_error_in_the_other_unit_and_sign(shop: Shop) -> None:
    shop.record("P-1", {"1": (0.457, 0.458), "2": (0.4610, 0.460)})
    # 0.0508 mm is 0.002 in; a gauge that reads that much too small: true 0.4610 + 0.002 = 0.4630, too large
    found = gauge_suspects(shop.ledger, "G1", SINCE, error=-0.0508, unit="mm")
    assert verdicts(found) == {"P-1": ("accept", "reject")}
    # on the limit is inside: 0.4610 + 0.0010 = 0.4620
    found = gauge_suspects(shop.ledger, "G1", SINCE, error=-0.001, unit="in")
    assert verdicts(found) == {"P-1": ("accept", "accept")}


def test_without_an_error_readings_are_doubtful_and_hold(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    shop.record("P-2", LARGE)
    found = gauge_suspects(shop.ledger, "G1", SINCE)
    assert found.error is None
    assert verdicts(found)["P-1"] == ("accept", "hold")
    assert "isn't known" in found.notes[0]


def test_the_error_of_the_last_bad_calibration_counts(shop: Shop) -> None:
    shop.record("P-1", {"1": (0.4560, 0.4565), "2": (0.459, 0.460)})
    day = dt.date(2026, 11, 20)
    record_calibration(shop.ledger, Calibration("G1", day, BAD, error=0.0015, unit="in"), "gauge room")
    found = gauge_suspects(shop.ledger, "G1", SINCE)
    assert (found.error, found.unit) == (0.0015, "in")
    assert verdicts(found) == {"P-1": ("accept", "hold")}  # 0.4560 - 0.0015 is smaller than the GO plug that enters


def test_a_plug_s_word_cannot_be_corrected(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    found = gauge_suspects(shop.ledger, "P1", SINCE, error=0.0001, unit="in")
    (part,) = found.parts
    assert (part.readings, part.verdict, part.after) == (2, "accept", "hold")


def test_gauge_that_the_plan_names_counts_where_the_sheet_names_none(shop: Shop) -> None:
    shop.record("P-1", GOOD, gauge="")
    shop.record("P-2", GOOD, gauge="G2", day="2026-06-01")
    assert list(verdicts(gauge_suspects(shop.ledger, "G1", SINCE, error=0.0001))) == ["P-1"]
    assert list(verdicts(gauge_suspects(shop.ledger, "G2", dt.date(2026, 6, 1), error=0.0001))) == ["P-2"]
    assert gauge_suspects(shop.ledger, "G2", SINCE).parts == ()
    with pytest.raises(LedgerError, match="no recorded kit or reading names gauge 'G9'"):
        gauge_suspects(shop.ledger, "G9", SINCE)


def test_approved_sets_stay_in_question_after_newer_readings(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    done = approve(shop.ledger, "P-1", "41")
    shop.record("P-1", GOOD, day="2026-11-04")
    found = gauge_suspects(shop.ledger, "G1", SINCE, error=0.0001)
    assert [(p.inspection_id, p.approved, p.approval) for p in found.parts] == [
        (done.inspection["id"], True, done.entry.seq), (done.inspection["id"] + 1, False, None),
    ]  # fmt: skip
    withdraw(shop.ledger, "P-1", "7", "gauge G1")
    assert len(gauge_suspects(shop.ledger, "G1", SINCE, error=0.0001).parts) == 1


def test_judged_again_is_as_recorded(shop: Shop) -> None:
    ids = [
        next(iter(shop.record(f"P-{n}", sizes).recorded.inspections.values()))
        for n, sizes in enumerate((GOOD, LARGE, {"1": (None, 0.457), "2": (0.459, 0.46)}), 1)
    ]
    assert [judge_again(shop.ledger, ids)[n].verdict for n in ids] == ["accept", "reject", "hold"]
    alone = inspection_again(shop.ledger, ids[1])
    assert list(alone.parts["serial"].astype(str)) == ["P-2"]
    with pytest.raises(LedgerError, match="no inspection 99"):
        judge_again(shop.ledger, [99])


def test_fixture_between_its_last_good_check_and_now(shop: Shop) -> None:
    for n, day in enumerate(("2026-10-30", "2026-11-03", "2026-11-05"), 1):
        shop.record(f"P-{n}", GOOD, day=day)
    now = dt.date(2026, 11, 6)
    everything = fixture_suspects(shop.ledger, "DF-2", until=now)
    assert [p.serial for p in everything.parts] == ["P-1", "P-2", "P-3"]
    assert "no good check" in everything.notes[0]
    record_fixture_event(shop.ledger, "DF-2", "checked", dt.date(2026, 11, 1), "engineer", good=True)
    record_fixture_event(shop.ledger, "DF-2", "checked", dt.date(2026, 11, 4), "engineer", good=False)
    found = fixture_suspects(shop.ledger, "DF-2", until=now)
    assert (found.since, [p.serial for p in found.parts]) == ("2026-11-01", ["P-2", "P-3"])
    assert [p.after for p in found.parts] == ["", ""]
    early = fixture_suspects(shop.ledger, "DF-2", until=dt.date(2026, 11, 4))
    assert [p.serial for p in early.parts] == ["P-2"]
    with pytest.raises(LedgerError, match="DF-9"):
        fixture_suspects(shop.ledger, "DF-9")
    assert last_good_check(fixture_events(shop.ledger, "DF-2"), dt.date(2026, 10, 1)) is None


@pytest.mark.parametrize("kit_due", [None, dt.date(2026, 1, 31)])
def test_the_times_of_doubt_are_those_of_each_day(kit_due: dt.date | None) -> None:
    said = [("2026-03-01", "2026-05-01", 0), ("2026-06-01", "", 1), ("2026-06-01", "2026-09-01", 0),
            ("2026-08-01", "2026-08-31", 0), ("2026-11-01", "2027-11-01", 1)]  # fmt: skip
    known = [{"id": n, "day": day, "due": due, "result": ("in tolerance", BAD)[bad]} for n, (day, due, bad) in
             enumerate(said)]  # fmt: skip
    for count in range(len(known) + 1):
        times = times_of_doubt("G1", known[:count], kit_due)
        for n in range(400):
            day = (dt.date(2026, 1, 1) + dt.timedelta(days=n)).isoformat()
            doubt = doubt_of("G1", day, known[:count], kit_due)
            assert any(first <= day < end for first, end in times) == (doubt is not None), day


def test_what_makes_no_sense_is_refused(shop: Shop) -> None:
    head = shop.ledger.head()
    for bad, words in (
        (Calibration("", SINCE, BAD), "name the gauge"),
        (Calibration("G1", SINCE, "so so"), "not known"),
        (Calibration("G1", SINCE, BAD, error=0.001), "unit"),
        (Calibration("G1", SINCE, BAD, due=dt.date(2026, 1, 1)), "before"),
    ):
        with pytest.raises(LedgerError, match=words):
            record_calibration(shop.ledger, bad, "gauge room")
    with pytest.raises(LedgerError, match="good or not good"):
        record_fixture_event(shop.ledger, "DF-2", "checked", SINCE, "engineer")
    with pytest.raises(LedgerError, match="not known"):
        record_fixture_event(shop.ledger, "DF-2", "kicked", SINCE, "engineer")
    assert shop.ledger.head() == head
