"""
SSDP: requests and answers of the discovery protocol that media players, printers and gateways speak on UDP port 1900.

Source: UPnP Device Architecture 2.0 section 1 (start lines, header fields), RFC 9110 section 5 (field syntax).
"""

from __future__ import annotations

from dataclasses import dataclass

from netaudit.wire.text import LONGEST_TEXT

# Start line -> what we call the message.
_METHODS = {b"NOTIFY": "NOTIFY", b"M-SEARCH": "M-SEARCH", b"HTTP/1.1": "RESPONSE", b"HTTP/1.0": "RESPONSE"}
# The document names about a dozen fields; longer heads are padding, and a message has to fit one packet (section 1.3.2).
_MOST_FIELDS = 64
_LONGEST_HEAD = 8192


@dataclass(frozen=True, slots=True)
class Ssdp:
    """
    One SSDP message.

    `method` is NOTIFY, M-SEARCH or RESPONSE; `target` what is announced or looked for (NT or ST); `state` the NTS of a
    NOTIFY (ssdp:alive, ssdp:byebye, ssdp:update). A field is None when it is missing or empty.
    """

    method: str
    server: str | None
    location: str | None
    usn: str | None
    target: str | None
    state: str | None
    user_agent: str | None


def decode_ssdp(payload: bytes) -> Ssdp | None:
    """Read the UDP payload of an SSDP message; None when its start line isn't one. Never raises."""
    start, *lines = payload[:_LONGEST_HEAD].split(b"\n", _MOST_FIELDS + 1)
    method = _METHODS.get(start.partition(b" ")[0])
    if method is None:
        return None
    fields: dict[bytes, str] = {}
    for line in lines[:_MOST_FIELDS]:
        name, colon, value = line.partition(b":")
        if not line.rstrip(b"\r"):
            break
        text = value.strip(b" \t\r")[:LONGEST_TEXT].decode("utf-8", "replace")
        if colon and text:
            fields.setdefault(name.strip(b" \t").upper(), text)
    return Ssdp(
        method=method,
        server=fields.get(b"SERVER"),
        location=fields.get(b"LOCATION"),
        usn=fields.get(b"USN"),
        target=fields.get(b"NT") or fields.get(b"ST"),
        state=fields.get(b"NTS"),
        user_agent=fields.get(b"USER-AGENT"),
    )
