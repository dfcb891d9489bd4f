"""Personal links for self-reports, and photos of gear.

Revision: 0011_selfreport, after 0010_seasons.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011_selfreport"
down_revision = "0010_seasons"
branch_labels = None
depends_on = None


def text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def moment(name: str, *, nullable: bool = False) -> sa.Column[sa.DateTime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def belongs(table: str, column: str, to: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [to], name=op.f(f"fk_{table}_{column}"))


def upgrade() -> None:
    op.create_table(
        "selfreport_link",
        *map(text, ("id", "outfit_id", "trip_id", "member", "token_hash")),
        moment("created_at"),
        text("created_by"),
        moment("expires_at"),
        moment("revoked_at", nullable=True),
        text("sent_to"),
        moment("sent_at", nullable=True),
        moment("used_at", nullable=True),
        belongs("selfreport_link", "outfit_id", "outfit.id"),
        belongs("selfreport_link", "trip_id", "trip.id"),
        sa.UniqueConstraint("token_hash", name=op.f("uq_selfreport_link_token_hash")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_selfreport_link")),
    )
    op.create_index(op.f("ix_selfreport_link_trip_id_member"), "selfreport_link", ["trip_id", "member"])
    op.create_table(
        "photo",
        *map(text, ("trip_id", "subject", "requirement", "hash", "outfit_id", "shows")),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("small", sa.LargeBinary(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        moment("added_at"),
        text("added_by"),
        belongs("photo", "trip_id", "trip.id"),
        sa.PrimaryKeyConstraint("trip_id", "subject", "requirement", "hash", name=op.f("pk_photo")),
    )


def downgrade() -> None:
    for name in ("photo", "selfreport_link"):
        op.drop_table(name)
