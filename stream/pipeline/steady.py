"""Long work without pauses for the collection of cycles."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


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


def tidy_up() -> None:
    """Collect what is young, if nobody else does."""
    if not gc.isenabled():
        gc.collect(0)
