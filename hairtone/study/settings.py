"""The settings of a study: study.toml, read strictly."""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from hairtone.colorimetry import VIEWINGS
from hairtone.errors import SheetError
from hairtone.study.files import clean_name
from hairtone.study.values import Faults, shown

DEFAULT_CHART: Final = "chart24-after-2014-11"
KINDS: Final = ("person", "practice head", "tress")
SCOPES: Final = ("measure", "teach", "assess", "publish")
PAIRING_COLUMNS: Final = ("pair", "subject", "section", "hair_batch", "operator", "day", "learner")
BLOCK_COLUMNS: Final = ("batch", "hair_batch", "operator", "day", "session", "learner")
_FILE: Final = "study.toml"
_MAX_BYTES: Final = 5_000_000  # our choice: 20 000 subjects need about 3 MB


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

    @property
    def names(self) -> tuple[str, ...]:
        """The keys that nobody took yet."""
        return tuple(self._left)

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """What was put on the hair, as study.toml states it; `development_min` and `section_mm`."""

    product: str = ""
    shade: str = ""
    batch: str = ""
    method: str = ""
    leveller: str = ""
    development_min: float | None = None
    section_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownSwatch:
    """A reference tress or swatch of known colour in a photo's frame; `u95` in ΔE00."""

    photo: str
    place: int
    lab: tuple[float, float, float]
    viewing: str
    u95: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """A cut: after which wash, and how much. [mm]"""

    wash: int
    mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What is recorded of a subject, known by its code.

    Attributes
    ----------
    kind : str
        ``"person"``, ``"practice head"``, ``"tress"``, or empty where nothing is recorded.
    consent : tuple of str or None
        Of measure, teach, assess, publish; None where nothing is recorded.
    age_16_or_over, skin_test_clear : bool or None
        None where nothing is recorded.
    skin_test, service : datetime, date or None
        A date without time where only the day is recorded.
    regrowth_mm_per_month : float or None
        [mm]
    trims : tuple of Trim
        Cuts within the series.
    """

    kind: str = ""
    consent: tuple[str, ...] | None = None
    age_16_or_over: bool | None = None
    skin_test: dt.datetime | dt.date | None = None
    skin_test_clear: bool | None = None
    service: dt.datetime | dt.date | None = None
    regrowth_mm_per_month: float | None = None
    trims: tuple[Trim, ...] = ()

    def allows(self, scope: str) -> bool:
        """Whether consent for `scope` is on record."""
        return self.consent is not None and scope in self.consent


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """A study's settings; the fields are the keys of study.toml.

    Attributes
    ----------
    folder : Path
        The study folder; never written to an output.
    chart : str
        A chart reference known by name, or a file inside the study.
    is_chart_assumed : bool
        The edition is not written down; results carry a note.
    chart_mm : tuple of float or None
        Outside of the patch field, width and height. [mm]
    margin : float
        ΔE00 taken as "as even as".
    primary : str
        The one endpoint that is tested as it is, such as "root_to_ends at wash 0"; or empty.
    margins : dict of str to float
        What counts as equal, by measure and in its unit; `margin` for any other in ΔE00.
    zones : tuple of float
        Where roots and mid-lengths end, 0..1.
    readings_file, plain_card : str
        Names from the study folder down, or empty.
    board, lamp : str
        What the hair lies on and what lights it, in words; the desk offers them again.
    keep_until : date or None
        After this day the study is said to be due for purging.
    """

    folder: Path
    title: str
    viewing: str = "D65/10"
    chart: str = DEFAULT_CHART
    is_chart_assumed: bool = True
    chart_mm: tuple[float, float] | None = None
    margin: float = 1.0
    zones: tuple[float, float] = (1 / 3, 2 / 3)
    cautions_read: bool = False
    order: tuple[str, ...] = ()
    pairing: str = ""
    blocks: tuple[str, ...] = ()
    show_photos: bool | None = None
    keep_until: dt.date | None = None
    treatments: dict[str, Treatment] = field(default_factory=dict)
    plain_card: str = ""
    board: str = ""
    lamp: str = ""
    known: tuple[KnownSwatch, ...] = ()
    subjects: dict[str, Subject] = field(default_factory=dict)
    readings_file: str = ""
    primary: str = ""
    margins: dict[str, float] = field(default_factory=dict)

    def may_measure(self, subject: str) -> bool:
        """False only where a subject's consent is on record and leaves `measure` out."""
        entry = self.subjects.get(subject)
        return entry is None or entry.consent is None or "measure" in entry.consent


def read_settings(folder: Path) -> Settings:
    """Settings of a study.

    Raises
    ------
    SheetError
        study.toml is missing or not TOML, or a key or value is none of the contract's; all of
        them at once.
    """
    faults = Faults(_FILE)
    data = _load(folder / _FILE, faults)
    top = Keys(data, faults)
    chart = top.take("chart", text, "")
    settings = Settings(
        folder=folder.resolve(),
        title=top.take("title", text, "", needed=True),
        viewing=top.take("viewing", _viewing, "D65/10"),
        chart=chart or DEFAULT_CHART,
        is_chart_assumed=not chart,
        chart_mm=top.take("chart_mm", length_pair, None),
        margin=top.take("margin", positive, 1.0),
        zones=top.take("zones", zones, (1 / 3, 2 / 3)),
        cautions_read=top.take("cautions_read", boolean, False),
        order=top.take("order", texts, ()),
        pairing=top.take("pairing", _one_of(PAIRING_COLUMNS), ""),
        blocks=top.take("blocks", _some_of(BLOCK_COLUMNS), ()),
        board=top.take("board", maybe_text, ""),
        show_photos=top.take("show_photos", boolean, None),
        keep_until=top.take("keep_until", date, None),
        treatments={k: _treatment(t) for k, t in top.tables("treatments")},
        subjects={k: _subject(t) for k, t in top.tables("subjects")},
    )
    light, readings, ends = top.table("light"), top.table("readings"), top.table("endpoints")
    margins = ends.table("margins")
    settings = replace(
        settings,
        plain_card=light.take("plain_card", _file_name, ""),
        lamp=light.take("lamp", maybe_text, ""),
        readings_file=readings.take("file", _file_name, ""),
        primary=ends.take("primary", text, ""),
        margins={name: margins.take(name, positive, 1.0) for name in margins.names},
        known=tuple(_known(t, settings.viewing) for t in top.list_of_tables("known")),
    )
    for keys in (light, readings, ends, top):
        keys.refuse_rest()
    _check_order(settings, faults)
    faults.raise_if_any()
    return settings


def _load(path: Path, faults: Faults) -> dict[str, Any]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise faults.stop(
            "no-settings",
            "There is no study.toml in the study folder.",
            'Write one with the line title = "…"; everything else is optional.',
        ) from None
    except OSError as error:
        raise faults.stop(
            "settings-not-readable",
            f"It cannot be opened ({error.strerror}).",
            "Check the file and its permissions.",
        ) from error
    if len(data) > _MAX_BYTES:
        raise faults.stop("settings-too-large", "It is larger than 5 MB.", "Shorten it.")
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise faults.stop(
            "settings-encoding", "The encoding is not UTF-8.", "Save it as UTF-8.",
            place=f"line {line}",
        ) from error  # fmt: skip
    except tomllib.TOMLDecodeError as error:
        raise faults.stop(*_toml_fault(str(error)), place=_toml_place(str(error), data)) from error


def _toml_place(message: str, data: bytes) -> str:
    found = re.search(r"at line (\d+)", message)
    return f"line {found[1] if found else data.count(bytes([10])) + 1}"


def _toml_fault(message: str) -> tuple[str, str, str]:
    if "overwrite" in message or "twice" in message:
        return "key-twice", "A key or table is there twice.", "Remove one."
    if "hex value" in message or "escape" in message.lower():
        return (
            "settings-backslash",
            f"A backslash in double quotes means something else in this file ({message}).",
            "Write paths with / or in single quotes, and only from the study folder down.",
        )
    return (
        "settings-not-toml",
        f"The line is not as TOML asks ({message}).",
        'Write key = "text", key = 1.5, key = true or key = ["a", "b"].',
    )


def _viewing(value: Any) -> str:
    name = text(value)
    if name not in VIEWINGS:
        raise ValueError(f"one of {', '.join(VIEWINGS)}")
    return name


def _file_name(value: Any) -> str:
    try:
        return clean_name(text(value))
    except SheetError as error:
        raise ValueError(f"a file inside the study folder ({error.says})") from error


def _one_of(words: tuple[str, ...]) -> Any:
    def read(value: Any) -> str:
        if text(value) not in words:
            raise ValueError(f"one of {', '.join(words)}")
        return str(value)

    return read


def _some_of(words: tuple[str, ...]) -> Any:
    def read(value: Any) -> tuple[str, ...]:
        found = texts(value)
        if not set(found) <= set(words):
            raise ValueError(f"a list of {', '.join(words)}")
        return found

    return read


def _treatment(keys: Keys) -> Treatment:
    entry = Treatment(
        **{
            name: keys.take(name, maybe_text, "")
            for name in ("product", "shade", "batch", "method", "leveller")
        },
        development_min=keys.take("development_min", positive, None),
        section_mm=keys.take("section_mm", positive, None),
    )
    keys.refuse_rest()
    return entry


def _subject(keys: Keys) -> Subject:
    entry = Subject(
        kind=keys.take("kind", _one_of(KINDS), ""),
        consent=keys.take("consent", _some_of(SCOPES), None),
        age_16_or_over=keys.take("age_16_or_over", boolean, None),
        skin_test=keys.take("skin_test", moment, None),
        skin_test_clear=keys.take("skin_test_clear", boolean, None),
        service=keys.take("service", moment, None),
        regrowth_mm_per_month=keys.take("regrowth_mm_per_month", positive, None),
        trims=tuple(_trim(k) for k in keys.list_of_tables("trims")),
    )
    keys.refuse_rest()
    return entry


def _trim(keys: Keys) -> Trim:
    trim = Trim(
        wash=keys.take("wash", _count, 0, needed=True),
        mm=keys.take("mm", positive, 1.0, needed=True),
    )
    keys.refuse_rest()
    return trim


def _count(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError("a whole number from 0 up")
    return value


def _known(keys: Keys, viewing: str) -> KnownSwatch:
    swatch = KnownSwatch(
        photo=keys.take("photo", _file_name, "", needed=True),
        place=max(1, keys.take("place", _count, 1)),
        lab=keys.take("lab", lab, (0.0, 0.0, 0.0), needed=True),
        viewing=keys.take("viewing", _viewing, viewing),
        u95=keys.take("u95", positive, 0.5),
    )
    if swatch.viewing != viewing:
        keys.fault(
            "viewing",
            f"{swatch.viewing} is not the study's viewing ({viewing}); L*a*b* alone cannot be "
            f"converted.",
            f"Give the swatch's L*a*b* for {viewing}.",
        )
    keys.refuse_rest()
    return swatch


def _check_order(settings: Settings, faults: Faults) -> None:
    unknown = [name for name in settings.order if name not in settings.treatments]
    if unknown and settings.treatments:
        faults.add(
            "order-unknown",
            f"{', '.join(unknown)} in order is not a treatment of this file.",
            f"Write {', '.join(settings.treatments)}.",
            column="order",
        )
