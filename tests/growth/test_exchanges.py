"""Doubts about exchanges stand beside the measurements until a person decides."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from fragarea.doubts import Doubt
from fragarea.growth import LeftOut, doubt_exchanges, open_exchanges, read_record
from fragarea.growth_view import view_growth
from fragarea.logbook import (
    ExchangeDecision,
    Logbook,
    Verdict,
    exchange_decisions_of,
    history_of,
    keep_exchange_decision,
    mark_wrong,
    open_logbook,
    record,
)
from fragarea.nursery import Tables
from tests.logbook.samples import TAKEN, fragment, measured

NAMES = {(row, column): f"P{row}{column}" for row in (1, 2, 3) for column in range(1, 6)}
NONE = Tables((), ())


def _visit(logbook: Logbook, week: int, *, exchanged: bool, photo: str = "") -> None:
    """Discs of many sizes that grow alike; the first two stand in each other's place."""
    radius = {place: 5.0 + 0.3 * number + 0.05 * week for number, place in enumerate(NAMES)}
    radius[1, 2] += 1.0
    if exchanged:
        radius[1, 1], radius[1, 2] = radius[1, 2], radius[1, 1]
    shown = tuple(fragment(place, math.pi * r**2, bleached_mm2=0.0, dead_mm2=0.0) for place, r in radius.items())
    made = measured(f"{week}{photo}", taken_at=TAKEN + timedelta(weeks=week), fragments=shown)
    record(logbook, made, path=f"{week}{photo}.jpg", names=NAMES)


def _doubted(logbook: Logbook) -> dict[str, list[str]]:
    """Days and details of the doubts about an exchange, by fragment."""
    return {
        name: found
        for name in NAMES.values()
        if (
            found := [
                f"{visit.taken_at:%m-%d} {doubt.detail}"
                for visit in history_of(logbook, name)
                for doubt in visit.doubts
                if doubt.key == "changed_places"
            ]
        )
    }


@pytest.fixture
def exchanged(tmp_path: Path):
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        for week in range(4):
            _visit(logbook, week, exchanged=week >= 2)
        _visit(logbook, 2, exchanged=True, photo="b")
        yield logbook


def test_each_photo_of_the_visit_names_both_fragments_and_the_odds(exchanged: Logbook) -> None:
    for _ in range(2):  # never twice
        (mixup,) = doubt_exchanges(exchanged, NONE)
        said = f"03-21 P11 and P12, odds {mixup.odds_words}"
        assert _doubted(exchanged) == {"P11": [said, said], "P12": [said, said]}
    assert Doubt("changed_places", said[6:]) == mixup.doubt


@pytest.mark.parametrize("verdict", [Verdict.ACCEPTED, Verdict.AS_RECORDED])
def test_a_decision_ends_the_doubt_until_it_is_taken_back(exchanged: Logbook, verdict: Verdict) -> None:
    (mixup,) = doubt_exchanges(exchanged, NONE)
    decision = ExchangeDecision("TRAY-1", mixup.taken_at.date(), ("P12", "P11"), verdict, "Ana", "sure")
    number = keep_exchange_decision(exchanged, decision)
    assert doubt_exchanges(exchanged, NONE) == ()
    assert _doubted(exchanged) == {}
    assert LeftOut.MAYBE_EXCHANGED not in view_growth(exchanged, NONE).left_out
    keep_exchange_decision(exchanged, replace(decision, verdict=Verdict.TAKEN_BACK), takes_back=number)
    assert exchange_decisions_of(exchanged) == []
    assert doubt_exchanges(exchanged, NONE) == (mixup,)
    assert len(_doubted(exchanged)) == 2


def test_a_decision_is_about_one_visit(exchanged: Logbook) -> None:
    (mixup,) = doubt_exchanges(exchanged, NONE)
    earlier = mixup.taken_at.date() - timedelta(weeks=1)
    keep_exchange_decision(
        exchanged, ExchangeDecision("TRAY-1", earlier, ("P11", "P12"), Verdict.AS_RECORDED, "Ana", "sure")
    )
    assert doubt_exchanges(exchanged, NONE) == (mixup,)


def test_a_doubt_that_no_longer_holds_goes(exchanged: Logbook) -> None:
    doubt_exchanges(exchanged, NONE)
    _visit(exchanged, 2, exchanged=False)  # the same week measured anew
    with exchanged.writing() as connection:
        connection.exec_driver_sql("UPDATE measurements SET is_current = 0 WHERE path LIKE '2%' AND id < 6")
    (mixup,) = doubt_exchanges(exchanged, NONE)
    assert set(_doubted(exchanged)) == {"P11", "P12"}
    assert all(said.startswith("03-28") for found in _doubted(exchanged).values() for said in found)
    assert mixup.taken_at == TAKEN + timedelta(weeks=3)


def test_growth_leaves_out_what_is_marked_wrong_and_compares_nothing_with_it(exchanged: Logbook) -> None:
    doubt_exchanges(exchanged, NONE)
    wrong = [visit.fragment_id for visit in history_of(exchanged, "P11") if visit.taken_at >= TAKEN + timedelta(14)]
    mark_wrong(exchanged, wrong, marked_by="Ana", reason="hand in the way")
    assert doubt_exchanges(exchanged, NONE) == ()
    assert _doubted(exchanged) == {}
    view = view_growth(exchanged, NONE)
    assert view.left_out[LeftOut.MARKED_WRONG] == 3
    points = next(curve.points for curve, _ in view.fragments if curve.fragment == "P11")
    assert [point.taken_at for point in points] == [TAKEN, TAKEN + timedelta(weeks=1)]
    mark_wrong(exchanged, wrong, marked_by="Ana", reason="it was not", wrong=False)
    assert LeftOut.MARKED_WRONG not in view_growth(exchanged, NONE).left_out


def test_a_logbook_that_may_not_be_written_is_only_read(exchanged: Logbook) -> None:
    only_read = replace(exchanged, read_only=True)
    assert len(open_exchanges(only_read, read_record(only_read, NONE))) == 1
    assert _doubted(exchanged) == {}
