"""Ways in which somebody would get a bad part approved, each tried as it would be, on SQLite and PostgreSQL.

What must happen follows from the rules of the record that README states; no outside source applies. Limits of size are
0.455 to 0.462.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shop import AGAIN, GOOD, LARGE, THIRD, Shop, Sizes, place

from holeqc.answers.check import RecordedRun, record_run, told
from holeqc.inspection.recheck import inspect
from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import ApprovalRefused, approve, approved_set
from holeqc.ledger.kits import release
from holeqc.ledger.resemblance import answer, folded
from holeqc.ledger.stories import newest_parts
from holeqc.ledger.tags import dispose, find_tag, find_tags
from holeqc.problems import LedgerError
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

HALF = {"1": (0.457, None), "2": (0.459, 0.460)}
SMALL = {"1": (0.4545, 0.4546), "2": (0.459, 0.460)}

pytestmark = pytest.mark.usefixtures("first_day")


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def refused(shop: Shop, serial: str, by: str = "41", **which: str) -> dict[str, list[str]]:
    """Return what stands in the way, by code; nothing may have been recorded."""
    head = shop.ledger.head()
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, serial, by, **which)
    assert shop.ledger.head() == head
    found: dict[str, list[str]] = {}
    for problem in caught.value.problems:
        found.setdefault(problem.code, []).append(problem.message)
    return found


def verdict(run: RecordedRun) -> str:
    return ("accept", "hold", "reject")[int(run.inspection.parts["verdict"].max())]


# ------------------------------------------------------------------------------------ earlier inspections, copies


def test_a_rejection_recorded_without_tags_stands_in_the_way(shop: Shop) -> None:
    shop.record("P-1", SMALL, name="first.csv", tags=False)
    shop.record("P-1", GOOD, day="2026-11-04")
    found = refused(shop, "P-1")
    assert list(found) == ["earlier-inspection"]
    assert "rejects it and no tag was written for it" in found["earlier-inspection"][0]
    assert find_tags(shop.ledger) == []
    spec = load_specification(shop.kit())  # the same sheet without --no-tags opens what is missing
    run = record_run(shop.ledger, inspect(spec, read_files([shop.folder / "first.csv"], spec)), "bench 2")
    (tag,) = run.tags
    assert not run.recorded.added
    assert told(run, "shop.sqlite3") == [
        f"The readings are on record in shop.sqlite3 already; their tags were added as entry {shop.ledger.head()[0]}",
        f"Tags opened: {tag}", *(f"Note: {note}" for note in run.notes),
    ]  # fmt: skip
    assert list(refused(shop, "P-1")) == ["tag-open"]
    again = record_run(shop.ledger, inspect(spec, read_files([shop.folder / "first.csv"], spec)), "bench 2")
    assert again.tags == ()
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")
    shop.record("P-1", AGAIN, day="2026-11-05")
    approve(shop.ledger, "P-1", "41")


@pytest.mark.parametrize("tags", [True, False])
@pytest.mark.parametrize(("day", "closes"), [("2026-11-02", False), ("", False), ("2026-11-03", True)])
def test_only_younger_readings_close_a_hold(shop: Shop, tags: bool, day: str, closes: bool) -> None:
    shop.record("P-1", HALF, tags=tags)
    shop.record("P-1", AGAIN, day=day)
    if closes:
        approve(shop.ledger, "P-1", "41")
        return
    found = refused(shop, "P-1")
    if day:
        assert list(found) == ["tag-open" if tags else "earlier-inspection"]
    else:
        assert {"tag-open" if tags else "earlier-inspection"} <= set(found)


def test_held_for_a_gauge_and_dated_back(shop: Shop) -> None:
    # G2's certificate ended on 2026-06-30
    first = shop.record("P-1", GOOD, gauge="G2", day="2026-11-03")
    assert verdict(first) == "hold"
    for day, gauge in (("2026-06-29", "G2"), ("2026-11-04", "G1"), ("2026-11-03", "G1")):
        run = shop.record("P-1", GOOD, gauge=gauge, day=day)
        assert verdict(run) == "hold"
        (said,) = [p.message for p in run.inspection.problems if p.code == "copied-from-record"]
        assert "all 4 lengths equal its own on record (entry" in said
        assert "not read again" in said
        assert "held" in refused(shop, "P-1")
    shop.record("P-1", AGAIN, day="2026-11-05")
    approve(shop.ledger, "P-1", "41")


def test_a_copy_stays_a_copy_when_it_is_recorded_again_or_under_another_revision(shop: Shop) -> None:
    shop.record("P-1", GOOD, name="a.csv")
    shop.record("P-1", GOOD, day="2026-11-04", name="b.csv")
    for revision, status in (("A", "known"), ("B", "revision")):
        spec = load_specification(shop.kit(revision))
        run = record_run(shop.ledger, inspect(spec, read_files([shop.folder / "b.csv"], spec)), "bench 2")
        assert [f.status for f in run.recorded.files] == [status]
        assert verdict(run) == "hold"
        assert newest_parts(shop.ledger)[0]["verdict"] == "hold"


def test_a_sheet_that_is_completed_is_no_copy(shop: Shop) -> None:
    shop.record("P-1", HALF, name="a.csv")
    run = shop.record("P-1", GOOD, name="a.csv")
    assert verdict(run) == "accept"
    approve(shop.ledger, "P-1", "41")


# -------------------------------------------------------------------------------------------------- the kit's text


def changed_kit(shop: Shop, limit: str, revision: str = "A") -> Path:
    path = shop.kit(revision)
    path.write_text(path.read_text(encoding="utf-8").replace("upper = 0.462", f"upper = {limit}"), encoding="utf-8")
    return path


def record_under(shop: Shop, path: Path, serial: str, sizes: dict[str, tuple[float, float]]) -> RecordedRun:
    spec = load_specification(path)
    return record_run(shop.ledger, inspect(spec, read_files([shop.sheet(serial, sizes)], spec)), "bench 2")


def test_limits_changed_under_the_same_revision(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    run = record_under(shop, changed_kit(shop, "0.463"), "P-2", LARGE)
    assert verdict(run) == "accept"
    (note,) = [note for note in run.notes if "released" in note]
    assert "size.upper 0.462 became 0.463" in note
    assert list(refused(shop, "P-2")) == ["kit-text-not-released"]
    spec = load_specification(shop.folder / "k2.toml")
    for who in ("office 1", "office 2"):
        with pytest.raises(LedgerError, match=r"released with another text.*size\.upper 0\.462 became 0\.463"):
            release(shop.ledger, spec, Path(spec.path).read_bytes(), who)
    approve(shop.ledger, "P-1", "41")


def test_a_kit_that_nobody_released(shop: Shop) -> None:
    run = shop.record("P-1", GOOD, released=False)
    assert any("isn't released" in note for note in run.notes)
    assert list(refused(shop, "P-1")) == ["kit-not-released"]
    spec = load_specification(shop.kit())
    text = Path(spec.path).read_bytes()
    first = release(shop.ledger, spec, text, "office 1")
    assert (first.act, first.before) == ("proposed", None)
    assert list(refused(shop, "P-1")) == ["kit-not-released"]
    for same in ("office 1", " Office-1", "OFFICE 01"):
        with pytest.raises(LedgerError, match="another person releases it"):
            release(shop.ledger, spec, text, same)
    assert release(shop.ledger, spec, text, "office 2").act == "released"
    with pytest.raises(LedgerError, match="released already"):
        release(shop.ledger, spec, text, "office 3")
    approve(shop.ledger, "P-1", "41")


def test_a_release_shows_the_differences_and_ends_the_revision_before(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    spec = load_specification(changed_kit(shop, "0.4615", "B"))
    text = Path(spec.path).read_bytes()
    done = [release(shop.ledger, spec, text, who) for who in ("office 1", "office 2")]
    assert [x.changes for x in done] == [(("kit.revision", "A", "B"), ("size.upper", 0.462, 0.4615))] * 2
    found = refused(shop, "P-1")
    assert list(found) == ["old-revision"]
    assert "revision B is the one released" in found["old-revision"][0]


def test_another_kit_does_not_free_a_serial_number(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    path = changed_kit(shop, "0.463")
    path.write_text(path.read_text(encoding="utf-8").replace('id = "K2"', 'id = "K3"'), encoding="utf-8")
    spec = load_specification(path)
    for who in ("office 1", "office 2"):
        release(shop.ledger, spec, path.read_bytes(), who)
    record_under(shop, path, "P-1", LARGE)
    found = refused(shop, "P-1", kit="K3")
    assert found == {
        "serial-elsewhere": [f"serial P-1 is recorded as kit K2, part plate, too: tag {tag} is open"]
    }  # fmt: skip
    where = {"kit": "K3", "part": "plate", "other_kit": "K2", "other_part": "plate"}
    answer(shop.ledger, "P-1", "P-1", False, "bench 2", "another drawing", **where)
    assert list(refused(shop, "P-1", kit="K3")) == ["same-person"]  # who logged it may not say so
    answer(shop.ledger, "P-1", "P-1", False, "41", "another drawing", **where)
    assert list(refused(shop, "P-1", kit="K3")) == ["same-person"]  # nor who approves
    answer(shop.ledger, "P-1", "P-1", False, "7", "another drawing, stamp looked at", **where)
    done = approve(shop.ledger, "P-1", "41", kit="K3")
    assert any("7 said that P-1 is not K2 plate P-1" in remark for remark in done.remarks)


# --------------------------------------------------------------------------------------------- another part's readings

EIGHT = "".join(f'[[hole]]\nid = "{n}"\n' for n in range(3, 9))


def many(seed: int) -> dict[str, tuple[float, float]]:
    """Return sizes of eight holes that scatter by 0.0006 like a drill's, to the gauge's 0.0001."""
    import numpy as np

    values = np.round(np.random.default_rng(seed).normal(0.4585, 0.0006, (8, 2)), 4)
    return {str(n): (float(a), float(b)) for n, (a, b) in enumerate(values, 1)}


def record_eight(shop: Shop, serial: str, sizes: Sizes, day: str = "2026-11-03") -> RecordedRun:
    path = shop.kit()
    text = path.read_text(encoding="utf-8").replace('[[hole]]\nid = "2"\n', f'[[hole]]\nid = "2"\n{EIGHT}')
    path.write_text(text, encoding="utf-8")
    spec = load_specification(path)
    shop.release(spec)
    sheet = shop.sheet(serial, sizes, day=day)
    return record_run(shop.ledger, inspect(spec, read_files([sheet], spec)), "bench 2")


def test_another_parts_readings_typed_in_the_other_unit(shop: Shop) -> None:
    for number in range(4):
        record_eight(shop, f"P-{number}", many(number))
    sheet = shop.sheet("P-20", many(2), day="2026-11-09")
    lines = [line.split(",") for line in sheet.read_text(encoding="utf-8").splitlines()]
    lines[0][4:6] = ["dia 0 mm", "dia 90 mm"]
    for line in lines[1:]:
        line[4:6] = [f"{float(x) * 25.4:.3f}" for x in line[4:6]]
    sheet.write_text("\n".join(",".join(line) for line in lines) + "\n", encoding="utf-8")
    spec = load_specification(shop.folder / "k2.toml")
    run = record_run(shop.ledger, inspect(spec, read_files([sheet], spec)), "bench 2")
    assert [p.message[:30] for p in run.inspection.problems if p.code == "copied-from-record"] == [
        "all 16 lengths equal those of "
    ]  # fmt: skip


@pytest.mark.parametrize("changed", [0, 1, 3])
def test_another_parts_readings_under_a_new_serial_in_a_later_run(shop: Shop, changed: int) -> None:
    for number in range(8):
        assert verdict(record_eight(shop, f"P-{number}", many(number))) == "accept"
    copied = dict(many(2))
    for hole in list(copied)[:changed]:
        copied[hole] = (round(copied[hole][0] + 0.0001, 4), copied[hole][1])
    run = record_eight(shop, "P-20", copied, day="2026-11-09")
    assert verdict(run) == "hold"
    (said,) = [p.message for p in run.inspection.problems if p.code == "copied-from-record"]
    count = "all 16 lengths" if not changed else f"{16 - changed} of 16 lengths"
    assert said.startswith(f"{count} equal those of plate P-2 on record (entry ")
    assert "held" in refused(shop, "P-20")
    assert verdict(record_eight(shop, "P-21", many(99), day="2026-11-09")) == "accept"


# ----------------------------------------------------------------------- entries written past the commands, from Python


def test_an_approval_written_by_hand_carries_no_packet(shop: Shop) -> None:
    run = shop.record("P-1", LARGE)
    (number,) = run.recorded.inspections.values()
    shop.ledger.entry("approval", "41", {"approval": [{"inspection_id": number, "role": "inspector"}]})
    assert shop.ledger.verify().holds
    with pytest.raises(LedgerError, match=rf"was given although tag {run.tags[0]}, hole 2: rejected, no disposition"):
        approved_set(shop.ledger, "P-1")
    run = shop.record("P-2", GOOD, by="41")
    (number,) = run.recorded.inspections.values()
    shop.ledger.entry("approval", "41", {"approval": [{"inspection_id": number, "role": "inspector"}]})
    with pytest.raises(LedgerError, match="was given although 41 logged it"):
        approved_set(shop.ledger, "P-2")


def test_a_verdict_changed_before_it_is_recorded(shop: Shop) -> None:
    spec = load_specification(shop.kit())
    shop.release(spec)
    inspection = inspect(spec, read_files([shop.sheet("P-1", LARGE)], spec))
    tables = {name: table.with_columns(verdict=table["verdict"] * 0) if "verdict" in table else table
              for name, table in inspection.tables.items()}  # fmt: skip
    record_run(shop.ledger, replace(inspection, tables=tables), "bench 2")
    assert newest_parts(shop.ledger)[0]["verdict"] == "accept"
    with pytest.raises(LedgerError, match=r"was judged accept .*, and is judged reject by this version"):
        approve(shop.ledger, "P-1", "41")


def test_a_tag_closed_by_hand_says_nothing(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    shop.record("P-1", GOOD, day="2026-11-04")
    shop.ledger.entry("tags", "bench 2", {"tag_event": [{"tag_id": 1, "event": "closed", "note": "accepted"}]})
    assert find_tag(shop.ledger, tag).closed
    assert refused(shop, "P-1") == {"tag-open": [f"tag {tag}, hole 1: closed, and nobody said what becomes of it"]}


def test_a_disposition_written_by_hand_by_who_logged(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    decided = {"tag_id": 1, "event": "dispositioned", "disposition": "use-as-is", "authority": "EO-9", "note": "x"}
    shop.ledger.entry("tags", "bench 2", {"tag_event": [decided, {"tag_id": 1, "event": "closed", "note": "x"}]})
    assert refused(shop, "P-1") == {"same-person": [
        f"tag {tag}: use-as-is was decided by bench 2, who logged the readings"
    ]}  # fmt: skip


# ------------------------------------------------------------------------------------------- a hold used as it is

GUARDED = '[decision]\nrule = "guarded"\n'
NEAR = {"1": (0.457, 0.458), "2": (0.46195, 0.460)}  # 0.00005 inside the limit, U 0.0001


def test_a_hold_of_the_guard_band_is_used_as_it_is(shop: Shop) -> None:
    (tag,) = shop.record("P-1", NEAR, more=GUARDED).tags
    assert find_tag(shop.ledger, tag).row["verdict"] == "hold"
    with pytest.raises(LedgerError, match="--authority"):
        dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge")
    with pytest.raises(LedgerError, match="Use-as-is is for a value inside the guard band"):
        dispose(shop.ledger, tag, "repair", "engineer", "ample edge", authority="EO-2")
    with pytest.raises(LedgerError, match="second person"):
        dispose(shop.ledger, tag, "use-as-is", "bench 2", "ample edge", authority="EO-2")
    dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="EO-2")
    assert approve(shop.ledger, "P-1", "41").released == "use-as-is, EO-2"
    assert approved_set(shop.ledger, "P-1").tags[0].disposition == "use-as-is"


def test_no_other_hold_is_used_as_it_is(shop: Shop) -> None:
    for serial, sizes, gauge in (("P-1", HALF, "G1"), ("P-2", GOOD, "G2"), ("P-3", {**NEAR, "1": (0.457, None)}, "G1")):
        for tag in shop.record(serial, sizes, more=GUARDED, gauge=gauge).tags:
            if find_tag(shop.ledger, tag).holes == ("2",) and serial == "P-3":
                continue  # the hole inside the guard band; the other one still holds the part
            with pytest.raises(LedgerError, match="the readings prove neither"):
                dispose(shop.ledger, tag, "use-as-is", "engineer", "looks fine", authority="EO-2")
        assert "held" in refused(shop, serial)


def test_a_part_that_reads_the_same_again_goes_on_by_an_authority(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    (tag,) = shop.record("P-1", GOOD, day="2026-11-04").tags
    assert list(refused(shop, "P-1")) == ["held"]
    dispose(shop.ledger, tag, "use-as-is", "engineer", "read again before my eyes, coarse gauge", authority="EO-3")
    assert approve(shop.ledger, "P-1", "41").released == "use-as-is, EO-3"


# ------------------------------------------------------------------------------------------ serial numbers nearly alike


def test_what_is_left_of_a_serial_number() -> None:
    cyrillic = "\u041c-006"
    assert {folded(x) for x in ("M-006", "m006", "M 6", "M.OO6", "m_0006", cyrillic)} == {"m6"}
    assert folded("M-101") == "m101" != folded("M-11")
    assert len({folded(x) for x in ("L-3", "L3", "L-03", "L.003", "L_3", "L-O3", "LO3", "l-3.", "\ua4e1-\u0417")}) == 1
    assert len({folded(f"L-{n}") for n in range(1, 200)}) == 199


@pytest.mark.parametrize("near", ["M006", "m-006", "M-6", "M-OO6"])
def test_a_serial_number_nearly_a_rejected_one_is_asked_about(shop: Shop, near: str) -> None:
    (tag,) = shop.record("M-006", LARGE).tags
    head = shop.ledger.head()
    with pytest.raises(LedgerError, match="nothing was recorded") as caught:
        shop.record(near, AGAIN, day="2026-11-04")
    assert shop.ledger.head() == head
    (problem,) = caught.value.problems
    assert problem.message == f"serial {near} may be the part M-006, reject in entry 5"
    assert f"holeqc serial {near} --same-as M-006" in problem.action
    answer(shop.ledger, near, "M-006", True, "41", "looked at the stamp")
    run = shop.record(near, AGAIN, day="2026-11-04")
    assert list(run.recorded.inspections) == [("plate", "M-006")]
    assert not find_tag(shop.ledger, tag).closed
    assert list(refused(shop, "M-006")) == ["tag-open"]
    assert "not-recorded" in refused(shop, near)


@pytest.mark.parametrize("near", ["L-03", "L3", "L-O3", "\u13de.003", "SL-3", "L-3-1", "L-3A", "3"])
def test_what_stands_beside_a_rejected_serial_number_is_asked_about(shop: Shop, near: str) -> None:
    shop.record("L-3", LARGE)
    with pytest.raises(LedgerError, match="nothing was recorded") as caught:
        shop.record(near, AGAIN, day="2026-11-04")
    assert [p.message for p in caught.value.problems] == [f"serial {near} may be the part L-3, reject in entry 5"]
    answer(shop.ledger, near, "L-3", False, "41", "another part")
    assert list(shop.record(near, AGAIN, day="2026-11-04").recorded.inspections) == [("plate", near)]


def test_a_run_of_serial_numbers_beside_a_rejected_one_is_not_asked_about(shop: Shop) -> None:
    shop.record("L-3", LARGE)
    numbers = np.random.default_rng(3)
    for n in (1, 2, 4, 10, 13, 23, 30, 31, 33, 103, 130):
        sizes = {hole: tuple(np.round(numbers.uniform(0.4560, 0.4615, 2), 4).tolist()) for hole in "12"}
        shop.record(f"L-{n}", sizes)
    assert len(newest_parts(shop.ledger)) == 12
    shop.record("M-4", GOOD)
    shop.record("SM-4", {"1": (0.4561, 0.4563), "2": (0.4610, 0.4611)})
    assert len(newest_parts(shop.ledger)) == 14, "beside a good one a letter more is a serial number of its own"


def test_an_answer_that_they_are_two_parts_is_shown_and_given_by_another(shop: Shop) -> None:
    shop.record("M-006", LARGE)
    with pytest.raises(LedgerError, match="aren't alike"):
        answer(shop.ledger, "M007", "M-006", False, "7", "looked")
    answer(shop.ledger, "M006", "M-006", False, "bench 2", "two parts")
    shop.record("M006", GOOD)
    assert list(refused(shop, "M006")) == ["same-person"]
    answer(shop.ledger, "M006", "M-006", False, "7", "two parts, both on my table")
    done = approve(shop.ledger, "M006", "41")
    assert re.search(r"7 said that M006 is not M-006 \(entry \d+: two parts, both on my table\)", done.remarks[0])


def test_two_spellings_in_one_run_are_asked_about_once(shop: Shop) -> None:
    spec = load_specification(shop.kit())
    sheets = [shop.sheet("M-007", GOOD), shop.sheet("M007", THIRD)]
    with pytest.raises(LedgerError) as caught:
        record_run(shop.ledger, inspect(spec, read_files(sheets, spec)), "bench 2")
    assert len(caught.value.problems) == 1


def test_lots_with_numbers_are_not_asked_about(shop: Shop) -> None:
    for serial, sizes in (("1-12", GOOD), ("11-2", AGAIN), ("112", THIRD)):
        shop.record(serial, sizes)
    assert len(newest_parts(shop.ledger)) == 3
