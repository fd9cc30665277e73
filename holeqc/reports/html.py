"""The report as one HTML file: no script, nothing fetched, every text escaped, prints with head and foot on each page.

Each section is a layout table whose head and foot browsers repeat on every printed page.
"""

from __future__ import annotations

import re
from functools import singledispatch
from html import escape

from holeqc.door import own_text
from holeqc.inspection.results import ACCEPT
from holeqc.reports import blocks as b
from holeqc.reports import wording as w
from holeqc.reports.drawing import to_svg

LONG = 24  #: characters from which a text may break inside a word and a cell may wrap
_VERDICT = ("accept", "hold", "reject")
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def html_page(report: b.Report) -> str:
    """Return a report as an HTML document; the same bytes each time for the same report."""
    style = own_text("reports", "report.css")
    style = style.replace("PAPER", report.paper)
    body = "\n".join(_section(section, _foot(section.foot or report.foot)) for section in report.sections)
    return (
        f'<!DOCTYPE html>\n<html lang="{report.language}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{_safe(report.title)}</title>\n<style>\n{style}</style>\n</head>\n"
        f'<body id="top">\n{body}\n</body>\n</html>\n'
    )


def _safe(text: str) -> str:
    return escape(w.plain(text))


def _soft(text: str) -> str:
    """Return escaped text that may break inside long words such as digests and file names."""
    return re.sub(r"([\w/.\\-]{24})(?=[\w/.\\-])", r"\1<wbr>", _safe(text)) if len(text) > LONG else _safe(text)


def _foot(foot: b.Foot) -> str:
    lines = "".join(f"<p>{_safe(line)}</p>" for line in foot.lines)
    return f'{lines}<p class="care">{" ".join(_safe(text) for text in foot.cautions)}</p>'


def _section(section: b.Section, foot: str) -> str:
    badge = (
        f'<span class="tag {_VERDICT[section.verdict]}">{_safe(w.marked(section.verdict))}</span>'
        if section.verdict is not None
        else ""
    )
    up = "" if section.key == "overview" else '<a class="up" href="#top">to the top</a>'
    body = "\n".join(html_block(block) for block in section.blocks)
    return (
        f'<table class="page" role="presentation" id="{section.key}">\n'
        f'<thead><tr><td><div class="head"><span>{_safe(section.head)}</span>{badge}{up}</div></td></tr></thead>\n'
        f'<tfoot><tr><td><footer class="foot">{foot}</footer></td></tr></tfoot>\n'
        f'<tbody><tr><td><div class="body">\n{body}\n</div></td></tr></tbody>\n</table>'
    )


@singledispatch
def html_block(block: b.Block) -> str:
    """Return one block as HTML."""
    raise TypeError(f"no HTML for {type(block).__name__}")


@html_block.register
def _(block: b.Heading) -> str:
    return f"<h{block.level}>{_safe(block.text)}</h{block.level}>"


@html_block.register
def _(block: b.Paragraph) -> str:
    lead = "<strong>Caution.</strong> " if block.kind == "caution" else ""
    return f'<p class="{block.kind}">{lead}{_soft(block.text)}</p>'


@html_block.register
def _(block: b.Banner) -> str:
    name = _VERDICT[block.verdict]
    return (
        f'<header class="banner {name}"><span class="stamp">{_safe(w.stamp_of(block))}</span>'
        f"<div><h1>{_soft(block.title)}</h1><p>{_safe(block.detail)}</p></div></header>"
    )


@html_block.register
def _(block: b.Facts) -> str:
    pairs = "".join(f"<div><dt>{_safe(label)}</dt><dd>{_soft(text)}</dd></div>" for label, text in block.pairs)
    return f'<dl class="facts">{pairs}</dl>'


@html_block.register
def _(block: b.Findings) -> str:
    return f'<ul class="findings">{"".join(_finding(item) for item in block.items)}</ul>'


def _finding(item: b.Finding) -> str:
    badge, name = "", "point"
    if item.verdict is not None:
        name = _VERDICT[item.verdict]
        badge = f'<span class="tag {name}">{_safe(w.marked(item.verdict))}</span>'
    place = f' <span class="place">[{_soft(item.place)}]</span>' if item.place else ""
    action = f'<p class="do">{_soft(item.action)}</p>' if item.action else ""
    return f'<li class="{name}">{badge}<div><p>{_soft(item.text)}{place}</p>{action}</div></li>'


@html_block.register
def _(block: b.Table) -> str:
    heads = "".join(f'<th scope="col" class="{c.align}">{_safe(c.title)}</th>' for c in block.columns)
    rows = []
    for n, row in enumerate(block.rows):
        cells = "".join(_cell(b.cell_of(cell), column) for cell, column in zip(row, block.columns, strict=True))
        rows.append(f"<tr{' class=group' if n in block.groups and n else ''}>{cells}</tr>")
    note = f'<p class="note">{_soft(block.note)}</p>' if block.note else ""
    table = f'<table class="data"><thead><tr>{heads}</tr></thead><tbody>{"".join(rows)}</tbody></table>'
    return f'<div class="wide">{table}</div>{note}'


def _cell(cell: b.Cell, column: b.Column) -> str:
    wraps = column.wraps or len(cell.text) > LONG
    text = _soft(cell.text) if wraps else _safe(cell.text)
    if cell.to:
        text = f'<a href="#{cell.to}">details</a>'
    names = column.align + (" wraps" if wraps else "")
    if cell.verdict is not None:
        text = f"{w.MARKS[cell.verdict]} {text}"
        names += f" {_VERDICT[cell.verdict]}" + (" fault" if cell.verdict != ACCEPT else "")
    # a narrow screen shows each row as a card, where a heading stands over each value
    return f'<td class="{names}" data-of="{_safe(column.title)}">{text}</td>' if text else f'<td class="{names}"></td>'


@html_block.register
def _(block: b.Picture) -> str:
    caption = f"<figcaption>{_safe(block.caption)}</figcaption>" if block.caption else ""
    return f"<figure>{to_svg(block.drawing)}{caption}</figure>"


@html_block.register
def _(block: b.Signatures) -> str:
    lines = "".join(f"<p>{_safe(line)}</p>" for line in block.lines)
    return f'<p class="quiet">{_safe(block.text)}</p><div class="sign">{lines}</div>'
