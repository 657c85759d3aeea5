"""Train both networks: ``python -m training.train --data FILE.npz --to FILE.npz`` (PyTorch, minutes of GPU).

Seeded. Writes one file: the surface network with its batch norms folded in, the edge network's matrices, and how
they were made. ``--leave-out TEXT`` leaves out windows whose ``series/photo`` holds TEXT, and reports on them.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from training import WINDOW_MM_PER_PX
from training.augment import (
    MM_PER_PX,
    SIDE,
    Dice,
    Strength,
    draw_windows,
    expose,
    repaint,
    swap_ground,
    to_linear,
    warp_windows,
)
from training.model import (
    BINS,
    LINE,
    REACH_MM,
    SEEN_MM,
    SHARE_LINE,
    SIDEWAYS_MM,
    STEP_MM,
    SURFACE_MM_PER_PX,
    EdgeNet,
    SurfaceNet,
)
from training.parts import bare_edges, change_parts

Data = dict[str, Tensor]


def load(path: Path, leave_out: list[str], device: torch.device) -> tuple[Data, Data]:
    """Windows to learn from and windows left out."""
    with np.load(path) as file:
        arrays = {name: file[name] for name in file.files}
    names = arrays.pop("names")
    held = np.array([any(text in name for text in leave_out) for name in names], bool)
    tensors = {name: torch.from_numpy(value).to(device) for name, value in arrays.items()}
    tensors["images"] = tensors["images"].permute(0, 3, 1, 2)
    mask = torch.from_numpy(held).to(device)
    return {k: v[~mask] for k, v in tensors.items()}, {k: v[mask] for k, v in tensors.items()}


def soft_labels(shares: Tensor) -> Tensor:
    """Other, live, bleached, dead as shares that sum to 1."""
    part = shares.float() / 255
    return torch.cat([(1 - part.sum(1, keepdim=True)).clamp(min=0), part], 1)


@torch.no_grad()
def batch(dice: Dice, data: Data, count: int, strength: Strength) -> tuple[Tensor, Tensor]:
    """Inputs ``(count, 4, SIDE, SIDE)`` and soft targets, drawn anew."""
    drawn = int(count * strength.drawn)
    chosen = torch.multinomial(data["weights"], count - drawn, replacement=True, generator=dice.generator)
    linear = to_linear(data["images"][chosen].float() / 255)
    balanced = dice.chance(count - drawn, 0.75)
    gains = data["gains"][chosen].view(-1, 3, 1, 1)
    linear = linear * (balanced * gains + 1 - balanced)
    image, target, rim = warp_windows(
        dice, linear, soft_labels(data["shares"][chosen]), data["rims"][chosen], WINDOW_MM_PER_PX
    )
    image, target = swap_ground(dice, image, target, rim)
    image = repaint(dice, image, target, strength)
    image, target = bare_edges(dice, image, target)
    image, target = change_parts(dice, image, target)
    if drawn:
        image2, target2, rim2 = draw_windows(dice, drawn)
        image, target, rim = torch.cat([image, image2]), torch.cat([target, target2]), torch.cat([rim, rim2])
    rim = rim * (1 - dice.chance(count, 0.25))
    return torch.cat([expose(dice, image, strength), rim], 1), target


@torch.no_grad()
def plain(data: Data) -> tuple[Tensor, Tensor]:
    """The windows as they are, white-balanced, at the networks' scale."""
    side = data["images"].shape[-1]
    steps = (torch.arange(SIDE, device=data["images"].device) - (SIDE - 1) / 2) * MM_PER_PX / WINDOW_MM_PER_PX
    y, x = torch.meshgrid(steps, steps, indexing="ij")
    where = (torch.stack([x, y], -1) * 2 / (side - 1)).expand(len(data["images"]), -1, -1, -1)
    linear = (to_linear(data["images"].float() / 255) * data["gains"].view(-1, 3, 1, 1)).clamp(0, 1)
    image = F.grid_sample(
        torch.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear.clamp(min=1e-6) ** (1 / 2.4) - 0.055),
        where,
        align_corners=True,
    )
    target = F.grid_sample(soft_labels(data["shares"]), where, align_corners=True)
    reach = data["rims"][:, 2].view(-1, 1, 1)
    rim = ((reach - (x**2 + y**2).sqrt()) * WINDOW_MM_PER_PX / 10 * (reach > 0)).clamp(-1, 1)
    return torch.cat([image, rim.unsqueeze(1)], 1), target


def coarse_view(inputs: Tensor) -> Tensor:
    """The middle of windows as the surface network sees it."""
    side = round(SEEN_MM / SURFACE_MM_PER_PX)
    return F.interpolate(middle(inputs), size=(side, side), mode="bilinear", align_corners=False)


def middle(image: Tensor) -> Tensor:
    """The middle of windows at the tiles' scale."""
    cut = (SIDE - round(SEEN_MM / MM_PER_PX)) // 2
    return image[:, :, cut : SIDE - cut, cut : SIDE - cut]


def surface_loss(logits: Tensor, target: Tensor) -> Tensor:
    """Soft cross-entropy at half resolution and a Dice term on live tissue."""
    fine = F.pixel_shuffle(logits.float(), 2)
    aim = F.interpolate(middle(target), size=fine.shape[-2:], mode="area")
    weights = torch.tensor((1.0, 1.0, 1.5, 1.5), device=logits.device).view(1, 4, 1, 1)
    entropy = -(weights * aim * F.log_softmax(fine, 1)).sum(1).mean()
    share = F.softmax(fine, 1)
    live, true = share[:, 1] + share[:, 2], aim[:, 1] + aim[:, 2]
    dice = 1 - (2 * (live * true).sum((1, 2)) + 5) / (live.sum((1, 2)) + true.sum((1, 2)) + 5)
    return entropy + 0.3 * dice.mean()


def shares_at_full(logits: Tensor) -> Tensor:
    """Shares at the tiles' scale of the surface network's logits."""
    side = round(SEEN_MM / MM_PER_PX)
    return F.interpolate(F.softmax(F.pixel_shuffle(logits.float(), 2), 1), size=(side, side), mode="bilinear")


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


def train(
    data: Data, *, minutes: float, size: int, seed: int, strength: Strength, start: Path | None
) -> tuple[SurfaceNet, EdgeNet]:
    """Train the surface network for most of the time, the edge network for the rest."""
    device = data["images"].device
    torch.manual_seed(seed)
    dice = Dice(seed, device)
    surface, edge = SurfaceNet().to(device), EdgeNet().to(device)
    if start is not None:
        start_from(surface, edge, start)

    def surface_step() -> Tensor:
        inputs, target = batch(dice, data, size, strength)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            logits = surface(coarse_view(inputs))
        return surface_loss(logits, target)

    slower = 1.0 if start is None else 0.25
    _fit(surface, 0.8 * minutes, surface_step, slower * 4e-3, still=start is not None)
    surface.eval()

    def edge_step() -> Tensor:
        inputs, target = batch(dice, data, size, strength)
        with torch.no_grad():
            share = shares_at_full(surface(coarse_view(inputs)))
        features, truth = lines(dice, middle(inputs), middle(target), share, 96)
        return edge_loss(edge(features), truth)

    _fit(edge, 0.2 * minutes, edge_step, slower * 2e-3)
    return surface, edge.eval()


def start_from(surface: SurfaceNet, edge: EdgeNet, path: Path) -> None:
    """Take over weights written by :func:`folded`; batch norms begin as identities."""
    with np.load(path) as file:
        weights = {name: torch.from_numpy(file[name]) for name in file.files if name != "made"}
    for name, module in surface.named_modules():
        if isinstance(module, nn.Sequential) and len(module) == 3 and isinstance(module[0], nn.Conv2d):
            module[0].weight.data.copy_(weights[f"surface.{name}.w"])
            module[1].bias.data.copy_(weights[f"surface.{name}.b"])
            module[1].running_var.fill_(1 - module[1].eps)
    surface.head.weight.data.copy_(weights["surface.head.w"])
    surface.head.bias.data.copy_(weights["surface.head.b"])
    for index, layer in enumerate(m for m in edge.body if isinstance(m, nn.Linear)):
        layer.weight.data.copy_(weights[f"edge.{index}.w"])
        layer.bias.data.copy_(weights[f"edge.{index}.b"])


def _fit(
    model: nn.Module, minutes: float, loss_of_step: Callable[[], Tensor], rate: float, *, still: bool = False
) -> None:
    optimiser = torch.optim.AdamW(model.parameters(), lr=rate, weight_decay=1e-3)
    began, step, seen = time.monotonic(), 0, []
    while True:
        done = (time.monotonic() - began) / (60 * minutes)
        if done >= 1:
            break
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1.0, (step + 1) / 100) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-5
        model.train(not still)  # with `still`, batch norms keep the statistics that they began with
        loss = loss_of_step()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        seen.append(loss.detach())
        step += 1
        if step % 50 == 0:
            print(
                f"{type(model).__name__} step {step} ({done:.0%}): loss {float(torch.stack(seen[-50:]).mean()):.4f}",
                flush=True,
            )


@torch.no_grad()
def figures(surface: SurfaceNet, edge: EdgeNet, data: Data) -> dict[str, float]:
    """IoU and area error of the first step alone, and the edge network's error in mm."""
    inputs, target = plain(data)
    share = torch.cat([shares_at_full(surface(coarse_view(part))) for part in inputs.split(64)])
    inputs, target = middle(inputs), middle(target)
    live, true = share[:, 1] + share[:, 2], target[:, 1] + target[:, 2]
    live, true = live[:, 10:-10, 10:-10], true[:, 10:-10, 10:-10]
    both, either = ((live > 0.5) & (true > 0.5)).sum((1, 2)), ((live > 0.5) | (true > 0.5)).sum((1, 2))
    holds = true.sum((1, 2)) > 100
    error = ((live > 0.5).sum((1, 2)) / true.sum((1, 2)).clamp(min=1) - 1)[holds]
    features, truth = lines(Dice(5, inputs.device), inputs, target, share, 64)
    good = torch.isfinite(truth)
    chance = F.softmax(edge(features[good]).float(), 1)
    bins = torch.linspace(-REACH_MM + STEP_MM, REACH_MM - STEP_MM, BINS, device=inputs.device)
    off = (chance * bins).sum(1) - truth[good]
    return {
        "iou": float((both / either.clamp(min=1))[holds].median()),
        "error": float(error.abs().median()),
        "error_p90": float(error.abs().quantile(0.9)),
        "bias": float(error.mean()),
        "edge_abs_mm": float(off.abs().median()),
        "edge_bias_mm": float(off.mean()),
    }


def folded(surface: SurfaceNet, edge: EdgeNet) -> dict[str, np.ndarray]:
    """Weights as plain arrays; batch norms folded into the convolutions before them."""
    out: dict[str, np.ndarray] = {}
    for name, module in surface.named_modules():
        if isinstance(module, nn.Sequential) and len(module) == 3 and isinstance(module[0], nn.Conv2d):
            conv, norm = module[0], module[1]
            factor = norm.weight / torch.sqrt(norm.running_var + norm.eps)
            out[f"surface.{name}.w"] = (conv.weight * factor.view(-1, 1, 1, 1)).detach().cpu().numpy()
            out[f"surface.{name}.b"] = (norm.bias - norm.running_mean * factor).detach().cpu().numpy()
    out["surface.head.w"] = surface.head.weight.detach().cpu().numpy()
    out["surface.head.b"] = surface.head.bias.detach().cpu().numpy()
    for index, layer in enumerate(m for m in edge.body if isinstance(m, nn.Linear)):
        out[f"edge.{index}.w"] = layer.weight.detach().cpu().numpy()
        out[f"edge.{index}.b"] = layer.bias.detach().cpu().numpy()
    return {name: value.astype(np.float32) for name, value in out.items()}


def main() -> None:
    """Train, report, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--batch", type=int, default=256)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=Path, help="trained file to go on from, at a quarter of the learning rate")
    parser.add_argument("--leave-out", action="append", default=[])
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    learn, held = load(options.data, options.leave_out, device)
    surface, edge = train(
        learn,
        minutes=options.minutes,
        size=options.batch,
        seed=options.seed,
        strength=Strength(drawn=0.15),
        start=options.start,
    )
    report = {"learned": figures(surface, edge, learn)}
    if len(held["images"]):
        report["left out"] = figures(surface, edge, held)
    print(json.dumps(report, indent=1), flush=True)
    options.to.parent.mkdir(parents=True, exist_ok=True)
    made = json.dumps({"seed": options.seed, "minutes": options.minutes, "leave_out": options.leave_out, **report})
    np.savez_compressed(options.to, made=np.array(made), **folded(surface, edge))


if __name__ == "__main__":
    main()
