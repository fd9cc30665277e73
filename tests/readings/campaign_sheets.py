"""Made-up kits and filled sheets whose truth is known: each case is fully given by its seed and number.

A case is a kit file, one filled sheet file, and for each serial number what a careful person would answer: the right
answers, the answers that would be grave (a bad part accepted, a good part rejected), and whether the sheet is plain,
that is, read by a person without a doubt. The layouts are those that shops use; common practice, no source. All sizes,
numbers and names are invented.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from campaign_kits import (
    ACCEPT,
    FAULTS,
    HOLD,
    REFUSED,
    REJECT,
    D,
    Hole,
    Kit,
    Part,
    Row,
    Values,
    good_rows,
    make_kit,
    on_step,
)

# ---- how it is written -----------------------------------------------------------------------------------------------

# fmt: off
WORDS: dict[str, dict[str, list[str]]] = {
    "en": {
        "hole": ["Hole", "Hole No.", "Hole #", "Hole no", "Hole ID", "Hole number", "HOLE"],
        "wall": ["Wall", "Side", "Wall / side", "WALL", "Face"],
        "dir": ["Dia {}°", "Diameter {}°", "Ø {}°", "Dia @ {} deg", "Dia {}", "Bore {}°", "Actual dia {}°",
                "Measured dia {}°", "dia. {} deg", "Hole dia {}°", "⌀ {}°", "DIA {}"],
        "dia": ["Dia", "Diameter", "Hole dia", "Actual dia", "Bore dia", "Ø", "Measured dia", "Dia 0°", "Actual size",
                "Hole diameter", "Dia (actual)", "Bore diameter"],
        "pair": ["Dia 1|Dia 2", "Dia A|Dia B", "Diameter 1|Diameter 2", "Dia #1|Dia #2"],
        "x": ["X|Y", "X position|Y position", "X pos.|Y pos.", "X loc|Y loc", "X coord|Y coord", "Actual X|Actual Y",
              "Measured X|Measured Y", "X actual|Y actual", "x|y", "X dim|Y dim"],
        "go": ["GO|NO-GO", "GO plug|NO-GO plug", "GO enters?|NO-GO enters?", "Go|NoGo", "GO|NO GO",
                "Go gauge|No-go gauge"],
        "surface": ["Surface", "Burr / clean", "Surface condition", "Burrs/cracks", "Visual"],
        "serial": ["Serial", "Serial no.", "S/N", "SN", "Serial number", "Serial #"],
        "part": ["Part", "Part name"], "date": ["Date", "Date measured", "Inspection date"],
        "by": ["Measured by", "Inspector", "Operator", "By"], "unit": ["Unit", "Units"],
        "gauge": ["Gauge", "Gage", "Bore gauge", "Instrument", "Gauge no."],
        "what": ["Characteristic", "What", "Feature", "Measurement"],
        "direction": ["Direction", "Angle", "Orientation", "Dir."],
        "value": ["Reading", "Value", "Measured", "Result", "Actual"],
        "temperature": ["Temperature", "Temp", "Part temp."], "remark": ["Remarks", "Note", "Comments", "Remark"],
        "drawing": ["Drawing", "Drawing no.", "Dwg", "DWG No."], "order": ["Work order", "Job", "W/O"],
        "nominal": ["Nominal", "Nom. dia", "Nominal size", "Spec", "Target", "Drawing dia", "Basic dia", "Callout"],
        "basic": ["Basic X|Basic Y", "Nom X|Nom Y", "X nominal|Y nominal", "Drawing X|Drawing Y", "Target X|Target Y",
                  "X basic|Y basic", "X nom.|Y nom."],
        "limits": ["Lower limit|Upper limit", "LSL|USL", "Min limit|Max limit", "Lower|Upper", "Low limit|High limit"],
        "sign": ["Signature", "Checked by", "Inspector signature", "Approved"],
        "tester": ["Tester", "Stamp", "Operator"],
        "near": ["near", "Near", "NEAR", "near side", "near wall", "N", "Near wall"],
        "far": ["far", "Far", "FAR", "far side", "far wall", "F", "Far wall"],
        "diameter": ["Diameter", "Dia", "diameter", "DIA"],
        "title": ["Ladder plates - drilled holes", "Hole inspection record", "Drilled hole check sheet",
                "Inspection sheet"],
    },
    "de": {
        "hole": ["Bohrung", "Loch", "Bohrung Nr.", "Loch-Nr."], "wall": ["Wand", "Seite"],
        "dir": ["Durchmesser {}°", "Ø {}°", "Istmaß Ø {}°", "Bohrungs-Ø {}°", "Durchm. {}°"],
        "dia": ["Durchmesser", "Ø", "Ist-Ø", "Bohrungsdurchmesser", "Istmaß"],
        "pair": ["Ø 1|Ø 2", "Durchmesser 1|Durchmesser 2"],
        "x": ["X|Y", "X-Position|Y-Position", "X Ist|Y Ist", "Lage X|Lage Y"],
        "go": ["GO|NO-GO", "Gutlehrdorn|Ausschusslehrdorn", "Gutseite|Ausschussseite"],
        "surface": ["Oberfläche", "Grat / sauber", "Sichtprüfung"],
        "serial": ["Seriennummer", "Serien-Nr.", "Ser.-Nr."],
        "part": ["Teil", "Bauteil"], "date": ["Datum", "Prüfdatum"], "by": ["Prüfer", "Gemessen von"],
        "unit": ["Einheit"],
        "gauge": ["Messmittel", "Prüfmittel"], "what": ["Merkmal"], "direction": ["Richtung", "Winkel"],
        "value": ["Messwert", "Istwert", "Wert"], "temperature": ["Temperatur"], "remark": ["Bemerkung", "Bemerkungen"],
        "drawing": ["Zeichnung", "Zeichnungsnr."], "order": ["Auftrag"], "nominal": ["Nennmaß", "Sollmaß", "Nenn-Ø"],
        "basic": ["X Soll|Y Soll", "Soll X|Soll Y", "Nennmaß X|Nennmaß Y"],
        "limits": ["Untergrenze|Obergrenze", "unteres Grenzmaß|oberes Grenzmaß", "Mindestmaß|Höchstmaß"],
        "sign": ["Unterschrift", "Geprüft"], "tester": ["Prüfer", "Stempel"],
        "near": ["nah", "Nah", "nahe Wand"], "far": ["fern", "Fern", "ferne Wand"], "diameter": ["Durchmesser", "Ø"],
        "title": ["Prüfprotokoll Bohrungen", "Leiterplatten-Halter, Bohrungen"],
    },
    "fr": {
        "hole": ["Trou", "Trou n°", "N° trou", "Perçage"], "wall": ["Paroi", "Côté", "Face"],
        "dir": ["Diamètre {}°", "Ø {}°", "Diam. {}°", "Ø mesuré {}°"], "dia": ["Diamètre", "Ø", "Diamètre mesuré"],
        "pair": ["Diamètre 1|Diamètre 2", "Ø 1|Ø 2"], "x": ["X|Y", "Position X|Position Y", "X mesuré|Y mesuré"],
        "go": ["GO|NO-GO", "Tampon GO|Tampon NO-GO"], "surface": ["Surface", "État de surface", "Bavure / propre"],
        "serial": ["N° de série", "Numéro de série"], "part": ["Pièce"], "date": ["Date", "Date de contrôle"],
        "by": ["Contrôleur", "Mesuré par"], "unit": ["Unité"], "gauge": ["Instrument", "Moyen de mesure"],
        "what": ["Caractéristique"], "direction": ["Direction", "Angle"],
        "value": ["Valeur mesurée", "Valeur", "Mesure"],
        "temperature": ["Température"], "remark": ["Remarque", "Observations"], "drawing": ["Plan", "Plan n°"],
        "order": ["Ordre de fabrication"], "nominal": ["Cote nominale", "Nominal", "Ø nominal"],
        "basic": ["X nominal|Y nominal", "X théorique|Y théorique"],
        "limits": ["Limite inférieure|Limite supérieure", "Cote mini|Cote maxi"],
        "sign": ["Signature", "Visa"], "tester": ["Contrôleur", "Tampon"], "near": ["proche", "Proche"],
        "far": ["loin", "éloigné", "Éloigné"], "diameter": ["Diamètre", "Ø"],
        "title": ["Fiche de contrôle des perçages"],
    },
    "es": {
        "hole": ["Agujero", "Taladro", "Agujero n.º", "N.º de agujero"], "wall": ["Pared", "Lado", "Cara"],
        "dir": ["Diámetro {}°", "Ø {}°", "Diám. {}°", "Diámetro medido {}°"],
        "dia": ["Diámetro", "Ø", "Diámetro medido"],
        "pair": ["Diámetro 1|Diámetro 2", "Ø 1|Ø 2"], "x": ["X|Y", "Posición X|Posición Y", "X medida|Y medida"],
        "go": ["GO|NO-GO", "Calibre GO|Calibre NO-GO"], "surface": ["Superficie", "Rebaba / limpio"],
        "serial": ["Número de serie", "N.º de serie", "Serie"], "part": ["Pieza"], "date": ["Fecha"],
        "by": ["Inspector", "Medido por"], "unit": ["Unidad", "Unidades"], "gauge": ["Instrumento", "Calibre"],
        "what": ["Característica"], "direction": ["Dirección", "Ángulo"], "value": ["Valor medido", "Valor", "Medida"],
        "temperature": ["Temperatura"], "remark": ["Observaciones", "Nota"], "drawing": ["Plano", "Plano n.º"],
        "order": ["Orden"], "nominal": ["Nominal", "Medida nominal", "Ø nominal"],
        "basic": ["X nominal|Y nominal", "X teórica|Y teórica"], "limits": ["Límite inferior|Límite superior"],
        "sign": ["Firma"], "tester": ["Inspector", "Sello"], "near": ["cercano", "cerca"], "far": ["lejano", "lejos"],
        "diameter": ["Diámetro", "Ø"], "title": ["Hoja de inspección de agujeros"],
    },
}
# GO enters, GO doesn't, NO-GO doesn't (good), NO-GO enters; whether a person reads the answer without a doubt
ANSWERS: dict[str, list[tuple[str, str, str, str, bool]]] = {
    "en": [("yes", "no", "no", "yes", True), ("Yes", "No", "No", "Yes", True), ("Y", "N", "N", "Y", True),
           ("enters", "does not enter", "does not enter", "enters", True),
           ("goes", "does not go", "does not go", "goes", True),
           ("OK", "NOK", "OK", "NOK", True),
           # a pass or a tick at NO-GO: it enters, or it was checked and found good?
           ("Pass", "Fail", "Pass", "Fail", False), ("✓", "✗", "✗", "✓", False), ("✓", "✗", "✓", "✗", False)],
    "de": [("ja", "nein", "nein", "ja", True), ("i.O.", "n.i.O.", "i.O.", "n.i.O.", True)],
    "fr": [("oui", "non", "non", "oui", True), ("entre", "n'entre pas", "n'entre pas", "entre", True)],
    "es": [("sí", "no", "no", "sí", True), ("entra", "no entra", "no entra", "entra", True)],
}
SURFACES = {"en": ("clean", "burr", "crack"), "de": ("sauber", "Grat", "Riss"), "fr": ("propre", "bavure", "fissure"),
            "es": ("limpio", "rebaba", "grieta")}
# fmt: on
MARKS = ["", "", "", "-", "n/a", "—", "N/A", "not read", "?"]


@dataclass
class Style:
    """How one case writes its words and numbers."""

    rng: random.Random
    lang: str
    unit: str
    unit_place: str  # none, heading, field, suffix
    number: str  # number, trim, text, dot, comma
    kind: str  # xlsx or csv
    delimiter: str
    encoding: str
    quote_all: bool
    suffix: str
    answers: tuple[str, str, str, str, bool]
    mark: str
    thou: bool = False
    gauge_in_heading: str = ""
    remark_column: bool = False
    chosen: dict[str, str] = field(default_factory=dict)

    def word(self, key: str) -> str:
        if key not in self.chosen:
            self.chosen[key] = self.rng.choice(WORDS[self.lang][key])
        return self.chosen[key]

    def marked(self, text: str) -> str:
        """Numbers inside a text with the sheet's decimal mark."""
        return text.replace(".", ",") if self.number == "comma" else text

    def length(self, value: Decimal, kit: Kit, size: bool, signed: bool = False) -> Any:
        """A length in the sheet's unit as typed: a Decimal stands for a numeric cell, a str for text."""
        step = kit.size_step if size else kit.position_step
        if self.unit != kit.unit:
            value = value * D("25.4") if kit.unit == "in" else value / D("25.4")
            step = (
                (D("0.001") if kit.unit == "in" else D("0.00001"))
                if size
                else step * (D("10") if kit.unit == "in" else D("0.01"))
            )
            step = D("0.001") if kit.unit == "in" else step
        if self.unit == kit.unit and value != on_step(value, step):  # a slip may have more digits
            step = max(D("0.00001"), step / 10)
        value = on_step(value, step)
        if self.thou and size:
            value, step = value * 1000, D(str((step * 1000).normalize()))
        decimals = max(0, -step.as_tuple().exponent)  # type: ignore[operator]
        text = f"{value:{'+' if signed else ''}.{decimals}f}"
        if self.number == "trim" and "." in text:
            text = text.rstrip("0").rstrip(".")
        if self.number == "dot":
            text = text.replace("0.", ".", 1) if text.lstrip("+-").startswith("0.") else text
        if self.number == "comma":
            text = text.replace(".", ",")
        if self.unit_place == "suffix" and not (self.thou and size):
            return text + self.suffix
        return D(text) if self.number in ("number", "trim") else text


class TypedText(str):
    """A reading typed as text, with what it stands for."""

    key: str
    true: Any


class TypedNumber(Decimal):
    """A reading typed as a number, with what it stands for."""

    key: str
    true: Any


def typed(shown: Any, key: str, true: Any) -> Any:
    out = TypedNumber(shown) if isinstance(shown, Decimal) else TypedText(shown)
    out.key, out.true = key, true
    return out


@dataclass
class Sheet:
    """A grid of cells: None, str, int, Decimal (a number), or a date."""

    name: str
    rows: list[list[Any]] = field(default_factory=list)
    merges: list[tuple[int, int, int, int]] = field(default_factory=list)  # row, column, row, column, from 0

    def add(self, *cells: Any) -> None:
        self.rows.append(list(cells))


class Made:
    """One case: kit, style, parts, what is right, and the grids to write."""

    def __init__(self, seed: int, index: int, layout: str | None = None, clean: bool = False) -> None:
        self.seed, self.index, self.clean = seed, index, clean
        rng = self.rng = random.Random(f"{seed}:{index}")
        names = list(LAYOUTS)
        drawn = rng.choices(names, [LAYOUTS[n][0] for n in names])[0]
        self.layout = layout or drawn
        for _ in range(200):
            if self._draw(rng):
                break
        self._finish()

    def _draw(self, rng: random.Random) -> bool:
        need = dict(LAYOUTS[self.layout][1])
        wanted = "clean"
        if rng.random() < 0.6 and not self.clean:
            usable = [f for f in FAULTS if _fits(FAULTS[f][1], need) and not _excluded(self.layout, f)]
            wanted = rng.choices(usable, [FAULTS[f][0] for f in usable])[0]
            need.update({k: v for k, v in FAULTS[wanted][1].items() if k != "directions" or k not in need})
        unit = rng.choice(["in", "in", "in", "mm", "mm"]) if self.layout != "thou" else "in"
        self.converted = self.layout not in ("thou", "own") and rng.random() < (
            1 if wanted == "other_unit_unsaid" else 0.15
        )
        self.kit = kit = make_kit(rng, need, self.converted, unit)
        self.style = self._style(rng, kit, wanted)
        self.foreign_walls = (
            len(kit.walls) == 2 and kit.walls == ["near", "far"] and rng.random() < 0.05 and (self.layout != "own")
        )
        self.title_drawing, self.title_revision = "", ""
        self.has_remarks = self.layout in TABLES
        self.extra: dict[str, tuple[set[str], set[str]]] = {}
        self.date = dt.date(2025, rng.randint(1, 9), rng.randint(13, 28))
        self.say_date = rng.random() < 0.5
        self.date_form = rng.randrange(7)
        self.gauge_named = ""
        self.serial_place = self._serial_place(rng)
        count = 1
        if self.serial_place == "column":
            count = rng.choice([1, 1, 2, 3])
        elif self.layout == "serials_across":
            count = rng.randint(2, 4)
        elif self.style.kind == "xlsx" and self.serial_place in ("field", "tab"):
            count = rng.choice([1, 1, 1, 2, 3])
        first = rng.randint(100, 8000)
        letter = rng.choice(["P-", "S-", "LK-", "", "A"])
        self.parts = [
            Part(f"{letter}{first + i:04d}", rng.choice(kit.parts), good_rows(rng, kit)) for i in range(count)
        ]
        if self.layout == "serials_across":  # one part name over all columns
            for p in self.parts:
                p.name = self.parts[0].name
        self.fault = wanted
        if wanted != "clean":
            part = rng.choice(self.parts)
            if not FAULTS[wanted][2](rng, self, kit, part):
                return False
            part.fault = wanted
        return not (self.converted and self.style.unit_place == "none") or wanted == "other_unit_unsaid"

    def _style(self, rng: random.Random, kit: Kit, wanted: str) -> Style:
        lang = rng.choices(["en", "de", "fr", "es"], [70, 12, 9, 9])[0]
        unit = kit.unit
        if self.converted:
            unit = "mm" if kit.unit == "in" else "in"
        kind = "xlsx" if self.layout == "own" or rng.random() < 0.55 else "csv"
        number = rng.choice(
            ["number", "number", "number", "trim", "text", "comma", "dot" if unit == "in" else "number"]
        )
        if self.layout == "own":
            number = "number"
        if self.layout in ("own", "deviation", "deviation_bare", "machine"):
            lang = "en"
        place = rng.choice(
            ["heading", "field", "suffix"]
            if self.converted
            else ["none", "none", "none", "heading", "heading", "field", "suffix"]
        )
        if self.layout == "thou" and place == "field":
            place = "none"
        if self.layout == "own":
            place = "none"
        suffix = rng.choice(['"', " in", " in", "in"]) if unit == "in" else rng.choice([" mm", "mm"])
        delimiter = rng.choice([",", ",", ";", "\t", "|"])
        if number == "comma":
            delimiter = rng.choice([";", ";", "\t", "|", ","])
        answers = rng.choice(ANSWERS[lang])
        return Style(
            rng,
            lang,
            unit,
            place,
            number,
            kind,
            delimiter,
            rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252"]),
            rng.random() < 0.2,
            suffix,
            answers,
            rng.choice(MARKS),
        )

    def _serial_place(self, rng: random.Random) -> str:
        if self.layout in ("serials_across", "own"):
            return "own"
        places = ["field", "field", "field", "option"]
        if self.layout in TABLES or self.layout == "long":
            places += ["column", "column"]
        if self.style.kind == "xlsx":
            places.append("tab")
        return rng.choice(places)

    def _finish(self) -> None:
        kit, style, rng = self.kit, self.style, self.rng
        if self.say_date and kit.due > dt.date(2090, 1, 1):
            kit.due = self.date + dt.timedelta(rng.randint(30, 600))
        self.wall_words = dict(zip(kit.walls, kit.walls, strict=True))
        if len(kit.walls) == 2:
            i = rng.randrange(20)
            if self.foreign_walls:
                pair = rng.choice([("skin", "backing"), ("inner", "outer"), ("1", "2"), ("A", "B"), ("top", "bottom")])
            elif kit.walls == ["near", "far"]:
                words = WORDS[style.lang]
                pair = (words["near"][i % len(words["near"])], words["far"][i % len(words["far"])])
            else:
                change: Callable[[str], str] = rng.choice([str, str.capitalize, str.upper])
                pair = (change(kit.walls[0]), change(kit.walls[1]))
            self.wall_words = dict(zip(kit.walls, pair, strict=True))
        if self.foreign_walls:  # nobody but the shop knows which is the drill's entry side
            for p in self.parts:
                p.right = (p.right - {ACCEPT}) | {HOLD, REFUSED}
                p.plain = False
        self.sheets = LAYOUTS[self.layout][2](self) if self.layout != "own" else []
        clear = style.answers[4] and not (style.answers[0] == "OK" and "enters?" in style.chosen.get("go", ""))
        if kit.plugs and not clear and self.layout not in ("go_one", "own"):
            for p in self.parts:  # the answer reads both ways: asking is right, a verdict too
                p.plain = False
                p.right |= {HOLD, REFUSED}
                p.grave = p.grave - {REJECT}
                if p.fault in ("no_go_enters", "over", "over_in_one_wall", "wrong_drill"):
                    p.right |= {HOLD}
        if self.layout == "deviation_bare":
            for p in self.parts:
                p.plain = False
                p.right |= {HOLD, REFUSED}
        together = self.serial_place == "column" or self.layout == "serials_across"
        if any(p.remarks for p in self.parts) and together:
            for p in self.parts:  # which of the parts the remark speaks of isn't said
                p.right = p.right | {HOLD}

    # -- writing --

    def write(self, folder: Path) -> list[str]:
        """Write kit and sheet; answer the words for ``holeqc check``."""
        kit_path = folder / "kit.toml"
        kit_path.write_text(self.kit.toml(), encoding="utf-8")
        path = folder / f"readings.{self.style.kind}"
        if self.layout == "own":
            write_own(self, kit_path, path)
        elif self.style.kind == "xlsx":
            write_xlsx(self.sheets, path)
        else:
            write_csv(self.sheets[0], path, self.style)
        words = ["check", str(kit_path), str(path), "--json"]
        if self.serial_place == "option":
            words += ["--serial", self.parts[0].serial]
        return words

    @property
    def plain(self) -> bool:
        return all(p.plain for p in self.parts)

    def expectations(self) -> dict[str, tuple[set[str], set[str]]]:
        """For each serial the right answers and the grave ones."""
        return {p.serial: (p.right, p.grave) for p in self.parts} | self.extra


def _fits(need: dict[str, Any], have: dict[str, Any]) -> bool:
    return all(k not in have or have[k] == v for k, v in need.items())


def _excluded(layout: str, fault_name: str) -> bool:
    """Faults that a layout can't show."""
    if layout.startswith("deviation"):
        return fault_name in {
            "point_shifted",
            "digits_swapped",
            "y_typed_in_x",
            "other_unit_in_a_cell",
            "other_unit_unsaid",
            "sizes_exchanged",
        }
    if layout == "machine":  # its words are English, and it has no cell for a remark
        return fault_name in {"remark_beside", "other_unit_in_a_cell", "no_go_enters", "go_stops"}
    if layout == "minmax":
        return fault_name in {"digits_swapped", "point_shifted", "other_unit_in_a_cell"}
    if layout == "own":
        return fault_name in {
            "row_doubled",
            "row_doubled_other_value",
            "hole_unknown",
            "hole_missing",
            "remark_beside",
            "other_unit_unsaid",
            "gauge_past_due",
        }
    return layout == "thou" and fault_name in {"other_unit_unsaid", "other_unit_in_a_cell"}


# ---- layouts ---------------------------------------------------------------------------------------------------------


def date_cell(case: Made) -> Any:
    """The day in one of the usual writings; day numbers above 12, so that no person can misread them."""
    d = case.date
    if case.date_form == 0 and case.style.kind == "xlsx":
        return d
    return [
        d.isoformat(),
        d.strftime("%d.%m.%Y"),
        d.strftime("%m/%d/%Y"),
        d.strftime("%d %b %Y"),
        d.strftime("%b %d, %Y"),
        d.strftime("%d/%m/%Y"),
        f"{d.month}/{d.day}/{d.year}",
    ][case.date_form]


def unit_word(case: Made) -> str:
    return {"in": case.rng.choice(["in", "inch", "inches"]), "mm": "mm"}[case.style.unit]


def head(case: Made, key: str, wall: str = "", bare: bool = False) -> str:
    """Heading of a reading column, spelt once per case, with unit and gauge as the style asks."""
    s, kit = case.style, case.kit
    if key.startswith("d"):
        if len(kit.directions) == 1:
            text = s.word("dia")
        elif s.chosen.setdefault("paired", str(s.rng.random() < 0.25)) == "True" and not bare:
            text = s.word("pair").split("|")[kit.size_keys.index(key)]
        else:
            text = s.word("dir").format(key[1:])
        if s.gauge_in_heading:
            text += s.gauge_in_heading.format(kit.gauges["size"])
        if s.thou:
            text += s.chosen.setdefault("thou", s.rng.choice([" [thou]", " (thou)", ", thou", " (thou of an inch)"]))
            return f"{wall} {text}".strip()
    elif key in "xy":
        text = s.word("x").split("|")["xy".index(key)]
    elif key in ("go", "no_go"):
        return f"{wall} {s.word('go').split('|')[key == 'no_go']}".strip()
    else:
        return f"{wall} {s.word('surface')}".strip()
    text = f"{wall} {text}".strip()
    if s.unit_place == "heading" or (s.thou and s.unit_place == "heading"):
        unit = s.chosen.setdefault("in heading", s.rng.choice([" [{}]", " ({})", ", {}"]).format(unit_word(case)))
        text += unit
    return text


def cell(case: Made, key: str, value: Any) -> Any:
    s = case.style
    if value is None:
        return s.mark or None
    if key == "go":
        return typed(s.answers[0 if value else 1], key, value)
    if key == "no_go":
        return typed(s.answers[3 if value else 2], key, value)
    if key == "surface":
        return typed(SURFACES[s.lang][["clean", "burr", "crack"].index(value)], key, value)
    return typed(s.length(value, case.kit, key.startswith("d")), key, value)


def top(case: Made, sheet: Sheet, part: Part | None) -> None:
    """Title rows and fields above the table."""
    s, kit = case.style, case.kit
    rng = random.Random(f"{case.seed}:{case.index}:top")  # all sheets of a workbook have one form
    drawing = case.title_drawing or (kit.drawing if rng.random() < 0.5 else "")
    revision = case.title_revision or kit.revision
    pairs: list[tuple[str, Any]] = []
    if rng.random() < 0.5:
        sheet.add(s.word("title"))
        if s.kind == "xlsx" and rng.random() < 0.3:
            sheet.merges.append((len(sheet.rows) - 1, 0, len(sheet.rows) - 1, 5))
    if drawing:
        form = rng.randrange(3)
        if form == 0:
            sheet.add(f"{s.word('drawing')} {drawing} Rev {revision}")
        elif form == 1:
            sheet.add(f"{s.word('drawing')}: {drawing}", f"Rev: {revision}")
        else:
            pairs += [(s.word("drawing"), drawing), ("Rev", revision)]
    if part and case.serial_place == "field":
        pairs.append((s.word("serial"), part.serial))
    if part and case.serial_place != "column" and (len(kit.parts) > 1 or rng.random() < 0.3):
        pairs.append((s.word("part"), part.name))
    if s.unit_place == "field":
        pairs.append((s.word("unit"), unit_word(case)))
    if case.say_date and "date column" not in s.chosen:
        pairs.append((s.word("date"), date_cell(case)))
    if case.gauge_named or (kit.gauges and not s.gauge_in_heading and rng.random() < 0.4):
        pairs.append((s.word("gauge"), case.gauge_named or kit.gauges["size"]))
    if rng.random() < 0.3:
        pairs.append((s.word("by"), rng.choice(["17", "bench 2", "41"])))
    if rng.random() < 0.2:
        pairs.append(
            (s.word("temperature") + " [°C]", s.marked("20.5") if s.number == "comma" else D("20.5"))
            if rng.random() < 0.5
            else (s.word("temperature"), s.marked("20.4 °C"))
        )
    if rng.random() < 0.2:
        pairs.append((s.word("order"), f"W{rng.randint(1000, 9999)}"))
    rng.shuffle(pairs)
    form = rng.randrange(3)
    if form == 0:
        for label, value in pairs:
            sheet.add(label, value)
    elif form == 1:
        for i in range(0, len(pairs), 2):
            sheet.add(*[c for label, value in pairs[i : i + 2] for c in (label, value, None)][:-1])
    else:
        for label, value in pairs:
            one = isinstance(value, str) and not any(ch.isdigit() and "°" in value for ch in value)
            sheet.add(f"{label}: {value}") if one else sheet.add(label, value)
    if sheet.rows and rng.random() < 0.8:
        sheet.add()


def foot(case: Made, sheet: Sheet, remarks: list[str]) -> None:
    """What stands below the table: remarks, signatures, stamps, blank rows."""
    s, rng = case.style, random.Random(f"{case.seed}:{case.index}:foot")
    if rng.random() < 0.15:
        sheet.add(s.word("tester"), rng.choice(["17", "17", None]))
    for remark in remarks:
        if rng.random() < 0.7:
            sheet.add()
        sheet.add(*[None] * rng.choice([0, 0, 1]), remark)
    if rng.random() < 0.3:
        sheet.add()
        sheet.add(s.word("sign"), rng.choice(["____________", None, "17"]))
    for _ in range(rng.choice([0, 0, 0, 2])):
        sheet.add(None, None, None)
    if rng.random() < 0.1:
        for row in sheet.rows:
            row += [None, None]


def new_sheet(case: Made, part: Part | None) -> Sheet:
    name = (
        part.serial
        if part and (case.serial_place == "tab" or len(case.parts) > 1)
        else case.rng.choice(["Sheet1", "readings", "holes"])
    )
    sheet = Sheet(name)
    top(case, sheet, part)
    return sheet


def each_part(case: Made, body: Callable[[Made, Sheet, list[Part]], None]) -> list[Sheet]:
    """One sheet for all parts where a column says the serial, else one a part; now and then a blank sheet."""
    if case.serial_place == "column":
        sheet = new_sheet(case, None)
        body(case, sheet, case.parts)
        foot(case, sheet, [r for p in case.parts for r in p.remarks])
        sheets = [sheet]
    else:
        sheets = []
        for part in case.parts:
            sheet = new_sheet(case, part)
            body(case, sheet, [part])
            foot(case, sheet, part.remarks)
            sheets.append(sheet)
    if case.rng.random() < 0.1:
        sheets.append(Sheet("Sheet9"))
    return sheets


@dataclass
class Column:
    title: str
    value: Callable[[Part, Row, str], Any]  # wall "" where a row holds all walls


def nominal_text(case: Made, hole: Hole) -> Any:
    how = case.style.chosen.setdefault("nominal form", case.rng.choice(["number", "number", "fraction", "limits"]))
    if how == "fraction" and case.style.unit == case.kit.unit == "in" and Fraction(hole.nominal).denominator <= 64:
        return str(Fraction(hole.nominal))
    if how == "limits" and case.style.unit == case.kit.unit:
        return case.style.marked(f"{hole.lower}-{hole.upper}")
    return case.style.length(hole.nominal, case.kit, True)


def distractors(case: Made) -> tuple[list[Column], list[Column]]:
    """Columns before and after the readings that are no readings of now; the same on all sheets of a workbook."""
    s, kit = case.style, case.kit
    rng = random.Random(f"{case.seed}:{case.index}:columns")
    before: list[Column] = []
    after: list[Column] = []

    def hole(row: Row) -> Hole:
        return next((h for h in kit.holes if h.id == row.hole), kit.holes[0])

    def size(value: Decimal) -> Any:
        return s.length(value, kit, True)

    choices = ["nominal", "basic", "limits", "remark", "item", "by"]
    if s.lang == "en":
        choices += ["average", "range", "before", "first", "result", "tolerance", "true position", "deviation", "twin"]
    picked = rng.sample(choices, rng.choice([0, 0, 1, 1, 2, 3]))
    if s.remark_column and "remark" not in picked:
        picked.append("remark")
    for what in picked:
        side = before if rng.random() < 0.5 else after
        if what == "nominal":
            title = s.word("nominal")
            if title == "Nominal" and rng.random() < 0.3:
                title = "Size"
            side.append(Column(title, lambda p, r, w: nominal_text(case, hole(r))))
        elif what in ("basic", "twin") and kit.tolerance:
            a, b = s.word("basic").split("|")
            if what == "twin":
                a, b = "X", "Y"
                s.chosen["x"] = rng.choice(
                    [
                        "Actual X|Actual Y",
                        "Measured X|Measured Y",
                        "Found X|Found Y",
                        "X|Y",
                        "X actual|Y actual",
                        "Reading X|Reading Y",
                    ]
                )
                side = before
                if "basic" in picked:
                    continue
            side.append(Column(a, lambda p, r, w: s.length(hole(r).x, kit, False)))
            side.append(Column(b, lambda p, r, w: s.length(hole(r).y, kit, False)))
        elif what == "limits":
            a, b = s.word("limits").split("|")
            side.append(Column(a, lambda p, r, w: size(hole(r).lower)))
            side.append(Column(b, lambda p, r, w: size(hole(r).upper)))
        elif what == "item":
            before.insert(
                0,
                Column(
                    {"en": "Item", "de": "lfd. Nr.", "fr": "Ligne", "es": "Línea"}[s.lang],
                    lambda p, r, w: 1 + kit.walls.index(w or kit.walls[0]) + (p.rows.index(r) * len(kit.walls)),
                ),
            )
        elif what == "by":
            after.append(Column(s.word("by"), lambda p, r, w: "17"))
        elif what == "remark":
            after.append(Column(s.word("remark"), lambda p, r, w: r.remark or None))
        elif what == "average":
            after.append(
                Column(
                    rng.choice(["Avg", "Average", "Mean dia", "Avg dia"]),
                    lambda p, r, w: _over_sizes(case, r, w, lambda v: sum(v, D(0)) / len(v)),
                )
            )
        elif what == "range":
            after.append(
                Column(
                    rng.choice(["Range", "Ovality", "Max-Min"]),
                    lambda p, r, w: _over_sizes(case, r, w, lambda v: max(v) - min(v)),
                )
            )
        elif what in ("before", "first"):
            names = {
                "before": ["Before rework", "Dia before rework", "Old dia", "Previous dia", "Previous reading"],
                "first": ["First reading", "1st reading (superseded)"],
            }[what]
            gap = kit.band * (D("0.9") if what == "before" else D("0.05"))
            side.append(
                Column(
                    rng.choice(names),
                    lambda p, r, w, gap=gap: _over_sizes(case, r, w, lambda v: on_step(min(v) - gap, kit.size_step)),
                )
            )
        elif what == "result":
            good = rng.choice(["Pass", "OK", "Accept"])
            after.append(
                Column(
                    rng.choice(["Pass/Fail", "Result", "OK?"]),
                    lambda p, r, w, good=good: (
                        good if not (p.grave & {ACCEPT} and p.right == {REJECT} and _looks_bad(kit, r)) else "Fail"
                    ),
                )
            )
        elif what == "tolerance":
            text = s.marked(f"+{kit.band}/-0" if rng.random() < 0.5 else f"{kit.band} total")
            side.append(Column(rng.choice(["Tol", "Tolerance", "Tol."]), lambda p, r, w, text=text: text))
        elif what == "true position" and kit.tolerance:
            after.append(
                Column(rng.choice(["True position", "TP", "Position Ø"]), lambda p, r, w: _position(case, r, w))
            )
        elif what == "deviation":
            after.append(
                Column(
                    rng.choice(["Deviation", "Dev.", "Dev from nominal"]),
                    lambda p, r, w: _over_sizes(case, r, w, lambda v: v[0] - hole(r).nominal),
                )
            )
    return before, after


def _values(case: Made, row: Row, wall: str) -> Values:
    return row.values[wall or case.kit.walls[0]]


def _over_sizes(case: Made, row: Row, wall: str, function: Callable[[list[Decimal]], Decimal]) -> Any:
    sizes = [_values(case, row, wall)[k] for k in case.kit.size_keys]
    if any(v is None for v in sizes):
        return None
    return case.style.length(on_step(function(sizes), case.kit.size_step), case.kit, True)


def _position(case: Made, row: Row, wall: str) -> Any:
    values = _values(case, row, wall)
    hole = next((h for h in case.kit.holes if h.id == row.hole), case.kit.holes[0])
    if values["x"] is None or values["y"] is None:
        return None
    off = 2 * ((values["x"] - hole.x) ** 2 + (values["y"] - hole.y) ** 2).sqrt()
    return case.style.length(on_step(off, case.kit.position_step), case.kit, False)


def _looks_bad(kit: Kit, row: Row) -> bool:
    """Whether the shop would have written Fail beside this hole."""
    hole = next((h for h in kit.holes if h.id == row.hole), None)
    for values in row.values.values():
        sizes = [values[k] for k in kit.size_keys if values[k] is not None]
        if hole and any(not hole.lower <= v <= hole.upper for v in sizes):
            return True
        if kit.roundness and len(sizes) > 1 and max(sizes) - min(sizes) > kit.roundness:
            return True
        if values.get("surface", "clean") != "clean" or values.get("no_go") or values.get("go") is False:
            return True
        if hole and kit.tolerance and values["x"] is not None and values["y"] is not None:
            bonus = kit.band if kit.condition == "MMC" else D(0)
            if 4 * ((values["x"] - hole.x) ** 2 + (values["y"] - hole.y) ** 2) > (kit.tolerance + bonus) ** 2:
                return True
    return False


def who_columns(case: Made) -> list[Column]:
    """Date, serial and part columns, where the serial stands in a column."""
    s = case.style
    if case.serial_place != "column":
        return []
    out = [Column(s.word("serial"), lambda p, r, w: r.serial or p.serial)]
    if case.say_date and case.rng.random() < 0.5:
        s.chosen["date column"] = "yes"
        out.insert(0, Column(s.word("date"), lambda p, r, w: date_cell(case)))
    if len(case.kit.parts) > 1:
        out.append(Column(s.word("part"), lambda p, r, w: p.name))
    return out


def reading_columns(case: Made, keys: list[str] | None = None) -> list[Column]:
    def column(key: str) -> Column:
        return Column(head(case, key), lambda p, r, w: cell(case, key, r.values[w][key]))

    return [column(k) for k in (case.kit.keys if keys is None else keys)]


def wide_columns(case: Made, wall: bool = True, keys: list[Column] | None = None, who: bool = True) -> list[Column]:
    before, after = distractors(case)
    columns = who_columns(case) if who else []
    columns.append(Column(case.style.word("hole"), lambda p, r, w: hole_cell(case, r.hole)))
    own = (
        [Column(case.style.word("wall"), lambda p, r, w: case.wall_words[w])]
        if wall and len(case.kit.walls) > 1
        else []
    )
    if case.style.chosen.setdefault("before wall", str(case.rng.random() < 0.4)) == "True":
        return columns + before + own + (keys or reading_columns(case)) + after
    return columns + own + before + (keys or reading_columns(case)) + after


def hole_cell(case: Made, name: str) -> Any:
    return int(name) if name.isdigit() and case.style.kind == "xlsx" else name


def wide(case: Made) -> list[Sheet]:
    """One hole and wall a row, readings in columns."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = wide_columns(case)
        sheet.add(*[c.title for c in columns])
        by_wall = case.style.chosen.setdefault("by wall", str(case.rng.random() < 0.3)) == "True"
        for part in parts:
            pairs = (
                [(r, w) for w in case.kit.walls for r in part.rows]
                if by_wall
                else [(r, w) for r in part.rows for w in case.kit.walls]
            )
            for row, wall in pairs:
                sheet.add(*[c.value(part, row, wall) for c in columns])

    return each_part(case, body)


def with_gauge(case: Made) -> list[Sheet]:
    case.style.gauge_in_heading = case.rng.choice([" ({})", " {}", " [{}]", " - {}"])
    return wide(case)


def thou(case: Made) -> list[Sheet]:
    case.style.thou = True
    return wide(case)


def filled_down(case: Made) -> list[Sheet]:
    """The hole, or the wall, written once and merged or left blank below."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = wide_columns(case)
        sheet.add(*[c.title for c in columns])
        by_wall = case.rng.random() < 0.4
        at = [c.title for c in columns].index(case.style.word("wall" if by_wall else "hole"))
        merge = case.style.kind == "xlsx" and case.rng.random() < 0.6
        for part in parts:
            outer: list[Any] = case.kit.walls if by_wall else part.rows
            for o in outer:
                inner = part.rows if by_wall else case.kit.walls
                start = len(sheet.rows)
                for n, i in enumerate(inner):
                    row, wall = (i, o) if by_wall else (o, i)
                    cells = [c.value(part, row, wall) for c in columns]
                    if n:
                        cells[at] = None
                    sheet.add(*cells)
                if merge and len(inner) > 1:
                    sheet.merges.append((start, at, len(sheet.rows) - 1, at))

    return each_part(case, body)


def beside(case: Made) -> list[Sheet]:
    """One hole a row, the walls beside one another, each heading saying its wall: Near 0°, Near 90°, Near X, Far 0°."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = wide_columns(case, wall=False, keys=[Column("", lambda p, r, w: None)])
        at = next(i for i, c in enumerate(columns) if c.title == "")
        short = case.rng.random() < 0.4 and len(case.kit.directions) > 1
        bodies = []
        for wall in case.kit.walls:
            for key in case.kit.keys:
                title = head(case, key, case.wall_words[wall])
                if short and key.startswith("d"):
                    unit = case.style.chosen.get("in heading", "") if case.style.unit_place == "heading" else ""
                    title = f"{case.wall_words[wall]} {key[1:]}°" + unit
                bodies.append(Column(title, lambda p, r, w, wall=wall, key=key: cell(case, key, r.values[wall][key])))
        columns[at : at + 1] = bodies
        sheet.add(*[c.title for c in columns])
        for part in parts:
            for row in part.rows:
                sheet.add(*[c.value(part, row, "") for c in columns])

    return each_part(case, body)


def two_line(case: Made) -> list[Sheet]:
    """Two-line headings: the wall (or the kind of reading) above, merged over its columns."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        kit, s = case.kit, case.style
        lead = [*who_columns(case), Column(s.word("hole"), lambda p, r, w: hole_cell(case, r.hole))]
        upper: list[Any] = [None] * len(lead)
        lower = [c.title for c in lead]
        if case.rng.random() < 0.5:
            upper, lower = lower, [None] * len(lead)  # type: ignore[assignment]
        spans = []
        for wall in kit.walls:
            spans.append((len(upper), len(upper) + len(kit.keys) - 1))
            word = case.wall_words[wall]
            upper += [word] + [None if s.kind == "xlsx" or case.index % 2 else word] * (len(kit.keys) - 1)
            lower += [head(case, k) for k in kit.keys]
        sheet.add(*upper)
        sheet.add(*lower)
        if s.kind == "xlsx":
            sheet.merges += [(len(sheet.rows) - 2, a, len(sheet.rows) - 2, b) for a, b in spans if b > a]
        for part in parts:
            for row in part.rows:
                cells = [c.value(part, row, "") for c in lead]
                sheet.add(*cells, *[cell(case, k, row.values[w][k]) for w in kit.walls for k in kit.keys])

    return each_part(case, body)


def grouped(case: Made) -> list[Sheet]:
    """Two-line headings: Diameter over 0° and 90°, Position over X and Y."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        kit, s = case.kit, case.style
        lead = wide_columns(case, keys=[Column("", lambda p, r, w: None)])
        lead = lead[: [c.title for c in lead].index("")]
        upper: list[Any] = [None] * len(lead)
        lower: list[Any] = [c.title for c in lead]
        unit = f" [{unit_word(case)}]" if s.unit_place == "heading" else ""
        upper += [s.word("diameter") + unit] + [None] * (len(kit.directions) - 1)
        lower += [f"{a}°" for a in kit.directions]
        if kit.tolerance:
            upper += [{"en": "Position", "de": "Lage", "fr": "Position", "es": "Posición"}[s.lang] + unit, None]
            lower += ["X", "Y"]
        rest = [k for k in kit.keys if k not in kit.size_keys and k not in "xy"]
        upper += [None] * len(rest)
        lower += [head(case, k) for k in rest]
        sheet.add(*upper)
        sheet.add(*lower)
        if s.kind == "xlsx":
            at, line = len(lead), len(sheet.rows) - 2
            sheet.merges += [(line, at, line, at + len(kit.directions) - 1)] if len(kit.directions) > 1 else []
            at += len(kit.directions)
            sheet.merges += [(line, at, line, at + 1)] if kit.tolerance else []
        for part in parts:
            for row in part.rows:
                for w in kit.walls:
                    sheet.add(
                        *[c.value(part, row, w) for c in lead], *[cell(case, k, row.values[w][k]) for k in kit.keys]
                    )

    return each_part(case, body)


def wall_title(case: Made, wall: str) -> str:
    word = case.wall_words[wall]
    if word.lower() not in ("near", "far") and case.kit.walls == ["near", "far"]:
        return word
    form = case.style.chosen.setdefault("wall title", case.rng.choice(["{} WALL", "{} wall", "Wall: {}", "{}"]))
    return form.format(word.upper() if form.endswith("WALL") else word)


def blocks_above(case: Made) -> list[Sheet]:
    """The block of one wall above the block of the other, each with its title and headings."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = wide_columns(case, wall=False)
        again = case.rng.random() < 0.8
        for n, wall in enumerate(case.kit.walls):
            if n and case.rng.random() < 0.7:
                sheet.add()
            sheet.add(wall_title(case, wall))
            if not n or again:
                sheet.add(*[c.title for c in columns])
            for part in parts:
                for row in part.rows:
                    sheet.add(*[c.value(part, row, wall) for c in columns])

    return each_part(case, body)


def sections(case: Made) -> list[Sheet]:
    """One heading line, then a row that names the wall above its holes."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = wide_columns(case, wall=False)
        sheet.add(*[c.title for c in columns])
        for wall in case.kit.walls:
            sheet.add(wall_title(case, wall))
            for part in parts:
                for row in part.rows:
                    sheet.add(*[c.value(part, row, wall) for c in columns])

    return each_part(case, body)


def blocks_beside(case: Made) -> list[Sheet]:
    """The block of one wall beside the block of the other, a blank column between, each with its own hole column."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = [Column(case.style.word("hole"), lambda p, r, w: hole_cell(case, r.hole)), *reading_columns(case)]
        width = len(columns)
        titles = [wall_title(case, w) for w in case.kit.walls]
        sheet.add(titles[0], *[None] * width, titles[1])
        names = [c.title for c in columns]
        sheet.add(*names, None, *names)
        for part in parts:
            for row in part.rows:
                left, right = ([c.value(part, row, w) for c in columns] for w in case.kit.walls)
                sheet.add(*left, None, *right)

    return each_part(case, body)


def label(case: Made, key: str, wall: str) -> str:
    """Label of a row: near 0°, Dia 90, X."""
    word = case.wall_words[wall] if len(case.kit.walls) > 1 else ""
    form = case.style.chosen.setdefault("label", str(case.rng.randrange(3)))
    text = head(case, key)
    if form == "0" and key.startswith("d") and len(case.kit.directions) > 1 and word and not case.style.thou:
        unit = case.style.chosen.get("in heading", "") if case.style.unit_place == "heading" else ""
        text = f"{key[1:]}°{unit}"
    if form == "2" and word:
        return f"{text} {word}"
    return f"{word} {text}".strip()


def across(case: Made) -> list[Sheet]:
    """Holes across, the readings as rows."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        (part,) = parts
        prefix = case.rng.choice(["", "", "Hole ", "#"]) if case.style.lang == "en" else ""
        sheet.add(
            case.style.word("hole"), *[f"{prefix}{r.hole}" if prefix else hole_cell(case, r.hole) for r in part.rows]
        )
        by_key = case.rng.random() < 0.3
        order = (
            [(w, k) for k in case.kit.keys for w in case.kit.walls]
            if by_key
            else [(w, k) for w in case.kit.walls for k in case.kit.keys]
        )
        for wall, key in order:
            sheet.add(label(case, key, wall), *[cell(case, key, r.values[wall][key]) for r in part.rows])

    return each_part(case, body)


def _by_turn(rows: list[Row]) -> dict[tuple[str, int], Row]:
    """Rows by hole and by how often that hole came before."""
    out: dict[tuple[str, int], Row] = {}
    for row in rows:
        out[row.hole, sum(h == row.hole for h, _ in out)] = row
    return out


def _place(kit: Kit, name: str) -> int:
    return next((i for i, h in enumerate(kit.holes) if h.id == name), len(kit.holes))


def serials_across(case: Made) -> list[Sheet]:
    """One reading a row, the serial numbers across."""
    kit, s = case.kit, case.style
    sheet = Sheet("readings")
    top(case, sheet, case.parts[0])
    two = len(kit.walls) > 1
    lead = [s.word("hole"), *([s.word("wall")] if two else []), s.word("what")]
    if case.rng.random() < 0.5:
        sheet.add(*[None] * len(lead), s.word("serial"))
        if s.kind == "xlsx":
            line = len(sheet.rows) - 1
            sheet.merges.append((line, len(lead), line, len(lead) + len(case.parts) - 1))
        sheet.add(*lead, *[p.serial for p in case.parts])
    else:
        prefix = "S/N " if s.lang == "en" and case.rng.random() < 0.6 else ""
        sheet.add(*lead, *[prefix + p.serial for p in case.parts])
        if not prefix:  # nothing says that these are serial numbers
            for p in case.parts:
                p.plain = False
                p.right = p.right | {HOLD, REFUSED}
    tables = [_by_turn(p.rows) for p in case.parts]
    turns = sorted({t for rows in tables for t in rows}, key=lambda t: (t[1], _place(kit, t[0])))
    for turn in turns:
        rows = [table.get(turn) for table in tables]
        for wall in kit.walls:
            for key in kit.keys:
                labels = [hole_cell(case, turn[0]), *([case.wall_words[wall]] if two else []), head(case, key)]
                sheet.add(*labels, *[cell(case, key, r.values[wall][key]) if r else None for r in rows])
    foot(case, sheet, [r for p in case.parts for r in p.remarks])
    return [sheet]


def minmax(case: Made) -> list[Sheet]:
    """Two readings without direction: the smallest and the largest."""
    kit = case.kit

    def size(row: Row, wall: str, pick: Callable[[list[Decimal]], Decimal], last: bool) -> Any:
        sizes = [row.values[wall][k] for k in kit.size_keys if row.values[wall][k] is not None]
        if not sizes or (last and len(sizes) < len(kit.size_keys)):
            return case.style.mark or None
        return case.style.length(pick(sizes), kit, True)

    a, b = "Ø min", "Ø max"
    if case.style.lang == "en":
        a, b = case.rng.choice([("Min dia", "Max dia"), ("Dia min", "Dia max"), ("Smallest dia", "Largest dia")])
    unit = f" [{unit_word(case)}]" if case.style.unit_place == "heading" else ""
    columns = [
        Column(a + unit, lambda p, r, w: size(r, w, min, False)),
        Column(b + unit, lambda p, r, w: size(r, w, max, True)),
    ]
    columns += reading_columns(case, [k for k in kit.keys if k not in kit.size_keys])
    return _wide_with(case, columns)


def _wide_with(case: Made, readings: list[Column]) -> list[Sheet]:
    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        columns = who_columns(case)
        columns.append(Column(case.style.word("hole"), lambda p, r, w: hole_cell(case, r.hole)))
        if len(case.kit.walls) > 1:
            columns.append(Column(case.style.word("wall"), lambda p, r, w: case.wall_words[w]))
        columns += readings
        if case.style.remark_column:
            columns.append(Column(case.style.word("remark"), lambda p, r, w: r.remark or None))
        sheet.add(*[c.title for c in columns])
        for part in parts:
            for row in part.rows:
                for wall in case.kit.walls:
                    sheet.add(*[c.value(part, row, wall) for c in columns])

    return each_part(case, body)


def x_y_dia(case: Made) -> list[Sheet]:
    """Diameters along x and along y."""
    unit = f" [{unit_word(case)}]" if case.style.unit_place == "heading" else ""
    names = ("Ø X", "Ø Y")
    if case.style.lang == "en":
        names = case.rng.choice(
            [("X dia", "Y dia"), ("Dia X", "Dia Y"), ("X diameter", "Y diameter"), ("Dia along X", "Dia along Y")]
        )
    sizes = [
        Column(t + unit, lambda p, r, w, k=k: cell(case, k, r.values[w][k]))
        for t, k in zip(names, ("d0", "d90"), strict=True)
    ]
    return _wide_with(case, sizes + reading_columns(case, [k for k in case.kit.keys if k not in case.kit.size_keys]))


def go_one(case: Made) -> list[Sheet]:
    """GO and NO-GO answered in one column, in a mix of words."""
    kit, rng = case.kit, case.rng
    good = rng.choice(
        [["OK"], ["OK", "ok"], ["yes/no", "Y/N"], ["✓"], ["GO"], ["Pass"], ["OK", "✓", "yes/no"], ["Y/N"]]
    )

    def answer(values: Values) -> Any:
        go, no_go = values["go"], values["no_go"]
        if go is None or no_go is None:
            return case.style.mark or None
        if go and not no_go:
            return rng.choice(good)
        if good[-1] in ("yes/no", "Y/N"):
            words = ("yes", "no") if good[-1] == "yes/no" else ("Y", "N")
            return f"{words[not go]}/{words[not no_go]}"
        return rng.choice(["NOK", "not OK", "Fail"]) if good != ["GO"] else "NO-GO"

    plugs = Column(rng.choice(["GO/NO-GO", "GO / NO-GO", "Go/No-Go", "GO-NOGO"]), lambda p, r, w: answer(r.values[w]))
    columns = reading_columns(case, [k for k in kit.keys if k not in ("go", "no_go")])
    columns.insert(len(kit.size_keys), plugs)
    return _wide_with(case, columns)


def deviation(case: Made, proven: bool = True) -> list[Sheet]:
    """Size as deviation from a stated nominal, place as dX and dY from basic."""
    kit, s = case.kit, case.style

    def hole(row: Row) -> Hole:
        return next((h for h in kit.holes if h.id == row.hole), kit.holes[0])

    def size(row: Row, wall: str, key: str) -> Any:
        value = row.values[wall][key]
        return (
            s.mark or None
            if value is None
            else s.length(value - hole(row).nominal, kit, True, s.number in ("text", "dot"))
        )

    def place(row: Row, wall: str, key: str) -> Any:
        value = row.values[wall][key]
        return s.mark or None if value is None else s.length(value - getattr(hole(row), key), kit, False)

    columns: list[Column] = []
    nominal = s.length(kit.holes[0].nominal, kit, True)
    one = len(kit.groups) == 1
    if proven and not one:
        columns.append(Column("Nominal", lambda p, r, w: s.length(hole(r).nominal, kit, True)))
    form = case.rng.choice(["Dev {} from {}", "Dia {} deviation from {}", "Dia {} dev. from nominal {}"])
    unit = f" [{unit_word(case)}]" if s.unit_place == "heading" else ""
    for k in kit.size_keys:
        angle = f"{k[1:]}°" if len(kit.directions) > 1 else ""
        title = (
            form.format(angle, nominal if one else "nominal").replace("nominal nominal", "nominal").replace("  ", " ")
        )
        title = title if proven else f"Dev {angle}".strip()
        columns.append(Column(title + unit, lambda p, r, w, k=k: size(r, w, k)))
    if kit.tolerance:
        form = case.rng.choice(["d{} from basic", "Δ{} from basic", "{} deviation from basic"]) if proven else "d{}"
        columns += [Column(form.format(k.upper()) + unit, lambda p, r, w, k=k: place(r, w, k)) for k in "xy"]
    columns += reading_columns(case, [k for k in kit.keys if k not in kit.size_keys and k not in "xy"])
    return _wide_with(case, columns)


def deviation_bare(case: Made) -> list[Sheet]:
    """Deviations whose headings don't say from what: a person would ask, though the numbers hint at it."""
    return deviation(case, proven=False)


def cards(case: Made) -> list[Sheet]:
    """A card for each hole: label and value pairs, below one another, or a column for each wall."""

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        (part,) = parts
        kit = case.kit
        by_wall = len(kit.walls) > 1 and case.rng.random() < 0.5
        for row in part.rows:
            if by_wall:
                sheet.add(case.style.word("hole"), hole_cell(case, row.hole))
                sheet.add(case.style.word("wall"), *[case.wall_words[w] for w in kit.walls])
                for key in kit.keys:
                    sheet.add(head(case, key), *[cell(case, key, row.values[w][key]) for w in kit.walls])
            else:
                sheet.add(case.style.word("hole"), hole_cell(case, row.hole))
                for wall in kit.walls:
                    for key in kit.keys:
                        sheet.add(label(case, key, wall), cell(case, key, row.values[wall][key]))
            sheet.add()

    return each_part(case, body)


def long(case: Made) -> list[Sheet]:
    """One reading a row."""
    s, kit, rng = case.style, case.kit, case.rng
    names = {
        "en": {
            "d": rng.choice(["diameter", "Dia", "Diameter", "size"]),
            "go": "GO",
            "no_go": "NO-GO",
            "surface": "surface",
        },
        "de": {"d": "Durchmesser", "go": "GO", "no_go": "NO-GO", "surface": "Oberfläche"},
        "fr": {"d": "diamètre", "go": "GO", "no_go": "NO-GO", "surface": "surface"},
        "es": {"d": "diámetro", "go": "GO", "no_go": "NO-GO", "surface": "superficie"},
    }[s.lang]
    together = rng.random() < 0.25 and len(kit.directions) > 1  # "Dia 90°" in one cell
    unit_column = s.unit_place in ("heading", "field")
    gauge_column = bool(kit.gauges) and rng.random() < 0.4
    degree = rng.choice(["", "°"])

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        lead = [*who_columns(case), Column(s.word("hole"), lambda p, r, w: hole_cell(case, r.hole))]
        if len(kit.walls) > 1:
            lead.append(Column(s.word("wall"), lambda p, r, w: case.wall_words[w]))
        with_direction = not together and len(kit.directions) > 1
        titles = [c.title for c in lead] + [s.word("what")] + ([s.word("direction")] if with_direction else [])
        titles += (
            [s.word("value")] + ([s.word("unit")] if unit_column else []) + ([s.word("gauge")] if gauge_column else [])
        )
        remark = s.remark_column
        sheet.add(*titles, *([s.word("remark")] if remark else []))
        unit = unit_word(case)
        for part in parts:
            for row in part.rows:
                for wall in kit.walls:
                    for key in kit.keys:
                        size = key.startswith("d")
                        what = names["d"] if size else names.get(key, key)
                        if together and size:
                            what = f"{what} {key[1:]}°"
                        angle: Any = f"{key[1:]}{degree}" if size else None
                        if angle and not degree and s.kind == "xlsx":
                            angle = int(angle)
                        length = size or key in "xy"
                        gauge = kit.gauges.get("size" if size else "position" if length else "plugs")
                        if key == "surface":
                            gauge = None
                        cells = [c.value(part, row, wall) for c in lead] + [what] + ([angle] if with_direction else [])
                        cells += [cell(case, key, row.values[wall][key])]
                        cells += ([unit if length else None] if unit_column else []) + ([gauge] if gauge_column else [])
                        sheet.add(*cells, *([row.remark or None] if remark else []))

    return each_part(case, body)


def machine(case: Made) -> list[Sheet]:
    """A coordinate machine's report: a line for each axis of a feature, named in a column or above its axes."""
    s, kit, rng = case.style, case.kit, case.rng
    named = rng.random() < 0.5
    again = rng.random() < 0.5  # the heading over each feature
    heads = rng.choice([("AX", "NOMINAL", "MEAS", "+TOL", "-TOL", "DEV", "OUTTOL"),
                        ("Axis", "Nominal", "Actual", "Deviation", "Upper tol", "Lower tol", "Out of tol"),
                        ("Axis", "Nominal", "Actual", "Dev")])  # fmt: skip
    if s.unit_place == "heading":
        unit = rng.choice([" [{}]", " ({})"]).format(unit_word(case))
        heads = (heads[0], *(name + unit for name in heads[1:]))
    form = rng.choice(["HOLE {} {}", "Hole {}, {}", "CIR_{}_{}", "{} {}"])
    sizes = {k: rng.choice(["D", "DIA", "Dia"]) + f" {k[1:]}" * (len(kit.directions) > 1) for k in kit.size_keys}
    position = rng.choice(["TP", "Position"]) if kit.tolerance and rng.random() < 0.7 else ""

    def line(row: Row, wall: str, key: str) -> list[Any]:
        hole = next((h for h in kit.holes if h.id == row.hole), kit.holes[0])
        size, value = key.startswith("d"), row.values[wall][key]
        nominal = hole.nominal if size else getattr(hole, key)
        limits = (hole.upper - nominal, hole.lower - nominal) if size else (kit.band * 20, -kit.band * 20)
        off = None if value is None else value - nominal
        out = None if off is None else max(off - limits[0], limits[1] - off, D(0))
        told = {"Nominal": nominal, "Dev": off, "Deviation": off, "+TOL": limits[0], "Upper tol": limits[0],
                "-TOL": limits[1], "Lower tol": limits[1], "OUTTOL": out, "Out of tol": out}  # fmt: skip
        told |= {name.upper(): v for name, v in told.items()}
        cells: list[Any] = [sizes.get(key, key.upper())]
        for name in (name.split(" [")[0].split(" (")[0] for name in heads[1:]):
            measured = name in ("MEAS", "Actual")
            shown = cell(case, key, value) if measured else told[name]
            cells.append(shown if measured or shown is None else s.length(shown, kit, size))
        return cells

    def body(case: Made, sheet: Sheet, parts: list[Part]) -> None:
        (part,) = parts
        if named or not again:
            sheet.add(*["Feature"] * named, *heads)
        for row in part.rows:
            for wall in kit.walls:
                name = form.format(row.hole, case.wall_words[wall] if len(kit.walls) > 1 else "").strip(" _,")
                if not named:
                    sheet.add(name)
                    if again:
                        sheet.add(*heads)
                for key in [*["x", "y"] * bool(kit.tolerance), *kit.size_keys]:
                    sheet.add(*[name] * named, *line(row, wall, key))
                x, y = (row.values[wall].get(k) for k in "xy")
                if position and x is not None and y is not None:
                    hole = next((h for h in kit.holes if h.id == row.hole), kit.holes[0])
                    found = s.length(2 * ((x - hole.x) ** 2 + (y - hole.y) ** 2).sqrt(), kit, False)
                    sheet.add(*[name] * named, position,
                              *[found if h.startswith(("MEAS", "Actual")) else None for h in heads[1:]])

    return each_part(case, body)


def own(case: Made) -> list[Sheet]:
    """The blank sheet that the tool itself writes, filled in."""
    return []


TABLES = {
    "wide",
    "with_gauge",
    "thou",
    "filled_down",
    "beside",
    "sections",
    "blocks_above",
    "minmax",
    "x_y_dia",
    "go_one",
    "deviation",
    "deviation_bare",
    "long",
}
LAYOUTS: dict[str, tuple[float, dict[str, Any], Callable[[Made], list[Sheet]]]] = {
    "long": (9, {}, long),
    "wide": (16, {}, wide),
    "with_gauge": (3, {"gauge": True}, with_gauge),
    "thou": (3, {}, thou),
    "filled_down": (7, {"walls": 2}, filled_down),
    "beside": (7, {"walls": 2}, beside),
    "two_line": (6, {"walls": 2}, two_line),
    "grouped": (4, {"directions": [0, 90]}, grouped),
    "blocks_above": (6, {"walls": 2}, blocks_above),
    "blocks_beside": (5, {"walls": 2}, blocks_beside),
    "sections": (5, {"walls": 2}, sections),
    "across": (6, {}, across),
    "serials_across": (5, {}, serials_across),
    "minmax": (4, {"directions": [0, 90]}, minmax),
    "x_y_dia": (3, {"directions": [0, 90]}, x_y_dia),
    "go_one": (4, {"plugs": True}, go_one),
    "deviation": (4, {}, deviation),
    "deviation_bare": (1, {}, deviation_bare),
    "cards": (4, {}, cards),
    "own": (4, {}, own),
    # drawn by --layout only, so that the cases of the others stay what they were
    "machine": (0, {"plugs": False, "surface": False}, machine),
}


# ---- files -----------------------------------------------------------------------------------------------------------


def write_xlsx(sheets: list[Sheet], path: Path) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for sheet in sheets:
        page = book.create_sheet(re.sub(r"[\\/*?:\[\]]", "-", sheet.name)[:31])
        for i, row in enumerate(sheet.rows, 1):
            for j, value in enumerate(row, 1):
                if value is None:
                    continue
                if isinstance(value, Decimal):
                    decimals = max(0, -value.as_tuple().exponent)  # type: ignore[operator]
                    page.cell(i, j, float(value)).number_format = "0." + "0" * decimals if decimals else "0"
                    continue
                item = page.cell(i, j, value)
                if isinstance(value, str):
                    item.data_type = "s"
                    if value[:1].isdigit() and len(sheet.rows) % 2:
                        item.number_format = "@"
        for a, b, c, d in sheet.merges:
            page.merge_cells(start_row=a + 1, start_column=b + 1, end_row=c + 1, end_column=d + 1)
    book.save(path)
    book.close()


def csv_text(sheet: Sheet, style: Style) -> str:
    out = io.StringIO()
    writer = csv.writer(
        out,
        delimiter=style.delimiter,
        lineterminator="\r\n" if style.quote_all else "\n",
        quoting=csv.QUOTE_ALL if style.quote_all else csv.QUOTE_MINIMAL,
    )
    width = max((len(r) for r in sheet.rows), default=0)
    for row in sheet.rows:
        cells = ["" if v is None else str(v) for v in row]
        writer.writerow(cells + [""] * (width - len(cells)))
    return out.getvalue()


def write_csv(sheet: Sheet, path: Path, style: Style) -> None:
    text = csv_text(sheet, style)
    try:
        path.write_bytes(text.encode(style.encoding))
    except UnicodeEncodeError:
        path.write_bytes(text.encode("utf-8-sig"))


def own_cells(case: Made, page: Any, part: Part) -> None:
    """Fill the white cells of one blank sheet of the tool's own."""
    line = next(i for i in range(1, 40) if page.cell(i, 1).value == "Hole")
    titles = {str(page.cell(line, j).value): j for j in range(1, page.max_column + 1)}
    wall_column = titles.get("Wall")
    at: dict[str, int] = {}
    for title, j in titles.items():
        if m := re.match(r"Diameter(?: (\d+)°)?", title):
            at[f"d{m[1] or case.kit.directions[0]}"] = j
        elif title[:2] in ("x ", "y ") and title[2] == "[":
            at[title[0]] = j
    at |= {
        key: titles[name]
        for key, name in {"go": "GO", "no_go": "NO-GO", "surface": "Surface"}.items()
        if name in titles
    }
    for i in range(line + 1, page.max_row + 1):
        row = next((r for r in part.rows if r.hole == str(page.cell(i, 1).value)), None)
        if not row:
            continue
        wall = str(page.cell(i, wall_column).value) if wall_column else case.kit.walls[0]
        for key in case.kit.keys:
            value = row.values[wall][key]
            if value is None:
                continue
            if isinstance(value, bool):
                value = "enters" if value else "does not enter"
            page.cell(i, at[key], float(value) if isinstance(value, Decimal) else value)
    for i in range(1, line):
        if page.cell(i, 1).value == "Date" and case.say_date:
            page.cell(i, 3, case.date)
    for n, remark in enumerate(part.remarks):
        page.cell(page.max_row + 2 + n, 1, remark)


def write_own(case: Made, kit: Path, path: Path) -> None:
    from openpyxl import load_workbook

    blank = path.with_name("blank.xlsx")
    if not blank.exists():
        run_tool(
            [
                "sheet",
                str(kit),
                "-o",
                str(blank),
                "--part",
                case.parts[0].name,
                *[w for p in case.parts for w in ("--serial", p.serial)],
            ]
        )
    book = load_workbook(blank)
    for part in case.parts:
        own_cells(case, book[part.serial], part)
    book.save(path)
    book.close()


# ---- the tool as a user runs it --------------------------------------------------------------------------------------


@dataclass
class Outcome:
    code: int
    out: str
    err: str
    crashed: bool


def run_tool(words: list[str]) -> Outcome:
    """Run ``holeqc WORDS`` in this process, as the command does."""
    import contextlib

    from holeqc.__main__ import main

    out, err = io.StringIO(), io.StringIO()
    crashed = False
    code: Any = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main(words)
        except SystemExit as stop:
            code = stop.code
        except Exception as error:
            crashed, code = True, 99
            err.write(repr(error))
    code = code if isinstance(code, int) else 0 if code is None else 2
    said = err.getvalue()
    crashed = crashed or code not in (0, 1, 2, 3) or "Traceback" in said or "fault of holeqc" in said
    return Outcome(code, out.getvalue(), said, crashed)
