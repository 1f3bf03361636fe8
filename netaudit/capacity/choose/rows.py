"""A sheet as a row of the plan: what is bought is the sheet's word, where it hangs and how it is set up is the plan's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from netaudit.site.quantity import parse

if TYPE_CHECKING:
    from netaudit.site.equipment import (
        AccessPointSheet,
        DiskSheet,
        InjectorSheet,
        RecorderSheet,
        RouterSheet,
        SwitchSheet,
    )
    from netaudit.site.model import PortGroup, PowerNeed, Radio

Row = dict[str, Any]
# Addresses of the thing that is replaced: what is bought has others, and the drawn ones would be missed ever after.
_BURNT_IN = ("mac", "bssids")


def rate(value_bps: float) -> str:
    """Write a rate as a plan has it."""
    return f"{value_bps / 1e9:.12g} Gb/s" if value_bps >= 1e9 else f"{value_bps / 1e6:.12g} Mb/s"


def watts(value_w: float) -> str:
    """Write a power as a plan has it."""
    return f"{value_w:.12g} W"


def port_rows(groups: tuple[PortGroup, ...]) -> list[Row]:
    """Write groups of ports."""
    return [
        {"count": group.count, "rate": rate(group.rate_bps), "power": group.power, "medium": group.medium}
        for group in groups
    ]


def switch_row(sheet: SwitchSheet) -> Row:
    """Write a switch; closet and uplink are the caller's."""
    row: Row = {"draw": watts(sheet.draw_w), "price": sheet.price}
    if sheet.supply_w:
        row["supply"] = watts(sheet.supply_w)
    return {**row, "ports": port_rows(sheet.ports)}


def power_row(need: PowerNeed) -> Row:
    """Write how something is fed."""
    row: Row = {"supply": need.supply}
    if need.power_class is not None:
        row["class"] = need.power_class
    if need.draw_w is not None:
        row["draw"] = watts(need.draw_w)
    return row


def _radio_row(radio: Radio, drawn: Row) -> Row:
    width_mhz = radio.width_mhz
    if "width" in drawn:
        # A channel as narrow as the plan draws it: every radio can be set to less than it can do.
        width_mhz = min(width_mhz, parse(drawn["width"], "width [MHz]"))
    row: Row = {
        "band": radio.band,
        "phy": radio.phy,
        "streams": radio.streams,
        "width": f"{width_mhz:g} MHz",
        "association_limit": radio.association_limit,
        "eirp": f"{radio.eirp_dbm:.12g} dBm",
    }
    if radio.lowest_rate_bps is not None:
        row["lowest_rate"] = rate(radio.lowest_rate_bps)
    return row | {key: drawn[key] for key in ("channel", "lowest_rate") if key in drawn}


def access_point_row(drawn: Row, sheet: AccessPointSheet) -> Row:
    """Write an access point: the sheet's radios on the plan's channels, its port as fast as the plan wants it."""
    on_band = {one["band"]: one for one in drawn.get("radio", ())}
    row: Row = {
        key: value for key, value in drawn.items() if key not in ("radio", "power", "price", "outdoor", *_BURNT_IN)
    }
    row |= {"power": power_row(sheet.power), "price": sheet.price}
    if sheet.outdoor:
        row["outdoor"] = True
    return row | {"radio": [_radio_row(radio, on_band.get(radio.band, {})) for radio in sheet.radio]}


def router_row(drawn: Row, sheet: RouterSheet) -> Row:
    """Write the router: the sheet's ports and speed; closet and way out are the plan's."""
    row: Row = {key: drawn[key] for key in ("closet", "wan_down", "wan_up", "label") if key in drawn}
    row |= {"routed": rate(sheet.routed_bps), "draw": watts(sheet.draw_w), "price": sheet.price}
    return row | {"ports": port_rows(sheet.ports)}


def recorder_row(drawn: Row, sheet: RecorderSheet, disk: DiskSheet, disks: int) -> Row:
    """Write a recorder with its disks."""
    bought = ("disk", "disks", "write", "rate", "draw", "price", *_BURNT_IN)
    row: Row = {key: value for key, value in drawn.items() if key not in bought}
    return row | {
        "disk": f"{disk.size_bytes / 1e9:.12g} GB",
        "disks": disks,
        "write": rate(sheet.write_bps),
        "rate": rate(sheet.rate_bps),
        "draw": watts(sheet.draw_w),
        "price": sheet.price + disks * disk.price,
    }


def injector_row(feeds: str, sheet: InjectorSheet) -> Row:
    """Write an injector."""
    return {
        "feeds": feeds,
        "power": sheet.power,
        "supply": watts(sheet.supply_w),
        "price": sheet.price,
    }
