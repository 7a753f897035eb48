"""Plain words for numbers and names."""

from __future__ import annotations

import re
from collections.abc import Sequence


def counted(n: int, thing: str) -> str:
    """A number and a thing, in the plural where it needs one: 'three trays'.

    Parameters
    ----------
    n : int
        How many.
    thing : str
        In the singular.

    Returns
    -------
    str
        Numbers up to twelve as words.
    """
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return f"{words[n] if n < len(words) else n} {thing}{'' if n == 1 else 's'}"


def capital(text: str) -> str:
    """A text with a capital to begin with, the rest of it as it is: 'PPFD under water' keeps its capitals.

    Parameters
    ----------
    text : str
        Any text, also an empty one.

    Returns
    -------
    str
    """
    return text[:1].upper() + text[1:]


def minutes(length_min: float) -> str:
    """How long something lasts: '45 min', '2 h 30 min' from two hours on.

    Parameters
    ----------
    length_min : float
        Its length [min].

    Returns
    -------
    str
    """
    whole = round(length_min)
    if whole < 120:
        return f"{whole} min"
    return f"{whole // 60} h" + (f" {whole % 60} min" if whole % 60 else "")


def minus(value: float, form: str = ".2f") -> str:
    """A number with a minus sign as it is printed: '−0.12'.

    Parameters
    ----------
    value : float
        The number.
    form : str, optional
        Its format.

    Returns
    -------
    str
    """
    said = format(value, form)
    if float(said) == 0:  # what rounds to zero has no sign
        said = said.lstrip("+-")
    return said.replace("-", "−")


def signed(value: float) -> str:
    """A number with its sign and two decimals: '+0.12', '−0.12'.

    Parameters
    ----------
    value : float
        The number.

    Returns
    -------
    str
    """
    return minus(value, "+.2f")


def p_words(p: float) -> str:
    """A p-value in words: 'p 0.031', 'p below 0.001'.

    Parameters
    ----------
    p : float
        The p-value.

    Returns
    -------
    str
    """
    return "p below 0.001" if p < 0.001 else f"p {p:.3f}"


_TECHNICAL = re.compile(
    r"\b(Welch|Games-Howell|Holm|AICc|VIF|Moran|Shapiro|Kenward|Satterthwaite|REML|logarithms?|log scale|ln mass"
    r"|residuals?|normal(ly)? distribut\w+|degrees? of freedom|covariates?|quadratic|variance|p)\b"
)


def is_technical(sentence: str) -> bool:
    """Whether a sentence speaks to statisticians: it names a test, a distribution or a p-value.

    Parameters
    ----------
    sentence : str
        A sentence of an answer.

    Returns
    -------
    bool
    """
    return _TECHNICAL.search(sentence) is not None


def listed(names: Sequence[str]) -> str:
    """Names in a row: 'dry, wet and mixed'.

    Parameters
    ----------
    names : sequence of str
        The names.

    Returns
    -------
    str
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts tray-10 after tray-9.

    Parameters
    ----------
    name : str
        The name.

    Returns
    -------
    list of (int, str)
        A pair for each part of it, digits as numbers.
    """
    return [(int(part), "") if part.isdigit() else (-1, part) for part in name.split("-")]
