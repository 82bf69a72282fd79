"""Start-up stays light, and optional packages stay optional."""

import subprocess
import sys

import pytest

EXTRAS = ("asammdf", "fastapi", "uvicorn", "starlette", "multipart", "dask", "distributed", "fsspec")


def run(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False)


@pytest.mark.parametrize("module", ["numpy", "pandas", "scipy", "pyarrow", "cantools", "can", "plotly", "pint"])
def test_help_imports_nothing_heavy(module):
    code = f"import sys; from logan.cli.main import main; main(['--help']); sys.exit({module!r} in sys.modules)"
    assert run(code).returncode == 0


def test_listing_drives_loads_nothing_heavy(tmp_path):
    (tmp_path / "build.toml").write_text('[build]\nname = "x"\n', encoding="utf-8")
    code = (
        f"import sys; from logan.cli.main import main; code = main(['drives', '-b', {str(tmp_path)!r}]); "
        "heavy = {'numpy', 'scipy', 'pandas', 'pyarrow', 'plotly', 'pint', 'rich.console'} & set(sys.modules); "
        "print(heavy, file=sys.stderr); sys.exit(code or bool(heavy))"
    )
    outcome = run(code)
    assert outcome.returncode == 0, outcome.stderr


def test_the_package_imports_with_every_extra_hidden():
    hidden = "; ".join(f"sys.modules[{name!r}] = None" for name in EXTRAS)
    code = (
        f"import sys; {hidden}; import importlib, pkgutil, logan\n"
        "skipped = ('logan.web', 'logan.__main__')\n"
        "for module in pkgutil.walk_packages(logan.__path__, 'logan.'):\n"
        "    if not module.name.startswith(skipped):\n"
        "        importlib.import_module(module.name)\n"
    )
    outcome = run(code)
    assert outcome.returncode == 0, outcome.stderr


def test_a_missing_extra_is_one_line_with_the_command_to_install_it(tmp_path):
    code = (
        "import sys; sys.modules['uvicorn'] = None\n"
        "from logan.cli.main import main\n"
        f"sys.exit(main(['serve', {str(tmp_path)!r}, '--no-browser']))"
    )
    outcome = run(code)
    assert outcome.returncode == 2
    assert "pip install 'logan[web]'" in outcome.stderr
    assert "Traceback" not in outcome.stderr
