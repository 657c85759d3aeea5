"""Run by Alembic: applies the migrations on the connection and inside the transaction of :mod:`..upgrading`."""

from alembic import context

from fragarea.logbook.tables import metadata

settings = context.config.attributes
context.configure(
    connection=settings["connection"],
    target_metadata=metadata,
    version_table=settings["version_table"],
    transactional_ddl=True,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
