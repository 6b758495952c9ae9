"""Planning a study: the run sheet, and what a design can decide."""
