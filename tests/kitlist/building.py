"""Small editions for tests."""

from typing import Any

from api.kitlist.schemas import Edition

PRACTICE = {"kind": "common-practice", "source": "common practice, no published source"}


def a_requirement(**changes: Any) -> dict[str, Any]:
    """A requirement as a file gives it."""
    return {
        "id": "mug",
        "item": "Mug",
        "zone": "kitchen-water",
        "grades": [{"grade": "fix", "at": "base"}],
        "why": "To drink from.",
        "clears": "A mug.",
        "basis": PRACTICE,
    } | changes


def an_edition(*requirements: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """An edition as a file gives it."""
    return {
        "id": "small",
        "title": "Small list",
        "dated": "2026-03-01",
        "lines": [{"id": "cold", "title": "Cold", "metric": "freezing_level_m", "value": "3600 m"}],
        "requirements": list(requirements) or [a_requirement()],
    } | changes


def built(*requirements: dict[str, Any], **changes: Any) -> Edition:
    return Edition.model_validate(an_edition(*requirements, **changes))
