"""Public signing keys of outfits, and the sealed records of calls.

Revision: 0009_call, after 0008_health.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009_call"
down_revision = "0008_health"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "outfit_key",
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("key_id", sa.Text(), nullable=False),
        sa.Column("public_key", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_outfit_key_outfit_id")),
        sa.PrimaryKeyConstraint("outfit_id", "key_id", name=op.f("pk_outfit_key")),
    )
    op.create_table(
        "call_record",
        sa.Column("trip_id", sa.Text(), nullable=False),
        sa.Column("call_id", sa.Text(), nullable=False),
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("sealed", sa.Text(), nullable=False),
        sa.Column("sealed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_call_record_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", "call_id", name=op.f("pk_call_record")),
    )


def downgrade() -> None:
    for name in ("call_record", "outfit_key"):
        op.drop_table(name)
