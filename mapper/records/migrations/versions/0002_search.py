"""Words to search jobs by; the table of versions gives way to Alembic's own."""

import sqlalchemy as sa
from alembic import op

from mapper.records.searching import SEARCHED, words_of

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the column of words and fill it for every job."""
    op.drop_table("migration")
    op.add_column("job", sa.Column("words", sa.Text, nullable=False, server_default=""))
    connection = op.get_bind()
    job = sa.table("job", sa.column("id"), sa.column("words"), sa.column("created_at"))
    entry = sa.table("entry", sa.column("job_id"), sa.column("key"), sa.column("value"))
    for job_id, created_at in connection.execute(sa.select(job.c.id, job.c.created_at)).all():
        query = sa.select(entry.c.key, entry.c.value).where(
            entry.c.job_id == job_id,
            sa.or_(*(entry.c.key.startswith(kind) for kind in SEARCHED)),
        )
        texts = dict(map(tuple, connection.execute(query)))
        connection.execute(
            sa.update(job).where(job.c.id == job_id).values(words=words_of(texts, created_at))
        )
