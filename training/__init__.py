"""Training of the small two-step tissue model that runs on a CPU within a few decode times of the photo.

1. ``python -m training.windows WINDOWS.npz`` cuts learning windows from the rendered ``dev`` scenes.
2. ``python -m training.train --data WINDOWS.npz --to TRAINED.npz`` learns both networks (PyTorch, one GPU);
   ``--leave-out single`` leaves a series out and reports on it, ``--start TRAINED.npz`` goes on from earlier weights.
3. ``python -m training.export TRAINED.npz`` writes ``fragarea/tissue/model/`` (needs onnx).

``parts`` draws bleached, dead and missing fragments and edges without a pale margin into the windows that
``training.augment`` recolours, relights and blurs.
"""

WINDOW_MM_PER_PX = 0.2  # of the windows that are learned from
