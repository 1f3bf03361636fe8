"""The acceptance test: frozen evidence is put to a table of checks; what comes out is a certificate. Pure."""
