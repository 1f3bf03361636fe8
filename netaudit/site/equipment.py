"""
Equipment sheets: what can be bought, as its sheet states it, with its price. `equipment.toml` beside the plan.

Sheets describe by figures, never by maker or model: a user writes in what the shop's sheet says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from netaudit.site.document import build, parse_toml, read_text
from netaudit.site.model import (
    Category,
    Name,
    PortPower,
    Ports,
    PowerNeed,
    Radio,
    Table,
)
from netaudit.site.quantity import Power, Rate, Storage

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.site.document import Fault


class Sheet(Table):
    """What every sheet has."""

    label: str = Field("", max_length=120, description="Description for people")
    price: float = Field(ge=0, description="Price, in the plan's currency")


class SwitchSheet(Sheet):
    """`[switch.NAME]`."""

    ports: Ports = Field(min_length=1, description="Ports, a number or groups")
    supply_w: Power = Field(0.0, ge=0, alias="supply", description="Watts for all powered ports together")
    draw_w: Power = Field(10.0, ge=0, alias="draw", description="Own consumption")


class AccessPointSheet(Sheet):
    """`[access_point.NAME]`."""

    radio: tuple[Radio, ...] = Field(min_length=1, description="Radios, one a band; channels are the plan's")
    power: PowerNeed = Field(description="How it is fed")
    rate_bps: Rate = Field(1e9, gt=0, alias="rate", description="Rate of its wired port")
    outdoor: bool = Field(default=False, description="Built for weather")


class RouterSheet(Sheet):
    """`[router.NAME]`."""

    ports: Ports = Field(min_length=1, description="LAN ports, a number or groups")
    routed_bps: Rate = Field(gt=0, alias="routed", description="What it forwards, plain")
    draw_w: Power = Field(12.0, ge=0, alias="draw", description="Own consumption")


class RecorderSheet(Sheet):
    """`[recorder.NAME]`, without disks."""

    bays: int = Field(ge=1, le=64, description="Disks that fit")
    write_bps: Rate = Field(gt=0, alias="write", description="Most it can record")
    rate_bps: Rate = Field(1e9, gt=0, alias="rate", description="Rate of its port")
    draw_w: Power = Field(30.0, ge=0, alias="draw", description="Own consumption, disks included")


class DiskSheet(Sheet):
    """`[disk.NAME]`."""

    size_bytes: Storage = Field(gt=0, alias="size", description="As sold (decimal TB)")


class InjectorSheet(Sheet):
    """`[injector.NAME]`."""

    power: PortPower = Field("type 2", description="What it can feed")
    supply_w: Power = Field(30.0, gt=0, alias="supply", description="Most that it delivers")


class ConverterSheet(Sheet):
    """`[converter.NAME]`: a pair between copper and fibre, for a switch without a fibre socket."""

    rate_bps: Rate = Field(1e9, gt=0, alias="rate", description="Rate")


class CableSheet(Sheet):
    """`[cable.NAME]`: the price is a metre's."""

    category: Category = Field(description="Cable category, or fibre")


class Equipment(Table):
    """All sheets."""

    switch: dict[Name, SwitchSheet] = Field(default_factory=dict, description="Switches")
    access_point: dict[Name, AccessPointSheet] = Field(default_factory=dict, description="Access points")
    router: dict[Name, RouterSheet] = Field(default_factory=dict, description="Routers")
    recorder: dict[Name, RecorderSheet] = Field(default_factory=dict, description="Recorders without disks")
    disk: dict[Name, DiskSheet] = Field(default_factory=dict, description="Disks")
    injector: dict[Name, InjectorSheet] = Field(default_factory=dict, description="Injectors")
    converter: dict[Name, ConverterSheet] = Field(default_factory=dict, description="Media converters, a pair")
    cable: dict[Name, CableSheet] = Field(default_factory=dict, description="Cables by the metre")


def load_equipment(path: str | Path) -> Equipment:
    """
    Read and check the sheets in a file.

    Raises:    PlanError: the first fault, with `more` holding the others; each has file and line.
    """
    text = read_text(path, "file of equipment sheets")
    file = str(path)
    return build(Equipment, parse_toml(text, file), file=file, text=text, laws=_laws, single=frozenset())


def _laws(equipment: Equipment) -> list[Fault]:
    return [
        (("access_point", name, "radio"), f'"{radio.band}" stands twice; one radio a band')
        for name, sheet in equipment.access_point.items()
        for index, radio in enumerate(sheet.radio)
        if radio.band in [other.band for other in sheet.radio[:index]]
    ]
