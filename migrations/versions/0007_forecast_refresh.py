"""Where fetching forecasts stands, for each trip and provider.

Revision: 0007_forecast_refresh, after 0006_flags.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007_forecast_refresh"
down_revision = "0006_flags"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "forecast_refresh",
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("trip_id", sa.Text(), nullable=False),
        sa.Column("provider", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.Column("forecast", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_forecast_refresh_outfit_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_forecast_refresh_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", "provider", name=op.f("pk_forecast_refresh")),
    )


def downgrade() -> None:
    op.drop_table("forecast_refresh")
