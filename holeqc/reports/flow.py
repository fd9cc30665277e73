"""Blocks set on pages of paper: where each stands, when a new page begins, what runs at head and foot."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from holeqc.inspection.results import ACCEPT
from holeqc.reports import blocks as b
from holeqc.reports import drawing as d
from holeqc.reports import wording as w
from holeqc.reports.paper import PAPERS, width_of, wrap

MARGIN = 36.0
BODY, NOTE = 9.0, 8.0  #: letter sizes [points]; nothing in print is smaller than 8
LEAD = 12.0


@dataclass(slots=True)
class Flow:
    """A section being set: the pages so far and how far down the last one is full."""

    report: b.Report
    section: b.Section
    numbers: Mapping[str, int]  #: first page of each section, for references; empty on the first pass
    pages: list[d.Drawing] = field(default_factory=list)
    y: float = 0.0
    foot_lines: list[tuple[str, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        foot = self.section.foot or self.report.foot
        for line in foot.lines:
            self.foot_lines += [(text, False) for text in wrap(line, self.width, NOTE)]
        cautions = " ".join(foot.cautions)
        self.foot_lines += [(text, True) for text in wrap(cautions, self.width, NOTE, True)]
        self.turn_page()

    @property
    def width(self) -> float:
        """Width between the margins."""
        return PAPERS[self.report.paper][0] - 2 * MARGIN

    @property
    def bottom(self) -> float:
        """How far down a block may reach."""
        return PAPERS[self.report.paper][1] - MARGIN - 6 - 9.6 * len(self.foot_lines)

    @property
    def page(self) -> d.Drawing:
        """The page being filled."""
        return self.pages[-1]

    def turn_page(self) -> None:
        """Begin a new page with its head and foot."""
        wide, high = PAPERS[self.report.paper]
        page = d.Drawing(wide, high)
        self.pages.append(page)
        page.text(MARGIN, MARGIN + 2, w.shorten(self.section.head, 90), NOTE, colour=d.SOFT)
        if self.section.verdict is not None:
            badge(page, wide - MARGIN - 56, MARGIN + 2, self.section.verdict, NOTE)
        page.line((MARGIN, MARGIN + 8), (wide - MARGIN, MARGIN + 8), stroke=d.RULE, width=0.6)
        y = self.bottom + 8
        page.line((MARGIN, y), (wide - MARGIN, y), stroke=d.RULE, width=0.6)
        for n, (line, bold) in enumerate(self.foot_lines):
            page.text(MARGIN, y + 10 + 9.6 * n, line, NOTE, bold, d.INK if bold else d.SOFT)
        self.y = MARGIN + 20

    def need(self, height: float) -> None:
        """Turn the page unless so much room is left, or the page is still empty."""
        if self.y + height > self.bottom and self.y > MARGIN + 21:
            self.turn_page()

    def lines(
        self,
        text: str,
        size: float = BODY,
        bold: bool = False,
        colour: str = d.INK,
        indent: float = 0.0,
        lead: float = LEAD,
    ) -> None:
        """Set wrapped text at the cursor."""
        for line in wrap(text, self.width - indent, size, bold):
            self.need(lead)
            self.page.text(MARGIN + indent, self.y + size, line, size, bold, colour)
            self.y += lead


def badge(page: d.Drawing, x: float, base: float, verdict: int, size: float = BODY) -> None:
    """Draw mark and word of a verdict in a box: outlined accept, dashed hold, solid reject."""
    wide = 52.0 if size >= BODY else 50.0
    top = base - size - 1.5
    fill = d.REJECT_INK if verdict == 2 else d.VERDICT_FILL[verdict]
    dash = (2.5, 1.8) if verdict == 1 else ()
    page.box(x, top, wide, size + 5, stroke=d.VERDICT_INK[verdict], width=0.8, fill=fill, dash=dash)
    colour = "#ffffff" if verdict == 2 else d.VERDICT_INK[verdict]
    page.text(x + wide / 2, base, w.marked(verdict), size, True, colour, "middle")


def set_section(report: b.Report, section: b.Section, numbers: Mapping[str, int]) -> list[d.Drawing]:
    """Return the pages of one section."""
    flow = Flow(report, section, numbers)
    for n, block in enumerate(section.blocks):
        after = section.blocks[n + 1] if n + 1 < len(section.blocks) else None
        SETTERS[type(block)](flow, block, after)
    return flow.pages


def _heading(flow: Flow, block: b.Heading, after: b.Block | None) -> None:
    size = 11.5 if block.level == 2 else 9.5
    above = 11.0 if block.level == 2 else 5.0
    if flow.y < MARGIN + 21:
        above = 0.0
    flow.need(above + size + 6 + _least(flow, after))
    flow.y += above
    flow.lines(block.text, size, True, lead=size + 4)
    flow.y += 2


def _least(flow: Flow, block: b.Block | None) -> float:
    """Return the height that must follow a heading on its page."""
    if isinstance(block, b.Picture):
        return _picture_height(flow, block)
    if isinstance(block, b.Heading):
        return 70.0
    if isinstance(block, b.Paragraph) and block.kind == "caution":
        return _caution_height(flow, block)
    if isinstance(block, b.Findings) and block.items:
        return min(_finding_height(flow, block.items[0]), flow.bottom - MARGIN - 60)
    return 84.0 if isinstance(block, b.Signatures) else 62.0 if isinstance(block, b.Table) else 26.0


def _caution_height(flow: Flow, block: b.Paragraph) -> float:
    return LEAD * len(wrap(f"Caution. {block.text}", flow.width - 10, BODY)) + 6


def _paragraph(flow: Flow, block: b.Paragraph, _: b.Block | None) -> None:
    if block.kind == "caution":
        text = f"Caution. {block.text}"
        flow.need(_caution_height(flow, block))
        top = flow.y + 1
        flow.y += 1
        flow.lines(text, indent=10)
        flow.page.line((MARGIN + 1.5, top), (MARGIN + 1.5, flow.y), stroke=d.INK, width=2.5)
        flow.y += 5
        return
    quiet = block.kind == "quiet"
    flow.lines(block.text, NOTE if quiet else BODY, colour=d.SOFT if quiet else d.INK, lead=10.5 if quiet else LEAD)
    flow.y += 3


def _banner(flow: Flow, block: b.Banner, _: b.Block | None) -> None:
    stamp = w.stamp_of(block)
    left = width_of(stamp, 17, True) + 30
    titles = wrap(block.title, flow.width - left - 16, 13, True)[:3]
    high = max(38.0, 22.0 + 16 * len(titles))
    flow.need(high + 20)
    ink, x, y = d.VERDICT_INK[block.verdict], MARGIN, flow.y
    dash = (4, 2.5) if block.verdict == 1 else ()
    solid = block.verdict == 2
    flow.page.box(x, y, left, high, fill=ink if solid else d.VERDICT_FILL[block.verdict])
    flow.page.box(x, y, flow.width, high, stroke=ink, width=1.6, dash=dash)
    flow.page.line((x + left, y), (x + left, y + high), stroke=ink, width=1.6, dash=dash)
    flow.page.text(x + left / 2, y + high / 2 + 6, stamp, 17, True, "#ffffff" if solid else ink, "middle")
    for n, line in enumerate(titles):
        flow.page.text(x + left + 12, y + 17 + 16 * n, line, 13, True)
    flow.page.text(x + left + 12, y + high - 8, w.shorten(block.detail, 80), BODY)
    flow.y += high + 9


def _facts(flow: Flow, block: b.Facts, _: b.Block | None) -> None:
    columns = 5
    wide = flow.width / columns
    row: list[tuple[str, list[str]]] = []

    def put() -> None:
        high = 10.5 + 11 * max(len(lines) for _, lines in row)
        flow.need(high + 4)
        for n, (label, lines) in enumerate(row):
            flow.page.text(MARGIN + n * wide, flow.y + 8, label, NOTE, colour=d.SOFT)
            for k, line in enumerate(lines):
                flow.page.text(MARGIN + n * wide, flow.y + 19 + 11 * k, line, BODY)
        flow.y += high + 4

    for label, text in block.pairs:
        row.append((label, wrap(text, wide - 10, BODY)[:6]))
        if len(row) == columns:
            put()
            row = []
    if row:
        put()


def _finding_lines(flow: Flow, item: b.Finding) -> tuple[float, list[str], list[str]]:
    """Return how far a finding is set in, its lines, and those of what to do."""
    indent = 62.0 if item.verdict is not None else 12.0
    rows = wrap(item.text + (f" [{item.place}]" if item.place else ""), flow.width - indent, BODY)
    return indent, rows, wrap(f"→ {item.action}", flow.width - indent, BODY, True) if item.action else []


def _finding_height(flow: Flow, item: b.Finding) -> float:
    _, rows, acts = _finding_lines(flow, item)
    return LEAD * (len(rows) + len(acts)) + 4


def _findings(flow: Flow, block: b.Findings, _: b.Block | None) -> None:
    for item in block.items:
        indent, rows, acts = _finding_lines(flow, item)
        flow.need(min(_finding_height(flow, item), flow.bottom - MARGIN - 40))
        if item.verdict is not None:
            badge(flow.page, MARGIN, flow.y + BODY + 0.5, item.verdict)
        else:
            flow.page.box(MARGIN + 3, flow.y + 4, 3, 3, fill=d.SOFT)
        for line, bold in [(row, False) for row in rows] + [(act, True) for act in acts]:
            flow.need(LEAD)
            flow.page.text(MARGIN + indent, flow.y + BODY, line, BODY, bold)
            flow.y += LEAD
        flow.y += 4 if item.verdict is not None else 1


def _picture_height(flow: Flow, block: b.Picture) -> float:
    return block.drawing.height + (14 if block.caption else 2)


def _picture(flow: Flow, block: b.Picture, _: b.Block | None) -> None:
    flow.need(_picture_height(flow, block))
    flow.page.place(block.drawing, MARGIN + (flow.width - block.drawing.width) / 2, flow.y)
    flow.y += block.drawing.height
    if block.caption:
        flow.page.text(MARGIN + flow.width / 2, flow.y + 9, block.caption, NOTE, colour=d.SOFT, anchor="middle")
        flow.y += 12
    flow.y += 4


def _signatures(flow: Flow, block: b.Signatures, _: b.Block | None) -> None:
    flow.need(84)
    flow.lines(block.text, NOTE, colour=d.SOFT, lead=10.5)
    gap = 18.0
    wide = (flow.width - gap * (len(block.lines) - 1)) / len(block.lines)
    flow.y += 30
    for n, line in enumerate(block.lines):
        x = MARGIN + n * (wide + gap)
        flow.page.line((x, flow.y), (x + wide, flow.y))
        flow.page.text(x, flow.y + 10, line, NOTE, colour=d.SOFT)
    flow.y += 16


# ------------------------------------------------------------------------------------------------------------ tables

LEAST_ROWS = 3  #: of a long table on a page
_PAD = 7.0
_ROW = 9.8


def _columns(flow: Flow, block: b.Table, texts: list[list[str]]) -> list[float]:
    """Return column widths: as wide as the widest text; what wraps gives way first, then every column."""
    natural, least = [], []
    for n, column in enumerate(block.columns):
        head = max((width_of(word, NOTE, True) for word in column.title.split(" ")), default=0.0)
        cells = [width_of(row[n], NOTE, True) for row in texts]
        natural.append(max([head, *cells], default=0.0) + _PAD)
        words = [width_of(word, NOTE, True) for row in texts for word in row[n].split(" ")] if column.wraps else cells
        least.append(max(head, min(max(words, default=0.0), 80.0 if column.wraps else 1e9)) + _PAD)
    room = flow.width - sum(natural)
    if room >= 0:
        return [wide + min(room / len(natural), 26.0) for wide in natural]
    surplus = flow.width - sum(least)
    if surplus >= 0:
        wants = [a - z for a, z in zip(natural, least, strict=True)]
        share = surplus / (sum(wants) or 1.0)
        return [z + want * share for z, want in zip(least, wants, strict=True)]
    shrink = flow.width / sum(least)
    return [wide * shrink for wide in least]


def _table(flow: Flow, block: b.Table, _: b.Block | None) -> None:
    rows = [[b.cell_of(cell) for cell in row] for row in block.rows]
    texts = [[_cell_text(flow, cell) for cell in row] for row in rows]
    wide = _columns(flow, block, texts)
    heads = [wrap(c.title, size - 2, NOTE, True) for c, size in zip(block.columns, wide, strict=True)]

    def head() -> None:
        high = _ROW * max(len(lines) for lines in heads)
        x = MARGIN
        for column, lines, size in zip(block.columns, heads, wide, strict=True):
            for n, line in enumerate(lines):
                base = flow.y + high - _ROW * (len(lines) - 1 - n) - 2
                _put(flow, x, base, size, column.align, line, True, d.INK)
            x += size
        flow.y += high + 1
        flow.page.line((MARGIN, flow.y), (MARGIN + sum(wide), flow.y), width=1.0)

    # A short table stays in one piece; a long one begins where some rows fit under its heading.
    note = 12.2 * len(wrap(block.note, flow.width, NOTE)) if block.note else 0.0
    short = (_ROW + 1.9) * len(rows) + note if len(rows) <= 10 else (_ROW + 1.9) * LEAST_ROWS
    flow.need(_ROW * max(len(lines) for lines in heads) + 1 + short)
    head()
    laid = [
        [wrap(text, size - 4, NOTE, _strong(cell))[:28] for text, size, cell in zip(row, wide, cells, strict=True)]
        for cells, row in zip(rows, texts, strict=True)
    ]
    highs = [_ROW * max(len(part) for part in lines) + 1.9 for lines in laid]
    fresh = flow.bottom - (MARGIN + 20) - _ROW * max(len(lines) for lines in heads) - 1
    weights = [*highs[:-1], highs[-1] + note] if highs else []  # the note stays with the last row
    turns = page_turns(weights, block.groups, flow.bottom - flow.y, fresh)
    for n, (cells, lines, high) in enumerate(zip(rows, laid, highs, strict=True)):
        if n in turns:
            flow.turn_page()
            head()
        elif n:
            line = d.SOFT if n in block.groups else "#e1e6e9"
            flow.page.line((MARGIN, flow.y), (MARGIN + sum(wide), flow.y), stroke=line, width=0.5)
        _row(flow, block, cells, lines, wide, high)
    flow.y += 2
    if block.note:
        flow.lines(block.note, NOTE, colour=d.SOFT, lead=10.2)
    flow.y += 4


def page_turns(highs: Sequence[float], groups: Collection[int], room: float, fresh: float) -> set[int]:
    """Return the rows of a table that begin a page: groups stay whole, and no page has fewer than LEAST rows of it.

    ``highs``: heights of the rows; ``groups``: rows that begin a group; ``room``, ``fresh``: height for rows on the
    page where the table begins and on one of its own [points]. A group higher than a page is split between rows.
    """
    turns: set[int] = set()
    start, count = 0, len(highs)
    while True:
        end, used = start, 0.0
        while end < count and used + highs[end] <= room:
            used += highs[end]
            end += 1
        if end >= count:
            return turns
        end = max(end, start + 1)
        whole = [n for n in range(start + 1, end + 1) if n in groups or not groups]
        kept = [n for n in whole if count - n >= LEAST_ROWS and n - start >= LEAST_ROWS]
        end = (kept or whole or [end])[-1]
        turns.add(end)
        start, room = end, fresh


def _row(
    flow: Flow, block: b.Table, cells: list[b.Cell], lines: list[list[str]], wide: list[float], high: float
) -> None:
    x = MARGIN
    for column, cell, part, size in zip(block.columns, cells, lines, wide, strict=True):
        if cell.verdict is not None and cell.verdict != ACCEPT:
            flow.page.box(x, flow.y + 0.5, size - 1, high - 1, fill=d.VERDICT_FILL[cell.verdict])
        ink = d.INK if cell.verdict is None else d.VERDICT_INK[cell.verdict]
        for n, line in enumerate(part):
            _put(flow, x, flow.y + 8.2 + _ROW * n, size, column.align, line, _strong(cell), ink)
        x += size
    flow.y += high


def _put(flow: Flow, x: float, base: float, wide: float, align: b.Align, text: str, bold: bool, ink: str) -> None:
    if align == "right":
        flow.page.text(x + wide - 4, base, text, NOTE, bold, ink, "end")
    elif align == "centre":
        flow.page.text(x + wide / 2, base, text, NOTE, bold, ink, "middle")
    else:
        flow.page.text(x + 2, base, text, NOTE, bold, ink)


def _strong(cell: b.Cell) -> bool:
    return cell.verdict is not None and cell.verdict != ACCEPT


def _cell_text(flow: Flow, cell: b.Cell) -> str:
    if cell.to:
        return f"page {flow.numbers[cell.to]}" if cell.to in flow.numbers else "page 000"
    return f"{w.MARKS[cell.verdict]} {cell.text}" if cell.verdict is not None else cell.text


SETTERS: dict[type, Callable[..., None]] = {
    b.Heading: _heading, b.Paragraph: _paragraph, b.Banner: _banner, b.Facts: _facts, b.Findings: _findings,
    b.Picture: _picture, b.Signatures: _signatures, b.Table: _table,
}  # fmt: skip
