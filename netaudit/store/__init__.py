"""Keeping: schema, migrations, batched writing, roll-ups, retention, reading series."""
