"""The commands of a move as a person calls them: baseline, cutover, accept."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from netaudit.audit.acceptance.checks.table import CHECKS
from netaudit.audit.acceptance.evidence import freeze, write_evidence
from netaudit.audit.acceptance.words import ALERT
from netaudit.audit.moving.baseline import write_baseline
from netaudit.audit.moving.cutover import progress
from netaudit.cli import main
from netaudit.cli.cutover import _table
from netaudit.cli.evidence_input import seconds_of
from netaudit.errors import OutOfRange
from netaudit.observe.observation import Health, How, Naming, Notice, Observation, Sample, Sighting
from netaudit.publish.moving import sentence
from netaudit.site.load import load_site, parse_site
from netaudit.store.store import Store
from tests.audit.acceptance.house import BEGAN, DESK, ENDED, GATE, PLAN, as_planned, house, without
from tests.audit.moving.old import THEN as OLD
from tests.audit.moving.old import before, evidence_of, seen_at
from tests.lab.host import Host
from tests.notify.receivers import closed_port, web

if TYPE_CHECKING:
    from tests.lab.lan import Lab

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def plan(tmp_path: Path) -> str:
    """Write the plan."""
    path = tmp_path / "site.toml"
    path.write_text(PLAN, encoding="utf-8")
    return str(path)


def _evidence(tmp_path: Path, seen: list[Observation]) -> str:
    path = tmp_path / "kept.json"
    path.write_text(write_evidence(freeze(seen, BEGAN, ENDED)), encoding="utf-8")
    return str(path)


def test_a_passed_test_writes_a_certificate_that_holds(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 0, three files; verifying them holds; verifying against a changed plan does not."""
    out = tmp_path / "out"
    assert main(["accept", plan, "--evidence", _evidence(tmp_path, as_planned()), "--out", str(out)]) == 0
    assert f"Nothing failed in {len(CHECKS)} checks" in capsys.readouterr().out
    assert sorted(path.name for path in out.iterdir()) == ["certificate.html", "certificate.json", "evidence.json"]
    certificate = str(out / "certificate.json")
    assert main(["accept", plan, "--verify", certificate]) == 0
    Path(plan).write_text(PLAN + "\n# changed\n", encoding="utf-8")
    assert main(["accept", plan, "--verify", certificate]) == 1
    assert "the plan is not that of the certificate" in capsys.readouterr().out


def test_a_failed_test_says_what_to_mend_and_a_waiver_lets_it_pass(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 1 and the cure; with a waiver from a file, status 0; the alert that a person saw is evidence."""
    kept = _evidence(tmp_path, without(as_planned(), GATE))
    call = ["accept", plan, "--evidence", kept, "--out"]
    assert main([*call, str(tmp_path / "failed")]) == 1
    assert "press its button for ten seconds" in capsys.readouterr().out
    waivers = tmp_path / "waivers.toml"
    waivers.write_text('[waiver.gate]\ncheck = "presence/device:gate"\nreason = "on repair"\nname = "R. Marsh"\n')
    call += [str(tmp_path / "waived"), "--waivers", str(waivers), "--alert-seen", "mail=R. Marsh", "--json"]
    assert main(call) == 0
    document = json.loads(capsys.readouterr().out)
    presence = next(one for one in document["content"]["results"] if one["key"] == "presence")
    assert [one["waived_by"] for one in presence["items"] if one["outcome"] == "waived"] == ["R. Marsh: on repair"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--waive", "speed"], "CHECK=reason, name"),
        (["--waive", "speed=why,"], "CHECK=reason, name"),
        (["--waive", "spede=why, who"], "there is no such check"),
        (["--alert-seen", "pager=R. Marsh"], "the channels of the plan are: mail"),
        (["--for", "soon"], "is no time"),
        (["--store", "x.db"], "two sources"),
        (["--restart", "the switch"], "--restart is for looking now"),
    ],
)
def test_a_wrong_call_ends_in_one_line(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    """Status 2, one line, nothing written."""
    out = tmp_path / "out"
    call = ["accept", plan, "--evidence", _evidence(tmp_path, as_planned()), "--out", str(out)]
    assert main([*call, *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not out.exists()


def test_a_waiver_that_can_be_none_is_told_before_the_look(plan: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Of a check that there is none of; the look itself would end otherwise, as this plan names no interface."""
    assert main(["accept", plan, "--waive", "spede=the wall is opened in autumn, R. Marsh"]) == 2
    assert "there is no such check" in capsys.readouterr().err


def test_what_was_seen_outlives_a_waiver_of_a_wrong_place(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2 and the places that there are; the evidence is written all the same, and can be judged again."""
    out = tmp_path / "out"
    call = ["accept", plan, "--out", str(out), "--evidence"]
    waiver = "presence/device:gaet=on repair, R. Marsh"
    assert main([*call, _evidence(tmp_path, without(as_planned(), GATE)), "--waive", waiver]) == 2
    error = capsys.readouterr().err
    assert "write one of device:gate;" in error
    assert f"--evidence {out / 'evidence.json'}" in error
    assert [path.name for path in out.iterdir()] == ["evidence.json"]
    assert main([*call, str(out / "evidence.json"), "--waive", waiver.replace("gaet", "gate")]) == 0


@pytest.mark.parametrize("name", ["certificate.json", "certificate.html", "certificate.pdf", "evidence.json"])
def test_a_certificate_overwrites_none(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """
    Where a file of an earlier test stands, a second one is refused in one line, with status 2, and nothing is touched.

    Looking is refused before the look, which would end otherwise, as this plan names no interface. Verifying writes nothing.
    """
    out, call = tmp_path / "out", ["accept", plan, "--out"]
    kept = _evidence(tmp_path, as_planned())
    assert main([*call, str(out), "--evidence", kept]) == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    for words in ([], ["--evidence", kept], ["--evidence", str(out / "evidence.json")]):
        capsys.readouterr()
        assert main([*call, str(out), *words]) == 2
        error = capsys.readouterr().err
        assert f"{out / 'certificate.json'}: is of an earlier test, and none is overwritten" in error
        assert error.count("\n") == 1
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert main(["accept", plan, "--verify", str(out / "certificate.json")]) == 0
    other = tmp_path / "other"
    other.mkdir()
    (other / name).write_text("of another time", encoding="utf-8")
    assert main([*call, str(other), "--evidence", kept]) == 2
    assert str(other / name) in capsys.readouterr().err
    assert [path.read_text("utf-8") for path in other.iterdir()] == ["of another time"]


class _Typed(io.StringIO):
    """A terminal at which this is typed."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("stdin", "words", "outcome", "said"),
    [
        (_Typed("R. Marsh\n"), [], "passed", "a test message arrived, seen by R. Marsh"),
        (_Typed("No\n"), [], "failed", "a test message did not arrive"),
        (_Typed("\n"), [], "not tested", "a test message was sent; nobody said that a message arrived"),
        (_Typed(""), [], "not tested", "a test message was sent; nobody said that a message arrived"),
        (io.StringIO("R. Marsh\n"), [], "not tested", "a test message was sent; nobody said that a message arrived"),
        (io.StringIO(""), ["--alert-seen", "mail=A. Reed"], "passed", "a test message arrived, seen by A. Reed"),
    ],
)
def test_a_test_message_counts_by_the_word_of_who_saw_it(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    *,
    stdin: io.StringIO,
    words: list[str],
    outcome: str,
    said: str,
) -> None:
    """One message a channel; who types a name saw it, without a terminal nobody is asked."""
    with web() as receiver:
        alerts = _alerts(
            tmp_path, monkeypatch, capsys, url=f"json://127.0.0.1:{receiver.port}/", stdin=stdin, words=words
        )
    assert [one["title"] for one in receiver.got] == [f"{house().site.name}: this channel works"]
    assert alerts == [(outcome, said)]


def test_a_message_that_was_not_sent_did_not_arrive(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Failed with the reason, without asking; who vouches for it has seen another one."""
    url = f"json://127.0.0.1:{closed_port()}/"
    alerts = _alerts(
        tmp_path, monkeypatch, capsys, url=url, stdin=_Typed("R. Marsh\n"), words=["--alert-seen", "mail=A. Reed"]
    )
    said = "a test message was not sent: the receiver can't be reached, or did not take it"
    assert alerts == [("failed", said)]


def _alerts(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    *,
    url: str,
    stdin: io.StringIO,
    words: list[str],
) -> list[tuple[str, str]]:
    """Judge kept evidence in which nobody said anything of alerts; give what the certificate says of them."""
    path = folder / "site.toml"
    path.write_text(PLAN, encoding="utf-8")
    monkeypatch.setenv(str(house().alert["mail"].url_env), url)
    monkeypatch.setattr(sys, "stdin", stdin)
    stdin.seek(0)
    kept = _evidence(folder, [one for one in as_planned() if not (isinstance(one, Notice) and one.kind == ALERT)])
    main(["accept", str(path), "--evidence", kept, "--out", str(folder), "--send-alert", "--json", *words])
    results = json.loads(capsys.readouterr().out)["content"]["results"]
    alerts = next(one for one in results if one["key"] == "alerts")
    return [(one["outcome"], one["evidence"]) for one in alerts["items"]]


def test_a_baseline_from_captures_and_the_plan_of_the_move(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Our own captures give a baseline file and a list; from it the move is planned."""
    site = str(ROOT / "netaudit/demo/site.toml")
    files = [str(ROOT / "pcaps" / name) for name in ("wired.pcap", "air.pcap")]
    assert main(["baseline", site, "spring", "--from", *files, "--out", str(tmp_path)]) == 0
    assert "devices, from captures" in capsys.readouterr().out
    kept, page = tmp_path / "spring.baseline.json", tmp_path / "move.html"
    document = json.loads(kept.read_text("utf-8"))
    assert "heron" in document["content"]["ssids"]
    assert main(["cutover", site, "--from", str(kept), "--plan", "--page", str(page)]) == 0
    assert "1. Keep the way back" in capsys.readouterr().out
    assert page.read_text("utf-8").startswith("<!doctype html>")


def test_a_baseline_from_captures_is_kept_where_the_watch_finds_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --keep the store has the very text of the file; a store that isn't there is named, and none is made."""
    site, capture = str(ROOT / "netaudit/demo/site.toml"), str(ROOT / "pcaps" / "wired.pcap")
    kept = str(tmp_path / "site.db")
    call = ["baseline", site, "spring", "--from", capture, "--out", str(tmp_path), "--keep", kept]
    assert main(call) == 2
    assert "site.db: is not there" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    now = datetime.now(UTC)
    name = load_site(site).site.name
    Store.open(kept, site=name, clock=lambda: now).close()
    assert main(call) == 0
    with Store.open(kept, site=name, clock=lambda: now) as store:
        document = store.baseline("spring")
    assert document is not None
    assert document.document == (tmp_path / "spring.baseline.json").read_text("utf-8")


def test_what_a_watch_kept_until_it_ended_is_taken_from_its_end(plan: str, tmp_path: Path) -> None:
    """Of a watch that ended days ago the last stretch before its end is taken, not an empty one before now."""
    kept, ended = str(tmp_path / "site.db"), datetime.now(UTC).replace(microsecond=0) - timedelta(days=3)
    with Store.open(kept, site=parse_site(PLAN).site.name, clock=lambda: ended) as store:
        store.write([Sighting(ended, "home", DESK, "192.0.2.21", How.ARP)])
        store.flush(ended)
    assert main(["accept", plan, "--store", kept, "--for", "1h", "--out", str(tmp_path / "out")]) == 0
    content = json.loads((tmp_path / "out" / "certificate.json").read_text())["content"]
    until = datetime.fromisoformat(content["until"])
    assert timedelta() < until - ended <= timedelta(seconds=1)
    assert datetime.fromisoformat(content["since"]) == until - timedelta(hours=1)
    presence = next(result for result in content["results"] if result["key"] == "presence")
    assert {item["place"] for item in presence["items"] if item["outcome"] == "passed"} == {"device:desk"}


def test_baseline_and_cutover_from_the_store(plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a watch kept an hour ago is the baseline, under its name; what it keeps now is compared with it."""
    now = datetime.now(UTC)
    kept = str(tmp_path / "site.db")
    seen: list[Observation] = [
        Health(now, "sweep:home", good=True, reason=""),
        *(Sighting(now - timedelta(minutes=ago), "home", DESK, "192.0.2.21", How.ARP) for ago in (20, 10, 1)),
        Naming(now, DESK, "desk", How.DHCP),
        Sample(now - timedelta(minutes=1), f"device:{DESK}", "rtt_s", 0.001),
    ]
    with Store.open(kept, site=parse_site(PLAN).site.name, clock=lambda: now) as store:
        store.write(seen)
        store.flush(now)
    assert main(["baseline", plan, "spring", "--store", kept, "--for", "1h", "--out", str(tmp_path)]) == 0
    (tmp_path / "spring.baseline.json").unlink()
    capsys.readouterr()
    assert main(["cutover", plan, "--from", "spring", "--store", kept, "--for", "1h", "--json"]) == 1
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert [row["stage"] for row in rows if row["mac"] == DESK] == ["back"]
    assert {row["title"] for row in rows if row["stage"] == "missing"} >= {"hall", "gate", "kiln"}


def test_a_clash_beside_a_running_watch_keeps_the_move_from_being_over(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It has gone on for half an hour, which the tables don't say yet; status 1, and the line says as of when."""
    kept, began = str(tmp_path / "site.db"), datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=30)
    frozen = tmp_path / "spring.baseline.json"
    frozen.write_text(write_baseline(before()), encoding="utf-8")
    detail = (("address", "192.0.2.21"), ("macs", f"{DESK} {GATE}"))
    with Store.open(kept, site=parse_site(PLAN).site.name, clock=lambda: datetime.now(UTC)) as watch:
        for minutes in range(0, 30, 5):
            at = began + timedelta(minutes=minutes)
            watch.write([Notice(at, "segment:home", "address_conflict", detail)])
            watch.flush(at)
        assert main(["cutover", plan, "--from", str(frozen), "--store", kept]) == 1
    said = f"- 192.0.2.21 is claimed by {DESK} and {GATE} (as known 30 min ago; if it is mended, it stands here for "
    assert said in capsys.readouterr().out


def test_the_end_of_the_night_says_who_is_back_without_a_service(
    plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A service that the store heard before the move and not since is in the last lines."""
    kept = str(tmp_path / "kept.db")
    now = datetime.now(UTC) - timedelta(seconds=5)
    old = now - timedelta(days=2)
    frozen = tmp_path / "spring.baseline.json"
    frozen.write_text(write_baseline(before(Naming(OLD, DESK, "_ipp._tcp", How.SERVICE))), encoding="utf-8")
    with Store.open(kept, site=parse_site(PLAN).site.name, clock=lambda: now) as store:
        store.write([Sighting(old, "home", DESK, "192.0.2.21", How.ARP), Naming(old, DESK, "_ipp._tcp", How.SERVICE)])
        store.write([Sighting(now, "home", DESK, "192.0.2.21", How.ARP)])
        store.flush(now)
    assert main(["cutover", plan, "--from", str(frozen), "--store", kept, "--for", "1h"]) == 1
    *_, heading, line = capsys.readouterr().out.splitlines()
    assert heading == "back, and not yet as before:"
    assert line.endswith("192.0.2.21  home  offered _ipp._tcp before, not yet again")


def test_a_file_that_is_no_baseline_is_refused(plan: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that leads nowhere, and a file of another kind, end in a line that says what to do."""
    assert main(["cutover", plan, "--from", str(tmp_path / "none")]) == 2
    assert "make one with netaudit baseline" in capsys.readouterr().err
    assert main(["cutover", plan, "--from", plan, "--plan"]) == 2
    assert "is no baseline of ours" in capsys.readouterr().err


NIGHT = """
[site]
name = "Laboratory"
[looking]
sweep_every = "3 s"
echo_every = "1 s"
gateway_every = "1 s"
pace = 500
retries = 1
[room.study]
[segment.home]
network = "192.0.2.0/27"
gateway = "192.0.2.2"
interface = "seg0"
[switch.shelf]
[device.desk]
kind = "desktop"
at = "study"
mac = ["02:00:00:00:01:20"]
address = "192.0.2.20"
[device.scale]
kind = "controller"
at = "study"
mac = ["02:00:00:00:01:21"]
needs = "turn the key at its back"
"""
ROUTER, DESK_HOST, SCALE = (
    Host(f"02:00:00:00:01:{host:02x}", f"192.0.2.{number}", delay_s=0.001)
    for host, number in ((2, 2), (0x20, 20), (0x21, 21))
)


@pytest.mark.timeout(120)
def test_the_night_of_a_move_in_the_laboratory(lab: Lab, tmp_path: Path) -> None:
    """
    A baseline by looking; then the scale is off: a line says that it is missing and what it needs. When it comes up while
    the command looks, a line says so, and nothing remains.
    """
    plan, page = tmp_path / "site.toml", tmp_path / "night.html"
    plan.write_text(NIGHT, encoding="utf-8")
    segment = lab.segment([ROUTER, DESK_HOST, SCALE], own=["192.0.2.1/27"])

    def words(*more: str) -> list[str]:
        return [sys.executable, "-m", "netaudit", more[0], str(plan), *more[1:]]

    said = lab.run(words("baseline", "spring", "--for", "2s", "--out", str(tmp_path))).stdout
    assert "3 devices, from looking" in said
    segment.remove(SCALE)
    kept = str(tmp_path / "spring.baseline.json")
    done = lab.run(words("cutover", "--from", kept, "--for", "3s", "--page", str(page)), check=False)
    assert done.returncode == 1
    assert "missing  scale  192.0.2.21  home  turn the key at its back" in done.stdout
    assert "2 of 3 are back, 1 to go" in done.stdout
    assert "turn the key at its back" in page.read_text("utf-8")
    process = lab.popen(words("cutover", "--from", kept, "--for", "14s"), stdout=subprocess.PIPE, text=True)
    first = process.stdout.readline() if process.stdout else ""
    assert "missing  scale" in first
    segment.set(SCALE)
    said = process.communicate(timeout=60)[0]
    assert process.returncode == 0
    assert "back  scale" in said
    assert "All 3 are back where they belong" in said


@pytest.mark.timeout(60)
def test_stopping_a_long_look_keeps_what_was_seen(lab: Lab, tmp_path: Path) -> None:
    """SIGINT after the first sweeps of a day's look: the baseline is written with those who answered, with status 0."""
    plan = tmp_path / "site.toml"
    plan.write_text(NIGHT, encoding="utf-8")
    segment = lab.segment([ROUTER, DESK_HOST, SCALE], own=["192.0.2.1/27"])
    words = [sys.executable, "-m", "netaudit"]
    process = lab.popen(
        [*words, "baseline", str(plan), "spring", "--out", str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    said = process.stderr.readline() if process.stderr else ""
    assert said == "looking for 24 h; Ctrl-C ends it sooner and keeps what was seen by then\n"
    while segment.counts().answered.get("arp", 0) < 3:
        time.sleep(0.1)
    time.sleep(2.0)  # what a sweep heard is handed over at its end: here 30 addresses, twice, at 500 frames/s
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=30)
    assert (process.returncode, out.splitlines()[0]) == (0, "3 devices, from looking")
    assert (tmp_path / "spring.baseline.json").exists()


@pytest.mark.timeout(60)
def test_an_empty_segment_makes_no_baseline(lab: Lab, tmp_path: Path) -> None:
    """Where nobody answered nothing is frozen: what would be compared with it later would all be new."""
    plan = tmp_path / "site.toml"
    plan.write_text(NIGHT, encoding="utf-8")
    lab.segment(own=["192.0.2.1/27"])
    words = [sys.executable, "-m", "netaudit", "baseline", str(plan), "spring", "--for", "2s", "--out", str(tmp_path)]
    done = lab.run(words, check=False)
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith("netaudit baseline: nobody was seen: ")
    assert not list(tmp_path.glob("spring*"))


@pytest.mark.timeout(60)
def test_accepting_by_looking_says_what_too_short_a_look_can_not_prove(lab: Lab, tmp_path: Path) -> None:
    """
    Six seconds prove who is there; loss stays open; the word for the restart is given; the certificate holds.

    Nobody leases addresses here, as the plan has it: that was asked, and passes without a waiver.
    """
    plan = tmp_path / "site.toml"
    plan.write_text(NIGHT.replace("[segment.home]\n", "[segment.home]\ndhcp = false\n"), encoding="utf-8")
    lab.segment([ROUTER, DESK_HOST, SCALE], own=["192.0.2.1/27"])
    words = [sys.executable, "-m", "netaudit", "accept", str(plan)]
    done = lab.run([*words, "--for", "6s", "--out", str(tmp_path), "--json", "--restart", "the shelf"], check=False)
    document = json.loads(done.stdout)
    outcomes = {one["key"]: {item["outcome"] for item in one["items"]} for one in document["content"]["results"]}
    assert outcomes["presence"] == {"passed"}
    assert outcomes["dhcp"] == {"passed"}
    assert outcomes["loss"] == {"not tested"}
    assert outcomes["restart"] == {"passed"}
    assert "now switch off and on again, within 2 s: the shelf" in done.stderr
    assert lab.run([*words, "--verify", str(tmp_path / "certificate.json")]).returncode == 0


def test_the_table_of_the_night_fits_a_narrow_terminal() -> None:
    """On 80 columns and 20 rows: what needs a hand first, a word on how many more, no line longer, no hostile sign."""
    told = io.StringIO()
    out = Console(file=told, width=80, height=20, force_terminal=False)
    seen = [
        one
        for number in range(60)
        for one in seen_at(OLD, f"00:00:5e:00:54:{number:02x}", "10.0.0.9", "\u202ex\x1b[31m")
    ]
    found = progress(before(*seen), house(), evidence_of(OLD, ()))
    out.print(_table(found, sentence(found), out))
    lines = told.getvalue().splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 20
    assert f"and {len(found.rows) - 12} more" in told.getvalue()
    assert "\u202e" not in told.getvalue()
    assert "\x1b" not in told.getvalue()


@pytest.mark.parametrize(
    ("written", "seconds"), [("30m", 1800), ("30 min", 1800), ("24h", 86400), ("2 d", 172800), ("90s", 90)]
)
def test_times_are_read_as_people_write_them(written: str, seconds: float) -> None:
    """Minutes may be written m here, where nothing is measured in metres."""
    assert seconds_of(written) == seconds


def test_what_is_no_time_is_refused() -> None:
    """A length, a word and nothing are no times."""
    for written in ("", "soon", "5 kg"):
        with pytest.raises(OutOfRange):
            seconds_of(written)
