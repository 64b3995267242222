"""Names that are read from right to left, inside sentences that are read from left to right."""

from __future__ import annotations

import re
from unicodedata import bidirectional

_LETTERS = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
_NAME = re.compile(rf"[{_LETTERS}]+(?:(?:(?![-+\u2212]\d)(?:\d|[^\w;:()]))*[{_LETTERS}]+)*")
BEGIN, END = "\u2068", "\u2069"
"""First strong isolate, and its end [Unicode Bidirectional Algorithm, UAX 9]."""


def isolated(text: str) -> str:
    """A sentence in which each such name keeps to itself: else a number after it is shown on its other side, beside
    the name that follows. A name may hold digits; a sign before them, a semicolon, colon or bracket ends it. What
    begins from right to left is one whole.
    """
    first = next((side for c in text if (side := bidirectional(c)) in ("L", "R", "AL")), "L")
    return _NAME.sub(rf"{BEGIN}\g<0>{END}", text) if first == "L" else f"{BEGIN}{text}{END}"
