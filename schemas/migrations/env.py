"""Alembic's entry: the connection comes from `qc.ledger.migrate`, never from a file."""

from alembic import context

from qc.ledger import triggers
from qc.ledger.base import Base, with_postgresql
from qc.ledger.migrate import has_journal
from qc.ledger.tables import FOLLOWS, TRUTH
from qc.people.tables import PEOPLE

connection = context.config.attributes["connection"]
# accounts stand beside the journal
assert all(table.metadata is Base.metadata for table in (*TRUTH, *FOLLOWS, *PEOPLE))
context.configure(
    connection=connection,
    target_metadata=with_postgresql(Base.metadata),
    render_as_batch=True,
    compare_type=True,
    # the months of the journal are made as they come
    include_name=lambda name, kind, _: kind != "table" or not (name or "").startswith("journal_"),
    transactional_ddl=False,  # the caller holds one transaction around everything
)
context.run_migrations()
if context.config.attributes.get("triggers", True) and has_journal(connection):
    triggers.create(connection)
