"""What the plan can carry: pure functions from a plan to ledger lines."""
