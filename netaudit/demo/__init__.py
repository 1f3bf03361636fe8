"""The demo: an invented site, its captures and its simulated fortnight."""
