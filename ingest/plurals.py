"""A number with its noun, names and a share, in words for people."""

from collections.abc import Sequence


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """Return a number with its noun, in the plural where it belongs.

    Examples
    --------
    >>> counted(1, "fault"), counted(1204, "message"), counted(0, "entry", "entries")
    ('1 fault', '1,204 messages', '0 entries')
    """
    return f"{number:,} {noun if number == 1 else plural or f'{noun}s'}"


def listed(names: Sequence[str], last: str = "and") -> str:
    """Return names as a sentence lists them.

    Examples
    --------
    >>> listed(["Alder", "Birch", "Cedar"]), listed(["Alder"])
    ('Alder, Birch and Cedar', 'Alder')
    """
    return f" {last} ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


def percent(part: float, places: int = 0) -> str:
    """Return a share in hundredths; no line breaks before the sign.

    Examples
    --------
    >>> percent(0.06), percent(0.909, 1)
    ('6\\xa0%', '90.9\\xa0%')
    """
    return f"{100 * part:.{places}f}\u00a0%"
