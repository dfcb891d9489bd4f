"""The table of kit list editions."""

from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Text
from sqlmodel import Field, SQLModel

from api.columns import EnumText, JsonText, UtcDateTime


class EditionState(StrEnum):
    """Whether an edition may still be changed."""

    DRAFT = "draft"
    PUBLISHED = "published"


class KitEdition(SQLModel, table=True):
    """One edition of a kit list of one outfit. A published one is never changed."""

    __tablename__ = "kit_edition"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    id: str = Field(primary_key=True, sa_type=Text)
    family: str = Field(sa_type=Text)
    """Id of the first edition of this kit list; editions of one family are numbered together."""
    title: str = Field(sa_type=Text)
    number: int
    state: EditionState = Field(sa_type=EnumText(EditionState))
    used: bool = False
    """Whether a trip has named it."""
    made_from: str | None = Field(default=None, sa_type=Text)
    body: Any = Field(sa_type=JsonText)
    sha256: str = Field(sa_type=Text)
    """Hash of the body's canonical bytes; changes exactly when the content does."""
    created_at: datetime = Field(sa_type=UtcDateTime)
    changed_at: datetime = Field(sa_type=UtcDateTime)
