"""Names that people type: made comparable, checked, and compared."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable

MAX_LETTERS = 80

_FORMULA_STARTS = ("=", "+", "-", "@")
_PATH_SIGNS = set('/\\:*?"<>|')


def tidy(text: str) -> str:
    """Text with composed accents (NFC), no surrounding blanks and single spaces inside."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def fault_in_text(name: str, *, longest: int = MAX_LETTERS) -> str:
    """What is wrong with a text that will stand in spreadsheets and on a terminal; empty when it can be used."""
    if len(name) > longest:
        return f"is longer than {longest} letters"
    if any(unicodedata.category(letter)[0] == "C" for letter in name):
        return "holds an invisible character"
    if "\ufffd" in name:
        return "holds a letter that could not be read; save the table as UTF-8"
    if name.startswith(_FORMULA_STARTS):
        return f"begins with {name[0]!r}, which a spreadsheet would take for a formula"
    return ""


def fault_in_name(name: str) -> str:
    """As `fault_in_text`, for names of sites, places and fragments, which may also become file names."""
    if fault := fault_in_text(name):
        return fault
    if name.startswith("."):
        return "begins with a full stop"
    if signs := sorted(_PATH_SIGNS & set(name)):
        return f"holds {signs[0]!r}, which cannot stand in a file name"
    return ""


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like `word`, for "did you mean"; empty when none is like it."""
    by_fold = {item.casefold(): item for item in known}
    found = difflib.get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.6)
    return by_fold[found[0]] if found else ""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A sentence that names the nearest known word, or lists the few there are."""
    words = list(known)
    if guess := nearest(word, words):
        return f"Did you mean {guess!r}?"
    if not words:
        return "None is described yet."
    return f"Known: {', '.join(words[:12])}{', ...' if len(words) > 12 else ''}."
