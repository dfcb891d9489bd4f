"""Forecasts received, immutable, by their content.

Revision: 0003_forecast, after 0002_kit_edition.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003_forecast"
down_revision = "0002_kit_edition"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "forecast",
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("provider", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_forecast_outfit_id")),
        sa.PrimaryKeyConstraint("outfit_id", "hash", name=op.f("pk_forecast")),
    )


def downgrade() -> None:
    op.drop_table("forecast")
