"""One table of nursery.toml, read key by key."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from fragarea.errors import SettingsProblem
from fragarea.nursery.words import did_you_mean, tidy

SETTINGS_FILE = "nursery.toml"


class Section:
    """One table of the file, read key by key; every complaint names the key in full."""

    def __init__(self, data: Any, where: str, keys: tuple[str, ...]) -> None:
        if not isinstance(data, Mapping):
            raise SettingsProblem(f"{SETTINGS_FILE}: {where} must be a table of its own; got {data!r}.")
        self.data, self.where = data, where
        for key in data:
            if key not in keys:
                raise SettingsProblem(
                    f"{SETTINGS_FILE}: key {self.full(key)!r} is not known. {did_you_mean(key, keys)}"
                )

    def full(self, key: str) -> str:
        """Name of a key with the tables it stands in."""
        return f"{self.where}.{key}" if self.where else key

    def wrong(self, key: str, wanted: str) -> SettingsProblem:
        """What to raise where a key holds something else than what is wanted."""
        return SettingsProblem(f"{SETTINGS_FILE}: {self.full(key)} must be {wanted}; got {self.data.get(key)!r}.")

    def needed(self, key: str) -> None:
        """Complain where a key is missing."""
        if key not in self.data:
            raise SettingsProblem(f"{SETTINGS_FILE}: {self.full(key)} is missing.")

    def text(self, key: str, default: str) -> str:
        """Text on one line."""
        value = self.data.get(key, default)
        if not isinstance(value, str) or any(ord(letter) < 32 for letter in value):
            raise self.wrong(key, "text in quotes on one line")
        return tidy(value)

    def number(self, key: str, default: float, *, low: float, high: float, above: bool = False) -> float:
        """A number from `low` to `high`; `low` itself is too small with `above`."""
        value = self.data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.wrong(key, "a number")
        if not low <= value <= high or (above and value == low):
            raise self.wrong(key, f"{'above' if above else 'at least'} {low:g} and at most {high:g}")
        return float(value)

    def length(self, key: str, default: float, *, low: float = 0, high: float = 1000) -> float:
        """A length in mm, above zero."""
        return self.number(key, default, low=low, high=high, above=True)

    def whole(self, key: str, *, low: int, high: int) -> int | None:
        """A whole number; None where there is none."""
        if key not in self.data:
            return None
        value = self.data[key]
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.wrong(key, f"a whole number from {low} to {high}")
        return value

    def tables(self, key: str) -> dict[str, Any]:
        """Tables by name: [key.NAME]."""
        value = self.data.get(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, f"written as [{key}.NAME]")
        return value

    def parts(self, key: str, keys: tuple[str, ...]) -> list[Section]:
        """A list of tables: [[key]]."""
        value = self.data.get(key, [])
        if not isinstance(value, list):
            raise self.wrong(key, "a list of tables")
        return [Section(part, f"{self.full(key)}[{number}]", keys) for number, part in enumerate(value, start=1)]

    def section(self, key: str, keys: tuple[str, ...]) -> Section:
        """One table of its own: [key]; empty where there is none."""
        return Section(self.data.get(key, {}), self.full(key), keys)
