"""Pure functions of one topic a file: SI arrays in, SI arrays out; everything broadcasts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64] | float
