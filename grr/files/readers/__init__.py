"""From a file as people keep it to a long table of readings.

A file becomes one or more grids of cells (`text_table`, `workbook`); a grid is recognised
as a long table (`long_table`) or as a form filled in by hand (`wide_form`); the cells found
there become the table, with a description of what was taken (`found`).
"""
