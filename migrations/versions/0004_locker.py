"""The locker, its events, where things can be bought, and the loans of trips.

Revision: 0004_locker, after 0003_forecast.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004_locker"
down_revision = "0003_forecast"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "trip_loan",
        sa.Column("trip_id", sa.Text(), nullable=False),
        sa.Column("loan", sa.Text(), nullable=False),
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("giver", sa.Text(), nullable=True),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("requirement", sa.Text(), nullable=False),
        sa.Column("units", sa.Integer(), nullable=False),
        sa.Column("until", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_trip_loan_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", "loan", name=op.f("pk_trip_loan")),
    )
    op.create_index(op.f("ix_trip_loan_outfit_id_giver"), "trip_loan", ["outfit_id", "giver"])
    op.create_table(
        "locker_item",
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("meets", sa.Text(), nullable=False),
        sa.Column("size", sa.Text(), nullable=False),
        sa.Column("sized_by", sa.Text(), nullable=False),
        sa.Column("weight_g", sa.Float(), nullable=True),
        sa.Column("answers", sa.Text(), nullable=False),
        sa.Column("traits", sa.Text(), nullable=False),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("protective", sa.Text(), nullable=True),
        sa.Column("made", sa.Date(), nullable=True),
        sa.Column("bought", sa.Date(), nullable=True),
        sa.Column("first_use", sa.Date(), nullable=True),
        sa.Column("days_used", sa.Integer(), nullable=False),
        sa.Column("inspected_on", sa.Date(), nullable=True),
        sa.Column("inspect_months", sa.Integer(), nullable=True),
        sa.Column("years_from_made", sa.Float(), nullable=True),
        sa.Column("years_from_first_use", sa.Float(), nullable=True),
        sa.Column("retire_by", sa.Date(), nullable=True),
        sa.Column("limit_source", sa.Text(), nullable=False),
        sa.Column("quarantined_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("quarantine_reason", sa.Text(), nullable=False),
        sa.Column("retired_on", sa.Date(), nullable=True),
        sa.Column("retired_reason", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_locker_item_outfit_id")),
        sa.PrimaryKeyConstraint("outfit_id", "id", name=op.f("pk_locker_item")),
    )
    op.create_table(
        "locker_event",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("item", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Text(), nullable=False),
        sa.Column("by_name", sa.Text(), nullable=False),
        sa.Column("says", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outfit_id", "item"],
            ["locker_item.outfit_id", "locker_item.id"],
            name=op.f("fk_locker_event_outfit_id_item"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_locker_event")),
    )
    op.create_index(op.f("ix_locker_event_outfit_id_item"), "locker_event", ["outfit_id", "item"])
    op.create_table(
        "locker_shop",
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("meets", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("price", sa.Float(), nullable=True),
        sa.Column("currency", sa.Text(), nullable=False),
        sa.Column("answers", sa.Text(), nullable=False),
        sa.Column("traits", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_locker_shop_outfit_id")),
        sa.PrimaryKeyConstraint("outfit_id", "id", name=op.f("pk_locker_shop")),
    )


def downgrade() -> None:
    for name in ("locker_shop", "locker_event", "locker_item", "trip_loan"):
        op.drop_table(name)
