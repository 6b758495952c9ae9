# %% [markdown]
# # Check the readings
#
# [Start](0_start_here.ipynb) · [1 Plan](1_plan.ipynb) · [2 Collect](2_collect.ipynb) ·
# **3 Check** · [4 Judge](4_judge.ipynb) · [5 Risk and limits](5_risk_and_limits.ipynb)
#
# *About 5 minutes.* Before any number is believed: is the data what it claims to be? Slips of
# the hand, a copied column or a coarse digit look like a good gauge or a bad one, and are
# neither.
#
# Run each cell with **Shift+Enter**. The study is the one that you picked on the start page;
# until you pick one it is an example with invented readings.

# %% tags=["check"]
import grr

study = grr.chosen_study()

# %% [markdown]
# ## What was found
#
# Nothing is changed or left out: you decide. **Mend** comes first, since no number can be
# trusted before it is settled.

# %% tags=["check"]
grr.check_page(study)

# %% [markdown]
# <details><summary>What is looked for, and why</summary>
#
# - **Missing readings.** They are kept as missing. The analysis uses what is there and says so.
# - **A factor of 10, 25.4 or 1000.** A slipped decimal point, inches for millimetres, micrometres
#   for millimetres.
# - **Exchanged parts, a sequence one part out, a copied trial.** The readings fit another place
#   better than the one they are filed under.
# - **Ranges beyond their limit.** Repeats of one part by one person that differ more than repeats
#   usually do (the range chart of the AIAG manual).
# - **Too few digits.** When most repeats agree to the last digit, the display hides the scatter.
# - **Weak designs.** One operator, few parts, parts that hardly differ or that do not reach
#   towards the limits.
# </details>
#
# ## Do the repeats scatter alike?

# %%
grr.show.trial_ranges(study)

# %% [markdown]
# Each mark is the difference between the largest and the smallest reading that one person took
# of one part. A mark beyond the limit has a cause worth looking for: dirt, a tilted part, a
# slip. If nothing is found, keep the readings; it may be how the gauge behaves.
#
# ## Did anything change while measuring?

# %%
grr.show.in_order(study)

# %% [markdown]
# The readings in the order in which they were taken, each less the mean of its part. A slope is
# drift: a gauge warming in the hand, or a growing habit. A step is a new zero or a bump.
#
# ## Next
#
# Settle what is to be fixed first; then go on to **[4 Judge](4_judge.ipynb)**.
