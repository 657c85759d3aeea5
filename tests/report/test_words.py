from datetime import UTC, datetime, timedelta, timezone

import pytest

from fragarea.doubts import Doubt
from fragarea.report.fonts import font, printable, shortened, width_of, wrapped
from fragarea.report.words import (
    by_weight,
    fragment_name,
    natural_key,
    needs_look,
    place_key,
    place_words,
    when_words,
)
from tests.report.scene import fragment


def test_a_fragment_goes_by_its_name_else_by_its_place():
    assert fragment_name(fragment((2, 5)), {(2, 5): "P13"}) == "P13"
    assert fragment_name(fragment((2, 5))) == "R2 C5"
    assert fragment_name(fragment(None, "disc100")) == "disc100"
    assert fragment_name(fragment(None)) == "fragment"
    assert place_words("7") == "7"


def test_notes_ask_for_no_look_and_heavier_doubts_come_first():
    assert not needs_look([Doubt("rim_unsure")])
    assert needs_look([Doubt("rim_unsure"), Doubt("glare")])
    assert [d.key for d in by_weight([Doubt("rim_unsure"), Doubt("glare"), Doubt("blur"), Doubt("glare")])] == [
        "blur",
        "glare",
        "rim_unsure",
    ]


def test_places_are_ordered_as_a_person_counts():
    assert sorted(["10", "2", "a1", "1", ""], key=natural_key) == ["", "1", "2", "10", "a1"]
    places = [fragment((2, 1)), fragment((1, 10)), fragment((1, 2)), fragment(None, "3")]
    assert [place_words(f.position or f.label) for f in sorted(places, key=place_key)] == [
        "R1 C2",
        "R1 C10",
        "R2 C1",
        "3",
    ]


def test_any_label_can_be_ordered():
    # digits that are no decimal numbers (superscripts, fractions) and endless ones must not stop a sort
    labels = ["²", "½", "9" * 5000, "٣", "1", "\ud800", "x" * 5000]
    assert len(sorted(labels, key=natural_key)) == len(labels)


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        (None, "date unknown"),
        (datetime(2026, 3, 7, 10, 15, 30), "2026-03-07 10:15"),
        (datetime(2026, 3, 7, 10, 15, tzinfo=timezone(-timedelta(hours=5, minutes=30))), "2026-03-07 10:15 -05:30"),
        (datetime(2026, 3, 7, 10, 15, tzinfo=UTC), "2026-03-07 10:15 +00:00"),
        (datetime(2026, 3, 7).date(), "2026-03-07"),
        (datetime(5, 3, 7, 10, 15), "0005-03-07 10:15"),
    ],
)
def test_dates_are_iso_8601_with_the_offset_when_known(moment, words):
    assert when_words(moment) == words


def test_typeface_draws_the_signs_of_an_area_and_accents():
    unknown = bytes(font(32).getmask("\uffff"))
    for sign in "±²°·…–éÅñçøł":
        assert bytes(font(32).getmask(sign)) != unknown, sign


def test_letters_outside_the_typeface_lose_their_accent_or_become_a_question_mark():
    assert printable("Cő 3") == "Co 3"
    assert printable("珊瑚") == "??"
    assert printable("a\x00b\u202ec\n") == "abc " or printable("a\x00b\u202ec\n") == "abc"


def test_text_is_cut_and_wrapped_to_its_width():
    face = font(20)
    long = "a tray at the far end of the second raceway"
    assert width_of(shortened(long, face, 120), face) <= 120
    assert shortened(long, face, 120).endswith("…")
    lines = wrapped(long + " " + "x" * 400, face, 200)
    assert all(width_of(line, face) <= 200 for line in lines)
    assert " ".join(lines[:-1]) == long
