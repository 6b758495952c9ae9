"""Codes under which parts are handed out, so that nobody knows which one it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

#: No vowels, so that no words appear, and no letters that are mistaken for digits.
_LETTERS = "CDFHJKLMNPRTVWXY"
_STREAM = 7


def part_codes(parts: Sequence[str], seed: int) -> dict[str, str]:
    """Return a code of letters for each part, drawn at random without repeats.

    Parameters
    ----------
    parts : sequence of str
    seed : int
        The same seed gives the same codes.
    """
    length = 2 if len(parts) <= len(_LETTERS) ** 2 // 2 else 3
    chosen = np.random.default_rng([seed, _STREAM]).permutation(len(_LETTERS) ** length)
    return {part: _code(int(n), length) for part, n in zip(parts, chosen, strict=False)}


def _code(number: int, length: int) -> str:
    letters = ""
    for _ in range(length):
        number, letter = divmod(number, len(_LETTERS))
        letters += _LETTERS[letter]
    return letters
