"""The list of what an installation is made of says what the lock says."""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
from importlib import metadata

import pytest

from tests.deploy.system import ROOT

_SPEC = importlib.util.spec_from_file_location("sbom", ROOT / "scripts" / "sbom.py")
assert _SPEC is not None
assert _SPEC.loader is not None
sbom = importlib.util.module_from_spec(_SPEC)
sys.modules["sbom"] = sbom
_SPEC.loader.exec_module(sbom)


# What these are licensed under stands in their repositories only, not in what is installed.
SAY_NONE = {"resvg-py"}


def test_every_package_of_the_lock_is_listed_with_its_hashes() -> None:
    """The lock's pins, name by name and version by version, with as many hashes as it has."""
    lock = (ROOT / "requirements.lock").read_text("utf-8")
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "sbom.py")], capture_output=True, text=True, check=True
    )
    listed = json.loads(done.stdout)
    assert len(listed["components"]) == len(re.findall(r"^\S+==", lock, re.MULTILINE)) > 20
    assert sum(len(one["properties"]) for one in listed["components"]) == lock.count("--hash=sha256:")
    pins = re.findall(r"^(\S+)==(\S+)", lock, re.MULTILINE)
    assert sorted((one["name"], one["version"]) for one in listed["components"]) == sorted(pins)
    for one in listed["components"]:
        assert one["properties"], one["name"]
    unstated = {one["name"] for one in listed["components"] if "licenses" not in one}
    assert unstated <= SAY_NONE


def test_a_package_has_the_licence_that_it_states() -> None:
    """What is listed is what the installed package says of itself."""
    assert sbom.licence("starlette") == metadata.metadata("starlette")["License-Expression"]
    assert sbom.licence("not-a-package-of-ours") is None


def test_a_lock_is_read_as_it_is_written() -> None:
    """A pin, its hashes, the next pin; comments and options of the file are none."""
    lock = (
        "--find-links x\n\nalpha==1.0 \\\n    --hash=sha256:"
        + "a" * 64
        + " \\\n    --hash=sha256:"
        + "b" * 64
        + "\n# note\nBeta_x==2\n"
    )
    alpha, beta = sbom.packages(lock)
    assert (alpha.name, alpha.version, alpha.hashes) == ("alpha", "1.0", ("a" * 64, "b" * 64))
    assert beta.purl == "pkg:pypi/beta-x@2"


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-test.lock"])
def test_nothing_is_installed_without_a_hash(name: str) -> None:
    """Each pin of both locks has at least one."""
    for package in sbom.packages((ROOT / name).read_text("utf-8")):
        assert package.hashes, package.name
