"""Kit list editions.

Revision: 0002_kit_edition, after 0001_journal.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002_kit_edition"
down_revision = "0001_journal"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "kit_edition",
        sa.Column("outfit_id", sa.Text(), nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("family", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column(
            "state",
            sa.Enum(
                "draft",
                "published",
                name="editionstate",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("used", sa.Boolean(), nullable=False),
        sa.Column("made_from", sa.Text(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_kit_edition_outfit_id")),
        sa.PrimaryKeyConstraint("outfit_id", "id", name=op.f("pk_kit_edition")),
    )


def downgrade() -> None:
    op.drop_table("kit_edition")
