"""What the folder of a gauge says: is it fit for its tolerance, and is it still what it was?

`gauge_findings` puts the readings of blocks, the study on real parts and the lines of the budget
through `grr.reference_study`, `grr.linearity`, `grr.stability`, `grr.UncertaintyBudget` and
`grr.qualify`; each says for itself what it is still waiting for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import pandas as pd

from grr.formulas.capability import LIMIT_PROCESS
from grr.model.errors import StudyError
from grr.model.gauge_facts import GaugeFacts
from grr.model.study import Study
from grr.questions.budget import BIAS_LINE, Contribution, UncertaintyBudget
from grr.questions.gauge import GaugeResult, anova
from grr.questions.linearity import LinearityResult, linearity
from grr.questions.micrometer_budget import REPEATABILITY, MicrometerLines
from grr.questions.qualify import BIAS_SHARE, Qualification, qualify
from grr.questions.reference import ReferenceResult, reference_study
from grr.questions.stability import StabilityResult, stability

Found = TypeVar("Found")
#: Readings of the block of the part's size, and of each block over the range, that are asked for.
MANY, FEW = 25, 5
LEAST_FOR_PITCH = 6
#: Checks before the chart has limits (see `grr.stability`).
FIRST_CHECKS = 6
PICK = "Pick it on the gauge's page, or name it as standard in gauge.toml"


@dataclass(frozen=True)
class BudgetLine:
    """One question about what makes a result uncertain.

    Attributes
    ----------
    key : str
        Its name in ``gauge.toml``.
    words : str
    unit : {"length", "K", "N"}
    make : callable
        Makes the lines of the budget from the answer.
    in_study : bool
        Whether the study on real parts may hold it already; ``make`` is then told whether it does.
    """

    key: str
    words: str
    unit: str
    make: Callable[..., Contribution | list[Contribution]]
    in_study: bool = False


LINES = (
    BudgetLine("calibration", "Calibration, U (k = 2)", "length", MicrometerLines.calibration),
    BudgetLine("zero", "Zero set within ±", "length", MicrometerLines.zero_setting, True),
    BudgetLine("room", "Room off 20 °C by ±", "K", MicrometerLines.away_from_20),
    BudgetLine("part", "Part against gauge ±", "K", MicrometerLines.part_against_gauge, True),
    BudgetLine("hand", "Warmed by the hand ±", "K", MicrometerLines.body_heat, True),
    BudgetLine("force", "Measuring force ±", "N", MicrometerLines.force_on_frame),
    BudgetLine(
        "flatness",
        "Flatness of the faces",
        "length",
        lambda lines, value: lines.faces(flatness=value),
    ),
    BudgetLine(
        "parallelism",
        "Parallelism of the faces",
        "length",
        lambda lines, value: lines.faces(parallelism=value),
    ),
    BudgetLine("orientation", "Held upright or flat ±", "length", MicrometerLines.orientation),
)


@dataclass(frozen=True)
class GaugeFindings:
    """What is known of a gauge so far.

    Attributes
    ----------
    reference, ranges, study, watched, budget, page : results or None
        None where something is missing, which ``why`` tells.
    names : mapping
        Key of a line → the names of its lines in the budget.
    why : mapping
        "reference", "range", "study", "check", "budget", "page" → what it waits for.
    """

    reference: ReferenceResult | None
    ranges: LinearityResult | None
    study: GaugeResult | None
    watched: StabilityResult | None
    budget: UncertaintyBudget | None
    page: Qualification | None
    names: Mapping[str, tuple[str, ...]]
    why: Mapping[str, str]

    @property
    def allowed(self) -> float:
        """The largest U that passes without narrower limits; NaN without a budget's tolerance."""
        if self.page is None or self.page.tolerance.width is None:
            return math.nan
        return LIMIT_PROCESS / 100.0 * self.page.tolerance.width / 2.0

    def takes(self, key: str) -> float:
        """Return the share of the allowed U that a line takes alone, in percent; 0 for none."""
        if self.budget is None or not self.allowed > 0.0:
            return math.nan
        names = self.names.get(key, ())
        counted = [line.name for line in self.budget.counted if line.name in names]
        u = math.hypot(*(self.budget.contributions[name] for name in counted), 0.0)
        return 100.0 * self.budget.coverage * u / self.allowed


def gauge_findings(
    facts: GaugeFacts,
    readings: Mapping[str, pd.DataFrame],
    study: Study | None = None,
) -> GaugeFindings:
    """Work out all that a gauge's folder can tell.

    Parameters
    ----------
    facts : GaugeFacts
    readings : mapping of str to DataFrame
        "reference", "range" and "check" → its standing readings: part, reading, time.
    study : Study, optional
        On real parts.
    """
    why: dict[str, str] = {}
    common: dict[str, Any] = {"unit": facts.unit, "resolution": facts.resolution}
    reference = _or_why(why, "reference", lambda: _reference(facts, readings, common))
    ranges = _or_why(why, "range", lambda: _ranges(facts, readings, common))
    checks = _or_why(why, "check", lambda: watched(facts, readings))
    parts = _or_why(why, "study", lambda: _parts(study))
    made = _or_why(why, "budget", lambda: _budget(facts, reference, parts))
    budget, names = made if made is not None else (None, {})
    results = {
        "reference": reference,
        "linearity": ranges,
        "study": parts,
        "stability": checks,
        "budget": budget,
    }
    page = _or_why(why, "page", lambda: _page(facts, results))
    return GaugeFindings(reference, ranges, parts, checks, budget, page, names, why)


def _or_why(why: dict[str, str], name: str, make: Callable[[], Found]) -> Found | None:
    try:
        return make()
    except StudyError as error:
        why[name] = f"{error.problem}. {error.remedy}."
        return None


def _reference(
    facts: GaugeFacts, readings: Mapping[str, pd.DataFrame], common: Mapping[str, Any]
) -> ReferenceResult:
    if not facts.standard:
        raise StudyError("No block is named to be read many times", PICK)
    block = facts.block(facts.standard)
    taken = readings["reference"]
    taken = taken[taken["part"] == block.name]
    if taken.empty:
        raise StudyError(f"Block {block.name} was not read many times yet", f"Read it {MANY} times")
    return reference_study(
        taken["reading"],
        reference=block.size,
        expanded_uncertainty=block.expanded,
        coverage=block.k,
        tolerance=facts.tolerance,
        **common,
    )


def _ranges(
    facts: GaugeFacts, readings: Mapping[str, pd.DataFrame], common: Mapping[str, Any]
) -> LinearityResult:
    blocks = {block.name: block for block in facts.blocks}
    taken = readings["range"]
    taken = taken[taken["part"].isin(list(blocks))]
    if taken.empty:
        raise StudyError(
            "The blocks over the range were not read yet", f"Read each of them {FEW} times"
        )
    table = pd.DataFrame(
        {
            "reference": [blocks[name].size for name in taken["part"]],
            "reading": taken["reading"].to_numpy(float),
            "expanded_uncertainty": [
                2.0 * blocks[name].expanded / blocks[name].k for name in taken["part"]
            ],
        }
    )
    width = facts.tolerance.width if facts.tolerance else None
    return linearity(
        table,
        bias_limit=None if width is None else BIAS_SHARE * width,
        mpe=facts.mpe,
        # The screw's periodic error shows at six sizes at least.
        pitch=facts.pitch if table["reference"].nunique() >= LEAST_FOR_PITCH else None,
        **common,
    )


def watched(facts: GaugeFacts, readings: Mapping[str, pd.DataFrame]) -> StabilityResult:
    """Return what the checks of the block of the part's size say, as `grr.stability` does.

    Raises
    ------
    StudyError
        There are too few, or no block is named.
    """
    if not facts.standard:
        raise StudyError("No block is named to be watched", PICK)
    block = facts.block(facts.standard)
    taken = readings["check"]
    taken = taken[taken["part"] == block.name]
    if taken.empty:
        raise StudyError(
            f"Block {block.name} was not checked yet",
            f"Read it at every check; from {FIRST_CHECKS} checks on there are limits",
        )
    return stability(
        taken[["time", "reading"]],
        reference=block.size,
        tolerance=facts.tolerance,
        unit=facts.unit,
        resolution=facts.resolution,
    )


def _parts(study: Study | None) -> GaugeResult:
    if study is None:
        raise StudyError(
            "No study on real parts is named", "Pick one on the gauge's page, or plan it"
        )
    return anova(study)


def _budget(
    facts: GaugeFacts, reference: ReferenceResult | None, study: GaugeResult | None
) -> tuple[UncertaintyBudget, dict[str, tuple[str, ...]]]:
    limits = facts.tolerance
    if limits is None or facts.resolution is None:
        raise StudyError(
            "The limits or the last digit of the gauge are not stated",
            "Write them on the gauge's page, or in gauge.toml",
        )
    lines = MicrometerLines(
        length=(facts.lower or 0.0) / 2 + (facts.upper or 0.0) / 2, unit=facts.unit
    )
    made = {"digit": [lines.resolution(facts.resolution)]}
    if study is not None:
        made["study"] = lines.from_study(study)
    elif reference is not None:
        df = len(reference.readings) - 1.0
        sd = Contribution(REPEATABILITY, reference.sd, "readings", df=df, formula="of one block")
        made["study"] = [sd]
    if reference is not None:
        made[BIAS_LINE] = [lines.bias(reference, corrected=facts.corrected)]
    for line in LINES:
        value = facts.lines.get(line.key, 0.0)
        if value > 0.0:
            held = line.key in facts.in_study if study is not None else None
            found = line.make(lines, value, **({"in_study": held} if line.in_study else {}))
            made[line.key] = found if isinstance(found, list) else [found]
    names = {key: tuple(one.name for one in found) for key, found in made.items()}
    every = [one for found in made.values() for one in found]
    return UncertaintyBudget(every, unit=facts.unit, title=facts.title), names


def _page(facts: GaugeFacts, results: Mapping[str, Any]) -> Qualification:
    if facts.tolerance is None:
        raise StudyError(
            "The limits are not stated", "Write both on the gauge's page, or in gauge.toml"
        )
    return qualify(
        facts.tolerance,
        unit=facts.unit,
        gauge=facts.title,
        resolution=facts.resolution,
        **results,
    )
