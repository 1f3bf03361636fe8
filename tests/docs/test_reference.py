"""The manual says what the program does: what is made from the code is compared with the code."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from netaudit.audit.rules.table import RULES
from netaudit.cli import COMMANDS, main
from netaudit.site.load import parse_site
from netaudit.site.model import Site

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
_SPEC = importlib.util.spec_from_file_location("generate", DOCS / "generate.py")
assert _SPEC is not None
assert _SPEC.loader is not None
generate = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(generate)


def test_every_page_is_as_the_program_makes_it() -> None:
    """The reference, the truth table and the computed numbers are those of this program: else `python docs/generate.py`."""
    stale = [path.name for path, text in generate.wanted().items() if path.read_text("utf-8") != text]
    assert stale == []


def test_the_reference_has_every_command_table_and_rule() -> None:
    """Nothing that can be called, written or found is without its place in the reference."""
    text = (DOCS / "reference.md").read_text("utf-8")
    for name in COMMANDS:
        assert f"### `netaudit {name}`\n" in text
    for rule in RULES:
        assert f"### `{rule.key}`\n" in text
    for name in Site.model_fields:
        assert re.search(rf"^### `\[+{name}", text, re.MULTILINE), name


def test_an_optional_quantity_has_its_unit() -> None:
    """A length that may be left out is a length in the reference, and not a bare number."""
    text = (DOCS / "reference.md").read_text("utf-8")
    assert "| `x` | length | none | Position on the site's drawing, from its left edge |" in text
    assert "| `lease` | time, > 0 | `1 d` | Lease time |" in text


def test_a_page_that_was_changed_by_hand_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A digit that somebody mended in the page only is found, and made again."""
    page = tmp_path / "computing.md"
    page.write_text((DOCS / "computing.md").read_text("utf-8").replace("12959 µs", "12958 µs"))
    monkeypatch.setattr(generate, "HERE", tmp_path)
    assert generate.wanted()[page] == (DOCS / "computing.md").read_text("utf-8")
    assert generate.main(["--check"]) == 1


def test_what_the_chapters_write_into_a_plan_can_stand_in_one() -> None:
    """The example that is installed, with every piece of a plan that a chapter shows, is a sound plan."""
    pieces = [(ROOT / "deploy" / "site.toml").read_text("utf-8")]
    for path in sorted(DOCS.glob("*.md")):
        pieces += re.findall(r"^```toml\n(.*?)^```", path.read_text("utf-8"), re.DOTALL | re.MULTILINE)
    assert len(pieces) >= 3
    site = parse_site("\n".join(pieces), "site.toml")
    assert set(site.alert) == {"mail"}
    assert site.switch["cupboard"].snmp is not None


def test_the_installed_example_carries_what_it_plans() -> None:
    """Who starts the watch with it, and adds no more than an interface, is not met by a finding of our making."""
    assert main(["dimension", str(ROOT / "deploy" / "site.toml")]) == 0


@pytest.mark.parametrize("path", sorted(DOCS.glob("*.md")), ids=lambda path: path.name)
def test_every_link_leads_somewhere(path: Path) -> None:
    """Links to other chapters, to their headings and to pictures exist."""
    for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text("utf-8")):
        if target.startswith("http"):
            continue
        name, _, heading = target.partition("#")
        page = path.parent / name if name else path
        assert page.exists(), target
        if heading:
            headings = re.findall(r"^#+ (.+)$", page.read_text("utf-8"), re.MULTILINE)
            assert heading in {re.sub(r"[^\w -]", "", one).strip().lower().replace(" ", "-") for one in headings}, (
                target
            )
