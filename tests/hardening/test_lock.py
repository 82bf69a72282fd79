"""The lock names every package that is required, within its bounds, with a hash and a license."""

from __future__ import annotations

import re
import tomllib

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.hardening.targets import ROOT

LINE = re.compile(r"(?P<name>[A-Za-z0-9._-]+)==(?P<version>\S+) --hash=sha256:[0-9a-f]{64}  # (?P<license>\S.*)")


def test_the_lock_holds_what_is_required_within_its_bounds():
    lines = (ROOT / ".ci" / "requirements.lock").read_text().splitlines()
    found = [LINE.fullmatch(line) for line in lines if not line.startswith("#")]
    assert all(found)
    locked = {canonicalize_name(one["name"]): one["version"] for one in found}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    wanted = [
        Requirement(text) for text in (*project["dependencies"], *(one for part in extras.values() for one in part))
    ]
    for requirement in wanted:
        name = canonicalize_name(requirement.name)
        # Fuzzing by coverage is run by hand, and no part of CI.
        if name not in ("logan", "atheris"):
            assert requirement.specifier.contains(locked[name], prereleases=True), requirement
