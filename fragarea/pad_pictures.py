"""Pictures of pads as files: strip, contact graph and progress; reads photos and writes pictures."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from pathlib import Path

import numpy as np
from PIL import Image as PillowImage

from fragarea.errors import FragareaError, SettingsProblem
from fragarea.fusion import FusionRules, PadVisit
from fragarea.fusion_view import view_fusion
from fragarea.logbook import Logbook, measurements_of
from fragarea.nursery import Tables
from fragarea.photo import read_photo
from fragarea.report.pad_graph import draw_pad_graph
from fragarea.report.pad_plot import progress_figure
from fragarea.report.pad_shots import PadShot, ShotOf
from fragarea.report.pad_strip import draw_pad_strip
from fragarea.report.pictures import file_stem, write_whole
from fragarea.report.plots import png_bytes, svg_bytes
from fragarea.report.strokes import Image

ENDINGS = ("-strip.png", "-graph.png", "-progress.png", "-progress.svg")
"""What stands behind the name of a pad in the names of its pictures."""


def picture_stems(sites: Iterable[str]) -> dict[str, str]:
    """A file name without ending for each site, safe on every system and not used twice.

    Examples
    --------
    >>> picture_stems(["Pad 1", "Pad-1", "Pad à l'été"])
    {'Pad 1': 'Pad-1', 'Pad-1': 'Pad-1_2', "Pad à l'été": 'Pad-à-l-été'}
    """
    stems: dict[str, str] = {}
    taken: set[str] = set()
    for site in sites:
        stem, number = file_stem(site), 2
        while stem.casefold() in taken:  # some file systems do not tell capitals from small letters
            stem, number = f"{file_stem(site)}_{number}", number + 1
        taken.add(stem.casefold())
        stems[site] = stem
    return stems


def picture_files(folder: Path, sites: Iterable[str], *, replace: bool) -> dict[str, tuple[Path, ...]]:
    """Files of the pictures of each site.

    Raises
    ------
    SettingsProblem
        If the folder is a file, or a picture is there already and not to be replaced.
    """
    if folder.exists() and not folder.is_dir():
        raise SettingsProblem(f"--pictures {folder}: this is a file. Give a folder.")
    files = {
        site: tuple(folder / f"{stem}{ending}" for ending in ENDINGS) for site, stem in picture_stems(sites).items()
    }
    old = next((path for paths in files.values() for path in paths if path.exists()), None)
    if old is not None and not replace:
        raise SettingsProblem(f"{old} exists. Give --replace to overwrite it, or another folder.")
    return files


def write_pad_pictures(
    logbook: Logbook,
    tables: Tables,
    nursery_folder: Path,
    files: Mapping[str, tuple[Path, ...]],
    *,
    since: date | None = None,
    until: date | None = None,
    rules: FusionRules | None = None,
    on_written: Callable[[Path], None] = lambda _path: None,
) -> None:
    """Draw the pictures of pads one after the other.

    Parameters
    ----------
    logbook : Logbook
    tables : Tables
    nursery_folder : Path
        Where the photos lie.
    files : mapping of site to Path
        As :func:`picture_files` names them.
    since, until : date, optional
        First and last day shown.
    rules : FusionRules, optional
    on_written : callable, optional
        Called with each file that is written.

    Raises
    ------
    SettingsProblem
        If a file cannot be written.
    """
    shot_of = shots_from(logbook, nursery_folder)
    for site, paths in files.items():
        view = view_fusion(logbook, tables, site=site, since=since, until=until, rules=rules, with_outlines=True)
        for pad in view.pads:
            strip, graph = (picture_png(draw(pad, shot_of)) for draw in (draw_pad_strip, draw_pad_graph))
            progress = progress_figure(pad)
            for path, content in zip(paths, (strip, graph, png_bytes(progress), svg_bytes(progress)), strict=True):
                write_whole(path, content)
                on_written(path)


def shots_from(logbook: Logbook, nursery_folder: Path) -> ShotOf:
    """Photos of visits from a nursery folder; one that is not there or has changed is told as gone."""

    def shot_of(visit: PadVisit) -> PadShot:
        known = {one.measurement_id: one for one in measurements_of(logbook, visit.sha256)}
        stored = known.get(visit.measurement_id)
        if stored is None or stored.measurement.plane is None:
            return PadShot(None, None, why_not="measured without a map of the photo")
        file = nursery_folder / stored.path
        if not file.is_file():
            return PadShot(None, None, why_not="the photo is not there any more")
        try:
            photo = read_photo(file)
        except (FragareaError, OSError):
            return PadShot(None, None, why_not="the photo cannot be read")
        if photo.sha256 != visit.sha256:
            return PadShot(None, None, why_not="the photo has changed since")
        heights = [one.edge_height_mm for one in stored.measurement.fragments]
        return PadShot(photo.pixels, stored.measurement.plane.project, float(np.median(heights)))

    return shot_of


def picture_png(image: Image) -> bytes:
    """A picture as PNG, the same bytes every time."""
    buffer = io.BytesIO()
    PillowImage.fromarray(image).save(buffer, "PNG")
    return buffer.getvalue()
