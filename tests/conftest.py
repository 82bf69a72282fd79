"""Properties are held to what they say and not to the clock: on a busy machine a first call may take any time."""

import hypothesis

hypothesis.settings.register_profile(
    "untimed", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow], print_blob=True
)
hypothesis.settings.load_profile("untimed")
