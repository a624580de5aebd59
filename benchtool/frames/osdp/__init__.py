"""OSDP in the clear: codes, check values, headers, payloads and what they mean (sheet section 5).

Nothing is imported here, so that the hot modules `codes` and `check` stay light.
"""
