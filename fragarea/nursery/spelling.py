"""Names that seem to be one genotype spelled two ways."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

# typed for each other, and hard to tell on a wet label
_LOOKALIKES = str.maketrans({"0": "o", "1": "l", "i": "l", "|": "l"})
_MIN_TYPO_LETTERS = 5


@dataclass(frozen=True)
class Spelling:
    """A name and the line of the table where it first stands."""

    name: str
    line: int
    species: str


def spelled_two_ways(
    spellings: Sequence[Spelling], different: Iterable[tuple[str, str]] = ()
) -> list[tuple[Spelling, Spelling]]:
    """Pairs of names that differ only in how they are typed.

    Parameters
    ----------
    spellings : sequence of Spelling
        Each name once.
    different : iterable of (name, name)
        Pairs that are known to be two genotypes.

    Returns
    -------
    list of (earlier, later)
        Names that are equal but for capitals, accents, blanks, hyphens, leading zeros or look-alikes (O and 0, I, l
        and 1); and, within a species, names of which one word of five letters or more has one letter missing, added,
        replaced or two swapped, other than at its end: ``Reef A`` and ``Reef B``, ``G1`` and ``G2`` are two names.
    """
    apart = {frozenset(pair) for pair in different}
    pairs, by_trace = [], dict[object, Spelling]()
    for later in sorted(spellings, key=lambda spelling: spelling.line):
        found = set()
        for trace in _traces(later):
            earlier = by_trace.setdefault(trace, later)
            if earlier.name in found or earlier.name == later.name or frozenset((earlier.name, later.name)) in apart:
                continue
            if _keys(earlier.name) & _keys(later.name) or _typo(earlier.name, later.name):
                found.add(earlier.name)
                pairs.append((earlier, later))
    return pairs


def _traces(spelling: Spelling) -> Iterator[object]:
    """What a name shares with the names it might be confused with.

    Two words that differ by one slip are equal once the right letter is taken out of one or both, so that pairs are
    found by look-up and thousands of genotypes cost no time.
    """
    yield from _keys(spelling.name)
    words = _words(spelling.name)
    for at, word in enumerate(words):
        if len(word) >= _MIN_TYPO_LETTERS and not word.isdigit():
            rest = (spelling.species.casefold(), *words[:at], None, *words[at + 1 :])
            yield rest, word
            for letter in range(len(word) - 1):
                yield rest, word[:letter] + word[letter + 1 :]


def _words(name: str, *, zeros: bool = False) -> list[str]:
    """Runs of letters and runs of digits, folded; digits without leading zeros unless `zeros`."""
    letters = unicodedata.normalize("NFKD", name).casefold()
    plain = "".join(letter for letter in letters if not unicodedata.combining(letter))
    words = re.findall(r"\d+|[^\W\d_]+", plain)
    return words if zeros else [word.lstrip("0") or "0" if word.isdigit() else word for word in words]


def _keys(name: str) -> set[str]:
    """What names that differ only in typing share.

    Two keys, without and with leading zeros: ``B-7`` meets ``B-07`` by the first, and ``B-O7`` by the second.
    """
    return {_joined(_words(name)), _joined(_words(name, zeros=True))}


def _joined(words: list[str]) -> str:
    """Words in one, look-alikes made equal. Digits parted by a sign stay parted: A1-1 is not A11."""
    text = ""
    for word in words:
        text += "-" + word if text[-1:].isdigit() and word.isdigit() else word
    return text.translate(_LOOKALIKES)


def _typo(first: str, second: str) -> bool:
    ours, theirs = _words(first), _words(second)
    if len(ours) != len(theirs):
        return False
    unequal = [(a, b) for a, b in zip(ours, theirs, strict=True) if a != b]
    return len(unequal) == 1 and _one_slip(*unequal[0])


def _one_slip(first: str, second: str) -> bool:
    """Whether two words differ by one slip of the finger before their last letter."""
    if min(len(first), len(second)) < _MIN_TYPO_LETTERS or first.isdigit() or second.isdigit():
        return False
    # a different last letter tells siblings apart (ReefA, ReefB), and so does a Roman numeral (ReefII, ReefIII)
    if first[-1] != second[-1] or first.rstrip("ivx") == second.rstrip("ivx"):
        return False
    while first[0] == second[0]:
        first, second = first[1:], second[1:]
    swapped = first[:2] == second[1::-1] and first[2:] == second[2:]
    return swapped or first[1:] == second[1:] or first[1:] == second or first == second[1:]
