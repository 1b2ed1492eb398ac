"""Jobs as entries, edits, changes and steps."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables as the first version had them."""
    op.create_table(
        "migration",
        sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at", sa.String(40), nullable=False),
    )
    op.create_table(
        "job",
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("created_at", sa.String(40), nullable=False),
        sa.Column("changed_at", sa.String(40), nullable=False),
        sa.Column("deleted_at", sa.String(40)),
    )
    op.create_table(
        "entry",
        sa.Column("job_id", sa.String(64), sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("key", sa.String(200), primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
    op.create_table(
        "edit",
        sa.Column("job_id", sa.String(64), sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
        sa.Column("state", sa.String(10), nullable=False),
        sa.CheckConstraint("state IN ('live', 'undone', 'dropped')", name="state"),
    )
    op.create_table(
        "change",
        sa.Column("job_id", sa.String(64), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("key", sa.String(200), primary_key=True),
        sa.Column("before", sa.Text),
        sa.Column("after", sa.Text),
        sa.ForeignKeyConstraint(["job_id", "seq"], ["edit.job_id", "edit.seq"]),
    )
    op.create_table(
        "step",
        sa.Column("job_id", sa.String(64), sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("uid", sa.String(100), primary_key=True),
        sa.Column("action", sa.String(10), nullable=False),
        sa.Column("seq", sa.Integer),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
    )
