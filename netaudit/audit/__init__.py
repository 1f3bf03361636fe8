"""Judging: the ledger joined with what was observed."""
