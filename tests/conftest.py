"""What holds for every test: Hypothesis keeps no real time, for the machine that runs it may stall for seconds.

Examples are the same in every run. `HYPOTHESIS_PROFILE=explore python -m pytest …` draws new ones.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile("bench", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
settings.register_profile("explore", settings.get_profile("bench"), derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "bench"))
