"""Training and evaluation of the tissue model; not part of the installed package (needs PyTorch)."""
