"""OSDP, clear and secured: codes, check values, headers, payloads, sessions and what they mean (sheet section 5).

Nothing is imported here, so that the hot modules `codes` and `check` stay light.
"""
