"""Where the edge network looks, and what it is taught there."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from training.augment import MM_PER_PX, Dice
from training.model import BINS, LINE, REACH_MM, SHARE_LINE, SIDEWAYS_MM, STEP_MM


@torch.no_grad()
def lines(dice: Dice, inputs: Tensor, target: Tensor, share: Tensor, count: int) -> tuple[Tensor, Tensor]:
    """Inputs of the edge network at `count` places of each window, and where the edge truly is (mm; nan: nowhere).

    Half of the places lie on the outline that the surface network gives, half at a random distance from the true
    outline, so that a second pass over a nearly right outline is learned too.
    """
    n, side_px = len(inputs), inputs.shape[-1]
    live = share[:, 1] + share[:, 2]
    true = target[:, 1] + target[:, 2]
    own = _blurred(torch.cat([live.unsqueeze(1), true.unsqueeze(1)], 1), 3)
    field = torch.where((dice.uniform(n, 1, 1) < 0.5), own[:, 0], own[:, 1])
    down = F.pad(field[:, 2:] - field[:, :-2], (0, 0, 1, 1)) / 2
    right = F.pad(field[:, :, 2:] - field[:, :, :-2], (1, 1)) / 2
    steep = (down**2 + right**2).sqrt()
    border = ((field - 0.5).abs() < 0.3) & (steep > 0.04)
    border[:, :10] = border[:, -10:] = False
    border[:, :, :10] = border[:, :, -10:] = False
    weight = border.reshape(n, -1).float() + 1e-9
    spot = torch.multinomial(weight, count, replacement=True, generator=dice.generator)
    row, column = spot // side_px, spot % side_px
    pick = torch.arange(n, device=inputs.device).unsqueeze(1)
    good = border[pick, row, column]
    gy, gx, size = down[pick, row, column], right[pick, row, column], steep[pick, row, column].clamp(min=1e-3)
    turn = 0.12 * dice.normal(n, count)
    nx, ny = -gx / size, -gy / size  # outwards
    nx, ny = nx * turn.cos() - ny * turn.sin(), nx * turn.sin() + ny * turn.cos()
    move = (field[pick, row, column] - 0.5) / size
    wide = (dice.uniform(n, 1) < 0.5).float()
    move = (
        move
        + (dice.normal(n, count) * 0.15 + wide * dice.normal(n, 1) * 0.5 + wide * 0.3 * dice.normal(n, count))
        / MM_PER_PX
    )
    x, y = column + nx * move, row + ny * move
    along = torch.linspace(-REACH_MM, REACH_MM, LINE, device=inputs.device)
    parts = []
    for side in SIDEWAYS_MM:
        parts.append(_read(inputs[:, :3] - 0.5, x - ny * side / MM_PER_PX, y + nx * side / MM_PER_PX, nx, ny, along))
    spots = along[list(SHARE_LINE)]
    parts.append(_read(share[:, 1:] - 0.25, x, y, nx, ny, spots))
    features = torch.cat([part.permute(0, 2, 3, 1).reshape(n, count, -1) for part in parts], -1)
    fine = torch.linspace(-REACH_MM, REACH_MM, 2 * (LINE - 1) + 1, device=inputs.device)
    occupied = _read(true.unsqueeze(1), x, y, nx, ny, fine)[:, 0]
    leaves = (occupied[..., :-1] >= 0.5) & (occupied[..., 1:] < 0.5)
    cross = (
        fine[:-1]
        + (occupied[..., :-1] - 0.5) / (occupied[..., :-1] - occupied[..., 1:]).clamp(min=1e-3) * STEP_MM / 2
    )
    distance = torch.where(leaves, cross.abs(), torch.full_like(cross, 99.0))
    nearest = distance.argmin(-1, keepdim=True)
    edge = cross.gather(-1, nearest)[..., 0]
    good &= distance.gather(-1, nearest)[..., 0] < REACH_MM - STEP_MM
    return features.reshape(n * count, -1), torch.where(good, edge, torch.full_like(edge, float("nan"))).reshape(-1)


def _blurred(image: Tensor, size: int) -> Tensor:
    for _ in range(2):
        image = F.avg_pool2d(F.pad(image, (size // 2,) * 4, mode="replicate"), size, 1)
    return image


def _read(image: Tensor, x: Tensor, y: Tensor, nx: Tensor, ny: Tensor, along: Tensor) -> Tensor:
    px = x.unsqueeze(-1) + nx.unsqueeze(-1) * along / MM_PER_PX
    py = y.unsqueeze(-1) + ny.unsqueeze(-1) * along / MM_PER_PX
    where = (torch.stack([px, py], -1) + 0.5) * 2 / image.shape[-1] - 1
    return F.grid_sample(image, where, mode="bilinear", padding_mode="border", align_corners=False)


def edge_loss(logits: Tensor, edge: Tensor) -> Tensor:
    """Cross-entropy against a bump of 0.12 mm around the true edge."""
    good = torch.isfinite(edge)
    bins = torch.linspace(-REACH_MM + STEP_MM, REACH_MM - STEP_MM, BINS, device=logits.device)
    bump = torch.exp(-0.5 * ((bins - edge[good].unsqueeze(1)) / 0.12) ** 2)
    bump = bump / bump.sum(1, keepdim=True)
    return -(bump * F.log_softmax(logits[good].float(), 1)).sum(1).mean()
