"""Keys of a TOML table, taken one by one; what is left over or wrong becomes a fault."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from typing import Any

from hairtone.study.faults import Faults, shown


class Keys:
    """A table of a TOML file in the reading.

    Parameters
    ----------
    data : dict
        The table.
    faults : Faults
        Where wrong keys and values are noted.
    path : str
        Dotted name of the table, for messages.
    """

    def __init__(self, data: dict[str, Any], faults: Faults, path: str = "") -> None:
        self._left = dict(data)
        self._known: list[str] = []
        self._faults = faults
        self._path = path

    def take(
        self, name: str, read: Callable[[Any], Any], default: Any, *, needed: bool = False
    ) -> Any:
        """The value of a key through `read`, which raises ValueError saying what it wants."""
        self._known.append(name)
        if name not in self._left:
            if needed:
                self.fault(name, "The key is missing.", f"Add {name} = … .")
            return default
        value = self._left.pop(name)
        try:
            return read(value)
        except ValueError as error:
            self.fault(name, f"{shown(str(value))} is not {error}.", f"Write {error}.")
            return default

    def table(self, name: str) -> Keys:
        """The table under a key; an empty one where it is absent."""
        self._known.append(name)
        value = self._left.pop(name, {})
        if not isinstance(value, dict):
            self.fault(name, f"{shown(str(value))} is not a table.", f"Write [{self._of(name)}].")
            value = {}
        return Keys(value, self._faults, self._of(name))

    def tables(self, name: str) -> Iterator[tuple[str, Keys]]:
        """Named tables under a key, such as ``[treatments.plain]``."""
        inner = self.table(name)
        for key in list(inner._left):
            yield key, inner.table(key)

    def list_of_tables(self, name: str) -> Iterator[Keys]:
        """Tables of a list under a key, such as ``[[known]]``."""
        self._known.append(name)
        value = self._left.pop(name, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.fault(name, "It is not a list of tables.", f"Write [[{self._of(name)}]].")
            value = []
        for number, item in enumerate(value, start=1):
            yield Keys(item, self._faults, f"{self._of(name)} {number}")

    def refuse_rest(self) -> None:
        """Note every key that nobody took."""
        for name in self._left:
            near = get_close_matches(name, self._known, n=1)
            remedy = f"Did you mean {near[0]}?" if near else f"Known: {', '.join(self._known)}."
            self.fault(name, "This key is not known.", remedy)

    def fault(self, name: str, says: str, remedy: str) -> None:
        """Note a fault of a key of this table."""
        self._faults.add("settings-value", says, remedy, column=self._of(name))

    def _of(self, name: str) -> str:
        return f"{self._path}.{name}" if self._path else name


def text(value: Any) -> str:
    """Text on one line, without blanks around it."""
    if not isinstance(value, str) or any(ord(c) < 32 for c in value) or not value.strip():
        raise ValueError("a text in quotes" if value != "" else "a text that is not empty")
    return value.strip()


def maybe_text(value: Any) -> str:
    """Text on one line, which may be empty."""
    return "" if value == "" else text(value)


def texts(value: Any) -> tuple[str, ...]:
    """A list of texts, none twice."""
    if not isinstance(value, list):
        raise ValueError("a list of texts in quotes")
    found = tuple(text(item) for item in value)
    if len(set(found)) < len(found):
        raise ValueError("a list in which nothing is there twice")
    return found


def boolean(value: Any) -> bool:
    """``true`` or ``false``."""
    if not isinstance(value, bool):
        raise ValueError("true or false (without quotes)")
    return value


def finite(value: Any) -> float:
    """A finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("a number (with a decimal point, without quotes)")
    return float(value)


def positive(value: Any) -> float:
    """A number above 0."""
    if finite(value) <= 0:
        raise ValueError("a number above 0")
    return float(value)


def length_pair(value: Any) -> tuple[float, float]:
    """Width and height above 0."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two lengths, such as [250, 165]")
    return positive(value[0]), positive(value[1])


def zones(value: Any) -> tuple[float, float]:
    """Two shares of the length, rising, between 0 and 1."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two shares of the length, such as [0.333, 0.667]")
    first, second = finite(value[0]), finite(value[1])
    if not 0 < first < second < 1:
        raise ValueError("two shares of the length that rise, between 0 and 1")
    return first, second


def lab(value: Any) -> tuple[float, float, float]:
    """L*, a*, b*."""
    if not isinstance(value, list) or len(value) != 3:
        raise ValueError("three numbers L*, a*, b*, such as [41.2, 18.0, 12.3]")
    lightness, a, b = (finite(item) for item in value)
    if not (0 <= lightness <= 100 and abs(a) <= 130 and abs(b) <= 130):
        raise ValueError("L* from 0 to 100 and a*, b* from -130 to 130")
    return lightness, a, b


def date(value: Any) -> dt.date:
    """A date without time."""
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise ValueError("a date such as 2026-03-04 (without quotes)")
    return value


def moment(value: Any) -> dt.datetime | dt.date:
    """A date, or a date and time."""
    if not isinstance(value, dt.date):
        raise ValueError("a date or a date and time such as 2026-03-02T18:00:00 (without quotes)")
    return value
