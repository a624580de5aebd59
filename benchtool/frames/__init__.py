"""Protocols without I/O: octets in, frames out; encode and decode from one table."""
