"""Rows of photos for logbooks that benchmarks fill by themselves, a million at a time."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime

from fragarea.logbook.convert import plain, utc_text
from fragarea.measurement import MeasureSettings
from fragarea.sites.records import SiteDescription

Row = dict[str, object]


def measured_photo(
    name: int, measurement_id: int, site: SiteDescription, taken_at: datetime, **more: object
) -> tuple[Row, Row]:
    """A photo of a site and its measurement; `more` are further columns of the measurement."""
    sha, seen = f"{name:064d}", utc_text(datetime(2030, 1, 5, tzinfo=UTC))
    path = f"photos/{site.name}/{name}.jpg"
    photo = {"sha256": sha, "name": f"{name}.jpg", "path": path, "first_seen_at_utc": seen}
    measurement = {
        "id": measurement_id,
        "sha256": sha,
        "photo": f"{name}.jpg",
        "path": path,
        "outcome": "measured",
        "is_current": True,
        "software_version": "benchmark",
        "recorded_at_utc": seen,
        "settings_hash": "",
        "settings": plain(asdict(MeasureSettings())),
        "site_settings": plain(asdict(site)),
        "site": site.name,
        "taken_at": taken_at.isoformat(),
        "taken_at_source": "exif",
        "method": "tags",
        "reference": "frame-280x220",
        "plug_top_source": "given",
        "history_compared": True,
        "try_again": False,
        **more,
    }
    return photo, measurement
