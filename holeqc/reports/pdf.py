"""The report as PDF: the same blocks as the HTML page, on numbered pages."""

from __future__ import annotations

from collections.abc import Callable

from holeqc.reports import blocks as b
from holeqc.reports import drawing as d
from holeqc.reports.flow import MARGIN, NOTE, set_section
from holeqc.reports.paper import save_pdf


def pdf_report(report: b.Report, progress: Callable[[str], None] = lambda _: None) -> bytes:
    """Return a report as a PDF file; the same bytes each time for the same report.

    Sections with references to pages are set again when the pages are known.
    """
    pages, first = pages_of(report, progress)
    marks = [(section.head.split("·")[-1].strip(), first[section.key] - 1) for section in report.sections]
    return save_pdf(pages, report.title, marks)


def pages_of(
    report: b.Report, progress: Callable[[str], None] = lambda _: None
) -> tuple[list[d.Drawing], dict[str, int]]:
    """Return all pages of a report, numbered, and the first page of each section."""
    done = []
    for n, section in enumerate(report.sections, 1):
        done.append(set_section(report, section, {}))
        progress(f"report.pdf: section {n} of {len(report.sections)}")
    numbers, first = {}, 1
    for section, pages in zip(report.sections, done, strict=True):
        numbers[section.key] = first
        first += len(pages)
    for n, section in enumerate(report.sections):
        if any(isinstance(block, b.Table) and _refers(block) for block in section.blocks):
            done[n] = set_section(report, section, numbers)
    pages = [page for section in done for page in section]
    listed = _page_with(pages, report.files) if report.files else 0
    for n, page in enumerate(pages, 1):
        if listed:
            text = f"all files with SHA-256 in full: page {listed}"
            page.text(MARGIN, page.height - MARGIN + 12, text, NOTE, colour=d.SOFT)
        page.text(page.width - MARGIN, page.height - MARGIN + 12, f"page {n} of {len(pages)}", NOTE, anchor="end")
    return pages, numbers


def _page_with(pages: list[d.Drawing], heading: str) -> int:
    """Return the number of the last page with that line of text, 0 where there is none."""
    lines = [{item.text for item in page.items if isinstance(item, d.Text)} for page in pages]
    return max((n for n, texts in enumerate(lines, 1) if heading in texts), default=0)


def _refers(table: b.Table) -> bool:
    return any(isinstance(cell, b.Cell) and cell.to for row in table.rows for cell in row)
