"""What the words on people's forms mean: headers, summary rows, trials, missing readings."""

from __future__ import annotations

import re
from collections.abc import Iterable

from grr.model.columns import NAMES, NUMBERED_READING, bare, role_of
from grr.model.plain_text import clean_text, without_accents

#: What stands where nothing was measured.
MISSING = frozenset(
    {
        *("", "-", "--", "---", "—", ".", "n/a", "na", "nan", "none", "null", "missing"),
        *("not measured", "fehlt", "nicht gemessen", "non mesure", "no medido"),
        *("non misurato", "brak", "chybi"),
    }
)

#: Columns of a form that hold something other than readings of this study.
_BESIDE = frozenset(
    {
        *("nominal", "target", "reference", "reference value", "true value", "master", "date"),
        *("signature", "tolerance", "lower limit", "upper limit", "lsl", "usl", "ok", "pass"),
        *("nennmass", "sollwert", "referenz", "referenzwert", "toleranz", "datum", "unterschrift"),
        *("uhrzeit", "zeit", "nominale", "cible", "valeur de reference", "tolerancia", "fecha"),
        *("hora", "heure", "ora", "data", "firma", "valor nominal", "valor de referencia"),
        *("valore nominale", "valore di riferimento", "tolleranza", "tolerancja", "tolerance"),
        *("wartosc nominalna", "czas", "podpis", "cas", "jmenovita hodnota"),
    }
)

_SUMMARY = re.compile(
    r"""((grand|overall|part|operator|column|row|sum\ of|mean\ of)\ )*
    (average|averages|avg|ave|mean|means|median|range|ranges|total|totals|sum|std\.?\ ?dev\.?
    |stdev|standard\ deviation|st\.?\ dev\.?|sd|sigma|variance|spread|difference|diff|maximum
    |minimum|x[- ]?bar|r[- ]?bar|x\ ?diff|x̄|x̿|x̅|x̄̄|r̄|ucl[xr]?|lcl[xr]?|rp|ev|av|pv|tv|grr|r&r|ndc
    |mittelwert|mittelwerte|gesamtmittelwert|mittel|durchschnitt|spannweite|spannweiten|summe
    |standardabweichung|streuung|differenz|moyenne|moyennes|etendue|etendues|somme|ecart[- ]type
    |media|medias|promedio|rango|recorrido|suma|desviacion\ (estandar|tipica)|media\ generale
    |escursione|somma|scarto\ tipo|deviazione\ standard|srednia|rozstep|odchylenie\ standardowe
    |prumer|rozpeti|soucet|smerodatna\ odchylka)
    ([\ :=(\[.].*)?""",
    re.VERBOSE | re.IGNORECASE,
)

#: Signs that stand alone for a mean or a sum; with a number behind it Ø is a diameter.
_SUMMARY_SIGNS = frozenset("Øø∅⌀Σ∑")

_GAP = r"[\s\-_/.,;:#]"


def _forms(word: str) -> tuple[str, str]:
    """Return a word in small letters, with its accents and without."""
    return word.casefold(), without_accents(word)


#: What stands before or behind the number of a trial; longer words first.
_TRIAL_WORDS = sorted(
    {form for word in (*NAMES["trial"], *NUMBERED_READING, "reading") for form in _forms(word)},
    key=lambda word: (-len(word), word),
)
_WORD = rf"(?:{'|'.join(_TRIAL_WORDS)})"
_WORD_OR_LETTER = rf"(?:{'|'.join(_TRIAL_WORDS)}|t|m|r|x)"
#: Behind a number that stands before its word: 1. Messung, 1ère mesure, 2ª medición.
_ORDINAL_END = r"(?:\.?(?:st|nd|rd|th|ere|er|eme|e|a|o)?)"
_ORDINALS = {
    **{"1st": 1, "2nd": 2, "3rd": 3, "4th": 4, "5th": 5},
    **{"first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5},
}


def is_summary(label: str) -> bool:
    """Whether a row or column holds averages, ranges and the like, judging by its label."""
    text = clean_text(label)
    if text in _SUMMARY_SIGNS:
        return True
    return any(_SUMMARY.fullmatch(form) for form in (text, without_accents(text)))


def may_be_summary(label: str) -> bool:
    """Whether the label is a letter that may stand for a range, a mean or a deviation."""
    return clean_text(label).lower() in ("r", "x", "s")


def is_summary_letter(label: str, others: Iterable[str]) -> bool:
    """Whether R, X or S is a range, mean or deviation: not where other names are letters."""
    letters = [text for text in others if len(text) == 1 and text.isalpha()]
    return may_be_summary(label) and all(map(may_be_summary, letters))


def is_beside(header: str) -> bool:
    """Whether a column of a form holds something other than readings, such as remarks."""
    return role_of(header) in ("note", "time", "order", "unit") or bare(header) in _BESIDE


def is_missing(text: str) -> bool:
    """Whether the text in a cell says that nothing was measured."""
    return without_accents(clean_text(text)) in MISSING


def trial_number(label: str) -> int | None:
    """Return the number of a trial: of 2, 2.0, "Trial 2", "T2", "2nd trial", "2. Messung"."""
    text = without_accents(clean_text(label))
    before = re.fullmatch(rf"([0-9]{{1,4}}){_ORDINAL_END}\s+{_WORD}", text)
    if before:
        return int(before[1])
    text = re.sub(rf"(?<=[a-z0-9])\s+{_WORD}$", "", text)
    if text in _ORDINALS:
        return _ORDINALS[text]
    match = re.fullmatch(
        rf"(?:{_WORD_OR_LETTER}{_GAP}*)?(?:no\.?\s*)?([0-9]{{1,4}})(?:\.|\)|\.0+)?", text
    )
    return int(match[1]) if match else None


def operator_and_trial(label: str) -> tuple[str, int] | None:
    """Return the two halves of labels such as "A1", "Anna 2", "Anna trial 2", "1-2"."""
    text = clean_text(label)
    named, numbered = r"(.*[^0-9])", r"(.*[0-9])"
    trial = rf"{_GAP}+{_WORD_OR_LETTER}{_GAP}*([0-9]{{1,4}})"
    for pattern in (
        rf"(.+?){_GAP}+([0-9]{{1,4}}){_ORDINAL_END}\s+{_WORD}",
        *(named + trial, numbered + trial),
        *(rf"{named}{_GAP}*([0-9]{{1,4}})", rf"{numbered}{_GAP}+([0-9]{{1,4}})"),
    ):
        match = re.fullmatch(pattern, text, re.IGNORECASE)
        name = match[1].rstrip(" -_/.,;:#") if match else ""
        if match and name and role_of(name) == "" and trial_number(f"{name} 1") is None:
            return plain_label(name, "operator"), int(match[2])
    return None


def plain_label(label: str, key: str) -> str:
    """Return a label without the word for what it labels: "Operator Anna" is "Anna"."""
    text = clean_text(label)
    first, _, rest = text.partition(" ")
    return rest.strip(" :#.") if rest.strip(" :#.") and role_of(first) == key else text
