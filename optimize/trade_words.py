"""The words of the saddle's own trade: what is a panel under an English saddle is a bar under a Western one.

PRACTICE §2: panel (Western: bar), girthed (cinched). Names that people gave are left alone by applying this to our own
sentences only.
"""

import re

WESTERN = {"panel": "bar", "girth": "cinch", "girthed": "cinched"}


def said(text: str, style: str) -> str:
    """A sentence of ours in the words for this style of saddle.

    >>> said("Panels bridge; 12 % of the panel is bare, girthed", "western")
    'Bars bridge; 12 % of the bar is bare, cinched'
    >>> said("12 % of the panel is bare", "english")
    '12 % of the panel is bare'
    """
    if style != "western":
        return text
    return re.sub(r"\b(panel|girthed|girth)(s?)\b", _western, text, flags=re.IGNORECASE)


def _western(found: re.Match[str]) -> str:
    word = WESTERN[found[1].lower()]
    ending = "es" if found[2] and word == "cinch" else found[2]
    return (word.capitalize() if found[1][0].isupper() else word) + ending
