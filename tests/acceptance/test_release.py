"""A release that could be made today: what is built, what it carries, and that it installs on every Python here."""

import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SUPPORTED = ("3.11", "3.12", "3.13", "3.14")


def run(*command: str | Path, folder: Path, **more: str) -> str:
    """Run a command that must succeed; return what it printed."""
    done = subprocess.run(
        [str(part) for part in command], cwd=folder, env={**os.environ, **more}, capture_output=True, text=True
    )
    assert done.returncode == 0, f"{command}: {done.stdout[-2000:]}{done.stderr[-2000:]}"
    return done.stdout


def interpreters() -> dict[str, str]:
    """Return the supported versions that this machine has: version to interpreter."""
    candidates = [shutil.which(f"python{version}") for version in SUPPORTED]
    candidates += [str(p) for p in Path(os.environ.get("PYENV_ROOT", "/nonexistent")).glob("versions/3.*/bin/python")]
    found = {}
    for candidate in filter(None, candidates):
        asked = subprocess.run(
            [candidate, "-c", "import sys; print('%d.%d' % sys.version_info[:2])"], capture_output=True, text=True
        )
        if asked.returncode == 0 and asked.stdout.strip() in SUPPORTED:
            found[asked.stdout.strip()] = candidate
    return found


@pytest.fixture(scope="module")
def tools(tmp_path_factory) -> Path:
    """Return the scripts' folder of a fresh environment with the packagers' tools."""
    folder = tmp_path_factory.mktemp("tools")
    venv.create(folder, with_pip=True)
    run(folder / "bin" / "pip", "install", "-q", "build", "twine", "pipx", folder=folder)
    return folder / "bin"


@pytest.fixture(scope="module")
def built(tools, tmp_path_factory) -> dict[str, Path]:
    """Return the wheel and the source distribution, built from what is committed."""
    folder = tmp_path_factory.mktemp("built")
    run("git", "clone", "-q", ROOT, "source", folder=folder)
    run(tools / "python", "-m", "build", "--outdir", folder / "dist", folder / "source", folder=folder)
    made = {path.suffix: path for path in (folder / "dist").iterdir()}
    assert set(made) == {".whl", ".gz"}
    return made


@pytest.mark.acceptance
def test_the_packagers_check_passes(tools, built):
    printed = run(tools / "twine", "check", "--strict", *built.values(), folder=ROOT, NO_COLOR="1")
    assert len(re.findall("PASSED", printed)) == 2


@pytest.mark.acceptance
def test_the_source_carries_pictures_licences_and_a_suite(built):
    with tarfile.open(built[".gz"]) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    tracked = set(run("git", "ls-files", folder=ROOT).split("\n")) - {"", ".gitignore"}
    missing = {name for name in tracked if not name.startswith(".git")} - names
    assert not missing, sorted(missing)[:10]
    assert set(re.findall(r"\]\((\.pictures/[^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))) <= names


@pytest.mark.acceptance
def test_the_wheel_carries_licences_manual_and_schemas(built):
    with zipfile.ZipFile(built[".whl"]) as archive:
        names = archive.namelist()
    assert [name for name in names if name.endswith("licenses/LICENSE")]
    assert "buswright/report/assets/uPlot.LICENSE" in names
    for folder, suffix in (("cli/manual", ".md"), ("report/schemas", ".json"), ("report/assets", ".js")):
        ours = {path.name for path in (ROOT / "src/buswright" / folder).glob(f"*{suffix}")}
        assert ours == {Path(name).name for name in names if f"buswright/{folder}/" in name and name.endswith(suffix)}
    assert not [name for name in names if name.startswith("tests")]


def use(program: Path, folder: Path) -> None:
    """Run the main job with an installed program, from an empty folder."""
    run(program, "demo", "--save", "car", folder=folder)
    printed = run(program, "decode", "car/run.log", "--car", "car/wrenfell.toml", "--out", "channels/", "--json",
                  folder=folder)  # fmt: skip
    assert json.loads(printed)
    assert run(program, "guide", "changes", folder=folder).strip()


@pytest.mark.acceptance
@pytest.mark.parametrize("version", SUPPORTED)
@pytest.mark.parametrize("kind", [".whl", ".gz"])
def test_pip_installs_it(built, version, kind, tmp_path):
    python = interpreters().get(version)
    if python is None:
        pytest.skip(f"NOT TRIED on Python {version}: there is none on this machine")
    run(python, "-m", "venv", tmp_path / "env", folder=tmp_path)
    run(tmp_path / "env/bin/pip", "install", "-q", built[kind], folder=tmp_path)
    (tmp_path / "empty").mkdir()
    use(tmp_path / "env/bin/buswright", tmp_path / "empty")


@pytest.mark.acceptance
def test_pipx_installs_it(tools, built, tmp_path):
    where = {"PIPX_HOME": str(tmp_path / "home"), "PIPX_BIN_DIR": str(tmp_path / "bin"),
             "PIPX_MAN_DIR": str(tmp_path / "man")}  # fmt: skip
    run(tools / "pipx", "install", "--python", sys.executable, built[".whl"], folder=tmp_path, **where)
    (tmp_path / "empty").mkdir()
    use(tmp_path / "bin/buswright", tmp_path / "empty")
