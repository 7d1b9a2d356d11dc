"""Which sockets can be read or written now, whatever the numbers of their descriptors."""

import selectors
from collections.abc import Iterable
from typing import Final, Protocol

# select() cannot watch a descriptor above 1,023, which a busy page alone may use up.
_Selector: Final = getattr(selectors, "PollSelector", selectors.DefaultSelector)


class HasDescriptor(Protocol):
    """A socket, TLS or not."""

    def fileno(self) -> int:
        """Its number; -1 once it is closed."""


def ready(
    reading: Iterable[HasDescriptor], writing: Iterable[HasDescriptor], seconds: float
) -> tuple[set[int], set[int]]:
    """Wait until something can be done.

    Parameters
    ----------
    reading, writing : iterable of sockets
        What is waited for.
    seconds : float
        How long at most.

    Returns
    -------
    tuple of set of int
        Descriptors of those that can be read, and of those that can be written.

    Raises
    ------
    OSError, ValueError
        A socket is closed.
    """
    wanted: dict[int, int] = {}
    for one in reading:
        wanted[one.fileno()] = selectors.EVENT_READ
    for one in writing:
        wanted[one.fileno()] = wanted.get(one.fileno(), 0) | selectors.EVENT_WRITE
    with _Selector() as selector:
        for number, events in wanted.items():
            selector.register(number, events)
        found = selector.select(seconds)
    readable = {key.fd for key, events in found if events & selectors.EVENT_READ}
    writable = {key.fd for key, events in found if events & selectors.EVENT_WRITE}
    return readable, writable
