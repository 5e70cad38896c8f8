"""Rows of the table of agreement: photos against an instrument's readings of the same hair."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.measures.agreement import measure_agreement
from hairtone.measures.missing import Missing
from hairtone.measures.zones import ZONES
from hairtone.study.hair_tables import Row
from hairtone.study.observations import Hair
from hairtone.study.readings import Reading

EVERY_ZONE = "all"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """One zone of one hair at one wash, by photo and by instrument; L*a*b*, shape (3,)."""

    zone: str
    photo: Floats
    instrument: Floats


def reading_pairs(hair: Hair, readings: Sequence[Reading]) -> Iterator[Pair]:
    """Zones of a hair that an instrument has read as well, repeats of both averaged.

    Parameters
    ----------
    hair : Hair
        The hair over its washes.
    readings : sequence of Reading
        Of the study.
    """
    own = [r for r in readings if (r.subject, r.section) == (hair.subject, hair.section)]
    for wash, state in hair.states.items():
        for zone in ZONES:
            read = [r.lab for r in own if (r.wash, r.zone) == (wash, zone)]
            if read:
                yield Pair(
                    zone=zone,
                    photo=state.pooled[zone].lab,
                    instrument=np.mean(np.asarray(read, np.float64), axis=0),
                )


def agreement_rows(
    pairs: Sequence[Pair], readings: Sequence[Reading], missing: list[Missing]
) -> Iterator[Row]:
    """One row per zone and axis, and for all zones together.

    Parameters
    ----------
    pairs : sequence of Pair
        Of all hairs.
    readings : sequence of Reading
        Of the study; none: no rows and nothing missing.
    missing : list of Missing
        Where too few pairs are told.
    """
    if not readings:
        return
    for zone in (*ZONES, EVERY_ZONE):
        chosen = [pair for pair in pairs if zone in (pair.zone, EVERY_ZONE)]
        photo = np.array([pair.photo for pair in chosen]).reshape(-1, 3)
        instrument = np.array([pair.instrument for pair in chosen]).reshape(-1, 3)
        try:
            found = measure_agreement(photo, instrument)
        except MeasureError as error:
            missing.append(Missing(says=str(error), zone=zone))
            continue
        for told in found.to_frame().to_dict("records"):
            yield {"zone": zone} | {str(name): value for name, value in told.items()}
