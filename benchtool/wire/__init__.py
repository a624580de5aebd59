"""Physics, pure: characters on the line and what a receiver makes of them; the RS-485 pair."""
