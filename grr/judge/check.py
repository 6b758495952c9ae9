"""`grr.check`: is the data what it claims to be?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from grr.judge.check_completeness import completeness
from grr.judge.check_facts import facts
from grr.judge.check_mistakes import mistakes
from grr.judge.check_resolution import resolution
from grr.judge.check_scatter import scatter
from grr.judge.findings import SEVERITIES, Finding, Findings
from grr.study import Study

_CHECKS: tuple[Callable[[Study], Iterator[Finding]], ...] = (
    completeness,
    mistakes,
    scatter,
    resolution,
)


def check(study: Study) -> Findings:
    """Look for mistakes in the readings and weaknesses of the study.

    Parameters
    ----------
    study : Study
        A study by several methods is checked method by method.

    Returns
    -------
    Findings
        The most serious first. Nothing is changed or left out: a person decides.

    Notes
    -----
    Each check names its source in its own module, ``grr/judge/check_*.py``.
    """
    found = list(facts(study))
    if len(study.methods) < 2:
        found += [finding for find in _CHECKS for finding in find(study)]
    else:
        for method in study.methods:
            one = study.for_method(method)
            found += [
                replace(finding, place=f"{method}: {finding.place}")
                for find in _CHECKS
                for finding in find(one)
            ]
    severity = list(SEVERITIES)
    return Findings(tuple(sorted(found, key=lambda finding: severity.index(finding.severity))))
