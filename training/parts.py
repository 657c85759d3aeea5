"""Bleached, dead and missing fragments, drawn into windows that show healthy ones.

Trays hold few of them, so that a network sees too few to know them by anything but colour. Everything works on linear
light ``(n, 3, s, s)`` and soft labels ``(n, 4, s, s)``.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from training.augment import BLEACHED, DEAD, LIVE, MM_PER_PX, OTHER, SIDE, Dice, box, broad, cells, draw_turf

# Browns, olives, greens, reds, greys, and the tan of settled silt, in linear light.
TURF = (
    (0.10, 0.085, 0.045),
    (0.12, 0.11, 0.06),
    (0.07, 0.09, 0.035),
    (0.16, 0.12, 0.08),
    (0.06, 0.10, 0.03),
    (0.08, 0.17, 0.04),
    (0.13, 0.05, 0.045),
    (0.035, 0.033, 0.025),
    (0.20, 0.19, 0.16),
    (0.32, 0.27, 0.20),
)
CRUST = ((0.55, 0.30, 0.36), (0.42, 0.20, 0.30), (0.65, 0.50, 0.52))


def change_parts(dice: Dice, image: Tensor, labels: Tensor, turfs: Tensor) -> tuple[Tensor, Tensor]:
    """Bleach, kill or take away tissue in about half of the windows, and let what stands up throw a shadow.

    `turfs` are textures of real turf, ``(m, 3, SIDE, SIDE)``, m may be 0.
    """
    image, labels = _take_away(dice, image, labels)
    image, labels = _bleach(dice, image, labels)
    image, labels = _kill(dice, image, labels, turfs)
    return _glint(dice, _cast_shadow(dice, image, labels), labels), labels


def _glint(dice: Dice, image: Tensor, labels: Tensor) -> Tensor:
    """Highlights on the wet bumps of tissue, few to dense as on large colonies under a lamp; felted turf has few."""
    count = len(image)
    bumps = 1 - cells(dice, count)
    where = dice.rough(count) + 1.5 * dice.field(count, 3)
    level = dice.uniform(count, 1, 1, 1, low=-0.5, high=2.5)
    height = dice.uniform(count, 1, 1, 1, low=0.55, high=0.95)
    glints = torch.sigmoid(25 * (bumps - height)) * torch.sigmoid(4 * (where - level))
    wet = labels[:, LIVE : LIVE + 1] + labels[:, BLEACHED : BLEACHED + 1] + 0.15 * labels[:, DEAD : DEAD + 1]
    light = dice.uniform(count, 1, 1, 1, low=0.15, high=1.0) * dice.chance(count, 0.35)
    return image + light * glints * wet


def _part(dice: Dice, count: int, *, whole: float) -> Tensor:
    """Soft mask of half a window or of patches, with a wavy border; all of it in a share `whole` of the windows."""
    level = dice.uniform(count, 1, 1, 1, low=-0.8, high=1.2)
    patchy = dice.chance(count, 0.4)
    bumps = dice.field(count, 2) * (1 - patchy) + dice.field(count, 6) * patchy
    wavy = bumps + 0.15 * dice.field(count, 12)
    return torch.maximum(torch.sigmoid(14 * (wavy - level)), dice.chance(count, whole))


def _spread(mask: Tensor, size: int) -> Tensor:
    half = size // 2
    return box(F.pad(mask, (half,) * 4, mode="replicate"), size)[..., half:-half, half:-half]


def _relief(image: Tensor, strength: Tensor) -> Tensor:
    """Light and shade of a surface, without its colour."""
    lum = image.mean(1, keepdim=True)
    coarse = broad(lum, 21).clamp(min=1e-3)
    return (lum / coarse).clamp(0.4, 2.2) ** strength


def _dome(image: Tensor, tissue: Tensor, strength: Tensor) -> Tensor:
    """Light and shade of a piece's whole shape, without its own pattern, its highlights and its pale margin."""
    inner = (_spread(tissue, 9) > 0.97).float()
    weight = broad(inner, 13) + 0.02 * broad(tissue, 13) + 1e-4
    lum = image.mean(1, keepdim=True).clamp(max=0.7)
    smooth = (broad(lum * inner, 13) + 0.02 * broad(lum * tissue, 13) + 1e-5) / weight
    mean = (smooth * tissue).sum((2, 3), keepdim=True) / tissue.sum((2, 3), keepdim=True).clamp(min=1)
    return (smooth / mean.clamp(min=1e-3)).clamp(0.4, 1.8) ** strength


def _bleach(dice: Dice, image: Tensor, labels: Tensor) -> tuple[Tensor, Tensor]:
    count = len(image)
    mask = _part(dice, count, whole=0.3) * dice.chance(count, 0.18)
    white = dice.uniform(count, 1, 1, 1, low=0.4, high=0.95) * torch.exp(0.05 * dice.normal(count, 3, 1, 1))
    veil = dice.uniform(count, 1, 1, 1) ** 2.5 * 0.35  # some colour is left
    pale = white * _relief(image, dice.uniform(count, 1, 1, 1, low=0.2, high=0.7)) * (1 - veil) + image * veil
    gone = labels[:, LIVE : LIVE + 1] * mask
    image = image * (1 - gone) + pale * gone
    labels = labels.clone()
    labels[:, LIVE : LIVE + 1] -= gone
    labels[:, BLEACHED : BLEACHED + 1] += gone
    return image, labels


def _kill(dice: Dice, image: Tensor, labels: Tensor, turfs: Tensor) -> tuple[Tensor, Tensor]:
    """Turn tissue into skeleton: bare, with crust, or overgrown by turf, which may cover the ground beside it too."""
    count = len(image)
    alive = labels[:, LIVE : LIVE + 1] + labels[:, BLEACHED : BLEACHED + 1]
    chosen = dice.chance(count, 0.3)
    mask = _part(dice, count, whole=0.4) * chosen
    gone = alive * mask
    dome = _dome(image, alive, dice.uniform(count, 1, 1, 1, low=0.2, high=1.0))
    bone = dice.uniform(count, 1, 1, 1, low=0.25, high=0.85) * torch.exp(0.06 * dice.normal(count, 3, 1, 1))
    rough = 1 + dice.uniform(count, 1, 1, 1, high=0.3) * dice.rough(count)
    bone = bone * rough.clamp(0.3, 1.6) * _relief(image, dice.uniform(count, 1, 1, 1, low=0.1, high=0.8)) * dome
    crust = _cover(dice, count, CRUST, low=0.2, high=4.0)
    bone = bone * (1 - crust[1]) + crust[0] * crust[1] * dome
    turf = _turf(dice, _turf_tint(dice, image, labels, alive), turfs) * dome
    turf = turf * _relief(image, dice.uniform(count, 1, 1, 1, high=0.25))
    level = dice.uniform(count, 1, 1, 1, low=-1.5, high=1.8) - 6 * dice.chance(count, 0.45)
    level = level + 9 * dice.chance(count, 0.12)  # none at all, even of what would be overgrown
    cover = torch.sigmoid(8 * (dice.rough(count) - level))
    dead = bone * (1 - cover) + turf * cover
    # Tissue that ends at a dead part has a pale margin, half a millimetre or so wide.
    size = 2 * int(1 + 3 * float(dice.uniform(1))) + 1
    margin = ((_spread(gone, size) * 3).clamp(0, 1) * (alive - gone)).clamp(0, 1) * dice.chance(count, 0.6)
    light = dice.uniform(count, 1, 1, 1, low=0.45, high=0.85)
    image = image * (1 - 0.7 * margin) + light * 0.7 * margin
    ground = labels[:, OTHER : OTHER + 1] * chosen * dice.chance(count, 0.3)
    ground = ground * torch.sigmoid(8 * (dice.rough(count) - dice.uniform(count, 1, 1, 1, low=-2.5, high=1.0)))
    image = image * (1 - ground) + turf / dome * ground
    foot = 1 - dice.uniform(count, 1, 1, 1, high=0.5) * _spread(gone, 5) * ground
    image = image * foot * (1 - gone) + dead * gone
    labels = labels.clone()
    for part in (LIVE, BLEACHED):
        labels[:, part : part + 1] = labels[:, part : part + 1] * (1 - mask)
    labels[:, DEAD : DEAD + 1] += gone
    return image, labels


def _turf(dice: Dice, tint: Tensor, turfs: Tensor) -> Tensor:
    """Drawn turf, or turf of another plug in its own colours or those of `tint`."""
    drawn = draw_turf(dice, tint)
    if not len(turfs):
        return drawn
    count = len(tint)
    other = turfs[dice.integers(count, len(turfs))]
    own = other * torch.exp(0.12 * dice.normal(count, 3, 1, 1) + 0.2 * dice.normal(count, 1, 1, 1))
    toned = other / other.mean((2, 3), keepdim=True) * tint
    use_tint, use_other = dice.chance(count, 0.3), dice.chance(count, 0.65)
    return drawn * (1 - use_other) + (toned * use_tint + own * (1 - use_tint)) * use_other


def _cover(
    dice: Dice, count: int, tints: tuple[tuple[float, float, float], ...], *, low: float, high: float
) -> tuple[Tensor, Tensor]:
    """Colours and soft mask of patches of one of `tints`."""
    tint = torch.tensor(tints, device=dice.device)[dice.integers(count, len(tints))].view(count, 3, 1, 1)
    tint = tint * torch.exp(0.2 * dice.normal(count, 3, 1, 1)) * (1 + 0.15 * dice.rough(count)).clamp(min=0.3)
    return tint, torch.sigmoid(8 * (dice.rough(count) - dice.uniform(count, 1, 1, 1, low=low, high=high)))


def _turf_tint(dice: Dice, image: Tensor, labels: Tensor, alive: Tensor) -> Tensor:
    """Colour of the turf on a skeleton: any, mostly that of the turf on the plug, at times near the tissue's own."""
    count = len(image)
    tint = torch.tensor(TURF, device=dice.device)[dice.integers(count, len(TURF))].view(count, 3, 1, 1)
    tint = tint * torch.exp(0.25 * dice.normal(count, 3, 1, 1) + 0.3 * dice.normal(count, 1, 1, 1))
    dark = labels[:, OTHER : OTHER + 1] * (image.mean(1, keepdim=True) < 0.25) * (image.mean(1, keepdim=True) > 0.03)
    own = (image * dark).sum((2, 3), keepdim=True) / dark.sum((2, 3), keepdim=True).clamp(min=1)
    use_own = dice.chance(count, 0.5) * (dark.sum((2, 3), keepdim=True) > 150).float()
    tissue = (image * alive).sum((2, 3), keepdim=True) / alive.sum((2, 3), keepdim=True).clamp(min=1)
    tissue = tissue * torch.exp(0.2 * dice.normal(count, 3, 1, 1) + 0.2 * dice.normal(count, 1, 1, 1))
    use_tissue = dice.chance(count, 0.15) * (alive.sum((2, 3), keepdim=True) > 150).float()
    tint = own * use_own + tint * (1 - use_own)
    return (tissue * use_tissue + tint * (1 - use_tissue)).clamp(0.01, 0.6)


def _cast_shadow(dice: Dice, image: Tensor, labels: Tensor) -> Tensor:
    """Darken the ground on one side of what stands on it, as light from the side does."""
    count = len(image)
    standing = labels[:, 1:].sum(1, keepdim=True)
    reach = dice.normal(count, 1, 1, 1) * 5, dice.normal(count, 1, 1, 1) * 5
    grid = torch.arange(SIDE, device=dice.device, dtype=torch.float32)
    y, x = torch.meshgrid(grid, grid, indexing="ij")
    moved = _moved(standing, x, y, torch.cat([s.expand(-1, 1, SIDE, SIDE) for s in reach], 1))
    depth = dice.uniform(count, 1, 1, 1, low=0.1, high=0.65) * dice.chance(count, 0.25)
    return image * (1 - depth * _spread(moved, 5) * (1 - standing))


def _take_away(dice: Dice, image: Tensor, labels: Tensor) -> tuple[Tensor, Tensor]:
    """Paint plug over some fragments, and often a lump of glue where they were."""
    count = len(image)
    tissue = labels[:, 1:].sum(1, keepdim=True)
    ground = labels[:, OTHER : OTHER + 1]
    grid = (torch.arange(SIDE, device=dice.device) - (SIDE - 1) / 2) * MM_PER_PX
    away = (grid.view(1, 1, -1, 1) ** 2 + grid.view(1, 1, 1, -1) ** 2).sqrt()
    near = ground * (away < 12)
    mean = (image * near).sum((2, 3), keepdim=True) / near.sum((2, 3), keepdim=True).clamp(min=1)
    lum = image.mean(1, keepdim=True)
    spread = ((lum - mean.mean(1, keepdim=True)) ** 2 * near).sum((2, 3), keepdim=True)
    spread = (spread / near.sum((2, 3), keepdim=True).clamp(min=1)).sqrt() / mean.mean(1, keepdim=True).clamp(
        min=1e-3
    )
    # On a patchy plug a smooth cover would look like tissue; those are left alone.
    chosen = dice.chance(count, 0.12) * (spread < 0.22).float()
    plug = (mean * (1 + 0.12 * dice.rough(count))).clamp(0.01, 1)
    cover = (_spread(tissue, 9) * 4).clamp(0, 1) * chosen  # its pale margin and shadow go too
    image = image * (1 - cover) + plug * cover
    angle = torch.atan2(grid.view(1, 1, -1, 1), grid.view(1, 1, 1, -1)).expand(count, 1, -1, -1)
    reach = dice.uniform(count, 1, 1, 1, low=1.2, high=4.0)
    edge = reach * (1 + 0.2 * torch.cos(3 * angle + dice.uniform(count, 1, 1, 1, high=6.3)))
    edge = edge + reach * 0.15 * torch.cos(5 * angle + dice.uniform(count, 1, 1, 1, high=6.3))
    lump = ((edge - away) / MM_PER_PX + 0.5).clamp(0, 1) * chosen * dice.chance(count, 0.7)
    glue = dice.uniform(count, 1, 1, 1, low=0.3, high=0.9) * torch.exp(0.04 * dice.normal(count, 3, 1, 1))
    image = image * (1 - lump) + glue * (1 + 0.1 * dice.field(count, 20)).clamp(0.5, 1.5) * lump
    labels = labels * (1 - chosen)
    labels[:, OTHER : OTHER + 1] += chosen
    return image, labels


def bare_edges(dice: Dice, image: Tensor, labels: Tensor) -> tuple[Tensor, Tensor]:
    """Give tissue in a third of the windows an edge without a pale margin: its inner colours run out to the edge.

    Signed distances come from the blurred label: across a straight edge it is the normal distribution function.
    """
    count = len(image)
    tissue = labels[:, LIVE : LIVE + 1] + labels[:, BLEACHED : BLEACHED + 1]
    sigma_px = 1.0 / MM_PER_PX
    reach = torch.arange(-12, 13, device=dice.device)
    kernel = torch.exp(-0.5 * (reach / sigma_px) ** 2)
    kernel = (kernel / kernel.sum()).view(1, 1, 1, -1)
    soft = F.conv2d(F.pad(tissue, (12,) * 4, mode="replicate"), kernel)
    soft = F.conv2d(soft, kernel.transpose(2, 3))
    inside_px = sigma_px * 2**0.5 * torch.erfinv((2 * soft - 1).clamp(-0.98, 0.98))
    right = F.pad(soft[..., 2:] - soft[..., :-2], (1, 1))
    down = F.pad(soft[..., 2:, :] - soft[..., :-2, :], (0, 0, 1, 1))
    size = (right**2 + down**2).sqrt().clamp(min=1e-4)
    inwards = torch.cat([right / size, down / size], 1)
    width = dice.uniform(count, 1, 1, 1, low=0.2, high=1.0) / MM_PER_PX
    near = (inside_px > -1.5) & (inside_px < 2 * width)
    # From [0, 2 w] to [w, 2 w]: the margin is stretched over by what lies inside it.
    step = torch.where(near, (width - inside_px.clamp(min=0) / 2), torch.zeros_like(inside_px))
    grid = torch.arange(SIDE, device=dice.device, dtype=torch.float32)
    y, x = torch.meshgrid(grid, grid, indexing="ij")
    within = _moved(image, x, y, inwards * step)
    beyond = _moved(image, x, y, inwards * -1.6 * ((inside_px > -1.5) & (inside_px < 1.5)))
    bare = within * tissue + beyond * (1 - tissue)
    chosen = dice.chance(count, 0.35) * (inside_px.abs() < 2 * width).float()
    return image * (1 - chosen) + bare * chosen, labels


def _moved(image: Tensor, x: Tensor, y: Tensor, move: Tensor) -> Tensor:
    where = torch.stack([x + move[:, 0], y + move[:, 1]], -1) * 2 / (SIDE - 1) - 1
    return F.grid_sample(image, where, mode="bilinear", padding_mode="border", align_corners=True)
