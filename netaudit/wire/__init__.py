"""Bytes: decoders, encoders, capture files, live sockets, kernel filters."""
