"""Watchers by web push: whose device it is, and what messages to it are sealed with.

Revision: 0012_watchers, after 0011_selfreport.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012_watchers"
down_revision = "0011_selfreport"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("watcher", sa.Column("staff_id", sa.Text(), nullable=True))
    op.add_column("watcher", sa.Column("keys", sa.Text(), nullable=False, server_default="{}"))


def downgrade() -> None:
    for name in ("keys", "staff_id"):
        op.drop_column("watcher", name)
