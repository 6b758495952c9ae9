"""`grr.export_json`: the full result of a study for quality systems, by a documented schema."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import asdict
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files.allowed_files import target_file
from grr.files.disk import write_whole
from grr.formulas.second_look import confidence_of
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.printed import Printed
from grr.model.study import Study
from grr.page.conduct import readings_fingerprint, versions
from grr.page.filed_results import as_filed, plain
from grr.page.filed_results import result_document as filed_document
from grr.page.front import comparisons_of
from grr.questions.causes import Cause, causes_of
from grr.questions.check import RUINED, check
from grr.questions.gauge import GaugeResult, anova, average_range
from grr.questions.next_steps import Step
from grr.questions.risk import guard_band, misclassification
from grr.questions.verdict import verdict

FORMAT, VERSION = "grr result", 1
#: Why a number is missing where a slip has ruined it.
(_NOT_STATED,) = RUINED.paragraphs
SCHEMA_FILE = Path(__file__).with_name("result.schema.json")


def export_json(
    subject: Study | Printed | pd.DataFrame, path: str | PathLike[str], *, overwrite: bool = False
) -> Path:
    """Write everything that is known about a study, or about another result, as JSON.

    Parameters
    ----------
    subject : Study or result
        A study is calculated by both methods where possible, each method of measuring by
        itself; a gauge result is written as it is, and so is every other result that
        `grr.report` takes.
    path : str or path
        Ends in .json.
    overwrite : bool
        Whether a file that grr did not make may be replaced.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    StudyError
        Something else was given, another ending, the study cannot be analysed, or the
        place cannot be written or holds a file that grr did not make.

    Notes
    -----
    The form is described by ``grr/page/result.schema.json``, that of results other than a
    study's by ``filed.schema.json`` (JSON Schema, draft 2020-12). What is not estimated is
    null, and ``reasons`` says why; a limit without end is "unbounded". The same study gives
    the same bytes with the same versions.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.export_json(study, "pins.json").name
    'pins.json'
    """
    target = target_file(path, ".json", overwrite=overwrite)
    write_whole(target, result_text(subject))
    return target


def result_text(subject: object) -> str:
    """Return what `export_json` writes, as text."""
    document = result_document(subject)
    return f"{json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)}\n"


def result_document(subject: object) -> dict[str, Any]:
    """Return what `export_json` writes, as a dictionary."""
    filed = as_filed(subject)
    if not isinstance(filed, Study):
        return filed_document(filed)
    study = filed
    results = [subject] if isinstance(subject, GaugeResult) else list(_results(study))
    several = len(study.methods) > 1
    return {
        "format": FORMAT,
        "version": VERSION,
        "software": versions(),
        "seal": study.record.seal or None if study.record else None,
        "study": _study(study),
        "readings": _readings(study),
        "findings": [asdict(finding) for finding in check(study)],
        "causes": [_cause(cause) for cause in causes_of(study).causes],
        "results": [_result(result, several) for result in results],
        "comparisons": _comparisons(study) if several else [],
    }


def _results(study: Study) -> Iterable[GaugeResult]:
    """Yield the results by both methods of calculation, the method of record first."""
    makers = [anova, average_range]
    if study.rules.method_of_record == "average_range":
        makers.reverse()
    for name in study.methods or ("",):
        one = study.for_method(name) if len(study.methods) > 1 else study
        yield makers[0](one)
        try:
            yield makers[1](one)
        except StudyError:
            continue


def _study(study: Study) -> dict[str, Any]:
    tolerance = study.tolerance
    return {
        "title": study.title,
        "unit": study.unit,
        "resolution": study.resolution,
        "tolerance": (
            None if tolerance is None else {"lower": tolerance.lower, "upper": tolerance.upper}
        ),
        "purpose": study.purpose,
        "operators_are": study.operators,
        **({} if study.gauges == "random" else {"gauges_are": study.gauges}),
        "parts_from": study.parts_from,
        "process_sd": study.process_sd,
        "process_mean": study.process_mean,
        "design": study.design,
        "example": study.example,
        "parts": list(study.parts),
        "operators": list(study.operator_names),
        "methods": list(study.methods),
        "readings_taken": study.taken,
        "fingerprint_sha256": readings_fingerprint(study),
        "rules": asdict(study.rules),
        "plan": None if study.plan is None else plain(asdict(study.plan)),
        "facts": plain(dict(study.facts)),
    }


def _readings(study: Study) -> list[dict[str, Any]]:
    table = study.readings
    if "time" in table:
        table["time"] = table["time"].map(lambda t: None if pd.isna(t) else t.isoformat())
    return list(plain(table))


def _result(result: GaugeResult, several: bool) -> dict[str, Any]:
    judged = verdict(result)
    found, limits, proven = judged.criterion, judged.acceptance_limits, judged.proven_for
    methods, table = result.study.methods, result.anova_table
    ruined = check(result.study).ruined
    if ruined:
        found = None
    return {
        "measured_by": methods[0] if several and methods else "",
        "calculated_by": result.method,
        "of_record": result.study.rules.method_of_record == result.method,
        "estimator": result.estimator,
        "mean": None if ruined else plain(result.mean),
        "spread": result.spread,
        "interaction_pooled": result.pooled,
        "repeatability_is_rounding_error": result.floored,
        "below_zero": list(result.below_zero),
        "reasons": dict(result.reasons) | ({"GRR": _NOT_STATED} if ruined else {}),
        "notes": list(result.notes),
        "sources": {
            str(name): {
                str(column): None if ruined else plain(value) for column, value in row.items()
            }
            for name, row in result.sources.iterrows()
        },
        "ndc": None if ruined else result.ndc,
        "ndc_exact": None if ruined else plain(result.ndc_exact),
        "anova_table": None if ruined or table is None else plain(table.reset_index()),
        "anova_table_reason": _NOT_STATED if ruined else result.anova_table_reason,
        "intervals": _intervals(result),
        "verdict": {
            "decision": judged.decision,
            "banner": judged.banner,
            "ratio": None if found is None else found.name,
            "value": None if found is None else plain(found.value),
            "lower_bound": None if found is None else plain(found.lower),
            "upper_bound": None if found is None else plain(found.upper),
            "confidence": confidence_of(result.study),
            "by_manual": judged.by_manual,
            "by_confidence": judged.by_confidence,
            "acceptance_limits": None if limits is None else [limits.lower, limits.upper],
            "price": _estimated(judged.price),
            "proven_for": None
            if proven is None
            else {"good": _number(proven.good.value), "limit": _number(proven.limit.value)},
            "reasons": list(judged.reasons),
            "acceptance": list(judged.acceptance),
            "conditions": list(judged.conditions),
            "cause": None if judged.cause is None else _cause(judged.cause),
            "next_steps": list(judged.next_steps),
            "steps": [_step(step) for step in judged.steps],
        },
        "risks": _risks(result),
        "acceptance": _acceptance(result),
    }


def _cause(cause: Cause) -> dict[str, Any]:
    """Return what makes GRR large: whom it concerns, how large it is, and GRR without it."""
    named = ("kind", "operator", "part", "session", "method", "trials")
    told = ("what", "first_step", "readings", "sentence")
    return {
        **{name: plain(getattr(cause, name)) for name in named},
        **{name: _estimated(getattr(cause, name)) for name in ("size", "share", "without")},
        "sure": plain(cause.sure),
        **{name: getattr(cause, name) for name in told},
    }


def _estimated(found: Estimate) -> dict[str, Any]:
    limits = {name: plain(getattr(found, name)) for name in ("value", "lower", "upper")}
    return {**limits, "unit": found.unit, "reason": found.why}


def _step(step: Step) -> dict[str, Any]:
    """Return one thing to do, with GRR after it and how many readings it takes."""
    return {
        "kind": step.kind,
        "sentence": step.sentence,
        "percent": plain(step.percent.value),
        "readings": step.readings,
    }


def _or_why_not(
    result: GaugeResult, make: Callable[[], dict[str, Any]], none: dict[str, Any]
) -> dict[str, Any]:
    """Return what is made of a result, or with what is there then why it cannot be."""
    if check(result.study).ruined:
        return {"reason": _NOT_STATED, **none}
    try:
        return make()
    except StudyError as error:
        return {"reason": str(error), **none}


def _intervals(result: GaugeResult) -> dict[str, Any]:
    level = confidence_of(result.study)

    def rows() -> dict[str, Any]:
        table = result.intervals(level=level).to_frame().reset_index()
        return {"reason": "", "rows": plain(table)}

    return {"level": level, **_or_why_not(result, rows, {"rows": []})}


def _risks(result: GaugeResult) -> dict[str, Any]:
    """Return the risks of wrong decisions, or why they cannot be told."""

    def risks() -> dict[str, Any]:
        found = misclassification(result)
        return {
            "reason": "",
            "level": found.level,
            "probabilities": {
                str(name): {
                    "meaning": str(meaning),
                    "estimate": _number(estimate),
                    "lower": _number(lower),
                    "upper": _number(upper),
                }
                for name, meaning, estimate, lower, upper in found.table.itertuples(name=None)
            },
        }

    return _or_why_not(result, risks, {"level": None, "probabilities": {}})


def _acceptance(result: GaugeResult) -> dict[str, Any]:
    """Return the acceptance limits that allow for the doubt about GRR, or why there are none."""

    def limits() -> dict[str, Any]:
        band = guard_band(result)
        limits = band.acceptance
        return {
            "reason": band.why_not,
            "rule": band.rule,
            "guard": _number(band.width),
            "lower": None if limits is None else limits.lower,
            "upper": None if limits is None else limits.upper,
        }

    return _or_why_not(result, limits, dict.fromkeys(("rule", "guard", "lower", "upper")))


def _comparisons(study: Study) -> list[dict[str, Any]]:
    """Return each method against the baseline; one entry with a reason where that fails."""
    found, why_not = comparisons_of(study, None)
    if why_not is not None:
        return [{"reason": str(why_not)}]
    rows: list[dict[str, Any]] = []
    for one in found:
        if one.ruined:
            rows.append({"reason": _NOT_STATED})
            continue
        low, high = (float(v) for v in one.numbers.difference.limits(one.numbers.level))
        rows.append(
            {
                "reason": "",
                "baseline": one.numbers.baseline,
                "candidate": one.numbers.candidate,
                "recommendation": one.recommendation.value,
                "recommended": one.recommended,
                "good_enough": one.choice,
                "confidence": _number(one.confidence),
                "price": _number(one.price.value),
                "price_lower": _number(one.price.lower),
                "price_upper": _number(one.price.upper),
                "mean_difference": _number(float(one.numbers.difference.mean)),
                "mean_difference_lower": _number(low),
                "mean_difference_upper": _number(high),
                "level": one.numbers.level,
                "margin": None if one.margin is None else _number(one.margin.length),
            }
        )
    return rows


def _number(value: Any) -> float | None:
    return None if not math.isfinite(float(value)) else float(value)
