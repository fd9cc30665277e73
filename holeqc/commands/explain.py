"""The reference, a topic at a time: ``reference.md`` beside this file is the text, here it is only laid out."""

from __future__ import annotations

import re
import shutil
import textwrap
from typing import Annotated, Literal, get_args

import typer

from holeqc import door, printing

Topic = Literal["sheets", "judging", "record", "kit", "fits", "statistics", "wear", "sampling", "json", "words"]
WIDEST = 100  #: letters a line on a wide screen: longer ones are hard to read


def explain(
    topic: Annotated[Topic | None, typer.Argument(help="What to explain; without it the topics are listed.")] = None,
) -> None:
    """Explain a topic: what may be in a sheet, how it judges, the rules of the record, ...

    Example: holeqc explain judging
    """
    if topic is None:
        printing.write("".join(f"holeqc explain {name}\n" for name in get_args(Topic)))
        return
    text = door.own_text("commands", "reference.md")
    found = re.search(rf"^# {topic}\n(.*?)(?=^# |\Z)", text, flags=re.DOTALL | re.MULTILINE)
    assert found is not None  # a test asks for every topic
    printing.write(laid_out(found[1], min(WIDEST, shutil.get_terminal_size().columns)) + "\n")


def laid_out(text: str, width: int) -> str:
    """Return the text with paragraphs, lists and tables in lines of at most so many letters; code stays as it is."""
    blocks: list[str] = []
    for piece in re.split(r"\n\s*\n", text.strip()):
        lines = piece.splitlines()
        if lines[0].startswith("```"):
            blocks.append("\n".join(f"    {line}" for line in lines if not line.startswith("```")))
        elif lines[0].startswith("|"):
            rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[2:]]
            blocks.append("\n".join(_wrapped(f"{row[0]}: {'; '.join(row[1:])}", width, "") for row in rows))
        elif lines[0].startswith("- "):
            points = re.split(r"\n- ", piece[2:])
            blocks.append("\n".join(_wrapped(" ".join(p.split()), width, "- ") for p in points))
        else:
            blocks.append(_wrapped(" ".join(piece.lstrip("#").split()), width, "", hang=""))
    return "\n\n".join(blocks)


def _wrapped(text: str, width: int, first: str, hang: str = "  ") -> str:
    plain = text.replace("`", "").replace("**", "")
    return textwrap.fill(plain, width, initial_indent=first, subsequent_indent=hang, break_on_hyphens=False)
