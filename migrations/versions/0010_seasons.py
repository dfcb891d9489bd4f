"""The review over past trips: its projections, trials of a changed kit list, and letters.

Revision: 0010_seasons, after 0009_call.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010_seasons"
down_revision = "0009_call"
branch_labels = None
depends_on = None


def text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def whole(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), nullable=False)


def packed(name: str) -> sa.Column[bytes]:
    return sa.Column(name, sa.LargeBinary(), nullable=False)


def moment(name: str, *, nullable: bool = False) -> sa.Column[sa.DateTime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def belongs(table: str, column: str, to: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [to], name=op.f(f"fk_{table}_{column}"))


def upgrade() -> None:
    op.create_table(
        "season_trip",
        *map(text, ("trip_id", "outfit_id")),
        whole("seq"),
        text("hash"),
        *map(whole, ("season", "month")),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=False),
        *map(text, ("route", "edition", "kind", "people", "lines")),
        *map(packed, ("members", "epochs", "cells", "metrics", "complete")),
        belongs("season_trip", "trip_id", "trip.id"),
        sa.PrimaryKeyConstraint("trip_id", name=op.f("pk_season_trip")),
    )
    if op.get_bind().dialect.name == "postgresql":
        # Layers are cut out of the middle: quick where it lies as it is, slow where it is compressed.
        op.execute("ALTER TABLE season_trip ALTER COLUMN metrics SET STORAGE EXTERNAL")
    op.create_index(op.f("ix_season_trip_outfit_id_trip_id"), "season_trip", ["outfit_id", "trip_id"])
    op.create_table(
        "season_fact",
        *map(text, ("outfit_id", "requirement", "trip_id")),
        *map(whole, ("asked", "lacking")),
        *map(packed, ("states", "gaps")),
        text("payloads"),
        packed("holdings"),
        belongs("season_fact", "trip_id", "trip.id"),
        sa.PrimaryKeyConstraint("outfit_id", "requirement", "trip_id", name=op.f("pk_season_fact")),
    )
    names = ("route", "edition", "kind", "lead", "booking", "rental")
    op.create_table(
        "season_summary",
        text("outfit_id"),
        *map(whole, ("season", "month")),
        *map(text, names),
        whole("people"),
        packed("counts"),
        sa.PrimaryKeyConstraint("outfit_id", "season", "month", *names, name=op.f("pk_season_summary")),
    )
    op.create_table(
        "season_state",
        text("outfit_id"),
        *map(whole, ("revision", "trips")),
        belongs("season_state", "outfit_id", "outfit.id"),
        sa.PrimaryKeyConstraint("outfit_id", name=op.f("pk_season_state")),
    )
    op.create_table(
        "season_note",
        text("trip_id"),
        whole("place"),
        *map(text, ("outfit_id", "about", "requirement", "text")),
        belongs("season_note", "trip_id", "trip.id"),
        sa.PrimaryKeyConstraint("trip_id", "place", name=op.f("pk_season_note")),
    )
    op.create_index(
        op.f("ix_season_note_outfit_id_about_requirement"),
        "season_note",
        ["outfit_id", "about", "requirement"],
    )
    op.create_table(
        "season_trial",
        *map(text, ("id", "outfit_id", "base", "changed", "state")),
        *map(whole, ("done", "total")),
        sa.Column("stop_asked", sa.Boolean(), nullable=False),
        text("problem"),
        sa.Column("result", sa.Text(), nullable=True),
        moment("created_at"),
        text("created_by"),
        *(moment(name, nullable=True) for name in ("finished_at", "adopted_at")),
        *map(text, ("adopted_by", "note", "watch")),
        sa.Column("watch_rate", sa.Float(), nullable=True),
        belongs("season_trial", "outfit_id", "outfit.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_season_trial")),
    )
    op.create_index(op.f("ix_season_trial_outfit_id"), "season_trial", ["outfit_id"])
    op.create_table(
        "season_letter",
        *map(text, ("id", "outfit_id", "reader", "title", "text")),
        *map(moment, ("made_at", "changed_at")),
        text("changed_by"),
        whole("version"),
        belongs("season_letter", "outfit_id", "outfit.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_season_letter")),
    )
    op.create_index(op.f("ix_season_letter_outfit_id"), "season_letter", ["outfit_id"])


def downgrade() -> None:
    for name in (
        "season_letter",
        "season_trial",
        "season_note",
        "season_state",
        "season_summary",
        "season_fact",
        "season_trip",
    ):
        op.drop_table(name)
