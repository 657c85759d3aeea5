"""Trained files side by side: ``python -m training.compare --data WINDOWS.npz [--on TEXT] NAME=TRAINED.npz ...``.

Prints one row a file: thousands of weights, time of the surface network for a window on one thread (onnxruntime),
and the figures of ``training.figures`` on the windows whose ``series/photo/genotype`` holds a text given by
``--on``. A file that was trained on any of these windows is marked: its figures say how well it learned, not how
well it holds. ``--classical`` adds a method without learning: colours that stand out from the ground.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import onnxruntime
import torch
from torch import Tensor
from torch.nn import functional as F

from training.augment import BLEACHED, DEAD, LIVE, OTHER, SIDE, to_linear
from training.data import Data, load, plain
from training.export import surface_graph
from training.figures import figures, surface_figures
from training.model import DESIGNS, Design, EdgeNet
from training.weights import Weights, made, put, read

COLUMNS = ("iou", "error", "error_p90", "bias", "bleached_iou", "dead_iou", "dead_called_live", "edge_abs_mm")
IN_PERCENT = {"error", "error_p90", "bias", "dead_called_live"}
WINDOW_MM = 32.0
TIMES = 60


def row(weights: Weights, data: Data) -> dict[str, float]:
    """Figures of one trained file."""
    design = DESIGNS[made(weights).get("design", "full")]
    surface, edge = design.network().eval(), EdgeNet().eval()
    put(weights, surface, edge)
    size = sum(value.size for name, value in weights.items() if name.startswith("surface."))
    return {"kweights": size / 1000, "ms": milliseconds(weights, design), **figures(surface, edge, design, data)}


def milliseconds(weights: Weights, design: Design) -> float:
    """Median time of the surface network for a window of 32 mm, eight at once, on one thread."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    graph = surface_graph(weights).SerializeToString()
    session = onnxruntime.InferenceSession(graph, options, providers=["CPUExecutionProvider"])
    side = round(WINDOW_MM / design.mm_per_px / 32) * 32
    windows = np.random.default_rng(1).random((8, 4, side, side), np.float32)
    times = []
    for _ in range(TIMES):
        began = time.perf_counter()
        session.run(None, {"window": windows})
        times.append((time.perf_counter() - began) / len(windows))
    # Windows of a coarse network hold a little less or more than 32 mm; the time goes with their area.
    return 1000 * float(np.median(times)) * (WINDOW_MM / design.mm_per_px / side) ** 2


@torch.no_grad()
def classical(data: Data) -> dict[str, float]:
    """Figures of the method without learning: what is coloured is live.

    Within the plug, pixels are parted by their colourfulness into the two groups that differ most (Otsu, 1979). White
    surface beside the coloured group is bleached where it is smooth and dead where it is rough.
    """
    inputs, target = plain(data)
    share = torch.stack([_classical_shares(window) for window in inputs])
    return surface_figures(share, target)


def _classical_shares(window: Tensor) -> Tensor:
    light = to_linear(window[:3])
    smooth = F.avg_pool2d(light.unsqueeze(0), 5, 1, 2)[0]
    value = smooth.mean(0)
    colour = (smooth.amax(0) - smooth.amin(0)) / smooth.amax(0).clamp(min=0.02)
    inside = window[3] > 0 if window[3].abs().max() > 0 else torch.ones_like(value, dtype=torch.bool)
    tissue = inside & (colour > _otsu(colour[inside])) & (value < 0.6)
    near = F.max_pool2d(tissue.float()[None, None], 9, 1, 4)[0, 0] > 0
    grain = (light.mean(0) - value).abs() / value.clamp(min=0.02)
    white = inside & near & ~tissue & (value > 0.45)
    out = torch.zeros(4, SIDE, SIDE)
    out[LIVE], out[BLEACHED], out[DEAD] = (
        tissue.float(),
        (white & (grain < 0.05)).float(),
        (white & (grain >= 0.05)).float(),
    )
    out[OTHER] = 1 - out[1:].sum(0)
    return F.avg_pool2d(out.unsqueeze(0), 5, 1, 2)[0]


def _otsu(values: Tensor) -> float:
    """Threshold that parts values into the two groups that differ most."""
    counts, edges = np.histogram(values.numpy(), bins=64)
    middles = (edges[1:] + edges[:-1]) / 2
    below = np.cumsum(counts)
    above = below[-1] - below
    first = np.cumsum(counts * middles)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = below * above * (first / below - (first[-1] - first) / above) ** 2
    return float(middles[int(np.nanargmax(between))])


def print_table(rows: dict[str, dict[str, float]]) -> None:
    """One line a row; shares of area in percent."""
    names = ("kweights", "ms", *COLUMNS)
    width = max(len(name) for name in rows) + 2
    print(" " * width + "".join(f"{name.replace('_', ' '):>18}" for name in names))
    for name, found in rows.items():
        cells = (found.get(key, float("nan")) * (100 if key in IN_PERCENT else 1) for key in names)
        texts = ("" if np.isnan(cell) else f"{cell:.3f}" for cell in cells)
        print(f"{name:<{width}}" + "".join(f"{text:>18}" for text in texts))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("trained", nargs="*", metavar="NAME=FILE", help="trained files")
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--on", action="append", default=[], help="text in a name; default: all windows")
    parser.add_argument("--classical", action="store_true")
    options = parser.parse_args()
    torch.set_num_threads(1)
    _, data = load(options.data, options.on or [""], torch.device("cpu"))
    rows = {"classical": classical(data)} if options.classical else {}
    for text in options.trained:
        name, _, path = text.rpartition("=")
        weights = read(Path(path))
        left_out = made(weights).get("leave_out", [])
        seen = any(not any(part in source for part in left_out) for source in data.names)
        rows[(name or Path(path).stem) + (" (trained on these)" if seen else "")] = row(weights, data)
    print(f"{len(data.names)} windows of {', '.join(sorted({name.split('/')[0] for name in data.names}))}")
    print_table(rows)


if __name__ == "__main__":
    main()
