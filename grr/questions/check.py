"""`grr.check`: is the data what it claims to be?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from grr.model.study import Study, checked_study
from grr.questions.check_completeness import completeness
from grr.questions.check_facts import facts
from grr.questions.check_mistakes import mistakes, without_factor_slips
from grr.questions.check_record import record
from grr.questions.check_resolution import resolution
from grr.questions.check_scatter import scatter
from grr.questions.check_trials import trials
from grr.questions.findings import SEVERITIES, Finding, Findings

_Check = Callable[[Study], Iterator[Finding]]
#: Checks of the readings as they are, and of those that are left when wrong factors are out.
_AS_TAKEN: tuple[_Check, ...] = (completeness, mistakes)
_WITHOUT_SLIPS: tuple[_Check, ...] = (trials, scatter, resolution)


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
    Each check names its source in its own module, ``grr/questions/check_*.py``.
    """
    found = [*record(checked_study(study)), *facts(study)]
    if len(study.methods) < 2:
        found += _of_one_method(study)
    else:
        for method in study.methods:
            found += [
                replace(finding, place=f"{method}: {finding.place}")
                for finding in _of_one_method(study.for_method(method))
            ]
    severity = list(SEVERITIES)
    return Findings(tuple(sorted(found, key=lambda finding: severity.index(finding.severity))))


def _of_one_method(study: Study) -> list[Finding]:
    clean = without_factor_slips(study)
    return [
        *(finding for find in _AS_TAKEN for finding in find(study)),
        *(finding for find in _WITHOUT_SLIPS for finding in find(clean)),
    ]
