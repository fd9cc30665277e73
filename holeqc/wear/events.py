"""What was done to the fixture: events that restart the trend of what they touch."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np

from holeqc.door import near_names
from holeqc.problems import WARNING, Problem
from holeqc.wear.history import History

BUSHING, DRILL, REPAIR, FRAME = (
    "bushing changed", "drill reground", "fixture repaired", "coordinate frame changed",
)  # fmt: skip
COMPARED = 20  #: so many unplaced events are given a near serial number
KINDS = (BUSHING, DRILL, REPAIR, FRAME)
SEATING, PLACE, SIZE, PATTERN = "seating", "place", "size", "pattern"
#: what each kind of event touches: the seating of parts, the place of bushings, hole sizes, the whole pattern's room
TOUCHES: dict[str, frozenset[str]] = {
    BUSHING: frozenset({PLACE, SIZE, PATTERN}),
    DRILL: frozenset({SIZE}),
    REPAIR: frozenset({SEATING, PLACE, PATTERN}),
    FRAME: frozenset({SEATING}),
}
HEADINGS = {
    "serial": ("serial", "s/n", "part serial"), "cycle": ("cycle", "part count", "count"), "date": ("date", "day"),
    "event": ("event", "kind", "what"), "bushing": ("bushing", "bushings", "hole"), "note": ("note", "remark"),
}  # fmt: skip
_WORDS = (
    (FRAME, re.compile(r"frame|coordinate|zero", re.I)), (DRILL, re.compile(r"drill|regrind|reground|sharpen", re.I)),
    (BUSHING, re.compile(r"bush", re.I)), (REPAIR, re.compile(r"repair|overhaul|fixture|clamp|stop", re.I)),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Event:
    """An event before the part at ``cycle`` was drilled. ``bushings`` are places in the kit, empty for all of them."""

    kind: str
    cycle: float
    bushings: frozenset[int] = frozenset()
    note: str = ""

    def touches(self, what: str, hole: int | None = None) -> bool:
        """Whether the event restarts a trend of ``what`` (of one hole)."""
        return what in TOUCHES[self.kind] and (hole is None or not self.bushings or hole in self.bushings)


def starts(events: Iterable[Event], what: str, hole: int | None = None) -> list[float]:
    """Return the cycles, ascending, at which a trend starts anew; the first is always 1."""
    return sorted({1.0, *(e.cycle for e in events if e.touches(what, hole))})


def events_from(
    rows: Iterable[Mapping[str, str]], history: History, file: str = "", numbers: Sequence[int] | None = None
) -> tuple[list[Event], list[Problem]]:
    """Return the events of a file's rows (heading -> text), and what is wrong with the rest.

    ``numbers`` are the rows' own in the file; 2, 3, ... where they follow a heading in the first row.

    A row is placed by serial number (of the first part drilled after it), by cycle, or by date (the first part read
    on that day or later). The bushing column may hold a bushing, a hole, several with commas, or ``all``.
    """
    events: list[Event] = []
    problems: list[Problem] = []
    for number, row in zip(count(2) if numbers is None else numbers, rows, strict=False):
        said = {word: _field(row, names) for word, names in HEADINGS.items()}
        if not any(said.values()):
            continue
        kind = next((k for k, pattern in _WORDS if pattern.search(said["event"])), None)
        cycle = _cycle(said, history)
        bushings, unknown = _bushings(said["bushing"], history)
        wrong = []
        if kind is None:
            wrong.append(("event-unknown", "the kind of event is not known", said["event"], ", ".join(KINDS)))
        if cycle is None:
            found = said["serial"] or said["cycle"] or said["date"]
            # each comparison looks at every serial number: enough for a person to see what went wrong
            near = near_names(said["serial"], history.serials) if said["serial"] and len(problems) < COMPARED else []
            allowed = f"a serial number, cycle or date of the readings{f', nearest {near[0]}' if near else ''}"
            wrong.append(("event-not-placed", "no part of the readings is named", found or "nothing", allowed))
        if unknown:
            wrong.append(
                ("event-bushing", "a bushing is not in the kit", ", ".join(unknown), ", ".join(history.bushings))
            )
        if wrong or kind is None or cycle is None:
            action, place = "The event is left out; mend the events file", f"row {number}"
            problems += [Problem(WARNING, *found, action, file=file, cell=place) for found in wrong]
            continue
        events.append(Event(kind, cycle, bushings, said["note"]))
    return sorted(events, key=lambda e: e.cycle), problems


def _field(row: Mapping[str, str], names: Iterable[str]) -> str:
    folded = {str(k).strip().casefold(): str(v).strip() for k, v in row.items()}
    return next((folded[n] for n in names if folded.get(n)), "")


def _cycle(said: Mapping[str, str], history: History) -> float | None:
    if said["serial"]:
        places = [n for n, serial in enumerate(history.serials) if serial == said["serial"]]
        return float(history.cycle[places[0]]) if places else None
    if said["cycle"]:
        try:
            cycle = float(said["cycle"])
        except ValueError:
            return None
        return cycle if 1 <= cycle <= history.cycle[-1] + 1 else None
    try:
        day = np.datetime64(said["date"], "D") if said["date"] else np.datetime64("NaT")
    except ValueError:
        return None
    if np.isnat(day):
        return None
    later = np.flatnonzero(history.date >= day)
    return float(history.cycle[later[0]] if later.size else history.cycle[-1] + 1)


def _bushings(text: str, history: History) -> tuple[frozenset[int], list[str]]:
    if text.casefold() in {"", "all", "every"}:
        return frozenset(), []
    names = [name.strip() for name in re.split(r"[,;/]", text) if name.strip()]
    known = {name.casefold(): n for n, name in enumerate(history.bushings)}
    known |= {f"hole {name}".casefold(): n for n, name in enumerate(history.holes)}
    known |= {name.casefold(): n for n, name in enumerate(history.holes) if name.casefold() not in known}
    found = frozenset(known[n.casefold()] for n in names if n.casefold() in known)
    return found, [n for n in names if n.casefold() not in known]
