"""Which site a photo shows: by option, by its folder, or by a tag in view."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from fragarea.errors import SiteNotFound
from fragarea.nursery.records import Nursery, Site
from fragarea.nursery.settings import FIRST_SITE_TAG
from fragarea.nursery.words import did_you_mean, tidy

PHOTOS_FOLDER = "photos"


def site_for_photo(
    nursery: Nursery, path: str | os.PathLike[str], tag_ids: Iterable[int] = (), option: str | None = None
) -> str:
    """Return the name of the site that a photo shows.

    The option counts first; then the folder, ``photos/SITE/...`` at any depth; then a tag with an id of 100 or more
    in view. Where folder and tag name different sites the photo is refused, because measuring it for the wrong one
    would mix up fragments; where several site tags are in view, the folder's own decides.

    Parameters
    ----------
    nursery : Nursery
    path : str or path
        Of the photo.
    tag_ids : iterable of int
        All tags seen in the photo.
    option : str, optional
        Site named by the user.

    Raises
    ------
    SiteNotFound
        If nothing names a site, the named one is not described, or folder and tag disagree.
    """
    photo = Path(path).name
    if option is not None:
        return _by_option(nursery, photo, option)
    by_folder = _by_folder(nursery, Path(path))
    by_tag = [site for site in nursery.sites if site.tag_id is not None and site.tag_id in set(tag_ids)]
    if by_folder:
        _check_agreement(photo, by_folder, by_tag)
        return by_folder.name
    if len(by_tag) > 1:
        names = " and ".join(site.name for site in by_tag)
        raise SiteNotFound(photo, f"tags of {names} are in view", f"Move the photo to {PHOTOS_FOLDER}/SITE/")
    if by_tag:
        return by_tag[0].name
    raise _nothing_known(nursery, photo, Path(path), tag_ids)


def _by_option(nursery: Nursery, photo: str, option: str) -> str:
    site = _named(nursery, option)
    if site is None:
        advice = did_you_mean(option, [one.name for one in nursery.sites])
        raise SiteNotFound(photo, f"site {option!r} is not described in nursery.toml", advice.rstrip("."))
    return site.name


def _by_folder(nursery: Nursery, path: Path) -> Site | None:
    return next((site for part in _folders(nursery, path) if (site := _named(nursery, part))), None)


def _folders(nursery: Nursery, path: Path) -> tuple[str, ...]:
    """Folders between photos/ and the photo; none for a photo elsewhere."""
    photos = (nursery.folder / PHOTOS_FOLDER).resolve()
    # The path itself is not resolved: photos/TRAY-1 may be a link to another disk, and its name is what counts.
    written = Path(os.path.normpath(path.absolute()))
    root = next((parent for parent in written.parents if parent.resolve() == photos), None)
    return written.relative_to(root).parts[:-1] if root else ()


def _named(nursery: Nursery, name: str) -> Site | None:
    wanted = _fold(name)
    return next((site for site in nursery.sites if _fold(site.name) == wanted), None)


def _fold(name: str) -> str:
    # some systems store file names with their accents apart
    return unicodedata.normalize("NFC", tidy(name).casefold())


def _check_agreement(photo: str, by_folder: Site, by_tag: list[Site]) -> None:
    if by_tag and by_folder not in by_tag:
        cause = (
            f"it lies in the folder of {by_folder.name}, but tag {by_tag[0].tag_id} of {by_tag[0].name} is in view"
        )
        raise SiteNotFound(photo, cause, "Move it to the right folder, or name the site with --site")


def _nothing_known(nursery: Nursery, photo: str, path: Path, tag_ids: Iterable[int]) -> SiteNotFound:
    names = [site.name for site in nursery.sites]
    if not names:
        remedy = "Describe the tray or pad in nursery.toml under [sites.NAME]"
        return SiteNotFound(photo, "nursery.toml describes no site", remedy)
    stray = sorted(tag for tag in tag_ids if tag >= FIRST_SITE_TAG)
    if stray:
        remedy = f"Write tag = {stray[0]} under its site in nursery.toml, or move the photo to {PHOTOS_FOLDER}/SITE/"
        return SiteNotFound(photo, f"tag {stray[0]} in view belongs to no site of nursery.toml", remedy)
    if folders := _folders(nursery, path):
        remedy = f"{did_you_mean(folders[0], names)} Rename the folder or describe the site in nursery.toml"
        return SiteNotFound(photo, f"no site is named after its folder {folders[0]!r}", remedy)
    remedy = f"Move it to {PHOTOS_FOLDER}/{names[0]}/ or the like, or name the site with --site"
    return SiteNotFound(photo, "nothing says which tray or pad this is", remedy)
