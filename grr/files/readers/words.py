"""What the words on people's forms mean: headers, summary rows, trials, missing readings."""

from __future__ import annotations

import re
from collections.abc import Iterable

from grr.files.number_text import clean_text
from grr.model.units import SPELLINGS

#: What a column or row of labels is called in the trade; matched without case,
#: punctuation, unit and a trailing "no.", "number", "id" or "name".
SYNONYMS = {
    "part": ("part", "parts", "piece", "workpiece", "sample", "specimen", "item", "component"),
    "operator": (
        *("operator", "operators", "op", "appraiser", "appraisers", "inspector", "technician"),
        *("observer", "person", "measured by"),
    ),
    "trial": ("trial", "trials", "repeat", "repetition", "replicate", "rep", "run"),
    "reading": (
        *("reading", "readings", "measurement", "measured value", "value", "result"),
        *("measure", "indication", "actual", "actual size", "size"),
    ),
    "method": ("method", "measuring method", "holding"),
    "order": ("order", "run order", "measuring order", "sequence"),
    "time": ("time", "timestamp", "date time", "datetime", "measured at"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments"),
    "unit": ("unit", "units", "unit of measure"),
}

_MEANING = {word: key for key, words in SYNONYMS.items() for word in words}

#: What stands where nothing was measured.
MISSING = frozenset(
    {"", "-", "--", "---", "—", ".", "n/a", "na", "nan", "none", "null", "missing", "not measured"}
)

#: Columns of a form that hold something other than readings of this study.
_BESIDE = frozenset(
    {
        *("nominal", "target", "reference", "reference value", "true value", "master", "date"),
        *("signature", "tolerance", "lower limit", "upper limit", "lsl", "usl", "ok", "pass"),
    }
)

_SUMMARY = re.compile(
    r"""((grand|overall|part|operator|column|row|sum\ of|mean\ of)\ )*
    (average|averages|avg|ave|mean|means|median|range|ranges|total|totals|sum|std\.?\ ?dev\.?
    |stdev|standard\ deviation|st\.?\ dev\.?|sd|sigma|variance|spread|difference|diff|maximum
    |minimum|x[- ]?bar|r[- ]?bar|x\ ?diff|x̄|x̿|x̅|x̄̄|r̄|ucl[xr]?|lcl[xr]?|rp|ev|av|pv|tv|grr|r&r|ndc)
    ([\ :=(\[.].*)?""",
    re.VERBOSE | re.IGNORECASE,
)

_GAP = r"[\s\-_/.,;:#]"
_TRIAL_WORD = r"(?:trial|reading|repeat|repetition|replicate|rep|run|measurement|t|m|r|x)"
_ORDINALS = {
    **{"1st": 1, "2nd": 2, "3rd": 3, "4th": 4, "5th": 5},
    **{"first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5},
}


def meaning(header: str) -> str:
    """Return what a header stands for: part, operator, trial, reading ...; "" if unknown."""
    words = _bare(header)
    shorter = re.sub(r" (no|nr|number|num|id|name|code|label)$", "", words)
    return _MEANING.get(words) or _MEANING.get(shorter, "")


def is_own_name(header: str) -> bool:
    """Whether the header is exactly the name that this project gives the column."""
    return _bare(header) in SYNONYMS


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


def is_summary(label: str) -> bool:
    """Whether a row or column holds averages, ranges and the like, judging by its label."""
    return _SUMMARY.fullmatch(clean_text(label)) is not None


def may_be_summary(label: str) -> bool:
    """Whether the label is a letter that may stand for a range, a mean or a deviation."""
    return clean_text(label).lower() in ("r", "x", "s")


def is_summary_letter(label: str, others: Iterable[str]) -> bool:
    """Whether R, X or S is a range, mean or deviation: not where other names are letters."""
    letters = [text for text in others if len(text) == 1 and text.isalpha()]
    return may_be_summary(label) and all(map(may_be_summary, letters))


def is_beside(header: str) -> bool:
    """Whether a column of a form holds something other than readings, such as remarks."""
    return meaning(header) in ("note", "time", "order", "unit") or _bare(header) in _BESIDE


def is_missing(text: str) -> bool:
    """Whether the text in a cell says that nothing was measured."""
    return clean_text(text).lower() in MISSING


def trial_number(label: str) -> int | None:
    """Return the number of a trial written as 2, 2.0, "Trial 2", "T2" or "2nd trial"."""
    text = clean_text(label).lower()
    text = re.sub(r"(?<=[a-z0-9])\s+(?:trial|reading|repeat|run|measurement)$", "", text)
    if text in _ORDINALS:
        return _ORDINALS[text]
    match = re.fullmatch(
        rf"(?:{_TRIAL_WORD}{_GAP}*)?(?:no\.?\s*)?([0-9]{{1,4}})(?:\.|\)|\.0+)?", text
    )
    return int(match[1]) if match else None


def operator_and_trial(label: str) -> tuple[str, int] | None:
    """Return the two halves of labels such as "A1", "Anna 2", "Anna trial 2", "1-2"."""
    text = clean_text(label)
    named, numbered = r"(.*[^0-9])", r"(.*[0-9])"
    trial = rf"{_GAP}+{_TRIAL_WORD}{_GAP}*([0-9]{{1,4}})"
    for pattern in (
        *(named + trial, numbered + trial),
        *(rf"{named}{_GAP}*([0-9]{{1,4}})", rf"{numbered}{_GAP}+([0-9]{{1,4}})"),
    ):
        match = re.fullmatch(pattern, text, re.IGNORECASE)
        name = match[1].rstrip(" -_/.,;:#") if match else ""
        if match and name and meaning(name) == "" and trial_number(f"{name} 1") is None:
            return plain_label(name, "operator"), int(match[2])
    return None


def plain_label(label: str, key: str) -> str:
    """Return a label without the word for what it labels: "Operator Anna" is "Anna"."""
    text = clean_text(label)
    first, _, rest = text.partition(" ")
    return rest.strip(" :#.") if rest.strip(" :#.") and meaning(first) == key else text


def _bare(header: str) -> str:
    return re.sub(r"[\s_\-./#:*]+", " ", without_unit(header)).strip().casefold()
