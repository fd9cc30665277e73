"""Approval, withdrawal and the life of tags, on SQLite and, where a server is there, on PostgreSQL.

What must happen is what the rules of approval and disposition say; no outside source applies.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from runs import TODAY
from shop import AGAIN, GOOD, LARGE, THIRD, Shop, place

from holeqc.answers.check import record_run
from holeqc.inspection.recheck import inspect
from holeqc.inspection.tags import code_of, code_typed, tags_of
from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import ApprovalRefused, approve, newest_story, withdraw, worst_of
from holeqc.ledger.equipment import BAD, Calibration, record_calibration
from holeqc.ledger.equipment import GOOD as IN_TOLERANCE
from holeqc.ledger.stories import newest_parts, part_story, summary
from holeqc.ledger.tags import dispose, find_tag, find_tags, reworked
from holeqc.problems import LedgerError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

HALF = {"1": (0.457, None), "2": (0.459, 0.460)}
SMALL = {"1": (0.4545, 0.4546), "2": (0.459, 0.460)}

pytestmark = pytest.mark.usefixtures("first_day")


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def refused(shop: Shop, serial: str, by: str = "41") -> dict[str, list[str]]:
    """Return what stands in the way, by code; nothing may have been recorded."""
    head = shop.ledger.head()
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, serial, by)
    assert shop.ledger.head() == head
    found: dict[str, list[str]] = {}
    for problem in caught.value.problems:
        assert problem.serial == serial
        assert problem.action
        found.setdefault(problem.code, []).append(problem.message)
    return found


def events(shop: Shop, number: str) -> list[str]:
    return [str(event["event"]) for event in find_tag(shop.ledger, number).events]


def test_an_accepted_part_is_approved_once(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    done = approve(shop.ledger, "P-1", "41", role="inspector", note="first of the lot")
    story = newest_story(shop.ledger, "P-1")
    (row,) = story.approvals
    assert (row["made_by"], row["role"], row["note"]) == ("41", "inspector", "first of the lot")
    assert row["entry"] == done.entry.seq
    assert newest_parts(shop.ledger)[0]["approved"] == 1
    assert list(refused(shop, "P-1")) == ["approved-already"]
    assert shop.ledger.verify().holds


def test_what_is_not_recorded_is_refused(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    assert list(refused(shop, "P-2")) == ["not-recorded"]


def test_held_is_refused_until_the_evidence_is_there(shop: Shop) -> None:
    run = shop.record("P-1", HALF)
    assert len(run.tags) == 1
    found = refused(shop, "P-1")
    assert list(found) == ["held"]
    assert "hole 1: size is not read" in found["held"]
    with pytest.raises(LedgerError, match="the readings prove neither"):
        dispose(shop.ledger, run.tags[0], "use-as-is", "engineer", "looks fine", authority="EN-1")
    shop.record("P-1", GOOD)
    assert events(shop, run.tags[0]) == ["opened", "re-inspected", "closed"]
    approve(shop.ledger, "P-1", "41")


def test_every_obstacle_comes_at_once(shop: Shop) -> None:
    shop.record("P-1", {"1": (0.457, None), "2": (0.463, 0.460)}, by="41")
    shop.record("P-2", GOOD, gauge="G2", by="41", revision="B")
    assert set(refused(shop, "P-1", "41")) == {"rejected", "held", "old-revision", "same-person"}
    # G2's certificate ended on 2026-06-30, the readings are of November
    assert set(refused(shop, "P-2", "41")) == {"held", "gauge-out-of-calibration", "same-person"}


def test_rejected_needs_a_closed_disposition(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    assert list(refused(shop, "P-1")) == ["rejected"]
    with pytest.raises(LedgerError, match="authority"):
        dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge")
    with pytest.raises(LedgerError, match="reason"):
        dispose(shop.ledger, tag, "use-as-is", "engineer", " ", authority="EN-1")
    with pytest.raises(LedgerError, match="not known"):
        dispose(shop.ledger, tag, "ignore", "engineer", "why not")
    dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="EN-1")
    assert events(shop, tag) == ["opened", "dispositioned", "closed"]
    assert newest_story(shop.ledger, "P-1").row["verdict"] == "reject"
    approve(shop.ledger, "P-1", "41")
    with pytest.raises(LedgerError, match="locked"):
        dispose(shop.ledger, tag, "scrap", "engineer", "second thought")


@pytest.mark.parametrize("what", ["scrap", "return"])
def test_what_is_not_for_use_is_never_approved(shop: Shop, what: str) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    dispose(shop.ledger, tag, what, "engineer", "beyond rework")
    assert find_tag(shop.ledger, tag).closed
    assert list(refused(shop, "P-1")) == ["not-for-use"]
    shop.record("P-1", GOOD)  # read until it passes: it stays scrap
    assert list(refused(shop, "P-1")) == ["not-for-use"]


def test_reading_until_it_passes_is_no_disposition(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    shop.record("P-1", GOOD)
    assert events(shop, tag) == ["opened", "re-inspected"]
    assert list(refused(shop, "P-1")) == ["tag-open"]
    shop.record("P-1", HALF)  # nor does a hold in between wash it off
    shop.record("P-1", AGAIN, name="again.csv", day="2026-11-04")
    assert list(refused(shop, "P-1")) == ["tag-open"]
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")
    assert list(refused(shop, "P-1")) == ["tag-open"]  # readings taken before anybody decided prove no rework
    shop.record("P-1", THIRD, name="reamed.csv", day="2026-11-05")
    assert find_tag(shop.ledger, tag).closed
    approve(shop.ledger, "P-1", "41")


def test_rework_is_tied_to_its_tag(shop: Shop) -> None:
    first = shop.record("P-1", {"1": (0.4545, 0.4546), "2": (0.459, 0.460)})
    (tag,) = first.tags
    with pytest.raises(LedgerError, match="nobody has said"):
        reworked(shop.ledger, tag, "bench 2")
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")
    reworked(shop.ledger, tag, "bench 2", "reamed")
    assert list(refused(shop, "P-1")) == ["rejected"]
    second = shop.record("P-1", {"1": (0.4574, 0.4575), "2": (0.459, 0.460)})
    state = find_tag(shop.ledger, tag)
    assert [e["event"] for e in state.events] == ["opened", "dispositioned", "reworked", "re-inspected", "closed"]
    assert state.events[-1]["inspection_id"] == second.recorded.inspections["plate", "P-1"]
    story = newest_story(shop.ledger, "P-1")
    assert story.row["follows"] == first.recorded.inspections["plate", "P-1"]
    approve(shop.ledger, "P-1", "41")


def test_rework_that_fails_goes_on_as_a_new_tag(shop: Shop) -> None:
    (tag,) = shop.record("P-1", {"1": (0.4545, 0.4546), "2": (0.459, 0.460)}).tags
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")
    (new,) = shop.record("P-1", {"1": (0.4630, 0.4630), "2": (0.459, 0.460)}).tags
    state = find_tag(shop.ledger, tag)
    assert state.closed
    assert new in state.events[-1]["note"]
    assert [t.number for t in find_tags(shop.ledger, only_open=True)] == [new]
    found = refused(shop, "P-1")
    assert list(found) == ["rejected"]
    assert new in found["rejected"][0]


def test_a_disposition_is_replaced_by_one_that_names_it(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    first = dispose(shop.ledger, tag, "rework", "engineer", "ream")
    second = dispose(shop.ledger, tag, "scrap", "engineer", "no room to ream")
    story = newest_story(shop.ledger, "P-1")
    assert [e["disposition"] for e in story.tags[0].events] == ["", "rework", "scrap", ""]
    found = [r for r in entries(shop) if r["seq"] == second.seq]
    assert found[0]["replaces"] == first.seq
    assert found[0]["reason"] == "no room to ream"
    with pytest.raises(LedgerError, match="can't bring the part back"):
        dispose(shop.ledger, tag, "rework", "engineer", "try anyway")


@pytest.mark.parametrize("final", ["scrap", "return"])
def test_a_closed_tag_takes_no_new_disposition(shop: Shop, final: str) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    old = dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="EN-1")
    head = shop.ledger.head()
    with pytest.raises(LedgerError, match=f"closed by disposition use-as-is, entry {old.seq}.*--supersede"):
        dispose(shop.ledger, tag, final, "engineer", "second thought")
    with pytest.raises(LedgerError, match="stands already"):
        dispose(shop.ledger, tag, "use-as-is", "engineer", "again", authority="EN-2", supersede=True)
    assert shop.ledger.head() == head
    gone = dispose(shop.ledger, tag, final, "engineer", "edge too small after all", supersede=True)
    entry = entries(shop)[gone.seq - 1]
    assert (entry["replaces"], entry["reason"]) == (old.seq, "edge too small after all")
    assert list(refused(shop, "P-1")) == ["not-for-use"]
    head = shop.ledger.head()
    for way in ({}, {"supersede": True}):  # final, whatever is typed; only with an authority is it a slip
        with pytest.raises(LedgerError, match="can't bring the part back"):
            dispose(shop.ledger, tag, "rework", "engineer", "bring it back", **way)
    with pytest.raises(LedgerError, match="can't bring the part back"):
        dispose(shop.ledger, tag, "use-as-is", "engineer", "bring it back", authority="EN-1")
    assert shop.ledger.head() == head
    assert list(refused(shop, "P-1")) == ["not-for-use"]


def test_a_slip_in_a_final_disposition_opens_the_tag_again(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    wrong = dispose(shop.ledger, tag, "scrap", "engineer", "no room")
    assert (newest_parts(shop.ledger)[0]["open_tags"], summary(shop.ledger).open_tags) == (0, 0)
    dispose(shop.ledger, tag, "rework", "engineer", "T-2 was meant", authority="MRB-7", supersede=True)
    state = find_tag(shop.ledger, tag)
    assert (state.closed, state.disposition) == (False, "rework")
    assert state.events[-1]["note"] == f"in place of entry {wrong.seq}: T-2 was meant"
    assert [t.number for t in find_tags(shop.ledger, only_open=True)] == [tag]
    assert (newest_parts(shop.ledger)[0]["open_tags"], summary(shop.ledger).open_tags) == (1, 1)
    assert list(refused(shop, "P-1")) == ["rejected"]
    shop.record("P-1", GOOD)  # tied to it like to any open tag
    assert events(shop, tag) == [
        "opened", "dispositioned", "closed", "dispositioned", "re-inspected", "closed",
    ]  # fmt: skip
    assert find_tags(shop.ledger, only_open=True) == []


@pytest.mark.parametrize("word", ["-", ".", "n/a", "N.A.", " none ", "OK", "…", "x"])
def test_what_is_no_reference_is_no_authority(shop: Shop, word: str) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    with pytest.raises(LedgerError, match="--authority EO-2"):
        dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority=word)
    assert events(shop, tag) == ["opened"]
    dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="7")
    assert find_tag(shop.ledger, tag).authority == "7"


@pytest.mark.parametrize("what", ["use-as-is", "repair"])
def test_who_logged_or_read_leaves_no_nonconformance(shop: Shop, what: str) -> None:
    (tag,) = shop.record("P-1", LARGE, by="41", read_by="Bench 7").tags
    for name, did in ((" 41", "logged"), ("BENCH-7", "read")):
        with pytest.raises(LedgerError, match=f"{did} the readings of tag {tag}"):
            dispose(shop.ledger, tag, what, name, "ample edge", authority="EN-1")
    dispose(shop.ledger, tag, "return", "41", "leaves nothing in the part, so it is free")
    dispose(shop.ledger, tag, what, "engineer", "ample edge", authority="EN-1", supersede=True)
    (other,) = shop.record("P-2", LARGE, by="41", revision="B", more="[approval]\ntwo_person = false\n").tags
    dispose(shop.ledger, other, what, "41", "ample edge", authority="EN-1")


def entries(shop: Shop) -> list[dict[str, object]]:
    from sqlalchemy import select

    from holeqc.ledger.schema import ENTRY

    return shop.ledger.rows(select(ENTRY).order_by(ENTRY.c.seq))


@pytest.mark.parametrize("by", ["bench 2", " Bench  2", "BENCH-2"])
def test_two_persons(shop: Shop, by: str) -> None:
    shop.record("P-1", GOOD, by="bench 2")
    assert list(refused(shop, "P-1", by)) == ["same-person"]
    approve(shop.ledger, "P-1", "bench 20")


def test_who_read_counts_as_well_and_the_kit_may_waive_it(shop: Shop) -> None:
    shop.record("P-1", GOOD, by="clerk", read_by="41")
    assert list(refused(shop, "P-1", "41")) == ["same-person"]
    shop.record("P-2", GOOD, by="41", revision="B", more="[approval]\ntwo_person = false\n")
    approve(shop.ledger, "P-2", "41")


def test_old_revision(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    shop.record("P-2", GOOD, revision="B")
    found = refused(shop, "P-1")
    assert list(found) == ["old-revision"]
    assert "revision B" in found["old-revision"][0]
    approve(shop.ledger, "P-2", "41")
    # a text that is recorded and not released changes nothing; one that is released does
    shop.record("P-3", GOOD, revision="C", released=False)
    assert list(refused(shop, "P-3")) == ["old-revision"]
    withdraw(shop.ledger, "P-2", "7", "look again")
    approve(shop.ledger, "P-2", "41")


def test_changed_file_is_a_new_inspection_that_names_the_approved_one(shop: Shop) -> None:
    shop.record("P-1", GOOD, name="p1.csv")
    done = approve(shop.ledger, "P-1", "41")
    run = shop.record("P-1", {"1": (0.457, 0.458), "2": (0.459, 0.461)}, name="p1.csv")
    assert any(f"entry {done.entry.seq} is locked" in note for note in run.notes)
    story = part_story(shop.ledger, "P-1")
    assert [one.row["follows"] for one in story.inspections] == [None, done.inspection["id"]]
    assert [len(one.approvals) for one in story.inspections] == [1, 0]
    assert newest_parts(shop.ledger)[0]["approved"] == 0


def test_withdrawal_is_a_new_entry_and_nothing_is_erased(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    with pytest.raises(LedgerError, match="no approval stands"):
        withdraw(shop.ledger, "P-1", "7", "gauge found wrong")
    done = approve(shop.ledger, "P-1", "41")
    with pytest.raises(LedgerError, match="reason"):
        withdraw(shop.ledger, "P-1", "7", "")
    entry = withdraw(shop.ledger, "P-1", "7", "gauge found wrong")
    (row,) = newest_story(shop.ledger, "P-1").approvals
    assert (row["entry"], row["withdrawn_by"], row["withdrawn_because"]) == (done.entry.seq, "7", "gauge found wrong")
    assert entries(shop)[entry.seq - 1]["replaces"] == done.entry.seq
    again = approve(shop.ledger, "P-1", "41")
    assert len(newest_story(shop.ledger, "P-1").approvals) == 2
    assert again.entry.seq == entry.seq + 1
    assert shop.ledger.verify().holds


@pytest.mark.parametrize(("error", "stands"), [(0.0002, False), (-0.0004, False), (0.0021, True), (None, True)])
def test_gauge_found_out_of_tolerance_later(shop: Shop, error: float | None, stands: bool) -> None:
    # smallest size 0.457, lower limit 0.455: an error of 0.0021 leaves 0.4549, outside, while the GO that entered says
    # otherwise, which holds; one of 0.0002 changes nothing, nor does -0.0004 (largest 0.4604, upper limit 0.462)
    shop.record("P-1", GOOD, day="2026-11-03")
    bad = Calibration("G1", dt.date(2026, 11, 20), BAD, error=error, unit="in" if error else "")
    seq = record_calibration(shop.ledger, bad, "gauge room").seq
    if stands:
        found = refused(shop, "P-1")
        assert list(found) == ["gauge-out-of-calibration"]
        assert "the verdict is hold" in found["gauge-out-of-calibration"][0]
        return
    done = approve(shop.ledger, "P-1", "41", note="lot 7")
    said = (
        f"gauge G1 was found out of tolerance on 2026-11-20, error {error:+.4f} in, entry {seq}; with its error taken "
        "out every verdict stays"
    )
    assert done.remarks == (said,)
    assert newest_story(shop.ledger, "P-1").approvals[0]["note"] == f"lot 7; {said}"


def test_a_found_error_that_changes_one_hole_stands_in_the_way(shop: Shop) -> None:
    # hole 2 is too large either way and used as it is; 0.4615 + 0.0006 = 0.4621 makes hole 1 too large as well, so the
    # part's verdict stays reject while a hole's doesn't
    (tag,) = shop.record("P-1", {"1": (0.4615, 0.4600), "2": (0.4625, 0.460)}).tags
    dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="EN-1")
    bad = Calibration("G1", dt.date(2026, 11, 20), BAD, error=-0.0006, unit="in")
    record_calibration(shop.ledger, bad, "gauge room")
    found = refused(shop, "P-1")
    assert list(found) == ["gauge-out-of-calibration"]
    assert found["gauge-out-of-calibration"][0].endswith("with its error taken out hole 1 is reject")


def test_an_approval_says_with_which_nonconformance(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="EO-2")
    assert approve(shop.ledger, "P-1", "41").released == "use-as-is, EO-2"
    (tag,) = shop.record("P-2", LARGE).tags
    dispose(shop.ledger, tag, "repair", "engineer", "bush it", authority="EO-3")
    shop.record("P-2", GOOD, day="2026-11-04")
    assert approve(shop.ledger, "P-2", "41").released == "repair, EO-3"
    shop.record("P-3", GOOD)
    assert approve(shop.ledger, "P-3", "41").released == ""


def test_who_decided_or_reworked_does_not_approve(shop: Shop) -> None:
    (tag,) = shop.record("P-1", {"1": (0.4545, 0.4546), "2": (0.459, 0.460)}).tags
    dispose(shop.ledger, tag, "rework", "Engineer", "ream to 0.4575")
    reworked(shop.ledger, tag, "bench 4", "reamed")
    shop.record("P-1", {"1": (0.4574, 0.4575), "2": (0.459, 0.460)}, day="2026-11-04")
    told = (" engineer", f"engineer decided on tag {tag}"), ("BENCH-4", f"BENCH-4, who counts as 4, reworked tag {tag}")
    for by, did in told:
        assert refused(shop, "P-1", by) == {"same-person": [f"{did}; the kit asks for a second person"]}
    approve(shop.ledger, "P-1", "41")


def test_holds_are_told_once_a_cause(shop: Shop) -> None:
    shop.record("P-1", {"1": (0.457, None), "2": (0.459, None)})
    assert refused(shop, "P-1") == {"held": ["holes 1, 2: size is not read"]}


def test_a_hold_that_is_returned_asks_for_no_reading(shop: Shop) -> None:
    (tag,) = shop.record("P-1", HALF).tags
    dispose(shop.ledger, tag, "return", "engineer", "supplier reads it")
    assert refused(shop, "P-1") == {"not-for-use": [f"tag {tag}, hole 1: disposition return"]}


def test_recorded_calibrations_count_before_the_kit(shop: Shop) -> None:
    known = Calibration("G1", dt.date(2026, 9, 1), IN_TOLERANCE, due=dt.date(2026, 10, 31))
    record_calibration(shop.ledger, known, "gauge room")
    shop.record("P-1", GOOD, day="2026-11-03")
    said = "gauge G1 was due for calibration on 2026-10-31 and read on 2026-11-03"
    assert refused(shop, "P-1") == {"gauge-out-of-calibration": [said]}
    record_calibration(shop.ledger, Calibration("G1", dt.date(2026, 11, 1), IN_TOLERANCE), "gauge room")
    approve(shop.ledger, "P-1", "41")


def test_one_serial_of_two_parts_must_be_named(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    other = '[[part]]\nname = "lid"\n'
    shop.record("P-2", GOOD, revision="B", more=other)
    from holeqc.answers.check import record_run
    from holeqc.inspection.recheck import inspect
    from holeqc.readings.containers import ReadOptions
    from holeqc.readings.read import read_files
    from holeqc.specification.load import load_specification

    spec = load_specification(shop.kit("B", other))
    path = shop.sheet("P-2", GOOD)
    path.write_text(path.read_text(encoding="utf-8").replace("plate", "lid"), encoding="utf-8")
    record_run(shop.ledger, inspect(spec, read_files([path], spec, ReadOptions(today=TODAY))), "bench 2")
    with pytest.raises(ApprovalRefused, match="several parts"):
        approve(shop.ledger, "P-2", "41")
    approve(shop.ledger, "P-2", "41", part="lid")
    assert newest_story(shop.ledger, "P-2", part="plate").approvals == ()


def test_texts_are_kept_as_texts(shop: Shop) -> None:
    words = "x'); DROP TABLE entry; --"
    (tag,) = shop.record("P-1", LARGE, by=words).tags
    dispose(shop.ledger, tag, "use-as-is", f"not {words}", words, authority=words)
    approve(shop.ledger, "P-1", "41'; --", role=words, note=words)
    story = newest_story(shop.ledger, "P-1")
    assert story.approvals[0]["role"] == story.approvals[0]["note"] == words
    assert story.tags[0].events[1]["authority"] == words
    assert shop.ledger.verify().holds


def test_tags_are_listed_and_found(shop: Shop) -> None:
    (a,) = shop.record("P-1", LARGE).tags
    (b,) = shop.record("P-2", LARGE).tags
    assert [code_typed(a), code_typed(b)] == [a, b]
    assert a != b
    assert [t.number for t in find_tags(shop.ledger)] == [a, b]
    assert [t.number for t in find_tags(shop.ledger, serial="P-2")] == [b]
    for typed in (b, b.lower(), f" {b.replace('-', '')}", b.replace("-", " ")):
        assert find_tag(shop.ledger, typed).number == b
    with pytest.raises(LedgerError, match="no tag T-9"):
        find_tag(shop.ledger, "T-9")


def test_tags_of_older_ledgers_are_found_by_both_their_numbers(shop: Shop) -> None:
    shop.record("P-1", LARGE)
    row = {"inspection_id": 1, "part": "plate", "serial": "P-1", "hole": "2", "verdict": "reject", "content": "{}"}
    for number, printed in (("T-000007", "E6CD-41C0"), ("T-000008", "AAAA-0000"), ("T-000009", "AAAA-0000")):
        shop.ledger.entry("tags", "bench 2", {"tag": [{**row, "number": number, "printed": printed}]})
    for typed in ("T-000007", "t-7", "7", "e6cd41c0", "E6CD 41C0"):
        assert find_tag(shop.ledger, typed).number == "T-000007"
    with pytest.raises(LedgerError, match="2 tags were printed with number aaaa-0000: T-000008, T-000009"):
        find_tag(shop.ledger, "aaaa-0000")


def test_a_code_that_is_taken_is_followed_by_the_next_of_its_basis(shop: Shop) -> None:
    (first,) = shop.record("P-1", LARGE).tags
    sheet = shop.folder / "sheet_1.csv"
    remark = shop.folder / "again.csv"  # the same readings in a file of its own
    lines = sheet.read_text(encoding="utf-8").splitlines()
    remark.write_text("\n".join([f"{lines[0]},note", *(f"{x},bench tidy" for x in lines[1:])]), encoding="utf-8")
    spec = load_specification(shop.folder / "k2.toml")
    found = inspect(spec, read_files([remark], spec, ReadOptions(today=TODAY)))
    (tag,) = tags_of(found)
    assert tag.code == first, "the code follows from the readings, not from the file"
    (second,) = record_run(shop.ledger, found, "bench 2").tags
    assert second == code_of(tag.basis, 1)
    assert [t.number for t in find_tags(shop.ledger)] == [first, second]


def test_worst_decides_the_exit_code(shop: Shop) -> None:
    shop.record("P-1", LARGE)
    shop.record("P-2", HALF)
    for serial, worst in (("P-1", "reject"), ("P-2", "hold")):
        with pytest.raises(ApprovalRefused) as caught:
            approve(shop.ledger, serial, "41")
        assert worst_of(caught.value.problems) == worst
