"""Run by Alembic for the book and the desk alike, on the connection and in the transaction of `engine.py`."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    transactional_ddl=True,  # SQLite as well: our transactions begin explicitly
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
