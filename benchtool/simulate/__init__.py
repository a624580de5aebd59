"""Devices without I/O, the virtual bus, and the scenarios that tie them together."""
