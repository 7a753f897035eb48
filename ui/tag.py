"""HTML in which text stays text: whatever is not `Markup` already is escaped, so that no name can become an element.

Names of pots, treatments and people, and what nodes send, come from outside. Nobody has to remember to escape them:
a piece of HTML is made here, and `look.draw` shows nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup, escape

__all__ = ["Markup", "escape", "joined", "tag"]

_EMPTY = frozenset({"br", "input", "link", "meta"})
"""Elements without an end tag, of those that are used here (HTML Living Standard, "Void elements")."""


def tag(element: str, /, *inside: object, css: str = "", **attributes: object) -> Markup:
    """An element.

    Parameters
    ----------
    element : str
        Such as `div`.
    inside : object
        Its contents, one after the other: `Markup` as it is, anything else as text.
    css : str
        Its classes.
    attributes : object
        An underscore stands for a hyphen (`aria_label`), one at the end is left out (`for_`). True: without a value;
        None and False: left out.

    Returns
    -------
    Markup
    """
    written = Markup(f' class="{escape(css)}"') if css else Markup()
    for key, value in attributes.items():
        if value is True:
            written += Markup(f" {_attribute(key)}")
        elif value is not None and value is not False:
            written += Markup(f' {_attribute(key)}="{escape(value)}"')
    opened = Markup(f"<{element}{written}>")
    return opened if element in _EMPTY else opened + joined(inside) + Markup(f"</{element}>")


def joined(pieces: Iterable[object]) -> Markup:
    """Pieces one after the other; what is not `Markup` as text."""
    return Markup().join(escape(piece) for piece in pieces)


def _attribute(key: str) -> str:
    return key.removesuffix("_").replace("_", "-")
