"""Reading a channel's address, which is a secret: it is handed on and never kept, logged or repeated in a message."""

from __future__ import annotations

import os
import re
import stat
from typing import TYPE_CHECKING, Final

from netaudit.errors import AlertError
from netaudit.notify.channel import Variable

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.notify.channel import Channel

# Addresses with tokens and several options stay below a few hundred octets; a mistaken file is larger.
LONGEST: Final = 4096
# RFC 3986: a scheme (section 3.1), and after it no blanks and nothing that isn't printable ASCII (section 2).
_ADDRESS: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://[\x21-\x7e]+")


def read_address(channel: Channel) -> str:
    """
    Give the address of a channel.

    Raises:    AlertError: it isn't there, isn't private or is none; the message says what to do and never what was read.
    """
    if isinstance(channel.where, Variable):
        said = channel.where.environ.get(channel.where.name, "").strip()
        source = f"the environment variable {channel.where.name}"
        if not said:
            raise AlertError(f"channel {channel.name}: {source} is not set: set it to the channel's address")
    else:
        source = str(channel.where)
        said = _private(channel.name, channel.where).strip()
    if _ADDRESS.fullmatch(said) is None:
        raise AlertError(f"channel {channel.name}: {source} holds no address: write one line such as mailto://...")
    return said


def _private(name: str, path: Path) -> str:
    """Read a file that nobody else can read. What is checked is the open file, so that it can't be changed in between."""
    try:
        # O_NONBLOCK: a pipe in the file's place must not stop the daemon.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOFOLLOW)
    except OSError as error:
        raise AlertError(f"channel {name}: {path} can't be read: {error.strerror or error}") from None
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise AlertError(f"channel {name}: {path} is no file: write the address into one")
        if status.st_uid != os.geteuid():
            raise AlertError(f"channel {name}: {path} belongs to another user: chown it to the one that runs netaudit")
        if stat.S_IMODE(status.st_mode) & ~0o600:
            raise AlertError(f"channel {name}: {path} is open to others: chmod 600 it")
        return os.read(descriptor, LONGEST).decode("ascii", "replace")
    finally:
        os.close(descriptor)
