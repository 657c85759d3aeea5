"""Between a learning window, what the surface network sees of it, and the scale that edges are read at."""

from __future__ import annotations

from torch import Tensor
from torch.nn import functional as F

from training.augment import MM_PER_PX, SIDE
from training.model import Design


def coarse_view(design: Design, inputs: Tensor) -> Tensor:
    """The middle of windows as the surface network sees it."""
    seen, side = middle(design, inputs), design.side_px
    if seen.shape[-1] == side:
        return seen
    return F.interpolate(seen, size=(side, side), mode="bilinear", align_corners=False)


def middle(design: Design, image: Tensor) -> Tensor:
    """The middle of windows at the tiles' scale."""
    cut = (SIDE - round(design.seen_mm / MM_PER_PX)) // 2
    return image[:, :, cut : SIDE - cut, cut : SIDE - cut]


def shares_at_full(design: Design, logits: Tensor) -> Tensor:
    """Shares at the tiles' scale of the surface network's logits."""
    side = round(design.seen_mm / MM_PER_PX)
    return F.interpolate(F.softmax(F.pixel_shuffle(logits.float(), 2), 1), size=(side, side), mode="bilinear")
