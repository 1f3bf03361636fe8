"""The site plan: what is there, loaded from TOML, with errors that say where and what to write."""
