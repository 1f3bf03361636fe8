from __future__ import annotations

from netaudit.audit.rules.power import POWER_FAULT, POWER_UNIT
from netaudit.observe.snmp.power import FAULTS
from tests.audit.scene import Scene

PORT = "switch:loft/port:7"


def test_a_port_that_reports_a_fault_is_found_until_it_is_over() -> None:
    """Each of the two states of RFC 3621 is a fault; not repeated for longer than the store may lag it is over."""
    for status in FAULTS:
        assert Scene().notice(PORT, "power_fault", status=status).holds(POWER_FAULT) == {PORT: "fault"}
    assert Scene().notice(PORT, "power_fault", first_s=9000, ago_s=3900, status="fault").holds(POWER_FAULT) != {}
    assert Scene().notice(PORT, "power_fault", first_s=9000, ago_s=4600, status="fault").ask(POWER_FAULT) == []


def test_a_port_with_both_faults_is_found_once() -> None:
    """The latest word on a port is the one that counts."""
    scene = (
        Scene().notice(PORT, "power_fault", ago_s=600, status="fault").notice(PORT, "power_fault", status="other fault")
    )
    (verdict,) = scene.ask(POWER_FAULT)
    assert dict(verdict.evidence)["status"] == "other fault"


def test_a_switch_that_counts_in_milliwatts_is_told() -> None:
    """Once and for as long as it does so."""
    scene = Scene().notice("switch:loft", "power_unit", unit="mW", reason="more than it has")
    assert scene.holds(POWER_UNIT) == {"switch:loft": "unit"}
    assert Scene().ask(POWER_UNIT) == []
