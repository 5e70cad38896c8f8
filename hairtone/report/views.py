"""One hair of a study: its rows, its share of the tables, its profiles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hairtone.errors import StoreError
from hairtone.report.source import DrawnProfile, drawn_profile, hair_words, wash_words
from hairtone.report.tables import Tables

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult, StudyResult


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairView:
    """One hair of a study: its rows that were not refused, and its share of the tables."""

    outcome: StudyResult
    rows: tuple[RowResult, ...]
    tables: Tables

    @property
    def measured(self) -> tuple[RowResult, ...]:
        """Rows with a colour, before first."""
        return tuple(row for row in self.rows if row.error is None)

    @property
    def has_before(self) -> bool:
        """Whether a photo before colouring was measured."""
        return any(row.row.wash is None for row in self.measured)

    @property
    def name(self) -> str:
        """Subject, and section where there is one."""
        return hair_words(*self.rows[0].row.hair)

    def of(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table that are about this hair."""
        return self.tables.of_hair(table, *self.rows[0].row.hair)

    def of_photos(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table that names photos, those of this hair."""
        mine = {(row.row.photo, row.row.place) for row in self.rows}
        return [row for row in self.tables.rows(table) if (row["photo"], row["place"]) in mine]


def first_of_each_wash(view: HairView) -> list[RowResult]:
    """One row for each wash, the first repeat."""
    by_wash: dict[str, RowResult] = {}
    for row in view.measured:
        by_wash.setdefault(row.row.wash_text, row)
    return list(by_wash.values())


def drawn_profiles(view: HairView) -> list[tuple[RowResult, DrawnProfile]]:
    """Before, just coloured and the last wash; those whose draws can still be read."""
    rows = first_of_each_wash(view)
    wanted = [r for r in rows if r.row.wash in (None, 0)]
    wanted += [rows[-1]] if rows and rows[-1] not in wanted else []
    found = []
    for row in wanted:
        try:
            profile = view.outcome.profile(row)
        except StoreError:
            continue
        found.append((row, drawn_profile(profile, label=wash_words(row.row.wash_text))))
    return found
