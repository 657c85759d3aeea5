"""Whether outlines that call themselves sure are right: ``python -m benchmarks.confidence [dev|val] [--fit]``.

An outline is right that overlaps the true one by more than 0.95. Prints the share of outlines that are sure, how many
of those are right (bar: 97 in 100), and confidence against what came of it. ``--fit`` prints the constants of
``fragarea.tissue.segment`` that fit ``dev`` best. ``dev`` may be tuned on, ``val`` is only reported.
"""

from __future__ import annotations

import argparse
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from benchmarks.tissue import score_scene
from benchmarks.truth import ABSENT, SHARED_PHOTOS, true_photos
from fragarea.tissue.segment import MISSED_BY_SPREAD, MISSED_SHARE, STEEPNESS, SURE_CONFIDENCE

CLASSES = (0.0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.99, 1.0)
FloatArray = npt.NDArray[np.float64]


def judged(split: str) -> tuple[FloatArray, FloatArray]:
    """Confidence and overlap of the fragments of a split; patches of pads share one confidence, and are left out."""
    scenes = [scene for scene in true_photos(split) if scene.kind in ("tray", "single")]
    scores = [score for scene in scenes for score in score_scene(scene, with_light=True)]
    pairs = [(s.outlines.confidence, s.iou) for s in scores if np.isfinite(s.iou) and s.live.area > 0]
    confidence, iou = np.array(pairs).T
    return confidence, iou


def print_figures(confidence: FloatArray, iou: FloatArray) -> None:
    """The bar, and the table of confidence against outcome."""
    right, sure = iou > 1 - MISSED_SHARE, confidence >= SURE_CONFIDENCE
    print(
        f"{len(iou)} fragments, {100 * right.mean():.1f} % right; {100 * sure.mean():.1f} % are sure, "
        f"{100 * right[sure].mean():.1f} % of those right (bar 97); {100 * right[~sure].mean():.1f} % of the others"
    )
    print("confidence        n   mean  right")
    for low, high in pairwise(CLASSES):
        chosen = (confidence >= low) & ((confidence < high) | (high == 1.0))
        if chosen.any():
            mean = confidence[chosen].mean()
            print(f"{low:4.2f} - {high:4.2f} {chosen.sum():8d} {mean:6.2f} {right[chosen].mean():6.2f}")


def fit(confidence: FloatArray, iou: FloatArray) -> tuple[float, float]:
    """Strip that is missed for each mm of spread, and steepness, by least squares and by likelihood."""
    # The share that outlines were expected to miss, as the constants have it now.
    expected = MISSED_SHARE * (1 / np.clip(confidence, 1e-9, 1 - 1e-9) - 1) ** (1 / STEEPNESS)
    ratio = float(np.median((1 - iou) / expected))
    right = iou > 1 - MISSED_SHARE

    def cost(steepness: FloatArray) -> float:
        chance = 1 / (1 + (ratio * expected / MISSED_SHARE) ** steepness[0])
        chance = np.clip(chance, 1e-6, 1 - 1e-6)
        return -float(np.mean(np.where(right, np.log(chance), np.log(1 - chance))))

    return MISSED_BY_SPREAD * ratio, float(minimize(cost, [STEEPNESS], method="Nelder-Mead").x[0])


def main() -> None:
    """Print the figures of one split or both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("split", nargs="?", choices=("dev", "val"))
    parser.add_argument("--fit", action="store_true", help="print the constants that fit dev")
    options = parser.parse_args()
    if not SHARED_PHOTOS.is_dir():
        print(f"skipped: {ABSENT}")
        return
    for split in [options.split] if options.split else ["dev", "val"]:
        confidence, iou = judged(split)
        print(f"\n== {split}: confidence of outlines, exact camera ==")
        print_figures(confidence, iou)
        if options.fit and split == "dev":
            print("MISSED_BY_SPREAD {:.3f}, STEEPNESS {:.2f}".format(*fit(confidence, iou)))


if __name__ == "__main__":
    main()
