"""The words of the trade, each with its formula and its source."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

import pandas as pd

from grr.errors import StudyError
from grr.wording import tables

MANUAL = "AIAG MSA, 4th ed. (2010)"


@dataclass(frozen=True, repr=False)
class Explanation:
    """One term: what it means, how it is computed, where that is published."""

    term: str
    meaning: str
    formula: str
    source: str
    also: tuple[str, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Return the explanation as a table of one row."""
        return pd.DataFrame(
            [[self.term, self.meaning, self.formula, self.source]],
            columns=["term", "meaning", "formula", "source"],
        )

    def __str__(self) -> str:
        lines = [self.term, tables.paragraph(self.meaning, "  ")]
        if self.formula:
            lines.append(tables.paragraph(f"Formula: {self.formula}", "  "))
        lines.append(tables.paragraph(f"Source: {self.source}", "  "))
        return "\n".join(lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        formula = [f"Formula: {self.formula}"] if self.formula else []
        return tables.html_heading(self.term, 4) + tables.html_prose(
            self.meaning, *formula, f"Source: {self.source}"
        )


TERMS = (
    Explanation(
        "repeatability (EV)",
        "How much readings scatter when one person measures one part again and again with one "
        "gauge, everything else as it was.",
        "EV² = MS_E with the interaction kept, the pooled mean square where it is not; by ranges "
        "EV = R̄ / d2",
        f"{MANUAL}, chapter III section B; ISO 5725-2",
        ("EV", "repeatability"),
    ),
    Explanation(
        "reproducibility (AV)",
        "How much the averages of different operators differ when they measure the same parts.",
        "AV² = (MS_O − MS_PO) / (p·r)",
        f"{MANUAL}, chapter III section B and appendix A",
        ("AV", "reproducibility"),
    ),
    Explanation(
        "interaction (INT)",
        "How much operators differ from part to part: one reads high on some parts only.",
        "INT² = (MS_PO − MS_E) / r",
        f"{MANUAL}, appendix A",
        ("INT", "interaction"),
    ),
    Explanation(
        "GRR",
        "The spread of the measuring system: repeatability, reproducibility and interaction "
        "together.",
        "GRR² = EV² + AV² + INT², formed before negative parts are set to 0: "
        "[MS_O + (p−1)·MS_PO + p(r−1)·MS_E] / (p·r)",
        f"{MANUAL}, chapter III section B; Burdick, Borror & Montgomery (SIAM 2005), section 3.2",
        ("gauge repeatability and reproducibility", "R&R"),
    ),
    Explanation(
        "part variation (PV)",
        "How much the parts themselves differ.",
        "PV² = (MS_P − MS_PO) / (o·r)",
        f"{MANUAL}, chapter III section B and appendix A",
        ("PV", "part variation"),
    ),
    Explanation(
        "total variation (TV)",
        "Parts and measuring system together: what the readings of a process show.",
        "TV² = GRR² + PV²; or the process sd squared, where it is given",
        f"{MANUAL}, chapter III section B",
        ("TV", "total variation"),
    ),
    Explanation(
        "spread",
        "The width in which nearly all readings of one part fall: 6 standard deviations hold "
        "99.7 % of a normal distribution, 5.15 hold 99 %.",
        "spread = 6 · sd (or 5.15 · sd)",
        f"{MANUAL}, chapter III section B",
    ),
    Explanation(
        "percent of tolerance",
        "How much of the tolerance the measuring system uses up; also called the "
        "precision-to-tolerance ratio.",
        "100 · 6 · GRR / (upper − lower); one-sided: 100 · 3 · GRR / |limit − mean|",
        f"{MANUAL}, chapter III section B; one-sided: common practice, no source",
        ("precision-to-tolerance ratio", "P/T", "percent tolerance"),
    ),
    Explanation(
        "percent of total variation",
        "The measuring system's standard deviation against that of all readings. The squares add "
        "up to 100 %, these percentages do not.",
        "100 · GRR / TV",
        f"{MANUAL}, chapter III section B",
        ("percent TV",),
    ),
    Explanation(
        "ndc",
        "Number of distinct categories: how many groups of parts the readings can tell apart. At "
        "least 5 are asked for.",
        "1.41 · PV / GRR, rounded down, never below 1",
        f"{MANUAL}, chapter II section D and chapter III section B",
        ("number of distinct categories",),
    ),
    Explanation(
        "intraclass correlation (ICC)",
        "The share of the variance of readings that comes from the parts.",
        "PV² / TV²",
        f"{MANUAL}, chapter II section D; Fisher, Statistical Methods for Research Workers (1925)",
        ("ICC",),
    ),
    Explanation(
        "confidence interval",
        "The values of a quantity that the readings are compatible with. A 95 % interval is made "
        "by a rule that catches the true value in 95 of 100 studies; this one either does or not.",
        "",
        "JCGM 100:2008 (GUM); Burdick, Borror & Montgomery (SIAM 2005)",
        ("interval", "confidence"),
    ),
    Explanation(
        "operators fixed or random",
        "Random: the operators studied are a sample of those who will measure, so the study must "
        "speak for others too. Fixed: they are all who ever will. Fixed operators need far fewer "
        "readings for the same certainty.",
        "fixed: AV² = Σα²/o, the mean square of these operators' own differences",
        "Montgomery, Design and Analysis of Experiments, section 13.3",
        ("fixed operators", "random operators"),
    ),
    Explanation(
        "guard band",
        "The strip inside a tolerance limit in which a reading does not prove that the part is "
        "good.",
        "1.65 · u for 95 % where the tolerance is wide against u",
        "ISO 14253-1; JCGM 106:2012, clause 8",
        ("acceptance limit",),
    ),
    Explanation(
        "consumer's risk",
        "That a bad part is accepted.",
        "P(part out of tolerance and reading within the acceptance limits)",
        "JCGM 106:2012, clause 9",
        ("risk",),
    ),
    Explanation(
        "producer's risk",
        "That a good part is rejected.",
        "P(part within tolerance and reading outside the acceptance limits)",
        "JCGM 106:2012, clause 9",
    ),
    Explanation(
        "bias",
        "The mean of many readings of a reference part minus its calibrated value.",
        "bias = mean of readings − reference value",
        f"{MANUAL}, chapter III section B; ISO 5725-1",
    ),
    Explanation(
        "linearity",
        "How the bias changes over the range of the gauge.",
        "regression of bias on reference value",
        f"{MANUAL}, chapter III section B",
    ),
    Explanation(
        "stability",
        "How the bias changes over time, seen on a check standard.",
        "",
        f"{MANUAL}, chapter III section B",
    ),
    Explanation(
        "Cg and Cgk",
        "Capability of a gauge on one reference part: scatter, and scatter with bias, against a "
        "share of the tolerance.",
        "Cg = 0.2·T / (6·s); Cgk = (0.1·T − |bias|) / (3·s)",
        "common practice in companies (from memory); compare ISO 22514-7",
        ("Cg", "Cgk"),
    ),
    Explanation(
        "Q_MS and Q_MP",
        "How much of the tolerance the uncertainty takes: of the measuring system on reference "
        "parts (Q_MS), and of the whole measuring process with operators and real parts (Q_MP).",
        "Q = 100 · 2·U / T, with U = 2·u",
        "ISO 22514-7 (from memory; limits 15 % and 30 %)",
        ("Q_MS", "Q_MP"),
    ),
    Explanation(
        "run rules",
        "Patterns on a control chart that chance alone seldom makes: WE 1 to WE 4 and Nelson 1 "
        "to 8. The chart says in words which one was met, and how often it alarms falsely.",
        "",
        "Western Electric, Statistical Quality Control Handbook (1956); L. S. Nelson, Journal of "
        "Quality Technology 16 (1984)",
        ("run rule", "western electric", "nelson", *(f"WE {number}" for number in range(1, 5))),
    ),
    Explanation(
        "resolution",
        "The step of the last digit on the display. It should be no coarser than a tenth of the "
        "tolerance.",
        "rounding alone gives a standard deviation of resolution / √12",
        f"{MANUAL}, chapter II (from memory); GUM, clause 4.3.7",
    ),
    Explanation(
        "uncertainty",
        "How far the true value may lie from the reading, all effects together.",
        "u² = Σ (sensitivity · u_i)²; expanded U = k · u",
        "JCGM 100:2008 (GUM), clauses 5 and 6",
        ("expanded uncertainty", "standard uncertainty"),
    ),
)


@dataclass(frozen=True, repr=False)
class Glossary:
    """All terms, each with its meaning, formula and source."""

    entries: tuple[Explanation, ...] = TERMS

    def to_frame(self) -> pd.DataFrame:
        """Return one row a term."""
        return pd.concat([entry.to_frame() for entry in self.entries], ignore_index=True)

    def __len__(self) -> int:
        return len(self.entries)

    def __str__(self) -> str:
        return "\n\n".join(map(str, self.entries))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        rows = [[e.term, e.meaning, e.formula, e.source] for e in self.entries]
        return tables.html_table(["Term", "Meaning", "Formula", "Source"], rows, left=4)


def explain(term: str | None = None) -> Explanation | Glossary:
    """Explain a term: meaning, formula and source; without a term, all of them.

    Parameters
    ----------
    term : str, optional
        Such as "ndc", "EV" or "percent of tolerance".

    Raises
    ------
    StudyError
        The term is not in the glossary; the nearest ones are named.
    """
    if term is None:
        return Glossary()
    names = {name.casefold(): entry for entry in TERMS for name in (entry.term, *entry.also)}
    wanted = str(term).strip().casefold()
    if wanted in names:
        return names[wanted]
    near = difflib.get_close_matches(wanted, names, n=3, cutoff=0.5)
    raise StudyError(
        "The glossary does not have this term",
        f"Try {', '.join(near)}" if near else "Call grr.explain() for the list of terms",
        value=term,
    )
