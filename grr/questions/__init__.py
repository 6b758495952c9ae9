"""One file a question: its numbers, its judgement and its sentences."""
