"""The columns of a table of readings, and what people call them in the trade's languages."""

from __future__ import annotations

import re

from grr.model.plain_text import clean_text, without_accents
from grr.model.units import SPELLINGS

#: What each column is called: first its own name, then the words of people's tables in English,
#: German, French, Spanish, Italian, Polish and Czech. Matched without case, accents,
#: punctuation, unit and a "no.", "number", "id" or "name" before or behind. Times are known by
#: English names only: those of other tables are seldom written as ISO 8601 has it.
NAMES: dict[str, tuple[str, ...]] = {
    "part": (
        *("part", "parts", "piece", "workpiece", "sample", "specimen", "item", "component"),
        *("Teil", "Teile", "Teilenummer", "Prüfteil", "Messteil", "Werkstück", "Prüfling"),
        *("Bauteil", "Stichprobenteil"),
        *("pièce", "pièces", "échantillon", "pieza", "piezas", "muestra"),
        *("pezzo", "pezzi", "campione", "część", "części", "detal", "próbka", "wyrób"),
        *("díl", "díly", "dílu", "dílec", "součást", "kus", "vzorek"),
    ),
    "operator": (
        *("operator", "operators", "op", "appraiser", "appraisers", "inspector", "technician"),
        *("observer", "person", "measured by"),
        *("Prüfer", "Pruefer", "Prüferin", "Bediener", "Bedienerin", "Messperson"),
        *("opérateur", "opérateurs", "opératrice", "contrôleur", "operador", "operadores"),
        *("operadora", "evaluador", "inspectora", "operatore", "operatori", "operatrice"),
        *("valutatore", "kontroler", "operatorzy", "oceniający"),
        *("operátor", "operátoři", "hodnotitel", "kontrolor"),
    ),
    "trial": (
        *("trial", "trials", "repeat", "repetition", "replicate", "rep", "run"),
        *("Wiederholung", "Wiederholmessung", "Durchgang", "Messreihe", "Versuch"),
        *("répétition", "essai", "repetición", "ensayo", "intento"),
        *("ripetizione", "prova", "powtórzenie", "próba", "seria"),
        *("opakování", "pokus"),
    ),
    "reading": (
        *("reading", "readings", "measurement", "measured value", "value", "result"),
        *("measure", "indication", "actual", "actual size", "size"),
        *("Messwert", "Messwerte", "Messergebnis", "Ergebnis", "Wert", "Istwert", "Istmaß"),
        *("Messung", "Messungen", "Anzeige"),
        *("valeur", "valeur mesurée", "mesure", "mesures", "résultat", "relevé"),
        *("valor", "valor medido", "medición", "mediciones", "medida", "lectura", "resultado"),
        *("valore", "valore misurato", "misura", "misure", "misurazione", "lettura"),
        *("risultato", "wartość", "wartość zmierzona", "pomiar", "odczyt", "wynik"),
        *("wynik pomiaru", "hodnota", "naměřená hodnota", "měření", "výsledek", "odečet"),
    ),
    "method": (
        *("method", "measuring method", "holding"),
        *("Methode", "Messmethode", "Messverfahren", "méthode", "método", "metodo", "metoda"),
    ),
    "place": (
        *("place", "measuring place", "measuring position", "position on the part"),
        *("Messstelle", "Messort", "Messposition"),
    ),
    "gauge": ("gauge", "gage", "micrometer", "Messgerät", "Messmittel"),
    "order": (
        *("order", "run order", "measuring order", "sequence"),
        *("Reihenfolge", "Messreihenfolge", "ordre", "orden", "ordine", "kolejność", "pořadí"),
    ),
    "time": ("time", "timestamp", "date time", "datetime", "measured at"),
    "note": (
        *("note", "notes", "remark", "remarks", "comment", "comments"),
        *("Bemerkung", "Bemerkungen", "Anmerkung", "Kommentar", "remarque", "remarques"),
        *("commentaire", "observación", "observaciones", "comentario", "osservazioni"),
        *("nota", "uwaga", "uwagi", "poznámka", "poznámky"),
    ),
    "unit": (
        *("unit", "units", "unit of measure", "Einheit", "Maßeinheit", "unité", "unidad"),
        *("unità", "unità di misura", "jednostka", "jednotka"),
    ),
}

#: Words for a reading that also number the readings of a part: "Messung" 1, 2, 3 beside "Messwert".
NUMBERED_READING = (
    *("measurement", "Messung", "mesure", "medición", "medida", "lectura"),
    *("misura", "misurazione", "lettura", "pomiar", "odczyt", "měření", "odečet"),
)

_NUMBERED = frozenset(map(without_accents, NUMBERED_READING))
_ROLE = {without_accents(word): role for role, words in NAMES.items() for word in words}
_NUMBER = r"(?:no|nr|num|number|id|name|code|label|nummer|numer|numero|cislo|bezeichnung|c)"
_ARTICLE = r"(?:de la |de |d'|du |del |di |della )?"


def role_of(header: str) -> str:
    """Return what a header stands for: part, operator, trial, reading ...; "" if unknown."""
    words = bare(header)
    role = _ROLE.get(words) or _ROLE.get(re.sub(rf" {_NUMBER}$", "", words))
    if role is None:  # "N° de pièce"; but "no reading" says that there is none
        role = _ROLE.get(re.sub(rf"^{_NUMBER} {_ARTICLE}", "", words), "")
        return role if role in ("part", "operator", "trial") else ""
    return role


def numbers_readings(header: str) -> bool:
    """Whether the header's word for a reading may also number the readings of a part."""
    return bare(header) in _NUMBERED


def is_own_name(header: str) -> bool:
    """Whether the header is exactly the name that this project gives the column."""
    return bare(header) in NAMES


def bare(header: str) -> str:
    """Return a header in small letters without accents, punctuation and unit."""
    return re.sub(r"[\s_\-./#:*]+", " ", without_accents(without_unit(header))).strip()


def unit_in(header: str) -> str:
    """Return the unit that a header states, in brackets or as its last word; "" if none."""
    match = _unit_at_end(clean_text(header))
    return match["unit"] if match else ""


def without_unit(header: str) -> str:
    """Return the header without the unit that it states: "Size in mm" is "Size"."""
    text = clean_text(header)
    match = _unit_at_end(text)
    if match is None:
        return text
    return re.sub(r"\s+in$", "", text[: match.start()].rstrip(" ,/"))


def _unit_at_end(text: str) -> re.Match[str] | None:
    for pattern in (
        r"\s*[(\[]\s*(?:in\s+)?(?P<unit>[^()\[\]\s]+?)\.?\s*[)\]]$",
        r"[\s,/]+(?P<unit>[^()\[\]\s,/]+?)\.?$",
    ):
        match = re.search(pattern, text)
        if match and match.start() > 0 and match["unit"].lower() in SPELLINGS:
            return match
    return None
