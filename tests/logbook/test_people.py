"""Marks, decisions and other names: what people say is kept, and no measurement is overwritten."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from fragarea.doubts import Doubt
from fragarea.errors import LogbookProblem, TableProblem
from fragarea.logbook import (
    Attribution,
    ExchangeDecision,
    Logbook,
    Verdict,
    current_measurements,
    edits_of,
    exchange_decisions_of,
    history_of,
    keep_exchange_decision,
    keep_exchange_doubts,
    mark_wrong,
    marks_of,
    measurements_of,
    open_logbook,
    record,
    uncompared,
)
from tests.logbook.samples import TAKEN, measured

NAMES = {(1, 1): "P01", (1, 2): "P02"}
DECISION = ExchangeDecision(
    "TRAY-1", date(2026, 3, 7), ("P01", "P02"), Verdict.ACCEPTED, "Ana", "plugs were washed", odds=2000.0
)


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(tmp_path / "logbook.sqlite") as opened:
        record(opened, measured("one"), path="one.jpg", names=NAMES)
        yield opened


def _doubts(logbook: Logbook, fragment: str) -> list[str]:
    return [str(doubt) for visit in history_of(logbook, fragment) for doubt in visit.doubts]


def test_a_mark_stands_beside_the_measurement_until_it_is_taken_back(logbook: Logbook) -> None:
    (before,) = history_of(logbook, "P01")
    mark_wrong(logbook, [before.fragment_id], marked_by="Ana", reason="hand in the way")
    (visit,) = history_of(logbook, "P01")
    assert replace(visit, doubts=()) == replace(before, doubts=())
    assert _doubts(logbook, "P01") == ["marked wrong (Ana: hand in the way)"]
    assert "marked wrong" not in str(_doubts(logbook, "P02"))
    (mark,) = marks_of(logbook)
    assert mark.place == (1, 1)
    assert (mark.fragment, mark.site, mark.taken_at, mark.said) == ("P01", "TRAY-1", TAKEN, "Ana: hand in the way")
    mark_wrong(logbook, [before.fragment_id], marked_by="Bo", reason="it was glare", wrong=False)
    assert (_doubts(logbook, "P01"), marks_of(logbook)) == ([], [])
    said = [(edit.marked_wrong, edit.edited_by, edit.reason) for edit in edits_of(logbook, before.fragment_id)]
    assert said == [(True, "Ana", "hand in the way"), (False, "Bo", "it was glare")]


def test_a_mark_outlives_measuring_the_photo_again(logbook: Logbook) -> None:
    (visit,) = history_of(logbook, "P02")
    mark_wrong(logbook, [visit.fragment_id], marked_by="Ana", reason="algae")
    record(logbook, measured("one"), path="one.jpg", names=NAMES, again=True)
    record(logbook, measured("two", taken_at=TAKEN + timedelta(days=7)), path="two.jpg", names=NAMES)
    first, second = history_of(logbook, "P02")
    assert first.fragment_id != visit.fragment_id
    assert "marked_wrong" in {doubt.key for doubt in first.doubts}
    assert "marked_wrong" not in {doubt.key for doubt in second.doubts}


def test_a_mark_lets_the_history_be_compared_anew(logbook: Logbook) -> None:
    (visit,) = history_of(logbook, "P01")
    with logbook.writing() as connection:
        connection.exec_driver_sql("UPDATE measurements SET history_compared = 1")
    mark_wrong(logbook, [visit.fragment_id], marked_by="Ana", reason="algae")
    assert uncompared(logbook).measurement_ids == (visit.measurement_id,)
    with pytest.raises(ValueError, match="no fragment measurement 99"):
        mark_wrong(logbook, [99], marked_by="Ana", reason="algae")


def test_other_names_are_new_rows_with_the_same_numbers(logbook: Logbook) -> None:
    (old,) = current_measurements(logbook)
    first, second = old.fragment_ids
    keep_exchange_doubts(logbook, {first: Doubt("changed_places", "P01 and P02, odds 2 000 to 1")})
    mark_wrong(logbook, [second], marked_by="Ana", reason="algae")
    names = {first: "P02", second: "P01"}
    keep_exchange_decision(logbook, DECISION, attributions=[Attribution(old.measurement_id, names, "h" * 16, "p")])
    (new,) = current_measurements(logbook)
    assert new.fragment_names == ("P02", "P01")
    assert new.supersedes == old.measurement_id
    assert (new.measurement.settings_hash, new.measurement.settings.placements_hash) == ("h" * 16, "p")
    assert new.software_version == old.software_version
    for now, before in zip(new.measurement.fragments, old.measurement.fragments, strict=True):
        assert replace(now, doubts=()) == replace(before, doubts=())
    # doubts of the photo and marks go along, those of comparing are found anew
    assert new.measurement.doubts == old.measurement.doubts
    keys = [[doubt.key for doubt in part.doubts] for part in new.measurement.fragments]
    assert keys == [[], ["outline_unsure", "rim_unsure", "marked_wrong"]]
    assert uncompared(logbook).measurement_ids == (old.measurement_id, new.measurement_id)
    kept = next(one for one in measurements_of(logbook, old.measurement.sha256) if not one.is_current)
    assert kept.fragment_names == ("P01", "P02")
    (edit,) = edits_of(logbook, first)
    assert (edit.new_fragment, edit.edited_by, edit.reason) == ("P02", "Ana", "plugs were washed")


def test_a_decision_is_kept_whole_or_not_at_all(logbook: Logbook) -> None:
    (old,) = current_measurements(logbook)
    one = Attribution(old.measurement_id, {old.fragment_ids[0]: "P09"}, "h", "p")

    def fails() -> None:
        raise TableProblem("placements.csv", ["cannot be written"])

    with pytest.raises(TableProblem, match="cannot be written"):
        keep_exchange_decision(logbook, DECISION, attributions=[one], before_commit=fails)
    assert exchange_decisions_of(logbook) == []
    assert current_measurements(logbook)[0].fragment_names == ("P01", "P02")
    keep_exchange_decision(logbook, DECISION, attributions=[one])
    with pytest.raises(LogbookProblem, match="measured again meanwhile"):
        keep_exchange_decision(logbook, DECISION, attributions=[one])


def test_a_decision_holds_until_it_is_taken_back(logbook: Logbook) -> None:
    change = {"file": "placements.csv", "changes": [{"line": 3}]}
    number = keep_exchange_decision(logbook, replace(DECISION, table_change=change))
    (kept,) = exchange_decisions_of(logbook)
    assert replace(kept, decided_at=None, number=0) == replace(DECISION, table_change=change)
    back = replace(DECISION, verdict=Verdict.TAKEN_BACK, decided_by="Bo", reason="wrong tray")
    keep_exchange_decision(logbook, back, takes_back=number)
    assert exchange_decisions_of(logbook) == []


def test_doubts_about_exchanges_come_once_and_go(logbook: Logbook) -> None:
    first, second = current_measurements(logbook)[0].fragment_ids
    doubt = Doubt("changed_places", "P01 and P02, odds 2 000 to 1")
    for _ in range(2):
        keep_exchange_doubts(logbook, {first: doubt, second: doubt})
        assert _doubts(logbook, "P01") == [str(doubt)]
    weaker = Doubt("changed_places", "P01 and P02, odds 1 500 to 1")
    keep_exchange_doubts(logbook, {first: weaker})
    assert _doubts(logbook, "P01") == [str(weaker)]
    keep_exchange_doubts(logbook, {})
    assert _doubts(logbook, "P01") == []
    assert _doubts(logbook, "P02") == ["outline unsure (confidence 0.42)", "plug rim unsure"]
