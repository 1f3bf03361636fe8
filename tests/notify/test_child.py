"""What is taken from the words of others: a status number and nothing else."""

from __future__ import annotations

import logging

import pytest

from netaudit.notify.child import UNREACHABLE, StatusNumber

# As the library and smtplib word them; 192.0.2.200 and port 465 are no status.
SAID = [
    ("Failed to send JSON POST notification: Unauthorized, error=401.", "answered 401: name, password or token"),
    ("Socket Exception: (535, b'5.7.8 Authentication credentials invalid for hush')", "answered 535: name or password"),
    ("Failed to send notification: error=599", "answered 599"),
]
NOTHING = [
    "A Connection error occurred sending JSON notification to hush.example.org.",
    "Socket Exception: [Errno 111] Connection refused",
    "connecting to 192.0.2.200:465 as hush:secret",
    "error=4010",
    "error=999",
]


@pytest.mark.parametrize(("said", "told"), SAID)
def test_a_status_number_is_told(said: str, told: str) -> None:
    """With what it means, where that is known."""
    status = StatusNumber()
    status.handle(logging.makeLogRecord({"msg": said}))
    assert told in status.trouble()
    assert "hush" not in status.trouble()


@pytest.mark.parametrize("said", NOTHING)
def test_other_words_are_not_told(said: str) -> None:
    """Whatever they hold."""
    status = StatusNumber()
    status.handle(logging.makeLogRecord({"msg": said}))
    assert status.trouble() == UNREACHABLE
