# %% [markdown]
# # Risk and acceptance limits
#
# [Start](0_start_here.ipynb) · [1 Plan](1_plan.ipynb) · [2 Collect](2_collect.ipynb) ·
# [3 Check](3_check.ipynb) · [4 Judge](4_judge.ipynb) · **5 Risk and limits**
#
# *About 10 minutes.* No gauge tells good from bad right at the limit. How many parts are
# misjudged, and where must a reading lie to prove that the part is good?

# %%
import grr

study = grr.chosen_study()
result = grr.anova(study)

# %% [markdown]
# ## How many parts are judged wrongly?
#
# For the process that these parts stand for (its mean and spread as the study saw them) and one
# reading a part. If you know the process better, write its mean and standard deviation behind
# `result`, as in `result, process_mean=10.009, process_sd=0.0009`.

# %%
grr.misclassification(result)

# %% [markdown]
# - **A part is bad and accepted**: the consumer's risk, for all parts made.
# - **A bad part is accepted**: of the bad ones only. It can be large where bad parts are rare and
#   all lie close to the limit.
# - **A part is good and rejected**: the producer's risk; it costs money, not safety.
#
# ## Where must a reading lie to prove that the part is good?
#
# Where the verdict says **USE WITH LIMITS**, these are the limits that it means; where it says
# *not decided yet*, those to stand by meanwhile. What they cost in good parts is their price.
#
# The rule of ISO 14253-1: between these limits a reading shows with 95 % confidence that the part
# conforms. Between an acceptance limit and the tolerance limit nothing is proven either way.

# %%
grr.guard_band(result)

# %% [markdown]
# `u` is GRR of this study. It leaves out what the study did not vary: the calibration, the
# temperature of another day, other parts. Take the uncertainty budget of
# [8 Qualify](8_qualify_a_micrometer.ipynb) where that matters, and write it behind `result`, as in
# `result, u=0.00012`.
#
# ## Limits that hold a chosen risk
#
# At most one part in a thousand bad and accepted, over the whole process:

# %%
grr.guard_band(result, rule="risk", risk=0.001)

# %% [markdown]
# ## One reading
#
# A part reads one digit inside the limit. How likely is it bad?

# %%
inside = study.tolerance.narrowed(study.resolution or 0.0)
reading = inside.lower if inside.upper is None else inside.upper  # or a reading of yours
grr.misclassification(result, reading=reading)

# %% [markdown]
# ## What would help
#
# Averaging readings, alike operators, a finer digit: what each would make of GRR.

# %%
grr.what_would_help(result)

# %% [markdown]
# > **Caution.** Where a wrong part can hurt someone, the drawing, the customer's rules and a
# > competent person decide which risk is acceptable, not this page.
#
# ## Next
#
# - Which operator needs what: [6 Operators](6_which_operator_needs_what.ipynb)
# - Stand or handheld: [7 Stand or handheld](7_stand_or_handheld.ipynb)
