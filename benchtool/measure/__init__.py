"""Running tallies in constant memory: errors, timing, exchanges, per address."""
