from __future__ import annotations

import pytest

from netaudit.audit.rules.rule import Mark
from netaudit.audit.rules.way_out import WAY_OUT, WIFI
from netaudit.observe.outside import place_fault
from netaudit.site.load import parse_site
from tests.audit.scene import BOX, KILN, PLAN, SAW, Scene

WAN = "link:wan"
PLUGS = tuple(f"00:00:5e:00:53:2{n}" for n in range(4))
NAMED = "".join(
    f'[device.plug{n}]\nkind = "plug"\nsegment = "things"\nmac = ["{mac}"]\n' for n, mac in enumerate(PLUGS)
)
WIRELESS = parse_site(PLAN + NAMED)
LOST: list[float | None] = [None] * 10
HEARD: list[float | None] = [0.004] * 10


def house(*deaf: str, gateway: list[float | None] = HEARD, cable: list[float | None] = HEARD) -> Scene:
    """Give a house where all are asked once a minute; `deaf` are the plugs that lose all of it."""
    scene = Scene(site=WIRELESS).everybody()
    for mac in PLUGS:
        scene.here(mac, "things").tell(f"device:{mac}", "rtt_s", LOST if mac in deaf else HEARD)
    for mac in (BOX, SAW, KILN):
        scene.tell(f"device:{mac}", "rtt_s", cable)
    return scene.tell("segment:home/gateway", "rtt_s", gateway)


@pytest.mark.parametrize("answers", [True, False, None])
def test_the_side_of_a_fault_is_the_collectors(answers: bool | None) -> None:  # noqa: FBT001 - one of three states
    """When nothing outside opens, the side that the collector's notice tells is the side of the finding."""
    where = place_fault(answers)
    gateway = {True: "answers", False: "silent", None: "unknown"}[answers]
    scene = Scene().tell(WAN, "outside_share", [1.0, 0.0, 0.0])
    scene.notice(WAN, "way_out", first_s=60, ago_s=0, gateway=gateway, where=where.value)
    assert scene.holds(WAY_OUT) == {WAN: where.value.partition(" ")[0]}


def test_one_host_that_opens_is_a_way_out_and_one_that_does_not_is_its_own_matter() -> None:
    """Half of the hosts is enough; an outage that is over is over."""
    assert Scene().tell(WAN, "outside_share", [0.0, 0.0, 0.5]).ask(WAY_OUT) == []


def test_without_news_the_way_out_can_not_be_told() -> None:
    """A share that is older than three rounds keeps an open finding as it is."""
    scene = Scene().tell(WAN, "outside_share", [0.0, *[None] * 9])
    assert [one.mark for one in scene.ask(WAY_OUT)] == [Mark.BLIND]
    tried = parse_site(PLAN + '[outside]\nhosts = ["host.example:443"]\n')
    assert [one.mark for one in Scene(site=tried).ask(WAY_OUT, is_open=[("way_out", WAN)])] == [Mark.BLIND]
    assert Scene().ask(WAY_OUT, is_open=[("way_out", WAN)]) == []


@pytest.mark.parametrize(("gateway", "words"), [(HEARD, "beyond"), (LOST, "inside")])
def test_words_of_an_earlier_outage_decide_nothing(gateway: list[float | None], words: str) -> None:
    """Where the notice is from before this outage began, the echoes of the router since then tell the side."""
    earlier = "silent" if words == "beyond" else "answers"
    scene = house(gateway=gateway).tell(WAN, "outside_share", [1.0, 0.0, 0.0, 0.0])
    scene.notice(WAN, "way_out", first_s=90_000, ago_s=7200, gateway=earlier, where="unknown")
    assert scene.holds(WAY_OUT) == {WAN: words}


def test_a_router_that_answered_before_the_outage_may_be_silent_in_it() -> None:
    """Echoes from before the way out failed say nothing of the side."""
    scene = house(gateway=[*HEARD, None, None]).tell(WAN, "outside_share", [1.0, 0.0, 0.0])
    assert scene.holds(WAY_OUT) == {WAN: "inside"}


def test_a_fault_of_the_line_is_none_of_wifi_and_the_other_way_round() -> None:
    """With the line cut and all answering only the way out is found; with the air bad and the line well only Wi-Fi is."""
    line = house().tell(WAN, "outside_share", [0.0] * 3)
    assert (line.holds(WAY_OUT), line.holds(WIFI)) == ({WAN: "beyond"}, {})
    (verdict,) = line.ask(WAY_OUT)
    assert dict(verdict.evidence)["wifi"] == "4 of 4 devices on Wi-Fi answer"
    air = house(*PLUGS).tell(WAN, "outside_share", [1.0] * 3)
    assert (air.holds(WAY_OUT), air.holds(WIFI)) == ({}, {"site": "air"})
    (verdict,) = air.ask(WIFI)
    assert {key: dict(verdict.evidence)[key] for key in ("count", "all", "cable", "way_out")} == {
        "count": "4",
        "all": "4",
        "cable": "4 of 4",
        "way_out": "works",
    }


def test_few_bad_devices_are_themselves_and_a_dead_network_is_not_the_air() -> None:
    """Two of four on the air are no fault of the air; when those on cables are lost too it can't be told."""
    assert house(*PLUGS[:2]).ask(WIFI) == []
    assert house(*PLUGS[:3]).holds(WIFI) == {"site": "air"}
    dead = house(*PLUGS, gateway=LOST, cable=LOST)
    assert [one.mark for one in dead.ask(WIFI)] == [Mark.BLIND]


def test_a_quarter_of_an_hour_ago_is_over() -> None:
    """Losses before the last ten minutes say nothing of now."""
    scene = house()
    for mac in PLUGS:
        scene.tell(f"device:{mac}", "rtt_s", [*LOST, *HEARD])
    assert scene.ask(WIFI) == []
