"""Types of arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
