# %% [markdown]
# # Qualify a micrometer for a tolerance
#
# [Start](0_start_here.ipynb) · **8 Qualify** · [9 Keep watching](9_keep_watching.ipynb)
#
# *About 15 minutes.* A new micrometer is not fit or unfit as such: it is fit for a tolerance, held
# and zeroed in a certain way. Seven things are asked of it: resolution, bias, repeatability on a
# reference, the whole range, the uncertainty, a study on real parts, and that it stays so. Each
# step here answers one or two of them on one page, and each can be used alone.
#
# ## Your gauges
#
# The page of this notebook is a form: the blocks' certificates are typed in once, the blocks are
# read live, and the lines of the budget are fields. All of it is kept in a folder for each gauge,
# `gauges` beside `notebooks`. The gauges so far:

# %% tags=["qualify"]
import grr

grr.qualify_page()

# %% [markdown]
# ## Step by step
#
# The steps behind it, on an **example with invented readings**: a micrometer of 0 to 25 mm that
# shows 0.1 µm, for dowel pins of 10 m5 (10.006 to 10.012 mm). The study gives the tolerance, the
# unit and the last digit. Files may be CSV or Excel, with the columns `reading`, and `reference`
# for the blocks.

# %%
parts = grr.open_study("../demo_data/dowel_pin")  # the study on real parts
tolerance = parts.tolerance
gauge = {"unit": parts.unit, "resolution": parts.resolution, "example": True}
files = "../demo_data/micrometer_25"
part_size = 10.0
certificate = {"reference": 10.0, "expanded_uncertainty": 0.000055, "coverage": 2}
mpe, pitch = 0.001, 0.5  # from the data sheet: largest error of indication, pitch of the screw

# %% [markdown]
# ## 1. One calibrated block, many times
#
# One person, one block of about the part's size, 25 to 50 readings; take it out between readings.
# Give the block's calibrated size, and the expanded uncertainty U with its k from the certificate.

# %%
reference = grr.reference_study(
    grr.read_columns(f"{files}/reference.csv"),
    tolerance=tolerance,
    **certificate,
    **gauge,
)
reference

# %%
grr.show.on_reference(reference)

# %% [markdown]
# - **Bias** is the mean minus the calibrated value. The certificate is not exact either, so the
#   second line has its uncertainty in it.
# - **Cg** compares the scatter with a fifth of the tolerance, **Cgk** the scatter and the bias.
#   Companies ask for 1.33, some with another share of the tolerance.
# - **Q_MS** is what ISO 22514-7 makes of the same readings (limit from memory: 15 %).
# - The **smallest tolerance** is the one at which this gauge would just pass.
#
# <details><summary>Why two t tests</summary>
#
# The manual's paper form takes the repeatability from the range, because a range can be worked out
# by hand. With many readings the standard deviation uses them better. Both are shown so that
# either can be filed. A bias that is *shown* may still be small enough; one that is *not shown* may
# still be too large. What decides is the interval against the limit.
# </details>
#
# ## 2. Blocks over the range
#
# Blocks that stop the spindle at different angles of turn (2.5, 5.1, 7.7 … mm), five readings
# each, in random order. The limit for the bias is a tenth of the tolerance; the maximum permissible
# error stands in the gauge's data sheet; the pitch of the screw is asked for, never guessed.

# %%
blocks = grr.linearity(
    grr.read_columns(f"{files}/blocks.csv"),
    bias_limit=0.1 * tolerance.width,
    mpe=mpe,
    pitch=pitch,
    **gauge,
)
blocks

# %%
grr.show.over_range(blocks)

# %% [markdown]
# Zero inside the band everywhere is what the manual looks for, but a band can be wide enough to
# hold anything. So the **limit** decides: the bias, with its interval, must lie within it
# everywhere.

# %%
grr.show.screw_turn(blocks)

# %% [markdown]
# ## 3. Real parts, real people
#
# The study on parts comes from [1 Plan](1_plan.ipynb) and [2 Collect](2_collect.ipynb); here the
# example with pins in a stand.

# %%
study = grr.anova(parts)
grr.verdict(study)

# %% [markdown]
# ISO 22514-7 puts both together: the reference and the study on parts, in percent of the tolerance
# (Q_MP; limit, from memory, 30 %). Temperature and the like come with the budget below.

# %%
f"Q_MP {reference.q_mp(study):.1f} %"

# %% [markdown]
# ## 4. What makes a result uncertain?
#
# Take the lines that apply. `in_study=True` means: the study on parts holds this already, since it
# was zeroed anew, measured on several days, held as usual. Then the larger of the two counts,
# never both. Where you don't know, leave it out: both count, and the budget asks.
#
# The **bias** is known now. Either every reading is corrected for it from now on: then say
# `corrected=True`, and only its uncertainty counts. Or it stays in the readings: then it is added to
# U as a whole.

# %%
line = grr.MicrometerLines(length=part_size, unit=parts.unit)
budget = grr.UncertaintyBudget(
    [
        line.calibration(expanded=0.0004, k=2),
        line.resolution(parts.resolution),
        *line.from_study(study),
        line.bias(reference, corrected=False),
        line.zero_setting(0.0001, in_study=True),
        line.away_from_20(kelvin=2),
        line.part_against_gauge(kelvin=0.3, in_study=True),
        line.body_heat(kelvin=0.3, in_study=True),
        line.force_on_frame(newton=1),
        line.flattening("cylinder", force=5, diameter=part_size, contact_length=6.5),
        *line.faces(flatness=0.0002, parallelism=0.0003),
        line.orientation(0.0001),
    ],
    unit=parts.unit,
    title="10 mm pin",
    example=True,
)
budget

# %%
grr.show.uncertainty_sources(budget)

# %% [markdown]
# The formula behind the budget assumes that things add up and are nearly normal. The Monte Carlo
# run doesn't; it draws every influence from its distribution. Do the two agree?

# %%
budget.monte_carlo(digits=1)

# %% [markdown]
# ## 5. What is left of the tolerance?

# %%
budget.against(tolerance)

# %%
grr.show.acceptance_ruler(budget, tolerance)

# %% [markdown]
# ## The page
#
# A new gauge has no history yet: it passes on condition that it is watched from the first day.

# %%
page = grr.qualify(
    tolerance,
    unit=parts.unit,
    reference=reference,
    linearity=blocks,
    study=study,
    budget=budget,
    rezero_minutes=30,
    report="example 1",
)
page

# %%
grr.show.nearest_limit(page)

# %% [markdown]
# What does not pass says what to do. *Can't tell* means that the limit lies inside the
# interval: more readings, or a better reference, would decide.
#
# ## The label
#
# 90 by 55 mm; `grr.show.gauge_label(page).save("../studies/label.html")` writes it to print.

# %%
grr.show.gauge_label(page)

# %% [markdown]
# Check zero on a block of about the part's size. Closed faces cannot show an even warming of the
# frame: both faces move together, and the reading stays zero while every part reads small.
#
# Next: [keep watching](9_keep_watching.ipynb) the gauge with a check standard.
