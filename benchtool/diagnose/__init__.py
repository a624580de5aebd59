"""From tallies to findings: symptoms, causes, how sure, what to do next."""
