"""Taking readings: the entry form in the notebook and at the terminal."""
