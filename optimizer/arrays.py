"""The array types of the package, declared once.

Shapes are given in docstrings by letters, always in this order and frequency last: P population,
W way, A direction, C curve, S free gene, N residual, F frequency.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]
Counts = NDArray[np.int64]
