"""The page itself: everything escaped, nothing outside it, every section from its record."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from markupsafe import Markup

import fragarea.weekly
from fragarea.growth import genotype_growth
from fragarea.report.pictures import jpeg_bytes
from fragarea.report.plots import extension_figures
from fragarea.weekly import WeeklyPage, render_weekly
from fragarea.weekly.page import inline_svg
from fragarea.weekly.records import (
    Changed,
    Check,
    Concerned,
    CutGoal,
    DoubtLine,
    Doubts,
    Exchange,
    Exchanges,
    Fragments,
    GenotypeLine,
    Growth,
    LookFirst,
    PadPictures,
    Pads,
    Photographed,
    Picture,
    PullLine,
    PullSite,
    Refused,
    Section,
    Shot,
    SiteTiles,
    Taken,
    Tile,
    ToOutplant,
    VisitLine,
)
from tests.report.test_html import HOSTILE, Reader
from tests.report.test_plots import discs

DAY = date(2026, 3, 7)
JPEG = jpeg_bytes(np.zeros((8, 8, 3), np.uint8))
TEMPLATES = Path(fragarea.weekly.__file__).parent / "templates"


def plot(name: str = "wide") -> Markup:
    (figure,) = extension_figures(genotype_growth(discs(8) + discs(8, "G2")).genotypes, width_in=4)
    return inline_svg(figure, name=name, about="Extension")


def page(text: str = "F1", **changes) -> WeeklyPage:
    """A page with every section, in which every text is `text`."""
    shot = Shot(Picture("1-300", text), DAY, text)
    tile = Tile(text, text, Picture("2-168", text), text, (text,), True, (text,))
    genotype = GenotypeLine(text, 3, 9, "0.24", "0.20 to 0.28", text, text)
    lines = (text,)
    sections = (
        Section(
            "photographed",
            text,
            Photographed((VisitLine(text, DAY, 1, 40, 2, text),), (Refused(text, text, text),), lines, lines),
        ),
        Section("changed", text, Changed(text, lines)),
        Section(
            "look-first",
            text,
            LookFirst((Concerned(text, text, text, lines, True, shot, None),), lines, lines, text),
        ),
        Section("exchanges", text, Exchanges((Exchange(text, ((text, shot, shot),)),), lines, text)),
        Section("growth", text, Growth((genotype,), plot(), plot("narrow"), lines, 3, text)),
        Section(
            "to-outplant",
            text,
            ToOutplant(
                (PullSite(text, (PullLine(text, text, text, text, text),)),),
                3,
                lines,
                ((text, lines),),
                lines,
                (CutGoal(text, (text, text), ((text, text),), lines),),
                text,
            ),
        ),
        Section("pads", text, Pads(lines, (PadPictures(text, JPEG, plot("pad1")),), 3)),
        Section("check", text, Check(text, is_due=True)),
        Section("doubts", text, Doubts((DoubtLine(text, text, text, lines),), (DoubtLine(text, text, text, lines),))),
        Section("fragments", text, Fragments((SiteTiles(text, (tile,)),), text)),
    )
    made = WeeklyPage(
        nursery=text,
        since=date(2026, 3, 1),
        until=DAY,
        made_at=datetime(2026, 3, 8, 9, 5, tzinfo=UTC),
        software_version="0.1.0",
        counts=((1, text, "good"),),
        sections=sections,
        pictures={"1-300": Taken(JPEG), "2-168": Taken(why_not=text)},
        cautions=(text,),
    )
    return replace(made, **changes)


class SvgReader(Reader):
    """HTML with SVG in it: an element that ends itself opens nothing."""

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_hostile_text_is_shown_as_text_in_every_section() -> None:
    reader = SvgReader(render_weekly(page(HOSTILE)))
    clean = SvgReader(render_weekly(page("F1")))
    assert [tag for tag, _ in reader.tags] == [tag for tag, _ in clean.tags]
    assert reader.seen.count("<script>alert(1)</script>") >= clean.seen.count("F1") > 30
    for (_, attributes), (_, plain) in zip(reader.tags, clean.tags, strict=True):
        assert attributes.keys() == plain.keys()


def test_control_characters_and_broken_letters_leave_a_page_that_can_be_written() -> None:
    written = render_weekly(page("a\x00b\x1fc\ud800d\u0085e"))
    assert "a b c d e" in written
    written.encode("utf-8")


def test_page_refers_to_nothing_outside_itself_and_runs_nothing() -> None:
    written = render_weekly(page())
    reader = SvgReader(written)
    assert not re.search(r"https?:|//[a-z]", re.sub(r'src="data:[^"]+"', "", written))
    assert not {"script", "link", "iframe", "object", "form"} & {tag for tag, _ in reader.tags}
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", written)
    assert "@import" not in written
    links = [a["href"] for tag, a in reader.tags if tag == "a"]
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert {link[1:] for link in links} <= set(ids)
    assert len(ids) == len(set(ids))
    policy = [a["content"] for tag, a in reader.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_pictures_are_inside_and_a_missing_one_says_why() -> None:
    reader = SvgReader(render_weekly(page(pictures={"1-300": Taken(JPEG), "2-168": Taken(why_not="gone")})))
    images = [attributes for tag, attributes in reader.tags if tag == "img"]
    assert images
    for attributes in images:
        assert base64.b64decode(attributes["src"].removeprefix("data:image/jpeg;base64,")) == JPEG
        assert attributes["alt"]
    assert "gone" in reader.seen
    assert [a["aria-label"] for _, a in reader.tags if "no-picture" in (a.get("class") or "")] == ["F1: gone"]


def test_sections_stand_in_the_order_given_with_links_to_them() -> None:
    made = page()
    reader = SvgReader(render_weekly(made))
    assert [a["id"] for tag, a in reader.tags if tag == "section"] == [section.key for section in made.sections]
    assert [a["href"] for tag, a in reader.tags if tag == "a"] == [f"#{section.key}" for section in made.sections]


@pytest.mark.parametrize("key", sorted(path.stem for path in TEMPLATES.glob("*.html")))
def test_no_template_turns_escaping_off(key: str) -> None:
    text = (TEMPLATES / f"{key}.html").read_text(encoding="utf-8")
    assert "|safe" not in text.replace(" ", "")
    assert "autoescape" not in text


def test_empty_sections_say_so() -> None:
    empty = (
        Section("photographed", "A", Photographed(())),
        Section("changed", "B", Changed("")),
        Section("look-first", "C", LookFirst(())),
        Section("growth", "D", Growth((), Markup(), Markup(), (), 0, "")),
        Section("doubts", "E", Doubts((), ())),
        Section("fragments", "F", Fragments(())),
    )
    seen = SvgReader(render_weekly(page(sections=empty))).seen
    for words in (
        "Nothing was measured on these days.",
        "the first report",
        "No photo of these days shows a loss of tissue or bleaching.",
        "None on these days.",
        "No fragment was photographed",
    ):
        assert words in seen


def test_figures_in_the_page_are_svg_without_styles_that_reach_beyond() -> None:
    drawn = plot()
    root = ElementTree.fromstring(drawn)
    assert root.tag == "svg"
    assert root.attrib["aria-label"] == "Extension"
    assert {"style", "metadata"}.isdisjoint(part.tag for part in root.iter())
    assert not re.search("xmlns|http", drawn)
    ids = {part.attrib["id"] for part in root.iter() if "id" in part.attrib}
    used = {part.attrib["href"][1:] for part in root.iter() if "href" in part.attrib}
    assert used <= ids
    assert all(one.startswith("wide-") for one in ids)
    assert plot() == drawn
