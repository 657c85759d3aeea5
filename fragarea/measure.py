"""The pipeline: one photo in, measurements and doubts out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, isfinite

from fragarea.area import estimate_area, split_among_plugs
from fragarea.area.shares import NOTHING, Share
from fragarea.check import measure_shapes, sheet_for
from fragarea.doubts import Doubt
from fragarea.errors import SiteNotFound
from fragarea.measurement import (
    FragmentMeasurement,
    FragmentStatus,
    MeasureSettings,
    PhotoMeasurement,
    settings_hash,
)
from fragarea.photo.records import Photo
from fragarea.reference import (
    Light,
    compare_scales,
    find_scale,
    light_from_patches,
    scale_from_rims,
    scale_from_two_points,
)
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.lens import LensProfile
from fragarea.reference.plane import PhotoScale
from fragarea.sites import cut_windows, find_plugs
from fragarea.sites.records import PlugSighting, SiteDescription, SiteKind, SiteView
from fragarea.tissue import TissueCalibration, segment_windows
from fragarea.tissue.records import Sureness, TissueOutlines
from fragarea.tissue.segment import unsure

DEAD_SHARE = 0.05  # of live + dead area; a smaller share is within the outline's own error
REMNANT_MM2 = 2.0  # less live or dead surface than this is not a fragment any more


def measure_photo(
    photo: Photo,
    site: SiteDescription,
    settings: MeasureSettings,
    *,
    layout: ReferenceLayout | None,
    lens: LensProfile | None = None,
    expected: frozenset[tuple[int, int]] | None = None,
) -> PhotoMeasurement:
    """Measure every fragment of one photo.

    Parameters
    ----------
    photo : Photo
    site : SiteDescription
    settings : MeasureSettings
    layout : ReferenceLayout or None
        None: the rim of a plug, or the two points in `settings`, are the scale.
    lens : LensProfile or None
    expected : frozenset of (row, column) or None
        Positions at which a fragment is recorded; None when nothing is recorded.

    Returns
    -------
    PhotoMeasurement

    Raises
    ------
    PhotoProblem
        If the photo gives no scale, no site or no outline to trust.
    """
    scale = _scale(photo, site, settings, layout, lens)
    # what is read at places on the print is read where they truly lie
    printed = layout.printed(settings.print_factor) if layout else None
    light = light_from_patches(photo.pixels, scale, printed) if printed else None
    if site.kind is SiteKind.SHAPES:
        view = SiteView((), 0.0, 0.0, "given")
        fragments = _measure_sheet(photo, scale, printed, site.reference_offset_mm or 0.0)
        if not fragments:
            raise SiteNotFound(
                photo.name,
                f"no known-area shape was found beside {scale.reference}",
                "photograph the printed known-area sheet inside the reference it was made for",
            )
    else:
        view = find_plugs(photo.pixels, scale.plane, printed, site)
        calibration = TissueCalibration(*settings.tissue_shift)
        fragments = _measure_plugs(photo, site, scale, light, view, expected, calibration)
    return PhotoMeasurement(
        photo=photo.name,
        sha256=photo.sha256,
        taken_at=photo.taken_at,
        taken_at_source=photo.taken_at_source,
        camera=photo.camera,
        width_px=photo.pixels.shape[1],
        height_px=photo.pixels.shape[0],
        site=site,
        settings=settings,
        settings_hash=settings_hash(site, settings),
        method=scale.method,
        reference=scale.reference,
        mm_per_px=scale.mm_per_px,
        camera_height_mm=scale.plane.camera_height_mm,
        tilt_deg=scale.plane.tilt_deg,
        plug_top_mm=view.plug_top_mm,
        plug_top_source=view.plug_top_source,
        tags_seen=len(scale.tags_seen),
        tags_used=len(scale.tags_used),
        rms_px=scale.rms_px,
        fragments=fragments,
        doubts=_photo_doubts(photo, settings, scale, view),
        plane=scale.plane,
    )


def _scale(
    photo: Photo,
    site: SiteDescription,
    settings: MeasureSettings,
    layout: ReferenceLayout | None,
    lens: LensProfile | None,
) -> PhotoScale:
    if settings.two_points_px is not None:
        return scale_from_two_points(
            settings.two_points_px[:2],
            settings.two_points_px[2:],
            settings.two_points_mm,
            settings.two_points_u_mm,
            image_size=(photo.pixels.shape[1], photo.pixels.shape[0]),
        )
    if layout is None:
        return scale_from_rims(photo.pixels, site.plug_mm, site.plug_u_mm, photo.camera, photo_name=photo.name)
    return find_scale(
        photo.pixels,
        layout,
        photo.camera,
        photo_name=photo.name,
        lens=lens,
        print_factor=settings.print_factor,
        print_u_rel=settings.print_u_rel,
    )


def _photo_doubts(photo: Photo, settings: MeasureSettings, scale: PhotoScale, view: SiteView) -> tuple[Doubt, ...]:
    doubts = [*scale.doubts, *view.doubts]
    # rims that told the height of the plug tops agree with the scale nearly by construction
    if scale.method == "tags" and view.plug_top_source != "rims" and isfinite(view.rim_scale):
        names = (scale.reference, "plug rims")
        scale_u = hypot(scale.scale_u_rel, scale.print_u_rel)
        disagrees = compare_scales(1.0, scale_u, view.rim_scale, view.rim_scale_u, names=names)
        doubts += [disagrees] if disagrees else []
    unseen = [_place_words(plug) for plug in view.plugs if _out_of_view(plug)]
    doubts += [Doubt("cut_off", "not measured: " + "; ".join(unseen))] if unseen else []
    if scale.method == "tags" and not settings.print_checked:
        doubts.append(Doubt("print_unchecked"))
    if photo.taken_at_source == "file name":
        doubts.append(Doubt("date_from_name"))
    if photo.taken_at is None:
        doubts.append(Doubt("date_unknown"))
    return tuple(dict.fromkeys(doubts))


def _measure_sheet(
    photo: Photo, scale: PhotoScale, layout: ReferenceLayout | None, height_mm: float
) -> tuple[FragmentMeasurement, ...]:
    if layout is None:
        raise SiteNotFound(photo.name, "known-area shapes need the printed frame", "give its --reference")
    return tuple(
        FragmentMeasurement(
            position=None,
            label=shape.shape_id,
            centre_mm=shape.centre_mm,
            plug_radius_mm=None,
            status=FragmentStatus.LIVE,
            live=estimate_area(shape.outline, scale=scale, plug_top_mm=height_mm, edge_u_mm=shape.edge_u_mm),
            bleached_mm2=0.0,
            dead_mm2=0.0,
            outline_live=shape.outline,
            outline_bleached=NOTHING,
            outline_dead=NOTHING,
            edge_height_mm=height_mm,
            confidence=1.0,
        )
        for shape in measure_shapes(photo.pixels, scale.plane, layout, sheet_for(layout.name), height_mm=height_mm)
    )


@dataclass(frozen=True)
class _Piece:
    """Tissue of one plug or place before it is judged."""

    plug: PlugSighting
    share: Share
    edge_u_mm: float
    confidence: float
    doubts: tuple[Doubt, ...]


def _measure_plugs(
    photo: Photo,
    site: SiteDescription,
    scale: PhotoScale,
    light: Light | None,
    view: SiteView,
    expected: frozenset[tuple[int, int]] | None,
    calibration: TissueCalibration,
) -> tuple[FragmentMeasurement, ...]:
    windows = cut_windows(photo.pixels, scale.plane, view, site)
    if not windows:
        raise SiteNotFound(
            photo.name,
            f"no plug of {site.plug_mm:g} mm was found",
            "check the kind of site and the plug diameter, and retake with all plugs in view",
        )
    outlines = segment_windows(windows, light, calibration)
    if site.kind is SiteKind.PAD:
        pieces = _pad_pieces(site, view, outlines[0])
    else:
        pieces = _plug_pieces(view, outlines, expected)
    return tuple(_fragment(piece, site, scale, view, expected) for piece in sorted(pieces, key=_reading_order))


def _plug_pieces(
    view: SiteView, outlines: Sequence[TissueOutlines], expected: frozenset[tuple[int, int]] | None
) -> list[_Piece]:
    present = [plug for plug in view.plugs if plug.present]
    pieces = [
        _Piece(plug, Share(o.live, o.bleached, o.dead), o.edge_u_mm, o.confidence, o.doubts)
        for plug, o in zip(present, outlines, strict=True)
    ]
    absent = [
        plug
        for plug in view.plugs
        if not plug.present and not _out_of_view(plug) and (expected is None or plug.position in expected)
    ]
    return pieces + [_Piece(plug, Share(), 0.0, 1.0, (Doubt("plug_missing"),)) for plug in absent]


def _out_of_view(plug: PlugSighting) -> bool:
    """Nothing found at a place that the photo cuts: the photo cannot tell whether the plug is missing."""
    return not plug.present and plug.in_view < 1.0


def _place_words(plug: PlugSighting) -> str:
    return "row {}, column {}".format(*plug.position) if plug.position else plug.label


def _pad_pieces(site: SiteDescription, view: SiteView, outlines: TissueOutlines) -> list[_Piece]:
    """The tissue of a pad, split among its plugs; patches that grow on no plug become places of their own."""
    plugs = [plug for plug in view.plugs if plug.present]
    shares, strays = split_among_plugs(
        outlines.live, outlines.bleached, outlines.dead, [plug.centre_mm for plug in plugs], site.plug_mm / 2
    )
    pieces = [_piece_of_pad(plug, share, outlines) for plug, share in zip(plugs, shares, strict=True)]
    loose = [stray for stray in strays if stray.live.area >= REMNANT_MM2]
    for number, stray in enumerate(loose, start=1):
        middle = stray.live.centroid
        place = PlugSighting(None, (middle.x, middle.y), None, present=True, label=f"patch {number}")
        piece = _piece_of_pad(place, stray, outlines)
        pieces.append(replace(piece, doubts=(*piece.doubts, Doubt("more_tissue_than_plugs"))) if plugs else piece)
    return pieces


def _piece_of_pad(plug: PlugSighting, share: Share, outlines: TissueOutlines) -> _Piece:
    sure = Sureness(outlines.edge_u_mm, outlines.confidence)
    if not share.live.is_empty and outlines.patches:
        # of the patch that holds most of it
        held = [patch.intersection(share.live).area for patch in outlines.live.geoms]
        sure = outlines.patches[held.index(max(held))]
    doubts = (*outlines.doubts, *(unsure(sure) if not share.live.is_empty else ()))
    doubts += (Doubt("touches_neighbour"),) if share.touches else ()
    return _Piece(plug, share, sure.edge_u_mm, sure.confidence, doubts)


def _fragment(
    piece: _Piece,
    site: SiteDescription,
    scale: PhotoScale,
    view: SiteView,
    expected: frozenset[tuple[int, int]] | None,
) -> FragmentMeasurement:
    plug, share = piece.plug, piece.share
    live = estimate_area(
        share.live,
        scale=scale,
        plug_top_mm=view.plug_top_mm,
        plug_top_u_mm=view.plug_top_u_mm,
        edge_height_mm=site.edge_height_mm,
        edge_height_u_mm=site.edge_height_u_mm,
        edge_u_mm=piece.edge_u_mm,
    )
    doubts = [*plug.doubts, *piece.doubts]
    if expected is not None and plug.present and plug.position is not None and plug.position not in expected:
        doubts.append(Doubt("plug_unexpected"))
    return FragmentMeasurement(
        position=plug.position,
        label=plug.label,
        centre_mm=plug.centre_mm,
        plug_radius_mm=plug.rim.radius_mm if plug.rim else None,
        status=_status(live.area_mm2, share.dead.area),
        live=live,
        bleached_mm2=share.bleached.area,
        dead_mm2=share.dead.area,
        outline_live=share.live,
        outline_bleached=share.bleached,
        outline_dead=share.dead,
        edge_height_mm=view.plug_top_mm + site.edge_height_mm,
        confidence=piece.confidence,
        doubts=tuple(dict.fromkeys(doubts)),
    )


def _status(live_mm2: float, dead_mm2: float) -> FragmentStatus:
    if live_mm2 < REMNANT_MM2:
        return FragmentStatus.DEAD if dead_mm2 >= REMNANT_MM2 else FragmentStatus.MISSING
    if dead_mm2 >= REMNANT_MM2 and dead_mm2 > DEAD_SHARE * (live_mm2 + dead_mm2):
        return FragmentStatus.PARTLY_DEAD
    return FragmentStatus.LIVE


def _reading_order(piece: _Piece) -> tuple[tuple[int, int], bool, int, str]:
    label = piece.plug.label
    number = int(label) if label.isdecimal() else 0
    return (piece.plug.position or (0, 0), not label.isdecimal(), number, label)
