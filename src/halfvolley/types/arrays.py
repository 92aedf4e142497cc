"""Array names and the shape check that all nouns use."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import BadInput

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ByteImage = NDArray[np.uint8]


def check_shapes(owner: object, **shapes: tuple[int, ...]) -> None:
    """Refuse arrays of the wrong shape.

    Parameters
    ----------
    owner : object
        The noun whose attributes are checked.
    **shapes : tuple of int
        Attribute name and the shape it must have.

    Raises
    ------
    BadInput
        If an attribute has another shape.
    """
    for name, shape in shapes.items():
        seen: Any = np.shape(getattr(owner, name))
        if seen != shape:
            raise BadInput(f"{type(owner).__name__}.{name} has shape {seen}, expected {shape}")
