"""Keep the memory of working arrays with the process while a log is read."""

from __future__ import annotations

from typing import Final

import numpy as np

_LARGEST_HEAP_BLOCK_BYTES: Final = 32 * 1024 * 1024 - 65_536


def keep_work_arrays() -> None:
    """Have the allocator reuse the memory of arrays up to 32 MiB instead of giving it back each time.

    The GNU C library takes blocks above a threshold straight from the system and gives them back when they
    are freed; every reuse then costs a page fault for each 4 KiB, which took 40 % of the time of reading a
    text log here. It raises the threshold to the largest block it saw freed (mallopt(3), "M_MMAP_THRESHOLD"),
    so freeing one block that was never touched is enough. With other allocators this does nothing.
    """
    np.empty(_LARGEST_HEAP_BLOCK_BYTES, np.uint8)
