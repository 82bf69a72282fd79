"""Names for settings by their content, so that a stored analysis knows when it is out of date."""

from __future__ import annotations

import hashlib
import json

from logan.results import json_ready


def settings_fingerprint(*settings: object) -> str:
    """Hash of settings by value, 16 hexadecimal digits; equal settings give equal fingerprints.

    Parameters
    ----------
    *settings : object
        Frozen settings, or a version string of the code that uses them.
    """
    text = json.dumps(json_ready(settings), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
