from __future__ import annotations

import re
import subprocess
import sys

import pytest
from scapy.libs.manuf import DATA

from netaudit.wire.oui import is_group, is_randomised, vendor

# The registry's own lines, read by a pattern: prefix as hexadecimal digits, its length in bits, the organisation.
LINES = [
    (found[1].replace(":", ""), int(found[2] or 24), found[3].strip())
    for line in DATA.splitlines()
    if (found := re.match(r"([0-9A-F:]+)(?:/(\d+))?\s+\S+\s*\t(.*)", line))
]
GLOBAL = [(digits, bits, name) for digits, bits, name in LINES if int(digits[:2], 16) & 3 == 0 and name]


@pytest.mark.parametrize("bits", [24, 28, 36])
def test_each_length_of_block_is_found(bits: int) -> None:
    """The first address of blocks of each length, and one inside, belong to the organisation that the line names."""
    of_length = [(digits, name) for digits, length, name in GLOBAL if length == bits]
    # A larger block is shadowed where the registry splits it; the smaller blocks have lines of their own.
    split = {digits[:6] for digits, length, _ in GLOBAL if length > 24}
    sample = [(digits, name) for digits, name in of_length if bits > 24 or digits not in split]
    assert len(sample) > 1000
    for digits, name in sample[:: len(sample) // 40]:
        head = digits[: bits // 4]
        assert vendor(bytes.fromhex(head.ljust(12, "0"))) == name
        assert vendor(bytes.fromhex(head.ljust(12, "5"))) == name


def test_a_small_block_wins_over_the_large_one_around_it() -> None:
    """The makers that share one 24-bit block are told apart; none gets the name of the block's registrar."""
    block = next(digits[:6] for digits, bits, _ in GLOBAL if bits == 36)
    makers = {vendor(bytes.fromhex(digits[:9].ljust(12, "0"))) for digits, _, _ in GLOBAL if digits.startswith(block)}
    assert len(makers) > 50


@pytest.mark.parametrize("mac", ["020000000001", "fe0000000001", "01005e0000fb", "ffffffffffff"])
def test_made_up_and_group_addresses_have_no_maker(mac: str) -> None:
    """IEEE 802-2014, 8.4: the local and the group bit say that no block was assigned."""
    assert vendor(bytes.fromhex(mac)) is None


# IEEE 802-2014, 8.4: in the first octet bit 0 is the group bit and bit 1 the local bit.
@pytest.mark.parametrize(
    ("mac", "group", "randomised"),
    [
        ("00005e005301", False, False),
        ("020000000001", False, True),
        ("da0000000001", False, True),
        ("01005e0000fb", True, False),
        ("33330000000c", True, False),
        ("ffffffffffff", True, False),
    ],
)
def test_the_two_bits(mac: str, group: bool, randomised: bool) -> None:  # noqa: FBT001 - a table
    """Group addresses are no devices; locally administered single ones were made up."""
    assert (is_group(bytes.fromhex(mac)), is_randomised(bytes.fromhex(mac))) == (group, randomised)


def test_unassigned_blocks_and_odd_sizes_have_no_maker() -> None:
    """What isn't in the registry, and what is no MAC."""
    known = {digits[:6] for digits, _, _ in LINES}
    free = next(f"{number:06x}" for number in range(0xFC0000, 0xFFFFFF, 4) if f"{number:06X}" not in known)
    assert vendor(bytes.fromhex(free + "000001")) is None
    assert vendor(b"") is None
    assert vendor(bytes(8)) is None


def test_the_registry_is_loaded_only_when_asked_for() -> None:
    """Importing the module, and asking about made-up addresses, leaves the registry and the rest of its home alone."""
    code = (
        "import sys; from netaudit.wire.oui import vendor; vendor(b'\\2aaaaa');"
        "assert not [m for m in sys.modules if m.startswith('scapy')];"
        "vendor(bytes(6)); assert 'scapy.all' not in sys.modules; assert 'scapy.libs.manuf' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_without_the_registry_nobody_has_a_vendor() -> None:
    """Where scapy was left out the census works, and what it would have said of makers is unknown."""
    asked = (
        "import sys; sys.modules['scapy'] = None; "
        "import netaudit.cli.census, netaudit.observe.census_document; "
        "from netaudit.wire.oui import is_randomised, vendor; "
        f"print(vendor(bytes.fromhex('{GLOBAL[0][0][:6]}000000')), is_randomised(b'\\2\\0\\0\\0\\0\\0'))"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout == "None True\n"


def test_no_module_needs_scapy() -> None:
    """Each module of the program can be imported without it."""
    asked = (
        "import sys; sys.modules['scapy'] = None; import importlib, pkgutil, netaudit\n"
        "for one in pkgutil.walk_packages(netaudit.__path__, 'netaudit.'):\n"
        "    if not one.name.endswith(('__main__', '.env')) and '.migrations.' not in one.name:\n"
        "        importlib.import_module(one.name)\n"
        "print('all')"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=False)
    assert done.stdout == "all\n", done.stderr
