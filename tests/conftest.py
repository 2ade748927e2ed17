"""Settings of the random checks: no deadlines (machines are noisy), more examples in the long run."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile("usual", deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("long", settings.get_profile("usual"), max_examples=3000)
settings.load_profile("long" if os.environ.get("LATCHTRACE_LONG") else "usual")
