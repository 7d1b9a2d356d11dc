"""Long work without pauses for the collection of cycles."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final


@contextmanager
def without_pauses() -> Iterator[None]:
    """Look for cycles only where :func:`tidy_up` is called, while this lasts.

    A day of closures makes some hundred thousand small objects and no cycle; looking for
    cycles among them over and over took a quarter of the time.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


_PATIENCE: Final = 100_000
"""Objects that may wait; a day of closures that are being written is some ten thousand."""


def tidy_up() -> None:
    """Look for cycles among what is young, if nobody else does and there is much of it."""
    if not gc.isenabled() and gc.get_count()[0] > _PATIENCE:
        gc.collect(0)
