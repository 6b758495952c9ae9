# %% [markdown]
# # Stand or handheld?
#
# [Start](0_start_here.ipynb) · [6 Operators](6_which_operator_needs_what.ipynb) ·
# **7 Stand or handheld** · [5 Risk and limits](5_risk_and_limits.ipynb)
#
# *About 10 minutes.* A stand may cost time on every part. Whether it is worth that depends on the
# tolerance. The same people measure the same parts both ways, and the answer says which way to
# use, what the other one costs in tolerance, and on what conditions it would do.
#
# ## Your study
#
# Name both ways of holding in [1 Plan](1_plan.ipynb), and take the readings in
# [2 Collect](2_collect.ipynb), which asks for one way after the other. The answer for the study
# that you picked on the [start page](0_start_here.ipynb), as its page shows it:

# %% tags=["methods"]
import grr

grr.methods_page()

# %% [markdown]
# ## Step by step
#
# The steps behind it, on an **example with invented readings**: ten dowel pins of 10 m5 (10.006 to
# 10.012 mm), three operators, three trials in a stand and three in the hand, with the time of each
# reading. `grr.chosen_study()` in place of the example opens yours.

# %%
study = grr.open_study("../demo_data/pins_two_ways")
answer = grr.compare_methods(study, baseline="stand", candidate="handheld")
answer

# %% [markdown]
# The answer is one of five:
#
# - **Use** one of them: the other's error is half as large again at least, beyond chance, and it
#   saves no time or is not shown to be good enough. A way four times better at no cost is
#   recommended even where both would do.
# - **Either will do**: both are good enough, and read alike. The quicker is recommended.
# - One **only if** it is zeroed so often and the mean of so many readings is taken.
# - **Neither**, as it was used.
# - **Can't tell yet**, with the number of readings that would tell.
#
# The error counted is that at the **worst point of a session**: the spread without drift, and the
# whole drift on top. The difference between the two is that as zeroed: each way answers for its
# own drift.
#
# The **margin** must stand in `study.toml` before the first reading
# (`difference_margin_percent = 5.0` under `[facts]`): a margin chosen after looking at the
# readings proves nothing. The same margin is what drift may take before the gauge is zeroed again.
#
# ## Part by part, and the ruler of each

# %%
grr.show.methods_by_part(answer)

# %% [markdown]
# Each line joins what the two methods read on one part. Lines that all lean the same way are a
# difference on average: a zero, a force, a warm frame. In the hatched zones a good part can read
# bad and a bad one good.
#
# ## Does it drift?

# %%
drift = grr.drift(study)
grr.show.drift_over_time(drift)

# %%
drift

# %% [markdown]
# A hand warms the frame, and a frame that got warm **after** zeroing reads **low**. Ten minutes in
# a bare hand make about half a micrometre on a 25 mm micrometer, as 25 mm of steel grow when warmed
# by 1.7 K (common practice, no source). If readings *rise* instead, look for parts that warm in the
# hand, or for a gauge that was zeroed warm.
#
# ## The same people, a wider tolerance
#
# Rollers of 10 h9: 36 µm wide instead of 6. The same gauge, the same hands.

# %%
wide = grr.compare_methods(
    grr.open_study("../demo_data/rollers_two_ways"), baseline="stand", candidate="handheld"
)
wide

# %%
grr.show.methods_by_part(wide)

# %% [markdown]
# The hand is as unsteady as before; the tolerance can afford it.
#
# ## If these operators are only a sample

# %%
sample = grr.compare_methods(study, baseline="stand", candidate="handheld", operators="random")
print(f"{sample.headline}. {sample.answer}")

# %% [markdown]
# Then the answer must hold for people who were not there, and three operators say little about a
# fourth: the mean difference has about two or three degrees of freedom. Operators count as
# `study.toml` says; where counting them the other way would change the answer, it is said.
#
# <details><summary>How it is computed</summary>
#
# Parts are random, methods fixed, operators as the study says. The mean difference is
# a paired comparison part by part; with random operators its variance is
# (MS of part × method + MS of operator × method − MS of all three), never taken as less than the
# larger of the first two. **Equivalence** is two one-sided tests against the margin. **Limits of
# agreement** (Bland & Altman) are for single readings. The **ratio of the GRRs** is drawn for both
# methods together, since the same people measured by both. In simulation each decision is made
# wrongly in at most 5 of 100 studies with the candidate exactly at the limit; with a hand twice as
# noisy as the stand (20 and 40 % of the tolerance) ten parts, three operators and three trials
# find that out in 93 of 100. All figures as a table: `answer.to_frame()`.
# </details>
#
# ## Next
#
# - Which operator needs what: **[6 Operators](6_which_operator_needs_what.ipynb)**
# - How many parts are misjudged, and acceptance limits:
#   **[5 Risk and limits](5_risk_and_limits.ipynb)**
#
# *A comparison of methods is one part of a decision. The drawing, the customer's requirements, the
# gauge's calibration and a competent person's judgement come with it.*
