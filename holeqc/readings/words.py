"""Words of readings and of rows: what entered, what the surface is like, which wall, part or hole is meant."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container, Iterable, Iterator
from functools import lru_cache

from holeqc.readings.containers import Content
from holeqc.readings.synonyms import unaccented
from holeqc.readings.table import BURR, CLEAN, CRACK, DIRTY, ENTERS, STOPS
from holeqc.readings.values import cleaned

BOTH = "go_no_go"  #: what a column asks that is for both plugs
#: word of a row's reading while it is read: its place is the code kept in arrays, 0 for none
REMARK = 500  #: characters of a remark that are looked at
WORDS = ("", ENTERS, STOPS, CLEAN, BURR, DIRTY, CRACK)


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split("|"))


_TICKS = _set("✓|✔|√|☑|✅|🗸|✗|✘|✕|×|☒|❌")
_YES = _set("yes|y|true|✓|✔|√|☑|✅|🗸|ja|j|oui|si")
_NO = _set("no|n|false|✗|✘|✕|×|☒|❌|nein|non")
#: nothing but good in any language; 'passt' and 'pasa' mean both 'good' and 'it enters'
_PASS = _set(
    "ok|okay|o k|pass|passed|good|accept|accepted|acc|fine|conforms|satisfactory|conforming|within limits|in limits|"
    "io|i o|in ordnung|gut|gut befunden|bestanden|conforme|bon|bonne|accepte|d accord|bueno|buena|correcto|aceptado|"
    "apto|bien"
)
_FAIL = _set(
    "fail|failed|bad|nok|not ok|n ok|reject|rejected|rej|no good|not good|nonconforming|not conforming|scrap|"
    "nio|n i o|nicht io|nicht i o|nicht in ordnung|schlecht|ausschuss|nicht bestanden|non conforme|mauvais|mauvaise|"
    "refuse|rebut|pas bon|malo|mala|no conforme|rechazado|no apto|incorrecto|mal|defectuoso"
)
#: 'no good' or 'no go': nobody knows which
_NO_GOOD_OR_NO_GO = _set("ng|n g")
_ENTERS = _set(
    "enters|enter|entered|goes|goes in|go|went in|fits|fit|drops in|drops|dropped in|passes|passes through|slides in|"
    "enters freely|goes through|does enter|enters fully|"
    "passt hinein|passt rein|geht hinein|geht rein|geht durch|fallt hinein|fallt rein|faellt hinein|fallt durch|"
    "gleitet hinein|entre|rentre|il entre|elle entre|entre librement|entra|entro|si entra|entra libre"
)
_STOPS = _set(
    "does not enter|doesnt enter|not enter|not entered|did not enter|will not enter|wont enter|stops|stop|stopped|"
    "no go|nogo|does not go|doesnt go|did not go|will not go|wont go|no entry|does not fit|doesnt fit|does not go in|"
    "doesnt go in|refuses|refused|held out|not go|no enter|cannot enter|cant enter|does not pass|doesnt pass|"
    "passt nicht hinein|passt nicht rein|geht nicht|geht nicht hinein|geht nicht rein|geht nicht durch|"
    "fallt nicht hinein|nentre pas|n entre pas|ne rentre pas|ne passe pas|nest pas entre|no entra|no entro|no pasa"
)
#: enters, or good: the same under GO, a question under NO-GO
_ENTERS_OR_GOOD = _set("passt|geht|passe|pasa")
_STOPS_OR_BAD = _set("passt nicht|no pasa|ne passe pas|geht nicht")
_CLEAN = _set(
    "clean|smooth|clear|deburred|none|nothing|bright|dry|no defects|no defect|free|"
    "sauber|glatt|entgratet|gratfrei|rissfrei|blank|keine|keiner|nichts|propre|lisse|ebavure|ebavuree|rien|neant|"
    "aucun|aucune|sans defaut|limpio|limpia|liso|lisa|desbarbado|desbarbada|nada|ninguno|ninguna|sin defectos"
)
_DIRTY = _set(
    "dirty|chips|chip|swarf|oil|oily|rough|scored|scratched|gouged|torn|debris|unclean|rifled|chatter|galled|scratch|"
    "scratches|"
    "schmutzig|verschmutzt|spane|spaene|ol|oel|olig|rau|riefen|riefig|kratzer|verkratzt|rattermarken|sale|copeaux|"
    "huile|rugueux|raye|rayee|rayures|rayure|broutage|sucio|sucia|virutas|viruta|aceite|rugoso|rayado|rayada"
)
_NEGATION = _set(
    "no|not|free|without|zero|nil|removed|none|kein|keine|keinen|nicht|ohne|frei|entfernt|pas|sans|aucun|aucune|"
    "enlevee|enlevees|enleve|sin|ningun|ninguna|ninguno|quitada|quitadas|eliminada|eliminadas"
)
_PARTS = (
    _set("port|p|ps|left|lh|l h|larboard|left hand|backbord|bb|links|babord|gauche|babor|izquierda|izquierdo"),
    _set(
        "starboard|s|sb|stb|stbd|s b|starbd|right|rh|r h|right hand|steuerbord|rechts|tribord|droite|estribor|"
        "derecha|derecho"
    ),
)
#: blanks are counted: three unbounded runs in a row would try every way to part a long one
_HOLE_PREFIX = re.compile(
    r"^(?:hole|position|pos|bore|h|bohrung|loch|trou|agujero|taladro)?\s{0,4}(?:no|nr|num|number|n°|#|№)?\s{0,4}[.:#]?"
    r"\s{0,4}(?=[0-9a-z])"
)


def folded(content: Content) -> str:
    """Return text in one spelling for comparing words: plain widths, lower case, marks of punctuation as spaces."""
    text = unicodedata.normalize("NFKC", str(content)).casefold().replace("'", "").replace("’", "")
    return " ".join(re.sub(r"[.,;:!()\[\]/_-]+", " ", text).split())


def word_of(content: Content) -> str:
    """Return text as `folded`, without accents: what the words of this module are compared with."""
    return unaccented(folded(content))


def hole_key(content: Content) -> str:
    """Return a hole's label reduced to what tells holes apart: 'Hole 3', '#3', 3.0 and ' 3 ' are all '3'."""
    if isinstance(content, float):
        return f"{content:.15g}"
    if not isinstance(content, str):
        return ""
    text = " ".join(unicodedata.normalize("NFKC", content).split()).casefold()
    if re.fullmatch(r"\d+[.,]0+", text):
        return re.split(r"[.,]", text)[0]
    short = _HOLE_PREFIX.sub("", text, count=1).strip()
    return short.rstrip(".") or text


_ANSWERS = _ENTERS | _STOPS | _YES | _NO | _PASS | _FAIL | _NO_GOOD_OR_NO_GO | _ENTERS_OR_GOOD | _STOPS_OR_BAD


def is_answer(content: Content) -> bool:
    """Whether a content answers whether a plug enters, in whatever words."""
    return word_of(content) in _ANSWERS


#: a count that falls short of what it counts
_SHORT_OF = re.compile(
    r"(?<![\w.])(\d{1,4}) (?:of|von|sur|de) (\d{1,4})(?![\w.])"
    r"(?=.{0,40}(?:ok|good|accept|pass|drop|fit|enter|conform|gut))"
    r"|(?:accepted|good|passed|ok)\W{1,3}0(?![\w.])",
    re.I,
)
_FEWER = re.compile(
    r"(?<![\w.])(\d{1,4}) (?:checked|measured|drilled|inspected)\W{1,3}(\d{1,4}) (?:ok|good|accept|pass)", re.I
)


def falls_short(text: str) -> str:
    """Return what a text counts that isn't all of them: '7 of 8 pins drop in', 'Qty accepted: 0'; '' for nothing."""
    for found in _SHORT_OF.finditer(text[:REMARK]):
        if found[1] is None or int(found[1]) < int(found[2]):
            return found[0]
    fewer = _FEWER.search(text[:REMARK])
    return fewer[0] if fewer and int(fewer[2]) < int(fewer[1]) else ""


def is_refusal(content: Content) -> bool:
    """Whether a verdict typed on the sheet calls a hole bad."""
    bad = _FAIL | _NO | _NO_GOOD_OR_NO_GO | {"out", "oversize", "undersize", "out of limits", "hs"}
    return isinstance(content, str) and word_of(content) in bad


def part_of(content: Content, names: Iterable[tuple[str, ...]]) -> int:
    """Return which part is meant: its place in ``names`` (each the words of one part), -1 for none or several."""
    text, bare = folded(content), word_of(content)
    exact = [i for i, words in enumerate(names) if text in {folded(w) for w in words if w}]
    if exact:
        return exact[0] if len(exact) == 1 else -1
    for group in _PARTS:
        if bare in group:
            meant = [i for i, words in enumerate(names) if words and folded(words[0]) in group]
            return meant[0] if len(meant) == 1 else -1
    return -1


def plug_word(content: Content, characteristic: str, ask: str, others: frozenset[str]) -> str:
    """Return ENTERS or STOPS for what was typed under GO or NO-GO, '' where it can't be told for certain.

    ``ask`` is 'enters' where the heading asks whether it enters, `BOTH` where one column is for both plugs.
    ``others``: all that stands in the column, folded. Under a bare NO-GO 'yes' may mean 'it enters' or 'checked,
    good', so there yes and no are only taken where 'no' is the only one of the two. One and nought, P and F, G and NG
    are taken where the heading or the column leaves no doubt.
    """
    text = word_of(content)
    if ask == BOTH:
        return _one_of_both(content, characteristic)
    others = frozenset(unaccented(other) for other in others)
    if text in {"1", "0"} or isinstance(content, float):
        return _one_or_nought(content, ask)
    if text in _ENTERS:
        return ENTERS
    if text in _ENTERS_OR_GOOD | _STOPS_OR_BAD:
        unsure = characteristic == "no_go" and ask != "enters" and (text in _ENTERS_OR_GOOD or others & _ENTERS_OR_GOOD)
        return "" if unsure else ENTERS if text in _ENTERS_OR_GOOD else STOPS
    if text in _STOPS:
        return STOPS
    if text in _YES | _NO:
        if characteristic == "no_go" and ask != "enters" and (text in _YES or text in _TICKS or others & _YES):
            return ""
        return ENTERS if text in _YES else STOPS
    if ask == "enters":
        return ""
    if text in _NO_GOOD_OR_NO_GO:
        return STOPS if characteristic == "go" else ""
    good = text in _PASS or (text == "p" and (characteristic == "go" or "f" in others))
    if good or text in _FAIL or (text == "f" and "p" in others):
        return ENTERS if good == (characteristic == "go") else STOPS
    return ""


def _one_or_nought(content: Content, ask: str) -> str:
    """Return what 1 and 0 say where the heading asks whether the plug enters; elsewhere they may count anything."""
    number = content if isinstance(content, float) else float(str(content).strip())
    return {1.0: ENTERS, 0.0: STOPS}.get(number, "") if ask == "enters" else ""


_WHICH_PLUG = re.compile(r"^(no ?go|not go|go)\b ?(.*)$")
_PIECES = re.compile(r"[,;/|+&\n]|\band\b|\bund\b|\bet\b")


def _one_of_both(content: Content, characteristic: str) -> str:
    """Return what one cell for both plugs says of one of them.

    'GO' or 'OK' is the result that the check asks for: GO enters, NO-GO stops. 'NO GO' or 'fail' doesn't say which of
    both was wrong, so it says nothing of either and becomes a question. Two answers, 'yes/no' or 'GO enters, NO-GO
    stops', say each; 'yes/yes' may mean 'both good'.
    """
    text = word_of(content)
    if text in _PASS | {"go"} or text in _TICKS & _YES:
        return ENTERS if characteristic == "go" else STOPS
    raw = unaccented(unicodedata.normalize("NFKC", str(content)).casefold())
    pieces = [p for p in (folded(piece) for piece in _PIECES.split(raw[:200].replace("no/go", "no go"))) if p]
    if len(pieces) != 2:
        return ""
    named = [_WHICH_PLUG.match(piece) for piece in pieces]
    if all(named) and {m[1] == "go" for m in named if m} == {True, False}:
        rest = {("go" if m[1] == "go" else "no_go"): m[2].strip() for m in named if m}
        return plug_word(rest[characteristic], characteristic, "", frozenset()) if rest[characteristic] else ""
    if set(pieces) & _TICKS:
        return ""
    if characteristic == "go":
        return plug_word(pieces[0], "go", "", frozenset())
    return plug_word(pieces[1], "no_go", "", frozenset(pieces) & _YES if pieces[1] in _YES else frozenset())


def surface_word(content: Content, ask: str) -> str:
    """Return CLEAN, BURR, DIRTY or CRACK for what was typed about a surface, '' where it can't be told for certain."""
    text = word_of(content)
    if text in _YES | _NO:
        if not ask:
            return CLEAN if text in _TICKS & _YES else ""
        if ask in {"burr", "crack"} and text in _TICKS:
            return ""
        found = {"burr": BURR, "crack": CRACK, "burr-free": BURR, "clean": DIRTY}[ask]
        return found if (text in _YES) == (ask in {"burr", "crack"}) else CLEAN
    if text in _PASS:
        return CLEAN
    raw = unaccented(unicodedata.normalize("NFKC", str(content)).casefold())
    clauses = [_clause(c) for c in re.split(r"[,;/+&]|\b(?:and|but|und|aber|et|mais|y|pero)\b", raw) if c.strip()]
    if not clauses or "" in clauses:
        return ""
    return max(clauses, key=(CLEAN, DIRTY, BURR, CRACK).index)


def _clause(raw: str) -> str:
    text = word_of(raw)
    words = text.split()
    if text in _CLEAN | _PASS:
        return CLEAN
    found = list(_defects(raw))
    present = {defect for defect, negated in found if not negated}
    if "crack" in present:
        return CRACK
    if "burr" in present:
        return BURR
    negated = bool(_NEGATION & set(words))
    if words and words[-1] in {"clean", "smooth", "sauber", "glatt", "propre", "lisse", "limpio", "liso"} and negated:
        return DIRTY
    if present & {"scratch", "chatter", "damage"} or (set(words) & _DIRTY and not negated):
        return DIRTY
    return "" if present else CLEAN if found or set(words) & _DIRTY else ""


#: what a remark may say against a hole -> words that say it; a star stands for any ending
_DEFECTS: dict[str, str] = {
    "": "split ball*|split bush*|split sleeve*|split pin*",  # gauges and tools, and their parts
    "crack": "crack*|fracture*|split|splits|hairline*|fissur*|riss|risse|rissen|rissig|rissbildung|haarriss*|anriss*|"
    "eingerissen|angerissen|gerissen|gesprungen|felure*|fele|felee|fendu|fendue|crique*|grieta*|agrietad*|fisura*|"
    "rajad*|rajadura*",
    "burr": "burr|burrs|burred|burring|grat|grate|grats|gratbildung|restgrat|bohrgrat|bavure*|rebaba*|not deburred|"
    "needs debur*|need debur*|to deburr|nicht entgratet|pas ebavur*|non ebavur*|sin desbarbar",
    "scratch": "scratch*|scored|scoring|score marks|gouge*|gouging|galled|galling|nicked|dent|dents|dented|torn|"
    "tearing|tear out|dinged|ding|pitted|pitting|spall*|blowout|blow out|ridge inside|step inside|burned|burnt|"
    "kratzer|verkratzt|zerkratzt|riefe|riefen|delle|dellen|macke|macken|rayure*|raye|rayee|rayes|griffure*|aranazo*|"
    "rayado|rayada|rayas|abolladura*",
    "oversize": "oversize*|over size*|over by|thou over|just over|a hair big|a bit big|loose|sloppy|falls through|"
    "opened up|wallow*|too big|too large|too wide|reamed out|reamed too*|over limit|over the limit|ubermass|"
    "uebermass|zu gross|zu weit|aufgerieben|trop grand*|trop gros*|trop large|hors cote|demasiado grande|muy grande|"
    "sobremedida|sobredimension*|flojo|floja|zu locker|lose",
    "undersize": "thou under|just under|under by|undersize*|under size*|too small|too tight|untermass|zu klein|"
    "zu eng|trop petit*|trop serre*|demasiado pequen*|muy pequen*",
    "out of round": "tapered|ovality|barrel shaped|elongat*|egg|eggshaped|oval|ovals|ovalised|ovalized|out of round|"
    "not round|slotted|bellmouth*|bell mouth*|keyhole*|figure 8|figure eight|unrund|eiformig|eifoermig|langlich|"
    "laenglich|ovale|ovalise*|allonge|allongee|oblong|oblongue|faux rond|ovalado|ovalada|alargad*",
    "chatter": "chatter*|rattermarken|ratter*|broutage|broute|vibraciones",
    "drilled twice": "double drill*|doubledrill*|drilled twice|redrill*|re drill*|drilled again|doppelt gebohrt|"
    "zweimal gebohrt|nachgebohrt|perce deux fois|double percage|reperce*|taladrado dos veces|doble taladro|"
    "doble taladrado|retaladrad*|reperforad*",
    "rework": "rework*|redo|re do|to be reamed|needs ream*|need ream*|needs drill*|helicoil*|sleeve needed|"
    "needs sleeve|needs bush*|epoxy|filled with|plug weld*|plug in hole|re work*|re ream*|reream*|reamed again|"
    "nacharbeit*|nachgearbeitet|nachgerieben|retouch*|realese*|reprise|a reprendre|retrabaj*|repasad*|reescariad*",
    "misplaced": "crooked|at an angle|not perpendicular|not square|too close|edge distance short|schief|schraeg|"
    "schrag|de travers|decale|decalee|torcid*|off location|off centre|off center|off position|out of position|"
    "mislocated|misplaced|wrong hole|wrong place|wrong position|wrong location|drill walked|walked|drill wandered|"
    "wandered|fixture moved|fixture slipped|slipped|short edge|verlaufen|versetzt gebohrt|falsche stelle|verrutscht|"
    "decentre*|mal place*|deplace|desplazad*|descentrad*|mal ubicad*",
    "damage": "damage*|flaw*|void in|porosit*|porous|melted|heat damage|stuck inside|bit stuck|drill stuck|"
    "drill broke*|bit broke*|reamer broke*|hit the|corros*|rust*|pocken|poren|lunker|defect*|broken|broke out|breakout|"
    "break out|bent|delaminat*|beschadig*|beschaedig*|defekt*|fehler|fehlerhaft|ausgebrochen|ausbruch|endommag*|abime*|"
    "casse|cassee|defaut*|deforme*|danad*|danado|defecto*|defectuos*|roto|rota",
    "wrong drill": "mis drill*|misdrill*|by mistake|verbohrt|broca rota|bohrer gebrochen|foret casse|wrong drill*|"
    "wrong reamer|wrong bit|wrong size|falscher bohrer|mauvais foret|broca equivocada",
    "wrong depth or countersink": "too deep|too shallow|not deep enough|deeper than*|not to depth|short of depth|"
    "bottomed out|not countersunk|no countersink|no csk|countersink missing|missing countersink|csk missing|"
    "wrong countersink*|wrong csk|wrong angle|wrong cutter|wrong side|countersunk twice|double countersunk|zu tief|"
    "zu flach|nicht tief genug|nicht gesenkt|senkung fehlt|falscher senker|falscher winkel|trop profond*|"
    "pas assez profond*|pas fraise*|mauvais angle|demasiado profund*|muy profund*|poco profund*|sin avellanar|"
    "no avellanad*|angulo equivocado",
    "NO-GO enters": "",
    "GO does not enter": "",
    "pins don't fit": "wont take|will not take|doesnt take|does not take|wont go in|will not go in|doesnt fit|"
    "does not fit|wont fit|cant get|cannot get|plug stuck|pin stuck|klemmt|passt nicht|ne passe pas|no pasa",
    "out of tolerance": "oot|out of tol*|out of limit*|out of spec*|not to print|not to drawing|does not meet|"
    "doesnt meet|not per print|not per drawing|not conform*|discrepan*|nonconform*|ausser toleranz|aussertoleranz|"
    "toleranz uberschritten|toleranz ueberschritten|nicht gehalten|nicht massgerecht|hors tol*|fuera de tol*|"
    "fuera de medida|fuera de cota",
    "bad": "nfg|rej|junk|bin it|poor|red tag*|quarantine*|schrott|no sirve|rechazo|incorrect*|ng|nok|nio|not ok|"
    "not good|no good|bad|reject*|scrap|scrapped|fail|fails|failed|nonconform*|non conform*|nicht io|nicht ok|"
    "schlecht|ausschuss|rebut|rebute*|pas bon|pas ok|mauvais|mauvaise|refuse|refusee|no conforme|no apto|rechazad*|"
    "chatarra|malo|mala|no ok",
}
#: what can be taken off, so that 'removed' ends it
_REMOVABLE = {"burr"}
_REMOVED = _set(
    "removed|deburred|dressed|cleared|entfernt|beseitigt|entgratet|enleve|enlevee|enlevees|enleves|ebavure|ebavuree|"
    "elimine|eliminee|eliminees|quitada|quitadas|quitado|eliminada|eliminadas|eliminado|retirada|retiradas|desbarbado"
)
#: before 'removed': not yet
_PLANNED = _set(
    "will|to|be|must|needs|need|should|shall|wird|werden|muss|soll|noch|sera|seront|doit|etre|debe|ser|sera"
)
_NO_SUCH = _set(
    "no|not|without|zero|0|nil|none|never|non|isnt|wasnt|arent|werent|free|kein|keine|keinen|keiner|keinerlei|ohne|"
    "nicht|nie|pas|sans|aucun|aucune|sin|ningun|ninguna|ninguno|ni"
)
_NEAR = 12  #: words around a defect in which it may be denied
_BETWEEN = _set(
    "any|a|an|the|visible|significant|signs|sign|of|trace|traces|large|small|big|further|more|other|evidence|or|nor|"
    "sharp|loose|heavy|light|hole|holes|new|as|found|seen|"
    "erkennbare|erkennbaren|sichtbare|sichtbaren|weiteren|weitere|oder|noch|de|d|des|du|visibles|apparente|ou|ni|o"
)
_AFTER = _set(
    "found|seen|visible|present|was|were|is|are|has|have|been|all|observed|the|both|walls|detected|marks|gefunden"
)
_AFTER_NO = _set(
    "none|no|nil|zero|0|free|not|nein|kein|keine|keiner|keins|frei|nicht|aucun|aucune|non|neant|absent|absente|absents|"
    "pas|ninguno|ninguna|nada"
)
_ENTERED = _set("enters|enter|entered|goes|went|fits|passes|drops|in|passt|geht|entre|passe|entra|pasa")
_PLUG_NAMES = _set("plug|pin|gauge|gage|side|end|also|just|easily|lehrdorn|tampon|tapon")
_CLAUSES = re.compile(r"[;,()!?\n+&|]|\.(?=\s|$)|(?<![^\W_])(?:and|but|und|aber|jedoch|et|mais|y|pero)(?![^\W_])")
_SHORT_FORMS = (
    (re.compile(r"(?<![^\W_])(?:no|nr|n°)[. ] ?(?=\d)"), "number "),
    (re.compile(r"(?<![^\W_])n\.? ?i\.? ?o(?![^\W_])\.?"), "nio"),
    (re.compile(r"(?<![^\W_])i\. ?o(?![^\W_])\.?"), "io"),
    (re.compile(r"(?<![^\W_])n[./ ]?g(?![^\W_])\.?"), "ng"),
    (re.compile(r"(?<![^\W_])(?:no[ -]?go|not[ -]go|no pasa(?= entra)|n['’]?entre pas(?= entre))(?![^\W_])"), "nogo"),
    (re.compile(r"(?<![^\W_])(?:ausschuss(?:seite|lehre|lehrdorn)?)(?= (?:geht|fallt|passt))"), "nogo"),
    (re.compile(r"(?<![^\W_])gut(?:seite|lehre|lehrdorn)(?= (?:geht|fallt|passt))"), "go"),
    (re.compile(r"[’']"), ""),
)  # fmt: skip
_WORD = re.compile(r"[^\W_]+(?:\.\d+)?")


def _phrase_table() -> dict[str, list[tuple[tuple[str, ...], str]]]:
    """Return first word without its star -> phrases that begin with it, and what each means."""
    table: dict[str, list[tuple[tuple[str, ...], str]]] = {}
    for defect, phrases in _DEFECTS.items():
        for phrase in filter(None, phrases.split("|")):
            words = tuple(phrase.split())
            table.setdefault(words[0], []).append((words, defect))
    return table


_PHRASES = _phrase_table()
_STEMS = tuple(sorted(word[:-1] for word in _PHRASES if word.endswith("*")))


def _is(word: str, pattern: str) -> bool:
    return word.startswith(pattern[:-1]) if pattern.endswith("*") else word == pattern


def _phrase_at(words: list[str], at: int) -> tuple[str, int]:
    """Return the defect that a phrase at a place names ('' for none) and how many words it takes."""
    word = words[at]
    if word.endswith(("frei", "free", "proof")):
        return "", 1
    firsts = [word]
    if word.startswith(_STEMS):
        firsts += [f"{stem}*" for stem in _STEMS if word.startswith(stem)]
    found = [
        (len(phrase), defect)
        for first in firsts
        for phrase, defect in _PHRASES.get(first, ())
        if len(phrase) <= len(words) - at and all(_is(words[at + i], p) for i, p in enumerate(phrase))
    ]
    length, defect = max(found, default=(1, ""))
    return defect, length


def _defects(text: str) -> Iterator[tuple[str, bool]]:
    """Yield what a text says of defects, each with whether it says that there is none."""
    plain = unaccented(unicodedata.normalize("NFKC", text).casefold())
    for pattern, short in _SHORT_FORMS:
        plain = pattern.sub(short, plain)
    clauses = [_WORD.findall(clause) for clause in _CLAUSES.split(plain)]
    for number, words in enumerate(clauses):
        following = clauses[number + 1][:3] if number + 1 < len(clauses) else []
        at = 0
        while at < len(words):
            defect, length = _phrase_at(words, at)
            if plug := _plug_at(words, at):
                yield plug, False
            elif defect:
                yield defect, _is_negated(words, at, length, defect, following)
            at += length


def _plug_at(words: list[str], at: int) -> str:
    """Return what is said of a plug that enters or stops against what it should do."""
    rest = words[at + 1 : at + _NEAR]
    while rest and rest[0] in _PLUG_NAMES:
        rest = rest[1:]
    said = " ".join(rest[:4])
    stops = said.startswith(
        ("does not", "doesnt", "did not", "didnt", "will not", "wont", "stops", "stopped", "geht nicht")
    )
    if words[at] == "nogo":
        return "NO-GO enters" if rest and rest[0] in _ENTERED and not stops else ""
    if words[at] == "go":
        return "GO does not enter" if stops else ""
    return ""


def _is_negated(words: list[str], at: int, length: int, defect: str, following: list[str]) -> bool:
    """Whether a defect named at a place is said not to be there, or to have been taken off."""
    before = at - 1
    while (
        before >= max(0, at - _NEAR)
        and (words[before] in _BETWEEN or _phrase_at(words, before)[0])
        and words[before] not in _NO_SUCH
    ):
        before -= 1
    before = before if before >= at - _NEAR else -1
    if before >= 0 and words[before] in _NO_SUCH:
        return True
    removable = defect in _REMOVABLE
    if removable and before >= 0 and words[before] in _REMOVED:
        return not (before and words[before - 1] in _NO_SUCH)
    rest = words[at + length : at + length + _NEAR]
    while rest and rest[0] in _AFTER:
        rest = rest[1:]
    stays = _NO_SUCH | _PLANNED  # 'burr not removed', 'burr to be removed'
    kept = removable and any(word in _REMOVED and set(rest[:i]) & stays for i, word in enumerate(rest))
    if rest and rest[0] in _AFTER_NO:
        return not kept
    if removable and not kept:
        return bool(set(rest) & _REMOVED) or (bool(set(following) & _REMOVED) and not set(following) & stays)
    return False


def speaks_of_defect(text: str) -> str:
    """Return what a remark says against a hole (crack, burr, oversize, rework ...), '' where it says nothing.

    What is said not to be there ('no burrs', 'burr removed', 'keine Grate') is nothing. In doubt a word counts: it
    leads to a question, never to a rejection. English, German, French, Spanish; common practice, no source.
    """
    return _spoken_of(_shape(text))


_DIGITS = re.compile(r"[0-9]{2,}")


def _shape(text: str) -> str:
    """Return a text with zeros for each number of several digits: no word here asks which, and serials are many."""
    return _DIGITS.sub(lambda digits: "0" * len(digits[0]), text)


@lru_cache(4096)
def _spoken_of(shape: str) -> str:
    return next((defect for defect, negated in _defects(shape) if not negated), "")


#: what a remark, title or stamp says against a part without naming a defect; common practice, no source
_DOUBTS = re.compile(
    r"(?<!\w)(?:not (?:really )?measured|not read|guess\w*|estimat\w+|from memory|copied|copy of|\?\?+|void|on hold|"
    r"do not use|"
    r"ncr|not accepted|not ok|practice|coupon|weld\w*|repair\w*|re-?read\w*|"
    r"first (?:try|read\w*)|second (?:try|reading)|nicht gemessen|geschätzt|abgeschrieben|gesperrt|ausschuss|"
    r"non mesuré|estimé|recopié|rebut|no medido|estimado|copiado|rechazado|"
    r"suspect\w*|questionable|doubtful|not certain|could(?:n['’]?t| not) (?:be )?(?:measure\w*|read|reach)|"
    r"can(?:['’]?t|not) (?:be )?(?:measure\w*|read|reach)|hold for|wrong gau?ge|"
    r"gau?ge (?:was )?(?:dropped|slipped|not zeroed|zero\w* off|error|off)|not zeroed|zero (?:is )?(?:off|shifted)|"
    r"battery low|might be hole|may be hole|maybe hole|(?:walls?|holes?) swapped|mixed up|preliminary|draft|"
    r"training|"
    r"superseded|obsolete|before ream\w*|prior to ream\w*|pilot (?:only|hole\w*|size)|"
    r"do not (?:ship|install|fit|accept)|don['’]t (?:ship|use|install|fit|accept)|correction to add|"
    r"(?:refused|declined)(?! by| ?:)|"
    r"add [.\d]+ to (?:all|each|every|the)|replaced by|values? (?:are )?from|out of cal\w*|cal(?:ibration)?\.? overdue|"
    r"all good except|except (?:hole|#)|all (?:sizes )?in cm|quarantine\w*|mrb|"
    r"fraglich|sperrlager|vorläufig|entwurf|douteux|douteuse|pas mesuré|provisoire|brouillon|"
    r"dudos[oa]|sin medir|provisional|borrador)(?!\w)",
    re.I,
)
#: what says so in a remark; in the text of a form it may be an instruction or a heading
_DOUBTS_OF_A_REMARK = re.compile(
    r"(?<!\w)(?:unsure|not sure|hold|verify|to confirm|tbc|check again|re-?check(?! ok)|re-?measure\w*|needs? check\w*|"
    r"measured hot|hard to read|not final|example|refused|declined|not signed|corrections?|expired|"
    r"cal(?:ibration)?\.? due|tag(?:ged)? red|see (?:qa|qc|ncr)|call (?:qa|qc)|"
    r"prüfen|pruefen|nochmals? messen|nachmessen|unklar|unsicher|(?:à|a) revoir|(?:à|a) remesurer|"
    r"repetir|verificar)(?!\w)",
    re.I,
)
_OPEN_QUESTION = re.compile(r"\?\s*$")  #: a remark that ends so is a question to somebody
#: such a remark, alone, speaks against a hole
_SIGNS_OF_BAD = _set("✗|✘|✕|❌|☒|👎|⚠|⚠️|x|f|r|rej|h|!|ko|nc|ht|o/s|u/s|over|under|high|low|out")
#: texts of a form that tell what to do, or what words mean
_INSTRUCTION = re.compile(r"\s*(?:if|when|where|in case|wenn|falls|si|cuando)\s", re.I)
_LEGEND = re.compile(r"(\w[\w -]{0,20}?)\s*=\s*\w+")
_BOX = re.compile(r"[\[(]\s*([xX✓✔✗✘]?)\s*[\])]|([☐☑☒])")


def is_form_text(text: str, holes: Container[str] = ()) -> bool:
    """Whether a text belongs to a form: an instruction, boxes to tick, a legend of words.

    ``holes``: names of holes in small letters; what a text says of one of them is no legend.
    """
    if any(c in text for c in "✗✘") or text.startswith("="):
        return False
    legend = _LEGEND.search(text[:200])
    of_hole = legend is not None and any(word in holes or word.isdecimal() for word in folded(legend[1]).split())
    return bool(_INSTRUCTION.match(text[:200]) or _BOX.search(text[:200]) or (legend and not of_hole))


def ticked(text: str) -> list[str]:
    """Return the words beside ticked boxes: behind each box where the text begins with one, else before it."""
    boxes = list(_BOX.finditer(text[:2_000]))
    ends = [0, *(box.end() for box in boxes)]
    starts = [*(box.start() for box in boxes), len(text)]
    pieces = [text[a:b].strip(" ,;:/|\n\t") for a, b in zip(ends, starts, strict=True)]
    behind = bool(boxes) and not pieces[0]
    return [pieces[i + behind] for i, box in enumerate(boxes) if (box[1] or box[2] or "☐") != "☐"]


def doubt_in(text: str) -> str:
    """Return what a remark says against a part without naming a defect ('not measured', 'rejected'), '' for nothing."""
    found = _DOUBTS.search(text[:2_000]) if _is_doubtful(_shape(text[:2_000])) else None
    return found[0].strip() if found else ""


@lru_cache(4096)
def _is_doubtful(shape: str) -> bool:
    return _DOUBTS.search(shape) is not None


def remark_against(text: str) -> str:
    """Return what a remark in its own column or field says against a hole, '' where it says nothing against it.

    There a sign alone speaks too, and a question is a question: ``F``, ``✗``, ``walls swapped?``.
    """
    text = text[:REMARK]
    alone = text.strip().casefold()
    if word := speaks_of_defect(text) or doubt_in(text):
        return word
    if found := _DOUBTS_OF_A_REMARK.search(text):
        return found[0]
    if alone in _SIGNS_OF_BAD or word_of(text) in _FAIL | _NO_GOOD_OR_NO_GO:
        return text.strip()
    return "a question" if _OPEN_QUESTION.search(text) else ""


def without_rare_yes(others: frozenset[str], answers: list[str]) -> frozenset[str]:
    """Return what stands in a NO-GO column without 'yes', where 'no' stands there so much oftener that it is the usual.

    A shop that answers 'no' under NO-GO nearly everywhere says that it doesn't enter; a rare 'yes' stays a question.
    """
    no, yes = (sum(unaccented(a) in words for a in answers) for words in (_NO, _YES))
    return others - {o for o in others if unaccented(o) in _YES} if yes and no >= USUAL * yes else others


USUAL = 3  #: so many times oftener


def is_good_verdict(content: Content) -> bool:
    """Whether a verdict typed on the sheet calls a hole good beyond doubt."""
    if not isinstance(content, str):
        return False
    text = content.strip()
    good = _PASS | _YES | {"p", "a", "in", "in tol", "within", "j"}
    return text.startswith(("✓", "✔", "☑", "✅")) or word_of(text) in good


_NUMBER = re.compile(  # two points make a day, unless so many digits stand before the second: it parted two numbers
    r"(?<![\w.,:/°-])([+-]?\d{0,4}[.,](?:\d{2,6}(?!\d|[.,:/]\d)|\d{3,6}(?=[.,]\d)))"
    r"(?! ?(?:%|°|(?:deg|rpm|nm|min|sec|s|h|kg|c|f)\b))"
)


def numbers_in(text: str) -> tuple[float, ...]:
    """Return the numbers in a remark that look like a reading: two decimals or more, and no day, hour, degree or share.

    In the unit typed, whatever it is: whether one may be a reading of a hole, its size decides.
    """
    return tuple(float(n.replace(",", ".")) for n in _NUMBER.findall(cleaned(text).casefold()))


_SIGNS_OFF = _set(
    "signature|signed|sign|stamp|approved|approved by|approval|tester|tested by|checked by|inspected by|inspector|"
    "measured by|read by|operator|technician|date|page|sheet|issued|issued by|form|printed|end of sheet|end|"
    "unterschrift|gezeichnet|stempel|freigabe|freigegeben|freigegeben von|prufer|pruefer|gepruft|gepruft von|"
    "geprueft|geprueft von|gemessen von|bearbeiter|datum|seite|blatt|"
    "visa|cachet|tampon|signe|approuve|approuve par|controleur|controle par|verifie par|mesure par|operateur|"
    "firma|firmado|sello|aprobado|aprobado por|inspeccionado por|verificado por|medido por|operario|fecha|pagina|hoja|"
    "feuille|feuillet"
)
WORDS_SIGNED = 4  #: a label of a signature has at most so many words
_PAGE = re.compile(
    r"(?:page|sheet|seite|blatt|pagina|hoja|feuille|feuillet)[.:]? ?\d{1,4}(?: ?(?:of|von|sur|de|/) ?\d{1,4})?"
)
_LABEL_END = re.compile(r"[:_=…]|\.{2,}|\n")


def is_signature(text: str) -> bool:
    """Whether a text signs a sheet off: tester, stamp, signature, day or page; such a row names no hole."""
    return _signs(_shape(text[:200]))


@lru_cache(4096)
def _signs(shape: str) -> bool:
    whole = unaccented(cleaned(shape).casefold())
    label = " ".join(_LABEL_END.split(whole, maxsplit=1)[0].split()).rstrip(". ")
    if label in _SIGNS_OFF or _PAGE.fullmatch(whole.rstrip(". ")):
        return True
    words = label.split()
    if {"signature", "unterschrift", "firma", "stamp", "stempel"} & set(words) and len(words) <= WORDS_SIGNED:
        return True
    first, _, rest = label.partition(" ")
    signs = {"signature", "signed", "stamp", "approved", "unterschrift", "stempel", "freigegeben", "visa", "cachet"}
    return bool(rest) and first in signs | {"firma", "firmado", "sello", "aprobado", "approuve", "signe", "tester"}
