"""One batch of windows, drawn anew."""

from __future__ import annotations

import torch
from torch import Tensor

from training import WINDOW_MM_PER_PX
from training.augment import Dice, Strength, draw_windows, expose, repaint, swap_ground, to_linear, warp_windows
from training.data import Data, soft_labels
from training.parts import bare_edges, change_parts


@torch.no_grad()
def draw_batch(dice: Dice, data: Data, count: int, strength: Strength) -> tuple[Tensor, Tensor, Tensor]:
    """Inputs ``(count, 4, SIDE, SIDE)``, soft targets, and the indexes of the windows that the first were made of.

    What is drawn from nothing comes last and has no index.
    """
    drawn = int(count * strength.drawn)
    chosen = torch.multinomial(data.weights, count - drawn, replacement=True, generator=dice.generator)
    linear = to_linear(data.images[chosen].float() / 255)
    balanced = dice.chance(count - drawn, 0.75)
    gains = data.gains[chosen].view(-1, 3, 1, 1)
    linear = linear * (balanced * gains + 1 - balanced)
    labels = soft_labels(data.shares[chosen])
    image, target, rim = warp_windows(dice, linear, labels, data.rims[chosen], WINDOW_MM_PER_PX)
    image = swap_ground(dice, image, target, rim)
    image = repaint(dice, image, target, strength)
    image, target = bare_edges(dice, image, target)
    if drawn:
        image2, target2, rim2 = draw_windows(dice, drawn)
        image, target, rim = torch.cat([image, image2]), torch.cat([target, target2]), torch.cat([rim, rim2])
    image, target = change_parts(dice, image, target, data.turfs)
    rim = rim * (1 - dice.chance(count, 0.25))
    return torch.cat([expose(dice, image, strength), rim], 1), target, chosen
