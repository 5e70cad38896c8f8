"""What cannot be told, and why: once for all zones and hairs that share the reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

MOST_HAIRS: Final = 6  # named with one reason; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A question that could not be answered.

    Attributes
    ----------
    says : str
        What cannot be told and why, no stop at the end; zones and hairs with the same reason share
        it word by word.
    detail : str
        Figures of this zone alone; may be empty.
    zone : str
        ``"roots"``, ``"mid_lengths"``, ``"ends"``, or empty for the whole hair.
    hair : str
        Which hair; empty where it is about the study.
    """

    says: str
    detail: str = ""
    zone: str = ""
    hair: str = ""

    def __str__(self) -> str:
        return merged([self])[0]

    def of(self, hair: str) -> Missing:
        """The same, of a named hair."""
        return replace(self, hair=hair)


def merged(found: Iterable[Missing]) -> tuple[str, ...]:
    """Sentences: each reason once, with the hairs and zones it holds for.

    Parameters
    ----------
    found : iterable of Missing
        In the order they are to be told.
    """
    by_reason: dict[tuple[str, str], list[Missing]] = {}
    for one in dict.fromkeys(found):
        by_reason.setdefault((one.hair, one.says), []).append(one)
    hairs: dict[tuple[str, str], list[str]] = {}
    for (hair, says), group in by_reason.items():
        hairs.setdefault((_zones(group), says + _details(group)), []).append(hair)
    return tuple(
        f"{_head(names)}{zones}{says.rstrip('.')}." for (zones, says), names in hairs.items()
    )


def _zones(group: Sequence[Missing]) -> str:
    zones = [one.zone.replace("_", "-") for one in group if one.zone]
    return f"{_listed(zones)}: " if zones and not any(one.detail for one in group) else ""


def _details(group: Sequence[Missing]) -> str:
    told = [f"{one.zone.replace('_', '-')} {one.detail}".strip() for one in group if one.detail]
    return f" ({'; '.join(told)})" if told else ""


def _head(hairs: Sequence[str]) -> str:
    names = [hair for hair in hairs if hair]
    more = len(names) - MOST_HAIRS
    if more > 0:
        return f"{', '.join(names[:MOST_HAIRS])} and {more} more: "
    return f"{_listed(names)}: " if names else ""


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))
