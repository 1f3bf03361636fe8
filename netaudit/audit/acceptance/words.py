"""
The words of evidence that only an acceptance test takes: what is tried once, not watched.

All others are those of `audit/vocabulary.py`. Places are the ledger's.
"""

from __future__ import annotations

from typing import Final

RESOLVER: Final = "service:resolver"

# Samples.
DNS_S: Final = "dns_s"  # service:resolver; None: no answer
POWER_CLASS: Final = "power_class"  # switch:NAME/port:N; IEEE 802.3 class that the port granted

# Notices, with the keys of their detail.
RESTART: Final = "restart"  # site; what (was switched off and on)
ALERT: Final = "alert"  # alert:NAME; arrived ("yes", "no"), by (who saw it)
