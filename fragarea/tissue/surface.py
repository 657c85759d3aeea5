"""First step: which surface covers each half millimetre, by a small convolutional network."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import onnxruntime

from fragarea.tissue.calibration import AS_LEARNED, TissueCalibration
from fragarea.tissue.tiles import SURFACE_MM_PER_PX, TILE_MM_PER_PX, Stack, Tile

MODEL = Path(__file__).parent / "model" / "surface.onnx"
CLASSES = 4
SHRINK = SURFACE_MM_PER_PX / TILE_MM_PER_PX
SHARE_PX = 2 * SHRINK  # tile pixels along a pixel of the shares
RIM_UNIT_MM, RIM_STEPS = 10.0, 127.5
TOGETHER = 20


def surface_shares(stack: Stack, calibration: TissueCalibration = AS_LEARNED) -> npt.NDArray[Any]:
    """Shares of other, live, bleached and dead surface.

    Parameters
    ----------
    stack : Stack
    calibration : TissueCalibration

    Returns
    -------
    ndarray of float32, shape (n, rows / 2, columns / 2, 4)
        Sum to 1; pixel ``k`` has its middle at tile pixel ``2 k + 0.5``.
    """
    power = _log_odds(stack)
    if calibration != AS_LEARNED:
        shift = np.array([0.0, calibration.live, calibration.bleached, calibration.dead], np.float32)
        power = power + shift[:, None, None, None]
    power = np.exp(power - power.max(axis=1, keepdims=True))
    power /= power.sum(axis=1, keepdims=True)
    return _interleaved(power)


def surface_log_odds(stack: Stack) -> npt.NDArray[Any]:
    """What `surface_shares` makes shares of: unnormalised log-probabilities, in the same shape."""
    return _interleaved(_log_odds(stack))


def _log_odds(stack: Stack) -> npt.NDArray[Any]:
    """Log-probabilities ``(n, class, corner, rows, columns)`` of the four corners of each cell."""
    network, windows = _network(), _input(stack)
    # some at a time: their layers stay in the cache
    parts = [windows[first : first + TOGETHER] for first in range(0, len(windows), TOGETHER)]
    logits = np.concatenate([network.run(None, {"window": part})[0] for part in parts])
    # Channel 4 c + 2 dy + dx is class c at that corner of the cell.
    return np.asarray(logits, np.float32).reshape(len(logits), CLASSES, 4, *logits.shape[2:])


def _interleaved(corners: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """An image of twice the cells' rows and columns, classes last."""
    count, classes, _, rows, columns = corners.shape
    image = np.empty((count, 2 * rows, 2 * columns, classes), np.float32)
    cells = image.reshape(count, rows, 2, columns, 2, classes)
    for corner in range(4):  # four times as fast as one transposition
        for surface in range(classes):
            cells[:, :, corner // 2, :, corner % 2, surface] = corners[:, surface, corner]
    return image


@cache
def _network() -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    # one thread: photos are spread over processes
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    return onnxruntime.InferenceSession(str(MODEL), options, providers=["CPUExecutionProvider"])


def _input(stack: Stack) -> npt.NDArray[np.uint8]:
    """Red, green, blue and the rim channel as bytes, ``(n, 4, rows, columns)`` at the network's scale."""
    colour = stack.colour if SHRINK == 1 else _shrunk(stack.colour)
    count, rows, columns = colour.shape[:3]
    out = np.empty((count, 4, rows, columns), np.uint8)
    for index, channel in enumerate(cv2.split(colour.reshape(-1, columns, 3))):
        out[:, index] = channel.reshape(count, rows, columns)
    out[:, 3] = _rim_channel(stack.tiles, rows, columns)
    return out


def _shrunk(colour: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    size = (round(colour.shape[2] / SHRINK), round(colour.shape[1] / SHRINK))
    return np.stack([np.asarray(cv2.resize(one, size, interpolation=cv2.INTER_LINEAR), np.uint8) for one in colour])


def _rim_channel(tiles: tuple[Tile, ...], rows: int, columns: int) -> npt.NDArray[np.uint8]:
    """Distance inside the rim from 1 cm beyond to 1 cm within as 0 to 255; the middle where no rim is known."""
    unit = np.float32(SURFACE_MM_PER_PX / RIM_UNIT_MM * RIM_STEPS)
    rims = np.array([tile.rim or (0.0, 0.0, 0.0) for tile in tiles])
    middles = ((rims[:, :2] + 0.5) / SHRINK - 0.5).astype(np.float32)
    across, down = (
        ((np.arange(length, dtype=np.float32) - middle[:, None]) * unit) ** 2
        for length, middle in zip((columns, rows), middles.T, strict=True)
    )
    steps = across[:, None, :] + down[:, :, None]
    np.sqrt(steps, out=steps)
    at_rim = (rims[:, 2] / SHRINK).astype(np.float32) * unit + np.float32(RIM_STEPS + 0.5)
    np.subtract(at_rim[:, None, None], steps, out=steps)
    np.clip(steps, 0, 2 * RIM_STEPS, out=steps)
    steps[[tile.rim is None for tile in tiles]] = RIM_STEPS + 0.5
    return steps.astype(np.uint8)
