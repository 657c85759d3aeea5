"""Places of a pad's plugs, as found on a photo, written into nursery.toml."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from pathlib import Path

from fragarea.errors import SettingsProblem
from fragarea.nursery.section import SETTINGS_FILE
from fragarea.nursery.settings import parse_nursery
from fragarea.nursery.words import tidy

Place = tuple[str, float, float]


def with_places(content: bytes, site: str, places: Sequence[Place], *, found: str) -> bytes:
    """The content of nursery.toml with the places of a pad added at its end; nothing else is touched.

    Parameters
    ----------
    content : bytes
        Of the file as it is.
    site : str
    places : sequence of (label, x_mm, y_mm)
    found : str
        Where they come from, for a note beside them.

    Returns
    -------
    bytes

    Raises
    ------
    SettingsProblem
        If the pad has places already, or is written in a way that nothing can be added to.
    """
    text = content.decode("utf-8-sig")
    key = next((name for name in tomllib.loads(text).get("sites", {}) if tidy(name) == site), site)
    if "places" in tomllib.loads(text)["sites"].get(key, {}):
        raise SettingsProblem(f"{SETTINGS_FILE}: {site} has places already. Take them out to find them anew.")
    lines = ["", f"# Places of the plugs of {site}, {found}."]
    for label, x_mm, y_mm in places:
        lines += [
            f"[[sites.{json.dumps(key, ensure_ascii=False)}.places]]",
            f"label = {json.dumps(label, ensure_ascii=False)}",
        ]
        lines += [f"x_mm = {x_mm:.2f}", f"y_mm = {y_mm:.2f}"]
    end = "\r\n" if "\r\n" in text else "\n"
    added = text.rstrip() + end + end.join(lines) + end
    try:
        parsed = parse_nursery(tomllib.loads(added), folder=Path())
    except tomllib.TOMLDecodeError as error:
        raise SettingsProblem(
            f"{SETTINGS_FILE}: places cannot be added to {site} as it is written. Give it a section of its own, "
            f"[sites.{_quoted(key)}], and run the command again."
        ) from error
    changed = parsed.site(site)
    if changed is None or len(changed.places_mm) != len(places):
        raise ValueError(f"{site} must be a site of the file; got places {places}")
    return added.encode("utf-8")


def _quoted(text: str) -> str:
    """As TOML writes it: its strings are escaped as those of JSON are."""
    return json.dumps(text, ensure_ascii=False)
