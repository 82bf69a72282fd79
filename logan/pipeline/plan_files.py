"""Plans frozen to dated files, which nothing overwrites."""

import hashlib
import json
import math
from contextlib import suppress
from pathlib import Path
from typing import Final
from uuid import uuid4

import numpy as np

from logan.errors import ConfigurationError, in_our_words, plain_words
from logan.pipeline.plan import Plan
from logan.results import JsonValue, json_content, json_ready, result_from_json

_FILE_STEM: Final = "plan"
_SEAL: Final = "sha256"
_MAX_PLANS_A_DAY: Final = 1000


def freeze_plan(plan: Plan, folder: Path) -> Path:
    """Write a plan to a new dated file; a plan that stands is never overwritten.

    Parameters
    ----------
    plan : Plan
        The plan.
    folder : Path
        Folder of the build's plans; made where missing.

    Returns
    -------
    Path
        The file, such as ``plan-2026-04-30.json`` or ``plan-2026-04-30-2.json``.

    Raises
    ------
    ConfigurationError
        If the file cannot be written.
    """
    content = json_ready(plan)
    text = json.dumps({_SEAL: _seal_of(content), "plan": content}, indent=1, ensure_ascii=False)
    day = plan.created_at[:10]
    with in_our_words(ConfigurationError, "the plan cannot be written ({})", "Check the folder", folder):
        folder.mkdir(parents=True, exist_ok=True)
        draft = folder / f".{uuid4().hex}"  # no plan yet, so that nobody reads half of one
        try:
            draft.write_text(text, encoding="utf-8")
            for number in range(1, _MAX_PLANS_A_DAY):
                path = folder / (f"{_FILE_STEM}-{day}.json" if number == 1 else f"{_FILE_STEM}-{day}-{number}.json")
                with suppress(FileExistsError):
                    _name(draft, path)
                    return path
        finally:
            draft.unlink(missing_ok=True)
    raise ConfigurationError("too many plans on one day", "Remove the ones that are not needed", folder)


def _name(draft: Path, path: Path) -> None:
    """Give a draft a name that must be free; where the medium has no hard links, look first."""
    try:
        path.hardlink_to(draft)
    except OSError:
        if path.exists():
            raise FileExistsError from None
        draft.replace(path)


def load_plan(path: Path) -> Plan:
    """Read a frozen plan.

    Parameters
    ----------
    path : Path
        File that ``freeze_plan`` wrote.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    ConfigurationError
        If the file cannot be read, is no plan, was changed since it was frozen, or says what cannot be.
    """
    try:
        with in_our_words(ConfigurationError, "the plan cannot be read ({})", "Check the path", path):
            content = json_content(path.read_text(encoding="utf-8"))
        sealed = content.get("plan") if isinstance(content, dict) and _SEAL in content else None
        if sealed is None:
            raise ValueError("it carries no hash")
        if content[_SEAL] != _seal_of(sealed):
            raise ConfigurationError(
                "the plan was changed after it was frozen: its hash does not fit",
                "Bring the file back as it was, or freeze a new one with: logan plan",
                path,
            )
        plan = result_from_json(Plan, sealed)
    except ConfigurationError:
        raise
    except (ValueError, TypeError, RecursionError) as error:
        raise ConfigurationError(
            f"not a plan of this version ({plain_words(error)})", "Make a new one with: logan plan", path
        ) from error
    if wrong := _impossible(plan):
        raise ConfigurationError(f"the plan cannot be: {wrong}", "Make a new one with: logan plan", path)
    return plan


def _seal_of(content: JsonValue) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _impossible(plan: Plan) -> str:
    """What in a plan no vehicle can have, by name; empty where nothing is."""
    for name, value in zip(plan.parameters.names, plan.parameters.median.tolist(), strict=True):
        if not 0.0 < value < (1.0 if "efficiency" in name else math.inf):
            return f"{name} of {value:g}"
    if not 0.0 < plan.usable.energy_wh < math.inf:
        return f"usable energy of {plan.usable.energy_wh:g} Wh"
    covariance = plan.parameters.log_covariance
    if not np.abs(covariance).max() < 1e3 or np.linalg.eigvalsh(covariance)[0] < -1e-9:
        return "uncertainties that contradict each other"
    return ""


def frozen_plans(folder: Path) -> tuple[Path, ...]:
    """Files of the plans in a folder, oldest first."""

    def order(path: Path) -> tuple[str, int]:
        parts = path.stem.split("-")
        return "-".join(parts[1:4]), int(parts[4]) if len(parts) > 4 and parts[4].isdecimal() else 1

    return tuple(sorted(folder.glob(f"{_FILE_STEM}-????-??-??*.json"), key=order))


def latest_plan(folder: Path) -> Plan | None:
    """Return the newest frozen plan of a folder; None where there is none."""
    paths = frozen_plans(folder)
    return load_plan(paths[-1]) if paths else None
