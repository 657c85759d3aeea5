"""Losses of tissue and bleaching: which fragments to look at first, and why. No cause is named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from fragarea.growth.loss import ALARM_FACTOR, sudden_loss
from fragarea.growth.rates import area_trend_cm2_per_month
from fragarea.growth.records import AreaPoint, FragmentHistory
from fragarea.measurement import FragmentStatus

DEAD_SHARE = 0.05
"""Bare skeleton over all skeleton from which on it is told (common practice, no source)."""
BLEACHED_SHARE = 0.10
"""Bleached over live tissue from which on it is told, and rise between two visits (common practice, no source)."""
VISITS_OF_A_TREND = 4

ADVICE = (
    "These are signs seen in photos, not a diagnosis. Keep such fragments apart from the others and ask your"
    " veterinarian or permit holder."
)


class Sign(StrEnum):
    """What was seen."""

    MISSING = "missing"
    DEAD = "no live tissue"
    SUDDEN_LOSS = "sudden loss of tissue"
    SHRINKING = "shrinking"
    BARE_SKELETON = "bare skeleton"
    BLEACHED = "bleached"
    BLEACHING = "bleaching"


@dataclass(frozen=True)
class Finding:
    """One sign with the figures behind it.

    Attributes
    ----------
    sign : Sign
    words : str
        As a report tells it.
    severity : float
        Orders the list: about the part of the fragment that is concerned, 1 for all of it.
    """

    sign: Sign
    words: str
    severity: float


@dataclass(frozen=True)
class Concern:
    """A fragment to look at.

    Attributes
    ----------
    fragment, genotype, site : str
    now : AreaPoint
        Last visit.
    before : AreaPoint or None
        The visit before it on which the fragment stood there.
    findings : tuple of Finding
        Gravest first.
    """

    fragment: str
    genotype: str
    site: str
    now: AreaPoint
    before: AreaPoint | None
    findings: tuple[Finding, ...]

    @property
    def severity(self) -> float:
        """Orders the list."""
        return sum(finding.severity for finding in self.findings)


def look_first(histories: Iterable[FragmentHistory]) -> tuple[Concern, ...]:
    """The fragments whose last visit shows a sign of trouble, gravest first.

    Parameters
    ----------
    histories : iterable of FragmentHistory
        Fragments that left the nursery, and points marked wrong, are passed over.

    Returns
    -------
    tuple of Concern

    Notes
    -----
    A sudden loss is a fall since the visit before beyond `ALARM_FACTOR` standard uncertainties of the difference and
    beyond 5 % (:func:`fragarea.growth.loss.sudden_loss`). Shrinking is a negative slope of the area over the last
    three or four visits beyond as many standard uncertainties. Shares of bare skeleton and bleached tissue are told
    from 5 % and 10 % on.
    """
    found = [concern for history in histories if (concern := _concern(history)) is not None]
    return tuple(sorted(found, key=lambda one: (-one.severity, one.fragment)))


def _concern(history: FragmentHistory) -> Concern | None:
    points = [point for point in history.points if not point.marked_wrong]
    if not points or (history.left_on is not None and points[-1].taken_at.date() >= history.left_on):
        return None
    now, earlier = points[-1], points[:-1]
    seen = [point for point in earlier if point.status is not FragmentStatus.MISSING]
    findings = sorted(_findings(now, earlier, seen), key=lambda one: -one.severity)
    if not findings:
        return None
    before = seen[-1] if seen else None
    return Concern(history.fragment, history.genotype, history.site, now, before, tuple(findings))


def _findings(now: AreaPoint, earlier: Sequence[AreaPoint], seen: Sequence[AreaPoint]) -> list[Finding]:
    if now.status is FragmentStatus.MISSING:
        # What went missing long ago is known by now.
        fresh = bool(earlier) and earlier[-1].status is not FragmentStatus.MISSING
        since = f", last seen on {seen[-1].taken_at:%Y-%m-%d}" if seen else ""
        return [Finding(Sign.MISSING, f"missing{since}", 1.5 if fresh else 0.3)]
    if now.status is FragmentStatus.DEAD or now.area_mm2 == 0:
        fresh = bool(seen) and seen[-1].area_mm2 > 0
        return [Finding(Sign.DEAD, "no live tissue left", 1.5 if fresh else 0.3)]
    findings = [_bare(now), _bleached(now, seen[-1] if seen else None)]
    if seen:
        findings.append(_fallen(seen[-1], now))
        findings.append(_shrinking([*seen, now][-VISITS_OF_A_TREND:]))
    return [finding for finding in findings if finding is not None]


def _fallen(before: AreaPoint, now: AreaPoint) -> Finding | None:
    loss = sudden_loss(before, now)
    if loss is None:
        return None
    lost, u = loss.lost_mm2 / 100, 1.96 * loss.lost_u_mm2 / 100
    words = f"lost {lost:.2f} ± {u:.2f} cm² ({100 * loss.share:.0f} %) since {before.taken_at:%Y-%m-%d}"
    return Finding(Sign.SUDDEN_LOSS, words, 0.5 + loss.share)


def _shrinking(points: Sequence[AreaPoint]) -> Finding | None:
    if len(points) < 3 or not points[0].taken_at < points[-1].taken_at:
        return None
    if all(one.area_mm2 <= other.area_mm2 for one, other in pairwise(points)):
        return None  # whatever the weights, no line through these falls
    trend, u = area_trend_cm2_per_month(points)
    if trend >= -ALARM_FACTOR * u:
        return None
    words = f"shrinking by {-trend:.2f} ± {1.96 * u:.2f} cm²/month over {len(points)} visits"
    first = points[0].area_mm2
    return Finding(Sign.SHRINKING, words, 0.25 + (max(0.0, 1 - points[-1].area_mm2 / first) if first > 0 else 0.0))


def _bare(now: AreaPoint) -> Finding | None:
    skeleton = now.area_mm2 + now.dead_mm2
    share = now.dead_mm2 / skeleton if skeleton > 0 else 0.0
    if share <= DEAD_SHARE:
        return None
    return Finding(Sign.BARE_SKELETON, f"{100 * share:.0f} % of the skeleton is bare", share)


def _bleached(now: AreaPoint, before: AreaPoint | None) -> Finding | None:
    share = now.bleached_mm2 / now.area_mm2
    earlier = before.bleached_mm2 / before.area_mm2 if before is not None and before.area_mm2 > 0 else None
    if earlier is not None and before is not None and share - earlier > BLEACHED_SHARE:
        words = (
            f"bleached part of the live tissue rose from {100 * earlier:.0f} to {100 * share:.0f} %"
            f" since {before.taken_at:%Y-%m-%d}"
        )
        return Finding(Sign.BLEACHING, words, 0.25 + share)
    if share > BLEACHED_SHARE:
        return Finding(Sign.BLEACHED, f"{100 * share:.0f} % of the live tissue is bleached", share)
    return None
