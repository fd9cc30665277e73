"""Pages of the record: what waits, for the morning and the wall; the whole story of one part, to print and keep."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import holeqc
from holeqc import writer
from holeqc.inspection.results import ACCEPT, HOLD, VERDICTS
from holeqc.ledger.stories import question_words
from holeqc.ledger.tags import what_of
from holeqc.problems import HoleQCError
from holeqc.reports import blocks as b
from holeqc.reports import wording as w
from holeqc.reports.record_text import (
    approval_sentences,
    event_text,
    left_out,
    name_of,
    states_of,
    waiting_lists,
    what_is_wrong,
    when,
)

if TYPE_CHECKING:
    from holeqc.ledger.approvals import Waiting
    from holeqc.ledger.stories import InspectionStory, PartStory, Question
    from holeqc.ledger.tags import TagState


def write_page(report: b.Report, path: Path) -> None:
    """Write a page as .html or .pdf, in the place of an older one.

    Raises:
        HoleQCError: another ending, or the disk refuses.
    """
    from holeqc.reports.html import html_page
    from holeqc.reports.pdf import pdf_report

    ending = path.suffix.lower()
    if ending not in {".html", ".pdf"}:
        raise HoleQCError(f"{path}: the ending says the format; give .html or .pdf")
    content = pdf_report(report) if ending == ".pdf" else html_page(report).encode("utf-8", "backslashreplace")
    with writer.file(path) as out:
        out.write(content)


def _report(title: str, head: str, blocks: Iterator[b.Block], day: dt.date) -> b.Report:
    foot = b.Foot([f"holeqc {holeqc.__version__}  ·  as of {day}"], (w.CAUTIONS[1],))
    return b.Report(title, (b.Section("overview", head, tuple(blocks)),), foot, "letter")


# --------------------------------------------------------------------------------------------------------- what waits


def waiting_report(found: Waiting) -> b.Report:
    """Return what waits as a page."""
    return _report("What waits", f"What waits  ·  {found.day}", _waiting_blocks(found), found.day)


def _waiting_blocks(found: Waiting) -> Iterator[b.Block]:
    lists = waiting_lists(found)
    yield b.Heading(f"What waits on {found.day}")
    if not lists and not left_out(found):
        yield b.Paragraph("Nothing waits.")
    elif lists:
        yield b.Facts(tuple((one.title.partition(",")[0], str(len(one.rows))) for one in lists))
    for one in lists:
        yield b.Heading(f"{one.title} ({len(one.rows)})")
        columns = tuple(b.Column(head, wraps=head in {"Why", "Next", "Part", "Hole", "Forecast"}) for head in one.heads)
        yield b.Table(columns, tuple(tuple(_cell(text) for text in row) for row in one.rows))
    for text in left_out(found):
        yield b.Paragraph(text, "quiet")


def _cell(text: str) -> b.Cell | str:
    return b.Cell(text, VERDICTS.index(text)) if text in VERDICTS else w.plain(text)


# ------------------------------------------------------------------------------------------------------------ a story


def story_report(story: PartStory, questions: Sequence[Question], day: dt.date) -> b.Report:
    """Return the whole story of one serial number as a page, oldest first."""
    title = f"Story of serial {w.plain(story.serial)}"
    return _report(title, title, _story_blocks(story, questions), day)


def _story_blocks(story: PartStory, questions: Sequence[Question]) -> Iterator[b.Block]:
    newest = story.inspections[-1]
    verdict = VERDICTS.index(str(newest.row["verdict"]))
    count = w.plural(len(story.inspections), "inspection")
    stamp, detail = "", f"{count} on record, oldest first"
    if (gone := next((t.disposition for t in states_of(story) if t.not_for_use), "")) and verdict != ACCEPT:
        stamp = {"scrap": "SCRAPPED", "return": "RETURNED"}[gone]
    elif verdict != ACCEPT and any(a["withdrawn_at"] is None for a in newest.approvals):
        stamp = "BY DISPOSITION"
    if stamp:
        detail = f"newest inspection: {w.word(verdict)}; {detail}"
    yield b.Banner(HOLD if stamp == "BY DISPOSITION" else verdict, name_of(newest.row), detail, stamp)
    for question in questions:
        yield b.Paragraph(w.plain(f"IN QUESTION {question_words(question).partition(': ')[2]}"), "caution")
    for one in story.inspections:
        yield from _inspection_blocks(story, one)


def _inspection_blocks(story: PartStory, one: InspectionStory) -> Iterator[b.Block]:
    row = one.row
    verdict = VERDICTS.index(str(row["verdict"]))
    yield b.Heading(f"{w.marked(verdict)}  inspection {row['id']}, {when(row)}")
    follows = f"inspection {row['follows']}" if row["follows"] else ""
    days = " to ".join(dict.fromkeys(str(row[key]) for key in ("first_day", "last_day") if row[key]))
    pairs = (
        ("Part", name_of(row)), ("Kit", f"{row['kit']} revision {row['revision']}"), ("Entry", str(row["entry"])),
        ("Follows", follows), ("Logged by", str(row["made_by"])), ("Read", days), ("Readings", str(row["readings"])),
        ("Rule", str(row["rule"])),
    )  # fmt: skip
    yield b.Facts(tuple((label, w.plain(text)) for label, text in pairs if text))
    wrong = tuple(b.Finding(VERDICTS.index(word), text) for word, text in what_is_wrong(story, one))
    yield b.Findings(wrong or (b.Finding(verdict, "Everything that the kit asks for is accepted."),))
    yield from _tag_blocks(one.tags)
    said = tuple(b.Finding(None, text) for text in approval_sentences(story, one))
    if said:
        yield b.Heading("Approval", 3)
        yield b.Findings(said)
    yield b.Heading("Files", 3)
    columns = (b.Column("File", wraps=True), b.Column("SHA-256", wraps=True), b.Column("Note", wraps=True))
    yield b.Table(columns, tuple(
        (w.plain(f["name"]), str(f["digest"]), "a newer revision is recorded" if f["replaced_by"] else "")
        for f in one.files
    ))  # fmt: skip


def _tag_blocks(tags: Sequence[TagState]) -> Iterator[b.Block]:
    if not tags:
        return
    yield b.Heading("Tags", 3)
    columns = (b.Column("Tag"), b.Column("Of", wraps=True), b.Column("Verdict"), b.Column("What happened", wraps=True))
    rows: list[tuple[b.Cell | str, ...]] = []
    groups = set()
    for tag in tags:
        groups.add(len(rows))
        first = (str(tag.row["number"]), w.plain(what_of(tag.row["hole"])), _cell(str(tag.row["verdict"])))
        rows += [(*(first if n == 0 else ("", "", "")), event_text(event)) for n, event in enumerate(tag.events)]
    yield b.Table(columns, tuple(rows), groups=frozenset(groups))
