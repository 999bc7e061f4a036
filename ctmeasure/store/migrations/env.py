"""Run by alembic: migrate on the connection that the store hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

from ctmeasure.store.tables import METADATA

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=METADATA)
context.run_migrations()
