"""The report that is filed: one page of HTML that needs nothing else, or a PDF of it."""
