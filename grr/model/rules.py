"""How a study is judged, and what was planned: both fixed before the first reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, get_args

from msgspec import Meta

from grr.model.choices import InteractionRule, Method
from grr.model.errors import StudyError
from grr.model.values import distinct_names, number, one_of


@dataclass(frozen=True)
class Rules:
    """How a study is judged; fixed before the first reading.

    Parameters
    ----------
    method_of_record : {"anova", "average_range"}
        The calculation whose values count.
    spread : float
        How many standard deviations make the spread (6, or 5.15 on request).
    good_percent, limit_percent : float
        GRR under the first is good, over the second is not acceptable
        (AIAG MSA, 4th ed., chapter II section D: 10 and 30).
    least_ndc : int
        The fewest distinct categories accepted (AIAG MSA, 4th ed.: 5).
    confidence : float
        Confidence of each one-sided statement.
    most_refused_percent : float
        The share of good parts that acceptance limits may refuse for USE WITH LIMITS (this
        project's default: 2; the owner's to change).
    interaction : {"auto", "keep", "pool"}
        What is done with the part-by-operator interaction.
    pool_above : float
        With "auto", pool when the interaction's p is above this value.

    Examples
    --------
    >>> rules = grr.Rules(confidence=0.9)
    >>> rules.good_percent, rules.limit_percent, rules.confidence
    (10.0, 30.0, 0.9)
    """

    method_of_record: Method = "anova"
    spread: float = 6.0
    good_percent: float = 10.0
    limit_percent: float = 30.0
    least_ndc: int = 5
    confidence: float = 0.95
    most_refused_percent: float = 2.0
    interaction: InteractionRule = "auto"
    pool_above: float = 0.25

    def __post_init__(self) -> None:
        one_of("method_of_record", self.method_of_record, get_args(Method))
        one_of("interaction", self.interaction, get_args(InteractionRule))
        for name in ("spread", "good_percent", "limit_percent"):
            number(name, getattr(self, name), above=0.0)
        number("confidence", self.confidence, above=0.5, below=1.0)
        number("most_refused_percent", self.most_refused_percent, above=0.0, below=100.0)
        number("pool_above", self.pool_above, above=0.0, below=1.0)
        if (
            isinstance(self.least_ndc, bool)
            or not isinstance(self.least_ndc, int)
            or self.least_ndc < 1
        ):
            raise StudyError(
                "least_ndc is not a whole number from 1", "Correct the value", value=self.least_ndc
            )
        if self.good_percent >= self.limit_percent:
            raise StudyError(
                "The limit for a good gauge is not below the limit of acceptance",
                "Give the smaller percentage as good_percent",
                value=f"{self.good_percent:g} and {self.limit_percent:g}",
            )


@dataclass(frozen=True)
class Plan:
    """The readings that were planned: every part by every operator, ``trials`` times.

    Where there are several places on a part or several gauges, so often at each place and with
    each gauge.

    Parameters
    ----------
    parts, operators, methods : tuple of str
    trials : int
    seed : int
        Of the order of measurement.
    sessions : int
        Over how many sessions each operator's trials are spread, each on another day and with
        a fresh zero.
    looks : int
        How often the study may be judged: 2 where more people may measure after a first
        verdict. Stated before the first reading, since both looks share the error.
    further_operators, further_parts : tuple of str
        A second stage: who measures next, and which of the parts, ``trials`` times as before.
    places, gauges : tuple of str
        Where on each part is measured, and with which gauges; empty where there is one.

    Raises
    ------
    StudyError
        Names that differ in capitals and spaces only, one place or gauge alone, methods beside
        them, no whole number of trials, more sessions than trials, or a second stage that does
        not fit the first.

    Examples
    --------
    >>> plan = grr.Plan(parts=("1", "2"), operators=("Ada", "Ben"), trials=2)
    >>> plan.trials
    2
    """

    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: Annotated[int, Meta(ge=1, le=10**6)]
    methods: tuple[str, ...] = ()
    seed: Annotated[int, Meta(ge=0)] = 0
    sessions: Annotated[int, Meta(ge=1)] = 1
    looks: Annotated[int, Meta(ge=1)] = 1
    further_operators: tuple[str, ...] = ()
    further_parts: tuple[str, ...] = ()
    places: tuple[str, ...] = ()
    gauges: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for field in (
            *("parts", "operators", "methods", "further_operators", "further_parts"),
            *("places", "gauges"),
        ):
            names, what = getattr(self, field), field.removeprefix("further_")[:-1]
            if not isinstance(names, (tuple, list)):
                raise StudyError(
                    f"The {what}s of a plan are not a list of names",
                    f"Write {field}=('1', '2', ...)",
                    value=names,
                )
            object.__setattr__(self, field, distinct_names(what, names))
        whole = isinstance(self.trials, int) and not isinstance(self.trials, bool)
        if not whole or self.trials < 1:
            raise StudyError("trials is not a whole number from 1", "Correct it", value=self.trials)
        whole = isinstance(self.sessions, int) and not isinstance(self.sessions, bool)
        if not whole or not 1 <= self.sessions <= self.trials:
            raise StudyError(
                "sessions is not a whole number from 1 to the number of trials",
                "In each session every part is measured at least once: plan fewer sessions or "
                "more trials",
                value=self.sessions,
            )
        if isinstance(self.looks, bool) or self.looks not in (1, 2):
            raise StudyError(
                "looks is neither 1 nor 2",
                "Plan one look, or two where more people may measure after a first verdict",
                value=self.looks,
            )
        self._refuse_unfitting_stage()
        for field in ("places", "gauges"):
            names = getattr(self, field)
            if len(names) == 1:
                raise StudyError(
                    f"{field} names one only",
                    f"Name two or more {field}, or none",
                    column=field,
                    value=names[0],
                )
            if names and self.methods:
                raise StudyError(
                    f"Several {field} and several methods cannot be told apart in one study",
                    f"Plan a study for each method, or leave the {field} out",
                    column=field,
                    value=", ".join(names),
                )

    def _refuse_unfitting_stage(self) -> None:
        distinct_names("operator", (*self.operators, *self.further_operators))
        unknown = [part for part in self.further_parts if part not in self.parts]
        if unknown:
            raise StudyError(
                "Those who measure next are to measure a part that nobody measured before",
                "Choose among the parts of the study",
                column="further_parts",
                value=unknown[0],
            )
        if bool(self.further_operators) != bool(self.further_parts):
            raise StudyError(
                "A second stage needs both people and parts",
                "Give further_operators and further_parts, or neither",
                value=", ".join((*self.further_operators, *self.further_parts)),
            )

    @property
    def times(self) -> int:
        """How often each operator measures each part, by each method."""
        return self.trials * max(1, len(self.places)) * max(1, len(self.gauges))

    def session_of(self, trial: int) -> int:
        """Return in which of an operator's sessions, from 1, one of the `times` is taken."""
        repeat = (trial - 1) // (self.times // self.trials)
        return repeat * self.sessions // self.trials + 1

    @property
    def readings(self) -> int:
        """How many readings the plan asks for."""
        pairs = len(self.parts) * len(self.operators)
        pairs += len(self.further_parts) * len(self.further_operators)
        return pairs * self.times * max(1, len(self.methods))
