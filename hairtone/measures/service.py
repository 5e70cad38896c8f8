"""What a service record has to show beside the results: no advice, only what is recorded."""

from __future__ import annotations

import datetime as dt
from typing import Final

from hairtone.errors import Flag

HOURS: Final = 48  # between allergy alert test and service; common practice
Moment = dt.datetime | dt.date


def service_banners(
    *,
    skin_test: Moment | None,
    skin_test_clear: bool | None,
    service: Moment | None,
    age_16_or_over: bool | None,
) -> tuple[Flag, ...]:
    """Banners for one client's service record.

    Where only a day is recorded, the test counts as done at its end and the service as begun at
    its start: 48 hours have passed for sure only with 3 days between the dates.

    Parameters
    ----------
    skin_test : datetime, date or None
        When the allergy alert test was done.
    skin_test_clear : bool or None
        Whether it was read as clear.
    service : datetime, date or None
        When the service began.
    age_16_or_over : bool or None
        As recorded.
    """
    found = []
    if skin_test is None:
        found.append(_banner("skin-test-missing", "No allergy alert test is recorded."))
    elif service is None:
        found.append(_banner("service-date-missing", "The day of the service is not recorded."))
    else:
        hours = hours_between(skin_test, service)
        if hours < HOURS:
            found.append(
                _banner(
                    "skin-test-under-48-hours",
                    f"Allergy alert test {_shown(skin_test)}, service {_shown(service)}: "
                    f"{_how_long(hours, skin_test, service)}, {HOURS} hours are asked for.",
                )
            )
    if skin_test is not None and skin_test_clear is not True:
        said = "not clear" if skin_test_clear is False else "not recorded"
        found.append(_banner("skin-test-not-clear", f"Result of the allergy alert test: {said}."))
    if age_16_or_over is not True:
        said = "under 16" if age_16_or_over is False else "not recorded"
        found.append(_banner("age", f"Client's age: {said}."))
    return tuple(found)


def hours_between(skin_test: Moment, service: Moment) -> float:
    """Fewest hours that lie between test and service for sure. [h]"""
    end = skin_test if isinstance(skin_test, dt.datetime) else _midnight(skin_test, after=1)
    start = service if isinstance(service, dt.datetime) else _midnight(service, after=0)
    if (end.tzinfo is None) != (start.tzinfo is None):  # one side states no zone: take it as local
        end, start = end.replace(tzinfo=None), start.replace(tzinfo=None)
    return (start - end).total_seconds() / 3600


def _midnight(day: dt.date, *, after: int) -> dt.datetime:
    return dt.datetime.combine(day, dt.time()) + dt.timedelta(days=after)


def _shown(moment: Moment) -> str:
    return moment.isoformat(sep=" ", timespec="minutes") if isinstance(
        moment, dt.datetime) else moment.isoformat()  # fmt: skip


def _how_long(hours: float, skin_test: Moment, service: Moment) -> str:
    known = isinstance(skin_test, dt.datetime) and isinstance(service, dt.datetime)
    if hours < 0 and known:
        return "the test came after the service"
    return f"{hours:.0f} hours" if known else "with no times of day that may be too short"


def _banner(code: str, says: str) -> Flag:
    return Flag(
        code=code,
        says=says,
        remedy="The maker's instructions and local rules decide; this record only shows it.",
    )
