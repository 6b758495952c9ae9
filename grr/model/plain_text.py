"""Text from people, gauges and spreadsheets, in plain characters."""

from __future__ import annotations

import unicodedata

_MINUS = "\u2212\u2010\u2011\u2012\u2013\ufe63"
_APOSTROPHES = "\u2018\u2019\u02bc\u00b4"
_PRIMES = "\u2032"
_INVISIBLE = "\ufeff\u200b\u200c\u200d\u200e\u200f\u2060\u00ad\u202a\u202c\u202d"

#: Marks that turn the direction of a text around, and controls: people's names bring them.
_STEERING = dict.fromkeys(
    [*range(0x202A, 0x202F), *range(0x2066, 0x206A), *range(0x80, 0xA0), 0x7F, 0x200E, 0x200F]
    + [code for code in range(0x20) if chr(code) not in "\t\n"]
)
_TRANSLATION = {
    **{code: code - 0xFEE0 for code in range(0xFF01, 0xFF5F)},  # full-width forms
    **{ord(sign): "-" for sign in _MINUS},
    **{ord(sign): "'" for sign in _APOSTROPHES + _PRIMES},
    **{ord(sign): '"' for sign in "\u201c\u201d\u2033"},
    **dict.fromkeys(map(ord, _INVISIBLE)),
}


def clean_text(text: str) -> str:
    """Return the text in plain characters, without invisible ones and outer spaces."""
    if text.isascii() and text.isprintable():
        return text.strip()
    plain = text.translate(_TRANSLATION)
    return "".join(_plain_character(character) for character in plain).strip()


def _plain_character(character: str) -> str:
    if character.isascii():
        return character if character.isprintable() else " "
    category = unicodedata.category(character)
    if category == "Nd":
        return str(unicodedata.decimal(character))
    return " " if category in ("Zs", "Zl", "Zp", "Cc") else character


def without_steering(text: str) -> str:
    """Return the text without controls and marks that turn the direction of what is read."""
    return text.translate(_STEERING)


def without_accents(text: str) -> str:
    """Return the text in small letters without accents: "Prüfer" is "prufer", "Nº" is "no"."""
    if text.isascii():
        return text.casefold()
    apart = unicodedata.normalize("NFKD", text.casefold().translate({0x142: "l", 0xB0: "o"}))
    return "".join(sign for sign in apart if not unicodedata.combining(sign))
