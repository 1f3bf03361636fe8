"""
Who was given a hardware address: the public registry of prefixes, longest match first.

The registry's text comes with scapy (`scapy.libs.manuf`), which we import for nothing else here: it costs some 80 ms
and a few megabytes, so it is loaded at the first question and only then. Where scapy was left out nobody has a vendor.
"""

from __future__ import annotations

from functools import lru_cache

# IEEE 802-2014, 8.4: bit 0 of the first octet marks a group, bit 1 a locally administered address.
_GROUP = 0x01
_LOCAL = 0x02
# A question costs a search through the text (about a millisecond); a site asks for the same few hundred again and again.
_REMEMBERED = 4096


def is_group(mac: bytes) -> bool:
    """Is this the address of a group (multicast or broadcast), which no device can have?"""
    return bool(mac[:1]) and bool(mac[0] & _GROUP)


def is_randomised(mac: bytes) -> bool:
    """
    Is this address locally administered and of a single device?

    Such an address was made up: by a phone for its privacy, a virtual machine, or by hand. It has no maker.
    """
    return bool(mac[:1]) and mac[0] & (_GROUP | _LOCAL) == _LOCAL


@lru_cache(maxsize=_REMEMBERED)
def vendor(mac: bytes) -> str | None:
    """
    Name the organisation to which the block of this address was assigned; None for made-up, group and unknown ones.

    The 36-bit and 28-bit blocks are tried before the 24-bit one: many small makers share one of the latter.
    """
    if len(mac) != 6 or mac[0] & (_GROUP | _LOCAL):
        return None
    text = _registry()
    digits = mac.hex().upper()
    # The registry writes a 36-bit block as five octets, a 28-bit block as four, both with their length behind them.
    block36, block28 = digits[:9] + "0", digits[:7] + "0"
    return _find(text, block36, "/36") or _find(text, block28, "/28") or _find(text, digits[:6], " ")


def _find(text: str, digits: str, end: str) -> str | None:
    prefix = ":".join(digits[at : at + 2] for at in range(0, len(digits), 2))
    start = text.find(f"\n{prefix}{end}")
    if start < 0:
        return None
    line = text[start + 1 : text.find("\n", start + 1)]
    fields = [field.strip() for field in line.split("\t")]
    return fields[-1] or None


@lru_cache(maxsize=1)
def _registry() -> str:
    try:
        from scapy.libs.manuf import DATA  # noqa: PLC0415 - megabytes that a run without vendors doesn't need
    except ImportError:
        # Who hands on an image may not want its licence in it.
        return ""
    return f"\n{DATA}\n"
