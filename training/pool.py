"""A pool of windows drawn once: ``python -m training.pool --data WINDOWS.npz --to FOLDER --count 12000``.

Drawing a window anew takes several times as long on a CPU as learning from it. A pool is drawn once, in parts that
are files of their own, so that a run that was stopped goes on where it was; learning then goes over it several
times with changes that cost nothing: quarter turns, mirror images, a little exposure and colour.
Every part has its own seed, so that a pool is the same however often its drawing was stopped.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from training.augment import SIDE, Dice, Strength
from training.data import Data, learned_from, load
from training.draw import draw_batch

PART = 512  # windows of one file
AT_ONCE = 32
DRAWN = ""  # the source of a window that was drawn from nothing


@dataclass(frozen=True, eq=False)
class Pool:
    """Windows of a pool, as bytes.

    Attributes
    ----------
    inputs : ndarray of uint8, shape (n, 4, SIDE, SIDE)
        Red, green, blue, and the rim channel -1..1 as 1..255.
    shares : ndarray of uint8, shape (n, 3, SIDE, SIDE)
        Live, bleached and dead; 255 for a whole pixel.
    sources : ndarray of str, shape (n,)
        ``series/photo/genotype`` of the window that it was drawn from; empty where it was drawn from nothing.
    """

    inputs: np.ndarray
    shares: np.ndarray
    sources: np.ndarray

    def without(self, texts: list[str]) -> np.ndarray:
        """Indexes of windows whose source holds none of `texts`."""
        return np.flatnonzero(learned_from(self.sources.tolist(), texts, []))

    def read(self, dice: Dice, indexes: np.ndarray) -> tuple[Tensor, Tensor]:
        """Inputs and soft targets as floats, turned, mirrored, and a little brighter or warmer each time."""
        inputs, shares = (torch.from_numpy(part[indexes]).to(dice.device) for part in (self.inputs, self.shares))
        return varied(dice, inputs, shares)


@dataclass(eq=False)
class Stock:
    """Windows kept on the device, of which each batch replaces a part: each is learned from some times.

    Drawing takes several times as long as learning on a GPU too.
    """

    data: Data
    strength: Strength
    dice: Dice
    inputs: Tensor
    shares: Tensor
    next: int = 0

    @classmethod
    def of(cls, data: Data, strength: Strength, dice: Dice, *, windows: int) -> Stock:
        """An empty stock with room for some windows."""
        rooms = (torch.zeros((windows, parts, SIDE, SIDE), dtype=torch.uint8, device=dice.device) for parts in (4, 3))
        return cls(data, strength, dice, *rooms)

    def draw(self, count: int) -> None:
        """Draw windows anew in place of the oldest."""
        fresh, shares, _ = _bytes(self.dice, self.data, self.strength, count)
        where = (torch.arange(count, device=self.dice.device) + self.next) % len(self.inputs)
        self.inputs[where], self.shares[where] = fresh, shares
        self.next = (self.next + count) % len(self.inputs)

    def read(self, count: int) -> tuple[Tensor, Tensor]:
        """Inputs and soft targets of any of them."""
        chosen = self.dice.integers(count, len(self.inputs))
        return varied(self.dice, self.inputs[chosen], self.shares[chosen])


def varied(dice: Dice, inputs: Tensor, shares: Tensor) -> tuple[Tensor, Tensor]:
    """Inputs and soft targets as floats, turned, mirrored, and a little brighter or warmer each time."""
    turn, mirror = (int(dice.integers(1, below)) for below in (4, 2))
    inputs, shares = (_turned(part, turn, mirror).float() for part in (inputs, shares))
    n = len(inputs)
    gain = torch.exp(0.08 * dice.normal(n, 1, 1, 1) + 0.04 * dice.normal(n, 3, 1, 1)) / 255
    rgb = (inputs[:, :3] * gain).clamp(0, 1)
    shares = shares / 255
    targets = torch.cat([(1 - shares.sum(1, keepdim=True)).clamp(min=0), shares], 1)
    return torch.cat([rgb, (inputs[:, 3:] - 128) / 127], 1), targets


def _turned(part: Tensor, turn: int, mirror: int) -> Tensor:
    part = torch.rot90(part, turn, (2, 3))
    return part.flip(3) if mirror else part


def draw_pool(data: Data, folder: Path, *, count: int, seed: int, strength: Strength, part_size: int = PART) -> None:
    """Draw the parts of a pool that are not there yet.

    Parameters
    ----------
    data : Data
        Of :func:`training.windows.load`.
    folder : Path
        One file a part; a part is written whole or not at all.
    count : int
        Windows, rounded up to whole parts.
    seed : int
        Part ``k`` is drawn with ``1000 * seed + k``.
    strength : Strength
        What is drawn.
    part_size : int
        Windows of one file, a multiple of 32.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for part in range(-(-count // part_size)):
        path = folder / f"{part:04d}.npz"
        if path.exists():
            continue
        dice = Dice(1000 * seed + part, data.images.device)
        pieces = [_bytes(dice, data, strength) for _ in range(part_size // AT_ONCE)]
        inputs, shares = (torch.cat(column).cpu().numpy() for column in list(zip(*pieces, strict=True))[:2])
        sources = np.array([name for piece in pieces for name in piece[2]], dtype="U60")
        unfinished = path.with_suffix(".unfinished")
        with unfinished.open("wb") as file:
            np.savez(file, inputs=inputs, shares=shares, sources=sources)
        unfinished.replace(path)
        print(f"part {part}: {part_size * (part + 1)} windows", flush=True)


def _bytes(dice: Dice, data: Data, strength: Strength, count: int = AT_ONCE) -> tuple[Tensor, Tensor, list[str]]:
    inputs, targets, chosen = draw_batch(dice, data, count, strength)
    scaled = torch.cat([255 * inputs[:, :3], 127 * inputs[:, 3:] + 128], 1)
    names = [data.names[i] for i in chosen.tolist()] + [DRAWN] * (count - len(chosen))
    return _to_bytes(scaled), _to_bytes(255 * targets[:, 1:]), names


def _to_bytes(x: Tensor) -> Tensor:
    return x.round().clamp(0, 255).to(torch.uint8)


def load_pool(folder: Path, most: int | None = None) -> Pool:
    """Read a pool, or its first `most` parts."""
    files = sorted(folder.glob("*.npz"))[:most]
    if not files:
        raise FileNotFoundError(f"{folder}: no parts of a pool here; draw one with python -m training.pool")
    sizes = []
    for path in files:
        with np.load(path) as file:
            sizes.append(file["sources"])
    sources = np.concatenate(sizes)
    with np.load(files[0]) as file:
        shapes = [(len(sources), *file[name].shape[1:]) for name in ("inputs", "shares")]
    inputs, shares = (np.empty(shape, np.uint8) for shape in shapes)
    start = 0
    for path, names in zip(files, sizes, strict=True):
        with np.load(path) as file:
            inputs[start : start + len(names)] = file["inputs"]
            shares[start : start + len(names)] = file["shares"]
        start += len(names)
    return Pool(inputs, shares, sources)


def main() -> None:
    """Draw a pool."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--count", type=int, default=12_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without", action="append", default=[], choices=["recolour", "algae", "water", "glare"])
    parser.add_argument("--leave-out", action="append", default=[], help="windows whose series/photo holds this text")
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    torch.set_num_threads(1)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    learn, _ = load(options.data, options.leave_out, device)
    strength = Strength(drawn=0.15, **dict.fromkeys(options.without, False))
    draw_pool(learn, options.to, count=options.count, seed=options.seed, strength=strength)


if __name__ == "__main__":
    main()
