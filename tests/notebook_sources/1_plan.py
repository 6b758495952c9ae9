# %% [markdown]
# # Plan the study
#
# [Start](0_start_here.ipynb) · **1 Plan** · [2 Collect](2_collect.ipynb) ·
# [3 Check](3_check.ipynb) · [4 Judge](4_judge.ipynb) · [5 Risk and limits](5_risk_and_limits.ipynb)
#
# *About 10 minutes.* What tolerance, which parts, who measures, how often, and will that be
# enough to decide? All of it is settled **before** the first reading, and kept in the study's
# folder.

# %% tags=["plan", "print"]
import grr

# %% [markdown]
# ## The facts of the study
#
# Change the name in the line below to a name of your own, run it, fill in the form and save.
# Only the tolerance, the plan and the last digit of the gauge are needed to go on; the rest makes
# the verdict worth filing.
#
# - **Operators**: those who will use the gauge. Are these *all* who will ever measure? Say so, or
#   say how many others there are: the same readings then decide far more, and hold for these
#   people only.
# - **Parts**: ten, taken from what the process makes over some days, not the nicest ones; five
#   across the tolerance where others will measure too. Number them where the number cannot be
#   read while measuring. Mark the place to measure.
# - **Readings of each part**: three by each operator; two where others will measure too.
# - **Sessions**: two of each operator, on different days and with a fresh zero, show what one day
#   hides, for the same readings.

# %% tags=["plan"]
grr.study_form(grr.planned_folder())

# %% [markdown]
# ## Will that be enough to decide?
#
# How often studies of this design end with each answer, for gauges that truly take 6 to 45 % of
# the tolerance, and for both answers to *are these all who will ever measure?* Change the numbers
# and run it again.

# %%
grr.expected_precision(parts=10, operators=3, trials=3, operators_are="random")

# %% [markdown]
# With three operators who stand for many others hardly any study decides, however many parts are
# measured: three people say little about a fourth. More people help, more readings do not. Two
# people as a sample are refused.

# %%
grr.expected_precision(operators=6, operators_are=14)

# %% [markdown]
# All designs within a number of readings, those that decide most first:

# %%
designs = grr.compare_designs(120, operators_are="random", progress=False)
designs

# %%
grr.show.certainty_bought(designs)

# %% [markdown]
# ## The run sheet
#
# The order of measurement, one block for each operator and trial, parts in random order. Each part
# bears a code, so that nobody recognises it; a helper hands the parts out from the key sheet. The
# entry form in [2 Collect](2_collect.ipynb) asks in the same order; the paper is for shops
# without a computer at the bench.

# %% tags=["print"]
sheet = grr.run_sheet()
sheet

# %% [markdown]
# To print it, take away the `#` in the next cell and run the cell: it writes run sheet, key sheet
# and a table to fill in into the folder of the study.

# %%
# sheet.save("../studies/my_study/run_sheet")

# %% [markdown]
# ## Before the first reading
#
# 1. **Clean** anvil, spindle face and parts: lint-free cloth, then paper drawn through closed faces.
# 2. **Soak**: gauge and parts side by side in the room for an hour or more; no sun, no hand.
# 3. **Zero** in the orientation in which you measure, with the same number of ratchet turns.
# 4. **Hold** it the way it will be held every day: the study speaks for that way only.
#
# ## Next
#
# **[2 Collect](2_collect.ipynb)**: take the readings.
