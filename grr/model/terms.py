"""The words of the trade and of this tool, each with its formula and its source."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from grr.model.blocks import Block, Heading, Prose
from grr.model.printed import Printed

MANUAL = "AIAG MSA, 4th ed. (2010)"
_RULE = f"{MANUAL}, chapter II section D (10 % and 30 %); the bounds are this project's own"


@dataclass(frozen=True, repr=False)
class Explanation(Printed):
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

    def blocks(self) -> list[Block]:
        """Return the term, and under it its meaning, formula and source."""
        formula = [f"Formula: {self.formula}"] if self.formula else []
        return [Heading(self.term), Prose([self.meaning, *formula, f"Source: {self.source}"])]


TERMS = (
    Explanation(
        "operator",
        "Whoever measures; the manual says appraiser. Who holds the gauge is part of the measuring "
        "system: a gauge is judged together with its operators.",
        "",
        f"{MANUAL}, chapter I section B",
        ("appraiser", "inspector"),
    ),
    Explanation(
        "trial",
        "One round in which each operator measures each part once. Two trials or more show the "
        "repeatability.",
        "",
        f"{MANUAL}, chapter III section B",
        ("repeat", "replicate"),
    ),
    Explanation(
        "gauge",
        "The device that measures; also written gage. The measuring system is the gauge with "
        "everything that the reading depends on: operator, fixture, part, room and method.",
        "",
        f"{MANUAL}, chapter I section A",
        ("gage", "measuring system", "micrometer"),
    ),
    Explanation(
        "measurement systems analysis (MSA)",
        "Studying whether a measuring system is good enough for its use: its scatter (GRR), its "
        "bias, linearity and stability. Also the name of the manual that says how.",
        "",
        MANUAL,
        ("MSA",),
    ),
    Explanation(
        "%GRR",
        "GRR as a percentage, of what must be said: of the tolerance (may the gauge accept parts?) "
        "or of the total variation (may it control the process?). The two are different numbers.",
        "100 · 6 · GRR / (upper − lower), or 100 · GRR / TV",
        f"{MANUAL}, chapter III section B",
        ("percent GRR", "%R&R"),
    ),
    Explanation(
        "test uncertainty ratio (TUR)",
        "How many times the tolerance is as wide as the doubt about one reading. It looks at the "
        "same thing as the percent of tolerance, with all of the uncertainty in it.",
        "(upper − lower) / (2 · U), U the expanded uncertainty at 95 %",
        "ANSI/NCSL Z540.3-2006, section 3.11 (from memory)",
        ("TUR", "uncertainty ratio"),
    ),
    Explanation(
        "repeatability (EV)",
        "How much readings scatter when one person measures one part again and again with one "
        "gauge, everything else as it was.",
        "interaction kept: EV² = MS_E; pooled: EV² = MS_pooled; by ranges: EV = R̄·K1",
        f"{MANUAL}, chapter III section B; ISO 5725-2",
        ("EV", "repeatability", "equipment variation"),
    ),
    Explanation(
        "reproducibility (AV)",
        "How much the averages of different operators differ when they measure the same parts.",
        "interaction kept: AV² = (MS_O − MS_PO) / (p·r); pooled: AV² = (MS_O − MS_pooled) / (p·r); "
        "by ranges: AV² = (X̄diff·K2)² − EV²/(p·r)",
        f"{MANUAL}, chapter III section B and appendix A",
        ("AV", "reproducibility", "appraiser variation"),
    ),
    Explanation(
        "interaction (INT)",
        "How much operators differ from part to part: one reads high on some parts only.",
        "kept: INT² = (MS_PO − MS_E) / r; pooled: INT = 0",
        f"{MANUAL}, appendix A",
        ("INT", "interaction"),
    ),
    Explanation(
        "between sessions (SES)",
        "How much a person's own sessions differ: what a new day and a fresh zero change. It is a "
        "part of reproducibility, and seen only where each person measured in two or more.",
        "balanced: SES² = (MS_S − MS_E) / (p·n), MS_S of sessions within operators, n readings of "
        "a part in a session",
        "Searle, Casella & McCulloch, Variance Components (1992), chapter 4",
        ("SES", "between sessions", "day to day"),
    ),
    Explanation(
        "between gauges (GAU)",
        "How much several gauges or fixtures differ, where each operator measured with each of "
        "them. It is a part of reproducibility of the measuring system.",
        "from all readings at once by restricted maximum likelihood",
        "Searle, Casella & McCulloch, Variance Components (1992), chapter 6",
        ("GAU", "between gauges", "several gauges", "several micrometers"),
    ),
    Explanation(
        "within-part variation (WPV)",
        "How much readings change with the place on a part: taper and roundness. It is seen where "
        "each part was measured at two or more named places, and is no part of GRR: it belongs to "
        "the parts. It counts in what is read unless the place is marked.",
        "from all readings at once by restricted maximum likelihood; TV² = GRR² + PV² + WPV²",
        f"{MANUAL}, chapter IV (within-part variation); Searle, Casella & McCulloch, Variance "
        "Components (1992), chapter 6",
        ("WPV", "within-part variation", "within part", "taper", "roundness", "out of round"),
    ),
    Explanation(
        "GRR",
        "The spread of the measuring system: repeatability, reproducibility and interaction "
        "together.",
        "GRR² = EV² + AV² + INT² (+ SES², GAU² where sessions or gauges are sources), each "
        "counted as 0 where it was estimated below zero",
        f"{MANUAL}, chapter III section B; Burdick, Borror & Montgomery (SIAM 2005), section 3.2",
        ("gauge repeatability and reproducibility", "R&R", "GR&R", "gauge R&R", "gage R&R"),
    ),
    Explanation(
        "part variation (PV)",
        "How much the parts themselves differ.",
        "interaction kept: PV² = (MS_P − MS_PO) / (o·r); pooled: PV² = (MS_P − MS_pooled) / (o·r)",
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
        ("number of distinct categories", "categories"),
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
        "1.645 · u for 95 % where the tolerance is wide against u",
        "ISO 14253-1; JCGM 106:2012, clause 8",
    ),
    Explanation(
        "acceptance limits",
        "The readings between which a part is accepted: the limits of the tolerance, drawn in by "
        "a guard band at each end. A good part that reads outside of them is refused; that is "
        "their price.",
        "tolerance limit ± guard band, rounded inwards to the gauge's last digit",
        "ISO 14253-1; JCGM 106:2012, clause 8",
        ("acceptance limit", "price of the limits"),
    ),
    Explanation(
        "proven tolerance",
        "The smallest tolerance for which GRR is shown to take no more than 10 %, and no more "
        "than 30 %. It holds whatever the tolerance of the study, and may be written on the gauge.",
        "6 · upper bound of GRR's sd (95 % confidence) / 10 % or 30 %",
        f"{MANUAL}, chapter II section D for the two percentages; the statement is this project's",
        ("proven for",),
    ),
    Explanation(
        "USE",
        "The best of the five decisions: more than one operator measured, and GRR is shown to "
        "take at most 10 %.",
        "upper bound of GRR (95 % confidence) at most 10 %",
        _RULE,
        ("decision", "verdict"),
    ),
    Explanation(
        "USE LIKE THIS",
        "GRR is under 10 % as calculated and shown to be under 30 %: the gauge may be used the way "
        "it was studied, under the conditions listed. For controlling a process it is enough that "
        "GRR is shown to be under 30 %.",
        "value under 10 %, upper bound (95 % confidence) at most 30 %",
        _RULE,
        ("LIKE THIS",),
    ),
    Explanation(
        "USE WITH LIMITS",
        "Parts may be accepted within acceptance limits inside the tolerance; these keep the risk "
        "of a bad part small and refuse few good ones, 2 % where nothing else is set.",
        "price of the limits, the doubt about GRR counted in, at most 2 % of the good parts",
        f"{_RULE}; ISO 14253-1 for the limits",
        ("WITH LIMITS",),
    ),
    Explanation(
        "NOT DECIDED YET",
        "The study shows neither that the gauge is good enough nor that it is not. What would "
        "decide is listed with it.",
        "",
        _RULE,
        ("not decided",),
    ),
    Explanation(
        "DO NOT USE FOR THIS TOLERANCE",
        "GRR is shown to take more than 30 %, or acceptance limits would cost too many good parts "
        "however well GRR were known. For a wider tolerance the same gauge may do: see proven "
        "tolerance.",
        "lower bound of GRR (97.5 % confidence) over 30 %",
        _RULE,
        ("DO NOT USE",),
    ),
    Explanation(
        "FIX THE DATA FIRST",
        "Readings are wrong, or the record is not whole: nothing is decided, and no numbers are "
        "stated, before the readings named are settled.",
        "",
        "this project's own",
        ("FIX FIRST",),
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
        "drift",
        "How fast readings change with time within a session: by warming, wear of the zero, or "
        "fatigue. Fitted by least squares beside the means of parts and sessions.",
        "reading = mean of the part + mean of the session + slope·time",
        "Montgomery, Design and Analysis of Experiments, chapter 15 (analysis of covariance)",
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
        (
            "run rule",
            "western electric",
            "nelson",
            "WE",
            *(f"WE {number}" for number in range(1, 5)),
        ),
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
        ("expanded uncertainty", "standard uncertainty", "u"),
    ),
    Explanation(
        "maximum permissible error (MPE)",
        "The largest error that the maker's data sheet or a standard allows the gauge to show.",
        "|reading of a block − its calibrated size| ≤ MPE",
        "JCGM 200:2012 (VIM), entry 4.26",
        ("MPE", "maximum permissible error"),
    ),
    Explanation(
        "finding",
        "Something that the check of the readings noticed. Fix first: no number can be trusted "
        "until it is settled. Look at: check this before you use the numbers. For your "
        "information: keep it in mind when you read them.",
        "",
        "a word of this tool",
        ("findings", "mend"),
    ),
    Explanation(
        "zone of doubt",
        "The zone at a tolerance limit in which the spread of the measuring system can make a good "
        "part read bad and a bad part read good.",
        "limit ± 3 · GRR (half the spread)",
        "a word of this tool",
        ("doubt",),
    ),
    Explanation(
        "session",
        "From picking the gauge up to putting it down: readings taken one after another. A new one "
        "begins where the method or the operator changes, where the gauge was zeroed, and after a "
        "pause of half an hour. Drift is looked for within sessions.",
        "",
        "a word of this tool",
        ("sitting",),
    ),
    Explanation(
        "method of record",
        "The way of calculating whose result counts for the verdict, by analysis of variance or by "
        "average and range. It is settled before the first reading; the other one is shown to "
        "compare.",
        "",
        "a word of this tool",
        ("of record", "average and range", "analysis of variance"),
    ),
    Explanation(
        "table of sums of squares",
        "The analysis of variance line by line. The sum of squares (SS) over its degrees of "
        "freedom (df) is the mean square (MS). F compares it with the mean square that it is "
        "tested against. p is how often chance alone would give such an F or a larger one.",
        "MS = SS / df, called MS_P for parts, MS_O for operators, MS_PO for the interaction, MS_E "
        "for the error, MS_pooled for the last two together, MS_S for sessions; p parts, o "
        "operators, r trials",
        f"{MANUAL}, appendix A",
        (
            "sum of squares",
            "mean square",
            "degrees of freedom",
            "SS",
            "MS",
            "df",
            "F",
            "p",
            "MS_P",
            "MS_O",
            "MS_PO",
            "MS_E",
            "MS_pooled",
            "MS_S",
        ),
    ),
    Explanation(
        "standard deviation (sd)",
        "How far values typically lie from their mean; the square of it is the variance.",
        "sd² = Σ(value − mean)² / (n − 1)",
        "JCGM 100:2008 (GUM), clause 4.2.2",
        ("sd", "standard deviation", "variance"),
    ),
    Explanation(
        "parts per million (ppm)",
        "A small chance as a number in a million: 100 ppm are 0.01 %.",
        "",
        "ISO 80000-1 (from memory) prefers 10⁻⁶",
        ("ppm", "parts per million"),
    ),
    Explanation(
        "range constants (d2, K1, K2, K3, D4)",
        "Factors of the paper form that turn ranges into standard deviations (K1, K2, K3, each "
        "one over a d2) and into the limit of the range chart (UCL_R).",
        "K1 = 1 / d2 and so on; UCL_R = D4 · R̄",
        f"{MANUAL}, chapter III section B and appendix C",
        ("d2", "K1", "K2", "K3", "D4", "UCL_R", "UCL"),
    ),
    Explanation(
        "h and k",
        "Consistency of one operator on one part against the others: h compares the mean, k the "
        "scatter.",
        "h = (mean of the cell − mean of the part) / sd of those means; k = sd of the cell / "
        "pooled sd",
        "ISO 5725-2; ASTM E691",
        ("h", "k", "Mandel's h and k"),
    ),
    Explanation(
        "restricted maximum likelihood (REML)",
        "How the sources of spread are estimated where readings are missing: the values that make "
        "the readings at hand most likely. In a complete study, and where none is below zero, it "
        "gives what the analysis of variance gives.",
        "",
        "Searle, Casella & McCulloch, Variance Components (1992), chapter 6",
        ("REML", "restricted maximum likelihood"),
    ),
)
