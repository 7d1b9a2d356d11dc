"""How pictures look: plain, in black and white as well as in colour, the same every time."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stream.files import part_of

STYLE: Final[Any] = {
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "legend.frameon": False,
    "svg.hashsalt": "lidstream",
    "figure.dpi": 110,
}
BLUE: Final = "#20508a"
OCHRE: Final = "#b4610a"
GREY: Final = "#6b6b6b"
"""Apart in lightness too, so that print without colour tells them apart."""


@contextmanager
def picture(
    path: Path, rows: int, columns: int, width_in: float, height_in: float
) -> Iterator[list[Axes]]:
    """Axes to draw on, row by row, which become a file at the end; no window, no global state.

    The path's ending chooses PNG, SVG or PDF; the same drawing gives the same bytes.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    kind = path.suffix.removeprefix(".")
    dated = {"png": "Creation Time", "svg": "Date", "pdf": "CreationDate"}[kind]
    with mpl.rc_context(STYLE):
        made = Figure(figsize=(width_in, height_in), layout="constrained")
        axes = made.subplots(rows, columns, squeeze=False)
        yield [axis for row in axes for axis in row]
        with part_of(path) as part, part.open("wb") as out:
            made.savefig(out, format=kind, metadata={dated: None})
