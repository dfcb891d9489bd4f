"""A database with the empty journals `trip` and `other`."""

from tests.journal.conftest import db

__all__ = ["db"]
