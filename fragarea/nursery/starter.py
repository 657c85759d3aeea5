"""A new nursery folder to fill in."""

from __future__ import annotations

import json
from pathlib import Path

from fragarea.errors import SettingsProblem
from fragarea.nursery import fragments, placements
from fragarea.nursery.section import SETTINGS_FILE
from fragarea.nursery.site_choice import PHOTOS_FOLDER
from fragarea.nursery.words import fault_in_text, tidy

FIRST_SITE = "TRAY-1"

_TEMPLATE = """\
# Settings of this nursery. Lines that begin with # are notes; take the # away to use a setting.

name = {name}

# Photos from most cameras carry no time zone. Name yours once:
# time_zone = "Pacific/Palau"

# The printed reference that lies in the photos, and the plugs, unless a site below says otherwise.
reference = "frame-280x220"
plug_mm = 25.0      # diameter of the plugs, measured with a calliper
plug_u_mm = 0.1     # how sure that is (standard uncertainty)

# Height of the visible tissue edge above the plug top, in mm. An encrusting rim stands about 0.5 mm high, a freshly
# cut piece as high as it is thick.
edge_height_mm = 0.5
edge_height_u_mm = 0.3

# Two genotypes whose names look like two spellings of one:
# different_genotypes = [["Reef A1", "Reef A-1"]]


# One section a tray, pad or single plug. Photos of it go to photos/NAME/.
[sites.{site}]
kind = "tray"
# rows = 5                    # left out: taken from the plugs found
# columns = 8
# pitch_mm = 32.0             # between the middles of neighbouring plugs
# reference_offset_mm = 4.0   # plug tops that far above the printed reference; left out: taken from the plug rims
# tag = 101                   # a tag with id 100 or above glued to the tray names it in the photo

# [sites.PAD-1]
# kind = "pad"
# plug_mm = 22.0
# places = [
#   {{ label = "1", x_mm = 95.2, y_mm = 66.7 }},
#   {{ label = "2", x_mm = 125.0, y_mm = 66.7 }},
# ]

# [sites.PLUG-1]
# kind = "single"
# reference = "card-80x50"


# Edge heights by species, and by age in days since cutting.
# [[heights]]
# species = "Genus species"
# age_days_max = 30
# edge_height_mm = 4.0
# edge_height_u_mm = 1.5


# When a fragment or pad is ready to go out: what your permit and practice ask for. Rules may name a species, a
# genotype or a site_kind ("tray", "pad", "single"); a later one overrides an earlier one, limit by limit. A rule of
# your own may compare area_cm2, cover, age_days, days_since_loss, bleached, dead and fused.
# [[outplanting.rules]]
# min_area_cm2 = 4.0
# min_cover = 0.8             # part of the plug
# min_age_days = 120
# no_loss_days = 60
# max_bleached = 0.05         # part of the live tissue
# min_fused = 0.8             # part of a pad's neighbouring pairs
# also = "area_cm2 >= 5 or cover > 0.9"

# Times without outplanting; what holds the fragments only for some months; how much may be cut of a colony; and how
# many living outplants are wanted by when, for the weekly report.
# [[outplanting.closed]]
# name = "storm season"
# from = "11-15"
# to = "02-28"
# [[outplanting.substrates]]
# name = "cotton line"
# sites = ["{site}"]
# holds_months = [6, 8]
# [[outplanting.broodstock]]
# colony = "name of the colony as in fragments.csv"
# live_cm2 = 300
# max_share = 0.1             # of it in a year
# [[outplanting.goals]]
# by = 2027-09-01
# number = 60                 # or: wanted = {{ G1 = 20, G2 = 40 }}
"""


def start_nursery(folder: str | Path, name: str = "") -> tuple[Path, ...]:
    """Make a nursery folder: nursery.toml with notes, empty tables, and photos/TRAY-1/.

    Nothing that exists is overwritten; a table that is there already stays.

    Parameters
    ----------
    folder : str or Path
        Made if absent.
    name : str
        Of the nursery; the folder's name if empty.

    Returns
    -------
    tuple of Path
        What was made.

    Raises
    ------
    SettingsProblem
        If the folder is a nursery already, the name cannot be used, or the folder cannot be written.
    """
    root = Path(folder)
    title = tidy(name) or root.resolve().name
    if fault := fault_in_text(title):
        raise SettingsProblem(f"the name {title[:40]!r} {fault}. Choose another one.")
    if (root / SETTINGS_FILE).exists() or (root / SETTINGS_FILE).is_symlink():
        raise SettingsProblem(f"{folder}: there is a {SETTINGS_FILE} already. Edit it, or choose another folder.")
    quoted = json.dumps(title, ensure_ascii=False)  # for text without control characters JSON and TOML quote alike
    files = {
        root / SETTINGS_FILE: _TEMPLATE.format(name=quoted, site=FIRST_SITE),
        root / "fragments.csv": ",".join(fragments.COLUMNS) + "\n",
        root / "placements.csv": ",".join(placements.COLUMNS) + "\n",
    }
    try:
        photos = root / PHOTOS_FOLDER / FIRST_SITE
        photos.mkdir(parents=True, exist_ok=True)
        return (*(path for path, text in files.items() if _write_new(path, text)), photos)
    except OSError as error:
        raise SettingsProblem(f"{folder}: cannot be written ({error.strerror}). Choose another folder.") from error


def _write_new(path: Path, text: str) -> bool:
    if path.suffix == ".csv" and path.with_suffix(".xlsx").exists():
        return False
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        return False
    return True
