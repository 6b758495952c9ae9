# %% [markdown]
# # Words, formulas, sources
#
# [Start](0_start_here.ipynb)
#
# `grr.explain("percent of tolerance")` shows one of them.

# %%
import grr

grr.explain()
