"""Memory that was freed goes back to the system, so that a screen that is open all day stays as small as it was."""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress

_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8
"""Parameters of mallopt(3), glibc's <malloc.h>."""
BLOCK_BYTES = 1 << 18
"""Arrays from this size on get pages of their own, which are given back when they are freed."""


def keep_heap_tidy() -> None:
    """Have glibc keep one heap for all threads, and large arrays out of it; elsewhere there is nothing to do.

    By itself it makes a heap for every thread, and raises the size from which arrays get pages of their own whenever
    one is freed: blocks that live long then hold on to what lies around them, three quarters of all in half an hour.
    """
    if sys.platform != "linux":
        return
    with suppress(OSError, AttributeError):  # other C libraries have no such call
        library = ctypes.CDLL(None)
        library.mallopt(_M_ARENA_MAX, 1)
        library.mallopt(_M_MMAP_THRESHOLD, BLOCK_BYTES)
