"""Findings about the data, verdicts in words, and what to do next."""
