"""What the report on elevation costs: 16 million cells, beside reading them. Never fails a build.

python tests/bench/heights.py
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from faults.clean import as_steep, self_affine  # noqa: E402
from faults.rasters import mountain, store  # noqa: E402
from lastseen.terrain.elevation import open_elevation, read_raw_window  # noqa: E402
from lastseen.terrain.elevation_report import report_window  # noqa: E402

SIDE = 4000


def main():
    """Print the best of five of each."""
    values = 1500.0 + as_steep(self_affine(0.85, 1, (SIDE, SIDE)), 2.0, 45.0)
    _, profile = mountain()
    with tempfile.TemporaryDirectory() as folder:
        path = store(Path(folder) / "big.tif", values.astype(np.float32), profile, compress="deflate", tiled=True)
        elevation = open_elevation([path])
        reading, looking = [], []
        for _ in range(5):
            begun = time.perf_counter()
            raw = read_raw_window(elevation, elevation.bounds_m)
            reading.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            report = report_window(elevation, raw)
            looking.append(time.perf_counter() - begun)
    cells = SIDE * SIDE / 1e6
    share = min(looking) / min(reading)
    sys.stdout.write(
        f"report on {cells:.0f} million cells: {min(looking):.2f} s, {share:.0%} of reading ({min(reading):.2f} s); "
        f"{[finding.kind for finding in report.findings]}\n"
    )


if __name__ == "__main__":
    main()
