"""`grr.code_operators`: the same study with numbers in place of the operators' names."""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256

from grr.model.study import Study, checked_study


def code_operators(study: Study) -> tuple[Study, dict[str, str]]:
    """Return the study with coded operators, and the key: code → name.

    For a report that others read: it shows what was found without naming anybody. The
    codes do not follow the alphabet, and are the same each time for the same study. They
    are no secret: whoever knows the names can work them out.

    Parameters
    ----------
    study : Study

    Returns
    -------
    study : Study
        Operators are called "Operator 1", "Operator 2" …
    key : dict
        Keep it apart from the report.
    """
    plan = checked_study(study).plan
    names = {*study.operator_names, *(() if plan is None else plan.operators)}
    mixed = sorted(names, key=lambda name: sha256(f"{study.title} {name}".encode()).digest())
    codes = {name: f"Operator {number}" for number, name in enumerate(mixed, start=1)}
    table = study.readings
    table["operator"] = table["operator"].map(codes)
    if plan is not None:
        planned = tuple(codes[name] for name in mixed if name in plan.operators)
        plan = replace(plan, operators=planned)
    coded = replace(study, readings=table, plan=plan)
    return coded, {code: name for name, code in codes.items()}
