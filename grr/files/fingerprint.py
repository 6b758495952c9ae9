"""Fingerprints by which a study's data can be recognised again."""

from __future__ import annotations

from hashlib import sha256

from grr.model.study import Study


def readings_fingerprint(study: Study) -> str:
    """Return the SHA-256 of the readings, one line each, in the order of part, operator, trial.

    Floats are written with all their digits, so that two studies have the same fingerprint
    only where every reading is the same.
    """
    table = study.readings
    keys = [name for name in ("method", "part", "operator", "trial") if name in table]
    ordered = table.sort_values(keys, kind="stable")[[*keys, "reading"]]
    text = ordered.to_csv(index=False, lineterminator="\n", float_format="%.17g")
    return sha256(text.encode("utf-8")).hexdigest()
