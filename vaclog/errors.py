"""The one error tree of the program.

    VaclogError                exit code 1
    ├── CardError              exit code 3   a card has a wrong key or value
    ├── CaptureError           exit code 4   a file cannot be read as a capture
    │   └── FutureVersionError               ... because it is newer than this program
    ├── PortError              exit code 5   a serial port cannot be used
    │   ├── PortMissingError
    │   ├── PortDeniedError
    │   └── PortBusyError
    ├── StorageError           exit code 6   a capture or record cannot be written
    ├── ReadingError           exit code 2   a typed list of readings is not understood
    ├── UnknownRecordError     exit code 1   the garage holds no record of that name or number
    └── VisitError             exit code 1   a visit cannot take this now
        └── StaleVisitError                  ... because another process has changed it

Bad data on the wire is *not* an error: it becomes a :class:`vaclog.wire.messages.Gap` and a
counter. A message gives the fact, the likely cause and the next step, and names the port,
file, line, byte offset or key.
"""

from __future__ import annotations


class VaclogError(Exception):
    """Fact, likely cause and next step, as three sentences.

    Parameters
    ----------
    fact
        What happened, naming the port, file, line, byte or key.
    cause
        The likely cause.
    step
        What to do next.
    """

    exit_code = 1

    def __init__(self, fact: str, *, cause: str = "", step: str = "") -> None:
        self.fact = fact
        self.cause = cause
        self.step = step
        super().__init__(" ".join(part for part in (fact, cause, step) if part))


class CardError(VaclogError):
    """A card has an unknown key or a value that cannot be used."""

    exit_code = 3


class CaptureError(VaclogError):
    """A file is empty, unknown or unreadable as a capture."""

    exit_code = 4


class FutureVersionError(CaptureError):
    """A capture, stream or record was written by a newer version."""


class PortError(VaclogError):
    """A serial port cannot be opened or was lost for good."""

    exit_code = 5


class PortMissingError(PortError):
    """No such port."""


class PortDeniedError(PortError):
    """The port exists, but this user may not open it."""


class PortBusyError(PortError):
    """Another program holds the port."""


class StorageError(VaclogError):
    """The disk is full, read-only or gone."""

    exit_code = 6


class UnknownRecordError(VaclogError):
    """The garage holds no card of that name, no visit of that number."""


class VisitError(VaclogError):
    """A visit cannot take what was told: it is not its turn, or it would be wrong."""


class StaleVisitError(VisitError):
    """A visit was changed by another process since it was read."""


class ReadingError(VaclogError):
    """A typed list of readings cannot be understood."""

    exit_code = 2
