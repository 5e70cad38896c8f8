"""What every result can do: show itself as a table in a notebook, and draw itself."""

from __future__ import annotations

from importlib import import_module
from typing import Any


class Shown:
    """Gives a result with `to_frame` its table in a notebook and its figure."""

    __slots__ = ()

    def to_frame(self) -> Any:
        """The result as a table."""
        raise NotImplementedError

    def _repr_html_(self) -> str:
        return str(self.to_frame().round(2).to_html(index=False, escape=True, na_rep="–"))

    def plot(self, ax: Any = None) -> Any:
        """Draw the result's own figure.

        Parameters
        ----------
        ax : Axes, optional
            Where to draw; a new figure without it.
        """
        figures = import_module("hairtone.report.figures")  # upwards, and only when asked
        return getattr(figures, f"figure_{type(self).__name__.lower()}")(self, ax=ax)
