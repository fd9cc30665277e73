"""The packet of an approved part: a folder with everything that speaks for it, and a manifest that proves it unchanged.

manifest.json lists every other file of the folder with its size and SHA-256, what was approved, by whom, on which
readings, and the hashes of the ledger's entries. Its own ``sha256`` is over the rest of it: UTF-8 JSON, keys sorted, no
spaces. seal.json is the ledger's entry that holds that digest: without one on record a folder is no packet. But for
it, the same approval gives the same packet, byte for byte, as long as program and libraries are the same.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import holeqc
from holeqc import door, printing, writer
from holeqc.problems import HoleQCError

if TYPE_CHECKING:
    from holeqc.inspection.view import PartView, Run
    from holeqc.ledger.approved import ApprovedSet
    from holeqc.reports.packet_list import Listed

FORMAT = "holeqc packet 1"
MANIFEST = "manifest.json"
SEAL = "seal.json"  #: the ledger's entry that holds the manifest's digest; not listed in the manifest
CERTIFICATE, LIST_PAGES, LIST_BOOK, KIT = "certificate.pdf", "characteristics.pdf", "characteristics.xlsx", "kit.toml"


@dataclass(frozen=True, slots=True)
class Packet:
    """A packet that was written: its folder, files, and the digest of its manifest."""

    folder: Path
    files: tuple[str, ...]
    manifest_digest: str


@dataclass(frozen=True, slots=True)
class PacketCheck:
    """Whether a packet is as it was made: ``differences`` says what isn't, ``manifest`` is its manifest.

    ``manifest_digest`` is worked out from the manifest as it is there; the one that it states is in itself.
    """

    folder: Path
    files: int
    differences: tuple[str, ...]
    manifest: dict[str, Any]
    manifest_digest: str = ""
    signers: tuple[tuple[str, str, str], ...] = ()  #: what was signed, by whom, public key; all hold

    @property
    def holds(self) -> bool:
        """Whether nothing differs."""
        return not self.differences


# ------------------------------------------------------------------------------------------------------------- write


def write_packet(
    approved: ApprovedSet, folder: Path | str, record: Callable[[str], dict[str, Any]],
    progress: Callable[[str], None] = lambda _: None,
) -> Packet:  # fmt: skip
    """Write the packet of an approved set into a new or empty folder, all of it or nothing.

    ``record`` puts the manifest's digest on record and returns the seal of that entry, which goes into the packet.

    Raises:
        HoleQCError: there is something in the folder already, or the disk refuses.
    """
    from holeqc.reports.packet_list import listed_characteristics, passed_with, run_of
    from holeqc.reports.record_text import when
    from holeqc.reports.write import write_all

    run, part = run_of(approved)
    try:
        with writer.folder(folder, _refuse_any) as out:
            number, made = f"approval {approved.approval['entry']}", dt.date.fromisoformat(when(approved.approval)[:10])
            write_all(run, out, progress, number=number, made=made,
                      passed=passed_with(approved))
            listed = listed_characteristics(approved, part)
            _pages(approved, part, listed, out)
            _book(approved, run, listed, out)
            out.write_text(KIT, approved.kit_text)
            manifest = _manifest(approved, part, out.path)
            out.write_text(MANIFEST, printing.as_json(manifest) + "\n")
            out.write_text(SEAL, printing.as_json(record(str(manifest["sha256"]))) + "\n")
    except writer.WriteError as error:
        raise HoleQCError(
            f"the packet can't be written into {folder}: {error.problems[0].message.removeprefix(_DISK)}; nothing is "
            "there"
        ) from error
    return Packet(Path(folder), tuple(sorted(out.names)), str(manifest["sha256"]))


_DISK = "it can't be written: "


def _refuse_any(target: Path) -> None:
    raise HoleQCError(
        f"{target}: there is something already; give a new or empty folder. A packet is never overwritten"
    )


def _pages(approved: ApprovedSet, part: PartView, listed: tuple[Listed, ...], folder: writer.Folder) -> None:
    from holeqc.reports.packet_pages import certificate_report, list_report
    from holeqc.reports.pdf import pdf_report

    folder.write_bytes(CERTIFICATE, pdf_report(certificate_report(approved, part, listed)))
    folder.write_bytes(LIST_PAGES, pdf_report(list_report(approved, part, listed)))


def _book(approved: ApprovedSet, run: Run, listed: tuple[Listed, ...], folder: writer.Folder) -> None:
    from holeqc.reports.packet_list import HEADS, workbook_rows
    from holeqc.reports.workbook import Long, Sheet, about_rows, write_sheets

    rows = workbook_rows(listed)
    about = [
        (Long("Approval"), Long(f"entry {approved.approval['entry']}, by {approved.approval['made_by']}")),
        (Long("Hash of the approval's entry"), Long(str(approved.approval_entry["hash"]))),
        *about_rows(run),
    ]
    sheets = [
        Sheet("Characteristics", HEADS, len(rows), rows),
        Sheet("About", (("About", 28), ("This workbook", 110)), len(about), about),
    ]
    with folder.file(LIST_BOOK) as file:
        write_sheets(run, sheets, file)


def _manifest(approved: ApprovedSet, part: PartView, folder: Path) -> dict[str, Any]:
    row, spec = approved.story.row, part.specification
    keys = ("seq", "kind", "at", "offset_minutes", "made_by", "tool", "payload", "previous", "hash")
    manifest: dict[str, Any] = {
        "format": FORMAT, "tool": holeqc.__version__,
        "kit": {"id": spec.id, "revision": spec.revision, "drawing": spec.drawing, "sha256": approved.kit_digest},
        "part": row["part"], "part_number": part.declared.number if part.declared else "", "serial": row["serial"],
        "verdict": row["verdict"], "inspection": {"id": row["id"], "entry": row["entry"]},
        "approval": {
            "entry": approved.approval["entry"], "role": approved.approval["role"], "note": approved.approval["note"],
            "by": approved.approval["made_by"], "at": approved.approval["at"], "hash": approved.approval_entry["hash"],
        },
        "signature": None if approved.signature is None else {
            key: approved.signature[key] for key in ("person", "public_key", "statement", "signature")
        },
        "entries": [{key: e[key] for key in keys} for e in (approved.inspection_entry, approved.approval_entry)],
        "sources": [
            {"file": f["name"], "sha256": f["digest"], "bytes": f["bytes"], "entry": f["entry"]}
            for f in approved.story.files
        ],
        "tags": [
            {
                "number": t.number, "hole": t.row["hole"], "verdict": t.row["verdict"], "printed": t.row["printed"],
                "disposition": t.disposition, "authority": t.authority, "state": t.state,
                "inspection": t.row["inspection_id"],
            }
            for t in approved.tags
        ],
        "files": [_file(path) for path in sorted(folder.iterdir())],
    }  # fmt: skip
    return manifest | {"sha256": digest_of(manifest)}


def _file(path: Path) -> dict[str, Any]:
    came = door.take(path, door.PACKET_FILE)
    return {"name": path.name, "bytes": came.size, "sha256": came.sha256}


def digest_of(manifest: dict[str, Any]) -> str:
    """Return the SHA-256 over a manifest without its own."""
    rest = {key: value for key, value in manifest.items() if key != "sha256"}
    text = json.dumps(rest, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


# ------------------------------------------------------------------------------------------------------------ verify


def verify_packet(folder: Path | str) -> PacketCheck:
    """Compare a packet with its manifest: changed, missing and added files, and the manifest's own digest.

    Raises:
        HoleQCError: the folder isn't there or holds no manifest that can be read.
    """
    place = Path(folder)
    manifest = _read_manifest(place)
    differences = []
    digest = digest_of(manifest)
    if manifest.get("sha256") != digest:
        differences.append(f"{MANIFEST}: was changed, its own digest doesn't hold")
    files = manifest.get("files")
    if not isinstance(files, list) or not all(isinstance(f, dict) and isinstance(f.get("name"), str) for f in files):
        raise HoleQCError(f"{place / MANIFEST}: its list of files is no list; the packet isn't as it was made")
    listed = {f["name"]: f for f in files}
    if len(listed) < len(files):
        differences.append(f"{MANIFEST}: lists a file twice")
    for name, stated in listed.items():
        path = place / name
        if Path(name).name != name or "\0" in name or path.is_symlink() or not door.is_file(path):
            differences.append(f"{name}: is missing")
            continue
        found = _file(path)
        if found["sha256"] != stated.get("sha256"):
            sizes = (
                f", {found['bytes']} bytes instead of {stated.get('bytes')}"
                if found["bytes"] != stated.get("bytes")
                else ""
            )
            differences.append(f"{name}: was changed{sizes}")
    there = sorted(x.name for x in place.iterdir())
    differences += [f"{name}: was added" for name in there if name not in listed and name not in (MANIFEST, SEAL)]
    differences += _seal_differences(place, manifest, digest)
    wrong, signers = _signature_differences(place, manifest, digest)
    differences += wrong
    kit = manifest.get("kit")
    if KIT in listed and isinstance(kit, dict) and listed[KIT].get("sha256") != kit.get("sha256"):
        differences.append(f"{KIT}: is not the kit text that was judged")
    return PacketCheck(place, len(listed), tuple(differences), manifest, digest, signers)


def _seal_differences(place: Path, manifest: dict[str, Any], digest: str) -> list[str]:
    """Return what is wrong with the entry that a packet carries: it must be one of this very manifest."""
    from holeqc.ledger.approved import PACKET, packet_words
    from holeqc.ledger.canonical import HASHED, entry_hash

    path = place / SEAL
    if not path.is_file() and "signature" not in manifest:
        return []  # made before packets carried a seal: the ledger says whether its manifest is on record
    if not path.is_file():
        return [f"{SEAL}: is missing, so no entry of a ledger holds this manifest, and this is no packet"]
    try:
        seal = door.json_values(door.take(path, door.MANIFEST).content)
        row, approval = {name: seal["row"][name] for name in HASHED}, manifest.get("approval")
        number = int(approval["entry"]) if isinstance(approval, dict) and "entry" in approval else 0
        holds = entry_hash(row) == seal["hash"] and (row["kind"], row["seq"]) == (PACKET, seal["entry"])
        mine = row["reason"] == packet_words(number, digest)
    except (HoleQCError, ValueError, KeyError, TypeError, RecursionError):
        holds = mine = False
    if not holds:
        return [f"{SEAL}: was changed, or is no seal of a packet"]
    return [] if mine else [f"{SEAL}: is the seal of another manifest"]


def _signature_differences(
    place: Path, manifest: dict[str, Any], digest: str
) -> tuple[list[str], tuple[tuple[str, str, str], ...]]:
    """Return what is wrong with the signatures of a packet, and who signed what with which key."""
    from holeqc.ledger.signing import fault_of
    from holeqc.specification.load import parse_specification

    approval: Any
    kit: Any
    entries: Any
    approval, kit, entries = (manifest.get(key) for key in ("approval", "kit", "entries"))
    mine: Any = manifest.get("signature")
    try:
        asks = parse_specification(door.text_of(door.take(place / KIT, door.KIT)), KIT).approval_signed
        other = door.json_values(door.take(place / SEAL, door.MANIFEST).content).get("signature")
        if not asks and mine is None and other is None:
            return [], ()
        about = {
            "kit": kit["id"], "revision": kit["revision"], "kit_sha256": kit["sha256"], "part": manifest["part"],
            "serial": manifest["serial"], "inspection_hash": entries[0]["hash"], "role": approval["role"],
            "note": approval["note"], "by": approval["by"],
        }  # fmt: skip
        packet = {"approval_hash": approval["hash"], "manifest": digest}
    except (HoleQCError, OSError, ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
        if mine is None:
            return [], ()  # what is wrong with the files is said already
        return ["the signatures can't be looked at: manifest, seal or kit file isn't as it was made"], ()
    acts = (("approval", mine, "approval", about), ("packet", other, "packet", packet))
    wrong = [f"{what}: {fault}" for what, row, act, of in acts if (fault := fault_of(row, act, of))]
    if wrong:
        return wrong, ()
    return [], tuple((what, str(row["person"]), str(row["public_key"])) for what, row, _, _ in acts)


def _read_manifest(place: Path) -> dict[str, Any]:
    path = place / MANIFEST
    if not os.path.lexists(path):
        raise HoleQCError(f"{place}: holds no {MANIFEST}, so it is no packet, or a packet cut short")
    try:
        manifest = door.json_values(door.take(path, door.MANIFEST).content)
    except ValueError as error:
        raise HoleQCError(f"{path}: can't be read as JSON ({error}); the packet isn't as it was made") from None
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        stated = manifest.get("format") if isinstance(manifest, dict) else None
        shown = printing.shortened(str(stated))
        raise HoleQCError(f"{path}: has format {shown!r}; this version reads {FORMAT!r}")
    return manifest
