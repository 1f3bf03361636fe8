"""Object identifiers, and what an agent keeps under one."""

# A bare number for integers, counters, gauges and time ticks; octets as they are; OIDs and IpAddress as text.
Value = int | bytes | str
Oid = tuple[int, ...]


def oid_text(oid: Oid) -> str:
    """Write an OID with dots."""
    return ".".join(map(str, oid))


def oid_of(text: str) -> Oid:
    """
    Read an OID with dots; empty when it is none. Never raises.

    >>> oid_of("1.3.6.1.2.1")
    (1, 3, 6, 1, 2, 1)
    """
    parts = text.strip(".").split(".")
    return tuple(map(int, parts)) if all(part.isascii() and part.isdigit() for part in parts) else ()
