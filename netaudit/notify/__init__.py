"""Telling: the outbox and its delivery."""
