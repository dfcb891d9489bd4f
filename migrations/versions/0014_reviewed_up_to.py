"""Up to which entry trips were reviewed is read from an index alone.

Revision: 0014_reviewed_up_to, after 0013_letter_numbers.
"""

from __future__ import annotations

from alembic import op

revision = "0014_reviewed_up_to"
down_revision = "0013_letter_numbers"
branch_labels = None
depends_on = None

BEFORE, AFTER = "ix_season_trip_outfit_id_trip_id", "ix_season_trip_outfit_id_trip_id_seq"


def upgrade() -> None:
    op.drop_index(BEFORE, "season_trip")
    op.create_index(AFTER, "season_trip", ["outfit_id", "trip_id", "seq"])


def downgrade() -> None:
    op.drop_index(AFTER, "season_trip")
    op.create_index(BEFORE, "season_trip", ["outfit_id", "trip_id"])
