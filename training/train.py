"""Train both networks: ``python -m training.train --data WINDOWS.npz --pool POOL --to TRAINED.npz`` (PyTorch).

Seeded. With a pool (``training.pool``), some epochs over it on one CPU core; without, windows drawn anew for every
step, for some minutes of a GPU. Writes one file: the surface network with its batch norms folded in, the edge
network's matrices, and how they were made. ``--leave-out TEXT`` leaves out windows whose ``series/photo/genotype``
holds TEXT and reports on them, ``--only TEXT`` all others, ``--without algae`` draws none, for studies of what was
never seen; ``--start training/tissue.npz`` goes on from the package's weights.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from training.augment import Dice, Strength
from training.data import Data, load
from training.figures import figures
from training.lines import edge_loss, lines
from training.model import DESIGNS, Design, EdgeNet, SurfaceNet
from training.pool import Pool, Stock, load_pool
from training.views import coarse_view, middle, shares_at_full
from training.weights import folded, put, read

Batch = tuple[Tensor, Tensor]
Batches = Iterator[tuple[float, Batch]]  # with the share of the work that is done
LINES = 96  # of a window
STOCK, LEARNED_FROM = 8192, 4  # windows at hand, and how often one is learned from before it is drawn anew


@dataclass(frozen=True)
class Rates:
    """Highest learning rates."""

    surface: float
    edge: float


def surface_loss(logits: Tensor, target: Tensor) -> Tensor:
    """Soft cross-entropy at half resolution and a Dice term on live tissue; `target` is what the network sees."""
    fine = F.pixel_shuffle(logits.float(), 2)
    aim = F.interpolate(target, size=fine.shape[-2:], mode="area")
    weights = torch.tensor((1.0, 1.0, 1.5, 1.5), device=logits.device).view(1, 4, 1, 1)
    entropy = -(weights * aim * F.log_softmax(fine, 1)).sum(1).mean()
    share = F.softmax(fine, 1)
    live, true = share[:, 1] + share[:, 2], aim[:, 1] + aim[:, 2]
    dice = 1 - (2 * (live * true).sum((1, 2)) + 5) / (live.sum((1, 2)) + true.sum((1, 2)) + 5)
    return entropy + 0.3 * dice.mean()


def pool_batches(pool: Pool, leave_out: list[str], *, epochs: float, size: int, dice: Dice) -> Batches:
    """Go over a pool some times, each time in another order."""
    order = np.random.default_rng(int(dice.integers(1, 2**31 - 1)))
    own = pool.without(leave_out)
    per_epoch = len(own) // size
    steps = max(1, round(epochs * per_epoch))
    mixed = own
    for step in range(steps):
        if step % per_epoch == 0:
            mixed = order.permutation(own)
        first = size * (step % per_epoch)
        yield step / steps, pool.read(dice, np.sort(mixed[first : first + size]))


def fresh_batches(data: Data, *, minutes: float, size: int, strength: Strength, dice: Dice) -> Batches:
    """Learn for some minutes from a stock of which some are drawn anew every few steps, many at once."""
    began = time.monotonic()
    stock = Stock.of(data, strength, dice, windows=STOCK)
    for _ in range(STOCK // size):
        stock.draw(size)
    step = 0
    while (done := (time.monotonic() - began) / (60 * minutes)) < 1:
        if step % LEARNED_FROM == 0:
            stock.draw(size)
        step += 1
        yield done, stock.read(size)


def learn_surface(net: SurfaceNet, design: Design, batches: Batches, rate: float, *, still: bool) -> None:
    """Train the surface network; with `still`, batch norms keep the statistics that they began with."""
    device = next(net.parameters()).device

    def loss(batch: Batch) -> Tensor:
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            logits = net(coarse_view(design, batch[0]).contiguous(memory_format=torch.channels_last))
        return surface_loss(logits, middle(design, batch[1]))

    net.to(memory_format=torch.channels_last)  # takes two thirds of the time on a CPU
    net.train(not still)
    _fit(net, batches, loss, rate)
    net.eval()


def learn_edge(edge: EdgeNet, surface: SurfaceNet, design: Design, batches: Batches, rate: float, dice: Dice) -> None:
    """Train the edge network on the shares that the finished surface network gives."""

    def loss(batch: Batch) -> Tensor:
        inputs, target = batch
        with torch.no_grad():
            share = shares_at_full(design, surface(coarse_view(design, inputs)))
        features, truth = lines(dice, middle(design, inputs), middle(design, target), share, LINES)
        return edge_loss(edge(features), truth)

    _fit(edge, batches, loss, rate)
    edge.eval()


def _fit(model: nn.Module, batches: Batches, loss_of: Callable[[Batch], Tensor], rate: float) -> None:
    optimiser = torch.optim.AdamW(model.parameters(), lr=rate, weight_decay=1e-3)
    seen: list[Tensor] = []
    for step, (done, batch) in enumerate(batches, start=1):
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1.0, step / 100) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-5
        loss = loss_of(batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        seen.append(loss.detach())
        if step % 100 == 0:
            mean = float(torch.stack(seen[-100:]).mean())
            print(f"{type(model).__name__} step {step} ({done:.0%}): loss {mean:.4f}", flush=True)


def main() -> None:
    """Train, report, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--pool", type=Path, help="folder of a drawn pool; without it windows are drawn anew")
    parser.add_argument("--epochs", type=float, default=8.0, help="over the pool, by the surface network")
    parser.add_argument("--edge-epochs", type=float, default=1.0, help="over the pool, by the edge network")
    parser.add_argument("--minutes", type=float, default=4.0, help="without a pool: of both networks together")
    parser.add_argument("--batch", type=int, help="windows of a step; default 32 with a pool, 256 without")
    parser.add_argument("--rate", type=float, help="highest learning rate of the surface network")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--design", choices=sorted(DESIGNS), default="full")
    parser.add_argument("--start", type=Path, help="trained file to go on from")
    parser.add_argument("--leave-out", action="append", default=[])
    parser.add_argument("--only", action="append", default=[], help="learn only from windows whose name holds a text")
    parser.add_argument("--without", action="append", default=[], choices=["recolour", "algae", "water", "glare"])
    parser.add_argument("--note", default="", help="kept with the weights: which pool, drawn how")
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    if device.type == "cpu":
        torch.set_num_threads(1)
    learn, held = load(options.data, options.leave_out, device, options.only)
    torch.manual_seed(options.seed)
    dice, design = Dice(options.seed, device), DESIGNS[options.design]
    surface, edge = design.network().to(device), EdgeNet().to(device)
    if options.start is not None:
        put(read(options.start), surface, edge)
    rates = _rates(options)
    for_surface, for_edge = _batches(options, learn, dice)
    learn_surface(surface, design, for_surface, rates.surface, still=options.start is not None)
    learn_edge(edge, surface, design, for_edge, rates.edge, dice)
    report = {"learned": figures(surface, edge, design, learn)}
    if held.names:
        report["left out"] = figures(surface, edge, design, held)
    print(json.dumps(report, indent=1), flush=True)
    asked = {name: value.name if isinstance(value, Path) else value for name, value in vars(options).items()}
    asked = {name: value for name, value in asked.items() if name not in ("data", "to")}
    options.to.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(options.to, made=np.array(json.dumps({**asked, **report})), **folded(surface, edge))


def _rates(options: argparse.Namespace) -> Rates:
    """A quarter of the usual rates where learning goes on, half where steps are small."""
    factor = (1.0 if options.start is None else 0.25) * (1.0 if options.pool is None else 0.5)
    return Rates(options.rate or 4e-3 * factor, 2e-3 * factor)


def _batches(options: argparse.Namespace, learn: Data, dice: Dice) -> tuple[Batches, Batches]:
    if options.pool is None:
        shares, size = (0.8, 0.2), options.batch or 256
        strength = Strength(drawn=0.15, **dict.fromkeys(options.without, False))
        one, other = (
            fresh_batches(learn, minutes=share * options.minutes, size=size, strength=strength, dice=dice)
            for share in shares
        )
        return one, other
    pool = load_pool(options.pool)
    one, other = (
        pool_batches(pool, options.leave_out, epochs=epochs, size=options.batch or 32, dice=dice)
        for epochs in (options.epochs, options.edge_epochs)
    )
    return one, other


if __name__ == "__main__":
    main()
