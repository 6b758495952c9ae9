"""Study folders, CSV and Excel files, and the journal of readings."""
