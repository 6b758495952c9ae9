"""How numbers, tables and prose are written for a person: rounding, plain text and HTML."""
