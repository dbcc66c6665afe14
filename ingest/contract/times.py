"""RFC 3339 times: read strictly, never moved.

RFC 3339, "Date and Time on the Internet: Timestamps" (2002), section 5.6 (grammar) and 5.7 (restrictions).
"""

import re
from datetime import UTC, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)

# RFC 3339, 5.6: "T" and "Z" may be lower case, and a space may replace the "T". The contract allows at most
# microseconds and, unlike the RFC, no second 60 (see `parse_time`). Without look-ahead, for every validator.
_SINCE_YEAR = (
    r"-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])[Tt ]"
    r"([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,6})?([Zz]|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$"
)
_ANY_YEAR_PATTERN = r"^([0-9]{3}[1-9]|[0-9]{2}[1-9][0-9]|[0-9][1-9][0-9]{2}|[1-9][0-9]{3})" + _SINCE_YEAR
FIRST_YEAR, LAST_YEAR = 1969, 2199
"""As written, in a message: a clock that began at 1970 and runs slow shows 1969. Other years come from clocks
that are unset or broken, and one such moment would stretch an incident over centuries. Our own rule."""
TIME_PATTERN = r"^(1969|19[7-9][0-9]|2[01][0-9]{2})" + _SINCE_YEAR
STANDS_MESSAGES, STANDS_S, SLOWEST = 20, 30.0, 0.02
"""So many messages, received over so long, while a clock ran at most this part of that: it is no clock.
Such are seconds read as milliseconds, and minutes read as seconds. Our own rule."""
# Half the time of the above: the ranges of what is looser here are checked by `datetime.fromisoformat`.
matches_time = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:[Zz]|[+-][0-2]\d:[0-5]\d)", re.ASCII
).fullmatch
_FIELDS = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(?P<second>:\d\d)?(?P<fraction>[.,]\d*)?"
    r"(?P<offset>[Zz]|[+-]\d\d:?\d{0,2})?",
    re.ASCII,
)


def parse_time(text: str) -> datetime:
    """Read an RFC 3339 time as the contract allows it.

    - `text`: such as ``2031-05-04T10:21:07.412003Z``; an offset is required, at most microseconds.

    The time is aware, with the offset as written.

    Raises `ValueError` with a sentence that says what is wrong. A leap second (``:60``) is refused rather
    than moved: neither Python nor Parquet can hold it, and one second to either side would be another moment.

    Examples
    --------
    >>> parse_time("1996-12-19T16:39:57-08:00").astimezone(UTC).isoformat()
    '1996-12-20T00:39:57+00:00'
    """
    if re.search(_ANY_YEAR_PATTERN, text) and matches_time(text):
        try:
            moment = datetime.fromisoformat(text.upper())
            moment.astimezone(UTC)
        except ValueError:
            raise ValueError("there is no such day in the calendar") from None
        except OverflowError:
            raise ValueError("in UTC it is outside the years 0001 to 9999") from None
        return moment
    raise ValueError(_what_is_wrong(text))


def check_time(text: str) -> None:
    """Raise `ValueError` with what is wrong, unless `parse_time` reads it and it is of 1969 to 2199."""
    parse_time(text)
    if not in_years(text):
        raise ValueError(f"the years {FIRST_YEAR} to {LAST_YEAR} are expected; is the clock unset?")


def in_years(text: str) -> bool:
    """Return whether a time's year, as written, is one of a message."""
    return "1969" <= text[:4] <= "2199"


def _what_is_wrong(text: str) -> str:
    parts = _FIELDS.fullmatch(text)
    if parts is None:
        return "it is not like 2031-05-04T10:21:07.412003Z"
    if parts["offset"] is None:
        return "the UTC offset is missing; end it with Z or an offset such as +02:00"
    if parts["second"] is None:
        return "the seconds are missing"
    if parts["second"] == ":60":
        return "a leap second cannot be stored without moving it, and a time is never moved"
    if parts["fraction"] is not None and len(parts["fraction"]) > 7:
        return "at most microseconds (6 digits) are kept"
    if parts["offset"][1:] and ":" not in parts["offset"]:
        return "the offset needs its colon, such as +02:00"
    return "a part of it is out of range"


def rfc3339(moment: datetime) -> str:
    """Return a moment as the contract writes it, UTC with microseconds."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def micros(moment: datetime) -> int:
    """Return microseconds since 1970-01-01T00:00:00Z of an aware time."""
    return (moment - EPOCH) // MICROSECOND
