"""
The process that delivers: reads an address and then messages from standard input, answers each on standard output.

Every line is one JSON value: first the address, a string; then objects with `title` and `body`. The answer to each is "" when
the receiver has it, else one of a few sentences. Nothing of what receivers or libraries say is repeated: they like to put
addresses, names and passwords into their words. Of their log only a status number is taken.
"""

from __future__ import annotations

import json
import logging
import os
import re
import sys
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


def deliver(receiver: Any, title: str, body: str, status: StatusNumber) -> str:  # noqa: ANN401 - as above
    """Deliver one message; gives the answer."""
    status.last = None
    try:
        sent = receiver.notify(title=title, body=body, body_format="text")
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
        answer = NO_ADDRESS if receiver is None else deliver(receiver, said["title"], said["body"], status)
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


if __name__ == "__main__":
    with os.fdopen(os.dup(1), "w", encoding="utf-8") as own:
        # What anybody else prints must not stand between our answers.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        main(sys.stdin, own)
