"""What was measured and what for, and how results are written."""
