"""What happened to flags, the outfit's party rules, who is told, and what is on its way to them.

Revision: 0006_flags, after 0005_access.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006_flags"
down_revision = "0005_access"
branch_labels = None
depends_on = None


def text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def moment(name: str, *, nullable: bool = False) -> sa.Column[sa.DateTime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), nullable=False, autoincrement=False)


def upgrade() -> None:
    op.create_table(
        "flag_event",
        text("trip_id"),
        number("seq"),
        number("place"),
        moment("at"),
        *map(text, ("happened", "finding", "subject", "requirement", "what", "gap", "grade", "hold")),
        *map(text, ("cause", "cause_kind", "by_name", "because")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_flag_event_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", "seq", "place", name=op.f("pk_flag_event")),
    )
    op.create_index(op.f("ix_flag_event_trip_id_finding"), "flag_event", ["trip_id", "finding"])
    op.create_table(
        "flag_history",
        text("trip_id"),
        number("seq"),
        text("hash"),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_flag_history_trip_id")),
        sa.PrimaryKeyConstraint("trip_id", name=op.f("pk_flag_history")),
    )
    op.create_table(
        "party_rule",
        text("outfit_id"),
        text("id"),
        text("rule"),
        moment("entered_at"),
        text("entered_by"),
        moment("ended_at", nullable=True),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_party_rule_outfit_id")),
        sa.PrimaryKeyConstraint("outfit_id", "id", name=op.f("pk_party_rule")),
    )
    op.create_table(
        "watcher",
        text("id"),
        text("outfit_id"),
        text("trip_id"),
        text("channel"),
        text("address"),
        number("told_seq"),
        moment("created_at"),
        text("created_by"),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_watcher_outfit_id")),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_watcher_trip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watcher")),
    )
    op.create_index(op.f("ix_watcher_trip_id"), "watcher", ["trip_id"])
    op.create_table(
        "outbox",
        *map(text, ("id", "watcher_id", "trip_id", "channel", "address", "title", "text", "payload")),
        moment("created_at"),
        number("tries"),
        moment("next_at", nullable=True),
        moment("sent_at", nullable=True),
        text("last_error"),
        sa.ForeignKeyConstraint(
            ["watcher_id"], ["watcher.id"], name=op.f("fk_outbox_watcher_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
    )
    op.create_index(op.f("ix_outbox_next_at"), "outbox", ["next_at"])


def downgrade() -> None:
    for name in ("outbox", "watcher", "party_rule", "flag_history", "flag_event"):
        op.drop_table(name)
