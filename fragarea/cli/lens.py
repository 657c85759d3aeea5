"""Make a lens profile from photos of a printed board."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from fragarea.cli.options import FiniteRange
from fragarea.errors import PhotoProblem, SettingsProblem
from fragarea.photo import read_photo
from fragarea.photo.records import CameraInfo
from fragarea.reference.lens import fit_lens, save_lens


def _size(_context: click.Context, _option: click.Parameter, value: str) -> tuple[int, int]:
    parts = value.lower().replace("×", "x").split("x")
    if len(parts) != 2 or not all(part.strip().isdecimal() for part in parts):
        raise click.BadParameter("give columns x rows, for example 9x6")
    columns, rows = (int(part) for part in parts)
    if min(columns, rows) < 3:
        raise click.BadParameter("at least 3 x 3 points are needed")
    return columns, rows


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--name", required=True, help="Name of the profile, for example phone-main.")
@click.option(
    "--pattern", type=click.Choice(["chess", "dots"]), default="chess", show_default=True, help="Kind of board."
)
@click.option(
    "--points",
    callback=_size,
    default="9x6",
    show_default=True,
    help="Inner corners of the chess board, or dots: columns x rows.",
)
@click.option(
    "--square-mm",
    type=FiniteRange(0, 1000, min_open=True),
    metavar="MM",
    default=25.0,
    show_default=True,
    help="Distance between neighbouring points in mm.",
)
@click.option(
    "--to",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("lenses"),
    show_default=True,
    help="Folder for the profile; a nursery keeps its own in lenses/.",
)
@click.option("--replace", is_flag=True, help="Overwrite a profile of this name.")
def lens(
    photos: tuple[Path, ...],
    name: str,
    pattern: str,
    points: tuple[int, int],
    square_mm: float,
    folder: Path,
    replace: bool,
) -> None:
    """Fit a lens profile from PHOTOS of a flat printed board, and say how good it is.

    Take about ten photos of the whole board from several sides, out to the corners of the picture, with the camera,
    zoom and housing that photograph the fragments; under water, if they are photographed under water.

    \b
    Example:
      fragarea lens board/*.jpg --name phone-main --points 9x6 --square-mm 25 --to my-nursery/lenses
    """
    if Path(name).name != name or name in ("", ".", ".."):
        raise SettingsProblem(f"--name {name!r} must be a plain name without folders.")
    target = folder / f"{name}.json"
    if target.exists() and not replace:
        raise SettingsProblem(f"{target} exists. Give --replace to overwrite it, or another --name.")
    images = []
    camera = CameraInfo()
    for path in photos:
        try:
            photo = read_photo(path, allow_grey=True)
        except PhotoProblem as problem:
            click.echo(f"left out {problem}", err=True)
            continue
        images.append((photo.name, photo.pixels))
        camera = photo.camera
    fit = fit_lens(
        images,
        pattern="dots" if pattern == "dots" else "chess",
        corners=points,
        square_mm=square_mm,
        name=name,
        make=camera.make,
        model=camera.model,
        made_on=date.today().isoformat(),
    )
    save_lens(fit.profile, target)
    for photo_name, rms_px in fit.used:
        click.echo(f"{photo_name}: points miss by {rms_px:.2f} pixels")
    for photo_name, reason in fit.left_out:
        click.echo(f"left out {photo_name}: {reason}")
    click.echo(f"{fit.verdict}\nwrote {target}")
