"""What changed from one report to the next."""

from __future__ import annotations

import json
from dataclasses import replace

from fragarea.weekly.changes import Said, changes

SAID = Said(
    look={"F2": ("bare skeleton",), "F10": ("missing",)},
    exchanges=frozenset({"F3 and F4 (TRAY-1, 2026-03-07)"}),
    extension={"G1": (0.24, 0.2, 0.28, 0.02)},
    sites={"TRAY-1": ("2026-03-07", 40, 6000.0, 60.0)},
    checked_on="2026-02-01",
)


def test_nothing_new_is_said_too() -> None:
    assert changes(SAID, SAID) == ("Nothing on the lists changed.",)


def test_what_was_said_is_read_back_from_json() -> None:
    assert Said.from_dict(json.loads(json.dumps(SAID.to_dict()))) == SAID


def test_what_another_version_said_is_not_read() -> None:
    assert Said.from_dict(SAID.to_dict() | {"form": 99}) is None
    assert Said.from_dict({}) is None


def test_every_change_has_its_sentence() -> None:
    now = Said(
        look={"F2": ("sudden loss of tissue", "bare skeleton"), "F1": ("bleached",), "F11": ("missing",)},
        exchanges=frozenset({"F5 and F6 (TRAY-2, 2026-03-14)"}),
        extension={"G1": (0.25, 0.21, 0.29, 0.02), "G2": (0.5, 0.4, 0.6, 0.05), "": (0.1, 0.0, 0.2, 0.05)},
        sites={"TRAY-2": ("2026-03-14", 8, 800.0, 20.0), "TRAY-1": ("2026-03-14", 39, 6200.0, 60.0)},
        checked_on="2026-03-10",
    )
    assert changes(SAID, now) == (
        "New to look at: F1 (bleached), F11 (missing).",
        "Other signs than then: F2 (sudden loss of tissue, bare skeleton; then bare skeleton).",
        "No longer on the list: F10.",
        "New possible exchange: F5 and F6 (TRAY-2, 2026-03-14).",
        "No longer a possible exchange: F3 and F4 (TRAY-1, 2026-03-07).",
        "First estimate of growth: G2, no genotype.",
        "TRAY-1: 62.0 ± 0.6 cm² live tissue on 39 fragments (2026-03-14); then 60.0 ± 0.6 cm² on 40 (2026-03-07).",
        "TRAY-2: 8.00 ± 0.20 cm² live tissue on 8 fragments (2026-03-14); not in that report.",
        "A known-area check was made on 2026-03-10.",
    )


def test_a_site_told_of_on_the_same_day_again_is_no_change() -> None:
    assert changes(SAID, replace(SAID, sites={})) == ("Nothing on the lists changed.",)
