"""Outfits, trips, the journal, and who is on a trip.

Revision: 0001_journal, the first.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001_journal"
down_revision = None
branch_labels = None
depends_on = None

PARTITIONS = 8


def upgrade() -> None:
    op.create_table(
        "outfit",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outfit")),
    )
    op.create_table(
        "trip",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("starts_on", sa.Date(), nullable=True),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("head_seq", sa.Integer(), nullable=False),
        sa.Column("head_hash", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_trip_outfit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trip")),
    )
    op.create_index(op.f("ix_trip_outfit_id"), "trip", ["outfit_id"])
    op.create_table(
        "journal_entry",
        sa.Column("trip_id", sa.Text(), nullable=False),
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("about", sa.Text(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("happened_at", sa.Text(), nullable=False),
        sa.Column("seen_seq", sa.BigInteger(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("received_at", sa.Text(), nullable=False),
        sa.Column("prev_hash", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_journal_entry_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", "seq", name=op.f("pk_journal_entry")),
        sa.UniqueConstraint("trip_id", "id", name=op.f("uq_journal_entry_trip_id_id")),
        postgresql_partition_by="HASH (trip_id)",
    )
    op.create_index(op.f("ix_journal_entry_trip_id_about"), "journal_entry", ["trip_id", "about"])
    if op.get_bind().dialect.name == "postgresql":
        for part in range(PARTITIONS):
            op.execute(
                f"CREATE TABLE journal_entry_p{part} PARTITION OF journal_entry"
                f" FOR VALUES WITH (MODULUS {PARTITIONS}, REMAINDER {part})"
            )
    op.create_table(
        "trip_member",
        sa.Column("trip_id", sa.Text(), nullable=False),
        sa.Column("member", sa.Text(), nullable=False),
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("rope", sa.Text(), nullable=True),
        sa.Column("left", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_trip_member_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", "member", name=op.f("pk_trip_member")),
    )


def downgrade() -> None:
    for name in ("trip_member", "journal_entry", "trip", "outfit"):
        op.drop_table(name)
