"""What a visit of a pad tells about fusion: fragments, patches, neighbour pairs and progress, with uncertainties.

The words: a *patch* is one connected piece of live tissue of one genotype; *neighbours* are plugs joined by an edge
of the Delaunay triangulation of the plug centres that is not too long; the *gap* of a pair is the shortest distance
between their outlines; its *neck* is the width of the narrowest passage of tissue on the widest way from one plug to
the other through the tissue of the two. A pair is

======== ==============================================================================================
apart    bare ground, or a third fragment, lies between the two, or one of them has no live tissue
contact  outlines touch (gap no wider than ``contact_mm``), and no neck is as wide as ``neck_mm`` yet
fused    one genotype, one patch, and a neck at least ``neck_mm`` wide
border   contact between two genotypes; or edges that have faced each other across a line no wider than
         ``border_line_mm`` for ``border_days`` or longer without fusing
======== ==============================================================================================

Everything else that is told of fusion - times to contact, forecasts, pictures - is made of these records.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum

from shapely import MultiPolygon

from fragarea.measurement import FragmentStatus

NOTHING = MultiPolygon()


class PairState(StrEnum):
    """How two neighbours stand to each other at a visit; the module's docstring defines each."""

    APART = "apart"
    CONTACT = "contact"
    FUSED = "fused"
    BORDER = "border"


@dataclass(frozen=True)
class FusionRules:
    """What counts as neighbours, contact and fusion, and how uncertainty is drawn.

    Attributes
    ----------
    neck_mm : float
        A neck at least so wide fuses two fragments.
    contact_mm : float
        Outlines at most so far apart are in contact: about what a photo resolves.
    reach : float
        An edge between plugs longer than this many spacings joins no neighbours; the spacing is the median edge.
        Below the square root of 2, so that the diagonals of a square layout, of which a triangulation holds one of
        two at random, are none.
    border_line_mm, border_days : float
        Outlines that have lain no farther apart than `border_line_mm` for `border_days`, or been in contact so long,
        without fusing have a border between them, of whatever genotypes they are (common practice, no source).
    draws : int
        How often the edges are redrawn within their uncertainty.
    seed : int
        Of the draws, together with the photo: the same photo gives the same figures.
    """

    neck_mm: float = 1.0
    contact_mm: float = 0.3
    reach: float = 1.35
    border_line_mm: float = 1.0
    border_days: float = 120.0
    draws: int = 100
    seed: int = 1

    def __post_init__(self) -> None:
        if not (self.neck_mm > 0 and self.contact_mm >= 0 and self.reach >= 1 and self.border_days >= 0):
            raise ValueError(
                f"neck_mm must be above 0, contact_mm and border_days not negative, reach at least 1; got {self}"
            )
        if self.draws < 2:
            raise ValueError(f"draws must be 2 or more, or nothing can be told of uncertainty; got {self.draws}")


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with what redrawn edges, scale and heights make of it; the unit is that of the field that holds it.

    Attributes
    ----------
    value : float
        Of the outlines as measured.
    u : float
        Standard uncertainty.
    low, high : float
        Bounds of the 95 % interval; not symmetric where the figure is a share or a count.
    """

    value: float
    u: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PadFragment:
    """One fragment of a pad at a visit.

    Attributes
    ----------
    fragment : str
        Recorded name; ``place 3`` where none is recorded at place 3.
    genotype : str
        Empty where the fragments table names none; fragments without one are taken as one genotype of their own.
    centre_mm : (float, float)
        Plug centre in the photo's reference axes, which turn with the frame: compare visits by
        :func:`fragarea.fusion.registration.register`.
    status : FragmentStatus
    live_mm2, live_u_mm2 : float
        Live tissue and its standard uncertainty.
    dead_mm2 : float
    patch : int
        Number of the patch that holds most of its tissue; 0 where it has none.
    shared : bool
        True when that patch holds tissue of other fragments too: the area then belongs to the patch, and `live_mm2`
        (cut half way between plugs) is only an estimate of this fragment's part.
    edge_u_mm : float
        Standard uncertainty of where the edge of its tissue lies.
    outline : MultiPolygon
        Live tissue in reference axes, mm; empty unless outlines were asked for.
    doubts : tuple of str
        Keys of doubts about its outline. What uncertainties are drawn from is an outline that is right but for its
        edge; where a doubt is right too, tissue may be missing or be none, and figures are off by more than they say.
    """

    fragment: str
    genotype: str
    centre_mm: tuple[float, float]
    status: FragmentStatus
    live_mm2: float
    live_u_mm2: float
    dead_mm2: float
    patch: int
    shared: bool
    edge_u_mm: float
    outline: MultiPolygon = field(default=NOTHING, repr=False, compare=False)
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Patch:
    """One connected piece of live tissue of one genotype.

    Attributes
    ----------
    number : int
        From 1, the largest first.
    genotype : str
    fragments : tuple of str
        Fragments that it holds tissue of, in order of name; empty for tissue that grows on no plug.
    area_mm2, area_u_mm2 : float
        Area and its standard uncertainty.
    outline : MultiPolygon
        Of one polygon; empty unless outlines were asked for.
    """

    number: int
    genotype: str
    fragments: tuple[str, ...]
    area_mm2: float
    area_u_mm2: float
    outline: MultiPolygon = field(default=NOTHING, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class PairVisit:
    """Two neighbours at a visit.

    Attributes
    ----------
    site : str
    taken_at : datetime
        By the camera's clock, without offset.
    fragment_a, fragment_b : str
        In order of name, so that a pair is called the same at every visit.
    genotype_a, genotype_b : str
    distance_mm : float
        Between the plug centres, over all visits: the spacing of this pair.
    gap_mm : float
        Shortest distance between the outlines; 0 where the two touch; nan where one of them has no live tissue.
    gap_u_mm : float
        Standard uncertainty of the gap, from redrawn edges; nan with the gap.
    neck_mm, neck_u_mm : float
        Width of the narrowest passage between the two plugs, and its standard uncertainty; 0 where there is none.
    state : PairState
        Of the outlines as measured, and of the visits before for a border within a genotype.
    p_apart, p_contact, p_fused, p_border : float
        Share of redrawn outlines in each state; they sum to 1. A state with a low probability is worth a look.
    """

    site: str
    taken_at: datetime
    fragment_a: str
    fragment_b: str
    genotype_a: str
    genotype_b: str
    distance_mm: float
    gap_mm: float
    gap_u_mm: float
    neck_mm: float
    neck_u_mm: float
    state: PairState
    p_apart: float
    p_contact: float
    p_fused: float
    p_border: float

    @property
    def day(self) -> date:
        """Day of the visit."""
        return self.taken_at.date()

    @property
    def names(self) -> tuple[str, str]:
        """Both fragments: what makes pairs of several visits one history."""
        return self.fragment_a, self.fragment_b

    @property
    def one_genotype(self) -> bool:
        """Whether the two can fuse; contact between genotypes is a border for ever."""
        return self.genotype_a == self.genotype_b

    @property
    def touching(self) -> bool:
        """In contact, fused or at a border: the event of a time to contact."""
        return self.state is not PairState.APART

    @property
    def fused(self) -> bool:
        """The event of a time to fusion."""
        return self.state is PairState.FUSED

    @property
    def p_state(self) -> float:
        """Probability of the state that is told."""
        return {
            PairState.APART: self.p_apart,
            PairState.CONTACT: self.p_contact,
            PairState.FUSED: self.p_fused,
            PairState.BORDER: self.p_border,
        }[self.state]


@dataclass(frozen=True)
class Progress:
    """How far a pad is at a visit.

    Attributes
    ----------
    pairs : int
        Neighbour pairs of one genotype: those that can fuse. Zero on a pad where no two neighbours share a genotype.
    fused_pairs : Figure
        How many of them are fused.
    fused_share : Figure
        Fused pairs over `pairs`; nan without pairs.
    border_pairs : int
        Pairs at a border, of one genotype or of two.
    largest_share : Figure
        Part, 0 to 1, of the pad's live tissue that lies in its largest patch; nan without tissue.
    patches : Figure
        Number of patches.
    hull_mm2 : float
        Area of the convex hull of the plugs.
    bare_mm2 : Figure
        Ground inside that hull without live tissue, in mm2: cement, bare plug, dead skeleton.
    bare_share : Figure
        The same over the hull.
    live_mm2 : Figure
        Live tissue of the pad, in mm2, inside the hull and outside.
    cover_share : Figure
        Part of the hull that live tissue covers.
    """

    pairs: int
    fused_pairs: Figure
    fused_share: Figure
    border_pairs: int
    largest_share: Figure
    patches: Figure
    hull_mm2: float
    bare_mm2: Figure
    bare_share: Figure
    live_mm2: Figure
    cover_share: Figure


@dataclass(frozen=True)
class Setback:
    """Progress that went backwards since the visit before; kept in the figures and told, never hidden.

    Attributes
    ----------
    what : str
        ``"no longer fused"``, ``"no longer touching"``, ``"largest patch shrank"`` or ``"cover fell"``.
    fragments : tuple of str
        The pair; empty where it is about the pad.
    before, now : float
        The figure then and now: neck or gap in mm, share of the largest patch, cover.
    reason : str
        What the photos speak for: tissue died, or one of the two visits was measured wrongly.
    """

    what: str
    fragments: tuple[str, ...]
    before: float
    now: float
    reason: str


@dataclass(frozen=True)
class PadVisit:
    """A pad on the day of a visit.

    Attributes
    ----------
    site : str
    taken_at : datetime
        Of the photo that stands for the day, by the camera's clock, without offset.
    photo, sha256 : str
        The photo.
    measurement_id : int
        Its row in the logbook; 0 where it is in none.
    spacing_mm : float
        Median distance of neighbouring plugs; nan for fewer than two.
    fragments : tuple of PadFragment
        In order of name.
    patches : tuple of Patch
        The largest first.
    pairs : tuple of PairVisit
        In order of names; the same pairs at every visit at which the same fragments stand there.
    progress : Progress
    setbacks : tuple of Setback
    hull_mm : MultiPolygon
        Convex hull of the plugs in reference axes; empty unless outlines were asked for.
    """

    site: str
    taken_at: datetime
    photo: str
    sha256: str
    measurement_id: int
    spacing_mm: float
    fragments: tuple[PadFragment, ...]
    patches: tuple[Patch, ...]
    pairs: tuple[PairVisit, ...]
    progress: Progress
    setbacks: tuple[Setback, ...] = ()
    hull_mm: MultiPolygon = field(default=NOTHING, repr=False, compare=False)

    @property
    def day(self) -> date:
        """Day of the visit."""
        return self.taken_at.date()


@dataclass(frozen=True)
class PadHistory:
    """All visits of one pad.

    Attributes
    ----------
    site : str
    visits : tuple of PadVisit
        In order of time, one a day.
    """

    site: str
    visits: tuple[PadVisit, ...]

    def __post_init__(self) -> None:
        days = [visit.day for visit in self.visits]
        if days != sorted(set(days)):
            raise ValueError(f"visits of {self.site} must be in order of time, one a day; got {days}")

    @property
    def pairs(self) -> dict[tuple[str, str], tuple[PairVisit, ...]]:
        """Each pair's visits in order of time, by the names of its fragments: what time-to-event analysis wants."""
        found: dict[tuple[str, str], list[PairVisit]] = {}
        for visit in self.visits:
            for pair in visit.pairs:
                found.setdefault(pair.names, []).append(pair)
        return {names: tuple(visits) for names, visits in sorted(found.items())}
