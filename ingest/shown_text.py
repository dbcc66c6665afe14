"""What is printed for people: names and messages of others can move no cursor and hide no text.

Every verb prints through `echo`. Of a name that holds a line break, an escape sequence or a mark that turns
the direction of writing, the sign's number is printed in place of the sign.
"""

import re

import click

# Control characters (C0, C1, DEL), marks of direction, separators of lines, and halves of characters.
_HIDDEN = "\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff"
_IN_TEXT = re.compile(f"[{_HIDDEN}]")
_IN_A_NAME = re.compile(f"[{_HIDDEN}\t\n]")


def shown(name: object) -> str:
    """Return a name on one line, with signs escaped that cannot be seen.

    Examples
    --------
    >>> print(shown("a\\x1b[2Jb\\n"))
    a\\x1b[2Jb\\n
    """
    return _IN_A_NAME.sub(_escaped, str(name))


def echo(text: object = "", *, err: bool = False, nl: bool = True) -> None:
    """Print text; line breaks and tabs stay."""
    click.echo(_IN_TEXT.sub(_escaped, str(text)), err=err, nl=nl)


def _escaped(found: re.Match[str]) -> str:
    number = ord(found[0])
    if number < 0x7F:
        return found[0].encode("unicode_escape").decode("ascii")
    return f"\\u{number:04x}"  # as in JSON, which is printed by this way too
