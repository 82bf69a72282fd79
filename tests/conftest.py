"""Properties are held to what they say and not to the clock: on a busy machine a first call may take any time.

They are tried on the same examples each time, so that a run fails for what was changed alone;
``LOGAN_RANDOM=1`` tries others.
"""

import os

import hypothesis

hypothesis.settings.register_profile(
    "untimed",
    deadline=None,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
    print_blob=True,
    derandomize="LOGAN_RANDOM" not in os.environ,
)
hypothesis.settings.load_profile("untimed")
