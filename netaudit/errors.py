"""
Every error that netaudit raises on purpose.

    NetauditError
    ├── PlanError            the site plan says something that can't be (also ValueError); carries file and line
    ├── OutOfRange           a value outside what a formula or a standard allows (also ValueError)
    ├── CaptureError         a capture file that is none, or of a link type we don't read (also ValueError)
    ├── StoreError           the store can't be opened, read or written (also OSError)
    ├── LookError            looking at the network isn't possible: rights, interface, target (also OSError)
    ├── AlertError           a channel for alerts can't be used: no address, a file that others may read (also OSError)
    └── NoSolution           the equipment can't carry the plan (also ValueError)

Each message says where, what was found and what to write instead, in one line. The command line prints it and ends
with status 2; nothing catches these to hide them.
"""

from __future__ import annotations


class NetauditError(Exception):
    """Base of all errors that a user can cause and mend."""


class PlanError(NetauditError, ValueError):
    """
    The site plan says something that can't be.

    Args:      message what was found and what to write; file the plan's path as the user gave it; line 1-based, or
               None where no single line is at fault. `more` holds the faults that were found with it.
    """

    def __init__(self, message: str, *, file: str = "", line: int | None = None) -> None:
        self.message = message
        self.file = file
        self.line = line
        self.more: tuple[PlanError, ...] = ()
        where = f"{file}:{line or 1}: " if file else ""
        super().__init__(f"{where}{message}")


class OutOfRange(NetauditError, ValueError):  # noqa: N818 - reads as the sentence that it is
    """A value outside what a formula or a standard allows."""


class CaptureError(NetauditError, ValueError):
    """A file that is not a capture, or is one that we can't read."""


class StoreError(NetauditError, OSError):
    """The store can't be opened, read or written."""


class LookError(NetauditError, OSError):
    """Looking at the network isn't possible: missing rights, no such interface, a target that is not in the plan."""


class AlertError(NetauditError, OSError):
    """A channel for alerts can't be used; the message never holds its address."""


class NoSolution(NetauditError, ValueError):  # noqa: N818
    """The equipment sheets can't carry the plan."""
