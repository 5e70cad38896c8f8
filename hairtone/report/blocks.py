"""What a page is built of: pictures with words, colour chips, tables. Plain text only; the
templates escape all of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import screen_colour
from hairtone.report.sentences import number
from hairtone.report.style import Picture

_TURN: Final = 55.0  # L* above which ink on a chip is dark: 4.5:1 holds on both sides of it


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureBlock:
    """A picture with its caption and what it says in words.

    Attributes
    ----------
    uri : str
        ``data:`` address that holds the picture.
    alt, caption : str
        What it shows, for those who do not see it; and what to call it.
    is_tall : bool
        As tall as two others: they stand beside it.
    """

    uri: str
    alt: str
    caption: str
    is_tall: bool = False


def shown(picture: Picture, *, caption: str, alt: str, is_tall: bool = False) -> FigureBlock:
    """A figure as a block of a page."""
    return FigureBlock(uri=picture.data_uri(), alt=alt, caption=caption, is_tall=is_tall)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """A colour chip: ground, ink that can be read on it, and its L* in print."""

    colour: str
    ink: str
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipRow:
    """Chips from roots to ends, or over washes; None leaves one out."""

    label: str
    chips: tuple[Chip | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipTable:
    """Rows of chips under a caption."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[ChipRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A cell's text; `kind` is ``"n"`` for a number, ``"two"`` for a number over its uncertainty,
    ``"long"`` for a sentence.
    """

    text: str
    kind: Literal["", "n", "two", "long"] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table with its head and caption."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kind of each column: that of its first cell that is not empty text."""
        columns = zip(*self.rows, strict=True) if self.rows else ((),) * len(self.head)
        return tuple(next((c.kind for c in column if c.kind), "") for column in columns)

    @property
    def is_wordy(self) -> bool:
        """Whether it holds sentences: on a narrow screen its cells then stand below each other."""
        return any(cell.kind == "long" for row in self.rows for cell in row)


def chip_of(lab: ArrayLike) -> Chip | None:
    """The chip of a colour; None where it is not known.

    A ``+`` behind L* says that the colour lies beyond what the screen can show.
    """
    colour = np.asarray(lab, dtype=np.float64)
    if colour.shape != (3,) or not np.isfinite(colour).all():
        return None
    codes = [int(c) for c in screen_colour(colour)]
    beyond = "+" if min(codes) == 0 or max(codes) == 255 else ""
    return Chip(
        colour="#" + "".join(f"{code:02x}" for code in codes),
        ink="#000000" if colour[0] > _TURN else "#ffffff",
        says=f"{colour[0]:.0f}{beyond}",
    )


def chips_note(viewing: str) -> str:
    """What a table of chips must say of itself."""
    return (
        f"Measured colours, shown as this screen or printer shows them; it is no measuring device. "
        f"Light and observer {viewing}. The number on a chip is its lightness L*."
    )


def grid(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[Any]], *, long: Sequence[int] = ()
) -> Grid:
    """A table of plain values; numbers right, the columns of `long` wide."""
    cells = tuple(
        tuple(_cell(value, is_long=index in long) for index, value in enumerate(row))
        for row in rows
    )
    return Grid(caption=caption, head=tuple(head), rows=cells)


def _cell(value: Any, *, is_long: bool) -> Cell:
    if value is None:
        return Cell(text="–")
    if isinstance(value, bool | np.bool_):
        return Cell(text="yes" if value else "no")
    if isinstance(value, int | np.integer):
        return Cell(text=str(value).replace("-", "−"), kind="n")
    if isinstance(value, float | np.floating):
        return Cell(text=number(float(value), 2), kind="n")
    if "\n" in str(value):
        return Cell(text=str(value), kind="two")
    return Cell(text=str(value), kind="long" if is_long else "")


def table_of(caption: str, rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> Grid:
    """A table of the rows of a CSV table.

    Parameters
    ----------
    caption : str
        What the table holds.
    rows : sequence of mapping
        By column name.
    columns : mapping
        Column names to show, in order, and what the head calls each.
    """
    return grid(
        caption, list(columns.values()), [[row.get(name) for name in columns] for row in rows]
    )
