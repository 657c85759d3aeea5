"""HTML pages from Jinja templates in which every text is escaped; loaded only when a page is written."""

from __future__ import annotations

import base64
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from fragarea.report.spreadsheet import clean_text
from fragarea.report.words import when_words


def rendered(package: str, template: str, **shown: Any) -> str:
    """A template of a package's ``templates`` folder with what it shows.

    Parameters
    ----------
    package, template : str
    **shown
        By the names that the template has for it. Text is escaped; control characters and halves of surrogate pairs,
        which no page can hold, become spaces.
    """
    html: str = _environment(package).get_template(template).render(**shown)
    return html


def page_style(more: str = "") -> Markup:
    """The style of all pages, with more of a page's own after it."""
    return Markup((files("fragarea.report") / "page.css").read_text(encoding="utf-8") + more)


@cache
def _environment(package: str) -> Environment:
    environment = Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"jpeg_uri": _jpeg_uri, "when": when_words, "sentence": _sentence, "capital": _capital}
    return environment


def _shown(value: Any) -> Any:
    return clean_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _jpeg_uri(jpeg: bytes) -> Markup:
    # base64 has no letter that could end an attribute
    return Markup("data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii"))


def _sentence(words: str) -> str:
    return f"{_capital(words)}{'' if words.endswith(('.', '!', '?')) else '.'}"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
