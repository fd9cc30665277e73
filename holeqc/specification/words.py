"""What a kit asks, as short plain phrases with numbers: for the description, the blank sheet and the picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from holeqc.quantities import decimals_of, format_length, unit_name
from holeqc.specification.boundaries import required_edge
from holeqc.specification.model import Hole, Position, Specification, Walls


@dataclass(frozen=True, slots=True)
class Phrase:
    """A topic, what is asked, and which holes it is asked of ('' where of all)."""

    topic: str
    text: str
    holes: str = ""

    @property
    def sentence(self) -> str:
        """The phrase in one line."""
        return f"{self.topic}: {self.text}" + (f" (holes {self.holes})" if self.holes else "")


def tolerance_text(value: float, unit: str) -> str:
    """Return a tolerance as drawings write it: three decimals in inch and two in mm unless it has more."""
    least = 3 if unit == "in" else 2
    return format_length(value, unit, max(least, min(decimals_of(round(value, 9)), 6)))


def hole_names(ids: Sequence[str]) -> str:
    """Return ids in short: a run of four or more whole numbers as ``1 to 8``, else listed."""
    numbers = [int(i) if i.isascii() and i.isdigit() and str(int(i)) == i else None for i in ids]
    if len(ids) >= 4 and None not in numbers and numbers == list(range(numbers[0] or 0, (numbers[0] or 0) + len(ids))):
        return f"{ids[0]} to {ids[-1]}"
    return ", ".join(ids)


def grouped(specification: Specification, text_of: Callable[[Hole], str]) -> list[tuple[str, str]]:
    """Return each different text with the names of its holes, '' for the names where it is the same for all."""
    found: dict[str, list[str]] = {}
    for hole in specification.holes:
        found.setdefault(text_of(hole), []).append(hole.id)
    if len(found) == 1:
        return [(text, "") for text in found if text]
    return [(text, hole_names(ids)) for text, ids in found.items() if text]


def limits_line(specification: Specification) -> str:
    """Return kit, unit and the limits of size that judge, in one line: every screen and sheet begins with it.

    ``Kit BL-7 rev C, inch: 8 holes 0.455 to 0.462``; with several sizes a group each: ``hole 1 0.455 to 0.462; holes
    2, 3 0.312 to 0.318``.
    """
    s = specification

    def limits(hole: Hole) -> str:
        text = f"{tolerance_text(hole.size.lower, s.unit)} to {tolerance_text(hole.size.upper, s.unit)}"
        return f"{text} ({hole.size.fit_class})" if hole.size.fit_class else text

    groups: dict[str, list[str]] = {}
    for hole in s.holes:
        groups.setdefault(limits(hole), []).append(hole.id)
    if len(groups) == 1:
        said = [f"{len(s.holes)} hole{'' if len(s.holes) == 1 else 's'} {text}" for text in groups]
    else:
        said = [f"hole{'' if len(ids) == 1 else 's'} {hole_names(ids)} {text}" for text, ids in groups.items()]
    return f"Kit {s.id} rev {s.revision}, {unit_name(s.unit)}: {'; '.join(said)}"


def size_text(hole: Hole, unit: str) -> str:
    """Return the limits of size, and the class where they come from one."""
    text = f"{format_length(hole.size.lower, unit)} to {format_length(hole.size.upper, unit)} {unit}"
    return f"{text} ({hole.size.fit_class})" if hole.size.fit_class else text


def position_text(position: Position, unit: str) -> str:
    """Return both segments of a position tolerance: ``⌀0.060 MMC to the datums, ⌀0.011 MMC hole to hole``."""
    parts = []
    if position.tolerance is not None:
        parts.append(f"⌀{tolerance_text(position.tolerance, unit)} {position.condition} to the datums")
    if position.pattern_tolerance is not None:
        turns = "" if position.pattern_rotates else ", not turning"
        text = f"⌀{tolerance_text(position.pattern_tolerance, unit)} {position.pattern_condition} hole to hole"
        parts.append(f"{text}, the pattern floating{turns}")
    return ", ".join(parts)


def form_text(hole: Hole, unit: str) -> str:
    """Return what is asked of form."""
    parts = []
    if hole.form.out_of_roundness is not None:
        parts.append(f"out-of-roundness at most {tolerance_text(hole.form.out_of_roundness, unit)} {unit}")
    if hole.form.taper is not None:
        parts.append(f"taper between walls at most {tolerance_text(hole.form.taper, unit)} {unit}")
    return ", ".join(parts)


def edge_text(hole: Hole, unit: str) -> str:
    """Return the least edge distance, and what it comes from."""
    least = required_edge(hole)
    if least != least:
        return ""
    text = f"centre at least {format_length(least, unit)} {unit} from the edge"
    if hole.edge.minimum_diameters is not None and (hole.edge.minimum or 0) < least:
        text += f" ({hole.edge.minimum_diameters:g} x largest size)"
    return text


def surface_text(hole: Hole) -> str:
    """Return what is asked of the surface."""
    wanted = (("clean and free of cracks", hole.surface.clean), ("free of burrs", hole.surface.burr_free))
    words = [word for word, is_asked in wanted if is_asked]
    return ", ".join(words)


def plugs_text(hole: Hole, unit: str) -> str:
    """Return the plug checks that are asked."""
    words = []
    if hole.plugs.go is not None:
        words.append(f"GO {format_length(hole.plugs.go, unit)} {unit} must enter")
    if hole.plugs.no_go is not None:
        words.append(f"NO-GO {format_length(hole.plugs.no_go, unit)} {unit} must not enter")
    return ", ".join(words)


def pin_text(hole: Hole, unit: str) -> str:
    """Return the pin that a hole takes."""
    if hole.pin is None:
        return ""
    pin = hole.pin
    text = f"{pin.id}, {format_length(pin.lower, unit)} to {format_length(pin.upper, unit)} {unit}"
    if pin.fit_class:
        text += f" ({pin.fit_class})"
    if pin.position_tolerance:
        text += f", in position within ⌀{tolerance_text(pin.position_tolerance, unit)}"
    return text


def walls_text(walls: Walls, unit: str) -> str:
    """Return the walls in words."""
    if not walls.several:
        return "one"
    text = f"{len(walls.names)}: {', '.join(walls.names)} (the drill enters at {walls.names[0]})"
    if walls.stack_depth is not None:
        text += f", {format_length(walls.stack_depth, unit)} {unit} from face to face"
    return text


def asked(specification: Specification) -> list[Phrase]:
    """Return everything that is asked of the holes, one phrase a topic and group of holes."""
    unit = specification.unit
    topics: tuple[tuple[str, Callable[[Hole], str]], ...] = (
        ("Size", lambda h: size_text(h, unit)),
        ("Form", lambda h: form_text(h, unit)),
        ("Position", lambda h: position_text(h.position, unit)),
        ("Edge", lambda h: edge_text(h, unit)),
        ("Surface", surface_text),
        ("Plugs", lambda h: plugs_text(h, unit)),
        ("Pins", lambda h: pin_text(h, unit)),
    )
    return [Phrase(topic, text, holes) for topic, of in topics for text, holes in grouped(specification, of)]
