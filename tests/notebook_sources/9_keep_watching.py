# %% [markdown]
# # Keep watching a gauge
#
# [Start](0_start_here.ipynb) · [8 Qualify](8_qualify_a_micrometer.ipynb) · **9 Keep watching**
#
# *About 5 minutes.* A gauge that was good in January can be bad in June, and nobody sees it on the
# parts. So the same check standard, a block or a kept part, is read at regular intervals, always
# in the same way, and each reading is held against the limits of a time when all was well.
#
# ## Your gauges
#
# The page of this notebook takes a new reading of the block in one field, and shows the chart. It
# is kept in the folder of the gauge; earlier checks can be pasted. The gauges so far:

# %% tags=["watch"]
import grr

grr.watch_page()

# %% [markdown]
# ## Step by step
#
# An **example with invented readings**: two years of monthly checks of a 10 mm block. A file of
# your own is CSV or Excel with the columns `time` and `reading`, several readings a day if you
# like.

# %%
checks = grr.read_columns("../demo_data/micrometer_25/checks.csv")
gauge = {
    "unit": "mm",
    "resolution": 0.0001,
    "tolerance": grr.Tolerance(10.006, 10.012),
    "reference": 10.0,
    "example": True,
}

# %% [markdown]
# ## The first year: the baseline
#
# The limits come from the first twelve checks and then stay as they are. They are tested first: at
# a step, a wild check or a drift among them they are cut short, or refused. Twenty would be better:
# twelve show the scatter poorly, so the limits must lie farther out.

# %%
first_year = grr.stability(checks[:12], baseline=12, **gauge)
first_year

# %%
grr.show.checks_over_time(first_year)

# %% [markdown]
# ## Two years
#
# What is watched is the running mean: each check counts for a fifth, all before it for the rest. One
# odd reading hardly moves it; a gauge that has changed does, and it stays there.

# %%
two_years = grr.stability(checks, baseline=12, **gauge)
two_years

# %%
grr.show.checks_over_time(two_years)

# %% [markdown]
# An auditor may ask for run rules. They can be watched besides, but each alarms for nothing: all
# four of Western Electric once in 92 checks, and far more often with limits from few checks. Choose
# few, name them as here, and keep to them.

# %%
print(grr.stability(checks[:16], baseline=12, rules=("WE 1", "WE 4"), **gauge))

# %% [markdown]
# ## What follows an alarm?

# %%
grr.after_check(two_years)

# %% [markdown]
# ## And a gauge that fell, or was repaired?

# %%
grr.after_check(event="dropped")

# %%
grr.after_check(event="repaired")

# %% [markdown]
# ## How long until the next check?
#
# The interval above is the time in which the drift, at the faster end of its interval, would use up
# a tenth of the tolerance, and never more than the gauge has been watched. It is a proposal: the
# laboratory's procedure goes before it. A gauge without history keeps to the procedure.
