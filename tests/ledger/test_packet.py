"""The packet of an approved part, and the proof that it is unchanged.

The fields of the list are those of the third form of AS9102 (2015 sheet: fields 5 to 11 and 14). Digests: SHA-256
worked out here from the files themselves.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from openpyxl import load_workbook
from shop import AGAIN, GOOD, LARGE, Shop, Sizes, place

from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import approve, approved_set, compare_with_ledger, record_packet, withdraw
from holeqc.ledger.equipment import BAD, Calibration, record_calibration
from holeqc.ledger.tags import dispose, find_tags
from holeqc.problems import HoleQCError, LedgerError
from holeqc.reports import packet as packets
from holeqc.reports.blocks import Banner, stamp_of
from holeqc.reports.packet import (
    HEADS,
    MANIFEST,
    SEAL,
    Packet,
    certificate_report,
    list_report,
    listed_characteristics,
    run_of,
    verify_packet,
    write_packet,
)
from holeqc.reports.pages import pdf_report

DECIDED = "use-as-is, authority EN-1"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """P-1 accepted and approved; P-2 with an oversize hole, used as is, approved; P-3 accepted, not approved."""
    folder = tmp_path_factory.mktemp("shop")
    with open_ledger(folder / "ledger.sqlite3") as ledger:
        shop = Shop(folder, ledger)
        shop.record("P-1", GOOD)
        (tag,) = shop.record("P-2", LARGE).tags
        shop.record("P-3", GOOD)
        approve(ledger, "P-1", "41")
        dispose(ledger, tag, "use-as-is", "engineer", "ample edge", authority="EN-1")
        approve(ledger, "P-2", "41", role="inspector, level 2", note="lot 7")
        yield shop


def written(shop: Shop, serial: str, folder: Path) -> Packet:
    """Write a packet as its command does."""
    approved = approved_set(shop.ledger, serial)
    return write_packet(approved, folder, lambda digest: record_packet(shop.ledger, approved, digest, "41"))


@pytest.fixture(scope="module")
def made(shop: Shop) -> Packet:
    return written(shop, "P-2", shop.folder / "packet")


def tag_of(shop: Shop) -> str:
    (tag,) = find_tags(shop.ledger, serial="P-2")
    return tag.number


@pytest.fixture
def copy(made: Packet, tmp_path: Path) -> Path:
    shutil.copytree(made.folder, tmp_path / "copy")
    return tmp_path / "copy"


def test_manifest_has_the_digest_of_everything(made: Packet, shop: Shop) -> None:
    manifest = json.loads((made.folder / MANIFEST).read_text(encoding="utf-8"))
    there = sorted(p.name for p in made.folder.iterdir() if p.name not in (MANIFEST, SEAL))
    assert [f["name"] for f in manifest["files"]] == there
    for said in manifest["files"]:
        data = (made.folder / said["name"]).read_bytes()
        assert (said["bytes"], said["sha256"]) == (len(data), hashlib.sha256(data).hexdigest())
    needed = {"certificate.pdf", "characteristics.pdf", "characteristics.xlsx", "report.pdf", "report.html", "kit.toml"}
    assert needed <= set(there)
    (source,) = manifest["sources"]
    assert source["sha256"] == hashlib.sha256((shop.folder / "sheet_2.csv").read_bytes()).hexdigest()
    assert manifest["kit"]["sha256"] == hashlib.sha256((shop.folder / "k2.toml").read_bytes()).hexdigest()
    assert manifest["approval"]["hash"] == manifest["entries"][1]["hash"]
    assert [(t["number"], t["disposition"], t["authority"], t["state"]) for t in manifest["tags"]] == [
        (tag_of(shop), "use-as-is", "EN-1", "closed")
    ]
    rest = {k: v for k, v in manifest.items() if k != "sha256"}
    text = json.dumps(rest, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    assert manifest["sha256"] == made.manifest_digest == hashlib.sha256(text.encode()).hexdigest()


def test_the_report_says_by_disposition_not_reject(made: Packet) -> None:
    page = (made.folder / "report.html").read_text(encoding="utf-8")
    assert "Approved with use-as-is, EN-1; as read: reject, 1 rejected, 1 accepted of 2 holes" in page
    assert "BY DISPOSITION" in page
    assert "✗ REJECT" not in page


def test_its_tag_is_printed_as_decided(made: Packet, shop: Shop) -> None:
    said = "use-as-is, by engineer, 20"
    (tag,) = json.loads((made.folder / "tags.json").read_text(encoding="utf-8"))
    assert tag["disposition"] == "use-as-is"
    assert tag["decision"].startswith(said)
    assert "authority EN-1, entry " in tag["decision"]
    page = (made.folder / "report.html").read_text(encoding="utf-8")
    assert f"Tag {tag_of(shop)}: {said}" in page[page.index(">Decision<"):]


def test_same_approval_same_bytes(made: Packet, shop: Shop, tmp_path: Path) -> None:
    again = written(shop, "P-2", tmp_path / "again")
    assert again.manifest_digest == made.manifest_digest
    for name in made.files:
        if name == SEAL:  # each making is an entry of its own
            continue
        assert (tmp_path / "again" / name).read_bytes() == (made.folder / name).read_bytes(), name


def test_unchanged_holds(copy: Path) -> None:
    found = verify_packet(copy)
    assert found.holds
    assert found.differences == ()
    assert found.files == len(list(copy.iterdir())) - 2


def test_every_difference_is_named(copy: Path) -> None:
    data = bytearray((copy / "report.pdf").read_bytes())
    data[len(data) // 2] ^= 1
    (copy / "report.pdf").write_bytes(bytes(data))
    (copy / "certificate.pdf").unlink()
    (copy / "extra.txt").write_text("x", encoding="utf-8")
    (copy / "folder").mkdir()
    assert set(verify_packet(copy).differences) == {
        "report.pdf: was changed", "certificate.pdf: is missing", "extra.txt: was added", "folder: was added",
    }  # fmt: skip


def test_each_file_counts(copy: Path) -> None:
    for path in sorted(p for p in copy.iterdir() if p.name not in (MANIFEST, SEAL)):
        before = path.read_bytes()
        path.write_bytes(before + b"\n")
        told = verify_packet(copy).differences
        assert told[0].startswith(f"{path.name}: was changed, {len(before) + 1} bytes instead of {len(before)}")
        path.write_bytes(before)


@pytest.mark.parametrize("key", ["serial", "verdict", "approval", "files", "sha256"])
def test_a_changed_manifest_is_found(copy: Path, key: str) -> None:
    manifest = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
    manifest[key] = [] if key == "files" else {} if key == "approval" else "other"
    (copy / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")
    assert "manifest.json: was changed, its own digest doesn't hold" in verify_packet(copy).differences


@pytest.mark.parametrize("content", [b"", b"[]", b"{}", b"\xff\xfe", b'{"format": "holeqc packet 9"}', b"[" * 100_000])
def test_what_is_no_manifest_is_refused(copy: Path, content: bytes) -> None:
    (copy / MANIFEST).write_bytes(content)
    with pytest.raises(HoleQCError):
        verify_packet(copy)
    (copy / MANIFEST).unlink()
    with pytest.raises(HoleQCError, match="no manifest"):
        verify_packet(copy)


def test_a_manifest_cannot_point_outside(copy: Path) -> None:
    manifest = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
    manifest["files"].append({"name": "../secret", "bytes": 1, "sha256": "0"})
    manifest["sha256"] = packets.digest_of(manifest)
    (copy / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")
    assert verify_packet(copy).differences == ("../secret: is missing", "seal.json: is the seal of another manifest")


def test_ledger_tells_a_forged_manifest(made: Packet, copy: Path, shop: Shop) -> None:
    manifest = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
    digest = str(manifest["sha256"])
    differences, notes = compare_with_ledger(shop.ledger, manifest["approval"], digest)
    assert (differences, "this manifest is on record as entry" in notes[0]) == ([], True)
    # whoever changes the folder and works out a new manifest can't change the ledger
    differences, _ = compare_with_ledger(shop.ledger, manifest["approval"], "0" * 64)
    assert "another manifest is on record" in differences[0]
    other = manifest["approval"] | {"hash": "0" * 64}
    assert "not the approval" in compare_with_ledger(shop.ledger, other, digest)[0][0]
    assert shop.ledger.verify().holds


def test_a_packet_from_before_seals_is_one_where_its_manifest_is_on_record(shop: Shop, copy: Path) -> None:
    manifest = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
    del manifest["signature"]
    manifest["sha256"] = packets.digest_of(manifest)
    (copy / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")
    (copy / SEAL).unlink()
    found = verify_packet(copy)
    assert (found.differences, found.manifest_digest) == ((), manifest["sha256"])
    assert "another manifest is on record" in compare_with_ledger(
        shop.ledger, manifest["approval"], found.manifest_digest
    )[0][0]  # fmt: skip


@pytest.mark.parametrize("key", ["hash", "entry", "row", ""])
def test_a_packet_without_its_own_seal_is_none(copy: Path, key: str) -> None:
    if not key:
        (copy / SEAL).unlink()
        assert verify_packet(copy).differences == (
            "seal.json: is missing, so no entry of a ledger holds this manifest, and this is no packet",
        )
        return
    seal = json.loads((copy / SEAL).read_text(encoding="utf-8"))
    seal[key] = {"hash": "0" * 64, "entry": 1, "row": seal["row"] | {"made_by": "another"}}[key]
    (copy / SEAL).write_text(json.dumps(seal), encoding="utf-8")
    assert verify_packet(copy).differences == ("seal.json: was changed, or is no seal of a packet",)


def test_list_has_one_row_a_characteristic(shop: Shop, made: Packet) -> None:
    approved = approved_set(shop.ledger, "P-2")
    run, part = run_of(approved)
    rows = listed_characteristics(approved, part)
    assert [r.number for r in rows] == [str(n) for n in range(1, len(rows) + 1)]
    assert len(rows) == len(run.inspection.characteristics)
    by = {(r.place, r.requirement): r for r in rows}
    wrong = by["hole 2", "Size 0.4550 to 0.4620"]
    assert (wrong.results, wrong.nonconformance, wrong.comments, wrong.verdict) == (
        "0.4625, 0.4600", tag_of(shop), f"{DECIDED}; gauge G1", 2,
    )  # fmt: skip
    assert wrong.tooling == ""  # variable results are given
    plug = by["hole 1", "GO 0.4550 enters"]
    assert (plug.results, plug.tooling, plug.nonconformance) == ("enters", "GO plug 0.4550", "")
    book = load_workbook(made.folder / "characteristics.xlsx")
    sheet = book["Characteristics"]
    assert [c.value for c in sheet[1]] == [head for head, _ in HEADS]
    assert sheet.max_row == len(rows) + 1
    found = {(row[1], row[3]): row for row in sheet.iter_rows(min_row=2, values_only=True)}
    assert found["hole 2", "Size 0.4550 to 0.4620"][4:9] == (
        "0.4625, 0.4600", None, tag_of(shop), f"{DECIDED}; gauge G1", "✗ reject",
    )  # fmt: skip
    assert found["hole 2", "Size 0.4550 to 0.4620"][11] == 0.4625


def test_certificate_says_what_was_approved(shop: Shop) -> None:
    approved = approved_set(shop.ledger, "P-2")
    _, part = run_of(approved)
    listed = listed_characteristics(approved, part)
    text = repr(certificate_report(approved, part, listed).sections)
    hash_ = str(approved.approval_entry["hash"])
    for word in ("K2-10-1", "P-2", "inspector, level 2", "lot 7", hash_, tag_of(shop), DECIDED, approved.kit_digest,
                 "Approved by, licence, date"):  # fmt: skip
        assert word in text, word
    pages = pdf_report(certificate_report(approved, part, listed))
    assert pages.startswith(b"%PDF")
    (banner,) = [x for x in certificate_report(approved, part, listed).sections[0].blocks if isinstance(x, Banner)]
    assert (stamp_of(banner), banner.title) == ("BY DISPOSITION", "plate P-2: approved with nonconformances")
    assert "use-as-is, EN-1" in banner.detail
    clean = approved_set(shop.ledger, "P-1")
    _, part = run_of(clean)
    (banner,) = [x for x in certificate_report(clean, part, ()).sections[0].blocks if isinstance(x, Banner)]
    assert (stamp_of(banner), banner.title) == ("✓ ACCEPT", "plate P-1: approved")
    assert "AS9102" in repr(list_report(approved, part, listed).sections)


def test_no_packet_without_an_approval(shop: Shop, tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="no approval of it stands"):
        approved_set(shop.ledger, "P-3")
    with pytest.raises(LedgerError, match="nothing is recorded"):
        approved_set(shop.ledger, "P-9")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(HoleQCError, match="never overwritten"):
        written(shop, "P-1", tmp_path / "full")
    assert [p.name for p in tmp_path.iterdir()] == ["full"]


def test_nothing_half_is_left_when_the_disk_refuses(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(packets, "_book", full)
    with pytest.raises(HoleQCError, match="No space left"):
        written(shop, "P-1", tmp_path / "packet")
    assert list(tmp_path.iterdir()) == []


def test_later_readings_and_withdrawal(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        shop = Shop(tmp_path, ledger)
        shop.record("P-1", GOOD)
        done = approve(ledger, "P-1", "41")
        before = approved_set(ledger, "P-1")
        shop.record("P-1", {"1": (0.457, 0.458), "2": (0.459, 0.461)})
        after = approved_set(ledger, "P-1")
        assert after.story.row["id"] == before.story.row["id"]
        assert [row["verdict"] for row in after.later] == ["accept"]
        _, part = run_of(after)
        assert "on record, which this approval doesn't speak of" in repr(certificate_report(after, part, ()).sections)
        withdraw(ledger, "P-1", "7", "read again")
        said = {"entry": done.entry.seq, "hash": done.entry.hash}
        assert "withdrawn" in compare_with_ledger(ledger, said, "0" * 64)[0][0]
        with pytest.raises(LedgerError, match="no approval"):
            approved_set(ledger, "P-1")


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
@pytest.mark.parametrize(("sizes", "does"), [(LARGE, "rejects"), ({"1": (0.457, None), "2": (0.459, 0.460)}, "holds")])
def test_no_packet_while_a_later_inspection_speaks_against_the_part(
    engine: str, sizes: Sizes, does: str, tmp_path: Path
) -> None:
    with place(engine, tmp_path) as where, open_ledger(where) as ledger:
        shop = Shop(tmp_path, ledger)
        shop.record("P-1", GOOD)
        done = approve(ledger, "P-1", "41")
        said = {"entry": done.entry.seq, "hash": done.entry.hash}
        (none,) = compare_with_ledger(ledger, said, "0" * 64)[0]
        assert "no manifest of this approval is on record" in none
        run = shop.record("P-1", sizes, day="2026-11-04")
        note = f"plate P-1 is approved (entry {done.entry.seq}) and this inspection {does} it"
        assert any(note in one for one in run.notes)
        with pytest.raises(LedgerError, match=f"inspection 2, recorded later as entry .*, {does} it"):
            approved_set(ledger, "P-1")
        told, _ = compare_with_ledger(ledger, said, "0" * 64)[0]
        assert f"{does} it" in told
        other = {"1": (0.4574, sizes["1"][1]), "2": (sizes["2"][0], 0.4604)}
        run = shop.record("P-1", other, day="2026-11-05", name="again.csv")  # also where it isn't the next one
        assert any("withdraw the approval if this stands" in note for note in run.notes)
        run = shop.record("P-1", AGAIN, day="2026-11-06")
        assert any(f"entry {done.entry.seq} is locked" in note for note in run.notes)
        if does == "rejects":  # read until it passes: the tag is open, so the packet waits
            with pytest.raises(LedgerError, match="rejects it"):
                approved_set(ledger, "P-1")
        else:
            assert len(approved_set(ledger, "P-1").later) == 3


def test_a_later_inspection_used_as_is_and_approved_has_its_packet(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        shop = Shop(tmp_path, ledger)
        shop.record("P-1", GOOD)
        first = approve(ledger, "P-1", "41")
        (tag,) = shop.record("P-1", LARGE, day="2026-11-04").tags
        dispose(ledger, tag, "use-as-is", "engineer", "ample edge", authority="EN-1")
        with pytest.raises(LedgerError, match="rejects it"):  # decided, and nobody has approved it yet
            approved_set(ledger, "P-1")
        second = approve(ledger, "P-1", "41")
        assert approved_set(ledger, "P-1").approval["entry"] == second.entry.seq
        said = {"entry": first.entry.seq, "hash": first.entry.hash}
        assert "rejects it" in compare_with_ledger(ledger, said, "0" * 64)[0][0]


def test_a_harmless_gauge_error_stands_on_the_certificate(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        shop = Shop(tmp_path, ledger)
        shop.record("P-1", GOOD)
        bad = Calibration("G1", dt.date(2026, 11, 20), BAD, error=0.0004, unit="in")
        record_calibration(ledger, bad, "gauge room")
        approve(ledger, "P-1", "41")
        approved = approved_set(ledger, "P-1")
        text = repr(certificate_report(approved, run_of(approved)[1], ()).sections)
        assert "gauge G1 was found out of tolerance on 2026-11-20, error +0.0004 in" in text
