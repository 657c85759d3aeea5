"""The report as one HTML file: Jinja templates that escape everything, with pictures and styles inside."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from xml.etree import ElementTree

from markupsafe import Markup
from matplotlib.figure import Figure

from fragarea.report.pictures import write_whole
from fragarea.report.plots import svg_bytes
from fragarea.report.templating import page_style, rendered
from fragarea.weekly.records import WeeklyPage

_SVG, _LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"


def render_weekly(page: WeeklyPage) -> str:
    """The weekly report as HTML.

    Parameters
    ----------
    page : WeeklyPage

    Returns
    -------
    str
        A whole document without scripts and without any reference outside itself. All text of users and photos is
        escaped. Each section is drawn by the template of its key, so that a new section needs a record, a template
        and a line in :data:`fragarea.weekly.sections.BUILDERS`.
    """
    own = (files("fragarea.weekly") / "templates/weekly.css").read_text(encoding="utf-8")
    return rendered("fragarea.weekly", "page.html", page=page, style=page_style(own))


def write_weekly(page: WeeklyPage, path: Path) -> None:
    """Write :func:`render_weekly` to a file as UTF-8; raises SettingsProblem when it cannot be written."""
    write_whole(path, render_weekly(page).encode("utf-8"))


def inline_svg(figure: Figure, *, name: str, about: str) -> Markup:
    """A figure as an SVG element to put into a page.

    Parameters
    ----------
    figure : Figure
    name : str
        Put before the ids of its parts, which must differ from those of other figures of the page.
    about : str
        What it shows, for those who cannot see it.

    Returns
    -------
    Markup
        Without size, so that the page's style tells it, and without the addresses of namespaces, which HTML knows.
    """
    root = ElementTree.fromstring(svg_bytes(figure))
    for part in root.iter():
        part.tag = part.tag.removeprefix(_SVG)
        for key, value in list(part.attrib.items()):
            del part.attrib[key]
            part.attrib[key.removeprefix(_LINK)] = _renamed(key, value, name)
    for parent in list(root.iter()):
        for child in list(parent):
            # its style would reach the whole page
            if child.tag == "style" or child.tag.endswith("metadata"):
                parent.remove(child)
    view = root.attrib["viewBox"]
    root.attrib = {
        "viewBox": view,
        "class": "plot",
        "role": "img",
        "aria-label": about,
        "stroke-linejoin": "round",
    }
    return Markup(ElementTree.tostring(root, encoding="unicode"))


def _renamed(key: str, value: str, name: str) -> str:
    if key == "id":
        return f"{name}-{value}"
    if key.endswith("href") and value.startswith("#"):
        return f"#{name}-{value[1:]}"
    return value.replace("url(#", f"url(#{name}-")
