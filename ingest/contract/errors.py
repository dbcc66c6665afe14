"""Every error that underair raises on purpose, as one tree; a command prints the message and exits with 1."""

import errno

_FULL = (errno.ENOSPC, errno.EDQUOT)
_FORBIDDEN = (errno.EACCES, errno.EPERM, errno.EROFS)


class UnderairError(Exception):
    """Base of all errors whose text is written for the person at the keyboard."""


class RefusedMessage(UnderairError):
    """A message that breaks the contract; it is stored in `refused`, never dropped.

    - `path`: JSON path of the field (``$.pressure_bar``), None when the fault is not in a field.
    - `meant`: topic and payload of a message that a mapping could not make, as far as they are known.
    """

    def __init__(self, reason: str, path: str | None = None, meant: tuple[str, bytes] | None = None) -> None:
        super().__init__(reason if path is None else f"{reason} (at {path})")
        self.reason = reason
        self.path = path
        self.meant = meant


class BadCapture(UnderairError):
    """A capture file that cannot be read to its end."""


class BadSettings(UnderairError):
    """A configuration file with an unknown key or a value out of range."""


class BadProfile(UnderairError):
    """A doctrine profile with an unknown key or a value out of range."""


class BrokerProblem(UnderairError):
    """The MQTT broker cannot be reached, or refuses us."""


class ArchiveProblem(UnderairError):
    """The archive folder cannot be read or written."""


def reason_of(error: BaseException) -> str:
    """Return what to call an error: its own sentence if it was made to be read, else its kind as well."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror if error.filename is None else f"{error.strerror}: {error.filename}"
    return str(error) if isinstance(error, ArchiveProblem) else f"{type(error).__name__}: {error}"


def system_sentence(error: OSError) -> str:
    """Return what the machine refused, where, and what to do; for faults that no verb has words for."""
    where = f" at {error.filename}" if error.filename is not None else ""
    if error.errno in _FULL:
        return f"the disk is full{where}: free space and run this again; nothing that was complete is damaged"
    if error.errno in _FORBIDDEN:
        why = error.strerror or "permission denied"
        return f"not allowed{where} ({why}): run this as the user who owns it, or ask for the right"
    return reason_of(error)
