"""The house itself: packaging, direction of imports, weight of the command line, what the README promises."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
HEAVY = ("scipy.signal", "scipy.stats", "sklearn", "pandas", "numba", "matplotlib", "pyarrow", "pywt")


def python(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *words], capture_output=True, text=True, cwd=cwd, timeout=120)


def packages_on_disk() -> set[str]:
    homes = {"drm": ROOT / "drm", "drm.features": ROOT / "features", "drm.synthetic": ROOT / "synthetic"}
    found = set()
    for name, home in homes.items():
        for marker in home.rglob("__init__.py"):
            # The links inside drm lead to folders that are walked under their own home.
            inside = marker.parent.relative_to(home).parts
            if name == "drm" and inside[:1] in {("features",), ("synthetic",)}:
                continue
            found.add(".".join((name, *inside)))
    return found


def test_every_package_is_named_for_the_build():
    assert set(PROJECT["tool"]["setuptools"]["packages"]) == packages_on_disk()


@pytest.mark.parametrize("name", ["features", "synthetic"])
def test_the_link_leads_to_the_folder_beside_the_package(name):
    link = ROOT / "drm" / name
    if not link.is_dir():
        pytest.skip("a checkout without links")
    assert link.resolve() == ROOT / name


def test_files_that_are_not_code_are_installed_too():
    import drm

    home = Path(drm.__file__).parent
    assert (home / "py.typed").is_file()
    for folder, installed in (("drm", home), ("features", home / "features"), ("synthetic", home / "synthetic")):
        for suffix in ("*.j2", "*.toml", "*.css", "*.js"):
            for file in (ROOT / folder).rglob(suffix):
                assert (installed / file.relative_to(ROOT / folder)).is_file(), file


@pytest.mark.parametrize("name", ["features", "synthetic"])
def test_the_bare_name_is_refused_in_one_sentence(name):
    done = python("-c", f"import {name}", cwd=ROOT)
    assert done.returncode == 1
    last = done.stderr.strip().splitlines()[-1]
    assert last.startswith("ImportError: ")
    assert f"drm.{name}" in last


def test_a_checkout_without_links_still_imports(tmp_path):
    # Some systems check out a link as a small text file that holds its target.
    for folder in ("drm", "features", "synthetic"):
        shutil.copytree(ROOT / folder, tmp_path / folder, symlinks=True, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("features", "synthetic"):
        (tmp_path / "drm" / name).unlink()
        (tmp_path / "drm" / name).write_text(f"../{name}")
    code = "import drm, drm.features, drm.synthetic; print(drm.__file__, drm.features.__file__, drm.synthetic.__file__)"
    done = python("-S", "-c", f"import sys; sys.path[:0] = [{str(tmp_path)!r}, *{sys.path!r}]; {code}", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert all(where.startswith(str(tmp_path)) for where in done.stdout.split())


def test_imports_run_one_way_only():
    lint = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([lint, "--no-cache"], capture_output=True, text=True, cwd=ROOT, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "sys.argv = ['drm', '--help']\n"
        "from drm.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    assert not end.code\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = python("-P", "-c", code)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().splitlines()[-1] == "[]"


def test_help_names_each_command():
    done = python("-P", "-m", "drm", "--help")
    assert done.returncode == 0, done.stderr
    for command in ("demo", "describe", "diagnose", "review", "simulate"):
        assert f"\n  {command} " in done.stdout


def test_public_names_exist_and_are_listed():
    import drm

    assert drm.__version__ == PROJECT["project"]["version"]
    for name in drm.__all__:
        assert getattr(drm, name) is not None
    assert set(drm.__all__) <= set(dir(drm))
    with pytest.raises(AttributeError, match="no attribute 'diagnosis'"):
        drm.diagnosis  # noqa: B018


def readme_commands() -> list[str]:
    """The lines between the marks in the README, one command each."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines()]
    return [line for line in lines if line.startswith("python3 -m venv")]


def test_the_readme_gives_one_command_to_try_and_one_to_test():
    trying, testing = readme_commands()
    assert trying.endswith("drm demo")
    assert ".[test]" in testing


def test_ci_runs_the_test_command_of_the_readme():
    # The newcomer's words after `python`, and those of the continuous check, are the same.
    testing = readme_commands()[1].rsplit("/bin/python ", 1)[1]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert testing.startswith("-P -m pytest")
    assert f'"$python" {testing}\n' in script


def test_ci_is_strict_and_can_be_run():
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & 0o111
    assert "set -euo pipefail" in script.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", sorted((ROOT / "drm").glob("_*_kernel*.py")), ids=lambda path: path.stem)
def test_a_compiled_kernel_is_compiled_anew_when_one_that_it_calls_changes(path):
    """The cache knows a kernel by the text of its own file alone: this says what it calls."""
    text = path.read_text(encoding="utf-8")
    called = sorted(set(re.findall(r"^from drm\.(_\w+_kernels?) import", text, flags=re.M)))
    if not called:
        return
    whole = b"".join((path.parent / f"{name}.py").read_bytes() for name in called)
    line = f"# Compiled with {', '.join(called)}: {hashlib.sha256(whole.replace(bytes([13]), b'')).hexdigest()[:16]}"
    assert line in text.splitlines(), f"put this line into {path.name}: {line}"
