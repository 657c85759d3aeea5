"""Weights as plain arrays: folded from networks, put back into networks, read from files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import nn

from training.model import EdgeNet, SurfaceNet

PACKAGED = Path(__file__).resolve().parent.parent / "fragarea" / "tissue" / "model"
TRAINED = Path(__file__).with_name("tissue.npz")  # what the package's model was made from
Weights = dict[str, npt.NDArray[Any]]


def read(path: Path) -> Weights:
    """Weights of a trained file."""
    with np.load(path) as file:
        return {name: file[name] for name in file.files}


def made(weights: Mapping[str, npt.NDArray[Any]]) -> dict[str, Any]:
    """How weights were made."""
    found: dict[str, Any] = json.loads(str(weights["made"])) if "made" in weights else {}
    return found


def folded(surface: SurfaceNet, edge: EdgeNet) -> Weights:
    """Weights as plain arrays; batch norms folded into the convolutions before them."""
    out: Weights = {}
    for name, module in _convolutions(surface):
        conv, norm = module[0], module[1]
        factor = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        out[f"surface.{name}.w"] = (conv.weight * factor.view(-1, 1, 1, 1)).detach().cpu().numpy()
        out[f"surface.{name}.b"] = (norm.bias - norm.running_mean * factor).detach().cpu().numpy()
    out["surface.head.w"] = surface.head.weight.detach().cpu().numpy()
    out["surface.head.b"] = surface.head.bias.detach().cpu().numpy()
    for index, layer in enumerate(_matrices(edge)):
        out[f"edge.{index}.w"] = layer.weight.detach().cpu().numpy()
        out[f"edge.{index}.b"] = layer.bias.detach().cpu().numpy()
    return {name: value.astype(np.float32) for name, value in out.items()}


def put(weights: Mapping[str, npt.NDArray[Any]], surface: SurfaceNet, edge: EdgeNet) -> None:
    """Take over folded weights; batch norms become identities."""

    def copy(to: torch.Tensor, name: str) -> None:
        to.data.copy_(torch.from_numpy(np.array(weights[name])))

    for name, module in _convolutions(surface):
        copy(module[0].weight, f"surface.{name}.w")
        copy(module[1].bias, f"surface.{name}.b")
        module[1].weight.data.fill_(1.0)
        module[1].running_mean.zero_()
        module[1].running_var.fill_(1 - module[1].eps)
    copy(surface.head.weight, "surface.head.w")
    copy(surface.head.bias, "surface.head.b")
    for index, layer in enumerate(_matrices(edge)):
        copy(layer.weight, f"edge.{index}.w")
        copy(layer.bias, f"edge.{index}.b")


def _convolutions(surface: SurfaceNet) -> list[tuple[str, Any]]:
    return [
        (name, module)
        for name, module in surface.named_modules()
        if isinstance(module, nn.Sequential) and len(module) == 3 and isinstance(module[0], nn.Conv2d)
    ]


def _matrices(edge: EdgeNet) -> list[nn.Linear]:
    return [module for module in edge.body if isinstance(module, nn.Linear)]
