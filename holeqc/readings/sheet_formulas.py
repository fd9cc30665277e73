"""Formulas of the check cells in a blank sheet: a word and a mark the moment a number is outside or looks like a slip.

They warn the person at the bench; they judge nothing: `holeqc check` reads the numbers and judges for itself. Marks:
✓ in limits, ✗ outside, ? look again, … still to read. Every function returns the text of a spreadsheet formula.
"""

from __future__ import annotations

from holeqc.quantities import GRAIN
from holeqc.readings.swaps import NEAR_FORM
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS

LATEST_DATE = 20000  #: numbers beyond are dates: a fraction such as 7/16 that the spreadsheet took for a day
NEAR = 0.1  #: readings within a tenth of the limits are taken as they stand; beyond it they look like a slip


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


def size_check(cells: str, wanted: int, lower: str, upper: str, unit: str, form: float) -> str:
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
        (f"OR(MIN({cells})<{low},MAX({cells})>{high})", _words("? doubtful")),
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


def outside(cell: str, lower: str, upper: str) -> str:
    """Return whether one diameter is a number outside its limits, for marking the cell itself."""
    return f"AND(ISNUMBER({cell}),OR({cell}<{lower}-{GRAIN},{cell}>{upper}+{GRAIN}))"


def doubtful(cell: str, lower: str, upper: str) -> str:
    """Return whether one diameter is text or lies far from its limits, for marking the cell itself."""
    far = f"OR({cell}<{1 - NEAR:g}*{lower},{cell}>{1 + NEAR:g}*{upper})"
    return f'AND({cell}<>"",IF(ISNUMBER({cell}),{far},TRUE))'


def position_check(x: str, y: str, basic: tuple[str, str], stated: float | None, most: float, near: float,
                   unit: str) -> str:  # fmt: skip
    """Return the check of x and y against basic positions in two cells.

    ``stated`` is the tolerance to the datums (None: not asked), ``most`` with the largest bonus; ``near`` is how far a
    coordinate may lie from basic before it looks like a slip.
    """
    bx, by = basic
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
    # a hole off position by little is off position, whatever its mirror image would be
    steps += [
        (f"AND({value}>{close},{other}<={close})", _words(words))
        for other, words in ((swapped, "? x and y exchanged"), (turned, "? sign"))
    ]
    for factor, words in slip_words(unit):
        either = ",".join(_coordinate_slip(v, b, near, factor) for v, b in ((x, bx), (y, by)))
        steps.append((f"OR({either})", _words(words)))
    last = f'"✗"&{shown}&" off position"' if stated is not None else _words("? doubtful")
    return "=" + chain(*steps, last=last)


def _coordinate_slip(value: str, basic: str, near: float, factor: float) -> str:
    n, k = number(near), number(factor)
    return f"AND(ABS({basic})>10*{n},ABS({value}-{basic})>{n},ABS({value}/{k}-{basic})<={n})"


def edge_check(cell: str, least: str) -> str:
    """Return the check of an edge distance against the least distance in a cell."""
    steps = [
        *_unreadable(cell),
        (f"OR({cell}<0.2*{least},{cell}>100*{least})", _words("? doubtful")),
        (f"{cell}<{least}-{GRAIN}", _words("✗ too near")),
    ]
    return "=" + chain(*steps, last=_words("✓ far enough"))


def plug_check(go: str, no_go: str, surface: str, sizes: tuple[str, int, str, str], asked: tuple[bool, bool]) -> str:
    """Return the check of GO, NO-GO and surface words; '' for a cell that is not asked.

    ``sizes``: range of diameters, how many are wanted, lower and upper limit; a plug that contradicts complete readings
    in limits is to be looked at again. ``asked``: whether the surface must be clean, and free of burrs.
    """
    cells, wanted, lower, upper = sizes
    in_limits = f"COUNT({cells})={wanted},MIN({cells})>={lower}-{GRAIN},MAX({cells})<={upper}+{GRAIN}"
    filled = [cell for cell in (go, no_go, surface) if cell]
    empty = "+".join(f'({cell}="")' for cell in filled)
    steps = [(f"{empty}={len(filled)}", '""')]
    for cell in (go, no_go):
        if cell:
            known = f'{cell}<>"",{cell}<>{_words(ENTERS)},{cell}<>{_words(STOPS)}'
            steps.append((f"AND({known})", _words("? choose from the list")))
    for cell, wrong, plug, name in ((go, STOPS, "GO", "does not enter"), (no_go, ENTERS, "NO-GO", "enters")):
        if cell:
            steps.append((f"AND({cell}={_words(wrong)},{in_limits})", _words(f"? {plug} against sizes")))
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
        odd = f"IF(ISNUMBER({cell}),OR({cell}<-20,{cell}>60),TRUE)"
        text += f'&IF({cell}="","",IF({odd},"   ? temperature in °C.",""))'
    return text
