"""Learning windows as tensors."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from training import WINDOW_MM_PER_PX
from training.augment import MM_PER_PX, SIDE, to_linear, to_srgb


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
    names : tuple of str
        ``series/photo``.
    """

    images: Tensor
    shares: Tensor
    rims: Tensor
    gains: Tensor
    weights: Tensor
    names: tuple[str, ...]

    def only(self, chosen: np.ndarray) -> Data:
        """The windows where `chosen` is true."""
        where = torch.from_numpy(np.flatnonzero(chosen)).to(self.images.device)
        parts = (self.images, self.shares, self.rims, self.gains, self.weights)
        names = tuple(name for name, keep in zip(self.names, chosen, strict=True) if keep)
        return Data(*(part[where] for part in parts), names)


def load(path: Path, leave_out: list[str], device: torch.device) -> tuple[Data, Data]:
    """Windows to learn from, and those left out: whose ``series/photo`` holds one of the texts."""
    with np.load(path) as file:
        names = tuple(str(name) for name in file["names"])
        parts = [torch.from_numpy(file[name]).to(device) for name in ("images", "shares", "rims", "gains", "weights")]
    whole = Data(parts[0].permute(0, 3, 1, 2).contiguous(), *parts[1:], names)
    held = np.array([any(text in name for text in leave_out) for name in names], bool)
    return whole.only(~held), whole.only(held)


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
