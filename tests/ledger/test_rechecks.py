"""Rechecks on record, on SQLite and PostgreSQL: what joins, what counts, which tags close, and ways to misuse it.

What must happen follows from the kit's limits 0.455 to 0.462, from what cutting can do and from the order of days; the
second route is the whole part read anew. No outside source applies.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from runs import TODAY
from shop import AGAIN, GOOD, LARGE, SMALL, Shop, place
from sqlalchemy import select

from holeqc.answers.check import RecordedRun, record_run
from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import VERDICTS
from holeqc.ledger import open_ledger
from holeqc.ledger import schema as s
from holeqc.ledger.approvals import ApprovalRefused, approve, approved_set, record_packet
from holeqc.ledger.read_back import Filter, inspection_again, recorded_readings
from holeqc.ledger.rechecks import with_bases
from holeqc.ledger.recording import record
from holeqc.ledger.stories import newest_parts, part_story
from holeqc.ledger.tags import dispose, find_tag, find_tags, reworked
from holeqc.problems import LedgerError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files
from holeqc.readings.table import Readings
from holeqc.reports.packet import certificate_report, listed_characteristics, run_of, write_packet
from holeqc.reports.record import part_text, story_report
from holeqc.specification.load import load_specification

REAMED = {"1": (0.4571, 0.4572)}
TWO = {"1": (0.4545, 0.4546), "2": (0.4547, 0.4549)}  #: both small
Sizes = Mapping[str, tuple[float | None, float | None]]

pytestmark = pytest.mark.usefixtures("first_day")


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def read(shop: Shop, sizes: Sizes, of: str, *, day: str = "2026-11-05", name: str = "", serial: str = "P-1",
         gauge: str = "G1", more: str = "") -> Readings:  # fmt: skip
    spec = load_specification(shop.kit("A", more))
    sheet = shop.sheet(serial, sizes, day=day, name=name, gauge=gauge)
    sheet.write_text(f"Recheck of: {of}\n{sheet.read_text(encoding='utf-8')}", encoding="utf-8")
    return read_files([sheet], spec, ReadOptions(today=TODAY))


def recheck(shop: Shop, sizes: Sizes, of: str, by: str = "bench 2", *, more: str = "", **said: str) -> RecordedRun:
    readings = read(shop, sizes, of, more=more, **said)
    spec = load_specification(shop.kit("A", more))
    shown = with_bases(shop.ledger, spec, readings)
    run = record_run(shop.ledger, inspect(spec, readings), by)
    if run.recorded.inspections:
        assert verdict(run) == VERDICTS[int(shown.parts["verdict"].max())], "what is shown is what is recorded"
    assert shop.ledger.verify().holds
    return run


def verdict(run: RecordedRun) -> str:
    ((key, _),) = run.recorded.inspections.items()
    return str(next(row["verdict"] for row in run_rows(run) if row["serial"] == key[1]))


def run_rows(run: RecordedRun) -> list[dict[str, object]]:
    frame = run.inspection.parts
    return [{"serial": a, "verdict": VERDICTS[int(v)]} for a, v in zip(frame["serial"], frame["verdict"], strict=True)]


def held(run: RecordedRun) -> list[str]:
    return [p.code for p in run.inspection.readings.problems if p.holds]


def rework(shop: Shop, tag: str) -> None:
    dispose(shop.ledger, tag, "rework", "engineer", "ream to 0.4575")


def refused(shop: Shop, serial: str = "P-1") -> dict[str, list[str]]:
    head = shop.ledger.head()
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, serial, "41")
    assert shop.ledger.head() == head
    out: dict[str, list[str]] = {}
    for problem in caught.value.problems:
        out.setdefault(problem.code, []).append(problem.message)
    return out


def test_a_reamed_hole_is_read_alone_and_the_part_is_approved(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    run = recheck(shop, REAMED, tag.lower().replace("-", ""))
    assert (verdict(run), run.tags, held(run)) == ("accept", (), [])
    assert find_tag(shop.ledger, tag).events[-1]["note"] == "accepted after rework"
    (number,) = run.recorded.inspections.values()
    again = inspection_again(shop.ledger, number)
    assert list(again.holes["verdict"]) == [0, 0], "judged again from the record"
    frame = again.readings.table
    assert sorted(zip(frame["hole"], frame["date"].astype(str).str[:10], strict=True)) == [
        *[("1", "2026-11-05")] * 3, *[("2", "2026-11-03")] * 3,
    ]  # fmt: skip
    approve(shop.ledger, "P-1", "41")
    approved = approved_set(shop.ledger, "P-1").inspection
    assert approved.parts["readings"].tolist() == [6]
    (join,) = approved.readings.joins
    assert sorted(v for v in join.replaced["value"] if v == v) == [0.4545, 0.4546]
    assert sorted(v for v in join.counts["value"] if v == v) == [0.4571, 0.4572]


def test_the_story_says_which_reading_counts(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    recheck(shop, REAMED, tag)
    text = part_text(part_story(shop.ledger, "P-1"))
    assert f"Recheck of {tag}, joined with inspection 1" in text
    for line in ("3 readings of 2026-11-03 count: hole 2", "3 readings of 2026-11-03 don't count any more: hole 1",
                 "3 readings of 2026-11-05 count: hole 1"):  # fmt: skip
        assert line in text
    everything = shop.ledger.rows(select(s.READING.c.value).where(s.READING.c.value == 0.4545))
    assert len(everything) == 1, "the old reading stays on record"
    _, readings = recorded_readings(shop.ledger, Filter())
    assert len(readings.table) == 6, "trends take the part as it was drilled"
    assert len(recorded_readings(shop.ledger, Filter(rechecks=True))[1].table) == 9


def test_first_sheet_and_recheck_in_one_run(shop: Shop) -> None:
    spec = load_specification(shop.kit())
    shop.release(spec)
    first, second = shop.sheet("P-1", SMALL), shop.sheet("P-1", REAMED, day="2026-11-05")
    second.write_text(f"Recheck of: 2026-11-03\n{second.read_text(encoding='utf-8')}", encoding="utf-8")
    readings = read_files([first, second], spec, ReadOptions(today=TODAY))
    run = record_run(shop.ledger, inspect(spec, readings), "bench 2")
    assert len(run.tags) == 1
    assert not find_tag(shop.ledger, run.tags[0]).closed, "nobody has said that it may be reamed"
    assert list(refused(shop)) == ["tag-open"]
    assert len(part_story(shop.ledger, "P-1").inspections) == 2
    again = record_run(shop.ledger, inspect(spec, readings), "bench 2")
    assert not again.recorded.added
    assert [f.status for f in again.recorded.files] == ["known", "known"]


def test_a_tag_of_another_hole_stays_as_it_is(shop: Shop) -> None:
    one, two = sorted(shop.record("P-1", TWO).tags, key=lambda t: find_tag(shop.ledger, t).holes)
    rework(shop, one)
    run = recheck(shop, REAMED, one)
    assert (verdict(run), run.tags) == ("reject", ())
    assert find_tag(shop.ledger, one).closed
    assert find_tag(shop.ledger, two).state == "opened", "nothing of it was read again"
    assert refused(shop) == {"tag-open": [f"tag {two} of an earlier inspection, hole 2, is open, without disposition"]}
    rework(shop, two)
    run = recheck(shop, {"2": (0.4571, 0.4573)}, two, day="2026-11-06")
    assert verdict(run) == "accept"
    assert find_tag(shop.ledger, two).closed
    approve(shop.ledger, "P-1", "41")


def test_the_same_fault_again_keeps_its_tag_and_a_new_one_gets_its_own(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    run = recheck(shop, {"1": (0.4546, 0.4547)}, tag)
    assert (verdict(run), run.tags, find_tag(shop.ledger, tag).closed) == ("reject", (), False)
    assert list(refused(shop)) == ["tag-open"]
    run = recheck(shop, {"1": (0.4626, 0.4627)}, tag, day="2026-11-06")  # reamed too far
    (new,) = run.tags
    assert verdict(run) == "reject"
    assert [t.number for t in find_tags(shop.ledger, only_open=True)] == [new]
    shop.rework_of_before(new)
    run = recheck(shop, {"1": (0.4574, 0.4575)}, new, day="2026-11-07")
    assert (verdict(run), held(run)) == ("hold", ["recheck-cannot-mend"])
    dispose(shop.ledger, new, "repair", "engineer", "bush and ream", authority="EO-2")
    run = recheck(shop, {"1": (0.4574, 0.4576)}, new, day="2026-11-08", name="bushed.csv")
    assert "recheck-cannot-mend" not in held(run)
    # the recheck before it holds the hole: its problem is answered with its readings
    assert verdict(run) == "accept"
    assert approve(shop.ledger, "P-1", "41").released == "repair, EO-2"


def test_use_as_is_of_a_hole_that_was_not_read_again_goes_on(shop: Shop, tmp_path: Path) -> None:
    guarded = '[decision]\nrule = "guarded"\n'
    sizes = {"1": (0.4545, 0.4546), "2": (0.46195, 0.460)}
    tags = {find_tag(shop.ledger, t).holes[0]: t for t in shop.record("P-1", sizes, more=guarded).tags}
    dispose(shop.ledger, tags["2"], "use-as-is", "engineer", "ample edge", authority="EO-7")
    rework(shop, tags["1"])
    run = recheck(shop, REAMED, tags["1"], more=guarded)
    assert (verdict(run), run.tags) == ("hold", ())
    assert approve(shop.ledger, "P-1", "41").released == "use-as-is, EO-7"
    assert newest_parts(shop.ledger, Filter())[0]["released_with"] == "use-as-is, EO-7"
    approved = approved_set(shop.ledger, "P-1")
    write_packet(approved, tmp_path / "packet", lambda digest: record_packet(shop.ledger, approved, digest, "41"))
    page = (tmp_path / "packet" / "report.html").read_text(encoding="utf-8")
    assert "BY DISPOSITION" in page
    assert "Approved with use-as-is, EO-7; as read: hold" in page, "decided on the tag of the first sheet"


def test_what_was_used_as_it_is_stays_by_disposition_when_it_reads_good_later(shop: Shop, tmp_path: Path) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    dispose(shop.ledger, tag, "scrap", "engineer", "wrong tag")
    dispose(shop.ledger, tag, "use-as-is", "engineer", "ample edge", authority="EO-7", supersede=True)
    assert verdict(shop.record("P-1", AGAIN, day="2026-11-05")) == "accept"
    assert approve(shop.ledger, "P-1", "41").released == "use-as-is, EO-7"
    assert newest_parts(shop.ledger, Filter())[0]["released_with"] == "use-as-is, EO-7"
    story = part_story(shop.ledger, "P-1")
    assert "Released with a nonconformance: use-as-is, EO-7" in part_text(story)
    assert "BY DISPOSITION" in repr(story_report(story, (), TODAY).sections)
    approved = approved_set(shop.ledger, "P-1")
    write_packet(approved, tmp_path / "packet", lambda digest: record_packet(shop.ledger, approved, digest, "41"))
    part = run_of(approved)[1]
    rows = listed_characteristics(approved, part)
    comments = [row.comments for row in rows if row.nonconformance == tag]
    assert [text.partition(";")[0] for text in comments] == ["use-as-is, authority EO-7"]
    page = repr(certificate_report(approved, part, rows).sections)
    assert "approved with nonconformances" in page
    assert "BY DISPOSITION" in page
    page = (tmp_path / "packet" / "report.html").read_text(encoding="utf-8")
    assert "BY DISPOSITION" in page
    assert "Approved with use-as-is, EO-7; as read: accept" in page


def test_a_gauge_past_its_date_no_longer_stands_in_the_way_once_it_is_read_again(shop: Shop) -> None:
    tags = shop.record("P-1", GOOD, gauge="G2").tags
    assert "held" in refused(shop)
    run = recheck(shop, AGAIN, " ".join(tags))
    assert (verdict(run), held(run)) == ("accept", [])
    assert all(find_tag(shop.ledger, tag).closed for tag in tags)
    approve(shop.ledger, "P-1", "41")


# ------------------------------------------------------------------------------------ ways to get a bad part through


def test_a_recheck_without_a_disposition_closes_no_rejection(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    run = recheck(shop, REAMED, tag)
    assert verdict(run) == "accept"
    assert not find_tag(shop.ledger, tag).closed
    assert [note for note in run.notes if note.startswith(f"tag {tag} stays open: ")] == [
        f"tag {tag} stays open: it was rejected and nobody has decided on it, so this sheet doesn't close it: decide "
        "(holeqc disposition); after rework or repair it is read again"
    ]  # fmt: skip
    assert list(refused(shop)) == ["tag-open"]
    rework(shop, tag)
    assert list(refused(shop)) == ["tag-open"], "a disposition waits for readings after it"


def test_a_recheck_of_a_part_that_is_not_on_record(shop: Shop) -> None:
    shop.record("P-2", SMALL)
    head = shop.ledger.head()
    with pytest.raises(LedgerError, match="of which nothing is on record; record the first sheet first"):
        recheck(shop, REAMED, "2026-11-03")
    assert shop.ledger.head() == head


def test_an_older_recheck_closes_nothing(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    run = recheck(shop, REAMED, tag, day="2026-11-02")
    assert (verdict(run), held(run)) == ("reject", ["recheck-older"])
    assert not find_tag(shop.ledger, tag).closed


def test_the_tag_of_another_part(shop: Shop) -> None:
    (mine,) = shop.record("P-1", SMALL).tags
    (other,) = shop.record("P-2", {**SMALL, "1": (0.4543, 0.4544)}).tags
    rework(shop, mine)
    rework(shop, other)
    run = recheck(shop, REAMED, other)
    assert (verdict(run), held(run)) == ("reject", ["recheck-of-what"])
    assert not find_tag(shop.ledger, mine).closed
    assert not find_tag(shop.ledger, other).closed


def test_an_oversize_hole_is_not_read_small_again(shop: Shop) -> None:
    (tag,) = shop.record("P-1", LARGE).tags
    for word in ("", "rework"):
        if word:
            shop.rework_of_before(tag)
        run = recheck(shop, {"2": (0.4600 + 0.0001 * len(word), 0.4605)}, tag)
        assert (verdict(run), held(run)[:1]) == ("hold", ["recheck-cannot-mend"])
    assert not find_tag(shop.ledger, tag).closed
    assert {"held", "tag-open"} <= set(refused(shop))
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, "P-1", "41")
    actions = [p.action for p in caught.value.problems if p.code == "held"]
    assert actions == ["Engineering disposition; record both sheets"]
    assert [p.action.partition(": holeqc")[0] for p in caught.value.problems if p.code == "tag-open"] == [
        "Decide anew: hole 2 was over its upper limit, and rework can't mend that; decide repair or use-as-is with an "
        "authority, scrap or return"
    ]  # fmt: skip
    run = recheck(shop, {"2": (0.4603, 0.4604)}, "2026-11-05", day="2026-11-06")
    assert (verdict(run), held(run)) == ("hold", ["recheck-cannot-mend"]), "nor once more"


def test_a_recheck_that_was_refused_stands_in_no_ones_way(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    assert held(recheck(shop, REAMED, tag, day="2026-11-02")) == ["recheck-older"]
    run = recheck(shop, {"1": (0.4573, 0.4574)}, tag, day="2026-11-06")
    assert (verdict(run), held(run)) == ("accept", [])
    approve(shop.ledger, "P-1", "41")


def test_a_bad_hole_is_not_hidden_behind_the_recheck_of_another(shop: Shop) -> None:
    one, two = sorted(shop.record("P-1", TWO).tags, key=lambda t: find_tag(shop.ledger, t).holes)
    rework(shop, one)
    run = recheck(shop, {**REAMED, "2": (0.4575, 0.4577)}, one)  # the second wasn't asked
    assert verdict(run) == "reject"
    after = find_tag(shop.ledger, two)
    assert after.goes_on, "plug and plug contradict one another now, which is newly wrong"
    assert [t.holes for t in find_tags(shop.ledger, only_open=True) if t.row["verdict"] == "reject"] == [("2",)]
    assert set(refused(shop)) == {"held", "rejected"}


def test_readings_of_the_first_sheet_copied_under_a_gauge_in_calibration(shop: Shop) -> None:
    shop.record("P-1", GOOD, gauge="G2")
    run = recheck(shop, GOOD, "2026-11-03")
    assert verdict(run) == "hold"
    assert "copied-from-record" in held(run)
    assert "held" in refused(shop)


def test_a_recheck_that_is_changed_goes_on_from_where_it_began(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    assert verdict(recheck(shop, {"1": (0.4546, 0.4572)}, tag, name="again.csv")) == "reject"
    run = recheck(shop, {"1": (0.4576, 0.4572)}, tag, name="again.csv")
    assert [f.status for f in run.recorded.files] == ["revision"]
    assert verdict(run) == "accept"
    (number,) = run.recorded.inspections.values()
    link = part_story(shop.ledger, "P-1").inspections[-1].link
    assert link is not None
    assert (link.inspection, link.of) == (number, 1)
    approve(shop.ledger, "P-1", "41")


def test_a_recheck_is_not_recorded_as_a_sheet_of_its_own(shop: Shop) -> None:
    shop.record("P-1", SMALL)
    readings = read(shop, REAMED, "2026-11-03")
    spec = load_specification(shop.kit())
    found = inspect(spec, readings)
    with pytest.raises(LedgerError, match="the run holds rechecks"):
        record(shop.ledger, found, Path(spec.path).read_text(encoding="utf-8"), "bench 2")
    for given in ({"tags": False}, {"replaces": 3}):
        with pytest.raises(LedgerError, match="without --replaces and --no-tags"):
            record_run(shop.ledger, found, "bench 2", **given)  # type: ignore[arg-type]


def test_who_logged_a_recheck_does_not_approve_it(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    recheck(shop, REAMED, tag, by="41")
    assert list(refused(shop)) == ["same-person"]


def test_a_row_taken_out_of_what_does_not_count_is_noticed(shop: Shop) -> None:
    (tag,) = shop.record("P-1", SMALL).tags
    rework(shop, tag)
    recheck(shop, REAMED, tag)
    with shop.ledger.engine.begin() as connection, pytest.raises(Exception, match=r"append|never"):
        connection.exec_driver_sql("DELETE FROM left_out")


def test_two_parts_in_one_recheck_go_on_each_by_itself(shop: Shop) -> None:
    (one,) = shop.record("P-1", SMALL).tags
    (two,) = shop.record("P-2", {"1": (0.4581, 0.4583), "2": (0.4546, 0.4548)}).tags
    for tag in (one, two):
        rework(shop, tag)
    spec = load_specification(shop.kit())
    sheet = shop.sheet("P-1", REAMED, day="2026-11-05")
    rows = shop.sheet("P-2", {"2": (0.4574, 0.4575)}, day="2026-11-05").read_text(encoding="utf-8").splitlines()[1:]
    text = sheet.read_text(encoding="utf-8") + "\n".join(rows) + "\n"
    sheet.write_text(f"Recheck of: 2026-11-03\n{text}", encoding="utf-8")
    run = record_run(shop.ledger, inspect(spec, read_files([sheet], spec, ReadOptions(today=TODAY))), "bench 2")
    assert [row["verdict"] for row in run_rows(run)] == ["accept", "accept"]
    assert [(x["serial"], x["verdict"]) for x in newest_parts(shop.ledger)] == [("P-1", "accept"), ("P-2", "accept")]
    assert shop.ledger.verify().holds
    for serial in ("P-1", "P-2"):
        approve(shop.ledger, serial, "41")
        assert approved_set(shop.ledger, serial).inspection.parts["serial"].tolist() == [serial]


def test_a_closed_tag_stays_closed_when_another_is_decided(shop: Shop) -> None:
    one, two = (shop.record(serial, SMALL, name=f"{serial}.csv", day=day).tags[0] for serial, day in (
        ("P-1", "2026-11-03"), ("P-2", "2026-11-02")
    ))  # fmt: skip
    rework(shop, one)
    recheck(shop, REAMED, one)
    assert [t.number for t in find_tags(shop.ledger, only_open=True)] == [two]
    rework(shop, two)
    assert [t.number for t in find_tags(shop.ledger, only_open=True)] == [two]
    assert {row["serial"]: row["open_tags"] for row in newest_parts(shop.ledger)} == {"P-1": 0, "P-2": 1}
    events = len(find_tag(shop.ledger, one).events)
    shop.record("P-1", AGAIN, day="2026-11-06")
    assert len(find_tag(shop.ledger, one).events) == events, "what is closed isn't closed again"


def both_to_rework(shop: Shop) -> tuple[str, str]:
    one, two = sorted(shop.record("P-1", TWO).tags, key=lambda t: find_tag(shop.ledger, t).holes)
    for tag in (one, two):
        rework(shop, tag)
    return one, two


def test_a_name_used_again_for_another_hole_corrects_nothing(shop: Shop) -> None:
    one, two = both_to_rework(shop)
    recheck(shop, REAMED, one, name="again.csv")
    run = recheck(shop, {"2": (0.4573, 0.4575)}, two, name="again.csv", day="2026-11-06")
    assert ([f.status for f in run.recorded.files], verdict(run)) == (["new"], "accept")
    approve(shop.ledger, "P-1", "41")


def test_a_recheck_on_which_another_rests_is_not_corrected(shop: Shop) -> None:
    one, two = both_to_rework(shop)
    recheck(shop, {"1": (0.4546, 0.4572)}, one, name="again.csv")
    recheck(shop, {"2": (0.4573, 0.4575)}, two, day="2026-11-06")
    run = recheck(shop, {"1": (0.4576, 0.4574)}, one, name="again.csv", day="2026-11-07")
    assert ([f.status for f in run.recorded.files], verdict(run)) == (["new"], "accept")


def test_a_tag_that_readings_closed_says_nothing_where_the_hole_is_rejected_again(shop: Shop) -> None:
    """The limits are tightened, and what was reamed to the old ones is small again; only the other hole is read."""
    one, two = both_to_rework(shop)
    recheck(shop, REAMED, one)
    kit = shop.folder / "tight.toml"
    text = shop.kit("B").read_text(encoding="utf-8")
    kit.write_text(text.replace("[plugs]\ngo = 0.455\n", "").replace("= 0.455", "= 0.4572"), encoding="utf-8")
    spec = load_specification(kit)
    shop.release(spec)
    sheet = shop.sheet("P-1", {"2": (0.4573, 0.4575)}, day="2026-11-06")
    sheet.write_text(f"Recheck of: {two}\n{sheet.read_text(encoding='utf-8')}", encoding="utf-8")
    run = record_run(shop.ledger, inspect(spec, read_files([sheet], spec, ReadOptions(today=TODAY))), "bench 2")
    assert verdict(run) == "reject"
    (new,) = run.tags
    assert find_tag(shop.ledger, new).holes == ("1",)
    assert "rejected" in refused(shop)


def under_draft(shop: Shop, sizes: Sizes, of: str, *, upper: str = "0.463") -> RecordedRun:
    """Record a recheck under a kit file whose upper limit somebody has changed, released by nobody."""
    readings = read(shop, sizes, of)
    path = shop.folder / "k2.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("upper = 0.462", f"upper = {upper}"), encoding="utf-8")
    spec = load_specification(path)
    sheet = shop.folder / readings.rechecks[0].sources[0].file
    again = read_files([sheet], spec, ReadOptions(today=TODAY))
    shown = with_bases(shop.ledger, spec, again)
    run = record_run(shop.ledger, inspect(spec, again), "bench 2")
    assert verdict(run) == VERDICTS[int(shown.parts["verdict"].max())]
    return run


@pytest.mark.parametrize("hole", ["1", "2"])
def test_an_open_tag_holds_whatever_a_draft_kit_says(shop: Shop, hole: str) -> None:
    """Hole 2 was over 0.462; a draft of 0.463 would accept it, read again or not."""
    (tag,) = shop.record("P-1", LARGE).tags
    shop.rework_of_before(tag)
    run = under_draft(shop, {hole: (0.4583, 0.4591)}, tag)
    assert (verdict(run), held(run)) == ("hold", ["recheck-cannot-mend"])
    (problem,) = (p for p in run.inspection.readings.problems if p.holds)
    assert problem.message.startswith(f"hole 2: tag {tag} is open, it was over its upper limit")
    assert not find_tag(shop.ledger, tag).closed


def test_a_draft_kit_does_not_free_a_hole_that_was_not_read_again(shop: Shop) -> None:
    one, two = shop.record("P-1", TWO).tags
    rework(shop, one)
    rework(shop, two)
    of = {find_tag(shop.ledger, tag).holes: tag for tag in (one, two)}
    path = shop.kit()
    readings = read(shop, REAMED, of["1",])
    path.write_text(path.read_text(encoding="utf-8").replace("lower = 0.455", "lower = 0.454"), encoding="utf-8")
    spec = load_specification(path)
    again = read_files([shop.folder / readings.rechecks[0].sources[0].file], spec, ReadOptions(today=TODAY))
    run = record_run(shop.ledger, inspect(spec, again), "bench 2")
    assert "recheck-tag-open" in held(run)
    assert not find_tag(shop.ledger, of["2",]).closed


@pytest.mark.parametrize("what", ["decided", "done"])
def test_readings_of_before_the_rework_close_nothing(shop: Shop, monkeypatch: pytest.MonkeyPatch, what: str) -> None:
    """Decided on the 5th (and told as done on the 6th), by the bench's clock; read on the day before that."""
    (tag,) = shop.record("P-1", SMALL).tags
    monkeypatch.setattr("holeqc.ledger.ledger.now", lambda: ("2026-11-05T06:00:00.000000Z", 0))
    rework(shop, tag)
    last = 5
    if what == "done":
        monkeypatch.setattr("holeqc.ledger.ledger.now", lambda: ("2026-11-06T06:00:00.000000Z", 0))
        reworked(shop.ledger, tag, "bench 2")
        last = 6
    run = recheck(shop, REAMED, tag, day=f"2026-11-0{last - 1}")
    assert (verdict(run), held(run)) == ("reject", ["recheck-older"])
    assert f"was decided or done on 2026-11-0{last}" in str(run.inspection.readings.problems)
    whole = shop.record("P-1", {**AGAIN, "1": (0.4574, 0.4576)}, day=f"2026-11-0{last - 1}")
    why = f"it was read on 2026-11-0{last - 1}, before the rework was decided or done on 2026-11-0{last}"
    assert f"tag {tag} stays open: {why}" in whole.notes
    assert "tag-open" in refused(shop)
    run = recheck(shop, {"1": (0.4575, 0.4578)}, tag, day=f"2026-11-0{last}")
    assert find_tag(shop.ledger, tag).closed is (verdict(run) == "accept") is True


def test_a_crack_is_not_reamed_away(shop: Shop) -> None:
    spec = load_specification(shop.kit("A", "[surface]\nclean = true"))
    shop.release(spec)
    lines = (
        "date,serial,part,hole,dia 0,dia 90,go,surface,gauge\n2026-11-{},P-1,plate,1,{},0.4581,enters,{},G1\n"
        "2026-11-{},P-1,plate,2,{},0.4604,enters,clean,G1\n"
    )
    for n, (day, word) in enumerate((("03", "crack"), ("05", "clean"))):
        sheet = shop.folder / f"crack_{n}.csv"
        sheet.write_text(lines.format(day, f"0.457{n}", word, day, f"0.459{n}"), encoding="utf-8")
        run = record_run(shop.ledger, inspect(spec, read_files([sheet], spec, ReadOptions(today=TODAY))), "bench 2")
        if n == 0:
            (tag,) = run.tags
            with pytest.raises(LedgerError, match=r"hole 1 had a crack, and rework can't mend that; decide repair or"):
                rework(shop, tag)
            shop.rework_of_before(tag)
            with pytest.raises(LedgerError, match="had a crack, and rework can't mend that"):
                reworked(shop.ledger, tag, "bench 2", "reamed")
    assert verdict(run) == "accept"
    assert any(note.endswith("the hole had a crack; rework can't mend that: engineering decides") for note in run.notes)
    assert "tag-open" in refused(shop)


def test_an_edge_too_near_is_not_reamed_away(shop: Shop) -> None:
    """The least edge distance is 0.900: neither a recheck after rework nor a whole sheet closes the tag of 0.850."""
    path = shop.kit("A", "edge_distance = true\n[edge]\nminimum = 0.900")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('["diameter"]', '["diameter", "edge_distance"]'), encoding="utf-8")
    spec = load_specification(path)
    shop.release(spec)

    def record(day: str, edge: str, of: str = "", more: str = "1") -> RecordedRun:
        sheet = shop.folder / f"edge_{day}_{bool(of)}.csv"
        rows = [f"1,0.457{more},0.458{more},{edge},enters,G1"]
        rows += [] if of else [f"2,0.459{more},0.460{more},0.950,enters,G1"]
        head = [f"Serial: P-1\nDate: 2026-11-{day}", *([f"Recheck of: {of}"] if of else [])]
        sheet.write_text("\n".join([*head, "hole,dia 0,dia 90,edge distance,go,gauge", *rows]) + "\n", encoding="utf-8")
        readings = read_files([sheet], spec, ReadOptions(today=TODAY))
        return record_run(shop.ledger, inspect(spec, readings), "bench 2")

    (tag,) = record("03", "0.850").tags
    shop.rework_of_before(tag)
    assert verdict(run := record("05", "0.951", tag, "3")) == "hold"
    assert "recheck-cannot-mend" in held(run)
    run = record("06", "0.952", more="5")
    assert any("the hole was too near the edge; rework can't mend that" in note for note in run.notes)
    assert not find_tag(shop.ledger, tag).closed
    assert "tag-open" in refused(shop)
