"""A study in, a labelled result out; one module a question."""
