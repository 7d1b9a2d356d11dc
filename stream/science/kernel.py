"""Compiled kernels: numba behind one typed door.

Kernels release the interpreter lock, are cached beside the source, and use no
fast-math: the same input gives the same bits whatever the batch around it.
"""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def kernel(function: F) -> F:
    """Compile at first use, without the interpreter lock, cached on disk."""
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


def inline(function: F) -> F:
    """A small function that kernels call."""
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))
