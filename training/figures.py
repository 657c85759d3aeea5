"""How good networks are on windows as they are, before outlines are traced."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training.augment import BLEACHED, DEAD, LIVE, Dice
from training.data import Data, plain
from training.lines import lines
from training.model import BINS, REACH_MM, STEP_MM, Design, EdgeNet, SurfaceNet
from training.views import coarse_view, middle, shares_at_full

BORDER_PX = 10  # of a window is not judged: what is cut off there is not seen whole
LEAST_PX = 100  # 6 mm2; less live, bleached or dead surface in a window is not judged


@torch.no_grad()
def figures(surface: SurfaceNet, edge: EdgeNet, design: Design, data: Data) -> dict[str, float]:
    """Medians over windows of the first step alone, and the edge network's error in mm; nan: nothing to judge."""
    inputs, target = plain(data)
    share = torch.cat([shares_at_full(design, surface(coarse_view(design, part))) for part in inputs.split(64)])
    inputs, target = middle(design, inputs), middle(design, target)
    return {**surface_figures(share, target), **_edge_figures(edge, inputs, target, share)}


def surface_figures(share: Tensor, target: Tensor) -> dict[str, float]:
    """Overlap and area error of live tissue, overlap of bleached and dead parts, dead surface that is called live.

    Parameters
    ----------
    share, target : Tensor, shape (n, 4, rows, columns)
    """
    inner = slice(BORDER_PX, -BORDER_PX)
    share, target = share[..., inner, inner], target[..., inner, inner]
    found = _layers(share)
    true = _layers(target)
    holds = true["live"].sum((1, 2)) >= LEAST_PX
    error = (found["live"].sum((1, 2)) / true["live"].sum((1, 2)).clamp(min=1) - 1)[holds]
    dead = true["dead"].sum()
    return {
        "windows": float(len(share)),
        "iou": _median(_overlaps(found["live"], true["live"])),
        "error": _median(error.abs()),
        "error_p90": float(error.abs().quantile(0.9)) if len(error) else float("nan"),
        "bias": float(error.mean()),
        "bleached_iou": _median(_overlaps(found["bleached"], true["bleached"])),
        "dead_iou": _median(_overlaps(found["dead"], true["dead"])),
        "dead_called_live": float((found["live"] & true["dead"]).sum() / dead) if dead > 0 else float("nan"),
    }


def _layers(share: Tensor) -> dict[str, Tensor]:
    """Live (bleached too), bleached and dead pixels, told apart as the program does."""
    live = share[:, LIVE] + share[:, BLEACHED] > 0.5
    bleached = live & (share[:, BLEACHED] > share[:, LIVE])
    dead = ~live & (share[:, DEAD] > share[:, 0])
    return {"live": live, "bleached": bleached, "dead": dead}


def _overlaps(found: Tensor, true: Tensor) -> Tensor:
    holds = true.sum((1, 2)) >= LEAST_PX
    both, either = (found & true).sum((1, 2)), (found | true).sum((1, 2))
    return (both / either.clamp(min=1))[holds]


def _median(values: Tensor) -> float:
    return float(np.median(values.cpu().numpy())) if len(values) else float("nan")


def _edge_figures(edge: EdgeNet, inputs: Tensor, target: Tensor, share: Tensor) -> dict[str, float]:
    features, truth = lines(Dice(5, inputs.device), inputs, target, share, 64)
    good = torch.isfinite(truth)
    chance = F.softmax(edge(features[good]).float(), 1)
    bins = torch.linspace(-REACH_MM + STEP_MM, REACH_MM - STEP_MM, BINS, device=inputs.device)
    off = (chance * bins).sum(1) - truth[good]
    return {"edge_abs_mm": float(off.abs().median()), "edge_bias_mm": float(off.mean())}
