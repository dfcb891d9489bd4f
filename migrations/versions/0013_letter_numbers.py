"""The numbers a season letter was begun with.

Revision: 0013_letter_numbers, after 0012_watchers.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013_letter_numbers"
down_revision = "0012_watchers"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("season_letter", sa.Column("numbers", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("season_letter", "numbers")
