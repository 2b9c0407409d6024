"""How a way of the flow is written down in a cell."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

ByteArray = npt.NDArray[np.uint8]
LongArray = npt.NDArray[np.int64]

OFF = 8  # 0 to 7 are the neighbours clockwise from north; this one leaves the ground, over the edge or into no data
FLAT = 9  # no neighbour is lower
NOTHING = 255  # no data
