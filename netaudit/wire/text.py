"""Text that a stranger wrote: octets of a protocol field as a string, without a way to fail or to grow."""

from __future__ import annotations

# A DNS name is at most 255 octets (RFC 1035 2.3.4), an LLDP string at most 255 (IEEE 802.1AB-2016 8.5), and nothing
# that we show is longer.
LONGEST_TEXT = 255


def field_text(data: bytes) -> str | None:
    """
    Read a text field up to its first NUL, 255 octets at most; None when nothing is left.

    RFC 2132 section 2 tells receivers to delete trailing NULs, and LLDP strings carry them as well. What is not
    UTF-8 becomes U+FFFD. Control characters stay: who prints the text makes it harmless. Never raises.
    """
    return data.partition(b"\0")[0][:LONGEST_TEXT].decode("utf-8", "replace") or None
