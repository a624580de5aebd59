"""What holds for every test: Hypothesis keeps no real time, for the machine that runs it may stall for seconds."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("bench", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("bench")
