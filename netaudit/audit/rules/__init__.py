"""The rules: one file a subject, gathered in `table.py`."""
