# %% [markdown]
# # Judge: may this gauge be used for this tolerance?
#
# [Start](0_start_here.ipynb) · [1 Plan](1_plan.ipynb) · [2 Collect](2_collect.ipynb) ·
# [3 Check](3_check.ipynb) · **4 Judge** · [5 Risk and limits](5_risk_and_limits.ipynb)
#
# *About 10 minutes.* The answer first, then what it rests on.

# %% tags=["answer", "improve", "file"]
import grr

study = grr.chosen_study()

# %% tags=["answer"]
grr.answer_page(study)

# %% [markdown]
# The verdict has two lines. The first applies the manual's rule to the calculated value: under
# 10 % good, 10 to 30 % perhaps, over 30 % not acceptable. The second says how sure that is. A
# study with three operators says little about a fourth, so the second line often says *not
# decided yet* where the first sounds clear. What would decide is listed under it.
#
# There are five answers, from the best:
#
# - **USE**: GRR is shown to take at most 10 %, by more than one operator.
# - **USE LIKE THIS**: under 10 % as calculated and shown to be under 30 %; the conditions count.
# - **USE WITH LIMITS**: accept parts only within acceptance limits inside the tolerance; they
#   refuse few good parts.
# - **NOT DECIDED YET**: the study cannot tell; what would is listed.
# - **DO NOT USE FOR THIS TOLERANCE**: shown to be over 30 %, or limits would cost too much. A
#   wider tolerance may do: see what the gauge is proven for.
#
# **FIX THE DATA FIRST** stands over an answer that waits for readings to be settled.
#
# ## How much of the tolerance does the measuring eat?

# %%
result = grr.anova(study)
grr.show.tolerance_ruler(result)

# %% [markdown]
# The ruler is the tolerance, drawn to scale. In the zone at each limit this gauge cannot tell a
# good part from a bad one.
#
# ## Where does the spread come from?

# %%
grr.show.spread_sources(result)

# %% [markdown]
# - **Repeatability (EV)**: one person, one part, again and again. Clean faces, the ratchet, a
#   stand and a marked place on the part make it smaller.
# - **Reproducibility (AV)**: the operators' averages differ. Zeroing alike and agreeing on feel
#   make it smaller.
# - **Interaction (INT)**: operators differ from part to part. Look at the parts.
# - **GRR** is all three together, **PV** is how much the parts differ, **TV** is everything.
#
# ## Who reads what on which part?

# %%
grr.show.parts_by_operators(result)

# %% [markdown]
# ## The numbers, by two methods

# %%
result

# %%
grr.average_range(study)

# %% [markdown]
# <details><summary>Why the two methods differ</summary>
#
# Both split the same readings. The **average-and-range** method is the paper form: it uses the
# ranges and the largest differences between averages, cannot see the interaction, and wastes
# some of the information. The **analysis of variance** uses every reading and tells the
# interaction apart. On the manual's own example the number of distinct categories is 5 by
# ranges (5.09, rounded down) and 4 by analysis of variance (4.86, rounded down), although
# nothing but the arithmetic differs: the two are estimates, and 5 is no cliff.
# The method of record is set before the first reading and printed with the verdict.
#
# A customer who demands the paper form finds it in the report, line by line with every number,
# under *How it was computed*.
# </details>
#
# ## How sure is each number?

# %%
result.intervals()

# %% [markdown]
# Each row gives the value and the limits between which the true value lies with 95 % confidence.
#
# ## The analysis-of-variance table

# %%
result.anova_table

# %% [markdown]
# <details><summary>How to read it</summary>
#
# Each line is one source of differences. **F** compares its mean square with the one named in
# *tested_against*; a small **p** says that the difference is more than the scatter explains.
# Where the interaction is not significant (p above 0.25) it is pooled with the error, as the
# manual does.
# </details>
#
# ## What makes it large?

# %%
grr.assess(study)

# %% [markdown]
# ## What would make it better?

# %% tags=["improve"]
grr.improve_page(study)

# %% [markdown]
# ## The report
#
# It goes into the study's own folder. On the page one button writes it; here, take away the
# `#` and run the cell. An ending `.html` in place of `.pdf` needs no browser to print with.

# %% tags=["file"]
grr.file_page(study)

# %%
# print(grr.report(study, grr.chosen_folder() / "report.pdf"))

# %% [markdown]
# ## Next
#
# - How many parts are misjudged, and where to draw acceptance limits:
#   **[5 Risk and limits](5_risk_and_limits.ipynb)**
# - Which operator needs what: **[6 Operators](6_which_operator_needs_what.ipynb)**
#
# *A verdict on a gauge is one part of a decision. The drawing, the customer's requirements, the
# gauge's calibration and a competent person's judgement come with it.*
