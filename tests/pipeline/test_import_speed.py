"""What the import of a log may load."""

import subprocess
import sys

from tests.pipeline.twin_fleet import write_fleet


def test_importing_a_log_loads_no_library_that_takes_longer_than_the_log(tmp_path):
    """Of an hour's log half the time once went into pandas and scipy."""
    folder = write_fleet(tmp_path, vehicles=1, drives=1, duration_s=300.0) / "van-001"
    (log,) = (folder / "logs").glob("*.log")
    code = (
        f"import sys; from logan.cli.main import main; code = main(['import', {str(log)!r}, '-b', {str(folder)!r}]); "
        "heavy = {'pandas', 'scipy', 'plotly', 'jinja2', 'logan.model.balance'} & set(sys.modules); "
        "print(heavy, file=sys.stderr); sys.exit(code or bool(heavy))"
    )
    outcome = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=False)
    assert outcome.returncode == 0, outcome.stderr
