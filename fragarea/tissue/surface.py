"""First step: which surface covers each half millimetre, by a small convolutional network."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import onnxruntime

from fragarea.tissue.tiles import SURFACE_MM_PER_PX, TILE_MM_PER_PX, Stack, Tile

MODEL = Path(__file__).parent / "model" / "surface.onnx"
CLASSES = 4
SHRINK = SURFACE_MM_PER_PX / TILE_MM_PER_PX
SHARE_PX = 2 * SHRINK  # tile pixels along a pixel of the shares
RIM_UNIT_MM = 10.0
TOGETHER = 8


def surface_shares(stack: Stack) -> npt.NDArray[Any]:
    """Shares of other, live, bleached and dead surface.

    Parameters
    ----------
    stack : Stack

    Returns
    -------
    ndarray of float32, shape (n, rows / 2.5, columns / 2.5, 4)
        Sum to 1; pixel ``k`` has its middle at tile pixel ``2.5 k + 0.75``.
    """
    network, windows = _network(), _input(stack)
    # a few at a time: their layers stay in the cache
    parts = [windows[first : first + TOGETHER] for first in range(0, len(windows), TOGETHER)]
    logits = np.concatenate([network.run(None, {"window": part})[0] for part in parts])
    count, _, rows, columns = logits.shape
    # Channel 4 c + 2 dy + dx is class c at that corner of the cell.
    power = np.asarray(logits, np.float32).reshape(count, CLASSES, 4, rows, columns)
    power = np.exp(power - power.max(axis=1, keepdims=True))
    power /= power.sum(axis=1, keepdims=True)
    corners = power.reshape(count, CLASSES, 2, 2, rows, columns).transpose(0, 4, 2, 5, 3, 1)
    return np.ascontiguousarray(corners).reshape(count, 2 * rows, 2 * columns, CLASSES)


@cache
def _network() -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    # one thread: photos are spread over processes
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    return onnxruntime.InferenceSession(str(MODEL), options, providers=["CPUExecutionProvider"])


def _input(stack: Stack) -> npt.NDArray[Any]:
    """Red, green, blue 0 to 1 and the rim channel -1 to 1, ``(n, 4, rows, columns)`` at the network's scale."""
    count, rows, columns = stack.colour.shape[:3]
    size = (round(columns / SHRINK), round(rows / SHRINK))
    out = np.empty((count, 4, size[1], size[0]), np.float32)
    for layers, colour, tile in zip(out, stack.colour, stack.tiles, strict=True):
        small = cv2.resize(colour, size, interpolation=cv2.INTER_LINEAR)
        for layer, channel in zip(layers, cv2.split(small), strict=False):
            np.multiply(channel, np.float32(1 / 255), out=layer)
        layers[3] = _rim_channel(tile, size)
    return out


def _rim_channel(tile: Tile, size: tuple[int, int]) -> npt.NDArray[Any] | float:
    """Distance inside the rim in cm, -1 to 1; 0 where no rim is known."""
    if tile.rim is None:
        return 0.0
    x, y = (np.float32((value + 0.5) / SHRINK - 0.5) for value in tile.rim[:2])
    columns, rows = (np.arange(count, dtype=np.float32) for count in size)
    away = np.sqrt((columns - x) ** 2 + ((rows - y) ** 2)[:, None])
    return np.clip((np.float32(tile.rim[2] / SHRINK) - away) * np.float32(SURFACE_MM_PER_PX / RIM_UNIT_MM), -1, 1)
