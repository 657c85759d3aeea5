"""Learning windows as tensors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training import WINDOW_MM_PER_PX
from training.augment import MM_PER_PX, SIDE, to_linear, to_srgb

TURF_MARGIN_PX, LEAST_TURF_PX = (
    4.0,
    12.0,
)  # of a window: clear of tissue and rim, and a ring wide enough to show texture
TURF_LIGHT = (0.01, 0.22)  # turf is darker than bare plug and crust


@dataclass(frozen=True, eq=False)
class Data:
    """Windows of :mod:`training.windows`.

    Attributes
    ----------
    images : Tensor of uint8, shape (n, 3, s, s)
    shares : Tensor of uint8, shape (n, 3, s, s)
        Live, bleached, dead.
    rims : Tensor, shape (n, 3)
        x, y, radius of the plug in pixels; radius 0 where there is none.
    gains : Tensor, shape (n, 3)
        White balance and exposure by the grey patches.
    weights : Tensor, shape (n,)
        How often each is drawn.
    turfs : Tensor, shape (m, 3, SIDE, SIDE)
        Linear light of turf as the windows' plugs show it, at the networks' scale; m may be 0.
    names : tuple of str
        ``series/photo/genotype``.
    """

    images: Tensor
    shares: Tensor
    rims: Tensor
    gains: Tensor
    weights: Tensor
    turfs: Tensor
    names: tuple[str, ...]

    def only(self, chosen: np.ndarray) -> Data:
        """The windows where `chosen` is true."""
        where = torch.from_numpy(np.flatnonzero(chosen)).to(self.images.device)
        parts = [part[where] for part in (self.images, self.shares, self.rims, self.gains, self.weights)]
        names = tuple(name for name, keep in zip(self.names, chosen, strict=True) if keep)
        return Data(*parts, turf_textures(*parts[:4]), names)


def load(path: Path, leave_out: list[str], device: torch.device, only: list[str] | None = None) -> tuple[Data, Data]:
    """Windows to learn from, and those left out (:func:`learned_from`)."""
    with np.load(path) as file:
        names = tuple(str(name) for name in file["names"])
        parts = [torch.from_numpy(file[name]).to(device) for name in ("images", "shares", "rims", "gains", "weights")]
    whole = Data(parts[0].permute(0, 3, 1, 2).contiguous(), *parts[1:], torch.zeros(0, 3, SIDE, SIDE), names)
    own = learned_from(names, leave_out, only or [])
    return whole.only(own), whole.only(~own)


def learned_from(names: Sequence[str], leave_out: list[str], only: list[str]) -> np.ndarray:
    """Whether a name holds one of the texts of `only`, if there are any, and none of `leave_out`."""
    return np.array(
        [
            (not only or any(text in name for text in only)) and not any(text in name for text in leave_out)
            for name in names
        ],
        bool,
    )


def turf_textures(images: Tensor, shares: Tensor, rims: Tensor, gains: Tensor) -> Tensor:
    """Turf from plugs that it covers all round: the ring between tissue and rim, unrolled, mirrored to a square.

    A drawn texture alone did not teach networks to know turf on a skeleton that they had not seen.
    """
    side = images.shape[-1]
    grid = torch.arange(side, device=images.device, dtype=torch.float32)
    steps = torch.arange(SIDE, device=images.device, dtype=torch.float32) * MM_PER_PX / WINDOW_MM_PER_PX
    found = []
    for image, share, (x, y, radius), gain in zip(images, shares, rims, gains, strict=True):
        away = ((grid[None] - x) ** 2 + (grid[:, None] - y) ** 2).sqrt()
        tissue = (share.sum(0) > 0) & (away < radius)
        inner = float((away * tissue).max()) + TURF_MARGIN_PX
        width = float(radius) - TURF_MARGIN_PX - inner
        if width < LEAST_TURF_PX:
            continue
        light = to_linear(image.float() / 255) * gain.view(3, 1, 1)
        ring = light.mean(0)[(away > inner) & (away < inner + width)]
        if not TURF_LIGHT[0] < float(ring.quantile(0.7)) < TURF_LIGHT[1]:
            continue
        reach = inner + ((steps % (2 * width)) - width).abs()
        angle = steps / (inner + width / 2)
        px = x + reach[:, None] * angle.cos()[None]
        py = y + reach[:, None] * angle.sin()[None]
        where = torch.stack([px, py], -1).unsqueeze(0) * 2 / (side - 1) - 1
        found.append(F.grid_sample(light.unsqueeze(0), where, align_corners=True)[0])
    return torch.stack(found) if found else torch.zeros(0, 3, SIDE, SIDE, device=images.device)


def soft_labels(shares: Tensor) -> Tensor:
    """Other, live, bleached, dead as shares that sum to 1."""
    part = shares.float() / 255
    return torch.cat([(1 - part.sum(1, keepdim=True)).clamp(min=0), part], 1)


@torch.no_grad()
def plain(data: Data) -> tuple[Tensor, Tensor]:
    """The windows as they are, white-balanced, at the networks' scale."""
    side = data.images.shape[-1]
    steps = (torch.arange(SIDE, device=data.images.device) - (SIDE - 1) / 2) * MM_PER_PX / WINDOW_MM_PER_PX
    y, x = torch.meshgrid(steps, steps, indexing="ij")
    where = (torch.stack([x, y], -1) * 2 / (side - 1)).expand(len(data.images), -1, -1, -1)
    balanced = to_srgb(to_linear(data.images.float() / 255) * data.gains.view(-1, 3, 1, 1))
    image = F.grid_sample(balanced, where, align_corners=True)
    target = F.grid_sample(soft_labels(data.shares), where, align_corners=True)
    reach = data.rims[:, 2].view(-1, 1, 1)
    rim = ((reach - (x**2 + y**2).sqrt()) * WINDOW_MM_PER_PX / 10 * (reach > 0)).clamp(-1, 1)
    return torch.cat([image, rim.unsqueeze(1)], 1), target
