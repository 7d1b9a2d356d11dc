"""The accumulation models, one file each.

To add one: a file that ends with ``MODEL = Model(…)``, its name in the line below, a section
in METHODS.md, and its checks under ``tests/science``.
"""

from importlib import import_module
from typing import Final

from stream.science.models.fit import STATUS_WORDS, Fit, FitStatus, Model

_FILES: Final = ("linear", "quadratic", "saturating", "diffusive", "theil_sen")

MODELS: Final[dict[str, Model]] = {
    name: import_module(f"stream.science.models.{name}").MODEL for name in _FILES
}
"""Name of a model, as the station file writes it → the model."""


__all__ = ["MODELS", "STATUS_WORDS", "Fit", "FitStatus", "Model"]
