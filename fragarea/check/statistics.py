"""What photos of known areas say: bias, repeatability, reproducibility, agreement and a verdict.

All errors are relative, measured over nominal less one: the scatter of areas grows with their size.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from fragarea.check.precision import Precision, Verdict, agreement, conformity_probability, precision, verdict_of

TOLERANCE_REL = 0.02
# ISO 5725-6, 4.1.4: two results differ by more than 1.96 sqrt(2) = 2.8 standard deviations once in twenty times.
LIMIT_FACTOR = 2.8


@dataclass(frozen=True)
class KnownMeasurement:
    """One known shape measured on one photo.

    Attributes
    ----------
    photo_id : str
    group : str
        What stays the same within a group and differs between groups: the operator, camera or day.
    shape_id : str
    measured_mm2, nominal_mm2 : float
    u_mm2 : float
        Standard uncertainty of the measured area.
    """

    photo_id: str
    group: str
    shape_id: str
    measured_mm2: float
    nominal_mm2: float
    u_mm2: float

    @property
    def error_rel(self) -> float:
        """Measured over nominal, less one."""
        return self.measured_mm2 / self.nominal_mm2 - 1

    @property
    def u_rel(self) -> float:
        """Standard uncertainty over nominal."""
        return self.u_mm2 / self.nominal_mm2


@dataclass(frozen=True)
class ShapeResult:
    """One shape over all photos; relative errors.

    Attributes
    ----------
    shape_id : str
    nominal_mm2 : float
    photos : int
        Photos in which it was measured.
    bias_rel, bias_u_rel : float
    s_r_rel, s_reproducibility_rel : float or None
    conformity : float
        Probability that the true bias lies within the tolerance.
    verdict : Verdict
    """

    shape_id: str
    nominal_mm2: float
    photos: int
    bias_rel: float
    bias_u_rel: float
    s_r_rel: float | None
    s_reproducibility_rel: float | None
    conformity: float
    verdict: Verdict


@dataclass(frozen=True)
class CheckResult:
    """Outcome of a known-area check; relative errors.

    Attributes
    ----------
    tolerance_rel : float
    photos, groups : int
    bias_rel, bias_u_rel : float
        Mean of the shapes' biases, and its standard uncertainty.
    s_r_rel, s_reproducibility_rel : float or None
        Pooled over shapes; None where the photos do not tell.
    repeatability_limit_rel, reproducibility_limit_rel : float or None
        2.8 times the above: two results differ by more once in twenty times.
    agreement_low_rel, agreement_high_rel : float or None
        95 % agreement limits of a single area against its nominal value; None with a single area.
    conformity : float
        Probability that the true mean bias lies within the tolerance.
    verdict : Verdict
        Passes or fails at 95 %. A single shape that fails makes the check fail.
    shapes : tuple of ShapeResult
    missing : tuple of str
        Expected shapes that no photo showed.
    notes : tuple of str
        What the photos could not tell, and what to do about it.
    """

    tolerance_rel: float
    photos: int
    groups: int
    bias_rel: float
    bias_u_rel: float
    s_r_rel: float | None
    s_reproducibility_rel: float | None
    repeatability_limit_rel: float | None
    reproducibility_limit_rel: float | None
    agreement_low_rel: float | None
    agreement_high_rel: float | None
    conformity: float
    verdict: Verdict
    shapes: tuple[ShapeResult, ...]
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionary of numbers, strings, lists and None, for JSON."""
        data = asdict(self)
        data["verdict"] = str(self.verdict)
        data["shapes"] = [{**shape, "verdict": str(shape["verdict"])} for shape in data["shapes"]]
        return {key: list(value) if isinstance(value, tuple) else value for key, value in data.items()}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> CheckResult:
        """The result that :meth:`to_dict` wrote.

        Raises
        ------
        ValueError
            If a field is missing, unknown or of the wrong kind.
        """
        try:
            shapes = tuple(ShapeResult(**_fields(ShapeResult, shape)) for shape in data["shapes"])
            rest = {**_fields(cls, data), "shapes": shapes}
            return cls(**{**rest, "missing": tuple(data["missing"]), "notes": tuple(data["notes"])})
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"not a stored check result: missing or wrong field ({error})") from error


def _fields(kind: type, data: Mapping[str, Any]) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    if set(data) != names:
        raise ValueError(f"not a stored check result: fields differ ({', '.join(sorted(set(data) ^ names))})")
    return {**data, "verdict": Verdict(data["verdict"])}


def judge(
    measurements: Sequence[KnownMeasurement],
    *,
    tolerance_rel: float = TOLERANCE_REL,
    expected: Collection[str] = (),
) -> CheckResult:
    """Judge photos of known areas against a tolerance.

    Parameters
    ----------
    measurements : sequence of KnownMeasurement
        From any number of photos; a shape may be missing in some.
    tolerance_rel : float
        Largest acceptable relative bias, on either side.
    expected : collection of str
        Ids of the shapes on the sheet.

    Returns
    -------
    CheckResult

    Raises
    ------
    ValueError
        If there is no measurement, one is not finite, or a shape comes twice from one photo.

    Notes
    -----
    Errors of one photo (scale, print, edges) are common to its shapes and do not average out, so the uncertainty
    of the bias is the mean relative uncertainty of the areas, with the observed scatter of photo means over the root
    of their number beside it.
    """
    _check(measurements, tolerance_rel)
    by_shape: dict[str, list[KnownMeasurement]] = defaultdict(list)
    for measurement in measurements:
        by_shape[measurement.shape_id].append(measurement)
    order = [shape_id for shape_id in expected if shape_id in by_shape]
    order += [shape_id for shape_id in by_shape if shape_id not in order]
    precisions = [_precision(by_shape[shape_id]) for shape_id in order]
    shapes = tuple(_shape(by_shape[i], p, tolerance_rel) for i, p in zip(order, precisions, strict=True))
    bias = float(np.mean([shape.bias_rel for shape in shapes]))
    u = _bias_u_rel(measurements)
    conformity = conformity_probability(bias, u, -tolerance_rel, tolerance_rel)
    s_r = _pooled([(p.s_r, p.dof) for p in precisions])
    s_reproducibility = _pooled([(p.s_reproducibility, 1) for p in precisions])
    if s_r is not None and s_reproducibility is not None:
        s_reproducibility = max(s_r, s_reproducibility)
    errors = [m.error_rel for m in measurements]
    limits = agreement(errors) if len(errors) > 1 else None
    missing = tuple(shape_id for shape_id in expected if shape_id not in by_shape)
    verdict = verdict_of(conformity)
    failing = [shape.shape_id for shape in shapes if shape.verdict is Verdict.FAILS]
    return CheckResult(
        tolerance_rel=tolerance_rel,
        photos=len({m.photo_id for m in measurements}),
        groups=len({m.group for m in measurements}),
        bias_rel=bias,
        bias_u_rel=u,
        s_r_rel=s_r,
        s_reproducibility_rel=s_reproducibility,
        repeatability_limit_rel=None if s_r is None else LIMIT_FACTOR * s_r,
        reproducibility_limit_rel=None if s_reproducibility is None else LIMIT_FACTOR * s_reproducibility,
        agreement_low_rel=limits.low if limits else None,
        agreement_high_rel=limits.high if limits else None,
        conformity=conformity,
        verdict=Verdict.FAILS if failing else verdict,
        shapes=shapes,
        missing=missing,
        notes=_notes(s_r, s_reproducibility, missing, failing, verdict),
    )


def _check(measurements: Sequence[KnownMeasurement], tolerance_rel: float) -> None:
    if not measurements:
        raise ValueError("no known area was measured")
    if not (math.isfinite(tolerance_rel) and tolerance_rel > 0):
        raise ValueError(f"tolerance_rel must be positive; got {tolerance_rel}")
    seen = set()
    for m in measurements:
        finite = all(map(math.isfinite, (m.measured_mm2, m.nominal_mm2, m.u_mm2)))
        if not finite or m.nominal_mm2 <= 0 or m.u_mm2 < 0:
            raise ValueError(f"{m.photo_id}, {m.shape_id}: areas must be finite, nominal positive, u not negative")
        if (m.photo_id, m.shape_id) in seen:
            raise ValueError(f"{m.photo_id}, {m.shape_id}: measured twice on one photo")
        seen.add((m.photo_id, m.shape_id))


def _precision(measurements: Sequence[KnownMeasurement]) -> Precision:
    groups: dict[str, list[float]] = defaultdict(list)
    for m in measurements:
        groups[m.group].append(m.error_rel)
    return precision(groups.values())


def _shape(measurements: Sequence[KnownMeasurement], found: Precision, tolerance_rel: float) -> ShapeResult:
    u = _bias_u_rel(measurements)
    conformity = conformity_probability(found.mean, u, -tolerance_rel, tolerance_rel)
    return ShapeResult(
        shape_id=measurements[0].shape_id,
        nominal_mm2=measurements[0].nominal_mm2,
        photos=len(measurements),
        bias_rel=found.mean,
        bias_u_rel=u,
        s_r_rel=found.s_r,
        s_reproducibility_rel=found.s_reproducibility,
        conformity=conformity,
        verdict=verdict_of(conformity),
    )


def _bias_u_rel(measurements: Sequence[KnownMeasurement]) -> float:
    by_photo: dict[str, list[float]] = defaultdict(list)
    for m in measurements:
        by_photo[m.photo_id].append(m.error_rel)
    means = [float(np.mean(errors)) for errors in by_photo.values()]
    scatter = float(np.std(means, ddof=1)) / math.sqrt(len(means)) if len(means) > 1 else 0.0
    return math.hypot(float(np.mean([m.u_rel for m in measurements])), scatter)


def _pooled(parts: Iterable[tuple[float | None, int]]) -> float | None:
    known = [(s * s, weight) for s, weight in parts if s is not None and weight > 0]
    if not known:
        return None
    return math.sqrt(math.fsum(v * w for v, w in known) / sum(w for _, w in known))


def _notes(
    s_r: float | None,
    s_reproducibility: float | None,
    missing: Sequence[str],
    failing: Sequence[str],
    verdict: Verdict,
) -> tuple[str, ...]:
    notes = []
    if s_r is None:
        notes.append("Repeatability unknown: take at least two photos the same way.")
    if s_reproducibility is None:
        notes.append("Reproducibility unknown: take photos on another day, by another person or with another camera.")
    if missing:
        notes.append(f"Not seen: {', '.join(missing)}.")
    if failing:
        notes.append(f"Outside the tolerance on their own: {', '.join(failing)}.")
    if verdict is Verdict.CANNOT_TELL and not failing:
        notes.append(
            "The uncertainty is too large for a verdict: measure the print, make a lens profile or go nearer."
        )
    return tuple(notes)
