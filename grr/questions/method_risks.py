"""How many parts each of two methods would misjudge, by the same process."""

from __future__ import annotations

from dataclasses import dataclass

from grr.formulas.conformity import Risks, global_risks
from grr.model.errors import StudyError
from grr.questions.method_numbers import MethodNumbers
from grr.questions.risk import circumstances


@dataclass(frozen=True)
class MethodRisks:
    """Parts misjudged by either method, as estimated.

    Attributes
    ----------
    by_method : dict
        Method → Risks; empty where the process is not known.
    reason : str
        Why not.
    """

    by_method: dict[str, Risks]
    reason: str

    def bad_accepted(self, method: str) -> float:
        """Return how many of a thousand parts are bad and accepted."""
        return 1000.0 * float(self.by_method[method].bad_accepted)

    def misjudged(self, method: str) -> float:
        """Return how many of a thousand parts are bad and accepted, or good and rejected."""
        return self.bad_accepted(method) + 1000.0 * float(self.by_method[method].good_rejected)


def method_risks(numbers: MethodNumbers) -> MethodRisks:
    """Return the risks of both methods for the process as the baseline sees it.

    The candidate's mean difference from the baseline counts as its bias. Estimates only;
    `grr.misclassification` gives the intervals of one method's.
    """
    nothing_given = dict.fromkeys(
        ("tolerance", "grr_sd", "process_mean", "process_sd", "observed_sd")
    )
    try:
        known = circumstances(numbers.results[numbers.baseline], **nothing_given)
        if known.process is None:
            return MethodRisks({}, known.no_process)
        found = {
            name: global_risks(
                known.zone,
                process_mean=known.process.mean,
                process_sd=known.process.sd,
                grr_sd=numbers.results[name].value("GRR", "sd"),
                bias=bias,
            )
            for name, bias in zip(
                numbers.methods, (0.0, float(numbers.difference.mean)), strict=True
            )
        }
    except StudyError as error:
        return MethodRisks({}, error.problem[0].lower() + error.problem[1:])
    return MethodRisks(found, "")
