"""
The words of a message: what, where, since when, on what evidence, what to do. Plain text that can do no harm.

Names in it come off the wire: whatever a device calls itself must neither steer a terminal, nor break a line, nor turn
text around, nor make a message that no receiver takes.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from datetime import datetime
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import tzinfo

    from netaudit.store.findings import Finding
    from netaudit.store.outbox import Letter

# A subject is read at a glance; RFC 5322 section 2.1.1 wants lines of mail under 78 characters, and 998 at most.
LONGEST_TITLE: Final = 120
LONGEST_FIELD: Final = 400
# Evidence is a handful of values; the page shows all.
MOST_EVIDENCE: Final = 12
# As many things to do as a telephone shows without turning the page; the report has them all.
MOST_TO_DO: Final = 8
LONGEST_VALUE: Final = 60
# The whole of a message, over 2,700 with every field full: chat services cut or split beyond two thousand characters or so.
# common practice, no source
LONGEST_BODY: Final = 1800
# What is shown to be late: less is the ordinary pace of delivery.
LATE_S: Final = 300.0
_TICKED: Final = re.compile("`([^`]+)`")

URGENCY: Final = {"now": "look now", "soon": "look soon", "sometime": "can wait"}


def harmless(text: str, longest: int) -> str:
    """
    Give a text of one line: blanks for what separates lines, nothing for what is invisible, cut with "..." if too long.

    Unicode's general categories (Unicode 15, section 4.5): Cc controls, Cf formats such as those that turn text around,
    Cs, Co, Cn no characters; Zl, Zp line and paragraph separators.
    """
    # What is cut away later need not be looked at now, however long a stranger made it.
    shown = "".join(_shown(one) for one in text[: 4 * longest])
    line = " ".join(shown.split())
    return line if len(line) <= longest else line[: longest - 3].rstrip() + "..."


def _told(text: str, longest: int) -> str:
    """Give a sentence of the program's own: without the backticks that a page shows as code."""
    return harmless(_TICKED.sub(r"\1", text), longest)


def _shown(one: str) -> str:
    if one in "\t\n\v\f\r" or unicodedata.category(one) in ("Zl", "Zp", "Zs"):
        return " "
    return "" if unicodedata.category(one) in ("Cc", "Cf", "Cs", "Co", "Cn") else one


def opening(finding: Finding, *, site: str, weight: str, where: str, zone: tzinfo) -> str:
    """
    Write what is told when a finding opens; the first line is the title.

    Args:      where: its place for people; zone: the site's.
    """
    lines = [
        _told(f"{site}, {URGENCY[weight]}: {finding.text}", LONGEST_TITLE),
        f"What: {_told(finding.text, LONGEST_FIELD)}",
        f"Where: {harmless(where, LONGEST_FIELD)}",
        f"Since: {_since(finding, zone)}",
    ]
    shown = [(key, value) for key, value in finding.evidence.items() if key not in ("cure", "since") and value != ""]
    if shown:
        pairs = (
            f"{harmless(key.replace('_', ' '), LONGEST_VALUE)} {harmless(str(value), LONGEST_VALUE)}"
            for key, value in shown[:MOST_EVIDENCE]
        )
        lines.append(f"Evidence: {'; '.join(pairs)}")
    cure = _told(str(finding.evidence.get("cure", "")), LONGEST_FIELD)
    if cure:
        lines.append(f"What to do: {cure}")
    return _bounded(lines)


def closing(finding: Finding, *, site: str, where: str, zone: tzinfo) -> str:
    """Write what is told when a finding is over."""
    over = finding.evidence.get("closed", "over") == "over"
    end = "over" if over else "now part of another message"
    closed_at = finding.closed_at or finding.updated_at
    return _bounded(
        [
            _told(f"{site}, {end}: {finding.text}", LONGEST_TITLE),
            f"What: {_told(finding.text, LONGEST_FIELD)}",
            f"Where: {harmless(where, LONGEST_FIELD)}",
            f"From: {_since(finding, zone)}",
            f"To: {clock(closed_at, zone)}",
            "What to do: nothing any more" if over else "What to do: see the other message",
        ]
    )


def weekly(*, site: str, week: str, sentence: str, to_do: Sequence[str], file: str) -> str:
    """Write what is told when a weekly report is there: its first page in words, and where it is found."""
    lines = [harmless(f"{site}, week {week}: {sentence}", LONGEST_TITLE)]
    lines += [f"- {harmless(one, LONGEST_FIELD)}" for one in to_do[:MOST_TO_DO]]
    if len(to_do) > MOST_TO_DO:
        lines.append(f"and {len(to_do) - MOST_TO_DO} more")
    lines.append(f"The whole report: {harmless(file, LONGEST_FIELD)}, on the page under Reports")
    return _bounded(lines)


def trial(*, site: str, channel: str, now: datetime, zone: tzinfo) -> str:
    """Write the message that proves a channel."""
    return _bounded(
        [
            harmless(f"{site}: this channel works", LONGEST_TITLE),
            f"What: a message to try channel {harmless(channel, LONGEST_FIELD)}; nothing is the matter",
            f"Sent: {clock(now, zone)}",
            "What to do: nothing; alerts of this site will come the same way",
        ]
    )


def mark(site: str, letter: Letter) -> str:
    """
    Give the name of a letter that is the same however often it is sent: who gets one twice can see that it is one.

    48 bits: among a thousand letters, two with one name are as likely as 1000^2 / 2 / 2^48, some 2e-9.
    """
    named = f"{site}\0{letter.channel}\0{letter.key}".encode()
    return hashlib.blake2b(named, digest_size=6).hexdigest()


def enclose(site: str, letter: Letter, now: datetime, zone: tzinfo) -> str:
    """Give a letter's body as it is sent: with its age, if it is late, and its mark."""
    age_s = (now - letter.made_at).total_seconds()
    late = [f"Written: {clock(letter.made_at, zone)}, {span(age_s)} before it was sent"] if age_s >= LATE_S else []
    return "\n".join([letter.body, *late, f"Message: {mark(site, letter)}"])


def gathered(site: str, letters: Sequence[Letter], now: datetime, zone: tzinfo) -> tuple[str, str]:
    """Give title and body of a digest, its letters in order."""
    count = len(letters)
    title = harmless(f"{site}: {count} {'message' if count == 1 else 'messages'} that could wait", LONGEST_TITLE)
    return title, "\n\n".join(enclose(site, letter, now, zone) for letter in letters)


def clock(at: datetime, zone: tzinfo) -> str:
    """Write a moment by the site's clock: "2026-03-02 22:14 WET"; digits alone read the same in every country."""
    return at.astimezone(zone).strftime("%Y-%m-%d %H:%M %Z")


def span(seconds: float) -> str:
    """Write how long something took: "3 d 4 h", "8 h 46 min", "5 min"."""
    minutes = int(seconds // 60)
    if minutes >= 2880:
        return f"{minutes // 1440} d {minutes % 1440 // 60} h"
    if minutes >= 60:
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{minutes} min"


def _since(finding: Finding, zone: tzinfo) -> str:
    """Write since when it is so, as far as is known; else when it was found."""
    try:
        since = datetime.fromisoformat(str(finding.evidence.get("since", "")))
    except ValueError:
        return f"{clock(finding.opened_at, zone)} (found then)"
    return clock(since, zone) if since.tzinfo else clock(finding.opened_at, zone)


def _bounded(lines: Sequence[str]) -> str:
    body = "\n".join(lines)
    return body if len(body) <= LONGEST_BODY else body[: LONGEST_BODY - 3].rstrip() + "..."
