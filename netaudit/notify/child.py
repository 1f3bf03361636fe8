"""
The process that delivers: reads an address and then messages from standard input, answers each on standard output.

Every line is one JSON value: first the address, a string; then objects with `title`, `body` and `enclosure`, the path of a
file or "". The answer to each is "" when the receiver has it, else one of a few sentences. A file goes along where the kind of
receiver takes files; where it is gone, too large, or refused by a status that means files, the words go alone and say so (any
other failure is the courier's to think of). Nothing of what receivers or libraries say is repeated: they like to put
addresses, names and passwords into their words. Of their log only a status number is taken.
"""

from __future__ import annotations

import json
import logging
import mimetypes
import os
import re
import stat
import sys
from pathlib import Path
from typing import IO, Any, Final

NO_ADDRESS: Final = "the address is of no kind that is known, or lacks something: see the manual of the address's kind"
UNREACHABLE: Final = "the receiver can't be reached, or did not take it"
# RFC 9110 section 15, RFC 5321 section 4.2: three digits, of which the first says whose fault it is.
_STATUS: Final = re.compile(r"(?:error=|\bcode[ =]|\()([2-5][0-9]{2})\b")
_HINTS: Final = {
    "401": ": name, password or token are not right",
    "403": ": it may not be written to in this way",
    "404": ": there is nothing at this address",
    "413": ": the message is too long for it",
    "429": ": it was asked too often",
    "530": ": it wants a name and a password",
    "535": ": name or password are not right",
    "550": ": there is no such mailbox",
}
# A report has a third of a megabyte. At this size the child takes 87 MB at its peak, where it takes 55 MB for words alone and a
# box with 256 MB has the watch's 85 MB beside it; the message, a third larger (RFC 2045 section 6.8: base64), stays far below
# the 10 MB that mail services take (common practice, no source).
LARGEST_BYTES: Final = 3 << 20
# The receiver means the file: 413 too large (RFC 9110 section 15.5.14), 552 exceeded storage, 554 not in this form (RFC 5321
# section 4.2.3).
_REFUSES_FILE: Final = frozenset(("413", "552", "554"))


class StatusNumber(logging.Handler):
    """Remembers the last status number that was logged, and nothing else."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.last: str | None = None

    def emit(self, record: logging.LogRecord) -> None:
        """Look for a number in one record."""
        found = _STATUS.search(record.getMessage())
        if found is not None:
            self.last = found[1]

    def trouble(self) -> str:
        """Say what the matter was."""
        return UNREACHABLE if self.last is None else f"the receiver answered {self.last}{_HINTS.get(self.last, '')}"


def open_receiver(address: str) -> Any:  # noqa: ANN401 - each kind of receiver is a class of its own
    """Give the library's object for an address, None if it knows no such kind."""
    import apprise  # noqa: PLC0415 - takes a while, and whoever only wants the words above needs none of it

    # Nothing of the library's own shows in a message: no name, no link, no picture from elsewhere.
    asset = apprise.AppriseAsset(
        app_id="netaudit",
        app_desc="netaudit",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        storage_mode="memory",
        # Text from the wire stays what it is.
        interpret_escapes=False,
        interpret_emojis=False,
    )
    receiver: Any = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
    if getattr(receiver, "qos", None) == 0:
        # MQTT 3.1.1 section 4.3.1: with quality of service 0 nobody says that a message has arrived.
        receiver.qos = 1
    return receiver


def read_enclosure(path: str) -> bytes | str:
    """Read a file that shall go along; where it can't, say why. What is checked is the open file."""
    try:
        # O_NONBLOCK: a pipe in its place must not hold up the letters; O_NOFOLLOW: a link could lead to any file of ours.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOFOLLOW)
    except FileNotFoundError:
        return "the file is gone"
    except OSError:
        return "the file can't be read"
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            return "the file can't be read"
        if status.st_size > LARGEST_BYTES:
            return f"the file is larger than {LARGEST_BYTES >> 20} MB"
        # One more than was looked for: it may have grown since.
        content = os.read(descriptor, LARGEST_BYTES + 1)
    except OSError:
        return "the file can't be read"
    finally:
        os.close(descriptor)
    return content if 0 < len(content) <= LARGEST_BYTES else "the file can't be read"


def deliver(receiver: Any, said: dict[str, str], status: StatusNumber) -> str:  # noqa: ANN401 - as above
    """Deliver one message, with its file where it has one and the receiver takes files; gives the answer."""
    title, body, path = said["title"], said["body"], said["enclosure"]
    if not path or not receiver.attachment_support:
        return _notify(receiver, title, body, None, status)
    content = read_enclosure(path)
    if isinstance(content, str):
        return _notify(receiver, title, f"{body}\nNot attached: {content}", None, status)
    answer = _notify(receiver, title, body, _attachment(Path(path).name, content), status)
    if answer and status.last in _REFUSES_FILE:
        return _notify(receiver, title, f"{body}\nNot attached: the receiver did not take the file", None, status)
    return answer


def _attachment(name: str, content: bytes) -> Any:  # noqa: ANN401 - as above
    import apprise  # noqa: PLC0415 - as above
    from apprise.attachment import memory  # noqa: PLC0415 - as above

    # The library writes no types here.
    kind: Any = memory.AttachMemory
    return apprise.AppriseAttachment(kind(content, name=name, mimetype=mimetypes.guess_type(name)[0]))


def _notify(receiver: Any, title: str, body: str, attach: Any, status: StatusNumber) -> str:  # noqa: ANN401 - as above
    status.last = None
    try:
        sent = receiver.notify(title=title, body=body, body_format="text", attach=attach)
    except Exception:  # noqa: BLE001 - whatever a receiver's code raises means the same: it is not delivered
        sent = False
    return "" if sent else status.trouble()


def main(lines: IO[str], answers: IO[str]) -> None:
    """Serve until the input ends."""
    status = StatusNumber()
    # The root gets everything, or a number in a library's debugging line would be lost; no other handler sees it.
    logging.root.handlers[:] = [status]
    logging.root.setLevel(logging.DEBUG)
    receiver = open_receiver(json.loads(lines.readline()))
    for line in lines:
        said = json.loads(line)
        answer = NO_ADDRESS if receiver is None else deliver(receiver, said, status)
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


if __name__ == "__main__":
    with os.fdopen(os.dup(1), "w", encoding="utf-8") as own:
        # What anybody else prints must not stand between our answers.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        main(sys.stdin, own)
