"""Rows of the table of comparisons: treatments against each other, the tress as unit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from hairtone.errors import MeasureError
from hairtone.measures.comparison import compare_treatments
from hairtone.measures.evenness import measure_evenness
from hairtone.measures.leveller import leveller_effect
from hairtone.measures.missing import Missing
from hairtone.measures.mixed import Reading
from hairtone.study.hair_tables import Row
from hairtone.study.observations import Hair
from hairtone.study.outcome import RowResult
from hairtone.study.settings import Settings
from hairtone.uncertainty import ColourDifference

EVENNESS: tuple[str, ...] = ("root_to_ends", "root_to_ends_net", "mean_difference", "patchiness")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One hair as a unit of comparison.

    Attributes
    ----------
    tress, treatment : str
        Which hair, and what was put on it.
    pair, block : str
        What it is paired by and grouped in; empty without.
    unevenness : ColourDifference or None
        Root to ends just coloured, net of the natural gradient where that is known.
    """

    tress: str
    treatment: str
    pair: str
    block: str
    unevenness: ColourDifference | None


def unit_of(hair: Hair, settings: Settings) -> Unit:
    """A hair as a unit of comparison, by the study's pairing and blocks."""
    state = hair.coloured or next(iter(hair.states.values()))
    row = state.rows[0]
    unevenness = None
    if hair.coloured is not None:
        found = measure_evenness(
            hair.coloured.profile,
            zones=settings.zones,
            natural=hair.before.profile if hair.before else None,
        )
        unevenness = found.root_to_ends_net or found.root_to_ends
    return Unit(
        tress="\x1f".join((hair.subject, hair.section)),
        treatment=hair.treatment,
        pair=str(getattr(row.row, settings.pairing)) if settings.pairing else "",
        block="\x1f".join(_block(row, name, settings) for name in settings.blocks).strip("\x1f"),
        unevenness=unevenness,
    )


def _block(row: RowResult, name: str, settings: Settings) -> str:
    """A row's value of a block; ``batch`` is the product's lot, of the treatment."""
    if name == "batch":
        treatment = settings.treatments.get(row.treatment)
        return treatment.batch if treatment else ""
    return str(getattr(row.row, name))


def readings_of(units: dict[str, Unit], tables: dict[str, list[Row]]) -> dict[str, list[Reading]]:
    """Readings by measure: evenness per photo, uptake and colour left per zone.

    Parameters
    ----------
    units : dict of str to Unit
        By tress.
    tables : dict of str to list of rows
        Rows of evenness, uptake and fade.
    """
    found: dict[str, list[Reading]] = {}

    def add(measure: str, row: Row, value: float | None, zone: str, wash: str) -> None:
        unit = units["\x1f".join((row["subject"], row["section"]))]
        if value is None or not unit.treatment:
            return
        reading = Reading(
            value=float(value), treatment=unit.treatment, tress=unit.tress, zone=zone, wash=wash,
            pair=unit.pair, block=unit.block, photo=str(row.get("photo", "")),
        )  # fmt: skip
        found.setdefault(measure, []).append(reading)

    for row in tables["evenness"]:
        if row["measure"] in EVENNESS and row["wash"] != "before":
            add(row["measure"], row, row["value"], "", row["wash"])
    for row in tables["uptake"]:
        add("uptake", row, row["delta_e"], row["zone"], "0")
    for row in tables["fade"]:
        if row["wash"]:
            add("colour_left", row, row["colour_left"], row["zone"], str(row["wash"]))
    return found


def comparison_rows(
    units: Sequence[Unit], tables: dict[str, list[Row]], settings: Settings, missing: list[Missing]
) -> Iterator[Row]:
    """One row per measure, zone, wash and pair of treatments; none with a single treatment."""
    treatments = {unit.treatment for unit in units if unit.treatment}
    if len(treatments) < 2:
        return
    by_tress = {unit.tress: unit for unit in units}
    order = settings.order or tuple(settings.treatments)
    for measure, told in readings_of(by_tress, tables).items():
        in_delta_e = measure != "colour_left"
        try:
            found = compare_treatments(
                told,
                measure=measure,
                margin=settings.margin if in_delta_e else None,
                order=order,
            )
        except MeasureError as error:
            missing.append(Missing(says=str(error)))
            continue
        for comparison in found:
            yield from comparison.to_frame().to_dict("records")
    yield from leveller_rows(units, settings)


def leveller_rows(units: Sequence[Unit], settings: Settings) -> Iterator[Row]:
    """Unevenness without a leveller less unevenness with it, hair by paired hair, just coloured."""
    for levelled, treatment in settings.treatments.items():
        if not treatment.leveller:
            continue
        for plain, other in settings.treatments.items():
            alike = (other.product, other.shade, other.method)
            if other.leveller or alike != (treatment.product, treatment.shade, treatment.method):
                continue
            pairs = _pairs(units, plain, levelled)
            if not pairs:
                continue
            found = leveller_effect([one for one, _ in pairs], [two for _, two in pairs])
            yield {
                "measure": "leveller_effect",
                "zone": "",
                "wash": "0",
                "treatment_a": plain,
                "treatment_b": levelled,
                "difference": found.effect,
                "low": found.low,
                "high": found.high,
                "verdict": found.words,
                "n_a": found.pairs,
                "n_b": found.pairs,
            }


def _pairs(
    units: Sequence[Unit], plain: str, levelled: str
) -> list[tuple[ColourDifference, ColourDifference]]:
    """Unevenness of both hairs of each pair; the mean hair of a side is never made up."""
    sides: dict[str, dict[str, list[ColourDifference]]] = {}
    for unit in units:
        if unit.pair and unit.unevenness is not None and unit.treatment in (plain, levelled):
            sides.setdefault(unit.pair, {}).setdefault(unit.treatment, []).append(unit.unevenness)
    return [
        (side[plain][0], side[levelled][0])
        for _, side in sorted(sides.items())
        if len(side.get(plain, ())) == len(side.get(levelled, ())) == 1
    ]
