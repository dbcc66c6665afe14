"""A number with its noun, and a share, in words for people."""


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """Return a number with its noun, in the plural where it belongs.

    Examples
    --------
    >>> counted(1, "fault"), counted(1204, "message"), counted(0, "entry", "entries")
    ('1 fault', '1,204 messages', '0 entries')
    """
    return f"{number:,} {noun if number == 1 else plural or f'{noun}s'}"


def percent(part: float, places: int = 0) -> str:
    """Return a share in hundredths; no line breaks before the sign.

    Examples
    --------
    >>> percent(0.06), percent(0.909, 1)
    ('6\\xa0%', '90.9\\xa0%')
    """
    return f"{100 * part:.{places}f}\u00a0%"
