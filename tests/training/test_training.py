"""Training code on windows drawn here; needs PyTorch, which the installed program does not."""

# ruff: noqa: E402 - what imports PyTorch stands below the check for it

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="PyTorch is not installed; it is needed for training only")

from training import WINDOW_MM_PER_PX
from training.augment import DEAD, LIVE, SIDE, Dice, Strength, box
from training.data import Data, plain
from training.draw import draw_batch
from training.figures import surface_figures
from training.model import DESIGNS, EdgeNet
from training.parts import change_parts
from training.pool import draw_pool, load_pool
from training.train import learn_surface, pool_batches, surface_loss
from training.views import coarse_view, middle
from training.weights import folded, put

CPU = torch.device("cpu")
ROUND = Strength(drawn=0.25)


@pytest.fixture(autouse=True)
def one_thread():
    torch.set_num_threads(1)


def disc_windows() -> Data:
    """Two windows of 208 pixels: a brown disc of 6 mm radius on a white plug, and one half as large."""
    side = 208
    away = np.hypot(*(np.mgrid[:side, :side] - (side - 1) / 2)) * WINDOW_MM_PER_PX
    images, shares = [], []
    for radius in (6.0, 3.0):
        disc = away < radius
        picture = np.where(away < 12.5, 190, 40)[..., None].repeat(3, 2)
        picture[disc] = (110, 80, 50)
        images.append(picture.transpose(2, 0, 1))
        shares.append(np.stack([disc * 255, disc * 0, disc * 0]))
    return Data(
        images=torch.tensor(np.stack(images), dtype=torch.uint8),
        shares=torch.tensor(np.stack(shares), dtype=torch.uint8),
        rims=torch.tensor([[103.5, 103.5, 62.5]] * 2),
        gains=torch.ones(2, 3),
        weights=torch.ones(2),
        turfs=torch.zeros(0, 3, SIDE, SIDE),
        names=("large/one", "small/one"),
    )


def test_drawn_windows_are_pictures_with_shares_that_sum_to_one():
    inputs, target, chosen = draw_batch(Dice(1, CPU), disc_windows(), 16, ROUND)
    assert inputs.shape == (16, 4, SIDE, SIDE)
    assert len(chosen) == 12  # a quarter is drawn from nothing
    assert inputs[:, :3].min() >= 0
    assert inputs[:, :3].max() <= 1
    assert inputs[:, 3].abs().max() <= 1
    assert torch.isfinite(inputs).all()
    assert target.min() >= -1e-4
    assert torch.allclose(target.sum(1), torch.ones(16, SIDE, SIDE), atol=1e-3)


def test_windows_drawn_from_one_seed_are_the_same():
    first, again, other = (draw_batch(Dice(seed, CPU), disc_windows(), 8, ROUND)[0] for seed in (4, 4, 5))
    assert torch.equal(first, again)
    assert not torch.equal(first, other)


def test_killing_moves_tissue_to_skeleton_and_some_windows_lose_all_of_it():
    image, labels = plain(disc_windows())
    image, labels = image[:1, :3].repeat(200, 1, 1, 1), labels[:1].repeat(200, 1, 1, 1)
    tissue = labels[:, 1:].sum((1, 2, 3))
    changed = change_parts(Dice(2, CPU), image, labels, torch.zeros(0, 3, SIDE, SIDE))[1]
    dead = changed[:, DEAD].sum((1, 2))
    kept = changed[:, 1:].sum((1, 2, 3)) > 0.5 * tissue  # the others were taken away
    assert torch.allclose(changed[kept, 1:].sum((1, 2, 3)), tissue[kept], rtol=1e-3)
    assert 4 <= int((dead > 0.98 * tissue).sum()) <= 60


def test_mean_of_a_square_of_pixels_is_that_of_pytorch():
    x = torch.rand(2, 3, 20, 30, generator=torch.Generator().manual_seed(1))
    assert torch.allclose(box(x, 7), torch.nn.functional.avg_pool2d(x, 7, 1, 3), atol=1e-6)


def test_a_pool_whose_drawing_was_stopped_is_the_same_as_an_undisturbed_one(tmp_path: Path):
    whole, stopped = tmp_path / "whole", tmp_path / "stopped"
    for folder, count in ((whole, 64), (stopped, 32), (stopped, 64)):
        draw_pool(disc_windows(), folder, count=count, seed=3, strength=ROUND, part_size=32)
    one, other = load_pool(whole), load_pool(stopped)
    assert len(one.sources) == 64
    assert np.array_equal(one.inputs, other.inputs)
    assert np.array_equal(one.shares, other.shares)
    assert set(one.sources) == {"large/one", "small/one", ""}


def test_windows_of_a_source_can_be_left_out_of_a_pool(tmp_path: Path):
    draw_pool(disc_windows(), tmp_path, count=32, seed=3, strength=ROUND, part_size=32)
    pool = load_pool(tmp_path)
    assert set(pool.sources[pool.without(["small"])]) == {"large/one", ""}


def test_an_absent_pool_says_how_to_draw_one(tmp_path: Path):
    with pytest.raises(FileNotFoundError, match=r"training\.pool"):
        load_pool(tmp_path)


@pytest.mark.parametrize("name", sorted(DESIGNS))
def test_folded_weights_give_the_same_answers_in_another_network_and_in_onnx(name: str):
    onnxruntime = pytest.importorskip("onnxruntime")
    pytest.importorskip("onnx", reason="onnx is not installed; it is needed for exporting only")
    from training.export import surface_graph

    torch.manual_seed(1)
    design = DESIGNS[name]
    windows = torch.rand(2, 4, design.side_px, design.side_px)
    trained, other = design.network(), design.network()
    with torch.no_grad():
        trained(windows)  # batch norms see data
        expected = trained.eval()(windows)
        weights = folded(trained, EdgeNet())
        put(weights, other, EdgeNet())
        assert torch.allclose(other.eval()(windows), expected, atol=1e-4)
    session = onnxruntime.InferenceSession(surface_graph(weights).SerializeToString())
    assert np.allclose(session.run(None, {"window": from_zero(windows)})[0], expected.numpy(), atol=1e-4)


def from_zero(windows: torch.Tensor) -> np.ndarray:
    """Windows whose rim channel runs from 0 to 1, not from -1."""
    return torch.cat([windows[:, :3], (windows[:, 3:] + 1) / 2], 1).numpy()


def test_in_whole_numbers_the_network_says_nearly_the_same():
    onnxruntime = pytest.importorskip("onnxruntime")
    pytest.importorskip("onnx", reason="onnx is not installed; it is needed for exporting only")
    from training.export import surface_graph
    from training.quantise import quantised
    from training.weights import TRAINED, read

    graph = surface_graph(read(TRAINED))
    windows = from_zero(draw_batch(Dice(7, CPU), disc_windows(), 16, ROUND)[0])
    made = quantised(graph, [windows])
    exact = onnxruntime.InferenceSession(graph.SerializeToString()).run(None, {"window": windows})[0]
    near = onnxruntime.InferenceSession(made.SerializeToString()).run(
        None, {"window": np.round(255 * windows).astype(np.uint8)}
    )[0]
    shares = [torch.softmax(torch.from_numpy(one).reshape(16, 4, -1), 1) for one in (exact, near)]
    off = (shares[0] - shares[1]).abs().amax(1)
    assert float(off.mean()) < 0.01
    assert float((off > 0.3).float().mean()) < 0.005


def test_a_short_run_learns_the_discs(tmp_path: Path):
    plainly = Strength(recolour=False, drawn=0.0, algae=False, water=False, glare=False)
    draw_pool(disc_windows(), tmp_path, count=64, seed=3, strength=plainly, part_size=32)
    pool, design = load_pool(tmp_path), DESIGNS["thin"]
    torch.manual_seed(1)
    net = design.network()
    inputs, target = pool.read(Dice(9, CPU), np.arange(32))

    def loss() -> float:
        net.train()  # so short a run leaves the running statistics of batch norms behind
        with torch.no_grad():
            return float(surface_loss(net(coarse_view(design, inputs)), middle(design, target)))

    before = loss()
    batches = pool_batches(pool, [], epochs=10, size=16, dice=Dice(1, CPU))
    learn_surface(net, design, batches, 4e-3, still=False)
    assert loss() < 0.9 * before  # the rate still rises: its first hundred steps are a warm-up


def test_figures_of_the_truth_are_perfect_and_of_a_dead_piece_called_live_are_not():
    target = plain(disc_windows())[1]
    right = surface_figures(target, target)
    assert right["iou"] == 1.0
    assert right["error"] == 0.0
    dead = target.clone()
    dead[0, DEAD], dead[0, LIVE] = target[0, LIVE], 0.0
    wrong = surface_figures(target, dead)
    assert wrong["dead_called_live"] == 1.0
    assert wrong["dead_iou"] == 0.0
