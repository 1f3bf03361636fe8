"""
List what an installation is made of, from the lock: `python scripts/sbom.py > sbom.json` (CycloneDX 1.5, JSON).

The lock is the truth: names, versions and the hashes that pip holds every download against. Licences are those which the packages
of this environment state; one that is not installed here has none in the list.
"""

from __future__ import annotations

import json
import re
import sys
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
_NAMED = re.compile(r"^([A-Za-z0-9._-]+)==(\S+)")
_HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")


@dataclass(frozen=True)
class Package:
    """One package of the lock."""

    name: str
    version: str
    hashes: tuple[str, ...]

    @property
    def purl(self) -> str:
        """Its package URL, by the rules for PyPI: lower case, dashes."""
        return f"pkg:pypi/{re.sub(r'[-_.]+', '-', self.name).lower()}@{self.version}"


def packages(lock: str) -> list[Package]:
    """Read a lock as pip-compile writes it."""
    found: list[Package] = []
    for block in re.split(r"\n(?=\S)", lock):
        named = _NAMED.match(block)
        if named is not None:
            found.append(Package(named[1], named[2], tuple(_HASH.findall(block))))
    return found


def licence(name: str) -> str | None:
    """Give the licence that the installed package states: its expression, its short field, or its classifier."""
    try:
        told = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return None
    for short in (*told.get_all("License-Expression", []), *told.get_all("License", [])):
        if short and "\n" not in short and len(short) <= 60:
            return str(short)
    named = [line.rpartition(" :: ")[2] for line in told.get_all("Classifier", []) if line.startswith("License ::")]
    return named[0] if named else None


def document(lock: str, version: str) -> dict[str, object]:
    """Give the list; the same lock gives the same list."""
    components = []
    for package in packages(lock):
        component: dict[str, object] = {
            "type": "library",
            "name": package.name,
            "version": package.version,
            "purl": package.purl,
            "bom-ref": package.purl,
            # A package has a hash for each of its files; which one was taken depends on the machine.
            "properties": [{"name": "netaudit:lock:sha256", "value": one} for one in package.hashes],
        }
        said = licence(package.name)
        if said is not None:
            component["licenses"] = [{"license": {"name": said}}]
        components.append(component)
    own = {"type": "application", "name": "netaudit", "version": version, "bom-ref": f"pkg:pypi/netaudit@{version}"}
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": own},
        "components": components,
        "dependencies": [{"ref": own["bom-ref"], "dependsOn": [one["bom-ref"] for one in components]}],
    }


def main() -> None:
    """Print the list."""
    version = re.search(r'^version = "(.+)"$', (ROOT / "pyproject.toml").read_text("utf-8"), re.MULTILINE)
    if version is None:
        sys.exit("pyproject.toml has no version")
    json.dump(document((ROOT / "requirements.lock").read_text("utf-8"), version[1]), sys.stdout, indent=1)
    print()


if __name__ == "__main__":
    main()
