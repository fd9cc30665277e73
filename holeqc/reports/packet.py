"""The packet of an approved part: a folder with everything that speaks for it, and a manifest that proves it unchanged.

manifest.json lists every other file of the folder with its size and SHA-256, what was approved, by whom, on which
readings, and the hashes of the ledger's entries. Its own ``sha256`` is over the rest of it: UTF-8 JSON, keys sorted, no
spaces. The same approval gives the same packet, byte for byte, as long as program and libraries are the same.
"""

from __future__ import annotations

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
    from holeqc.ledger.approved import ApprovedSet
    from holeqc.reports.packet_list import Listed
    from holeqc.reports.view import PartView, Run

FORMAT = "holeqc packet 1"
MANIFEST = "manifest.json"
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

    @property
    def holds(self) -> bool:
        """Whether nothing differs."""
        return not self.differences


# ------------------------------------------------------------------------------------------------------------- write


def write_packet(approved: ApprovedSet, folder: Path | str, progress: Callable[[str], None] = lambda _: None) -> Packet:
    """Write the packet of an approved set into a new or empty folder, all of it or nothing.

    Raises:
        HoleQCError: there is something in the folder already, or the disk refuses.
    """
    from holeqc.reports.packet_list import listed_characteristics, run_of
    from holeqc.reports.write import write_all

    run, part = run_of(approved)
    try:
        with writer.folder(folder, _refuse_any) as out:
            write_all(run, out, progress)
            listed = listed_characteristics(approved, part)
            _pages(approved, part, listed, out)
            _book(approved, run, listed, out)
            out.write_text(KIT, approved.kit_text)
            manifest = _manifest(approved, part, out.path)
            out.write_text(MANIFEST, printing.as_json(manifest) + "\n")
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
    differences += [f"{name}: was added" for name in there if name not in listed and name != MANIFEST]
    kit = manifest.get("kit")
    if KIT in listed and isinstance(kit, dict) and listed[KIT].get("sha256") != kit.get("sha256"):
        differences.append(f"{KIT}: is not the kit text that was judged")
    return PacketCheck(place, len(listed), tuple(differences), manifest, digest)


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
