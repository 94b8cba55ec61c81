"""Alembic's entry: the connection comes from `qc.ledger.migrate`, never from a file."""

from alembic import context

from qc.ledger import triggers
from qc.ledger.migrate import has_journal
from qc.ledger.tables import Base

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
    transactional_ddl=False,  # the caller holds one transaction around everything
)
context.run_migrations()
if context.config.attributes.get("triggers", True) and has_journal(connection):
    triggers.create(connection)
