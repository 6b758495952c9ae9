# %% [markdown]
# # What do you want to decide?
#
# A reading may accept or reject a part only when the measuring system (gauge, person, grip,
# room) is good enough for the tolerance. These notebooks lead you there, one question each.
#
# | I want to know … | Go to | Minutes |
# |---|---|---|
# | whether a gauge may be used for a tolerance | [1 Plan](1_plan.ipynb) → [2 Collect](2_collect.ipynb) → [3 Check](3_check.ipynb) → [4 Judge](4_judge.ipynb) | 25, and the measuring: 90 readings take an hour or two |
# | how many parts are misjudged, and safe acceptance limits | [5 Risk and limits](5_risk_and_limits.ipynb) | 10 |
# | which operator needs what help | [6 Operators](6_which_operator_needs_what.ipynb) | 10 |
# | whether the stand is worth its trouble | [7 Stand or handheld](7_stand_or_handheld.ipynb) | 10 |
# | whether a new micrometer qualifies | [8 Qualify](8_qualify_a_micrometer.ipynb) | 15 |
# | whether a gauge stays good | [9 Keep watching](9_keep_watching.ipynb) | 5 |
# | how all our gauges stand | [10 All our gauges](10_all_our_gauges.ipynb) | 10 |
# | what an old study file says | [below](#An-old-spreadsheet-or-form), then [3 Check](3_check.ipynb) → [4 Judge](4_judge.ipynb) | 20 |
#
# Run a cell with **Shift+Enter**. Each of these notebooks is also a page without code;
# `grr lab` opens the pages.

# %% tags=["start"]
import grr

# %% [markdown]
# ## The studies of this folder

# %% tags=["start"]
grr.start_page()

# %% [markdown]
# ## Which study?
#
# Pick a study; the other notebooks open the one picked here. The demo studies are **examples with
# invented readings**: they say nothing about your gauge. Your own studies live in the folder
# `studies` beside `notebooks`; [1 Plan](1_plan.ipynb) makes one.

# %%
grr.choose_study()

# %% [markdown]
# ## An old spreadsheet or form
#
# Drag the file (CSV or XLSX) into the folder `studies` in the list on the left, and write
# `../studies/` and its name between the quotation marks. Compare what was taken with the file.

# %%
readings = grr.read_readings("../demo_data/old_form.xlsx")
print(grr.describe_reading(readings))

# %% [markdown]
# Is that what the file holds? Then say what the drawing asks for, and **save**. The study goes
# into the folder named here, and the other notebooks open it: go on with
# [3 Check](3_check.ipynb).

# %%
grr.study_form("../studies/old_form", readings)

# %% [markdown]
# ## Words
#
# Every term, its formula and its source: [glossary](glossary.ipynb).
