"""colour-science, imported late and without its remarks."""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any


@cache
def quiet_colour() -> Any:
    """The module `colour`; importing it takes over a second, so nobody does it before need."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it remarks on optional parts that are not installed
        import colour
        import colour.recovery
        import colour.temperature
    return colour
