"""Figures as drawings in SVG: for paper and for files that must open without any script."""
