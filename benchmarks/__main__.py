"""All benchmarks, one after the other: ``python -m benchmarks``."""

from __future__ import annotations

import subprocess
import sys

ALL = (
    "scale",
    "shapes",
    "plugs",
    "tissue",
    "confidence",
    "memory",
    "photos",
    "speed",
    "batch",
    "growth",
    "growth_size",
    "trays",
    "outplant",
    "fusion",
    "fusion_size",
    "pads_forecast",
)


def main() -> int:
    """Run each in a process of its own, so that memory and threads of one do not touch the next."""
    codes = []
    for name in ALL:
        print(f"\n#### {name}", flush=True)
        codes.append(subprocess.run([sys.executable, "-m", f"benchmarks.{name}"], check=False).returncode)
    return max(codes)


if __name__ == "__main__":
    sys.exit(main())
