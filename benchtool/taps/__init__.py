"""Where chunks come from: an adapter, a network serial port, a file, the simulated bus."""
