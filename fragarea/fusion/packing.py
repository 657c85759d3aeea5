"""A visit as bytes and back, so that what took long to derive can be kept; outlines are left out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from fragarea.fusion.records import Figure, PadFragment, PadVisit, PairState, PairVisit, Patch, Progress
from fragarea.measurement import FragmentStatus

FORM = 4
"""To be raised when what is packed, or how it is derived, changes."""

_FIGURES = (
    *("fused_pairs", "fused_share", "largest_share", "patches", "bare_mm2", "bare_share", "live_mm2", "cover_share"),
)
# a dict finds a word several times faster than its enumeration does, and there are a million of them
_STATUSES = {status.value: status for status in FragmentStatus}
_STATES = {state.value: state for state in PairState}

_OF_FRAGMENT, _OF_PATCH, _OF_PAIR, _OF_FIGURE = 6, 2, 9, 4


def pack(visit: PadVisit) -> bytes:
    """A visit without outlines and setbacks: a line of JSON with the words, and the numbers as doubles."""
    far = visit.progress
    place = {one.fragment: number for number, one in enumerate(visit.fragments)}
    head = {
        "site": visit.site,
        "taken_at": visit.taken_at.isoformat(),
        "photo": visit.photo,
        "sha256": visit.sha256,
        "measurement_id": visit.measurement_id,
        "fragments": [[f.fragment, f.genotype, f.status.value, f.patch, f.shared, f.doubts] for f in visit.fragments],
        "patches": [[patch.genotype, [place[name] for name in patch.fragments]] for patch in visit.patches],
        "pairs": [[place[pair.fragment_a], place[pair.fragment_b], pair.state.value] for pair in visit.pairs],
        "counts": [far.pairs, far.border_pairs],
    }
    numbers: list[float] = [visit.spacing_mm, far.hull_mm2]
    for one in visit.fragments:
        numbers += (*one.centre_mm, one.live_mm2, one.live_u_mm2, one.dead_mm2, one.edge_u_mm)
    for patch in visit.patches:
        numbers += (patch.area_mm2, patch.area_u_mm2)
    for pair in visit.pairs:
        numbers += (pair.distance_mm, pair.gap_mm, pair.gap_u_mm, pair.neck_mm, pair.neck_u_mm)
        numbers += (pair.p_apart, pair.p_contact, pair.p_fused, pair.p_border)
    for name in _FIGURES:
        figure: Figure = getattr(far, name)
        numbers += (figure.value, figure.u, figure.low, figure.high)
    words = json.dumps(head, ensure_ascii=False, separators=(",", ":")).encode()
    return words + b"\n" + np.array(numbers, dtype="<f8").tobytes()


def unpack(packed: bytes) -> PadVisit:
    """The visit that :func:`pack` made these bytes of."""
    words, _, rest = packed.partition(b"\n")
    head = json.loads(words)
    numbers = np.frombuffer(rest, dtype="<f8").tolist()
    fragments, patches, pairs = head["fragments"], head["patches"], head["pairs"]
    sizes = (2, _OF_FRAGMENT * len(fragments), _OF_PATCH * len(patches), _OF_PAIR * len(pairs))
    ends = np.cumsum([0, *sizes]).tolist()
    spacing, hull = numbers[:2]
    taken_at = datetime.fromisoformat(head["taken_at"])
    return PadVisit(
        site=head["site"],
        taken_at=taken_at,
        photo=head["photo"],
        sha256=head["sha256"],
        measurement_id=head["measurement_id"],
        spacing_mm=spacing,
        fragments=tuple(
            PadFragment(
                *(name, genotype, (x, y), _STATUSES[status], live, live_u, dead, patch, shared, edge_u),
                doubts=tuple(doubts),
            )
            for (name, genotype, status, patch, shared, doubts), (x, y, live, live_u, dead, edge_u) in zip(
                fragments, _rows(numbers[ends[1] : ends[2]], _OF_FRAGMENT), strict=True
            )
        ),
        patches=tuple(
            Patch(number, genotype, tuple(fragments[one][0] for one in members), area, area_u)
            for number, ((genotype, members), (area, area_u)) in enumerate(
                zip(patches, _rows(numbers[ends[2] : ends[3]], _OF_PATCH), strict=True), start=1
            )
        ),
        pairs=tuple(
            PairVisit(
                head["site"],
                taken_at,
                *(fragments[a][0], fragments[b][0], fragments[a][1], fragments[b][1]),
                *(distance, gap, gap_u, neck, neck_u),
                _STATES[state],
                *(p_apart, p_contact, p_fused, p_border),
            )
            for (a, b, state), (distance, gap, gap_u, neck, neck_u, p_apart, p_contact, p_fused, p_border) in zip(
                pairs, _rows(numbers[ends[3] : ends[4]], _OF_PAIR), strict=True
            )
        ),
        progress=_progress(head["counts"], hull, numbers[ends[4] :]),
    )


def _progress(counts: Sequence[int], hull_mm2: float, numbers: Sequence[float]) -> Progress:
    figures = [Figure(*values) for values in _rows(numbers, _OF_FIGURE)]
    named: dict[str, Any] = dict(zip(_FIGURES, figures, strict=True))
    return Progress(pairs=counts[0], border_pairs=counts[1], hull_mm2=hull_mm2, **named)


def _rows(numbers: Sequence[float], width: int) -> list[Sequence[float]]:
    return [numbers[start : start + width] for start in range(0, len(numbers), width)]
