"""Train the tissue model: ``python -m training.train --data FOLDER --design half --minutes 5 --to FOLDER``.

Seeded. Uses a GPU where there is one. The series named by ``--stop-early`` (whole series) is not learned from; it picks
the best weights and the temperature. The weights come as a PyTorch state and as ONNX, with a JSON of how they were made.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from training.augment import MM_PER_PX, SIDE, Dice, Strength, make_batch
from training.dataset import IGNORE, LearningWindow, read_windows
from training.networks import CHANNELS, DESIGNS


@dataclass(frozen=True)
class Recipe:
    """How one model is trained."""

    design: str = "half"
    seed: int = 1
    steps: int = 4000
    batch: int = 128
    rate: float = 2e-3
    stop_early: tuple[str, ...] = ("hard",)
    leave_out: tuple[str, ...] = ()  # substrings of a window's series or source that are not learned from
    minutes: float = 60.0


def tensors(windows: list[LearningWindow], device: torch.device) -> tuple[Tensor, Tensor, Tensor, float]:
    """Images (n, 3, s, s) uint8, labels (n, s, s), rims (n, 3) and mm per pixel, which must be one for all."""
    sizes = {w.mm_per_px for w in windows}
    if len(sizes) != 1:
        raise ValueError(f"windows of one scale are needed; got {sorted(sizes)} mm per pixel")
    images = torch.from_numpy(np.stack([w.pixels for w in windows])).permute(0, 3, 1, 2).to(device)
    labels = torch.from_numpy(np.stack([np.where(w.labels == IGNORE, 0, w.labels) for w in windows])).to(device)
    rims = torch.tensor([w.rim if w.rim else (0.0, 0.0, 0.0) for w in windows], device=device)
    return images, labels, rims, sizes.pop()


def loss_of(logits: Tensor, target: Tensor) -> Tensor:
    """Cross-entropy with soft targets, plus a Dice term on live tissue (bleached included)."""
    weights = torch.tensor((1.0, 1.0, 1.5, 1.5), device=logits.device).view(1, 4, 1, 1)
    entropy = -(weights * target * F.log_softmax(logits.float(), 1)).sum(1).mean()
    share = F.softmax(logits.float(), 1)
    live, true = share[:, 1] + share[:, 2], target[:, 1] + target[:, 2]
    both = (live * true).sum((1, 2))
    dice = 1 - (2 * both + 10) / (live.sum((1, 2)) + true.sum((1, 2)) + 10)
    return entropy + 0.5 * dice.mean()


@torch.no_grad()
def plain_batch(images: Tensor, labels: Tensor, rims: Tensor, mm_per_px: float) -> tuple[Tensor, Tensor]:
    """The windows as they are, resampled to the network's scale."""
    side = images.shape[-1]
    grid = (torch.arange(SIDE, device=images.device, dtype=torch.float32) - (SIDE - 1) / 2) * MM_PER_PX / mm_per_px
    y, x = torch.meshgrid(grid + (side - 1) / 2, grid + (side - 1) / 2, indexing="ij")
    where = (torch.stack([x, y], -1) * 2 / (side - 1) - 1).expand(len(images), -1, -1, -1)
    image = F.grid_sample(images.float() / 255, where, mode="bilinear", align_corners=True, padding_mode="border")
    soft = F.one_hot(labels.long().clamp(0, 3), 4).permute(0, 3, 1, 2).float()
    target = F.grid_sample(soft, where, mode="bilinear", align_corners=True, padding_mode="border")
    distance = ((x - rims[:, 0, None, None]) ** 2 + (y - rims[:, 1, None, None]) ** 2).sqrt()
    rim = ((rims[:, 2, None, None] - distance) * mm_per_px / 10 * (rims[:, 2] > 0).float()[:, None, None]).clamp(
        -1, 1
    )
    return torch.cat([image, rim.unsqueeze(1)], 1), target


@torch.no_grad()
def figures(model: nn.Module, inputs: Tensor, target: Tensor) -> dict[str, float]:
    """Loss, and IoU and area error of live tissue over windows that hold some."""
    logits = torch.cat([model(part) for part in inputs.split(64)])
    share = F.softmax(logits.float(), 1)
    live, true = (share[:, 1] + share[:, 2]), target[:, 1] + target[:, 2]
    found, real = live > 0.5, true > 0.5
    holds = real.sum((1, 2)) > 100
    iou = (found & real).sum((1, 2)).float() / (found | real).sum((1, 2)).clamp(min=1).float()
    error = (found.sum((1, 2)) - true.sum((1, 2))) / true.sum((1, 2)).clamp(min=1)
    result = {"loss": float(loss_of(logits, target))}
    result["iou"] = float(iou[holds].median())
    result["iou_p10"] = float(iou[holds].quantile(0.1))
    result["error"] = float(error[holds].abs().median())
    result["error_p90"] = float(error[holds].abs().quantile(0.9))
    result["bias"] = float(error[holds].mean())
    for name, index in (("bleached", 2), ("dead", 3)):
        has = (target[:, index] > 0.5).sum((1, 2)) > 60
        if has.any():
            mine = share.argmax(1) == index
            truth = target[:, index] > 0.5
            result[name] = float(
                ((mine & truth).sum((1, 2)).float() / (mine | truth).sum((1, 2)).clamp(min=1).float())[has].median()
            )
    return result


def train(
    recipe: Recipe, windows: list[LearningWindow], strength: Strength, *, verbose: bool = True
) -> tuple[nn.Module, dict[str, float]]:
    """Train one model; returns the averaged weights that did best on the stop-early series, and their figures."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(recipe.seed)
    kept = [w for w in windows if not any(text in f"{w.series} {w.source}" for text in recipe.leave_out)]
    learn = [w for w in kept if w.series not in recipe.stop_early]
    judge = [w for w in windows if w.series in recipe.stop_early]
    data = tensors(learn, device)
    held = plain_batch(*tensors(judge, device)) if judge else None
    model = DESIGNS[recipe.design]().to(device)
    average = copy.deepcopy(model).eval()
    optimiser = torch.optim.AdamW(model.parameters(), lr=recipe.rate, weight_decay=1e-3)
    dice = Dice(recipe.seed, device)
    began, best, best_state = time.monotonic(), math.inf, copy.deepcopy(average.state_dict())
    result: dict[str, float] = {}
    for step in range(recipe.steps):
        done = max(step / recipe.steps, (time.monotonic() - began) / (60 * recipe.minutes))
        if done >= 1:
            break
        for group in optimiser.param_groups:
            group["lr"] = recipe.rate * min(1.0, (step + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-5
        with torch.no_grad():
            inputs, target = make_batch(dice, *data, recipe.batch, strength)
        model.train()
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            logits = model(inputs)
        loss = loss_of(logits, target)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        _follow(average, model, min(0.998, (step + 1) / (step + 10)))
        if held is not None and (step % 250 == 249 or step == recipe.steps - 1):
            now = figures(average, *held)
            if verbose:
                print(
                    f"{recipe.design} step {step + 1} loss {float(loss):.4f} held {json.dumps({k: round(v, 4) for k, v in now.items()})}",
                    flush=True,
                )
            if now["loss"] < best:
                best, best_state, result = now["loss"], copy.deepcopy(average.state_dict()), {**now, "step": step + 1}
    if held is not None:
        average.load_state_dict(best_state)
    return average, result


@torch.no_grad()
def _follow(average: nn.Module, model: nn.Module, decay: float) -> None:
    for mine, theirs in zip(average.state_dict().values(), model.state_dict().values(), strict=True):
        if mine.dtype.is_floating_point:
            mine.mul_(decay).add_(theirs, alpha=1 - decay)
        else:
            mine.copy_(theirs)


def export(model: nn.Module, path: Path) -> None:
    """Write ONNX with free batch size, rows and columns."""
    model = copy.deepcopy(model).cpu().eval()
    example = torch.zeros(2, CHANNELS, SIDE, SIDE)
    axes = {0: "windows", 2: "rows", 3: "columns"}
    torch.onnx.export(
        model,
        (example,),
        str(path),
        input_names=["window"],
        output_names=["logits"],
        dynamic_axes={"window": axes, "logits": axes},
        dynamo=False,
    )


def main() -> None:
    """Train the designs named and write what came out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--design", action="append", choices=sorted(DESIGNS))
    parser.add_argument("--steps", type=int, default=4000)
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--minutes", type=float, default=60.0, help="at most this long a design")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stop-early", action="append", default=None)
    parser.add_argument("--leave-out", action="append", default=[])
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    windows = read_windows(options.data)
    options.to.mkdir(parents=True, exist_ok=True)
    for design in options.design or ["half"]:
        recipe = Recipe(
            design=design,
            seed=options.seed,
            steps=options.steps,
            batch=options.batch,
            stop_early=tuple(options.stop_early if options.stop_early is not None else ["hard"]),
            leave_out=tuple(options.leave_out),
            minutes=options.minutes,
        )
        model, result = train(recipe, windows, Strength())
        torch.save(model.state_dict(), options.to / f"{design}.pt")
        (options.to / f"{design}.json").write_text(
            json.dumps({"recipe": asdict(recipe), "held": result}, indent=1) + "\n"
        )
        print(design, json.dumps(result), flush=True)
        try:
            export(model, options.to / f"{design}.onnx")
        except Exception as error:
            print(f"no ONNX written here: {error}", flush=True)


if __name__ == "__main__":
    main()
