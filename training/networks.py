"""The designs that are compared. All take ``(n, 4, rows, columns)``: R, G, B in 0..1 and the rim channel.

The rim channel is the signed distance to the plug's rim in units of 10 mm, clipped to -1..1, positive inside, and 0
everywhere when no rim is known. Rows and columns must be multiples of 16. All give logits ``(n, 4, rows, columns)``
for other, live, bleached, dead.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor, nn

CLASSES = 4
CHANNELS = 4


def _conv(inside: int, outside: int, stride: int = 1, kernel: int = 3) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inside, outside, kernel, stride, kernel // 2, bias=False),
        nn.BatchNorm2d(outside),
        nn.ReLU(inplace=True),
    )


class _Separable(nn.Module):
    """Depthwise 5 x 5, then pointwise with expansion, residual where sizes agree."""

    def __init__(self, inside: int, outside: int, stride: int = 1, expansion: int = 2) -> None:
        super().__init__()
        middle = inside * expansion
        self.body = nn.Sequential(
            nn.Conv2d(inside, inside, 5, stride, 2, groups=inside, bias=False),
            nn.BatchNorm2d(inside),
            nn.Conv2d(inside, middle, 1, bias=False),
            nn.BatchNorm2d(middle),
            nn.ReLU(inplace=True),
            nn.Conv2d(middle, outside, 1, bias=False),
            nn.BatchNorm2d(outside),
        )
        self.same = inside == outside and stride == 1

    def forward(self, x: Tensor) -> Tensor:
        y: Tensor = self.body(x)
        return x + y if self.same else y


class HalfUNet(nn.Module):
    """U-Net that starts at half resolution and returns to full resolution by a pixel shuffle."""

    def __init__(self, widths: tuple[int, ...] = (24, 32, 48, 64), separable: bool = False) -> None:
        super().__init__()
        block: Callable[..., nn.Module] = _Separable if separable else _conv
        self.stem = _conv(CHANNELS, widths[0], 2, 5 if separable else 3)
        self.down = nn.ModuleList()
        inside = widths[0]
        self.first = nn.Sequential(block(inside, inside))
        for width in widths[1:]:
            self.down.append(nn.Sequential(block(inside, width, 2), block(width, width)))
            inside = width
        self.up = nn.ModuleList()
        for width in reversed(widths[:-1]):
            self.up.append(nn.Sequential(_conv(inside + width, width, kernel=1), block(width, width)))
            inside = width
        self.head = nn.Sequential(_conv(inside, inside), nn.Conv2d(inside, CLASSES * 4, 1), nn.PixelShuffle(2))

    def forward(self, x: Tensor) -> Tensor:
        x = self.first(self.stem(x))
        kept = [x]
        for down in self.down:
            x = down(x)
            kept.append(x)
        kept.pop()
        for up in self.up:
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = up(torch.cat([x, kept.pop()], dim=1))
        out: Tensor = self.head(x)
        return out


class FullUNet(nn.Module):
    """Plain small U-Net at full resolution."""

    def __init__(self, widths: tuple[int, ...] = (8, 16, 32, 48, 64)) -> None:
        super().__init__()
        self.enter = nn.Sequential(_conv(CHANNELS, widths[0]), _conv(widths[0], widths[0]))
        self.down = nn.ModuleList()
        inside = widths[0]
        for width in widths[1:]:
            self.down.append(nn.Sequential(_conv(inside, width, 2), _conv(width, width)))
            inside = width
        self.up = nn.ModuleList()
        for width in reversed(widths[:-1]):
            self.up.append(_conv(inside + width, width))
            inside = width
        self.head = nn.Conv2d(inside, CLASSES, 1)

    def forward(self, x: Tensor) -> Tensor:
        x = self.enter(x)
        kept = [x]
        for down in self.down:
            x = down(x)
            kept.append(x)
        kept.pop()
        for up in self.up:
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = up(torch.cat([x, kept.pop()], dim=1))
        out: Tensor = self.head(x)
        return out


class QuarterUNet(nn.Module):
    """U-Net on 4 x 4 blocks of pixels; the last layer gives each block's 16 pixels at once."""

    def __init__(self, widths: tuple[int, ...] = (48, 64, 96)) -> None:
        super().__init__()
        self.enter = nn.Sequential(nn.PixelUnshuffle(4), _conv(CHANNELS * 16, widths[0], kernel=1))
        self.body = _ladder(widths)
        self.head = nn.Sequential(nn.Conv2d(widths[0], CLASSES * 16, 1), nn.PixelShuffle(4))

    def forward(self, x: Tensor) -> Tensor:
        out: Tensor = self.head(self.body(self.enter(x)))
        return out


class _ladder(nn.Module):
    def __init__(self, widths: tuple[int, ...]) -> None:
        super().__init__()
        self.first = nn.Sequential(_conv(widths[0], widths[0]), _conv(widths[0], widths[0]))
        self.down = nn.ModuleList()
        inside = widths[0]
        for width in widths[1:]:
            self.down.append(nn.Sequential(_conv(inside, width, 2), _conv(width, width)))
            inside = width
        self.up = nn.ModuleList()
        for width in reversed(widths[:-1]):
            self.up.append(_conv(inside + width, width))
            inside = width

    def forward(self, x: Tensor) -> Tensor:
        x = self.first(x)
        kept = [x]
        for down in self.down:
            x = down(x)
            kept.append(x)
        kept.pop()
        for up in self.up:
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = up(torch.cat([x, kept.pop()], dim=1))
        return x


DESIGNS: dict[str, Callable[[], nn.Module]] = {
    "half": lambda: HalfUNet((16, 24, 48, 64, 64)),
    "half-wide": lambda: HalfUNet((24, 32, 64, 96, 96)),
    "separable": lambda: HalfUNet((16, 32, 64, 96, 96), separable=True),
    "quarter": lambda: QuarterUNet((64, 64, 96)),
    "full": lambda: FullUNet((8, 16, 32, 64, 64)),
}
