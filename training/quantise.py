"""The surface network in whole numbers of eight bits: a third less time, more on processors that count in them.

Weights keep seven bits, because sums of products of eight overflow on processors without instructions for them
(onnxruntime, "Quantize ONNX models": ``reduce_range``). The last layer stays in floating point, so that shares near
one half, between which outlines are drawn, are not stepped. The window goes in as the bytes that it is.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static
from onnxruntime.quantization.shape_inference import quant_pre_process

from training.augment import Dice, Strength
from training.data import Data, plain
from training.draw import draw_batch

DRAWN_BATCHES, BATCH, PLAIN_EVERY = 6, 32, 6  # windows that show how large the layers' numbers get


class _Windows(CalibrationDataReader):
    def __init__(self, batches: list[np.ndarray]) -> None:
        self.left: Iterator[np.ndarray] = iter(batches)

    def get_next(self) -> dict[str, np.ndarray] | None:
        batch = next(self.left, None)
        return None if batch is None else {"window": batch}


def example_windows(data: Data, seed: int = 3) -> list[np.ndarray]:
    """Drawn and plain windows, R, G, B and rim channel all from 0 to 1."""
    dice = Dice(seed, torch.device("cpu"))
    drawn = [draw_batch(dice, data, BATCH, Strength(drawn=0.15))[0] for _ in range(DRAWN_BATCHES)]
    batches = [*drawn, plain(data)[0][::PLAIN_EVERY]]
    return [torch.cat([batch[:, :3], (batch[:, 3:] + 1) / 2], 1).numpy() for batch in batches]


def quantised(model: onnx.ModelProto, windows: list[np.ndarray]) -> onnx.ModelProto:
    """The same network with bytes as input, ``(n, 4, rows, columns)``, 255 for 1.

    Parameters
    ----------
    model : onnx.ModelProto
        Of :func:`training.export.surface_graph`.
    windows : list of ndarray of float32
        Of :func:`example_windows`.
    """
    with tempfile.TemporaryDirectory() as folder:
        plain_path, made_path = Path(folder) / "plain.onnx", Path(folder) / "made.onnx"
        onnx.save(model, str(plain_path))
        quant_pre_process(str(plain_path), str(plain_path), skip_symbolic_shape=True)
        quantize_static(
            str(plain_path),
            str(made_path),
            _Windows(windows),
            quant_format=QuantFormat.QDQ,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            per_channel=True,
            reduce_range=True,
            nodes_to_exclude=["head"],
        )
        return _with_byte_input(onnx.load(str(made_path)))


def _with_byte_input(model: onnx.ModelProto) -> onnx.ModelProto:
    """Take the step from numbers to bytes out of the graph's beginning."""
    graph = model.graph
    (first,) = (node for node in graph.node if "window" in node.input)
    if first.op_type != "QuantizeLinear":
        raise ValueError(f"the graph begins with {first.op_type}, not with a step to bytes")
    _, scale, zero = first.input
    for constant in list(graph.initializer):
        if constant.name in (scale, zero):
            graph.initializer.remove(constant)
    graph.initializer.extend(
        [
            numpy_helper.from_array(np.array(1 / 255, np.float32), scale),
            numpy_helper.from_array(np.array(0, np.uint8), zero),
        ]
    )
    for node in graph.node:
        for index, name in enumerate(node.input):
            if name == first.output[0]:
                node.input[index] = "window"
    graph.node.remove(first)
    del graph.input[:]
    graph.input.append(helper.make_tensor_value_info("window", TensorProto.UINT8, ["windows", 4, "rows", "columns"]))
    onnx.checker.check_model(model)
    return model
