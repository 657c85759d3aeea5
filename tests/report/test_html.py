import base64
import re
from dataclasses import replace
from datetime import date, datetime
from html.parser import HTMLParser

import numpy as np
import pytest

from fragarea.doubts import Doubt
from fragarea.report.html import PagePhoto, RefusedPhoto, ReportPage, render_page, thumbnail, write_page
from fragarea.report.pictures import jpeg_bytes
from fragarea.report.words import CAUTIONS
from tests.report.scene import TAKEN, fragment, measured, rows

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>&amp;{{7*7}}"
VOID = {"meta", "img", "br"}


class Reader(HTMLParser):
    """Outside check: the standard library's parser. Collects tags, attributes and text; ends must match starts."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.words.append(data)

    @property
    def seen(self) -> str:
        return " ".join(" ".join(self.words).split())


def photo(**changes) -> PagePhoto:
    made = PagePhoto(
        photo="IMG_0412.jpg",
        site="TRAY-1",
        visit_on=date(2026, 3, 7),
        taken_at=TAKEN,
        doubts=(Doubt("tilted", "17 degrees"), Doubt("print_unchecked")),
        picture="overlays/TRAY-1_IMG_0412.jpg",
        thumbnail_jpeg=jpeg_bytes(np.zeros((30, 40, 3), np.uint8)),
    )
    return replace(made, **changes)


def page(**changes) -> ReportPage:
    made = ReportPage(
        nursery="Lagoon nursery",
        made_at=datetime(2026, 3, 8, 9, 5),
        software_version="0.1.0",
        rows=rows(measured(doubts=photo().doubts)),
        photos=(photo(),),
        refused=(RefusedPhoto("IMG_0413.jpg", "found 1 of the 12 tags", "wipe the tags dry and retake"),),
        sheets=(("TRAY-1", date(2026, 3, 7), "sheets/TRAY-1 1.jpg"),),
        last_check="last check: 2026-03-01, bias +0.3 %",
    )
    return replace(made, **changes)


def test_page_says_how_many_were_measured_doubtful_and_refused():
    seen = Reader(render_page(page())).seen
    assert "1 photo measured" in seen
    assert "1 photo to look at" in seen
    assert "1 photo refused" in seen
    assert "Last check: 2026-03-01, bias +0.3 %" in seen
    assert "Lagoon nursery" in seen


def test_refusals_and_doubts_say_what_to_do_and_come_before_the_tables():
    seen = Reader(render_page(page())).seen
    for words in (
        "Found 1 of the 12 tags.",
        "Wipe the tags dry and retake.",
        "Outline unsure",
        "whole photo IMG_0412.jpg",
    ):
        assert words in seen
        assert seen.index(words) < seen.index("R1 C3")
    assert seen.index("Look at these first") < seen.index("No plug at this position") < seen.index("Camera tilted")
    assert seen.index("Print not checked") > seen.index("sum")


def test_every_fragment_has_its_area_and_doubts():
    made = page()
    seen = Reader(render_page(made)).seen
    for row in made.rows:
        assert f" {row.name} " in seen
    assert "outline unsure (confidence 0.42); plug rim unsure" in seen
    assert "missing" in seen
    assert "partly dead" in seen


def test_cautions_stand_on_the_page():
    seen = Reader(render_page(page())).seen
    assert all(" ".join(caution.split()) in seen for caution in CAUTIONS)
    assert "planar" in seen
    assert "people decide" in seen
    assert "permits" in seen
    assert "veterinarian" in seen


def test_page_needs_no_other_file_and_runs_nothing():
    written = render_page(page())
    reader = Reader(written)
    assert not re.search(r"https?://|//[a-z]", re.sub(r'src="data:[^"]+"', "", written))
    assert not {"script", "link", "iframe", "object", "form"} & {tag for tag, _ in reader.tags}
    assert not any(name.startswith("on") for _, attributes in reader.tags for name in attributes)
    for tag, attributes in reader.tags:
        if tag == "img":
            source = attributes["src"]
            assert source.startswith("data:image/jpeg;base64,")
            assert base64.b64decode(source.split(",")[1]) == photo().thumbnail_jpeg
            assert attributes["alt"]
    policy = [a for tag, a in reader.tags if tag == "meta" and a.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0]["content"].startswith("default-src 'none'")


def test_thumbnail_opens_the_large_picture_and_links_lead_somewhere():
    reader = Reader(render_page(page()))
    links = [attributes["href"] for tag, attributes in reader.tags if tag == "a"]
    assert "./overlays/TRAY-1_IMG_0412.jpg" in links
    assert "./sheets/TRAY-1%201.jpg" in links
    ids = {attributes["id"] for _, attributes in reader.tags if "id" in attributes}
    assert {link[1:] for link in links if link.startswith("#")} <= ids
    assert all(link.startswith(("#", "./")) for link in links)


def test_hostile_names_are_shown_and_never_become_markup():
    made = rows(measured((fragment(label=HOSTILE, doubts=(Doubt("glare", HOSTILE),)),)))
    odd = tuple(
        replace(row, site=HOSTILE, fragment=HOSTILE, genotype=HOSTILE, photo=HOSTILE, row=None, column=None)
        for row in made
    )
    hostile = page(
        nursery=HOSTILE,
        rows=odd,
        photos=(photo(photo=HOSTILE, site=HOSTILE, picture="javascript:" + HOSTILE),),
        refused=(RefusedPhoto(HOSTILE, HOSTILE, HOSTILE),),
        sheets=((HOSTILE, date(2026, 3, 7), "../../" + HOSTILE),),
        last_check=HOSTILE,
        software_version=HOSTILE,
    )
    reader = Reader(render_page(hostile))
    assert not {"script", "form"} & {tag for tag, _ in reader.tags}
    assert sum(tag == "img" for tag, _ in reader.tags) == 1
    assert not any(name.startswith("on") for _, attributes in reader.tags for name in attributes)
    assert reader.seen.count("<script>alert(1)</script>") >= 10
    links = [attributes["href"] for tag, attributes in reader.tags if tag == "a"]
    assert all(link.startswith(("#", "./")) for link in links)


def test_text_that_no_file_can_hold_does_not_stop_the_page(tmp_path):
    write_page(page(nursery="a\x00b\ud800c"), tmp_path / "index.html")
    assert "a b c" in (tmp_path / "index.html").read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["index.html"]


def test_empty_page_is_a_page():
    seen = Reader(render_page(page(rows=(), photos=(), refused=(), sheets=(), last_check=""))).seen
    assert "0 photos measured" in seen
    assert "No known-area check yet" in seen


def test_photo_without_fragments_still_stands_on_the_page():
    seen = Reader(render_page(page(rows=(), refused=(), sheets=()))).seen
    assert "IMG_0412.jpg" in seen
    assert "TRAY-1 · 2026-03-07" in seen


def test_photo_without_a_thumbnail_links_to_its_picture():
    reader = Reader(render_page(page(photos=(photo(thumbnail_jpeg=b""),))))
    assert not any(tag == "img" for tag, _ in reader.tags)
    assert "./overlays/TRAY-1_IMG_0412.jpg" in [a["href"] for tag, a in reader.tags if tag == "a"]


def test_page_adapts_to_phone_dark_and_paper():
    written = render_page(page())
    assert '<meta name="viewport" content="width=device-width, initial-scale=1">' in written
    for rule in ("prefers-color-scheme: dark", "@media print", "max-width: 44rem"):
        assert rule in written


@pytest.mark.parametrize("theme", [0, 1])
def test_text_has_strong_contrast_in_light_and_in_dark(theme):
    # WCAG 2.2, success criterion 1.4.6: 7 to 1 for text, 1.4.3: 4.5 to 1 for quieter words and links
    style = re.search(r"<style>(.*?)</style>", render_page(page()), re.DOTALL)[1]
    colours = dict(
        re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", re.findall(r":root \{(.*?)\}", style, re.DOTALL)[theme])
    )
    for ground in ("paper", "card", "look", "refused"):
        assert contrast(colours["ink"], colours[ground]) >= 7
        assert contrast(colours["soft"], colours[ground]) >= 4.5
        assert contrast(colours["link"], colours[ground]) >= 4.5


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two hexadecimal colours (WCAG 2.2, definitions)."""

    def luminance(colour: str) -> float:
        c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        return float(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])

    high, low = sorted([luminance(one), luminance(other)], reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_thumbnails_shrink_with_the_number_of_photos():
    overlay = np.random.default_rng(1).integers(0, 255, (1200, 1000, 3), dtype=np.uint8)
    few, many = thumbnail(overlay, 3), thumbnail(overlay, 300)
    assert len(many) < 0.6 * len(few)


def test_values_carry_their_heading_and_unit_for_screens_without_room_for_a_heading():
    shown = render_page(page())
    cell = re.search(r'<td[^>]*data-label="of plug"[^>]*>(\d+)</td>', shown)
    assert cell is not None
    assert 'data-unit="%"' in cell.group(0)
    assert re.search(r'<td[^>]*data-label="live" data-unit="cm²">[\d.]+ ± [\d.]+</td>', shown)
    # a state is no number of cm²
    assert re.search(r'<td[^>]*data-label="live">missing</td>', shown)
