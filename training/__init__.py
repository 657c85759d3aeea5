"""Training of the small two-step tissue model that runs on a CPU within a few decode times of the photo.

1. ``python -m training.windows WINDOWS.npz`` cuts learning windows from the rendered ``dev`` scenes.
2. ``python -m training.pool --data WINDOWS.npz --to POOL`` draws a pool of windows, recoloured, relit, bleached,
   overgrown and blurred at random: ten minutes of one CPU core for ten thousand; it goes on where it was stopped.
3. ``python -m training.train --data WINDOWS.npz --pool POOL --to TRAINED.npz`` learns both networks from the pool
   (PyTorch; a minute an epoch on one CPU core). Without ``--pool`` windows are drawn anew for each step, which
   wants a GPU. ``--leave-out single`` leaves a series out and reports on it; ``--start training/tissue.npz`` goes
   on from the package's weights.
4. ``python -m training.compare TRAINED.npz ...`` prints designs and studies side by side.
5. ``python -m training.export TRAINED.npz --data WINDOWS.npz`` writes ``fragarea/tissue/model/`` (needs onnx).

``augment`` recolours, relights and blurs windows and draws some from nothing; ``parts`` draws bleached, dead,
overgrown and missing fragments and edges without a pale margin into them.
"""

WINDOW_MM_PER_PX = 0.2  # of the windows that are learned from
