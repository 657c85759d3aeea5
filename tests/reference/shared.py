"""Where data beside the project lies, if it does."""

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent


def shared(*parts: str) -> Path:
    """A path in the folder ``../shared``; skips the test where it is absent."""
    path = ROOT.parent.joinpath("shared", *parts)
    if not path.exists():
        pytest.skip(f"../shared/{'/'.join(parts)} is not here")
    return path
