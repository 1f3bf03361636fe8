"""The checks of the acceptance test, a subject a file; `table.py` lists them."""
