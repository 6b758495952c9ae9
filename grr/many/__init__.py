"""Many studies at once: a long table of readings in, one row a study out."""
