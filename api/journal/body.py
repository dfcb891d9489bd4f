"""The base of all bodies of entries, and the register a body writes to."""

from api.journal.trip import Value

Key = tuple[str, ...]


class Body(Value):
    """Base of all bodies."""

    def key(self) -> Key | None:
        """The register this body writes to; None when it stands for itself."""
        return None
