# %% [markdown]
# # All our gauges
#
# [Start](0_start_here.ipynb) · [4 Judge](4_judge.ipynb) · **10 All our gauges**
#
# *About 10 minutes.* A plant has years of studies. Which gauges are the worst against their
# tolerance, and what makes them so? And how do they all stand under another rule? One table of
# readings in, one row a study out.
#
# ## Your gauges
#
# What each gauge of the folder `studies` is proven for, as the page of this notebook shows it. A
# table of many studies can be dropped or pasted there: one file (CSV, Excel or Parquet) with the
# columns `study`, `part`, `operator`, `trial` and `reading`, and `lower`, `upper` and `resolution`
# where known.

# %% tags=["gauges"]
import grr

grr.gauges_page()

# %% tags=["gauges"]
grr.drop_table()

# %% [markdown]
# ## Step by step
#
# An **example with invented readings**: forty studies of four kinds of gauge. The tolerances may
# stand in a file of their own; the path of a folder of study folders does as well.

# %%
found = grr.analyse_many(
    "../demo_data/all_our_gauges.csv",
    tolerances="../demo_data/all_our_tolerances.csv",
    operators="fixed",
    intervals=True,
)
len(found)

# %% [markdown]
# `operators="fixed"` says that those who measured are all who ever will; leave it out where they
# stand for others.
#
# ## Which are the worst?

# %%
grr.show.worst_gauges(found, example=True)

# %% [markdown]
# - **A bar all of repeatability**: the gauge, the fixture or the part. Clean, clamp, average.
# - **Reproducibility**: operators read differently. Agree on how to measure, and train.
# - **Interaction**: operators differ on some parts only. Look at form and at where they measure.
#
# ## The table
#
# The fifteen worst, by what share of the tolerance the measuring system takes; to sort by another
# column write its name in the last line. *At least* and *at most* are limits at 95 % confidence.
# *Looked through* says whether the readings were searched for slips of the hand before deciding:
# *no* means that the decision comes from the numbers alone.

# %%
columns = {
    "study": "study",
    "GRR_percent_tolerance": "GRR, % of tolerance",
    "GRR_percent_tolerance_lower": "at least",
    "GRR_percent_tolerance_upper": "at most",
    "dominant": "dominated by",
    "ndc": "ndc",
    "by_manual": "by the manual",
    "decision": "decision",
    "checked": "looked through",
    "flags": "to know",
}
table = found[list(columns)].rename(columns=columns).set_index("study")
table["looked through"] = table["looked through"].map({True: "yes", False: "no"})
table.sort_values("GRR, % of tolerance", ascending=False).round(1).head(15)

# %% [markdown]
# ## How many of each kind?

# %%
found["decision"].replace("", "not analysed: see below").value_counts().to_frame()

# %%
kind = found["study"].str.rsplit(n=1).str[0].rename("GRR, % of tolerance")
found.groupby(kind)["GRR_percent_tolerance"].agg(["count", "min", "median", "max"]).round(1)

# %% [markdown]
# ## What could not be analysed?
#
# A study with a mistake in it gives its error and stops none of the others.

# %%
for _, row in found[found["error"] != ""].iterrows():
    print(f"{row['study']}: {row['error']}")

# %% [markdown]
# ## Under another rule
#
# Suppose a customer accepts at most 20 %:

# %%
stricter = grr.analyse_many(
    "../demo_data/all_our_gauges.csv",
    tolerances="../demo_data/all_our_tolerances.csv",
    operators="fixed",
    rules=grr.Rules(limit_percent=20),
)
lost = (stricter["by_manual"] == "over") & (found["by_manual"] != "over")
table.loc[lost.to_numpy(), ["GRR, % of tolerance", "dominated by"]].round(1)

# %% [markdown]
# > **Caution.** Where *looked through* says *no*, mistyped readings, exchanged parts and drift were
# > not looked for: write `checks=True` behind `intervals=True` above (it takes much longer), or go
# > through [3 Check](3_check.ipynb) one study at a time. Where a wrong part can hurt someone, look
# > at each study before its gauge is used.
#
# `found.to_csv("../studies/results.csv", index=False)` files the table.
