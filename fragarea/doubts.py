"""The named doubts: one table from which notes, overlays, reports and docs take their words.

A measurement that was made but should be looked at carries doubts. A doubt never changes a number.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DoubtKind:
    """One kind of doubt.

    Attributes
    ----------
    key : str
        Stable name, stored in the logbook and written to JSON.
    title : str
        A few words for an overlay or a table.
    seen : str
        What was seen.
    do : str
        What a person can do about it.
    weight : int
        3 look first, 2 look, 1 note; orders review.
    """

    key: str
    title: str
    seen: str
    do: str
    weight: int


def _table(*kinds: DoubtKind) -> dict[str, DoubtKind]:
    return {kind.key: kind for kind in kinds}


DOUBTS: dict[str, DoubtKind] = _table(
    # scale
    DoubtKind(
        "scale_disagrees",
        "two scales disagree",
        "two scales in view differ by more than their uncertainty allows",
        "check that the reference lies flat, that its print check is entered and that the plug diameter is right",
        3,
    ),
    DoubtKind(
        "few_tags",
        "few tags seen",
        "fewer than half of the reference's tags were used",
        "wipe the tags dry and retake with the whole reference in view",
        2,
    ),
    DoubtKind(
        "tags_rejected",
        "bent or hidden tag",
        "at least one tag does not fit the others and was left out",
        "check that the reference is flat and its tags are clean",
        1,
    ),
    DoubtKind(
        "tags_small",
        "tags small in the photo",
        "tags are under 40 pixels wide, so their corners are less certain",
        "go nearer or use a camera with more pixels",
        1,
    ),
    DoubtKind(
        "offset_unsure",
        "height of plug tops unsure",
        "the rims of the plugs are too few or disagree on how far the reference lies below or above the plug tops",
        "measure the distance once and set reference_offset_mm",
        2,
    ),
    DoubtKind(
        "offset_from_rims",
        "height of plug tops taken from rims",
        "reference_offset_mm was not given; many plug rims agree that the reference lies off the plug tops",
        "measure the distance and set reference_offset_mm; if there is none, the print or the plug diameter is wrong",
        1,
    ),
    DoubtKind(
        "scale_from_rim",
        "scale from the plug rim alone",
        "no printed reference was used; the plug's rim is the scale",
        "measure the plug's diameter with a calliper, or lay a reference beside it",
        2,
    ),
    DoubtKind(
        "scale_by_hand",
        "scale from two points by hand",
        "no printed reference was used; two points given by hand are the scale",
        "lay a reference beside the fragments next time",
        2,
    ),
    DoubtKind(
        "print_unchecked",
        "print not checked",
        "no length between two marks of this print was entered",
        "measure the print with a ruler and enter it once with the print check",
        1,
    ),
    DoubtKind(
        "lens_unknown",
        "lens distortion unknown",
        "no lens profile and too few tags to fit the distortion",
        "make a lens profile once for this camera",
        1,
    ),
    # view
    DoubtKind(
        "tilted",
        "camera tilted",
        "the camera looked at the plane from more than 15 degrees off the vertical",
        "hold the camera level above the middle of the tray",
        2,
    ),
    DoubtKind(
        "blur",
        "photo is blurred",
        "edges are smeared over more pixels than the outline can bear",
        "hold still or use more light, and retake",
        3,
    ),
    DoubtKind(
        "glare",
        "glare on the tissue",
        "highlights without colour cover part of the tissue or its edge",
        "shade the tray or turn the light away, and retake",
        2,
    ),
    DoubtKind(
        "dark",
        "photo is dark",
        "the tissue lies in the darkest part of the camera's range",
        "use more light or a longer exposure",
        2,
    ),
    DoubtKind(
        "cut_off",
        "cut off by the photo's edge",
        "part of the plug lies outside the photo",
        "retake with the whole plug in view",
        3,
    ),
    # sites
    DoubtKind(
        "plug_missing",
        "no plug at this position",
        "the tray has a plug here by its description or its placements, but none was found",
        "look at the tray; mend the placements if the plug was moved",
        3,
    ),
    DoubtKind(
        "plug_unexpected",
        "plug where none is recorded",
        "a plug stands at a position for which no placement is recorded",
        "mend the placements",
        2,
    ),
    DoubtKind(
        "more_tissue_than_plugs",
        "more tissue than plugs",
        "live tissue was found where no plug stands",
        "look for a loose fragment or a plug that was not recognised",
        2,
    ),
    DoubtKind(
        "rim_unsure",
        "plug rim unsure",
        "the rim of the plug was not found clearly, so its middle is taken from the grid",
        "look at the outline",
        1,
    ),
    DoubtKind(
        "plug_tilted",
        "plug stands tilted",
        "the rim of the plug is not a circle on the plane, so it seems to stand tilted",
        "push the plug straight and retake; a tilted plug shows too little area",
        2,
    ),
    DoubtKind(
        "grid_unsure",
        "rows and columns unsure",
        "the plugs found do not settle where the tray's first row and column are",
        "give the tray's rows, columns and pitch in its description",
        3,
    ),
    DoubtKind(
        "pad_turn_assumed",
        "pad taken as laid down",
        "the layout of this pad looks the same when it is turned, so its places are named as if it lay as described",
        "lay the reference the same way round at every visit",
        1,
    ),
    DoubtKind(
        "places_as_written",
        "places taken as described",
        "too few rims of the pad's plugs show to lay its described places over them, so the places are taken as they"
        " are written, in the axes of the reference",
        "lay the reference on the same spot of the pad at every visit",
        2,
    ),
    # tissue
    DoubtKind(
        "outline_unsure",
        "outline unsure",
        "tissue and its surroundings look too much alike along part of the edge",
        "check the outline on the overlay",
        3,
    ),
    DoubtKind(
        "beyond_rim",
        "tissue beyond the rim",
        "tissue reaches over the rim of the plug; what hangs below the plug top looks smaller than it is",
        "note it; growth on the plug ends here",
        1,
    ),
    DoubtKind(
        "area_jump",
        "area jumps against the history",
        "the area differs from this fragment's earlier visits by more than growth and uncertainty explain",
        "check the outline, and whether two fragments changed places",
        3,
    ),
    DoubtKind(
        "changed_places",
        "may have changed places",
        "an exchange of places explains the outlines of this visit much better than the record",
        "look at both fragments; then accept the exchange or set it aside: fragarea exchange tells how",
        3,
    ),
    DoubtKind(
        "touches_neighbour",
        "touches its neighbour",
        "live tissue of two fragments touches; the share of each is an estimate",
        "read the area of the whole patch",
        1,
    ),
    # record
    DoubtKind(
        "marked_wrong",
        "marked wrong",
        "a person said that this measurement does not count; growth and sums leave it out",
        "nothing; where it does count after all, take the mark back with fragarea mark-wrong --undo",
        1,
    ),
    DoubtKind(
        "date_from_name",
        "date from the file name",
        "the photo carries no capture date; the date in its file name was used",
        "set the camera's clock",
        1,
    ),
    DoubtKind(
        "date_unknown",
        "date unknown",
        "neither the photo nor its file name says when it was taken",
        "give the date on the command line",
        3,
    ),
)


@dataclass(frozen=True)
class Doubt:
    """A doubt about one photo or one fragment.

    Attributes
    ----------
    key : str
        A key of ``DOUBTS``.
    detail : str
        The figures behind it, for example ``"print 0.412, rims 0.398 mm per pixel"``; may be empty.
    """

    key: str
    detail: str = ""

    def __post_init__(self) -> None:
        if self.key not in DOUBTS:
            raise ValueError(f"unknown doubt {self.key!r}; add it to DOUBTS")

    @property
    def kind(self) -> DoubtKind:
        """The table entry of this doubt."""
        return DOUBTS[self.key]

    def __str__(self) -> str:
        return f"{self.kind.title} ({self.detail})" if self.detail else self.kind.title
