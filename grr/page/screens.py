"""What each page shows: the studies, the check, the answer, what would help, and the filing.

Each function returns a `Screen`. On a page it fills the frame of `grr.page.frame`; in a
notebook and in a terminal it prints the blocks of the result that it rests on.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from grr.files.chosen import PLACES, asked_for, folder_name, on_a_page, study_folders
from grr.files.seal import reported_seal
from grr.files.study_file import STUDY_FILE, read_settings
from grr.formulas.second_look import confidence_of
from grr.model.blocks import Block, Bullets, Heading, Prose
from grr.model.choices import FIX_FIRST, Decision
from grr.model.errors import StudyError
from grr.model.html_blocks import as_html
from grr.model.names import begun, brief, shortened
from grr.model.printed import Printed
from grr.model.rounding import (
    JOIN,
    chance,
    counted,
    figures,
    length,
    listed,
    percent,
    rounded_up,
)
from grr.model.study import Study, checked_study
from grr.model.tolerance import Tolerance
from grr.model.values import a_path
from grr.page.filled_in import filled_in
from grr.page.frame import (
    REPORT,
    STEPS,
    Button,
    Foot,
    Progress,
    between,
    named_study,
    page_address,
    progress_of,
)
from grr.page.label import study_label
from grr.page.report import report
from grr.page.templates import render
from grr.questions.acceptance import rounded_inwards
from grr.questions.assess import assess
from grr.questions.causes import Cause
from grr.questions.check import Finding, check
from grr.questions.deciding import Criterion
from grr.questions.gauge import GaugeResult, average_range
from grr.questions.improving import AS_NOW, what_would_help
from grr.questions.methods import (
    MethodComparison,
    Recommendation,
    compare_with_baseline,
    recommended_of,
)
from grr.questions.renewal import TWICE, recheck
from grr.questions.verdict import Verdict, verdict
from grr.show.drawings import (
    WASHES,
    answer_ruler,
    calm_sign,
    decision_sign,
    operator_legend,
    readings_by_part,
    share_scale,
    small_ruler,
    step_scale,
    stop_sign,
)

#: The pages that answer more than one study does: question, subject, notebook.
MORE = (
    ("Do we read alike?", "Operators", "6_which_operator_needs_what"),
    ("Stand or handheld?", "Two ways, one study", "7_stand_or_handheld"),
    ("Is this micrometer fit?", "Qualify", "8_qualify_a_micrometer"),
    ("Is it still good?", "Keep watching", "9_keep_watching"),
    ("All our gauges", "Every study, one list", "10_all_our_gauges"),
)
#: Most studies that the start page lists; the rest are reached by their notebooks.
MOST_LISTED = 60
#: So many seconds the start page works out decisions; later rows tell the number of readings.
PATIENCE = 1.0
#: Longest name of a study or an operator in a large line.
LONGEST = 24


@dataclass(frozen=True, repr=False)
class Screen(Printed):
    """What one page shows.

    Attributes
    ----------
    said : sequence of blocks
        For a notebook and a terminal.
    template : str
    values : mapping
        What the template shows.
    foot : Foot
    """

    said: Sequence[Block]
    template: str
    values: Mapping[str, Any] = field(default_factory=dict)
    foot: Foot | None = None

    def blocks(self) -> Sequence[Block]:
        """Return what the page rests on."""
        return self.said

    def _repr_html_(self) -> str:
        if not on_a_page():
            return as_html(self.said)
        return render(self.template, self.values) + (self.foot.html() if self.foot else "")


# The studies
# -----------


def start_page(top: str | Path = "..") -> Screen:
    """List the studies of the working folder, each with its state and its verdict.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks.

    Raises
    ------
    StudyError
        There is no such folder.

    Examples
    --------
    >>> grr.start_page()
    Screen()
    """
    top = a_path(top)
    if not top.is_dir():
        raise StudyError(
            "There is no such folder", "Give the folder that grr lab has filled", file=top
        )
    until = time.monotonic() + PATIENCE
    rows = [_row(top / name, until) for name in study_folders(top)[:MOST_LISTED]]
    # Of one's own studies the one to go on with comes first.
    own = sorted((row for row in rows if not row["example"]), key=lambda row: row["order"])
    examples = [row for row in rows if row["example"]]
    foot = Foot("Make a study: give it a name.")
    if own:
        foot = Foot(shortened(own[0]["title"], LONGEST), Button("Go on", own[0]["address"]))
    values = {
        "rows": own,
        "examples": examples,
        "more": MORE,
        "plan": f"{STEPS['plan'][1]}.ipynb",
        "foot": foot,
        "like": [row for row in own if row["planned"]],
    }
    named = [f"{row['title']}: {row['decision'] or row['state']}" for row in [*own, *examples]]
    said: list[Block] = [Heading("Studies", 3), Bullets(named)]
    return Screen(said, "start.html.j2", values)


def _row(folder: Path, until: float) -> dict[str, Any]:
    """Return a study as the start page lists it; one that cannot be read says so."""
    shipped = folder.parent.name == PLACES[1]
    try:
        if shipped and on_a_page():  # which shows its name and limits only
            progress = Progress(folder, read_settings(folder), None)
        else:
            progress = progress_of(folder)
    except StudyError as error:
        progress = Progress(folder, None, None, str(error))
    example = progress.example or shipped
    step = "answer" if example else progress.next_step
    row = row_of(progress, page_address(step, progress.name)) | {
        "when": progress.when,
        "example": example,
        "scale": step_scale(list(STEPS).index(step) if progress.settings else 0),
        "order": (_turn(progress), progress.title.lower()),
        "planned": bool(progress.settings and progress.settings.plan),
    }
    late, study = time.monotonic() > until, progress.study
    if study is not None and progress.measured and not (example or late):
        with suppress(StudyError):
            to_mend = check(study).must_mend
            row |= {"decision": FIX_FIRST} if to_mend else _on_the_sheet(study, 60)
    return row


def row_of(progress: Progress, address: str) -> dict[str, Any]:
    """Return a study as lists of studies show it."""
    known = progress.settings
    return {
        "title": shortened(progress.title, 60),
        "limits": between(known.tolerance, known.resolution, known.unit)
        if known and known.tolerance
        else ("" if progress.trouble else "not planned yet"),
        "state": progress.state,
        "decision": "",
        "sign": "",
        "example": progress.example,
        "address": address,
        "name": progress.name,
    }


def _turn(progress: Progress) -> int:
    """Return the place in the list: first what is being measured, last what cannot be read."""
    if progress.trouble:
        return 4
    if progress.filed:
        return 3
    if progress.measured:
        return 2
    return 0 if progress.taken else 1


# The check
# ---------


def check_page(study: Study) -> Screen:
    """Show whether something in the readings is to be fixed first, and where.

    Parameters
    ----------
    study : Study

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.check_page(study)
    Screen(1 finding: 1 to look at.)
    """
    found = check(checked_study(study))
    mend = [one for one in found if one.severity == "mend"]
    look = [one for one in found if one.severity == "look"]
    name = _name(study)
    settle = {one: _address_to_settle(one, study) for one in [*mend, *look]}
    doubted = next((one for one in look if settle[one]), None)
    first = mend[0] if mend else doubted
    shown = mend or ([doubted] if doubted else [])
    odd = {
        (at["part"], at["operator"], int(at["trial"]), at["method"])
        for one in shown
        for at in _readings_named(one, study)
    }
    topics = {one.topic for one in found if one.severity != "know"}
    look_of, headline = "calm", "Nothing to fix"
    if mend or doubted:
        look_of, headline = ("mend", FIX_FIRST) if mend else ("doubt", "One reading to look at")
    values: dict[str, Any] = {
        "sign": stop_sign() if first else calm_sign(),
        "look": look_of,
        "headline": headline,
        "sentence": first.what if first else f"All {study.taken} readings can count.",
        "picture": readings_by_part(study, odd),
        "legend": operator_legend(study),
        "findings": [(one, at) for one, at in settle.items() if one is not first],
        "ticks": [] if first else [what for what, about in _LOOKED_FOR if not about & topics],
    }
    answer = Button("See the answer", page_address("answer", name))
    readings = Button("All readings", page_address("measure", name))
    if first and settle[first]:
        start = f"{counted(len(mend), 'thing')} to fix. " if mend else ""
        see = Button("See this reading", settle[first])
        foot = Foot(f"{start}{brief(first.todo)}", see, [answer])
    elif mend:
        start = f"{counted(len(mend), 'thing')} to fix. {brief(mend[0].todo)}"
        go = replace(readings, words="Go to the readings")
        foot = Foot(start, go, [replace(answer, words="See the answer as it stands")])
    else:
        foot = Foot(brief(look[0].todo) if look else "", answer, [readings])
    return Screen(found.blocks(), "check.html.j2", values, foot)


#: What is looked for, and the topics of `grr.check` that tell that it was found.
_LOOKED_FOR = (
    ("Nothing missing", {"incomplete"}),
    ("No slips", {"factor", "far off", "range beyond limit"}),
    ("No parts exchanged", {"exchanged parts", "one part out", "copied trial"}),
    ("Digit fine enough", {"resolution", "too few digits"}),
    ("No change by trial", {"trials differ", "repeats scatter alone"}),
    ("Order random", {"order"}),
    ("Scatter alike", {"stuck gauge", "parts alike"}),
    ("Record unbroken", {"record", "settings"}),
)


def _readings_named(finding: Finding, study: Study) -> list[dict[str, str]]:
    """Return the readings that a finding names, by its place or in its sentence."""
    named = []
    for row in study.readings.dropna(subset="reading").to_dict("records"):
        method = str(row.get("method") or "")
        words = (
            rf"part {re.escape(row['part'])}, (operator )?{re.escape(row['operator'])}, "
            rf"trial {row['trial']}(?!\d)"
        )
        of_method = len(study.methods) < 2 or finding.place.startswith(f"{method}:")
        if of_method and re.search(words, f"{finding.place}. {finding.what}"):
            place = {key: str(row[key]) for key in ("part", "operator", "trial")}
            named.append({**place, "method": method, "note": str(row.get("note") or "")})
    return named


def _address_to_settle(finding: Finding, study: Study) -> str:
    """Return where the one reading that a finding names is kept or set aside.

    "" where it names none or several, where somebody noted why the reading is kept, and where
    there is no form to correct it with.
    """
    named = _readings_named(finding, study)
    if len(named) != 1 or study.folder is None or study.example or named[0]["note"]:
        return ""
    settings = progress_of(study.folder).settings
    if settings is None or settings.plan is None:
        return ""
    place = {key: named[0][key] for key in ("part", "operator", "trial", "method")}
    return page_address("measure", _name(study), **{k: v for k, v in place.items() if v})


def _name(study: Study) -> str:
    return named_study(study.folder) if study.folder else ""


# The answer
# ----------


def answer_page(study: Study) -> Screen:
    """Show the decision with one sentence, how much of the tolerance measuring takes, and why.

    Parameters
    ----------
    study : Study

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.answer_page(study)
    Screen(USE)
    """
    if len(checked_study(study).methods) > 1:
        return _answer_by_method(study)
    found = assess(study)
    decided = verdict(study)
    result, judged = decided.result, decided.criterion
    name = _name(study)
    numbers = bool(asked_for("numbers"))
    mend = decided.findings.must_mend
    wash, edge = WASHES["DO_NOT_USE" if mend else decided.decision.name]
    cause = next(iter(found.causes), None) if judged and not mend else None
    narrower = not mend and decided.decision.name in ("WITH_LIMITS", "NOT_DECIDED")
    accept = _narrowed(decided) if narrower else None  # else the limits themselves
    values: dict[str, Any] = {
        "wash": wash,
        "edge": edge,
        "sign": stop_sign() if mend else decision_sign(decided.decision, 84 if numbers else 150),
        "decision": str(decided.banner),
        "sentence": _sentence(decided, mend),
        "ruler": answer_ruler(result, accept) if not mend and _two_sided(study) else "",
        "why_no_ruler": "The ruler waits for readings that can count."
        if mend
        else "No ruler is drawn: the tolerance has no two limits.",
        "takes": _takes(result, None if mend else judged, cause),
        "cause": _cause(cause, judged) if cause and judged else None,
        "within": "" if mend else _within_parts(result),
        "accept": _accept_words(decided, accept, mend),
        "numbers": _numbers(decided) if numbers else "",
    }
    foot = _foot_first(study, mend) or _next(decided, cause, name)
    return Screen(decided.blocks(), "answer.html.j2", values, foot)


def _answer_by_method(study: Study) -> Screen:
    """Return the answer of a study that compares ways of measuring: which of them, and how good.

    Two ways stand side by side, with their price; of more, each has a row.
    """
    compared = compare_with_baseline(study)
    name = _name(study)
    said = [block for one in compared for block in one.blocks()]
    foot = Foot(
        f"Holds for {listed([shortened(one, LONGEST) for one in study.operator_names], 4)}"
        f"{'.' if study.all_studied else ', who stand for others.'}",
        Button("File the report", page_address("file", name)),
        _to_the_numbers(name),
    )
    mend = any(one.to_mend for one in compared)
    foot = _foot_first(study, mend) or _with_the_way_planned(foot, study, recommended_of(compared))
    if len(compared) == 1:
        return Screen(said, "two_ways.html.j2", _two_ways(compared[0]), foot)
    rows = []
    for method in study.methods:
        decided = verdict(study.for_method(method))
        mend = decided.findings.must_mend
        judged = None if mend else decided.criterion
        rows.append(
            {
                "words": begun(shortened(method, 40)),
                "sign": stop_sign() if mend else decision_sign(decided.decision, 68),
                "decision": str(decided.banner),
                "takes": f"{judged.value:.0f}{JOIN}%" if judged else "not known",
                "scale": share_scale(judged.value, judged) if judged else "",
            }
        )
    values = {"question": "Which way is good enough?", "rows": rows}
    values["sentences"] = [f"{begun(one.headline)}. {one.answer}" for one in compared]
    values["numbers"] = as_html(said) if asked_for("numbers") else ""
    return Screen(said, "methods.html.j2", values, foot)


def _to_the_numbers(name: str) -> list[Button]:
    return [Button("Numbers and formulas", page_address("answer", name, numbers="1"))]


def _foot_first(study: Study, mend: bool) -> Foot | None:
    """Return what comes before any next step of an answer; None where nothing does."""
    name = _name(study)
    if asked_for("numbers"):
        back = Button("Back to the answer", page_address("answer", name))
        return Foot("Rounded for reading; the notebook holds every digit.", back)
    if mend:
        see = Button("See what to fix", page_address("check", name))
        return Foot("Next: settle what the check found.", see, _to_the_numbers(name))
    return _of_an_example(_to_the_numbers(name)) if study.example else None


def _of_an_example(quiet: Sequence[Button] = ()) -> Foot:
    start = Button("Start a study of my own", "0_start_here.ipynb#new")
    return Foot("An example: nothing is filed.", start, quiet)


def _with_the_way_planned(foot: Foot, study: Study, way: str | None) -> Foot:
    """Return the foot with the button that plans with the recommended way alone.

    It is the next thing to do once the report is filed.
    """
    planned = None if way is None else _planned(study)
    if planned is None or way is None:
        return foot
    named = f"{planned.title}, {way}"
    plan = _plan_like("Write it in the plan", planned, named, methods=way)
    if not planned.filed or foot.primary is None:
        return replace(foot, quiet=[*foot.quiet, plan])
    return replace(foot, primary=plan, quiet=[*foot.quiet, foot.primary])


#: Recommendation of a way → the wash of its banner, as of the decision that it is nearest to.
_WASH_OF = {
    Recommendation.USE: "USE",
    Recommendation.EITHER: "USE",
    Recommendation.ONLY_IF: "WITH_LIMITS",
    Recommendation.NEITHER: "DO_NOT_USE",
    Recommendation.CANT_TELL: "NOT_DECIDED",
}


def _two_ways(found: MethodComparison) -> dict[str, Any]:
    """Return what the page of two ways of measuring shows."""
    numbers, study = found.numbers, found.study
    mend = bool(found.to_mend)
    name = "DO_NOT_USE" if mend else _WASH_OF[found.recommendation]
    wash, edge = WASHES[name]
    ways = []
    for index, method in enumerate(numbers.methods):
        result, judged = numbers.results[method], found.judgements[method].criterion
        drawn = not mend and _two_sided(result.study)
        doubt = 3.0 * result.value("GRR", "sd")
        ways.append(
            {
                "words": begun(shortened(method, LONGEST)),
                "decision": str(verdict(study.for_method(method)).banner),
                "doubt": f"doubt ±{length(doubt, study.unit)}" if math.isfinite(doubt) else "",
                "ruler": small_ruler(result, f"way{index}") if drawn else "",
                "takes": f"{judged.value:.0f}{JOIN}%" if judged else "not known",
                "most": f"at most {percent(judged.upper)}" if judged else "",
            }
        )
    sentence = found.answer
    if len(sentence) > 150:
        sentence = f"{sentence.partition('. ')[0].rstrip('.')}."
    return {
        "wash": wash,
        "edge": edge,
        "sign": stop_sign() if mend else decision_sign(Decision[name], 110),
        "headline": FIX_FIRST if mend else found.headline.upper(),
        "sentence": found.to_mend[0] if mend else sentence,
        "ways": ways,
        "confidence": f"{100 * confidence_of(study):g}{JOIN}%",
        "three": [_price_of(found), _time_of(found), _condition_of(found)],
        "numbers": as_html(found.blocks()) if asked_for("numbers") else "",
    }


def told(head: str, large: str, small: str = "") -> dict[str, str]:
    """Return one of the three answers at the foot of a page: its head, itself, and more."""
    return {"head": head, "large": large, "small": small}


def _price_of(found: MethodComparison) -> dict[str, str]:
    """Return what the way with the larger error costs."""
    price = found.price
    if found.to_mend or not price.known:
        return told("What it costs", "Not known yet")
    if found.case.better is None:
        return told("What it costs", "No difference shown", f"{price:i}")
    of = "of the tolerance" if found.study.purpose == "accept" else "of the total variation"
    return told(f"What {shortened(found.costly, LONGEST)} costs", f"{price}", f"{of}, at its worst")


def _time_of(found: MethodComparison) -> dict[str, str]:
    numbers = found.numbers
    if numbers.no_seconds:
        return told("Time a reading", "Not known", numbers.no_seconds)
    times = [f"{figures(numbers.seconds[method])}{JOIN}s" for method in numbers.methods]
    small = "no difference shown"
    if numbers.quicker is not None:
        small = f"{shortened(numbers.quicker, LONGEST)} is quicker"
    return told("Time a reading", " and ".join(times), small)


def _condition_of(found: MethodComparison) -> dict[str, str]:
    """Return on what conditions the other way would do; of both, those of the recommended one."""
    others = [name for name in found.numbers.methods if name != found.recommended]
    wanted = [*others, *([found.recommended] if found.recommended else [])]
    known = [found.conditions[name] for name in wanted if name in found.conditions]
    if found.to_mend or not known:
        small = "" if found.to_mend else "held and zeroed as in this study"
        return told("On condition", "None", small)
    one = known[0]
    small = f"then about {percent(one.share)}{'' if one.enough else ', not enough'}"
    return told(f"{begun(shortened(one.method, LONGEST))} only if", one.words, small)


def _sentence(decided: Verdict, mend: bool) -> str:
    """Return the one sentence under the decision."""
    study, judged = decided.result.study, decided.criterion
    if mend:
        first = next(one for one in decided.findings if one.severity == "mend")
        return shortened(f"{begun(first.place)}: {first.what}", 160)
    if judged is None:
        return shortened(decided.by_confidence, 160)
    what = (
        "judge this part, up to its limits" if study.purpose == "accept" else "control this process"
    )
    holding = str(study.facts.get("holding") or next(iter(study.methods), "")).strip()
    names = listed([shortened(one, LONGEST) for one in study.operator_names], 4)
    by = f"by {names}" if study.all_studied else "just as in this study"
    conditions = f"{holding}, {by}" if holding else by
    sentences = {
        "USE": f"This gauge can {what}.",
        "LIKE_THIS": f"{begun(conditions)}.",
        "WITH_LIMITS": "Accept only between the two black jaws.",
        "DO_NOT_USE": _why_not(decided, judged),
        "NOT_DECIDED": _open_question(decided, judged),
    }
    return sentences[decided.decision.name]


def _why_not(decided: Verdict, judged: Criterion) -> str:
    """Return what speaks against the gauge: GRR itself, the categories, or the price of limits."""
    study = decided.result.study
    if judged.by_confidence == "over":
        takes, most = f"{figures(judged.value)}{JOIN}%", f"{judged.limit:g}{JOIN}%"
        return f"Measuring takes {takes} {judged.name}; at most {most} is allowed."
    if study.purpose == "control":
        return f"It tells fewer than {study.rules.least_ndc} categories of parts apart."
    allowed = f"{study.rules.most_refused_percent:g}{JOIN}%"
    refused = chance(decided.price.lower / 100.0)
    return f"Limits would refuse at least {refused} of the good parts; {allowed} is allowed."


def _open_question(decided: Verdict, judged: Criterion) -> str:
    """Return what is not decided yet: GRR itself, the price of limits, or the categories."""
    study = decided.result.study
    if judged.by_confidence == "open":
        return (
            f"It may take {percent(judged.lower)} or {percent(judged.upper)} {judged.name}: "
            f"{judged.limit:g}{JOIN}% lies between."
        )
    takes = f"It takes at most {percent(judged.upper)} {judged.name}"
    if study.purpose == "control":
        return f"{takes}, but {study.rules.least_ndc} categories are not shown."
    if math.isfinite(decided.price.upper):
        refused = _refused(decided)
        allowed = f"{study.rules.most_refused_percent:g}{JOIN}%"
        return f"{takes}, but limits may refuse {refused} of the good parts; {allowed} is allowed."
    return f"{takes}; which limits to accept by cannot be told."


def _two_sided(study: Study) -> bool:
    return study.tolerance is not None and study.tolerance.width is not None


def _narrowed(decided: Verdict) -> Tolerance | None:
    """Return the acceptance limits of the verdict in whole digits; None where it has none."""
    limits, step = decided.acceptance_limits, decided.result.study.resolution
    return limits if limits is None or step is None else rounded_inwards(limits, step)


def _accept_words(decided: Verdict, accept: Tolerance | None, mend: bool) -> dict[str, str]:
    """Return the one pair of acceptance limits, or what tolerance the gauge is good for."""
    study, judged = decided.result.study, decided.criterion
    if mend:
        return told("Accept", "Nothing yet", "First fix the readings.")
    if study.tolerance is None or judged is None or study.purpose != "accept":
        return told("Accept", "No limits", "This study judges a process.")
    known, name = study.tolerance, decided.decision.name
    proven = _proven(decided, good=name == "USE")
    if name == "DO_NOT_USE":
        limits = _narrowed(decided)
        small = "Here it may accept or refuse nothing."
        if limits is not None:
            small = f"Meanwhile: {between(limits, study.resolution, study.unit)}. {_price(decided)}"
        return told("Good for tolerances", f"from {proven}" if proven else "—", small)
    head = "Accept meanwhile" if name == "NOT_DECIDED" else "Accept"
    if accept is None and name == "NOT_DECIDED":
        return told(head, "Nothing yet", "Narrower limits would leave no room.")
    large = between(accept or known, study.resolution, study.unit)
    if accept is None:
        return told(head, large, f"Proven from {proven} tolerance." if proven else "")
    return told(head, large, _price(decided))


def _price(decided: Verdict) -> str:
    if not math.isfinite(decided.price.upper):
        return ""
    return f"Refuses at most {_refused(decided)} of the good parts."


def _refused(decided: Verdict) -> str:
    """Return how many good parts limits may refuse, told apart from how many are allowed."""
    allowed, upper = decided.result.study.rules.most_refused_percent, decided.price.upper
    for digits in range(2, 7):
        text = figures(upper, digits)
        if upper < 0.1 or float(text) != allowed:
            break
    return chance(upper / 100.0) if upper < 0.1 else f"{text}{JOIN}%"


def _proven(decided: Verdict, *, good: bool) -> str:
    """Return the smallest tolerance for which GRR is shown good, or acceptable."""
    if decided.proven_for is None:
        return ""
    width = decided.proven_for.good if good else decided.proven_for.limit
    return length(rounded_up(width.value, width.unit), width.unit)


def _takes(result: GaugeResult, judged: Criterion | None, cause: Cause | None) -> dict[str, str]:
    """Return GRR in percent, its interval, and the scale that shows both."""
    if judged is None:
        return {"large": "Not known yet", "small": "", "scale": ""}
    measure = "percent_tolerance" if judged.name.endswith("tolerance") else "percent_tv"
    table = result.intervals()
    lower, upper = (float(table[limit]["GRR", measure]) for limit in ("lower", "upper"))
    level = f"{100 * confidence_of(result.study):g}{JOIN}%"
    # The one-sided bound that decides; the interval is drawn on the scale.
    known = math.isfinite(judged.upper)
    small = f"at most {judged.upper:.0f}{JOIN}%, {level} confidence" if known else ""
    stands_out = cause is not None and cause.kind != "repeatability"
    without = cause.without.value if cause and stands_out else math.nan
    scale = share_scale(judged.value, judged, interval=(lower, upper), without=without)
    return {"large": f"{judged.value:.0f}{JOIN}%", "small": small, "scale": scale}


#: Kind of a cause → its name in large letters, and what it is to be without it.
_CAUSES = {
    "operator_offset": ("{operator} reads {size} {side}", "Reading alike"),
    "operator_scatter": ("{operator} scatters more", "Scattering alike"),
    "interaction": ("People differ by part", "Reading alike"),
    "part": ("Part {part}", "Without it"),
    "drift": ("Readings drift", "Held still"),
    "step": ("The zero moved", "Zeroed again"),
    "trial_shift": ("The trials differ", "Measuring alike"),
    "sessions": ("One person's days differ", "The same every day"),
    "gauges": ("The gauges differ", "All gauges alike"),
    "digit": ("The last digit", "With a finer one"),
    "slip": ("A slip on part {part}", "Without it"),
    "outliers": ("Some readings are far out", "Like the others"),
    "size": ("Scatter grows with size", "Scattering alike"),
    "autocorrelation": ("Neighbours are alike", "Held still"),
    "place": ("The rounds lie apart", "With rounds alike"),
    "method": ("{method}", "The other way"),
    "repeatability": ("The gauge itself", "Without it"),
}


def _cause(cause: Cause, judged: Criterion) -> dict[str, str]:
    """Return the biggest cause by name, and what GRR would be without it."""
    large, changed = _CAUSES.get(cause.kind, (cause.kind.replace("_", " "), "Without it"))
    magnitude = abs(cause.size.value)
    words = large.format(
        operator=shortened(cause.operator or "One person", LONGEST),
        part=shortened(cause.part or "", LONGEST),
        method=shortened(cause.method or "", LONGEST),
        size=length(magnitude, cause.size.unit) if cause.size.unit else figures(magnitude),
        side="low" if cause.size.value < 0 else "high",
    )
    small = "Nothing else stands out." if cause.kind == "repeatability" else ""
    if cause.without.known and not small:
        small = f"{changed}: {judged.value:.0f} → {cause.without.value:.0f}{JOIN}%."
    return {"large": words, "small": small}


def _within_parts(result: GaugeResult) -> str:
    """Return what readings change by from place to place on a part; "" where by nothing."""
    if "WPV" not in result.source_names or not result.value("WPV", "variance") > 0.0:
        return ""
    takes = result.estimate("WPV", "percent_tolerance")
    told = f"{takes} of the tolerance" if takes.known else str(result.estimate("WPV", "spread"))
    return f"Within-part variation (WPV), from place to place: {told}; not in GRR."


def _next(decided: Verdict, cause: Cause | None, name: str) -> Foot:
    """Return what to do next, with the one button that does it."""
    quiet, file = _to_the_numbers(name), Button("File the report", page_address("file", name))
    if decided.decision.name == "USE":
        return Foot("Nothing to mend.", file, quiet)
    if decided.decision.name == "LIKE_THIS":
        return Foot("Next: put these conditions on the gauge.", file, quiet)
    step = cause.first_step if cause else next(iter(decided.next_steps), "")
    improve = Button("See what would help", page_address("improve", name))
    return Foot(f"Next: {brief(step)}", improve, quiet)


def _numbers(decided: Verdict) -> str:
    """Return the numbers behind the answer: sources, formulas, the second method, intervals."""
    result = decided.result
    parts: list[Sequence[Block]] = [
        result.blocks(),
        [Heading("How is it worked out?", 2)],
        [Bullets([line for lines in filled_in(result).values() for line in lines])],
        [Heading("Why", 2), Prose([decided.by_manual, decided.by_confidence])],
        [Bullets(decided.reasons)],
    ]
    try:
        parts.append([Heading("By average and range", 2), *average_range(result.study).blocks()])
    except StudyError as error:
        parts.append([Prose([str(error)])])
    return "".join(map(as_html, parts))


# What would help
# ---------------


def improve_page(study: Study) -> Screen:
    """Show what a change of the measuring would make of GRR, the most effective first.

    Parameters
    ----------
    study : Study

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.improve_page(study)
    Screen(Example with invented readings: dowel pins in a stand: 10 …)
    """
    if len(checked_study(study).methods) > 1:
        raise StudyError(
            "This study compares ways of measuring: what would help is told for one of them",
            "See the answer for which way to use",
        )
    decided = verdict(study)
    judged = decided.criterion
    found = what_would_help(decided.result)
    name = _name(study)
    rows = []
    if judged is not None and judged.value > 0:
        rows.append(_change("As it is now", "", judged.value, judged))
        for cause in assess(study).causes[:2]:
            if cause.kind != "repeatability" and cause.without.known:
                named = _cause(cause, judged)
                rows.append(_change(named["large"], named["small"], cause.without.value, judged))
        changed = found.table[found.table["change"] != AS_NOW]
        for change in changed.head(4).to_dict("records"):
            text = str(change["change"])
            rows.append(
                _change(f"{text[:1].upper()}{text[1:]}", "", float(change["percent"]), judged)
            )
    # Of changes that help alike, the one that asks for less stands first.
    rows[1:] = sorted(rows[1:], key=lambda row: (round(row["percent"]), len(row["words"])))
    values = {"sentence": "Nothing to predict from these readings.", "rows": rows[:6]}
    if len(rows) > 1:
        now, then = (f"{row['percent']:.0f}" for row in rows[:2])
        values["sentence"] = f"{rows[1]['words']}: {now} → {then}{JOIN}%."
    file = Button("File the report", page_address("file", name))
    again = _recheck(study)
    if again is None:
        back = Button("Back to the answer", page_address("answer", name))
        foot = Foot("Predicted from this study.", file, [back])
    elif decided.decision.name == "USE":
        foot = Foot("Nothing has to change. After a change, check again.", file, [again])
    else:
        foot = Foot(
            "Predicted. Change it, then a few readings show whether it worked.", again, [file]
        )
    return Screen(found.blocks(), "improve.html.j2", values, foot)


def _recheck(study: Study) -> Button | None:
    """Return the button that plans the check which renews a verdict; None where there is none."""
    planned = _planned(study)
    found = None if planned is None else recheck(study)
    if planned is None or found is None:
        return None
    named = f"{planned.title}, re-check"
    parts, trials = str(found.parts), str(TWICE)
    return _plan_like("Plan a re-check", planned, named, parts=parts, trials=trials)


def _planned(study: Study) -> Progress | None:
    """Return how far a study of one's own is; None where there is no plan to copy."""
    if study.folder is None or study.example:
        return None
    progress = progress_of(study.folder)
    return progress if progress.settings and progress.settings.plan else None


def _plan_like(words: str, progress: Progress, named: str, **changed: str) -> Button:
    """Return the button that plans a study like one that is there, under a name of its own."""
    number = 1
    while (progress.folder.parent / folder_name(_numbered(named, number)) / STUDY_FILE).exists():
        number += 1
    new = _numbered(named, number)
    return Button(words, page_address("plan", "", new=new, like=progress.name, **changed))


def _numbered(name: str, number: int) -> str:
    return name if number == 1 else f"{name} {number}"


def _change(words: str, small: str, value: float, judged: Criterion) -> dict[str, Any]:
    """Return a row of the page: what is changed, what GRR takes then, and its class by value."""
    word = "good" if value < judged.good else "may do" if value <= judged.limit else "too much"
    return {
        "words": shortened(words, 90),
        "small": small,
        "percent": value,
        "takes": f"{value:.0f}{JOIN}%",
        "scale": share_scale(value, judged),
        "word": word,
    }


# The filing
# ----------


def file_page(study: Study) -> Screen:
    """Write the report into the study's own folder, and lead to it.

    On a page the report is written when its button is pressed, which opens the page with
    ``write`` in its address.

    Parameters
    ----------
    study : Study

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.file_page(study)
    Screen(grr.report(study, "demo_data/dowel_pin/report.html") …)
    """
    folder = checked_study(study).folder
    if folder is None:
        raise StudyError(
            "The study has no folder to file its report in",
            "Save it with grr.save_study and open it from there",
        )
    name = _name(study)
    html, pdf = folder / REPORT, folder / "report.pdf"
    trouble = ""
    wanted = {"html": html, "pdf": pdf}.get(asked_for("write"))
    if wanted is not None and not study.example:
        try:
            report(study, wanted)
        except StudyError as error:
            trouble = str(error)
    seal = study.record.seal if study.record else ""
    written = html.exists()
    stale = written and bool(seal)
    with suppress(StudyError):  # a report that bears no seal is no longer that of the study
        stale = stale and reported_seal(html) != seal
    address = f"/files/{name}/{REPORT}"
    values = {
        "title": progress_of(folder).title,
        "limits": between(study.tolerance, study.resolution, study.unit),
        **_on_the_sheet(study, 84),
        "written": written and not stale,
        "stale": stale,
        "seal": seal,
        "label": "" if study.example or len(study.methods) > 1 else study_label(study).page,
        "folder": str(folder.resolve()),
        "open": address,
        "pdf": f"/files/{name}/report.pdf" if pdf.exists() else "",
        "make_pdf": page_address("file", name, write="pdf"),
        "readings": counted(study.taken, "reading"),
        "trouble": trouble,
        "example": study.example,
    }
    done = Button("Done: back to the studies", "0_start_here.ipynb")
    if study.example:
        foot = _of_an_example()
    elif written and not stale:
        open_it = Button("Open and print", address, True)
        foot = Foot("Filed in the study's own folder.", open_it, [done])
    else:
        words, again = "One file that needs nothing else.", "Write the report"
        if stale:
            words, again = "The study has changed since the report was written.", "Write it again"
        foot = Foot(words, Button(again, page_address("file", name, write="html")))
    said: list[Block] = [Prose([f'grr.report(study, "{name}/{REPORT}") writes the report.'])]
    if written:
        said = [Prose([f"The report is in {html}."])]
    return Screen(said, "file.html.j2", values, foot)


def _on_the_sheet(study: Study, wide: int) -> dict[str, str]:
    """Return the decision that the report begins with, and its sign."""
    if len(study.methods) > 1:
        return {"decision": begun(compare_with_baseline(study)[0].headline), "sign": ""}
    found = verdict(study)
    mend = found.findings.must_mend
    sign = stop_sign() if mend else decision_sign(found.decision, wide)
    return {"decision": str(found.banner), "sign": sign}
