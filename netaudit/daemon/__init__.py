"""The daemon: wiring on a schedule, and stopping cleanly."""
