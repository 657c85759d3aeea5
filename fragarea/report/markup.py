"""HTML elements in which every text is escaped unless it was made here."""

from __future__ import annotations

from html import escape


class Markup(str):
    """HTML that is safe to put into a page as it stands; only :func:`element` and :func:`joined` make it."""

    __slots__ = ()


Child = Markup | str

_EMPTY = {"img", "meta", "br"}


def element(name: str, /, *children: Child, **attributes: str | int | None) -> Markup:
    """An element with escaped text and attributes.

    Parameters
    ----------
    name : str
    *children : str or Markup
        Text, which is escaped, and elements, which are not.
    **attributes : str, int or None
        A trailing underscore is dropped (``class_``), others become dashes; None leaves the attribute out.

    Examples
    --------
    >>> element("p", "P 1 < 2", element("b", "&"), class_="note")
    '<p class="note">P 1 &lt; 2<b>&amp;</b></p>'
    """
    given = {key.rstrip("_").replace("_", "-"): value for key, value in attributes.items() if value is not None}
    opening = "".join(f' {key}="{text(str(value))}"' for key, value in given.items())
    if name in _EMPTY:
        return Markup(f"<{name}{opening}>")
    return Markup(f"<{name}{opening}>{joined(*children)}</{name}>")


def joined(*children: Child) -> Markup:
    """Elements and escaped texts one after the other."""
    return Markup("".join(child if isinstance(child, Markup) else text(child) for child in children))


def text(words: str) -> Markup:
    """Escaped text; control characters and halves of surrogate pairs, which no page can hold, become spaces."""
    kept = "".join(" " if (ord(c) < 32 and c not in "\t\n") or 0xD800 <= ord(c) < 0xE000 else c for c in words)
    return Markup(escape(kept, quote=True))
