"""Windows drawn anew for every step, so that the network cannot learn these scenes by heart.

Everything is a batched tensor operation (GPU or CPU), seeded by the generator that is passed in. Images are floats of
linear light, 0..1, inside and become sRGB at the end; labels are soft shares ``(n, 4, rows, columns)`` that sum to
1, so that the network learns where inside a pixel the edge lies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

SIDE = 128  # pixels of a learning window
STORED, STORED_SIDES = 48, 2  # noise fields of one kind that are kept, and their side in windows
COARSE_CELLS = 4  # with so few bumps a crop's own spread is brought to 1
MM_PER_PX = 0.25
OTHER, LIVE, BLEACHED, DEAD = range(4)


@dataclass(frozen=True)
class Strength:
    """Which kinds of change are on; all of them unless a study leaves one out."""

    recolour: bool = True
    drawn: float = 0.3  # share of windows drawn from nothing
    algae: bool = True
    water: bool = True
    glare: bool = True


def to_linear(srgb: Tensor) -> Tensor:
    """SRGB 0..1 to linear light (IEC 61966-2-1)."""
    return torch.where(srgb <= 0.04045, srgb / 12.92, ((srgb.clamp(min=0) + 0.055) / 1.055) ** 2.4)


def to_srgb(linear: Tensor) -> Tensor:
    """Linear light 0..1 to sRGB (IEC 61966-2-1)."""
    x = linear.clamp(0, 1)
    return torch.where(x <= 0.0031308, x * 12.92, 1.055 * x.clamp(min=1e-6) ** (1 / 2.4) - 0.055)


def box(x: Tensor, size: int) -> Tensor:
    """Mean of ``size`` x ``size`` pixels (odd), zeros beyond the border: along rows, then along columns."""
    half = size // 2
    return F.avg_pool2d(F.avg_pool2d(x, (1, size), 1, (0, half)), (size, 1), 1, (half, 0))


def broad(x: Tensor, size: int) -> Tensor:
    """About the mean of ``size`` x ``size`` pixels, at a quarter of the resolution."""
    small = F.avg_pool2d(x, 4)
    half = max(1, round(size / 8))
    small = box(F.pad(small, (half,) * 4, mode="replicate"), 2 * half + 1)[..., half:-half, half:-half]
    return F.interpolate(small, size=x.shape[-2:], mode="bilinear", align_corners=False)


class Dice:
    """Random numbers of one device, from one seed."""

    def __init__(self, seed: int, device: torch.device) -> None:
        self.device = device
        self.generator = torch.Generator(device=device)
        self.generator.manual_seed(seed)
        self.stored: dict[str, Tensor] = {}

    def uniform(self, *shape: int, low: float = 0.0, high: float = 1.0) -> Tensor:
        """Uniform numbers in [low, high)."""
        return low + (high - low) * torch.rand(shape, generator=self.generator, device=self.device)

    def normal(self, *shape: int) -> Tensor:
        """Standard normal numbers."""
        return torch.randn(shape, generator=self.generator, device=self.device)

    def chance(self, count: int, p: float) -> Tensor:
        """``(count, 1, 1, 1)`` of 0 or 1, 1 with probability `p`."""
        return (self.uniform(count, 1, 1, 1) < p).float()

    def integers(self, count: int, below: int) -> Tensor:
        """``(count,)`` whole numbers in [0, below)."""
        return torch.randint(0, below, (count,), generator=self.generator, device=self.device)

    def field(self, count: int, cells: int, channels: int = 1) -> Tensor:
        """Smooth noise ``(count, channels, SIDE, SIDE)`` of about `cells` bumps a side, mean 0, spread 1."""
        crop = self._crops(f"field {cells}", count, channels, lambda: self._smooth(STORED, cells * STORED_SIDES))
        if cells > COARSE_CELLS:
            return crop
        return crop / crop[..., ::4, ::4].std(dim=(2, 3), keepdim=True).clamp(min=0.05)

    def rough(self, count: int, channels: int = 1) -> Tensor:
        """Noise with detail at several sizes."""
        return self._crops("rough", count, channels, self._rough)

    def threads(self, count: int) -> Tensor:
        """Noise of short strands that turn with the place, as filamentous turf shows them; mean 0, spread 1."""
        return self._crops("threads", count, 1, self._threads)

    def _crops(self, kind: str, count: int, channels: int, draw: Callable[[], Tensor]) -> Tensor:
        """Random crops of large fields that are drawn once: drawing each field anew took half of the time."""
        if kind not in self.stored:
            self.stored[kind] = draw()
        fields = self.stored[kind]
        spots = torch.rand((count * channels, 3), generator=self.generator, device=self.device)
        most = fields.shape[-1] - SIDE
        which = (spots[:, 0] * len(fields)).long()
        row, column = (spots[:, 1:] * most).long().unbind(1)
        side = torch.arange(SIDE, device=self.device)
        crops = fields[which.view(-1, 1, 1), (row[:, None] + side)[:, :, None], (column[:, None] + side)[:, None, :]]
        return crops.reshape(count, channels, SIDE, SIDE)

    def _smooth(self, count: int, cells: int) -> Tensor:
        side = STORED_SIDES * SIDE
        coarse = self.normal(count, 1, cells + 3, cells + 3)
        smooth = F.interpolate(coarse, size=(side, side), mode="bicubic", align_corners=False)
        return (smooth / smooth.std(dim=(2, 3), keepdim=True).clamp(min=1e-3))[:, 0]

    def _rough(self) -> Tensor:
        side = STORED_SIDES * SIDE
        sizes = ((0.6, 5), (0.5, 14), (0.4, 40))
        smooth = sum(share * self._smooth(STORED, cells * STORED_SIDES) for share, cells in sizes)
        return smooth + 0.2 * self.normal(STORED, side, side)

    def _threads(self) -> Tensor:
        """White noise smeared along one of four ways, which one wandering over the field."""
        side = STORED_SIDES * SIDE
        line = torch.zeros(4, 1, 9, 9, device=self.device)
        for step in range(9):
            line[0, 0, 4, step] = line[1, 0, step, 4] = line[2, 0, step, step] = line[3, 0, step, 8 - step] = 1.0
        ways = F.conv2d(self.normal(STORED, 1, side, side), line, padding=4)
        wander = torch.cat([self._smooth(STORED, 25 * STORED_SIDES).unsqueeze(1) for _ in range(4)], 1)
        strands = (torch.softmax(2 * wander, 1) * ways).sum(1)
        return strands / strands.std(dim=(1, 2), keepdim=True)


def cells(dice: Dice, count: int) -> Tensor:
    """Corallite-like cells ``(count, 1, SIDE, SIDE)``: 0 in the middle of a cell, 1 at its wall.

    From 1 to 10 mm wide, as corallites are; in a third of the windows small eyes far apart.
    """
    pitch = 5.0 * torch.exp(dice.uniform(count, 1, 1, high=2.1))
    angle = dice.uniform(count, 1, 1, high=6.283)
    grid = torch.arange(SIDE, device=dice.device, dtype=torch.float32)
    y, x = torch.meshgrid(grid, grid, indexing="ij")
    warp = 2.5 * dice.field(count, 12, 2)
    xs, ys = x + warp[:, 0], y + warp[:, 1]
    u = (xs * angle.cos() + ys * angle.sin()) / pitch
    v = (-xs * angle.sin() + ys * angle.cos()) / pitch * 1.1547
    u = u + 0.5 * (v.floor() % 2)
    distance = ((u - u.floor() - 0.5) ** 2 + (v - v.floor() - 0.5) ** 2).sqrt() * 1.6
    eyes = 1 - torch.exp(-((distance / dice.uniform(count, 1, 1, low=0.15, high=0.5)) ** 2))
    small = (dice.uniform(count, 1, 1) < 0.35).float()
    return (distance.clamp(0, 1) * (1 - small) + eyes * small).unsqueeze(1)


def warp_windows(
    dice: Dice, images: Tensor, labels: Tensor, rims: Tensor, mm_per_px: float
) -> tuple[Tensor, Tensor, Tensor]:
    """Turn, mirror, scale, shift and bend windows, and sample them at ``MM_PER_PX``.

    Parameters
    ----------
    images : Tensor (n, 3, s, s), linear light
    labels : Tensor (n, 4, s, s)
    rims : Tensor (n, 3): x, y, radius in pixels; radius 0 where unknown
    mm_per_px : float of the input

    Returns
    -------
    images, labels of side ``SIDE``, and the rim channel (n, 1, SIDE, SIDE)
    """
    count, side = len(images), images.shape[-1]
    scale = torch.exp(dice.normal(count) * 0.15).clamp(0.7, 1.45)
    # Large colonies fill what is seen, and other species have larger corallites.
    near = (dice.uniform(count) < 0.12).float()
    scale = scale * (1 + near * dice.uniform(count, high=2.0))
    angle = dice.uniform(count, high=6.283)
    flip = (dice.uniform(count) < 0.5).float() * 2 - 1
    grid = torch.arange(SIDE, device=dice.device, dtype=torch.float32) - (SIDE - 1) / 2
    y, x = torch.meshgrid(grid, grid, indexing="ij")
    bend = dice.field(count, 3, 2) * dice.uniform(count, 1, 1, 1, high=3.0)
    xs = x + bend[:, 0] + dice.normal(count, 1, 1) * 4
    ys = y + bend[:, 1] + dice.normal(count, 1, 1) * 4
    step = (MM_PER_PX / mm_per_px / scale)[:, None, None]
    cos, sin = angle.cos()[:, None, None], angle.sin()[:, None, None]
    px = (flip[:, None, None] * xs * cos - ys * sin) * step + (side - 1) / 2
    py = (flip[:, None, None] * xs * sin + ys * cos) * step + (side - 1) / 2
    where = torch.stack([px, py], dim=-1) * 2 / (side - 1) - 1
    out = F.grid_sample(images, where, mode="bilinear", padding_mode="reflection", align_corners=True)
    soft = F.grid_sample(labels, where, mode="bilinear", padding_mode="reflection", align_corners=True)
    distance = ((px - rims[:, 0, None, None]) ** 2 + (py - rims[:, 1, None, None]) ** 2).sqrt()
    inside_mm = (rims[:, 2, None, None] - distance) * mm_per_px * scale[:, None, None]
    known = (rims[:, 2] > 0).float()[:, None, None]
    return out, soft / soft.sum(1, keepdim=True).clamp(min=1e-6), (inside_mm / 10 * known).clamp(-1, 1).unsqueeze(1)


def draw_ground(dice: Dice, count: int) -> Tensor:
    """What may lie round a plug, in linear light: plain or speckled matter, wood, skin, mesh, a ruler or tape."""
    plain = _paint(dice, count, low=0.004, high=0.6, spread=0.4)
    grid = (torch.arange(SIDE, device=dice.device, dtype=torch.float32) - (SIDE - 1) / 2) * MM_PER_PX
    y, x = torch.meshgrid(grid, grid, indexing="ij")
    angle = dice.uniform(count, 1, 1, high=6.283)
    bend = 0.6 * dice.field(count, 3)[:, 0] * dice.uniform(count, 1, 1)
    u, v = x * angle.cos() + y * angle.sin() + bend, y * angle.cos() - x * angle.sin()
    kinds = [plain, _concrete(dice, count), _wood(dice, count, u), _skin(dice, count, u)]
    kinds += [_mesh(dice, plain, u, v), _ruler(dice, plain, u, v)]
    kind = dice.integers(count, len(kinds) + 2).clamp(max=len(kinds) - 1).tolist()
    return torch.stack([kinds[k][i] for i, k in enumerate(kind)]).clamp(0.002, 1)


def _concrete(dice: Dice, count: int) -> Tensor:
    grain = 1 + 0.15 * dice.rough(count) + 0.12 * dice.normal(count, 1, SIDE, SIDE)
    pits = torch.sigmoid(12 * (dice.field(count, 40) - dice.uniform(count, 1, 1, 1, low=1.5, high=2.8)))
    tone = dice.uniform(count, 1, 1, 1, low=0.1, high=0.6) * torch.exp(0.06 * dice.normal(count, 3, 1, 1))
    return tone * grain.clamp(min=0.3) * (1 - 0.6 * pits)


def _wood(dice: Dice, count: int, u: Tensor) -> Tensor:
    rings = torch.sin(u / dice.uniform(count, 1, 1, low=0.15, high=1.0) + 2 * dice.field(count, 2)[:, 0])
    brown = torch.tensor((0.30, 0.17, 0.08), device=dice.device).view(1, 3, 1, 1)
    tone = brown * torch.exp(0.2 * dice.normal(count, 3, 1, 1) + 0.4 * dice.normal(count, 1, 1, 1))
    return tone * (1 + 0.25 * rings.unsqueeze(1) * dice.uniform(count, 1, 1, 1) + 0.08 * dice.rough(count))


def _skin(dice: Dice, count: int, u: Tensor) -> Tensor:
    tone = torch.tensor((0.45, 0.25, 0.17), device=dice.device).view(1, 3, 1, 1)
    tone = tone * torch.exp(0.12 * dice.normal(count, 3, 1, 1) + 0.5 * dice.normal(count, 1, 1, 1))
    creases = torch.exp(-((torch.sin(u / 3 + dice.field(count, 3)[:, 0]) / 0.08) ** 2)).unsqueeze(1)
    shade = (1 + 0.2 * dice.field(count, 2) + 0.05 * dice.field(count, 40)).clamp(min=0.3)
    return tone * shade * (1 - 0.25 * creases)


def _mesh(dice: Dice, holes: Tensor, u: Tensor, v: Tensor) -> Tensor:
    count = len(holes)
    pitch = dice.uniform(count, 1, 1, low=4.0, high=22.0)
    half = pitch * dice.uniform(count, 1, 1, low=0.06, high=0.25)
    away = torch.minimum(*(((w / pitch - (w / pitch).round()) * pitch).abs() for w in (u, v)))
    bars = _soft(half - away).unsqueeze(1)
    return holes * 0.4 * (1 - bars) + _paint(dice, count, low=0.02, high=0.8, spread=0.1, grey=0.7) * bars


def _ruler(dice: Dice, ground: Tensor, u: Tensor, v: Tensor) -> Tensor:
    """A band with marks every millimetre, longer ones every five; without marks it is tape."""
    count = len(ground)
    near = dice.uniform(count, 1, 1, low=4.0, high=11.0)
    band = (_soft(u - near) * _soft(near + dice.uniform(count, 1, 1, low=5.0, high=30.0) - u)).unsqueeze(1)
    marks = torch.zeros_like(u)
    for every, length in ((1.0, 2.5), (5.0, 4.5)):
        marks = torch.maximum(
            marks, _soft(0.15 - ((v / every - (v / every).round()) * every).abs()) * _soft(near + length - u)
        )
    face = dice.uniform(count, 3, 1, 1, low=0.02, high=0.9) ** dice.chance(count, 0.5) * dice.uniform(
        count, 1, 1, 1, low=0.3, high=0.9
    )
    face = face * (1 - 0.9 * marks.unsqueeze(1) * dice.chance(count, 0.6))
    return ground * (1 - band) + face * band


def draw_windows(dice: Dice, count: int) -> tuple[Tensor, Tensor, Tensor]:
    """Windows drawn from nothing: ground, plug, crust and turf, tissue with cells.

    Returns
    -------
    images (linear light), labels, rim channel
    """
    grid = torch.arange(SIDE, device=dice.device, dtype=torch.float32) - (SIDE - 1) / 2
    y, x = torch.meshgrid(grid, grid, indexing="ij")
    x, y = x.expand(count, -1, -1) * MM_PER_PX, y.expand(count, -1, -1) * MM_PER_PX
    plug_r = dice.uniform(count, 1, 1, low=9.0, high=16.5)
    cx, cy = dice.normal(count, 1, 1) * 1.2, dice.normal(count, 1, 1) * 1.2
    inside = plug_r - ((x - cx) ** 2 + (y - cy) ** 2).sqrt()
    square = (dice.uniform(count, 1, 1) < 0.2).float()  # tiles and blocks, whose rim no one gives
    turn = dice.uniform(count, 1, 1, high=1.57)
    across = torch.maximum(
        *(
            ((x - cx) * one + (y - cy) * other).abs()
            for one, other in ((turn.cos(), turn.sin()), (-turn.sin(), turn.cos()))
        )
    )
    plug = _soft(inside * (1 - square) + (0.95 * plug_r - across) * square)
    ground = draw_ground(dice, count)
    top = _paint(dice, count, low=0.2, high=0.85, spread=0.12, grey=0.8)
    for tint in ((0.55, 0.3, 0.36), (0.1, 0.08, 0.04), (0.12, 0.16, 0.05)):
        patch = torch.sigmoid(8 * (dice.rough(count) - dice.uniform(count, 1, 1, 1, low=-0.5, high=2.5)))
        colour = torch.tensor(tint, device=dice.device).view(1, 3, 1, 1) * torch.exp(
            0.3 * dice.normal(count, 3, 1, 1)
        )
        top = top + patch * (colour * (1 + 0.3 * dice.rough(count)).clamp(min=0.2) - top)
    large = (dice.uniform(count, 1, 1) < 0.3).float()  # colonies that run out of the window, or fill it
    bare = torch.maximum(large, (dice.uniform(count, 1, 1) < 0.25).float())  # no plug: cement or ground everywhere
    plug = (plug * (1 - bare) + bare).unsqueeze(1)
    shadow = 1 - 0.6 * _soft(plug_r + 1.5 - ((x - cx - 1) ** 2 + (y - cy - 1) ** 2).sqrt(), 1.5).unsqueeze(1)
    image = ground * torch.maximum(shadow, bare.unsqueeze(1)) * (1 - plug) + top * plug
    away, way = dice.uniform(count, 1, 1, high=1.15), dice.uniform(count, 1, 1, high=6.283)
    reach = large * dice.uniform(count, 1, 1, low=18.0, high=50.0)
    blob = _blob(dice, count, x - cx - away * reach * way.cos(), y - cy - away * reach * way.sin(), reach)
    present = dice.chance(count, 0.88)
    tissue = _soft(blob).unsqueeze(1) * present
    edge_shade = (
        1 - 0.45 * dice.uniform(count, 1, 1, 1) * torch.exp(-(blob.unsqueeze(1).clamp(max=0) ** 2) / 0.6) * present
    )
    image = image * edge_shade * (1 - tissue) + _tissue_paint(dice, count, blob) * tissue
    labels = torch.cat([1 - tissue, tissue, torch.zeros_like(tissue), torch.zeros_like(tissue)], 1)
    rim = ((inside / 10) * (1 - bare) * (1 - square)).clamp(-1, 1).unsqueeze(1)
    return image, labels, rim


def _soft(signed_mm: Tensor, width_mm: float = MM_PER_PX) -> Tensor:
    return (signed_mm / width_mm + 0.5).clamp(0, 1)


def _paint(dice: Dice, count: int, *, low: float, high: float, spread: float, grey: float = 0.5) -> Tensor:
    level = dice.uniform(count, 1, 1, 1, low=low, high=high)
    tint = torch.exp(0.35 * (1 - grey) * dice.normal(count, 3, 1, 1))
    return (level * tint * (1 + spread * dice.rough(count) * dice.uniform(count, 1, 1, 1))).clamp(0.002, 1)


def _blob(dice: Dice, count: int, x: Tensor, y: Tensor, reach: Tensor) -> Tensor:
    """Signed distance-like field in mm of a lobed outline, positive inside; `reach` is a large one's radius, or 0."""
    radius = torch.where(reach > 0, reach, dice.uniform(count, 1, 1, low=2.0, high=13.0))
    angle = torch.atan2(y, x)
    outline = radius.expand_as(x)
    for wave in range(2, 9):
        size = 0.22 * dice.normal(count, 1, 1) / wave**0.8
        outline = outline + radius * size * torch.cos(wave * angle + dice.uniform(count, 1, 1, high=6.283))
    return outline.clamp(min=0.6) - (x**2 + y**2).sqrt()


def _tissue_paint(dice: Dice, count: int, blob: Tensor) -> Tensor:
    hue = dice.uniform(count, 3, 1, 1, low=0.03, high=0.45) * dice.uniform(count, 1, 1, 1, low=0.4, high=1.2)
    other = hue * torch.exp(0.5 * dice.normal(count, 3, 1, 1))
    wall = cells(dice, count)
    valleys = 0.5 + 0.5 * torch.cos(dice.uniform(count, 1, 1, 1, low=2.0, high=6.0) * dice.field(count, 9))
    winding = dice.chance(count, 0.2)  # ridges and valleys instead of round cups
    wall = (wall * (1 - winding) + valleys * winding) ** dice.uniform(count, 1, 1, 1, low=0.5, high=3.0)
    mix = (wall * dice.uniform(count, 1, 1, 1)).clamp(0, 1)
    colour = hue * (1 - mix) + other * mix
    dome = 1 + dice.uniform(count, 1, 1, 1, low=-0.2, high=0.35) * (blob.unsqueeze(1) / 6).clamp(0, 1)
    relief = 1 + 0.25 * dice.uniform(count, 1, 1, 1) * dice.field(count, 22)
    pale = (
        dice.uniform(count, 1, 1, 1) * torch.exp(-((blob.unsqueeze(1) - 0.3) ** 2) / 0.15) * dice.chance(count, 0.5)
    )
    return (colour * dome * relief.clamp(min=0.3) * (1 - pale) + pale * 0.6).clamp(0.003, 1)


def repaint(dice: Dice, image: Tensor, labels: Tensor, strength: Strength) -> Tensor:
    """Give tissue other colours and patterns and the ground other tints; labels stay true."""
    count = len(image)
    live = labels[:, LIVE : LIVE + 1]
    if strength.recolour:
        turned = _turn_colour(dice, image)
        pattern = 1 + dice.uniform(count, 1, 1, 1, low=-0.6, high=0.6) * (cells(dice, count) - 0.5) * dice.chance(
            count, 0.4
        )
        fresh = _tissue_paint(dice, count, torch.full_like(image[:, 0], 3.0))
        lum = image.mean(1, keepdim=True)
        shade = (lum / broad(lum, 31).clamp(min=1e-3)).clamp(0.3, 2.5)
        whole = dice.chance(count, 0.25)
        tissue = (turned * pattern) * (1 - whole) + fresh * shade * whole
        image = image + dice.chance(count, 0.65) * live * (tissue - image)
        ground = labels[:, :1] * dice.chance(count, 0.5)
        tint = torch.exp(0.25 * dice.normal(count, 3, 1, 1) + 0.3 * dice.normal(count, 1, 1, 1))
        image = image * (1 - ground) + image * tint * ground
    if strength.algae:
        image = _algae(dice, image, labels)
    return image.clamp(0.001, 1.5)


def _turn_colour(dice: Dice, image: Tensor) -> Tensor:
    count = len(image)
    angle = dice.uniform(count, low=-3.1416, high=3.1416)
    cos, sin = angle.cos().view(-1, 1, 1), angle.sin().view(-1, 1, 1)
    third, root = 1 / 3, (1 / 3) ** 0.5
    eye = torch.eye(3, device=dice.device)
    ones = torch.full((3, 3), third, device=dice.device)
    cross = torch.tensor([[0, -1, 1], [1, 0, -1], [-1, 1, 0]], device=dice.device, dtype=torch.float32) * root
    turn = cos * eye + (1 - cos) * ones + sin * cross  # Rodrigues, about the grey axis
    keep = dice.uniform(count, 1, 1, low=0.1, high=1.6)
    mix = keep * turn + (1 - keep) * ones
    gain = torch.exp(0.45 * dice.normal(count, 1, 1, 1))
    return (torch.einsum("nij,njhw->nihw", mix, image) * gain).clamp(0.002, 1.2)


def _algae(dice: Dice, image: Tensor, labels: Tensor) -> Tensor:
    count = len(image)
    other = labels[:, OTHER : OTHER + 1]
    for p in (0.35, 0.25):
        patch = torch.sigmoid(9 * (dice.rough(count) - dice.uniform(count, 1, 1, 1, low=-1.0, high=2.0)))
        tissue = labels[:, LIVE : LIVE + 1]
        mean = (image * tissue).sum((2, 3), keepdim=True) / tissue.sum((2, 3), keepdim=True).clamp(min=1)
        base = dice.uniform(count, 3, 1, 1, low=0.02, high=0.35)
        base = base / base.mean(1, keepdim=True) * dice.uniform(count, 1, 1, 1, low=0.03, high=0.3)
        like = dice.chance(count, 0.3) * (tissue.sum((2, 3), keepdim=True) > 50).float()
        base = base * (1 - like) + mean * torch.exp(0.2 * dice.normal(count, 3, 1, 1)) * like
        image = image + patch * other * dice.chance(count, p) * (draw_turf(dice, base) - image)
    return image


def draw_turf(dice: Dice, tint: Tensor) -> Tensor:
    """Turf of about the given colours ``(n, 3, 1, 1)``: matte, a smooth felt to filamentous, in two tones."""
    count = len(tint)
    coarse = dice.uniform(count, 1, 1, 1)  # short felted turf is nearly even at a quarter of a millimetre
    strands = coarse * dice.uniform(count, 1, 1, 1, high=0.35) * dice.threads(count)
    lumps = (0.04 + coarse * dice.uniform(count, 1, 1, 1, high=0.3)) * dice.rough(count)
    tones = torch.sigmoid(3 * dice.rough(count)) * dice.uniform(count, 1, 1, 1) * (0.2 + 0.8 * coarse)
    second = tint * torch.exp(0.3 * dice.normal(count, 3, 1, 1))
    return (tint + tones * (second - tint)) * (1 + strands + lumps).clamp(0.3, 2.0)


def expose(dice: Dice, image: Tensor, strength: Strength) -> Tensor:
    """Light, water, glare, camera: linear light in, sRGB 0..1 out."""
    count = len(image)
    image = image * (1 + 0.35 * dice.uniform(count, 1, 1, 1) * dice.field(count, 1)).clamp(min=0.25)
    stripe = (
        torch.sigmoid(4 * dice.field(count, 3)) * dice.uniform(count, 1, 1, 1, high=0.75) * dice.chance(count, 0.3)
    )
    image = image * (1 - stripe)
    net = (dice.field(count, 9) ** 2).clamp(0, 3) * dice.chance(count, 0.15) * dice.uniform(count, 1, 1, 1, high=0.3)
    image = image * (1 + net)
    lines = torch.exp(-((dice.field(count, 6) / dice.uniform(count, 1, 1, 1, low=0.1, high=0.4)) ** 2))
    image = image * (1 + lines * dice.chance(count, 0.12) * dice.uniform(count, 1, 1, 1, high=0.8))
    if strength.water:
        cast = torch.exp(
            -dice.uniform(count, 1, 1, 1, high=1.2)
            * torch.tensor((1.0, 0.15, 0.1), device=dice.device).view(1, 3, 1, 1)
        )
        wet = dice.chance(count, 0.25)
        haze = dice.uniform(count, 1, 1, 1, high=0.12) * torch.tensor((0.2, 0.8, 1.0), device=dice.device).view(
            1, 3, 1, 1
        )
        image = image * (1 - wet) + (image * cast + haze) * wet
    if strength.glare:
        spots = torch.sigmoid(
            10
            * (dice.field(count, 30) + 0.6 * dice.field(count, 4) - dice.uniform(count, 1, 1, 1, low=2.0, high=4.0))
        )
        image = image + spots * dice.chance(count, 0.5) * dice.uniform(count, 1, 1, 1, low=0.2, high=1.2)
    gains = torch.exp(0.12 * dice.normal(count, 3, 1, 1) + 0.35 * dice.normal(count, 1, 1, 1))
    image = _blur(dice, image * gains)
    srgb = to_srgb(image)
    srgb = (srgb - 0.5) * dice.uniform(count, 1, 1, 1, low=0.8, high=1.25) + 0.5 + 0.04 * dice.normal(count, 1, 1, 1)
    srgb = srgb + 0.4 * dice.uniform(count, 1, 1, 1) * dice.chance(count, 0.3) * (srgb - box(srgb, 3))
    noise = dice.uniform(count, 1, 1, 1, high=0.05)
    srgb = srgb + noise * dice.normal(count, 3, SIDE, SIDE)
    blocky = F.interpolate(F.avg_pool2d(srgb, 2), scale_factor=2.0, mode="bilinear")
    grey = srgb.mean(1, keepdim=True)
    thin = grey + (blocky - blocky.mean(1, keepdim=True))  # chroma at half resolution, as JPEG keeps it
    jpeg = dice.chance(count, 0.5)
    return (srgb * (1 - jpeg) + thin * jpeg).clamp(0, 1)


def _blur(dice: Dice, image: Tensor) -> Tensor:
    count = len(image)
    sigma = dice.uniform(count, high=1.3) * (dice.uniform(count) < 0.6).float() + 0.01
    stretch = dice.uniform(count, low=1.0, high=2.5) * (dice.uniform(count) < 0.15).float() + 1.0
    angle = dice.uniform(count, high=3.1416)
    span = torch.arange(-4, 5, device=dice.device, dtype=torch.float32)
    y, x = torch.meshgrid(span, span, indexing="ij")
    u = x[None] * angle.cos()[:, None, None] + y[None] * angle.sin()[:, None, None]
    v = -x[None] * angle.sin()[:, None, None] + y[None] * angle.cos()[:, None, None]
    s, long = sigma[:, None, None], (sigma * stretch)[:, None, None]
    kernel = torch.exp(-0.5 * ((u / long) ** 2 + (v / s) ** 2))
    kernel = kernel / kernel.sum((1, 2), keepdim=True)
    padded = F.pad(image, (4, 4, 4, 4), mode="reflect").reshape(1, count * 3, SIDE + 8, SIDE + 8)
    weights = kernel.repeat_interleave(3, 0).unsqueeze(1)
    return F.conv2d(padded, weights, groups=count * 3).reshape(count, 3, SIDE, SIDE)


def swap_ground(dice: Dice, image: Tensor, target: Tensor, rim: Tensor) -> Tensor:
    """Lay some plugs on drawn ground; tissue beyond the rim stays."""
    count = len(image)
    known = (rim.abs().amax((1, 2, 3), keepdim=True) > 0).float()
    outside = (-rim * 10 / MM_PER_PX + 0.5).clamp(0, 1) * target[:, :1] * known * dice.chance(count, 0.35)
    return image * (1 - outside) + draw_ground(dice, count) * outside
