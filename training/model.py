"""The two networks: one finds surfaces on a grid of 1 mm cells, one finds the edge along a line across it."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor, nn
from torch.nn import functional as F

CLASSES = 4  # other, live, bleached, dead
CELL_PX = 4  # its pixels along a cell
REACH_MM, STEP_MM = 2.6, 0.2  # a line runs from 2.6 mm inside to 2.6 mm outside
LINE = round(2 * REACH_MM / STEP_MM) + 1
SIDEWAYS_MM = (-0.5, 0.0, 0.5)
SHARE_LINE = tuple(range(1, LINE, 3))  # where along the line the first network's shares are read
BINS = LINE - 2  # the edge lies within 2.4 mm
LINE_INPUTS = LINE * len(SIDEWAYS_MM) * 3 + len(SHARE_LINE) * (CLASSES - 1)


@dataclass(frozen=True)
class Design:
    """A surface network: what it sees of a learning window, and how wide its layers are.

    Attributes
    ----------
    mm_per_px : float
        Of its input; ``fragarea.tissue.tiles.SURFACE_MM_PER_PX`` must say the same of the weights that are exported.
    seen_mm : float
        Side of the middle of a window; pixels along it are a multiple of 32.
    """

    mm_per_px: float = 0.25
    seen_mm: float = 32.0
    stem: int = 32
    widths: tuple[int, int, int, int] = (8, 32, 48, 64)
    last: int = 16

    @property
    def side_px(self) -> int:
        """Pixels along the side of what it sees."""
        return round(self.seen_mm / self.mm_per_px)

    def network(self) -> SurfaceNet:
        """A network with random weights."""
        return SurfaceNet(self.stem, self.widths, self.last)


DESIGNS = {
    "full": Design(),
    "coarse": Design(mm_per_px=0.3125, seen_mm=30.0),
    "wide": Design(mm_per_px=0.3125, seen_mm=30.0, stem=40, widths=(8, 40, 64, 96), last=20),
    "thin": Design(stem=24, widths=(8, 24, 32, 48), last=12),
}


def _conv(inside: int, outside: int, kernel: int = 3, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inside, outside, kernel, stride, kernel // 2 if kernel != CELL_PX else 0, bias=False),
        nn.BatchNorm2d(outside),
        nn.ReLU(inplace=True),
    )


class SurfaceNet(nn.Module):
    """``(n, 4, rows, columns)`` (R, G, B, rim) to logits at half the resolution; sides are multiples of 32."""

    def __init__(self, stem: int = 32, widths: tuple[int, int, int, int] = (8, 32, 48, 64), last: int = 16) -> None:
        super().__init__()
        a, b, c, d = widths
        self.stem = _conv(4, stem, CELL_PX, CELL_PX)
        # The way down starts at the stem itself; only what the last layer needs of it passes the narrow skip.
        self.skip = _conv(stem, a)
        self.down1 = nn.Sequential(_conv(stem, b, 3, 2), _conv(b, b))
        self.down2 = nn.Sequential(_conv(b, c, 3, 2), _conv(c, c))
        self.down3 = nn.Sequential(_conv(c, d, 3, 2), _conv(d, d))
        self.lift3, self.up2 = _conv(d, c, 1), _conv(c, c)
        self.lift2, self.up1 = _conv(c, b, 1), _conv(b, b)
        self.lift1, self.up0 = _conv(b, a, 1), _conv(2 * a, last)
        self.head = nn.Conv2d(last, CLASSES * 4, 1)

    def forward(self, x: Tensor) -> Tensor:
        e0 = self.stem(x)
        e1 = self.down1(e0)
        e2 = self.down2(e1)
        e3 = self.down3(e2)
        u2 = self.up2(F.interpolate(self.lift3(e3), scale_factor=2.0, mode="nearest") + e2)
        u1 = self.up1(F.interpolate(self.lift2(u2), scale_factor=2.0, mode="nearest") + e1)
        u0 = self.up0(torch.cat([F.interpolate(self.lift1(u1), scale_factor=2.0, mode="nearest"), self.skip(e0)], 1))
        out: Tensor = self.head(u0)
        return out  # (n, 16, rows/4, columns/4): pixel shuffle by 2 gives (n, 4, rows/2, columns/2)


class EdgeNet(nn.Module):
    """``(n, LINE_INPUTS)`` to logits over where on the line the edge lies."""

    def __init__(self, widths: tuple[int, int] = (64, 48)) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Linear(LINE_INPUTS, widths[0]),
            nn.ReLU(inplace=True),
            nn.Linear(widths[0], widths[1]),
            nn.ReLU(inplace=True),
            nn.Linear(widths[1], BINS),
        )

    def forward(self, x: Tensor) -> Tensor:
        out: Tensor = self.body(x)
        return out
