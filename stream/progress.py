"""A progress bar, where somebody is watching."""

import sys
from types import TracebackType
from typing import Any

from tqdm import tqdm


class Progress:
    """One bar a stage on a terminal, nothing elsewhere."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._stage = ""

    def __enter__(self) -> "Progress":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    def __call__(self, stage: str, done: float, total: float) -> None:
        """Say how far a stage is."""
        if not sys.stderr.isatty():
            return
        if stage != self._stage:
            self._end()
            self._stage = stage
            form = "{desc:<8} {percentage:3.0f} % |{bar}| {elapsed}"
            self._bar = tqdm(total=total, desc=stage, bar_format=form, leave=False)
        self._bar.update(min(done, total) - self._bar.n)

    def _end(self) -> None:
        if self._bar is not None:
            self._bar.close()
            self._bar = None
