"""The one table of words that shops put over their columns, and what each stands for here.

A heading is cut into tokens (letters, numbers, signs); the longest phrase that fits is taken first. A kit file extends
the table by its ``[headings]``. English first, then German, French, Spanish; each phrase is also understood without
its accents, with ae, oe, ue and ss for German letters, and in capitals. A phrase that shops use for two things stands
among the ambiguous ones and is never understood: it becomes a question. Common practice, no source, unless a
standard's own term.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from holeqc.characteristics import READ
from holeqc.quantities import parse_small_unit, parse_unit

FIELD, CHARACTERISTIC, WALL, DIRECTION, TRIAL, FILLER, ASK, AXIS, IGNORE, WEAK_HOLE, DEGREES, AMBIGUOUS = (
    "field",
    "characteristic",
    "wall",
    "direction",
    "trial",
    "filler",
    "ask",
    "axis",
    "ignore",
    "weak-hole",
    "degrees",
    "ambiguous",
)

_NUMBERED = ("", " no", " nr", " number", " num", " id", " #", " code", " n°", " nummer", " numéro", " número")


@dataclass(frozen=True, slots=True)
class Mark:
    """What one phrase says: a kind and a value. ``value`` is a word, a wall's place (0 near, 1 far) or degrees.

    For an ambiguous phrase the value is what it may mean, as a question to be answered: ``wall or page``.
    """

    kind: str
    value: str | int | float = ""


_GAUGES = (
    "gauge|gage|instrument|tool|equipment|measuring tool|measuring device|inst|gauge used|"
    "messmittel|prüfmittel|messgerät|messinstrument|instrument de mesure|moyen de mesure|moyen de contrôle|"
    "appareil de mesure|jauge|instrumento|instrumento de medición|instrumento de medida|equipo de medición|"
    "medio de medición|aparato de medida|calibre"
)
#: field -> phrases that mean it with or without 'no', 'nr', 'number', '#', 'id' behind
_NUMBERED_FIELDS: dict[str, str] = {
    "hole": "hole|holes|position no|pos no|hole position|hole pos|hole location|location no|loc no|bore no|feature|"
    "hole label|hole name|hole ref|"
    "bohrung|bohrungen|bohrungs|loch|löcher|bohr nr|bohrungsnr|bohrungsnummer|lochnr|lochnummer|"
    "trou|trous|perçage|perçages|repère trou|repère du trou|n° alésage|alésage n°|"
    "agujero|agujeros|taladro|taladros|orificio|orificios|barreno|barrenos",
    "serial": "serial|ser|s n|sn|s no|part serial|unit serial|part s n|"
    "seriennr|seriennummer|serien nr|ser nr|numéro de série|n° de série|n° série|no de série|num de série|"
    "número de serie|serie|série|n° de serie|n° serie|no de serie|num de serie|núm de serie|num serie|núm serie",
    "part": "part|p n|pn|part name|component|assembly|item name|"
    "teil|bauteil|teilename|teilenr|teilenummer|teile nr|sachnummer|sachnr|platte|"
    "pièce|référence pièce|réf pièce|nom de la pièce|plaque|pieza|parte|nombre de la pieza|n° de parte|placa",
    "gauge": _GAUGES + "|measured with|gemessen mit|mesuré avec|medido con",
    "kit": "kit|bausatz",
}
_GAUGE_SERIALS = (" s n", " sn", " serial", " serial no", " serial number", " seriennummer", " n° de série")
#: field -> phrases that mean it
_FIELDS: dict[str, str] = {
    "wall": "wall|face|side|layer|end|skin|wall side|which wall|entry exit|near far|"
    "wand|wandung|wandseite|seite|blech|eintritt austritt|paroi|côté|tôle|entrée sortie|pared|lado|cara|chapa|"
    "entrada salida",
    "characteristic": "characteristic|what|kind|feature type|dimension|dim|measurement type|quantity|type|"
    "merkmal|prüfmerkmal|caractéristique|type de mesure|característica|dimensión|tipo|tipo de medida",
    "direction": "direction|dir|angle|orientation|clock|azimuth|rotation|"
    "richtung|messrichtung|winkel|winkellage|sens|dirección|sentido|ángulo|orientación",
    "trial": "trial|repeat|rep|repetition|run|reading no|reading number|reading nr|measurement no|shot|trial no|"
    "wiederholung|durchgang|messung nr|essai|répétition|mesure n°|repetición|ensayo|lectura n°|medición n°",
    "value": "value|reading|readings|measured|measured value|measurement|measurements|actual|actual value|result|"
    "results|found|act|meas|measured size|actual reading|observed|"
    "after ream|after reaming|after rework|after drilling|reamed|re measured|"
    "nach nacharbeit|nach dem reiben|nach reiben|après alésage|après retouche|después de escariar|después de retrabajo|"
    "messwert|messwerte|ist|istwert|istmaß|messung|messungen|gemessen|ablesung|wert|ergebnis|ergebnisse|"
    "mesure|mesures|mesuré|mesurée|valeur|valeur mesurée|cote mesurée|cote réelle|réel|réelle|relevé|lecture|"
    "résultat|résultats|lectura|lecturas|medida|medición|mediciones|medido|valor|valor medido|valor real|cota real|"
    "medida real|real|encontrado|resultado|resultados",
    "unit": "unit|units|uom|unit of measure|dimensions in|all dimensions in|units of measure|readings in|"
    "einheit|einheiten|maßeinheit|maße in|alle maße in|unité|unités|cotes en|toutes les cotes en|dimensions en|"
    "mesures en|unidad|unidades|medidas en|todas las medidas en|cotas en|dimensiones en",
    "temperature_c": "temp|temperature|part temp|part temperature|temperature of part|shop temperature|room temp|"
    "room temperature|ambient|ambient temperature|ambient temp|"
    "temperatur|raumtemperatur|bauteiltemperatur|teiletemperatur|werkstücktemperatur|raumtemp|"
    "température|température pièce|température de la pièce|température ambiante|"
    "temperatura|temperatura de la pieza|temperatura ambiente|temperatura pieza",
    "recheck": "recheck of|re check of|reinspection of|re inspection of|nachmessung von|nachmessung zu|"
    "contre mesure de|remedición de",
    "date": "date|day|date read|date measured|measured on|date of reading|inspection date|date inspected|read on|"
    "datum|tag|prüfdatum|messdatum|gemessen am|geprüft am|date de mesure|date de contrôle|date du contrôle|mesuré le|"
    "contrôlé le|jour|fecha|fecha de medición|fecha de inspección|fecha de control|medido el|día",
    "by": "by|inspector|operator|technician|tech|measured by|checked by|read by|inspected by|initials|insp|appraiser|"
    "bench|entered by|tester|tested by|"
    "prüfer|geprüft|geprüft von|gemessen von|geprüft durch|gemessen durch|bearbeiter|werker|kurzzeichen|namenszeichen|"
    "contrôleur|contrôlé par|mesuré par|vérifié par|opérateur|technicien|inspecteur|"
    "operario|operador|técnico|medido por|inspeccionado por|verificado por|controlado por|revisado por",
    "note": "note|notes|remark|remarks|comment|comments|observed by eye|findings|observations|"
    "bemerkung|bemerkungen|anmerkung|anmerkungen|hinweis|hinweise|kommentar|befund|"
    "remarque|remarques|commentaire|commentaires|observación|observaciones|comentario|comentarios|nota|notas",
    "part": "plate|plate name",
    "revision": "rev|revision|drawing rev|drawing revision|kit rev|kit revision|rev no|drawing issue|"
    "änderungsindex|änderungsstand|zeichnungsindex|zeichnungsstand|révision|indice|indice de révision|indice du plan|"
    "indice plan|revisión",
    "drawing": "drawing|drawing no|drawing number|drawing n°|drawing nr|drawing #|drawing id|drawing ref|"
    "drawing reference|dwg|dwg no|dwg number|dwg #|dwg n°|print no|print number|"
    "zeichnung|zeichnung nr|zeichnungs nr|zeichnungsnr|zeichnungsnummer|n° de plan|n° plan|no de plan|"
    "numéro de plan|plan|plan n°|plan no|référence plan|plano|plano n°|plano no|n° de plano|no de plano|"
    "número de plano",
    "ignore": "time|row|line|sheet no|page|order|order no|work order|job|job no|bushing|"
    "customer|signature|inspector signature|sign|signed|stamp|w o|batch|lot|lot no|shift|machine|fixture|station|"
    "station no|sequence|seq|shop|"
    "description|approved by|approved|title|material|drill|drill size|operation|op|jig|cycle|parts drilled|parts made|"
    "uhrzeit|zeit|zeile|blatt|blatt nr|auftrag|auftrags nr|auftragsnr|auftragsnummer|kunde|unterschrift|stempel|"
    "charge|chargennummer|losnummer|schicht|maschine|vorrichtung|bohrbuchse|buchse|beschreibung|benennung|"
    "freigegeben von|werkstoff|bohrer|arbeitsgang|"
    "heure|ligne|commande|ordre de fabrication|client|visa|cachet|équipe|gabarit|montage|canon|canon de perçage|"
    "séquence|désignation|approuvé par|matière|matériau|foret|opération|"
    "hora|fila|línea|hoja|hoja n°|página|orden|orden de trabajo|pedido|cliente|firma|firmado|sello|lote|turno|"
    "máquina|utillaje|plantilla|casquillo|secuencia|descripción|aprobado por|broca|operación",
}
_CHARACTERISTICS: dict[str, str] = {c.word: c.headings for c in READ} | {
    "go_no_go": "go no go|go nogo|go not go|plug go no go|go no go plug|go no go pin|go no go check|"
    "gut ausschuss|lehrdorn gut ausschuss|gut ausschuss lehrdorn|gutseite ausschussseite|"
    "entre n'entre pas|tampon entre n'entre pas|pasa no pasa|tapón pasa no pasa|calibre pasa no pasa",
}
#: words that ask one thing of the surface, so that yes and no can be understood
_ASKS: dict[str, str] = {
    "burr": "burr|burrs|any burr|burr found|burrs found|grat|grate|gratbildung|bavure|bavures|rebaba|rebabas",
    "burr-free": "burr free|burrfree|no burr|no burrs|deburred|free of burrs|deburr|"
    "gratfrei|entgratet|kein grat|sans bavure|sans bavures|ébavuré|sin rebaba|sin rebabas|desbarbado",
    "clean": "clean|clean hole|cleanliness|chips removed|sauber|sauberkeit|propre|propreté|limpio|limpieza",
    "crack": "crack|cracks|cracked|any crack|cracks found|riss|risse|fissure|fissures|crique|criques|grieta|grietas|"
    "fisura|fisuras",
    "enters": "enters|enter|entered|fits|goes|goes in|drops in|passt|geht hinein|fällt hinein|entra",
}
_WALLS: tuple[str, str] = (
    "near|entry|entrance|drill side|drill entry|entry side|near side|near wall|near face|front|outer|outside|outboard|"
    "outer face|1st wall|first wall|wall 1|wall one|front wall|front side|front face|entry wall|entry face|"
    "outer wall|outer side|outside wall|"
    "eintritt|eintrittsseite|eintrittseite|bohrseite|vorn|vorne|vorderseite|vordere wand|vorderwand|nahe wand|"
    "nahe seite|nah|nahe|außen|außenseite|außenwand|1. wand|erste wand|wand 1|"
    "entrée|côté entrée|côté d'entrée|face d'entrée|face entrée|paroi d'entrée|proche|côté proche|paroi proche|"
    "extérieur|extérieure|exterior|"
    "face proche|face avant|côté avant|paroi avant|face extérieure|côté extérieur|paroi extérieure|paroi 1|"
    "1re paroi|première paroi|"
    "entrada|lado entrada|lado de entrada|cara de entrada|cara entrada|pared de entrada|cercano|cercana|cerca|"
    "lado cercano|pared cercana|cara cercana|cara delantera|pared delantera|lado delantero|cara anterior|"
    "lado exterior|cara exterior|pared exterior|pared 1|1ª pared|primera pared",
    "far|exit|exit side|far side|far wall|far face|back|rear|inner|inside|inboard|inner face|2nd wall|second wall|"
    "wall 2|wall two|back wall|back side|back face|rear wall|rear side|exit wall|exit face|inner wall|inner side|"
    "inside wall|"
    "austritt|austrittsseite|austrittseite|hinten|rückseite|hintere wand|rückwand|ferne wand|ferne seite|fern|"
    "innen|innenseite|innenwand|2. wand|zweite wand|wand 2|"
    "sortie|côté sortie|côté de sortie|face de sortie|face sortie|paroi de sortie|loin|éloigné|éloignée|"
    "côté éloigné|paroi éloignée|face éloignée|côté opposé|paroi opposée|face opposée|face arrière|côté arrière|"
    "intérieur|intérieure|interior|"
    "paroi arrière|face intérieure|côté intérieur|paroi intérieure|paroi 2|2e paroi|deuxième paroi|seconde paroi|"
    "salida|lado salida|lado de salida|cara de salida|cara salida|pared de salida|lejano|lejana|lejos|"
    "lado lejano|pared lejana|cara lejana|cara trasera|pared trasera|lado trasero|cara posterior|lado opuesto|"
    "pared opuesta|lado interior|cara interior|pared interior|pared 2|2ª pared|segunda pared",
)
_TRIALS: dict[int, str] = {
    1: "1st|first|one|erste|erster|erstes|première|premier|primera|primer",
    2: "2nd|second|two|zweite|zweiter|zweites|deuxième|seconde|segunda|segundo",
    3: "3rd|third|three|dritte|dritter|drittes|troisième|tercera|tercer",
    4: "4th|fourth|vierte|quatrième|cuarta",
}
_DIRECTIONS: dict[float, str] = {
    0.0: "horizontal|horiz|hor|across|along x|transverse|crosswise|east west|"
    "waagerecht|waagrecht|quer|querrichtung|entlang x|ost west|horizontale|transversal|transversale|suivant x|selon x|"
    "est ouest|según x|este oeste",
    90.0: "vertical|vert|along y|lengthwise|longitudinal|north south|"
    "senkrecht|vertikal|längs|längsrichtung|entlang y|nord süd|verticale|longitudinale|suivant y|selon y|nord sud|"
    "según y|norte sur",
}
_FILLERS = (
    "the|of|at|is|in the|for|measured at|reading at|and|or|with|per|hole s|each|through|read|taken|"
    "inspected|q|axis|coordinate|coord|nominal direction|dimension of|in|to|"
    "der|die|das|des|dem|den|im|am|an|bei|von|vom|mit|und|je|pro|auf|achse|"
    "le|la|les|du|de|à|au|aux|en|et|par|sur|pour|dans|axe|el|los|las|del|al|por|con|para|cada|eje"
)
#: why a column holds no readings -> phrases that say so
_IGNORED: dict[str, str] = {
    "limit": "lower|upper|limit|limits|low|high|tolerance|tol|usl|lsl|allowed|upper limit|lower limit|upper deviation|"
    "lower deviation|upper tolerance|lower tolerance|min limit|max limit|"
    "grenze|grenzwert|grenzwerte|grenzmaß|toleranz|tol|kleinstmaß|größtmaß|mindestmaß|höchstmaß|abmaß|oberes abmaß|"
    "unteres abmaß|o abmaß|u abmaß|ob abmaß|unt abmaß|oberes grenzmaß|unteres grenzmaß|obere toleranz|"
    "untere toleranz|obere grenze|untere grenze|obergrenze|untergrenze|oberer grenzwert|unterer grenzwert|"
    "obere toleranzgrenze|"
    "untere toleranzgrenze|toleranzgrenze|ogw|ugw|otg|utg|zulässig|"
    "tolérance|tolérances|limite|limites|limite supérieure|limite inférieure|tolérance supérieure|"
    "tolérance inférieure|écart supérieur|écart inférieur|cote mini|cote maxi|cote minimale|cote maximale|admissible|"
    "límite|límites|tolerancia|tolerancias|límite superior|límite inferior|tolerancia superior|tolerancia inferior|"
    "desviación superior|desviación inferior|cota máxima|cota mínima|medida máxima|medida mínima|admisible|permitido",
    "drawing": "nominal|nom|basic|asked|requirement|required|req|spec|specification|specified|target|per drawing|"
    "per print|call out|callout|should be|theoretical|theoretically exact|ted|true value|drawing value|drawing size|"
    "drawing dimension|print value|as drawn|design|design value|expected|nominal size|basic size|basic dimension|"
    "nennmaß|nennwert|nenn|nenndurchmesser|sollmaß|sollwert|soll|solldurchmesser|theoretisch|theoretisches maß|"
    "zeichnungsmaß|laut zeichnung|lt zeichnung|vorgabe|vorgabewert|gefordert|zielwert|zielmaß|"
    "nominale|cote nominale|valeur nominale|théorique|cote théorique|valeur théorique|cible|spécification|spécifié|"
    "spécifiée|exigence|exigé|demandé|selon plan|cote du plan|cote plan|valeur cible|"
    "cota nominal|valor nominal|medida nominal|teórico|teórica|cota teórica|valor teórico|especificado|especificada|"
    "especificación|requerido|requerida|requisito|objetivo|valor objetivo|según plano|exigido",
    "extreme": "min|max|minimum|maximum|smallest|largest|"
    "kleinster|kleinste|kleinstes|größter|größte|größtes|minimal|maximal|minimaler|maximaler|kleinster wert|"
    "größter wert|mini|maxi|minimale|maximale|plus petit|plus petite|plus grand|plus grande|"
    "mín|máx|mínimo|máximo|mínima|máxima|menor|mayor",
    "statistic": "mean|average|avg|range|difference|diff|total|sum|std|sd|sigma|count|median|"
    "mittelwert|mittel|mittlerer|durchschnitt|spannweite|differenz|summe|streuung|standardabweichung|anzahl|"
    "moyenne|moyen|moy|étendue|écart type|différence|somme|"
    "promedio|prom|media|rango|recorrido|diferencia|suma|desviación estándar|desviación típica",
    "deviation": "deviation|dev|error|offset|delta|dx|dy|δ|δx|δy|δd|off nominal|from nominal|deviation from nominal|"
    "abweichung|abw|ist soll|soll ist|versatz|istabweichung|écart|déviation|décalage|écart au nominal|"
    "desviación|desv|desvío",
    "computed": "true pos|actual tp|pos tp|"
    "out of roundness|out of round|roundness|ovality|taper|true position|tp|position|bonus|circularity|oor|"
    "unrundheit|rundheit|ovalität|konizität|positionsabweichung|positionstoleranz|circularité|ovalisation|faux rond|"
    "conicité|localisation|redondez|ovalidad|conicidad|posición|posición verdadera",
    "verdict": "verdict|status|check|pass fail|accept reject|accept|ok|judgement|judgment|disposition|still open|open|"
    "pass|fail|reject|good bad|in spec|result ok|"
    "urteil|bewertung|i o|n i o|i o n i o|io|nio|io nio|verdikt|entscheidung|conforme|non conforme|conformité|"
    "conforme non conforme|décision|conformidad|no conforme|conforme no conforme|decisión|aceptado|rechazado|"
    "aceptado rechazado|dictamen|veredicto",
    "earlier": "superseded|withdrawn|before ream|before drill|"
    "before rework|before reaming|before|first reading|old|old value|old reading|previous|prior|last time|"
    "original|as found|initial reading|initial value|earlier|pre rework|pre ream|"
    "vor nacharbeit|vor der nacharbeit|vor dem reiben|vor reiben|vorher|alter wert|altwert|alte messung|"
    "erste messung|erstmessung|ursprünglich|frühere messung|vorige messung|letzte messung|"
    "avant retouche|avant reprise|avant alésage|ancien|ancienne|ancienne valeur|première mesure|précédent|précédente|"
    "valeur initiale|mesure initiale|"
    "antes de retrabajo|antes del retrabajo|antes de repasar|antes de escariar|antes|primera lectura|"
    "primera medición|primera medida|lectura anterior|medida anterior|medición anterior|valor anterior|previo|previa|"
    "antiguo|valor inicial|lectura inicial|medida inicial",
}
_WEAK = "#|no|nr|number|pos|item|id|loc|location|n°|num|núm|nummer|numéro|número|repère|lfd nr"
#: two columns that may be of the part or of the plug; both of them side by side say the same either way
GOOD_OR_SCRAP = {"go": "good part or GO side", "no_go": "scrap or NO-GO side"}
#: phrases that shops use for several things -> what each may mean; never understood, always a question
_AMBIGUOUS: dict[str, str] = {
    "wall or page": "sheet",
    "near or far wall": "skin side|inner skin|outer skin",
    "upper wall or upper limit": "upper wall|upper side|upper face|upper sheet|upper skin|top|top side|top wall|"
    "top face|"
    "obere wand|obere seite|oberes blech|oberseite|oben|obere|oberer|oberes|paroi supérieure|face supérieure|"
    "côté supérieur|tôle supérieure|supérieur|supérieure|haut|dessus|pared superior|cara superior|lado superior|"
    "chapa superior|superior|arriba",
    "lower wall or lower limit": "lower wall|lower side|lower face|lower sheet|lower skin|bottom|bottom side|"
    "bottom wall|bottom face|untere wand|untere seite|unteres blech|unterseite|unten|untere|unterer|unteres|"
    "paroi inférieure|face inférieure|côté inférieur|tôle inférieure|inférieur|inférieure|bas|dessous|"
    "pared inferior|cara inferior|lado inferior|chapa inferior|inferior|abajo",
    "inside diameter or inner wall": "ø innen|durchmesser innen|innen ø|innen durchmesser",
    "outside diameter or outer wall": "ø außen|durchmesser außen|außen ø|außendurchmesser|outside diameter|"
    "outside dia|outer diameter|outer dia|o d|diamètre extérieur|diámetro exterior",
    "earlier reading or front wall": "avant|anterior",
    "front or earlier": "devant|delantero|delantera|frontal",
    "hole or diameter": "alésage|perforación",
    "drilled hole or drill": "bohrdurchmesser|bohr ø|diamètre de perçage|diámetro de taladrado|drilled dia|drill dia|"
    "drill diameter",
    "dimension or size": "größe|maß|maße|cote|cota|taille|tamaño|dimensiones|abmessung",
    GOOD_OR_SCRAP["go"]: "gut|bon|bueno",
    GOOD_OR_SCRAP["no_go"]: "ausschuss|rebut|rechazo",
    "plug gauge, its size, or stamp": "lehrdorn|tampon|tapón|lehre|prüfstift",
    "reading or remark": "observation",
    "initials or first reading": "initial|initiale|inicial",
    "old or alternative": "alt",
    "part, serial number or count": "piece|piece no|stück|werkstück|teil lfd nr|unidad n°",
    "serial number or north-south": "n s",
    "state or verdict": "zustand|état|estado",
    "number or answer": "yes no|ja nein|oui non|sí no",
}
#: what a column of final results is called, which holds readings only where no other column does
_RESULTS = "result|results|ergebnis|ergebnisse|résultat|résultats|resultado|resultados"
_POSITION_WORDS = (
    "position|positions|location|coordinates|coordinate|hole|measured|actual|true|koordinaten|positionen|lage|ist|"
    "gemessen|bohrung|coordonnées|coordonnees|mesuré|mesurée|réel|réelle|trou|coordenadas|posición|posiciones|medido|"
    "medida|real|agujero"
)
#: words that over X and Y name the pair and nothing computed
POSITION_WORDS = frozenset(_POSITION_WORDS.split("|"))

_TOKEN = re.compile(r"[^\W\d_]+|\d+(?:[.,]\d+)?|[ø°#]")
_LETTERS = re.compile("[A-Za-zß-öù-ÿ ]+")  #: of plain words, in one form, with no sign, number or apostrophe to part
_SIGNS = str.maketrans({"º": "°", "˚": "°", "⌀": "ø", "∅": "ø", "φ": "ø", "ϕ": "ø", "Φ": "ø", "Ø": "ø", "∆": "Δ"})
_COUNTED = {"1": " first ", "2": " second ", "3": " third ", "4": " fourth "}
#: 1st, 1re, 2ème, 1ª; and 1. or 1° before a word that is counted
_ORDINAL = re.compile(
    r"(?<![\d.,])([1-4])(?:st|nd|rd|th|re|ère|ere|er|ème|eme|e|ª|a)(?![^\W_])"
    r"|(?<![\d.,])([1-4]) ?[.°] ?(?=wand|messung|mess|wiederholung|ablesung|lesung|lectura|medici|medida|repet|pared)"
)
_CLOCK = re.compile(r"(?<![\d.,])(\d{1,2})(?: ?[-–/] ?(\d{1,2}))? ?(?:o ?['’]? ?clock|uhr|heures?)(?![^\W_])")
_COMPASS = (
    (re.compile(r"(?<![^\W_])n ?[-–—↔] ?s(?![^\W_])"), " north south "),
    (re.compile(r"(?<![^\W_])(?:e ?[-–—↔] ?[wo]|o ?[-–—↔] ?[we]|w ?[-–—↔] ?e)(?![^\W_])"), " east west "),
)
_ELIDED = re.compile(r"(?<![^\W_])[dl]['’](?=[^\W\d_])")
_BRACKETS = re.compile(r"[\[(]([^\[\]()]{1,40})[\])]")
_TEMPERATURE_UNIT = re.compile(r"(?:°|(?<![^\W_])deg\.?) ?([cf])(?![^\W_])")
_GAP = re.compile(r"[ ,/]+(?:(?:in|en) )?")
_BEFORE_UNIT = re.compile(r"^(?:in|en|unit|units) (?=.)")
_UNIT_INSIDE = re.compile(r",\s*(mm|in|inch|inches|thou|µm)\b\.?(?=\s+\w)")  #: 'dia 0, mm near'
_MARKS = re.compile("[\u0300-\u036f]")
_GERMAN = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})


def plain(text: str) -> str:
    """Return text in one spelling: lower case, plain widths, one space, one sign for degrees and one for diameter."""
    return " ".join(unicodedata.normalize("NFKC", text.translate(_SIGNS)).translate(_SIGNS).lower().split())


def unaccented(text: str) -> str:
    """Return text without accents, ß as ss: what a keyboard of another country gives."""
    return unicodedata.normalize("NFC", _MARKS.sub("", unicodedata.normalize("NFD", text))).replace("ß", "ss")


def heading_unit(text: str) -> tuple[str, str]:
    """Return a heading (as `plain` writes it) without its unit, and the unit: in, mm, C, F, a small unit, or ''.

    The unit stands in brackets, or behind the last blank or comma: ``dia [mm]``, ``dia, 0.001 in``, ``ø in thou``.
    """
    for match in _BRACKETS.finditer(text):
        if unit := _unit(match[1]):
            return f"{text[: match.start()]} {text[match.end() :]}".strip(" ,:;"), unit
    if degrees := _TEMPERATURE_UNIT.search(text):
        return f"{text[: degrees.start()]} {text[degrees.end() :]}".strip(" ,:;"), degrees[1].upper()
    text = text.rstrip(" :;")
    if inside := _UNIT_INSIDE.search(text):
        return f"{text[: inside.start()]} {text[inside.end() :]}".strip(" ,:;"), _unit(inside[1])
    for match in _GAP.finditer(text):
        unit = _unit(text[match.end() :])
        if match.start() and unit not in {"", "C", "F"} and tokens(text) not in _standard_table():
            return text[: match.start()].strip(" ,:;"), unit
    if len(text) > 1 and text[-1] in '"″':
        return text[:-1].strip(" ,:;"), "in"
    return text, ""


def _unit(text: str) -> str:
    name = _BEFORE_UNIT.sub("", text.strip(" :;"), count=1)
    letter = name.strip(" °.").removeprefix("deg").strip(" .")
    return letter.upper() if letter in {"c", "f"} else parse_unit(name) or parse_small_unit(name)


def _clock(match: re.Match[str]) -> str:
    """Return an hour as the direction that it points in, in degrees from X: 3 o'clock is 0, 12 o'clock is 90."""
    first = int(match[1])
    hours = {first % 12, int(match[2] or first) % 12}
    opposite = len(hours) == 1 or abs(max(hours) - min(hours)) == 6
    return f" {(90 - 30 * first) % 180} ° " if 1 <= first <= 12 and opposite else match[0]


def tokens(text: str) -> tuple[str, ...]:
    """Return the words, numbers and signs of a heading; letters and digits are parted: X1 is x, 1."""
    if _LETTERS.fullmatch(text):
        return tuple(text.lower().split())
    spaced = _CLOCK.sub(_clock, _ORDINAL.sub(lambda m: _COUNTED[m[1] or m[2]], plain(text)))
    for pattern, words in _COMPASS:
        spaced = pattern.sub(words, spaced)
    return tuple(_TOKEN.findall(_ELIDED.sub(" ", spaced).replace("ø", " ø ").replace("_", " ")))


def _phrases() -> Iterator[tuple[str, Mark]]:
    """Yield every phrase as it is written here with what it says."""
    tables: list[tuple[str, Mark, tuple[str, ...]]] = [(_FILLERS, Mark(FILLER), ("",))]
    tables += [(p, Mark(IGNORE, reason), ("",)) for reason, p in _IGNORED.items()]
    tables += [(_WEAK, Mark(WEAK_HOLE), ("",))]
    tables += [(p, Mark(FIELD, word), ("",)) for word, p in _FIELDS.items()]
    tables += [(p, Mark(FIELD, word), _NUMBERED) for word, p in _NUMBERED_FIELDS.items()]
    tables += [(_GAUGES, Mark(FIELD, "gauge"), _GAUGE_SERIALS)]
    tables += [(p, Mark(CHARACTERISTIC, word), ("",)) for word, p in _CHARACTERISTICS.items()]
    tables += [(p, Mark(ASK, word), ("",)) for word, p in _ASKS.items()]
    tables += [(p, Mark(WALL, place), ("",)) for place, p in enumerate(_WALLS)]
    tables += [(p, Mark(TRIAL, number), ("",)) for number, p in _TRIALS.items()]
    tables += [(p, Mark(DIRECTION, degrees), ("",)) for degrees, p in _DIRECTIONS.items()]
    tables += [(letter, Mark(AXIS, order), ("",)) for order, letter in enumerate("abc")]
    tables += [("°|deg|degree|degrees|grad|degré|degrés|grado|grados", Mark(DEGREES), ("",))]
    tables += [(p, Mark(AMBIGUOUS, question), ("",)) for question, p in _AMBIGUOUS.items()]
    for phrases, mark, endings in tables:
        for phrase in phrases.split("|"):
            for ending in endings:
                yield phrase + ending, mark


def standard_table() -> dict[tuple[str, ...], Mark]:
    """Return phrase (as tokens) -> mark, before any kit extends it; a copy that may be changed."""
    return dict(_standard_table())


@cache
def _standard_table() -> dict[tuple[str, ...], Mark]:
    table: dict[tuple[str, ...], Mark] = {}
    for phrase, mark in _phrases():
        table[tokens(phrase)] = mark
    # as written comes before what another keyboard gives: 'cote' is no 'côté'
    for phrase, mark in _phrases():
        for spelling in () if phrase.isascii() else _spellings(phrase):
            table.setdefault(tokens(spelling), mark)
    return table


def _spellings(phrase: str) -> tuple[str, ...]:
    """Return a phrase without its accents, with ae for ä, and without accents but for ß."""
    return unaccented(phrase), unaccented(phrase.translate(_GERMAN)), phrase.replace("ß", "ss")


@cache
def results() -> frozenset[tuple[str, ...]]:
    """Return the headings of a column of final results, as tokens."""
    return frozenset(tokens(s) for p in _RESULTS.split("|") for s in (p, *_spellings(p)))


def question_of(text: str) -> str:
    """Return what an ambiguous heading may mean, as words for a question; '' for one that isn't ambiguous."""
    words, table = tokens(text), _standard_table()
    for length in range(len(words), 0, -1):
        for start in range(len(words) - length + 1):
            mark = table.get(words[start : start + length])
            if mark is not None and mark.kind == AMBIGUOUS:
                return str(mark.value)
    return ""
