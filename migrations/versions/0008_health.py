"""Wrapped keys of people's health notes, and the log of who read them.

Revision: 0008_health, after 0007_forecast_refresh.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008_health"
down_revision = "0007_forecast_refresh"
branch_labels = None
depends_on = None


def text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def moment(name: str, *, nullable: bool = False) -> sa.Column[sa.DateTime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "health_key",
        *map(text, ("id", "trip_id", "member", "master", "wrapped")),
        moment("created_at"),
        moment("erased_at", nullable=True),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_health_key_trip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_health_key")),
    )
    op.create_index(op.f("ix_health_key_trip_id_member"), "health_key", ["trip_id", "member"])
    op.create_table(
        "health_access",
        *map(text, ("id", "trip_id", "member", "reader", "reader_name", "did")),
        sa.Column("notes", sa.Integer(), nullable=False),
        moment("at"),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_health_access_trip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_health_access")),
    )
    op.create_index(op.f("ix_health_access_trip_id_member"), "health_access", ["trip_id", "member"])


def downgrade() -> None:
    op.drop_table("health_access")
    op.drop_table("health_key")
