"""A nursery that is measured once for all tests that only look at it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.samples import PAD_PHOTO, REFUSED_PHOTO, SHEET_PHOTOS, TRAY_PHOTO, make_nursery, run


@pytest.fixture(scope="session")
def measured_nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two measured photos, a refused one and a known-area check, in a folder with spaces and accents."""
    folder = make_nursery(
        tmp_path_factory.mktemp("nurseries") / "Récif à l'été", TRAY_PHOTO, PAD_PHOTO, REFUSED_PHOTO
    )
    checked = run("check", SHEET_PHOTOS[0], "--nursery", folder)
    assert checked.exit_code == 0, checked.output
    result = run("measure", folder, "--workers", "2")
    assert result.exit_code == 3, result.output
    return folder
