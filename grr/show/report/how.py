"""How it was computed: options, and the headline numbers with their formulas filled in."""

from __future__ import annotations

from html import escape

from grr.analysis.result import GaugeResult
from grr.analysis.worked_sheet import worked_sheet
from grr.errors import StudyError
from grr.numerics.pivots import DRAWS, SEED
from grr.show.report.page import facts_list, section
from grr.wording import tables
from grr.wording.glossary import explain
from grr.wording.rounding import figures

_EXPLAINED = ("EV", "AV", "INT", "GRR", "PV", "TV", "percent of tolerance", "ndc")


def how_section(result: GaugeResult, *, unfolded: bool) -> str:
    """Return the section on method, options, formulas and sources.

    Parameters
    ----------
    result : GaugeResult
    unfolded : bool
        Whether foldable parts are open, as paper needs them.
    """
    rules = result.study.rules
    options = [
        ("Method of record", rules.method_of_record.replace("_", " and ")),
        ("Estimator", result.estimator),
        ("Spread", f"{result.spread:g} standard deviations"),
        ("Interaction", f"{rules.interaction}; pooled above p = {rules.pool_above:g}"),
        ("Thresholds", f"good under {rules.good_percent:g} %, limit {rules.limit_percent:g} %"),
        ("Fewest categories", str(rules.least_ndc)),
        ("Confidence", f"{100 * rules.confidence:g} %, one-sided for decisions"),
        ("Intervals", f"generalized confidence intervals, {DRAWS} draws, seed {SEED}"),
    ]
    parts = [
        facts_list(options),
        folded("The formulas and their sources", _formulas(), unfolded),
        folded("The headline numbers, filled in", _filled_in(result), unfolded),
    ]
    try:
        sheet = worked_sheet(result.study)._repr_html_()
        parts.append(folded("The average-and-range form, line by line", sheet, unfolded))
    except StudyError as error:
        parts.append(tables.html_prose(f"No average-and-range form. {error}"))
    return section("How it was computed", *parts, new_page=True)


def folded(summary: str, content: str, unfolded: bool) -> str:
    """Return content under a summary, open where paper needs it."""
    state = " open" if unfolded else ""
    return f"<details{state}><summary>{escape(summary)}</summary>{content}</details>"


def _formulas() -> str:
    rows = []
    for term in _EXPLAINED:
        entry = explain(term).to_frame().iloc[0]
        rows.append([entry["term"], entry["formula"], entry["source"]])
    return tables.html_table(["Quantity", "Formula", "Source"], rows, left=3)


def _filled_in(result: GaugeResult) -> str:
    lines = [*_variance_lines(result), *_ratio_lines(result)]
    return "".join(f'<p class="formula">{escape(line)}</p>' for line in lines)


def _variance_lines(result: GaugeResult) -> list[str]:
    table = result.anova_table
    study = result.study
    if table is None or study.design == "nested":
        return [f"{result.estimator}: there is no closed formula for the variances."]
    p, o, r = study.cube().packed.shape
    ms = {name: figures(float(table["mean_sq"][name]), 5) for name in table.index}
    ev, av, both, grr, pv = (_number(result, s) for s in ("EV", "AV", "INT", "GRR", "PV"))
    error = "pooled error" if "pooled error" in ms else "error"
    lines = [f"EV² = mean square of {error} = {ms[error]} = {ev}"]
    if result.pooled and o > 1:
        lines += [
            f"AV² = (MS_O − MS_error)/(p·r) = ({ms['operator']} − {ms[error]})/({p}·{r}) = {av}",
            f"GRR² = EV² + AV² = {grr}",
            f"PV² = (MS_P − MS_error)/(o·r) = ({ms['part']} − {ms[error]})/({o}·{r}) = {pv}",
        ]
    elif o > 1:
        lines += [
            f"AV² = (MS_O − MS_PO)/(p·r) = ({ms['operator']} − {ms['interaction']})/({p}·{r})"
            f" = {av}",
            f"INT² = (MS_PO − MS_E)/r = ({ms['interaction']} − {ms['error']})/{r} = {both}",
            f"GRR² = [MS_O + (p−1)·MS_PO + p(r−1)·MS_E]/(p·r) = [{ms['operator']} + {p - 1}·"
            f"{ms['interaction']} + {p}·{r - 1}·{ms['error']}]/({p}·{r}) = {grr}",
            f"PV² = (MS_P − MS_PO)/(o·r) = ({ms['part']} − {ms['interaction']})/({o}·{r}) = {pv}",
        ]
    else:
        lines += [
            f"GRR² = EV² = {grr}",
            f"PV² = (MS_P − MS_E)/r = ({ms['part']} − {ms[error]})/{r} = {pv}",
        ]
    if study.operators == "fixed" and o > 1:
        lines.append(f"operators fixed: AV² is multiplied by (o−1)/o = {o - 1}/{o}")
    if result.floored:
        lines.append(f"EV² is the rounding error: (resolution/√12)² = {ev}")
    if result.below_zero:
        lines.append(f"estimated below zero and shown as 0: {', '.join(result.below_zero)}")
    return lines


def _ratio_lines(result: GaugeResult) -> list[str]:
    sd = {name: figures(result.value(name, "sd"), 5) for name in ("GRR", "PV", "TV")}
    lines = [f"TV = √(GRR² + PV²) = {sd['TV']}"]
    if result.study.process_sd is not None:
        lines = [f"TV = the given process sd = {sd['TV']}; PV = √(TV² − GRR²) = {sd['PV']}"]
    tolerance = result.study.tolerance
    percent = figures(result.value("GRR", "percent_tolerance"), 4)
    spread = f"{result.spread:g}"
    if tolerance is not None and tolerance.width is not None:
        width = figures(tolerance.width, 5)
        lines.append(f"percent of tolerance = 100·{spread}·{sd['GRR']}/{width} = {percent}")
    elif tolerance is not None:
        half = f"{result.spread / 2:g}"
        lines.append(f"percent of tolerance = 100·{half}·{sd['GRR']}/|limit − mean| = {percent}")
    share = figures(result.value("GRR", "percent_tv"), 4)
    lines.append(f"percent of total variation = 100·{sd['GRR']}/{sd['TV']} = {share}")
    exact = figures(result.ndc_exact, 4)
    lines.append(f"ndc = 1.41·{sd['PV']}/{sd['GRR']} = {exact}, rounded down: {result.ndc}")
    return lines


def _number(result: GaugeResult, source: str) -> str:
    return figures(result.value(source, "variance"), 5)
