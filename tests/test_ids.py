"""Identifiers sort by time and are what RFC 9562 says they are."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from uuid import UUID, uuid4

import pytest

from api.ids import is_uuid7, new_id


def test_a_new_id_is_a_standard_uuid_of_version_7() -> None:
    made = new_id()
    assert type(made) is UUID
    assert is_uuid7(made)


def test_ids_made_one_after_the_other_sort_that_way() -> None:
    made = [new_id() for _ in range(2000)]
    assert made == sorted(made)
    assert len(set(made)) == 2000


def test_the_first_48_bits_are_milliseconds_since_1970() -> None:
    """RFC 9562, appendix A.6: 2022-02-22 14:22:22 -05:00 is 0x017F22E279B0 ms."""
    moment = datetime(2022, 2, 22, 14, 22, 22, tzinfo=timezone(-timedelta(hours=5)))
    assert new_id(moment).int >> 80 == 0x017F22E279B0


def test_the_example_of_the_standard_is_recognised() -> None:
    """RFC 9562, appendix A.6."""
    assert is_uuid7(UUID("017f22e2-79b0-7cc3-98c4-dc0c0c07398f"))
    assert not is_uuid7(uuid4())


def test_a_moment_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="has no time zone"):
        new_id(datetime(2026, 7, 14, tzinfo=UTC).replace(tzinfo=None))
