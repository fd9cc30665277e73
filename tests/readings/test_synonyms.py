"""The table of heading words by itself: one meaning a phrase, however it is typed; what is ambiguous is no reading.

Trade vocabulary of four languages: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict

import pytest
from making import kit

from holeqc.readings.headings import Meaning, Vocabulary
from holeqc.readings.synonyms import (
    AMBIGUOUS,
    FIELD,
    Mark,
    _phrases,
    _spellings,
    _standard_table,
    heading_unit,
    plain,
    question_of,
    tokens,
    unaccented,
)

WORDS = Vocabulary(kit())

FIELDS = {
    "hole": "Bohrung|Bohrung Nr.|Bohrungs-Nr.|Bohrungsnummer|Loch|Loch-Nr.|LOCHNUMMER|Loecher|Trou|Trou n°|N° trou|"
    "N° de trou|Numéro du trou|Perçage|PERCAGE|Agujero|Nº agujero|N° de agujero|Número de agujero|Taladro|Taladro Nº|"
    "Orificio|Hole n°|No. of hole",
    "serial": "S/N|Seriennummer|Serien-Nr.|Ser.-Nr.|N° de série|Numéro de série|NUMERO DE SERIE|Nº de serie|"
    "Número de serie|Núm. de serie|Serial No.|serial n°",
    "part": "Teil|Bauteil|Teile-Nr.|Teilenummer|Pièce|N° de pièce|Pieza|Nº de pieza|Part number|P/N",
    "wall": "Wand|Seite|Paroi|Côté|Pared|Lado|Cara|Eintritt/Austritt|Entrée/Sortie|Near/Far|Skin",
    "characteristic": "Merkmal|Caractéristique|Característica|Dimension",
    "direction": "Richtung|Messrichtung|Winkel|Dirección|Ángulo|ANGULO",
    "trial": "Wiederholung|Répétition|Repetición",
    "gauge": "Messmittel|Prüfmittel|PRUEFMITTEL|Messgerät|Instrument de mesure|Moyen de contrôle|"
    "Instrumento de medición|"
    "Instrument|Gage|Gauge S/N|Gage serial no.|Measured with|Gemessen mit|Mesuré avec|Medido con|Tool|Instrument no",
    "date": "Datum|Prüfdatum|Gemessen am|Date de mesure|Mesuré le|Fecha|Fecha de medición|Date",
    "by": "Prüfer|PRUEFER|Geprüft von|Contrôleur|Contrôlé par|CONTROLE PAR|Opérateur|Inspector|Medido por|Tester",
    "note": "Bemerkung|Bemerkungen|Anmerkung|Remarque|Remarques|Observations|Observación|Observaciones|Remarks",
    "unit": "Einheit|Unité|Unidad|Alle Maße in|Cotes en",
    "temperature_c": "Temperatur|Raumtemperatur [°C]|Température|Temp. (C)|Temperatura ambiente|Part temp °F",
    "drawing": "Drawing|Drawing No.|Dwg|Dwg #|Zeichnung|Zeichnungs-Nr.|Zeichnungsnummer|N° de plan|Plano|Plano nº",
    "revision": "Rev|Revision|Änderungsindex|AENDERUNGSINDEX|Indice|Révision|Revisión",
    "kit": "Kit|Kit no.|Bausatz",
}


@pytest.mark.parametrize(("word", "text"), [(w, t) for w, line in FIELDS.items() for t in line.split("|")])
def test_fields_of_four_languages(word: str, text: str) -> None:
    meaning = WORDS.meaning(text)
    assert (meaning.kind, meaning.word) == (FIELD, word)


READINGS: list[tuple[str, str, int, float | None, int, str]] = [
    ("Durchmesser", "diameter", -1, None, 0, ""),
    ("Durchm. 90° [mm]", "diameter", -1, 90.0, 0, "mm"),
    ("Diamètre à 90°", "diameter", -1, 90.0, 0, ""),
    ("DIAMETRE A 90°", "diameter", -1, 90.0, 0, ""),
    ("Ø entrée 0°", "diameter", 0, 0.0, 0, ""),
    ("Diamètre d'entrée", "diameter", 0, None, 0, ""),
    ("Diamètre côté sortie, mm", "diameter", 1, None, 0, "mm"),
    ("Diámetro 0° entrada", "diameter", 0, 0.0, 0, ""),
    ("Ø salida 90", "diameter", 1, 90.0, 0, ""),
    ("Austritt Ø 90", "diameter", 1, 90.0, 0, ""),
    ("Ø vorn quer", "diameter", 0, 0.0, 0, ""),
    ("Ø hinten längs", "diameter", 1, 90.0, 0, ""),
    ("Ist-Ø 0°", "diameter", -1, 0.0, 0, ""),
    ("Ø mesuré 2", "diameter", -1, None, 2, ""),
    ("Dia 12 o'clock", "diameter", -1, 90.0, 0, ""),
    ("Dia 3 o'clock", "diameter", -1, 0.0, 0, ""),
    ("Dia 6-12 o'clock", "diameter", -1, 90.0, 0, ""),
    ("Ø 3 Uhr", "diameter", -1, 0.0, 0, ""),
    ("Dia N-S", "diameter", -1, 90.0, 0, ""),
    ("Dia E-W", "diameter", -1, 0.0, 0, ""),
    ("Dia #2", "diameter", -1, None, 2, ""),
    ("Diám. 90°", "diameter", -1, 90.0, 0, ""),
    ("Tampon NO-GO", "no_go", -1, None, 0, ""),
    ("Calibre GO", "go", -1, None, 0, ""),
    ("Lage X", "x", -1, None, 0, ""),
    ("Dia [thou]", "diameter", -1, None, 0, "thou"),
    ('Dia (.001")', "diameter", -1, None, 0, "thou"),
    ("Ø in µm", "diameter", -1, None, 0, "µm"),
    ("Ø [1/100 mm]", "diameter", -1, None, 0, "0.01 mm"),
    ("Ø [Zoll]", "diameter", -1, None, 0, "in"),
    ("Ist X", "x", -1, None, 0, ""),
    ("X-Koordinate", "x", -1, None, 0, ""),
    ("Coordonnée Y", "y", -1, None, 0, ""),
    ("Coordenada X [mm]", "x", -1, None, 0, "mm"),
    ("Cote X", "x", -1, None, 0, ""),
    ("X réel", "x", -1, None, 0, ""),
    ("Y medida", "y", -1, None, 0, ""),
    ("X Eintritt", "x", 0, None, 0, ""),
    ("Randabstand", "edge_distance", -1, None, 0, ""),
    ("Distance au bord", "edge_distance", -1, None, 0, ""),
    ("Distancia al borde", "edge_distance", -1, None, 0, ""),
    ("Lehrdorn Gut", "go", -1, None, 0, ""),
    ("Gutlehrdorn", "go", -1, None, 0, ""),
    ("Ausschussseite", "no_go", -1, None, 0, ""),
    ("Tampon entre", "go", -1, None, 0, ""),
    ("Tampon n'entre pas", "no_go", -1, None, 0, ""),
    ("PASA", "go", -1, None, 0, ""),
    ("NO PASA", "no_go", -1, None, 0, ""),
    ("Größter Lehrdorn", "plug", -1, None, 0, ""),
    ("Plus grand tampon", "plug", -1, None, 0, ""),
    ("Grat", "surface", -1, None, 0, ""),
    ("Bavures", "surface", -1, None, 0, ""),
    ("Rebaba", "surface", -1, None, 0, ""),
    ("Riss?", "surface", -1, None, 0, ""),
    ("Oberfläche", "surface", -1, None, 0, ""),
    ("Messwert 2", "", -1, None, 2, ""),
    ("2. Messung", "", -1, None, 2, ""),
    ("2ème mesure", "", -1, None, 2, ""),
    ("2ª lectura", "", -1, None, 2, ""),
]


@pytest.mark.parametrize(("text", "word", "wall", "direction", "trial", "unit"), READINGS, ids=[r[0] for r in READINGS])
def test_readings_of_four_languages(
    text: str, word: str, wall: int, direction: float | None, trial: int, unit: str
) -> None:
    found = WORDS.meaning(text)
    assert (found.kind, found.word, found.wall, found.direction, found.trial, found.unit) == (
        "reading", word, wall, direction, trial, unit,
    )  # fmt: skip


NEAR = (
    "entry|Eintritt|Eintrittsseite|vorn|Vorderseite|nahe Wand|1. Wand|Wand 1|entrée|côté d'entrée|COTE ENTREE|proche|"
)
NEAR += "face avant|entrada|lado de entrada|cercano|cara delantera|1st wall|drill side"
FAR = "exit|Austritt|Austrittsseite|hinten|Rückseite|RUECKSEITE|ferne Wand|2. Wand|sortie|face de sortie|éloignée|"
FAR += "face arrière|salida|lado salida|lejano|cara trasera|2nd wall"


@pytest.mark.parametrize(("wall", "text"), [(w, t) for w, line in enumerate((NEAR, FAR)) for t in line.split("|")])
def test_walls_of_four_languages(wall: int, text: str) -> None:
    meaning = WORDS.meaning(text)
    assert (meaning.kind, meaning.wall, meaning.word) == ("modifier", wall, "")


NOT_READINGS = {
    "limit": "Lower limit|USL|Größtmaß|KLEINSTMASS|o. Abmaß|oberes Abmaß|Toleranz|obere Toleranz|cote maxi|tolérance|"
    "limite supérieure|écart inférieur|límite superior|tolerancia|cota mínima",
    "drawing": "Nominal|Basic X|Sollmaß|SOLLMASS|Soll X|Nennmaß|Nenn-Ø|Nenndurchmesser|cote nominale|X théorique|"
    "cota nominal|Ø nominal|valor teórico|Drawing X|Zeichnung Y|dwg dia|Target dia|Spec|should be|basic dimension|"
    "theoretically exact|X basic",
    "statistic": "Average|Mean dia|Mittelwert|Ø Mittel|moyenne|Ø moyen|promedio|Ø media|écart type|range",
    "extreme": "Min dia|Max Ø|kleinster Ø|Ø maxi|Ø mínimo|größter Wert",
    "deviation": "Deviation|Abweichung|écart|desviación|Dev [thou]|Ist-Soll",
    "computed": "Out of roundness|Unrundheit|Ovalität|ovalisation|conicidad|true position|TP",
    "verdict": "Verdict|OK|i.O.|conforme|Conforme / non conforme|Pass/Fail|Bewertung|aceptado",
    "earlier": "Before rework|Dia before reaming|old|Previous reading|Ø vor Nacharbeit|X vorher|alter Wert|"
    "Ø avant retouche|ancienne valeur|première mesure|antes del retrabajo|lectura anterior|first reading|as found",
}


@pytest.mark.parametrize(("reason", "text"), [(r, t) for r, line in NOT_READINGS.items() for t in line.split("|")])
def test_what_is_no_reading_now_has_its_reason(reason: str, text: str) -> None:
    meaning = WORDS.meaning(text)
    counted = reason == "deviation" and meaning.word != ""  # the deviation of x is a reading where x itself isn't read
    assert (meaning.kind, meaning.deviation) == (("reading", True) if counted else ("ignored", False))
    assert counted or meaning.reason == reason


@pytest.mark.parametrize("text", ["Abw. X", "écart X", "dX", "ΔX", "desviación X", "X error [thou]"])
def test_a_deviation_of_something_counts_from_the_drawing(text: str) -> None:
    meaning = WORDS.meaning(text)
    assert (meaning.kind, meaning.word, meaning.deviation) == ("reading", "x", True)


UNDERSTOOD_BY_NOBODY = (
    "Cote|COTE|Maß|Größe|Alésage|Gut|Ausschuss|Lehrdorn|Tampon|Upper wall|obere Wand|paroi supérieure|pared inferior|"
    "Top|Top side|unten|Ø innen|diamètre extérieur|OD|Ø anterior|Avant|Anterior|Alt|"
    "Sheet|N/S|Initial|Observation|Skin side|rib|Bolt|spar|tenths|Ø [1/1000]|Hole dia depth|Supplier|Bohr-Ø|"
    "Dia 7 o'clock 2 o'clock wrench|near far dia|Zustand|estado|x y|Piece|Stück|upper skin"
)


@pytest.mark.parametrize("text", UNDERSTOOD_BY_NOBODY.split("|"))
def test_ambiguous_words_are_never_readings_nor_walls(text: str) -> None:
    meaning = WORDS.meaning(text)
    assert meaning.wall == -1 or meaning.kind == FIELD
    assert meaning.kind == "unknown"


def test_an_ambiguous_heading_says_what_it_may_mean() -> None:
    assert question_of("obere Wand Ø") == "upper wall or upper limit"
    assert question_of("Gut") == "good part or GO side"
    assert question_of("Dia 0") == ""


def test_no_phrase_has_two_meanings() -> None:
    meanings: dict[tuple[str, ...], set[Mark]] = defaultdict(set)
    for phrase, mark in _phrases():
        assert tokens(phrase), phrase
        meanings[tokens(phrase)].add(mark)
    assert {phrase: marks for phrase, marks in meanings.items() if len(marks) > 1} == {}


#: phrases whose accent alone tells them from another one: without it they are the other one, or a question
ACCENT_TELLS = {"à", "côté", "día", "pièce", "pièce no"}


def test_every_phrase_survives_how_people_type() -> None:
    """Capitals, double blanks, a line break, a colon, a unit in brackets, another keyboard: the same meaning."""
    table = _standard_table()
    for phrase, _ in _phrases():
        one = WORDS.meaning(phrase)
        for typed in (
            phrase.upper(),
            phrase.replace(" ", "  "),
            phrase.replace(" ", "\n"),
            f" {phrase} ",
            f"{phrase}:",
        ):
            assert WORDS.meaning(typed) == one, typed
        with_unit = WORDS.meaning(f"{phrase} [mm]")
        if one.kind != "unknown" and "temperature" not in one.word and not phrase.endswith((" in", " en")):
            assert (with_unit.kind, with_unit.word, with_unit.wall) == (one.kind, one.word, one.wall), phrase
        for typed in _spellings(phrase):
            if phrase not in ACCENT_TELLS and phrase.replace("numéro", "no") not in ACCENT_TELLS:
                assert table[tokens(typed)] == table[tokens(phrase)], (phrase, typed)


def test_ambiguous_phrases_spoil_the_whole_heading() -> None:
    for phrase, mark in _phrases():
        if mark.kind == AMBIGUOUS:
            assert WORDS.meaning(f"{phrase} near") == Meaning("unknown"), phrase


@pytest.mark.parametrize(
    ("text", "rest", "unit"),
    [
        ("Dia [mm]", "dia", "mm"),
        ("Ø in thou", "ø", "thou"),
        ("Dia, 0.001 in", "dia", "thou"),
        ("Dia (mils)", "dia", "thou"),
        ("Ø 1/1000 Zoll", "ø", "thou"),
        ("X 0,001 mm", "x", "µm"),
        ("X [μm]", "x", "µm"),
        ("Ø 1/100 mm", "ø", "0.01 mm"),
        ("Y en pulgadas", "y", "in"),
        ("Temp °F", "temp", "F"),
        ("Ø [1/1000]", "ø [1/1000]", ""),
        ("Dia (0.4590)", "dia (0.4590)", ""),
        ("Dia 0.459", "dia 0.459", ""),
        ("[mm]", "", "mm"),
        ("in", "in", ""),
    ],
)
def test_units_of_headings(text: str, rest: str, unit: str) -> None:
    assert heading_unit(plain(text)) == (rest, unit)


@pytest.mark.parametrize(
    "text",
    ["GO/NO-GO", "Go / No Go", "GO-NOGO", "Go/not go plug", "Gut/Ausschuss", "Entre / n'entre pas", "PASA/NO PASA"],
)
def test_both_plugs_in_one_column(text: str) -> None:
    assert (WORDS.meaning(text).kind, WORDS.meaning(text).word) == ("reading", "go_no_go")


def test_accents() -> None:
    assert unaccented("Größe, élève, año") == "Grosse, eleve, ano"


def test_no_heading_is_slow_to_understand() -> None:
    """Lengths are bounded before any pattern looks: a cell of a megabyte is unknown at once."""
    for text in ("[" * 1_000_000, "1 " * 500_000, "o'" * 300_000, "dia " * 250_000, "n - " * 100_000):
        assert WORDS.meaning(text).kind == "unknown"
