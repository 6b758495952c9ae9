"""How often the planner's designs decide where others will measure too: ``designs.md``.

    python tests/coverage/designs.py           # writes tests/coverage/designs.md, some minutes

Sampled operators, judged by every study's own draws. Columns as in ``people.py``: the share of
studies that show GRR under 10 % where it is 6 % (right) and 10.1 % (wrong), that leave it open
at 15 and 20 % whether it is under 30 %, and that show it over 30 % where it is 29.5 % (wrong).
The last column is what the table of `grr.expected_precision` says of USE at 6 %.
"""

from __future__ import annotations

import sys
from pathlib import Path

from people import DRAWS, SHARES, row

from grr.formulas.precision import Design, tabulated_precision

STUDIES = 4000
DESIGNS = tuple(Design(*size) for size in ((10, 3, 3), (5, 6, 2), (5, 6, 3), (5, 9, 2), (5, 12, 2)))
#: Found before by others' simulation of 2000 to 6000 studies: USE at 6 %, open at 15 and 20 %.
BEFORE = {
    ("10 × 3 × 3", "60/30/10"): (28, 58, 82),
    ("5 × 6 × 2", "60/30/10"): (73, 8, 48),
    ("5 × 6 × 3", "60/30/10"): (75, 6, 41),
    ("5 × 9 × 2", "60/30/10"): (95, 0, 18),
    ("5 × 12 × 2", "60/30/10"): (99, 0, 7),
    ("10 × 3 × 3", "25/70/5"): (15, 75, 87),
    ("5 × 6 × 2", "25/70/5"): (43, 34, 70),
    ("5 × 6 × 3", "25/70/5"): (47, 35, 68),
    ("5 × 9 × 2", "25/70/5"): (68, 8, 47),
    ("5 × 12 × 2", "25/70/5"): (84, 2, 35),
}


def size_of(design: Design) -> str:
    return f"{design.parts} × {design.operators} × {design.trials}"


def main() -> None:
    lines = [
        "# Designs for operators who stand for others: how often they decide",
        "",
        f"Made by `tests/coverage/designs.py`: {STUDIES} studies a line, {DRAWS} draws, seeded. "
        "Shares of GRR's variance in repeatability/reproducibility/interaction. Percent of "
        f"studies; standard error at 5 %: {100 * (0.05 * 0.95 / STUDIES) ** 0.5:.2f}, at 50 %: "
        f"{50 / STUDIES**0.5:.1f}. In brackets what an earlier simulation of 2000 to 6000 studies "
        "found. Last column: USE at 6 % by the table of `grr.expected_precision`.",
        "",
    ]
    head = None
    for name in ("60/30/10", "25/70/5"):
        for design in DESIGNS:
            found = row(design, SHARES[name], STUDIES)
            if head is None:
                head = [*found, "by the table"]
                lines += [
                    f"| design | shares | {' | '.join(head)} |",
                    "|---" * (2 + len(head)) + "|",
                ]
            table = tabulated_precision(design, SHARES[name], studies=STUDIES)
            before = dict(
                zip(
                    ("USE at 6", "open at 15", "open at 20"),
                    BEFORE[size_of(design), name],
                    strict=True,
                )
            )
            cells = [
                f"{value:.1f}" + (f" ({before[column]})" if column in before else "")
                for column, value in found.items()
            ]
            cells.append(f"{100 * table.assurance_under(10.0, 6.0):.1f}")
            lines.append(f"| {size_of(design)} | {name} | {' | '.join(cells)} |")
            print(lines[-1], file=sys.stderr)
    Path(__file__).with_suffix(".md").write_text("\n".join([*lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
