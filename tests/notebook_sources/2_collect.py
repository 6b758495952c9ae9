# %% [markdown]
# # Collect the readings
#
# [Start](0_start_here.ipynb) · [1 Plan](1_plan.ipynb) · **2 Collect** ·
# [3 Check](3_check.ipynb) · [4 Judge](4_judge.ipynb) · [5 Risk and limits](5_risk_and_limits.ipynb)
#
# *As long as the measuring takes; 90 readings take an hour or two.* The form below shows what to measure now. The gauge's cable
# or foot switch types the number and Enter; so can you. Eyes on the part: one tone says *recorded*,
# another *look*.
#
# - Every reading is on the disk before the form says so. If the power fails, run the cell again:
#   it goes on where it was.
# - Something odd is **asked**. A number that cannot be right does not count until you keep it:
#   type it again, and the new one counts. A table can be pasted or dropped.
# - Earlier readings stay hidden until the study is complete.
# - One operator today, another tomorrow: pick the name and go on.

# %% tags=["measure"]
import grr

# %% [markdown]
# ## Measure
#
# This takes readings for a practice study until you pick your own on the [start
# page](0_start_here.ipynb).

# %% tags=["measure"]
grr.collect(grr.practice_folder())

# %% [markdown]
# ## Other ways in
#
# - **A filled run sheet or spreadsheet**: choose *More* in the form, pick the file, then *Take in*.
# - **A serial port**: choose it in the form; the gauge needs no keyboard then.
#
# <details><summary>No notebook at the bench, and is the record whole?</summary>
#
# In a terminal, `grr collect FOLDER` asks the same questions and writes the same file. Each row of
# `readings.csv` bears a hash chained to the row before it; `grr verify FOLDER` names what was changed
# afterwards. Write down the seal that is shown when a session is closed: `grr verify FOLDER --seal
# SEAL` tells whether the folder still is what it was then, whoever changed it.
# </details>
#
# ## Next
#
# Zero checked again after the session? Then **[3 Check](3_check.ipynb)**.
