"""Put trained weights where the program reads them: ``python -m training.export [TRAINED.npz] --data WINDOWS.npz``.

Needs onnx. Writes ``surface.onnx`` (run by onnxruntime in whole numbers, :mod:`training.quantise`) and ``edge.npz``
(its matrices are multiplied by OpenCV) to ``fragarea/tissue/model/``, or to another folder. The scale that the
surface network was trained at must be that of ``fragarea.tissue.tiles.SURFACE_MM_PER_PX``.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper

from training.data import load
from training.quantise import example_windows, quantised
from training.weights import PACKAGED, TRAINED, read


class Graph:
    """Collects nodes and weights of the surface network."""

    def __init__(self, weights: dict[str, npt.NDArray[np.float32]]) -> None:
        self.weights = weights
        self.nodes: list[Any] = []
        self.constants: list[Any] = []

    def conv(self, x: str, name: str, stride: int = 1, *, relu: bool = True) -> str:
        """Convolution `name`, with or without a rectifier."""
        kernel = self.weights[f"surface.{name}.w"]
        size = kernel.shape[2]
        pad = size // 2 if size % 2 else 0
        for part in "wb":
            self.constants.append(numpy_helper.from_array(self.weights[f"surface.{name}.{part}"], f"{name}.{part}"))
        self.nodes.append(
            helper.make_node(
                "Conv",
                [x, f"{name}.w", f"{name}.b"],
                [name],
                kernel_shape=[size, size],
                strides=[stride, stride],
                pads=[pad] * 4,
                name=name,
            )
        )
        if not relu:
            return name
        self.nodes.append(helper.make_node("Relu", [name], [f"{name}.on"]))
        return f"{name}.on"

    def double(self, x: str) -> str:
        """Twice the rows and columns, nearest pixel."""
        self.constants.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), f"{x}.scales"))
        self.nodes.append(
            helper.make_node(
                "Resize",
                [x, "", f"{x}.scales"],
                [f"{x}.double"],
                mode="nearest",
                coordinate_transformation_mode="asymmetric",
                nearest_mode="floor",
            )
        )
        return f"{x}.double"

    def join(self, kind: str, one: str, other: str) -> str:
        """Sum or concatenation of channels."""
        name = f"{kind}.{one}"
        options = {"axis": 1} if kind == "Concat" else {}
        self.nodes.append(helper.make_node(kind, [one, other], [name], **options))
        return name


def surface_graph(weights: dict[str, npt.NDArray[np.float32]]) -> onnx.ModelProto:
    """The surface network as ONNX; the same steps as ``SurfaceNet.forward``, but its rim channel runs from 0 to 1."""
    graph = Graph(_rim_from_zero(weights))
    e0 = graph.conv("window", "stem", 4)
    e1 = graph.conv(graph.conv(e0, "down1.0", 2), "down1.1")
    e2 = graph.conv(graph.conv(e1, "down2.0", 2), "down2.1")
    e3 = graph.conv(graph.conv(e2, "down3.0", 2), "down3.1")
    u2 = graph.conv(graph.join("Add", graph.double(graph.conv(e3, "lift3")), e2), "up2")
    u1 = graph.conv(graph.join("Add", graph.double(graph.conv(u2, "lift2")), e1), "up1")
    u0 = graph.conv(graph.join("Concat", graph.double(graph.conv(u1, "lift1")), graph.conv(e0, "skip")), "up0")
    out = graph.conv(u0, "head", relu=False)
    body = helper.make_graph(
        graph.nodes,
        "surface",
        [helper.make_tensor_value_info("window", TensorProto.FLOAT, ["windows", 4, "rows", "columns"])],
        [helper.make_tensor_value_info(out, TensorProto.FLOAT, ["windows", 16, "cell_rows", "cell_columns"])],
        graph.constants,
    )
    model = helper.make_model(body, opset_imports=[helper.make_opsetid("", 13)])
    model.ir_version = 8
    onnx.checker.check_model(model)
    return model


def _rim_from_zero(weights: dict[str, npt.NDArray[np.float32]]) -> dict[str, npt.NDArray[np.float32]]:
    """The same network for a rim channel of 0 to 1 instead of -1 to 1: all inputs in one range, as bytes want it.

    The first layer pads nothing, so that a shift of its input is a shift of its output.
    """
    kernel, shift = weights["surface.stem.w"].copy(), weights["surface.stem.b"]
    shift = shift - kernel[:, 3].sum(axis=(1, 2))
    kernel[:, 3] *= 2
    return {**weights, "surface.stem.w": kernel, "surface.stem.b": shift}


def main() -> None:
    """Write both files."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("trained", type=Path, nargs="?", default=TRAINED, help="default: those of the package")
    parser.add_argument("--data", type=Path, required=True, help="windows that show the range of each layer")
    parser.add_argument("--to", type=Path, default=PACKAGED, help="folder; default: the package's own")
    options = parser.parse_args()
    weights = read(options.trained)
    options.to.mkdir(parents=True, exist_ok=True)
    torch.set_num_threads(1)
    windows = example_windows(load(options.data, [], torch.device("cpu"))[0])
    onnx.save(quantised(surface_graph(weights), windows), str(options.to / "surface.onnx"))
    edge = {name: value for name, value in weights.items() if name.startswith("edge.") or name == "made"}
    np.savez_compressed(options.to / "edge.npz", **edge)
    for path in sorted(options.to.iterdir()):
        print(f"{path.name}: {path.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
