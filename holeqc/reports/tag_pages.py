"""Tags on pages: four a page with cut marks, a ring for the string, letters that read at arm's length."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from holeqc.inspection.phrases import ENGINEERING
from holeqc.inspection.results import HOLD, REJECT
from holeqc.inspection.spans import joined, same_of_holes
from holeqc.inspection.view import Run
from holeqc.reports import drawing as d
from holeqc.reports import wording as w
from holeqc.reports.flow import MARGIN, NOTE
from holeqc.reports.paper import PAPERS, save_pdf, width_of, wrap
from holeqc.reports.story import foot_for
from holeqc.reports.tags import Line, Tag, tool_text

ACROSS, DOWN = 2, 2
PAD = 10.0
UNREAD_EACH = 3  #: up to so many lines of which nothing was read are told each
UNREAD_LINES = 7
TEXT_SIZES = (9.5, 9.0, 8.5, 8.0)  #: of what is to be decided [points]; the largest that fits
NO_REWORK = "No rework without engineering disposition."
_UPPER, _LOWER = 122.0, 76.0  #: height of the identity above, and of disposition and signatures below [points]


@dataclass(frozen=True, slots=True)
class Face:
    """One face of a tag: a tag whose words don't fit goes on on a further face, and nothing of them is cut."""

    tag: Tag
    brief: int  #: how many lines follow the first one in brief; on a further face none
    text: tuple[str, ...]
    size: float
    number: int = 1
    total: int = 1
    unread: tuple[str, ...] = ()  #: in the place of the lines, where nothing was read


def tag_pages(run: Run, tags: Sequence[Tag], progress: Callable[[str], None] = lambda _: None) -> bytes:
    """Return tags as a PDF file; the same bytes each time for the same run."""
    paper = PAPERS["letter" if run.specification.unit == "in" else "a4"]
    pages: list[d.Drawing] = []
    each = ACROSS * DOWN
    foot = _foot(run, paper[0] - 2 * MARGIN)
    wide, high = _cell_size(paper, foot)
    faces = [face for tag in tags for face in faces_of(tag, wide - 12, high - 12)]
    total = -(-len(faces) // each)
    for start in range(0, len(faces), each):
        pages.append(_page(run, faces[start : start + each], paper, foot, (len(pages) + 1, total)))
        progress(f"tags.pdf: page {len(pages)} of {total}")
    return save_pdf(pages, f"Tags, kit {run.specification.id} revision {run.specification.revision}")


def _foot(run: Run, wide: float) -> list[tuple[str, bool]]:
    foot = foot_for(run)
    lines = [(text, False) for line in foot.lines for text in wrap(line, wide, NOTE)]
    return lines + [(text, True) for text in wrap(" ".join(foot.cautions), wide, NOTE, True)]


def _cell_size(paper: tuple[float, float], foot: list[tuple[str, bool]]) -> tuple[float, float]:
    return (paper[0] - 2 * MARGIN) / ACROSS, (paper[1] - 32 - 9.6 * len(foot) - 18.0) / DOWN


def faces_of(tag: Tag, wide: float, high: float) -> Iterator[Face]:
    """Give the faces of a tag of that size [points]: lesser lines go first, then letters shrink, then it goes on."""
    room, wide = high - _UPPER - _LOWER, wide - 2 * PAD
    forbidden = 11.5 if "no rework" in tag.decide.lower() else 0.0
    words = tag.decide.replace(ENGINEERING, "").strip() if forbidden else tag.decide
    unread = _unread(tag, wide)
    first = 29 + 11.5 * len(_asked(tag.lines[0], wide, tag.unit)) if tag.lines else 0.0
    first = 2 + 12.0 * len(unread) if unread else first
    rest = 0 if unread else max(0, len(tag.lines) - 1)
    left = [room - first - 12 * n - (13 if n < rest else 0) - 20 - forbidden for n in range(rest + 1)]
    for brief in range(rest, -1, -1):
        for size in TEXT_SIZES:
            text = wrap(words, wide, size) if words else []
            if left[brief] >= (size + 2) * len(text):
                yield Face(tag, brief, tuple(text), size, unread=unread)
                return
    # An instruction and its cautions must not hang on two faces: all of the text goes on the next.
    size = TEXT_SIZES[0]
    text, each = wrap(words, wide, size), int((room - 20 - forbidden) // (size + 2)) - 1
    pieces = [[], *(text[n : n + each] for n in range(0, len(text), each))]
    brief = max((n for n in range(rest + 1) if left[n] >= size + 2), default=0)
    for n, piece in enumerate(pieces, 1):
        on = [] if n == len(pieces) else [f"see face {n + 1} of {len(pieces)}: what may be done, cautions"]
        yield Face(tag, brief if n == 1 else 0, (*piece, *on), size, n, len(pieces), unread)


def _unread(tag: Tag, wide: float) -> tuple[str, ...]:
    """Return the words for many lines of which nothing was read, none for any other tag."""
    if len(tag.lines) <= UNREAD_EACH or any(line.found != w.NOT_READ for line in tag.lines):
        return ()
    # lines of a tag stand in the order of characteristics
    holes = same_of_holes((line.hole, line.characteristic) for line in tag.lines)
    every = len(holes) == 1
    texts = [
        f"not read: {joined(asked)}" if every else f"hole{'s' if len(there) > 1 else ''} {joined(there)}, not read: "
        f"{joined(asked)}" for asked, there in holes.items()
    ]  # fmt: skip
    lines = [text for said in texts for text in wrap(w.plain(said), wide, 9.5, every)]
    more = len(lines) > UNREAD_LINES
    return (*lines[: UNREAD_LINES - 1], "and more, see the report") if more else tuple(lines)


def _asked(line: Line, wide: float, unit: str) -> list[str]:
    measured = line.lower is not None or line.upper is not None
    return wrap(f"required  {line.requirement}{f' {unit}' if measured else ''}", wide, 9.5)[:2]


def _page(
    run: Run, faces: Sequence[Face], paper: tuple[float, float], foot: list[tuple[str, bool]], number: tuple[int, int]
) -> d.Drawing:
    page = d.Drawing(*paper)
    top = 18.0
    bottom = paper[1] - 32 - 9.6 * len(foot)
    wide, high = _cell_size(paper, foot)
    for n, face in enumerate(faces):
        _tag(page, face, MARGIN + (n % ACROSS) * wide, top + (n // ACROSS) * high, wide, high)
    _cut_marks(page, [MARGIN + k * wide for k in range(ACROSS + 1)], [top + k * high for k in range(DOWN + 1)])
    for n, (line, bold) in enumerate(foot):
        page.text(MARGIN, bottom + 16 + 9.6 * n, line, NOTE, bold, d.INK if bold else d.SOFT)
    page.text(paper[0] - MARGIN, paper[1] - 12, f"page {number[0]} of {number[1]}", NOTE, anchor="end")
    page.text(MARGIN, paper[1] - 12, f"Cut along the marks.  {tool_text(run)}", NOTE, colour=d.SOFT)
    return page


def _cut_marks(page: d.Drawing, xs: Sequence[float], ys: Sequence[float]) -> None:
    for x in xs:
        for y in ys:
            page.line((x - 7, y), (x + 7, y), width=0.6)
            page.line((x, y - 7), (x, y + 7), width=0.6)
    for x in xs[1:-1]:
        page.line((x, ys[0] + 7), (x, ys[-1] - 7), stroke=d.SOFT, width=0.4, dash=(3, 4))
    for y in ys[1:-1]:
        page.line((xs[0] + 7, y), (xs[-1] - 7, y), stroke=d.SOFT, width=0.4, dash=(3, 4))


def _tag(page: d.Drawing, face: Face, x: float, y: float, wide: float, high: float) -> None:
    """Draw one face of a tag in its cell."""
    tag = face.tag
    verdict = REJECT if tag.verdict == "reject" else HOLD
    x, y, wide, high = x + 6, y + 6, wide - 12, high - 12
    ink = d.VERDICT_INK[verdict]
    page.box(x, y, wide, high, stroke=ink, width=2.2, dash=(6, 3.5) if verdict == HOLD else ())
    band = 38.0
    page.box(x, y, wide, band, fill=ink if verdict == REJECT else d.HOLD_FILL)
    page.line((x, y + band), (x + wide, y + band), stroke=ink, width=1.4)
    colour = "#ffffff" if verdict == REJECT else ink
    page.text(x + PAD, y + 27, f"{w.MARKS[verdict]} {tag.verdict.upper()}", 23, True, colour)
    page.circle(x + wide - 20, y + band / 2, 7, stroke=colour, width=1.0, fill="#ffffff")
    label = "tag" if face.total == 1 else f"tag, face {face.number} of {face.total}"
    page.text(x + wide - 35, y + 16, label, NOTE, colour=colour, anchor="end")
    page.text(x + wide - 35, y + 30, tag.code, 11, True, colour, "end")
    base = _identity(page, tag, x + PAD, y + band, wide - 2 * PAD)
    if face.number == 1:
        base = _lines(page, face, x + PAD, base, wide - 2 * PAD)
    _decision(page, face, x + PAD, base, wide - 2 * PAD, y + high)


def _field(page: d.Drawing, x: float, y: float, label: str, text: str, wide: float, size: float = 12.0) -> None:
    page.text(x, y, label, NOTE, colour=d.SOFT)
    text = text or "-"
    while width_of(text, size, True) > wide and size > 9:
        size -= 0.5
    shown = text
    while width_of(shown, size, True) > wide and len(shown) > 4:
        shown = w.shorten(text, len(shown) - 1)
    page.text(x, y + size + 1.5, shown, size, True)


def _identity(page: d.Drawing, tag: Tag, x: float, y: float, wide: float) -> float:
    left, right = 0.56 * wide - 6, 0.44 * wide
    at = x + left + 6
    part = w.plain(f"{tag.part} ({tag.part_number})" if tag.part_number else tag.part)
    if width_of(part, 9, True) > left:
        part = w.plain(tag.part)
    _field(page, x, y + 11, "Serial", w.plain(tag.serial), left, 16.0)
    _field(page, at, y + 11, "Hole" + (" and wall" if tag.wall else ""), _hole_and_wall(tag), right, 16.0)
    _field(page, x, y + 40, "Part", part, left)
    _field(page, at, y + 40, "Kit, revision", w.plain(f"{tag.kit}, {tag.revision}"), right)
    _field(page, x, y + 65, "Gauge", w.plain(tag.gauge), left)
    _field(page, at, y + 65, "Date of reading", tag.date, right)
    page.line((x, y + 84), (x + wide, y + 84), stroke=d.RULE, width=0.7)
    return y + 84


def _hole_and_wall(tag: Tag) -> str:
    return w.plain(f"{tag.hole}, {tag.wall}" if tag.wall else tag.hole)


def _lines(page: d.Drawing, face: Face, x: float, y: float, wide: float) -> float:
    """Draw the first line in full, the others in brief as many as the face takes, and say how many are left."""
    tag = face.tag
    if face.unread:
        for text in face.unread:
            page.text(x, y + 12, text, 9.5, face.unread[0].startswith(w.NOT_READ))
            y += 12
        return y + 2
    several = len({line.hole for line in tag.lines}) > 1
    for shown, line in enumerate(tag.lines):
        title = f"{line.characteristic}" + (f", {line.wall} wall" if line.wall else "")
        title = w.plain(f"hole {line.hole}: {title}" if several else title)
        if shown == 0:
            asked = _asked(line, wide, tag.unit)
            page.text(x, y + 12, title, 9.5, True)
            for n, text in enumerate(asked):
                page.text(x, y + 23.5 + 11.5 * n, text, 9.5)
            _found(page, line, x, y + 25 + 11.5 * len(asked), wide)
            y += 29 + 11.5 * len(asked)
            continue
        if shown > face.brief:
            page.text(x, y + 10, f"and {len(tag.lines) - shown} more, see the report", 9, colour=d.SOFT)
            return y + 13
        brief = f"also {title}: {line.found}" + (f" ({line.deviation})" if line.deviation else "")
        page.text(x, y + 10, wrap(brief, wide, 9.5)[0], 9.5)
        y += 12
    return y


def _found(page: d.Drawing, line: Line, x: float, base: float, wide: float) -> None:
    page.text(x, base, "found", 9.5)
    left, size = width_of("required  ", 9.5), 11.5
    while not line.deviation and left + width_of(line.found, size, True) > wide and size > 8:
        size -= 0.5
    page.text(x + left, base, line.found, size, True)
    if line.deviation:
        page.text(x + wide, base, line.deviation, 11.5, True, anchor="end")
        page.text(x + wide - width_of(line.deviation, 11.5, True) - 5, base, "deviation", 9.5, anchor="end")


def _decision(page: d.Drawing, face: Face, x: float, y: float, wide: float, bottom: float) -> None:
    """Draw what is to be decided, the disposition boxes and the lines to sign on, from the bottom up."""
    top = bottom - _LOWER
    page.line((x, y + 3), (x + wide, y + 3), stroke=d.RULE, width=0.7)
    page.text(x, y + 13, "To be decided", NOTE, colour=d.SOFT)
    base = y + 25
    if "no rework" in face.tag.decide.lower():
        page.text(x, base, NO_REWORK, 9.5, True)
        base += 11.5
    for n, line in enumerate(face.text):
        page.text(x, base + (face.size + 2) * n, line, face.size)
    page.line((x, top), (x + wide, top), stroke=d.RULE, width=0.7)
    page.text(x, top + 11, "Disposition, one box", NOTE, colour=d.SOFT)
    third = wide / 3
    for n, name in enumerate(face.tag.dispositions):  # the first two beside the label's row, three in the row below
        across, down = (n + 1, 0) if n < 2 else (n - 2, 1)
        at = x + across * third + (16 if down == 0 else 0)
        page.box(at, top + 3 + 16 * down, 10, 10, stroke=d.INK, width=1.0)
        page.text(at + 14, top + 12 + 16 * down, name, 10)
    half = (wide - 12) / 2
    for n, label in enumerate(("inspector, date", "decided, signed, date")):
        left = x + n * (half + 12)
        page.line((left, top + 58), (left + half, top + 58))
        page.text(left, top + 68, label, NOTE, colour=d.SOFT)

