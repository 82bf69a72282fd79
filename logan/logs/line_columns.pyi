import numpy as np
from numpy.typing import NDArray

from logan.units import IntArray

class LineColumns:
    line_count: int
    time_ns: IntArray
    can_id: NDArray[np.uint32]
    kind: NDArray[np.uint8]
    bus: NDArray[np.uint8]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]

    def __init__(self, text: NDArray[np.uint8], size: int, payload_bytes: int) -> None: ...
    @property
    def left(self) -> tuple[IntArray, IntArray, IntArray]: ...
    @property
    def buses(self) -> list[str]: ...
