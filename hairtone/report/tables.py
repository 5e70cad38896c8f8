"""The tables of an analysis as plain rows, looked up by hair."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from hairtone.report.figure_fade import plain_rows


class Tables:
    """Rows of every CSV table; a missing table is an empty one.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        By name without ``.csv``.
    bands : sequence of (float, str), optional
        Upper limits of the word bands of evenness, ascending, and their words. [ΔE00]
    """

    def __init__(
        self, frames: Mapping[str, Any], *, bands: Sequence[tuple[float, str]] = ()
    ) -> None:
        self._frames = frames
        self._rows: dict[str, list[dict[str, Any]]] = {}
        self._by_hair: dict[str, dict[tuple[str, str], list[dict[str, Any]]]] = {}
        self.bands = tuple(bands)

    def rows(self, name: str) -> list[dict[str, Any]]:
        """All rows of a table, None where a cell is empty."""
        if name not in self._rows:
            frame = self._frames.get(name)
            self._rows[name] = [] if frame is None else plain_rows(frame)
        return self._rows[name]

    def of_hair(self, name: str, subject: str, section: str) -> list[dict[str, Any]]:
        """Rows of a table about one subject and section."""
        if name not in self._by_hair:
            grouped: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
            for row in self.rows(name):
                grouped[str(row["subject"]), str(row.get("section") or "")].append(row)
            self._by_hair[name] = dict(grouped)
        return self._by_hair[name].get((subject, section), [])
