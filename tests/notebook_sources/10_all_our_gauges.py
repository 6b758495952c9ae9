# %% [markdown]
# # All our gauges
#
# [Start](0_start_here.ipynb) · [4 Judge](4_judge.ipynb) · **10 All our gauges**
#
# *About 5 minutes.* A plant has years of studies. Which gauges are the worst against their
# tolerance, and what makes them so? And how do they all stand under another rule? One table of
# readings in, one row a study out.
#
# The readings are an **example, invented**: forty studies of four kinds of gauge.
#
# **With your own**: one file (CSV, Excel or Parquet) with the columns `study`, `part`, `operator`,
# `trial` and `reading`, and a file of tolerances with `study`, `lower`, `upper` and, where known,
# `resolution`; change the two paths. Or give the path of a folder of study folders alone.

# %%
import grr

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
# Sorted by what share of the tolerance the measuring system takes; name another column to sort by
# it. The bounds are limits at 95 % confidence.

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
    "flags": "to know",
}
table = found[list(columns)].rename(columns=columns)
table.sort_values("GRR, % of tolerance", ascending=False).round(1).head(15)

# %% [markdown]
# ## How many of each kind?

# %%
found["decision"].value_counts().to_frame()

# %%
found.groupby(found["study"].str.rsplit(n=1).str[0])["GRR_percent_tolerance"].describe()[
    ["count", "min", "50%", "max"]
].round(1)

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
stricter.loc[lost, ["study", "GRR_percent_tolerance", "dominant"]].round(1)

# %% [markdown]
# > **Caution.** These decisions come from the numbers alone: mistyped readings, exchanged parts
# > and drift are looked for only with `checks=True`, or one study at a time
# > ([3 Check](3_check.ipynb)). Where a wrong part can hurt someone, look at each study before its
# > gauge is used.
#
# To file: `found.to_csv("results.csv")`, or `grr analyse-many READINGS -o results.csv` in a
# terminal.
