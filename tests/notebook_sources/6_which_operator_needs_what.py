# %% [markdown]
# # Which operator needs what?
#
# [Start](0_start_here.ipynb) · [4 Judge](4_judge.ipynb) · **6 Operators** ·
# [7 Stand or handheld](7_stand_or_handheld.ipynb)
#
# *About 10 minutes.* Two people measure the same pin and get two sizes. Is it the gauge, the
# person, or the way of holding it? This notebook says who reads high or low, whose readings
# scatter, who differs on certain parts only, and who drifts while measuring; what usually lies
# behind it at a micrometer; and how to confirm it. It is about how the gauge is handled, not about
# people: nobody is right until a calibrated part says so.
#
# ## Your study
#
# The study that you picked on the [start page](0_start_here.ipynb), as its page shows it. One by
# several methods is compared by one of them at a time.

# %% tags=["operators"]
import grr

grr.operators_page()

# %% [markdown]
# ## Step by step
#
# The steps behind it, on an **example with invented readings**: ten dowel pins, three operators,
# three trials, the gauge in a stand. `grr.chosen_study()` in place of the example opens yours.

# %%
study = grr.open_study("../demo_data/pins_two_ways")
if len(study.methods) > 1:  # one method at a time: the first
    study = study.for_method(study.methods[0])
operators = grr.compare_operators(study)
operators

# %% [markdown]
# ## Offset and scatter in one picture

# %%
grr.show.operators_side_by_side(operators)

# %% [markdown]
# - The **diamond** is where the operator reads on average, against the mean of the others on the
#   same parts. Its line is the interval: where it crosses the dashed line, the difference may be
#   chance. The words at the right say with whom an operator agrees, pair by pair.
# - On the **blue ground** an offset is too small to matter: at its edge one operator alone takes
#   GRR to 10 % of the tolerance. Chance and what matters are two questions. The last digit answers
#   neither: a mean of thirty readings shows far less than a digit.
# - The **bar** is as long as this operator's repeats spread. A long bar is an uneven hand.
# - An offset can be taught away, or zeroed away. Scatter needs a steadier way: the ratchet, a
#   stand, a marked place on the part.
#
# ## On which parts?

# %%
grr.show.parts_by_operators(grr.anova(study))

# %% [markdown]
# One lane an operator, one place a part. A mean outside the inner band is more than repeatability
# alone would do. Where one operator stands out **on a few parts only**, look at those parts first:
# taper, burrs, out-of-round, a mark that is missing.
#
# ## While measuring

# %%
grr.drift(study)

# %% [markdown]
# A drift looks like scatter, and training does not cure it. More on it in
# [7 Stand or handheld](7_stand_or_handheld.ipynb).
#
# <details><summary>How it is computed</summary>
#
# Everybody measured the same parts, so the parts drop out. The **offsets** are judged by the
# part-by-operator interaction: an operator who differs from part to part has a mean that is less
# sure. All **pairs** are compared at one family-wise level (Tukey's test); a plain comparison of
# all raw readings would see nothing, since the parts differ far more than the operators.
#
# **Scatter**: the variance within cells, pooled for each operator, compared by Bartlett's test and
# by Cochran's C (ISO 5725-2). **Part by part**: what is left of each mean once part and operator
# are taken off, against the repeatability of those involved. **h and k** (ISO 5725-2, ASTM E691)
# are under "In detail" above; with three operators |h| cannot exceed 1.155, so it marks
# nobody. All figures as a table: `operators.to_frame()`.
# </details>
#
# ## A report without names

# %%
coded, key = grr.code_operators(study)
print(grr.compare_operators(coded).headline)

# %% [markdown]
# Keep `key` (code → name) apart from the report.
#
# ## What to do
#
# 1. **Confirm** before you act: everyone zeroes alike and measures one gauge block of about this
#    size, five times. It shows who reads high or low, not only that they differ.
# 2. **One change at a time**: zeroing, ratchet, place on the part, stand. Then a short study again.
# 3. What each change would bring: [4 Judge](4_judge.ipynb), *What would make it better?*
#
# *A comparison of operators replaces neither the calibration of the gauge nor a competent person's
# judgement.*
