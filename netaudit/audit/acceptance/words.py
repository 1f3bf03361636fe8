"""
The words of evidence that only an acceptance test takes: what is tried once, not watched.

All others are those of `audit/vocabulary.py`. Places are the ledger's.
"""

from __future__ import annotations

from typing import Final

RESOLVER: Final = "service:resolver"

# Samples.
DNS_S: Final = "dns_s"  # service:resolver; None: no answer
OUTSIDE_SHARE: Final = "outside_share"  # link:wan; share of the named hosts outside that took a connection
ISOLATION_BREACHES: Final = "isolation_breaches"  # segment:A; one for each round in which it was tried
POWER_CLASS: Final = "power_class"  # switch:NAME/port:N; IEEE 802.3 class that the port granted

# Notices, with the keys of their detail.
ISOLATION_BREACH: Final = "isolation_breach"  # segment:A; segment (the one reached), target, by
REACH_MISSING: Final = "reach_missing"  # segment:A; segment, target, answer
RESTART: Final = "restart"  # site; what (was switched off and on)
ALERT: Final = "alert"  # alert:NAME; arrived ("yes", "no"), by (who saw it)
