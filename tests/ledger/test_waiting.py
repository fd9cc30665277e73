"""What waits for somebody: each part stands where its record puts it. Limits of size are 0.455 to 0.462."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from shop import AGAIN, GOOD, LARGE, SMALL, THIRD, Shop, place

from holeqc.answers.check import record_run
from holeqc.inspection.recheck import inspect
from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import approve, waiting
from holeqc.ledger.equipment import (
    BAD,
    Calibration,
    Forecast,
    calibrations,
    doubt_of,
    forecasts,
    record_calibration,
    record_fixture_event,
    record_forecast,
)
from holeqc.ledger.schema import CALIBRATION_RESULTS
from holeqc.ledger.stories import close_questions
from holeqc.ledger.tags import dispose, reworked
from holeqc.problems import LedgerError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.reports.pages import html_page
from holeqc.reports.record import as_json, waiting_report, waiting_text, when
from holeqc.specification.load import load_specification

TODAY = dt.date(2026, 12, 10)


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def test_what_waits_is_listed_with_the_next_command(shop: Shop, fits_windows: Callable[[str], None]) -> None:
    assert waiting_text(waiting(shop.ledger, TODAY)) == "Nothing waits.\n"
    shop.record("P-1", GOOD)
    shop.record("P-2", AGAIN)
    (reject,) = shop.record("P-3", LARGE).tags
    (hold,) = shop.record("P-4", {"1": (0.457, None), "2": (0.459, 0.460)}).tags
    (scrapped,) = shop.record("P-5", {"1": (0.463, 0.463), "2": (0.459, 0.460)}).tags
    dispose(shop.ledger, scrapped, "scrap", "engineer", "beyond rework")
    approve(shop.ledger, "P-1", "41")
    record_calibration(shop.ledger, Calibration("G1", dt.date(2026, 11, 20), BAD), "gauge room")
    shop.record("P-6", THIRD, revision="B", released=False)
    found = waiting(shop.ledger, TODAY)
    assert [q.serial for q in found.questions] == ["P-1"]
    assert [tag.number for tag in found.tags] == [reject, hold]
    assert found.held == ()  # P-4 has its tag
    assert found.ready == ()
    assert [serials for serials, _, _ in found.blocked] == [("P-2", "P-6")]  # read with the gauge that was found off
    assert "P-2, P-6, gauge G1 read on 2026-11-03 and was found out of tolerance" in waiting_text(found)
    # G2 was due on 2026-06-30; P1 is due on the last day of the year, 21 days from the day asked for; G1 is off
    assert found.gauges == (("G2", "2026-06-30", True), ("P1", "2026-12-31", False))
    assert found.off == (("G1", "2026-11-20"),)
    assert "G1, found out of tolerance on 2026-11-20: keep it off the bench" in waiting_text(found)
    assert found.kits == (("K2", "B"),)
    text = waiting_text(found)
    age = (TODAY - dt.date.fromisoformat(when(found.tags[0].row)[:10])).days
    assert f"{reject}, {max(age, 0)} day" in text
    assert f"holeqc disposition {reject} --as" in text
    assert "plate P-4, hole 1, hold: holeqc sheet --recheck" in text
    assert "G2, calibration was due on 2026-06-30: take it off the bench" in text
    assert "read the part again with another gauge and record the sheet; or holeqc question P-1 --by WHO" in text
    assert found.not_for_use == 0
    page = html_page(waiting_report(found))
    for word in (reject, hold, "P-1", "P-4", "G2", "K2 revision B", "read again and record the sheet"):
        assert word in page
    assert "<script" not in page
    fits_windows(page)


def test_what_nothing_stands_in_the_way_of_is_ready(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    shop.record("P-2", AGAIN)
    assert [row["serial"] for row in waiting(shop.ledger, TODAY).ready] == ["P-1", "P-2"]
    approve(shop.ledger, "P-1", "41")
    assert [row["serial"] for row in waiting(shop.ledger, TODAY).ready] == ["P-2"]


def test_what_is_accepted_and_cannot_be_approved_is_never_out_of_sight(shop: Shop) -> None:
    for number in range(4):
        shop.record(f"P-{number}", {"1": (0.457 + number / 2000, 0.458), "2": (0.459, 0.4571 + number / 1000)})
    shop.record("P-9", LARGE, tags=False)
    shop.record("P-8", AGAIN, revision="B")
    found = waiting(shop.ledger, TODAY)
    assert [row["serial"] for row in found.ready] == ["P-8"]
    old, untold = sorted(found.blocked, key=lambda one: -len(one[0]))
    assert old[0] == ("P-0", "P-1", "P-2", "P-3")
    assert "revision B is the one released" in old[1]
    assert untold[0] == ("P-9",)
    assert "hole 2 is rejected and no tag was written for it" in untold[1]
    assert "P-0, P-1, P-2 and 1 more part, judged under" in waiting_text(found)


def test_a_closed_question_stays_closed_when_the_gauge_is_good_again(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    approve(shop.ledger, "P-1", "41")
    bad = Calibration("G1", dt.date(2026, 11, 20), BAD, error=0.0001, unit="in")
    record_calibration(shop.ledger, bad, "gauge room")
    close_questions(shop.ledger, "P-1", "42", "far inside its limits")
    assert waiting(shop.ledger, TODAY).questions == ()
    record_calibration(shop.ledger, Calibration("G1", dt.date(2026, 11, 21), CALIBRATION_RESULTS[0]), "gauge room")
    assert waiting(shop.ledger, TODAY).questions == ()


def test_a_recorded_forecast_counts_down_with_the_parts_that_are_recorded_after_it(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    record_forecast(shop.ledger, "DF-2", [("B1", "size, upper limit", 40), ("B2", "pins", 32)], "engineer")
    assert waiting(shop.ledger, TODAY).fixtures == ()  # none within 30 parts
    shop.record("P-2", AGAIN)
    shop.record("P-1", THIRD, day="2026-11-04")  # read again, no new part
    assert [(f.bushing, f.left) for f in forecasts(shop.ledger)] == [("B2", 31), ("B1", 39)]
    shop.record("P-3", THIRD, name="third.csv")
    (near,) = waiting(shop.ledger, TODAY).fixtures
    assert (near.fixture, near.bushing, near.left) == ("DF-2", "B2", 30)
    text = waiting_text(waiting(shop.ledger, TODAY))
    assert "DF-2, bushing B2, 30 parts left until pins, forecast of" in text
    record_fixture_event(shop.ledger, "df-2", "bushing changed", dt.date(2026, 11, 5), "engineer", bushing="B2")
    assert [f.bushing for f in forecasts(shop.ledger)] == ["B1"]
    record_forecast(shop.ledger, "DF-2", [("B9", "pins", -1)], "engineer")  # the last one counts
    (last,) = forecasts(shop.ledger)
    assert isinstance(last, Forecast)
    assert (last.bushing, last.left) == ("B9", -1)
    assert "no part left until pins" in waiting_text(waiting(shop.ledger, TODAY))


def test_a_tag_that_was_reworked_asks_for_readings_only(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    dispose(shop.ledger, tag, "rework", "engineer", "ream")
    assert f"hole 1, reject: rework, then holeqc sheet --recheck {tag}" in waiting_text(waiting(shop.ledger, TODAY))
    reworked(shop.ledger, tag, "bench 3", "reamed")
    assert f"hole 1, reject: holeqc sheet --recheck {tag}" in waiting_text(waiting(shop.ledger, TODAY))


def test_nobody_is_sent_to_read_a_scrapped_part(shop: Shop) -> None:
    hold, reject = shop.record("P-1", {"1": (0.457, None), "2": (0.463, 0.463)}).tags
    assert len(waiting(shop.ledger, TODAY).tags) == 2
    dispose(shop.ledger, reject, "scrap", "engineer", "beyond rework")
    found = waiting(shop.ledger, TODAY)
    assert (found.tags, found.held, found.not_for_use) == ((), (), 1)
    text = waiting_text(found)
    assert hold not in text
    assert "1 open tag of parts scrapped or returned: holeqc tags --open" in text


def test_a_part_in_question_is_shown_what_closes_it(shop: Shop) -> None:
    # errors taken out: 0.0001 leaves every verdict; 0.003 puts 0.457 - 0.003 below the limit of 0.455
    for serial, gauge, error in (("P-1", "G1", 0.0001), ("P-2", "G2", 0.003)):
        shop.record(serial, GOOD if serial == "P-1" else AGAIN, gauge=gauge, day="2026-06-10")
        approve(shop.ledger, serial, "41")
        bad = Calibration(gauge, dt.date(2026, 6, 20), BAD, error=error, unit="in")
        record_calibration(shop.ledger, bad, "gauge room")
    text = waiting_text(waiting(shop.ledger, TODAY))
    assert "plate P-1, gauge G1 read on 2026-06-10" in text
    first, second = (line for line in text.splitlines() if "  plate P-" in line and "next calibration" in line)
    assert first.endswith(": holeqc question P-1 --by WHO --reason TEXT")
    assert second.endswith(": read the part again with another gauge and record the sheet, or withdraw the approval")


def test_of_one_day_the_newest_finding_counts_and_none_is_hidden_by_a_good_one(shop: Shop) -> None:
    shop.record("P-1", GOOD, day="2026-06-10")
    day = dt.date(2026, 6, 20)
    for error in (-0.0006, -0.0001):  # 0.455 to 0.462: 0.460 + 0.0006 stays too, what is said of it is asked
        record_calibration(shop.ledger, Calibration("G1", day, BAD, error=error, unit="in"), "gauge room")
    record_calibration(shop.ledger, Calibration("G1", day, CALIBRATION_RESULTS[0]), "gauge room")  # as left
    doubt = doubt_of("G1", "2026-06-10", calibrations(shop.ledger), None)
    assert doubt is not None
    assert doubt.found_bad is not None
    assert doubt.found_bad["error"] == -0.0001
    assert doubt_of("G1", "2026-06-21", calibrations(shop.ledger), None) is None
    assert any("error -0.0001 in" in remark for remark in approve(shop.ledger, "P-1", "41").remarks)


def test_a_question_speaks_of_what_was_read_after_the_gauge_was_found_off_too(shop: Shop) -> None:
    # two sheets of one part make one inspection; the calibration is of a day between them, logged after the approval
    one = shop.sheet("P-1", {"1": GOOD["1"]}, day="2026-06-10")
    two = shop.sheet("P-1", {"2": GOOD["2"]}, day="2026-06-22")
    spec = load_specification(shop.kit())
    shop.release(spec)
    record_run(shop.ledger, inspect(spec, read_files([one, two], spec, ReadOptions(today=TODAY))), "bench 2")
    approve(shop.ledger, "P-1", "41")
    bad = Calibration("G1", dt.date(2026, 6, 20), BAD, error=0.0001, unit="in")
    record_calibration(shop.ledger, bad, "gauge room")
    (question,) = waiting(shop.ledger, TODAY).questions
    assert "read on 2026-06-10 and was found out of tolerance at its next" in question.sentence
    assert "was found out of tolerance on 2026-06-20 and read on 2026-06-22" in question.sentence
    with pytest.raises(LedgerError, match="it read after it was found off: every reading of gauge G1 is doubtful"):
        close_questions(shop.ledger, "P-1", "41", "0.0001 is harmless")


@pytest.mark.parametrize("number", [float("inf"), float("nan")])
def test_a_number_on_record_that_is_none_is_told(number: float) -> None:
    with pytest.raises(LedgerError, match="verify says where"):
        as_json({"left": [number]})
