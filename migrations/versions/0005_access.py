"""Accounts, what they sign in with, sessions, links, tokens, assignments, and the staff log.

Revision: 0005_access, after 0004_locker.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005_access"
down_revision = "0004_locker"
branch_labels = None
depends_on = None


def text(name: str, *, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def moment(name: str, *, nullable: bool = False) -> sa.Column[sa.DateTime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "staff",
        text("id"),
        text("outfit_id"),
        text("name"),
        text("email"),
        text("role"),
        sa.Column("active", sa.Boolean(), nullable=False),
        text("password_hash", nullable=True),
        text("openid_subject", nullable=True),
        moment("created_at"),
        sa.ForeignKeyConstraint(["outfit_id"], ["outfit.id"], name=op.f("fk_staff_outfit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff")),
        sa.UniqueConstraint("email", name=op.f("uq_staff_email")),
        sa.UniqueConstraint("openid_subject", name=op.f("uq_staff_openid_subject")),
    )
    op.create_index(op.f("ix_staff_outfit_id"), "staff", ["outfit_id"])
    _of_staff(
        "passkey",
        text("id"),
        text("public_key"),
        sa.Column("sign_count", sa.Integer(), nullable=False),
        text("label"),
        moment("created_at"),
        moment("used_at", nullable=True),
    )
    _of_staff(
        "access_session",
        text("id"),
        text("token_hash"),
        text("how"),
        text("label"),
        text("address"),
        moment("created_at"),
        moment("seen_at"),
        moment("expires_at"),
        moment("ended_at", nullable=True),
        unique="token_hash",
    )
    op.create_table(
        "known_device",
        text("token_hash"),
        text("staff_id"),
        moment("created_at"),
        sa.ForeignKeyConstraint(["staff_id"], ["staff.id"], name=op.f("fk_known_device_staff_id")),
        sa.PrimaryKeyConstraint("token_hash", "staff_id", name=op.f("pk_known_device")),
    )
    _of_staff(
        "access_link",
        text("token_hash"),
        text("purpose"),
        moment("created_at"),
        moment("expires_at"),
        moment("used_at", nullable=True),
        moment("revoked_at", nullable=True),
        key="token_hash",
    )
    op.create_table(
        "access_ceremony",
        text("token_hash"),
        text("kind"),
        text("staff_id", nullable=True),
        text("data"),
        moment("expires_at"),
        sa.ForeignKeyConstraint(["staff_id"], ["staff.id"], name=op.f("fk_access_ceremony_staff_id")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_access_ceremony")),
    )
    op.create_index(op.f("ix_access_ceremony_expires_at"), "access_ceremony", ["expires_at"])
    _of_staff(
        "api_token",
        text("id"),
        text("token_hash"),
        text("role"),
        text("label"),
        moment("created_at"),
        moment("expires_at"),
        moment("used_at", nullable=True),
        moment("revoked_at", nullable=True),
        unique="token_hash",
    )
    op.create_table(
        "trip_staff",
        text("trip_id"),
        text("staff_id"),
        text("member", nullable=True),
        moment("assigned_at"),
        text("assigned_by"),
        sa.ForeignKeyConstraint(["trip_id"], ["trip.id"], name=op.f("fk_trip_staff_trip_id")),
        sa.ForeignKeyConstraint(["staff_id"], ["staff.id"], name=op.f("fk_trip_staff_staff_id")),
        sa.PrimaryKeyConstraint("trip_id", "staff_id", name=op.f("pk_trip_staff")),
    )
    op.create_index(op.f("ix_trip_staff_staff_id"), "trip_staff", ["staff_id"])
    op.create_table(
        "staff_log",
        text("id"),
        text("outfit_id", nullable=True),
        text("staff_id", nullable=True),
        text("what"),
        text("about"),
        text("address"),
        moment("at"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff_log")),
    )
    op.create_index(op.f("ix_staff_log_outfit_id_id"), "staff_log", ["outfit_id", "id"])
    for statement in _only_added()[op.get_bind().dialect.name]:
        op.execute(statement)


def _of_staff(name: str, *columns: sa.Column[object], key: str = "id", unique: str | None = None) -> None:
    """A table whose rows belong to one of the staff."""
    rules: list[sa.Constraint] = [
        sa.ForeignKeyConstraint(["staff_id"], ["staff.id"], name=op.f(f"fk_{name}_staff_id")),
        sa.PrimaryKeyConstraint(key, name=op.f(f"pk_{name}")),
    ]
    if unique:
        rules.append(sa.UniqueConstraint(unique, name=op.f(f"uq_{name}_{unique}")))
    op.create_table(name, text("staff_id"), *columns, *rules)
    op.create_index(op.f(f"ix_{name}_staff_id"), name, ["staff_id"])


def _only_added() -> dict[str, list[str]]:
    """Statements that make the database refuse to change or remove lines of the log."""
    return {
        "sqlite": [
            f"CREATE TRIGGER staff_log_no_{what} BEFORE {what} ON staff_log "
            "BEGIN SELECT RAISE(ABORT, 'lines of the staff log are only added'); END"
            for what in ("UPDATE", "DELETE")
        ],
        "postgresql": [
            "CREATE FUNCTION staff_log_only_added() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'lines of the staff log are only added'; END $$",
            "CREATE TRIGGER staff_log_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON staff_log "
            "EXECUTE FUNCTION staff_log_only_added()",
        ],
    }


def downgrade() -> None:
    for name in (
        "staff_log",
        "trip_staff",
        "api_token",
        "access_ceremony",
        "access_link",
        "known_device",
        "access_session",
        "passkey",
        "staff",
    ):
        op.drop_table(name)
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION staff_log_only_added()")
