"""Figures and pages, each titled by the question that it answers."""
