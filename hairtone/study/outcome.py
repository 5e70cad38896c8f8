"""What became of a study: every row of its sheet measured, flagged or refused."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from hairtone import __version__
from hairtone.colorimetry import Viewing, viewing_named
from hairtone.errors import HairtoneError
from hairtone.hair.types import Profile
from hairtone.result import (
    SCHEMA,
    error_dict,
    flag_dict,
    joint_error,
)
from hairtone.study.pools import Pool
from hairtone.study.records import RowResult, unpack_profile
from hairtone.study.sheet import Study
from hairtone.study.store import read_draws


@dataclass(frozen=True, kw_only=True, eq=False)
class StudyResult:
    """A study after measuring.

    Attributes
    ----------
    study : Study
        What was asked for.
    rows : tuple of RowResult
        One per row of the sheet, in its order.
    notes : tuple of str
        What a person should know about the run and the store.
    pools : tuple of Pool
        Photos of one camera, whose calibration errors are in part one.
    """

    study: Study
    rows: tuple[RowResult, ...]
    notes: tuple[str, ...] = ()
    pools: tuple[Pool, ...] = ()

    @cached_property
    def pool_of(self) -> dict[str, Pool]:
        """The pool of each photo that is in one, by SHA-256."""
        return {photo: pool for pool in self.pools for photo in pool.photos}

    @property
    def viewing(self) -> Viewing:
        """Illuminant and observer of every L*a*b*."""
        return viewing_named(self.study.settings.viewing)

    @property
    def counts(self) -> dict[str, int]:
        """Rows measured, flagged and refused; they add up to the rows of the sheet."""
        counts = {"measured": 0, "flagged": 0, "refused": 0}
        for row in self.rows:
            counts[row.status] += 1
        return counts

    def refusals(self) -> Iterator[tuple[HairtoneError, str]]:
        """Each error with the photo it is about; one that all rows of a photo share, once."""
        seen = set()
        for row in self.rows:
            if row.error is not None:
                key = (row.row.photo, row.error.code, row.error.says)
                if key not in seen:
                    seen.add(key)
                    yield row.error, row.row.photo

    def profile(self, row: RowResult) -> Profile:
        """The profile of a row that was not refused, read from the store.

        Raises
        ------
        StoreError
            The stored draws are missing or damaged.
        """
        arrays = read_draws(self.study.folder / "results", row.draws)
        return unpack_profile(arrays, row.row.place, viewing=self.viewing.name)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, keys as the contract fixes them; ``row`` holds the sheet's fields."""
        photos: dict[str, list[RowResult]] = {}
        for row in self.rows:
            photos.setdefault(row.row.photo, []).append(row)
        return {
            "hairtone": __version__,
            "schema": SCHEMA,
            "viewing": self.viewing.name,
            "counts": self.counts,
            "notes": list(self.notes),
            "pools": [pool.to_dict() for pool in self.pools],
            "photos": [_photo_dict(photo, rows) for photo, rows in photos.items()],
        }

    def to_json(self) -> str:
        """`to_dict` as text."""
        return json.dumps(self.to_dict(), ensure_ascii=False, indent=1, allow_nan=False)

    def _repr_html_(self) -> str:
        from html import escape

        counts = ", ".join(f"{number} {word}" for word, number in self.counts.items())
        said = "".join(
            f"<li>{escape(photo)}: {escape(str(error.says))} {escape(error.remedy)}</li>"
            for error, photo in self.refusals()
        )
        return f"<p>{len(self.rows)} rows: {counts}</p><ul>{said}</ul>"


def _photo_dict(photo: str, rows: list[RowResult]) -> dict[str, Any]:
    statuses = [row.status for row in rows]
    status = "refused" if set(statuses) == {"refused"} else "measured"
    if status == "measured" and set(statuses) != {"measured"}:
        status = "flagged"
    stored = next((row.photo for row in rows if row.photo), {})
    own = [flag for flag in rows[0].flags if all(flag in row.flags for row in rows)]
    errors = [(str(row.row.place), row.error) for row in rows if row.error is not None]
    error = joint_error(errors) if status == "refused" else None
    return {
        "photo": photo,
        "sha256": rows[0].sha256,
        "status": status,
        "flags": [flag_dict(flag) for flag in own],
        "error": error_dict(error),
        "chart": None if status == "refused" else stored.get("chart"),
        "tresses": [] if status == "refused" else [_tress_dict(row) for row in rows],
    }


def _tress_dict(row: RowResult) -> dict[str, Any]:
    empty = {
        "name": str(row.row.place), "place": row.row.place, "line": None, "zones": {},
        "tenths": [], "tenths_u95": [], "evenness": None,
    }  # fmt: skip
    return {
        **(row.hair.get("tress") or empty),
        "status": row.status,
        "flags": [flag_dict(flag) for flag in row.flags],
        "error": error_dict(row.error),
        "row": row.row.to_dict(),
    }
