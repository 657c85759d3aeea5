"""First step: which surface covers each half millimetre, by a small convolutional network."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.tissue.tiles import Stack

MODEL = Path(__file__).parent / "model" / "surface.onnx"
CLASSES = 4
SHARE_PX = 2  # tile pixels along a pixel of the shares


def surface_shares(stack: Stack) -> npt.NDArray[Any]:
    """Shares of other, live, bleached and dead surface.

    Parameters
    ----------
    stack : Stack

    Returns
    -------
    ndarray of float32, shape (n, rows / 2, columns / 2, 4)
        Sum to 1; pixel ``k`` covers tile pixels ``2 k`` and ``2 k + 1``.
    """
    window = np.concatenate([stack.colour, stack.rim_channel()[..., None]], axis=-1).transpose(0, 3, 1, 2)
    network = _network()
    network.setInput(np.ascontiguousarray(window))
    logits = network.forward()
    count, _, rows, columns = logits.shape
    # Channel 4 c + 2 dy + dx is class c at that corner of the cell.
    fine = logits.reshape(count, CLASSES, 2, 2, rows, columns).transpose(0, 4, 2, 5, 3, 1)
    return _softmax(np.ascontiguousarray(fine).reshape(count, 2 * rows, 2 * columns, CLASSES))


@cache
def _network() -> cv2.dnn.Net:
    # The classic engine takes any number and size of windows in one network; the newer one is not faster here.
    return cv2.dnn.readNetFromONNX(np.fromfile(MODEL, np.uint8), cv2.dnn.ENGINE_CLASSIC)


def _softmax(logits: npt.NDArray[Any]) -> npt.NDArray[Any]:
    power = np.exp(logits - logits.max(axis=-1, keepdims=True))
    return np.asarray(power / power.sum(axis=-1, keepdims=True), np.float32)
