"""How the readings of a study were collected: what the report has to say about it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from grr.model.record import standing_readings, standing_rows
from grr.model.rounding import counted, listed
from grr.model.study import Study

#: The answer to "Who hands out the parts?" that makes a session blind.
HELPER = "a helper, coded"


@dataclass(frozen=True)
class Collection:
    """How a study's readings came about.

    Parameters
    ----------
    blind : bool
        Whether no operator could know an earlier reading of a part.
    blindness : str
        That in words, with the reason where it was not so.
    taken_again : int
        Readings measured again in answer to a question, without a cause found: the first
        reading counts, and the result is to be shown both ways.
    voided : int
        Readings taken out or set right.
    """

    blind: bool
    blindness: str
    taken_again: int
    voided: int


def collection_of(study: Study) -> Collection | None:
    """Return how the readings were collected; None where they were not taken by the form."""
    journal = None if study.record is None else study.record.journal
    if study.record is None or journal is None:
        return None
    reasons = _not_blind(study.record.events, journal)
    words = "Blind: a helper handed out the parts."
    if reasons:
        words = f"Not blind: {'; '.join(reasons)}."
    standing = standing_rows(journal)
    places = standing.drop_duplicates(["part", "operator", "trial", "method"])
    voided = journal["reading"].notna().sum() - len(standing)
    return Collection(not reasons, words, len(standing) - len(places), int(voided))


def _not_blind(events: pd.DataFrame, journal: pd.DataFrame) -> list[str]:
    """Return why earlier readings of a part may have been known; empty where they were not."""
    reasons = []
    answers = events[(events["kind"] == "checklist") & (events["name"] == "handing_out")]
    alone = answers[answers["value"] != HELPER]
    if not alone.empty:
        who = list(dict.fromkeys(alone["entered_by"]))
        reasons.append(f"{listed(who)} took the parts without a helper")
    opened = events[events["kind"] == "opened"]
    if not opened.empty:
        reasons.append(f"earlier readings were shown on {opened['time'].iloc[0]}")
    asked = set(answers["session"])
    unasked = journal[journal["reading"].notna() & ~journal["session"].isin(asked)]
    if not unasked.empty:
        reasons.append(f"of {counted(len(unasked), 'reading')} it is not known who handed them out")
    return reasons


def with_last_readings(study: Study) -> Study | None:
    """Return the study with each reading measured again in place of the first one.

    None where no part was measured again without a cause: there is nothing to compare.

    """
    collection = collection_of(study)
    journal = None if study.record is None else study.record.journal
    if collection is None or collection.taken_again == 0 or journal is None:
        return None
    return replace(study, readings=standing_readings(journal, taken_again=True))
