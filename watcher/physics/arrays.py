"""What the array functions of this package take and return: a number, or floats of shapes that broadcast."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating]
Values = float | Array
