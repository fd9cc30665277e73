"""Formulas of the check cells in a blank sheet: a word and a mark the moment a number is outside or looks like a slip.

They warn the person at the bench; they judge nothing: `holeqc check` reads the numbers and judges for itself. Marks:
✓ in limits, ✗ outside, ? look again, … still to read. Every function returns the text of a spreadsheet formula.
"""

from __future__ import annotations

from dataclasses import dataclass

from holeqc.quantities import GRAIN
from holeqc.readings.slips import NEAR_FORM
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS
from holeqc.readings.values import LIKELY_C

NEAR = 0.1  #: a slip brings a reading so near its limits, as a share of them
LATEST_DATE = 20000  #: numbers beyond are dates: a fraction such as 7/16 that the spreadsheet took for a day


@dataclass(frozen=True, slots=True)
class SizeBounds:
    """What diameters of a hole are believed, as `check` has it (`believable`), and the cells of all its walls.

    ``spans``: from what to what a reading is believed; ``far``: beyond these a single one isn't; ``apart``: how far
    readings of the hole may differ.
    """

    block: str
    spans: tuple[tuple[float, float], ...]
    far: tuple[float, float]
    apart: float


@dataclass(frozen=True, slots=True)
class PlaceBounds:
    """What coordinates of a hole are believed, as `check` has it: distances from basic, and between the walls.

    ``tolerance`` is what a coordinate may be off, ``others`` the x and y cells of the hole's other walls, ``columns``
    x, basic x, y and basic y of all holes: where most of them are off alike, the part lay out of seat.
    """

    tolerance: float
    far: float
    absurd: float
    apart: float
    others: tuple[tuple[str, str], ...]
    columns: tuple[str, str, str, str]


def number(value: float) -> str:
    """Return a number as a formula takes it, whatever the decimal mark of the screen."""
    return repr(float(value))


def slip_words(unit: str) -> list[tuple[float, str]]:
    """Return how many times too large a slip makes a reading, and its word, for a kit in this unit."""
    by_inch = [(25.4, "? mm typed"), (1 / 25.4, "? divided by 25.4")]
    by_mm = [(1 / 25.4, "? inch typed"), (25.4, "? times 25.4")]
    points = [(factor, "? decimal point") for factor in (10.0, 0.1, 100.0, 0.01)]
    return [*(by_inch if unit == "in" else by_mm), *points]


def chain(*steps: tuple[str, str], last: str) -> str:
    """Return nested IFs: the result of the first condition that holds, else ``last``."""
    text = last
    for condition, result in reversed(steps):
        text = f"IF({condition},{result},{text})"
    return text


def _words(text: str) -> str:
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def _left(cells: str, wanted: int) -> str:
    return f'"… "&({wanted}-COUNT({cells}))&" to read"'


def _unreadable(cells: str) -> list[tuple[str, str]]:
    """Return the steps that every group of numbers begins with: nothing there, text, a date."""
    return [
        (f"COUNTA({cells})=0", '""'),
        (f"COUNT({cells})<COUNTA({cells})", _words("? not a number")),
        (f"MAX({cells})>{LATEST_DATE}", _words("? a date, not a size")),
        (f"MIN({cells})<0", _words("? negative")),
    ]


def _swapped_digits(odd: str, other: str, limits: tuple[str, str], form: float, unit: str) -> str:
    """Return whether two neighbouring digits swapped bring the reading ``odd`` near ``other``, farthest of the rest.

    n + 9 k (a - b) is n with its digit a of weight k and its digit b of weight 10 k swapped.
    """
    scale = 10_000 if unit == "in" else 1_000
    n = f"ROUND({odd}*{scale},0)"
    near = []
    for k in (1, 10, 100):
        digit, higher = (f"MOD(INT({n}/{weight}),10)" for weight in (k, 10 * k))
        swapped = f"({n}+{9 * k}*({digit}-{higher}))/{scale}"
        near.append(f"AND(ABS({swapped}-{other})<={number(NEAR_FORM * form)}+{GRAIN},{swapped}>={limits[0]}-{GRAIN},"
                    f"{swapped}<={limits[1]}+{GRAIN})")  # fmt: skip
    return f"AND(ABS({odd}-{other})>{number(form)}+{GRAIN},OR({','.join(near)}))"


def size_check(cells: str, wanted: int, lower: str, upper: str, unit: str, form: float, bounds: SizeBounds) -> str:
    """Return the check of a range of diameters against limits in two cells.

    ``form`` is how far diameters of one hole may lie apart. A single reading that stands farther away, and that two
    swapped digits bring near the others, is outside all the same; the words say what to look at.
    """
    steps = _unreadable(cells)
    low, high = f"{1 - NEAR:g}*{lower}", f"{1 + NEAR:g}*{upper}"
    for factor, words in slip_words(unit):
        k = number(factor)
        steps.append((f"SUMPRODUCT(({cells}>={low}*{k})*({cells}<={high}*{k}))>0", _words(words)))
    steps += [
        *_unbelieved_sizes(cells, bounds),
        (
            f"AND(MIN({cells})<{lower}-{GRAIN},MAX({cells})>{upper}+{GRAIN})",
            _words("✗ small and large"),
        ),
    ]
    for odd, inside, other, words in (
        (f"MIN({cells})", f"SMALL({cells},2)>={lower}-{GRAIN}", f"MAX({cells})", "✗ too small"),
        (f"MAX({cells})", f"LARGE({cells},2)<={upper}+{GRAIN}", f"MIN({cells})", "✗ too large"),
    ):
        out = f"{odd}<{lower}-{GRAIN}" if odd.startswith("MIN") else f"{odd}>{upper}+{GRAIN}"
        swapped = _swapped_digits(odd, other, (lower, upper), form, unit)
        alone = f"IF(COUNT({cells})>1,AND({inside},{swapped}),FALSE)"
        steps += [(f"IF({out},{alone},FALSE)", _words("✗ digits swapped?")), (out, _words(words))]
    steps += [
        (f"COUNT({cells})<{wanted}", _left(cells, wanted)),
    ]
    return "=" + chain(*steps, last=_words("✓ in limits"))


def _unbelieved_sizes(cells: str, bounds: SizeBounds) -> list[tuple[str, str]]:
    """Return the steps for diameters that can't be true, that nothing confirms, or that the hole contradicts."""
    inside = "+".join(f"({cells}>={number(low)})*({cells}<={number(high)})" for low, high in bounds.spans)
    apart = number(bounds.apart + GRAIN)
    alike = f'COUNTIFS({bounds.block},">="&({cells}-{apart}),{bounds.block},"<="&({cells}+{apart}))'
    believed = "+".join(
        f'COUNTIFS({bounds.block},">="&{number(low)},{bounds.block},"<="&{number(high)})' for low, high in bounds.spans
    )
    alone = f'({cells}<>"")*({alike}=1)'
    far = f"(({cells}<{number(bounds.far[0])})+({cells}>{number(bounds.far[1])})>0)"
    return [
        (f'SUMPRODUCT(({cells}<>"")*(({inside})=0))>0', _words("? doubtful")),
        (f"AND({believed}>1,SUMPRODUCT({alone})>0)", _words("? readings disagree")),
        (f"SUMPRODUCT({alone}*{far})>0", _words("? doubtful")),
    ]


def outside(cell: str, lower: str, upper: str) -> str:
    """Return whether one diameter is a number outside its limits, for marking the cell itself."""
    return f"AND(ISNUMBER({cell}),OR({cell}<{lower}-{GRAIN},{cell}>{upper}+{GRAIN}))"


def doubtful(cell: str, lower: str, upper: str, check: str) -> str:
    """Return whether one diameter is text, or outside and doubted by its check cell, for marking the cell itself."""
    return f'AND({cell}<>"",IF(ISNUMBER({cell}),AND(LEFT({check},1)="?",{outside(cell, lower, upper)}),TRUE))'


def position_check(x: str, y: str, basic: tuple[str, str], asked: tuple[float | None, float], near: float,
                   unit: str, bounds: PlaceBounds) -> str:  # fmt: skip
    """Return the check of x and y against basic positions in two cells.

    ``asked``: the tolerance to the datums (None: not asked) and with the largest bonus; ``near`` is how near to basic a
    slip brings a coordinate.
    """
    bx, by = basic
    stated, most = asked
    decimals = 4 if unit == "in" else 3
    value = f"2*SQRT(({x}-{bx})^2+({y}-{by})^2)"
    swapped = f"2*SQRT(({x}-{by})^2+({y}-{bx})^2)"
    turned = f"2*SQRT((ABS({x})-ABS({bx}))^2+(ABS({y})-ABS({by}))^2)"
    shown = f'" ⌀"&ROUND({value},{decimals})'
    close = number(2 * near)
    steps = [step for step in _unreadable(f"{x}:{y}") if "negative" not in step[1]]
    steps.append((f"COUNT({x}:{y})<2", _left(f"{x}:{y}", 2)))
    if stated is not None:
        steps.append((f"{value}<={number(stated)}+{GRAIN}", f'"✓"&{shown}'))
        if most > stated:
            steps.append((f"{value}<={number(most)}+{GRAIN}", f'"?"&{shown}&" needs bonus"'))
    else:
        steps.append((f"{value}<={close}", f'"read"&{shown}'))
    beyond = bounds.tolerance + bounds.far
    far = _off((x, y), basic, beyond)
    steps.append((f"AND(ABS({x}-{y})<={GRAIN},{_off((x, y), basic, 2.0 * bounds.tolerance)})", _words("? typed twice")))
    # a hole off position by little is off position, whatever its mirror image would be
    steps += [
        (f"AND({far},{other}<={close})", _words(words))
        for other, words in ((swapped, "? x and y exchanged"), (turned, "? sign"))
    ]
    for factor, words in slip_words(unit):
        either = ",".join(_coordinate_slip(v, b, near, factor, beyond) for v, b in ((x, bx), (y, by)))
        steps.append((f"OR({either})", _words(words)))
    steps.append((_off((x, y), basic, bounds.tolerance + bounds.absurd), _words("? doubtful")))
    apart = number(bounds.apart + GRAIN)
    disagree = ",".join(
        f"IF(COUNT({other})=1,ABS({mine}-{other})>{apart},FALSE)"
        for pair in bounds.others
        for mine, other in zip((x, y), pair, strict=True)
    )
    if disagree:
        steps.append((f"OR({disagree})", _words("? walls disagree")))
    alone = ",".join(_alone(v, b, n, bounds, beyond) for n, (v, b) in enumerate(((x, bx), (y, by))))
    steps.append((f"OR({alone})", _words("? doubtful")))
    last = f'"✗"&{shown}&" off position"' if stated is not None else _words("? doubtful")
    return "=" + chain(*steps, last=last)


def _off(cells: tuple[str, str], basic: tuple[str, str], distance: float) -> str:
    """Return whether either coordinate lies farther from basic than a distance."""
    either = ",".join(f"ABS({v}-{b})>{number(distance + GRAIN)}" for v, b in zip(cells, basic, strict=True))
    return f"OR({either})"


def _alone(value: str, basic: str, axis: int, bounds: PlaceBounds, beyond: float) -> str:
    """Return whether a coordinate is far off, no other wall says the same, and most holes are not off alike."""
    others = [pair[axis] for pair in bounds.others]
    apart = number(bounds.apart + GRAIN)
    walls = "+".join(f"IF(COUNT({o})=1,ABS({value}-{o})<={apart},FALSE)*1" for o in others) or "0"
    all_, drawn = bounds.columns[2 * axis : 2 * axis + 2]
    alike = f'({all_}<>"")*(ABS({value}-{basic}-({all_}-{drawn}))<={number(bounds.tolerance + GRAIN)})'
    shifted = f"IF(COUNT({all_})=COUNTA({all_}),SUMPRODUCT({alike})>=MAX(3,COUNT({all_})/2),FALSE)"
    return f"AND(ABS({value}-{basic})>{number(beyond + GRAIN)},{walls}=0,NOT({shifted}))"


def _coordinate_slip(value: str, basic: str, near: float, factor: float, beyond: float) -> str:
    n, k = number(near), number(factor)
    return f"AND(ABS({basic})>10*{n},ABS({value}-{basic})>{number(beyond)},ABS({value}/{k}-{basic})<={n})"


def edge_check(cell: str, least: str, believed: tuple[float, float]) -> str:
    """Return the check of an edge distance against the least in a cell; ``believed``: from what to what it may be."""
    steps = [
        *_unreadable(cell),
        (f"OR({cell}<{number(believed[0])},{cell}>{number(believed[1])})", _words("? doubtful")),
        (f"{cell}<{least}-{GRAIN}", _words("✗ too near")),
    ]
    return "=" + chain(*steps, last=_words("✓ far enough"))


def plug_check(go: str, no_go: str, surface: str, sizes: tuple[str, int, str, str], asked: tuple[bool, bool],
               plugs: tuple[float, float, float]) -> str:  # fmt: skip
    """Return the check of GO, NO-GO and surface words; '' for a cell that is not asked.

    ``sizes``: range of diameters, how many are wanted, lower and upper limit; a plug that contradicts readings is to be
    looked at again. ``asked``: whether the surface must be clean, and free of burrs. ``plugs``: sizes of GO and NO-GO,
    and how far above a plug that stops all readings may lie.
    """
    cells, wanted, lower, upper = sizes
    in_limits = f"AND(COUNT({cells})={wanted},MIN({cells})>={lower}-{GRAIN},MAX({cells})<={upper}+{GRAIN})"
    small = f"AND(COUNT({cells})>0,MIN({cells})<{lower}-{GRAIN})"
    filled = [cell for cell in (go, no_go, surface) if cell]
    empty = "+".join(f'({cell}="")' for cell in filled)
    steps = [(f"{empty}={len(filled)}", '""')]
    for cell in (go, no_go):
        if cell:
            known = f'{cell}<>"",{cell}<>{_words(ENTERS)},{cell}<>{_words(STOPS)}'
            steps.append((f"AND({known})", _words("? choose from the list")))
    for cell, wrong, size, plug, name in (
        (go, STOPS, plugs[0], "GO", "does not enter"), (no_go, ENTERS, plugs[1], "NO-GO", "enters"),
    ):  # fmt: skip
        if cell:
            large = f"AND(COUNT({cells})>0,MIN({cells})>{number(size + plugs[2] + GRAIN)})"
            stops, enters = f"{cell}={_words(STOPS)}", f"{cell}={_words(ENTERS)}"
            against = f"OR(AND({cell}={_words(wrong)},{in_limits}),AND({stops},{large}),AND({enters},{small}))"
            steps.append((against, _words(f"? {plug} against sizes")))
            steps.append((f"{cell}={_words(wrong)}", _words(f"✗ {plug} {name}")))
    if surface:
        steps += _surface_steps(surface, asked)
    steps.append((f"{empty}>0", f'"… "&({empty})&" to fill"'))
    return "=" + chain(*steps, last=_words("✓"))


def _surface_steps(cell: str, asked: tuple[bool, bool]) -> list[tuple[str, str]]:
    clean, burr_free = asked
    known = ",".join(f"{cell}<>{_words(word)}" for word in ("", CLEAN, BURR, DIRTY, CRACK))
    marks = ((CRACK, "✗"), (DIRTY, "✗" if clean else "?"), (BURR, "✗" if burr_free else "?"))
    steps = [(f"AND({known})", _words("? choose from the list"))]
    return steps + [(f"{cell}={_words(word)}", _words(f"{mark} {word}")) for word, mark in marks]


def state(entries: list[str], total: int, checks: list[str], fields: dict[str, str]) -> str:
    """Return the line that counts what is open, doubtful and outside, and names fields that are missing.

    ``entries`` are the ranges of entry cells with ``total`` cells, ``checks`` the ranges of check cells, ``fields`` the
    entry cell of each field by its word.
    """
    filled = "+".join(f"COUNTA({cells})" for cells in entries)
    marks = {mark: "+".join(f'SUMPRODUCT(--(LEFT({cells},1)="{mark}"))' for cells in checks) for mark in "✗?"}
    text = f'="Still empty: "&({total}-({filled}))&" of {total}.   ✗ outside: "&({marks["✗"]})'
    text += f'&".   ? look again: "&({marks["?"]})&"."'
    for word in ("part", "serial"):
        if word in fields:
            text += f'&IF({fields[word]}="","   ? no {word}.","")'
    if "date" in fields:
        cell = fields["date"]
        text += f'&IF({cell}="","   ? no date.",IF(ISNUMBER({cell}),"","   ? date not understood."))'
    if "temperature_c" in fields:
        cell = fields["temperature_c"]
        odd = f"IF(ISNUMBER({cell}),OR({cell}<{LIKELY_C[0]:g},{cell}>{LIKELY_C[1]:g}),TRUE)"
        text += f'&IF({cell}="","",IF({odd},"   ? temperature in °C.",""))'
    return text
