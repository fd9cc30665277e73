"""One number of a kit file written anew: the U of a gauge, with the budget behind it; all other text stays as it is.

A kit file is somebody's text, with remarks and an order of its own, so it is edited as text and never written from
records. What comes out is loaded and compared before it takes the old file's place: apart from that one number it must
say exactly the same.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holeqc import door, writer
from holeqc.problems import HoleQCError, SpecificationError
from holeqc.specification.load import kit_bytes, load_specification, parse_specification, specification_of
from holeqc.specification.model import Specification

MARK = "# U from a gauge study"
END_MARK = "# end of the study's budget"
_HEADER = re.compile(r"^[ \t]*\[")
_GAUGE = re.compile(r"^[ \t]*\[\[[ \t]*gauge[ \t]*\]\][ \t]*(#.*)?$")
_KEY = re.compile(r"^([ \t]*)uncertainty([ \t]*)=([ \t]*)[^#\r\n]*?([ \t]*#.*)?$")


@dataclass(frozen=True, slots=True)
class Rewritten:
    """What was written: the file, the copy of the old one, the gauge, and its U before (None: none) and now."""

    path: str
    backup: str
    gauge: str
    old: float | None
    new: float


def write_gauge_uncertainty(
    path: str | os.PathLike[str], gauge: str, uncertainty: float, budget: Sequence[str] = (), source: str = ""
) -> Rewritten:
    """Write U of a gauge into a kit file, the lines of its budget as comments below, and keep a copy of the old file.

    Args:
        path: the kit file; a link is followed.
        gauge: id of its gauge.
        uncertainty: U at k = 2 [kit unit].
        budget: lines of text, one a cause; lines of an earlier study are replaced.
        source: what the number comes from, for the comment.

    The copy has the next free name of ``FILE.bak``, ``FILE.bak2`` ...; no file is ever written over. The kit file is
    replaced in one step, so that a reader sees the old one or the new one.

    Raises:
        SpecificationError: the kit can't be loaded, doesn't have the gauge, has it in a form that can't be edited as
            text, or was changed by somebody else meanwhile; then nothing was written.
    """
    place = Path(os.path.realpath(path))
    came = kit_bytes(place)
    spec, before = specification_of(came, str(place)), came.content
    entry = spec.gauge(gauge)
    if entry is None:
        known = ", ".join(g.id for g in spec.gauges) or "none"
        raise SpecificationError(f"{path}: there is no gauge {gauge!r}; gauges are {known}. Nothing was written")
    text = before.decode("utf-8")
    number = [g.id for g in spec.gauges].index(gauge)
    fresh = edited(text, number, uncertainty, budget, source)
    _check_only_change(text, fresh, number, uncertainty, str(path))
    checked = parse_specification(fresh, str(path))
    now = checked.gauge(gauge)
    if now is None or now.uncertainty != uncertainty:
        raise SpecificationError(f"{path}: the edited text doesn't give U = {uncertainty:g}. Nothing was written")
    backup = _swap(place, before, fresh.encode("utf-8"))
    _reload(place, gauge, uncertainty, backup)
    return Rewritten(str(path), str(backup), gauge, entry.uncertainty, uncertainty)


def edited(text: str, number: int, uncertainty: float, budget: Sequence[str], source: str) -> str:
    """Return the text of a kit file with U of its gauge ``number`` (from 0) written anew.

    Raises SpecificationError where the gauge doesn't stand under a ``[[gauge]]`` line of its own.
    """
    lines = re.findall(r"[^\n]*\n|[^\n]+", text)
    heads = [i for i, line in enumerate(lines) if _GAUGE.match(line.rstrip("\r\n"))]
    if number >= len(heads):
        raise SpecificationError("the gauge doesn't stand under a line [[gauge]] of its own; write its uncertainty by "
                                 "hand. Nothing was written")
    start = heads[number] + 1
    stop = next((i for i in range(start, len(lines)) if _HEADER.match(lines[i])), len(lines))
    ending = "\r\n" if lines[heads[number]].endswith("\r\n") else "\n"
    said = f"{MARK}: {_comment(source)}" if source else MARK
    at = next((i for i in range(start, stop) if _KEY.match(lines[i].rstrip("\r\n"))), None)
    if at is None:
        filled = [i for i in range(start, stop) if lines[i].strip() and not lines[i].lstrip().startswith("#")]
        at = filled[0] + 1 if filled else start
        key, old = f"uncertainty = {_number(uncertainty)}", 0
    else:
        found = _KEY.match(lines[at].rstrip("\r\n"))
        assert found is not None
        key, old = f"{found[1]}uncertainty{found[2]}={found[3]}{_number(uncertainty)}", 1
    block = [f"{key}  # U at k = 2", said, *(f"# {_comment(line.lstrip('# '))}" for line in budget), END_MARK]
    after = at + old
    if old and after < stop and lines[after].startswith(MARK):
        ends = [i for i in range(after, stop) if lines[i].rstrip("\r\n") == END_MARK]
        after = ends[0] + 1 if ends else after
    if at > 0 and not lines[at - 1].endswith(("\n", "\r")):
        lines[at - 1] += ending
    return "".join([*lines[:at], *(line + ending for line in block), *lines[after:]])


def _number(value: float) -> str:
    text = f"{value:.12f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _comment(text: str) -> str:
    # a line break or control mark inside a comment would end it
    return "".join(c if c.isprintable() else " " for c in text).strip()


def _check_only_change(before: str, after: str, number: int, uncertainty: float, path: str) -> None:
    """Raise unless both texts say the same apart from U of the gauge."""
    old: dict[str, Any] = door.toml_values(before.removeprefix("\ufeff"))
    try:
        new = door.toml_values(after.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        new = {}
    old["gauge"][number]["uncertainty"] = uncertainty
    if new != old:
        raise SpecificationError(f"{path}: the gauge's entry has a form that can't be edited safely; write its "
                                 "uncertainty by hand. Nothing was written")


def _swap(place: Path, before: bytes, after: bytes) -> Path:
    """Keep a copy of the old file under a free name, then put the new one in its place in one step."""
    backup = None
    try:
        with writer.file(place) as out:
            out.write(after)
            backup = _backup(place, before)
            if kit_bytes(place).content != before:
                raise SpecificationError(
                    f"{place}: somebody changed the file meanwhile. Nothing was written; try again"
                )
    except HoleQCError:
        if backup is not None:
            writer.take_back(backup)
        raise
    return backup


def _backup(place: Path, data: bytes) -> Path:
    number = 1
    while True:
        path = place.with_name(f"{place.name}.bak{number if number > 1 else ''}")
        try:
            writer.write_bytes(path, data, replace=False)  # an older copy is never written over
        except writer.WriteError as error:
            if not os.path.lexists(path):
                raise error from None
            number += 1
        else:
            return path


def _reload(place: Path, gauge: str, uncertainty: float, backup: Path) -> Specification:
    spec = load_specification(place)
    entry = spec.gauge(gauge)
    if entry is None or entry.uncertainty != uncertainty:
        raise SpecificationError(f"{place}: read again it doesn't give the U written; the old file is {backup}")
    return spec
