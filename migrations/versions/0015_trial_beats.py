"""When a trial that runs was last heard of, so that every process knows whether it still does.

Revision: 0015_trial_beats, after 0014_reviewed_up_to.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015_trial_beats"
down_revision = "0014_reviewed_up_to"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("season_trial", sa.Column("heard_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    op.drop_column("season_trial", "heard_at")
