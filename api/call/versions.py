"""Which code an evaluation came from: a hash of the source of each room that takes part in it."""

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import api
from api.conditions.evaluate import CODE

ROOMS = ("science", "kitlist", "conditions", "journal", "readiness", "call")
"""The rooms whose code a record depends on, lowest first."""


@cache
def code_versions() -> dict[str, str]:
    """The release, the version of the conditions, and for each room the hash of its source."""
    home = Path(api.__file__).parent
    found = {"rimaye": api.__version__, "conditions_version": CODE, "numpy": version("numpy")}
    for room in ROOMS:
        digest = hashlib.sha256()
        for file in sorted((home / room).rglob("*.py")):
            digest.update(file.relative_to(home).as_posix().encode())
            digest.update(file.read_bytes())
        found[room] = digest.hexdigest()[:16]
    return found
