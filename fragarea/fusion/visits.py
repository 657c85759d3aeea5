"""One photo of a pad becomes a visit: patches, pairs and progress, with what redrawn edges make of them."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import MultiPoint, MultiPolygon

from fragarea.fusion.edges import Floats, draw_errors
from fragarea.fusion.neighbours import Layout
from fragarea.fusion.pairs import APART, CONTACT, FUSED, Pairs, pairs_of
from fragarea.fusion.progress import progress_of
from fragarea.fusion.records import NOTHING, FusionRules, PadFragment, PadVisit, PairVisit, Patch
from fragarea.fusion.registration import register
from fragarea.fusion.tissue import TOUCHING_MM, PadPhoto, PhotoFragment, Shapes, Tissue, tissue_of


def visit_of(photo: PadPhoto, layout: Layout, rules: FusionRules, *, with_outlines: bool = False) -> PadVisit:
    """What a photo tells about fusion.

    Parameters
    ----------
    photo : PadPhoto
    layout : Layout
        Neighbours among the photo's fragments.
    rules : FusionRules
    with_outlines : bool
        Keep the outlines of fragments, patches and hull.

    Returns
    -------
    PadVisit
        Borders that only time tells and setbacks are not in it yet; see :func:`fragarea.fusion.course.history_of`.

    Raises
    ------
    ValueError
        If the layout is of other fragments than the photo.
    """
    fragments = sorted(photo.fragments, key=lambda one: one.fragment)
    if tuple(one.fragment for one in fragments) != layout.names:
        raise ValueError(f"the layout is of {layout.names}, the photo of {[one.fragment for one in fragments]}")
    tissue = tissue_of(fragments)
    seed = int.from_bytes(hashlib.blake2b(photo.sha256.encode(), digest_size=6).digest(), "big")
    rng = np.random.default_rng([rules.seed, seed])
    u = [one.edge_u_mm if math.isfinite(one.edge_u_mm) else 0.0 for one in fragments]
    errors = draw_errors(u, tissue.fragment, photo.mm_per_px, rules.draws, rng)
    factor = 1 + photo.area_u_rel * rng.normal(size=rules.draws)
    pairs = pairs_of(fragments, layout, tissue, errors, rules)
    hull = _hull(photo, layout)
    inside = shapely.contains_xy(hull, tissue.edges.middle)
    grown, grown_inside = errors.areas(tissue.edges, np.ones(len(inside), dtype=bool), inside)
    drawn = np.maximum((tissue.area_mm2[:, None] + grown) * factor, 0.0)
    patches = _patches(fragments, tissue, drawn, with_outlines=with_outlines)
    covered = float(shapely.area(shapely.intersection(tissue.parts, hull)).sum())
    progress = progress_of(
        tissue,
        pairs,
        drawn,
        hull_mm2=float(hull.area),
        covered_mm2=covered,
        covered_drawn=covered + grown_inside.sum(axis=0),
        factor=factor,
    )
    return PadVisit(
        site=photo.site,
        taken_at=photo.taken_at.replace(tzinfo=None),
        photo=photo.photo,
        sha256=photo.sha256,
        measurement_id=photo.measurement_id,
        spacing_mm=layout.spacing_mm,
        fragments=_fragments(fragments, tissue, with_outlines=with_outlines),
        patches=patches,
        pairs=_pair_visits(photo, fragments, pairs),
        progress=progress,
        hull_mm=MultiPolygon([hull]) if with_outlines else NOTHING,
    )


def _hull(photo: PadPhoto, layout: Layout) -> shapely.Geometry:
    """Convex hull of the plugs on the photo, the same at every visit: a plug misplaced on one photo moves nothing."""
    own = dict(zip(layout.names, layout.centres_mm, strict=True))
    motion = register(own, {one.fragment: one.centre_mm for one in photo.fragments})
    return MultiPoint(motion.points(layout.centres_mm)).buffer(photo.plug_mm / 2, quad_segs=32).convex_hull


def _fragments(fragments: Sequence[PhotoFragment], tissue: Tissue, *, with_outlines: bool) -> tuple[PadFragment, ...]:
    held = np.bincount(tissue.home[tissue.home >= 0], minlength=1)
    return tuple(
        PadFragment(
            fragment=one.fragment,
            genotype=one.genotype,
            centre_mm=one.centre_mm,
            status=one.status,
            live_mm2=one.live_mm2,
            live_u_mm2=one.live_u_mm2,
            dead_mm2=one.dead_mm2,
            patch=int(home) + 1,
            shared=bool(home >= 0 and held[home] > 1),
            edge_u_mm=one.edge_u_mm,
            outline=tissue.of_fragments[number] if with_outlines else NOTHING,
            doubts=one.doubts,
        )
        for number, (one, home) in enumerate(zip(fragments, tissue.home.tolist(), strict=True))
    )


def _patches(
    fragments: Sequence[PhotoFragment], tissue: Tissue, drawn: Floats, *, with_outlines: bool
) -> tuple[Patch, ...]:
    found = []
    for number in range(int(tissue.patch.max(initial=-1)) + 1):
        own = np.flatnonzero(tissue.patch == number)
        members = [one.fragment for one, home in zip(fragments, tissue.home.tolist(), strict=True) if home == number]
        found.append(
            Patch(
                number=number + 1,
                genotype=fragments[tissue.fragment[own[0]]].genotype,
                fragments=tuple(members),
                area_mm2=float(tissue.area_mm2[own].sum()),
                area_u_mm2=float(drawn[own].sum(axis=0).std(ddof=1)),
                outline=_joined(tissue.parts[own]) if with_outlines else NOTHING,
            )
        )
    return tuple(found)


def _joined(parts: Shapes) -> MultiPolygon:
    whole = shapely.union_all(parts, grid_size=TOUCHING_MM)
    return MultiPolygon([part for part in shapely.get_parts(whole) if part.geom_type == "Polygon"])


def _pair_visits(photo: PadPhoto, fragments: Sequence[PhotoFragment], pairs: Pairs) -> tuple[PairVisit, ...]:
    shares = np.stack([(pairs.drawn == code).mean(axis=1) for code in (APART, CONTACT, FUSED)], axis=1)
    # contact and fused are a border between genotypes
    border = np.where(pairs.one_genotype, 0.0, shares[:, CONTACT] + shares[:, FUSED])
    shares[~pairs.one_genotype, CONTACT:] = 0.0
    columns = (
        pairs.distance_mm,
        pairs.gap_mm,
        pairs.gaps_mm.std(axis=1, ddof=1),
        pairs.neck_mm,
        pairs.necks_mm.std(axis=1, ddof=1),
        *shares.T,
        border,
    )
    taken_at = photo.taken_at.replace(tzinfo=None)
    found = []
    for (a, b), state, numbers in zip(pairs.index.tolist(), pairs.states, np.array(columns).T.tolist(), strict=True):
        one, other = fragments[a], fragments[b]
        distance, gap, gap_u, neck, neck_u, p_apart, p_contact, p_fused, p_border = numbers
        found.append(
            PairVisit(
                site=photo.site,
                taken_at=taken_at,
                fragment_a=one.fragment,
                fragment_b=other.fragment,
                genotype_a=one.genotype,
                genotype_b=other.genotype,
                distance_mm=distance,
                gap_mm=gap,
                gap_u_mm=gap_u,
                neck_mm=neck,
                neck_u_mm=neck_u,
                state=state,
                p_apart=p_apart,
                p_contact=p_contact,
                p_fused=p_fused,
                p_border=p_border,
            )
        )
    return tuple(found)
