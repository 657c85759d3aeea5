"""The nursery's own shifts of the tissue model, in its folder."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from fragarea.errors import SettingsProblem
from fragarea.tissue.calibration import AS_LEARNED, TissueCalibration

FILE = "tissue.json"
SCHEMA = "fragarea-tissue-calibration-1"


def load_calibration(nursery: Path) -> TissueCalibration:
    """Shifts that a nursery uses; none where it has not learned any.

    Raises
    ------
    SettingsProblem
        If the file is there and cannot be read.
    """
    path = nursery / FILE
    if not path.exists():
        return AS_LEARNED
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if found["schema"] != SCHEMA:
            raise ValueError(f"schema {found['schema']!r} is not known")
        shift = {field.name: float(found["shift"][field.name]) for field in fields(TissueCalibration)}
        if not all(math.isfinite(value) for value in shift.values()):
            raise ValueError("a shift is not a finite number")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SettingsProblem(
            f"{path}: the nursery's own tissue calibration cannot be read ({error}). "
            "Mend it, or go back to the model as it came with: fragarea adapt --forget."
        ) from error
    return TissueCalibration(**shift)


def save_calibration(nursery: Path, calibration: TissueCalibration, told: dict[str, Any], *, made_on: str) -> Path:
    """Write shifts and what is told of how they were made; the former file is kept under its own date."""
    path = nursery / FILE
    _put_away(path)
    content = {"schema": SCHEMA, "made_on": made_on, "shift": asdict(calibration), **told}
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    return path


def forget(nursery: Path) -> Path | None:
    """Go back to the model as it came; returns where the shifts are kept, None where there were none."""
    return _put_away(nursery / FILE)


def _put_away(path: Path) -> Path | None:
    if not path.exists():
        return None
    number = 1
    while (kept := path.with_name(f"{path.stem}-before-{number}.json")).exists():
        number += 1
    return path.rename(kept)
