"""Who may write, whose name is proven, when; and approved parts that a gauge puts in question, on both databases.

What must happen follows from the rules of the record that README states; no outside source applies. Signatures: Ed25519
as the library cryptography makes them.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop import AGAIN, GOOD, LARGE, Shop, place
from sqlalchemy import text
from test_seals import by_hand

from holeqc.ledger import ledger as ledgers
from holeqc.ledger import open_ledger, persons, schema
from holeqc.ledger.approvals import (
    ApprovalRefused,
    approve,
    approved_set,
    compare_with_ledger,
    newest_story,
    record_packet,
    withdraw,
)
from holeqc.ledger.equipment import BAD, Calibration, record_calibration
from holeqc.ledger.equipment import GOOD as IN_TOLERANCE
from holeqc.ledger.kits import release
from holeqc.ledger.stories import close_questions, consequence_words, newest_parts, open_questions, part_story
from holeqc.ledger.tags import dispose
from holeqc.problems import LedgerError
from holeqc.reports.packet import (
    MANIFEST,
    SEAL,
    certificate_report,
    digest_of,
    listed_characteristics,
    run_of,
    verify_packet,
    write_packet,
)
from holeqc.reports.pages import html_page
from holeqc.reports.record import part_text, parts_text, story_data
from holeqc.specification.load import load_specification

SIGNED = "[approval]\nsigned = true\n"
PASSPHRASE = "correct horse"


def make_key(path: Path, passphrase: str) -> str:
    locked, public = persons.new_key(passphrase)
    persons.write_key(path, locked)
    return public


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


# ---------------------------------------------------------------------------------------------------------- persons


NAMES = ("017", "17 ", "0017", "l7", "I7", "\uff11\uff17", "1-7", "#17", "17.", "bench 17", "No. 17")


@pytest.mark.parametrize("name", NAMES)
def test_another_way_of_typing_is_no_second_person(shop: Shop, name: str) -> None:
    shop.record("P-1", GOOD, by="17" if name != "1-7" else "1 7")
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, "P-1", name)
    assert [p.code for p in caught.value.problems] == ["same-person"]
    said = caught.value.problems[0].message
    assert ("who counts as 17, logged it" in said) is (name in {"bench 17", "No. 17", "#17", "17.", "l7", "I7"})
    approve(shop.ledger, "P-1", "170")


def test_once_persons_are_declared_nobody_else_writes(shop: Shop) -> None:
    shop.record("P-1", GOOD, by="17")
    persons.declare_person(shop.ledger, "7", "engineer", "7")
    head = shop.ledger.head()
    for act in (
        lambda: approve(shop.ledger, "P-1", "41"), lambda: shop.record("P-2", GOOD, by="17"),
        lambda: shop.ledger.entry("any", "anybody"),
        lambda: persons.declare_person(shop.ledger, "41", "inspector", "17"),
    ):  # fmt: skip
        with pytest.raises(LedgerError, match=r"knows no person '\w+'; declared are 7 \(engineer\)"):
            act()
    assert shop.ledger.head() == head
    persons.declare_person(shop.ledger, "41", "inspector", "7")
    persons.declare_person(shop.ledger, "17", "technician", "7")
    with pytest.raises(LedgerError, match="declared as technician, not as inspector"):
        approve(shop.ledger, "P-1", "17")
    with pytest.raises(LedgerError, match="persons of that role only"):
        persons.declare_person(shop.ledger, "99", "inspector", "17")
    persons.declare_person(shop.ledger, "99", "technician", "17")
    approve(shop.ledger, "P-1", "041")
    persons.remove_person(shop.ledger, "99", "7", "left")
    with pytest.raises(LedgerError, match="knows no person"):
        shop.ledger.entry("any", "99")
    assert [p.name for p in persons.declared(shop.ledger).values()] == ["7", "41", "17"]
    assert shop.ledger.verify().holds


def test_an_approver_declared_by_who_logged_is_no_second_person(shop: Shop) -> None:
    persons.declare_person(shop.ledger, "7", "inspector", "7")
    for name in ("office 1", "office 2"):
        persons.declare_person(shop.ledger, name, "engineer", "7")
    persons.declare_person(shop.ledger, "8", "inspector", "7")
    shop.record("P-1", GOOD, by="7")
    with pytest.raises(ApprovalRefused, match="can't be approved") as caught:
        approve(shop.ledger, "P-1", "8")
    assert "was declared by 7, who logged it" in caught.value.problems[0].message


def test_who_logged_makes_nobody_to_decide_for_it(shop: Shop) -> None:
    persons.declare_person(shop.ledger, "7", "engineer", "7")
    roles = {"17": "technician", "41": "inspector", "42": "inspector", "office 1": "engineer", "office 2": "engineer"}
    for name, role in roles.items():
        persons.declare_person(shop.ledger, name, role, "7")
    persons.declare_person(shop.ledger, "18", "technician", "17")
    (tag,) = shop.record("P-1", LARGE, by="17").tags
    (other,) = shop.record("P-2", {"1": (0.4571, 0.4579), "2": (0.4626, 0.4599)}, by="41").tags
    persons.set_person_key(shop.ledger, "42", "ab" * 32, "41")
    persons.declare_person(shop.ledger, "43", "inspector", "41")
    head = shop.ledger.head()
    for number, by, why in (
        (tag, "18", "18 is declared as technician; use-as-is is decided by a person declared as inspector or engineer"),
        (other, "42", "42 has its key from 41, who logged the readings"),
        (other, "43", "43 was declared by 41, who logged the readings"),
    ):
        with pytest.raises(LedgerError, match=why):
            dispose(shop.ledger, number, "use-as-is", by, "ample edge", authority="EO-2")
    assert shop.ledger.head() == head
    dispose(shop.ledger, tag, "use-as-is", "42", "ample edge", authority="EO-2")
    dispose(shop.ledger, other, "use-as-is", "office 1", "ample edge", authority="EO-2")
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, "P-2", "42")
    assert "has its key from 41, who logged it" in caught.value.problems[0].message


# -------------------------------------------------------------------------------------------------------- signatures


def keys(shop: Shop) -> dict[str, object]:
    """Declare everybody and give each a key."""
    pytest.importorskip("cryptography")
    pytest.importorskip("cryptography")
    persons.declare_person(shop.ledger, "7", "engineer", "7")
    found = {}
    roles = {"7": "engineer", "41": "inspector", "bench 2": "technician"}
    roles |= dict.fromkeys(("office 1", "office 2"), "engineer")
    for name, role in roles.items():
        if name != "7":
            with pytest.raises(LedgerError, match=r"the list of persons is signed since 7, .* sign with your key"):
                persons.declare_person(shop.ledger, name, role, "7")
            persons.declare_person(shop.ledger, name, role, "7", found["7"])
        path = shop.folder / f"{name}.key"
        public = make_key(path, PASSPHRASE)
        if name != "7":  # whoever types a name doesn't get its key
            with pytest.raises(LedgerError, match="sign with your key"):
                persons.set_person_key(shop.ledger, name, public, name)
        persons.set_person_key(shop.ledger, name, public, "7", signer=found.get("7"))
        found[name] = persons.load_key(path, PASSPHRASE)
    return found


def signed_shop(shop: Shop) -> dict[str, object]:
    """Give everybody a key and have a kit released that asks for signatures."""
    found = keys(shop)
    spec = load_specification(shop.kit(more=SIGNED))
    content = Path(spec.path).read_bytes()
    with pytest.raises(LedgerError, match="sign with your key"):
        release(shop.ledger, spec, content, "office 1")
    for who in ("office 1", "office 2"):
        release(shop.ledger, spec, content, who, "", found[who])
    return found


def test_approvals_dispositions_and_releases_are_signed(shop: Shop) -> None:
    found = signed_shop(shop)
    (tag,) = shop.record("P-1", LARGE, more=SIGNED).tags
    decided = (shop.ledger, tag, "use-as-is", "7", "ample edge")
    for signer, why in ((None, "sign with your key"), (found["41"], "not the key on record of 7")):
        with pytest.raises(LedgerError, match=why):
            dispose(*decided, authority="EN-1", signer=signer)
    dispose(*decided, authority="EN-1", signer=found["7"])
    for signer, why in ((None, "sign with your key"), (found["7"], "not the key on record of 41")):
        with pytest.raises(LedgerError, match=why):
            approve(shop.ledger, "P-1", "41", signer=signer)
    approve(shop.ledger, "P-1", "41", signer=found["41"])
    story = part_story(shop.ledger, "P-1")
    assert f"by 41 (signed, key {found['41'].public_key[:4]} " in part_text(story)
    approved_set(shop.ledger, "P-1")
    for signer, why in ((None, "sign with your key"), (found["41"], "not the key on record of 7")):
        with pytest.raises(LedgerError, match=why):
            withdraw(shop.ledger, "P-1", "7", "read again", signer=signer)
    withdraw(shop.ledger, "P-1", "7", "read again", signer=found["7"])
    assert shop.ledger.verify().holds


def test_without_signatures_pages_say_name_as_typed(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    approve(shop.ledger, "P-1", "41")
    assert "by 41 (name as typed) as inspector" in part_text(part_story(shop.ledger, "P-1"))


def test_a_forged_approval_in_a_rewritten_chain_is_found(shop: Shop) -> None:
    found = signed_shop(shop)
    shop.record("P-1", GOOD, more=SIGNED)
    entry = approve(shop.ledger, "P-1", "41", signer=found["41"]).entry.seq
    by_hand(shop.ledger, f"UPDATE approval SET note = 'lot 9' WHERE entry = {entry}")
    rewrite_chain(shop)
    assert shop.ledger.verify().holds  # whoever may write everything makes a chain that holds
    with pytest.raises(LedgerError, match="its signature is of something else"):
        approved_set(shop.ledger, "P-1")
    by_hand(shop.ledger, f"DELETE FROM signature WHERE entry = {entry}")
    rewrite_chain(shop)
    with pytest.raises(LedgerError, match="isn't signed"):
        approved_set(shop.ledger, "P-1")


def test_a_key_put_on_record_by_hand_signs_nothing(shop: Shop) -> None:
    signed_shop(shop)
    shop.record("P-1", GOOD, more=SIGNED)
    mine = shop.folder / "mine.key"
    row = {"name": "41", "folded": "41", "act": "key", "role": "inspector",
           "public_key": make_key(mine, PASSPHRASE)}  # fmt: skip
    shop.ledger.entry("person", "41", {"person": [row]})
    approve(shop.ledger, "P-1", "41", signer=persons.load_key(mine, PASSPHRASE))
    with pytest.raises(LedgerError, match="put on record without the signature of an older key"):
        approved_set(shop.ledger, "P-1")


def rewrite_chain(shop: Shop) -> None:
    """Work out all digests anew, as somebody would who owns the database and has read the code."""
    from runs import content

    from holeqc.ledger import schema

    rows = content(shop.ledger)
    previous, statements = schema.FIRST_PREVIOUS, []
    names = {t.name: [c.name for c in t.columns] for t in (schema.ENTRY, *schema.DETAILS)}
    tables = {name: [dict(zip(names[name], row, strict=True)) for row in of] for name, of in rows.items()}
    entry_of = {t.name: {row["id"]: row["entry"] for row in tables[t.name]} for t in schema.DETAILS
                if "id" in t.columns and "entry" in t.columns}  # fmt: skip
    for entry in tables["entry"]:
        payload = schema.PayloadDigest()
        for table in schema.DETAILS:
            parent = schema.parent_of(table)
            mine = [row for row in tables[table.name] if entry["seq"] == (
                row["entry"] if parent is None else entry_of[parent[0].name][row[parent[1]]])]  # fmt: skip
            if mine:
                payload.add(table.name, schema.kinds_of(table), [[row[n] for row in mine] for n in names[table.name]])
        entry |= {"payload": payload.hexdigest(), "previous": previous}
        previous = entry["hash"] = schema.entry_hash(entry)
        statements.append(
            f"UPDATE entry SET payload = '{entry['payload']}', previous = '{entry['previous']}', "
            f"hash = '{entry['hash']}' WHERE seq = {entry['seq']}"
        )
    by_hand(shop.ledger, *statements)


def test_a_signed_packet_is_proven_without_the_ledger(shop: Shop) -> None:
    found = signed_shop(shop)
    shop.record("P-1", GOOD, more=SIGNED)
    approve(shop.ledger, "P-1", "41", signer=found["41"])
    approved = approved_set(shop.ledger, "P-1")
    with pytest.raises(LedgerError, match="sign with your key"):
        write_packet(approved, shop.folder / "p", lambda digest: record_packet(shop.ledger, approved, digest, "41"))
    write_packet(
        approved, shop.folder / "p", lambda digest: record_packet(shop.ledger, approved, digest, "41", found["41"])
    )
    check = verify_packet(shop.folder / "p")
    assert check.differences == ()
    assert check.signers == tuple((what, "41", found["41"].public_key) for what in ("approval", "packet"))
    for change in ("serial", "report"):
        folder = shop.folder / f"forged {change}"
        shutil.copytree(shop.folder / "p", folder)
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        if change == "serial":
            manifest["serial"] = "P-2"
        else:
            (folder / "report.pdf").write_bytes(b"another")
            (named,) = [f for f in manifest["files"] if f["name"] == "report.pdf"]
            import hashlib

            named |= {"bytes": 7, "sha256": hashlib.sha256(b"another").hexdigest()}
        manifest["sha256"] = digest_of(manifest)
        (folder / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")
        seal = json.loads((folder / SEAL).read_text(encoding="utf-8"))
        from holeqc.ledger.approvals import packet_words
        from holeqc.ledger.schema import entry_hash

        seal["row"]["reason"] = packet_words(manifest["approval"]["entry"], manifest["sha256"])
        seal["hash"] = entry_hash(seal["row"])
        (folder / SEAL).write_text(json.dumps(seal), encoding="utf-8")
        found_ = verify_packet(folder)
        assert any("signature is of something else" in one for one in found_.differences), change
        assert found_.signers == ()


def test_keys_are_locked_and_never_written_over(tmp_path: Path) -> None:
    pytest.importorskip("cryptography")
    pytest.importorskip("cryptography")
    with pytest.raises(LedgerError, match="at least 8"):
        make_key(tmp_path / "a.key", "short")
    public = make_key(tmp_path / "a.key", PASSPHRASE)
    assert b"ENCRYPTED" in (tmp_path / "a.key").read_bytes()
    assert (tmp_path / "a.key").stat().st_mode & 0o077 == 0
    with pytest.raises(LedgerError, match="never written over"):
        make_key(tmp_path / "a.key", PASSPHRASE)
    with pytest.raises(LedgerError, match="passphrase is wrong"):
        persons.load_key(tmp_path / "a.key", "another one")
    signer = persons.load_key(tmp_path / "a.key", PASSPHRASE)
    assert signer.public_key == public
    assert persons.holds(public, "x", signer.sign("x"))
    assert not persons.holds(public, "y", signer.sign("x"))
    assert not persons.holds("00", "x", "zz")


# ------------------------------------------------------------------------------------------------------- in question


def test_a_gauge_found_off_after_the_approval_puts_the_part_in_question(shop: Shop) -> None:
    shop.record("P-1", GOOD, day="2026-11-03")
    shop.record("P-2", AGAIN, day="2026-11-25")
    done = approve(shop.ledger, "P-1", "41")
    approve(shop.ledger, "P-2", "41")
    record_calibration(shop.ledger, Calibration("G1", dt.date(2026, 11, 24), IN_TOLERANCE), "gauge room")
    assert open_questions(shop.ledger) == []
    bad = Calibration("G1", dt.date(2026, 11, 20), BAD, error=0.0001, unit="in")
    seq = record_calibration(shop.ledger, bad, "gauge room").seq
    (question,) = open_questions(shop.ledger)  # P-2 was read after the calibration of the 24th
    assert (question.serial, question.gauge, question.calibration) == ("P-1", "G1", seq)
    first, second = newest_parts(shop.ledger)
    assert "found out of tolerance at its next calibration" in first["in_question"]
    assert (first["approved"], second["in_question"]) == (1, "")
    assert "plate P-1: IN QUESTION, gauge G1 read" in parts_text([first, second])
    assert parts_text([first, second]).splitlines()[-1] == "2 parts"
    with pytest.raises(LedgerError, match="P-1 is in question: gauge G1"):
        approved_set(shop.ledger, "P-1")
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, "P-1", "41")
    assert [p.action for p in caught.value.problems if p.code == "approved-already"] == [
        "Answer the question: holeqc question P-1; or take the approval back: holeqc withdraw."
    ]
    said = {"entry": done.entry.seq, "hash": done.entry.hash}
    assert any("in question" in one for one in compare_with_ledger(shop.ledger, said, "0" * 64)[0])
    with pytest.raises(LedgerError, match="say why"):
        close_questions(shop.ledger, "P-1", "41", " ")
    with pytest.raises(LedgerError, match="second person"):
        close_questions(shop.ledger, "P-1", "bench 2", "looks fine")
    with pytest.raises(LedgerError, match="nothing puts it in question"):
        close_questions(shop.ledger, "P-2", "41", "looks fine")
    close_questions(shop.ledger, "P-1", "41", "0.0001 with 0.0015 to spare")
    assert open_questions(shop.ledger) == []
    approved = approved_set(shop.ledger, "P-1")
    said = "by 41, entry 12: 0.0001 with 0.0015 to spare (gauge G1, entry 11: with its error taken out every verdict"
    story = part_story(shop.ledger, "P-1")
    assert said in " ".join(part_text(story).split())
    assert "0.0001 with 0.0015" in json.dumps(story_data(story), default=str)
    part = run_of(approved)[1]
    listed = listed_characteristics(approved, part)
    assert said in html_page(certificate_report(approved, part, listed))
    record_calibration(shop.ledger, Calibration("G1", dt.date(2026, 11, 19), BAD), "gauge room")
    assert [q.serial for q in open_questions(shop.ledger)] == ["P-1"]  # a later finding asks anew
    with pytest.raises(LedgerError, match=r"error isn't known: every reading of gauge G1 is doubtful.*--read-with"):
        close_questions(shop.ledger, "P-1", "41", "looks fine")
    withdraw(shop.ledger, "P-1", "7", "read again")
    assert open_questions(shop.ledger) == []


THREE = """[[gauge]]
id = "G3"
measures = ["diameter"]
uncertainty = 0.0001
calibration_due = 2026-12-31
"""


def test_a_question_is_closed_by_what_answers_it(shop: Shop) -> None:
    """An error of 0.0022 takes the smallest reading 0.4570 under the limit of 0.455, and the GO that entered
    contradicts it: no reason closes that.
    """
    shop.record("P-1", GOOD, more=THREE)
    approve(shop.ledger, "P-1", "41")
    unknown = Calibration("G1", dt.date(2026, 11, 20), BAD)
    record_calibration(shop.ledger, unknown, "gauge room")
    for said, why in (("", "--read-with GAUGE"), ("G1", "that is the gauge in question"), ("G2", "2026-06-30"),
                      ("caliper", "it isn't in the kit; gauges of the kit: G1, G2, P1, G3")):  # fmt: skip
        with pytest.raises(LedgerError, match=why):
            close_questions(shop.ledger, "P-1", "41", "seems good", read_with=said)
    close_questions(shop.ledger, "P-1", "41", "0.4571 to 0.4601", read_with="g3")
    (row,) = shop.ledger.rows(text("SELECT note FROM question_closed"))
    assert row["note"].endswith("read again with G3, as the inspector states)")
    found = Calibration("G1", dt.date(2026, 11, 19), BAD, error=0.0022, unit="in")
    record_calibration(shop.ledger, found, "gauge room")
    (question,) = open_questions(shop.ledger)
    assert consequence_words(shop.ledger, question) == "with its error taken out the verdict is hold"
    with pytest.raises(LedgerError, match=r"the verdict is hold\. A reason alone doesn't close that"):
        close_questions(shop.ledger, "P-1", "41", "seems good", read_with="G3")
    shop.record("P-1", AGAIN, more=THREE, day="2026-11-25")  # the gauge in question once more
    with pytest.raises(LedgerError, match="A reason alone"):
        close_questions(shop.ledger, "P-1", "41", "seems good")
    run = shop.record("P-1", {"1": (0.4572, 0.4581), "2": (0.4593, 0.4601)}, more=THREE, gauge="G3", day="2026-11-26")
    close_questions(shop.ledger, "P-1", "41", "read again")
    note = shop.ledger.rows(text("SELECT note FROM question_closed ORDER BY id"))[-1]["note"]
    assert note.endswith(f"read again with another gauge and accepted, entry {run.recorded.last})")
    assert open_questions(shop.ledger) == []


# ------------------------------------------------------------------------------------------------------------- clock


def set_clock(patch: pytest.MonkeyPatch, moment: dt.datetime) -> None:
    patch.setattr(ledgers, "now", lambda: schema.stored(moment))


def test_an_entry_before_the_newest_is_refused_unless_a_reason_is_given(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop.record("P-1", GOOD)
    (row,) = shop.ledger.rows(text("SELECT max(at) AS at FROM entry"))
    newest = dt.datetime.strptime(row["at"], "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=dt.UTC)
    set_clock(monkeypatch, newest - dt.timedelta(seconds=90))  # clocks of two benches may differ so much
    shop.ledger.entry("one", "bench 2")
    set_clock(monkeypatch, newest - dt.timedelta(hours=1))
    head = shop.ledger.head()
    with pytest.raises(LedgerError, match="before the newest entry"):
        approve(shop.ledger, "P-1", "41")
    assert shop.ledger.head() == head
    with pytest.raises(LedgerError, match="say why"):
        shop.ledger.clock_was_set("engineer", " ")
    shop.ledger.clock_was_set("engineer", "bench 3 was an hour ahead")
    approve(shop.ledger, "P-1", "41")
    with pytest.raises(LedgerError, match="is not behind"):
        shop.ledger.clock_was_set("engineer", "once more")
    found = shop.ledger.verify()
    assert found.holds
    (note,) = found.notes
    assert note.startswith(f"entry {head[0] + 1}: the clock was set back before it (entry {head[0]} says ")
    assert "bench 3 was an hour ahead" in note


def test_an_approval_before_its_readings_needs_a_reason(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    from holeqc.ledger import approvals

    shop.record("P-1", GOOD, day="2026-11-03")
    monkeypatch.setattr(approvals, "today", lambda: dt.date(2026, 11, 2))
    with pytest.raises(ApprovalRefused) as caught:
        approve(shop.ledger, "P-1", "41")
    assert [p.code for p in caught.value.problems] == ["before-its-readings"]
    approve(shop.ledger, "P-1", "41", clock_reason="clock of the office is a day late")
    note = newest_story(shop.ledger, "P-1").approvals[0]["note"]
    said = "approved when the clock said 2026-11-02, before its readings of 2026-11-03"
    assert note == f"{said}: clock of the office is a day late"
