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
import math
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import holeqc
from holeqc import door, printing, writer
from holeqc.inspection.results import ACCEPT, CHARACTERISTICS, HOLD, VERDICTS
from holeqc.inspection.tags import gauge_of
from holeqc.inspection.view import PartView, Run
from holeqc.ledger.approvals import ApprovedSet
from holeqc.ledger.tags import let_pass, released_with, speaking_for
from holeqc.problems import HoleQCError
from holeqc.reports import blocks as w
from holeqc.reports.part_pages import SHORT, remarks_of
from holeqc.reports.record import answer_text, decision_words, event_text, name_of, proof_of, when
from holeqc.reports.story import foot_for
from holeqc.tables import Row

if TYPE_CHECKING:
    from holeqc.ledger.tags import TagState


# The list of characteristics of a packet: one row a characteristic, with the fields of a first-article form.
#
# The fields are those of the third form of AS9102: characteristic number, reference location, designator, requirement,
# results, designed or qualified tooling, nonconformance number, comments. Tooling is given for checks by attribute, as
# the size of the plug; it stays blank where results are numbers. Designators are those of the kit file. Comments: what
# was decided, what was remarked in the sheet, the gauge, and what holds at 20 °C where that isn't what was read.


MOST_READINGS = 6  #: so many readings of a size are listed one by one; of more, smallest and largest
PATTERN = "pattern"  #: hole of the tag that speaks of all pins together


@dataclass(frozen=True, slots=True)
class Listed:
    """One characteristic on the list; numbers in the kit's unit, None where there is none."""

    number: str
    place: str
    designator: str
    requirement: str
    results: str
    tooling: str
    nonconformance: str
    comments: str
    verdict: int
    lower: float | None
    upper: float | None
    found: float | None
    cell: str


def passed_with(approved: ApprovedSet) -> str:
    """Return with which nonconformances the part was approved, ``use-as-is, EO-2``; '' for none."""
    number = int(approved.story.row["id"])
    return released_with(approved.tags, number, speaking_for(number, approved.tags, approved.links))


def _decided(approved: ApprovedSet) -> dict[str, tuple[str, str]]:
    """Return what was decided on the tags that speak for the inspection: code -> disposition, and who, in words."""
    ours = speaking_for(int(approved.story.row["id"]), approved.tags, approved.links)
    return {tag.number: (tag.disposition, decision_words(tag)) for tag in ours if tag.disposition}


def listed_characteristics(approved: ApprovedSet, part: PartView) -> tuple[Listed, ...]:
    """Return the list, numbered from 1 in the kit's order: hole, characteristic, wall; all pins together last."""
    numbers = _nonconformances(approved)
    readings = _diameters(part)
    rows = sorted(part.characteristics, key=lambda row: _place(part, row))
    notes: dict[str, list[str]] = {}
    for remark in remarks_of(part.run.of_part("readings", part.number)):
        if remark.hole:
            notes.setdefault(remark.hole, []).append(f"remark: {remark.text}")
    found = [_listed(part, row, n, numbers, readings, notes) for n, row in enumerate(rows, 1)]
    if int(part.row["pin_verdict"]) >= 0:
        found.append(_pins(part, len(found) + 1, numbers))
    return tuple(found)


def _place(part: PartView, row: Row) -> tuple[int, int, int]:
    spec = part.specification
    walls = {wall: n for n, wall in enumerate(spec.walls.names)}
    holes = {hole: n for n, hole in enumerate(spec.hole_ids)}
    name = str(row["characteristic"])
    kind = CHARACTERISTICS.index(name) if name in CHARACTERISTICS else len(CHARACTERISTICS)
    return holes.get(str(row["hole"]), len(holes)), kind, walls.get(str(row["wall"]), -1)


def _nonconformances(approved: ApprovedSet) -> dict[tuple[str, str, str], tuple[str, str]]:
    """Return tag's number and what was decided, by hole, wall and characteristic."""
    found: dict[tuple[str, str, str], tuple[str, str]] = {}
    number = int(approved.story.row["id"])
    own = speaking_for(number, approved.tags, approved.links)
    for tag in [*let_pass(approved.tags, number, own), *own]:
        lines = json.loads(str(tag.row["content"]) or "{}").get("lines", ())
        keys = [(str(x.get("hole")), str(x.get("wall")), str(x.get("characteristic"))) for x in lines]
        for key in keys or [(str(tag.row["hole"]), "", "")]:
            found[key] = tag.number, decided(tag)
        if tag.row["hole"] == PATTERN:
            found[PATTERN, "", ""] = tag.number, decided(tag)
    return found


def decided(tag: TagState) -> str:
    """Return the disposition of a tag with its authority, '' where there is none."""
    return f"{tag.disposition}, authority {tag.authority}" if tag.authority else tag.disposition


def _diameters(part: PartView) -> dict[tuple[str, str], list[float]]:
    found: dict[tuple[str, str], list[float]] = {}
    for row in part.read:
        if row["characteristic"] == "diameter" and not math.isnan(row["value"]):
            found.setdefault((row["hole"], row["wall"]), []).append(row["value"])
    return found


def _listed(
    part: PartView, row: Row, number: int, numbers: dict[tuple[str, str, str], tuple[str, str]],
    readings: dict[tuple[str, str], list[float]], notes: dict[str, list[str]],
) -> Listed:  # fmt: skip
    spec = part.specification
    hole, wall, name = str(row["hole"]), str(row["wall"]), str(row["characteristic"])
    where = [f"hole {hole}", wall if spec.walls.several else ""]
    tag, said = numbers.get((hole, wall, name), ("", ""))
    if not tag and int(row["verdict"]):
        tag, said = numbers.get((hole, "", ""), ("", ""))
    gauge = gauge_of(part, row)
    gauge = f"gauge {gauge}" if gauge else ""
    said = "; ".join(x for x in (said, *notes.get(hole, ()), gauge, _at_reference(part, row)) if x)
    return Listed(
        str(number), w.plain(", ".join(x for x in where if x)), w.plain(spec.designators.get(name, "")),
        f"{SHORT.get(name, name)} {w.requirement(row, spec)}", _results(row, readings.get((hole, wall), []), spec.unit),
        _tooling(part, row), tag, w.plain(said), int(row["verdict"]), _known(row["lower"]), _known(row["upper"]),
        _known(row["found"]), part.cell(row),
    )  # fmt: skip


def _at_reference(part: PartView, row: Row) -> str:
    if part.as_read(row) is None:
        return ""
    return f"{w.corrected(row['found'], part.specification.unit, row['lower'], row['upper'])} at 20 °C decides"


def _results(row: Row, diameters: Sequence[float], unit: str) -> str:
    if row["characteristic"] != "size" or not diameters:
        return w.value_text(row, unit)
    shown = [w.typed(value, unit) for value in diameters]
    if len(shown) > MOST_READINGS:
        return f"{w.typed(min(diameters), unit)} to {w.typed(max(diameters), unit)}, {len(shown)} readings"
    return ", ".join(shown)


def _tooling(part: PartView, row: Row) -> str:
    """Return the size of the plug for a check by attribute; blank where the result is a number."""
    if row["characteristic"] not in {"GO", "NO-GO"}:
        return ""
    hole = next((h for h in part.specification.holes if h.id == row["hole"]), None)
    size = None if hole is None else hole.plugs.go if row["characteristic"] == "GO" else hole.plugs.no_go
    return f"{row['characteristic']} plug {w.typed(size, part.specification.unit)}" if size is not None else ""


def _pins(part: PartView, number: int, numbers: dict[tuple[str, str, str], tuple[str, str]]) -> Listed:
    spec, margin = part.specification, float(part.row["pin_margin"])
    tag, said = numbers.get((PATTERN, "", ""), ("", ""))
    found = f"radial room {w.signed(margin, spec.unit)}" if math.isfinite(margin) else "not known"
    return Listed(
        str(number), "all holes", w.plain(spec.designators.get("pins", "")),
        "All pins together at their virtual condition, radial room at least 0", found,
        "", tag, w.plain(said), int(part.row["pin_verdict"]), 0.0, None, _known(margin), "",
    )  # fmt: skip


def _known(value: Any) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


HEADS = (
    ("No.", 6), ("Reference location", 26), ("Designator", 11), ("Requirement", 34), ("Results", 26),
    ("Designed or qualified tooling", 20), ("Nonconformance no.", 15), ("Comments", 26), ("Verdict", 10), ("Lower", 9),
    ("Upper", 9), ("Found", 9), ("Cell", 40),
)  # fmt: skip


def workbook_rows(rows: Sequence[Listed]) -> list[tuple[Any, ...]]:
    """Return the list as cells of a workbook, in the order of `HEADS`."""
    from holeqc.reports.workbook import Long, Verdict

    return [
        (
            int(r.number), Long(r.place), r.designator, Long(r.requirement), Long(r.results), r.tooling,
            r.nonconformance, Long(r.comments), Verdict(r.verdict), r.lower, r.upper, r.found, Long(r.cell),
        )
        for r in rows
    ]  # fmt: skip


def run_of(approved: ApprovedSet) -> tuple[Run, PartView]:
    """Return the run of an approved set and its one part."""
    run = Run(approved.inspection)
    name = (str(approved.story.row["part"]), str(approved.story.row["serial"]))
    number = next((n for n, row in enumerate(run.part_rows) if (row["part"], row["serial"]) == name), 0)
    return run, run[number]


def verdict_number(word: object) -> int:
    """Return the number of a verdict's word."""
    return VERDICTS.index(str(word))


# Certificate and list of characteristics of a packet, as pages.


STATEMENT = (
    "The readings on record were judged against the kit file named here. Every characteristic that it asks for lies "
    "inside its limits under the decision rule at the foot of this page"
)
SIGN = (
    "Signed by hand where local rules ask for it. The approval above is an entry of the ledger; its number and hash "
    "tie this page to it."
)
LIST_NOTE = (
    "Fields after the third form of AS9102. Location: hole and wall on the drawing named above. Tooling is named for "
    "checks by attribute, as the size of the plug. "
    "Designators: as the kit file gives them, else for a person to write. Size: all readings, as they were read."
)


def certificate_report(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> w.Report:
    """Return the certificate: what was approved, by whom, resting on what, with lines to sign."""
    section = w.Section("certificate", _head(approved, "certificate"), tuple(_certificate(approved, part, listed)))
    return _report(part, f"Certificate of inspection, {w.plain(part.name)}", section)


def list_report(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> w.Report:
    """Return the list of characteristics."""
    section = w.Section("list", _head(approved, "list of characteristics"), tuple(_list(approved, part, listed)))
    return _report(part, f"List of characteristics, {w.plain(part.name)}", section)


def _report(part: PartView, title: str, section: w.Section) -> w.Report:
    spec = part.specification
    return w.Report(title, (section,), foot_for(part.run), "letter" if spec.unit == "in" else "a4")


def _head(approved: ApprovedSet, what: str) -> str:
    row = approved.story.row
    return f"Kit {w.plain(row['kit'])} revision {w.plain(row['revision'])}  ·  {name_of(row)}  ·  {what}"


def _identity(approved: ApprovedSet, part: PartView) -> list[tuple[str, str]]:
    spec, declared = part.specification, part.declared
    pairs = [
        ("Part number", declared.number if declared else ""),
        ("Part name", (declared.title if declared else "") or part.part),
        ("Serial number", part.serial), ("Report number", f"approval {approved.approval['entry']}"),
        ("Drawing", spec.drawing), ("Kit", f"{spec.id} revision {spec.revision}"), ("Fixture", spec.fixture),
        ("Lengths in", w.unit_name(spec.unit)),
    ]  # fmt: skip
    return [(label, w.plain(text)) for label, text in pairs if text]


def _certificate(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> Iterator[w.Block]:
    row, approval = approved.story.row, approved.approval
    wrong = [one for one in listed if one.verdict]
    yield w.Heading("Certificate of inspection")
    count = f"{len(listed) - len(wrong)} of {len(listed)} characteristics inside their limits"
    passed = w.plain(passed_with(approved))
    by_plan = part.planned if part.planned and part.planned.accepted else None
    if by_plan:
        count = f"{by_plan.sentence}; the others are predicted, not measured"
    if verdict_number(row["verdict"]) == ACCEPT and not passed:
        yield w.Banner(ACCEPT, f"{name_of(row)}: approved", count)
    else:  # what was decided stands large, not the verdict that it sets aside
        title = f"{name_of(row)}: approved with nonconformances"
        yield w.Banner(HOLD, title, f"{count}; {passed or 'nonconformances below'}", "BY DISPOSITION")
    yield w.Facts(tuple(_identity(approved, part)))
    tail = ", except the nonconformances below, each with its disposition." if wrong or passed else "."
    yield w.Paragraph(STATEMENT.replace("Every characteristic that it asks for", "What was read" if by_plan else
                                       "Every characteristic that it asks for") + tail)  # fmt: skip
    if by_plan:
        yield w.Paragraph(w.plan_sentence(by_plan), "caution")
    yield w.Heading("Approval")
    yield w.Facts(tuple(
        (label, w.plain(text)) for label, text in (
            ("Approved by", f"{approval['made_by']} ({proof_of(approval)})"),
            ("As", approval["role"]), ("When", when(approval)),
            ("Entry", str(approval["entry"])), ("Inspection", f"{row['id']}, entry {row['entry']}"),
            ("Logged by", row["made_by"]), ("Logged", when(row)), ("Remark", approval["note"]),
        ) if text
    ))  # fmt: skip
    for answer in approval["answered"]:
        yield w.Paragraph(answer_text(answer), "caution")
    yield w.Paragraph(f"Hash of the approval's entry: {approved.approval_entry['hash']}", "quiet")
    if approved.tags:
        yield w.Heading("Nonconformances")
        yield _tag_table(approved)
    if approved.later:
        yield w.Paragraph(_later(approved), "caution")
    yield w.Heading("Files that it rests on")
    yield w.Table(
        (w.Column("File", wraps=True), w.Column("SHA-256", wraps=True)),
        (
            *((w.plain(file["name"]), str(file["digest"])) for file in approved.story.files),
            (f"kit file {w.plain(part.specification.path)}", approved.kit_digest),
        ),
    )  # fmt: skip
    yield w.Heading("Signatures")
    yield w.Signatures(SIGN, ("Inspected by, date", "Approved by, licence, date", "Received by, date"))


def _tag_table(approved: ApprovedSet) -> w.Table:
    columns = (
        w.Column("No."), w.Column("Hole"), w.Column("Verdict"), w.Column("Disposition", wraps=True),
        w.Column("State"), w.Column("Last step", wraps=True),
    )  # fmt: skip
    rows: list[tuple[w.Cell | str, ...]] = []
    for tag in approved.tags:
        verdict = verdict_number(tag.row["verdict"])
        last = event_text(tag.events[-1]) if tag.events else ""
        rows.append((
            tag.number, w.plain(tag.row["hole"]), w.Cell(w.word(verdict), verdict), w.plain(decided(tag)) or "-",
            tag.state, last,
        ))  # fmt: skip
    note = "All tags of the part up to its approval; later readings close those of earlier inspections."
    return w.Table(columns, tuple(rows), note)


def _later(approved: ApprovedSet) -> str:
    named = ", ".join(f"inspection {row['id']} ({row['verdict']}, {when(row)})" for row in approved.later)
    return f"Later readings of this part are on record, which this approval doesn't speak of: {named}."


def _list(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> Iterator[w.Block]:
    yield w.Heading("List of characteristics")
    yield w.Facts(tuple(_identity(approved, part)))
    long = any(len(r.place) > 24 for r in listed)
    columns = (
        w.Column("No.", "right"), w.Column("Reference location", wraps=long), w.Column("Designator"),
        w.Column("Requirement", wraps=True), w.Column("Results", wraps=True), w.Column("Tooling", wraps=True),
        w.Column("Nonconf. no."), w.Column("Comments", wraps=True), w.Column("Verdict"),
    )  # fmt: skip
    rows = tuple(
        (
            r.number, r.place, r.designator, r.requirement, r.results, r.tooling, r.nonconformance, r.comments,
            w.Cell(w.word(r.verdict), r.verdict),
        )
        for r in listed
    )  # fmt: skip
    holes = [r.place.split(",")[0] for r in listed]
    groups = frozenset(n for n, hole in enumerate(holes) if n == 0 or holes[n - 1] != hole)
    yield w.Table(columns, rows, LIST_NOTE, groups)


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
    from holeqc.reports.record import when
    from holeqc.reports.write import write_all

    run, part = run_of(approved)
    try:
        with writer.folder(folder, _refuse_any) as out:
            number, made = f"approval {approved.approval['entry']}", dt.date.fromisoformat(when(approved.approval)[:10])
            write_all(run, out, progress, number=number, made=made, passed=passed_with(approved),
                      decided=_decided(approved))
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
    from holeqc.reports.pages import pdf_report

    folder.write_bytes(CERTIFICATE, pdf_report(certificate_report(approved, part, listed)))
    folder.write_bytes(LIST_PAGES, pdf_report(list_report(approved, part, listed)))


def _book(approved: ApprovedSet, run: Run, listed: tuple[Listed, ...], folder: writer.Folder) -> None:
    from holeqc.reports.workbook import Long, about_rows, sheet_of, write_sheets

    rows = workbook_rows(listed)
    about = [
        (Long("Approval"), Long(f"entry {approved.approval['entry']}, by {approved.approval['made_by']}")),
        (Long("Hash of the approval's entry"), Long(str(approved.approval_entry["hash"]))),
        *about_rows(run),
    ]
    sheets = [
        sheet_of("Characteristics", HEADS, rows),
        sheet_of("About", (("About", 28), ("This workbook", 110)), about),
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
    from holeqc.ledger.approvals import PACKET, packet_words
    from holeqc.ledger.schema import HASHED, entry_hash

    path = place / SEAL
    if not path.is_file() and "signature" not in manifest:
        return []  # made before packets carried a seal: the ledger says whether its manifest is on record
    if not path.is_file():
        return [f"{SEAL}: is missing, so no entry of a ledger holds this manifest, and this is no packet"]
    try:
        seal = door.json_values(door.take(path, door.MANIFEST).content)
    except (HoleQCError, ValueError):
        seal = None
    row, number = _at(seal, "row"), _at(manifest, "approval", "entry")
    holds = mine = False
    if isinstance(row, dict) and row.keys() >= set(HASHED):
        holds = entry_hash(row) == _at(seal, "hash") and (row["kind"], row["seq"]) == (PACKET, _at(seal, "entry"))
        mine = row["reason"] == packet_words(number if isinstance(number, int) else 0, digest)
    if not holds:
        return [f"{SEAL}: was changed, or is no seal of a packet"]
    return [] if mine else [f"{SEAL}: is the seal of another manifest"]


def _signature_differences(
    place: Path, manifest: dict[str, Any], digest: str
) -> tuple[list[str], tuple[tuple[str, str, str], ...]]:
    """Return what is wrong with the signatures of a packet, and who signed what with which key."""
    from holeqc.ledger.persons import fault_of
    from holeqc.specification.load import parse_specification

    mine = manifest.get("signature")
    try:
        asks = parse_specification(door.text_of(door.take(place / KIT, door.KIT)), KIT).approval_signed
        other = _at(door.json_values(door.take(place / SEAL, door.MANIFEST).content), "signature")
    except (HoleQCError, ValueError):
        if mine is None:
            return [], ()  # what is wrong with the files is said already
        return ["the signatures can't be looked at: seal or kit file isn't as it was made"], ()
    if not asks and mine is None and other is None:
        return [], ()
    about = {
        "kit": _at(manifest, "kit", "id"), "revision": _at(manifest, "kit", "revision"),
        "kit_sha256": _at(manifest, "kit", "sha256"), "part": manifest.get("part"), "serial": manifest.get("serial"),
        "inspection_hash": _at(manifest, "entries", 0, "hash"),
        **{key: _at(manifest, "approval", key) for key in ("role", "note", "by")},
    }  # fmt: skip
    packet = {"approval_hash": _at(manifest, "approval", "hash"), "manifest": digest}
    acts = (("approval", mine, "approval", about), ("packet", other, "packet", packet))
    wrong = [f"{what}: {fault}" for what, row, act, of in acts if (fault := fault_of(row, act, of))]
    if wrong:
        return wrong, ()
    return [], tuple((what, str(_at(row, "person")), str(_at(row, "public_key"))) for what, row, _, _ in acts)


def _at(content: Any, *path: str | int) -> Any:
    """Return what stands at a place of a file's content, None where there is no such place."""
    for step in path:
        there = isinstance(content, dict) if isinstance(step, str) else isinstance(content, list) and content
        content = content[step] if there and (isinstance(step, int) or step in content) else None
    return content


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
