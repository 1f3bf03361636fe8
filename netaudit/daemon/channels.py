"""From the plan's `[alert.NAME]` tables to channels, and from rules to what a channel asks of them."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from netaudit.audit.rules.rule import Weight
from netaudit.audit.rules.table import RULES
from netaudit.notify.channel import Channel, Variable
from netaudit.notify.quiet import Quiet

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from netaudit.site.model import Alert, Site


def channels_of(site: Site, folder: Path, environ: Mapping[str, str]) -> list[Channel]:
    """Give the plan's channels; folder: where the plan is, environ: where addresses may be."""
    return [_channel(name, alert, site, folder, environ) for name, alert in site.alert.items()]


def weight_of(rule: str) -> str:
    """Give the weight of a rule's findings; of a rule that broke, and is in no table: now, for nothing else is sure."""
    return _WEIGHTS.get(rule, Weight.NOW).value


_WEIGHTS = {rule.key: rule.weight for rule in RULES}


def _channel(name: str, alert: Alert, site: Site, folder: Path, environ: Mapping[str, str]) -> Channel:
    weights = [weight.value for weight in Weight]
    return Channel(
        name,
        Variable(alert.url_env, environ) if alert.url_env is not None else folder / str(alert.url_file),
        frozenset(weights[: weights.index(alert.from_weight) + 1]),
        gathered=frozenset((Weight.SOMETIME.value,) if alert.digest_s is not None else ()),
        digest=None if alert.digest_s is None else timedelta(seconds=alert.digest_s),
        quiet=None if alert.quiet is None else Quiet(*alert.quiet, ZoneInfo(site.site.time_zone)),
    )
