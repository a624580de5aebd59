"""benchtool: listen to, decode, simulate and diagnose RS-485 buses and card readers."""

__version__ = "0.1.0"
