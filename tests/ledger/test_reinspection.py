"""What a later inspection does to the tags of a part: which readings close one, and which can't.

What must happen follows from what cutting can do (it takes material away: a hole only gets larger) and from the order
of days; no outside source applies. Limits of size are 0.455 to 0.462.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from shop import AGAIN, GOOD, LARGE, Shop, Sizes, place

from holeqc.answers.check import RecordedRun, record_run
from holeqc.inspection.recheck import inspect
from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import approve, approved_set, withdraw
from holeqc.ledger.read_back import Filter, recorded_readings
from holeqc.ledger.stories import newest_parts
from holeqc.ledger.tags import OVERSIZE, dispose, find_tag, find_tags
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

SMALL = {"1": (0.4545, 0.4546), "2": (0.459, 0.460)}
BOTH = {"1": (0.4545, 0.4546), "2": (0.4625, 0.460)}

pytestmark = pytest.mark.usefixtures("first_day")


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def last(shop: Shop, tag: str) -> tuple[str, str]:
    event = find_tag(shop.ledger, tag).events[-1]
    return str(event["event"]), str(event["note"])


@pytest.mark.parametrize(("day", "closes"), [("2026-11-02", False), ("2026-11-03", True), ("2026-11-04", True)])
def test_only_readings_that_are_not_older_than_the_rejected_ones_close_a_tag(
    shop: Shop, day: str, closes: bool
) -> None:  # fmt: skip
    (tag,) = shop.record("P-1", SMALL, day="2026-11-03").tags
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")
    run = shop.record("P-1", GOOD, day=day)
    assert find_tag(shop.ledger, tag).closed is closes
    if closes:
        assert last(shop, tag) == ("closed", "accepted after rework")
        assert not any("stays open" in note for note in run.notes)
        return
    why = "it was read on 2026-11-02, before the rejected readings of 2026-11-03"
    assert last(shop, tag) == ("re-inspected", f"accept; {why}")
    assert f"tag {tag} stays open: {why}" in run.notes
    shop.record("P-1", AGAIN, day="2026-11-04")  # a fresh reading still closes it
    assert find_tag(shop.ledger, tag).closed


def test_readings_without_a_day_close_no_rejection(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")
    run = shop.record("P-1", GOOD, day="")
    assert not find_tag(shop.ledger, tag).closed
    assert any("have no day" in note for note in run.notes)


@pytest.mark.parametrize("what", ["rework", "repair"])
def test_a_disposition_waits_for_readings_recorded_after_it(shop: Shop, what: str) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    shop.record("P-1", GOOD, day="2026-11-04")
    dispose(shop.ledger, tag, what, "engineer", "as the order says", authority="EO-2")
    assert find_tag(shop.ledger, tag).state == "dispositioned"
    shop.record("P-1", AGAIN, day="2026-11-05")
    assert last(shop, tag) == ("closed", f"accepted after {what}")


def test_a_hole_is_not_made_smaller_by_rework(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    shop.rework_of_before(tag)
    run = shop.record("P-1", GOOD, day="2026-11-04")
    assert last(shop, tag) == ("re-inspected", f"accept; {OVERSIZE}")
    assert f"tag {tag} stays open: {OVERSIZE}" in run.notes
    dispose(shop.ledger, tag, "repair", "engineer", "bush and ream", authority="EO-2")
    shop.record("P-1", AGAIN, day="2026-11-05")
    assert last(shop, tag) == ("closed", "accepted after repair")


def test_a_no_go_that_entered_counts_as_over_the_limit(shop: Shop) -> None:
    kit = shop.kit().read_text(encoding="utf-8").replace("go = 0.455\n", "go = 0.455\nno_go = 0.4625\n")
    path = shop.folder / "k2.toml"
    path.write_text(kit, encoding="utf-8")
    spec = load_specification(path)
    tags: list[str] = []
    for n, (word, day) in enumerate((("enters", "2026-11-03"), ("does not enter", "2026-11-04"))):
        sheet = shop.folder / f"plug_{n}.csv"
        rows = [
            f"{day},P-1,plate,1,0.4570,0.4580,enters,does not enter,G1",
            f"{day},P-1,plate,2,0.4618,0.4619,enters,{word},G1",
        ]
        if n == 0:  # nothing read that speaks against the plug
            rows[1] = f"{day},P-1,plate,2,,,enters,{word},G1"
        sheet.write_text("\n".join(["date,serial,part,hole,dia 0,dia 90,go,no go,gauge", *rows]) + "\n")
        tags += record_run(shop.ledger, inspect(spec, read_files([sheet], spec)), "bench 2").tags
        if n == 0:
            for tag in tags:
                shop.rework_of_before(tag)
    rejected = [tag for tag in tags if find_tag(shop.ledger, tag).row["verdict"] == "reject"]
    assert len(rejected) == 1
    assert last(shop, rejected[0])[1].endswith(OVERSIZE)


def test_a_hole_over_its_limit_does_not_go_on_as_another_fault(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    shop.rework_of_before(tag)
    (under,) = shop.record("P-1", {"1": (0.457, 0.458), "2": (0.4545, 0.4546)}, day="2026-11-04").tags
    assert last(shop, tag) == ("re-inspected", f"reject; {OVERSIZE}")
    dispose(shop.ledger, under, "rework", "engineer", "ream to 0.4575")
    shop.record("P-1", AGAIN, day="2026-11-05")
    assert find_tag(shop.ledger, under).closed
    assert not find_tag(shop.ledger, tag).closed


def test_over_again_goes_on_as_the_new_tag_and_each_hole_is_asked_alone(shop: Shop) -> None:
    first = shop.record("P-1", BOTH)
    for tag in first.tags:
        shop.rework_of_before(tag)
    (new,) = shop.record("P-1", LARGE, day="2026-11-04").tags
    ends = {str(find_tag(shop.ledger, tag).row["hole"]): last(shop, tag) for tag in first.tags}
    assert ends == {"1": ("closed", "accepted after rework"), "2": ("closed", f"goes on as {new}")}


def batch(shop: Shop, parts: Mapping[str, Sizes], name: str, *, note: str = "", **more: object) -> RecordedRun:
    """Record one sheet of several parts; ``note`` stands beside hole 1 of the last."""
    spec = load_specification(shop.kit())
    shop.release(spec)
    lines = ["date,serial,part,hole,dia 0,dia 90,go,gauge,note"]
    for serial, sizes in parts.items():
        for hole, (a, b) in sizes.items():
            go = "enters" if min(a or 1, b or 1) >= 0.455 else "does not enter"
            said = note if serial == list(parts)[-1] and hole == "1" else ""
            lines.append(f"2026-11-03,{serial},plate,{hole},{a:.4f},{b:.4f},{go},G1,{said}")
    path = shop.folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return record_run(shop.ledger, inspect(spec, read_files([path], spec)), "bench 2", **more)  # type: ignore[arg-type]


FIVE = {
    "P-1": {"1": (0.4571, 0.4582), "2": (0.4593, 0.4604)}, "P-2": {"1": (0.4573, 0.4587), "2": (0.4601, 0.4595)},
    "P-3": {"1": (0.4541, 0.4546), "2": (0.4598, 0.4605)}, "P-4": {"1": (0.4577, 0.4581), "2": (0.4629, 0.4624)},
}  # fmt: skip
MENDED = FIVE | {"P-1": {"1": (0.4571, 0.4582), "2": (0.4593, 0.4606)}}


@pytest.mark.parametrize("how", ["same name", "another name", "replaces", "replaces the inspection"])
def test_a_part_that_a_corrected_batch_repeats_stays_as_it_is(shop: Shop, how: str) -> None:
    first = batch(shop, FIVE, "batch.csv")
    small, large = (next(t for t in find_tags(shop.ledger) if t.row["serial"] == x).number for x in ("P-3", "P-4"))
    dispose(shop.ledger, large, "scrap", "engineer", "over")
    dispose(shop.ledger, small, "rework", "engineer", "ream to 0.4575")
    for serial in ("P-1", "P-2"):
        approve(shop.ledger, serial, "41")
    inspections = {row["serial"]: row["id"] for row in newest_parts(shop.ledger)}
    entry = {
        "replaces": first.recorded.files[0].entry,
        "replaces the inspection": newest_parts(shop.ledger)[0]["entry"],
    }
    run = batch(shop, MENDED, "batch.csv" if how == "same name" else "again.csv", replaces=entry.get(how))
    assert run.tags == ()
    rows = {str(row["serial"]): row for row in newest_parts(shop.ledger)}
    assert {x: row["approved"] for x, row in rows.items()} == {"P-1": 0, "P-2": 1, "P-3": 0, "P-4": 0}
    assert {x: row["id"] == inspections[x] for x, row in rows.items()} == {
        "P-1": False, "P-2": True, "P-3": True, "P-4": True,
    }  # fmt: skip
    assert not any(row["rests_on_replaced"] for row in rows.values())
    assert any("3 parts read as on record (P-2, P-3, P-4)" in note for note in run.notes)
    assert len(find_tags(shop.ledger)) == 2
    assert approved_set(shop.ledger, "P-2").later == ()
    assert len(recorded_readings(shop.ledger, Filter(verdict="accept"))[1].table) == 12, "each part once"
    withdraw(shop.ledger, "P-2", "41", "to see that nothing else stands in its way")
    approve(shop.ledger, "P-2", "41")
    once_more = batch(shop, MENDED | {"P-1": {"1": (0.4571, 0.4583), "2": (0.4593, 0.4606)}}, "batch.csv")
    assert list(once_more.recorded.inspections) == [("plate", "P-1")]
    shop.record("P-3", {"1": (0.4571, 0.4576), "2": (0.4599, 0.4604)}, day="2026-11-05")
    assert find_tag(shop.ledger, small).closed, "the tag of a part left alone lives on"
    assert shop.ledger.verify().holds


def test_a_part_that_a_corrected_batch_speaks_against_is_judged_anew(shop: Shop) -> None:
    parts = {"P-1": FIVE["P-1"], "P-2": FIVE["P-2"]}
    batch(shop, parts, "batch.csv")
    approve(shop.ledger, "P-2", "41")
    run = batch(shop, parts, "batch.csv", note="cracked at the edge")
    assert list(run.recorded.inspections) == [("plate", "P-2")]
    assert any("withdraw the approval if this stands" in note for note in run.notes)
    gone = batch(shop, {"P-2": FIVE["P-2"]}, "batch.csv")
    assert list(gone.recorded.inspections) == [("plate", "P-2")]
    assert {row["serial"]: row["rests_on_replaced"] for row in newest_parts(shop.ledger)} == {"P-1": 1, "P-2": 0}


def test_tags_missing_of_a_part_left_alone_are_opened(shop: Shop) -> None:
    batch(shop, FIVE, "batch.csv", tags=False)
    batch(shop, MENDED, "batch.csv", tags=False)
    run = batch(shop, MENDED | {"P-1": {"1": (0.4571, 0.4583), "2": (0.4593, 0.4606)}}, "batch.csv")
    assert sorted(str(tag.row["serial"]) for tag in find_tags(shop.ledger)) == ["P-3", "P-4"]
    assert len(run.tags) == 2
    shop_rows = {str(row["serial"]): row["id"] for row in newest_parts(shop.ledger)}
    assert all(tag.row["inspection_id"] == shop_rows[str(tag.row["serial"])] for tag in find_tags(shop.ledger))
