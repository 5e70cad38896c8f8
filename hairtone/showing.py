"""What every result can do: show itself as a table in a notebook, and draw itself.

Results stand on low floors and figures on a high one. The report room therefore registers which
function draws which type, and a result looks its figure up when it is asked to plot; the package's
own ``__init__`` says how the figures are loaded.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

Figure = Callable[..., Any]

FIGURES: Final[dict[type, Figure]] = {}
_LOADERS: Final[list[Callable[[], object]]] = []


def register_figures(figures: Mapping[type, Figure]) -> None:
    """Say which function draws results of which type; report calls this when it is loaded."""
    FIGURES.update(figures)


def load_figures_by(loader: Callable[[], object]) -> None:
    """Say how the figures are loaded; called once, by the package itself."""
    _LOADERS[:] = [loader]


def figure_of(kind: type) -> Figure:
    """Return the figure registered for a type.

    Raises
    ------
    TypeError
        No figure is registered for it.
    """
    if kind not in FIGURES:
        for loader in _LOADERS:
            loader()
    if kind not in FIGURES:
        raise TypeError(f"{kind.__name__} has no figure. Call its to_frame() instead.")
    return FIGURES[kind]


class Shown:
    """Gives a result with `to_frame` its table in a notebook, a short repr and its figure."""

    __slots__ = ()

    def to_frame(self) -> Any:
        """Return the result as a table."""
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
        return figure_of(type(self))(self, ax=ax)
