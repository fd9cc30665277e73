"""Certificate and list of characteristics of a packet, as pages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from holeqc.inspection.results import ACCEPT, HOLD
from holeqc.inspection.view import PartView
from holeqc.ledger.approved import ApprovedSet
from holeqc.reports import blocks as b
from holeqc.reports import wording as w
from holeqc.reports.packet_list import Listed, decided, passed_with, verdict_number
from holeqc.reports.record_text import event_text, name_of, proof_of, when
from holeqc.reports.story import foot_for

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


def certificate_report(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> b.Report:
    """Return the certificate: what was approved, by whom, resting on what, with lines to sign."""
    section = b.Section("certificate", _head(approved, "certificate"), tuple(_certificate(approved, part, listed)))
    return _report(part, f"Certificate of inspection, {w.plain(part.name)}", section)


def list_report(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> b.Report:
    """Return the list of characteristics."""
    section = b.Section("list", _head(approved, "list of characteristics"), tuple(_list(approved, part, listed)))
    return _report(part, f"List of characteristics, {w.plain(part.name)}", section)


def _report(part: PartView, title: str, section: b.Section) -> b.Report:
    spec = part.specification
    return b.Report(title, (section,), foot_for(part.run), "letter" if spec.unit == "in" else "a4")


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


def _certificate(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> Iterator[b.Block]:
    row, approval = approved.story.row, approved.approval
    wrong = [one for one in listed if one.verdict]
    yield b.Heading("Certificate of inspection")
    count = f"{len(listed) - len(wrong)} of {len(listed)} characteristics inside their limits"
    passed = w.plain(passed_with(approved))
    if verdict_number(row["verdict"]) == ACCEPT and not passed:
        yield b.Banner(ACCEPT, f"{name_of(row)}: approved", count)
    else:  # what was decided stands large, not the verdict that it sets aside
        title = f"{name_of(row)}: approved with nonconformances"
        yield b.Banner(HOLD, title, f"{count}; {passed or 'nonconformances below'}", "BY DISPOSITION")
    yield b.Facts(tuple(_identity(approved, part)))
    tail = ", except the nonconformances below, each with its disposition." if wrong else "."
    yield b.Paragraph(STATEMENT + tail)
    yield b.Heading("Approval")
    yield b.Facts(tuple(
        (label, w.plain(text)) for label, text in (
            ("Approved by", f"{approval['made_by']} ({proof_of(approval)})"),
            ("As", approval["role"]), ("When", when(approval)),
            ("Entry", str(approval["entry"])), ("Inspection", f"{row['id']}, entry {row['entry']}"),
            ("Logged by", row["made_by"]), ("Logged", when(row)), ("Remark", approval["note"]),
        ) if text
    ))  # fmt: skip
    yield b.Paragraph(f"Hash of the approval's entry: {approved.approval_entry['hash']}", "quiet")
    if approved.tags:
        yield b.Heading("Nonconformances")
        yield _tag_table(approved)
    if approved.later:
        yield b.Paragraph(_later(approved), "caution")
    yield b.Heading("Files that it rests on")
    yield b.Table(
        (b.Column("File", wraps=True), b.Column("SHA-256", wraps=True)),
        (
            *((w.plain(file["name"]), str(file["digest"])) for file in approved.story.files),
            (f"kit file {w.plain(part.specification.path)}", approved.kit_digest),
        ),
    )  # fmt: skip
    yield b.Heading("Signatures")
    yield b.Signatures(SIGN, ("Inspected by, date", "Approved by, licence, date", "Received by, date"))


def _tag_table(approved: ApprovedSet) -> b.Table:
    columns = (
        b.Column("No."), b.Column("Hole"), b.Column("Verdict"), b.Column("Disposition", wraps=True),
        b.Column("State"), b.Column("Last step", wraps=True),
    )  # fmt: skip
    rows: list[tuple[b.Cell | str, ...]] = []
    for tag in approved.tags:
        verdict = verdict_number(tag.row["verdict"])
        last = event_text(tag.events[-1]) if tag.events else ""
        rows.append((
            tag.number, w.plain(tag.row["hole"]), b.Cell(w.word(verdict), verdict), w.plain(decided(tag)) or "-",
            tag.state, last,
        ))  # fmt: skip
    note = "All tags of the part up to its approval; later readings close those of earlier inspections."
    return b.Table(columns, tuple(rows), note)


def _later(approved: ApprovedSet) -> str:
    named = ", ".join(f"inspection {row['id']} ({row['verdict']}, {when(row)})" for row in approved.later)
    return f"Later readings of this part are on record, which this approval doesn't speak of: {named}."


def _list(approved: ApprovedSet, part: PartView, listed: Sequence[Listed]) -> Iterator[b.Block]:
    yield b.Heading("List of characteristics")
    yield b.Facts(tuple(_identity(approved, part)))
    long = any(len(r.place) > 24 for r in listed)
    columns = (
        b.Column("No.", "right"), b.Column("Reference location", wraps=long), b.Column("Designator"),
        b.Column("Requirement", wraps=True), b.Column("Results", wraps=True), b.Column("Tooling", wraps=True),
        b.Column("Nonconf. no."), b.Column("Comments", wraps=True), b.Column("Verdict"),
    )  # fmt: skip
    rows = tuple(
        (
            r.number, r.place, r.designator, r.requirement, r.results, r.tooling, r.nonconformance, r.comments,
            b.Cell(w.word(r.verdict), r.verdict),
        )
        for r in listed
    )  # fmt: skip
    holes = [r.place.split(",")[0] for r in listed]
    groups = frozenset(n for n, hole in enumerate(holes) if n == 0 or holes[n - 1] != hole)
    yield b.Table(columns, rows, LIST_NOTE, groups)
