"""Card frames as sent over D0/D1: one table of formats; decoding, building and explaining read the same table."""
